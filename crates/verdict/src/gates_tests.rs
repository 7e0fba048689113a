use culvert_record::{CoreUse, Plateau, Series};

use super::*;
use crate::samples::{bulk, direction, paced};

fn codes(findings: &[Finding]) -> Vec<&str> {
    findings.iter().map(|finding| finding.code.as_str()).collect()
}

fn near(record: &mut RunRecord) -> &mut End {
    record.ends.near.as_mut().expect("facts of the near end")
}

fn inside_and_outside() -> (RunRecord, RunRecord) {
    (bulk("wg", Place::Inside, 90), bulk("outside", Place::Outside, 94))
}

#[test]
fn the_way_is_the_same_only_when_all_three_are() {
    let (mut inside, outside) = inside_and_outside();
    *near(&mut inside) = outside.ends.near.clone().expect("facts");
    // Another port and another way to write the address are no other way.
    near(&mut inside).address = Some("[::ffff:192.0.2.10]:55555".to_owned());
    near(&mut inside).seen_from = Some("203.0.113.9".to_owned());
    assert_eq!(
        same_way_as_outside(&inside, &outside),
        Some(VoidReason::SameWayAsOutside {
            address: "192.0.2.10".to_owned(),
            interface: "eth0".to_owned(),
            seen_from: "203.0.113.9".to_owned()
        })
    );
    for change in [
        |end: &mut End| end.address = Some("10.8.0.2:40000".to_owned()),
        |end: &mut End| end.interface = Some("wg0".to_owned()),
        |end: &mut End| end.seen_from = Some("10.8.0.2:40000".to_owned()),
        |end: &mut End| end.seen_from = None,
        |end: &mut End| end.address = Some("a name".to_owned()),
    ] {
        let mut other = inside.clone();
        change(near(&mut other));
        assert_eq!(same_way_as_outside(&other, &outside), None);
    }
}

#[test]
fn only_an_inside_run_is_held_against_the_outside() {
    let (mut inside, outside) = inside_and_outside();
    *near(&mut inside) = outside.ends.near.clone().expect("facts");
    let mut second_outside = outside.clone();
    judge(&mut second_outside, Some(&outside));
    assert_eq!(second_outside.void, None);
    judge(&mut inside, None);
    assert_eq!(inside.void, None);
    judge(&mut inside, Some(&outside));
    assert_eq!(inside.void.expect("void").code, "same_way_as_outside");
}

#[test]
fn addresses_are_read_in_every_form() {
    let address = |text: &str| ip_of(text).map(|ip| ip.to_string());
    assert_eq!(address("192.0.2.1:80").as_deref(), Some("192.0.2.1"));
    assert_eq!(address("[2001:db8::1]:80").as_deref(), Some("2001:db8::1"));
    assert_eq!(address("[2001:db8::1]").as_deref(), Some("2001:db8::1"));
    assert_eq!(address("fe80::1%eth0").as_deref(), Some("fe80::1"));
    assert_eq!(address("gateway:80"), None);
    assert_eq!(address(""), None);
}

#[test]
fn a_sound_run_is_left_alone() {
    let mut run = bulk("outside", Place::Outside, 94);
    let before = run.clone();
    judge(&mut run, None);
    assert_eq!(run, before);
}

#[test]
fn nothing_arrived_and_contradictions_void() {
    let mut silent = bulk("wg", Place::Inside, 90);
    direction(&mut silent).bytes_received = Some(0);
    judge(&mut silent, None);
    assert_eq!(silent.void.expect("void").code, "nothing_arrived");

    let mut odd = paced("wg", Place::Inside, 50);
    direction(&mut odd).received = direction(&mut odd).sent.map(|sent| sent + 1);
    judge(&mut odd, None);
    assert_eq!(odd.void.expect("void").code, "counts_contradict");
}

#[test]
fn bytes_whose_acknowledgement_was_not_awaited_contradict_nothing() {
    let mut run = bulk("wg", Place::Inside, 90);
    direction(&mut run).bytes_sent = Some(1_000);
    direction(&mut run).bytes_received = Some(1_500);
    let mut cut_short = run.clone();
    let caveat = Caveat::DrainCutShort { toward: Way::Far, unacknowledged_bytes: 500 };
    cut_short.caveats.push(caveat.to_finding());
    judge(&mut run, None);
    judge(&mut cut_short, None);
    assert_eq!(run.void.expect("void").code, "counts_contradict");
    assert_eq!(cut_short.void, None);
}

#[test]
fn data_that_ends_before_the_plateau_voids() {
    // A plateau of 12 s from 2 s on should last until 14 s; a tenth of it, 1.2 s, may be silent.
    let mut run = bulk("wg", Place::Inside, 90);
    run.asked.for_ms = 12_000;
    direction(&mut run).plateau = Some(Plateau { from_ms: 2_000, to_ms: 14_000 });
    let with_steps = |run: &RunRecord, steps: usize| {
        let mut run = run.clone();
        let mut bytes = vec![1_000; steps];
        bytes.push(0);
        direction(&mut run).series = Some(Series { step_ms: 100, bytes });
        judge(&mut run, None);
        run.void
    };
    assert_eq!(with_steps(&run, 140), None);
    assert_eq!(with_steps(&run, 128), None);
    let void = with_steps(&run, 127).expect("void");
    assert_eq!(
        VoidReason::from_finding(&void),
        Some(VoidReason::EndedEarly { toward: Way::Far, last_ms: 12_700, wanted_ms: 14_000 })
    );
}

#[test]
fn a_void_run_keeps_its_reason() {
    let mut run = bulk("wg", Place::Inside, 90);
    run.void = Some(VoidReason::Interrupted {}.to_finding());
    direction(&mut run).bytes_received = Some(0);
    judge(&mut run, None);
    assert_eq!(run.void.expect("void").code, "interrupted");
}

#[test]
fn caveats_follow_from_the_figures_once() {
    let mut run = paced("wg", Place::Inside, 50);
    // 98 % of 50 Mbit/s is 49 Mbit/s.
    direction(&mut run).offered_bps = Some(48_999_999);
    direction(&mut run).host_dropped = Some(3);
    let core = |core: u32, busy: f64| CoreUse {
        core,
        user: 0.0,
        system: busy,
        softirq: 0.0,
        interrupt: None,
        steal: 0.0,
        busy,
    };
    near(&mut run).cores = Some(vec![core(0, 0.949), core(1, 0.96), core(2, 0.97)]);
    judge(&mut run, None);
    judge(&mut run, None);
    assert_eq!(codes(&run.caveats), ["pace_missed", "host_dropped", "core_full"]);
    assert_eq!(run.caveats[2].values["core"], 2);
    assert_eq!(run.void, None);

    let mut kept = paced("wg", Place::Inside, 50);
    direction(&mut kept).offered_bps = Some(49_000_000);
    near(&mut kept).cores = Some(vec![core(0, 0.949)]);
    judge(&mut kept, None);
    assert!(kept.caveats.is_empty());
}

proptest::proptest! {
    #[test]
    fn no_address_panics(text: String) {
        let _ = ip_of(&text);
    }

    #[test]
    fn no_figures_panic(sent: Option<u64>, received: Option<u64>, step_ms: u32, from_ms: u64, for_ms: u64) {
        let mut run = paced("wg", Place::Inside, 50);
        run.asked.for_ms = for_ms;
        let data = direction(&mut run);
        (data.sent, data.received) = (sent, received);
        data.plateau = Some(Plateau { from_ms, to_ms: 0 });
        data.series = Some(Series { step_ms, bytes: vec![1, 0] });
        judge(&mut run, None);
        let twice = run.clone();
        judge(&mut run, None);
        proptest::prop_assert_eq!(run, twice);
    }
}
