//! The time in which data flows, until both ends have given their accounts.

use std::sync::Arc;
use std::time::Duration;

use culvert_engine::Pins;
use culvert_engine::channel::ChannelError;
use culvert_engine::legs::{Leg, Legs, Side, ended, host_use, receiving_is_over};
use culvert_engine::meter::Meter;
use culvert_engine::probe::ProbeWindow;
use culvert_engine::timeline::Timeline;
use culvert_os::clock::monotonic_ns;
use culvert_units::Bytes;
use culvert_wire::message::{
    FromFar, FromNear, Load, ReceiverReport, SentTotals, TcpSamplesReport, TransmitterReport,
    UseReport, Way,
};

use super::{Account, Broken, Granted, Prepared};
use crate::dial::NearChannel;
use crate::interrupt::Interrupt;
use crate::progress::{Moved, Progress};

/// How often this end gives a sign of life and the display is renewed.
pub(super) const TICK: Duration = Duration::from_millis(250);
/// Silence of the listener, on the control channel and in its data, after which it counts as gone.
pub(super) const SILENCE: Duration = Duration::from_secs(4);
/// How long the listener's account may take once this end is done: control may have to recover from a full queue.
const ACCOUNT_PATIENCE: Duration = Duration::from_secs(10);
/// How long a thread that was stopped may take to end: it looks every 50 ms.
const STOPPED_PATIENCE: Duration = Duration::from_secs(1);
/// Steps a listener may report beyond settle and plateau: those of the time for draining, of the narrowest width.
const MOST_STEPS_BEYOND: usize = 100;

/// Lets data flow and gathers both accounts. What breaks now leaves a partial account, marked as such.
pub(super) async fn let_flow(
    prepared: Prepared,
    channel: &mut NearChannel,
    pins: &Pins,
    progress: &Progress,
    interrupt: &Interrupt,
) -> Account {
    let Prepared { granted, flows, prober, account } = prepared;
    let timeline = Timeline::new(&granted.session, monotonic_ns());
    let mut legs =
        Legs::start(&granted.session, Side::Near, flows, timeline, &granted.switch, pins);
    if let Some(prober) = &prober {
        prober.window.set(timeline.start_ns, timeline.plateau_ns(), timeline.deadline_ns());
    }
    let tells_when_over =
        legs.receive.is_some() && matches!(granted.session.request().load, Load::Bulk { .. });
    let over: Leg<()> = Box::pin(receiving_is_over(Arc::clone(&legs.meter), timeline));
    let mut flowing = Flowing {
        granted: &granted,
        timeline,
        progress,
        interrupt,
        meter: Arc::clone(&legs.meter),
        transmit: legs.transmit.take(),
        receive: legs.receive.take(),
        receiving_over: tells_when_over.then_some(over),
        host: host_use(&granted.session, timeline, pins),
        account,
        probing: prober.as_ref().map(|prober| Arc::clone(&prober.window)),
        far_bytes: 0,
        counted: 0,
        last_sign_ns: monotonic_ns(),
        done_here_ns: None,
    };
    let broken = flowing.run(channel).await.err();
    if granted.session.capacity().is_some() {
        // Its time is over when the search is, and the probes know only of the longest.
        granted.switch.stop();
        flowing.gather_part().await;
    }
    let (mut account, meter) = (flowing.account, flowing.meter);
    if let Some(broken) = &broken {
        granted.switch.stop();
        if matches!(broken, Broken::Interrupted) {
            // It can still hear, and need not find out by waiting.
            let _ = channel.say(&FromNear::Stop {}).await;
        }
    }
    account.samples_here = legs.samples.take();
    account.series_near = meter.series(granted.session.steps());
    if let Some(prober) = prober {
        account.round_trips = prober.round_trips.await.ok();
    }
    account.broken = broken;
    account
}

struct Flowing<'a> {
    granted: &'a Granted,
    timeline: Timeline,
    progress: &'a Progress,
    interrupt: &'a Interrupt,
    meter: Arc<Meter>,
    transmit: Option<Leg<TransmitterReport>>,
    receive: Option<Leg<ReceiverReport>>,
    receiving_over: Option<Leg<()>>,
    host: Option<Leg<UseReport>>,
    account: Account,
    probing: Option<Arc<ProbeWindow>>,
    far_bytes: u64,
    counted: u64,
    last_sign_ns: u64,
    done_here_ns: Option<u64>,
}

impl Flowing<'_> {
    async fn run(&mut self, channel: &mut NearChannel) -> Result<(), Broken> {
        let mut tick = tokio::time::interval(TICK);
        while !self.is_complete() {
            tokio::select! {
                report = ended(&mut self.transmit) => {
                    self.transmit = None;
                    let datagrams = report.datagrams.unwrap_or(0);
                    self.account.transmitted = Some(report);
                    if self.account.far.is_none() {
                        channel.say(&FromNear::Sent(SentTotals { datagrams })).await?;
                    }
                }
                report = ended(&mut self.receive) => {
                    self.receive = None;
                    self.account.received = Some(report);
                }
                () = ended(&mut self.receiving_over) => {
                    self.receiving_over = None;
                    if self.account.far.is_none() {
                        channel.say(&FromNear::Enough {}).await?;
                    }
                }
                host = ended(&mut self.host) => {
                    self.host = None;
                    self.account.host = host;
                }
                // The account is the last word: the listener hangs up after it, whatever still runs here.
                message = channel.hear(), if self.account.far.is_none() => {
                    self.last_sign_ns = monotonic_ns();
                    self.on_message(message?)?;
                }
                _ = tick.tick() => self.on_tick(channel).await?,
                () = self.interrupt.raised() => return Err(Broken::Interrupted),
            }
        }
        Ok(())
    }

    /// What this end's legs have of a search that broke off: they were stopped, and end at once.
    async fn gather_part(&mut self) {
        if let Some(leg) = self.transmit.take() {
            self.account.transmitted = tokio::time::timeout(STOPPED_PATIENCE, leg).await.ok();
        }
        if let Some(leg) = self.receive.take() {
            self.account.received = tokio::time::timeout(STOPPED_PATIENCE, leg).await.ok();
        }
    }

    fn is_complete(&self) -> bool {
        self.is_done_here() && self.account.far.is_some()
    }

    fn is_done_here(&self) -> bool {
        self.transmit.is_none() && self.receive.is_none() && self.host.is_none()
    }

    async fn on_tick(&mut self, channel: &mut NearChannel) -> Result<(), Broken> {
        let now = monotonic_ns();
        let total = self.meter.total();
        if total > self.counted {
            self.last_sign_ns = now;
        }
        self.counted = total;
        self.last_sign_ns = self.last_sign_ns.max(self.granted.switch.last_sign_ns());
        if self.is_done_here() {
            self.done_here_ns.get_or_insert(now);
        }
        // A listener that goes on talking without giving its account has had its time as well.
        let (since, patience) = match self.done_here_ns {
            Some(done) => (done, ACCOUNT_PATIENCE),
            None => (self.last_sign_ns, SILENCE),
        };
        if Duration::from_nanos(now.saturating_sub(since)) > patience {
            return Err(Broken::Channel(ChannelError::Silent { waited: patience }));
        }
        let elapsed = Duration::from_nanos(now.saturating_sub(self.timeline.start_ns));
        self.spare(elapsed);
        self.progress.flowing(&Moved {
            elapsed,
            length: self.granted.session.length(),
            toward_far: self.far_bytes,
            toward_near: self.meter.total(),
        });
        if self.account.far.is_none() {
            channel.say(&FromNear::Alive {}).await?;
        }
        Ok(())
    }

    /// Lets the probes be as few as the slower of the loaded ways needs.
    fn spare(&self, elapsed: Duration) {
        let Some(probing) = &self.probing else { return };
        let moved = [self.far_bytes, self.meter.total()].into_iter().filter(|bytes| *bytes > 0);
        if let Some(rate) = moved.min().and_then(|bytes| Bytes::new(bytes).over(elapsed)) {
            probing.spare(rate.bits_per_second());
        }
    }

    fn on_message(&mut self, message: FromFar) -> Result<(), Broken> {
        match message {
            FromFar::Progress { received_bytes } => self.far_bytes = received_bytes,
            FromFar::Sent(totals) => self.granted.switch.announce(totals.datagrams),
            FromFar::Enough {} => self.granted.switch.enough(),
            FromFar::SeriesPart { from_step, bytes } => self.add_series(from_step, &bytes),
            FromFar::TcpSamples { way, samples } => self.add_samples(way, samples),
            FromFar::Report(report) => self.account.far = Some(*report),
            FromFar::Refused(refusal) => return Err(Broken::Refused(refusal)),
            _ => {}
        }
        Ok(())
    }

    /// One block for each way is what was asked for; another one, or one that contradicts itself, is no part of the
    /// account.
    fn add_samples(&mut self, way: Way, samples: TcpSamplesReport) {
        let known = &mut self.account.samples_far;
        let asked = self.granted.session.request().ways.contains(&way);
        if asked && samples.is_consistent() && !known.iter().any(|(other, _)| *other == way) {
            known.push((way, samples));
        }
    }

    /// Parts come in order; one that does not continue what is there, or exceeds what was asked, is no part of this
    /// series: the account will then miss it.
    fn add_series(&mut self, from_step: u32, bytes: &[u64]) {
        let most = self.granted.session.steps() + MOST_STEPS_BEYOND;
        let series = &mut self.account.series_far;
        let continues = usize::try_from(from_step).is_ok_and(|from| from == series.len());
        if continues && series.len() + bytes.len() <= most {
            series.extend_from_slice(bytes);
        }
    }
}

impl From<ChannelError> for Broken {
    fn from(error: ChannelError) -> Self {
        Self::Channel(error)
    }
}
