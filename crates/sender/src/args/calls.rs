//! The options of a call session.

use std::time::Duration;

use culvert_session::plan::Target;
use culvert_units::{Bytes, parse_duration};

use super::{InviteArgs, PathArgs, PinArgs, parse_target};

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
    #[command(flatten)]
    pub(crate) through: PathArgs,
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
