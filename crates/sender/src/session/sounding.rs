//! A session without data: round trips and the sizes of packet that pass each way.

use std::sync::Arc;
use std::time::Duration;

use culvert_engine::channel::ChannelError;
use culvert_engine::on_thread;
use culvert_engine::sounding::{Sounded, Sounding, sound as sound_on};
use culvert_engine::timeline::Switch;
use culvert_pathmodel::Family;
use culvert_session::grant::{SOUNDING_BYTES, Session};
use culvert_session::path_mtu::PathMtuAsk;
use culvert_units::{Bytes, Mtu};
use culvert_wire::message::{FromFar, FromNear, Limits, Load, SessionRequest, Way, stream};

use super::datagram_flows::Opened;
use super::flowing::{SILENCE, TICK};
use super::{Broken, Granted, PATIENCE, SessionError, StopOnDrop};
use crate::dial::{Contact, NearChannel};
use crate::interrupt::Interrupt;

/// How long a search may take: some fifteen sizes that fail, three seconds each.
const SEARCH: Duration = Duration::from_mins(1);
/// Beyond baseline and searches: late replies, and both ends' threads.
const SLACK: Duration = Duration::from_secs(4);
/// Probes of one search: three for each of the sizes that halving takes, and chance losses.
const MOST_PROBES: u32 = 120;

/// What a sounding is to find out.
#[derive(Debug, Clone)]
pub(crate) struct SoundingWish {
    /// How long round trips are measured.
    pub(crate) baseline: Duration,
    /// This end's interface.
    pub(crate) interface_near: Mtu,
    /// The far end's.
    pub(crate) interface_far: Mtu,
    /// Sizes to try first.
    pub(crate) likely: Vec<Mtu>,
}

/// What became of a sounding.
#[derive(Debug)]
pub(crate) struct SoundingAccount {
    /// What was found; `None` where UDP does not pass.
    pub(crate) sounded: Option<Sounded>,
    /// Requests for a proof that nobody answered, where UDP does not pass.
    pub(crate) unanswered_opens: u64,
    /// Why it ended early.
    pub(crate) broken: Option<Broken>,
}

impl SoundingWish {
    /// The most bytes of packets that it sends each way under these limits.
    pub(crate) fn budget(&self, limits: &Limits) -> Bytes {
        let longest = self.interface_near.max(self.interface_far).get();
        let wanted = u64::from(MOST_PROBES) * (u64::from(longest) + HEADERS_ALLOWED_FOR);
        let each = limits.bytes.map_or(u64::MAX, |bytes| bytes / Way::BOTH.len() as u64);
        let length = u64::try_from(self.length(limits).as_millis()).unwrap_or(u64::MAX);
        let rate = limits.rate_bps.map_or(u64::MAX, |rate| rate.saturating_mul(length) / 8_000);
        Bytes::new(wanted.min(each).min(rate).min(SOUNDING_BYTES))
    }

    fn length(&self, limits: &Limits) -> Duration {
        let wanted = self.baseline + SEARCH + SLACK;
        wanted.min(Duration::from_millis(limits.duration_ms))
    }

    fn request(&self, limits: &Limits) -> SessionRequest {
        SessionRequest {
            load: Load::Sounding {},
            ways: Way::BOTH.to_vec(),
            for_ms: u64::try_from(self.length(limits).as_millis()).unwrap_or(u64::MAX),
            settle_ms: 0,
            step_ms: 100,
            buffer_bytes: None,
            at_most_bytes_each_way: Some(self.budget(limits).get()),
        }
    }

    fn sounding(&self, family: Family, limits: &Limits) -> Result<Sounding, SessionError> {
        let left = self.length(limits).saturating_sub(self.baseline + SLACK);
        let ask = |interface: Mtu| {
            let each = u64::from(interface.get()) + HEADERS_ALLOWED_FOR;
            let probes = u32::try_from(self.budget(limits).get() / each).unwrap_or(u32::MAX);
            let give_up_after_ns = u64::try_from(left.as_nanos()).unwrap_or(u64::MAX);
            let ask = PathMtuAsk::new(family, interface).map_err(SessionError::Search)?;
            Ok::<_, SessionError>(
                ask.likely_first(&self.likely).at_most(probes.min(MOST_PROBES), give_up_after_ns),
            )
        };
        Ok(Sounding {
            family,
            baseline: self.baseline,
            toward_far: ask(self.interface_near)?,
            toward_near: ask(self.interface_far)?,
        })
    }
}

/// The listener counts the larger headers of IPv6 to every packet: a little more than there are.
const HEADERS_ALLOWED_FOR: u64 = 48;

/// Runs a sounding over `contact`. Fails only while nothing was found out yet.
pub(crate) async fn sound(
    contact: &mut Contact,
    wish: &SoundingWish,
    interrupt: &Interrupt,
) -> Result<SoundingAccount, SessionError> {
    let switch = Arc::new(Switch::default());
    // Whatever happens below, no thread outlives the session.
    let _stopper = StopOnDrop(Arc::clone(&switch));
    let sounding = wish.sounding(crate::dial::family_of(contact.peer.ip()), &contact.limits)?;
    let prepared = tokio::select! {
        prepared = prepare(contact, wish, &switch) => prepared?,
        () = interrupt.raised() => return Err(SessionError::Interrupted),
    };
    let (identity, socket) = match prepared {
        Ok(both) => both,
        Err(unanswered_opens) => {
            let _ = contact.channel.say(&FromNear::Stop {}).await;
            return Ok(SoundingAccount { sounded: None, unanswered_opens, broken: None });
        }
    };
    contact.channel.say(&FromNear::Go {}).await?;
    let shared = Arc::clone(&switch);
    let mut sounder =
        Box::pin(on_thread("sounding", move || sound_on(&identity, &socket, &sounding, &shared)));
    let watched = watch(&mut contact.channel, &switch, interrupt);
    let (sounded, broken) = tokio::select! {
        sounded = &mut sounder => (sounded?, None),
        broken = watched => {
            switch.stop();
            (sounder.await?, Some(broken))
        }
    };
    let _ = contact.channel.say(&FromNear::Stop {}).await;
    Ok(SoundingAccount { sounded: Some(sounded), unanswered_opens: 0, broken })
}

type ProbeFlow = (culvert_engine::signals::FlowIdentity, culvert_os::udp::FlowSocket);

/// The probe flow, or how many requests for its proof nobody answered.
async fn prepare(
    contact: &mut Contact,
    wish: &SoundingWish,
    switch: &Arc<Switch>,
) -> Result<Result<ProbeFlow, u64>, SessionError> {
    let request = wish.request(&contact.limits);
    let session =
        Session::check(request.clone(), &contact.limits).map_err(SessionError::NotGranted)?;
    contact.channel.say(&FromNear::Ask(request)).await?;
    let (number, run) = match contact.channel.hear_within(PATIENCE).await? {
        FromFar::Granted { session, run } => (session, run),
        FromFar::Refused(refusal) => return Err(SessionError::Refused(refusal)),
        _ => return Err(SessionError::OutOfTurn),
    };
    let granted = Granted { session, number, run, peer: contact.peer, switch: Arc::clone(switch) };
    match granted.open_streams(contact).await?.remove(&stream::PROBE) {
        Some(Opened::Proven(socket)) => {
            Ok(Ok((granted.identity(&contact.channel, stream::PROBE)?, socket)))
        }
        Some(Opened::Unanswered { sent }) => Ok(Err(sent)),
        None => Err(SessionError::OutOfTurn),
    }
}

/// Gives signs of life and heeds the listener's, until something breaks.
async fn watch(channel: &mut NearChannel, switch: &Switch, interrupt: &Interrupt) -> Broken {
    let mut tick = tokio::time::interval(TICK);
    let mut last_heard = tokio::time::Instant::now();
    loop {
        tokio::select! {
            message = channel.hear() => {
                last_heard = tokio::time::Instant::now();
                match message {
                    Ok(FromFar::Refused(refusal)) => return Broken::Refused(refusal),
                    Ok(_) => {}
                    Err(error) => return error.into(),
                }
            }
            _ = tick.tick() => {
                let quiet_here = last_heard.elapsed() > SILENCE;
                let since = culvert_os::clock::monotonic_ns().saturating_sub(switch.last_sign_ns());
                if quiet_here && Duration::from_nanos(since) > SILENCE {
                    return Broken::Channel(ChannelError::Silent { waited: SILENCE });
                }
                if let Err(error) = channel.say(&FromNear::Alive {}).await {
                    return error.into();
                }
            }
            () = interrupt.raised() => return Broken::Interrupted,
        }
    }
}
