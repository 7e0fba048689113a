//! The model against published packets, captured packets, our own arithmetic, and its own laws.

use culvert_units::{BitRate, Mtu};

use crate::{CeilingQuestion, Encapsulation, Link, find};

mod bounds;
mod captured;
mod depth;
mod laws;
mod losses;
mod outlooks;
mod paths;
mod published;
mod questions;
mod worked;

fn mtu(bytes: u16) -> Mtu {
    Mtu::new(bytes).unwrap()
}

fn row(key: &str) -> &'static Encapsulation {
    find(key).unwrap()
}

fn gigabit() -> Link {
    Link::ethernet(BitRate::from_megabits(1000))
}

fn question(key: &str) -> CeilingQuestion<'static> {
    CeilingQuestion::new(gigabit(), row(key))
}

/// Whether `value` rounds to `printed`, given with so many decimals.
fn rounds_to(value: f64, printed: f64, decimals: i32) -> bool {
    (value - printed).abs() <= 0.500_001 * 10_f64.powi(-decimals)
}
