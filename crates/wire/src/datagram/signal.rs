//! Datagrams that are no data: address proof, probes, keepalives. All are tagged whole.

use super::{DatagramError, DatagramHeader, DatagramKey, DatagramKind, HEADER_LEN};

/// The length of the longest signal in bytes.
pub const MAX_SIGNAL: usize = 88;

/// A datagram that is no data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signal {
    /// Which of the session's streams it belongs to.
    pub stream: u8,
    /// Number of the session.
    pub session: u32,
    /// Number within the stream, counted from 0.
    pub sequence: u64,
    /// When it was sent, in nanoseconds of the transmitter's monotonic clock since a zero of its own.
    pub sent_ns: u64,
    /// What it says.
    pub body: SignalBody,
}

/// What a signal says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignalBody {
    /// Asks to be challenged.
    Open,
    /// Carries a nonce to the address that asked.
    Challenge {
        /// Random bits that only a receiver at that address learns.
        nonce: u64,
    },
    /// Brings the nonce back.
    Echo {
        /// The nonce of the challenge.
        nonce: u64,
    },
    /// Asks for a reply at once.
    Probe,
    /// Answers a probe; the signal's `sent_ns` is when the answer left, on the answering end's clock.
    ProbeReply {
        /// The sequence of the probe.
        sequence: u64,
        /// The probe's `sent_ns`, on the clock of the end that sent it.
        sent_ns: u64,
        /// When the probe arrived, in nanoseconds of the answering end's clock.
        received_ns: u64,
    },
    /// Keeps a NAT's mapping open.
    Keepalive,
    /// The sized datagram of this signal's sequence arrived.
    SizedSeen,
    /// Asks for a sized datagram with this signal's sequence.
    WantSized {
        /// Its UDP payload in bytes.
        bytes: u64,
    },
    /// The sized datagram of this signal's sequence cannot leave that end, or a router behind it says it is too big.
    SizedTooBig {
        /// The IP packet that a router says it takes, bytes; 0 when that end itself refused.
        router_takes: u64,
    },
    /// What has arrived of a capacity session; the signal's sequence numbers the reports from 1.
    Status(Status),
}

/// A status report of a capacity session's receiver (RFC 9097 8.1): totals since its first datagram, so that a lost report
/// loses nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Status {
    /// From the first arrival to the last, nanoseconds.
    pub elapsed_ns: u64,
    /// First copies.
    pub received: u64,
    /// Datagrams missing below the highest number that arrived.
    pub lost: u64,
    /// First copies that came after a higher number.
    pub reordered: u64,
    /// Further copies.
    pub duplicates: u64,
    /// The least and the longest delay since the report before, microseconds, by two clocks that differ by a constant;
    /// `None` when nothing was timed. On the wire the least is then above the longest.
    pub delay_us: Option<(i64, i64)>,
}

impl Status {
    fn words(&self) -> [u64; 7] {
        let (least, longest) = self.delay_us.unwrap_or((i64::MAX, i64::MIN));
        let Self { elapsed_ns, received, lost, reordered, duplicates, .. } = *self;
        let delays = [least.cast_unsigned(), longest.cast_unsigned()];
        [elapsed_ns, received, lost, reordered, duplicates, delays[0], delays[1]]
    }

    fn read(words: &mut impl Iterator<Item = u64>) -> Option<Self> {
        let (elapsed_ns, received, lost) = (words.next()?, words.next()?, words.next()?);
        let (reordered, duplicates) = (words.next()?, words.next()?);
        let delay = (words.next()?.cast_signed(), words.next()?.cast_signed());
        let delay_us = Some(delay).filter(|(least, longest)| least <= longest);
        Some(Self { elapsed_ns, received, lost, reordered, duplicates, delay_us })
    }
}

impl SignalBody {
    /// The kind of datagram that carries it.
    pub const fn kind(&self) -> DatagramKind {
        match self {
            Self::Open => DatagramKind::Open,
            Self::Challenge { .. } => DatagramKind::Challenge,
            Self::Echo { .. } => DatagramKind::Echo,
            Self::Probe => DatagramKind::Probe,
            Self::ProbeReply { .. } => DatagramKind::ProbeReply,
            Self::Keepalive => DatagramKind::Keepalive,
            Self::SizedSeen => DatagramKind::SizedSeen,
            Self::WantSized { .. } => DatagramKind::WantSized,
            Self::SizedTooBig { .. } => DatagramKind::SizedTooBig,
            Self::Status(_) => DatagramKind::Status,
        }
    }
}

impl Signal {
    /// Writes the signal into `buffer` and gives the part of it to send.
    pub fn emit<'a>(
        &self,
        key: &DatagramKey,
        buffer: &'a mut [u8; MAX_SIGNAL],
    ) -> Result<&'a [u8], DatagramError> {
        let kind = self.body.kind();
        let length = kind.fixed_len().unwrap_or(HEADER_LEN);
        let datagram =
            buffer.get_mut(..length).ok_or(DatagramError::Truncated { got: MAX_SIGNAL })?;
        datagram.fill(0);
        let words = match self.body {
            SignalBody::Challenge { nonce } | SignalBody::Echo { nonce } => {
                [nonce, 0, 0, 0, 0, 0, 0]
            }
            SignalBody::ProbeReply { sequence, sent_ns, received_ns } => {
                [sequence, sent_ns, received_ns, 0, 0, 0, 0]
            }
            SignalBody::WantSized { bytes } => [bytes, 0, 0, 0, 0, 0, 0],
            SignalBody::SizedTooBig { router_takes } => [router_takes, 0, 0, 0, 0, 0, 0],
            SignalBody::Open
            | SignalBody::Probe
            | SignalBody::Keepalive
            | SignalBody::SizedSeen => [0; 7],
            SignalBody::Status(status) => status.words(),
        };
        for (word, value) in
            datagram.as_chunks_mut::<8>().0.iter_mut().skip(HEADER_LEN / 8).zip(words)
        {
            *word = value.to_be_bytes();
        }
        self.header(length).emit(key, datagram)?;
        Ok(datagram)
    }

    /// Reads the body that follows `header`, which [`DatagramHeader::parse`] gave for this `datagram`; `None` for data and
    /// sized datagrams, which are a header and padding.
    pub fn read(header: &DatagramHeader, datagram: &[u8]) -> Option<Self> {
        let (words, _) = datagram.as_chunks::<8>();
        let mut words = words.iter().skip(HEADER_LEN / 8).map(|word| u64::from_be_bytes(*word));
        let body = match header.kind {
            DatagramKind::Data | DatagramKind::Sized => return None,
            DatagramKind::Open => SignalBody::Open,
            DatagramKind::Challenge => SignalBody::Challenge { nonce: words.next()? },
            DatagramKind::Echo => SignalBody::Echo { nonce: words.next()? },
            DatagramKind::Probe => SignalBody::Probe,
            DatagramKind::ProbeReply => SignalBody::ProbeReply {
                sequence: words.next()?,
                sent_ns: words.next()?,
                received_ns: words.next()?,
            },
            DatagramKind::Keepalive => SignalBody::Keepalive,
            DatagramKind::SizedSeen => SignalBody::SizedSeen,
            DatagramKind::WantSized => SignalBody::WantSized { bytes: words.next()? },
            DatagramKind::SizedTooBig => SignalBody::SizedTooBig { router_takes: words.next()? },
            DatagramKind::Status => SignalBody::Status(Status::read(&mut words)?),
        };
        let DatagramHeader { stream, session, sequence, sent_ns, .. } = *header;
        Some(Self { stream, session, sequence, sent_ns, body })
    }

    fn header(&self, length: usize) -> DatagramHeader {
        DatagramHeader {
            kind: self.body.kind(),
            stream: self.stream,
            length: u16::try_from(length).unwrap_or(u16::MAX),
            session: self.session,
            sequence: self.sequence,
            sent_ns: self.sent_ns,
        }
    }
}
