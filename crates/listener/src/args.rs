//! The command line of `culvertd`, as typed.

use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use clap::{Parser, Subcommand};
use culvert_units::{BitRate, Bytes, parse_duration};
use ipnet::IpNet;

use crate::state::InviteName;

/// The port both programs use unless told otherwise.
pub(crate) const DEFAULT_PORT: u16 = 28_460;

/// Waits behind the gateway for measuring sessions of invited senders.
///
/// One port carries everything: forward it for TCP and for UDP. Strangers find it and get not one byte; close the
/// forwarded port when the measurements are done.
#[derive(Debug, Parser)]
#[command(name = "culvertd", version, args_conflicts_with_subcommands = true)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) command: Option<Command>,
    #[command(flatten)]
    pub(crate) serve: Serve,
}

/// How the daemon waits.
#[derive(Debug, clap::Args)]
pub(crate) struct Serve {
    /// Address and port to listen on, an IPv6 address in brackets; repeat it for several
    #[arg(long, value_name = "ADDR:PORT", default_values_t = default_addresses())]
    pub(crate) listen: Vec<SocketAddr>,
    #[command(flatten)]
    pub(crate) state: State,
    /// End after this time, such as 3h
    #[arg(long, value_name = "DURATION", value_parser = parse_duration)]
    pub(crate) close_after: Option<Duration>,
    /// Let only these networks connect, such as 203.0.113.0/24; repeat it for several
    #[arg(long, value_name = "CIDR")]
    pub(crate) allow: Vec<IpNet>,
    #[command(flatten)]
    pub(crate) limits: LimitArgs,
    /// Cores to keep the data threads on, in turn, such as 1 or 0,2 [default: the system chooses]
    #[arg(long, value_name = "CORE[,CORE]", value_delimiter = ',')]
    pub(crate) pin: Vec<u32>,
    /// Measuring sessions at the same time; more than one disturb each other
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=64))]
    pub(crate) limit_sessions: u16,
}

/// Where keys and invites are kept.
#[derive(Debug, clap::Args)]
pub(crate) struct State {
    #[arg(
        long = "state",
        value_name = "DIR",
        help = "Directory for keys and invites [default: $XDG_STATE_HOME/culvertd or ~/.local/state/culvertd]"
    )]
    pub(crate) directory: Option<PathBuf>,
}

/// What is granted at most.
#[derive(Debug, clap::Args)]
pub(crate) struct LimitArgs {
    /// Highest pace of a paced session each way, such as 200Mbit/s; it does not slow a bulk session, whose amount
    /// --limit-bytes caps
    #[arg(long = "limit-rate", value_name = "RATE")]
    pub(crate) rate: Option<BitRate>,
    /// Most payload one session may move, such as 2GB
    #[arg(long = "limit-bytes", value_name = "AMOUNT")]
    pub(crate) bytes: Option<Bytes>,
    /// Longest session, settle included [default: 120s for the daemon, the daemon's for an invite]
    #[arg(long = "limit-duration", value_name = "DURATION", value_parser = parse_duration)]
    pub(crate) duration: Option<Duration>,
}

/// What can be done with invites.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Makes an invite and prints it, once: a line that names this listener and holds the sender's key
    Invite {
        /// Name of the invite: a-z, 0-9 and '-'
        name: InviteName,
        #[command(flatten)]
        state: State,
        /// How long it lets its holder in, such as 7d
        #[arg(long, value_name = "DURATION", default_value = "7d", value_parser = parse_duration)]
        expires: Duration,
        #[command(flatten)]
        limits: LimitArgs,
    },
    /// Takes an invite back; a running session of it ends within two seconds
    Revoke {
        /// Name of the invite
        name: InviteName,
        #[command(flatten)]
        state: State,
    },
}

fn default_addresses() -> [SocketAddr; 2] {
    [(Ipv4Addr::UNSPECIFIED, DEFAULT_PORT).into(), (Ipv6Addr::UNSPECIFIED, DEFAULT_PORT).into()]
}
