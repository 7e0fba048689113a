//! A path: two directions that have a tunnel and a seed in common.

use culvert_pathmodel::{Encapsulation, Family};
use culvert_units::Mtu;
use serde::Serialize;

use crate::{Change, OneWay};

/// What makes a path, apart from the hosts at its ends.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PathConfig {
    /// The tunnel, if there is one.
    pub tunnel: Option<Tunnel>,
    /// The longest IP packet of the hosts that passes: the MTU of the tunnel's interface, or of the line.
    pub mtu: Mtu,
    /// What happens toward the far end.
    pub toward_far: Vec<Change>,
    /// What happens toward the near end.
    pub toward_near: Vec<Change>,
}

/// A tunnel that exists in the bytes it costs only.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Tunnel {
    /// What is put around packets; not one that is a stream, as its packets share segments.
    pub encapsulation: Encapsulation,
    /// The IP version of the outer packets.
    pub outer_family: Family,
    /// The longest outer packet that is not split.
    pub underlay_mtu: Mtu,
}

/// What makes one direction of a path.
#[derive(Debug, Clone, PartialEq)]
pub struct WayConfig {
    /// As in [`PathConfig`].
    pub tunnel: Option<Tunnel>,
    /// As in [`PathConfig`].
    pub mtu: Mtu,
    /// What happens from when on, ordered by time; before the first one nothing happens to packets.
    pub changes: Vec<Change>,
    /// Where all chance comes from.
    pub seed: u64,
    /// For how many packets a line is kept.
    pub listed: usize,
}

/// Both directions of a path.
///
/// `T` is whatever the caller needs in order to find a packet again.
#[derive(Debug)]
pub struct Path<T> {
    /// Toward the far end.
    pub toward_far: OneWay<T>,
    /// Toward the near end.
    pub toward_near: OneWay<T>,
}

impl<T: Copy> Path<T> {
    /// A path at time 0. What happens in a direction follows from `seed`, the configuration and the times and lengths
    /// of the packets offered there, and where a gateway is shared those of the other direction; `listed` is for how many packets of each direction
    /// a line is kept.
    pub fn new(config: &PathConfig, seed: u64, listed: usize) -> Self {
        let way = |changes: &[Change], seed| WayConfig {
            tunnel: config.tunnel.clone(),
            mtu: config.mtu,
            changes: changes.to_vec(),
            seed,
            listed,
        };
        let (toward_far, toward_near) = OneWay::pair(
            way(&config.toward_far, seed.wrapping_mul(2)),
            way(&config.toward_near, seed.wrapping_mul(2).wrapping_add(1)),
        );
        Self { toward_far, toward_near }
    }
}

impl Default for PathConfig {
    fn default() -> Self {
        Self { tunnel: None, mtu: Mtu::ETHERNET, toward_far: Vec::new(), toward_near: Vec::new() }
    }
}
