//! What passed a device: `tcpdump` and the file it writes.

use std::fs;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};

use super::name;
use crate::lab::{Lab, signal};

/// An outer packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Outer {
    /// Its total length, in bytes.
    pub(super) length: u32,
    /// Whether it acknowledges packets of the other way, where its protocol is one that can.
    pub(super) acknowledges: Option<bool>,
}

/// A running capture; ends with the value.
pub(super) struct Capture {
    process: Child,
    file: PathBuf,
}

impl Capture {
    /// Captures what enters the WAN from a device, and returns when it has begun.
    pub(super) fn start(lab: &Lab, device: &str, filter: &str, file: &Path) -> Self {
        let process = lab
            .command("wan", "tcpdump")
            .args(["-i", device, "-Q", "in", "-n", "-U", "--immediate-mode", "-s", "128"])
            // As root it would become another user, who may not write there.
            .args(["-Z", "root", "-w", name(file), filter])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("tcpdump can be started");
        let mut capture = Self { process, file: file.to_owned() };
        let said = capture.process.stderr.as_mut().expect("what it says");
        let mut first = String::new();
        BufReader::with_capacity(1, said).read_line(&mut first).expect("a line");
        assert!(first.contains("listening on"), "tcpdump said: {first}");
        capture
    }

    /// Ends it and gives each IPv4 packet, in the order in which they passed.
    pub(super) fn finish(mut self) -> Vec<Outer> {
        signal("INT", self.process.id());
        let mut said = String::new();
        let rest = self.process.stderr.as_mut().expect("what it says");
        rest.read_to_string(&mut said).expect("text");
        assert!(self.process.wait().expect("an ended tcpdump").success(), "{said}");
        assert!(said.contains("\n0 packets dropped by kernel"), "{said}");
        ipv4_packets(&fs::read(&self.file).expect("the capture"))
    }
}

impl Drop for Capture {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Reads the classic capture file of this machine's byte order (libpcap's `pcap-savefile(5)`), Ethernet frames: a header
/// of 24 bytes; before each frame 16, of which the third four are the length kept and the fourth the length on the wire.
fn ipv4_packets(file: &[u8]) -> Vec<Outer> {
    let number = |at: usize| {
        let bytes = file.get(at..at + 4).expect("a whole file");
        u32::from_ne_bytes(bytes.try_into().expect("four bytes"))
    };
    assert_eq!((number(0), number(20)), (0xa1b2_c3d4, ETHERNET), "magic number and link type");
    let (mut at, mut packets) = (24, Vec::new());
    while at < file.len() {
        let (kept, on_wire) = (number(at + 8) as usize, number(at + 12));
        let frame = file.get(at + 16..at + 16 + kept).expect("a whole frame");
        // Type 0x0800 behind two addresses (RFC 894); the total length is the second two bytes (RFC 791 section 3.1).
        assert_eq!(frame[12..14], [0x08, 0x00], "IPv4");
        let length = u32::from(u16::from_be_bytes([frame[16], frame[17]]));
        // Shorter ones would be padded on a real Ethernet; a veth leaves them as they are.
        assert_eq!(on_wire, 14 + length, "the frame holds the packet and nothing else");
        packets.push(Outer { length, acknowledges: acknowledges(&frame[14..]) });
        at += 16 + kept;
    }
    packets
}

/// Bit A of PPTP's GRE: protocol 47 (RFC 791 section 3.1), without IPv4 options; then flags, of which A is the first of the
/// second byte and the version, 1, its last three bits, and the type 0x880b (RFC 2637 section 4.1).
fn acknowledges(packet: &[u8]) -> Option<bool> {
    let gre = packet.get(20..24).filter(|_| packet[0] == 0x45 && packet[9] == 47)?;
    (gre[1] & 0x07 == 1 && gre[2..] == [0x88, 0x0b]).then_some(gre[1] & 0x80 != 0)
}

const ETHERNET: u32 = 1;
