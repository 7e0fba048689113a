use proptest::prelude::*;

use super::*;

/// A UDP datagram from 10.0.0.1:1000 to 10.0.0.2:2000, laid out by hand after RFC 791 section 3.1 and RFC 768.
fn datagram(payload: usize, flags_and_offset: u16) -> Vec<u8> {
    let total = u16::try_from(28 + payload).unwrap();
    let mut bytes = vec![0x45, 0];
    bytes.extend(total.to_be_bytes());
    bytes.extend([0x12, 0x34]);
    bytes.extend(flags_and_offset.to_be_bytes());
    bytes.extend([64, 17, 0, 0, 10, 0, 0, 1, 10, 0, 0, 2]);
    bytes.extend([0x03, 0xe8, 0x07, 0xd0]);
    bytes.extend((total - 20).to_be_bytes());
    bytes.extend([0, 0]);
    bytes.extend((0..payload).map(|at| u8::try_from(at % 251).unwrap()));
    bytes
}

/// The same from `fd00::1` to `fd00::2` (RFC 8200 section 3).
fn datagram_v6(payload: usize) -> Vec<u8> {
    let mut bytes = vec![0x60, 0, 0, 0];
    bytes.extend(u16::try_from(8 + payload).unwrap().to_be_bytes());
    bytes.extend([17, 64]);
    for last in [1, 2] {
        bytes.extend([0xfd, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, last]);
    }
    bytes.extend([0x03, 0xe8, 0x07, 0xd0]);
    bytes.resize(48 + payload, 0);
    bytes
}

const FLOW: Flow = Flow { protocol: 17, source_port: Some(1000), destination_port: Some(2000) };

#[test]
fn headers_are_read() {
    let mut bytes = datagram(100, DONT_FRAGMENT);
    bytes.extend([0; 18]);
    let headers = read(&bytes).unwrap();
    let packet = Packet { length: 128, may_be_split: false, flow: FLOW };
    assert_eq!(headers.packet, packet);
    assert_eq!((headers.source, headers.destination), (v4(1), v4(2)));
    assert!(read(&datagram(100, 0)).unwrap().packet.may_be_split);

    let headers = read(&datagram_v6(100)).unwrap();
    assert_eq!(headers.packet, Packet { length: 148, ..packet });
    assert_eq!(headers.source, "fd00::1".parse::<IpAddr>().unwrap());

    let later = read(&datagram(100, 5)).unwrap();
    assert_eq!(later.packet.flow, Flow { protocol: 17, source_port: None, destination_port: None });
}

fn v4(last: u8) -> IpAddr {
    Ipv4Addr::new(10, 0, 0, last).into()
}

/// The worked example of RFC 1071 section 3: the sum is ddf2.
#[test]
fn the_checksum_is_the_published_one() {
    let bytes = [0x00, 0x01, 0xf2, 0x03, 0xf4, 0xf5, 0xf6, 0xf7];
    assert_eq!(checksum(&bytes, 0), !0xddf2);
}

/// Whatever is summed with its own checksum gives all ones (RFC 1071 section 1).
fn verifies(bytes: &[u8], before: u64) -> bool {
    checksum(bytes, before) == 0
}

#[test]
fn an_answer_tells_the_mtu_to_the_sender() {
    let mtu = Mtu::new(1380).unwrap();
    let cause = datagram(1400, DONT_FRAGMENT);
    let answer = too_long(&cause, &read(&cause).unwrap(), mtu).unwrap();
    let headers = read(&answer).unwrap();
    assert_eq!((headers.source, headers.destination), (v4(2), v4(1)));
    assert_eq!((answer.len(), headers.packet.length), (576, 576));
    assert_eq!(answer[9], 1);
    // Type 3, code 4, the MTU in the second half of the second word (RFC 1191 section 4), then the packet.
    assert_eq!((answer[20..22].to_vec(), answer[26..28].to_vec()), (vec![3, 4], vec![0x05, 0x64]));
    assert_eq!(answer[28..], cause[..548]);
    assert!(verifies(&answer[..20], 0) && verifies(&answer[20..], 0));

    let cause = datagram_v6(1400);
    let answer = too_long(&cause, &read(&cause).unwrap(), mtu).unwrap();
    assert_eq!((answer.len(), answer[6], answer[40], answer[41]), (1280, 58, 2, 0));
    assert_eq!(answer[44..48], [0, 0, 0x05, 0x64]);
    assert_eq!(answer[48..], cause[..1232]);
    let mut pseudo = answer[8..40].to_vec();
    pseudo.extend([0, 0, 0x04, 0xd8, 0, 0, 0, 58]);
    assert!(verifies(&answer[40..], sum(&pseudo)));
}

#[test]
fn errors_and_later_fragments_are_not_answered() {
    let mtu = Mtu::new(68).unwrap();
    let mut error = datagram(100, DONT_FRAGMENT);
    (error[9], error[20]) = (1, 3);
    assert_eq!(too_long(&error, &read(&error).unwrap(), mtu), None);
    error[20] = 8;
    assert!(too_long(&error, &read(&error).unwrap(), mtu).is_some());
    let fragment = datagram(100, DONT_FRAGMENT | 5);
    assert_eq!(too_long(&fragment, &read(&fragment).unwrap(), mtu), None);
    let answer = too_long(&datagram_v6(100), &read(&datagram_v6(100)).unwrap(), mtu).unwrap();
    assert_eq!(too_long(&answer, &read(&answer).unwrap(), mtu), None);
}

/// 1532 bytes of data are 1480 + 52 (RFC 791 section 3.2), the second at 1480 / 8 = 185.
#[test]
fn a_packet_of_1552_is_split_into_1500_and_72() {
    let whole = datagram(1524, 0);
    let pieces = split(&whole, &read(&whole).unwrap(), Mtu::ETHERNET);
    assert_eq!(pieces.iter().map(Vec::len).collect::<Vec<_>>(), [1500, 72]);
    assert_eq!((&pieces[0][6..8], &pieces[1][6..8]), (&[0x20, 0][..], &[0, 185][..]));
    assert!(pieces.iter().all(|piece| verifies(&piece[..20], 0)));
}

proptest! {
    #[test]
    fn pieces_make_up_the_whole(payload in 0_usize..4_000, mtu in 68_u16..2_000, offset in 0_u16..500, more: bool) {
        let whole = datagram(payload, offset | if more { MORE_FRAGMENTS } else { 0 });
        let pieces = split(&whole, &read(&whole).unwrap(), Mtu::new(mtu).unwrap());
        let mut expected = usize::from(offset) * 8;
        let mut data: Vec<u8> = Vec::new();
        for (place, piece) in pieces.iter().enumerate() {
            let headers = read(piece).unwrap();
            prop_assert!(piece.len() <= usize::from(mtu) && headers.packet.length as usize == piece.len());
            let flags = be16(piece, 6).unwrap();
            prop_assert_eq!(usize::from(flags & OFFSET) * 8, expected);
            prop_assert_eq!(flags & MORE_FRAGMENTS != 0, more || place + 1 < pieces.len());
            expected += piece.len() - 20;
            data.extend(&piece[20..]);
        }
        prop_assert_eq!(&data[..], &whole[20..]);
    }

    #[test]
    fn no_bytes_panic(mut bytes: Vec<u8>, six: bool, mtu in 68_u16..2_000) {
        if let Some(first) = bytes.first_mut() {
            *first = if six { 0x60 } else { 0x40 | (*first & 15) };
        }
        if let Some(headers) = read(&bytes) {
            let mtu = Mtu::new(mtu).unwrap();
            let _ = too_long(&bytes, &headers, mtu);
            if !six {
                let _ = split(&bytes, &headers, mtu);
            }
        }
    }
}
