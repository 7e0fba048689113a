//! The run record, its caveats, and the ledger that keeps it.
//!
//! A [`RunRecord`] is everything that is known about one session: what was asked, what each end saw and counted, and
//! what weakens the result ([`Caveat`]) or makes it worthless ([`VoidReason`]). Missing is `null`, never `0`. The names,
//! units and meanings of its fields are stable; fields may be added. A [`Ledger`] is a file of JSON lines, each a
//! [`RunRecord`] or a [`SurveyHeader`]; [`parse_ledger`] reads its bytes without touching a file. Nothing here judges a
//! result: that is `verdict`'s part.

mod call;
mod capacity;
mod certificate;
mod contents;
mod describe;
mod finding;
mod ledger;
mod run;
#[cfg(test)]
mod samples;
mod schema;
mod stream_facts;
mod survey;

pub use call::{Beside, CallFacts, CallOutcome, CallRatingFacts};
pub use capacity::{
    CAPACITY_SCHEMA, CapacityCaveat, CapacityMethod, CapacityRecord, CapacityVoid,
    describe_capacity_caveat, describe_capacity_void,
};
pub use certificate::{
    Between, CERTIFICATE_SCHEMA, Certificate, Instrument, KnownLine, Lateness, NotQuoted,
    QuotedCertificate, Reached,
};
pub use contents::{LedgerContents, SkipReason, SkippedLine, parse_ledger};
pub use culvert_stats::{ClassOutcome, Kept, Percentiles, Plateau, Series};
pub use culvert_wire::capacity::{SubInterval, Verification};
pub use culvert_wire::message::{
    BufferReport as Buffers, CoreUseReport as CoreUse, Handover, HandoverReport as HandoverFacts,
    TcpSamplesReport as TcpSamples, Way,
};
pub use describe::{describe_caveat, describe_void};
pub use finding::{Caveat, Finding, VoidReason, WindowLimit};
pub use ledger::{Entry, Ledger, LedgerError};
pub use run::{
    Asked, Departure, Direction, End, Ends, Kind, PathTaken, Place, RunRecord, SCHEMA,
    SurveyPosition, TcpFacts, Toward, Transport,
};
pub use schema::{capacity_schema, certificate_schema, run_schema, survey_schema};
pub use stream_facts::{Clocks, LossRuns, OneWay, QueueDelay, Reordering, SkewFacts};
pub use survey::{Counted, Gateway, Line, PlannedPath, SURVEY_SCHEMA, Site, Sites, SurveyHeader};
