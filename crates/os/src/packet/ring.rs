//! Receiving: a ring of slots that the kernel fills and we empty.

use std::{
    io,
    os::fd::{AsFd as _, AsRawFd as _, OwnedFd},
    ptr::{self, NonNull},
    sync::atomic::{AtomicU32, Ordering},
    time::Duration,
};

use libc::{c_int, socklen_t, tpacket_req, tpacket_stats, tpacket2_hdr};
use nix::{
    poll::{PollFd, PollFlags, ppoll},
    sys::time::TimeSpec,
};

use crate::{clock, socket::get_words};

/// What an interface receives, in a ring of fixed slots.
///
/// The memory is not charged to the socket's buffer, so that an ordinary user can have as much of it as root.
#[derive(Debug)]
pub struct PacketRing {
    socket: OwnedFd,
    memory: Memory,
    slot_size: usize,
    slots: usize,
    next: usize,
    dropped: u64,
}

/// A frame in the ring.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Captured<'a> {
    /// The frame from its Ethernet header on, cut to the ring's slots.
    pub frame: &'a [u8],
    /// Whether it was longer.
    pub truncated: bool,
    /// When the kernel took it: nanoseconds since the epoch of the realtime clock.
    pub received_at_realtime_ns: i64,
}

impl PacketRing {
    /// Opens a ring of at least `slots` slots for frames of at most `longest` bytes that an interface of the calling
    /// thread's namespace receives; those it sends are not seen. Needs `CAP_NET_RAW` there.
    pub fn open(interface_index: u32, slots: usize, longest: usize) -> io::Result<Self> {
        let socket = super::open()?;
        // The kernel rejects packets without a checksum of their own only where it hands them to a socket; here they are
        // frames as they are.
        super::set(&socket, libc::PACKET_VERSION, TPACKET_V2)?;
        super::set(&socket, libc::PACKET_IGNORE_OUTGOING, 1)?;
        let slot_size = (HEADROOM + longest.clamp(64, MOST_FRAME)).next_power_of_two();
        let in_block = (BLOCK / slot_size).max(1);
        let blocks = slots.clamp(in_block, MOST_SLOTS).div_ceil(in_block);
        let request = Geometry { slot_size, slots: blocks * in_block, block: in_block * slot_size };
        request.ask(&socket)?;
        let memory = Memory::map(&socket, request.slots * slot_size)?;
        super::bind(&socket, interface_index, libc::ETH_P_ALL)?;
        Ok(Self { socket, memory, slot_size, slots: request.slots, next: 0, dropped: 0 })
    }

    /// Hands at most `most` waiting frames to `each`, oldest first, and returns how many there were.
    pub fn receive(&mut self, most: usize, mut each: impl FnMut(Captured<'_>)) -> usize {
        for taken in 0..most {
            let Some(slot) = self.memory.slot(self.next * self.slot_size, self.slot_size) else {
                return taken;
            };
            if slot.status().load(Ordering::Acquire) & libc::TP_STATUS_USER == 0 {
                return taken;
            }
            each(slot.captured());
            slot.status().store(libc::TP_STATUS_KERNEL, Ordering::Release);
            self.next = (self.next + 1) % self.slots;
        }
        most
    }

    /// Waits until a frame is there or `deadline_ns` of the monotonic clock has come.
    pub fn wait(&self, deadline_ns: u64) -> io::Result<()> {
        let left = Duration::from_nanos(deadline_ns.saturating_sub(clock::monotonic_ns()));
        let mut descriptors = [PollFd::new(self.socket.as_fd(), PollFlags::POLLIN)];
        match ppoll(&mut descriptors, Some(TimeSpec::from(left)), None) {
            Ok(_) | Err(nix::Error::EINTR) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// How many frames found no free slot since the ring was opened.
    pub fn dropped(&mut self) -> io::Result<u64> {
        // Packets and drops; reading sets both to zero.
        let mut counts = [0_u32; size_of::<tpacket_stats>() / 4];
        get_words(self.socket.as_fd(), libc::SOL_PACKET, libc::PACKET_STATISTICS, &mut counts)?;
        let [_, drops] = counts;
        self.dropped += u64::from(drops);
        Ok(self.dropped)
    }
}

// `TPACKET_V2` is an enumerator in the kernel's header.
const TPACKET_V2: c_int = libc::tpacket_versions::TPACKET_V2 as c_int;
/// What stands before the frame in a slot: the header with the sender's address, and the alignment of the IP packet
/// (`linux/if_packet.h`).
const HEADROOM: usize = libc::TPACKET2_HDRLEN + libc::TPACKET_ALIGNMENT * 2;
/// The kernel allocates the ring in contiguous pieces; short ones are always to be had.
const BLOCK: usize = 1 << 15;
const MOST_FRAME: usize = 65_535 + super::ETHERNET_HEADER;
const MOST_SLOTS: usize = 1 << 16;

struct Geometry {
    slot_size: usize,
    slots: usize,
    block: usize,
}

impl Geometry {
    fn ask(&self, socket: &OwnedFd) -> io::Result<()> {
        let number = |value: usize| {
            libc::c_uint::try_from(value).map_err(|_| io::Error::from(io::ErrorKind::InvalidInput))
        };
        let request = tpacket_req {
            tp_block_size: number(self.block)?,
            tp_block_nr: number(self.slots * self.slot_size / self.block)?,
            tp_frame_size: number(self.slot_size)?,
            tp_frame_nr: number(self.slots)?,
        };
        let length = socklen_t::try_from(size_of_val(&request))
            .map_err(|_| io::Error::from(io::ErrorKind::InvalidInput))?;
        #[expect(unsafe_code, reason = "the option's value is a structure that no dependency sets")]
        // SAFETY: the pointer and the length describe `request`, which outlives the call; the kernel only reads it.
        let outcome = unsafe {
            libc::setsockopt(
                socket.as_raw_fd(),
                libc::SOL_PACKET,
                libc::PACKET_RX_RING,
                (&raw const request).cast(),
                length,
            )
        };
        if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
    }
}

/// Memory shared with the kernel.
#[derive(Debug)]
struct Memory {
    start: NonNull<u8>,
    length: usize,
}

impl Memory {
    fn map(socket: &OwnedFd, length: usize) -> io::Result<Self> {
        let (access, kind) = (libc::PROT_READ | libc::PROT_WRITE, libc::MAP_SHARED);
        #[expect(unsafe_code, reason = "mapping memory is a raw system call")]
        // SAFETY: the kernel chooses the place, so no other memory is touched; the descriptor is open.
        let start =
            unsafe { libc::mmap(ptr::null_mut(), length, access, kind, socket.as_raw_fd(), 0) };
        if start == libc::MAP_FAILED {
            return Err(io::Error::last_os_error());
        }
        let start = NonNull::new(start.cast()).ok_or_else(|| io::Error::other("mapped at 0"))?;
        Ok(Self { start, length })
    }

    /// The slot of `size` bytes at `offset`; `None` beyond the end.
    fn slot(&self, offset: usize, size: usize) -> Option<Slot<'_>> {
        (offset.checked_add(size)? <= self.length).then(|| {
            #[expect(unsafe_code, reason = "the ring is addressed by offsets")]
            // SAFETY: the slot lies within the mapping.
            let start = unsafe { self.start.add(offset) };
            Slot { start, size, memory: self }
        })
    }
}

impl Drop for Memory {
    fn drop(&mut self) {
        #[expect(unsafe_code, reason = "unmapping memory is a raw system call")]
        // SAFETY: this is the mapping that `map` made, and slots borrow it, so none is left.
        unsafe {
            libc::munmap(self.start.as_ptr().cast(), self.length)
        };
    }
}

#[expect(unsafe_code, reason = "the raw pointer makes the compiler refuse what is sound")]
// SAFETY: the mapping belongs to the process and is reached through its owner alone; it is tied to no thread.
unsafe impl Send for Memory {}

/// A slot of the ring: a `tpacket2_hdr`, and a frame where that says.
struct Slot<'a> {
    start: NonNull<u8>,
    size: usize,
    memory: &'a Memory,
}

impl<'a> Slot<'a> {
    /// Who owns the slot. All else in it may only be read while that is us.
    fn status(&self) -> &'a AtomicU32 {
        let _: &'a Memory = self.memory;
        #[expect(unsafe_code, reason = "the kernel shares this word with us")]
        // SAFETY: slots begin on a page or a power of two within one, so the first word, `tp_status`, is aligned; both
        // sides treat it as atomic, and the mapping outlives `'a`.
        unsafe {
            AtomicU32::from_ptr(self.start.as_ptr().cast())
        }
    }

    /// What the kernel put in; to be called while the slot is ours.
    fn captured(&self) -> Captured<'a> {
        #[expect(unsafe_code, reason = "the kernel writes a structure")]
        // SAFETY: the slot is longer than the structure and aligned for it, every bit pattern of it is valid, and the
        // kernel does not write to a slot that is ours.
        let header = unsafe { self.start.cast::<tpacket2_hdr>().read() };
        let begin = usize::from(header.tp_mac).min(self.size);
        let length = (header.tp_snaplen as usize).min(self.size - begin);
        #[expect(unsafe_code, reason = "the frame lies where the header says")]
        // SAFETY: begin and length stay within the slot.
        let first = unsafe { self.start.add(begin) };
        #[expect(unsafe_code, reason = "the frame lies where the header says")]
        // SAFETY: as above; the bytes were written by the kernel, which leaves the slot alone until its status is given
        // back, after the borrow has ended.
        let frame = unsafe { std::slice::from_raw_parts(first.as_ptr(), length) };
        Captured {
            frame,
            truncated: header.tp_len > header.tp_snaplen,
            received_at_realtime_ns: i64::from(header.tp_sec) * 1_000_000_000
                + i64::from(header.tp_nsec),
        }
    }
}
