//! Sessions over an emulated path.
//!
//! Making namespaces without rights needs a process with one thread: this program is started anew as the emulation.

use std::ffi::{OsStr, OsString};
use std::process::{Command, ExitCode};
use std::time::Duration;

use culvert_os::files;
use culvert_record::{Lateness, RunRecord};
use serde_json::Value;

use super::CalibrateError;
use super::bench::{Bench, LISTENER_LIVES, has_record};
use super::loopback::PACED;

/// The first argument with which this program is the emulation.
const WORD: &str = "emulate-path";
/// A session takes about six seconds.
const PATIENCE: Duration = Duration::from_secs(25);
const WHAT: &str = "the emulated path";

/// What each way takes.
pub(super) const DELAY_EACH_WAY_US: i64 = 5_000;
/// The rate of the line that has one, all of Ethernet counted.
pub(super) const LINE_BPS: u64 = 100_000_000;
const FAR: &str = "10.90.1.2";
const PORT: &str = "28460";
const RECORD: &str = "record";

const LINE: &[&str] =
    &["bulk", "--toward", "far", "--for", "4s", "--settle", "2s", "--baseline", "0s"];

/// What was measured over it.
#[derive(Debug)]
pub(super) struct Emulated {
    /// Datagrams over a path that takes the same time for every packet.
    pub(super) paced: RunRecord,
    /// TCP over a line of known rate.
    pub(super) line: RunRecord,
    /// How late the emulation let the datagrams go.
    pub(super) lateness: Option<Lateness>,
    /// How late it let the packets of the line go.
    pub(super) line_lateness: Option<Lateness>,
}

/// Whether this process was started as the emulation, which then has run to its end.
pub(crate) fn emulates() -> Option<ExitCode> {
    let mut arguments = std::env::args_os();
    let program = arguments.next()?;
    (arguments.next()? == WORD)
        .then(|| culvert_pathlab::run_with(std::iter::once(program).chain(arguments)))
}

/// One emulation a session, so that its truth is that of the session alone.
pub(super) fn measure(bench: &Bench<'_>) -> Result<Emulated, CalibrateError> {
    let steady = session(bench, PACED, &format!("delay = \"{DELAY_EACH_WAY_US}us\""))?;
    let shaped = format!("rate = \"{LINE_BPS}bit/s\"\ndelay = \"{DELAY_EACH_WAY_US}us\"");
    let line = session(bench, LINE, &shaped)?;
    Ok(Emulated { paced: steady.0, lateness: steady.1, line: line.0, line_lateness: line.1 })
}

/// The record of a session, and how late the emulation let its packets go.
fn session(
    bench: &Bench<'_>,
    asked: &[&str],
    conditions: &str,
) -> Result<(RunRecord, Option<Lateness>), CalibrateError> {
    let config = bench.file("path.toml");
    files::replace(&config, configuration(conditions).as_bytes())?;
    let mut command = Command::new(bench.culvert());
    command
        .args([WORD, "run", "--far-listens", PORT, "--config"])
        .arg(config)
        .arg("--far")
        .arg(far_command(bench))
        .arg("--near")
        .arg(near_command(bench, asked))
        .arg("--truth")
        .arg(bench.file("truth"));
    let started = bench.start(WHAT, command, "emulation")?;
    let code = bench.wait(WHAT, started, PATIENCE)?;
    if !has_record(code) {
        return Err(bench.failed(WHAT, "emulation"));
    }
    let truth = truth(bench)?;
    if is_whole(&truth) {
        Ok((bench.record(WHAT, RECORD)?, lateness(&truth)))
    } else {
        Err(CalibrateError::Disturbed)
    }
}

fn configuration(conditions: &str) -> String {
    format!(
        "[[paths]]\nname = \"known\"\nnear = \"10.90.1.1\"\nfar = \"{FAR}\"\n[paths.both_ways]\n{conditions}\n"
    )
}

fn far_command(bench: &Bench<'_>) -> OsString {
    let listen = format!("{FAR}:{PORT}");
    let mut words = vec![OsString::from("exec"), quoted(bench.culvertd().as_os_str())];
    words.extend(["--listen", &listen, "--close-after", LISTENER_LIVES, "--state"].map(Into::into));
    words.push(quoted(bench.state().as_os_str()));
    words.join(OsStr::new(" "))
}

fn near_command(bench: &Bench<'_>, asked: &[&str]) -> OsString {
    let mut words = vec![OsString::from("exec"), quoted(bench.culvert().as_os_str())];
    words.extend(bench.session(asked, FAR).iter().map(|word| quoted(word)));
    words.push(">".into());
    words.push(quoted(bench.file(RECORD).as_os_str()));
    words.join(OsStr::new(" "))
}

/// As one word of a shell.
fn quoted(word: &OsStr) -> OsString {
    let mut quoted = OsString::from("'");
    for (place, part) in word.as_encoded_bytes().split(|byte| *byte == b'\'').enumerate() {
        if place > 0 {
            quoted.push(r"'\''");
        }
        quoted.push(<OsStr as std::os::unix::ffi::OsStrExt>::from_bytes(part));
    }
    quoted.push("'");
    quoted
}

fn truth(bench: &Bench<'_>) -> Result<Value, CalibrateError> {
    let bytes = std::fs::read(bench.file("truth"))
        .map_err(CalibrateError::system("reading what truly happened on the emulated path"))?;
    serde_json::from_slice(&bytes).map_err(|_| bench.failed(WHAT, "emulation"))
}

const CARRIERS: [&str; 2] = ["/carriers/toward_far", "/carriers/toward_near"];

/// Whether nothing but the path delayed or dropped packets.
fn is_whole(truth: &Value) -> bool {
    let none = |value: &Value| value.as_u64() == Some(0);
    let faults = CARRIERS.iter().all(|carrier| {
        let faults = truth.pointer(&format!("{carrier}/faults")).and_then(Value::as_object);
        faults.is_some_and(|faults| faults.values().all(none))
    });
    let devices = truth.pointer("/devices").and_then(Value::as_array);
    let dropped = |device: &Value| {
        ["receive_dropped", "send_dropped"].iter().any(|key| !device.get(key).is_some_and(none))
    };
    faults && devices.is_some_and(|devices| !devices.iter().any(dropped))
}

/// Of the way that both sessions load; the other one carries too few packets for a percentile.
fn lateness(truth: &Value) -> Option<Lateness> {
    let late = truth.pointer("/carriers/toward_far/lateness_us")?;
    let at = |key| late.get(key)?.as_f64();
    Some(Lateness { n: late.get("n")?.as_u64()?, p50_us: at("p50")?, p99_us: at("p99")? })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_paths_are_ones_that_the_emulation_takes() {
        for conditions in ["delay = \"5000us\"", "rate = \"100000000bit/s\""] {
            let lab = culvert_pathlab::Lab::parse(&configuration(conditions));
            assert_eq!(lab.expect("a configuration").paths().len(), 1);
        }
    }

    #[test]
    fn a_shell_takes_a_quoted_word_as_it_is() {
        for word in ["plain", "it's $HOME; `id`", "'", ""] {
            let script = format!("printf %s {}", quoted(OsStr::new(word)).to_string_lossy());
            let output = Command::new("/bin/sh").args(["-c", &script]).output().expect("a shell");
            assert_eq!(String::from_utf8_lossy(&output.stdout), word);
        }
    }

    #[test]
    fn a_truth_with_faults_or_without_counters_is_not_whole() {
        let carrier = |cut: u64, p99: f64| json!({"faults": {"ring_full": 0, "cut": cut}, "lateness_us": {"n": 7, "p50": 1.5, "p99": p99}});
        let whole = |cut, dropped: u64| {
            json!({"carriers": {"toward_far": carrier(0, 12.5), "toward_near": carrier(cut, 31.0)},
                   "devices": [{"receive_dropped": 0, "send_dropped": dropped}]})
        };
        assert!(is_whole(&whole(0, 0)));
        assert!(!is_whole(&whole(1, 0)) && !is_whole(&whole(0, 1)) && !is_whole(&json!({})));
        assert_eq!(lateness(&whole(0, 0)), Some(Lateness { n: 7, p50_us: 1.5, p99_us: 12.5 }));
        assert_eq!(lateness(&json!({})), None);
    }
}
