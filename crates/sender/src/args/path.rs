//! The options that name a path, and the ledger that keeps what was found of it.

use std::path::PathBuf;

use culvert_pathmodel::{Encapsulation, Family};
use culvert_record::{Ledger, LedgerError, PathTaken, Place};
use culvert_session::plan::Target;

use crate::commands::ceiling::typed;

/// Which path a session takes, and where its result is kept.
#[derive(Debug, clap::Args)]
pub(crate) struct PathArgs {
    /// Address family, ipv4 or ipv6 [default: the target's, ipv4 when it has both]
    #[arg(long, value_name = "FAMILY", value_parser = typed::word::<Family>)]
    pub(crate) family: Option<Family>,
    /// Ledger to append what is found to; culvert compare then needs --path and --place
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
}

impl PathArgs {
    /// The path as it goes into a record.
    pub(crate) fn taken(&self, target: &Target) -> PathTaken {
        PathTaken {
            name: self.path.clone(),
            place: self.place,
            target: target.to_string(),
            encapsulation: self.encapsulation.as_ref().map(|known| known.key().to_owned()),
        }
    }

    /// The ledger, open before the first packet: a result that cannot be kept is not worth its data.
    pub(crate) fn open_ledger(&self) -> Result<Option<Ledger>, LedgerError> {
        self.ledger.as_ref().map(Ledger::open_for_append).transpose()
    }
}
