//! The datagrams of a flow that are no data: answered and watched beside the data.

use std::sync::mpsc::Receiver;

use culvert_os::clock::monotonic_ns;
use culvert_os::udp::{FlowSocket, SendStop};
use culvert_session::proof::{Freshness, ProofKeeper};
use culvert_wire::datagram::{DatagramHeader, DatagramKey, MAX_SIGNAL, Signal, SignalBody, Tagger};
use rand::Rng as _;

/// The keys and numbers of one datagram flow, as seen from this end.
#[derive(Debug, Clone)]
pub struct FlowIdentity {
    /// Number of the session.
    pub session: u32,
    /// Number of the stream.
    pub stream: u8,
    /// Tags what this end sends.
    pub send_key: DatagramKey,
    /// Checks what this end receives.
    pub receive_key: DatagramKey,
}

impl FlowIdentity {
    /// Sends a signal; what cannot be sent now is lost, as datagrams are.
    pub fn send(&self, socket: &FlowSocket, sequence: u64, body: SignalBody) {
        let mut room = [0; MAX_SIGNAL];
        if let Some(datagram) = self.write(sequence, body, &mut room) {
            let _ = send_past_old_errors(socket, datagram);
        }
    }

    /// The bytes of a signal that is sent now.
    pub(crate) fn write<'a>(
        &self,
        sequence: u64,
        body: SignalBody,
        room: &'a mut [u8; MAX_SIGNAL],
    ) -> Option<&'a [u8]> {
        let (stream, session) = (self.stream, self.session);
        let signal = Signal { stream, session, sequence, sent_ns: monotonic_ns(), body };
        signal.emit(&self.send_key, room).ok()
    }

    /// Reads an authentic datagram of this flow: its header, and its signal when it is no data.
    pub fn read(&self, datagram: &[u8]) -> Option<(DatagramHeader, Option<Signal>)> {
        let header = self.reader().header(datagram)?;
        Some((header, Signal::read(&header, datagram)))
    }

    /// What reads the headers of a batch.
    pub fn reader(&self) -> HeaderReader {
        HeaderReader {
            tagger: self.receive_key.tagger(),
            session: self.session,
            stream: self.stream,
        }
    }
}

/// Reads the headers of one flow's datagrams, for as long as a batch takes.
#[derive(Debug, Clone, Copy)]
pub struct HeaderReader {
    tagger: Tagger,
    session: u32,
    stream: u8,
}

impl HeaderReader {
    /// Reads the header alone of an authentic datagram of this flow.
    #[expect(
        clippy::inline_always,
        reason = "a header handed over in memory costs as much as half its tag"
    )]
    #[inline(always)]
    pub fn header(&self, datagram: &[u8]) -> Option<DatagramHeader> {
        let header = DatagramHeader::parse_by(datagram, &self.tagger).ok()?;
        (header.session == self.session && header.stream == self.stream).then_some(header)
    }
}

/// Sends a datagram, and once more when there was an error: it may have been brought by ICMP for an earlier datagram, and
/// the system tells it in place of sending this one.
pub(crate) fn send_past_old_errors(socket: &FlowSocket, datagram: &[u8]) -> Result<(), SendStop> {
    socket.send(datagram).or_else(|_| socket.send(datagram))
}

/// Waits for the first socket of a flow; `None` when the session ended without one.
pub fn first_socket(news: &Receiver<SocketNews>) -> Option<FlowSocket> {
    news.iter().find_map(|news| match news {
        SocketNews::Use(socket) => Some(socket),
        SocketNews::Pause => None,
    })
}

/// What the door tells the thread of a datagram flow about its socket.
#[derive(Debug)]
pub enum SocketNews {
    /// The peer is proven to receive there: use this socket from now on.
    Use(FlowSocket),
    /// The peer speaks from another port, which is not proven yet: send nothing until it is.
    Pause,
}

/// How a flow's address proof is kept up while data flows: the listener challenges, the sender answers.
#[derive(Debug)]
pub enum Proofing {
    /// This end answers challenges.
    Answer,
    /// This end challenges, and stops sending when nothing comes back.
    Challenge(ProofKeeper),
}

impl Proofing {
    /// The listener's side of an address that was proven just now.
    pub fn challenge_from_now() -> Self {
        Self::Challenge(ProofKeeper::new(monotonic_ns()))
    }

    /// What keeps the mapping of a NAT open. From the sender it asks to be challenged as well: when its port has
    /// changed, the shortest data earns no challenge.
    pub const fn keepalive(&self) -> SignalBody {
        match self {
            Self::Answer => SignalBody::Open,
            Self::Challenge(_) => SignalBody::Keepalive,
        }
    }

    /// Acts on a signal of the peer.
    pub fn on_signal(&mut self, flow: &FlowIdentity, socket: &FlowSocket, signal: &Signal) {
        match (self, signal.body) {
            (Self::Answer, SignalBody::Challenge { nonce }) => {
                flow.send(socket, signal.sequence, SignalBody::Echo { nonce });
            }
            (Self::Challenge(keeper), SignalBody::Echo { nonce }) => keeper.on_echo(nonce),
            _ => {}
        }
    }

    /// Does what is due; `false` when the peer's address has gone stale and nothing more may be sent.
    pub fn is_kept(&mut self, flow: &FlowIdentity, socket: &FlowSocket) -> bool {
        let Self::Challenge(keeper) = self else { return true };
        match keeper.poll(monotonic_ns(), rand::rng().next_u64()) {
            Freshness::Fresh => true,
            Freshness::Challenge { nonce } => {
                flow.send(socket, 0, SignalBody::Challenge { nonce });
                true
            }
            Freshness::Lost => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_sender_asks_to_be_challenged_again() {
        assert_eq!(Proofing::Answer.keepalive(), SignalBody::Open);
        assert_eq!(Proofing::challenge_from_now().keepalive(), SignalBody::Keepalive);
    }
}
