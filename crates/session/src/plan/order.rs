//! In which order a survey runs its sessions.

use super::Plan;

/// One session of the survey at its place in the running order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Step {
    /// The place in the running order, from 1, counted through all rounds.
    pub position: u32,
    /// The round, from 1.
    pub round: u32,
    /// Index into [`Plan::paths`].
    pub path: usize,
    /// Index into [`Plan::sessions`].
    pub session: usize,
}

impl Plan {
    /// Every step of the survey.
    ///
    /// Odd rounds visit the paths in the order of [`Plan::paths`], even rounds backward, so that a line that slowly
    /// changes favours none, and each round but the first begins on the path where the one before ended. A visit runs
    /// all sessions, so that paths are switched as rarely as possible.
    pub fn running_order(&self) -> Vec<Step> {
        let mut steps = Vec::new();
        let mut position = 0;
        for round in 1..=self.rounds() {
            let count = self.paths().len();
            for nth in 0..count {
                let path = if round % 2 == 1 { nth } else { count - 1 - nth };
                for session in 0..self.sessions().len() {
                    position += 1;
                    steps.push(Step { position, round, path, session });
                }
            }
        }
        steps
    }

    /// The steps that are left when those at the `done` (round, position) pairs have been run.
    pub fn remaining(&self, done: &[(u32, u32)]) -> Vec<Step> {
        let mut steps = self.running_order();
        steps.retain(|step| !done.contains(&(step.round, step.position)));
        steps
    }
}
