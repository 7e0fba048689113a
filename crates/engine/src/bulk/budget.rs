//! What one direction may move.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use culvert_units::Bytes;

/// What the flows of one direction may still move, together.
#[derive(Debug)]
pub struct Budget {
    most: u64,
    left: AtomicU64,
    refused: AtomicBool,
}

impl Budget {
    /// A budget of so many bytes; `None` is no bound.
    pub fn new(most: Option<Bytes>) -> Self {
        let most = most.map_or(u64::MAX, Bytes::get);
        Self { most, left: AtomicU64::new(most), refused: AtomicBool::new(false) }
    }

    /// Takes at most `wanted` bytes; gives what is left of them to take, 0 when it is spent.
    pub(super) fn take(&self, wanted: u64) -> u64 {
        let taken = |left: u64| left.checked_sub(wanted.min(left));
        let before = self.left.fetch_update(Ordering::Relaxed, Ordering::Relaxed, taken);
        let taken = before.unwrap_or(0).min(wanted);
        if taken == 0 {
            self.refused.store(true, Ordering::Relaxed);
        }
        taken
    }

    pub(super) fn give_back(&self, unused: u64) {
        self.left.fetch_add(unused, Ordering::Relaxed);
    }

    /// Whether nothing is left, or a flow had to end because of it: what others give back later is no use to that one.
    pub(super) fn is_spent(&self) -> bool {
        self.left.load(Ordering::Relaxed) == 0 || self.refused.load(Ordering::Relaxed)
    }

    /// Whether a peer has sent more than it was allowed to.
    pub(super) const fn is_exceeded_by(&self, received: u64) -> bool {
        received > self.most
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_budget_is_shared_to_the_byte() {
        let budget = Budget::new(Some(Bytes::new(100)));
        assert_eq!((budget.take(60), budget.take(60)), (60, 40));
        assert!(budget.is_spent());
        assert!(!budget.is_exceeded_by(100) && budget.is_exceeded_by(101));
    }

    #[test]
    fn a_flow_that_was_refused_has_spent_the_budget_whatever_another_gives_back() {
        let budget = Budget::new(Some(Bytes::new(100)));
        assert_eq!(budget.take(100), 100);
        budget.give_back(100);
        assert!(!budget.is_spent());
        assert_eq!((budget.take(100), budget.take(1)), (100, 0));
        budget.give_back(100);
        assert!(budget.is_spent());
    }

    #[test]
    fn no_bound_is_never_spent() {
        let budget = Budget::new(None);
        assert_eq!(budget.take(1 << 40), 1 << 40);
        assert!(!budget.is_spent() && !budget.is_exceeded_by(u64::MAX));
    }
}
