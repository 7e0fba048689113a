//! The wildcard datagram socket: admits flows, says nothing to strangers.

use std::io;
use std::os::fd::AsFd as _;
use std::sync::Arc;
use std::time::Duration;

use culvert_os::clock::monotonic_ns;
use culvert_os::udp::{FlowSocket, Reached, WildcardSocket};
use culvert_wire::datagram::{MAX_SIGNAL, Signal, SignalBody};
use rand::Rng as _;
use tokio::io::Interest;
use tokio::net::UdpSocket;

use crate::registry::{DatagramAnswer, Registry};

/// Serves one wildcard socket for ever.
pub(crate) async fn serve(socket: WildcardSocket, registry: Arc<Registry>) -> io::Result<()> {
    // The runtime waits on a second descriptor of the same socket: what is received needs the first one's own call.
    let waiter = UdpSocket::from_std(socket.as_fd().try_clone_to_owned()?.into())?;
    let mut buffer = vec![0_u8; LARGEST_DATAGRAM];
    loop {
        let received = waiter
            .async_io(Interest::READABLE, || {
                socket.receive(&mut buffer)?.ok_or_else(|| io::ErrorKind::WouldBlock.into())
            })
            .await;
        match received {
            Ok(reached) if !reached.truncated => {
                let datagram = buffer.get(..reached.length).unwrap_or_default();
                answer(&socket, &registry, datagram, &reached);
            }
            Ok(_) => {}
            // ICMP errors of challenges that nobody took; the socket itself is sound.
            Err(error) => {
                tracing::debug!("receiving on the wildcard socket failed: {error}");
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        }
    }
}

/// No datagram is longer (RFC 768).
const LARGEST_DATAGRAM: usize = 65_535;

fn answer(socket: &WildcardSocket, registry: &Registry, datagram: &[u8], reached: &Reached) {
    let now = monotonic_ns();
    match registry.take_datagram(datagram, reached.from, now, rand::rng().next_u64()) {
        DatagramAnswer::Silence => {}
        DatagramAnswer::Challenge { identity, nonce } => {
            let signal = Signal {
                stream: identity.stream,
                session: identity.session,
                sequence: 0,
                sent_ns: now,
                body: SignalBody::Challenge { nonce },
            };
            let mut room = [0; MAX_SIGNAL];
            if let Ok(challenge) = signal.emit(&identity.send_key, &mut room) {
                // A challenge that cannot leave is lost as any datagram; the peer asks again.
                let _ = socket.send_from(challenge, reached.from, reached.to);
            }
        }
        DatagramAnswer::Connect { session, stream, peer, moved, options } => {
            let local = reached.local_address(socket.local_address().port());
            match FlowSocket::connected(local, peer, &options) {
                Ok(socket) => registry.hand_over(session, stream, socket, moved),
                Err(error) => tracing::warn!(%error, %peer, "no socket for a proven datagram flow"),
            }
        }
    }
}
