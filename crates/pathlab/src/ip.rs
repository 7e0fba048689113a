//! IP packets as bytes: what the path must know of them, and what a router does with those that are too long.

#[cfg(test)]
mod tests;

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use culvert_pathmodel::Family;
use culvert_units::Mtu;

use crate::{Flow, Packet};

/// What the headers of a packet say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Headers {
    pub(crate) family: Family,
    pub(crate) source: IpAddr,
    pub(crate) destination: IpAddr,
    pub(crate) packet: Packet,
    /// Where the IP header ends.
    header_length: usize,
    /// It does not hold the beginning of what it was a part of.
    is_later_fragment: bool,
}

/// Reads a packet that begins with its IP header; bytes behind its end are left out. `None` when it is not whole.
pub(crate) fn read(bytes: &[u8]) -> Option<Headers> {
    match bytes.first()? >> 4 {
        4 => read_v4(bytes),
        6 => read_v6(bytes),
        _ => None,
    }
}

/// The pieces of an IPv4 packet, none longer than `mtu` (RFC 791 section 3.2); options are repeated in each.
pub(crate) fn split(bytes: &[u8], headers: &Headers, mtu: Mtu) -> Vec<Vec<u8>> {
    let whole = bytes.get(..headers.packet.length as usize).unwrap_or(bytes);
    let Some((header, payload)) = whole.split_at_checked(headers.header_length) else {
        return Vec::new();
    };
    let step = usize::from(mtu.get()).saturating_sub(header.len()) / 8 * 8;
    let flags_and_offset = be16(header, 6).unwrap_or_default();
    let pieces = payload.chunks(step.max(8)).zip(0_u16..);
    let last = payload.len().div_ceil(step.max(8)).saturating_sub(1);
    pieces
        .map(|(piece, place)| {
            let offset = usize::from(place) * step.max(8) / 8;
            let more = if usize::from(place) < last { MORE_FRAGMENTS } else { 0 };
            let offset = u16::try_from(offset).unwrap_or_default();
            let mut packet = [header, piece].concat();
            put16(&mut packet, 2, length16(header.len() + piece.len()));
            put16(&mut packet, 6, flags_and_offset.wrapping_add(offset) | more);
            put16(&mut packet, 10, 0);
            let sum = checksum(packet.get(..header.len()).unwrap_or_default(), 0);
            put16(&mut packet, 10, sum);
            packet
        })
        .collect()
}

/// The ICMP message that tells a packet's sender which length passes: "fragmentation needed" with the next hop's MTU (RFC
/// 1191 section 4), or "packet too big" (RFC 4443 section 3.2). `None` for packets that must not be answered (RFC
/// 1122 section 3.2.2): ICMP errors and later fragments.
///
/// It comes from the address that the packet went to, the only one that leads back over this path.
pub(crate) fn too_long(bytes: &[u8], headers: &Headers, mtu: Mtu) -> Option<Vec<u8>> {
    let kind = bytes.get(headers.header_length).copied();
    let is_error = match headers.packet.flow.protocol {
        ICMP => !matches!(kind, Some(0 | 8)),
        ICMP_V6 => kind.is_some_and(|kind| kind < 128),
        _ => false,
    };
    if is_error || headers.is_later_fragment {
        return None;
    }
    match (headers.destination, headers.source) {
        (IpAddr::V4(from), IpAddr::V4(to)) => Some(too_long_v4(bytes, from, to, mtu)),
        (IpAddr::V6(from), IpAddr::V6(to)) => Some(too_long_v6(bytes, from, to, mtu)),
        _ => None,
    }
}

const ICMP: u8 = 1;
const TCP: u8 = 6;
const UDP: u8 = 17;
const ICMP_V6: u8 = 58;
const IPV6_FRAGMENT: u8 = 44;

const DONT_FRAGMENT: u16 = 0x4000;
const MORE_FRAGMENTS: u16 = 0x2000;
const OFFSET: u16 = 0x1fff;

fn read_v4(bytes: &[u8]) -> Option<Headers> {
    let header_length = usize::from(bytes.first()? & 0x0f) * 4;
    let length = be16(bytes, 2)?;
    let is_whole = usize::from(length) <= bytes.len();
    if header_length < 20 || usize::from(length) < header_length || !is_whole {
        return None;
    }
    let flags_and_offset = be16(bytes, 6)?;
    let is_later_fragment = flags_and_offset & OFFSET != 0;
    let protocol = *bytes.get(9)?;
    let flow = flow(bytes, protocol, (!is_later_fragment).then_some(header_length));
    let dont_fragment = flags_and_offset & DONT_FRAGMENT != 0;
    let address = |at| Some(IpAddr::V4(Ipv4Addr::from(*bytes.get(at..)?.first_chunk::<4>()?)));
    Some(Headers {
        family: Family::Ipv4,
        source: address(12)?,
        destination: address(16)?,
        packet: Packet::new(length.into(), Family::Ipv4, dont_fragment, flow),
        header_length,
        is_later_fragment,
    })
}

fn read_v6(bytes: &[u8]) -> Option<Headers> {
    let length = usize::from(be16(bytes, 4)?) + 40;
    if length > bytes.len() {
        return None;
    }
    let next = *bytes.get(6)?;
    let (protocol, header_length, is_later_fragment) = if next == IPV6_FRAGMENT {
        (*bytes.get(40)?, 48, be16(bytes, 42)? >> 3 != 0)
    } else {
        (next, 40, false)
    };
    let flow = flow(bytes, protocol, (!is_later_fragment).then_some(header_length));
    let address = |at| Some(IpAddr::V6(Ipv6Addr::from(*bytes.get(at..)?.first_chunk::<16>()?)));
    Some(Headers {
        family: Family::Ipv6,
        source: address(8)?,
        destination: address(24)?,
        packet: Packet::new(u32::try_from(length).ok()?, Family::Ipv6, true, flow),
        header_length,
        is_later_fragment,
    })
}

fn flow(bytes: &[u8], protocol: u8, ports_at: Option<usize>) -> Flow {
    let ports_at = ports_at.filter(|_| matches!(protocol, TCP | UDP));
    Flow {
        protocol,
        source_port: ports_at.and_then(|at| be16(bytes, at)),
        destination_port: ports_at.and_then(|at| be16(bytes, at + 2)),
    }
}

fn too_long_v4(bytes: &[u8], from: Ipv4Addr, to: Ipv4Addr, mtu: Mtu) -> Vec<u8> {
    // As much of the packet as fits into 576 bytes (RFC 1812 section 4.3.2.3).
    let cause = bytes.get(..bytes.len().min(576 - 28)).unwrap_or_default();
    let mut icmp = vec![3, 4, 0, 0, 0, 0];
    icmp.extend(mtu.get().to_be_bytes());
    icmp.extend(cause);
    let sum = checksum(&icmp, 0);
    put16(&mut icmp, 2, sum);

    let mut packet = vec![0x45, 0];
    packet.extend(length16(20 + icmp.len()).to_be_bytes());
    packet.extend([0, 0, 0, 0, 64, ICMP, 0, 0]);
    packet.extend(from.octets());
    packet.extend(to.octets());
    let sum = checksum(&packet, 0);
    put16(&mut packet, 10, sum);
    packet.extend(icmp);
    packet
}

fn too_long_v6(bytes: &[u8], from: Ipv6Addr, to: Ipv6Addr, mtu: Mtu) -> Vec<u8> {
    // As much of the packet as fits into the least MTU (RFC 4443 section 3.2).
    let cause = bytes.get(..bytes.len().min(1280 - 48)).unwrap_or_default();
    let mut icmp = vec![2, 0, 0, 0];
    icmp.extend(u32::from(mtu.get()).to_be_bytes());
    icmp.extend(cause);
    let length = length16(icmp.len());
    // The pseudo-header of RFC 8200 section 8.1.
    let pseudo =
        [&from.octets()[..], &to.octets(), &u32::from(length).to_be_bytes(), &[0, 0, 0, ICMP_V6]];
    let sum = checksum(&icmp, sum(&pseudo.concat()));
    put16(&mut icmp, 2, sum);

    let mut packet = vec![0x60, 0, 0, 0];
    packet.extend(length.to_be_bytes());
    packet.extend([ICMP_V6, 64]);
    packet.extend(from.octets());
    packet.extend(to.octets());
    packet.extend(icmp);
    packet
}

/// The Internet checksum (RFC 1071) of `bytes` and of what was summed before.
fn checksum(bytes: &[u8], before: u64) -> u16 {
    let mut total = before + sum(bytes);
    while let carry @ 1.. = total >> 16 {
        total = (total & 0xffff) + carry;
    }
    u16::try_from(total).map_or(0, |total| !total)
}

fn sum(bytes: &[u8]) -> u64 {
    let (pairs, odd) = bytes.as_chunks::<2>();
    let odd = odd.first().map_or(0, |last| u64::from(*last) << 8);
    pairs.iter().map(|pair| u64::from(u16::from_be_bytes(*pair))).sum::<u64>() + odd
}

fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
}

fn put16(bytes: &mut [u8], at: usize, value: u16) {
    if let Some(place) = bytes.get_mut(at..).and_then(<[u8]>::first_chunk_mut) {
        *place = value.to_be_bytes();
    }
}

fn length16(length: usize) -> u16 {
    u16::try_from(length).unwrap_or(u16::MAX)
}
