//! How datagrams are taken from the system: joined, in batches, or one by one.

use culvert_os::udp::{FlowSocket, LARGEST_COALESCED, ReceiveBatch, Received};
use culvert_session::grant::Session;
use culvert_wire::datagram::MAX_SIGNAL;
use culvert_wire::message::{Handover, HandoverReport};

/// Datagrams taken by one system call at most.
const BATCH: usize = 64;
/// Joined ones that are taken by one call at most, each up to 64 KiB: more would leave the processor's caches.
const JOINED_BATCH: usize = 8;

/// Room for what arrives, and the way it is taken.
pub(super) struct Inbox {
    batch: ReceiveBatch,
    by: Handover,
    most_together: usize,
}

impl Inbox {
    /// Datagrams that leave in bursts may arrive joined: one receive time then stands for several, and only the first is
    /// timed. Where every datagram has a time of its own, none are joined.
    pub(super) fn new(session: &Session, payload_bytes: u16, socket: &FlowSocket) -> Self {
        let in_bursts = session.pace_bps().is_none() || session.burst() > 1;
        let by = match session.handover() {
            Handover::Single => Handover::Single,
            Handover::Segmented => Handover::Segmented,
            Handover::Auto if in_bursts => Handover::Segmented,
            Handover::Auto | Handover::Batched => Handover::Batched,
        };
        let joins = by == Handover::Segmented && socket.set_coalescing(true).is_ok();
        let by = if by == Handover::Segmented && !joins { Handover::Batched } else { by };
        // Signals come between the data, and are longer than the smallest of it.
        let alone = usize::from(payload_bytes).max(MAX_SIGNAL);
        let batch = match by {
            Handover::Segmented => ReceiveBatch::new(JOINED_BATCH, LARGEST_COALESCED),
            Handover::Batched | Handover::Auto => ReceiveBatch::new(BATCH, alone),
            Handover::Single => ReceiveBatch::new(1, alone),
        };
        Self { batch, by, most_together: 0 }
    }

    /// The flow goes on at another socket.
    pub(super) fn moved_to(&self, socket: &FlowSocket) {
        if self.by == Handover::Segmented {
            // The kernel of this host has agreed to it before.
            let _ = socket.set_coalescing(true);
        }
    }

    /// Waits for datagrams, for as long as the socket's timeout; 0 when none came.
    pub(super) fn receive(&mut self, socket: &FlowSocket) -> usize {
        // An ICMP error tells of something this end sent, perhaps forged; it says nothing of what may arrive.
        let count = socket.receive_batch(&mut self.batch).unwrap_or(0);
        self.most_together = self.most_together.max(count);
        count
    }

    /// What was received last.
    pub(super) fn datagrams(&self) -> impl Iterator<Item = Received<'_>> {
        self.batch.datagrams()
    }

    /// How it went, when so many arrived joined to one before them.
    pub(super) fn report(&self, joined: u64) -> HandoverReport {
        let in_use = self.by == Handover::Segmented && joined == 0;
        HandoverReport {
            began: self.by,
            // Nothing was ever joined: what the calls took were single datagrams.
            ended: if in_use { Handover::Batched } else { self.by },
            most_together: u32::try_from(self.most_together).unwrap_or(u32::MAX),
            joined: Some(joined),
            ..HandoverReport::default()
        }
    }
}
