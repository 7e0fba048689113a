//! Sending: many frames by one system call.

use std::{
    io::{self, IoSlice},
    os::fd::{AsRawFd as _, OwnedFd},
};

use libc::mmsghdr;

use crate::socket::uninterrupted;

/// Sends frames out of one interface.
#[derive(Debug)]
pub struct PacketSender {
    socket: OwnedFd,
    headers: Box<[mmsghdr]>,
}

/// What became of a call.
#[derive(Debug)]
#[must_use]
pub struct Frames {
    /// How many frames the interface took, counted from the first.
    pub sent: usize,
    /// Why it did not take the next one; `None` when it took all that one call takes.
    pub stopped: Option<io::Error>,
}

impl PacketSender {
    /// The most frames one call takes.
    pub const MOST: usize = 64;

    /// Opens a socket that sends out of an interface of the calling thread's namespace. Needs `CAP_NET_RAW` there.
    pub fn open(interface_index: u32) -> io::Result<Self> {
        let socket = super::open()?;
        super::set(&socket, libc::PACKET_QDISC_BYPASS, 1)?;
        super::bind(&socket, interface_index, 0)?;
        #[expect(unsafe_code, reason = "the structure has private padding on some systems")]
        // SAFETY: integers and nullable pointers only, for which zero is a valid value.
        let empty: mmsghdr = unsafe { std::mem::zeroed() };
        Ok(Self { socket, headers: vec![empty; Self::MOST].into_boxed_slice() })
    }

    /// Sends the first of `frames`, at most [`MOST`](Self::MOST), each from its Ethernet header on.
    pub fn send(&mut self, frames: &[IoSlice<'_>]) -> Frames {
        let mut count = 0;
        for (header, frame) in self.headers.iter_mut().zip(frames) {
            // An `IoSlice` is a C `iovec` in memory, by its documentation.
            header.msg_hdr.msg_iov = std::ptr::from_ref(frame).cast_mut().cast();
            header.msg_hdr.msg_iovlen = 1;
            count += 1;
        }
        let sent = uninterrupted(|| {
            #[expect(unsafe_code, reason = "the safe wrapper allocates a list per call")]
            // SAFETY: the first `count` headers were just pointed at slices that are borrowed for the whole call; the
            // kernel reads frames and writes to the headers alone.
            let taken = unsafe {
                libc::sendmmsg(self.socket.as_raw_fd(), self.headers.as_mut_ptr(), count, 0)
            };
            usize::try_from(taken).map_err(|_| io::Error::last_os_error())
        });
        match sent {
            Ok(sent) => Frames { sent, stopped: None },
            Err(error) => Frames { sent: 0, stopped: Some(error) },
        }
    }
}

#[expect(unsafe_code, reason = "the raw pointers make the compiler refuse what is sound")]
// SAFETY: the pointers in `headers` are set anew before each call that follows them and followed at no other time.
unsafe impl Send for PacketSender {}
