//! Figures as people read them.

use culvert_record::{Place, Way};
use culvert_units::Fraction;
use culvert_verdict::{PathKey, rate};

/// Stands where a figure is missing.
pub(crate) const MISSING: &str = "–";

/// A rate in bit/s with its unit.
pub(crate) fn bps(value: f64) -> String {
    if value < 0.0 { format!("−{}", rate(-value)) } else { rate(value).to_string() }
}

/// A rate in Mbit/s without its unit; more decimals for slow ones.
pub(crate) fn megabits(bps: f64) -> String {
    let megabits = bps / 1e6;
    if megabits == 0.0 || megabits.abs() >= 1.0 {
        format!("{megabits:.2}")
    } else {
        format!("{megabits:.4}")
    }
}

/// A time in microseconds, as milliseconds without their unit; more decimals for short ones.
pub(crate) fn milliseconds(microseconds: f64) -> String {
    let milliseconds = microseconds / 1e3;
    if milliseconds.abs() >= 10.0 {
        format!("{milliseconds:.1}")
    } else {
        format!("{milliseconds:.3}")
    }
}

/// A time in microseconds, in milliseconds with their unit.
pub(crate) fn ms(microseconds: f64) -> String {
    format!("{} ms", milliseconds(microseconds))
}

/// A share in percent, fine enough for a loss of one in a million.
pub(crate) fn fine_percent(share: f64) -> String {
    format!("{:.4} %", share * 100.0)
}

pub(crate) fn share(value: Option<Fraction>) -> String {
    or_missing(value.map(|fraction| fraction.to_string()))
}

pub(crate) fn or_missing(text: Option<String>) -> String {
    text.unwrap_or_else(|| MISSING.to_owned())
}

/// Two times in microseconds, one after the other; nothing when both are missing.
pub(crate) fn pair(before: Option<f64>, during: Option<f64>) -> String {
    if before.is_none() && during.is_none() {
        return MISSING.to_owned();
    }
    format!("{} → {}", or_missing(before.map(milliseconds)), or_missing(during.map(milliseconds)))
}

/// Where a path goes, when that was said.
pub(crate) const fn place(path: &PathKey) -> Option<&'static str> {
    match path.place {
        Some(Place::Outside) => Some("outside"),
        Some(Place::Inside) => Some("inside"),
        None => None,
    }
}

/// A path by name, with what else is known of it.
pub(crate) fn path_label(path: &PathKey) -> String {
    let place = place(path).filter(|place| *place != path.name).map(str::to_owned);
    let known = |key: &String| key != "none" && *key != path.name;
    let encapsulation = path.encapsulation.clone().filter(known);
    let family = path.family.map(|family| family.to_string());
    let facts: Vec<_> = place.into_iter().chain(encapsulation).chain(family).collect();
    if facts.is_empty() {
        path.name.clone()
    } else {
        format!("{} ({})", path.name, facts.join(", "))
    }
}

pub(crate) const fn way(toward: Way) -> &'static str {
    match toward {
        Way::Far => "far",
        Way::Near => "near",
    }
}
