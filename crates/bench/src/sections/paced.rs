//! Rates that are kept, datagrams that leave when they are due, and what waiting for that costs.

use std::time::Duration;

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
    let settle = Duration::from_millis(100);
    let mut rows = Vec::new();
    for (rate, bytes) in RATES {
        let run = listener.paced(bytes, rate, (settle, options.paced_for))?;
        let length = settle + options.paced_for;
        let spin = reference(programs, "spin", (rate, bytes), length)?;
        let sleep = reference(programs, "sleep", (rate, bytes), length)?;
        let name = format!("paced {} Mbit/s", rate / 1_000_000);
        say(&format!("{name}: done"));
        let off = (run.offered_bps()? / rate as f64 - 1.0).abs();
        rows.push(
            Row::plain(format!("{name}: offered off asked"), "%", &[off * 100.0])
                .bar(Bar::AtMost(IN_TOTAL * 100.0)),
        );
        let arrived = share_within(&run.steps_of_100_ms()?, rate as f64 / 80.0);
        let even: Vec<f64> = run.even_departures().or(arrived).into_iter().collect();
        rows.push(
            Row::plain(format!("{name}: 100 ms steps within 0.5 %"), "%", &even)
                .bar(Bar::AtLeast(99.0))
                .note(format!(
                    "arrived so {:.1} %; {}",
                    arrived.unwrap_or(f64::NAN),
                    steps_of("spinner", &spin, rate)
                )),
        );
        let late: Vec<f64> = run.departure_lateness_p99_us().into_iter().collect();
        rows.push(lateness(&name, &late, &spin, &sleep));
        let used = run.near.cpu_s / spin.cpu_s;
        let share = Row::plain(format!("{name}: CPU near / spinner"), "", &[used]).note(format!(
            "culvert {:.2} s, spinner {:.2} s, sleeper {:.2} s",
            run.near.cpu_s, spin.cpu_s, sleep.cpu_s
        ));
        rows.push(if rate <= 100_000_000 { share.bar(Bar::AtMost(0.5)) } else { share });
    }
    Ok(rows)
}

struct Paced {
    account: Account,
    cpu_s: f64,
}

impl Paced {
    fn late_us(&self) -> [f64; 3] {
        self.account.lateness_us.unwrap_or([f64::NAN; 3])
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
fn lateness(name: &str, late: &[f64], spin: &Paced, sleep: &Paced) -> Row {
    let [_, spinner, _] = spin.late_us();
    let [_, sleeper, _] = sleep.late_us();
    let row = Row::plain(format!("{name}: departure lateness p99"), "us", late);
    let beside = format!("spinner {spinner:.1} us, sleeper {sleeper:.1} us");
    if spinner <= SPINNER_LATE_US {
        row.bar(Bar::AtMost(LATE_US)).note(beside)
    } else {
        row.note(format!("{beside}: no bar, the spinner itself is late"))
    }
}

fn steps_of(name: &str, paced: &Paced, rate: u64) -> String {
    let steps: Vec<f64> = paced.account.steps.iter().map(|bytes| *bytes as f64).collect();
    let even = share_within(&steps, rate as f64 / 80.0);
    even.map_or_else(String::new, |even| format!("{name} {even:.1} %"))
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
