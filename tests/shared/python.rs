//! A Python environment for tests that ask an independent program, fetched into the target folder once.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The interpreter of the environment `name` with these requirements in it, which is made when it is not there yet.
pub(crate) fn python_with(name: &str, requirements: &Path) -> Result<PathBuf, String> {
    let kept = format!("{}/{name}", env!("CARGO_TARGET_TMPDIR"));
    let python = Path::new(&kept).join("bin/python");
    if python.exists() {
        return Ok(python);
    }
    // Made aside and moved when it is complete, since another run may do the same.
    let aside = PathBuf::from(format!("{kept}.{}", std::process::id()));
    let made =
        make_environment(&aside, requirements).and_then(|()| match fs::rename(&aside, &kept) {
            Err(_) if python.exists() => Ok(()),
            moved => moved.map_err(|error| error.to_string()),
        });
    // What could not be made or moved is of no use.
    let _ = fs::remove_dir_all(&aside);
    made.map(|()| python)
}

/// Says that nothing was compared; fails where the variable `CI` is set.
#[expect(clippy::print_stderr, reason = "a test that did not test must say so")]
pub(crate) fn skip(reason: &str) {
    assert!(std::env::var_os("CI").is_none(), "Python must be here where CI is set: {reason}");
    eprintln!("\n==== SKIPPED: nothing was compared with an independent program: {reason} ====\n");
}

/// A command that is ended after so many seconds.
pub(crate) fn bounded(seconds: u32, program: &Path) -> Command {
    let mut command = Command::new("timeout");
    command.arg(seconds.to_string()).arg(program);
    command
}

/// What a program complained of.
pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).trim().to_owned()
}

fn make_environment(folder: &Path, requirements: &Path) -> Result<(), String> {
    run(bounded(120, Path::new("python3")).args(["-m", "venv"]).arg(folder))?;
    let install =
        ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--retries", "1"];
    run(bounded(300, &folder.join("bin/python"))
        .args(install)
        .args(["--timeout", "20", "--requirement"])
        .arg(requirements))
}

fn run(command: &mut Command) -> Result<(), String> {
    match command.output() {
        Err(error) => Err(error.to_string()),
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(stderr(&output)),
    }
}
