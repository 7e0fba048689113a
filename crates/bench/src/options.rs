//! The command line of `culvert-bench`.

use std::path::PathBuf;
use std::time::Duration;

use clap::{Parser, ValueEnum};
use culvert_units::parse_duration;

/// Holds culvert and culvertd against reference loops, on loopback of this machine, which should do nothing else.
#[derive(Debug, Parser)]
#[command(name = "culvert-bench", version)]
pub(crate) struct Options {
    /// What to measure [default: everything]
    #[arg(value_enum)]
    pub(crate) sections: Vec<Section>,
    /// Rounds of each comparison; with fewer than six there is no interval
    #[arg(long, value_name = "N", default_value_t = 15, value_parser = clap::value_parser!(u16).range(1..=1000))]
    pub(crate) pairs: u16,
    /// What each run of a comparison measures
    #[arg(long = "for", value_name = "DURATION", default_value = "1s", value_parser = parse_duration)]
    pub(crate) plateau: Duration,
    /// What is cut away before
    #[arg(long, value_name = "DURATION", default_value = "300ms", value_parser = parse_duration)]
    pub(crate) settle: Duration,
    /// How long each rate of the paced section is kept
    #[arg(long, value_name = "DURATION", default_value = "10s", value_parser = parse_duration)]
    pub(crate) paced_for: Duration,
    /// How often each rate is kept
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u16).range(1..=100))]
    pub(crate) paced_rounds: u16,
    /// The core of everything at the near end, and of everything at the far end
    #[arg(long, value_name = "NEAR,FAR", default_value = "0,1", value_parser = parse_cores)]
    pub(crate) cores: Cores,
    /// Where culvert, culvertd and culvert-reference are [default: beside this program]
    #[arg(long, value_name = "DIR")]
    pub(crate) programs: Option<PathBuf>,
    /// Print one JSON document instead of tables
    #[arg(long)]
    pub(crate) json: bool,
}

/// What can be measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Section {
    /// One TCP flow under cubic: goodput, processor time
    Cubic,
    /// One TCP flow under bbr: the same
    Bbr,
    /// Datagrams of 1400 bytes, unpaced, with what the kernel offers
    Large,
    /// Datagrams of 64 bytes, the same
    Small,
    /// Datagrams of 1400 bytes, unpaced, without segmentation and coalescing
    Batches,
    /// Paced datagrams: rate kept, lateness, processor time
    Paced,
    /// The listener's resident memory
    Memory,
    /// Time to the first byte and of a whole session
    Start,
    /// What each datagram costs its receiver, by the bare tag
    Work,
}

/// One core for each end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Cores {
    pub(crate) near: u16,
    pub(crate) far: u16,
}

impl Options {
    /// The sections in question, in order.
    pub(crate) fn wanted(&self) -> Vec<Section> {
        let all = Section::value_variants();
        all.iter()
            .copied()
            .filter(|s| self.sections.is_empty() || self.sections.contains(s))
            .collect()
    }
}

fn parse_cores(text: &str) -> Result<Cores, String> {
    let parsed =
        text.split_once(',').and_then(|(near, far)| Some((near.parse().ok()?, far.parse().ok()?)));
    let (near, far) =
        parsed.ok_or("two core numbers with a comma between them are needed, such as 0,1")?;
    Ok(Cores { near, far })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_sound() {
        use clap::CommandFactory as _;

        Options::command().debug_assert();
        assert_eq!(parse_cores("0,1"), Ok(Cores { near: 0, far: 1 }));
        assert!(parse_cores("0").is_err() && parse_cores("a,b").is_err());
        let some = Options::parse_from(["culvert-bench", "work", "cubic"]);
        assert_eq!(some.wanted(), [Section::Cubic, Section::Work]);
        assert_eq!(Options::parse_from(["culvert-bench"]).wanted().len(), 9);
    }
}
