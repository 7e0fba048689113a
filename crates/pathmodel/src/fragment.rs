//! What becomes of an IP packet that is longer than an MTU.

use crate::Family;

/// The lengths in bytes, headers included, of the pieces a packet of `length` travels in over `mtu`; one when it fits.
///
/// IPv4: each piece repeats the 20-byte header and all but the last carry a multiple of 8 bytes (RFC 791 section
/// 3.2). IPv6: each piece carries the 40-byte header and an 8-byte fragment header (RFC 8200 section 4.5). An `mtu`
/// below the family's least is taken as the least.
pub fn fragment_lengths(length: u32, mtu: u32, family: Family) -> Vec<u32> {
    let mtu = mtu.max(u32::from(family.least_mtu()));
    if length <= mtu {
        return vec![length];
    }
    let header = match family {
        Family::Ipv4 => 20,
        Family::Ipv6 => 40 + FRAGMENT_HEADER,
    };
    let step = (mtu - header) / 8 * 8;
    let mut left = length - family.header_length();
    let mut pieces = Vec::new();
    while left > mtu - header {
        pieces.push(header + step);
        left -= step;
    }
    pieces.push(header + left);
    pieces
}

const FRAGMENT_HEADER: u32 = 8;

#[cfg(test)]
mod tests {
    use super::*;

    /// Our own arithmetic from the rules of RFC 791 section 3.2: 1532 bytes of data are 1480 + 52.
    #[test]
    fn a_packet_of_1552_travels_as_1500_and_72() {
        assert_eq!(fragment_lengths(1552, 1500, Family::Ipv4), [1500, 72]);
    }

    /// Our own arithmetic from RFC 8200 section 4.5: 1512 bytes of data are 1448 + 64, each with 48 bytes in front.
    #[test]
    fn ipv6_pieces_carry_a_fragment_header() {
        assert_eq!(fragment_lengths(1552, 1500, Family::Ipv6), [1496, 112]);
    }

    #[test]
    fn what_fits_stays_whole() {
        assert_eq!(fragment_lengths(1500, 1500, Family::Ipv4), [1500]);
        assert_eq!(fragment_lengths(1501, 1500, Family::Ipv4), [1500, 21]);
    }

    proptest::proptest! {
        #[test]
        fn pieces_fit_and_carry_everything(length in 0_u32..200_000, mtu in 0_u32..70_000, six: bool) {
            let (family, header) = if six { (Family::Ipv6, 48) } else { (Family::Ipv4, 20) };
            let pieces = fragment_lengths(length, mtu, family);
            let mtu = mtu.max(u32::from(family.least_mtu()));
            proptest::prop_assert!(pieces.iter().all(|piece| *piece <= mtu));
            if let [all_but_last @ .., last] = pieces.as_slice() && !all_but_last.is_empty() {
                proptest::prop_assert!(all_but_last.iter().all(|piece| (piece - header) % 8 == 0));
                let carried: u32 = all_but_last.iter().map(|piece| piece - header).sum::<u32>() + last - header;
                proptest::prop_assert_eq!(carried + family.header_length(), length);
            }
        }
    }
}
