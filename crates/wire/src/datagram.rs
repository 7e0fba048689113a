//! Datagrams: a header of 32 bytes that is tagged, then random payload or a short tagged body.
//!
//! Big-endian throughout: kind u8, stream u8, length u16, session u32, sequence u64, `sent_ns` u64, tag u64. The tag is
//! SipHash-2-4 (Aumasson, Bernstein 2012) under the key of the flow and direction, over the first 24 bytes; kinds
//! other than data are tagged whole: over the first 24 bytes followed by the body. A tag admits a datagram; it hides
//! nothing, and the payload of a data datagram is not covered. Start with [`DatagramHeader`]; [`Signal`] is every
//! datagram that is no data.

use siphasher::sip::SipHasher24;

use crate::Secret;

mod signal;

pub use signal::{MAX_SIGNAL, Signal, SignalBody, Status};

/// Length of the header in bytes.
pub const HEADER_LEN: usize = 32;
/// The smallest UDP payload in bytes: a header alone.
pub const MIN_PAYLOAD: usize = HEADER_LEN;
/// The largest UDP payload in bytes that both address families carry: 65535 − 20 (IPv4, RFC 791) − 8 (UDP, RFC 768).
pub const MAX_PAYLOAD: usize = 65_507;

const TAGGED_LEN: usize = 24;

/// What a datagram is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum DatagramKind {
    /// Counted datagrams of a paced stream; random payload follows.
    Data = 1,
    /// Asks to be challenged, and opens a NAT's mapping.
    Open = 2,
    /// Carries a nonce to the address that asked.
    Challenge = 3,
    /// Brings the nonce back and so proves the address.
    Echo = 4,
    /// Asks for a reply at once, to measure the round trip.
    Probe = 5,
    /// Answers a probe.
    ProbeReply = 6,
    /// Keeps a NAT's mapping open.
    Keepalive = 7,
    /// A datagram of a chosen length that may not be fragmented, to find out whether its size passes.
    Sized = 8,
    /// Says that a sized one arrived.
    SizedSeen = 9,
    /// Asks for a sized one.
    WantSized = 10,
    /// Says that a sized one that was asked for is larger than what leaves that end or passes a router behind it.
    SizedTooBig = 11,
    /// Tells the transmitter of a capacity session what has arrived.
    Status = 12,
}

impl DatagramKind {
    /// The exact length of a datagram of this kind in bytes, header included; `None` for data and sized ones.
    ///
    /// No answer is longer than what asked for it: 64 bytes ask for 40, and a probe is padded to its reply's 56. Two go to
    /// proven addresses only: what is sent for a [`Self::WantSized`], within a session's budget, and a [`Self::Status`],
    /// which answers data.
    pub const fn fixed_len(self) -> Option<usize> {
        match self {
            Self::Data | Self::Sized => None,
            Self::Open => Some(64),
            Self::Challenge | Self::Echo | Self::WantSized | Self::SizedTooBig => {
                Some(HEADER_LEN + 8)
            }
            Self::Probe | Self::ProbeReply => Some(HEADER_LEN + 24),
            Self::Keepalive | Self::SizedSeen => Some(HEADER_LEN),
            Self::Status => Some(HEADER_LEN + 56),
        }
    }

    const fn from_byte(byte: u8) -> Option<Self> {
        Some(match byte {
            1 => Self::Data,
            2 => Self::Open,
            3 => Self::Challenge,
            4 => Self::Echo,
            5 => Self::Probe,
            6 => Self::ProbeReply,
            7 => Self::Keepalive,
            8 => Self::Sized,
            9 => Self::SizedSeen,
            10 => Self::WantSized,
            11 => Self::SizedTooBig,
            12 => Self::Status,
            _ => return None,
        })
    }
}

/// The key of one flow's tags in one direction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DatagramKey(Secret<16>);

impl DatagramKey {
    /// Takes the 16 bytes over.
    pub const fn new(key: Secret<16>) -> Self {
        Self(key)
    }

    /// The key made ready for the tags of a batch. It is not overwritten when dropped: hold it no longer than that.
    #[inline]
    pub fn tagger(&self) -> Tagger {
        Tagger(SipHasher24::new_with_key(self.0.expose()))
    }
}

/// A key made ready for many tags.
#[derive(Clone, Copy)]
pub struct Tagger(SipHasher24);

impl Tagger {
    #[expect(
        clippy::inline_always,
        reason = "the hash of a length that the compiler knows costs a quarter less"
    )]
    #[inline(always)]
    fn tag(&self, kind: DatagramKind, tagged: &[u8], body: &[u8]) -> u64 {
        // At once where it can be: that is half the cost, and data has it for every datagram.
        if kind == DatagramKind::Data { self.0.hash(tagged) } else { self.tag_whole(tagged, body) }
    }

    fn tag_whole(&self, tagged: &[u8], body: &[u8]) -> u64 {
        use std::hash::Hasher;

        let mut hasher = self.0;
        hasher.write(tagged);
        hasher.write(body);
        hasher.finish()
    }
}

impl std::fmt::Debug for Tagger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Tagger(hidden)")
    }
}

/// The header of a datagram, without its tag.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DatagramHeader {
    /// What the datagram is for.
    pub kind: DatagramKind,
    /// Which of the session's streams it belongs to.
    pub stream: u8,
    /// Length of the whole UDP payload in bytes, header included.
    pub length: u16,
    /// Number of the session.
    pub session: u32,
    /// Number within the stream, counted from 0.
    pub sequence: u64,
    /// When it was sent, in nanoseconds of the transmitter's monotonic clock since a zero of its own.
    pub sent_ns: u64,
}

impl DatagramHeader {
    /// Writes the header and its tag over the first 32 bytes of `datagram`, which is the whole UDP payload.
    ///
    /// The body of a kind other than data must be in place: it is tagged.
    pub fn emit(&self, key: &DatagramKey, datagram: &mut [u8]) -> Result<(), DatagramError> {
        self.emit_run(key, std::iter::once(datagram))
    }

    /// As [`emit`](Self::emit) for each of `datagrams`, which are numbered from this header's number on and have all else
    /// in common.
    #[inline]
    pub fn emit_run<'a>(
        &self,
        key: &DatagramKey,
        datagrams: impl Iterator<Item = &'a mut [u8]>,
    ) -> Result<(), DatagramError> {
        let tagger = key.tagger();
        // One word, not eight bytes: the tag reads it as one at once, and would have to wait for bytes to come together.
        let first = (u64::from(self.kind as u8) << 56)
            | (u64::from(self.stream) << 48)
            | (u64::from(self.length) << 32)
            | u64::from(self.session);
        for (sequence, datagram) in (self.sequence..).zip(datagrams) {
            let got = datagram.len();
            self.check_length(got)?;
            let (header, body) = datagram
                .split_first_chunk_mut::<HEADER_LEN>()
                .ok_or(DatagramError::Truncated { got })?;
            let words = [first, sequence, self.sent_ns].map(u64::to_be_bytes);
            let mut tagged = [0; TAGGED_LEN];
            for (bytes, word) in tagged.as_chunks_mut::<8>().0.iter_mut().zip(words) {
                *bytes = word;
            }
            let tag = tagger.tag(self.kind, &tagged, body).to_be_bytes();
            for (bytes, word) in
                header.as_chunks_mut::<8>().0.iter_mut().zip(words.iter().chain([&tag]))
            {
                *bytes = *word;
            }
        }
        Ok(())
    }

    /// Reads the header of `datagram`, which is the whole UDP payload, and checks kind, length and tag.
    ///
    /// Only `Ok` is authenticated: an error says nothing about who sent the bytes.
    pub fn parse(datagram: &[u8], key: &DatagramKey) -> Result<Self, DatagramError> {
        Self::parse_by(datagram, &key.tagger())
    }

    /// As [`parse`](Self::parse), by a key that is ready.
    #[expect(
        clippy::inline_always,
        reason = "a header handed over in memory costs as much as half its tag"
    )]
    #[inline(always)]
    pub fn parse_by(datagram: &[u8], tagger: &Tagger) -> Result<Self, DatagramError> {
        let truncated = DatagramError::Truncated { got: datagram.len() };
        let tagged = datagram.first_chunk::<TAGGED_LEN>().ok_or(truncated)?;
        let (header, body) = datagram.split_first_chunk::<HEADER_LEN>().ok_or(truncated)?;
        let ([first, sequence, sent_ns, tag], _) = header.as_chunks::<8>() else {
            return Err(truncated);
        };
        let [kind, stream, l0, l1, s0, s1, s2, s3] = *first;
        let header = Self {
            kind: DatagramKind::from_byte(kind).ok_or(DatagramError::Kind { kind })?,
            stream,
            length: u16::from_be_bytes([l0, l1]),
            session: u32::from_be_bytes([s0, s1, s2, s3]),
            sequence: u64::from_be_bytes(*sequence),
            sent_ns: u64::from_be_bytes(*sent_ns),
        };
        header.check_length(datagram.len())?;
        if tagger.tag(header.kind, tagged, body) != u64::from_be_bytes(*tag) {
            return Err(DatagramError::Tag);
        }
        Ok(header)
    }

    fn check_length(&self, got: usize) -> Result<(), DatagramError> {
        if got < HEADER_LEN {
            return Err(DatagramError::Truncated { got });
        }
        let expected = self.kind.fixed_len().unwrap_or_else(|| self.length.into());
        if usize::from(self.length) != got || expected != got {
            return Err(DatagramError::Length { kind: self.kind, said: self.length, got });
        }
        Ok(())
    }
}

/// Why bytes are not a datagram of this flow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DatagramError {
    /// Shorter than a header.
    #[error("datagram of {got} bytes is shorter than the {HEADER_LEN}-byte header")]
    Truncated {
        /// Bytes of UDP payload.
        got: usize,
    },
    /// The length in the header is not that of the datagram, or not that of its kind.
    #[error("{kind:?} datagram of {got} bytes says it has {said}")]
    Length {
        /// What the datagram is for.
        kind: DatagramKind,
        /// The length in the header, in bytes.
        said: u16,
        /// Bytes of UDP payload.
        got: usize,
    },
    /// The kind is not known.
    #[error("datagram of the unknown kind {kind}")]
    Kind {
        /// The byte that was read.
        kind: u8,
    },
    /// The tag was not made with this flow's key.
    #[error("datagram with a wrong tag")]
    Tag,
}

#[cfg(test)]
mod tests;
