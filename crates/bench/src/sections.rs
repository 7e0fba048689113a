//! What is measured.

mod flood;
mod memory;
mod paced;
mod pairs;
mod start;
mod stream;
mod work;

use crate::culvert::Programs;
use crate::error::BenchError;
use crate::options::{Options, Section};
use crate::table::{Row, say};

/// Bytes of a GiB.
const GIB: f64 = 1_073_741_824.0;

/// Runs the sections that were asked for, and hands out what each found as soon as it is over.
///
/// A section that fails is said and does not keep the others from being run; the last such error is returned.
pub(crate) fn run(options: &Options, mut show: impl FnMut(Vec<Row>)) -> Result<(), BenchError> {
    let programs = Programs::of(options)?;
    let mut outcome = Ok(());
    for section in options.wanted() {
        let found = match section {
            Section::Cubic => stream::run(&programs, options, "cubic"),
            Section::Bbr => stream::run(&programs, options, "bbr"),
            Section::Large => flood::run(&programs, options, &flood::LARGE),
            Section::Small => flood::run(&programs, options, &flood::SMALL),
            Section::Batches => flood::run(&programs, options, &flood::BATCHES),
            Section::Paced => paced::run(&programs, options),
            Section::Memory => memory::run(&programs, options),
            Section::Start => start::run(&programs, options),
            Section::Work => work::run(options),
        };
        match found {
            Ok(rows) => show(rows),
            Err(error) => {
                say(&format!("{section:?} gave nothing: {error}"));
                outcome = Err(error);
            }
        }
    }
    outcome
}
