//! The instrument's certificate: what the two programs can do and see on one host, and what a run quotes of it.

use culvert_stats::Percentiles;
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The name and version of the certificate's format, the value of [`Certificate::schema`].
pub const CERTIFICATE_SCHEMA: &str = "culvert/certificate/1";

/// What the programs reach and see on one host. What could not be measured is `null`, and `notes` says why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Certificate {
    /// The name and version of the format: [`CERTIFICATE_SCHEMA`].
    pub schema: String,
    /// Identifies the certificate: 32 hexadecimal digits.
    pub id: String,
    /// When it was made (RFC 3339).
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub made_at: Timestamp,
    /// What was certified, and where.
    pub of: Instrument,
    /// What lay between the programs for all but the two rates, whose path is loopback always.
    pub over: Between,
    /// Goodput of one TCP flow over loopback, both programs on this host: no network card's work is in it.
    pub tcp: Option<Reached>,
    /// Delivered by unpaced datagrams of 1400 bytes over loopback, both programs on this host; likewise.
    pub udp: Option<Reached>,
    /// How long after they were due paced datagrams left, microseconds.
    pub lateness_us: Option<Percentiles>,
    /// How far the reading of one clock lies from that of the other at most, nanoseconds: what is added where a kernel's
    /// receive time is held against the program's own clock.
    pub clock_reading_ns: Option<Percentiles>,
    /// Round trips of the probe flow above what the path truly takes, microseconds: what the times of both ends, and on
    /// an emulated path the emulation, add.
    pub round_trip_error_us: Option<Percentiles>,
    /// PDV (RFC 5481) of paced datagrams on a path that has none, microseconds: what is smaller cannot be seen.
    pub variation_floor_us: Option<Percentiles>,
    /// How late the emulated path itself let the datagrams go: a part of the two figures above that is not the programs'.
    pub emulation_lateness: Option<Lateness>,
    /// Goodput on a line of known rate.
    pub known_line: Option<KnownLine>,
    /// What was not measured, and why.
    pub notes: Vec<String>,
}

/// The program and the host it runs on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Instrument {
    /// The program and its version.
    pub program: String,
    /// The host's name.
    pub host: Option<String>,
    /// The operating system and its release.
    pub system: Option<String>,
    /// The processor's model name.
    pub processor: Option<String>,
    /// Processors that the program may use.
    pub processors: Option<u64>,
}

/// What lies between the two programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Between {
    /// An emulated path with known truth.
    EmulatedPath,
    /// This host's loopback interface.
    Loopback,
}

/// A rate that was reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Reached {
    /// Payload, bit/s.
    pub bps: u64,
    /// Steps of the series over which it is the mean, or datagrams that arrived.
    pub n: u64,
}

/// How late an emulated path let packets go.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Lateness {
    /// Packets of the loaded way.
    pub n: u64,
    /// The 50th percentile, microseconds.
    pub p50_us: f64,
    /// The 99th percentile, microseconds.
    pub p99_us: f64,
}

/// Goodput on a line of known rate, beside what its headers leave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KnownLine {
    /// The line's rate, bit/s.
    pub line_bps: u64,
    /// What the headers leave of it, bit/s.
    pub ceiling_bps: u64,
    /// TCP's goodput, bit/s.
    pub goodput_bps: u64,
    /// The goodput's distance from the ceiling, as a share of the ceiling; below it when negative.
    pub off: f64,
    /// Steps of the series over which the goodput is the mean.
    pub n: u64,
}

/// What a run quotes of the near end's certificate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct QuotedCertificate {
    /// Its [`Certificate::id`].
    pub certificate: String,
    /// When it was made (RFC 3339).
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub made_at: Timestamp,
    /// What lay between the programs.
    pub over: Between,
    /// The rate that TCP reached, bit/s.
    pub tcp_bps: Option<u64>,
    /// The rate that datagrams reached, bit/s.
    pub udp_bps: Option<u64>,
    /// Paced datagrams left so late at most in 99 of 100 cases, microseconds.
    pub lateness_p99_us: Option<i64>,
    /// The two clocks' readings lay so far apart at most in 99 of 100 cases, nanoseconds.
    pub clock_reading_p99_ns: Option<i64>,
    /// PDV's 50th percentile on a path without any, microseconds.
    pub variation_floor_p50_us: Option<i64>,
    /// PDV's 99th percentile on a path without any, microseconds.
    pub variation_floor_p99_us: Option<i64>,
    /// Goodput's distance from the ceiling of a known line, as a share of the ceiling.
    pub known_line_off: Option<f64>,
}

/// Why a certificate is not quoted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotQuoted {
    /// It is none, or of a format that this version does not know.
    #[error("it is damaged or none: {0}")]
    Damaged(String),
    /// Something has changed since.
    #[error("{what} was {then} then and is {now} now")]
    Changed {
        /// What has changed.
        what: &'static str,
        /// What it was.
        then: String,
        /// What it is.
        now: String,
    },
}

impl Certificate {
    /// Reads one that was stored.
    pub fn parse(json: &[u8]) -> Result<Self, NotQuoted> {
        let damaged = |error: serde_json::Error| NotQuoted::Damaged(error.to_string());
        let certificate: Self = serde_json::from_slice(json).map_err(damaged)?;
        if certificate.schema == CERTIFICATE_SCHEMA {
            Ok(certificate)
        } else {
            let text = format!("its format is not {CERTIFICATE_SCHEMA}");
            Err(NotQuoted::Damaged(text))
        }
    }

    /// What a run by `now` may quote: another version, host, kernel or processor is another instrument.
    pub fn quote(&self, now: &Instrument) -> Result<QuotedCertificate, NotQuoted> {
        let known = |text: &Option<String>| text.clone().unwrap_or_else(|| "unknown".to_owned());
        let count = |count: Option<u64>| known(&count.map(|count| count.to_string()));
        let pairs = [
            ("the program", self.of.program.clone(), now.program.clone()),
            ("the host", known(&self.of.host), known(&now.host)),
            ("the kernel", known(&self.of.system), known(&now.system)),
            ("the processor", known(&self.of.processor), known(&now.processor)),
            ("the count of processors", count(self.of.processors), count(now.processors)),
        ];
        let changed = pairs.into_iter().find(|(_, then, now)| then != now);
        changed.map_or_else(
            || Ok(self.bounds()),
            |(what, then, now)| Err(NotQuoted::Changed { what, then, now }),
        )
    }

    fn bounds(&self) -> QuotedCertificate {
        let p99 = |of: Option<Percentiles>| of.map(|values| values.p99);
        QuotedCertificate {
            certificate: self.id.clone(),
            made_at: self.made_at,
            over: self.over,
            tcp_bps: self.tcp.map(|reached| reached.bps),
            udp_bps: self.udp.map(|reached| reached.bps),
            lateness_p99_us: p99(self.lateness_us),
            clock_reading_p99_ns: p99(self.clock_reading_ns),
            variation_floor_p50_us: self.variation_floor_us.map(|floor| floor.p50),
            variation_floor_p99_us: p99(self.variation_floor_us),
            known_line_off: self.known_line.map(|line| line.off),
        }
    }
}

impl KnownLine {
    /// From the line's rate, its ceiling and the goodput; `None` without a ceiling.
    pub fn new(line_bps: u64, ceiling_bps: u64, goodput_bps: u64, n: u64) -> Option<Self> {
        let off = (goodput_bps as f64 - ceiling_bps as f64) / ceiling_bps as f64;
        off.is_finite().then_some(Self { line_bps, ceiling_bps, goodput_bps, off, n })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    fn stored() -> Certificate {
        Certificate::parse(samples::CERTIFICATE.as_bytes()).expect("a certificate")
    }

    #[test]
    fn a_hand_typed_certificate_survives_the_round_trip() {
        let typed: serde_json::Value = serde_json::from_str(samples::CERTIFICATE).expect("JSON");
        assert_eq!(serde_json::to_value(stored()).expect("JSON"), typed);
    }

    #[test]
    fn the_same_instrument_quotes_the_bounds() {
        let quoted = stored().quote(&stored().of).expect("the same instrument");
        assert_eq!(quoted.certificate, "00112233445566778899aabbccddeeff");
        assert_eq!((quoted.tcp_bps, quoted.udp_bps), (Some(9_000_000_000), Some(3_000_000_000)));
        assert_eq!(
            (quoted.variation_floor_p50_us, quoted.variation_floor_p99_us),
            (Some(20), Some(90))
        );
        assert_eq!((quoted.lateness_p99_us, quoted.clock_reading_p99_ns), (Some(15), Some(40)));
        assert_eq!(quoted.known_line_off, Some(-0.0025));
    }

    #[test]
    fn what_was_not_measured_is_not_quoted_as_nothing() {
        let mut certificate = stored();
        (certificate.tcp, certificate.variation_floor_us) = (None, None);
        let quoted = certificate.quote(&stored().of).expect("the same instrument");
        assert_eq!((quoted.tcp_bps, quoted.variation_floor_p99_us), (None, None));
    }

    type Change = fn(&mut Instrument);

    #[test]
    fn another_instrument_quotes_nothing() {
        let changes: [(&str, Change); 5] = [
            ("the program", |now| "culvert 0.2.0".clone_into(&mut now.program)),
            ("the host", |now| now.host = Some("barn".to_owned())),
            ("the kernel", |now| now.system = None),
            ("the processor", |now| now.processor = Some("another".to_owned())),
            ("the count of processors", |now| now.processors = Some(3)),
        ];
        for (changed, change) in changes {
            let mut now = stored().of;
            change(&mut now);
            match stored().quote(&now) {
                Err(NotQuoted::Changed { what, .. }) => assert_eq!(what, changed),
                other => panic!("{changed}: {other:?}"),
            }
        }
    }

    #[test]
    fn what_is_no_certificate_says_so() {
        let later = samples::CERTIFICATE.replace("certificate/1", "certificate/2");
        let torn = samples::CERTIFICATE.get(..200).expect("longer");
        for text in ["", "null", "[]", "{}", torn, &later] {
            let outcome = Certificate::parse(text.as_bytes());
            assert!(matches!(outcome, Err(NotQuoted::Damaged(_))), "{text}: {outcome:?}");
        }
    }

    /// 1448 of 1538 bytes of 100 Mbit/s (RFC 6349 section 4.1.1) are 94.148 Mbit/s; 1 % less is 93.2066.
    #[test]
    fn off_is_a_share_of_the_ceiling() {
        let line = KnownLine::new(100_000_000, 94_148_244, 93_206_762, 40).expect("a line");
        assert!((line.off + 0.01).abs() < 1e-6, "{line:?}");
        assert_eq!(KnownLine::new(100_000_000, 0, 1, 40), None);
    }
}
