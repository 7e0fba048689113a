//! The configuration as typed.

use std::{
    net::IpAddr,
    num::{NonZeroU32, NonZeroU64},
    str::FromStr,
    time::Duration,
};

use culvert_pathmodel::{Counted, Encapsulation, Family, Framing};
use culvert_units::{BitRate, Bytes, Mtu, ParseQuantityError, parse_duration};
use serde::{Deserialize, Deserializer, de};

use crate::{GilbertElliott, QueueLimit, TooLong};

pub(super) fn read(text: &str) -> Result<Lab, String> {
    if text.trim_start().starts_with('{') {
        return serde_json::from_str(text).map_err(|error| error.to_string());
    }
    toml::from_str(text).map_err(|error| {
        let offset = error.span().map_or(text.len(), |span| span.start);
        let line = text.get(..offset).map_or(0, |before| before.matches('\n').count()) + 1;
        let problem = error.message().lines().collect::<Vec<_>>().join(", ");
        format!("line {line}: {problem}")
    })
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Lab {
    pub(super) seed: Option<u64>,
    pub(super) host_mtu: Option<Mtu>,
    pub(super) paths: Vec<Path>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Path {
    pub(super) name: String,
    pub(super) near: IpAddr,
    pub(super) far: IpAddr,
    pub(super) encapsulation: Option<Encapsulation>,
    pub(super) outer_family: Option<Family>,
    pub(super) underlay_mtu: Option<Mtu>,
    pub(super) mtu: Option<Mtu>,
    #[serde(default)]
    pub(super) both_ways: Way,
    #[serde(default)]
    pub(super) toward_far: Way,
    #[serde(default)]
    pub(super) toward_near: Way,
    #[serde(default)]
    pub(super) changes: Vec<Change>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Change {
    pub(super) at: Text<Time>,
    #[serde(default)]
    pub(super) both_ways: Way,
    #[serde(default)]
    pub(super) toward_far: Way,
    #[serde(default)]
    pub(super) toward_near: Way,
}

/// One direction, or what is different in it.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Way {
    pub(super) longest_packet: Option<Mtu>,
    pub(super) too_long: Option<TooLong>,
    pub(super) policer: Option<Policer>,
    pub(super) gateway: Option<Gateway>,
    pub(super) rate: Option<Text<BitRate>>,
    pub(super) framing: Option<Framing>,
    pub(super) counted: Option<Counted>,
    pub(super) queue: Option<Text<QueueLimit>>,
    pub(super) loss: Option<Loss>,
    pub(super) delay: Option<Text<Time>>,
    pub(super) jitter: Option<Jitter>,
    pub(super) reorder: Option<Reorder>,
    pub(super) duplicate: Option<Choice>,
    pub(super) without: Vec<Part>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Policer {
    pub(super) rate: Text<BitRate>,
    pub(super) burst: Text<Bytes>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Gateway {
    pub(super) packets_per_second: Option<NonZeroU32>,
    pub(super) rate: Option<Text<BitRate>>,
    pub(super) queue: Option<Text<QueueLimit>>,
    #[serde(default)]
    pub(super) shared: bool,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Choice {
    Never,
    Ratio(f64),
    OneIn(NonZeroU64),
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Loss {
    Never,
    Ratio(f64),
    OneIn(NonZeroU64),
    Bursts(GilbertElliott),
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Jitter {
    None,
    Uniform(Text<Time>),
    Normal { mean: Text<Time>, deviation: Text<Time> },
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Reorder {
    pub(super) ratio: Option<f64>,
    pub(super) one_in: Option<NonZeroU64>,
    pub(super) by: Text<Time>,
}

/// What can end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Part {
    LongestPacket,
    Policer,
    Gateway,
    Rate,
    Reorder,
}

impl Way {
    /// These keys where they are given, else those of `base`.
    pub(super) fn or(&self, base: &Self) -> Self {
        let kept = |part| !self.without.contains(&part);
        Self {
            longest_packet: self
                .longest_packet
                .or_else(|| base.longest_packet.filter(|_| kept(Part::LongestPacket))),
            too_long: self.too_long.or(base.too_long),
            policer: self.policer.or_else(|| base.policer.filter(|_| kept(Part::Policer))),
            gateway: self.gateway.or_else(|| base.gateway.filter(|_| kept(Part::Gateway))),
            rate: self.rate.or_else(|| base.rate.filter(|_| kept(Part::Rate))),
            framing: self.framing.or(base.framing),
            counted: self.counted.or(base.counted),
            queue: self.queue.or(base.queue),
            loss: self.loss.or(base.loss),
            delay: self.delay.or(base.delay),
            jitter: self.jitter.or(base.jitter),
            reorder: self.reorder.or_else(|| base.reorder.filter(|_| kept(Part::Reorder))),
            duplicate: self.duplicate.or(base.duplicate),
            without: Vec::new(),
        }
    }
}

/// A value that is written as a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Text<T>(pub(super) T);

impl<'de, T: FromStr<Err: std::fmt::Display>> Deserialize<'de> for Text<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map(Self).map_err(de::Error::custom)
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Time(pub(super) Duration);

impl FromStr for Time {
    type Err = ParseQuantityError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        parse_duration(text).map(Self)
    }
}

impl FromStr for QueueLimit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let as_bytes = text.parse().map(QueueLimit::Bytes);
        as_bytes.or_else(|_| parse_duration(text).map(QueueLimit::Time)).map_err(|_| {
            format!("'{text}' is neither a time such as 50ms nor an amount such as 250kB")
        })
    }
}
