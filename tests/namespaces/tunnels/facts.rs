//! What a tunnel's file in `scripts/lib/tunnels` says of it.

use std::collections::HashMap;
use std::process::Command;

use culvert_pathmodel::{Encapsulation, Family, find, fragment_lengths};
use culvert_units::Mtu;

use crate::lab::{assignments, output, script};

/// The facts of one tunnel.
pub(super) struct Facts {
    /// Its key.
    pub(super) key: String,
    /// What the model calls it; a packet has the length of one of them.
    pub(super) encapsulations: Vec<&'static Encapsulation>,
    /// The longest packet that enters it.
    pub(super) mtu: Mtu,
    /// The longest that leaves as one packet.
    pub(super) longest: u16,
    /// What shows its outer packets.
    pub(super) filter: String,
    /// The address inside that answers.
    pub(super) target: String,
    /// Whether there is a tunnel at all.
    pub(super) inside: bool,
    /// The shaper's rate.
    pub(super) rate: String,
    /// The shaper's queue, milliseconds.
    pub(super) queue: String,
    /// How far goodput may be off the ceiling, a share.
    pub(super) within: f64,
}

impl Facts {
    /// Asks `scripts/lab tunnel`.
    pub(super) fn of(key: &str) -> Self {
        let ran = output(Command::new(script()).args(["tunnel", key]));
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        let all = assignments(&ran.stdout);
        let fact = |name: &str| fact(&all, name);
        let number = |name: &str| -> u16 { fact(name).parse().expect("a number of bytes") };
        let per_cent: f64 = fact("WITHIN").parse().expect("a percentage");
        Self {
            key: key.to_owned(),
            encapsulations: fact("ENCAPSULATIONS")
                .split_whitespace()
                .map(|key| find(key).expect("a row of the model"))
                .collect(),
            mtu: Mtu::new(number("MTU")).expect("an MTU"),
            longest: number("LONGEST"),
            filter: fact("FILTER"),
            target: fact("TARGET"),
            inside: fact("PLACE") == "inside",
            rate: fact("RATE"),
            queue: fact("QUEUE"),
            within: per_cent / 100.0,
        }
    }

    /// Whether some packets acknowledge others and some do not.
    pub(super) fn may_acknowledge(&self) -> bool {
        self.encapsulations.iter().any(|each| with_acknowledgement(each))
    }

    /// How many packets of each length are sent at once. Of two, one has nothing new to acknowledge.
    pub(super) fn repeats(&self) -> usize {
        if self.may_acknowledge() { 2 } else { 1 }
    }

    /// What the model says of the packet that carries one of `inner` bytes over an MTU of 1500, or of its first piece;
    /// one answer for each encapsulation, or for each with or without an acknowledgement, where that is known.
    pub(super) fn outer_lengths(&self, inner: u16, acknowledges: Option<bool>) -> Vec<u32> {
        let first_piece = |encapsulation: &&'static Encapsulation| {
            let whole = encapsulation.outer_length(inner, Family::Ipv4, self.mtu);
            fragment_lengths(whole, u32::from(Mtu::ETHERNET.get()), Family::Ipv4)[0]
        };
        self.encapsulations
            .iter()
            .filter(|each| acknowledges.is_none_or(|is| is == with_acknowledgement(each)))
            .map(first_piece)
            .collect()
    }
}

fn with_acknowledgement(encapsulation: &Encapsulation) -> bool {
    encapsulation.key().ends_with("-ack")
}

fn fact(all: &HashMap<String, String>, name: &str) -> String {
    all.get(&format!("TUNNEL_{name}")).unwrap_or_else(|| panic!("no {name}")).clone()
}
