//! One direction in virtual time.

mod chances;
mod changes;
mod lines;
mod order;
mod shared;
mod truths;

use super::*;
use crate::Change;

const MILLISECOND: u64 = 1_000_000;
const SECOND: u64 = 1_000 * MILLISECOND;

const UDP: Flow = Flow { protocol: 17, source_port: Some(40_000), destination_port: Some(28_460) };

fn packet(length: u32) -> Packet {
    Packet { length, may_be_split: false, flow: UDP }
}

fn config(conditions: Conditions) -> WayConfig {
    WayConfig {
        tunnel: None,
        mtu: Mtu::ETHERNET,
        changes: vec![Change { at_ns: 0, conditions }],
        seed: 7,
        listed: usize::MAX,
    }
}

fn way(conditions: Conditions) -> OneWay<u32> {
    OneWay::new(config(conditions))
}

/// Offers `count` packets of `length` bytes, one every `apart_ns`; their tokens count from 0.
fn offer_all(way: &mut OneWay<u32>, count: u32, apart_ns: u64, length: u32) -> Vec<Verdict> {
    (0..count).map(|n| way.offer(u64::from(n) * apart_ns, packet(length), n)).collect()
}

/// Everything that is on its way, in the order it goes out.
fn drain(way: &mut OneWay<u32>) -> Vec<Departure<u32>> {
    std::iter::from_fn(|| way.take_due(u64::MAX)).collect()
}

fn kept(verdict: &Verdict) -> bool {
    matches!(verdict, Verdict::Kept { .. })
}
