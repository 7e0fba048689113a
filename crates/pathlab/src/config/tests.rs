use std::time::Duration;

use culvert_pathmodel::{Counted, Framing, Link};
use culvert_units::{BitRate, Bytes, Explain as _};

use super::*;
use crate::{
    Choice, Conditions, Gateway, Jitter, Line, Loss, Policer, QueueLimit, Reorder, TooLong,
};

const FULL: &str = r#"
seed = 9
[[paths]]
name = "outside"
near = "10.90.1.1"
far = "10.90.1.2"
[paths.both_ways]
rate = "100Mbit/s"
delay = "10ms"
[paths.toward_near]
rate = "20Mbit/s"
framing = "pppoe"
counted = "ip-layer"
queue = "250kB"
policer = { rate = "15Mbit/s", burst = "100kB" }
gateway = { packets_per_second = 60000, rate = "400Mbit/s", queue = "20ms" }
loss = { one_in = 100 }
jitter = { normal = { mean = "2ms", deviation = "500us" } }
reorder = { ratio = 0.02, by = "3ms" }
duplicate = { ratio = 0.001 }
longest_packet = 1400
too_long = "silence"
[[paths.changes]]
at = "5s"
[paths.changes.both_ways]
rate = "50Mbit/s"
[paths.changes.toward_near]
without = ["policer", "gateway", "reorder"]
loss = "never"

[[paths]]
name = "tunnel"
near = "fd00::1"
far = "fd00::2"
encapsulation = "wireguard"
"#;

#[test]
fn every_key_finds_its_place() {
    let lab = Lab::parse(FULL).unwrap();
    let [outside, tunnel] = lab.paths() else { panic!() };
    let line = |megabits, queue| {
        Some(Line { link: Link::ethernet(BitRate::from_megabits(megabits)), queue })
    };
    let fifty = QueueLimit::Time(Duration::from_millis(50));
    let toward_far = Conditions {
        line: line(100, fifty),
        delay: Duration::from_millis(10),
        ..Conditions::default()
    };
    assert_eq!(outside.config.toward_far[0].conditions, toward_far);
    let later = &outside.config.toward_far[1];
    assert_eq!(later.at_ns, 5_000_000_000);
    assert_eq!(later.conditions, Conditions { line: line(50, fifty), ..toward_far });

    let queue = QueueLimit::Bytes(Bytes::new(250_000));
    let link = Link {
        rate: BitRate::from_megabits(20),
        framing: Framing::Pppoe,
        counted: Counted::IpLayer,
    };
    let toward_near = Conditions {
        longest_packet: Some(Mtu::new(1400).unwrap()),
        too_long: TooLong::Silence,
        policer: Some(Policer { rate: BitRate::from_megabits(15), burst: Bytes::new(100_000) }),
        gateway: Some(Gateway {
            packets_per_second: std::num::NonZeroU32::new(60_000),
            bits_per_second: std::num::NonZeroU64::new(400_000_000),
            queue: QueueLimit::Time(Duration::from_millis(20)),
            shared: false,
        }),
        line: Some(Line { link, queue }),
        loss: Loss::Single(Choice::OneIn(std::num::NonZeroU64::new(100).unwrap())),
        delay: Duration::from_millis(10),
        jitter: Jitter::Normal {
            mean: Duration::from_millis(2),
            deviation: Duration::from_micros(500),
        },
        reorder: Some(Reorder { choice: Choice::Ratio(0.02), by: Duration::from_millis(3) }),
        duplicate: Choice::Ratio(0.001),
    };
    assert_eq!(outside.config.toward_near[0].conditions, toward_near);
    let link = Link { rate: BitRate::from_megabits(50), ..link };
    let later = Conditions {
        policer: None,
        gateway: None,
        reorder: None,
        loss: Loss::Single(Choice::Never),
        line: Some(Line { link, queue }),
        ..toward_near
    };
    assert_eq!(outside.config.toward_near[1].conditions, later);

    assert_eq!((lab.seed(), outside.config.mtu.get(), tunnel.config.mtu.get()), (9, 1500, 1420));
    assert_eq!(tunnel.config.tunnel.as_ref().unwrap().underlay_mtu, Mtu::ETHERNET);
}

#[test]
fn json_says_the_same_as_toml() {
    let value: toml::Value = toml::from_str(FULL).unwrap();
    let json = serde_json::to_string(&value).unwrap();
    assert_eq!(Lab::parse(&json), Lab::parse(FULL));
}

#[test]
fn paths_never_share_a_seed() {
    let lab = Lab::parse(FULL).unwrap();
    let next = Lab::parse(FULL).unwrap().with_seed(10);
    assert_ne!(lab.seed_of(MOST_PATHS - 1), next.seed_of(0));
    assert_ne!(lab.seed_of(0), lab.seed_of(1));
}

fn refusal(keys: &str, both_ways: &str) -> ConfigError {
    let text = format!(
        "[[paths]]\nname = \"a\"\nnear = \"10.0.0.1\"\nfar = \"10.0.0.2\"\n{keys}\n[paths.both_ways]\n{both_ways}"
    );
    Lab::parse(&text).unwrap_err()
}

#[test]
fn refuses_what_cannot_be() {
    for (keys, both_ways, part) in [
        ("", "rate = \"0Mbit/s\"", "'rate'"),
        ("", "rate = \"5\"", "line 7"),
        ("", "speed = \"5Mbit/s\"", "speed"),
        ("", "queue = \"5\"", "neither"),
        ("", "loss = { ratio = 1.5 }", "1.5"),
        ("", "loss = { ratio = -0.1 }", "-0.1"),
        ("", "loss = { ratio = nan }", "NaN"),
        ("", "loss = { one_in = 0 }", "line 7"),
        ("", "loss = { bursts = { enter = 2.0, leave = 0.5 } }", "enter"),
        ("", "policer = { rate = \"1Mbit/s\", burst = \"1400B\" }", "burst"),
        ("", "policer = { rate = \"0bit/s\", burst = \"14000B\" }", "policer.rate"),
        ("", "gateway = { queue = \"1ms\" }", "packets_per_second"),
        ("", "reorder = { by = \"1ms\" }", "one_in"),
        ("", "longest_packet = 67", "67"),
        ("encapsulation = \"openvpn-tcp-aead\"", "", "stream"),
        ("encapsulation = \"wireguarde\"", "", "wireguard"),
        ("changes = [{ at = \"0s\" }]", "", "'at'"),
        ("changes = [{ at = \"2s\" }, { at = \"1s\" }]", "", "'at'"),
    ] {
        let error = refusal(keys, both_ways);
        assert!(error.to_string().contains(part), "{error} should name {part}");
        assert!(error.hint().is_some());
    }
}

#[test]
fn refuses_addresses_that_tell_nothing_apart() {
    let path = |name: &str, near: &str, far: &str| {
        format!("[[paths]]\nname = \"{name}\"\nnear = \"{near}\"\nfar = \"{far}\"\n")
    };
    let first = path("a", "10.0.0.1", "10.0.0.2");
    for (second, expected) in [
        (path("a", "10.0.1.1", "10.0.1.2"), "name"),
        (path("b", "10.0.0.1", "10.0.1.2"), "taken"),
        (path("b", "10.0.1.1", "10.0.1.1"), "taken"),
        (path("b", "10.0.1.1", "fd00::1"), "cannot go"),
        (path("b", "0.0.0.0", "10.0.1.2"), "cannot go"),
        (path("b", "224.0.0.1", "10.0.1.2"), "cannot go"),
    ] {
        let error = Lab::parse(&format!("{first}{second}")).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    }
    assert!(matches!(Lab::parse("paths = []"), Err(ConfigError::PathCount { found: 0, .. })));
    assert!(matches!(Lab::parse(""), Err(ConfigError::NotRead { .. })));
}

proptest::proptest! {
    #[test]
    fn no_text_panics(text: String) {
        let _ = Lab::parse(&text);
    }
}

#[test]
fn a_shared_gateway_is_the_same_both_ways() {
    let text = |tables: &str| {
        format!("[[paths]]\nname = \"a\"\nnear = \"10.0.0.1\"\nfar = \"10.0.0.2\"\n{tables}")
    };
    let gateway = "gateway = { packets_per_second = 1000, shared = true }";
    let lab = Lab::parse(&text(&format!("[paths.both_ways]\n{gateway}"))).unwrap();
    let shared = |changes: &[crate::Change]| changes[0].conditions.gateway.unwrap().shared;
    let config = &lab.paths()[0].config;
    assert!(shared(&config.toward_far) && shared(&config.toward_near));
    for tables in [
        format!("[paths.toward_far]\n{gateway}"),
        format!(
            "[paths.both_ways]\n{gateway}\n[paths.toward_near]\ngateway = {{ packets_per_second = 1000 }}"
        ),
        format!(
            "[paths.both_ways]\n{gateway}\n[[paths.changes]]\nat = \"1s\"\n[paths.changes.toward_far]\nwithout = [\"gateway\"]"
        ),
    ] {
        let error = Lab::parse(&text(&tables)).unwrap_err().to_string();
        assert!(error.contains("'gateway.shared' of path 'a'"), "{tables}: {error}");
    }
}
