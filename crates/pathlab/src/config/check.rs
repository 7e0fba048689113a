//! From the configuration as typed to one that can be built.

use std::{collections::HashSet, net::IpAddr, num::NonZeroU64, time::Duration};

use culvert_pathmodel::{Counted, Family, Framing, Link, ModelError};
use culvert_units::{BitRate, Mtu, format_duration};

use super::{ConfigError, Lab, LabPath, MOST_PATHS, typed};
use crate::{
    Change, Choice, Conditions, Gateway, Jitter, Line, Loss, PathConfig, Policer, QueueLimit,
    Reorder, Tunnel, way::nanoseconds,
};

pub(super) fn lab(typed: typed::Lab) -> Result<Lab, ConfigError> {
    let found = typed.paths.len();
    if !(1..=MOST_PATHS).contains(&found) {
        return Err(ConfigError::PathCount { found, most: MOST_PATHS });
    }
    let host_mtu = typed.host_mtu.unwrap_or(Mtu::ETHERNET);
    let (mut names, mut addresses) = (HashSet::new(), HashSet::new());
    let mut paths = Vec::new();
    for typed in typed.paths {
        if typed.name.trim().is_empty() || !names.insert(typed.name.clone()) {
            return Err(ConfigError::Name { name: typed.name });
        }
        check_addresses(&typed, &mut addresses)?;
        paths.push(Checked { typed: &typed, host_mtu }.path()?);
    }
    Ok(Lab { seed: typed.seed.unwrap_or(1), host_mtu, paths })
}

fn check_addresses(path: &typed::Path, taken: &mut HashSet<IpAddr>) -> Result<(), ConfigError> {
    let typed::Path { near, far, .. } = *path;
    let unusable = |address: IpAddr| {
        address.is_unspecified() || address.is_multicast() || address.is_loopback()
    };
    if near.is_ipv4() != far.is_ipv4() || unusable(near) || unusable(far) {
        return Err(ConfigError::Addresses { path: path.name.clone(), near, far });
    }
    for address in [near, far] {
        if !taken.insert(address) {
            return Err(ConfigError::AddressTaken { path: path.name.clone(), address });
        }
    }
    Ok(())
}

struct Checked<'a> {
    typed: &'a typed::Path,
    host_mtu: Mtu,
}

impl Checked<'_> {
    fn path(&self) -> Result<LabPath, ConfigError> {
        let typed = self.typed;
        let tunnel = self.tunnel()?;
        let mtu = self.mtu(tunnel.as_ref())?;
        let toward_far = self.changes(mtu, &typed.toward_far, |change| &change.toward_far)?;
        let toward_near = self.changes(mtu, &typed.toward_near, |change| &change.toward_near)?;
        self.check_shared(&toward_far, &toward_near)?;
        Ok(LabPath {
            name: typed.name.clone(),
            near: typed.near,
            far: typed.far,
            config: PathConfig { tunnel, mtu, toward_far, toward_near },
        })
    }

    fn tunnel(&self) -> Result<Option<Tunnel>, ConfigError> {
        let typed = self.typed;
        let Some(encapsulation) = typed.encapsulation.clone().filter(|one| !one.is_plain()) else {
            return Ok(None);
        };
        if encapsulation.is_stream() {
            let key = encapsulation.key().to_owned();
            return Err(ConfigError::Stream { path: typed.name.clone(), key });
        }
        let framing = typed.both_ways.framing.unwrap_or(Framing::Ethernet);
        let outer_family = typed.outer_family.unwrap_or(Family::Ipv4);
        let inner = if typed.near.is_ipv4() { Family::Ipv4 } else { Family::Ipv6 };
        if !encapsulation.families().carries(inner, outer_family) {
            let outer = outer_family;
            let key = encapsulation.key().to_owned();
            return Err(self.model(ModelError::InnerFamily { key, outer, family: inner }));
        }
        let underlay_mtu = typed.underlay_mtu.unwrap_or_else(|| framing.customary_mtu());
        Ok(Some(Tunnel { encapsulation, outer_family, underlay_mtu }))
    }

    fn mtu(&self, tunnel: Option<&Tunnel>) -> Result<Mtu, ConfigError> {
        let Some(Tunnel { encapsulation, outer_family, underlay_mtu }) = tunnel else {
            return Ok(self.typed.mtu.unwrap_or(self.host_mtu));
        };
        let largest = encapsulation
            .largest_inner(*underlay_mtu, *outer_family)
            .map_err(|source| self.model(source))?;
        Ok(self.typed.mtu.or_else(|| encapsulation.customary_mtu()).unwrap_or(largest))
    }

    /// The conditions of one direction from the beginning on.
    fn changes(
        &self,
        mtu: Mtu,
        own: &typed::Way,
        of: impl Fn(&typed::Change) -> &typed::Way,
    ) -> Result<Vec<Change>, ConfigError> {
        let mut way = own.or(&self.typed.both_ways);
        let mut changes = vec![Change { at_ns: 0, conditions: self.conditions(mtu, &way)? }];
        let mut last = Duration::ZERO;
        for change in &self.typed.changes {
            let typed::Text(typed::Time(at)) = change.at;
            if at <= last {
                return Err(self.refuse("at", format_duration(at), "is not after the one before"));
            }
            last = at;
            way = of(change).or(&change.both_ways.or(&way));
            let conditions = self.conditions(mtu, &way)?;
            changes.push(Change { at_ns: nanoseconds(at), conditions });
        }
        Ok(changes)
    }

    /// One core cannot be two different ones.
    fn check_shared(&self, far: &[Change], near: &[Change]) -> Result<(), ConfigError> {
        for (far, near) in far.iter().zip(near) {
            let (far, near) = (far.conditions.gateway, near.conditions.gateway);
            let is_shared = [far, near].into_iter().flatten().any(|gateway| gateway.shared);
            if is_shared && far != near {
                let problem = "cannot differ between the directions";
                return Err(self.refuse("gateway.shared", "true".to_owned(), problem));
            }
        }
        Ok(())
    }

    fn conditions(&self, mtu: Mtu, way: &typed::Way) -> Result<Conditions, ConfigError> {
        let text = |time: Option<typed::Text<typed::Time>>| time.map(|typed::Text(time)| time.0);
        Ok(Conditions {
            longest_packet: way.longest_packet,
            too_long: way.too_long.unwrap_or_default(),
            policer: way.policer.map(|policer| self.policer(mtu, policer)).transpose()?,
            gateway: way.gateway.map(|gateway| self.gateway(gateway)).transpose()?,
            line: self.line(way)?,
            loss: self.loss(way.loss)?,
            delay: text(way.delay).unwrap_or_default(),
            jitter: jitter(way.jitter),
            reorder: way.reorder.map(|reorder| self.reorder(reorder)).transpose()?,
            duplicate: match way.duplicate {
                None | Some(typed::Choice::Never) => Choice::Never,
                Some(typed::Choice::OneIn(n)) => Choice::OneIn(n),
                Some(typed::Choice::Ratio(ratio)) => self.ratio("duplicate", ratio)?,
            },
        })
    }

    fn policer(&self, mtu: Mtu, typed: typed::Policer) -> Result<Policer, ConfigError> {
        let policer = Policer { rate: typed.rate.0, burst: typed.burst.0 };
        self.positive("policer.rate", policer.rate)?;
        if policer.burst.get() < u64::from(mtu.get()) {
            let value = policer.burst.to_string();
            return Err(self.refuse("policer.burst", value, "is less than the longest packet"));
        }
        Ok(policer)
    }

    fn gateway(&self, typed: typed::Gateway) -> Result<Gateway, ConfigError> {
        let bits_per_second = match typed.rate {
            None => None,
            Some(typed::Text(rate)) => Some(self.positive("gateway.rate", rate)?),
        };
        if typed.packets_per_second.is_none() && bits_per_second.is_none() {
            let problem = "has neither 'packets_per_second' nor 'rate'";
            return Err(self.refuse("gateway", "a table".to_owned(), problem));
        }
        let queue = typed.queue.map_or(QUEUE, |queue| queue.0);
        let typed::Gateway { packets_per_second, shared, .. } = typed;
        Ok(Gateway { packets_per_second, bits_per_second, queue, shared })
    }

    fn line(&self, way: &typed::Way) -> Result<Option<Line>, ConfigError> {
        let Some(typed::Text(rate)) = way.rate else { return Ok(None) };
        self.positive("rate", rate)?;
        let framing = way.framing.unwrap_or(Framing::Ethernet);
        let counted = way.counted.unwrap_or(Counted::Line);
        let queue = way.queue.map_or(QUEUE, |queue| queue.0);
        Ok(Some(Line { link: Link { rate, framing, counted }, queue }))
    }

    fn loss(&self, typed: Option<typed::Loss>) -> Result<Loss, ConfigError> {
        Ok(match typed {
            None | Some(typed::Loss::Never) => Loss::Single(Choice::Never),
            Some(typed::Loss::OneIn(n)) => Loss::Single(Choice::OneIn(n)),
            Some(typed::Loss::Ratio(ratio)) => Loss::Single(self.ratio("loss", ratio)?),
            Some(typed::Loss::Bursts(model)) => {
                self.ratio("loss.bursts.enter", model.enter)?;
                self.ratio("loss.bursts.leave", model.leave)?;
                self.ratio("loss.bursts.loss_in_good", model.loss_in_good)?;
                self.ratio("loss.bursts.loss_in_bad", model.loss_in_bad)?;
                Loss::Bursts(model)
            }
        })
    }

    fn reorder(&self, typed: typed::Reorder) -> Result<Reorder, ConfigError> {
        let choice = match (typed.ratio, typed.one_in) {
            (Some(ratio), None) => self.ratio("reorder.ratio", ratio)?,
            (None, Some(n)) => Choice::OneIn(n),
            _ => {
                let problem = "needs one of 'ratio' and 'one_in'";
                return Err(self.refuse("reorder", "a table".to_owned(), problem));
            }
        };
        Ok(Reorder { choice, by: typed.by.0.0 })
    }

    fn ratio(&self, key: &'static str, ratio: f64) -> Result<Choice, ConfigError> {
        if (0.0..=1.0).contains(&ratio) {
            return Ok(Choice::Ratio(ratio));
        }
        Err(self.refuse(key, ratio.to_string(), "does not lie from 0 to 1"))
    }

    fn positive(&self, key: &'static str, rate: BitRate) -> Result<NonZeroU64, ConfigError> {
        NonZeroU64::new(rate.bits_per_second())
            .ok_or_else(|| self.refuse(key, rate.to_string(), "lets nothing pass"))
    }

    fn refuse(&self, key: &'static str, value: String, problem: &'static str) -> ConfigError {
        ConfigError::Value { path: self.typed.name.clone(), key, value, problem }
    }

    fn model(&self, source: ModelError) -> ConfigError {
        ConfigError::Model { path: self.typed.name.clone(), source }
    }
}

const fn jitter(typed: Option<typed::Jitter>) -> Jitter {
    match typed {
        None | Some(typed::Jitter::None) => Jitter::None,
        Some(typed::Jitter::Uniform(most)) => Jitter::Uniform(most.0.0),
        Some(typed::Jitter::Normal { mean, deviation }) => {
            Jitter::Normal { mean: mean.0.0, deviation: deviation.0.0 }
        }
    }
}

const QUEUE: QueueLimit = QueueLimit::Time(Duration::from_millis(50));
