//! Who may wait at the gate: a bounded number of connections, few from one place, the oldest leaving for the newest.
//!
//! Strangers can fill the slots but not keep the owner out: a new connection always finds one, unless its own place has
//! taken its share. This keeps the books; the caller ends the connections it names.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;

/// Connections that have not passed the gate, at the same time.
pub const GATE_SLOTS: usize = 256;
/// Of them from one IPv4 address or IPv6 /64, the least that one subscriber has (RFC 6177 2).
pub const GATE_SLOTS_EACH: usize = 16;

/// Names a connection at the gate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Slot(u64);

/// What to do with a connection that has come to the gate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Entry {
    /// It may wait; `evicted` is to be ended at once.
    Waits {
        /// Its slot, to be given back with [`Slots::leave`].
        slot: Slot,
        /// The connection that has waited longest, when all slots were taken.
        evicted: Option<Slot>,
    },
    /// Its place has taken its share.
    TooMany,
}

/// The slots at the gate.
#[derive(Debug, Default)]
pub struct Slots {
    next: u64,
    waiting: VecDeque<(Slot, Place)>,
    by_place: HashMap<Place, usize>,
}

/// An IPv4 address or an IPv6 /64.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Place {
    V4(u32),
    V6(u64),
}

impl Place {
    fn of(address: IpAddr) -> Self {
        match address.to_canonical() {
            IpAddr::V4(address) => Self::V4(address.into()),
            IpAddr::V6(address) => {
                let [a, b, c, d, ..] = address.segments();
                Self::V6([a, b, c, d].into_iter().fold(0, |all, part| all << 16 | u64::from(part)))
            }
        }
    }
}

impl Slots {
    /// A connection from `address` has come.
    pub fn enter(&mut self, address: IpAddr) -> Entry {
        let place = Place::of(address);
        if self.by_place.get(&place).is_some_and(|taken| *taken >= GATE_SLOTS_EACH) {
            return Entry::TooMany;
        }
        let evicted = if self.waiting.len() >= GATE_SLOTS {
            self.waiting.front().map(|(slot, _)| *slot)
        } else {
            None
        };
        if let Some(oldest) = evicted {
            self.leave(oldest);
        }
        let slot = Slot(self.next);
        self.next += 1;
        self.waiting.push_back((slot, place));
        *self.by_place.entry(place).or_default() += 1;
        Entry::Waits { slot, evicted }
    }

    /// A connection has passed the gate, or ended; leaving twice does nothing.
    pub fn leave(&mut self, slot: Slot) {
        let Some(index) = self.waiting.iter().position(|(waiting, _)| *waiting == slot) else {
            return;
        };
        let Some((_, place)) = self.waiting.remove(index) else { return };
        if let Some(taken) = self.by_place.get_mut(&place) {
            *taken -= 1;
            if *taken == 0 {
                self.by_place.remove(&place);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::net::{Ipv4Addr, Ipv6Addr};

    use super::*;

    fn stranger(number: usize) -> IpAddr {
        let [high, low] = u16::try_from(number).expect("few").to_be_bytes();
        Ipv4Addr::new(198, 18, high, low).into()
    }

    fn slot_of(entry: Entry) -> Slot {
        match entry {
            Entry::Waits { slot, .. } => slot,
            Entry::TooMany => panic!("no slot"),
        }
    }

    #[test]
    fn the_oldest_leaves_for_the_newest() {
        let mut slots = Slots::default();
        let taken: Vec<Slot> =
            (0..GATE_SLOTS).map(|number| slot_of(slots.enter(stranger(number)))).collect();
        let owner = slots.enter(stranger(GATE_SLOTS));
        assert!(matches!(owner, Entry::Waits { evicted: Some(oldest), .. } if oldest == taken[0]));
        slots.leave(taken[1]);
        assert!(matches!(
            slots.enter(stranger(GATE_SLOTS + 1)),
            Entry::Waits { evicted: None, .. }
        ));
    }

    #[test]
    fn one_place_has_its_share() {
        let mut slots = Slots::default();
        let v6 = |host: u16| IpAddr::from(Ipv6Addr::new(0x2001, 0xdb8, 0, 7, 0, 0, 0, host));
        let taken: Vec<Slot> = (0..16).map(|host| slot_of(slots.enter(v6(host)))).collect();
        assert_eq!(slots.enter(v6(99)), Entry::TooMany);
        assert!(matches!(slots.enter(stranger(1)), Entry::Waits { .. }));
        slots.leave(taken[3]);
        slots.leave(taken[3]);
        assert!(matches!(slots.enter(v6(99)), Entry::Waits { .. }));
        assert_eq!(slots.enter(v6(100)), Entry::TooMany);
    }

    proptest::proptest! {
        #[test]
        fn the_books_balance(steps in proptest::collection::vec((0_usize..40, proptest::bool::ANY), 0..2_000)) {
            let mut slots = Slots::default();
            let mut held = Vec::new();
            for (number, enters) in steps {
                if enters {
                    if let Entry::Waits { slot, .. } = slots.enter(stranger(number)) {
                        held.push(slot);
                    }
                } else if !held.is_empty() {
                    slots.leave(held.swap_remove(number % held.len()));
                }
                proptest::prop_assert!(slots.waiting.len() <= GATE_SLOTS);
                proptest::prop_assert_eq!(slots.by_place.values().sum::<usize>(), slots.waiting.len());
                proptest::prop_assert!(slots.by_place.values().all(|taken| (1..=GATE_SLOTS_EACH).contains(taken)));
            }
        }
    }
}
