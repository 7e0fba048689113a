//! The instrument's certificate: made end to end, quoted by later runs, and never in their way.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread;
use std::time::Duration;

use culvert_record::{Between, Certificate};

use crate::common::{Bench, Finished, Pair, Running, V4, alone, schema};

/// It says half a minute; a machine that builds meanwhile may take twice that.
const LIMIT: Duration = Duration::from_secs(55);
const SHORT: [&str; 4] = ["--for", "500ms", "--settle", "200ms"];

fn start(program: &Path, bench: &Bench, file: &Path, temporary: &Path) -> Running {
    let mut command = Command::new(program);
    command.args(["calibrate", "--json", "--certificate"]).arg(file);
    command.current_dir(bench.path(".")).env("TMPDIR", temporary);
    Running::spawn(command)
}

fn culvert() -> PathBuf {
    env!("CARGO_BIN_EXE_culvert").into()
}

fn folder(bench: &Bench, name: &str) -> PathBuf {
    let path = bench.path(name);
    fs::create_dir(&path).expect("a folder");
    path
}

fn entries(folder: &Path) -> usize {
    fs::read_dir(folder).expect("the folder").count()
}

/// Processes whose command line names this folder.
fn running_in(folder: &Path) -> usize {
    let name = folder.to_string_lossy().into_owned();
    let processes = fs::read_dir("/proc").expect("/proc").filter_map(Result::ok);
    processes
        .filter(|process| {
            let line = fs::read(process.path().join("cmdline")).unwrap_or_default();
            String::from_utf8_lossy(&line).contains(&name)
        })
        .count()
}

fn quoting(pair: &Pair, certificate: &Path) -> Finished {
    let mut command = Command::new(culvert());
    let invite = pair.bench().path("owner.invite");
    command.args(["bulk", &pair.listener().target(), "--json", "--invite"]).arg(invite).args(SHORT);
    command.env("CULVERT_CERTIFICATE", certificate);
    Running::spawn(command).wait()
}

#[test]
fn it_is_made_kept_and_quoted() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let bench = pair.bench();
    let (file, temporary) = (bench.path("certificate.json"), folder(bench, "temporary"));
    let done = start(&culvert(), bench, &file, &temporary).wait_within(LIMIT);
    done.expect_code(0);
    assert!(done.stderr.contains("nothing leaves this host"), "{done:#?}");
    assert_eq!((entries(&temporary), running_in(&temporary)), (0, 0));

    let mode = fs::metadata(&file).expect("the certificate").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    let kept = Certificate::parse(&fs::read(&file).expect("it")).expect("a certificate");
    assert_eq!(serde_json::to_value(&kept).expect("JSON"), done.json());
    let published =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("crates/record/schema/certificate.json");
    let published = fs::read_to_string(published).expect("the schema");
    let published = serde_json::from_str(&published).expect("JSON");
    assert_eq!(schema::problems(&published, &done.json()), Vec::<String>::new());
    // What loopback cannot fail to give; the emulated path may not be allowed here, and then a note says so.
    assert!(kept.tcp.is_some_and(|tcp| tcp.bps > 0 && tcp.n == 30), "{kept:#?}");
    assert!(kept.udp.is_some_and(|udp| udp.bps > 0 && udp.n > 0), "{kept:#?}");
    assert!(kept.clock_reading_ns.is_some_and(|error| error.n == 1000), "{kept:#?}");
    match kept.over {
        Between::Loopback => assert!(!kept.notes.is_empty(), "{kept:#?}"),
        Between::EmulatedPath => {
            // No emulation lets a packet go early: truth is exceeded, never undercut, but for the clocks' resolution.
            let error = kept.round_trip_error_us.expect("round trips");
            assert!(error.min >= -1, "{error:?}");
        }
    }
    assert!(kept.known_line.is_some() || !kept.notes.is_empty(), "{kept:#?}");

    let run = quoting(&pair, &file).expect_code(0).record();
    let quoted = run.instrument.expect("it is quoted");
    assert_eq!((quoted.certificate, quoted.made_at), (kept.id.clone(), kept.made_at));
    assert_eq!(quoted.variation_floor_p99_us, kept.variation_floor_us.map(|floor| floor.p99));

    // Another version of the program is another instrument.
    let older = fs::read_to_string(&file).expect("it").replace(&kept.of.program, "culvert 0.0.9");
    fs::write(&file, older).expect("written");
    let run = quoting(&pair, &file);
    assert_eq!(run.expect_code(0).record().instrument, None);
    assert!(run.stderr.contains("is not quoted: the program was culvert 0.0.9"), "{run:#?}");
}

#[test]
fn a_certificate_that_is_none_is_in_nobodys_way() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let file = pair.bench().path("certificate.json");
    assert_eq!(quoting(&pair, &file).expect_code(0).record().instrument, None);
    for content in [&b"{"[..], b"\xff\xfe", b"{\"schema\": \"\x1b[31m\"}", &vec![b' '; 100_000]] {
        fs::write(&file, content).expect("written");
        fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).expect("private");
        let run = quoting(&pair, &file);
        assert_eq!(run.expect_code(0).record().instrument, None);
        assert!(run.stderr.contains("is not quoted: "), "{run:#?}");
        assert!(!run.stderr.contains('\u{1b}'), "{run:#?}");
    }
}

#[test]
fn without_a_listener_beside_it_says_where_it_looked() {
    let bench = Bench::new();
    let (programs, temporary) = (folder(&bench, "programs"), folder(&bench, "temporary"));
    let lonely = programs.join("culvert");
    fs::copy(culvert(), &lonely).expect("a copy");
    let done = start(&lonely, &bench, &bench.path("certificate.json"), &temporary).wait();
    done.complains(5, &["culvertd is needed and not beside this program", "programs/culvertd"]);
    assert_eq!(entries(&temporary), 0);
}

#[test]
fn a_place_that_cannot_be_written_is_told_before_measuring() {
    let bench = Bench::new();
    let temporary = folder(&bench, "temporary");
    let file = bench.write("file", "");
    for place in [
        file.join("certificate.json"),
        Path::new("/proc/certificate.json").to_owned(),
        temporary.clone(),
    ] {
        let done = start(&culvert(), &bench, &place, &temporary).wait();
        done.complains(5, &[]);
        assert!(!done.stderr.contains("calibrates the instrument"), "{done:#?}");
    }
    assert_eq!(entries(&temporary), 0);
}

#[test]
fn an_interrupt_ends_everything_and_keeps_nothing() {
    let _alone = alone();
    let bench = Bench::new();
    let file = bench.path("certificate.json");
    // While the rates are measured, and while the emulated path stands.
    for (name, after) in [("early", 2), ("late", 12)] {
        let temporary = folder(&bench, name);
        let running = start(&culvert(), &bench, &file, &temporary);
        thread::sleep(Duration::from_secs(after));
        assert!(running_in(&temporary) > 0, "nothing runs {name}");
        running.signal("INT");
        let done = running.wait_within(Duration::from_secs(10));
        done.expect_code(1);
        assert!(done.stderr.contains("error: calibration was stopped"), "{done:#?}");
        let gone = crate::common::within(Duration::from_secs(5), || running_in(&temporary) == 0);
        assert!(gone, "something still runs: {done:#?}");
        assert_eq!(entries(&temporary), 0);
        assert!(!file.exists());
    }
}
