//! The options of a sweep.

use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_record::Way;
use culvert_session::plan::Target;
use culvert_units::{BitRate, Bytes, Mtu, parse_duration};

use super::{InviteArgs, OneWayArg, PinArgs, parse_target};
use crate::commands::ceiling::typed;

/// Options of a sweep.
#[derive(Debug, clap::Args)]
pub(crate) struct SweepArgs {
    /// The listener: host or host:port, an IPv6 address in brackets
    #[arg(value_parser = parse_target)]
    pub(crate) target: Target,
    #[command(flatten)]
    pub(crate) invite: InviteArgs,
    /// Which end receives
    #[arg(long, value_enum, default_value_t = OneWayArg::Far)]
    pub(crate) toward: OneWayArg,
    /// Whole IP packets to try, bytes; three sizes at least give a cost [default: those of RFC 2544 that fit the MTU]
    #[arg(long, value_name = "BYTES[,BYTES]", value_delimiter = ',', value_parser = clap::value_parser!(u16).range(60..=9_000))]
    pub(crate) sizes: Vec<u16>,
    /// A further size, bytes, at which the prediction is held against a measurement [default: between two others]
    #[arg(long, value_name = "BYTES", value_parser = clap::value_parser!(u16).range(60..=9_000))]
    pub(crate) predict: Option<u16>,
    /// How long each trial lasts, 200ms to 10s
    #[arg(long, value_name = "DURATION", default_value = "2s", value_parser = parse_trial)]
    pub(crate) trial: Duration,
    /// Never offer more than this, bits of IP packets per second
    #[arg(long, value_name = "RATE", value_parser = typed::rate)]
    pub(crate) limit_rate: Option<BitRate>,
    /// Most that the sweep may send in all, IP packets counted whole
    #[arg(long, value_name = "AMOUNT", default_value = "2GB")]
    pub(crate) at_most: Bytes,
    /// The path's MTU, where a link on the way has a smaller one than both ends' interfaces
    #[arg(long, value_name = "BYTES", value_parser = typed::mtu)]
    pub(crate) mtu: Option<Mtu>,
    #[command(flatten)]
    pub(crate) pins: PinArgs,
    /// Address family, ipv4 or ipv6 [default: the target's, ipv4 when it has both]
    #[arg(long, value_name = "FAMILY", value_parser = typed::word::<Family>)]
    pub(crate) family: Option<Family>,
    /// Print the result with every trial as one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

impl From<OneWayArg> for Way {
    fn from(toward: OneWayArg) -> Self {
        match toward {
            OneWayArg::Far => Self::Far,
            OneWayArg::Near => Self::Near,
        }
    }
}

fn parse_trial(text: &str) -> Result<Duration, String> {
    let trial = parse_duration(text).map_err(|error| error.to_string())?;
    // A shorter one has too few packets to tell a percent, a longer one loads a line that others use.
    if !(Duration::from_millis(200)..=Duration::from_secs(10)).contains(&trial) {
        return Err("a trial lasts 200ms to 10s".to_owned());
    }
    // A quarter of it is cut away, in steps of whole 10 ms.
    if !trial.as_nanos().is_multiple_of(40_000_000) {
        return Err("the length of a trial is a multiple of 40ms".to_owned());
    }
    Ok(trial)
}
