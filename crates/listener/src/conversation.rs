//! One control connection: hello, one request, one session, one report.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use culvert_engine::Pins;
use culvert_engine::channel::{Channel, ChannelError};
use culvert_engine::facts;
use culvert_session::grant::Session;
use culvert_wire::message::{FromFar, FromNear, Limits, PROTOCOL_VERSION, Refusal, RefusalReason};
use rand::Rng as _;
use tokio::net::TcpStream;
use tokio_rustls::server::TlsStream;

use crate::far_session::FarSession;
use crate::registry::Registry;

/// How long a peer that has proven itself may take for its next word.
const PATIENCE: Duration = Duration::from_secs(5);
/// Program and version as told to the peer.
pub(crate) const PROGRAM: &str = concat!("culvertd ", env!("CARGO_PKG_VERSION"));

/// What all conversations share.
#[derive(Debug)]
pub(crate) struct House {
    /// Flows that sessions await.
    pub(crate) registry: Arc<Registry>,
    /// What this listener grants.
    pub(crate) limits: Limits,
    /// The cores that data threads are kept on.
    pub(crate) pins: Pins,
    /// Measuring sessions at the same time.
    pub(crate) session_slots: usize,
    /// Measuring sessions now.
    pub(crate) sessions: AtomicUsize,
}

/// The two ends of a control connection.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ends {
    /// This end.
    pub(crate) local: SocketAddr,
    /// The other end.
    pub(crate) peer: SocketAddr,
}

/// A control channel of the listener.
pub(crate) type FarChannel = Channel<TlsStream<TcpStream>>;

/// Speaks with a peer that has proven to hold an invite; `refusal` is what it must be told instead of being served, and
/// what `revoked` ends with is what it must be told when it may not be served any longer.
pub(crate) async fn hold(
    stream: TlsStream<TcpStream>,
    ends: Ends,
    house: &House,
    limits: Limits,
    refusal: Option<Refusal>,
    revoked: impl Future<Output = Refusal>,
) -> Result<(), ChannelError> {
    let mut channel = Channel::new(stream);
    let refused = async {
        match refusal {
            Some(refusal) => refusal,
            None => revoked.await,
        }
    };
    let served = tokio::select! {
        // In this order: whoever must not be served is not heard first.
        biased;
        refusal = refused => Err(refusal),
        result = serve(&mut channel, ends, house, limits) => Ok(result),
    };
    let result = match served {
        Ok(result) => result,
        Err(refusal) => refuse(&mut channel, refusal).await,
    };
    match &result {
        Ok(()) => channel.close_after_peer().await,
        // Whoever is gone or broke the rules is waited for no longer.
        Err(_) => channel.close().await,
    }
    result
}

async fn serve(
    channel: &mut FarChannel,
    ends: Ends,
    house: &House,
    limits: Limits,
) -> Result<(), ChannelError> {
    let FromNear::Hello { version, .. } = channel.hear_within(PATIENCE).await? else {
        return refuse(channel, malformed("the first message must be a hello")).await;
    };
    if version != PROTOCOL_VERSION {
        let text = format!(
            "the sender speaks version {version}, this listener version {PROTOCOL_VERSION}"
        );
        return refuse(channel, Refusal { reason: RefusalReason::Version, text }).await;
    }
    let mss = facts::told_mss(channel.stream().get_ref().0);
    let mut end = facts::end_report(PROGRAM, ends.local.ip(), ends.peer, mss);
    end.addresses = facts::own_addresses();
    channel.say(&FromFar::Welcome { version: PROTOCOL_VERSION, end, limits }).await?;
    let request = match channel.hear_within(PATIENCE).await? {
        FromNear::Ask(request) => request,
        // A peer that only looked: it has its answer.
        FromNear::Stop {} => return Ok(()),
        _ => return refuse(channel, malformed("after the welcome a request must follow")).await,
    };
    let session = match Session::check(request, &limits) {
        Ok(session) => session,
        Err(refusal) => return refuse(channel, refusal).await,
    };
    let Some(_slot) = SessionSlot::take(house) else {
        let text = format!("{} measuring session(s) already run here", house.session_slots);
        return refuse(channel, Refusal { reason: RefusalReason::Busy, text }).await;
    };
    let numbers = (rand::rng().next_u32(), rand::rng().next_u32());
    FarSession::new(session, numbers, ends, &house.registry, house.pins.clone()).run(channel).await
}

async fn refuse(channel: &mut FarChannel, refusal: Refusal) -> Result<(), ChannelError> {
    tracing::info!(reason = %refusal.text, "request refused");
    channel.say(&FromFar::Refused(refusal)).await
}

pub(crate) fn malformed(text: &str) -> Refusal {
    Refusal { reason: RefusalReason::Malformed, text: text.to_owned() }
}

/// The right to measure now; given back when dropped.
struct SessionSlot<'a> {
    sessions: &'a AtomicUsize,
}

impl<'a> SessionSlot<'a> {
    fn take(house: &'a House) -> Option<Self> {
        let more = |running: usize| (running < house.session_slots).then_some(running + 1);
        house.sessions.fetch_update(Ordering::AcqRel, Ordering::Acquire, more).ok()?;
        Some(Self { sessions: &house.sessions })
    }
}

impl Drop for SessionSlot<'_> {
    fn drop(&mut self) {
        self.sessions.fetch_sub(1, Ordering::AcqRel);
    }
}
