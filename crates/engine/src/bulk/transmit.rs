//! One flow's transmitter: writes until its receiver has enough, then waits for what is queued.

use std::io::{self, Read as _, Write as _};
use std::net::{Shutdown, TcpStream};

use culvert_os::{clock::monotonic_ns, tcp};
use culvert_wire::message::TransmitterReport;

use super::{BulkShare, is_pause};
use crate::timeline::{DRAIN, LOOK_UP_EVERY, nanos};

/// Writes `block` again and again, and gives the account of this flow.
pub(super) fn transmit_flow(
    flow: &TcpStream,
    share: &BulkShare,
    block: &[u8],
) -> TransmitterReport {
    let mut report = TransmitterReport::default();
    if let Err(error) = write_until_enough(flow, share, block, &mut report.bytes_written) {
        report.fault = Some(format!("writing failed: {error}"));
    }
    read_facts(flow, share, &mut report);
    let unacknowledged =
        if report.fault.is_none() { drain(flow, share) } else { unacknowledged(flow) };
    report.acknowledged_unknown = unacknowledged.is_none();
    report.bytes = report.bytes_written.saturating_sub(unacknowledged.unwrap_or(0));
    // What was lost last is sent again only now.
    report.retransmitted_bytes =
        tcp::TcpInfo::read(flow).ok().and_then(|info| info.bytes_retransmitted);
    report
}

fn write_until_enough(
    mut flow: &TcpStream,
    share: &BulkShare,
    block: &[u8],
    written: &mut u64,
) -> io::Result<()> {
    flow.set_write_timeout(Some(LOOK_UP_EVERY))?;
    let give_up = share.timeline.transmitting_ends_ns();
    while monotonic_ns() < give_up && !share.switch.is_enough() {
        let allowed = share.budget.take(block.len() as u64);
        if allowed == 0 {
            break;
        }
        let piece = usize::try_from(allowed).ok().and_then(|length| block.get(..length));
        let outcome = flow.write(piece.unwrap_or(block));
        let length = outcome.as_ref().map_or(0, |length| *length as u64);
        share.budget.give_back(allowed.saturating_sub(length));
        *written += length;
        match outcome {
            // A receiver lets go when its time is over, also when its word, queued behind data, has not come yet.
            Err(error) if let_go(&error) && monotonic_ns() >= share.timeline.deadline_ns() => break,
            Err(error) if !is_pause(&error) => return Err(error),
            _ => {}
        }
    }
    Ok(())
}

fn read_facts(flow: &TcpStream, share: &BulkShare, report: &mut TransmitterReport) {
    report.congestion_control = tcp::congestion_control(flow).ok();
    let granted = culvert_os::granted_buffers(flow).ok().map(|buffers| buffers.send as u64);
    report.buffer.granted_bytes = granted;
    report.buffer_capped = share.is_capped(granted);
    report.dscp = tcp::dscp(flow).ok();
    if let Ok(info) = tcp::TcpInfo::read(flow) {
        report.segment_payload_bytes = Some(info.send_mss);
        report.timestamps = Some(info.timestamps);
    }
}

/// Ends the flow and waits until the receiver has read it all and closed, or the bound for draining is over.
///
/// Gives the payload bytes that were never acknowledged, where the system tells.
fn drain(mut flow: &TcpStream, share: &BulkShare) -> Option<u64> {
    let bound = monotonic_ns().saturating_add(nanos(DRAIN));
    let ended =
        flow.shutdown(Shutdown::Write).and_then(|()| flow.set_read_timeout(Some(LOOK_UP_EVERY)));
    while ended.is_ok() && monotonic_ns() < bound && !share.switch.is_stopped() {
        match flow.read(&mut [0_u8; 64]) {
            Ok(0) => return Some(0),
            Ok(_) => {}
            Err(error) if is_pause(&error) => {}
            Err(_) => break,
        }
    }
    // The end of the stream itself takes a number that waits for its acknowledgement like a byte, if it could be sent.
    let left = unacknowledged(flow).map(|left| left.saturating_sub(u64::from(ended.is_ok())));
    // Whoever closes with data queued would keep the kernel sending it for minutes.
    let _ = tcp::reset_on_close(flow);
    left
}

fn unacknowledged(flow: &TcpStream) -> Option<u64> {
    tcp::unsent_and_unacknowledged(flow).ok()
}

fn let_go(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::bulk::{Budget, random_block};
    use crate::timeline::Timeline;

    /// What writing ends with when the receiver lets go at once, in a run of so much time.
    fn let_go_in(length_ns: u64) -> io::Result<()> {
        let door = std::net::TcpListener::bind(("127.0.0.1", 0)).expect("a port");
        let flow = TcpStream::connect(door.local_addr().expect("an address")).expect("a flow");
        drop(door.accept().expect("a flow"));
        let share = BulkShare {
            timeline: Timeline { start_ns: monotonic_ns(), settle_ns: 0, length_ns },
            switch: Arc::default(),
            buffer_bytes: None,
            budget: Arc::new(Budget::new(None)),
            pins: crate::Pins::default(),
            sample_every: std::time::Duration::from_millis(100),
        };
        write_until_enough(&flow, &share, &random_block(), &mut 0)
    }

    #[test]
    fn a_receiver_may_let_go_after_its_time_and_not_before() {
        assert!(let_go_in(0).is_ok());
        assert!(let_go_in(60_000_000_000).is_err());
    }
}
