//! How a connection to the shared port begins: a TLS record, or the preamble of a data flow.

use crate::Secret;

/// Length of a [`FlowPreamble`] in bytes.
pub const PREAMBLE_LEN: usize = 24;

/// What the first byte of a connection announces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Opening {
    /// A TLS handshake record (RFC 8446 5.1): a control connection.
    Tls,
    /// A [`FlowPreamble`]: a data flow.
    Flow,
}

impl Opening {
    /// Tells the two apart by the first byte; `None` for anything else.
    pub const fn of(first: u8) -> Option<Self> {
        match first {
            TLS_HANDSHAKE => Some(Self::Tls),
            FLOW => Some(Self::Flow),
            _ => None,
        }
    }
}

const TLS_HANDSHAKE: u8 = 0x16;
const FLOW: u8 = 0xc1;

/// The first bytes of a TCP data flow: first byte 0xC1, version u8, flow u16, session u32, token 16 bytes; big-endian.
///
/// A preamble is a claim: it counts when its token equals (`==`, in constant time) the one that is awaited.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlowPreamble {
    /// Number of the flow within its session.
    pub flow: u16,
    /// Number of the session, as agreed on the control connection.
    pub session: u32,
    /// The one-time token of this flow and direction.
    pub token: Secret<16>,
}

impl FlowPreamble {
    /// The version that is written and the only one that is read.
    pub const VERSION: u8 = 1;

    /// The bytes to send.
    pub fn emit(&self) -> [u8; PREAMBLE_LEN] {
        let [f0, f1] = self.flow.to_be_bytes();
        let [s0, s1, s2, s3] = self.session.to_be_bytes();
        let numbers = [FLOW, Self::VERSION, f0, f1, s0, s1, s2, s3];
        let mut bytes = [0; PREAMBLE_LEN];
        for (byte, value) in bytes.iter_mut().zip(numbers.iter().chain(self.token.expose())) {
            *byte = *value;
        }
        bytes
    }

    /// Reads the bytes; whether the token is the awaited one is for the caller to compare.
    pub fn parse(bytes: &[u8; PREAMBLE_LEN]) -> Result<Self, PreambleError> {
        let [first, version, f0, f1, s0, s1, s2, s3, token @ ..] = *bytes;
        if first != FLOW {
            return Err(PreambleError::FirstByte { first });
        }
        if version != Self::VERSION {
            return Err(PreambleError::Version { version });
        }
        Ok(Self {
            flow: u16::from_be_bytes([f0, f1]),
            session: u32::from_be_bytes([s0, s1, s2, s3]),
            token: Secret::new(token),
        })
    }
}

/// Why bytes are not a flow preamble; the peer never hears it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PreambleError {
    /// The first byte is not 0xC1.
    #[error("a data flow begins with 0xc1, not with {first:#04x}")]
    FirstByte {
        /// The byte that was read.
        first: u8,
    },
    /// The version is not ours.
    #[error("flow preamble has version {version}, this program speaks {}", FlowPreamble::VERSION)]
    Version {
        /// The version that was read.
        version: u8,
    },
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Typed from the layout, not taken from `emit`.
    const TYPED: [u8; PREAMBLE_LEN] = [
        0xc1, 1, 0x01, 0x02, 0xa1, 0xa2, 0xa3, 0xa4, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13,
        14, 15,
    ];

    #[test]
    fn typed_bytes_are_read_and_written() {
        let preamble = FlowPreamble {
            flow: 0x0102,
            session: 0xa1a2_a3a4,
            token: Secret::new([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15]),
        };
        assert_eq!(preamble.emit(), TYPED);
        assert_eq!(FlowPreamble::parse(&TYPED), Ok(preamble));
    }

    #[test]
    fn other_openings_and_versions_are_refused() {
        let mut bytes = TYPED;
        bytes[1] = 2;
        assert_eq!(FlowPreamble::parse(&bytes), Err(PreambleError::Version { version: 2 }));
        bytes[0] = 0x16;
        assert_eq!(FlowPreamble::parse(&bytes), Err(PreambleError::FirstByte { first: 0x16 }));
        assert_eq!(Opening::of(0x16), Some(Opening::Tls));
        assert_eq!(Opening::of(0xc1), Some(Opening::Flow));
        assert_eq!(Opening::of(b'G'), None);
    }

    proptest! {
        #[test]
        fn any_preamble_survives(flow: u16, session: u32, token: [u8; 16]) {
            let preamble = FlowPreamble { flow, session, token: Secret::new(token) };
            prop_assert_eq!(FlowPreamble::parse(&preamble.emit()), Ok(preamble));
        }

        #[test]
        fn no_bytes_panic(bytes: [u8; PREAMBLE_LEN]) {
            let _ = FlowPreamble::parse(&bytes);
        }
    }
}
