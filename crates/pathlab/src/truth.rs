//! What truly happened: counters, and a line for each packet.

use culvert_units::Bytes;
use serde::Serialize;

/// What happened in one direction of a path.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WayTruth {
    /// All packets together.
    pub total: Counters,
    /// The same for each flow, in the order they appeared. Beyond 256 flows there is one for all others.
    pub flows: Vec<FlowTruth>,
    /// Packets that no line was kept for, since there were too many.
    pub packets_not_listed: u64,
}

/// A flow: what its packets have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
pub struct Flow {
    /// The number of the protocol in the IP header (17 is UDP, 6 is TCP).
    pub protocol: u8,
    /// Where it comes from; `None` when the protocol has no ports, and in all fragments but the first.
    pub source_port: Option<u16>,
    /// Where it goes.
    pub destination_port: Option<u16>,
}

/// What happened to one flow.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FlowTruth {
    /// Which; `None` for all those that there was no counter for.
    pub flow: Option<Flow>,
    /// What happened to it.
    #[serde(flatten)]
    pub counters: Counters,
}

/// Exact counts of packets. Those offered were delivered, dropped or are still on their way.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Counters {
    /// What came in.
    pub offered: Tally,
    /// What went out, second copies not counted.
    pub delivered: Tally,
    /// What was dropped.
    pub dropped: Drops,
    /// Second copies that went out.
    pub duplicates: u64,
    /// Delivered packets whose turn had passed when they went out: a later one of their flow was already gone (RFC
    /// 4737 section 3.3).
    pub reordered: u64,
    /// Packets that were split into pieces because of their length; the pieces are offered in their place.
    pub split: u64,
}

/// Packets and their length.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// How many.
    pub packets: u64,
    /// The length of all together, as IP packets of the hosts.
    pub bytes: Bytes,
}

/// Dropped packets by cause.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Drops {
    /// [`Cause::TooLong`].
    pub too_long: u64,
    /// [`Cause::Policer`].
    pub policer: u64,
    /// [`Cause::GatewayQueue`].
    pub gateway_queue: u64,
    /// [`Cause::LineQueue`].
    pub line_queue: u64,
    /// [`Cause::Loss`].
    pub loss: u64,
}

/// Why a packet was dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// It was longer than what passes.
    TooLong,
    /// The policer's bucket did not hold its length.
    Policer,
    /// Too much waited for the gateway.
    GatewayQueue,
    /// Too much waited for the line.
    LineQueue,
    /// It was lost.
    Loss,
}

/// What happened to one packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct PacketTruth {
    /// Its place among the packets of this direction, from 0.
    pub number: u64,
    /// Its flow's place in [`WayTruth::flows`].
    pub flow: usize,
    /// When it came in, in nanoseconds since the path began.
    pub offered_at_ns: u64,
    /// The length of the IP packet in bytes.
    pub length: u32,
    /// What became of it.
    #[serde(flatten)]
    pub fate: Fate,
}

/// What becomes of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(tag = "fate", rename_all = "kebab-case")]
pub enum Fate {
    /// It goes out.
    Delivered {
        /// How long after it came in it is due.
        delay_ns: u64,
        /// Its place among the packets that went out, second copies not counted, from 0; `None` while it is under way.
        left: Option<u64>,
        /// How long after it was due it did go out, in nanoseconds; `None` when nobody told.
        late_ns: Option<u64>,
        /// It was chosen to be held back.
        held_back: bool,
        /// A second copy follows it.
        duplicated: bool,
    },
    /// It was dropped.
    Dropped {
        /// Why.
        cause: Cause,
    },
}

impl Counters {
    /// Packets that came in and have neither left nor been dropped.
    pub const fn under_way(&self) -> u64 {
        self.offered
            .packets
            .saturating_sub(self.delivered.packets)
            .saturating_sub(self.dropped.total())
    }
}

impl Drops {
    /// All causes together.
    pub const fn total(&self) -> u64 {
        self.too_long + self.policer + self.gateway_queue + self.line_queue + self.loss
    }

    pub(crate) const fn count(&mut self, cause: Cause) {
        match cause {
            Cause::TooLong => self.too_long += 1,
            Cause::Policer => self.policer += 1,
            Cause::GatewayQueue => self.gateway_queue += 1,
            Cause::LineQueue => self.line_queue += 1,
            Cause::Loss => self.loss += 1,
        }
    }
}

impl Tally {
    pub(crate) fn count(&mut self, length: u32) {
        self.packets += 1;
        self.bytes = self.bytes.saturating_add(Bytes::new(u64::from(length)));
    }
}
