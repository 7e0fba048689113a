//! The gate before TLS: a name that only holders of an invite know, read from the client's hello.

use culvert_wire::Opening;
use data_encoding::BASE32_NOPAD;
use ring::digest::{Context, SHA256};
use rustls::server::Acceptor;

/// The most bytes of a connection that are looked at before its gate name must be known.
pub const PEEK_LIMIT: usize = 2048;

const DOMAIN: &[u8] = b"culvert-1 gate";
const DIGEST_LEN: usize = 16;

/// The name under which a client asks for a listener: 26 characters, lowercase base32 of the first 16 bytes of
/// SHA-256 over "culvert-1 gate", listener key and client key.
///
/// It is a name for looking up, not a proof: whoever watches one hello knows it.
pub fn gate_name(listener_key: &[u8; 32], client_key: &[u8; 32]) -> String {
    let mut context = Context::new(&SHA256);
    for part in [DOMAIN, listener_key, client_key] {
        context.update(part);
    }
    let digest = context.finish();
    let first: Vec<u8> = digest.as_ref().iter().copied().take(DIGEST_LEN).collect();
    BASE32_NOPAD.encode(&first).to_ascii_lowercase()
}

/// What the first bytes of a connection say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Peeked {
    /// The beginning of a TLS hello; more bytes are needed.
    Incomplete,
    /// A whole TLS hello that asks for this server name (SNI).
    Sni(String),
    /// No TLS hello, one without a server name, or none within [`PEEK_LIMIT`].
    Stranger,
}

/// Reads the server name from the bytes peeked so far, from the first byte of the connection on.
///
/// Nothing is answered and nothing is kept: the bytes stay in the socket for the handshake.
pub fn peek_gate_name(bytes: &[u8]) -> Peeked {
    if bytes.first().is_some_and(|first| Opening::of(*first) != Some(Opening::Tls)) {
        return Peeked::Stranger;
    }
    let mut acceptor = Acceptor::default();
    let mut rest = bytes;
    while !rest.is_empty() {
        if !matches!(acceptor.read_tls(&mut rest), Ok(1..)) {
            return Peeked::Stranger;
        }
        match acceptor.accept() {
            Ok(None) => {}
            Ok(Some(accepted)) => {
                let name = accepted.client_hello().server_name().map(str::to_owned);
                return name.map_or(Peeked::Stranger, Peeked::Sni);
            }
            Err(_) => return Peeked::Stranger,
        }
    }
    if bytes.len() < PEEK_LIMIT { Peeked::Incomplete } else { Peeked::Stranger }
}

#[cfg(test)]
mod tests;
