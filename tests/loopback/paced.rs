//! Paced sessions: every datagram accounted for.

use std::net::IpAddr;

use culvert_record::Direction;

use crate::check::{loaded, record, ways};
use crate::common::{Pair, V4, V6, alone};

const PACE_BPS: u64 = 8_000_000;
const LENGTH: [&str; 4] = ["--for", "1s", "--settle", "200ms"];
const LENGTH_MS: u64 = 1_200;
const MOST_ATTEMPTS: usize = 4;

#[test]
fn tiny_datagrams() {
    each_way(V4, 32);
}

#[test]
fn usual_datagrams() {
    each_way(V4, 1_200);
}

#[test]
fn usual_datagrams_over_ipv6() {
    each_way(V6, 1_200);
}

#[test]
fn large_datagrams() {
    each_way(V4, 8_000);
}

fn each_way(ip: IpAddr, payload: u64) {
    let _alone = alone();
    let pair = Pair::at(ip);
    for toward in ["far", "near", "both"] {
        let size = payload.to_string();
        let options = ["paced", "--toward", toward, "--pace", "8Mbit/s", "--payload", &size];
        // A transmitter that the machine lets wait for more than 10 ms drops what it owes and says so in its counts:
        // what else this machine does must not decide, so one of a few runs has to keep its pace to the datagram.
        let mut offers = Vec::new();
        while !offers.iter().any(|run: &Vec<Offer>| run.iter().all(Offer::is_as_asked)) {
            assert!(
                offers.len() < MOST_ATTEMPTS,
                "no run toward {toward} kept its pace: {offers:?}"
            );
            let record = record(&pair, &options, &LENGTH);
            assert!(record.fragmentation_allowed.is_some());
            let ways = ways(&record, toward);
            let directions = ways.iter().map(|way| loaded(&record, *way));
            offers.push(directions.map(|direction| checked(direction, payload)).collect());
        }
    }
}

/// What one transmitter did, beside what was asked of it.
#[derive(Debug)]
struct Offer {
    sent: u64,
    planned: u64,
    bps: u64,
}

impl Offer {
    /// Whether every planned datagram left, at the pace asked to within half a percent.
    fn is_as_asked(&self) -> bool {
        self.sent == self.planned && self.bps.abs_diff(PACE_BPS) <= PACE_BPS / 200
    }
}

/// On loopback nothing is lost: whatever left arrives, once and in order.
fn checked(direction: &Direction, payload: u64) -> Offer {
    let (sent, bps) = direction.sent.zip(direction.offered_bps).expect("counted");
    // Number i is due at i · payload / pace, and so many are due before the end; rounding up counts number 0.
    let planned = (PACE_BPS * LENGTH_MS).div_ceil(1000 * payload * 8);
    assert!((1..=planned).contains(&sent), "{planned} were planned: {direction:#?}");
    assert_eq!(direction.received, Some(sent), "{direction:#?}");
    assert_eq!(direction.bytes_sent, Some(sent * payload));
    assert_eq!(direction.bytes_received, Some(sent * payload));
    let counts = [direction.lost, direction.reordered, direction.duplicates];
    assert_eq!(counts, [Some(0); 3], "{direction:#?}");
    assert_eq!(direction.host_dropped, Some(0));
    assert_eq!((direction.loss_ratio, direction.reordered_ratio), (Some(0.0), Some(0.0)));
    assert_eq!(direction.delivered_bps, direction.offered_bps, "nothing was lost");
    assert!(direction.interarrival_jitter_us.is_some_and(|jitter| jitter >= 0.0));
    let pdv = direction.pdv_us.expect("delays above the least (RFC 5481)");
    assert!(pdv.min == 0 && pdv.p50 <= pdv.max, "{pdv:?}");
    assert!(direction.ipdv_us.is_some(), "delay differences (RFC 3393)");
    let buffer = direction.receive_buffer.expect("buffers");
    assert!(buffer.asked_bytes.is_some() && buffer.granted_bytes >= buffer.asked_bytes);
    assert!(direction.tcp.is_none());
    Offer { sent, planned, bps }
}
