//! The ledger as files.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use culvert_record::{Ledger, LedgerContents};
use culvert_report::{CapacityCsv, Csv, Exporter, Json, Markdown};
use culvert_units::ExitStatus;

use crate::args::ReportArgs;
use crate::console::Console;
use crate::failure::SenderError;

/// Writes the ledger in each format that was asked for.
pub(super) fn report(args: &ReportArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let contents = Ledger::read(&args.ledger)?;
    if contents.holds_nothing() {
        return Err(SenderError::NothingToShow { path: args.ledger.clone() });
    }
    for line in &contents.skipped {
        console.talk(&format!("{}: {line}", args.ledger.display()));
    }
    let wanted: [(&Option<_>, &dyn Exporter); 4] = [
        (&args.csv, &Csv),
        (&args.capacity_csv, &CapacityCsv),
        (&args.json, &Json),
        (&args.markdown, &Markdown),
    ];
    for (path, exporter) in wanted {
        if let Some(path) = path {
            write(path, exporter, &contents, console)?;
        }
    }
    Ok(ExitStatus::Done)
}

fn write(
    path: &Path,
    exporter: &dyn Exporter,
    contents: &LedgerContents,
    console: &Console,
) -> Result<(), SenderError> {
    if path.as_os_str() == "-" {
        return exporter
            .export_ledger(contents, &mut console.results())
            .map_err(SenderError::Output);
    }
    let written = File::create(path).and_then(|file| {
        let mut out = BufWriter::new(file);
        exporter.export_ledger(contents, &mut out)?;
        // A full disk may show only here.
        out.into_inner().map_err(io::IntoInnerError::into_error)?.flush()
    });
    written.map_err(|source| SenderError::File { path: path.to_owned(), source })?;
    console.talk(&format!("wrote {}", path.display()));
    Ok(())
}
