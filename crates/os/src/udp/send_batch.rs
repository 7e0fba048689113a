//! Many datagrams sent by one system call.

use std::{
    io,
    os::fd::{AsRawFd, BorrowedFd},
    ptr,
};

use libc::{iovec, mmsghdr};

use super::{
    SendOutcome, SendStop,
    control::{self, SegmentSize},
    errors,
    kinds::MOST_DATAGRAMS,
};

/// Datagrams to be sent, in buffers that keep their content from call to call.
///
/// Fill what never changes once; later fills only need to write what does.
pub struct SendBatch {
    payloads: Box<[u8]>,
    size: usize,
    slices: Box<[iovec]>,
    /// The same for datagrams that lie behind one another and leave as one.
    joined: Box<[iovec]>,
    headers: Box<[mmsghdr]>,
    segment_size: SegmentSize,
    segments: usize,
}

impl SendBatch {
    /// Room for `datagrams` (1 to 1024, the most one call takes) of at most `size` bytes (1 to 65,535) each, all zero.
    pub fn new(datagrams: usize, size: usize) -> Self {
        let datagrams = datagrams.clamp(1, MOST_DATAGRAMS);
        let size = size.clamp(1, usize::from(u16::MAX));
        Self {
            payloads: vec![0; datagrams * size].into_boxed_slice(),
            size,
            slices: empty_slices(datagrams),
            joined: empty_slices(datagrams),
            headers: empty_headers(datagrams),
            segment_size: control::segment_size(u16::try_from(size).unwrap_or(u16::MAX)),
            segments: MOST_SEGMENTS,
        }
    }

    /// The number of datagrams there is room for.
    pub fn capacity(&self) -> usize {
        self.slices.len()
    }

    /// Lets `write` fill datagram `index` and say its length; returns that length, cut to the buffer.
    ///
    /// `None`, and nothing is written, when there is no such datagram. Lengths are kept like contents.
    pub fn fill(&mut self, index: usize, write: impl FnOnce(&mut [u8]) -> usize) -> Option<usize> {
        let slice = self.slices.get_mut(index)?;
        let payload = self.payloads.chunks_exact_mut(self.size).nth(index)?;
        slice.iov_len = write(payload).min(payload.len());
        Some(slice.iov_len)
    }

    /// The datagrams, each as long as it was filled, for writing over what changes.
    pub fn contents(&mut self) -> impl Iterator<Item = &mut [u8]> {
        let lengths = self.slices.iter().map(|slice| slice.iov_len);
        let payloads = self.payloads.chunks_exact_mut(self.size);
        payloads.zip(lengths).map(|(payload, length)| payload.get_mut(..length).unwrap_or_default())
    }

    /// The most datagrams that may leave as segments of one: as many as the kernel is known to take, and no more bytes
    /// than one datagram holds.
    pub fn most_segments(&self) -> usize {
        (LARGEST_DATAGRAM / self.size).clamp(1, self.segments)
    }

    /// Sends the first `count` datagrams, by one call as far as the kernel takes them.
    pub(super) fn send(&mut self, socket: BorrowedFd<'_>, count: usize) -> SendOutcome {
        let count = count.min(self.capacity());
        self.arm(count);
        self.send_armed(socket, count)
    }

    /// Sends the first `count` datagrams as the segments of few large ones, each of the batch's size.
    pub(super) fn send_segments(&mut self, socket: BorrowedFd<'_>, count: usize) -> SendOutcome {
        let count = count.min(self.capacity());
        let outcome = self.send_segments_of(socket, count, self.most_segments());
        let refused = matches!(outcome.stopped, Some(SendStop::NotTaken(_))) && outcome.sent == 0;
        if refused && self.most_segments().min(count) > FIRST_SEGMENTS {
            self.segments = FIRST_SEGMENTS;
            return self.send_segments_of(socket, count, self.most_segments());
        }
        outcome
    }

    fn send_segments_of(
        &mut self,
        socket: BorrowedFd<'_>,
        count: usize,
        each: usize,
    ) -> SendOutcome {
        let messages = self.arm_segments(count, each);
        let outcome = self.send_armed(socket, messages);
        SendOutcome { sent: (outcome.sent * each).min(count), ..outcome }
    }

    /// Sends the first `count` datagrams by a call each.
    pub(super) fn send_singly(&mut self, socket: BorrowedFd<'_>, count: usize) -> SendOutcome {
        let count = count.min(self.capacity());
        self.arm(count);
        let mut sent = 0;
        while sent < count {
            let outcome = self.send_range(socket, sent, sent + 1);
            sent += outcome.sent;
            if outcome.stopped.is_some() {
                return SendOutcome { sent, ..outcome };
            }
        }
        SendOutcome { sent, stopped: None }
    }

    fn send_armed(&mut self, socket: BorrowedFd<'_>, messages: usize) -> SendOutcome {
        self.send_range(socket, 0, messages)
    }

    fn send_range(&mut self, socket: BorrowedFd<'_>, from: usize, to: usize) -> SendOutcome {
        let mut next = from;
        while let Some(rest) = self.headers.get_mut(next..to)
            && !rest.is_empty()
        {
            let asked = rest.len();
            let outcome = send_some(socket, rest);
            if !matches!(outcome, Ok(taken) if taken == asked) {
                errors::discard_queued(socket);
            }
            match outcome {
                Ok(taken) => next += taken,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    return SendOutcome { sent: next - from, stopped: Some(error.into()) };
                }
            }
        }
        SendOutcome { sent: next - from, stopped: None }
    }

    fn arm(&mut self, count: usize) {
        let payloads = self.payloads.chunks_exact_mut(self.size).take(count);
        for ((payload, slice), header) in payloads.zip(&mut self.slices).zip(&mut self.headers) {
            slice.iov_base = payload.as_mut_ptr().cast();
            header.msg_hdr.msg_iov = &raw mut *slice;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_control = ptr::null_mut();
            header.msg_hdr.msg_controllen = 0;
        }
    }

    /// Points each header at up to `each` datagrams, which lie behind one another; returns how many headers that takes.
    fn arm_segments(&mut self, count: usize, each: usize) -> usize {
        let bytes = self.payloads.get_mut(..count * self.size).unwrap_or_default();
        let groups = bytes.chunks_mut(each * self.size);
        let messages = groups.len();
        for ((group, slice), header) in groups.zip(&mut self.joined).zip(&mut self.headers) {
            slice.iov_base = group.as_mut_ptr().cast();
            slice.iov_len = group.len();
            header.msg_hdr.msg_iov = &raw mut *slice;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_control = self.segment_size.0.as_mut_ptr().cast();
            header.msg_hdr.msg_controllen = self.segment_size.0.len();
        }
        messages
    }
}

/// `UDP_MAX_SEGMENTS` since Linux 6.9, and before: a kernel that takes fewer says so (EINVAL).
const MOST_SEGMENTS: usize = 128;
const FIRST_SEGMENTS: usize = 64;
/// UDP payload of the largest datagram of either family: 65535 − 20 (IPv4, RFC 791) − 8 (UDP, RFC 768).
const LARGEST_DATAGRAM: usize = 65_507;

// One call: it says nothing of the error that stopped it once a datagram was taken; the next call meets it again, or
// finds it gone.
fn send_some(socket: BorrowedFd<'_>, headers: &mut [mmsghdr]) -> io::Result<usize> {
    let count = libc::c_uint::try_from(headers.len()).unwrap_or(libc::c_uint::MAX);
    #[expect(unsafe_code, reason = "the safe wrapper allocates its buffers' list per call")]
    // SAFETY: each of the `count` headers was pointed by `arm` or `arm_segments` at slices that describe live payloads,
    // and at the live control message or none, all owned by the batch that is borrowed for the whole call; the kernel writes to the headers alone.
    let taken = unsafe { libc::sendmmsg(socket.as_raw_fd(), headers.as_mut_ptr(), count, 0) };
    usize::try_from(taken).map_err(|_| io::Error::last_os_error())
}

pub(super) fn empty_slices(count: usize) -> Box<[iovec]> {
    vec![iovec { iov_base: ptr::null_mut(), iov_len: 0 }; count].into_boxed_slice()
}

pub(super) fn empty_headers(count: usize) -> Box<[mmsghdr]> {
    #[expect(unsafe_code, reason = "the structure has private padding on some systems")]
    // SAFETY: integers and nullable pointers only, for which zero is a valid value.
    let empty: mmsghdr = unsafe { std::mem::zeroed() };
    vec![empty; count].into_boxed_slice()
}

#[expect(unsafe_code, reason = "the raw pointers make the compiler refuse what is sound")]
// SAFETY: every pointer in `headers`, `slices` and `joined` points into boxes or a field that the same value owns, and they are set
// anew before each call that follows them; nothing is tied to a thread.
unsafe impl Send for SendBatch {}
