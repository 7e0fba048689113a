//! The places at the gate and behind it, given back when their holders end.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};

use culvert_session::slots::{Entry, Slot, Slots};
use tokio::sync::oneshot;

/// Connections behind the gate, at the same time.
const INSIDE: usize = 32;
/// Of them of one invite.
const INSIDE_EACH: usize = 4;

/// Who waits at the gate.
#[derive(Debug, Default)]
pub(crate) struct Gate {
    held: Mutex<Held>,
}

#[derive(Debug, Default)]
struct Held {
    slots: Slots,
    evictions: HashMap<Slot, oneshot::Sender<()>>,
}

/// A place at the gate.
#[derive(Debug)]
pub(crate) struct Turn<'a> {
    gate: &'a Gate,
    slot: Slot,
    evicted: oneshot::Receiver<()>,
}

impl Gate {
    /// A place for a connection from `address`; `None` when that place has taken its share.
    pub(crate) fn enter(&self, address: IpAddr) -> Option<Turn<'_>> {
        let mut held = self.lock();
        let Entry::Waits { slot, evicted } = held.slots.enter(address) else { return None };
        if let Some(oldest) = evicted.and_then(|oldest| held.evictions.remove(&oldest)) {
            // It may have left in this very moment.
            let _ = oldest.send(());
        }
        let (evict, evicted) = oneshot::channel();
        held.evictions.insert(slot, evict);
        Some(Turn { gate: self, slot, evicted })
    }

    fn lock(&self) -> MutexGuard<'_, Held> {
        // Nothing that holds the lock can leave the books half written.
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Turn<'_> {
    /// Ends when a newer connection takes this place.
    pub(crate) async fn evicted(&mut self) {
        let _ = (&mut self.evicted).await;
    }
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        let mut held = self.gate.lock();
        held.slots.leave(self.slot);
        held.evictions.remove(&self.slot);
    }
}

/// Who is behind the gate, by the name of the invite.
#[derive(Debug, Default)]
pub(crate) struct Inside {
    guests: Mutex<HashMap<String, usize>>,
}

/// A place behind the gate.
#[derive(Debug)]
pub(crate) struct Guest<'a> {
    inside: &'a Inside,
    name: &'a str,
}

impl Inside {
    /// A place for a holder of the invite `name`; `None` when all, or all of this invite, are taken.
    pub(crate) fn enter<'a>(&'a self, name: &'a str) -> Option<Guest<'a>> {
        let mut guests = self.lock();
        let own = guests.get(name).copied().unwrap_or(0);
        if own >= INSIDE_EACH || guests.values().sum::<usize>() >= INSIDE {
            return None;
        }
        guests.insert(name.to_owned(), own + 1);
        Some(Guest { inside: self, name })
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<String, usize>> {
        self.guests.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Guest<'_> {
    fn drop(&mut self) {
        let mut guests = self.inside.lock();
        if let Some(own) = guests.get_mut(self.name) {
            *own = own.saturating_sub(1);
            if *own == 0 {
                guests.remove(self.name);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_invite_has_four_places() {
        let inside = Inside::default();
        let mut guests: Vec<_> = (0..4).map(|_| inside.enter("cabin").expect("a place")).collect();
        assert!(inside.enter("cabin").is_none());
        assert!(inside.enter("shed").is_some());
        guests.pop();
        assert!(inside.enter("cabin").is_some());
    }

    #[tokio::test]
    async fn the_evicted_one_hears_of_it() {
        let gate = Gate::default();
        let stranger = |n: u16| {
            let [high, low] = n.to_be_bytes();
            IpAddr::from([198, 18, high, low])
        };
        let mut first = gate.enter(stranger(0)).expect("a place");
        let _others: Vec<_> =
            (1..=256).map(|n| gate.enter(stranger(n)).expect("a place")).collect();
        first.evicted().await;
    }
}
