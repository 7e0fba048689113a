//! The model against packets that another program builds: scapy 2.8.0 lays out the headers, its `cryptography` encrypts.
//!
//! For every inner length up to 1500 the built packet is as long as the model says. scapy is fetched into the target
//! folder, once; without Python or network the test says that it was skipped, and fails where the variable `CI` is set.

use std::path::Path;

use culvert_pathmodel::{Encapsulation, Family};
use culvert_units::Mtu;

const LONGEST: u16 = 1500;
const SCAPY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/scapy");

#[path = "../../../tests/shared/python.rs"]
mod python;

#[test]
fn scapy_builds_packets_of_the_models_lengths() {
    let requirements = format!("{SCAPY}/requirements.txt");
    let python = match python::python_with("scapy-2.8.0", Path::new(&requirements)) {
        Ok(python) => python,
        Err(reason) => return python::skip(&reason),
    };
    let mut builder = python::bounded(600, &python);
    builder.arg("-B").arg(format!("{SCAPY}/build_packets.py")).arg(LONGEST.to_string());
    let output = builder.output().expect("the builder starts");
    assert!(output.status.success(), "the builder failed: {}", python::stderr(&output));
    let lines = String::from_utf8(output.stdout).expect("text");
    let stacks: Vec<_> = lines.lines().map(Stack::read).collect();
    for stack in &stacks {
        stack.agrees_with_the_model();
    }
    for kind in
        ["esp-", "esp-transport-", "l2tp", "l2tp-esp-", "gre", "pptp-mppe", "vxlan", "geneve"]
    {
        assert!(stacks.iter().any(|stack| stack.key.starts_with(kind)), "{kind} was not built");
    }
    assert!(stacks.len() >= 60, "{} stacks were built", stacks.len());
}

/// What was built with one stack of headers.
struct Stack {
    key: String,
    outer: Family,
    /// Inner and outer lengths.
    lengths: Vec<(u16, u32)>,
}

impl Stack {
    fn read(line: &str) -> Self {
        let words: Vec<_> = line.split(' ').collect();
        let [key, outer, _, first, lengths @ ..] = words.as_slice() else { panic!("{line}") };
        let first: u16 = first.parse().expect("the first inner length");
        let lengths = lengths.iter().map(|length| length.parse().expect("a length"));
        Self {
            key: (*key).to_owned(),
            outer: if *outer == "6" { Family::Ipv6 } else { Family::Ipv4 },
            lengths: (first..=LONGEST).zip(lengths).collect(),
        }
    }

    fn agrees_with_the_model(&self) {
        let Self { key, outer, lengths } = self;
        let row: Encapsulation = key.parse().expect("a key of the table");
        let mtu = Mtu::new(LONGEST).expect("an MTU");
        assert_eq!(lengths.last().map(|(inner, _)| *inner), Some(LONGEST), "{key}");
        for (inner, built) in lengths {
            assert_eq!(
                row.outer_length(*inner, *outer, mtu),
                *built,
                "{key} over {outer} around {inner}"
            );
        }
        let fits = lengths.iter().filter(|(_, built)| *built <= u32::from(LONGEST)).max();
        let largest = row.largest_inner(mtu, *outer).map(Mtu::get);
        assert_eq!(largest.ok(), fits.map(|(inner, _)| *inner), "{key} over {outer}");
    }
}
