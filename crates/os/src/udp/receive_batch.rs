//! Many datagrams received by one system call.

use std::{io, os::fd::AsRawFd, os::fd::BorrowedFd, ptr};

use libc::{iovec, mmsghdr};

use super::{
    Received,
    control::{self, ControlBuffer},
    kinds::MOST_DATAGRAMS,
};

/// Room for a number of datagrams, reused from call to call.
pub struct ReceiveBatch {
    payloads: Box<[u8]>,
    size: usize,
    controls: Box<[ControlBuffer]>,
    slices: Box<[iovec]>,
    headers: Box<[mmsghdr]>,
    received: usize,
    dropped: Option<u32>,
}

impl ReceiveBatch {
    /// Room for `datagrams` (1 to 1024, the most one call takes) of at most `size` bytes (1 to 65,535) each.
    pub fn new(datagrams: usize, size: usize) -> Self {
        let datagrams = datagrams.clamp(1, MOST_DATAGRAMS);
        let size = size.clamp(1, usize::from(u16::MAX));
        Self {
            payloads: vec![0; datagrams * size].into_boxed_slice(),
            size,
            controls: vec![ControlBuffer([0; control::CAPACITY]); datagrams].into_boxed_slice(),
            slices: super::send_batch::empty_slices(datagrams),
            headers: super::send_batch::empty_headers(datagrams),
            received: 0,
            dropped: None,
        }
    }

    /// The datagrams of the last receive, in the order the kernel queued them; coalesced ones are taken apart.
    pub fn datagrams(&self) -> impl Iterator<Item = Received<'_>> {
        let filled = self.headers.iter().take(self.received);
        let buffers = self.payloads.chunks_exact(self.size).zip(&self.controls);
        filled.zip(buffers).flat_map(|(header, (payload, control))| {
            let payload = payload.get(..header.msg_len as usize).unwrap_or(payload);
            let control = filled_control(header, control);
            let received_at_realtime_ns = control::received_at(control);
            let drops_before = control::dropped(control).unwrap_or(0);
            let truncated = header.msg_hdr.msg_flags & libc::MSG_TRUNC != 0;
            // An empty datagram is one, too, but `chunks` has nothing to give for it.
            let size = control::coalesced_size(control).unwrap_or(payload.len()).max(1);
            let empty = payload.is_empty().then_some(payload);
            payload.chunks(size).chain(empty).enumerate().map(move |(index, payload)| Received {
                payload,
                received_at_realtime_ns,
                truncated,
                follows: index > 0,
                drops_before,
            })
        })
    }

    /// How many datagrams the socket had dropped since it was opened when the newest received one was queued.
    ///
    /// The count is the kernel's (`SO_RXQ_OVFL`) and wraps at 2^32; `None` until a datagram was received.
    /// Drops after the newest datagram are not in it: [`FlowSocket::dropped`](super::FlowSocket::dropped) has them.
    pub fn dropped(&self) -> Option<u32> {
        self.dropped
    }

    /// Receives what is queued, waiting for the first datagram only.
    pub(super) fn receive(&mut self, socket: BorrowedFd<'_>) -> io::Result<usize> {
        self.received = 0;
        self.arm();
        let capacity = libc::c_uint::try_from(self.headers.len()).unwrap_or(libc::c_uint::MAX);
        #[expect(unsafe_code, reason = "the safe wrapper allocates its buffers' list per call")]
        // SAFETY: `arm` has just pointed each of the `capacity` headers at a slice, a payload and a control buffer that
        // `self` owns and that nothing else touches during the call.
        let count = unsafe {
            libc::recvmmsg(
                socket.as_raw_fd(),
                self.headers.as_mut_ptr(),
                capacity,
                libc::MSG_WAITFORONE,
                ptr::null_mut(),
            )
        };
        self.received = usize::try_from(count).map_err(|_| io::Error::last_os_error())?;
        self.note_drops();
        Ok(self.received)
    }

    // The kernel overwrites lengths and flags at each call.
    fn arm(&mut self) {
        let payloads = self.payloads.chunks_exact_mut(self.size);
        let buffers = payloads.zip(&mut self.controls).zip(&mut self.slices);
        for (((payload, control), slice), header) in buffers.zip(&mut self.headers) {
            slice.iov_base = payload.as_mut_ptr().cast();
            slice.iov_len = payload.len();
            header.msg_len = 0;
            header.msg_hdr.msg_flags = 0;
            header.msg_hdr.msg_iov = &raw mut *slice;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_control = control.0.as_mut_ptr().cast();
            header.msg_hdr.msg_controllen = control.0.len();
        }
    }

    fn note_drops(&mut self) {
        let Some(newest) = self.received.checked_sub(1) else { return };
        if let Some((header, control)) = self.headers.iter().zip(&self.controls).nth(newest) {
            self.dropped = Some(control::dropped(filled_control(header, control)).unwrap_or(0));
        }
    }
}

fn filled_control<'a>(header: &mmsghdr, control: &'a ControlBuffer) -> &'a [u8] {
    control.0.get(..header.msg_hdr.msg_controllen).unwrap_or_default()
}

#[expect(unsafe_code, reason = "the raw pointers make the compiler refuse what is sound")]
// SAFETY: every pointer in `headers` and `slices` points into boxes that the same value owns, and they are set anew
// before each call that follows them; nothing is tied to a thread.
unsafe impl Send for ReceiveBatch {}
