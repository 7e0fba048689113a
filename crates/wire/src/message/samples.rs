//! What a kernel says of a direction's TCP connections, again and again while data flows.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The version of [`TcpSamplesReport`]'s meaning.
pub const TCP_SAMPLES_VERSION: u32 = 1;

/// What one end's kernel said of the TCP connections of one direction, read at its own times; all flows together.
///
/// Every list has one entry for each time. `null` where the kernel does not tell, or has not measured it yet; counts
/// begin with the connections, and so hold the few bytes that went before the data. Only the transmitter of the data
/// has anything in flight: at its receiver what concerns sending stays where it was.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "TcpSamples")]
pub struct TcpSamplesReport {
    /// The version of this block's meaning, 1.
    pub version: u32,
    /// When the connections were read, milliseconds since this end let data flow.
    pub at_ms: Vec<u32>,
    /// The smoothed round-trip time, the mean of the flows, microseconds.
    pub rtt_us: Vec<Option<u64>>,
    /// The least round-trip time of the last minutes, of all flows, microseconds.
    pub min_rtt_us: Vec<Option<u64>>,
    /// Payload sent again so far, bytes.
    pub retransmitted_bytes: Vec<Option<u64>>,
    /// The newest rate at which data reached the peer, the sum of the flows, bit/s.
    pub delivery_rate_bps: Vec<Option<u64>>,
    /// The congestion windows, segments times segment payload, the sum of the flows, bytes.
    pub congestion_window_bytes: Vec<Option<u64>>,
    /// Time so far with data waiting to be acknowledged, the sum of the flows, microseconds.
    pub busy_us: Vec<Option<u64>>,
    /// The part of it in which the peer's window was the limit, microseconds.
    pub receive_window_limited_us: Vec<Option<u64>>,
    /// The part of it in which the transmitter's send buffer was the limit, microseconds.
    pub send_buffer_limited_us: Vec<Option<u64>>,
}

impl TcpSamplesReport {
    /// The most samples one account may hold: 256 of the longest numbers fit a control message.
    pub const MOST: usize = 256;

    /// A block without samples.
    pub fn new() -> Self {
        Self { version: TCP_SAMPLES_VERSION, ..Self::default() }
    }

    /// How many samples there are.
    pub fn len(&self) -> usize {
        self.at_ms.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.at_ms.is_empty()
    }

    /// Whether every list is as long as the times, these rise, and there are no more than may be.
    pub fn is_consistent(&self) -> bool {
        let columns = [
            &self.rtt_us,
            &self.min_rtt_us,
            &self.retransmitted_bytes,
            &self.delivery_rate_bps,
            &self.congestion_window_bytes,
            &self.busy_us,
            &self.receive_window_limited_us,
            &self.send_buffer_limited_us,
        ];
        self.version == TCP_SAMPLES_VERSION
            && self.len() <= Self::MOST
            && columns.into_iter().all(|column| column.len() == self.len())
            && self.at_ms.is_sorted_by(|earlier, later| earlier < later)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        frame,
        message::{FromFar, Way},
    };

    #[test]
    fn the_longest_account_fits_a_message() {
        let longest = vec![Some(u64::MAX); TcpSamplesReport::MOST];
        let most = u32::try_from(TcpSamplesReport::MOST).expect("a small number");
        let samples = TcpSamplesReport {
            version: TCP_SAMPLES_VERSION,
            at_ms: (u32::MAX - most..u32::MAX).collect(),
            rtt_us: longest.clone(),
            min_rtt_us: longest.clone(),
            retransmitted_bytes: longest.clone(),
            delivery_rate_bps: longest.clone(),
            congestion_window_bytes: longest.clone(),
            busy_us: longest.clone(),
            receive_window_limited_us: longest.clone(),
            send_buffer_limited_us: longest,
        };
        assert!(samples.is_consistent());
        assert!(frame::encode(&FromFar::TcpSamples { way: Way::Near, samples }).is_ok());
    }

    #[test]
    fn lists_that_do_not_belong_together_are_told() {
        let none = TcpSamplesReport::new();
        assert!(none.is_consistent() && none.is_empty());
        assert!(!TcpSamplesReport { at_ms: vec![1], ..none.clone() }.is_consistent());
        assert!(!TcpSamplesReport { busy_us: vec![None], ..none.clone() }.is_consistent());
        assert!(!TcpSamplesReport { version: 2, ..none }.is_consistent());
    }
}
