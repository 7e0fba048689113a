//! Unpaced datagrams, every one numbered, tagged, timed and accounted, beside loops that do none of it.

use crate::culvert::{DATAGRAM_BUFFER, Listener, Offload, Programs};
use crate::error::BenchError;
use crate::options::Options;
use crate::ratio::Bar;
use crate::sections::pairs::{Outcome, compare, context, rounds, window};
use crate::table::Row;

/// A size, what may help, and the loop it is held against.
pub(super) struct Flood {
    name: &'static str,
    bytes: u16,
    offload: Offload,
    how: &'static str,
    called: &'static str,
    bar: f64,
}

pub(super) const LARGE: Flood = Flood {
    name: "UDP 1400 B",
    bytes: 1400,
    offload: Offload::Free,
    how: "segments",
    called: "segments cut and joined by the kernel",
    bar: 0.88,
};

pub(super) const SMALL: Flood = Flood { name: "UDP 64 B", bytes: 64, bar: 0.75, ..LARGE };

pub(super) const BATCHES: Flood = Flood {
    name: "UDP 1400 B without offloads",
    offload: Offload::Off,
    how: "many",
    called: "sendmmsg/recvmmsg",
    bar: 0.95,
    ..LARGE
};

pub(super) fn run(
    programs: &Programs,
    options: &Options,
    flood: &Flood,
) -> Result<Vec<Row>, BenchError> {
    let common = [
        format!("--how={}", flood.how),
        format!("--bytes={}", flood.bytes),
        format!("--buffer={DATAGRAM_BUFFER}"),
    ];
    let mut receiver = vec!["take-datagrams".to_owned()];
    receiver.extend(common.iter().cloned());
    receiver.extend(window(options.settle, options.plateau));
    let mut sender = vec!["send-datagrams".to_owned()];
    sender.extend(common);
    let mut listener = Listener::start(programs)?;
    let rounds = rounds(
        options.pairs,
        flood.name,
        || {
            let times = (options.settle, options.plateau);
            Outcome::of_run(&listener.flood(flood.bytes, flood.offload, times)?)
        },
        || Outcome::of_reference(programs, &receiver, &sender),
    )?;
    let (name, called) = (flood.name, flood.called);
    let mut rows = vec![
        Row::ratio(format!("{name}: delivered / {called}"), {
            compare(&rounds, |outcome| outcome.goodput_bps)
        })
        .bar(Bar::AtLeast(flood.bar)),
        Row::ratio(format!("{name}: CPU s per GiB, both ends / {called}"), {
            compare(&rounds, Outcome::cpu_s_per_gib)
        }),
    ];
    rows.extend(context(name, &rounds));
    Ok(rows)
}
