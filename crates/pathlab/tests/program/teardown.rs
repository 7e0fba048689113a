//! Whatever ends the program, nothing that ran on its hosts is left.

use std::{
    fs,
    io::{BufRead as _, BufReader},
    path::PathBuf,
    process::{Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use tempfile::TempDir;

const CONFIG: &str = r#"
[[paths]]
name = "any"
near = "10.90.1.1"
far = "10.90.1.2"
"#;

/// A child, and one of its own that has left the session and ignores what can be ignored.
const SCRIPT: &str =
    r#"sleep 600 & setsid sh -c 'trap "" TERM INT HUP; while :; do sleep 1; done' & "#;

#[test]
fn nothing_is_left_whatever_ends_the_program() {
    for signal in ["-TERM", "-INT", "-KILL"] {
        let folder = TempDir::with_prefix("culvert-pathlab-").expect("a folder");
        let config = folder.path().join("lab.toml");
        fs::write(&config, CONFIG).expect("a configuration");
        // What inherits this is ours.
        let mark = folder.path().display().to_string();
        let mut lab = Command::new(env!("CARGO_BIN_EXE_culvert-pathlab"))
            .args(["run", "--far", &format!("{SCRIPT} wait"), "--near"])
            .arg(format!("{SCRIPT} echo here; wait"))
            .arg("--config")
            .arg(&config)
            .env("CULVERT_MARK", &mark)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let mut line = String::new();
        BufReader::new(lab.stdout.take().expect("a pipe")).read_line(&mut line).expect("a line");
        if line != "here\n" {
            let output = lab.wait_with_output().expect("it ends");
            let said = String::from_utf8_lossy(&output.stderr);
            assert!(said.contains("may not make network namespaces"), "{said}");
            eprintln!("skipped: {said}");
            return;
        }
        assert!(marked(&mark).len() > 4, "{:?}", marked(&mark));
        let pid = lab.id().to_string();
        let sent = Command::new("/bin/kill").args([signal, &pid]).status().expect("kill runs");
        assert!(sent.success());
        let began = Instant::now();
        lab.wait().expect("it ends");
        while !marked(&mark).is_empty() {
            assert!(began.elapsed() < Duration::from_secs(20), "{signal}: {:?}", marked(&mark));
            thread::sleep(Duration::from_millis(20));
        }
    }
}

/// The processes that inherited a mark in their environment.
fn marked(mark: &str) -> Vec<PathBuf> {
    let entries = fs::read_dir("/proc").expect("processes").filter_map(Result::ok);
    let has_mark = |folder: &PathBuf| {
        let environment = fs::read(folder.join("environ")).unwrap_or_default();
        environment
            .split(|byte| *byte == 0)
            .any(|one| one == format!("CULVERT_MARK={mark}").as_bytes())
    };
    entries.map(|entry| entry.path()).filter(has_mark).collect()
}
