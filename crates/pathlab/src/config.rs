//! The configuration of a lab: several paths between the same two hosts, each with addresses of its own.
//!
//! Written as TOML or as JSON with the same keys; quantities carry their unit. Every key:
//!
#![doc = include_str!("config/keys.md")]

mod check;
mod error;
#[cfg(test)]
mod tests;
mod typed;

use std::net::IpAddr;

use culvert_units::Mtu;
use serde::Serialize;

use crate::PathConfig;

pub use error::ConfigError;

/// A checked configuration.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lab {
    pub(crate) seed: u64,
    pub(crate) host_mtu: Mtu,
    pub(crate) paths: Vec<LabPath>,
}

/// A path with the addresses that lead over it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LabPath {
    /// What it is called.
    pub name: String,
    /// The near host's address on it.
    pub near: IpAddr,
    /// The far host's address on it.
    pub far: IpAddr,
    /// What makes it.
    #[serde(flatten)]
    pub config: PathConfig,
}

impl Lab {
    /// Reads and checks a configuration: JSON when it begins with a brace, else TOML.
    pub fn parse(text: &str) -> Result<Self, ConfigError> {
        let typed = typed::read(text).map_err(|problem| ConfigError::NotRead { problem })?;
        check::lab(typed)
    }

    /// The same lab with another seed.
    #[must_use]
    pub fn with_seed(self, seed: u64) -> Self {
        Self { seed, ..self }
    }

    /// Where all chance comes from.
    pub const fn seed(&self) -> u64 {
        self.seed
    }

    /// The seed of one path: two paths never share their chances.
    pub const fn seed_of(&self, path: usize) -> u64 {
        self.seed.wrapping_mul(MOST_PATHS as u64).wrapping_add(path as u64)
    }

    /// The MTU of both hosts' interfaces.
    pub const fn host_mtu(&self) -> Mtu {
        self.host_mtu
    }

    /// The paths, as typed.
    pub fn paths(&self) -> &[LabPath] {
        &self.paths
    }
}

pub(crate) const MOST_PATHS: usize = 64;
/// Every key and what it means, as a Markdown table.
pub(crate) const KEYS: &str = include_str!("config/keys.md");
