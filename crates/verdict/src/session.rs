//! Which runs are repeats of each other.

use std::fmt;
use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_record::{Beside, Handover, Kind, PathTaken, Place, RunRecord, Toward};
use culvert_units::{BitRate, Bytes, Dscp, format_duration};
use serde::Serialize;

/// What was asked of a run, as far as runs with another value of it must not be counted together.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize)]
pub struct Session {
    /// TCP or datagrams.
    pub kind: Kind,
    /// TCP flows each way; `null` for datagrams.
    pub flows: Option<u16>,
    /// The congestion control asked for; `null` for datagrams.
    pub congestion_control: Option<String>,
    /// The largest TCP segment asked for, bytes; `null` when the MTU decided.
    pub mss_bytes: Option<u16>,
    /// The mark asked for TCP packets; `null` when the hosts decided.
    pub dscp: Option<Dscp>,
    /// The socket buffer asked for TCP, bytes; `null` when the kernels decided, and for datagrams.
    pub buffer_bytes: Option<u64>,
    /// UDP payload bits per second; `null` for TCP, and for as fast as the host can.
    pub pace_bps: Option<u64>,
    /// UDP payload of each datagram, bytes; `null` for TCP.
    pub payload_bytes: Option<u16>,
    /// The longest burst of datagrams that was asked for, nanoseconds at the pace; `null` for TCP, and when it was left
    /// to the program.
    pub burst_ns: Option<u64>,
    /// How datagrams were asked to be handed to the systems; `null` for TCP, and when each end chose.
    pub handover: Option<Handover>,
    /// What else loaded the path beside a call; `null` for every other kind.
    pub beside: Option<Beside>,
    /// Whether data went both ways at the same time.
    pub both_ways: bool,
}

/// A way to reach the listener; the two address families are never counted together.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize)]
pub struct PathKey {
    /// The practitioner's name for it, else the address that was dialled.
    pub name: String,
    /// Without or through a tunnel; `null` when it was not said.
    pub place: Option<Place>,
    /// The address family of the session's packets.
    pub family: Option<Family>,
    /// The key of the encapsulation it is believed to use.
    pub encapsulation: Option<String>,
}

impl Session {
    /// The session a run was one repeat of.
    pub fn of(run: &RunRecord) -> Self {
        Self {
            kind: run.kind,
            flows: run.asked.flows,
            congestion_control: run.asked.congestion_control.clone(),
            mss_bytes: run.asked.mss_bytes,
            dscp: run.asked.dscp,
            buffer_bytes: run.asked.buffer_bytes.filter(|_| run.kind == Kind::Bulk),
            pace_bps: run.asked.pace_bps,
            payload_bytes: run.asked.payload_bytes,
            burst_ns: run.asked.burst_ns,
            handover: run.asked.handover.filter(|handover| !handover.is_auto()),
            beside: run.call.as_ref().map(|call| call.beside),
            both_ways: run.asked.toward == Toward::Both,
        }
    }
}

impl fmt::Display for Session {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words = match self.kind {
            Kind::Bulk => vec!["bulk".to_owned()],
            Kind::Paced => vec!["paced".to_owned()],
            Kind::Calls => vec!["calls".to_owned()],
        };
        words.extend(self.flows.map(|flows| match flows {
            1 => "1 flow".to_owned(),
            _ => format!("{flows} flows"),
        }));
        let unusual = self.congestion_control.as_ref().filter(|name| *name != USUAL_CONTROL);
        words.extend(unusual.cloned());
        words.extend(self.mss_bytes.map(|bytes| format!("MSS {bytes}")));
        words.extend(self.dscp.map(|dscp| format!("DSCP {dscp}")));
        words.extend(self.buffer_bytes.map(|bytes| format!("buffer {}", Bytes::new(bytes))));
        words.extend(match (self.kind, self.pace_bps) {
            (_, Some(bps)) => Some(BitRate::from_bits_per_second(bps).to_string()),
            (Kind::Paced, None) => Some("unlimited".to_owned()),
            (Kind::Bulk | Kind::Calls, None) => None,
        });
        words.extend(self.payload_bytes.map(|bytes| format!("{bytes} B")));
        words
            .extend(self.burst_ns.map(|burst| {
                format!("bursts of {}", format_duration(Duration::from_nanos(burst)))
            }));
        words.extend(self.handover.and_then(in_words));
        words.extend(self.beside.and_then(|beside| match beside {
            Beside::Alone => None,
            Beside::BulkTowardFar => Some("beside bulk toward far".to_owned()),
            Beside::BulkTowardNear => Some("beside bulk toward near".to_owned()),
        }));
        if self.both_ways {
            words.push("both ways at once".to_owned());
        }
        f.pad(&words.join(", "))
    }
}

fn in_words(handover: Handover) -> Option<String> {
    let word = match handover {
        Handover::Segmented => "segmented",
        Handover::Batched => "batched",
        Handover::Single => "single",
        Handover::Auto => return None,
    };
    Some(word.to_owned())
}

/// The congestion control both ends use unless another is asked for; not worth a word.
const USUAL_CONTROL: &str = "cubic";

impl PathKey {
    /// The path a run was asked to take.
    pub fn of(run: &RunRecord) -> Self {
        Self::taken(&run.path, run.family)
    }

    /// The path that a session in this family was asked to take.
    pub(crate) fn taken(path: &PathTaken, family: Option<Family>) -> Self {
        Self {
            name: path.name.clone().unwrap_or_else(|| path.target.clone()),
            place: path.place,
            family,
            encapsulation: path.encapsulation.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PACED: &str = include_str!("../../record/src/samples/paced.json");

    fn asked(change: impl FnOnce(&mut RunRecord)) -> Session {
        let mut run: RunRecord = serde_json::from_str(PACED).expect("the sample");
        change(&mut run);
        Session::of(&run)
    }

    #[test]
    fn runs_with_other_bursts_or_handed_over_otherwise_are_no_repeats() {
        let usual = asked(|_| {});
        let unsaid = asked(|run| run.asked.handover = None);
        assert_eq!(unsaid, usual, "older records do not say so");
        let bursts = asked(|run| run.asked.burst_ns = Some(2_000_000));
        let single = asked(|run| run.asked.handover = Some(Handover::Single));
        let unlimited = asked(|run| run.asked.pace_bps = None);
        let words = [&usual, &bursts, &single, &unlimited].map(ToString::to_string);
        for (index, word) in words.iter().enumerate() {
            assert!(!words[..index].contains(word), "{words:?}");
        }
        assert!(words[1].ends_with("bursts of 2ms") && words[2].ends_with("single"), "{words:?}");
    }
}
