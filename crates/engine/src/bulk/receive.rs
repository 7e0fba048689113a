//! One flow's receiver: discards and counts until the transmitter ends or the time is over.

use std::net::TcpStream;

use culvert_os::{clock::monotonic_ns, tcp};

use super::{BulkShare, is_pause};
use crate::meter::Meter;
use crate::timeline::LOOK_UP_EVERY;

/// Bytes discarded by one read at most.
const DISCARD_SIZE: usize = 1024 * 1024;

/// What a receiver knows of its flow at the end.
#[derive(Debug, Clone, Copy)]
pub(super) struct Received {
    /// The receive buffer, as the kernel reports it.
    pub(super) granted_bytes: Option<u64>,
    /// Whether the kernel discarded without copying.
    pub(super) discarded_in_kernel: bool,
}

/// Reads and forgets, counting into `meter`.
pub(super) fn receive_flow(flow: &TcpStream, share: &BulkShare, meter: &Meter) -> Option<Received> {
    let mut discarder = tcp::Discarder::default();
    flow.set_read_timeout(Some(LOOK_UP_EVERY)).ok()?;
    let over = discard_until_over(flow, share, meter, &mut discarder);
    let granted = culvert_os::granted_buffers(flow).ok();
    if matches!(over, Over::HereFirst) {
        // Whatever is still on its way would keep both kernels busy for nothing.
        let _ = tcp::reset_on_close(flow);
    }
    Some(Received {
        granted_bytes: granted.map(|buffers| buffers.receive as u64),
        discarded_in_kernel: discarder.is_in_kernel(),
    })
}

/// Who ended a flow.
enum Over {
    /// The transmitter, or the connection itself.
    ThereFirst,
    /// This end: its time or its budget was over, or it was told to stop.
    HereFirst,
}

fn discard_until_over(
    flow: &TcpStream,
    share: &BulkShare,
    meter: &Meter,
    discarder: &mut tcp::Discarder,
) -> Over {
    while !share.switch.is_stopped() {
        let read = discarder.discard(flow, DISCARD_SIZE);
        let now = monotonic_ns();
        match read {
            Ok(0) => return Over::ThereFirst,
            Ok(length) => meter.count(now, length as u64),
            Err(error) if is_pause(&error) => {}
            Err(_) => return Over::ThereFirst,
        }
        let over = now >= share.timeline.reading_ends_ns(meter.origin_ns());
        if over || share.budget.is_exceeded_by(meter.total()) {
            break;
        }
    }
    Over::HereFirst
}
