//! One interface for every format.

use std::io::{self, Write};

use culvert_record::LedgerContents;
use culvert_verdict::{Comparison, compare_ledger};

/// A ledger with what it comes to.
#[derive(Debug, Clone, Copy)]
pub struct Report<'a> {
    /// Everything the ledger holds.
    pub contents: &'a LedgerContents,
    /// Its paths side by side.
    pub comparison: &'a Comparison,
}

/// Writes a report in one format.
pub trait Exporter {
    /// Writes the whole report; an error is the writer's.
    fn export(&self, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()>;

    /// Compares the ledger and writes the report of it.
    fn export_ledger(&self, contents: &LedgerContents, out: &mut dyn Write) -> io::Result<()> {
        let comparison = compare_ledger(contents);
        self.export(&Report { contents, comparison: &comparison }, out)
    }
}
