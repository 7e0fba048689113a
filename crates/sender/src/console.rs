//! The one voice of the program: results on standard output, talk on standard error.

use std::io::{self, Write};

/// Columns of text where the terminal does not say how many it has.
const USUAL_WIDTH: u16 = 100;

/// Where the program speaks.
#[derive(Debug)]
pub(crate) struct Console {
    quiet: bool,
}

impl Console {
    /// A console; a quiet one gives results and errors only.
    pub(crate) const fn new(quiet: bool) -> Self {
        Self { quiet }
    }

    /// Whether nothing but results and errors is wanted.
    pub(crate) const fn is_quiet(&self) -> bool {
        self.quiet
    }

    /// Says something that is no result.
    pub(crate) fn talk(&self, text: &str) {
        if !self.quiet {
            self.complain(text);
        }
    }

    /// Says what must be heard even when quiet.
    #[expect(clippy::unused_self, reason = "there is one voice, and this is it")]
    pub(crate) fn complain(&self, text: &str) {
        // There is nowhere left to complain to when stderr is closed.
        let _ = writeln!(io::stderr(), "{text}");
    }

    /// Where talk goes, for those who write it piece by piece.
    pub(crate) fn talk_writer(&self) -> Box<dyn Write> {
        if self.quiet { Box::new(io::sink()) } else { Box::new(io::stderr()) }
    }

    /// Where results go.
    #[expect(clippy::unused_self, reason = "there is one voice, and this is it")]
    pub(crate) fn results(&self) -> io::Stdout {
        io::stdout()
    }

    /// Columns of text the terminal shows.
    #[expect(clippy::unused_self, reason = "there is one voice, and this is it")]
    pub(crate) fn width(&self) -> u16 {
        terminal_size::terminal_size_of(io::stdout())
            .map_or(USUAL_WIDTH, |(width, _)| width.0.clamp(60, 200))
    }
}
