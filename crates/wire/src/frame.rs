//! Framing of control messages inside the TLS stream: length u32, big-endian, then so many bytes of JSON.

use culvert_units::{ExitStatus, Explain};
use serde::Serialize;

/// The most bytes of JSON one frame may carry.
pub const MAX_MESSAGE: usize = 64 * 1024;

const LENGTH_LEN: usize = 4;

/// The frame that carries `message` as JSON.
pub fn encode(message: &impl Serialize) -> Result<Vec<u8>, FrameError> {
    let mut frame = vec![0; LENGTH_LEN];
    serde_json::to_writer(&mut frame, message)?;
    let length = frame.len() - LENGTH_LEN;
    let announced = u32::try_from(length).ok().filter(|_| length <= MAX_MESSAGE);
    let announced = announced.ok_or(FrameError::TooLong { length: length as u64 })?;
    if let Some(field) = frame.first_chunk_mut() {
        *field = announced.to_be_bytes();
    }
    Ok(frame)
}

/// Puts frames together from the pieces in which they arrive.
///
/// Push a piece, then call [`next_frame`](Self::next_frame) until it gives `None`: so what is held never exceeds one
/// unfinished frame and one piece. After an error the stream has lost its step and the reader must be dropped.
#[derive(Debug, Default)]
pub struct FrameReader {
    held: Vec<u8>,
}

impl FrameReader {
    /// A reader at the beginning of a stream.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds what arrived.
    pub fn push(&mut self, piece: &[u8]) {
        self.held.extend_from_slice(piece);
    }

    /// The JSON bytes of the next whole frame; `None` until more is pushed.
    pub fn next_frame(&mut self) -> Result<Option<Vec<u8>>, FrameError> {
        let Some((field, rest)) = self.held.split_first_chunk::<LENGTH_LEN>() else {
            return Ok(None);
        };
        let announced = u32::from_be_bytes(*field);
        let length = usize::try_from(announced).ok().filter(|length| *length <= MAX_MESSAGE);
        let length = length.ok_or_else(|| FrameError::TooLong { length: announced.into() })?;
        if length == 0 {
            return Err(FrameError::Empty);
        }
        let Some(message) = rest.get(..length).map(<[u8]>::to_vec) else { return Ok(None) };
        self.held.drain(..LENGTH_LEN + length);
        Ok(Some(message))
    }

    /// Whether the stream stands between two frames: an end here tears nothing.
    #[cfg(test)]
    fn is_between_frames(&self) -> bool {
        self.held.is_empty()
    }
}

/// Why a control message cannot be framed or read.
#[derive(Debug, thiserror::Error)]
pub enum FrameError {
    /// The message exceeds [`MAX_MESSAGE`].
    #[error("a control message of {length} bytes exceeds the {MAX_MESSAGE} allowed")]
    TooLong {
        /// Bytes of JSON, as announced or as encoded.
        length: u64,
    },
    /// The peer announced a message of no bytes.
    #[error("the peer announced a control message of 0 bytes")]
    Empty,
    /// The message cannot be written as JSON.
    #[error("a control message cannot be written as JSON")]
    Json(#[from] serde_json::Error),
}

impl Explain for FrameError {
    fn hint(&self) -> Option<String> {
        Some("check that both ends run releases of the same version".to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::TooLong { .. } | Self::Empty => ExitStatus::Refused,
            Self::Json(_) => ExitStatus::LocalFault,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn typed_bytes() {
        let frame = encode(&"hé").expect("short");
        assert_eq!(frame, [0, 0, 0, 5, b'"', b'h', 0xc3, 0xa9, b'"']);
        let mut reader = FrameReader::new();
        reader.push(&frame);
        assert_eq!(reader.next_frame().expect("whole"), Some(frame[4..].to_vec()));
        assert!(reader.is_between_frames());
    }

    #[test]
    fn the_limit_is_64_kib_of_json() {
        let fits = "x".repeat(65_534);
        let frame = encode(&fits).expect("65536 bytes with its quotes");
        assert_eq!(frame[..4], [0, 1, 0, 0]);
        let mut reader = FrameReader::new();
        reader.push(&frame);
        assert_eq!(reader.next_frame().expect("fits").map(|json| json.len()), Some(65_536));
        let too_long = format!("{fits}x");
        assert!(matches!(encode(&too_long), Err(FrameError::TooLong { length: 65_537 })));
    }

    #[test]
    fn a_length_is_refused_before_its_message_arrives() {
        for (field, expected) in [
            ([0, 1, 0, 1], "a control message of 65537 bytes exceeds the 65536 allowed"),
            ([255; 4], "a control message of 4294967295 bytes exceeds the 65536 allowed"),
            ([0; 4], "the peer announced a control message of 0 bytes"),
        ] {
            let mut reader = FrameReader::new();
            reader.push(&field);
            assert_eq!(reader.next_frame().expect_err("refused").to_string(), expected);
        }
    }

    proptest! {
        #[test]
        fn any_cutting_gives_the_same_frames(messages in prop::collection::vec(".{0,40}", 0..6), cut in 1_usize..50) {
            let stream: Vec<u8> = messages.iter().flat_map(|m| encode(m).expect("short")).collect();
            let mut reader = FrameReader::new();
            let mut read = Vec::new();
            for piece in stream.chunks(cut) {
                reader.push(piece);
                while let Some(json) = reader.next_frame().expect("well formed") {
                    read.push(serde_json::from_slice::<String>(&json).expect("a string"));
                }
            }
            prop_assert!(reader.is_between_frames());
            prop_assert_eq!(read, messages);
        }

        #[test]
        fn no_bytes_panic(bytes: Vec<u8>) {
            let mut reader = FrameReader::new();
            reader.push(&bytes);
            while let Ok(Some(_)) = reader.next_frame() {}
        }
    }
}
