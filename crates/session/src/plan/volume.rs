//! How much data and time a plan takes.

use std::time::Duration;

use culvert_units::{BitRate, Bytes};

use super::{Plan, PlannedLoad, PlannedSession, Toward};

/// How long data may still arrive after a bulk session's transmitter stopped, for the bound on its volume.
const DRAIN: Duration = Duration::from_secs(1);

impl Plan {
    /// The payload bytes that the survey moves at most, both ways together; `None` when a bulk session loads a way
    /// whose line rates the plan does not state, and when a paced one has no limit.
    pub fn expected_volume(&self) -> Option<Bytes> {
        let visits = u64::from(self.rounds()) * self.paths().len() as u64;
        let mut visit = Bytes::new(0);
        for session in self.sessions() {
            visit = visit.saturating_add(self.volume_of(session)?);
        }
        Some(Bytes::new(visit.get().saturating_mul(visits)))
    }

    /// The payload bytes that one session moves at most, both ways together.
    ///
    /// A paced session sends what its pace and time say, in whole datagrams. A bulk session cannot exceed the slower
    /// of the two lines it crosses, over settle, plateau and a second for what is still on its way; `None` when the
    /// plan states neither line, and for a pace without limit.
    pub fn volume_of(&self, session: &PlannedSession) -> Option<Bytes> {
        let duration = session.longest();
        let mut volume = Bytes::new(0);
        for toward in session.toward().each() {
            let one_way = match session.load() {
                PlannedLoad::Paced { pace, payload, .. } => paced((*pace)?, *payload, duration),
                PlannedLoad::Bulk { .. } => {
                    self.line_rate(*toward)?.carried_in(duration.saturating_add(DRAIN))
                }
            };
            volume = volume.saturating_add(one_way);
        }
        Some(volume)
    }

    /// The time that all sessions take at least: settle (nothing when it is found from the data) and plateau.
    pub fn least_duration(&self) -> Duration {
        let visits =
            self.rounds().saturating_mul(u32::try_from(self.paths().len()).unwrap_or(u32::MAX));
        let visit: Duration = self.sessions().iter().map(PlannedSession::shortest).sum();
        visit.saturating_mul(visits)
    }

    /// The slower of the stated lines that data of one way crosses.
    fn line_rate(&self, toward: Toward) -> Option<BitRate> {
        let (from, into) = match toward {
            Toward::Near => (self.far().up(), self.near().down()),
            Toward::Far | Toward::Both => (self.near().up(), self.far().down()),
        };
        [from, into].into_iter().flatten().min()
    }
}

/// Whole datagrams that are due within `duration`, as [`crate::grant::Session::planned_datagrams`] counts them.
fn paced(pace: BitRate, payload: u16, duration: Duration) -> Bytes {
    let due = u128::from(pace.bits_per_second()) * duration.as_nanos();
    let each = u128::from(payload) * 8_000_000_000;
    let datagrams = u64::try_from(due.div_ceil(each.max(1))).unwrap_or(u64::MAX);
    Bytes::new(datagrams.saturating_mul(u64::from(payload)))
}
