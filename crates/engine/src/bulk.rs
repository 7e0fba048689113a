//! TCP data: one thread a flow, writing or discarding as fast as the path takes it.

use std::io::{self, Read as _, Write as _};
use std::net::{Shutdown, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

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
    /// The payload that all flows together may move.
    pub budget: Arc<Budget>,
}

/// What the flows of one direction may still move, together.
#[derive(Debug)]
pub struct Budget {
    most: u64,
    left: AtomicU64,
    refused: AtomicBool,
}

impl Budget {
    /// A budget of so many bytes; `None` is no bound.
    pub fn new(most: Option<Bytes>) -> Self {
        let most = most.map_or(u64::MAX, Bytes::get);
        Self { most, left: AtomicU64::new(most), refused: AtomicBool::new(false) }
    }

    /// Takes at most `wanted` bytes; gives what is left of them to take, 0 when it is spent.
    fn take(&self, wanted: u64) -> u64 {
        let taken = |left: u64| left.checked_sub(wanted.min(left));
        let before = self.left.fetch_update(Ordering::Relaxed, Ordering::Relaxed, taken);
        let taken = before.unwrap_or(0).min(wanted);
        if taken == 0 {
            self.refused.store(true, Ordering::Relaxed);
        }
        taken
    }

    fn give_back(&self, unused: u64) {
        self.left.fetch_add(unused, Ordering::Relaxed);
    }

    /// Whether nothing is left, or a flow had to end because of it: what others give back later is no use to that one.
    fn is_spent(&self) -> bool {
        self.left.load(Ordering::Relaxed) == 0 || self.refused.load(Ordering::Relaxed)
    }

    /// Whether a peer has sent more than it was allowed to.
    const fn is_exceeded_by(&self, received: u64) -> bool {
        received > self.most
    }
}

/// Writes into all flows until the receiver has had enough or the time is over; then waits for acknowledgements.
pub async fn transmit(
    flows: Vec<TcpStream>,
    share: BulkShare,
    block: Arc<[u8]>,
) -> TransmitterReport {
    let threads: Vec<_> = flows
        .into_iter()
        .map(|flow| {
            let (share, block) = (share.clone(), Arc::clone(&block));
            on_thread("bulk-transmit", move || transmit_flow(&flow, &share, &block))
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
    total.budget_spent = share.budget.is_spent();
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
        budget_exceeded: share.budget.is_exceeded_by(meter.total()),
        ..ReceiverReport::default()
    }
}

fn transmit_flow(flow: &TcpStream, share: &BulkShare, block: &[u8]) -> TransmitterReport {
    let mut report = TransmitterReport::default();
    if let Err(error) = write_until_enough(flow, share, block, &mut report.bytes_written) {
        report.fault = Some(format!("writing failed: {error}"));
    }
    read_facts(flow, &mut report);
    let unacknowledged =
        if report.fault.is_none() { drain(flow, share) } else { unacknowledged(flow) };
    report.bytes = report.bytes_written.saturating_sub(unacknowledged);
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

fn read_facts(flow: &TcpStream, report: &mut TransmitterReport) {
    report.congestion_control = tcp::congestion_control(flow).ok();
    report.buffer.granted_bytes =
        culvert_os::granted_buffers(flow).ok().map(|buffers| buffers.send as u64);
    if let Ok(info) = tcp::TcpInfo::read(flow) {
        report.segment_payload_bytes = Some(info.send_mss);
        report.timestamps = Some(info.timestamps);
    }
}

/// Ends the flow and waits until the receiver has read it all and closed, or the bound for draining is over.
///
/// Gives the payload bytes that were never acknowledged.
fn drain(mut flow: &TcpStream, share: &BulkShare) -> u64 {
    let bound = monotonic_ns().saturating_add(nanos(DRAIN));
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
        let over = now >= share.timeline.reading_ends_ns(meter.origin_ns());
        if over || share.budget.is_exceeded_by(meter.total()) {
            break;
        }
    }
    let after = granted();
    let _ = tcp::reset_on_close(flow);
    after
}

fn let_go(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_budget_is_shared_to_the_byte() {
        let budget = Budget::new(Some(Bytes::new(100)));
        assert_eq!((budget.take(60), budget.take(60)), (60, 40));
        assert!(budget.is_spent());
        assert!(!budget.is_exceeded_by(100) && budget.is_exceeded_by(101));
    }

    #[test]
    fn a_flow_that_was_refused_has_spent_the_budget_whatever_another_gives_back() {
        let budget = Budget::new(Some(Bytes::new(100)));
        assert_eq!(budget.take(100), 100);
        budget.give_back(100);
        assert!(!budget.is_spent());
        assert_eq!((budget.take(100), budget.take(1)), (100, 0));
        budget.give_back(100);
        assert!(budget.is_spent());
    }

    #[test]
    fn no_bound_is_never_spent() {
        let budget = Budget::new(None);
        assert_eq!(budget.take(1 << 40), 1 << 40);
        assert!(!budget.is_spent() && !budget.is_exceeded_by(u64::MAX));
    }

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
        };
        write_until_enough(&flow, &share, &random_block(), &mut 0)
    }

    #[test]
    fn a_receiver_may_let_go_after_its_time_and_not_before() {
        assert!(let_go_in(0).is_ok());
        assert!(let_go_in(60_000_000_000).is_err());
    }
}
