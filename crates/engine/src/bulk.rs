//! TCP data: one thread a flow, writing or discarding as fast as the path takes it.

mod budget;
mod receive;
mod samples;
mod transmit;

use std::io;
use std::net::TcpStream;
use std::sync::Arc;
use std::time::Duration;

use culvert_os::tcp;
use culvert_wire::message::{
    BufferReport, Load, ReceiverReport, SessionRequest, TransmitterReport, Way,
};

pub use budget::Budget;
pub use samples::{Samples, sample_every};

use crate::meter::Meter;
use crate::thread::{Pins, on_pinned_thread};
use crate::timeline::{Switch, Timeline};
use receive::receive_flow;
use samples::Sampler;
use transmit::transmit_flow;

/// Bytes handed to the kernel by one write: large enough that the call costs nothing beside the copy, and small enough
/// to stay in a processor's cache. Sending pages without copying them was slower over loopback, by either call for it.
const WRITE_SIZE: usize = 256 * 1024;

/// One block of random bytes that every flow writes again and again: tunnels that compress gain nothing from it.
pub fn random_block() -> Arc<[u8]> {
    use rand::Rng as _;

    let mut block = vec![0_u8; WRITE_SIZE];
    rand::rng().fill_bytes(&mut block);
    block.into()
}

/// Opens or prepares a flow by `attempt`, with all that `request` asks of TCP.
///
/// Where this user may not choose the congestion control the host's own is used, and the account tells which that was:
/// a practitioner without root rights still gets a result, marked.
pub fn as_asked<T>(
    request: &SessionRequest,
    attempt: impl Fn(&tcp::TcpOptions<'_>) -> io::Result<T>,
) -> io::Result<T> {
    let buffer = request.buffer_bytes.map(|bytes| usize::try_from(bytes).unwrap_or(usize::MAX));
    let (congestion_control, segment_bytes, dscp) = match &request.load {
        Load::Bulk { congestion_control, mss_bytes, dscp, .. } => {
            (Some(congestion_control.as_str()), *mss_bytes, *dscp)
        }
        Load::Paced { .. } | Load::Sounding {} | Load::Capacity { .. } => (None, None, None),
    };
    let options = tcp::TcpOptions {
        congestion_control,
        segment_bytes,
        dscp,
        send_buffer: buffer,
        receive_buffer: buffer,
        nodelay: true,
    };
    match attempt(&options) {
        Err(error) if is_not_ours_to_choose(&error) => {
            attempt(&tcp::TcpOptions { congestion_control: None, ..options })
        }
        outcome => outcome,
    }
}

/// This user may not choose it, or this system does not let anybody.
fn is_not_ours_to_choose(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::PermissionDenied | io::ErrorKind::Unsupported)
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
    /// The cores its threads are kept on.
    pub pins: Pins,
    /// How often the kernel is asked what it knows of the flows.
    pub sample_every: Duration,
}

impl BulkShare {
    /// Whether one flow's buffer is smaller than what was asked for.
    fn is_capped(&self, granted_bytes: Option<u64>) -> bool {
        let both = self.buffer_bytes.zip(granted_bytes);
        both.is_some_and(|(asked, granted)| culvert_os::is_capped(asked, granted, 1))
    }
}

/// Where a direction's samples go.
#[derive(Debug, Clone)]
pub struct SampleSink {
    /// The way the data goes.
    pub way: Way,
    /// The session's samples at this end.
    pub samples: Arc<Samples>,
}

/// Writes into all flows until the receiver has had enough or the time is over; then waits for acknowledgements.
pub async fn transmit(
    flows: Vec<TcpStream>,
    share: BulkShare,
    block: Arc<[u8]>,
    sink: SampleSink,
) -> TransmitterReport {
    let flows: Vec<_> = flows.into_iter().map(Arc::new).collect();
    let sampler = Sampler::new(&flows, share.timeline.start_ns, share.sample_every);
    let start = |(index, flow): (usize, Arc<TcpStream>)| {
        let (share, block) = (share.clone(), Arc::clone(&block));
        let core = share.pins.core(index);
        on_pinned_thread("bulk-transmit", core, move || transmit_flow(&flow, &share, &block))
    };
    let threads: Vec<_> = flows.into_iter().enumerate().map(start).collect();
    let joined = async {
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
    };
    let (mut total, samples) = sampler.beside(joined).await;
    sink.samples.keep(sink.way, samples);
    total.budget_spent = share.budget.is_spent();
    total
}

/// Reads and discards from all flows, counting into `meter`, until each ends or the time is over.
pub async fn receive(
    flows: Vec<TcpStream>,
    share: BulkShare,
    meter: Arc<Meter>,
    sink: SampleSink,
) -> ReceiverReport {
    let flows: Vec<_> = flows.into_iter().map(Arc::new).collect();
    let sampler = Sampler::new(&flows, share.timeline.start_ns, share.sample_every);
    let start = |(index, flow): (usize, Arc<TcpStream>)| {
        let (share, meter) = (share.clone(), Arc::clone(&meter));
        let core = share.pins.core(index);
        on_pinned_thread("bulk-receive", core, move || receive_flow(&flow, &share, &meter))
    };
    let threads: Vec<_> = flows.into_iter().enumerate().map(start).collect();
    let joined = async {
        let mut received = Vec::new();
        for thread in threads {
            received.push(thread.await.ok().flatten());
        }
        received
    };
    let (received, samples) = sampler.beside(joined).await;
    sink.samples.keep(sink.way, samples);
    let granted = |flow: &Option<receive::Received>| flow.and_then(|flow| flow.granted_bytes);
    let in_kernel: Option<Vec<bool>> =
        received.iter().map(|flow| flow.map(|flow| flow.discarded_in_kernel)).collect();
    ReceiverReport {
        bytes: meter.total(),
        buffer: BufferReport {
            asked_bytes: share.buffer_bytes,
            granted_bytes: received.iter().map(granted).sum(),
        },
        buffer_capped: received.iter().any(|flow| share.is_capped(granted(flow))),
        discarded_in_kernel: in_kernel.map(|flows| flows.into_iter().all(|flow| flow)),
        budget_exceeded: share.budget.is_exceeded_by(meter.total()),
        ..ReceiverReport::default()
    }
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
    total.acknowledged_unknown |= flow.acknowledged_unknown;
    total.bytes_written = total.bytes_written.saturating_add(flow.bytes_written);
    total.retransmitted_bytes = add(total.retransmitted_bytes, flow.retransmitted_bytes);
    total.buffer.granted_bytes = add(total.buffer.granted_bytes, flow.buffer.granted_bytes);
    total.congestion_control = total.congestion_control.take().or(flow.congestion_control);
    total.segment_payload_bytes = total.segment_payload_bytes.or(flow.segment_payload_bytes);
    total.timestamps = total.timestamps.or(flow.timestamps);
    total.buffer_capped |= flow.buffer_capped;
    total.dscp = total.dscp.or(flow.dscp);
    total.fault = total.fault.take().or(flow.fault);
}
