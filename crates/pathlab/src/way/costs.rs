//! What each length of packet takes, worked out once.

use culvert_pathmodel::{Link, fragment_lengths};
use culvert_units::Mtu;

use crate::Tunnel;

/// The costs of all lengths up to the MTU.
#[derive(Debug)]
pub(super) struct Costs(Box<[Cost]>);

/// What a packet takes once the tunnel is around it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Cost {
    /// The IP packets that it becomes, in bytes.
    pub(super) outer: u32,
    /// The bytes of the link's rate that these take; without a link the same.
    pub(super) wire: u32,
}

impl Costs {
    pub(super) fn new(tunnel: Option<&Tunnel>, link: Option<Link>, mtu: Mtu) -> Self {
        Self((0..=mtu.get()).map(|length| cost(length, tunnel, link, mtu)).collect())
    }

    /// The cost of a packet; nothing beyond the MTU, where none gets.
    pub(super) fn of(&self, length: u32) -> Cost {
        usize::try_from(length)
            .ok()
            .and_then(|length| self.0.get(length))
            .copied()
            .unwrap_or_default()
    }
}

fn cost(length: u16, tunnel: Option<&Tunnel>, link: Option<Link>, mtu: Mtu) -> Cost {
    let pieces = tunnel.map_or_else(
        || vec![u32::from(length)],
        |tunnel| {
            let outer = tunnel.encapsulation.outer_length(length, tunnel.outer_family, mtu);
            fragment_lengths(outer, u32::from(tunnel.underlay_mtu.get()), tunnel.outer_family)
        },
    );
    let on_link = |piece: &u32| link.map_or(*piece, |link| link.wire_length(*piece));
    Cost { outer: pieces.iter().sum(), wire: pieces.iter().map(on_link).sum() }
}
