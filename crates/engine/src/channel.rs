//! The control channel: framed messages over an established TLS stream.

use std::io;
use std::time::{Duration, Instant};

use culvert_units::{ExitStatus, Explain};
use culvert_wire::frame::{self, FrameError, FrameReader};
use serde::{Serialize, de::DeserializeOwned};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// How long one control message may take to leave. A peer that reads nothing for so long is gone.
const SEND_PATIENCE: Duration = Duration::from_secs(5);
/// How long the peer's goodbye is waited for.
const GOODBYE_PATIENCE: Duration = Duration::from_secs(5);

/// One end of the control channel. A single task owns it: it hears, and speaks between two messages.
#[derive(Debug)]
pub struct Channel<S> {
    stream: S,
    reader: FrameReader,
    piece: Vec<u8>,
    allowance: Allowance,
}

/// Messages a peer may send a second, over a while: several times what either end says.
const MOST_A_SECOND: f64 = 20.0;
/// The while: a path that stalls delivers the words of as long at once.
const WHILE_SECONDS: f64 = 10.0;

/// How many messages the peer may still send: a bucket that fills with time.
#[derive(Debug)]
struct Allowance {
    left: f64,
    at: Instant,
}

impl Allowance {
    fn full() -> Self {
        Self { left: MOST_A_SECOND * WHILE_SECONDS, at: Instant::now() }
    }

    fn spend(&mut self, now: Instant) -> Result<(), ChannelError> {
        let filled = now.duration_since(self.at).as_secs_f64() * MOST_A_SECOND;
        self.left = (self.left + filled).min(MOST_A_SECOND * WHILE_SECONDS) - 1.0;
        self.at = now;
        if self.left < 0.0 { Err(ChannelError::TooMany) } else { Ok(()) }
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> Channel<S> {
    /// A channel over an established stream.
    pub fn new(stream: S) -> Self {
        Self {
            stream,
            reader: FrameReader::new(),
            piece: vec![0; 4096],
            allowance: Allowance::full(),
        }
    }

    /// Sends one message.
    pub async fn say(&mut self, message: &impl Serialize) -> Result<(), ChannelError> {
        let frame = frame::encode(message)?;
        let sending = async {
            self.stream.write_all(&frame).await?;
            self.stream.flush().await
        };
        match tokio::time::timeout(SEND_PATIENCE, sending).await {
            Ok(result) => result.map_err(ChannelError::Lost),
            Err(_) => Err(ChannelError::Silent { waited: SEND_PATIENCE }),
        }
    }

    /// The next message. Dropping the future loses nothing: what arrived stays with the reader.
    pub async fn hear<T: DeserializeOwned>(&mut self) -> Result<T, ChannelError> {
        loop {
            if let Some(json) = self.reader.next_frame()? {
                self.allowance.spend(Instant::now())?;
                return serde_json::from_slice(&json).map_err(ChannelError::Unreadable);
            }
            let length = match self.stream.read(&mut self.piece).await {
                // The peer's system closed for it: no goodbye, but an end all the same.
                Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => 0,
                read => read.map_err(ChannelError::Lost)?,
            };
            if length == 0 {
                return Err(ChannelError::Closed);
            }
            self.reader.push(self.piece.get(..length).unwrap_or_default());
        }
    }

    /// The next message, waited for so long at most.
    pub async fn hear_within<T: DeserializeOwned>(
        &mut self,
        patience: Duration,
    ) -> Result<T, ChannelError> {
        match tokio::time::timeout(patience, self.hear()).await {
            Ok(result) => result,
            Err(_) => Err(ChannelError::Silent { waited: patience }),
        }
    }

    /// The stream itself, for what only it knows.
    pub const fn stream(&self) -> &S {
        &self.stream
    }

    /// Says goodbye after the last word, and waits a little until the peer has done so too.
    ///
    /// Whoever lets go of a connection while words of the peer arrive has the system reset it, and the peer may lose
    /// what was said to it last.
    pub async fn close_after_peer(mut self) {
        let goodbye = async {
            self.stream.shutdown().await?;
            while self.stream.read(&mut self.piece).await? > 0 {}
            io::Result::Ok(())
        };
        // A peer that goes on talking, or is gone, has had its time.
        let _ = tokio::time::timeout(GOODBYE_PATIENCE, goodbye).await;
    }

    /// Says goodbye: closes the TLS session so that the peer can tell an end from a break.
    pub async fn close(mut self) {
        // The peer may be gone already; then there is nobody to say it to.
        let _ = tokio::time::timeout(Duration::from_secs(1), self.stream.shutdown()).await;
    }
}

/// Why the control channel cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum ChannelError {
    /// The connection broke.
    #[error("the control connection broke")]
    Lost(#[source] io::Error),
    /// The peer closed the connection.
    #[error("the peer closed the control connection")]
    Closed,
    /// The peer said nothing.
    #[error("the peer said nothing for {waited:?}")]
    Silent {
        /// How long was waited.
        waited: Duration,
    },
    /// The peer talks too much.
    #[error("the peer sends more than {MOST_A_SECOND} control messages a second")]
    TooMany,
    /// A frame broke the framing.
    #[error("the peer broke the control protocol")]
    Frame(#[from] FrameError),
    /// A frame held no message of this version.
    #[error("the peer sent a control message that cannot be read")]
    Unreadable(#[source] serde_json::Error),
}

impl Explain for ChannelError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Lost(_) | Self::Closed | Self::Silent { .. } => {
                "check that culvertd still runs at the other end and that the path or tunnel is up, then run it again"
                    .to_owned()
            }
            Self::TooMany | Self::Frame(_) | Self::Unreadable(_) => "run the same version of culvert and culvertd".to_owned(),
        })
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Lost(_) | Self::Closed | Self::Silent { .. } => ExitStatus::Unreachable,
            Self::TooMany | Self::Frame(_) | Self::Unreadable(_) => ExitStatus::Refused,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stall_of_ten_seconds_is_forgiven_and_a_flood_is_not() {
        let start = Instant::now();
        let mut allowance = Allowance::full();
        allowance.at = start;
        for _ in 0..200 {
            assert!(allowance.spend(start).is_ok());
        }
        assert!(matches!(allowance.spend(start), Err(ChannelError::TooMany)));
        let mut steady = Allowance::full();
        steady.at = start;
        for tick in 1..=10_000_u64 {
            assert!(steady.spend(start + Duration::from_millis(tick * 50)).is_ok());
        }
    }

    /// The peer still talks when the last word is said to it: it loses neither its own nor that one.
    #[tokio::test]
    async fn the_last_word_reaches_a_peer_that_talks() {
        let door = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.expect("a port");
        let address = door.local_addr().expect("an address");
        let near = tokio::net::TcpStream::connect(address).await.expect("a connection");
        let (far, _) = door.accept().await.expect("a connection");
        let (mut near, mut far) = (Channel::new(near), Channel::new(far));
        let closing = tokio::spawn(async move {
            far.say(&"last").await.expect("said");
            far.close_after_peer().await;
        });
        for _ in 0..3 {
            tokio::time::sleep(Duration::from_millis(30)).await;
            near.say(&"talk").await.expect("said");
        }
        assert_eq!(near.hear::<String>().await.expect("heard"), "last");
        near.close().await;
        closing.await.expect("closed");
    }

    #[tokio::test]
    async fn what_is_said_is_heard_in_order() {
        let (near, far) = tokio::io::duplex(64);
        let (mut near, mut far) = (Channel::new(near), Channel::new(far));
        let saying = async {
            for number in 0..10_u32 {
                near.say(&number).await.expect("said");
            }
            near.close().await;
        };
        let hearing = async {
            for number in 0..10_u32 {
                assert_eq!(far.hear::<u32>().await.expect("heard"), number);
            }
            assert!(matches!(far.hear::<u32>().await, Err(ChannelError::Closed)));
        };
        tokio::join!(saying, hearing);
    }
}
