//! One TCP flow beside a loop that writes the same block and reads or discards it.

use crate::culvert::{Listener, Programs, WRITE_BYTES};
use crate::error::BenchError;
use crate::options::Options;
use crate::ratio::{Bar, Figure};
use crate::sections::pairs::{Outcome, compare, context, rounds, window};
use crate::table::{Row, say};

/// How the reference receives, and how it is called.
const CANDIDATES: [(&str, &str); 2] = [("read", "write/read"), ("discard", "write/discard")];
/// Runs of each loop before the faster one is named.
const TRIALS: u16 = 3;

pub(super) fn run(
    programs: &Programs,
    options: &Options,
    congestion_control: &str,
) -> Result<Vec<Row>, BenchError> {
    let reference = |how: &str| {
        let mut receiver = vec!["take".to_owned(), format!("--how={how}")];
        receiver.extend(window(options.settle, options.plateau));
        let sender = vec!["write".to_owned(), format!("--bytes={WRITE_BYTES}")];
        let chosen = format!("--congestion-control={congestion_control}");
        let with = |mut words: Vec<String>| {
            words.push(chosen.clone());
            words
        };
        Outcome::of_reference(programs, &with(receiver), &with(sender))
    };
    let (how, called) = best(reference)?;
    say(&format!("TCP {congestion_control}: the reference is {called}"));
    let mut listener = Listener::start(programs)?;
    let name = format!("TCP {congestion_control}");
    let rounds = rounds(
        options.pairs,
        &name,
        || {
            let run = listener.bulk(congestion_control, 1, (options.settle, options.plateau))?;
            Outcome::of_run(&run)
        },
        || reference(how),
    )?;
    let mut rows = vec![
        Row::ratio(format!("{name}, 1 flow: goodput / {called}"), {
            compare(&rounds, |outcome| outcome.goodput_bps)
        })
        .bar(Bar::AtLeast(0.97)),
        Row::ratio(format!("{name}: CPU s per GiB, both ends / {called}"), {
            compare(&rounds, Outcome::cpu_s_per_gib)
        })
        .bar(Bar::AtMost(1.05)),
    ];
    rows.extend(context(&name, &rounds));
    Ok(rows)
}

/// Names the faster loop, by runs that count for nothing else.
fn best(
    reference: impl Fn(&str) -> Result<Outcome, BenchError>,
) -> Result<(&'static str, &'static str), BenchError> {
    let mut rates = CANDIDATES.map(|_| Vec::new());
    for _ in 0..TRIALS {
        for ((how, _), rates) in CANDIDATES.iter().zip(&mut rates) {
            rates.push(reference(how)?.goodput_bps);
        }
    }
    let median = |rates: &Vec<f64>| Figure::of(rates).map_or(0.0, |figure| figure.median);
    let [first, second] = CANDIDATES;
    let [of_first, of_second] = rates.each_ref().map(median);
    Ok(if of_first > of_second { first } else { second })
}
