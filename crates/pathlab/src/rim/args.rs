//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

/// Two hosts and an emulated path between them, on this machine: what happens to every packet is decided, counted and
/// written down.
///
/// Needs no root where the kernel lets ordinary users make namespaces. Nothing outside of the two hosts is touched, and
/// they vanish with the program.
#[derive(Debug, Parser)]
#[command(name = "culvert-pathlab", version)]
pub(super) struct Arguments {
    #[command(subcommand)]
    pub(super) action: Action,
}

#[derive(Debug, Subcommand)]
pub(super) enum Action {
    /// Runs a command on each host, with the configured paths between them
    Run(Run),
    /// Prints every key of a configuration and what it means
    Explain,
}

#[derive(Debug, Args)]
pub(super) struct Run {
    /// Configuration of the paths, as TOML or JSON
    #[arg(long, value_name = "FILE")]
    pub(super) config: PathBuf,

    /// Seed to use instead of the configuration's
    #[arg(long, value_name = "NUMBER")]
    pub(super) seed: Option<u64>,

    /// Shell command to run on the far host; it is ended when the near one has ended
    #[arg(long, value_name = "COMMAND")]
    pub(super) far: Option<String>,

    /// TCP port on which the far host must listen before the near command is started
    #[arg(long, value_name = "PORT")]
    pub(super) far_listens: Option<u16>,

    /// Shell command to run on the near host; without it the paths stay until Ctrl-C
    #[arg(long, value_name = "COMMAND")]
    pub(super) near: Option<String>,

    /// File for the counters of everything, as one JSON document
    #[arg(long, value_name = "FILE")]
    pub(super) truth: Option<PathBuf>,

    /// File for what happened to each packet, as one JSON document a line
    #[arg(long, value_name = "FILE")]
    pub(super) packets: Option<PathBuf>,

    /// Most packets of each direction of each path that --packets lists
    #[arg(long, value_name = "NUMBER", default_value_t = 1_000_000)]
    pub(super) most_packets: usize,
}
