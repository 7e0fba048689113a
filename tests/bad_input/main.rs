//! Every kind of bad input and bad luck that loopback can show: one sentence, one hint, the right exit code, nothing
//! lost that was finished, nothing left running.

mod asked;
#[path = "../common/mod.rs"]
mod common;
mod invites;
mod limits;
mod lost;
mod plans;
mod preflight;
mod sweeps;

/// A session so long that only its breaking off ends it within the time limits of these tests.
const LONG: [&str; 4] = ["--for", "60s", "--settle", "0s"];
/// A session that is over soon.
const SHORT: [&str; 4] = ["--for", "500ms", "--settle", "200ms"];
