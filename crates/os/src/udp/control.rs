//! Reading the control messages that the kernel attaches to a datagram (cmsg(3)).

use std::mem::offset_of;

use libc::{c_int, cmsghdr};

/// Bytes kept for the control messages of one datagram: a receive time, a drop counter and the size of
/// coalesced datagrams take 80.
pub(super) const CAPACITY: usize = 128;

/// Room for the control messages of one datagram, aligned as the kernel lays them out.
#[derive(Clone)]
#[repr(C, align(16))]
pub(super) struct ControlBuffer(pub(super) [u8; CAPACITY]);

/// The control message that asks for segmentation, as long as the kernel lays it out.
#[derive(Clone)]
#[repr(C, align(16))]
pub(super) struct SegmentSize(pub(super) [u8; SEGMENT_SPACE]);

const SEGMENT_LENGTH: usize = size_of::<cmsghdr>() + 2;
const SEGMENT_SPACE: usize = SEGMENT_LENGTH.next_multiple_of(size_of::<usize>());

/// Asks that a message be sent as datagrams of `size` bytes each (`UDP_SEGMENT`, Linux 4.18).
pub(super) fn segment_size(size: u16) -> SegmentSize {
    let mut bytes = [0; SEGMENT_SPACE];
    let fields = SEGMENT_LENGTH
        .to_ne_bytes()
        .into_iter()
        .chain(libc::SOL_UDP.to_ne_bytes())
        .chain(libc::UDP_SEGMENT.to_ne_bytes())
        .chain(size.to_ne_bytes());
    for (byte, value) in bytes.iter_mut().zip(fields) {
        *byte = value;
    }
    SegmentSize(bytes)
}

/// The length of each datagram in what was received coalesced (`UDP_GRO`, Linux 5.0); `None` for a single datagram.
pub(super) fn coalesced_size(control: &[u8]) -> Option<usize> {
    let data = find_at(control, libc::SOL_UDP, libc::UDP_GRO)?;
    usize::try_from(i32_at(data, 0)?).ok().filter(|size| *size > 0)
}

/// When the kernel took the datagram from the network, in nanoseconds since the epoch of the realtime clock.
pub(super) fn received_at(control: &[u8]) -> Option<i64> {
    let data = find(control, libc::SCM_TIMESTAMPNS)?;
    // Two C longs: seconds and nanoseconds.
    let (seconds, nanoseconds) = match data.len() {
        8 => (i64::from(i32_at(data, 0)?), i64::from(i32_at(data, 4)?)),
        _ => (i64_at(data, 0)?, i64_at(data, 8)?),
    };
    seconds.checked_mul(1_000_000_000)?.checked_add(nanoseconds)
}

/// How many datagrams this socket had dropped when the datagram was queued; the kernel says nothing while it is zero.
pub(super) fn dropped(control: &[u8]) -> Option<u32> {
    let data = find(control, libc::SO_RXQ_OVFL)?;
    Some(u32::from_ne_bytes(data.get(..4)?.try_into().ok()?))
}

fn find(control: &[u8], wanted: c_int) -> Option<&[u8]> {
    find_at(control, libc::SOL_SOCKET, wanted)
}

fn find_at(control: &[u8], level: c_int, wanted: c_int) -> Option<&[u8]> {
    messages(control)
        .find(|&(found, kind, _)| found == level && kind == wanted)
        .map(|(_, _, data)| data)
}

/// The messages as (level, type, data); ends at the first one that does not fit.
fn messages(mut rest: &[u8]) -> impl Iterator<Item = (c_int, c_int, &[u8])> {
    std::iter::from_fn(move || {
        let length = usize_at(rest, offset_of!(cmsghdr, cmsg_len))?;
        let level = i32_at(rest, offset_of!(cmsghdr, cmsg_level))?;
        let kind = i32_at(rest, offset_of!(cmsghdr, cmsg_type))?;
        let data = rest.get(aligned(size_of::<cmsghdr>())?..length)?;
        rest = rest.get(aligned(length)?..).unwrap_or_default();
        Some((level, kind, data))
    })
}

fn aligned(length: usize) -> Option<usize> {
    length.checked_next_multiple_of(size_of::<usize>())
}

fn usize_at(bytes: &[u8], at: usize) -> Option<usize> {
    Some(usize::from_ne_bytes(bytes.get(at..)?.first_chunk().copied()?))
}

fn i32_at(bytes: &[u8], at: usize) -> Option<i32> {
    Some(i32::from_ne_bytes(bytes.get(at..)?.first_chunk().copied()?))
}

fn i64_at(bytes: &[u8], at: usize) -> Option<i64> {
    Some(i64::from_ne_bytes(bytes.get(at..)?.first_chunk().copied()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Laid out by hand after cmsg(3): length, level, type, data, each message padded to a machine word.
    fn message(kind: c_int, data: &[u8]) -> Vec<u8> {
        message_at(libc::SOL_SOCKET, kind, data)
    }

    fn message_at(level: c_int, kind: c_int, data: &[u8]) -> Vec<u8> {
        let mut bytes = (size_of::<cmsghdr>() + data.len()).to_ne_bytes().to_vec();
        bytes.extend(level.to_ne_bytes());
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(data);
        bytes.resize(bytes.len().next_multiple_of(size_of::<usize>()), 0);
        bytes
    }

    #[test]
    fn both_messages_are_found_in_either_order() {
        let time = [7_i64.to_ne_bytes(), 9_i64.to_ne_bytes()].concat();
        let time = message(libc::SCM_TIMESTAMPNS, &time);
        let drops = message(libc::SO_RXQ_OVFL, &5_u32.to_ne_bytes());
        for control in [[time.clone(), drops.clone()].concat(), [drops, time].concat()] {
            assert_eq!(received_at(&control), Some(7_000_000_009));
            assert_eq!(dropped(&control), Some(5));
        }
    }

    /// The kernel reads two bytes to send by, and writes four on receipt (include/linux/udp.h, net/ipv4/udp.c).
    #[test]
    fn sizes_of_segments_are_written_and_read_as_the_kernel_lays_them_out() {
        let written = message_at(libc::SOL_UDP, libc::UDP_SEGMENT, &1_400_u16.to_ne_bytes());
        assert_eq!(segment_size(1_400).0.as_slice(), written);
        let read = message_at(libc::SOL_UDP, libc::UDP_GRO, &1_400_i32.to_ne_bytes());
        assert_eq!(coalesced_size(&read), Some(1_400));
        for nonsense in [0, -1] {
            let read = message_at(libc::SOL_UDP, libc::UDP_GRO, &i32::to_ne_bytes(nonsense));
            assert_eq!(coalesced_size(&read), None);
        }
    }

    #[test]
    fn the_short_time_of_a_32_bit_kernel_is_read_too() {
        let time = [7_i32.to_ne_bytes(), 9_i32.to_ne_bytes()].concat();
        assert_eq!(received_at(&message(libc::SCM_TIMESTAMPNS, &time)), Some(7_000_000_009));
    }

    #[test]
    fn no_damage_panics_or_loops() {
        let whole = message(libc::SO_RXQ_OVFL, &5_u32.to_ne_bytes());
        for cut in 0..size_of::<cmsghdr>() + 4 {
            assert_eq!(dropped(&whole[..cut]), None, "cut to {cut} bytes");
        }
        for length in [0_usize, 1, 15, 1_000, usize::MAX] {
            let mut damaged = whole.clone();
            damaged[..size_of::<usize>()].copy_from_slice(&length.to_ne_bytes());
            assert_eq!(dropped(&damaged), None, "length {length}");
        }
    }
}
