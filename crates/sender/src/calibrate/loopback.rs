//! Sessions over loopback.

use std::process::Command;
use std::time::Duration;

use culvert_record::RunRecord;

use super::CalibrateError;
use super::bench::{Bench, LISTENER_LIVES, Started, has_record};

/// As long as it may take until a session of a few seconds has ended.
const PATIENCE: Duration = Duration::from_secs(20);
const LISTENER_PATIENCE: Duration = Duration::from_secs(10);
/// A port that is free for TCP may be taken for UDP.
const ATTEMPTS: usize = 5;

const TCP: &[&str] =
    &["bulk", "--toward", "far", "--for", "3s", "--settle", "1s", "--baseline", "0s"];
const UDP: &[&str] = &[
    "paced",
    "--toward",
    "far",
    "--pace",
    "unlimited",
    "--payload",
    "1400",
    "--for",
    "2s",
    "--settle",
    "1s",
    "--baseline",
    "0s",
];
/// Datagrams 0.8 ms apart: each leaves alone, and both programs have time to spare.
pub(super) const PACED: &[&str] = &[
    "paced",
    "--toward",
    "far",
    "--pace",
    "12Mbit/s",
    "--payload",
    "1200",
    "--for",
    "3s",
    "--settle",
    "1s",
    "--baseline",
    "1s",
];

/// The sessions that show how fast both programs are.
#[derive(Debug)]
pub(super) struct Rates {
    pub(super) tcp: RunRecord,
    pub(super) udp: RunRecord,
}

pub(super) fn rates(bench: &Bench<'_>) -> Result<Rates, CalibrateError> {
    let (_listener, target) = listener(bench)?;
    let tcp = session(bench, "a TCP session over loopback", TCP, &target)?;
    let udp = session(bench, "a UDP session over loopback", UDP, &target)?;
    Ok(Rates { tcp, udp })
}

/// The paced session, for a host without an emulated path.
pub(super) fn paced(bench: &Bench<'_>) -> Result<RunRecord, CalibrateError> {
    let (_listener, target) = listener(bench)?;
    session(bench, "a paced session over loopback", PACED, &target)
}

fn listener(bench: &Bench<'_>) -> Result<(Started, String), CalibrateError> {
    let what = "starting culvertd on loopback";
    for _ in 0..ATTEMPTS {
        let mut command = Command::new(bench.culvertd());
        command
            .args(["--listen", "127.0.0.1:0", "--close-after", LISTENER_LIVES, "--state"])
            .arg(bench.state());
        let mut started = bench.start(what, command, "culvertd")?;
        let mut target = None;
        bench.until(what, LISTENER_PATIENCE, || {
            // In this order: what it said before it ended is seen.
            let ended = started.has_ended()?;
            target = bench.log("culvertd").lines().find_map(bound);
            Ok(target.is_some() || ended)
        })?;
        if let Some(target) = target {
            return Ok((started, target));
        }
    }
    Err(bench.failed(what, "culvertd"))
}

/// The address in `… listening on 127.0.0.1:1234, TCP and UDP`.
fn bound(line: &str) -> Option<String> {
    Some(line.split_once("listening on ")?.1.split_once(", TCP")?.0.to_owned())
}

fn session(
    bench: &Bench<'_>,
    what: &str,
    asked: &[&str],
    target: &str,
) -> Result<RunRecord, CalibrateError> {
    let mut command = Command::new(bench.culvert());
    command.args(bench.session(asked, target));
    let started = bench.start(what, command, "record")?;
    let code = bench.wait(what, started, PATIENCE)?;
    if has_record(code) { bench.record(what, "record") } else { Err(bench.failed(what, "record")) }
}
