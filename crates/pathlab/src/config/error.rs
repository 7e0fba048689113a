//! Why a configuration was refused.

use std::net::IpAddr;

use culvert_pathmodel::ModelError;
use culvert_units::{ExitStatus, Explain};

/// A configuration that cannot be built.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each text names its fields")]
pub enum ConfigError {
    /// The text is neither TOML nor JSON, or has keys or values that mean nothing here.
    #[error("the configuration cannot be read: {problem}")]
    NotRead { problem: String },
    /// No path, or too many.
    #[error("the configuration has {found} paths, not 1 to {most}")]
    PathCount { found: usize, most: usize },
    /// A name that does not tell paths apart.
    #[error("the path name '{name}' is empty or taken")]
    Name { name: String },
    /// An address that two ends have.
    #[error("the address {address} of path '{path}' is taken")]
    AddressTaken { path: String, address: IpAddr },
    /// One IPv4 and one IPv6 address, or one that no host can have.
    #[error("path '{path}' cannot go from {near} to {far}")]
    Addresses { path: String, near: IpAddr, far: IpAddr },
    /// A tunnel over TCP.
    #[error("the encapsulation {key} of path '{path}' is a stream: its packets share segments")]
    Stream { path: String, key: String },
    /// The tunnel cannot be like that.
    #[error("path '{path}' cannot be built")]
    Model { path: String, source: ModelError },
    /// A value that makes no sense.
    #[error("'{key}' of path '{path}' is {value}, which {problem}")]
    Value { path: String, key: &'static str, value: String, problem: &'static str },
}

impl Explain for ConfigError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::PathCount { .. } => "describe each path in a [[paths]] table".to_owned(),
            Self::Name { .. } => "give every path a name of its own".to_owned(),
            Self::AddressTaken { .. } => {
                "give each end of each path an address of its own, such as 10.90.1.1 and 10.90.1.2"
                    .to_owned()
            }
            Self::Addresses { .. } => {
                "give two unicast addresses of the same IP version".to_owned()
            }
            Self::Stream { .. } => {
                "choose an encapsulation over UDP or IP; those over TCP need a real tunnel"
                    .to_owned()
            }
            Self::Model { source, .. } => return source.hint(),
            Self::NotRead { .. } | Self::Value { .. } => {
                "see `culvert-pathlab explain` for every key".to_owned()
            }
        })
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}
