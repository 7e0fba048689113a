//! Bringing a path up before its sessions and taking it down after them.

use std::time::Duration;

use culvert_session::plan::{Place, PlannedPath, Purpose};
use culvert_units::format_duration;

use super::{Answer, CommandEnd, Heed, Survey, SurveyError, error::Wanted};

/// What one command may take.
const COMMAND: Duration = Duration::from_mins(1);
/// How long a path may take to stand once it was brought up.
const COMING_UP: Duration = Duration::from_secs(30);
/// How often it is looked at meanwhile.
const BETWEEN_LOOKS: Duration = Duration::from_millis(500);

/// How a path came to stand, which is how it has to be left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Standing {
    /// Nothing was done about it.
    Untouched,
    /// It stood already, or needs no switching.
    Already,
    /// `bring_up` was run.
    BroughtUp,
    /// The practitioner was asked to switch.
    ByHand,
}

impl Survey<'_> {
    /// Returns when the path stands, or when the practitioner interrupted.
    ///
    /// | the plan names | what is done |
    /// | --- | --- |
    /// | `is_up`, and it succeeds at once | nothing; `take_down` is run after the visit all the same |
    /// | `bring_up` | it is run; with `is_up` that must succeed within 30 s |
    /// | `is_up` alone | the practitioner is asked to switch, and `is_up` notices it |
    /// | none of them, inside | the practitioner is asked to switch and to press Enter |
    /// | none of them, outside | nothing |
    pub(super) fn enter(
        &mut self,
        path: &PlannedPath,
        standing: &mut Standing,
    ) -> Result<(), SurveyError> {
        let stands = path.is_up().is_some_and(|line| {
            self.surroundings.command(line, COMING_UP, Heed::Interrupts).succeeded()
        });
        if self.surroundings.interrupted() {
            return Ok(());
        }
        if stands {
            *standing = Standing::Already;
            return Ok(());
        }
        match (path.bring_up(), path.is_up(), path.place()) {
            (Some(line), is_up, _) => {
                self.say(&format!("bringing up '{}': {line}", path.name()));
                *standing = Standing::BroughtUp;
                self.run_command(path, Purpose::BringUp, line, Heed::Interrupts)?;
                is_up.map_or(Ok(()), |line| self.wait(path, line, Wanted::Up, Some(COMING_UP)))
            }
            (None, Some(line), _) => {
                self.say(&format!(
                    "switch to the path '{}' now; it is noticed once '{line}' succeeds",
                    path.name()
                ));
                *standing = Standing::ByHand;
                self.wait(path, line, Wanted::Up, self.patience())
            }
            (None, None, Place::Inside) => {
                self.ask(path, &format!("switch to the path '{}', then press Enter", path.name()))?;
                *standing = Standing::ByHand;
                Ok(())
            }
            (None, None, Place::Outside) => {
                *standing = Standing::Already;
                Ok(())
            }
        }
    }

    /// Takes the path down, whatever happened on it; `next` is the path that is visited afterwards.
    ///
    /// Ctrl-C does not cut the command short: it is what leaves the host as it was.
    pub(super) fn leave(
        &mut self,
        path: &PlannedPath,
        standing: Standing,
        next: Option<&PlannedPath>,
    ) -> Result<(), SurveyError> {
        if standing == Standing::Untouched {
            return Ok(());
        }
        if let Some(line) = path.take_down() {
            self.say(&format!("taking down '{}': {line}", path.name()));
            return self.run_command(path, Purpose::TakeDown, line, Heed::Nothing);
        }
        if standing != Standing::ByHand || path.place() == Place::Outside {
            return Ok(());
        }
        // A path that is switched to by hand has its own request, which tells the practitioner to leave this one.
        let is_asked_for =
            |path: &PlannedPath| path.place() == Place::Inside && path.bring_up().is_none();
        let name = path.name();
        match (next, path.is_up()) {
            (Some(next), Some(line)) if !is_asked_for(next) => {
                self.say(&format!(
                    "switch the path '{name}' off now; it is noticed once '{line}' fails"
                ));
                self.wait(path, line, Wanted::Down, self.patience())
            }
            (Some(next), None) if !is_asked_for(next) => {
                self.ask(path, &format!("switch the path '{name}' off, then press Enter"))
            }
            _ => {
                self.say(&format!("the path '{name}' is no longer needed"));
                Ok(())
            }
        }
    }

    /// How long to wait for a switch that somebody makes: for ever while a practitioner can see the request.
    fn patience(&self) -> Option<Duration> {
        (!self.surroundings.is_attended()).then_some(COMING_UP)
    }

    fn run_command(
        &mut self,
        path: &PlannedPath,
        purpose: Purpose,
        line: &str,
        heed: Heed,
    ) -> Result<(), SurveyError> {
        let end = self.surroundings.command(line, COMMAND, heed);
        if end.succeeded() {
            return Ok(());
        }
        self.show_output(&end);
        let path = path.name().to_owned();
        Err(SurveyError::Command { path, purpose, line: line.to_owned(), end })
    }

    /// Looks until `line` tells what is wanted; for ever without `patience`.
    fn wait(
        &mut self,
        path: &PlannedPath,
        line: &str,
        wanted: Wanted,
        patience: Option<Duration>,
    ) -> Result<(), SurveyError> {
        let since = self.surroundings.now();
        let mut waited = Duration::ZERO;
        loop {
            let left = patience.map_or(COMING_UP, |patience| patience.saturating_sub(waited));
            let limit = left.max(BETWEEN_LOOKS);
            let end = self.surroundings.command(line, limit, Heed::Interrupts);
            waited = self.surroundings.now().saturating_sub(since);
            if self.surroundings.interrupted() {
                return Ok(());
            }
            if end.succeeded() == (wanted == Wanted::Up) {
                let took = format_duration(waited);
                self.say(&format!("the path '{}' is {wanted}, after {took}", path.name()));
                return Ok(());
            }
            if patience.is_some_and(|patience| waited >= patience) {
                self.show_output(&end);
                let (path, line) = (path.name().to_owned(), line.to_owned());
                return Err(SurveyError::NotSwitched { path, wanted, waited, line, end });
            }
            self.surroundings.pause(BETWEEN_LOOKS);
        }
    }

    fn ask(&mut self, path: &PlannedPath, request: &str) -> Result<(), SurveyError> {
        let nobody_there = || SurveyError::NobodyThere { path: path.name().to_owned() };
        if !self.surroundings.is_attended() {
            return Err(nobody_there());
        }
        self.say(request);
        match self.surroundings.await_enter() {
            Answer::Pressed | Answer::Interrupted => Ok(()),
            Answer::Closed => Err(nobody_there()),
        }
    }

    fn show_output(&mut self, end: &CommandEnd) {
        let lines: Vec<String> = end.output().lines().map(str::to_owned).collect();
        for line in lines {
            self.say(&format!("    {line}"));
        }
    }
}
