//! The instrument's certificate: measures what both programs can do and see on this host, keeps it, and lends it to runs.
//!
//! The sessions are those of the ordinary commands, run as processes of their own against a listener of our own: rates over
//! loopback, everything else over an emulated path where this user may make one. Start with [`calibrate`]; [`figures`]
//! turns what was measured into the certificate; [`store`] keeps it and says what a run may quote.

mod bench;
mod emulated;
mod error;
mod figures;
mod loopback;
pub(crate) mod store;

use std::io::Write as _;

use culvert_os::clock::ClockPair;
use culvert_record::Percentiles;
use culvert_report::certificate_text;
use culvert_units::ExitStatus;
use jiff::Timestamp;

pub(crate) use emulated::emulates;
pub(crate) use error::CalibrateError;

use crate::args::CalibrateArgs;
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::runner::fresh_id;
use bench::Bench;
use figures::{Measured, certificate};

/// Readings of the two clocks.
const CLOCK_READINGS: usize = 1000;

/// Makes the certificate, stores it, shows it.
pub(crate) fn calibrate(
    args: &CalibrateArgs,
    console: &Console,
) -> Result<ExitStatus, SenderError> {
    let path =
        store::path(args.certificate.as_deref()).ok_or(CalibrateError::NoHome).map_err(Box::new)?;
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let made = make(&path, &interrupt, console).map_err(Box::new)?;
    store::write(&path, &made).map_err(Box::new)?;
    let mut out = console.results();
    let shown = if args.json {
        serde_json::to_writer_pretty(&mut out, &made)
            .map_err(Into::into)
            .and_then(|()| writeln!(out))
    } else {
        out.write_all(certificate_text(&made, console.width()).as_bytes())
    };
    shown.map_err(SenderError::Output)?;
    console.talk(&format!("kept in {}; later runs quote it", path.display()));
    Ok(ExitStatus::Done)
}

fn make(
    path: &std::path::Path,
    interrupt: &Interrupt,
    console: &Console,
) -> Result<culvert_record::Certificate, CalibrateError> {
    // Half a minute later would be late to learn it.
    store::check(path)?;
    let bench = Bench::new(interrupt)?;
    console.talk(
        "calibrates the instrument: starts a listener of its own on this host, measures over loopback and over an emulated \
         path inside this machine, and ends it; half a minute or so of both processors' time, nothing leaves this host. \
         What else runs here meanwhile is in the figures",
    );
    let clock_reading_ns = Percentiles::of(
        (0..CLOCK_READINGS)
            .map(|_| i64::try_from(ClockPair::sample_quickly().error_ns).unwrap_or(i64::MAX)),
    );
    console.talk("over loopback: the rates that both programs reach");
    let rates = loopback::rates(&bench)?;
    console.talk("over an emulated path: pacing, delays, and a line of 100 Mbit/s");
    let (emulated, paced_on_loopback) = match emulated::measure(&bench) {
        Ok(emulated) => (Ok(emulated), None),
        Err(CalibrateError::Interrupted) => return Err(CalibrateError::Interrupted),
        Err(error) => {
            let why = error.to_string();
            console.talk(&format!("no emulated path here ({why}): over loopback instead"));
            (Err(why), Some(loopback::paced(&bench)?))
        }
    };
    let measured = Measured { clock_reading_ns, rates, emulated, paced_on_loopback };
    Ok(certificate(fresh_id(), Timestamp::now(), store::this_instrument(), &measured))
}
