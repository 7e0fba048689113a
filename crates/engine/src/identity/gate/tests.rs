use proptest::prelude::*;
use rustls::ClientConnection;

use super::*;
use crate::identity::ClientIdentity;
use culvert_wire::{Invite, Secret};

/// Listener key of RFC 8032 7.1 test 1, client key of RFC 8410 10.1.
const LISTENER_KEY: &str = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a";
const CLIENT_KEY: &str = "19bf44096984cdfe8541bac167dc3b96c85086aa30b6b6cb0c5c38ad703166e1";

fn hex(text: &str) -> [u8; 32] {
    data_encoding::HEXLOWER.decode(text.as_bytes()).expect("hex").try_into().expect("32 bytes")
}

/// By Python: `b32encode(sha256(b"culvert-1 gate" + listener + client).digest()[:16])`.
#[test]
fn gate_name_by_an_independent_program() {
    assert_eq!(gate_name(&hex(LISTENER_KEY), &hex(CLIENT_KEY)), "ydnexkl53dsw4dsch4sqk472zu");
}

fn identity() -> ClientIdentity {
    let invite =
        Invite { listener_key: hex(LISTENER_KEY), client_seed: Secret::new([5; 32]), expires: 1 };
    ClientIdentity::from_invite(&invite).expect("any seed is a key")
}

fn hello(sni: bool) -> Vec<u8> {
    let identity = identity();
    let mut config = identity.client_config().expect("client");
    std::sync::Arc::get_mut(&mut config).expect("sole owner").enable_sni = sni;
    let name = identity.server_name().expect("a server name");
    let mut hello = Vec::new();
    ClientConnection::new(config, name).expect("client").write_tls(&mut hello).expect("memory");
    hello
}

#[test]
fn the_name_is_read_once_the_hello_is_whole() {
    let hello = hello(true);
    assert!(hello.len() < PEEK_LIMIT, "{}", hello.len());
    for cut in 0..hello.len() {
        assert_eq!(peek_gate_name(&hello[..cut]), Peeked::Incomplete, "{cut}");
    }
    assert_eq!(peek_gate_name(&hello), Peeked::Sni(identity().gate_name()));
    let more = [hello.as_slice(), &[0x14, 3, 3, 0, 1, 1]].concat();
    assert_eq!(peek_gate_name(&more), Peeked::Sni(identity().gate_name()));
}

#[test]
fn strangers_are_known_by_what_they_lack() {
    for bytes in [
        &b"GET / HTTP/1.1\r\n"[..],
        b"SSH-2.0-x\r\n",
        b"\xc1",
        b"\x16\x03\x01\x00\x05\x02\0\0\x01\0",
    ] {
        assert_eq!(peek_gate_name(bytes), Peeked::Stranger, "{bytes:?}");
    }
    assert_eq!(peek_gate_name(&hello(false)), Peeked::Stranger);
    // A record of 16 kB that is announced and does not end within the limit.
    let mut endless = vec![0x16, 3, 1, 0x40, 0, 1, 0, 0x3f, 0xfc];
    assert_eq!(peek_gate_name(&endless), Peeked::Incomplete);
    endless.resize(PEEK_LIMIT, 0);
    assert_eq!(peek_gate_name(&endless), Peeked::Stranger);
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes: Vec<u8>, at in 0_usize..200, with: u8) {
        let _ = peek_gate_name(&bytes);
        let _ = peek_gate_name(&[&[0x16, 3, 1], bytes.as_slice()].concat());
        let mut changed = hello(true);
        changed[at] = with;
        let _ = peek_gate_name(&changed);
    }
}
