//! What weakens a result, and what makes it worthless.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::Way;

/// A caveat or void reason as it is stored: a code and its values.
///
/// Codes of later versions stay readable: [`Caveat::from_finding`] gives `None` for them and the finding is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Which caveat or reason.
    pub code: String,
    /// Its values by name.
    #[serde(default)]
    pub values: Map<String, Value>,
}

/// Something that weakens a result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "code", content = "values", rename_all = "snake_case")]
pub enum Caveat {
    /// The receiver's own socket dropped datagrams: they are counted among the lost, and are not the path's loss.
    HostDropped {
        /// The way the data went.
        toward: Way,
        /// Datagrams the socket dropped.
        host_dropped: u64,
        /// All that were counted as lost.
        lost: u64,
    },
    /// The transmitter put less on the path than it was asked to.
    PaceMissed {
        /// The way the data went.
        toward: Way,
        /// Payload bits per second asked.
        asked_bps: u64,
        /// Payload bits per second offered.
        offered_bps: u64,
    },
    /// The kernel granted a smaller socket buffer than was asked.
    BufferCapped {
        /// The way the data went.
        toward: Way,
        /// Bytes asked.
        asked_bytes: u64,
        /// Bytes granted.
        granted_bytes: u64,
    },
    /// No round trip of the probe flow came back: UDP does not pass although TCP does.
    ProbesUnanswered {
        /// Probes sent.
        sent: u64,
    },
    /// UDP does not pass although TCP does: round trips were taken over a connection of their own.
    ProbesByTcp {
        /// Requests to prove an address that nobody answered.
        unanswered: u64,
    },
    /// Data was still on its way when the bound for draining ran out.
    DrainCutShort {
        /// The way the data went.
        toward: Way,
        /// Bytes that were not acknowledged.
        unacknowledged_bytes: u64,
    },
    /// The transmitter stalled, and the time was taken out of its schedule instead of being caught up in a burst.
    PaceDebtDropped {
        /// The way the data went.
        toward: Way,
        /// How much time, milliseconds.
        dropped_ms: u64,
    },
    /// Pacing failed: what left missed the pace in too many steps, or left late.
    PaceUneven {
        /// The way the data went.
        toward: Way,
        /// Steps of 100 ms in which what left missed the pace by more than 0.5 %.
        uneven_steps: u64,
        /// All steps.
        steps: u64,
        /// How late one in a hundred bursts left at least, microseconds.
        late_us: i64,
    },
    /// The transmitter's own host had no room for datagrams: they waited there, or the pace was missed.
    HostQueueFull {
        /// The way the data went.
        toward: Way,
        /// How often a queue or the socket's buffer was full.
        times: u64,
    },
    /// Delay figures are those of the first datagram of each burst.
    DelayOfBurstHeads {
        /// The way the data went.
        toward: Way,
        /// Datagrams that were timed.
        timed: u64,
        /// Datagrams that arrived.
        received: u64,
    },
    /// Datagrams arrived too far behind the newest to be told from further copies: they count as lost.
    TooLate {
        /// The way the data went.
        toward: Way,
        /// How many.
        late: u64,
    },
    /// Datagrams were refused: a wrong tag, length or number.
    RefusedDatagrams {
        /// The way the data went.
        toward: Way,
        /// How many.
        refused: u64,
    },
    /// A peer's UDP port changed during the run: a NAT forgot its mapping.
    PortChanged {
        /// How often.
        times: u32,
    },
    /// A wall clock stepped during the run: the delay figures are withheld.
    ClockStepped {
        /// The way the data went.
        toward: Way,
        /// The step, microseconds.
        step_us: i64,
    },
    /// The rate had not become steady within the settle time.
    NotSteady {
        /// The way the data went.
        toward: Way,
        /// The settle time that was cut away, milliseconds.
        settle_ms: u64,
    },
    /// A core of this end was full: the result may be the tester's own limit.
    CoreFull {
        /// `near` or `far`.
        end: Way,
        /// The core's number.
        core: u32,
        /// Its busy share.
        busy: f64,
    },
    /// The listener runs on the same host.
    SameHost {},
    /// The transmitter's host does not let its user choose the congestion control that was asked.
    CongestionControlNotAllowed {
        /// The way the data went.
        toward: Way,
        /// What was asked.
        asked: String,
        /// What was used.
        used: String,
    },
    /// Segments had another size than was asked for: the MTU or the peer left less room.
    SegmentSizeOther {
        /// The way the data went.
        toward: Way,
        /// The MSS asked, bytes.
        asked_bytes: u64,
        /// The MSS used, bytes.
        used_bytes: u64,
    },
    /// Packets left with another mark than was asked for.
    MarkOther {
        /// The way the data went.
        toward: Way,
        /// The codepoint asked.
        asked: u8,
        /// The codepoint used.
        used: u8,
    },
    /// The receiving host acknowledged data that its program had not read when its time was over.
    AcknowledgedUnread {
        /// The way the data went.
        toward: Way,
        /// Bytes acknowledged beyond those read.
        bytes: u64,
    },
    /// A window of an end, not the path, held the transmitter back for much of the time in which it had data to send.
    WindowLimited {
        /// The way the data went.
        toward: Way,
        /// Whose: the receiving end's receive window, or the transmitting end's send buffer.
        limit: WindowLimit,
        /// The share of the busy time over the plateau.
        share: f64,
    },
    /// Datagrams were too large for the path to carry whole.
    DatagramsRefused {
        /// The way the data went.
        toward: Way,
        /// Datagrams the system refused to send.
        refused: u64,
    },
}

/// Which window held TCP back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WindowLimit {
    /// The window that the receiver gave.
    ReceiveWindow,
    /// The transmitter's send buffer.
    SendBuffer,
}

/// Something that makes a result worthless; the run is kept, marked and never counted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "code", content = "values", rename_all = "snake_case")]
pub enum VoidReason {
    /// An inside run left by the same interface and addresses as the outside run.
    SameWayAsOutside {
        /// The near end's address in both.
        address: String,
        /// Its interface in both.
        interface: String,
        /// The address the far end saw in both.
        seen_from: String,
    },
    /// The control connection broke before the result was complete.
    ControlLost {
        /// What happened.
        cause: String,
    },
    /// The listener ended the session: its invite was revoked, or its host failed.
    EndedByListener {
        /// What it said.
        cause: String,
    },
    /// An end's account lacks what it transmitted or received.
    AccountIncomplete {
        /// The way the data went.
        toward: Way,
    },
    /// The transmitter sent more than the budget allows; the receiver stopped reading.
    BudgetExceeded {
        /// The way the data went.
        toward: Way,
        /// The budget of that way, bytes.
        at_most_bytes: u64,
    },
    /// The practitioner stopped it.
    Interrupted {},
    /// No payload arrived.
    NothingArrived {
        /// The way the data should have gone.
        toward: Way,
    },
    /// The data ended before the plateau did.
    EndedEarly {
        /// The way the data went.
        toward: Way,
        /// When the last byte came, milliseconds.
        last_ms: u64,
        /// When the plateau should have ended, milliseconds.
        wanted_ms: u64,
    },
    /// The two ends' counts contradict each other.
    CountsContradict {
        /// The way the data went.
        toward: Way,
        /// What the transmitter says it sent, bytes or datagrams.
        sent: u64,
        /// What the receiver says it received.
        received: u64,
    },
    /// The byte budget ran out before the plateau was complete.
    BudgetSpent {
        /// The budget, bytes.
        at_most_bytes: u64,
    },
    /// A transmitter had to stop before its time.
    TransmitterFailed {
        /// What happened.
        cause: String,
    },
}

impl Caveat {
    /// The caveat as it is stored.
    pub fn to_finding(&self) -> Finding {
        store(self)
    }

    /// Reads a stored finding; `None` for a code this version does not know.
    pub fn from_finding(finding: &Finding) -> Option<Self> {
        read(finding)
    }
}

impl VoidReason {
    /// The reason as it is stored.
    pub fn to_finding(&self) -> Finding {
        store(self)
    }

    /// Reads a stored finding; `None` for a code this version does not know.
    pub fn from_finding(finding: &Finding) -> Option<Self> {
        read(finding)
    }
}

pub(crate) fn store(value: &impl Serialize) -> Finding {
    serde_json::to_value(value)
        .and_then(serde_json::from_value)
        .unwrap_or_else(|error| unreachable!("a finding is a code with named values: {error}"))
}

pub(crate) fn read<T: for<'de> Deserialize<'de>>(finding: &Finding) -> Option<T> {
    serde_json::to_value(finding).and_then(serde_json::from_value).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stores_code_and_values() {
        let caveat = Caveat::HostDropped { toward: Way::Far, host_dropped: 3, lost: 5 };
        let finding = caveat.to_finding();
        assert_eq!(finding.code, "host_dropped");
        assert_eq!(finding.values["lost"], 5);
        assert_eq!(Caveat::from_finding(&finding), Some(caveat));
        assert_eq!(Caveat::SameHost {}.to_finding().code, "same_host");
    }

    #[test]
    fn an_unknown_code_is_kept_not_understood() {
        let finding: Finding =
            serde_json::from_str(r#"{"code":"later","values":{"x":1}}"#).expect("a finding");
        assert_eq!(Caveat::from_finding(&finding), None);
    }
}
