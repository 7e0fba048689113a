//! A result held against the model: gates, share of ceilings, comparison of paths, what headers explain.
//!
//! Pure: records come in, findings and figures come out. [`judge`] says whether one run may count; [`compare`] puts
//! the paths of a ledger side by side. Nothing here words a table: that is `report`'s part.

mod bound;
mod capacity;
mod cautions;
mod comparison;
mod gap;
mod gates;
mod not_checked;
#[cfg(test)]
mod samples;
mod sentences;
mod session;
mod words;

pub use bound::Bound;
pub use capacity::CapacityRow;
pub use cautions::protection_caution;
pub use comparison::{Comparison, DatagramFigures, Row, SurveyName, compare, compare_ledger};
pub use culvert_stats::{MedianInterval, Summary};
pub use gap::{Gap, GapVerdict, NOISE_AT_LEAST, NOISE_SPREADS};
pub use gates::{
    CORE_IS_FULL, LIMITED_SHARE, PACE_KEPT, SILENT_AT_LEAST_MS, SILENT_SHARE, judge,
    same_way_as_outside,
};
pub use not_checked::{DECISION_RUNS, LINE_IS_FULL, ONE_TIME_OF_DAY};
pub use session::{PathKey, Session};
pub use words::rate;
