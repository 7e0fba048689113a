//! Rates that are kept, datagrams that leave when they are due, and what waiting for that costs.

use std::time::Duration;

use culvert_stats::median;

use crate::culvert::{DATAGRAM_BUFFER, Listener, Programs};
use crate::error::BenchError;
use crate::options::Options;
use crate::process::Running;
use crate::ratio::Bar;
use crate::reference::Account;
use crate::sections::pairs::{account, window};
use crate::table::{Row, say};

/// A rate in payload bits per second and a payload in bytes.
///
/// 100 ms hold a whole number of these datagrams, so that the steps of a perfect pacer are all alike; 0.5 % of 250 is
/// one datagram on the wrong side of a step.
const RATES: [(u64, u16); 3] = [(10_000_000, 500), (100_000_000, 1250), (1_000_000_000, 1250)];
/// The offered rate may differ from the asked one by this share in total, and by this in a step.
const IN_TOTAL: f64 = 0.000_2;
const IN_A_STEP: f64 = 0.005;
/// The lateness that a bar allows, where the spinning reference stays within its own.
const LATE_US: f64 = 25.0;
const SPINNER_LATE_US: f64 = 5.0;

pub(super) fn run(programs: &Programs, options: &Options) -> Result<Vec<Row>, BenchError> {
    let mut listener = Listener::start(programs)?;
    let mut rows = Vec::new();
    for (rate, bytes) in RATES {
        let name = format!("paced {} Mbit/s", rate / 1_000_000);
        let mut rounds = Vec::new();
        for number in 1..=options.paced_rounds {
            rounds.push(round(programs, &mut listener, (rate, bytes), options.paced_for)?);
            say(&format!("{name} {number}/{}: done", options.paced_rounds));
        }
        rows.extend(of_rate(&name, rate, &rounds));
    }
    Ok(rows)
}

/// The program and both references, one after the other.
struct Round {
    off: f64,
    even: Option<f64>,
    arrived_even: Option<f64>,
    late_us: Option<f64>,
    cpu_s: f64,
    spin: Paced,
    sleep: Paced,
}

fn round(
    programs: &Programs,
    listener: &mut Listener,
    (rate, bytes): (u64, u16),
    plateau: Duration,
) -> Result<Round, BenchError> {
    let settle = Duration::from_millis(100);
    let run = listener.paced(bytes, rate, (settle, plateau))?;
    let length = settle + plateau;
    let spin = reference(programs, "spin", (rate, bytes), length)?;
    let sleep = reference(programs, "sleep", (rate, bytes), length)?;
    let arrived_even = share_within(&run.steps_of_100_ms()?, rate as f64 / 80.0);
    Ok(Round {
        off: (run.offered_bps()? / rate as f64 - 1.0).abs(),
        even: run.even_departures().or(arrived_even),
        arrived_even,
        late_us: run.departure_lateness_p99_us(),
        cpu_s: run.near.cpu_s,
        spin,
        sleep,
    })
}

/// The figures of one rate: medians of its rounds, since a machine that takes the core away now and then does so in one.
fn of_rate(name: &str, rate: u64, rounds: &[Round]) -> [Row; 4] {
    let values = |of: fn(&Round) -> Option<f64>| rounds.iter().filter_map(of).collect::<Vec<_>>();
    let mid = |of: fn(&Round) -> Option<f64>| median(&values(of)).unwrap_or(f64::NAN);
    let spinner_even = rounds
        .iter()
        .filter_map(|round| share_within(&round.spin.steps(), rate as f64 / 80.0))
        .collect::<Vec<_>>();
    let total = Row::plain(
        format!("{name}: offered off asked"),
        "%",
        &values(|round| Some(round.off * 100.0)),
    )
    .bar(Bar::AtMost(IN_TOTAL * 100.0));
    let steps =
        Row::plain(format!("{name}: 100 ms steps within 0.5 %"), "%", &values(|round| round.even))
            .bar(Bar::AtLeast(99.0))
            .note(format!(
                "arrived so {:.1} %, spinner {:.1} %",
                mid(|round| round.arrived_even),
                median(&spinner_even).unwrap_or(f64::NAN)
            ));
    let late = lateness(
        name,
        &values(|round| round.late_us),
        mid(|round| Some(round.spin.late_us())),
        mid(|round| Some(round.sleep.late_us())),
    );
    let used = Row::plain(
        format!("{name}: CPU near / spinner"),
        "",
        &values(|round| Some(round.cpu_s / round.spin.cpu_s)),
    )
    .note(format!(
        "culvert {:.2} s, spinner {:.2} s, sleeper {:.2} s",
        mid(|round| Some(round.cpu_s)),
        mid(|round| Some(round.spin.cpu_s)),
        mid(|round| Some(round.sleep.cpu_s))
    ));
    [total, steps, late, if rate <= 100_000_000 { used.bar(Bar::AtMost(0.5)) } else { used }]
}

struct Paced {
    account: Account,
    cpu_s: f64,
}

impl Paced {
    /// The lateness that 99 in 100 departures keep, microseconds.
    fn late_us(&self) -> f64 {
        self.account.lateness_us.map_or(f64::NAN, |[_, p99, _]| p99)
    }

    /// Bytes of each 100 ms.
    fn steps(&self) -> Vec<f64> {
        self.account.steps.iter().map(|bytes| *bytes as f64).collect()
    }
}

fn reference(
    programs: &Programs,
    how: &str,
    (rate, bytes): (u64, u16),
    length: Duration,
) -> Result<Paced, BenchError> {
    let program = programs.path("culvert-reference");
    let mut taking = vec![
        "take-datagrams".to_owned(),
        "--how=many".to_owned(),
        format!("--bytes={bytes}"),
        format!("--buffer={DATAGRAM_BUFFER}"),
    ];
    taking.extend(window(Duration::ZERO, length));
    let mut receiver = Running::start(&program, programs.cores.far, taking)?;
    let pacing = [
        "pace".to_owned(),
        format!("--port={}", receiver.line()?),
        format!("--how={how}"),
        format!("--bytes={bytes}"),
        format!("--bits-per-second={rate}"),
        format!("--for={}ms", length.as_millis()),
    ];
    let sender = Running::start(&program, programs.cores.near, pacing)?.finish()?;
    receiver.finish()?;
    Ok(Paced { account: account(&sender.stdout)?, cpu_s: sender.cpu_s })
}

/// The bar holds where the spinner, in the same run, shows that this machine lets a thread be punctual.
fn lateness(name: &str, late: &[f64], spinner: f64, sleeper: f64) -> Row {
    let row = Row::plain(format!("{name}: departure lateness p99"), "us", late);
    let beside = format!("spinner {spinner:.1} us, sleeper {sleeper:.1} us");
    if spinner <= SPINNER_LATE_US {
        row.bar(Bar::AtMost(LATE_US)).note(beside)
    } else {
        row.note(format!("{beside}: no bar, the spinner itself is late"))
    }
}

/// The share of steps that differ from `asked` bytes by the allowed share at most, in percent; `None` without a step.
fn share_within(steps: &[f64], asked: f64) -> Option<f64> {
    let even = steps.iter().filter(|bytes| (**bytes / asked - 1.0).abs() <= IN_A_STEP + 1e-9);
    (!steps.is_empty()).then(|| even.count() as f64 * 100.0 / steps.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10 Mbit/s are 125,000 bytes in 100 ms: 250 datagrams of 500 bytes. One more or less is 0.4 %, two are 0.8 %.
    #[test]
    fn a_step_may_hold_one_datagram_of_its_neighbour() {
        let steps = [125_000.0, 125_500.0, 124_500.0, 126_000.0];
        assert_eq!(share_within(&steps, 10e6 / 80.0), Some(75.0));
        assert_eq!(share_within(&[], 1.0), None);
        for (rate, bytes) in RATES {
            assert_eq!(rate / 80 % u64::from(bytes), 0, "{rate} {bytes}");
        }
    }
}
