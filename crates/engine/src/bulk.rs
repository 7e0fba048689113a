//! TCP data: one thread a flow, writing or discarding as fast as the path takes it.

use std::io::{self, Read as _, Write as _};
use std::net::{Shutdown, TcpStream};
use std::sync::Arc;

use culvert_os::{clock::monotonic_ns, tcp};
use culvert_units::Bytes;
use culvert_wire::message::{BufferReport, ReceiverReport, TransmitterReport};

use crate::meter::Meter;
use crate::thread::on_thread;
use crate::timeline::{DRAIN, LOOK_UP_EVERY, Switch, Timeline, nanos};

/// Bytes handed to the kernel by one write: large enough that the call costs nothing beside the copy.
const WRITE_SIZE: usize = 256 * 1024;
/// Bytes discarded by one read at most.
const DISCARD_SIZE: usize = 1024 * 1024;

/// One block of random bytes that every flow writes again and again: tunnels that compress gain nothing from it.
pub fn random_block() -> Arc<[u8]> {
    use rand::Rng as _;

    let mut block = vec![0_u8; WRITE_SIZE];
    rand::rng().fill_bytes(&mut block);
    block.into()
}

/// Opens or prepares a flow by `attempt`, with the congestion control that was asked for.
///
/// Where this user may not choose it the host's own is used, and the account tells which that was: a practitioner
/// without root rights still gets a result, marked.
pub fn with_congestion_control<T>(
    asked: &str,
    buffer_bytes: Option<u64>,
    attempt: impl Fn(&tcp::TcpOptions<'_>) -> io::Result<T>,
) -> io::Result<T> {
    let buffer = buffer_bytes.map(|bytes| usize::try_from(bytes).unwrap_or(usize::MAX));
    let options = tcp::TcpOptions {
        congestion_control: Some(asked),
        send_buffer: buffer,
        receive_buffer: buffer,
        nodelay: true,
    };
    match attempt(&options) {
        Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
            attempt(&tcp::TcpOptions { congestion_control: None, ..options })
        }
        outcome => outcome,
    }
}

/// What all flows of one direction share.
#[derive(Debug, Clone)]
pub struct BulkShare {
    /// The times of the run.
    pub timeline: Timeline,
    /// What stops the threads.
    pub switch: Arc<Switch>,
    /// The socket buffer that was asked for, bytes.
    pub buffer_bytes: Option<u64>,
}

/// Writes into all flows until the deadline, each at most its part of `budget`; then waits for acknowledgements.
pub async fn transmit(
    flows: Vec<TcpStream>,
    share: BulkShare,
    block: Arc<[u8]>,
    budget: Option<Bytes>,
) -> TransmitterReport {
    let budget_each = budget.map_or(u64::MAX, |budget| budget.get() / (flows.len() as u64).max(1));
    let threads: Vec<_> = flows
        .into_iter()
        .map(|flow| {
            let (share, block) = (share.clone(), Arc::clone(&block));
            on_thread("bulk-transmit", move || transmit_flow(&flow, &share, &block, budget_each))
        })
        .collect();
    let mut total = TransmitterReport {
        retransmitted_bytes: Some(0),
        buffer: BufferReport { asked_bytes: share.buffer_bytes, granted_bytes: Some(0) },
        ..TransmitterReport::default()
    };
    for thread in threads {
        match thread.await {
            Ok(flow) => add_flow(&mut total, flow),
            Err(fault) => total.fault = Some(fault.to_string()),
        }
    }
    total
}

/// Reads and discards from all flows, counting into `meter`, until each ends or the time is over.
pub async fn receive(flows: Vec<TcpStream>, share: BulkShare, meter: Arc<Meter>) -> ReceiverReport {
    let threads: Vec<_> = flows
        .into_iter()
        .map(|flow| {
            let (share, meter) = (share.clone(), Arc::clone(&meter));
            on_thread("bulk-receive", move || receive_flow(&flow, &share, &meter))
        })
        .collect();
    let mut granted = Some(0_u64);
    for thread in threads {
        let flow = thread.await.ok().flatten();
        granted = granted.zip(flow).map(|(sum, flow)| sum + flow);
    }
    ReceiverReport {
        bytes: meter.total(),
        buffer: BufferReport { asked_bytes: share.buffer_bytes, granted_bytes: granted },
        ..ReceiverReport::default()
    }
}

fn transmit_flow(
    flow: &TcpStream,
    share: &BulkShare,
    block: &[u8],
    budget: u64,
) -> TransmitterReport {
    let mut report = TransmitterReport::default();
    if let Err(error) = write_until_deadline(flow, share, block, budget, &mut report.bytes_written)
    {
        report.fault = Some(format!("writing failed: {error}"));
    }
    read_facts(flow, &mut report);
    let unacknowledged =
        if report.fault.is_none() { drain(flow, share) } else { unacknowledged(flow) };
    report.bytes = report.bytes_written.saturating_sub(unacknowledged);
    report
}

fn write_until_deadline(
    mut flow: &TcpStream,
    share: &BulkShare,
    block: &[u8],
    budget: u64,
    written: &mut u64,
) -> io::Result<()> {
    flow.set_write_timeout(Some(LOOK_UP_EVERY))?;
    let deadline = share.timeline.deadline_ns();
    while *written < budget && monotonic_ns() < deadline && !share.switch.is_stopped() {
        let left = usize::try_from(budget - *written).unwrap_or(usize::MAX);
        match flow.write(block.get(..left.min(block.len())).unwrap_or(block)) {
            Ok(length) => *written += length as u64,
            Err(error) if is_pause(&error) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

fn read_facts(flow: &TcpStream, report: &mut TransmitterReport) {
    report.congestion_control = tcp::congestion_control(flow).ok();
    report.buffer.granted_bytes =
        culvert_os::granted_buffers(flow).ok().map(|buffers| buffers.send as u64);
    if let Ok(info) = tcp::TcpInfo::read(flow) {
        report.segment_payload_bytes = Some(info.send_mss);
        report.timestamps = Some(info.timestamps);
        report.retransmitted_bytes = info.bytes_retransmitted;
    }
}

/// Ends the flow and waits until the receiver has read it all and closed, or the bound for draining is over.
///
/// Gives the payload bytes that were never acknowledged.
fn drain(mut flow: &TcpStream, share: &BulkShare) -> u64 {
    let bound = share.timeline.deadline_ns().max(monotonic_ns()).saturating_add(nanos(DRAIN));
    let ended =
        flow.shutdown(Shutdown::Write).and_then(|()| flow.set_read_timeout(Some(LOOK_UP_EVERY)));
    while ended.is_ok() && monotonic_ns() < bound && !share.switch.is_stopped() {
        match flow.read(&mut [0_u8; 64]) {
            Ok(0) => return 0,
            Ok(_) => {}
            Err(error) if is_pause(&error) => {}
            Err(_) => break,
        }
    }
    // The end of the stream itself takes a number that waits for its acknowledgement like a byte.
    let left = unacknowledged(flow).saturating_sub(1);
    // Whoever closes with data queued would keep the kernel sending it for minutes.
    let _ = tcp::reset_on_close(flow);
    left
}

fn unacknowledged(flow: &TcpStream) -> u64 {
    tcp::unsent_and_unacknowledged(flow).unwrap_or(0)
}

fn receive_flow(flow: &TcpStream, share: &BulkShare, meter: &Meter) -> Option<u64> {
    let granted = || culvert_os::granted_buffers(flow).ok().map(|buffers| buffers.receive as u64);
    flow.set_read_timeout(Some(LOOK_UP_EVERY)).ok()?;
    while !share.switch.is_stopped() {
        let read = tcp::discard(flow, DISCARD_SIZE);
        let now = monotonic_ns();
        match read {
            Ok(0) => return granted(),
            Ok(length) => meter.count(now, length as u64),
            Err(error) if is_pause(&error) => {}
            Err(_) => return granted(),
        }
        if now >= share.timeline.reading_ends_ns(meter.origin_ns()) {
            break;
        }
    }
    let after = granted();
    let _ = tcp::reset_on_close(flow);
    after
}

fn is_pause(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted
    )
}

fn add_flow(total: &mut TransmitterReport, flow: TransmitterReport) {
    let add = |sum: Option<u64>, more: Option<u64>| {
        sum.zip(more).map(|(sum, more)| sum.saturating_add(more))
    };
    total.bytes = total.bytes.saturating_add(flow.bytes);
    total.bytes_written = total.bytes_written.saturating_add(flow.bytes_written);
    total.retransmitted_bytes = add(total.retransmitted_bytes, flow.retransmitted_bytes);
    total.buffer.granted_bytes = add(total.buffer.granted_bytes, flow.buffer.granted_bytes);
    total.congestion_control = total.congestion_control.take().or(flow.congestion_control);
    total.segment_payload_bytes = total.segment_payload_bytes.or(flow.segment_payload_bytes);
    total.timestamps = total.timestamps.or(flow.timestamps);
    total.fault = total.fault.take().or(flow.fault);
}
