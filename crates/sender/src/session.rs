//! The sender's side of one session, from the request to the two ends' accounts.

mod datagram_flows;
mod flowing;
mod sounding;
mod tcp_flows;

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use culvert_engine::channel::ChannelError;
use culvert_engine::identity::flow_keys;
use culvert_engine::legs::{
    Flows, Side, flow_options, stream_identity, streams, with_first_socket,
};
use culvert_engine::probe::{ProbePath, ProbeWindow, RoundTrips, probe};
use culvert_engine::timeline::Switch;
use culvert_engine::{Pins, ThreadFault, on_thread};
use culvert_session::grant::Session;
use culvert_units::{ExitStatus, Explain};
use culvert_wire::Secret;
use culvert_wire::message::{
    FarReport, FromFar, FromNear, Load, ReceiverReport, Refusal, RefusalReason, SessionRequest,
    TcpSamplesReport, TransmitterReport, UseReport, Way, stream,
};

use crate::dial::{Contact, NearChannel, refusal_hint};
use crate::interrupt::Interrupt;
use crate::progress::Progress;
use datagram_flows::{Asking, Opened};
pub(crate) use sounding::{SoundingWish, sound};

/// How long the listener may take to grant, or to have all flows.
const PATIENCE: Duration = Duration::from_secs(8);

/// What both ends say about a session that ran, whether or not to its end.
#[derive(Debug, Default)]
pub(crate) struct Account {
    /// This end as the transmitter of what went toward far.
    pub(crate) transmitted: Option<TransmitterReport>,
    /// This end as the receiver of what went toward near.
    pub(crate) received: Option<ReceiverReport>,
    /// Bytes of each step of what went toward near.
    pub(crate) series_near: Vec<u64>,
    /// What this host did over the plateau.
    pub(crate) host: UseReport,
    /// The far end's account; `None` when it did not arrive.
    pub(crate) far: Option<FarReport>,
    /// Bytes of each step of what went toward far.
    pub(crate) series_far: Vec<u64>,
    /// What this end's kernel said of TCP flows, by the way the data went.
    pub(crate) samples_here: Vec<(Way, TcpSamplesReport)>,
    /// What the far end's kernel said of them.
    pub(crate) samples_far: Vec<(Way, TcpSamplesReport)>,
    /// Round trips of the probe flow; `None` when UDP did not pass.
    pub(crate) round_trips: Option<RoundTrips>,
    /// Probe datagrams sent in vain when UDP did not pass.
    pub(crate) unanswered_opens: u64,
    /// Why the account is incomplete.
    pub(crate) broken: Option<Broken>,
}

/// Why a session that ran has no complete account.
#[derive(Debug)]
pub(crate) enum Broken {
    /// The control channel failed.
    Channel(ChannelError),
    /// The listener broke it off.
    Refused(Refusal),
    /// The practitioner stopped it.
    Interrupted,
}

/// What concerns this end of a session alone.
#[derive(Debug)]
pub(crate) struct Here {
    /// How long round trips are measured before data flows.
    pub(crate) baseline: Duration,
    /// The cores of the data threads.
    pub(crate) pins: Pins,
}

/// Runs one session over `contact`. Fails only while nothing has flowed yet.
pub(crate) async fn run(
    contact: &mut Contact,
    request: SessionRequest,
    here: &Here,
    progress: &Progress,
    interrupt: &Interrupt,
) -> Result<Account, SessionError> {
    let switch = Arc::new(Switch::default());
    // Whatever happens below, no thread outlives the session.
    let _stopper = StopOnDrop(Arc::clone(&switch));
    let prepared = tokio::select! {
        prepared = prepare(contact, request, here, &switch, progress) => prepared?,
        () = interrupt.raised() => return Err(SessionError::Interrupted),
    };
    contact.channel.say(&FromNear::Go {}).await?;
    Ok(flowing::let_flow(prepared, &mut contact.channel, &here.pins, progress, interrupt).await)
}

/// A session whose flows all stand.
struct Prepared {
    granted: Granted,
    flows: Flows,
    prober: Option<Prober>,
    account: Account,
}

async fn prepare(
    contact: &mut Contact,
    request: SessionRequest,
    here: &Here,
    switch: &Arc<Switch>,
    progress: &Progress,
) -> Result<Prepared, SessionError> {
    let session =
        Session::check(request.clone(), &contact.limits).map_err(SessionError::NotGranted)?;
    contact.channel.say(&FromNear::Ask(request)).await?;
    let (number, run) = match contact.channel.hear_within(PATIENCE).await? {
        FromFar::Granted { session, run } => (session, run),
        FromFar::Refused(refusal) => return Err(SessionError::Refused(refusal)),
        _ => return Err(SessionError::OutOfTurn),
    };
    progress.say("opening flows");
    let granted = Granted { session, number, run, peer: contact.peer, switch: Arc::clone(switch) };
    let mut account = Account::default();
    let (flows, prober) = granted.open_flows(contact, &mut account).await?;
    let prober = prober.map(|path| granted.start_prober(&contact.channel, path)).transpose()?;
    if prober.is_some() && !here.baseline.is_zero() {
        progress.say("measuring the baseline round trip");
        tokio::time::sleep(here.baseline).await;
    }
    Ok(Prepared { granted, flows, prober, account })
}

struct StopOnDrop(Arc<Switch>);

impl Drop for StopOnDrop {
    fn drop(&mut self) {
        self.0.stop();
    }
}

/// A session that was granted.
struct Granted {
    session: Session,
    number: u32,
    run: u32,
    peer: SocketAddr,
    switch: Arc<Switch>,
}

/// The prober's thread and the window it is told.
struct Prober {
    window: Arc<ProbeWindow>,
    round_trips: std::pin::Pin<Box<dyn Future<Output = Result<RoundTrips, ThreadFault>> + Send>>,
}

impl Granted {
    /// Opens every flow; the way of the probes is given apart.
    ///
    /// TCP flows first: their tokens soon expire, and UDP that does not pass takes its time. Where it does not, the probes
    /// of a bulk session have a connection of their own.
    async fn open_flows(
        &self,
        contact: &mut Contact,
        account: &mut Account,
    ) -> Result<(Flows, Option<ProbePath>), SessionError> {
        let mut flows = Flows::default();
        if let Load::Bulk { flows: count, .. } = &self.session.request().load {
            let tokens = self.tokens(&contact.channel, *count)?;
            flows.tcp = tcp_flows::open(self, tokens).await?;
            let ready =
                tokio::time::timeout(PATIENCE, self.await_flows_ready(&mut contact.channel));
            ready.await.unwrap_or(Err(ChannelError::Silent { waited: PATIENCE }.into()))?;
        }
        let mut opened = self.open_streams(contact).await?;
        let probe = match opened.remove(&stream::PROBE) {
            Some(Opened::Proven(socket)) => Some(ProbePath::Udp(socket)),
            Some(Opened::Unanswered { sent }) => {
                account.unanswered_opens = sent;
                if flows.tcp.is_empty() { None } else { self.probe_by_tcp(contact).await? }
            }
            None => None,
        };
        for (stream, opened) in opened {
            let Opened::Proven(socket) = opened else {
                return Err(SessionError::UdpSilent { peer: self.peer });
            };
            let identity = self.identity(&contact.channel, stream)?;
            // The sending half may go: near ends never change their socket.
            let (_, sockets) = with_first_socket(socket);
            flows.datagram.insert(stream, (identity, sockets));
        }
        Ok((flows, probe))
    }

    /// Opens the connection of the probe flow; `None` when it does not come about, since the session can do without.
    async fn probe_by_tcp(&self, contact: &mut Contact) -> Result<Option<ProbePath>, SessionError> {
        contact.channel.say(&FromNear::ProbeByTcp {}).await?;
        loop {
            match contact.channel.hear_within(PATIENCE).await? {
                FromFar::ProbeAwaited {} => break,
                FromFar::Refused(refusal) => return Err(SessionError::Refused(refusal)),
                // A proof that comes late after all.
                _ => {}
            }
        }
        let keys = flow_keys(contact.channel.stream().get_ref().1, self.run, stream::PROBE_BY_TCP)?;
        let token = keys.toward(Way::Far).token.clone();
        Ok(tcp_flows::open_one(self, stream::PROBE_BY_TCP, token).await?.map(ProbePath::Tcp))
    }

    async fn open_streams(
        &self,
        contact: &mut Contact,
    ) -> Result<HashMap<u8, Opened>, SessionError> {
        let mut identities = Vec::new();
        for stream in streams(&self.session) {
            identities.push(self.identity(&contact.channel, stream)?);
        }
        let options = flow_options(self.session.request());
        let asking = Asking::new(contact.round_trip);
        datagram_flows::open(&mut contact.channel, self.peer, identities, options, asking).await
    }

    fn identity(
        &self,
        channel: &NearChannel,
        stream: u8,
    ) -> Result<culvert_engine::signals::FlowIdentity, SessionError> {
        let connection = channel.stream().get_ref().1;
        Ok(stream_identity(connection, Side::Near, self.number, self.run, stream)?)
    }

    fn tokens(
        &self,
        channel: &NearChannel,
        flows: u16,
    ) -> Result<Vec<(u16, Way, Secret<16>)>, SessionError> {
        let connection = channel.stream().get_ref().1;
        let mut tokens = Vec::new();
        for flow in 0..flows {
            let keys = flow_keys(connection, self.run, flow)?;
            for way in &self.session.request().ways {
                tokens.push((flow, *way, keys.toward(*way).token.clone()));
            }
        }
        Ok(tokens)
    }

    async fn await_flows_ready(&self, channel: &mut NearChannel) -> Result<(), SessionError> {
        loop {
            match channel.hear().await? {
                FromFar::FlowsReady {} => return Ok(()),
                FromFar::Refused(refusal) => return Err(SessionError::Refused(refusal)),
                _ => {}
            }
        }
    }

    fn start_prober(&self, channel: &NearChannel, path: ProbePath) -> Result<Prober, SessionError> {
        let identity = self.identity(channel, stream::PROBE)?;
        let window = Arc::new(ProbeWindow::default());
        let (switch, shared) = (Arc::clone(&self.switch), Arc::clone(&window));
        let round_trips =
            Box::pin(on_thread("probe", move || probe(&identity, path, &shared, &switch)));
        Ok(Prober { window, round_trips })
    }
}

/// Why a session came to nothing.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SessionError {
    /// The control channel failed.
    #[error(transparent)]
    Channel(#[from] ChannelError),
    /// The listener would refuse: its limits are known.
    #[error("this session cannot be asked for: {}", .0.text)]
    NotGranted(Refusal),
    /// The listener refused.
    #[error("the listener refused: {}", .0.text)]
    Refused(Refusal),
    /// The practitioner stopped it before data flowed.
    #[error("stopped before any data flowed")]
    Interrupted,
    /// The listener said something unexpected.
    #[error("the listener answered out of turn")]
    OutOfTurn,
    /// TCP reaches the listener, UDP does not.
    #[error(
        "{peer} answers by TCP, but no datagram of the same port comes back: UDP is filtered or not forwarded"
    )]
    UdpSilent {
        /// Who was asked.
        peer: SocketAddr,
    },
    /// A TCP data flow cannot be opened.
    #[error("cannot open a data flow to {peer}")]
    Flow {
        /// Who was dialled.
        peer: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// A datagram socket cannot be made.
    #[error("cannot open a datagram flow to {peer}")]
    Socket {
        /// Who was to be reached.
        peer: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// The session's keys cannot be derived.
    #[error("the session's keys cannot be derived")]
    Keys(#[from] rustls::Error),
    /// The interface is too small to search below.
    #[error(transparent)]
    Search(culvert_session::path_mtu::PathMtuAskError),
    /// A thread could not be started.
    #[error(transparent)]
    Thread(#[from] ThreadFault),
}

impl Explain for SessionError {
    fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Channel(error) => return error.hint(),
            Self::NotGranted(refusal) | Self::Refused(refusal) => refusal_hint(refusal.reason)?,
            Self::Interrupted => return None,
            Self::Search(error) => return error.hint(),
            Self::OutOfTurn => "run the same version of culvert and culvertd",
            Self::UdpSilent { .. } => {
                "forward the port for UDP as well as for TCP, and check the filters on both gateways; bulk sessions \
                 need TCP only"
            }
            Self::Flow { source, .. } => return flow_hint(source),
            Self::Socket { .. } | Self::Thread(_) => {
                "check this host's limits on open files and threads"
            }
            Self::Keys(_) => "run it again; if it stays, use the same release at both ends",
        };
        Some(hint.to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Channel(error) => error.exit_status(),
            Self::NotGranted(refusal) if refusal.reason == RefusalReason::Malformed => {
                ExitStatus::Usage
            }
            Self::NotGranted(_) | Self::Refused(_) | Self::OutOfTurn => ExitStatus::Refused,
            Self::Interrupted => ExitStatus::Void,
            Self::Search(error) => error.exit_status(),
            Self::Flow { source, .. } if congestion_control_error(source).is_some() => {
                ExitStatus::LocalFault
            }
            Self::UdpSilent { .. } | Self::Flow { .. } => ExitStatus::Unreachable,
            Self::Socket { .. } | Self::Keys(_) | Self::Thread(_) => ExitStatus::LocalFault,
        }
    }
}

fn congestion_control_error(
    error: &std::io::Error,
) -> Option<&culvert_os::tcp::CongestionControlError> {
    error.get_ref()?.downcast_ref()
}

fn flow_hint(source: &std::io::Error) -> Option<String> {
    match congestion_control_error(source) {
        Some(error) => error.hint(),
        None => Some("check that the gateway lets several connections to the port pass".to_owned()),
    }
}
