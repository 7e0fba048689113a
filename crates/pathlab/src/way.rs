//! One direction of a path: what happens to each packet, decided when it comes in.

mod bucket;
mod chance;
mod costs;
mod ledger;
mod phases;
mod schedule;
mod server;
#[cfg(test)]
mod tests;

use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_units::Mtu;

use crate::{Cause, Conditions, Fate, Flow, PacketTruth, TooLong, WayConfig, WayTruth};

use bucket::Bucket;
use chance::{Chooser, Loser, Spread};
use ledger::Ledger;
use phases::{Phase, Phases};
pub use schedule::Departure;
use schedule::{Entry, Schedule};
use server::{GatewayCore, Server};

/// The state of one direction.
///
/// [`offer`](Self::offer) each packet as it comes in, and [`take_due`](Self::take_due) until there is none whenever
/// [`next_due`](Self::next_due) has come. Times are nanoseconds since the path began; one that lies before an earlier
/// one counts as that.
#[derive(Debug)]
pub struct OneWay<T> {
    mtu: Mtu,
    phases: Phases,
    now_ns: u64,
    bucket: Bucket,
    gateway: GatewayCore,
    line: Server,
    loss: Loser,
    jitter: Spread,
    reorder: Chooser,
    duplicate: Chooser,
    /// When the last packet that kept its place goes out.
    last_in_order_ns: u64,
    schedule: Schedule<T>,
    ledger: Ledger,
}

/// What must be known of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet {
    /// The length of the IP packet in bytes, its header included.
    pub length: u32,
    /// Whether a router may split it: IPv4 without the don't-fragment flag.
    pub may_be_split: bool,
    /// Which flow it belongs to.
    pub flow: Flow,
}

/// What becomes of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It goes out when its time has come.
    Kept {
        /// When.
        due_ns: u64,
    },
    /// It is gone. For `answer`, its sender must be told that only packets up to this length pass.
    Dropped {
        /// Why.
        cause: Cause,
        /// What to tell, if anything.
        answer: Option<Mtu>,
    },
    /// It must be split for this MTU, and each piece be offered in its place.
    Split {
        /// The longest piece.
        mtu: Mtu,
    },
}

impl<T: Copy> OneWay<T> {
    /// A direction at time 0.
    pub fn new(config: WayConfig) -> Self {
        Self::with_gateway(config, GatewayCore::default())
    }

    /// Both directions of a path, which have the gateways in common that are shared.
    pub(crate) fn pair(one: WayConfig, other: WayConfig) -> (Self, Self) {
        let (first, second) = GatewayCore::shared_by_two();
        (Self::with_gateway(one, first), Self::with_gateway(other, second))
    }

    fn with_gateway(config: WayConfig, gateway: GatewayCore) -> Self {
        let seed = config.seed;
        let mut way = Self {
            mtu: config.mtu,
            now_ns: 0,
            bucket: Bucket::default(),
            gateway,
            line: Server::default(),
            // A generator for each, so that one impairment does not change what another one does.
            loss: Loser::new(seed, 1),
            jitter: Spread::new(seed, 2),
            reorder: Chooser::new(seed, 3),
            duplicate: Chooser::new(seed, 4),
            last_in_order_ns: 0,
            schedule: Schedule::default(),
            ledger: Ledger::new(config.listed),
            phases: Phases::new(config),
        };
        way.advance(0);
        way
    }

    /// Decides about a packet that comes in now; `token` comes back with it when it goes out.
    pub fn offer(&mut self, now_ns: u64, packet: Packet, token: T) -> Verdict {
        self.advance(now_ns);
        let mtu = self.longest_packet();
        if packet.length > u32::from(mtu.get()) {
            return self.too_long(packet, mtu);
        }
        match self.travel(packet) {
            Err(cause) => self.drop(packet, cause, None),
            Ok(travel) => {
                let duplicated = self.duplicate.picks(self.conditions().duplicate);
                let (number, flow, place) = self.ledger.offered(packet);
                let fate = Fate::Delivered {
                    delay_ns: travel.due_ns - self.now_ns,
                    left: None,
                    late_ns: None,
                    held_back: travel.held_back,
                    duplicated,
                };
                self.list(number, flow, packet, fate);
                let entry = Entry {
                    number,
                    flow,
                    place,
                    length: packet.length,
                    token,
                    is_copy: false,
                    is_last: !duplicated,
                };
                self.schedule.push(travel.due_ns, entry);
                if duplicated {
                    let copy = Entry { is_copy: true, is_last: true, ..entry };
                    self.schedule.push(travel.due_ns, copy);
                }
                Verdict::Kept { due_ns: travel.due_ns }
            }
        }
    }

    /// A packet whose time has come, in the order of these times; `None` when there is none (yet).
    pub fn take_due(&mut self, now_ns: u64) -> Option<Departure<T>> {
        let departure = self.schedule.take_due(now_ns)?;
        self.ledger.departed(&departure);
        Some(departure)
    }

    /// Writes down when a packet that [`take_due`](Self::take_due) gave did go out.
    pub fn went_out(&mut self, departure: &Departure<T>, at_ns: u64) {
        self.ledger.went_out(departure, at_ns);
    }

    /// When the next packet goes out; `None` when none is on its way.
    pub fn next_due(&self) -> Option<u64> {
        self.schedule.next_due()
    }

    /// What happened so far.
    pub fn truth(&self) -> WayTruth {
        self.ledger.truth()
    }

    /// The lines of the packets that came in so far, in that order.
    pub fn packets(&self) -> &[PacketTruth] {
        self.ledger.packets()
    }

    /// The longest IP packet that passes at present.
    pub fn longest_packet(&self) -> Mtu {
        self.conditions().longest_packet.map_or(self.mtu, |most| most.min(self.mtu))
    }

    fn conditions(&self) -> &Conditions {
        &self.phases.current().conditions
    }

    fn advance(&mut self, now_ns: u64) {
        self.now_ns = self.now_ns.max(now_ns);
        let mut before = self.conditions().policer;
        while let Some(phase) = self.phases.next_begun(self.now_ns) {
            let policer = phase.conditions.policer;
            if let Some(policer) = policer {
                self.bucket.adopt(phase.begins_ns, before, policer);
            }
            before = policer;
        }
    }

    fn too_long(&mut self, packet: Packet, mtu: Mtu) -> Verdict {
        match self.conditions().too_long {
            TooLong::Answer if packet.may_be_split => {
                self.ledger.split(packet);
                Verdict::Split { mtu }
            }
            TooLong::Answer => self.drop(packet, Cause::TooLong, Some(mtu)),
            TooLong::Silence => self.drop(packet, Cause::TooLong, None),
        }
    }

    /// Takes a packet through everything that lies on its way.
    fn travel(&mut self, packet: Packet) -> Result<Travel, Cause> {
        let Phase { conditions, costs, .. } = self.phases.current();
        let cost = costs.of(packet.length);
        let mut at_ns = self.now_ns;
        if let Some(policer) = conditions.policer
            && !self.bucket.passes(at_ns, policer, cost.outer)
        {
            return Err(Cause::Policer);
        }
        if let Some(gateway) = &conditions.gateway {
            let span = |at_ns| self.phases.gateway_span(at_ns, packet.length);
            let served = self.gateway.serve(at_ns, packet.length, gateway, span);
            at_ns = served.ok_or(Cause::GatewayQueue)?;
        }
        if let Some(line) = conditions.line {
            let span = |at_ns| self.phases.line_span(at_ns, packet.length);
            let served = self.line.serve(at_ns, cost.outer, line.queue, span);
            at_ns = served.ok_or(Cause::LineQueue)?;
        }
        if self.loss.picks(&conditions.loss) {
            return Err(Cause::Loss);
        }
        let arrives_ns = at_ns
            .saturating_add(nanoseconds(conditions.delay))
            .saturating_add(self.jitter.draw(conditions.jitter));
        let in_order_ns = arrives_ns.max(self.last_in_order_ns);
        self.last_in_order_ns = in_order_ns;
        let held = conditions.reorder.filter(|rule| self.reorder.picks(rule.choice));
        let by = held.map_or(0, |rule| nanoseconds(rule.by));
        Ok(Travel { due_ns: in_order_ns.saturating_add(by), held_back: held.is_some() })
    }

    fn drop(&mut self, packet: Packet, cause: Cause, answer: Option<Mtu>) -> Verdict {
        let (number, flow, _) = self.ledger.offered(packet);
        self.ledger.dropped(flow, cause);
        self.list(number, flow, packet, Fate::Dropped { cause });
        Verdict::Dropped { cause, answer }
    }

    fn list(&mut self, number: u64, flow: usize, packet: Packet, fate: Fate) {
        let offered_at_ns = self.now_ns;
        self.ledger.list(PacketTruth { number, flow, offered_at_ns, length: packet.length, fate });
    }
}

struct Travel {
    due_ns: u64,
    held_back: bool,
}

impl Packet {
    /// The IP version decides whether routers split at all (RFC 8200 section 4.5).
    pub const fn new(length: u32, family: Family, dont_fragment: bool, flow: Flow) -> Self {
        let may_be_split = matches!(family, Family::Ipv4) && !dont_fragment;
        Self { length, may_be_split, flow }
    }
}

pub(crate) fn nanoseconds(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)
}
