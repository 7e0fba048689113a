//! Caveats and void reasons as sentences.
//!
//! Each sentence is a lowercase fragment without a full stop, values included, as error texts are.

use culvert_units::{BitRate, Bytes};

use crate::{Caveat, Finding, VoidReason, Way, WindowLimit};

/// What weakens the result, in words; a code of a later version is given with its values as stored.
pub fn describe_caveat(finding: &Finding) -> String {
    Caveat::from_finding(finding).map_or_else(|| as_stored(finding), |caveat| sentence(&caveat))
}

/// Why the result is worthless, in words; a code of a later version is given with its values as stored.
pub fn describe_void(finding: &Finding) -> String {
    VoidReason::from_finding(finding).map_or_else(|| as_stored(finding), |reason| verdict(&reason))
}

fn sentence(caveat: &Caveat) -> String {
    of_datagrams(caveat).unwrap_or_else(|| of_hosts_and_flows(caveat))
}

fn probes(caveat: &Caveat) -> Option<String> {
    Some(match caveat {
        Caveat::ProbesUnanswered { sent } => format!(
            "none of {sent} round-trip probes was answered: UDP does not pass although TCP does"
        ),
        Caveat::ProbesByTcp { unanswered } => format!(
            "UDP does not pass ({unanswered} requests were not answered): round trips were taken over a TCP connection of \
             their own, where a lost probe shows as a late one"
        ),
        _ => return None,
    })
}

fn of_datagrams(caveat: &Caveat) -> Option<String> {
    Some(match caveat {
        Caveat::HostDropped { toward, host_dropped, lost } => format!(
            "{}, {host_dropped} of the {lost} lost datagrams reached the receiving host and were dropped by its own \
             socket: they are not the path's loss",
            way(*toward)
        ),
        Caveat::PaceMissed { toward, asked_bps, offered_bps } => {
            pace_missed(*toward, *asked_bps, *offered_bps)
        }
        Caveat::ProbesUnanswered { .. } | Caveat::ProbesByTcp { .. } => probes(caveat)?,
        Caveat::PortChanged { times } => format!(
            "the peer's UDP port changed {times} times during the run: a NAT on the way forgot its mapping"
        ),
        Caveat::ClockStepped { toward, step_us } => format!(
            "{}, a wall clock stepped by {step_us} us during the run: its delay figures are withheld",
            way(*toward)
        ),
        Caveat::PaceDebtDropped { toward, dropped_ms } => format!(
            "{}, the transmitter stalled for {dropped_ms} ms that it did not catch up",
            way(*toward)
        ),
        Caveat::PaceUneven { toward, uneven_steps, steps, late_us } => {
            pace_uneven(*toward, *uneven_steps, *steps, *late_us)
        }
        Caveat::HostQueueFull { toward, times } => format!(
            "{}, a queue of the sending host was full {times} times: the limit, or part of it, is that host's own line",
            way(*toward)
        ),
        Caveat::DelayOfBurstHeads { toward, timed, received } => format!(
            "{}, datagrams left in bursts: delay variation is that of the first of each, {timed} of {received}",
            way(*toward)
        ),
        Caveat::TooLate { toward, late } => format!(
            "{}, {late} datagrams arrived too late to be told from further copies and count as lost",
            way(*toward)
        ),
        Caveat::RefusedDatagrams { toward, refused } => format!(
            "{}, the receiver refused {refused} datagrams for a wrong tag, length or number",
            way(*toward)
        ),
        Caveat::DatagramsRefused { toward, refused } => format!(
            "{}, the system refused to send {refused} datagrams: they are too large for the path to carry whole",
            way(*toward)
        ),
        Caveat::BufferCapped { .. }
        | Caveat::DrainCutShort { .. }
        | Caveat::NotSteady { .. }
        | Caveat::CoreFull { .. }
        | Caveat::SameHost { .. }
        | Caveat::CongestionControlNotAllowed { .. }
        | Caveat::SegmentSizeOther { .. }
        | Caveat::MarkOther { .. }
        | Caveat::AcknowledgedUnread { .. }
        | Caveat::WindowLimited { .. } => return None,
    })
}

fn of_hosts_and_flows(caveat: &Caveat) -> String {
    match caveat {
        Caveat::BufferCapped { toward, asked_bytes, granted_bytes } => format!(
            "{}, the system capped the socket buffer: it reports {} (Linux twice what it grants) where {} were asked for",
            way(*toward),
            Bytes::new(*granted_bytes),
            Bytes::new(*asked_bytes)
        ),
        Caveat::DrainCutShort { toward, unacknowledged_bytes } => format!(
            "{}, {} were still unacknowledged when the wait for them ended",
            way(*toward),
            Bytes::new(*unacknowledged_bytes)
        ),
        Caveat::NotSteady { toward, settle_ms } => format!(
            "{}, the rate had not become steady within the {settle_ms} ms that were cut away",
            way(*toward)
        ),
        Caveat::CoreFull { end, core, busy } => format!(
            "core {core} of the {} end was {:.0} % busy: the result may be that host's limit, not the path's",
            end_name(*end),
            busy * 100.0
        ),
        Caveat::SameHost {} => "both ends run on the same host: no network was crossed".to_owned(),
        Caveat::CongestionControlNotAllowed { toward, asked, used } => format!(
            "{}, {used} was used: the transmitter's host does not let this user choose {asked}",
            way(*toward)
        ),
        Caveat::SegmentSizeOther { toward, asked_bytes, used_bytes } => format!(
            "{}, segments had {used_bytes} bytes instead of the {asked_bytes} asked: the MTU or the peer decided",
            way(*toward)
        ),
        Caveat::MarkOther { toward, asked, used } => format!(
            "{}, packets left with codepoint {used} instead of the {asked} asked",
            way(*toward)
        ),
        Caveat::AcknowledgedUnread { toward, bytes } => format!(
            "{}, the receiving host acknowledged {} that its program had not read when its time was over",
            way(*toward),
            Bytes::new(*bytes)
        ),
        Caveat::WindowLimited { toward, limit, share } => window_limited(*toward, *limit, *share),
        // Said already.
        Caveat::HostDropped { .. }
        | Caveat::PaceMissed { .. }
        | Caveat::ProbesUnanswered { .. }
        | Caveat::ProbesByTcp { .. }
        | Caveat::PortChanged { .. }
        | Caveat::ClockStepped { .. }
        | Caveat::PaceDebtDropped { .. }
        | Caveat::PaceUneven { .. }
        | Caveat::HostQueueFull { .. }
        | Caveat::DelayOfBurstHeads { .. }
        | Caveat::TooLate { .. }
        | Caveat::RefusedDatagrams { .. }
        | Caveat::DatagramsRefused { .. } => String::new(),
    }
}

fn pace_missed(toward: Way, asked_bps: u64, offered_bps: u64) -> String {
    format!(
        "{}, the transmitter offered {} of the {} asked: the result is the sending host's, not the path's",
        way(toward),
        rate(offered_bps),
        rate(asked_bps)
    )
}

fn pace_uneven(toward: Way, uneven_steps: u64, steps: u64, late_us: i64) -> String {
    format!(
        "{}, pacing failed: {uneven_steps} of {steps} steps of 100 ms missed the pace by more than 0.5 %, and one burst \
         in a hundred left {late_us} us late or more: loss and delay variation are partly the sending host's",
        way(toward)
    )
}

fn window_limited(toward: Way, limit: WindowLimit, share: f64) -> String {
    let what = match limit {
        WindowLimit::ReceiveWindow => "the receiver's window",
        WindowLimit::SendBuffer => "its own send buffer",
    };
    format!(
        "{}, {what} held the transmitter back for {:.0} % of the time in which it had data to send: the result may be \
         that host's limit, not the path's",
        way(toward),
        share * 100.0
    )
}

fn verdict(reason: &VoidReason) -> String {
    match reason {
        VoidReason::SameWayAsOutside { address, interface, seen_from } => format!(
            "this run took the same way as outside: it left by {interface} from {address} and the far end saw \
             {seen_from}, as without the tunnel"
        ),
        VoidReason::ControlLost { cause } => {
            format!("the control connection broke before the result was complete: {cause}")
        }
        VoidReason::Interrupted {} => "it was stopped before it was complete".to_owned(),
        VoidReason::NothingArrived { toward } => format!("{}, no payload arrived", way(*toward)),
        VoidReason::EndedEarly { toward, last_ms, wanted_ms } => format!(
            "{}, the last data came after {last_ms} ms and the plateau should have lasted until {wanted_ms} ms",
            way(*toward)
        ),
        VoidReason::CountsContradict { toward, sent, received } => format!(
            "{}, the receiver counted {received} and the transmitter only {sent}: the two ends contradict each other",
            way(*toward)
        ),
        VoidReason::BudgetSpent { at_most_bytes } => format!(
            "the budget of {} ran out before the plateau was complete",
            Bytes::new(*at_most_bytes)
        ),
        VoidReason::EndedByListener { cause } => format!("the listener ended the session: {cause}"),
        VoidReason::AccountIncomplete { toward } => {
            format!("{}, the account of one end is incomplete", way(*toward))
        }
        VoidReason::BudgetExceeded { toward, at_most_bytes } => format!(
            "{}, more was sent than the {} allowed",
            way(*toward),
            Bytes::new(*at_most_bytes)
        ),
        VoidReason::TransmitterFailed { cause } => {
            format!("the transmitter had to stop before its time: {cause}")
        }
    }
}

const fn way(toward: Way) -> &'static str {
    match toward {
        Way::Far => "toward far",
        Way::Near => "toward near",
    }
}

const fn end_name(end: Way) -> &'static str {
    match end {
        Way::Far => "far",
        Way::Near => "near",
    }
}

fn rate(bps: u64) -> BitRate {
    BitRate::from_bits_per_second(bps)
}

fn as_stored(finding: &Finding) -> String {
    if finding.values.is_empty() {
        return finding.code.clone();
    }
    let values: Vec<_> =
        finding.values.iter().map(|(name, value)| format!("{name}: {value}")).collect();
    format!("{} ({})", finding.code, values.join(", "))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn finding(value: serde_json::Value) -> Finding {
        serde_json::from_value(value).expect("a finding")
    }

    #[test]
    fn says_what_happened_with_the_values() {
        let same_way = finding(json!({"code": "same_way_as_outside", "values":
            {"address": "192.0.2.9", "interface": "eth0", "seen_from": "198.51.100.4"}}));
        assert_eq!(
            describe_void(&same_way),
            "this run took the same way as outside: it left by eth0 from 192.0.2.9 and the far end saw 198.51.100.4, \
             as without the tunnel"
        );
        let missed = finding(json!({"code": "pace_missed", "values":
            {"toward": "near", "asked_bps": 50_000_000, "offered_bps": 31_000_000}}));
        assert_eq!(
            describe_caveat(&missed),
            "toward near, the transmitter offered 31.00 Mbit/s of the 50.00 Mbit/s asked: the result is the sending \
             host's, not the path's"
        );
        let full = finding(
            json!({"code": "core_full", "values": {"end": "far", "core": 3, "busy": 0.98}}),
        );
        assert!(describe_caveat(&full).starts_with("core 3 of the far end was 98 % busy"));
    }

    #[test]
    fn a_later_versions_code_is_shown_as_stored() {
        let later = finding(json!({"code": "moon_phase", "values": {"phase": "full", "day": 3}}));
        assert_eq!(describe_caveat(&later), r#"moon_phase (day: 3, phase: "full")"#);
        assert_eq!(describe_void(&later), describe_caveat(&later));
        assert_eq!(describe_void(&finding(json!({"code": "x"}))), "x");
        // A known code whose values are of another shape is not understood, and still shown.
        let odd = finding(json!({"code": "same_way_as_outside", "values": {"address": 7}}));
        assert_eq!(describe_void(&odd), "same_way_as_outside (address: 7)");
    }
}
