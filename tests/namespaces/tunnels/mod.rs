//! Real tunnels against the model: each of `scripts/lab tunnels` is brought up, its packets are captured in the WAN and
//! their lengths held against `culvert-pathmodel`, and a survey's goodput behind a shaper against the ceiling.
//!
//! `scripts/lab measure` runs these tests by hand. It sets [`INTO`], which keeps captures, plans and ledgers, and
//! [`ROUNDS`], and so asks for the rate and accuracy that a quiet machine gives.

mod capture;
mod facts;
mod fast;
mod goodput;
mod lengths;
mod row;
mod uml;

use std::collections::BTreeSet;
use std::env;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::lab::{Lab, Wish, output, script};
use facts::Facts;

/// Where the results of `scripts/lab measure` go.
const INTO: &str = "CULVERT_LAB_INTO";
/// How often its surveys visit each path.
const ROUNDS: &str = "CULVERT_LAB_ROUNDS";

/// A test for each tunnel, named as its key; with a reason they are run only when they are asked for.
macro_rules! tunnels {
    ($why:literal: $($name:ident)*) => {
        $(#[test] #[ignore = $why] fn $name() { super::measure(&stringify!($name).replace('_', "-")); })*
    };
    ($($name:ident)*) => {
        $(#[test] fn $name() { super::measure(&stringify!($name).replace('_', "-")); })*
    };
}
use tunnels;

/// Measures one tunnel of `scripts/lab`.
fn measure(key: &str) {
    let wish = Wish { rate: Some("unshaped"), ..Wish::default() };
    let Some(lab) = Lab::build_as(key, &wish) else { return };
    let facts = Facts::of(key);
    let folder = folder(&lab, key);
    let lengths = lengths::check(&lab, &facts, &folder);
    let goodput = goodput::check(&lab, &facts, &folder);
    row::show(&folder, &facts, &lengths, &goodput);
}

fn folder(lab: &Lab, key: &str) -> PathBuf {
    let folder = env::var_os(INTO).map_or_else(|| lab.scratch("measured"), PathBuf::from).join(key);
    fs::create_dir_all(&folder).expect("a folder for the results");
    folder
}

/// A file's name as an argument.
fn name(file: &Path) -> &str {
    file.to_str().expect("a name")
}

#[test]
fn every_tunnel_has_a_test() {
    let own = env::current_exe().expect("this program");
    let listed = output(Command::new(own).arg("--list")).stdout;
    let tested: BTreeSet<_> = listed
        .lines()
        .filter_map(|line| line.strip_prefix("tunnels::")?.strip_suffix(": test")?.split_once("::"))
        .map(|(tier, key)| (tier.to_owned(), key.replace('_', "-")))
        .collect();
    let keys = |tier: &str| output(Command::new(script()).args(["tunnels", tier])).stdout;
    let known: BTreeSet<_> = ["fast", "uml"]
        .into_iter()
        .flat_map(|tier| {
            let lines: Vec<_> = keys(tier).lines().map(str::to_owned).collect();
            lines.into_iter().map(move |key| (tier.to_owned(), key))
        })
        .collect();
    assert!(!known.is_empty());
    assert_eq!(tested, known);
}
