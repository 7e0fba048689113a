//! The listener's side of one session: awaits its flows, lets data flow, reports.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, mpsc};
use std::time::Duration;

use culvert_engine::bulk::as_asked;
use culvert_engine::channel::ChannelError;
use culvert_engine::identity::flow_keys;
use culvert_engine::legs::{Flows, Side, flow_options, stream_identity, streams};
use culvert_engine::signals::{FlowIdentity, SocketNews};
use culvert_engine::timeline::{Switch, nanos};
use culvert_engine::{Pins, on_thread, probe, sounding};
use culvert_os::{clock::monotonic_ns, tcp};
use culvert_session::grant::Session;
use culvert_session::proof::{AddressProof, ChallengeBudget};
use culvert_units::Bytes;
use culvert_wire::message::{FromFar, FromNear, Load, Refusal, RefusalReason, Way, stream};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio::time::Instant;

use crate::conversation::{Ends, FarChannel, malformed};
use crate::far_flowing::{Flowing, Moves, PROGRESS_EVERY, SILENCE_WHILE_SENDING};
use crate::registry::{
    Arrived, AwaitGuard, Awaited, AwaitedFlow, AwaitedStream, Purpose, Registry, TOKENS_LAST,
};

/// How long the flows of a granted session may take to arrive, together with the baseline probes.
const FLOWS_PATIENCE: Duration = Duration::from_secs(15);

/// One granted session.
pub(crate) struct FarSession<'a> {
    session: Session,
    number: u32,
    run: u32,
    ends: Ends,
    registry: &'a Registry,
    switch: Arc<Switch>,
    moves: Moves,
    pins: Pins,
}

/// What has arrived while a session waits for its flows.
struct Gathering {
    flows: Flows,
    awaited_tcp: usize,
    unproven: HashSet<u8>,
    /// Keys of the probe flow while its connection is awaited.
    probe_by_tcp: Option<FlowIdentity>,
    /// Whether that was asked for: once a session.
    asked_by_tcp: bool,
}

impl<'a> FarSession<'a> {
    /// A session with its number and run.
    pub(crate) fn new(
        session: Session,
        (number, run): (u32, u32),
        ends: Ends,
        registry: &'a Registry,
        pins: Pins,
    ) -> Self {
        Self {
            session,
            number,
            run,
            ends,
            registry,
            switch: Arc::default(),
            moves: Moves::default(),
            pins,
        }
    }

    /// Runs the session to its end; whatever happens, nothing of it goes on afterwards.
    pub(crate) async fn run(mut self, channel: &mut FarChannel) -> Result<(), ChannelError> {
        let (arrivals, mut arrived) = unbounded_channel();
        let (awaited, gathering) = match self.awaited(channel, arrivals) {
            Ok(both) => both,
            Err(error) => {
                let text = format!("no keys for the session: {error}");
                return channel
                    .say(&FromFar::Refused(Refusal { reason: RefusalReason::Local, text }))
                    .await;
            }
        };
        let _guard: AwaitGuard<'_> = self.registry.await_session(self.number, awaited);
        channel.say(&FromFar::Granted { session: self.number, run: self.run }).await?;
        let Some(flows) = self.gather(channel, &mut arrived, gathering).await? else {
            return Ok(());
        };
        if self.is_sounding() {
            return self.let_sound(channel).await;
        }
        self.let_flow(channel, &mut arrived, flows).await
    }

    /// What the doors shall await, and where it will be gathered.
    fn awaited(
        &self,
        channel: &FarChannel,
        arrivals: tokio::sync::mpsc::UnboundedSender<Arrived>,
    ) -> Result<(Awaited, Gathering), rustls::Error> {
        let connection = channel.stream().get_ref().1;
        let mut flows = Vec::new();
        for flow in 0..self.session.flows() {
            let keys = flow_keys(connection, self.run, flow)?;
            for way in &self.session.request().ways {
                let token = keys.toward(*way).token.clone();
                flows.push(AwaitedFlow { flow, purpose: Purpose::Data(*way), token });
            }
        }
        let (mut awaited_streams, mut gathered) = (HashMap::new(), Flows::default());
        for stream in streams(&self.session) {
            let identity = stream_identity(connection, Side::Far, self.number, self.run, stream)?;
            let (give, take) = mpsc::channel();
            gathered.datagram.insert(stream, (identity.clone(), take));
            let proof = AddressProof::new(self.ends.peer.ip());
            awaited_streams.insert(stream, AwaitedStream { identity, proof, sockets: give });
        }
        let probe = gathered.datagram.remove(&stream::PROBE);
        if let Some((identity, sockets)) = probe {
            self.answer_probes(identity, sockets);
        }
        let gathering = Gathering {
            awaited_tcp: flows.len(),
            unproven: gathered.datagram.keys().copied().collect(),
            flows: gathered,
            probe_by_tcp: None,
            asked_by_tcp: false,
        };
        let awaited = Awaited {
            peer: self.ends.peer.ip(),
            flows,
            streams: awaited_streams,
            budget: ChallengeBudget::default(),
            arrivals,
            until_ns: monotonic_ns() + nanos(TOKENS_LAST),
            options: flow_options(self.session.request()),
        };
        Ok((awaited, gathering))
    }

    fn answer_probes(&self, identity: FlowIdentity, sockets: mpsc::Receiver<SocketNews>) {
        let switch = Arc::clone(&self.switch);
        // Its end needs no waiting for: it follows the switch, or the channel of its sockets.
        if self.is_sounding() {
            let budget = self.session.budget_each_way().map_or(0, Bytes::get);
            let answer = move || sounding::answer(&identity, &sockets, budget, &switch);
            drop(on_thread("sounding", answer));
        } else {
            drop(on_thread("reflect", move || probe::reflect(&identity, &sockets, &switch)));
        }
    }

    /// Awaits the connection of the probe flow: the keys of its probes, when there are any.
    fn await_probes(&self, channel: &FarChannel) -> Option<FlowIdentity> {
        let connection = channel.stream().get_ref().1;
        let keys = flow_keys(connection, self.run, stream::PROBE_BY_TCP).ok()?;
        let identity =
            stream_identity(connection, Side::Far, self.number, self.run, stream::PROBE).ok()?;
        let flow = AwaitedFlow {
            flow: stream::PROBE_BY_TCP,
            purpose: Purpose::Probes,
            token: keys.toward(Way::Far).token.clone(),
        };
        self.registry.await_flow(self.number, flow, monotonic_ns());
        Some(identity)
    }

    const fn is_bulk(&self) -> bool {
        matches!(self.session.request().load, Load::Bulk { .. })
    }

    const fn is_sounding(&self) -> bool {
        matches!(self.session.request().load, Load::Sounding {})
    }

    /// A sounding has no data: it lasts until the near end says stop, falls silent, or its time is over.
    async fn let_sound(&self, channel: &mut FarChannel) -> Result<(), ChannelError> {
        let over = tokio::time::sleep(self.session.length());
        tokio::pin!(over);
        let mut tick = tokio::time::interval(PROGRESS_EVERY);
        let mut last_heard = Instant::now();
        loop {
            tokio::select! {
                () = &mut over => return Ok(()),
                message = channel.hear() => {
                    last_heard = Instant::now();
                    if matches!(message?, FromNear::Stop {}) {
                        return Ok(());
                    }
                }
                _ = tick.tick() => {
                    if last_heard.elapsed() > SILENCE_WHILE_SENDING {
                        return Err(ChannelError::Silent { waited: SILENCE_WHILE_SENDING });
                    }
                    // A sign of life.
                    channel.say(&FromFar::Progress { received_bytes: 0 }).await?;
                }
            }
        }
    }

    /// Waits until all flows stand and the near end says go; `None` when it stopped instead.
    async fn gather(
        &mut self,
        channel: &mut FarChannel,
        arrived: &mut UnboundedReceiver<Arrived>,
        mut gathering: Gathering,
    ) -> Result<Option<Flows>, ChannelError> {
        let give_up = tokio::time::sleep(FLOWS_PATIENCE);
        tokio::pin!(give_up);
        loop {
            tokio::select! {
                () = &mut give_up => return Err(ChannelError::Silent { waited: FLOWS_PATIENCE }),
                Some(event) = arrived.recv() => {
                    if let Some(refusal) = self.on_arrival(channel, event, &mut gathering).await? {
                        channel.say(&FromFar::Refused(refusal)).await?;
                        return Ok(None);
                    }
                }
                message = channel.hear() => match message? {
                    FromNear::Go {} if gathering.awaited_tcp == 0 && gathering.unproven.is_empty() => {
                        return Ok(Some(gathering.flows));
                    }
                    FromNear::ProbeByTcp {} if self.is_bulk() && !gathering.asked_by_tcp => {
                        gathering.asked_by_tcp = true;
                        gathering.probe_by_tcp = self.await_probes(channel);
                        channel.say(&FromFar::ProbeAwaited {}).await?;
                    }
                    FromNear::Alive {} => {}
                    FromNear::Stop {} => return Ok(None),
                    _ => {
                        channel.say(&FromFar::Refused(malformed("data cannot flow before all flows stand"))).await?;
                        return Ok(None);
                    }
                },
            }
        }
    }

    async fn on_arrival(
        &mut self,
        channel: &mut FarChannel,
        event: Arrived,
        gathering: &mut Gathering,
    ) -> Result<Option<Refusal>, ChannelError> {
        match event {
            Arrived::Flow { purpose: Purpose::Probes, stream } => {
                if let Some(identity) = gathering.probe_by_tcp.take() {
                    let switch = Arc::clone(&self.switch);
                    let reflect = move || probe::reflect_by_tcp(&identity, stream, &switch);
                    drop(on_thread("reflect", reflect));
                }
            }
            Arrived::Flow { purpose: Purpose::Data(way), stream } => {
                if let Err(error) = self.prepare(&stream) {
                    let text = format!("the listener cannot prepare a flow: {error}");
                    return Ok(Some(Refusal { reason: RefusalReason::Local, text }));
                }
                gathering.flows.tcp.entry(way).or_default().push(stream);
                gathering.awaited_tcp = gathering.awaited_tcp.saturating_sub(1);
                if gathering.awaited_tcp == 0 {
                    channel.say(&FromFar::FlowsReady {}).await?;
                }
            }
            Arrived::Proven { stream, moved } => {
                self.moves.count(stream, moved);
                gathering.unproven.remove(&stream);
                channel.say(&FromFar::FlowProven { stream }).await?;
            }
            Arrived::OtherAddress { from } => {
                let text = format!(
                    "data comes from {from}, the control connection from {}: your router uses two lines",
                    self.ends.peer.ip()
                );
                return Ok(Some(Refusal { reason: RefusalReason::OtherAddress, text }));
            }
        }
        Ok(None)
    }

    fn prepare(&self, stream: &std::net::TcpStream) -> std::io::Result<()> {
        as_asked(self.session.request(), |options| tcp::prepare(stream, options))
    }

    async fn let_flow(
        &mut self,
        channel: &mut FarChannel,
        arrived: &mut UnboundedReceiver<Arrived>,
        flows: Flows,
    ) -> Result<(), ChannelError> {
        let flowing =
            Flowing::start(&self.session, &self.switch, flows, self.moves.clone(), &self.pins);
        flowing.run(channel, arrived).await
    }
}

impl Drop for FarSession<'_> {
    /// A session that is given up half-way, its invite revoked, must not let its data flow on.
    fn drop(&mut self) {
        self.switch.stop();
    }
}
