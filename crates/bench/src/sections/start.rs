//! How soon data flows, and what a session costs besides its own length.

use std::time::Duration;

use crate::culvert::{Listener, Programs};
use crate::error::BenchError;
use crate::options::Options;
use crate::ratio::Bar;
use crate::relay::Relay;
use crate::table::{Row, say};

/// Sessions of five seconds; their lengths hardly differ.
const WHOLE_SESSIONS: u16 = 5;

pub(super) fn run(programs: &Programs, options: &Options) -> Result<Vec<Row>, BenchError> {
    let mut listener = Listener::start(programs)?;
    let second = (Duration::ZERO, Duration::from_secs(1));
    let mut first = Vec::new();
    for _ in 0..options.pairs {
        let relay = Relay::to(listener.port)?;
        let run = listener.bulk_through(relay.port, second)?;
        let after = relay.first_data().and_then(|seen| seen.checked_duration_since(run.near.began));
        first.extend(after.map(|after| after.as_secs_f64() * 1e3));
    }
    let mut whole = Vec::new();
    let five = (Duration::ZERO, Duration::from_secs(5));
    for number in 0..options.pairs.min(WHOLE_SESSIONS) {
        whole.push(listener.bulk_through(listener.port, five)?.near.wall.as_secs_f64());
        say(&format!("whole session {}: {:.3} s", number + 1, whole.last().unwrap_or(&0.0)));
    }
    let note = if listener.begins_with_probe() {
        "with the probe before it: culvert cannot leave it out yet"
    } else {
        "without the probe before it"
    };
    Ok(vec![
        Row::plain("culvert bulk: exec to the first data byte", "ms", &first)
            .bar(Bar::AtMost(40.0))
            .note(note),
        Row::plain("culvert bulk --for 5s --settle 0s: whole", "s", &whole)
            .bar(Bar::AtMost(5.15))
            .note(note),
    ])
}
