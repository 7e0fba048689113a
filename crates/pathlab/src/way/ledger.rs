//! The counters of one direction, all together and flow by flow, and the lines of its packets.

use std::collections::HashMap;

use super::{Departure, Packet};
use crate::{Cause, Counters, Fate, Flow, FlowTruth, PacketTruth, WayTruth};

#[derive(Debug)]
pub(super) struct Ledger {
    total: Counters,
    flows: Vec<Tracked>,
    places: HashMap<Flow, usize>,
    packets: Vec<PacketTruth>,
    listed: usize,
    not_listed: u64,
}

#[derive(Debug)]
struct Tracked {
    flow: Option<Flow>,
    counters: Counters,
    /// The place that the next packet in order has at least (RFC 4737 section 3.3's `NextExp`).
    next_expected: u64,
}

impl Ledger {
    pub(super) fn new(listed: usize) -> Self {
        Self {
            total: Counters::default(),
            flows: Vec::new(),
            places: HashMap::new(),
            packets: Vec::new(),
            listed,
            not_listed: 0,
        }
    }

    /// Counts a packet that came in: its number, its flow, its place in the flow.
    pub(super) fn offered(&mut self, packet: Packet) -> (u64, usize, u64) {
        let number = self.total.offered.packets;
        self.total.offered.count(packet.length);
        let flow = self.flow(packet.flow);
        let place = self.flows.get_mut(flow).map_or(0, |tracked| {
            tracked.counters.offered.count(packet.length);
            tracked.counters.offered.packets - 1
        });
        (number, flow, place)
    }

    pub(super) fn dropped(&mut self, flow: usize, cause: Cause) {
        self.total.dropped.count(cause);
        if let Some(tracked) = self.flows.get_mut(flow) {
            tracked.counters.dropped.count(cause);
        }
    }

    pub(super) fn split(&mut self, packet: Packet) {
        self.total.split += 1;
        let flow = self.flow(packet.flow);
        if let Some(tracked) = self.flows.get_mut(flow) {
            tracked.counters.split += 1;
        }
    }

    pub(super) fn departed<T>(&mut self, departure: &Departure<T>) {
        let place = self.total.delivered.packets;
        if let Some(Fate::Delivered { left, .. }) = self.fate_of(departure) {
            *left = Some(place);
        }
        let Some(tracked) = self.flows.get_mut(departure.flow) else { return };
        let late = !departure.is_copy && departure.place < tracked.next_expected;
        for counters in [&mut self.total, &mut tracked.counters] {
            if departure.is_copy {
                counters.duplicates += 1;
            } else {
                counters.delivered.count(departure.length);
            }
            counters.reordered += u64::from(late);
        }
        tracked.next_expected = tracked.next_expected.max(departure.place + 1);
    }

    pub(super) fn went_out<T>(&mut self, departure: &Departure<T>, at_ns: u64) {
        if let Some(Fate::Delivered { late_ns, .. }) = self.fate_of(departure) {
            *late_ns = Some(at_ns.saturating_sub(departure.due_ns));
        }
    }

    pub(super) fn list(&mut self, packet: PacketTruth) {
        if self.packets.len() < self.listed {
            self.packets.push(packet);
        } else {
            self.not_listed += 1;
        }
    }

    pub(super) fn packets(&self) -> &[PacketTruth] {
        &self.packets
    }

    pub(super) fn truth(&self) -> WayTruth {
        let flow = |tracked: &Tracked| FlowTruth { flow: tracked.flow, counters: tracked.counters };
        WayTruth {
            total: self.total,
            flows: self.flows.iter().map(flow).collect(),
            packets_not_listed: self.not_listed,
        }
    }

    /// What the line of a packet says, if there is one; nothing for copies.
    fn fate_of<T>(&mut self, departure: &Departure<T>) -> Option<&mut Fate> {
        let place = usize::try_from(departure.number).ok().filter(|_| !departure.is_copy)?;
        self.packets.get_mut(place).map(|line| &mut line.fate)
    }

    fn flow(&mut self, flow: Flow) -> usize {
        if let Some(place) = self.places.get(&flow) {
            return *place;
        }
        let place = self.flows.len().min(MOST_FLOWS);
        if place == self.flows.len() {
            let flow = (place < MOST_FLOWS).then_some(flow);
            self.flows.push(Tracked { flow, counters: Counters::default(), next_expected: 0 });
        }
        if place < MOST_FLOWS {
            self.places.insert(flow, place);
        }
        place
    }
}

const MOST_FLOWS: usize = 256;
