//! The options of a call session.

use std::path::PathBuf;
use std::time::Duration;

use culvert_pathmodel::{Encapsulation, Family};
use culvert_record::Place;
use culvert_session::plan::Target;
use culvert_units::{Bytes, parse_duration};

use super::{InviteArgs, PinArgs, parse_target};
use crate::commands::ceiling::typed;

/// Options of a call session.
#[derive(Debug, clap::Args)]
pub(crate) struct CallsArgs {
    /// The listener: host or host:port, an IPv6 address in brackets
    #[arg(value_parser = parse_target)]
    pub(crate) target: Target,
    #[command(flatten)]
    pub(crate) invite: InviteArgs,
    /// Length of each part, 1s to 100s: a call alone, then one beside a bulk flow each way. The 99.9th percentiles of
    /// Y.1541 need 1000 packets, which are 20s
    #[arg(long = "for", value_name = "DURATION", default_value = "20s", value_parser = parse_length)]
    pub(crate) length: Duration,
    /// Leave out the parts beside a bulk flow; they need culvertd --limit-sessions 2
    #[arg(long)]
    pub(crate) alone: bool,
    /// Most payload the bulk flows may move, both together
    #[arg(long, value_name = "AMOUNT")]
    pub(crate) at_most: Option<Bytes>,
    #[command(flatten)]
    pub(crate) pins: PinArgs,
    /// Address family, ipv4 or ipv6 [default: the target's, ipv4 when it has both]
    #[arg(long, value_name = "FAMILY", value_parser = typed::word::<Family>)]
    pub(crate) family: Option<Family>,
    /// Ledger to append each part to
    #[arg(long, value_name = "FILE")]
    pub(crate) ledger: Option<PathBuf>,
    /// Your name for the path
    #[arg(long, value_name = "NAME")]
    pub(crate) path: Option<String>,
    /// Whether the path goes through a tunnel
    #[arg(long, value_name = "outside|inside", value_parser = typed::word::<Place>)]
    pub(crate) place: Option<Place>,
    /// The encapsulation the path is believed to use: a key that culvert ceiling lists, or custom:BYTES
    #[arg(long, value_name = "KEY", value_parser = typed::encapsulation)]
    pub(crate) encapsulation: Option<Encapsulation>,
    /// Print every part with its verdict as one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

fn parse_length(text: &str) -> Result<Duration, String> {
    let length = parse_duration(text).map_err(|error| error.to_string())?;
    if (Duration::from_secs(1)..=Duration::from_secs(100)).contains(&length)
        && length.as_nanos().is_multiple_of(10_000_000)
    {
        Ok(length)
    } else {
        Err("a part lasts 1s to 100s, in multiples of 10ms".to_owned())
    }
}
