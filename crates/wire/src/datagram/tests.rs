use std::hash::Hasher;

use proptest::prelude::*;

use super::*;

fn ascending_key() -> DatagramKey {
    DatagramKey::new(Secret::new([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15]))
}

/// Aumasson, Bernstein, "`SipHash`: a fast short-input PRF" (2012), appendix A: key 00..0f, input 00..0e.
#[test]
fn siphash_of_the_paper() {
    let input = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14];
    assert_eq!(
        ascending_key().tagger().tag(DatagramKind::Data, &input, &[]),
        0xa129_ca61_49be_45e5
    );
    assert_eq!(
        ascending_key().tagger().tag(DatagramKind::Echo, &input[..3], &input[3..]),
        0xa129_ca61_49be_45e5
    );
}

/// Header laid out by hand; tag by an independent SipHash-2-4 that gives the paper's vector.
#[rustfmt::skip]
const DATA: [u8; 32] = [
    1, 2, 0x04, 0xb0, 0x01, 0x02, 0x03, 0x04,
    0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88,
    0, 0, 0, 0, 0x3b, 0x9a, 0xca, 0x07,
    0x1c, 0x8e, 0x08, 0xc7, 0x8d, 0x0f, 0x60, 0x1b,
];

#[test]
fn data_header_typed_by_hand() {
    let header = DatagramHeader {
        kind: DatagramKind::Data,
        stream: 2,
        length: 1200,
        session: 0x0102_0304,
        sequence: 0x1122_3344_5566_7788,
        sent_ns: 1_000_000_007,
    };
    let mut datagram = [0x5a; 1200];
    header.emit(&ascending_key(), &mut datagram).expect("fits");
    assert_eq!(datagram[..32], DATA);
    assert!(datagram[32..].iter().all(|byte| *byte == 0x5a));
    datagram[1199] = 0;
    assert_eq!(DatagramHeader::parse(&datagram, &ascending_key()), Ok(header));
}

/// The middle one is the header typed by hand, tag included.
#[test]
fn a_run_is_numbered_on_and_each_of_it_has_its_own_tag() {
    let mut run = [[0x5a; 1200]; 3];
    let first = DatagramHeader {
        sequence: 0x1122_3344_5566_7787,
        ..DatagramHeader::parse(&whole(), &ascending_key()).expect("right tag")
    };
    first.emit_run(&ascending_key(), run.iter_mut().map(<[u8; 1200]>::as_mut_slice)).expect("fits");
    assert_eq!(run[1][..32], DATA);
    let reader = ascending_key().tagger();
    for (datagram, sequence) in run.iter().zip(first.sequence..) {
        assert_eq!(
            DatagramHeader::parse_by(datagram, &reader),
            Ok(DatagramHeader { sequence, ..first })
        );
    }
    let mut short = [0; 1199];
    assert!(first.emit_run(&ascending_key(), std::iter::once(short.as_mut_slice())).is_err());
}

fn whole() -> [u8; 1200] {
    let mut datagram = [0x5a; 1200];
    datagram[..32].copy_from_slice(&DATA);
    datagram
}

/// Laid out by hand; tags by the same independent SipHash-2-4, over header and body.
#[rustfmt::skip]
const CHALLENGE: [u8; 40] = [
    3, 0, 0, 40, 0x01, 0x02, 0x03, 0x04,
    0, 0, 0, 0, 0, 0, 0, 5,
    0, 0, 0, 0, 0x3b, 0x9a, 0xca, 0x07,
    0x34, 0x98, 0xe7, 0xd8, 0x16, 0x43, 0x4f, 0x4b,
    0xa1, 0xa2, 0xa3, 0xa4, 0xa5, 0xa6, 0xa7, 0xa8,
];
#[rustfmt::skip]
const PROBE_REPLY: [u8; 56] = [
    6, 1, 0, 56, 0x01, 0x02, 0x03, 0x04,
    0, 0, 0, 0, 0, 0, 0, 9,
    0, 0, 0, 0, 0x77, 0x35, 0x94, 0x00,
    0x1f, 0xeb, 0x51, 0xf8, 0x95, 0x0b, 0x1c, 0xfb,
    0, 0, 0, 0, 0, 0, 0, 7,
    0, 0, 0, 0, 0x3b, 0x9a, 0xca, 0x07,
    0, 0, 0, 0, 0x77, 0x35, 0x90, 0x18,
];

#[rustfmt::skip]
const STATUS: [u8; 88] = [
    12, 1, 0, 88, 0x01, 0x02, 0x03, 0x04,
    0, 0, 0, 0, 0, 0, 0, 3,
    0, 0, 0, 0, 0x77, 0x35, 0x94, 0x00,
    0xb0, 0x16, 0x23, 0x3f, 0x1e, 0x15, 0x4a, 0x7b,
    0, 0, 0, 0, 0x08, 0xf0, 0xd1, 0x80,
    0, 0, 0, 0, 0, 0, 0x03, 0xe8,
    0, 0, 0, 0, 0, 0, 0, 2,
    0, 0, 0, 0, 0, 0, 0, 3,
    0, 0, 0, 0, 0, 0, 0, 4,
    0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xfb,
    0, 0, 0, 0, 0, 0, 0, 6,
];

#[test]
fn signals_typed_by_hand() {
    let challenge = Signal {
        stream: 0,
        session: 0x0102_0304,
        sequence: 5,
        sent_ns: 1_000_000_007,
        body: SignalBody::Challenge { nonce: 0xa1a2_a3a4_a5a6_a7a8 },
    };
    let reply = Signal {
        stream: 1,
        session: 0x0102_0304,
        sequence: 9,
        sent_ns: 2_000_000_000,
        body: SignalBody::ProbeReply {
            sequence: 7,
            sent_ns: 1_000_000_007,
            received_ns: 1_999_999_000,
        },
    };
    let status = Signal {
        stream: 1,
        session: 0x0102_0304,
        sequence: 3,
        sent_ns: 2_000_000_000,
        body: SignalBody::Status(Status {
            elapsed_ns: 150_000_000,
            received: 1_000,
            lost: 2,
            reordered: 3,
            duplicates: 4,
            delay_us: Some((-5, 6)),
        }),
    };
    for (signal, typed) in [
        (challenge, CHALLENGE.as_slice()),
        (reply, PROBE_REPLY.as_slice()),
        (status, STATUS.as_slice()),
    ] {
        assert_eq!(signal.emit(&ascending_key(), &mut [0xff; MAX_SIGNAL]), Ok(typed));
        let header = DatagramHeader::parse(typed, &ascending_key()).expect("right tag");
        assert_eq!(Signal::read(&header, typed), Some(signal));
    }
}

/// Sized datagrams are tagged whole: who is on the path cannot make one size look like another.
#[test]
fn every_flipped_bit_of_a_sized_datagram_is_refused() {
    let mut datagram = [0xa5; 90];
    let header = DatagramHeader {
        kind: DatagramKind::Sized,
        stream: 2,
        length: 90,
        session: 1,
        sequence: 3,
        sent_ns: 9,
    };
    header.emit(&ascending_key(), &mut datagram).expect("fits");
    assert_eq!(DatagramHeader::parse(&datagram, &ascending_key()), Ok(header));
    assert_eq!(Signal::read(&header, &datagram), None);
    assert!(DatagramHeader::parse(&datagram[..89], &ascending_key()).is_err());
    for at in 0..datagram.len() * 8 {
        let mut bytes = datagram;
        bytes[at / 8] ^= 1 << (at % 8);
        assert!(DatagramHeader::parse(&bytes, &ascending_key()).is_err(), "bit {at}");
    }
}

#[test]
fn no_answer_is_longer_than_its_question() {
    let len = |kind: DatagramKind| kind.fixed_len().expect("no data");
    assert_eq!(len(DatagramKind::Open), 64);
    assert!(len(DatagramKind::Challenge) <= 64);
    assert!(len(DatagramKind::ProbeReply) <= len(DatagramKind::Probe));
    // The shortest sized datagram is a header.
    assert!(len(DatagramKind::SizedSeen) <= HEADER_LEN);
    assert!(len(DatagramKind::SizedTooBig) <= len(DatagramKind::WantSized));
}

#[test]
fn every_flipped_bit_of_a_signal_is_refused() {
    for at in 0..CHALLENGE.len() * 8 {
        let mut bytes = CHALLENGE;
        bytes[at / 8] ^= 1 << (at % 8);
        assert!(DatagramHeader::parse(&bytes, &ascending_key()).is_err(), "bit {at}");
    }
}

#[test]
fn every_flipped_bit_of_a_data_header_is_refused() {
    let mut datagram = [0; 1200];
    datagram[..32].copy_from_slice(&DATA);
    for at in 0..DATA.len() * 8 {
        let mut bytes = datagram;
        bytes[at / 8] ^= 1 << (at % 8);
        assert!(DatagramHeader::parse(&bytes, &ascending_key()).is_err(), "bit {at}");
    }
}

#[test]
fn each_fault_has_its_own_error() {
    let key = ascending_key();
    assert_eq!(DatagramHeader::parse(&DATA[..31], &key), Err(DatagramError::Truncated { got: 31 }));
    let length = DatagramError::Length { kind: DatagramKind::Data, said: 1200, got: 32 };
    assert_eq!(DatagramHeader::parse(&DATA, &key), Err(length));
    let mut bytes = CHALLENGE;
    bytes[0] = 0;
    assert_eq!(DatagramHeader::parse(&bytes, &key), Err(DatagramError::Kind { kind: 0 }));
    let other = DatagramKey::new(Secret::new([9; 16]));
    assert_eq!(DatagramHeader::parse(&CHALLENGE, &other), Err(DatagramError::Tag));
    // A keepalive has no room for a body, even one that is tagged.
    let stuffed = DatagramHeader {
        kind: DatagramKind::Keepalive,
        stream: 0,
        length: 40,
        session: 1,
        sequence: 0,
        sent_ns: 0,
    };
    let refused = DatagramError::Length { kind: DatagramKind::Keepalive, said: 40, got: 40 };
    assert_eq!(stuffed.emit(&key, &mut [0; 40]), Err(refused));
}

proptest! {
    #[test]
    fn any_data_header_survives(stream: u8, length in 32_u16..=2000, session: u32, sequence: u64, sent_ns: u64, key: [u8; 16]) {
        let header = DatagramHeader { kind: DatagramKind::Data, stream, length, session, sequence, sent_ns };
        let key = DatagramKey::new(Secret::new(key));
        let mut datagram = vec![0xa5; length.into()];
        prop_assert_eq!(header.emit(&key, &mut datagram), Ok(()));
        prop_assert_eq!(DatagramHeader::parse(&datagram, &key), Ok(header));
        prop_assert_eq!(Signal::read(&header, &datagram), None);
        datagram.push(0);
        prop_assert!(DatagramHeader::parse(&datagram, &key).is_err());
    }

    #[test]
    fn any_signal_survives(stream: u8, session: u32, sequence: u64, sent_ns: u64, words: [u64; 5], delay: (i64, i64), which in 0..11) {
        let [first, second, third, fourth, fifth] = words;
        let delay_us = Some((delay.0.min(delay.1), delay.0.max(delay.1))).filter(|_| which == 8);
        let body = match which {
            0 => SignalBody::Open,
            1 => SignalBody::Challenge { nonce: first },
            2 => SignalBody::Echo { nonce: first },
            3 => SignalBody::Probe,
            4 => SignalBody::ProbeReply { sequence: first, sent_ns: second, received_ns: third },
            5 => SignalBody::SizedSeen,
            6 => SignalBody::WantSized { bytes: first },
            7 => SignalBody::SizedTooBig { router_takes: first },
            8 | 9 => SignalBody::Status(Status {
                elapsed_ns: first,
                received: second,
                lost: third,
                reordered: fourth,
                duplicates: fifth,
                delay_us,
            }),
            _ => SignalBody::Keepalive,
        };
        let signal = Signal { stream, session, sequence, sent_ns, body };
        let mut buffer = [0xff; MAX_SIGNAL];
        let datagram = signal.emit(&ascending_key(), &mut buffer).expect("fits");
        let header = DatagramHeader::parse(datagram, &ascending_key()).expect("own tag");
        prop_assert_eq!(Signal::read(&header, datagram), Some(signal));
    }

    #[test]
    fn no_bytes_panic(bytes: Vec<u8>, kind in 0_u8..14, mut whole in prop::collection::vec(any::<u8>(), 32..100)) {
        let _ = DatagramHeader::parse(&bytes, &ascending_key());
        whole[0] = kind;
        whole[2] = 0;
        whole[3] = u8::try_from(whole.len()).expect("short");
        let _ = DatagramHeader::parse(&whole, &ascending_key());
    }

    /// The tag of a whole datagram is one hash over the pieces put together.
    #[test]
    fn pieces_hash_as_one(head in prop::collection::vec(any::<u8>(), 24), body: Vec<u8>) {
        let mut hasher = SipHasher24::new_with_key(ascending_key().0.expose());
        hasher.write(&[head.clone(), body.clone()].concat());
        prop_assert_eq!(ascending_key().tagger().tag(DatagramKind::Open, &head, &body), hasher.finish());
    }
}
