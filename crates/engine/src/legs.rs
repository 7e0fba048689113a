//! The data of one session at one end: what it transmits and what it receives, started together.

use std::collections::HashMap;
use std::net::TcpStream;
use std::sync::{
    Arc,
    mpsc::{Receiver, Sender, channel},
};
use std::{future::Future, pin::Pin};

use culvert_os::udp::{FlowOptions, FlowSocket, Fragmentation};
use culvert_session::grant::Session;
use culvert_wire::message::{
    Load, ReceiverReport, SessionRequest, TransmitterReport, UseReport, Way, stream,
};
use rustls::ConnectionCommon;

use crate::bulk::{Budget, BulkShare, SampleSink, Samples, sample_every};
use crate::facts::{sleep_until, use_over_plateau};
use crate::identity::{FlowKeys, flow_keys};
use crate::meter::Meter;
use crate::paced_receive::PacedReceive;
use crate::paced_transmit::PacedTransmit;
use crate::signals::{FlowIdentity, Proofing, SocketNews};
use crate::timeline::{DRAIN, LOOK_UP_EVERY, Switch, Timeline, nanos};
use crate::{Pins, bulk, on_pinned_thread, paced_receive, paced_transmit};

/// Which end this is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The sender, which dials.
    Near,
    /// The listener.
    Far,
}

impl Side {
    /// Whether this end transmits what goes that way.
    pub const fn transmits(self, way: Way) -> bool {
        matches!((self, way), (Self::Near, Way::Far) | (Self::Far, Way::Near))
    }
}

/// The streams of datagrams a session has: the probe flow, and one for each way of a paced session.
pub fn streams(session: &Session) -> Vec<u8> {
    let data = match session.request().load {
        Load::Bulk { .. } | Load::Sounding {} => Vec::new(),
        Load::Paced { .. } | Load::Capacity { .. } => {
            session.request().ways.iter().map(|way| data_stream(*way)).collect()
        }
    };
    [vec![stream::PROBE], data].concat()
}

/// The stream of the paced data that goes this way.
pub const fn data_stream(way: Way) -> u8 {
    match way {
        Way::Far => stream::TOWARD_FAR,
        Way::Near => stream::TOWARD_NEAR,
    }
}

/// This end's view of a datagram stream: which key it sends with and which it checks with.
pub fn stream_identity<Data>(
    connection: &ConnectionCommon<Data>,
    side: Side,
    session: u32,
    run: u32,
    stream: u8,
) -> Result<FlowIdentity, rustls::Error> {
    let FlowKeys { toward_far, toward_near } = flow_keys(connection, run, u16::from(stream))?;
    let (send_key, receive_key) = match side {
        Side::Near => (toward_far.datagram, toward_near.datagram),
        Side::Far => (toward_near.datagram, toward_far.datagram),
    };
    Ok(FlowIdentity { session, stream, send_key, receive_key })
}

/// The sockets and keys a session's data goes through at this end.
#[derive(Debug, Default)]
pub struct Flows {
    /// TCP flows by the way their data goes.
    pub tcp: HashMap<Way, Vec<TcpStream>>,
    /// Datagram streams: identity, and the channel that brings their connected sockets.
    pub datagram: HashMap<u8, (FlowIdentity, Receiver<SocketNews>)>,
}

/// What runs at this end while data flows.
pub struct Legs {
    /// Ends with this end's transmitter; `None` when this end transmits nothing.
    pub transmit: Option<Leg<TransmitterReport>>,
    /// Ends with this end's receiver; `None` when this end receives nothing.
    pub receive: Option<Leg<ReceiverReport>>,
    /// What the receiver has counted.
    pub meter: Arc<Meter>,
    /// What the kernel said of TCP flows; complete when both legs have ended.
    pub samples: Arc<Samples>,
}

/// A running part of a session.
pub type Leg<T> = Pin<Box<dyn Future<Output = T> + Send>>;

/// What a leg ends with; never, when there is none (any more).
pub async fn ended<T>(leg: &mut Option<Leg<T>>) -> T {
    match leg {
        Some(leg) => leg.await,
        None => std::future::pending().await,
    }
}

/// Ends when a receiver's settle and plateau are over, counted from its first byte.
pub async fn receiving_is_over(meter: Arc<Meter>, timeline: Timeline) {
    let first = meter.first_byte_ns().await;
    sleep_until(first.saturating_add(timeline.length_ns)).await;
}

/// Watches this host's processors over the plateau; `None` for a search, which has none.
pub fn host_use(session: &Session, timeline: Timeline, pins: &Pins) -> Option<Leg<UseReport>> {
    let watched: Leg<UseReport> = Box::pin(use_over_plateau(timeline, pins.clone()));
    session.capacity().is_none().then_some(watched)
}

impl std::fmt::Debug for Legs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Legs").field("meter", &self.meter).finish_non_exhaustive()
    }
}

impl Legs {
    /// Prepares what this end transmits and receives; the threads start when the legs are first awaited.
    pub fn start(
        session: &Session,
        side: Side,
        flows: Flows,
        timeline: Timeline,
        switch: &Arc<Switch>,
        pins: &Pins,
    ) -> Self {
        let starting = Starting { session, side, timeline, switch, pins };
        let mut legs = Self {
            transmit: None,
            receive: None,
            meter: Arc::new(meter_for(session)),
            samples: Arc::default(),
        };
        match session.request().load {
            Load::Bulk { .. } => starting.bulk(&mut legs, flows.tcp),
            Load::Paced { payload_bytes, .. } | Load::Capacity { payload_bytes, .. } => {
                starting.paced(&mut legs, flows.datagram, payload_bytes);
            }
            // No data: both ends run it beside the legs.
            Load::Sounding {} => {}
        }
        legs
    }
}

/// What the legs of a session have in common.
struct Starting<'a> {
    session: &'a Session,
    side: Side,
    timeline: Timeline,
    switch: &'a Arc<Switch>,
    pins: &'a Pins,
}

impl Starting<'_> {
    fn bulk(&self, legs: &mut Legs, tcp: HashMap<Way, Vec<TcpStream>>) {
        let share = BulkShare {
            timeline: self.timeline,
            switch: Arc::clone(self.switch),
            buffer_bytes: self.session.request().buffer_bytes,
            budget: Arc::new(Budget::new(self.session.budget_each_way())),
            pins: self.pins.clone(),
            sample_every: sample_every(self.session.step(), self.session.length() + DRAIN),
        };
        for (way, flows) in tcp {
            let sink = SampleSink { way, samples: Arc::clone(&legs.samples) };
            if self.side.transmits(way) {
                let transmitting = bulk::transmit(flows, share.clone(), bulk::random_block(), sink);
                legs.transmit = Some(Box::pin(transmitting));
            } else {
                let share = BulkShare { pins: self.receiver_pins(), ..share.clone() };
                let receiving = bulk::receive(flows, share, Arc::clone(&legs.meter), sink);
                legs.receive = Some(Box::pin(receiving));
            }
        }
    }

    fn paced(
        &self,
        legs: &mut Legs,
        streams: HashMap<u8, (FlowIdentity, Receiver<SocketNews>)>,
        payload_bytes: u16,
    ) {
        for (stream, (flow, sockets)) in streams {
            let session = self.session.clone();
            let (timeline, switch) = (self.timeline, Arc::clone(self.switch));
            let way = if stream == stream::TOWARD_FAR { Way::Far } else { Way::Near };
            if self.side.transmits(way) {
                let core = self.pins.core(0);
                legs.transmit = Some(paced_transmitter(
                    core,
                    PacedTransmit {
                        flow,
                        sockets,
                        proofing: self.proofing(),
                        session,
                        payload_bytes,
                        timeline,
                        switch,
                    },
                ));
            } else {
                let core = self.receiver_pins().core(0);
                legs.receive = Some(paced_receiver(
                    core,
                    PacedReceive {
                        side: self.side,
                        flow,
                        sockets,
                        session,
                        payload_bytes,
                        timeline,
                        switch,
                        meter: Arc::clone(&legs.meter),
                    },
                ));
            }
        }
    }

    /// The cores of the receiving leg: those behind the transmitting one's, which end has both.
    fn receiver_pins(&self) -> Pins {
        let both = self.session.request().ways.len() == Way::BOTH.len();
        let taken = if both { usize::from(self.session.flows().max(1)) } else { 0 };
        self.pins.after(taken)
    }

    fn proofing(&self) -> Proofing {
        match self.side {
            Side::Near => Proofing::Answer,
            Side::Far => Proofing::challenge_from_now(),
        }
    }
}

/// How the sockets of a session's datagram streams are made, with the buffer that was asked for.
pub fn flow_options(request: &SessionRequest) -> FlowOptions {
    let asked = request.buffer_bytes.map(|bytes| usize::try_from(bytes).unwrap_or(usize::MAX));
    FlowOptions {
        receive_buffer: asked,
        send_buffer: asked,
        fragmentation: match request.load {
            Load::Sounding {} => Fragmentation::Probing,
            Load::Bulk { .. } | Load::Paced { .. } | Load::Capacity { .. } => {
                Fragmentation::Allowed
            }
        },
        receive_timeout: None,
        send_timeout: Some(LOOK_UP_EVERY),
        hop_limit: None,
    }
}

/// A channel that brings a stream's sockets, holding the first one already.
pub fn with_first_socket(socket: FlowSocket) -> (Sender<SocketNews>, Receiver<SocketNews>) {
    let (give, take) = channel();
    // The receiving half is right here: this cannot fail.
    let _ = give.send(SocketNews::Use(socket));
    (give, take)
}

fn meter_for(session: &Session) -> Meter {
    let step_ns = nanos(session.step()).max(1);
    let covered = nanos(session.length() + DRAIN);
    Meter::new(step_ns, usize::try_from(covered.div_ceil(step_ns)).unwrap_or(0))
}

fn paced_transmitter(core: Option<u32>, plan: PacedTransmit) -> Leg<TransmitterReport> {
    let thread = on_pinned_thread("paced-transmit", core, move || paced_transmit::transmit(plan));
    Box::pin(async move {
        thread.await.unwrap_or_else(|fault| TransmitterReport {
            fault: Some(fault.to_string()),
            ..TransmitterReport::default()
        })
    })
}

fn paced_receiver(core: Option<u32>, plan: PacedReceive) -> Leg<ReceiverReport> {
    let thread = on_pinned_thread("paced-receive", core, move || paced_receive::receive(plan));
    Box::pin(async move { thread.await.unwrap_or_default() })
}
