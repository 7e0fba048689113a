//! What can befall a packet in one direction of a path.

use std::{
    num::{NonZeroU32, NonZeroU64},
    time::Duration,
};

use culvert_pathmodel::Link;
use culvert_units::{BitRate, Bytes, Mtu};
use serde::Serialize;

/// What one direction does to its packets, in the order of the fields; by default nothing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Conditions {
    /// The longest IP packet, as the hosts send it, that passes; the MTU of the path bounds it too.
    pub longest_packet: Option<Mtu>,
    /// What becomes of longer ones.
    pub too_long: TooLong,
    /// A rate limiter that drops what exceeds it.
    pub policer: Option<Policer>,
    /// A gateway with one busy core.
    pub gateway: Option<Gateway>,
    /// The line with its rate and queue.
    pub line: Option<Line>,
    /// What is lost behind the line, having taken its time on it.
    pub loss: Loss,
    /// How long every packet travels at least.
    #[serde(rename = "delay_s", serialize_with = "in_seconds")]
    pub delay: Duration,
    /// What is added to the delay; it never changes the order of packets.
    pub jitter: Jitter,
    /// Packets that are held back, so that later ones overtake them.
    pub reorder: Option<Reorder>,
    /// Packets that arrive twice.
    pub duplicate: Choice,
}

/// Conditions from some time on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Nanoseconds since the path began.
    pub at_ns: u64,
    /// What holds for packets that come from then on. Of those that came before, each that the line or the gateway has
    /// not finished is finished at the new rate, at once where there is none any more; whether they are lost, how long
    /// they travel and that they were let into a queue stays as it was decided when they came.
    pub conditions: Conditions,
}

/// What becomes of a packet that is too long to pass.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TooLong {
    /// As a router does: split where the packet allows it, else dropped and its sender told (RFC 1191, RFC 8201).
    #[default]
    Answer,
    /// Dropped, and nobody is told: a black hole (RFC 2923 section 2.1).
    Silence,
}

/// A token bucket: filled at `rate`, never above `burst`; a packet passes when the bucket holds its length.
///
/// It counts whole IP packets, headers of a tunnel included and those of the link not (RFC 2697 section 2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Policer {
    /// How fast the bucket fills.
    pub rate: BitRate,
    /// What the bucket holds at most, and in the beginning.
    pub burst: Bytes,
}

/// A server that handles one packet after the other: each takes a share of a second and, per byte, of another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Gateway {
    /// How many packets without any bytes it would handle in a second; `None` when packets cost nothing.
    pub packets_per_second: Option<NonZeroU32>,
    /// How many bits of IP packets, as the hosts send them, it would handle in a second; `None` when bytes cost nothing.
    pub bits_per_second: Option<NonZeroU64>,
    /// What waits for it at most; it counts IP packets as the hosts send them.
    pub queue: QueueLimit,
    /// Whether one core with one queue serves both directions; each has its own otherwise. Both directions must then
    /// have the same gateway.
    pub shared: bool,
}

/// A link that sends one packet after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Line {
    /// Its rate and what that counts.
    pub link: Link,
    /// What waits for it at most; it counts IP packets, headers of a tunnel included.
    pub queue: QueueLimit,
}

/// How much may wait; what comes on top is dropped. A packet that is being handled does not wait any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum QueueLimit {
    /// So many bytes of IP packets.
    Bytes(Bytes),
    /// Packets that would wait no longer than this.
    Time(Duration),
}

/// Which packets something happens to.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Choice {
    /// None.
    #[default]
    Never,
    /// Each by itself with this probability, from 0 to 1.
    Ratio(f64),
    /// Exactly every n-th.
    OneIn(NonZeroU64),
}

/// Which packets are lost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Loss {
    /// Those chosen one by one.
    Single(Choice),
    /// In bursts.
    Bursts(GilbertElliott),
}

/// Two states with a loss probability each, and the probabilities to change between them at each packet.
///
/// E. N. Gilbert, "Capacity of a burst-noise channel", 1960; E. O. Elliott, "Estimates of error rates for codes on
/// burst-noise channels", 1963. It begins in the good state. All values lie from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GilbertElliott {
    /// From good to bad.
    pub enter: f64,
    /// From bad to good.
    pub leave: f64,
    /// The loss probability in the good state.
    #[serde(default)]
    pub loss_in_good: f64,
    /// The loss probability in the bad state.
    #[serde(default = "whole")]
    pub loss_in_bad: f64,
}

/// What is added to the delay.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Jitter {
    /// Nothing.
    #[default]
    None,
    /// Anything from zero to this, all equally likely.
    Uniform(Duration),
    /// Bell-shaped: the sum of twelve uniform variables, so never more than six deviations from the mean; less than
    /// nothing counts as nothing.
    Normal {
        /// The mean.
        mean: Duration,
        /// The standard deviation.
        deviation: Duration,
    },
}

/// Packets that are held back.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reorder {
    /// Which.
    pub choice: Choice,
    /// For how long, on top of their place in the order.
    #[serde(rename = "by_s", serialize_with = "in_seconds")]
    pub by: Duration,
}

impl Default for Conditions {
    fn default() -> Self {
        Self {
            longest_packet: None,
            too_long: TooLong::Answer,
            policer: None,
            gateway: None,
            line: None,
            loss: Loss::Single(Choice::Never),
            delay: Duration::ZERO,
            jitter: Jitter::None,
            reorder: None,
            duplicate: Choice::Never,
        }
    }
}

impl GilbertElliott {
    /// The share of packets lost in the long run: the loss of each state by the share of packets that meet it.
    ///
    /// The share of the bad state is enter / (enter + leave), the stationary distribution of the two-state chain;
    /// `None` when neither state is ever left, as then it depends on the beginning.
    pub fn mean_loss(&self) -> Option<f64> {
        let either = self.enter + self.leave;
        let bad = self.enter / either;
        (either > 0.0).then_some(bad * self.loss_in_bad + (1.0 - bad) * self.loss_in_good)
    }
}

const fn whole() -> f64 {
    1.0
}

fn in_seconds<S: serde::Serializer>(duration: &Duration, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_f64(duration.as_secs_f64())
}
