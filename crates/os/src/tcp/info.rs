//! The kernel's own account of a connection (`TCP_INFO`, tcp(7)).

use culvert_units::BitRate;

/// What the kernel knows of a connection; counts are since it was opened.
///
/// `None` where this kernel is too old to tell, or has not measured it yet. Sizes in bytes, times in microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TcpInfo {
    /// Whether both ends agreed on timestamps, which cost 12 bytes per segment (RFC 7323).
    pub timestamps: bool,
    /// The most payload a segment carries now, timestamps already taken off.
    pub send_mss: u32,
    /// The most payload the peer may send per segment: the MSS told to it (RFC 9293 3.7.1), less 12 with timestamps.
    pub advertised_mss: u32,
    /// The path's MTU as far as this host knows it.
    pub path_mtu: u32,
    /// The congestion window in segments.
    pub congestion_window: u32,
    /// How many segments may overtake another before it counts as lost.
    pub reordering: u32,
    /// Segments sent again.
    pub segments_retransmitted: u32,
    /// The smoothed round-trip time.
    pub rtt_us: Option<u32>,
    /// The least round-trip time of the last minutes.
    pub min_rtt_us: Option<u32>,
    /// Payload handed to the network, retransmissions included.
    pub bytes_sent: Option<u64>,
    /// Payload handed to the network again.
    pub bytes_retransmitted: Option<u64>,
    /// Sequence space that the peer acknowledged: payload, and one for a SYN or FIN of this end that it saw acknowledged.
    pub bytes_acknowledged: Option<u64>,
    /// Payload that arrived in order.
    pub bytes_received: Option<u64>,
    /// The newest rate at which data reached the peer.
    pub delivery_rate: Option<BitRate>,
    /// Time with data waiting to be acknowledged; like the next two it is counted in ticks of 1 to 10 ms.
    pub busy_time_us: Option<u64>,
    /// The part of the busy time in which the peer's window was the limit.
    pub receive_window_limited_us: Option<u64>,
    /// The part of the busy time in which this end's send buffer was the limit.
    pub send_buffer_limited_us: Option<u64>,
}

#[cfg(target_os = "linux")]
mod kernel;

#[cfg(not(target_os = "linux"))]
impl TcpInfo {
    /// Fails as unsupported: other systems are not asked.
    pub fn read(_socket: &impl crate::socket::AsSystem) -> std::io::Result<Self> {
        Err(std::io::ErrorKind::Unsupported.into())
    }
}
