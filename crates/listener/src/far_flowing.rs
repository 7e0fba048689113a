//! The listener's side of a session while data flows, until it has given its account.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use culvert_engine::Pins;
use culvert_engine::bulk::Samples;
use culvert_engine::channel::ChannelError;
use culvert_engine::legs::{Flows, Leg, Legs, Side, ended, host_use, receiving_is_over};
use culvert_engine::meter::Meter;
use culvert_engine::timeline::{Switch, Timeline};
use culvert_os::clock::monotonic_ns;
use culvert_session::grant::Session;
use culvert_wire::message::{
    FarReport, FromFar, FromNear, Load, ReceiverReport, SentTotals, TransmitterReport, UseReport,
};
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::Instant;

use crate::conversation::FarChannel;
use crate::registry::Arrived;

/// Silence of the near end after which nothing more is sent to it.
pub(crate) const SILENCE_WHILE_SENDING: Duration = Duration::from_secs(3);
/// Silence of the near end, in words and in data, after which a session that only receives is given up. Data counts: the
/// words share its way, and may be lost in its queue many times in a row.
const SILENCE_WHILE_RECEIVING: Duration = Duration::from_secs(4);
/// How often the far end says how much it has received; also a sign of life.
pub(crate) const PROGRESS_EVERY: Duration = Duration::from_millis(500);
/// Steps of a series in one message: 16 characters each, up to 10^14 bytes a step, stay below the 64 KiB of a message.
const SERIES_PART: usize = 4_000;

/// How often the peer's port changed, by stream: one rebinding moves every stream.
#[derive(Debug, Clone, Default)]
pub(crate) struct Moves {
    by_stream: HashMap<u8, u32>,
}

impl Moves {
    /// A stream was proven; `moved` when it had been elsewhere.
    pub(crate) fn count(&mut self, stream: u8, moved: bool) {
        *self.by_stream.entry(stream).or_default() += u32::from(moved);
    }

    fn of_the_run(&self) -> u32 {
        self.by_stream.values().copied().max().unwrap_or(0)
    }
}

/// A session whose data flows.
pub(crate) struct Flowing<'a> {
    session: &'a Session,
    switch: &'a Switch,
    meter: Arc<Meter>,
    samples: Arc<Samples>,
    transmit: Option<Leg<TransmitterReport>>,
    receive: Option<Leg<ReceiverReport>>,
    receiving_over: Option<Leg<()>>,
    host: Option<Leg<UseReport>>,
    account: FarReport,
    moves: Moves,
    sends: bool,
    counted: u64,
    last_heard: Instant,
}

impl<'a> Flowing<'a> {
    /// Lets data flow from now on.
    pub(crate) fn start(
        session: &'a Session,
        switch: &'a Arc<Switch>,
        flows: Flows,
        moves: Moves,
        pins: &Pins,
    ) -> Self {
        let timeline = Timeline::new(session, monotonic_ns());
        let legs = Legs::start(session, Side::Far, flows, timeline, switch, pins);
        let tells_when_over =
            legs.receive.is_some() && matches!(session.request().load, Load::Bulk { .. });
        let over: Leg<()> = Box::pin(receiving_is_over(Arc::clone(&legs.meter), timeline));
        Self {
            session,
            switch,
            sends: legs.transmit.is_some(),
            meter: legs.meter,
            samples: legs.samples,
            transmit: legs.transmit,
            receive: legs.receive,
            receiving_over: tells_when_over.then_some(over),
            host: host_use(session, timeline, pins),
            account: FarReport::default(),
            moves,
            counted: 0,
            last_heard: Instant::now(),
        }
    }

    /// Goes on until both legs have ended, then gives the account; ends early when the near end says so.
    pub(crate) async fn run(
        mut self,
        channel: &mut FarChannel,
        arrived: &mut UnboundedReceiver<Arrived>,
    ) -> Result<(), ChannelError> {
        let mut tick = tokio::time::interval(PROGRESS_EVERY);
        while self.transmit.is_some() || self.receive.is_some() || self.host.is_some() {
            tokio::select! {
                report = ended(&mut self.transmit) => {
                    self.transmit = None;
                    let datagrams = report.datagrams.unwrap_or(0);
                    self.account.transmitted = Some(report);
                    channel.say(&FromFar::Sent(SentTotals { datagrams })).await?;
                }
                report = ended(&mut self.receive) => {
                    self.receive = None;
                    self.account.received = Some(report);
                }
                () = ended(&mut self.receiving_over) => {
                    self.receiving_over = None;
                    channel.say(&FromFar::Enough {}).await?;
                }
                host = ended(&mut self.host) => {
                    self.host = None;
                    self.account.host = host;
                }
                Some(event) = arrived.recv() => {
                    if let Arrived::Proven { stream, moved } = event {
                        self.moves.count(stream, moved);
                    }
                }
                message = channel.hear() => {
                    self.last_heard = Instant::now();
                    match message? {
                        FromNear::Sent(totals) => self.switch.announce(totals.datagrams),
                        FromNear::Enough {} => self.switch.enough(),
                        FromNear::Stop {} => return Ok(()),
                        _ => {}
                    }
                }
                _ = tick.tick() => self.on_tick(channel).await?,
            }
        }
        self.report(channel).await
    }

    async fn on_tick(&mut self, channel: &mut FarChannel) -> Result<(), ChannelError> {
        let total = self.meter.total();
        if total > self.counted && !self.sends {
            self.last_heard = Instant::now();
        }
        self.counted = total;
        let silence = if self.sends { SILENCE_WHILE_SENDING } else { SILENCE_WHILE_RECEIVING };
        if self.last_heard.elapsed() > silence {
            return Err(ChannelError::Silent { waited: silence });
        }
        channel.say(&FromFar::Progress { received_bytes: total }).await
    }

    async fn report(mut self, channel: &mut FarChannel) -> Result<(), ChannelError> {
        if let Some(received) = &mut self.account.received {
            let series = self.meter.series(self.session.steps());
            received.series_steps = u32::try_from(series.len()).unwrap_or(u32::MAX);
            for (part, bytes) in series.chunks(SERIES_PART).enumerate() {
                let from_step = u32::try_from(part * SERIES_PART).unwrap_or(u32::MAX);
                channel.say(&FromFar::SeriesPart { from_step, bytes: bytes.to_vec() }).await?;
            }
        }
        for (way, samples) in self.samples.take() {
            channel.say(&FromFar::TcpSamples { way, samples }).await?;
        }
        self.account.port_changes = self.moves.of_the_run();
        channel.say(&FromFar::Report(Box::new(self.account))).await
    }
}
