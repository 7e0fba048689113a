//! The address proof: a tag proves the peer, not its address.
//!
//! A tagged `open` earns at most one challenge of at most its own size; the tagged echo of the challenge's random
//! number, from the same address and port, proves that the peer receives there. Nothing more than challenges is ever
//! sent to an address that is not proven. This is the listener's side of one datagram flow; the caller has already
//! checked tags, and brings times and random numbers.

use std::net::{IpAddr, SocketAddr};

/// Challenges sent to unproven addresses in one run at most.
pub const MOST_CHALLENGES: u32 = 10;
/// Least time between two such challenges of a flow, nanoseconds.
pub const CHALLENGE_SPACING_NS: u64 = 200_000_000;
/// A proven address that is sent to is challenged again this often, nanoseconds.
pub const RECHALLENGE_EVERY_NS: u64 = 1_000_000_000;
/// Unanswered challenges after which sending stops.
pub const MOST_UNANSWERED: usize = 3;
/// Port changes (NAT rebindings) followed in one run.
pub const MOST_PORT_CHANGES: u32 = 3;

/// How many challenges a run may still send to unproven addresses; shared by the run's flows.
#[derive(Debug, Clone)]
pub struct ChallengeBudget {
    left: u32,
}

impl Default for ChallengeBudget {
    fn default() -> Self {
        Self { left: MOST_CHALLENGES }
    }
}

/// What to do about a tagged datagram on the wildcard socket.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Admission {
    /// Nothing.
    Ignore,
    /// Send a challenge with this number to where the datagram came from.
    Challenge {
        /// The random number to be echoed.
        nonce: u64,
    },
    /// The address is proven.
    Proven {
        /// Where the peer receives.
        peer: SocketAddr,
        /// Whether it replaces an address that was proven before.
        moved: bool,
    },
    /// The datagram came from another address than the control connection.
    OtherAddress {
        /// Where it came from.
        from: IpAddr,
    },
}

/// The proof of one flow's address.
#[derive(Debug, Clone)]
pub struct AddressProof {
    control: IpAddr,
    /// Challenges whose echo may still come: on a long path several are under way at once. At most as many as the
    /// budget grants.
    pending: Vec<Pending>,
    last_challenge_ns: Option<u64>,
    proven: Option<SocketAddr>,
    moves: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Pending {
    peer: SocketAddr,
    nonce: u64,
}

impl AddressProof {
    /// A flow whose datagrams must come from the control connection's address.
    pub const fn new(control: IpAddr) -> Self {
        Self { control, pending: Vec::new(), last_challenge_ns: None, proven: None, moves: 0 }
    }

    /// A tagged datagram came from `from` to the wildcard socket, and is no echo of an awaited challenge.
    ///
    /// `fresh` is a random number that was not used before.
    pub fn on_open(
        &mut self,
        now_ns: u64,
        from: SocketAddr,
        fresh: u64,
        budget: &mut ChallengeBudget,
    ) -> Admission {
        if from.ip() != self.control {
            return Admission::OtherAddress { from: from.ip() };
        }
        let too_soon = self
            .last_challenge_ns
            .is_some_and(|last| now_ns.saturating_sub(last) < CHALLENGE_SPACING_NS);
        let too_many_moves =
            self.proven.is_some_and(|proven| proven != from) && self.moves >= MOST_PORT_CHANGES;
        if self.proven == Some(from) || too_soon || too_many_moves || budget.left == 0 {
            return Admission::Ignore;
        }
        budget.left -= 1;
        self.last_challenge_ns = Some(now_ns);
        self.pending.push(Pending { peer: from, nonce: fresh });
        Admission::Challenge { nonce: fresh }
    }

    /// A tagged echo of `nonce` came from `from` to the wildcard socket.
    pub fn on_echo(&mut self, from: SocketAddr, nonce: u64) -> Admission {
        if !self.pending.contains(&Pending { peer: from, nonce }) {
            return Admission::Ignore;
        }
        self.pending.clear();
        let moved = self.proven.is_some_and(|proven| proven != from);
        self.moves += u32::from(moved);
        self.proven = Some(from);
        Admission::Proven { peer: from, moved }
    }

    /// Whether the peer was proven to receive elsewhere than at `from`.
    pub fn is_proven_elsewhere(&self, from: SocketAddr) -> bool {
        self.proven.is_some_and(|proven| proven != from)
    }
}

/// What a transmitter must do to keep its peer's proof fresh.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Freshness {
    /// Nothing yet.
    Fresh,
    /// Send a challenge with this number.
    Challenge {
        /// The random number to be echoed.
        nonce: u64,
    },
    /// Too many were unanswered: stop sending.
    Lost,
}

/// Keeps one proven address fresh while data is sent to it.
#[derive(Debug, Clone)]
pub struct ProofKeeper {
    next_ns: u64,
    /// Challenges that were sent since the last answer, the oldest first: on a long queue the answer to one comes after
    /// the next has left.
    outstanding: Vec<u64>,
}

impl ProofKeeper {
    /// A keeper for an address proven at `now_ns`.
    pub const fn new(now_ns: u64) -> Self {
        Self { next_ns: now_ns + RECHALLENGE_EVERY_NS, outstanding: Vec::new() }
    }

    /// Asks what to do at `now_ns`; `fresh` is a random number that was not used before.
    pub fn poll(&mut self, now_ns: u64, fresh: u64) -> Freshness {
        if now_ns < self.next_ns {
            return Freshness::Fresh;
        }
        if self.outstanding.len() >= MOST_UNANSWERED {
            return Freshness::Lost;
        }
        self.next_ns = now_ns + RECHALLENGE_EVERY_NS;
        self.outstanding.push(fresh);
        Freshness::Challenge { nonce: fresh }
    }

    /// An echo of `nonce` came from the proven address: this challenge and those before it are answered.
    pub fn on_echo(&mut self, nonce: u64) {
        if let Some(index) = self.outstanding.iter().position(|sent| *sent == nonce) {
            self.outstanding.drain(..=index);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: u64 = 1_000_000;

    fn peer(port: u16) -> SocketAddr {
        SocketAddr::from(([198, 18, 0, 7], port))
    }

    fn proven(
        proof: &mut AddressProof,
        budget: &mut ChallengeBudget,
        at: u64,
        port: u16,
    ) -> Admission {
        let Admission::Challenge { nonce } = proof.on_open(at, peer(port), at, budget) else {
            return Admission::Ignore;
        };
        proof.on_echo(peer(port), nonce)
    }

    #[test]
    fn an_echo_from_the_same_port_proves() {
        let (mut proof, mut budget) = (AddressProof::new(peer(0).ip()), ChallengeBudget::default());
        assert_eq!(
            proof.on_open(0, peer(4000), 11, &mut budget),
            Admission::Challenge { nonce: 11 }
        );
        assert_eq!(proof.on_echo(peer(4000), 12), Admission::Ignore);
        assert_eq!(proof.on_echo(peer(4001), 11), Admission::Ignore);
        assert_eq!(
            proof.on_echo(peer(4000), 11),
            Admission::Proven { peer: peer(4000), moved: false }
        );
        assert_eq!(proof.on_echo(peer(4000), 11), Admission::Ignore);
    }

    #[test]
    fn on_a_long_path_the_first_echo_proves_although_more_challenges_left() {
        let (mut proof, mut budget) = (AddressProof::new(peer(0).ip()), ChallengeBudget::default());
        for (at, nonce) in [(0, 1), (200 * MS, 2), (400 * MS, 3)] {
            assert_eq!(
                proof.on_open(at, peer(4000), nonce, &mut budget),
                Admission::Challenge { nonce }
            );
        }
        assert_eq!(
            proof.on_echo(peer(4000), 1),
            Admission::Proven { peer: peer(4000), moved: false }
        );
        assert_eq!(proof.on_echo(peer(4000), 2), Admission::Ignore, "one proof is enough");
    }

    #[test]
    fn another_address_gets_nothing() {
        let (mut proof, mut budget) = (AddressProof::new(peer(0).ip()), ChallengeBudget::default());
        let other = SocketAddr::from(([203, 0, 113, 9], 4000));
        assert_eq!(
            proof.on_open(0, other, 1, &mut budget),
            Admission::OtherAddress { from: other.ip() }
        );
    }

    #[test]
    fn challenges_are_spaced_and_counted() {
        let (mut proof, mut budget) = (AddressProof::new(peer(0).ip()), ChallengeBudget::default());
        let mut sent = 0;
        for tick in 0..1_000_u64 {
            if let Admission::Challenge { .. } =
                proof.on_open(tick * 50 * MS, peer(4000), tick, &mut budget)
            {
                assert_eq!(tick % 4, 0, "200 ms apart");
                sent += 1;
            }
        }
        assert_eq!(sent, MOST_CHALLENGES);
    }

    #[test]
    fn three_port_changes_are_followed() {
        let (mut proof, mut budget) = (AddressProof::new(peer(0).ip()), ChallengeBudget::default());
        let moved: Vec<bool> = (0..6_u16)
            .map(|i| proven(&mut proof, &mut budget, u64::from(i) * 1_000 * MS, 4000 + i))
            .map(|admission| matches!(admission, Admission::Proven { moved: true, .. }))
            .collect();
        assert_eq!(moved, [false, true, true, true, false, false]);
    }

    #[test]
    fn sending_stops_after_three_silent_seconds() {
        let mut keeper = ProofKeeper::new(0);
        assert_eq!(keeper.poll(999 * MS, 1), Freshness::Fresh);
        for second in 1..=3_u64 {
            assert_eq!(
                keeper.poll(second * 1_000 * MS, second),
                Freshness::Challenge { nonce: second }
            );
        }
        assert_eq!(keeper.poll(4_000 * MS, 9), Freshness::Lost);
    }

    #[test]
    fn answers_two_seconds_late_keep_it_fresh() {
        let mut keeper = ProofKeeper::new(0);
        for second in 1..=100_u64 {
            assert_eq!(
                keeper.poll(second * 1_000 * MS, second),
                Freshness::Challenge { nonce: second }
            );
            keeper.on_echo(second.saturating_sub(2));
        }
    }

    #[test]
    fn an_answer_keeps_it_fresh() {
        let mut keeper = ProofKeeper::new(0);
        for second in 1..=100_u64 {
            assert_eq!(
                keeper.poll(second * 1_000 * MS, second),
                Freshness::Challenge { nonce: second }
            );
            keeper.on_echo(second);
        }
    }
}
