use culvert_record::{CapacityVoid, LedgerContents, Place};
use culvert_units::BitRate;

use super::*;
use crate::compare_ledger;
use crate::samples::header;

fn search(name: &str, encapsulation: &str, sustained_bps: u64) -> CapacityRecord {
    let sample = include_str!("../../../record/src/samples/capacity.json");
    let mut search: CapacityRecord = serde_json::from_str(sample).expect("the sample");
    search.path.name = Some(name.to_owned());
    search.path.encapsulation = Some(encapsulation.to_owned());
    search.path.place = Some(if encapsulation == "none" { Place::Outside } else { Place::Inside });
    search.sustained_bps = Some(BitRate::from_bits_per_second(sustained_bps));
    search
}

/// IPv4 of 1250 bytes is 1288 on Ethernet (IEEE 802.3: 14 + 4 + 20); in `WireGuard` its 1250 bytes are padded to 1264 and
/// have 60 more (protocol paper 5.4.6: 16 header, 16 tag, 8 UDP, 20 IP), 1362 on Ethernet. So headers leave 1288 / 1362.
#[test]
fn a_tunnel_is_held_against_outside_and_against_what_its_headers_leave() {
    let mut lost = search("wireguard", "wireguard", 1);
    lost.void = Some(CapacityVoid::NothingCounted {}.to_finding());
    let searches = [
        search("wireguard", "wireguard", 94_000_000),
        search("port", "none", 100_000_000),
        search("wireguard", "wireguard", 93_000_000),
        search("wireguard", "wireguard", 95_000_000),
        lost,
    ];
    let rows = rows(None, &searches);
    let names: Vec<_> = rows.iter().map(|row| row.path.name.as_str()).collect();
    assert_eq!(names, ["port", "wireguard"], "outside first");
    let inside = &rows[1];
    assert_eq!((inside.valid, inside.void, inside.void_reasons.len()), (3, 1, 1));
    assert_eq!(inside.sustained_bps.as_ref().map(|all| all.median), Some(94e6));
    assert_eq!(inside.share_of_outside.map(Fraction::get), Some(0.94));
    let headers = inside.share_by_headers.expect("both encapsulations are known").get();
    assert!((headers - 1_288.0 / 1_362.0).abs() < 1e-9, "{headers}");
    assert_eq!((rows[0].share_of_outside, rows[0].ceiling_bps), (None, None));
}

/// The sample survey's line toward far carries 20 Mbit/s as Ethernet counts, and a packet of 1250 bytes takes 1288.
#[test]
fn a_stated_line_gives_the_ceiling_of_ip_packets() {
    let header = header();
    let rows = rows(Some(&header), &[search("outside", "none", 1)]);
    let ceiling = rows[0].ceiling_bps.expect("a ceiling");
    assert!((ceiling - 20e6 * 1_250.0 / 1_288.0).abs() < 2.0, "{ceiling}");
}

#[test]
fn a_ledger_of_searches_alone_is_compared_with_its_cautions() {
    let contents =
        LedgerContents { capacities: vec![search("pptp", "pptp-mppe", 1)], ..Default::default() };
    let comparison = compare_ledger(&contents);
    assert_eq!((comparison.rows.len(), comparison.capacities.len()), (0, 1));
    let said = comparison.cautions.join("\n");
    assert!(said.contains("pptp gives no confidentiality"), "{said}");
}
