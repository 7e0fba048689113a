//! Both programs on loopback: sessions, records, ledgers, surveys and reports as a practitioner runs them.

mod bulk;
mod calibrate;
mod calls;
mod capacity;
mod check;
#[path = "../common/mod.rs"]
mod common;
mod ledger;
mod output;
mod paced;
mod preflight;
mod survey;
mod sweep;
