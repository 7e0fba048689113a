//! The plan as a whole: what is read, what is refused in which words, and in which order it runs.

use std::{fmt::Write as _, time::Duration};

use culvert_units::{BitRate, Bytes, ExitStatus, explain};
use culvert_wire::message::Handover;

use super::*;

const WHOLE: &str = r#"
name = "Line against tunnel, autumn"
rounds = 2
order = "interleaved"
at_most = "2GB"
time_budget = "30min"

[sites.near]
name = "cabin"
down = "100Mbit/s"
up = "40Mbit/s"
metered = false
counted = "ip"


[sites.far]
name = "workshop"
down = "50Mbit/s"

[gateway]
model = "Gateway 3000"
firmware = ""

[[paths]]
name = "wireguard"
place = "inside"
target = "192.168.77.10"
family = "ipv4"
encapsulation = "wireguard"
mtu = 1420
bring_up = "wg-quick up wg0"
take_down = "wg-quick down wg0"
is_up = "ping -c 1 192.168.77.10"

[[paths]]
name = "outside"
place = "outside"
target = "[2001:db8::7]:4500"

[[sessions]]
kind = "bulk"
toward = "far"
for = "5s"
settle = "1s"
flows = 4
congestion_control = "reno"
mss = 1360
dscp = "af11"
buffer = "4MiB"

[[sessions]]
kind = "paced"
toward = "both"
pace = "20Mbit/s"
for = "5s"
"#;

/// The least that is a plan.
const LEAST: &str = r#"
name = "least"
[[paths]]
name = "bare"
place = "outside"
target = "192.0.2.7"
[[sessions]]
kind = "bulk"
toward = "near"
for = "5s"
"#;

fn whole() -> Plan {
    Plan::parse(WHOLE).expect("the plan")
}

#[test]
fn reads_every_key() {
    let plan = whole();
    assert_eq!(plan.name(), "Line against tunnel, autumn");
    assert_eq!((plan.rounds(), plan.at_most()), (2, Some(Bytes::new(2_000_000_000))));
    assert_eq!(plan.time_budget(), Some(Duration::from_mins(30)));
    assert_eq!((plan.near().name(), plan.far().name()), ("cabin", "workshop"));
    assert_eq!(plan.near().down(), Some(BitRate::from_megabits(100)));
    assert_eq!(plan.near().up(), Some(BitRate::from_megabits(40)));
    assert_eq!((plan.near().metered(), plan.far().metered()), (Some(false), None));
    assert_eq!((plan.near().counted(), plan.far().counted()), (Counted::Ip, Counted::Ethernet));
    assert_eq!((plan.gateway().model(), plan.gateway().firmware()), (Some("Gateway 3000"), None));

    let [outside, inside] = plan.paths() else { panic!("two paths") };
    assert_eq!((outside.name(), outside.place()), ("outside", Place::Outside));
    assert_eq!((outside.encapsulation(), outside.mtu()), ("none", None));
    assert_eq!(outside.target().to_string(), "[2001:db8::7]:4500");
    assert_eq!((inside.name(), inside.place()), ("wireguard", Place::Inside));
    assert_eq!((inside.encapsulation(), inside.family()), ("wireguard", Some(Family::Ipv4)));
    assert_eq!(inside.mtu().map(u16::from), Some(1420));
    assert_eq!(inside.target().to_string(), "192.168.77.10:28460");

    let [bulk, paced] = plan.sessions() else { panic!("two sessions") };
    assert_eq!(
        (bulk.toward(), bulk.settle()),
        (Toward::Far, Settle::Fixed(Duration::from_secs(1)))
    );
    let congestion_control = "reno".to_owned();
    assert_eq!(
        bulk.load(),
        &PlannedLoad::Bulk {
            flows: 4,
            congestion_control,
            mss: Some(1360),
            dscp: "af11".parse().ok(),
        }
    );
    assert_eq!((bulk.buffer(), paced.buffer()), (Some(Bytes::new(4 << 20)), None));
    assert_eq!((paced.toward(), paced.settle()), (Toward::Both, Settle::Fixed(PACED_SETTLE)));
    let pace = Some(BitRate::from_megabits(20));
    let usual = PlannedLoad::Paced { pace, payload: 1200, burst: None, handover: Handover::Auto };
    assert_eq!(paced.load(), &usual);
}

#[test]
fn datagrams_may_leave_in_bursts_and_without_a_pace() {
    let with = |keys: &str| Plan::parse(&WHOLE.replace("pace = \"20Mbit/s\"", keys));
    let plan = with("pace = \"unlimited\"\nburst = \"2ms\"\nhandover = \"batched\"").unwrap();
    let expected = PlannedLoad::Paced {
        pace: None,
        payload: 1200,
        burst: Some(Duration::from_millis(2)),
        handover: Handover::Batched,
    };
    assert_eq!(plan.sessions()[1].load(), &expected);
    assert_eq!(plan.volume_of(&plan.sessions()[1]), None, "nobody knows before");

    let wrong = [
        ("pace = \"20Mbit/s\"\nburst = \"11ms\"", "burst"),
        ("pace = \"20Mbit/s\"\nhandover = \"badged\"", "handover"),
        ("pace = \"unlimitd\"", "pace"),
    ];
    for (keys, named) in wrong {
        let error = with(keys).unwrap_err().to_string();
        assert!(error.contains(named), "{error}");
    }
}

#[test]
fn lists_every_command_before_any_runs() {
    let plan = whole();
    let listed: Vec<_> = plan
        .commands()
        .iter()
        .map(|c| format!("{} {}: {}", c.path, c.purpose.key(), c.line))
        .collect();
    assert_eq!(
        listed,
        [
            "wireguard bring_up: wg-quick up wg0",
            "wireguard is_up: ping -c 1 192.168.77.10",
            "wireguard take_down: wg-quick down wg0",
        ]
    );
}

#[test]
fn what_is_missing_has_its_default() {
    let plan = Plan::parse(LEAST).expect("the plan");
    assert_eq!((plan.rounds(), plan.at_most(), plan.time_budget()), (3, None, None));
    assert_eq!((plan.near().name(), plan.near().up(), plan.near().metered()), ("near", None, None));
    assert_eq!(plan.sessions()[0].settle(), Settle::Auto);
    let congestion_control = "cubic".to_owned();
    assert_eq!(
        plan.sessions()[0].load(),
        &PlannedLoad::Bulk { flows: 1, congestion_control, mss: None, dscp: None }
    );
    assert_eq!(plan.notices(), [PlanNotice::NoInsidePath]);
    assert_eq!(plan.expected_volume(), None);
}

#[test]
fn rounds_alternate_and_visits_hold_all_sessions() {
    let third = "[[paths]]\nname = \"other\"\nplace = \"inside\"\ntarget = \"10.0.0.1\"\n\
                 encapsulation = \"wireguard\"\n[[sessions]]\nkind = \"paced\"";
    let plan =
        Plan::parse(&WHOLE.replacen("[[sessions]]\nkind = \"paced\"", third, 1)).expect("plan");
    let steps = plan.running_order();
    let shape: Vec<_> = steps.iter().map(|s| (s.round, s.path, s.session)).collect();
    assert_eq!(
        shape,
        [
            (1, 0, 0),
            (1, 0, 1),
            (1, 1, 0),
            (1, 1, 1),
            (1, 2, 0),
            (1, 2, 1),
            (2, 2, 0),
            (2, 2, 1),
            (2, 1, 0),
            (2, 1, 1),
            (2, 0, 0),
            (2, 0, 1),
        ]
    );
    assert!(steps.iter().zip(1..).all(|(step, position)| step.position == position));
    let left = plan.remaining(&[(1, 1), (1, 2), (1, 4), (2, 3), (7, 900)]);
    assert_eq!(left.iter().map(|s| s.position).collect::<Vec<_>>(), [3, 5, 6, 7, 8, 9, 10, 11, 12]);
}

#[test]
fn volume_is_bounded_by_the_slower_line_and_the_pace() {
    let plan = whole();
    // Toward far: the slower of 40 Mbit/s up and 50 Mbit/s down is 5,000,000 byte/s, for 1 s + 5 s + 1 s of drain.
    assert_eq!(plan.volume_of(&plan.sessions()[0]), Some(Bytes::new(35_000_000)));
    // Both ways 20 Mbit/s for 1 s + 5 s: 15,000,000 bytes are 12,500 datagrams of 1200 bytes.
    assert_eq!(plan.volume_of(&plan.sessions()[1]), Some(Bytes::new(2 * 12_500 * 1_200)));
    // Two rounds of two paths.
    assert_eq!(plan.expected_volume(), Some(Bytes::new(4 * (35_000_000 + 30_000_000))));
    assert_eq!(plan.least_duration(), Duration::from_secs(4 * (6 + 6)));

    let without_lines =
        WHOLE.replace("up = \"40Mbit/s\"\n", "").replace("down = \"50Mbit/s\"\n", "");
    let plan = Plan::parse(&without_lines).expect("the plan");
    assert_eq!(plan.volume_of(&plan.sessions()[0]), None);
    assert_eq!(plan.expected_volume(), None);
}

#[test]
fn doubts_are_noticed() {
    let text = WHOLE
        .replace("pace = \"20Mbit/s\"", "pace = \"20Mbit/s\"\npayload = 1393")
        .replace("at_most = \"2GB\"", "at_most = \"60MB\"")
        .replace("\"30min\"", "\"43s\"");
    let told: Vec<_> =
        Plan::parse(&text).expect("the plan").notices().iter().map(ToString::to_string).collect();
    assert_eq!(
        told,
        [
            "datagrams with 1393 bytes of payload make packets of 1421 bytes, the path 'wireguard' has an MTU of \
             1420: they are cut or refused there",
            "the survey moves up to 260.0 MB, its budget is 60.0 MB: it may stop before its end",
            "the sessions take 48s or more, the time budget is 43s: the survey needs several calls",
        ]
    );
    assert_eq!(Plan::parse(&text.replace("1393", "1392")).expect("the plan").notices().len(), 2);
    assert_eq!(whole().notices(), []);
}

#[test]
fn the_hash_is_of_what_is_measured() {
    let hash = whole().hash().to_owned();
    assert_eq!(hash.len(), 64);
    let layout =
        WHOLE.replace("rounds = 2", "  rounds=2 # twice").replace("wg-quick", "/usr/bin/wg-quick");
    assert_eq!(Plan::parse(&layout).expect("the plan").hash(), hash);
    for (from, into) in [("rounds = 2", "rounds = 3"), ("1420", "1400"), ("cabin", "hut")] {
        assert_ne!(Plan::parse(&WHOLE.replace(from, into)).expect("the plan").hash(), hash);
    }
}

/// What replaces what in the whole plan, and what is said about the result.
const BROKEN: &[(&str, &str, &str)] = &[
    (
        "rounds = 2",
        "roudns = 2",
        "error: plan line 3: unknown key 'roudns' in the plan\n\
         hint: did you mean 'rounds'? known are name, rounds, order, at_most, time_budget, sites, gateway, paths, \
         sessions",
    ),
    (
        "model = ",
        "weather = \"fair\"\nmodel = ",
        "error: plan line 21: unknown key 'weather' in [gateway] at line 20\n\
         hint: known are model, firmware, processor",
    ),
    (
        "metered",
        "meterd",
        "error: plan line 12: unknown key 'meterd' in [sites.near] at line 8\n\
         hint: did you mean 'metered'? known are name, down, up, metered, counted",
    ),
    (
        "bring_up",
        "bring-up",
        "error: plan line 31: unknown key 'bring-up' in [[paths]] at line 24\n\
         hint: did you mean 'bring_up'? known are name, place, target, family, encapsulation, mtu, bring_up, is_up, \
         take_down",
    ),
    (
        "rounds = 2",
        "rounds = ",
        "error: plan line 3 is not TOML: string values must be quoted, expected literal string\n\
         hint: an entry reads key = value; texts, rates and durations stand in quotes",
    ),
    (
        "rounds = 2",
        "rounds = 2\nrounds = 3",
        "error: plan line 4 is not TOML: duplicate key\n\
         hint: an entry reads key = value; texts, rates and durations stand in quotes",
    ),
    (
        "rounds = 2",
        "rounds = \"2\"",
        "error: plan line 3: 'rounds' is a text, not a whole number\nhint: write it like rounds = 3",
    ),
    (
        "rounds = 2",
        "rounds = 2.0",
        "error: plan line 3: 'rounds' is a number with decimals, not a whole number\n\
         hint: write it like rounds = 3",
    ),
    (
        "rounds = 2",
        "rounds = 0",
        "error: plan line 3: 'rounds' is 0, it must lie from 1 to 1000\nhint: write it like rounds = 3",
    ),
    (
        "rounds = 2",
        "rounds = 99999999999999999999",
        "error: plan line 3: 'rounds' is 9223372036854775807, it must lie from 1 to 1000\n\
         hint: write it like rounds = 3",
    ),
    (
        "name = \"Line against tunnel, autumn\"",
        "",
        "error: the plan has no 'name'\nhint: add a line such as name = \"Line against tunnel\"",
    ),
    (
        "Line against tunnel, autumn",
        "  ",
        "error: plan line 2: 'name' is empty\nhint: write it like name = \"Line against tunnel\"",
    ),
    (
        "Line against tunnel, autumn",
        "\\u001b[31m",
        "error: plan line 2: 'name' holds a control character\nhint: write it like name = \"Line against tunnel\"",
    ),
    (
        "\"interleaved\"",
        "\"random\"",
        "error: plan line 4: 'order' cannot be 'random'\nhint: known are interleaved",
    ),
    (
        "\"2GB\"",
        "\"2gb\"",
        "error: plan line 5: 'at_most' cannot be read: '2gb' has the unit 'gb', known units are B, kB, MB, GB, TB, \
         KiB, MiB and GiB\nhint: write it like at_most = \"2GB\"",
    ),
    (
        "\"2GB\"",
        "\"0B\"",
        "error: plan line 5: 'at_most' is 0 B, it must be more than nothing\nhint: write it like at_most = \"2GB\"",
    ),
    (
        "\"2GB\"",
        "\"34MB\"",
        "error: plan line 40: this session alone moves up to 35.0 MB, the plan's budget is 34.0 MB\n\
         hint: raise at_most, or shorten the session or slow it down",
    ),
    (
        "\"30min\"",
        "\"0s\"",
        "error: plan line 6: 'time_budget' is 0s, it must lie from 1s to 7d\n\
         hint: write it like time_budget = \"30min\"",
    ),
    (
        "down = \"100Mbit/s\"",
        "down = \"0Mbit/s\"",
        "error: plan line 10: 'down' is 0 bit/s, it must be more than nothing\n\
         hint: write it like down = \"100Mbit/s\"",
    ),
    (
        "down = \"100Mbit/s\"",
        "down = 100",
        "error: plan line 10: 'down' is a whole number, not a text in quotes\n\
         hint: write it like down = \"100Mbit/s\"",
    ),
    (
        "counted = \"ip\"",
        "counted = \"ipp\"",
        "error: plan line 13: 'counted' cannot be 'ipp'\n\
         hint: did you mean 'ip'? known are ethernet, ip",
    ),
    (
        "place = \"outside\"",
        "place = \"inside\"",
        "error: [[paths]] at line 35 has no 'encapsulation'\n\
         hint: add a line such as encapsulation = \"wireguard\"",
    ),
    (
        "place = \"outside\"",
        "place = \"inside\"\nencapsulation = \"none\"",
        "error: plan line 38: the inside path 'outside' has the encapsulation 'none'\n\
         hint: name the tunnel, such as encapsulation = \"wireguard\"",
    ),
    (
        "place = \"outside\"",
        "place = \"outside\"\nencapsulation = \"wireguard\"",
        "error: plan line 38: the outside path 'outside' has the encapsulation 'wireguard'\n\
         hint: leave 'encapsulation' away outside, or write place = \"inside\"",
    ),
    (
        "place = \"outside\"",
        "place = \"inside\"\nencapsulation = \"wireguard\"",
        "error: the plan has 0 outside paths, one is needed\n\
         hint: the bare path is what every tunnel is compared with: write place = \"outside\" in exactly one [[paths]]",
    ),
    (
        "encapsulation = \"wireguard\"",
        "encapsulation = \"wiregard\"",
        "error: plan line 29: 'encapsulation' cannot be used: 'wiregard' is not an encapsulation the model knows\n\
         hint: did you mean 'wireguard'?",
    ),
    (
        "name = \"outside\"",
        "name = \"wireguard\"",
        "error: plan line 36: the path name 'wireguard' is taken since line 24\nhint: give each its own name",
    ),
    (
        "\"[2001:db8::7]:4500\"",
        "\"2001:db8::7\"",
        "error: plan line 38: 'target' cannot be read: '2001:db8::7' has several colons outside of brackets\n\
         hint: write an IPv6 address in brackets: [2001:db8::7]",
    ),
    (
        "\"[2001:db8::7]:4500\"",
        "\"192.0.2.7:65536\"",
        "error: plan line 38: 'target' cannot be read: '65536' in '192.0.2.7:65536' is no port from 1 to 65535\n\
         hint: leave the port away to use 28460, or write host:port",
    ),
    (
        "family = \"ipv4\"",
        "family = \"ipv6\"",
        "error: plan line 28: the target 192.168.77.10:28460 is not an IPv6 address\n\
         hint: leave 'family' away, or give an address of that family",
    ),
    (
        "mtu = 1420",
        "mtu = 67",
        "error: plan line 30: 'mtu' is 67, it must lie from 68 to 65535\nhint: write it like mtu = 1420",
    ),
    (
        "\"wg-quick up wg0\"",
        "\"\"",
        "error: plan line 31: 'bring_up' is empty\nhint: write it like bring_up = \"wg-quick up wg0\"",
    ),
    (
        "kind = \"bulk\"",
        "kind = \"bulky\"",
        "error: plan line 41: 'kind' cannot be 'bulky'\nhint: did you mean 'bulk'? known are bulk, paced",
    ),
    (
        "flows = 4",
        "pace = \"5Mbit/s\"",
        "error: plan line 45: a bulk session takes no 'pace'\n\
         hint: leave 'pace' away, or write kind = \"paced\"",
    ),
    (
        "flows = 4",
        "flows = 65",
        "error: plan line 45: 'flows' is 65, it must lie from 1 to 64\nhint: write it like flows = 1",
    ),
    (
        "mss = 1360",
        "mss = 87",
        "error: plan line 47: 'mss' is 87, it must lie from 88 to 32767\nhint: write it like mss = 1360",
    ),
    (
        "\"af11\"",
        "\"64\"",
        "error: plan line 48: 'dscp' is no codepoint: 0 to 63, or a name such as ef, af41, cs1, le\n\
         hint: write it like dscp = \"af11\"",
    ),
    (
        "\"4MiB\"",
        "\"65MiB\"",
        "error: plan line 49: 'buffer' is 68.2 MB, it must lie from 1 B to 67.1 MB\nhint: write it like buffer = \"4MiB\"",
    ),
    (
        "\"reno\"",
        "\"reno; reboot\"",
        "error: plan line 46: 'congestion_control' holds other characters than letters, digits, '_' and '-'\n\
         hint: write it like congestion_control = \"cubic\"",
    ),
    (
        "settle = \"1s\"",
        "settle = \"116s\"",
        "error: plan line 40: settle and plateau last 121s together, listeners grant 120s\n\
         hint: shorten 'for' or 'settle'",
    ),
    (
        "for = \"5s\"\nsettle",
        "for = \"0.9s\"\nsettle",
        "error: plan line 43: 'for' is 0.9s, it must lie from 1s to 120s\nhint: write it like for = \"5s\"",
    ),
    (
        "for = \"5s\"\nsettle",
        "for = \"121s\"\nsettle",
        "error: plan line 43: 'for' is 121s, it must lie from 1s to 120s\nhint: write it like for = \"5s\"",
    ),
    (
        "pace = \"20Mbit/s\"\n",
        "",
        "error: [[sessions]] at line 51 has no 'pace'\nhint: add a line such as pace = \"20Mbit/s\"",
    ),
    (
        "pace = \"20Mbit/s\"",
        "pace = \"0kbit/s\"",
        "error: plan line 54: 'pace' is 0 bit/s, it must be more than nothing\n\
         hint: write it like pace = \"20Mbit/s\"",
    ),
    (
        "pace = \"20Mbit/s\"",
        "pace = \"1kbit/s\"",
        "error: plan line 54: 1.00 kbit/s with 1200 bytes of payload is less than one datagram in 5s\n\
         hint: raise 'pace' or 'for', or lower 'payload'",
    ),
    (
        "pace = \"20Mbit/s\"",
        "pace = \"20Mbit/s\"\npayload = 31",
        "error: plan line 55: 'payload' is 31, it must lie from 32 to 65507\nhint: write it like payload = 1200",
    ),
    (
        "pace = \"20Mbit/s\"",
        "pace = \"20Mbit/s\"\npayload = 65508",
        "error: plan line 55: 'payload' is 65508, it must lie from 32 to 65507\n\
         hint: write it like payload = 1200",
    ),
];

#[test]
fn a_broken_plan_is_told_in_one_sentence_with_a_hint() {
    let mut told = String::new();
    for (from, into, wanted) in BROKEN {
        assert!(WHOLE.contains(from), "{from}");
        let error = Plan::parse(&WHOLE.replacen(from, into, 1)).expect_err(into);
        let found = explain(&error);
        if found != *wanted {
            let _ = writeln!(told, "{from} → {into}\n  wanted {wanted}\n  found  {found}");
        }
        assert_eq!(culvert_units::Explain::exit_status(&error), ExitStatus::Usage);
    }
    assert!(told.is_empty(), "{told}");
}

#[test]
fn what_is_too_long_to_repeat_is_cut() {
    let long = "x".repeat(100_000);
    for (from, into) in [
        ("rounds = 2", format!("{long} = 2")),
        ("cabin", long.clone()),
        ("100Mbit/s", long.clone()),
        ("5s", long.clone()),
        ("ipv4", long.clone()),
        ("192.168.77.10", long.clone()),
        ("encapsulation = \"wireguard\"", format!("encapsulation = \"{long}\"")),
        ("reno", long.clone()),
    ] {
        let error = Plan::parse(&WHOLE.replacen(from, &into, 1)).expect_err(from);
        assert!(explain(&error).len() < 500, "{}", explain(&error));
    }
}

#[test]
fn a_plan_without_paths_or_sessions_is_refused() {
    for (text, wanted) in [
        ("", "the plan has no 'name'"),
        ("name = \"x\"", "the plan has no 'paths'"),
        ("name = \"x\"\npaths = []", "the plan has no 'paths'"),
        (
            "name = \"x\"\npaths = 5",
            "plan line 2: 'paths' is a whole number, not a list of sections",
        ),
        ("name = \"x\"\npaths = [5]", "plan line 2: 'paths' is a whole number, not a section"),
        ("name = \"x\"\nsites = 5", "plan line 2: 'sites' is a whole number, not a section"),
        (LEAST.split("[[sessions]]").next().unwrap_or_default(), "the plan has no 'sessions'"),
    ] {
        assert_eq!(Plan::parse(text).expect_err(text).to_string(), wanted, "{text}");
    }
    let many = format!("name = \"x\"\n{}", "[[paths]]\n".repeat(33));
    let error = Plan::parse(&many).expect_err("many");
    assert_eq!(error.to_string(), "the plan has 33 paths, at most 32 are possible");
    let long = "#".repeat(1_000_001);
    assert!(matches!(Plan::parse(&long), Err(PlanError::TooLong { .. })));
}

proptest::proptest! {
    #[test]
    fn no_text_panics(text: String) {
        let _ = Plan::parse(&text);
    }

    #[test]
    fn no_damaged_plan_panics(cut in 0..WHOLE.len(), noise in "\\PC{0,12}") {
        if let (Some(head), Some(tail)) = (WHOLE.get(..cut), WHOLE.get(cut..)) {
            let _ = Plan::parse(&format!("{head}{noise}{tail}"));
        }
    }

    #[test]
    fn every_step_is_run_once(rounds in 1_u32..20, done in proptest::collection::vec((1_u32..20, 1_u32..90), 0..20)) {
        let text = WHOLE.replace("rounds = 2", &format!("rounds = {rounds}"));
        let plan = Plan::parse(&text).expect("the plan");
        let steps = plan.running_order();
        proptest::prop_assert_eq!(steps.len(), 4 * rounds as usize);
        let left = plan.remaining(&done);
        for step in &steps {
            proptest::prop_assert_eq!(left.contains(step), !done.contains(&(step.round, step.position)));
        }
    }
}
