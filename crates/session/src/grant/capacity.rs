//! What a capacity session may ask for.

use std::ops::RangeInclusive;
use std::time::Duration;

use culvert_units::{BitRate, format_duration};
use culvert_wire::capacity::CapacityParameters;
use culvert_wire::datagram::MIN_PAYLOAD;
use culvert_wire::message::{Limits, SessionRequest};

/// The headers of a datagram's packet: UDP (RFC 768) in IPv4 (RFC 791) or IPv6 (RFC 8200), bytes.
const HEADERS: [u16; 2] = [8 + 20, 8 + 40];

/// How often the receiver may be asked to report, milliseconds.
const FEEDBACK_MS: RangeInclusive<u64> = 10..=1_000;
/// How long a sub-interval may be, milliseconds.
const SUB_INTERVAL_MS: RangeInclusive<u64> = 100..=60_000;
/// How long the receiver's silence may be borne, milliseconds: the far end gives silent peers up after three seconds.
const FEEDBACK_TIMEOUT_MS: RangeInclusive<u64> = 100..=3_000;
/// The outcome tells of each sub-interval, and must fit a control message of 64 KiB.
const MOST_SUB_INTERVALS: usize = 160;

/// What makes no sense in a request, in words.
pub(super) fn check_shape(
    request: &SessionRequest,
    payload_bytes: u16,
    parameters: &CapacityParameters,
) -> Result<(), String> {
    let p = parameters;
    let [_] = request.ways.as_slice() else {
        return Err("a capacity is searched one way at a time".to_owned());
    };
    let headers = p.ip_bytes.checked_sub(payload_bytes);
    if usize::from(payload_bytes) < MIN_PAYLOAD || !headers.is_some_and(|h| HEADERS.contains(&h)) {
        return Err(format!(
            "{payload_bytes} bytes of payload make no IP packet of {} bytes",
            p.ip_bytes
        ));
    }
    for (name, millis, range) in [
        ("a report time", p.feedback_ms, FEEDBACK_MS),
        ("a sub-interval", p.sub_interval_ms, SUB_INTERVAL_MS),
        ("a feedback timeout", p.feedback_timeout_ms, FEEDBACK_TIMEOUT_MS),
    ] {
        if !range.contains(&millis) {
            let (least, most) = (range.start(), range.end());
            return Err(format!("{name} of {millis} ms is not within {least} and {most} ms"));
        }
    }
    if p.rate_cap_bps.is_some_and(|cap| cap.bits_per_second() == 0) {
        return Err("a ceiling of 0 bit/s lets nothing be sent".to_owned());
    }
    if p.most_sub_intervals() > MOST_SUB_INTERVALS {
        return Err(format!(
            "{} sub-intervals exceed {MOST_SUB_INTERVALS}",
            p.most_sub_intervals()
        ));
    }
    let longest = p.longest_ms();
    if longest > request.for_ms.saturating_add(request.settle_ms) {
        let longest = format_duration(Duration::from_millis(longest));
        return Err(format!("the search may take {longest}, longer than the session"));
    }
    if request.at_most_bytes_each_way != p.byte_budget.map(culvert_units::Bytes::get) {
        return Err("the budgets of the session and of its search differ".to_owned());
    }
    Ok(())
}

/// Why a listener's limit of the rate does not allow it. The limit counts payload, the ceiling whole packets: less.
pub(super) fn over_rate(parameters: &CapacityParameters, limits: &Limits) -> Option<String> {
    let limit = BitRate::from_bits_per_second(limits.rate_bps?);
    match parameters.rate_cap_bps {
        Some(cap) if cap <= limit => None,
        Some(cap) => Some(format!("a ceiling of {cap} was asked, the listener allows {limit}")),
        None => Some(format!("no ceiling was asked, the listener allows {limit}")),
    }
}

#[cfg(test)]
mod tests {
    use culvert_units::Bytes;
    use culvert_wire::message::{Load, RefusalReason, Way};

    use super::*;
    use crate::grant::Session;

    const LIMITS: Limits = Limits { duration_ms: 120_000, rate_bps: None, bytes: None, flows: 64 };

    fn request(change: impl FnOnce(&mut CapacityParameters)) -> SessionRequest {
        let mut parameters = CapacityParameters::default();
        change(&mut parameters);
        SessionRequest {
            ways: vec![Way::Near],
            for_ms: parameters.longest_ms(),
            settle_ms: 0,
            step_ms: 100,
            buffer_bytes: None,
            at_most_bytes_each_way: parameters.byte_budget.map(Bytes::get),
            load: Load::Capacity { payload_bytes: 1222, parameters: Box::new(parameters) },
        }
    }

    fn refused(request: SessionRequest, limits: &Limits) -> Option<RefusalReason> {
        Session::check(request, limits).err().map(|refusal| refusal.reason)
    }

    #[test]
    fn the_defaults_fit_the_usual_limits() {
        let session = Session::check(request(|_| {}), &LIMITS).expect("granted");
        assert_eq!((session.budget_each_way(), session.flows()), (None, 0));
        assert_eq!((session.plateau_numbers(), session.pace_bps()), (None, None));
        let budget = request(|p| p.byte_budget = Some(Bytes::new(12_600)));
        let session = Session::check(budget, &LIMITS).expect("granted");
        // 10 packets of 1250 bytes are 12 500.
        assert_eq!(session.planned_datagrams(), 10);
        assert_eq!(session.budget_each_way(), Some(Bytes::new(12_600)));
    }

    #[test]
    fn a_listeners_limits_bind() {
        let rate = Limits { rate_bps: Some(20_000_000), ..LIMITS };
        let at = |megabits| request(|p| p.rate_cap_bps = Some(BitRate::from_megabits(megabits)));
        assert_eq!(refused(request(|_| {}), &rate), Some(RefusalReason::Limit));
        assert_eq!(refused(at(21), &rate), Some(RefusalReason::Limit));
        assert_eq!(refused(at(20), &rate), None);
        let bytes = Limits { bytes: Some(1_000_000), ..LIMITS };
        let budget = |bytes| request(|p| p.byte_budget = Some(Bytes::new(bytes)));
        assert_eq!(refused(request(|_| {}), &bytes), Some(RefusalReason::Limit));
        assert_eq!(refused(budget(1_000_001), &bytes), Some(RefusalReason::Limit));
        assert_eq!(refused(budget(1_000_000), &bytes), None);
        let short = Limits { duration_ms: 50_000, ..LIMITS };
        assert_eq!(refused(request(|_| {}), &short), Some(RefusalReason::Limit));
    }

    #[test]
    fn what_makes_no_sense_is_malformed() {
        let malformed = Some(RefusalReason::Malformed);
        for change in [
            (|p| p.ip_bytes = 1251) as fn(&mut CapacityParameters),
            |p| p.ip_bytes = 28,
            |p| p.feedback_ms = 0,
            |p| p.sub_interval_ms = 1,
            |p| p.feedback_timeout_ms = 60_000,
            |p| p.verify_attempts = usize::MAX,
            |p| p.rate_cap_bps = Some(BitRate::from_bits_per_second(0)),
        ] {
            assert_eq!(refused(request(change), &LIMITS), malformed, "{:?}", request(change));
        }
        let mut both = request(|_| {});
        both.ways = Way::BOTH.to_vec();
        assert_eq!(refused(both, &LIMITS), malformed);
        let mut longer = request(|_| {});
        longer.for_ms -= 1;
        assert_eq!(refused(longer, &LIMITS), malformed);
        let mut other = request(|p| p.byte_budget = Some(Bytes::new(12_600)));
        other.at_most_bytes_each_way = None;
        assert_eq!(refused(other, &LIMITS), malformed);
    }
}
