use culvert_pathmodel::Family;
use culvert_record::VoidReason;

use super::*;
use crate::{
    GapVerdict,
    samples::{bulk, direction, exactly, header, paced, round_trips, turned},
};

const PER_MEGABIT: f64 = 1e6;

/// Three runs outside and three in the tunnel toward near, where the cabin's 100 Mbit/s down is the narrowest.
fn toward_near() -> Vec<RunRecord> {
    let outside =
        [94_100_000, 94_150_000, 94_140_000].map(|bps| ("outside", Place::Outside, bps, 1448));
    let inside = [90_120_000, 90_000_000, 90_100_000].map(|bps| ("wg", Place::Inside, bps, 1368));
    outside
        .into_iter()
        .chain(inside)
        .map(|(name, place, bps, segment)| exactly(turned(bulk(name, place, 90), 90), bps, segment))
        .collect()
}

/// Three runs each toward far, where the cabin's 20 Mbit/s up is the narrowest.
fn toward_far(outside_bps: u64, inside_bps: u64) -> Vec<RunRecord> {
    let three = |name: &str, place: Place, bps: u64, segment: u32| {
        vec![exactly(bulk(name, place, 1), bps, segment); 3]
    };
    let mut runs = three("outside", Place::Outside, outside_bps, 1448);
    runs.extend(three("wg", Place::Inside, inside_bps, 1368));
    runs
}

fn row<'a>(comparison: &'a Comparison, path: &str, toward: Way) -> &'a Row {
    let wanted = |row: &&Row| row.path.name == path && row.toward == toward;
    comparison.rows.iter().rfind(wanted).expect("the row")
}

fn close(value: f64, wanted: f64) {
    assert!((value - wanted).abs() < 1e-4 * wanted.abs().max(1e-3), "{value} is not {wanted}");
}

#[test]
fn medians_shares_and_ceilings_are_those_of_the_arithmetic() {
    let comparison = compare(Some(&header()), &toward_near());
    let (outside, inside) =
        (row(&comparison, "outside", Way::Near), row(&comparison, "wg", Way::Near));
    // Of 94.10, 94.15 and 94.14 the middle one is 94.14; of 90.12, 90.00 and 90.10 it is 90.10.
    close(outside.goodput_bps.expect("figures").median, 94.14e6);
    let figures = inside.goodput_bps.expect("figures");
    close(figures.median, 90.10e6);
    close(figures.min, 90.00e6);
    close(figures.max, 90.12e6);
    assert_eq!((inside.valid, inside.void, figures.n), (3, 0, 3));
    close(inside.share_of_outside.expect("a share").get(), 90.10 / 94.14);
    // 100 Mbit/s × 1448 / (1500 + 38) and × 1368 / (1480 + 38): MTU 1420 becomes 1480 in WireGuard over IPv4.
    assert_eq!(outside.ceiling.bps, Some(94_148_244));
    assert_eq!(inside.ceiling.bps, Some(90_118_577));
    close(inside.share_of_ceiling.expect("a share").get(), 90.10 / 90.118_577);
    assert!(inside.ceiling.assumed.is_empty() && outside.ceiling.assumed.is_empty());
    assert_eq!(inside.outside.as_deref(), Some("outside"));
    assert_eq!((outside.outside.as_deref(), outside.gap), (None, None));
}

#[test]
fn the_gap_is_what_headers_take_when_they_do() {
    let comparison = compare(Some(&header()), &toward_near());
    let gap = row(&comparison, "wg", Way::Near).gap.expect("a gap");
    // 94.14 − 90.10 = 4.04. 94.14 × (1 − (1368/1518) / (1448/1538)) = 94.14 × 0.0428014 = 4.02932; 0.01068 remain.
    close(gap.gap_bps, 4.04e6);
    close(gap.headers_bps.expect("known"), 4.02932e6);
    assert!((gap.unexplained_bps.expect("known") / PER_MEGABIT - 0.01068).abs() < 1e-4);
    // 3 % of 94.14 is 2.8242, more than twice the quartiles' 0.06 between 90.05 and 90.11.
    close(gap.noise_bps, 2.8242e6);
    assert_eq!(gap.verdict, GapVerdict::Headers);
    // Three of three against three are one order in C(6, 3) = 20, and as many on the other side.
    close(gap.chance.expect("known"), 0.1);
}

#[test]
fn each_direction_has_the_narrower_of_its_two_lines() {
    let comparison = compare(Some(&header()), &toward_far(18_820_000, 15_000_000));
    // The cabin sends at 20 Mbit/s, the workshop receives at 200: 20 × 1448 / 1538 and 20 × 1368 / 1518.
    assert_eq!(row(&comparison, "outside", Way::Far).ceiling.bps, Some(18_829_648));
    assert_eq!(row(&comparison, "wg", Way::Far).ceiling.bps, Some(18_023_715));
    let gap = row(&comparison, "wg", Way::Far).gap.expect("a gap");
    // 18.82 − 15.00 = 3.82; headers 18.82 × 0.0428014 = 0.80552; 3.01448 remain, noise 0.5646.
    close(gap.unexplained_bps.expect("known"), 3.01448e6);
    assert_eq!(gap.verdict, GapVerdict::NotExplained);
    assert!(
        comparison.sentences[0].contains(
            "headers explain 805.52 kbit/s of the 3.82 Mbit/s lacking and 3.01 Mbit/s are not explained by what was measured"
        ),
        "{}",
        comparison.sentences[0]
    );
    assert!(comparison.sentences[1].contains("ore is lost in wg than its headers take"));
}

#[test]
fn without_a_plan_headers_are_known_and_ceilings_are_not() {
    let comparison = compare(None, &toward_near());
    let inside = row(&comparison, "wg", Way::Near);
    assert_eq!((inside.ceiling.bps, inside.share_of_ceiling), (None, None));
    assert!(inside.ceiling.missing.is_some());
    close(inside.gap.expect("a gap").headers_bps.expect("known"), 4.02932e6);
    assert_eq!(comparison.route(Way::Near), "far → near");
}

#[test]
fn a_line_that_counts_ip_packets_has_another_ceiling() {
    let mut header = header();
    for site in [&mut header.sites.near, &mut header.sites.far] {
        site.line.as_mut().expect("a line").counted = culvert_record::Counted::Ip;
    }
    let comparison = compare(Some(&header), &toward_near());
    // 100 Mbit/s × 1448 / 1500 and × 1368 / 1480.
    assert_eq!(row(&comparison, "outside", Way::Near).ceiling.bps, Some(96_533_333));
    assert_eq!(row(&comparison, "wg", Way::Near).ceiling.bps, Some(92_432_432));
}

#[test]
fn what_the_runs_do_not_say_is_assumed_aloud() {
    let mut runs = toward_near();
    for run in &mut runs {
        run.toward_near.as_mut().expect("data").tcp = None;
    }
    let comparison = compare(Some(&header()), &runs);
    let inside = row(&comparison, "wg", Way::Near);
    // Full segments with timestamps in an MTU of 1420 are the same 1368 bytes.
    assert_eq!(inside.ceiling.bps, Some(90_118_577));
    assert_eq!(inside.ceiling.assumed, ["TCP timestamps in use", "segments that fill the MTU"]);
    assert!(comparison.not_checked.iter().any(|open| open.contains("wg (TCP timestamps in use)")));
}

#[test]
fn small_differences_and_wide_spreads_are_no_difference() {
    let within = compare(Some(&header()), &toward_far(18_820_000, 18_300_000));
    assert_eq!(row(&within, "wg", Way::Far).gap.expect("a gap").verdict, GapVerdict::NoDifference);
    let beyond = compare(Some(&header()), &toward_far(18_820_000, 18_020_000));
    assert_eq!(row(&beyond, "wg", Way::Far).gap.expect("a gap").verdict, GapVerdict::Headers);
    // Outside 16, 18 and 20: quartiles 17 and 19, so twice 2.0 is the noise and 3.0 lacking is within it.
    let mut spread = toward_far(18_000_000, 15_000_000);
    for (run, bps) in spread.iter_mut().zip([16_000_000, 18_000_000, 20_000_000]) {
        direction(run).goodput_bps = Some(bps);
    }
    let spread = compare(Some(&header()), &spread);
    let gap = row(&spread, "wg", Way::Far).gap.expect("a gap");
    close(gap.noise_bps, 4.0e6);
    assert_eq!(gap.verdict, GapVerdict::NoDifference);
}

#[test]
fn a_faster_inside_is_doubted_and_an_unnamed_tunnel_not_explained() {
    let faster = compare(Some(&header()), &toward_far(10_000_000, 15_000_000));
    let gap = row(&faster, "wg", Way::Far).gap.expect("a gap");
    assert_eq!(gap.verdict, GapVerdict::InsideFaster);
    assert!(faster.sentences[0].contains("5.00 Mbit/s more than outside"));

    let mut unnamed = toward_far(18_820_000, 15_000_000);
    for run in unnamed.iter_mut().skip(3) {
        run.path.encapsulation = None;
    }
    let unnamed = compare(Some(&header()), &unnamed);
    let inside = row(&unnamed, "wg", Way::Far);
    assert_eq!(inside.ceiling.missing.as_deref(), Some("its encapsulation is not stated"));
    let gap = inside.gap.expect("a gap");
    assert_eq!((gap.verdict, gap.headers_bps), (GapVerdict::HeadersUnknown, None));
    assert!(unnamed.sentences[1].contains("whether wg keeps secrets is not known"));
}

/// The line toward far carries 20 Mbit/s as Ethernet counts, of which full segments leave 18.83.
#[test]
fn what_lies_above_its_ceiling_is_doubted() {
    let doubted = |goodput_bps| {
        let comparison = compare(Some(&header()), &toward_far(goodput_bps, 15_000_000));
        let caveats = row(&comparison, "outside", Way::Far).caveats.join("; ");
        caveats.contains("above its ceiling")
    };
    assert!(!doubted(18_820_000) && !doubted(18_900_000));
    assert!(doubted(19_500_000));
}

#[test]
fn a_void_run_is_shown_and_never_counted() {
    let mut runs = toward_near();
    let mut void = exactly(turned(bulk("wg", Place::Inside, 1), 1), 1_000_000, 1368);
    void.void = Some(VoidReason::Interrupted {}.to_finding());
    runs.push(void);
    let comparison = compare(Some(&header()), &runs);
    let inside = row(&comparison, "wg", Way::Near);
    assert_eq!((inside.valid, inside.void), (3, 1));
    close(inside.goodput_bps.expect("figures").min, 90.00e6);
    assert_eq!(inside.void_reasons, ["it was stopped before it was complete"]);
}

#[test]
fn other_surveys_families_and_sessions_are_kept_apart() {
    let mut runs = toward_near();
    let mut other = runs[0].clone();
    other.survey.as_mut().expect("a survey").id = "s0".to_owned();
    let mut six = runs[0].clone();
    six.family = Some(Family::Ipv6);
    let mut one_flow = runs[0].clone();
    one_flow.asked.flows = Some(1);
    let mut both = runs[0].clone();
    both.asked.toward = Toward::Both;
    runs.extend(vec![other, six, one_flow, both]);
    let comparison = compare(Some(&header()), &runs);
    // IPv4 and IPv6 outside, WireGuard; one flow; both ways at once, of which one way has no figure.
    assert_eq!(comparison.rows.iter().map(|row| row.valid).collect::<Vec<_>>(), [3, 1, 3, 1, 1, 1]);
    assert_eq!(comparison.rows.iter().filter(|row| row.goodput_bps.is_none()).count(), 1);
    assert_eq!(comparison.sessions().len(), 3);
    assert!(comparison.not_checked.iter().any(|open| open.starts_with("1 runs of the ledger")));
    let planless = compare(None, &runs);
    assert_eq!(planless.rows[0].valid, 4);
}

#[test]
fn paced_sessions_give_loss_jitter_and_no_gap() {
    let mut runs = vec![paced("outside", Place::Outside, 10), paced("wg", Place::Inside, 10)];
    runs[1].rtt_baseline_us = Some(round_trips(20_000));
    runs[1].rtt_transfer_us = Some(round_trips(31_000));
    let mut second = runs[1].clone();
    direction(&mut second).loss_ratio = Some(0.003);
    second.rtt_transfer_us = None;
    runs.push(second);
    let comparison = compare(Some(&header()), &runs);
    let inside = row(&comparison, "wg", Way::Far);
    let figures = inside.datagrams.expect("datagrams");
    // The median of 0.001 and 0.003 is their mean.
    close(figures.loss_ratio.expect("loss"), 0.002);
    close(figures.delivered_bps.expect("delivered"), 9.99e6);
    close(figures.interarrival_jitter_us.expect("jitter"), 85.0);
    assert_eq!((inside.rtt_baseline_us, inside.rtt_transfer_us), (Some(20_000.0), Some(31_000.0)));
    assert_eq!(inside.gap, None);
    // A payload of 1200 makes an inner packet of 1228, padded to 1232 and 1292 outside: 20 × 1200 / (1292 + 38).
    assert_eq!(inside.ceiling.bps, Some(18_045_112));
}

#[test]
fn the_sentences_and_cautions_of_a_whole_survey() {
    let mut runs = toward_near();
    let pptp = |bps| exactly(turned(bulk("pptp", Place::Inside, 1), 1), bps, 1408);
    runs.extend([92_000_000, 92_000_000, 92_000_000].map(pptp));
    let comparison = compare(Some(&header()), &runs);
    assert_eq!(
        comparison.sentences[0],
        "Measured with bulk, 4 flows: from workshop to cabin, wg carried 90.10 Mbit/s, 95.7 % of the 94.14 Mbit/s outside: \
         headers explain 4.03 Mbit/s of the 4.04 Mbit/s lacking and the rest is within the noise, and pptp carried \
         92.00 Mbit/s, 97.7 % of the 94.14 Mbit/s outside: no difference beyond the noise of 2.82 Mbit/s."
    );
    assert_eq!(
        comparison.sentences[1],
        "Nothing is lost in wg beyond its headers and the noise, so no setting of it can win back much for large \
         files; do not choose pptp however fast, for it gives no confidentiality."
    );
    let starts: Vec<_> =
        comparison.cautions.iter().filter_map(|text| text.split(' ').next()).collect();
    assert_eq!(starts, ["Load", "The", "A", "The", "pptp"]);
    assert!(comparison.cautions[3].starts_with("The line of cabin is metered"));
}

#[test]
fn several_paths_are_ranked_and_those_that_lack_more_than_headers_named() {
    let mut runs = toward_near();
    let ovpn = |bps| exactly(turned(bulk("ovpn", Place::Inside, 1), 1), bps, 1368);
    runs.extend([30_000_000, 30_000_000, 30_000_000].map(ovpn).map(|mut run| {
        run.path.encapsulation = Some("openvpn-udp-aead".to_owned());
        run
    }));
    let comparison = compare(Some(&header()), &runs);
    // 90.10 / 94.14 = 95.7 %, as the headers make it; 30 / 94.14 = 31.9 %, far below them.
    assert_eq!(
        comparison.sentences[1],
        "Of the paths that keep secrets, wg carries the largest share of outside in its worse direction (95.7 %); more is \
         lost in ovpn than its headers take, so look for the cause, the gateway's processor, MTU and loss first, before \
         judging the protocol."
    );
}

#[test]
fn too_few_runs_are_said_to_be_too_few() {
    let runs = [toward_near()[0].clone(), toward_near()[3].clone()];
    let comparison = compare(Some(&header()), &runs);
    assert!(comparison.sentences[1].starts_with("On fewer than 3 valid runs of a path, "));
    assert!(comparison.not_checked.iter().any(|open| open.contains("a quick look needs 3")));
}

#[test]
fn nothing_at_all_is_answered_too() {
    let comparison = compare(None, &[]);
    assert!(comparison.rows.is_empty());
    assert_eq!(
        comparison.sentences[0],
        "No valid bulk run of an outside or an inside path is there, so what a tunnel costs cannot be said."
    );
    assert_eq!(
        comparison.sentences[1],
        "Measure the same session outside and inside, both ways, before choosing."
    );
    let outside_only = compare(Some(&header()), &toward_near()[..3]);
    assert!(outside_only.sentences[0].starts_with("No valid bulk run of an inside path"));
}

proptest::proptest! {
    #[test]
    fn the_parts_of_a_gap_add_up(outside in 1_u64..10_000_000_000, inside in 0_u64..10_000_000_000) {
        let comparison = compare(Some(&header()), &toward_far(outside, inside));
        let gap = row(&comparison, "wg", Way::Far).gap.expect("a gap");
        let parts = gap.headers_bps.expect("known") + gap.unexplained_bps.expect("known");
        proptest::prop_assert!((parts - gap.gap_bps).abs() <= 1e-6 * outside as f64);
        proptest::prop_assert!(gap.noise_bps >= outside as f64 * crate::NOISE_AT_LEAST);
    }

    #[test]
    fn a_path_of_any_name_and_encapsulation_is_compared(name: String, key: String, segment: u32) {
        let mut runs = toward_near();
        for run in &mut runs {
            run.path.name = Some(name.clone());
            run.path.encapsulation = Some(key.clone());
            let tcp = run.toward_near.as_mut().and_then(|direction| direction.tcp.as_mut());
            tcp.expect("facts").segment_payload_bytes = Some(segment);
        }
        let comparison = compare(Some(&header()), &runs);
        proptest::prop_assert_eq!(comparison.rows.len(), 2);
    }
}
