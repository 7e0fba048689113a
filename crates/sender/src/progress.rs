//! What the practitioner sees while a session runs: one line on the terminal, gone when it ends.

use std::cell::Cell;
use std::time::Duration;

use culvert_units::{BitRate, Bytes};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// The line, or nothing where stderr is no terminal or quiet was asked for.
#[derive(Debug)]
pub(crate) struct Progress {
    bar: ProgressBar,
    title: String,
    before: Cell<Moved>,
    rates: Cell<[Option<BitRate>; 2]>,
}

/// How far a session has come.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Moved {
    /// Time since data may flow.
    pub(crate) elapsed: Duration,
    /// Settle and plateau together.
    pub(crate) length: Duration,
    /// Bytes that have arrived at the far end.
    pub(crate) toward_far: u64,
    /// Bytes that have arrived here.
    pub(crate) toward_near: u64,
}

impl Progress {
    /// A line titled with what runs.
    pub(crate) fn new(title: String, quiet: bool) -> Self {
        let target = if quiet {
            ProgressDrawTarget::hidden()
        } else {
            ProgressDrawTarget::stderr_with_hz(4)
        };
        let bar = ProgressBar::with_draw_target(None, target);
        bar.set_style(
            ProgressStyle::with_template("{msg}")
                .unwrap_or_else(|_| ProgressStyle::default_spinner()),
        );
        Self { bar, title, before: Cell::default(), rates: Cell::default() }
    }

    /// Says what happens before data flows.
    pub(crate) fn say(&self, what: &str) {
        self.bar.set_message(format!("{}: {what}", self.title));
        self.bar.tick();
    }

    /// Says how far the session has come, with the rates of about the last second.
    pub(crate) fn flowing(&self, now: &Moved) {
        let before = self.before.get();
        let past = now.elapsed.saturating_sub(before.elapsed);
        if past >= Duration::from_secs(1) {
            let rate = |now: u64, before: u64| Bytes::new(now.saturating_sub(before)).over(past);
            let far = rate(now.toward_far, before.toward_far);
            self.rates.set([far, rate(now.toward_near, before.toward_near)]);
            self.before.set(*now);
        }
        let mut parts = vec![format!(
            "{}: {:.0} of {:.0} s",
            self.title,
            now.elapsed.min(now.length).as_secs_f64(),
            now.length.as_secs_f64()
        )];
        let moved = [("toward far", now.toward_far), ("toward near", now.toward_near)];
        for ((way, bytes), rate) in moved.into_iter().zip(self.rates.get()) {
            if let Some(rate) = rate.filter(|_| bytes > 0) {
                parts.push(format!("{way} {rate}"));
            }
        }
        self.bar.set_message(parts.join(", "));
        self.bar.tick();
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
