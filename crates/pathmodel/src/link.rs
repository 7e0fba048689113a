//! Links: the bytes around an IP packet on the medium, and what the rate of a line counts.

use culvert_units::{BitRate, Mtu};
use serde::{Deserialize, Serialize};

/// A link with its rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Link {
    /// How many bits per second it carries, of what `counted` says.
    #[serde(rename = "rate_bps")]
    pub rate: BitRate,
    /// What surrounds the IP packets.
    pub framing: Framing,
    /// What the rate counts.
    pub counted: Counted,
}

/// What surrounds an IP packet on a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Framing {
    /// Ethernet: header 14, check sequence 4, preamble 8, gap 12 (RFC 6349 section 4.1.1, RFC 5180 appendix A.1).
    Ethernet,
    /// Ethernet with one VLAN tag of 4 bytes (RFC 5180 section 5.1.1).
    EthernetVlan,
    /// PPPoE on Ethernet: 6 bytes of header and 2 of PPP protocol more (RFC 2516 section 4 and 7).
    Pppoe,
    /// PPPoE on Ethernet with one VLAN tag.
    PppoeVlan,
    /// PPP on ATM cells, VC-multiplexed: 2 bytes of PPP protocol (RFC 2364), then AAL5.
    PppoaAtm,
    /// PPPoE on bridged Ethernet in ATM cells, LLC encapsulation without the frame's check sequence (RFC 2684): 10
    /// bytes of LLC and SNAP (from memory), 14 of Ethernet, 8 of PPPoE, then AAL5.
    PppoeAtm,
    /// PPP on a serial line: header 4, flags 2, check sequence 2 (RFC 6349 section 4.1.1).
    Ppp,
}

/// What the rate of a link counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Counted {
    /// Everything that takes time on the medium: preamble and gap on Ethernet, whole cells on ATM.
    Line,
    /// The frame from its first header byte through its check sequence; on ATM the frame before AAL5.
    Frame,
    /// IP packets alone.
    IpLayer,
}

/// One thing a link puts around an IP packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct LinkPart {
    /// What it is.
    pub name: &'static str,
    /// How many bytes of it.
    pub bytes: u32,
    /// Where its size is published.
    pub source: &'static str,
}

impl LinkPart {
    const fn new(name: &'static str, bytes: u32, source: &'static str) -> Self {
        Self { name, bytes, source }
    }
}

impl Link {
    /// Plain Ethernet whose rate counts everything on the medium.
    pub const fn ethernet(rate: BitRate) -> Self {
        Self { rate, framing: Framing::Ethernet, counted: Counted::Line }
    }

    /// The bytes of the link's rate that an IP packet of `length` bytes takes.
    pub fn wire_length(&self, length: u32) -> u32 {
        match (self.counted, self.framing.medium()) {
            (Counted::IpLayer, _) => length,
            (Counted::Frame, Medium::Ethernet { added }) => ethernet_frame(length, added),
            (Counted::Line, Medium::Ethernet { added }) => {
                ethernet_frame(length, added).saturating_add(PREAMBLE_AND_GAP)
            }
            (Counted::Frame, Medium::Atm { header }) => length.saturating_add(header),
            (Counted::Frame, Medium::Serial) => length.saturating_add(PPP_FRAME),
            (Counted::Line, Medium::Serial) => length.saturating_add(PPP_FRAME + FLAGS),
            (Counted::Line, Medium::Atm { header }) => cells(length.saturating_add(header)),
        }
    }

    /// What the link puts around an IP packet of `length` bytes and its rate counts: name, bytes, source; the innermost
    /// first. The bytes are those of [`Self::wire_length`] beyond the packet.
    pub fn parts(&self, length: u32) -> Vec<LinkPart> {
        if self.counted == Counted::IpLayer {
            return Vec::new();
        }
        let mut parts = self.framing.headers();
        let framed = length.saturating_add(parts.iter().map(|part| part.bytes).sum());
        match self.framing.medium() {
            Medium::Ethernet { .. } => {
                parts.push(LinkPart::new(
                    "padding to the least frame",
                    LEAST_FRAME.saturating_sub(framed),
                    "RFC 2544 section 9.1",
                ));
                if self.counted == Counted::Line {
                    parts.push(LinkPart::new(
                        "preamble and gap between frames",
                        PREAMBLE_AND_GAP,
                        "RFC 5180 appendix A.1",
                    ));
                }
            }
            Medium::Serial if self.counted == Counted::Line => {
                parts.push(LinkPart::new("flags", FLAGS, "RFC 6349 section 4.1.1"));
            }
            Medium::Atm { .. } if self.counted == Counted::Line => {
                let filled = framed.saturating_add(AAL5_TRAILER);
                let count = filled.div_ceil(CELL_PAYLOAD);
                parts.push(LinkPart::new("AAL5 trailer", AAL5_TRAILER, "RFC 2684 section 4"));
                let padding = count.saturating_mul(CELL_PAYLOAD).saturating_sub(filled);
                parts.push(LinkPart::new("padding to whole cells", padding, "RFC 2684 section 4"));
                parts.push(LinkPart::new(
                    "cell headers",
                    count.saturating_mul(CELL - CELL_PAYLOAD),
                    "RFC 2684 section 4",
                ));
            }
            Medium::Serial | Medium::Atm { .. } => {}
        }
        parts.retain(|part| part.bytes > 0);
        parts
    }

    /// How many IP packets of `length` bytes fit into a second, rounded down (RFC 5180 appendix A.1); `None` for
    /// packets that take nothing.
    pub fn packets_per_second(&self, length: u32) -> Option<u64> {
        self.rate.bits_per_second().checked_div(u64::from(self.wire_length(length)) * 8)
    }
}

impl Framing {
    /// Every framing, plain Ethernet first.
    pub const ALL: [Self; 7] = [
        Self::Ethernet,
        Self::EthernetVlan,
        Self::Pppoe,
        Self::PppoeVlan,
        Self::PppoaAtm,
        Self::PppoeAtm,
        Self::Ppp,
    ];

    /// The MTU such a link usually has: 1500 (RFC 894, RFC 2364), under PPPoE 1492 (RFC 2516 section 7).
    pub const fn customary_mtu(self) -> Mtu {
        match self {
            Self::Ethernet | Self::EthernetVlan | Self::PppoaAtm | Self::Ppp => Mtu::ETHERNET,
            Self::Pppoe | Self::PppoeVlan | Self::PppoeAtm => match Mtu::new(1492) {
                Ok(mtu) => mtu,
                Err(_) => Mtu::ETHERNET,
            },
        }
    }

    /// The headers and check sequences of the frame itself.
    fn headers(self) -> Vec<LinkPart> {
        let mut parts = Vec::new();
        if matches!(self, Self::Pppoe | Self::PppoeVlan | Self::PppoeAtm) {
            parts.push(LinkPart::new("PPPoE and PPP protocol", 8, "RFC 2516 section 4 and 7"));
        }
        if matches!(self, Self::EthernetVlan | Self::PppoeVlan) {
            parts.push(LinkPart::new("VLAN tag", 4, "RFC 5180 section 5.1.1"));
        }
        match self {
            Self::Ppp => parts.push(LinkPart::new(
                "PPP header and check sequence",
                PPP_FRAME,
                "RFC 6349 section 4.1.1",
            )),
            Self::PppoaAtm => parts.push(LinkPart::new("PPP protocol", 2, "RFC 2364")),
            Self::PppoeAtm => {
                parts.push(LinkPart::new("Ethernet header", 14, "RFC 894"));
                parts.push(LinkPart::new("LLC and SNAP", 10, "RFC 2684, the size from memory"));
            }
            Self::Ethernet | Self::EthernetVlan | Self::Pppoe | Self::PppoeVlan => {
                parts.push(LinkPart::new(
                    "Ethernet header and check sequence",
                    HEADER_AND_CHECK,
                    "RFC 6349 section 4.1.1",
                ));
            }
        }
        parts
    }

    const fn medium(self) -> Medium {
        match self {
            Self::Ethernet => Medium::Ethernet { added: 0 },
            Self::EthernetVlan => Medium::Ethernet { added: 4 },
            Self::Pppoe => Medium::Ethernet { added: 8 },
            Self::PppoeVlan => Medium::Ethernet { added: 4 + 8 },
            Self::PppoaAtm => Medium::Atm { header: 2 },
            Self::PppoeAtm => Medium::Atm { header: 10 + 14 + 8 },
            Self::Ppp => Medium::Serial,
        }
    }
}

enum Medium {
    Ethernet { added: u32 },
    Atm { header: u32 },
    Serial,
}

/// The frame around a packet and `added` bytes of tag and PPPoE, at least 64 bytes (RFC 2544 section 9.1;
/// that a tag counts towards them is IEEE 802.3, from memory).
fn ethernet_frame(length: u32, added: u32) -> u32 {
    length.saturating_add(added + HEADER_AND_CHECK).max(LEAST_FRAME)
}

/// The bytes of the cells that carry `payload`: an 8-byte trailer, then whole cells of 48 in 53 (RFC 2684 section 4).
fn cells(payload: u32) -> u32 {
    payload.saturating_add(AAL5_TRAILER).div_ceil(CELL_PAYLOAD).saturating_mul(CELL)
}

const HEADER_AND_CHECK: u32 = 14 + 4;
const PREAMBLE_AND_GAP: u32 = 8 + 12;
const LEAST_FRAME: u32 = 64;
const PPP_FRAME: u32 = 4 + 2;
const FLAGS: u32 = 2;
const AAL5_TRAILER: u32 = 8;
const CELL: u32 = 53;
const CELL_PAYLOAD: u32 = 48;
