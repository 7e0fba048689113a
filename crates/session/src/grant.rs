//! Whether a listener grants a session, and how a granted session divides its time and sequence numbers.

mod capacity;

use std::ops::{Range, RangeInclusive};
use std::time::Duration;

use culvert_units::{BitRate, Bytes, format_duration};
use culvert_wire::capacity::CapacityParameters;
use culvert_wire::datagram::{MAX_PAYLOAD, MIN_PAYLOAD};
use culvert_wire::message::{Handover, Limits, Load, Refusal, RefusalReason, SessionRequest, Way};

use crate::pacing::{DEFAULT_BURST_NS, LARGEST_DEBT_NS, burst};

/// The narrowest series step granted. Narrower steps hold too few reads to mean anything, and fill the report.
pub const NARROWEST_STEP: Duration = Duration::from_millis(10);
/// The widest series step granted: RFC 9097's sub-interval is one second, and a plateau needs several steps.
pub const WIDEST_STEP: Duration = Duration::from_secs(1);

/// The largest socket buffer granted: half a second at 1 Gbit/s. The kernel keeps it for each of up to 128 flows.
pub const LARGEST_BUFFER: Bytes = Bytes::new(64 << 20);

/// The segment sizes granted, bytes: what Linux lets be asked for (`TCP_MIN_MSS`, `MAX_TCP_WINDOW` of its `net/tcp.h`).
pub const SEGMENT_BYTES: RangeInclusive<u16> = 88..=32_767;

/// The most bytes of sized datagrams a sounding may be granted each way: 255 of the longest there are.
pub const SOUNDING_BYTES: u64 = 16 << 20;

/// A request that was checked, with the figures that follow from it.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    request: SessionRequest,
}

impl Session {
    /// Checks a request against the limits of a listener.
    ///
    /// Fails with the refusal that the listener sends; both ends check by this one rule.
    pub fn check(request: SessionRequest, limits: &Limits) -> Result<Self, Refusal> {
        check_shape(&request)?;
        check_sounding(&request)?;
        check_limits(&request, limits)?;
        let session = Self { request };
        session.check_plateau()?;
        Ok(session)
    }

    /// What was asked.
    pub const fn request(&self) -> &SessionRequest {
        &self.request
    }

    /// Time before the plateau.
    pub const fn settle(&self) -> Duration {
        Duration::from_millis(self.request.settle_ms)
    }

    /// Settle and plateau together.
    pub const fn length(&self) -> Duration {
        Duration::from_millis(self.request.settle_ms.saturating_add(self.request.for_ms))
    }

    /// Width of a series step.
    pub const fn step(&self) -> Duration {
        Duration::from_millis(self.request.step_ms as u64)
    }

    /// Steps of settle and plateau together.
    pub fn steps(&self) -> usize {
        usize::try_from(self.length().as_millis() / self.step().as_millis().max(1))
            .unwrap_or(usize::MAX)
    }

    /// TCP flows each way; 0 for datagrams.
    pub const fn flows(&self) -> u16 {
        match self.request.load {
            Load::Bulk { flows, .. } => flows,
            Load::Paced { .. } | Load::Sounding {} | Load::Capacity { .. } => 0,
        }
    }

    /// Payload each way may move at most: the budget asked, for datagrams also what the pace yields.
    pub fn budget_each_way(&self) -> Option<Bytes> {
        let asked = self.request.at_most_bytes_each_way.map(Bytes::new);
        match (asked, self.volume_each_way()) {
            (Some(asked), Some(volume)) => Some(asked.min(volume)),
            (asked, volume) => asked.or(volume),
        }
    }

    /// Payload a paced session moves each way; `None` for what moves as much as the path or the host takes.
    pub fn volume_each_way(&self) -> Option<Bytes> {
        match self.request.load {
            Load::Paced { payload_bytes, unlimited: false, .. } => {
                Some(Bytes::new(self.planned_datagrams().saturating_mul(u64::from(payload_bytes))))
            }
            Load::Capacity { ref parameters, .. } => parameters.most_bytes(),
            Load::Paced { .. } | Load::Bulk { .. } | Load::Sounding {} => None,
        }
    }

    /// How a capacity session searches; `None` for every other.
    pub const fn capacity(&self) -> Option<&CapacityParameters> {
        match &self.request.load {
            Load::Capacity { parameters, .. } => Some(parameters),
            Load::Paced { .. } | Load::Bulk { .. } | Load::Sounding {} => None,
        }
    }

    /// Payload bits per second of a paced session; `None` for bulk and for as fast as the host can.
    pub const fn pace_bps(&self) -> Option<u64> {
        match self.request.load {
            Load::Paced { pace_bps, unlimited: false, .. } => Some(pace_bps),
            Load::Paced { .. } | Load::Bulk { .. } | Load::Sounding {} | Load::Capacity { .. } => {
                None
            }
        }
    }

    /// Datagrams that leave together at most, on a schedule.
    pub fn burst(&self) -> u64 {
        match self.request.load {
            Load::Paced { pace_bps, payload_bytes, burst_ns, .. } => {
                burst(pace_bps, payload_bytes, burst_ns.unwrap_or(DEFAULT_BURST_NS))
            }
            Load::Bulk { .. } | Load::Sounding {} | Load::Capacity { .. } => 1,
        }
    }

    /// How datagrams are to be handed to and taken from the systems.
    pub const fn handover(&self) -> Handover {
        match self.request.load {
            Load::Paced { handover, .. } => handover,
            Load::Bulk { .. } | Load::Sounding {} | Load::Capacity { .. } => Handover::Auto,
        }
    }

    /// Datagrams a session sends each way at most, and on a schedule exactly; sequence numbers run from 0 up to it. 0 for
    /// bulk.
    pub fn planned_datagrams(&self) -> u64 {
        match self.request.load {
            Load::Paced { payload_bytes, unlimited: true, .. } => {
                let most = self.request.at_most_bytes_each_way.unwrap_or(u64::MAX);
                most / u64::from(payload_bytes).max(1)
            }
            Load::Capacity { ref parameters, .. } => {
                let most = parameters.most_bytes().map_or(u64::MAX, Bytes::get);
                most / u64::from(parameters.ip_bytes).max(1)
            }
            Load::Paced { .. } | Load::Bulk { .. } | Load::Sounding {} => {
                self.datagrams_in(self.length())
            }
        }
    }

    /// The sequence numbers that are due within the plateau; `None` without a schedule: then the plateau's are those that
    /// were sent after the settle time.
    pub fn plateau_numbers(&self) -> Option<Range<u64>> {
        match self.request.load {
            Load::Paced { unlimited: true, .. } | Load::Capacity { .. } => None,
            Load::Paced { .. } | Load::Bulk { .. } | Load::Sounding {} => {
                Some(self.datagrams_in(self.settle())..self.planned_datagrams())
            }
        }
    }

    fn check_plateau(&self) -> Result<(), Refusal> {
        match self.request.load {
            Load::Paced { pace_bps, payload_bytes, .. }
                if self.plateau_numbers().is_some_and(|numbers| numbers.is_empty()) =>
            {
                let pace = BitRate::from_bits_per_second(pace_bps);
                let text = format!(
                    "a pace of {pace} sends no datagram of {payload_bytes} bytes within the plateau"
                );
                Err(Refusal { reason: RefusalReason::Malformed, text })
            }
            _ => Ok(()),
        }
    }

    /// How many datagrams are due before `elapsed`: number i is due at i · payload / pace.
    fn datagrams_in(&self, elapsed: Duration) -> u64 {
        let Load::Paced { pace_bps, payload_bytes, .. } = self.request.load else { return 0 };
        let bits_times_nanos = u128::from(pace_bps) * elapsed.as_nanos();
        let per_datagram = u128::from(payload_bytes) * 8_000_000_000;
        u64::try_from(bits_times_nanos.div_ceil(per_datagram.max(1))).unwrap_or(u64::MAX)
    }
}

fn malformed(text: String) -> Result<(), Refusal> {
    Err(Refusal { reason: RefusalReason::Malformed, text })
}

fn check_shape(request: &SessionRequest) -> Result<(), Refusal> {
    if !matches!(request.ways.as_slice(), [_] | [Way::Far, Way::Near] | [Way::Near, Way::Far]) {
        return malformed(
            "a session goes toward far, toward near, or both, each at most once".to_owned(),
        );
    }
    if request.for_ms == 0 {
        return malformed("the plateau is 0 ms long".to_owned());
    }
    if let Some(bytes) = request.buffer_bytes.filter(|bytes| *bytes > LARGEST_BUFFER.get()) {
        return malformed(format!(
            "a socket buffer of {} exceeds {LARGEST_BUFFER}",
            Bytes::new(bytes)
        ));
    }
    let step = Duration::from_millis(u64::from(request.step_ms));
    if step < NARROWEST_STEP || step > WIDEST_STEP {
        return malformed(format!(
            "a step of {} ms is not within 10 ms and 1000 ms",
            request.step_ms
        ));
    }
    check_load(request)
}

fn check_load(request: &SessionRequest) -> Result<(), Refusal> {
    match &request.load {
        Load::Bulk { flows: 0, .. } => malformed("0 flows carry nothing".to_owned()),
        Load::Bulk { congestion_control, .. } if !is_algorithm_name(congestion_control) => {
            malformed(
                "the congestion control's name is not 1 to 15 letters, digits, '_' or '-'"
                    .to_owned(),
            )
        }
        Load::Bulk { mss_bytes: Some(bytes), .. } if !SEGMENT_BYTES.contains(bytes) => {
            malformed(format!(
                "a segment size of {bytes} bytes is not within {} and {}",
                SEGMENT_BYTES.start(),
                SEGMENT_BYTES.end()
            ))
        }
        Load::Paced { pace_bps: 0, unlimited: false, .. } => {
            malformed("a pace of 0 bit/s sends nothing".to_owned())
        }
        Load::Paced { payload_bytes, .. }
            if !(MIN_PAYLOAD..=MAX_PAYLOAD).contains(&usize::from(*payload_bytes)) =>
        {
            malformed(format!(
                "a payload of {payload_bytes} bytes is not within {MIN_PAYLOAD} and {MAX_PAYLOAD}"
            ))
        }
        Load::Paced { pace_bps, unlimited: true, .. } if *pace_bps > 0 => {
            malformed("a pace cannot be given and unlimited".to_owned())
        }
        Load::Paced { burst_ns: Some(burst_ns), .. } if *burst_ns > LARGEST_DEBT_NS => {
            malformed(format!(
                "a burst of {} is longer than {}",
                format_duration(Duration::from_nanos(*burst_ns)),
                format_duration(Duration::from_nanos(LARGEST_DEBT_NS))
            ))
        }
        Load::Capacity { payload_bytes, parameters } => {
            capacity::check_shape(request, *payload_bytes, parameters).or_else(malformed)
        }
        _ => Ok(()),
    }
}

/// What goes toward near in a sounding is longer than what asks for it, so its budget is never left open.
fn check_sounding(request: &SessionRequest) -> Result<(), Refusal> {
    match (&request.load, request.at_most_bytes_each_way) {
        (Load::Bulk { .. } | Load::Paced { .. } | Load::Capacity { .. }, _)
        | (Load::Sounding {}, Some(..=SOUNDING_BYTES)) => Ok(()),
        (Load::Sounding {}, _) => {
            let most = Bytes::new(SOUNDING_BYTES);
            malformed(format!("a sounding must state a budget of {most} at most"))
        }
    }
}

/// Linux names hold at most 15 characters (`TCP_CA_NAME_MAX` counts a final zero).
fn is_algorithm_name(name: &str) -> bool {
    (1..=15).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
}

fn check_limits(request: &SessionRequest, limits: &Limits) -> Result<(), Refusal> {
    let over = |text: String| Err(Refusal { reason: RefusalReason::Limit, text });
    let total = request.settle_ms.saturating_add(request.for_ms);
    if total > limits.duration_ms {
        return over(format!(
            "settle and plateau take {} together, the listener allows {}",
            seconds(total),
            seconds(limits.duration_ms)
        ));
    }
    match &request.load {
        Load::Bulk { flows, .. } if *flows > limits.flows => {
            return over(format!("{flows} flows were asked, the listener allows {}", limits.flows));
        }
        Load::Paced { unlimited: true, .. } if let Some(limit) = limits.rate_bps => {
            return over(format!(
                "an unlimited pace was asked, the listener allows {}",
                BitRate::from_bits_per_second(limit)
            ));
        }
        Load::Paced { pace_bps, .. } if limits.rate_bps.is_some_and(|limit| *pace_bps > limit) => {
            return over(format!(
                "a pace of {} was asked, the listener allows {}",
                BitRate::from_bits_per_second(*pace_bps),
                BitRate::from_bits_per_second(limits.rate_bps.unwrap_or_default())
            ));
        }
        Load::Sounding {} if let Some(limit) = limits.rate_bps => {
            let bits = request.at_most_bytes_each_way.unwrap_or(SOUNDING_BYTES).saturating_mul(8);
            let mean = bits.saturating_mul(1_000) / total.max(1);
            if mean > limit {
                return over(format!(
                    "the sounding's budget is {} over its length, the listener allows {}",
                    BitRate::from_bits_per_second(mean),
                    BitRate::from_bits_per_second(limit)
                ));
            }
        }
        Load::Capacity { parameters, .. } => {
            if let Some(text) = capacity::over_rate(parameters, limits) {
                return over(text);
            }
        }
        _ => {}
    }
    check_bytes(request, limits)
}

/// A session may not move more than the listener's byte limit; bulk must therefore state a budget when there is one.
fn check_bytes(request: &SessionRequest, limits: &Limits) -> Result<(), Refusal> {
    let Some(limit) = limits.bytes else { return Ok(()) };
    let over = |text: String| Err(Refusal { reason: RefusalReason::Limit, text });
    let ways = request.ways.len() as u64;
    let session = Session { request: request.clone() };
    match session.budget_each_way().map(|each| each.get().saturating_mul(ways)) {
        None => over(format!(
            "the listener allows {} a session, the request states no budget",
            Bytes::new(limit)
        )),
        Some(total) if total > limit => {
            let (asked, allowed) = told_apart(total, limit);
            over(format!("the session may move {asked}, the listener allows {allowed}"))
        }
        Some(_) => Ok(()),
    }
}

/// Seconds without rounding: near a limit, minutes would hide by how much it was missed.
fn seconds(milliseconds: u64) -> String {
    format!("{}s", Duration::from_millis(milliseconds).as_secs_f64())
}

/// Two amounts as they are usually written, or to the byte where that would make them look alike.
fn told_apart(one: u64, other: u64) -> (String, String) {
    let usual = (Bytes::new(one).to_string(), Bytes::new(other).to_string());
    if usual.0 == usual.1 { (format!("{one} bytes"), format!("{other} bytes")) } else { usual }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits() -> Limits {
        Limits { duration_ms: 120_000, rate_bps: None, bytes: None, flows: 64 }
    }

    fn paced(pace_bps: u64, payload_bytes: u16) -> SessionRequest {
        SessionRequest {
            load: Load::Paced {
                pace_bps,
                payload_bytes,
                unlimited: false,
                burst_ns: None,
                handover: Handover::Auto,
            },
            ways: vec![Way::Far],
            for_ms: 10_000,
            settle_ms: 1_000,
            step_ms: 100,
            buffer_bytes: None,
            at_most_bytes_each_way: None,
        }
    }

    #[test]
    fn numbers_follow_from_pace_and_payload() {
        // 1200 bytes are 9600 bits: 9.6 Mbit/s is 1000 datagrams a second.
        let session = Session::check(paced(9_600_000, 1200), &limits()).expect("granted");
        assert_eq!(session.planned_datagrams(), 11_000);
        assert_eq!(session.plateau_numbers(), Some(1_000..11_000));
        assert_eq!((session.pace_bps(), session.burst()), (Some(9_600_000), 1));
        assert_eq!(session.volume_each_way(), Some(Bytes::new(13_200_000)));
    }

    fn unlimited(at_most: Option<u64>) -> SessionRequest {
        let mut request = paced(0, 1200);
        request.at_most_bytes_each_way = at_most;
        if let Load::Paced { unlimited, .. } = &mut request.load {
            *unlimited = true;
        }
        request
    }

    fn sounding(at_most: Option<u64>) -> SessionRequest {
        let ways = vec![Way::Far, Way::Near];
        SessionRequest {
            load: Load::Sounding {},
            ways,
            at_most_bytes_each_way: at_most,
            ..paced(1, 32)
        }
    }

    #[test]
    fn a_sounding_moves_no_more_than_it_states() {
        let session = Session::check(sounding(Some(300_000)), &limits()).expect("granted");
        assert_eq!(session.budget_each_way(), Some(Bytes::new(300_000)));
        assert_eq!((session.flows(), session.planned_datagrams()), (0, 0));
        let refused =
            |request, limits: Limits| Session::check(request, &limits).expect_err("refused").reason;
        assert_eq!(refused(sounding(None), limits()), RefusalReason::Malformed);
        let more = Some(SOUNDING_BYTES + 1);
        assert_eq!(refused(sounding(more), limits()), RefusalReason::Malformed);
        let capped = Limits { bytes: Some(500_000), ..limits() };
        assert_eq!(refused(sounding(Some(300_000)), capped), RefusalReason::Limit);
        // 300 kB over 11 s are 218 kbit/s.
        let slow = Limits { rate_bps: Some(200_000), ..limits() };
        assert_eq!(refused(sounding(Some(300_000)), slow), RefusalReason::Limit);
        let fast = Limits { rate_bps: Some(220_000), ..limits() };
        assert!(Session::check(sounding(Some(300_000)), &fast).is_ok());
    }

    #[test]
    fn without_a_pace_budget_and_limits_still_hold() {
        let session = Session::check(unlimited(Some(12_345)), &limits()).expect("granted");
        assert_eq!(session.planned_datagrams(), 10);
        assert_eq!((session.plateau_numbers(), session.pace_bps()), (None, None));
        assert_eq!(session.volume_each_way(), None);
        assert_eq!(session.budget_each_way(), Some(Bytes::new(12_345)));
        assert!(Session::check(unlimited(None), &limits()).is_ok());
        let refused =
            |request, limits: Limits| Session::check(request, &limits).expect_err("refused").reason;
        let rated = Limits { rate_bps: Some(1_000_000_000), ..limits() };
        assert_eq!(refused(unlimited(Some(12_345)), rated), RefusalReason::Limit);
        let capped = Limits { bytes: Some(10_000), ..limits() };
        assert_eq!(refused(unlimited(None), capped), RefusalReason::Limit);
        assert_eq!(refused(unlimited(Some(12_345)), capped), RefusalReason::Limit);
        let mut both = unlimited(None);
        if let Load::Paced { pace_bps, .. } = &mut both.load {
            *pace_bps = 1;
        }
        assert_eq!(refused(both, limits()), RefusalReason::Malformed);
    }

    #[test]
    fn a_burst_is_no_longer_than_what_is_caught_up() {
        for (asked, granted) in [(0, true), (LARGEST_DEBT_NS, true), (LARGEST_DEBT_NS + 1, false)] {
            let mut request = paced(1_000_000_000, 1250);
            if let Load::Paced { burst_ns, .. } = &mut request.load {
                *burst_ns = Some(asked);
            }
            assert_eq!(Session::check(request, &limits()).is_ok(), granted, "{asked}");
        }
    }

    #[test]
    fn refuses_what_makes_no_sense() {
        for (pace, payload) in [(0, 1200), (1_000_000, 31), (1_000_000, 65_508), (1, 1200)] {
            let refusal = Session::check(paced(pace, payload), &limits()).expect_err("refused");
            assert_eq!(refusal.reason, RefusalReason::Malformed);
        }
        for ways in [vec![], vec![Way::Far; 2], vec![Way::Far, Way::Near, Way::Near]] {
            assert!(
                Session::check(SessionRequest { ways, ..paced(1_000_000, 1200) }, &limits())
                    .is_err()
            );
        }
        let greedy =
            SessionRequest { buffer_bytes: Some(64 * 1024 * 1024 + 1), ..paced(1_000_000, 1200) };
        assert!(Session::check(greedy, &limits()).is_err());
    }

    #[test]
    fn refuses_segment_sizes_that_no_kernel_takes() {
        for (bytes, granted) in [(87, false), (88, true), (32_767, true), (32_768, false)] {
            let load = Load::Bulk {
                flows: 1,
                congestion_control: "cubic".to_owned(),
                mss_bytes: Some(bytes),
                dscp: None,
            };
            let request = SessionRequest { load, ..paced(1, 1) };
            assert_eq!(Session::check(request, &limits()).is_ok(), granted, "{bytes}");
        }
    }

    #[test]
    fn refuses_what_exceeds_a_limit() {
        let small = Limits { bytes: Some(1_000_000), ..limits() };
        assert_eq!(
            Session::check(paced(9_600_000, 1200), &small).map_err(|r| r.reason),
            Err(RefusalReason::Limit)
        );
        let short = Limits { duration_ms: 10_999, ..limits() };
        assert_eq!(
            Session::check(paced(9_600_000, 1200), &short).map_err(|r| r.reason),
            Err(RefusalReason::Limit)
        );
        let huge = SessionRequest { settle_ms: u64::MAX, ..paced(9_600_000, 1200) };
        assert_eq!(
            Session::check(huge, &limits()).map_err(|r| r.reason),
            Err(RefusalReason::Limit)
        );
    }

    proptest::proptest! {
        #[test]
        fn no_request_panics(pace: u64, payload: u16, for_ms: u64, settle_ms: u64, step_ms: u32) {
            let request = SessionRequest { for_ms, settle_ms, step_ms, ..paced(pace, payload) };
            let _ = Session::check(request, &limits()).map(|session| session.plateau_numbers());
        }
    }
}
