//! What `culvert ceiling` reads from its options; every refusal says what to write instead.

use std::fmt::Display;
use std::str::FromStr;

use culvert_pathmodel::{
    Carries, Counted, Encapsulation, Family, Framing, LossRatio, LossResponse, PathLink,
    nearest_word,
};
use culvert_units::{BitRate, Bytes, Explain, Fraction, Mtu, ParseQuantityError};
use serde::Deserialize;
use serde::de::{IntoDeserializer as _, value};

/// The name of the link that the options themselves describe.
pub(crate) const LINE: &str = "line";

/// A tunnel around the one that is asked about, as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct TypedTunnel {
    pub(crate) encapsulation: Encapsulation,
    pub(crate) outer_family: Option<Family>,
    pub(crate) interface_mtu: Option<Mtu>,
}

/// `KEY[,ipv4|ipv6][,mtu=BYTES]`
pub(crate) fn tunnel(text: &str) -> Result<TypedTunnel, String> {
    let mut parts = text.split(',');
    let encapsulation = encapsulation(parts.next().unwrap_or_default())?;
    if encapsulation.is_plain() {
        return Err(hinted("the plain path is no tunnel to go through", "leave --through out"));
    }
    let mut tunnel = TypedTunnel { encapsulation, outer_family: None, interface_mtu: None };
    for part in parts {
        match part.split_once('=') {
            Some(("mtu", bytes)) => tunnel.interface_mtu = Some(mtu(bytes)?),
            None if part.starts_with("ipv") => tunnel.outer_family = Some(word(part)?),
            _ => {
                return Err(hinted(
                    format!("'{part}' says nothing of a tunnel"),
                    "write KEY,ipv4|ipv6,mtu=BYTES; all but the key may be left out",
                ));
            }
        }
    }
    Ok(tunnel)
}

/// `NAME,rate=RATE[,KEY=VALUE]...`
pub(crate) fn link(text: &str) -> Result<PathLink, String> {
    let mut parts = text.split(',');
    let name = parts.next().unwrap_or_default().trim();
    if name.is_empty() || name.contains('=') || name == LINE {
        return Err(hinted(
            format!("'{name}' cannot be the name of a further link"),
            "begin with a name of your own, then a comma: Wi-Fi,rate=300Mbit/s,carries=inner",
        ));
    }
    let mut typed = TypedLink::default();
    for part in parts {
        typed.take(part.trim())?;
    }
    typed.link(name)
}

/// What was said of a link so far.
#[derive(Default)]
struct TypedLink {
    up: Option<BitRate>,
    down: Option<BitRate>,
    framing: Option<Framing>,
    counted: Option<Counted>,
    mtu: Option<Mtu>,
    carries: Option<Carries>,
    efficiency: Option<Fraction>,
    shared: bool,
    far: bool,
}

impl TypedLink {
    fn take(&mut self, part: &str) -> Result<(), String> {
        let (key, value) = part.split_once('=').unwrap_or((part, ""));
        match key {
            "rate" => {
                let both = rate(value)?;
                (self.up, self.down) = (Some(both), Some(both));
            }
            "up" => self.up = Some(rate(value)?),
            "down" => self.down = Some(rate(value)?),
            "framing" => self.framing = Some(word(value)?),
            "counted" => self.counted = Some(word(value)?),
            "mtu" => self.mtu = Some(mtu(value)?),
            "carries" => self.carries = Some(word(value)?),
            "efficiency" => self.efficiency = Some(efficiency(value)?),
            "end" if matches!(value, "near" | "far") => self.far = value == "far",
            "end" => {
                return Err(hinted(format!("'{value}' is no end"), "write end=near or end=far"));
            }
            "shared" if part == key => self.shared = true,
            "shared" => {
                return Err(hinted("shared takes no value", "write it alone or leave it out"));
            }
            _ => {
                let nearest = nearest_word(key, KEYS).unwrap_or_default();
                return Err(hinted(
                    format!("'{key}' is nothing a link has"),
                    format!("did you mean '{nearest}'? a link has {}", KEYS.join(", ")),
                ));
            }
        }
        Ok(())
    }

    fn link(self, name: &str) -> Result<PathLink, String> {
        let (Some(up), Some(down)) = (self.up, self.down) else {
            return Err(hinted(
                format!("the rate of '{name}' is missing"),
                "write rate=300Mbit/s, or up=40Mbit/s and down=250Mbit/s",
            ));
        };
        let carries = self.carries.unwrap_or(Carries::Outer);
        if carries == Carries::Inner && self.mtu.is_some() {
            return Err(hinted(
                format!("'{name}' carries inner packets, whose size the tunnel's MTU decides"),
                "leave its mtu out, or give the tunnel's with --tunnel-mtu",
            ));
        }
        // A line at the far end sends up what comes toward near.
        let (toward_far, toward_near) = if self.far { (down, up) } else { (up, down) };
        Ok(PathLink {
            name: name.to_owned(),
            toward_far,
            toward_near,
            framing: self.framing.unwrap_or(Framing::Ethernet),
            counted: self.counted.unwrap_or(Counted::Line),
            mtu: self.mtu,
            carries,
            efficiency: self.efficiency,
            shared: self.shared,
        })
    }
}

const KEYS: [&str; 10] =
    ["rate", "up", "down", "framing", "counted", "mtu", "carries", "efficiency", "shared", "end"];

pub(crate) fn encapsulation(text: &str) -> Result<Encapsulation, String> {
    text.parse().map_err(|error: culvert_pathmodel::ParseEncapsulationError| explained(&error))
}

pub(crate) fn rate(text: &str) -> Result<BitRate, String> {
    quantity(text, "a rate carries its unit: 100Mbit/s, 1.5Gbit/s, 640kbit/s")
}

pub(crate) fn amount(text: &str) -> Result<Bytes, String> {
    let bytes: Bytes = quantity(text, "an amount carries its unit: 64KiB, 4MiB, 500kB")?;
    if bytes.get() == 0 {
        return Err(hinted("an amount of 0 lets nothing pass", "leave the option out"));
    }
    Ok(bytes)
}

fn quantity<T: FromStr<Err = ParseQuantityError>>(text: &str, hint: &str) -> Result<T, String> {
    text.parse().map_err(|error| hinted(error, hint))
}

pub(crate) fn mtu(text: &str) -> Result<Mtu, String> {
    let bytes: u16 = text.parse().map_err(|_| {
        hinted(
            format!("'{text}' is not a number of bytes up to 65535"),
            "write it without a unit: 1500",
        )
    })?;
    Mtu::new(bytes).map_err(|error| hinted(error, "1500 on Ethernet, 1492 under PPPoE"))
}

/// A loss ratio: `0.1%` or `0.001`.
pub(crate) fn loss(text: &str) -> Result<LossRatio, String> {
    share(text).and_then(LossRatio::new).ok_or_else(|| {
        hinted(
            format!("'{text}' is not a loss ratio above 0 and at most 1"),
            "write 0.1% or 0.001; without loss leave --loss out",
        )
    })
}

/// The share of a rate that reaches a link: `60%` or `0.6`.
pub(crate) fn efficiency(text: &str) -> Result<Fraction, String> {
    share(text)
        .filter(|share| *share > 0.0 && *share <= 1.0)
        .and_then(|share| Fraction::of(share, 1.0))
        .ok_or_else(|| {
            hinted(
                format!("'{text}' is not a share above 0 and at most 1"),
                "write 60% or 0.6, the share of the rate that really passes",
            )
        })
}

/// The standard parser would also take words such as `inf`, a sign and exponents.
fn share(text: &str) -> Option<f64> {
    let (number, parts) =
        text.strip_suffix('%').map_or((text, 1.0), |number| (number.trim_end(), 100.0));
    let plain = number
        .bytes()
        .all(|byte| byte.is_ascii_digit() || byte == b'.' || byte == b'e' || byte == b'-');
    let plain = plain && number.starts_with(|first: char| first.is_ascii_digit());
    plain.then(|| number.parse::<f64>().ok()).flatten().map(|number| number / parts)
}

pub(crate) fn control(text: &str) -> Result<LossResponse, String> {
    word(text)
}

/// Reads one word of a closed list by the names it has in files, and offers the nearest.
pub(crate) fn word<T: for<'de> Deserialize<'de>>(text: &str) -> Result<T, String> {
    T::deserialize(text.into_deserializer()).map_err(|error: value::Error| {
        // serde quotes the word and then every one it knows.
        let message = error.to_string();
        let known: Vec<_> = message.split('`').skip(1).step_by(2).skip(1).collect();
        let nearest = nearest_word(text, known.iter().copied()).unwrap_or_default();
        hinted(
            format!("'{text}' is not one of {}", known.join(", ")),
            format!("did you mean '{nearest}'?"),
        )
    })
}

fn explained(error: &dyn Explain) -> String {
    error.hint().map_or_else(|| error.to_string(), |hint| hinted(error, hint))
}

fn hinted(what: impl Display, hint: impl Display) -> String {
    format!("{what}\n  hint: {hint}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whether a refusal has its hint, as every one must.
    fn refused<T: std::fmt::Debug>(read: Result<T, String>) -> String {
        let text = read.unwrap_err();
        let (what, hint) = text.split_once("\n  hint: ").expect("a hint");
        assert!(!what.is_empty() && !hint.is_empty() && !hint.ends_with('.'), "{text}");
        text
    }

    #[test]
    fn a_tunnel_may_say_its_family_and_mtu() {
        let found = tunnel("wireguard,ipv6,mtu=1400").unwrap();
        assert_eq!(found.encapsulation.key(), "wireguard");
        assert_eq!(found.outer_family, Some(Family::Ipv6));
        assert_eq!(found.interface_mtu.map(Mtu::get), Some(1400));
        assert_eq!(tunnel("custom:60:16").unwrap().outer_family, None);
        for text in
            ["none", "", "wiregaurd", "wireguard,ipv5", "wireguard,mtu=60", "wireguard,fast"]
        {
            refused(tunnel(text));
        }
        assert!(refused(tunnel("wiregaurd")).contains("did you mean 'wireguard'?"));
        assert!(refused(tunnel("wireguard,ipv5")).contains("did you mean 'ipv4'?"));
    }

    #[test]
    fn a_link_is_named_and_has_a_rate() {
        let found = link("Wi-Fi,rate=300Mbit/s,carries=inner,efficiency=60%,shared").unwrap();
        assert_eq!((found.name.as_str(), found.carries), ("Wi-Fi", Carries::Inner));
        assert_eq!(found.toward_far, BitRate::from_megabits(300));
        assert_eq!(found.efficiency, Fraction::of(0.6, 1.0));
        assert!(found.shared);
        // A line of the far end, whose download is what goes toward far.
        let found =
            link("workshop,up=20Mbit/s,down=100Mbit/s,end=far,framing=pppoe,mtu=1480").unwrap();
        assert_eq!(found.toward_far, BitRate::from_megabits(100));
        assert_eq!(found.toward_near, BitRate::from_megabits(20));
        assert_eq!((found.framing, found.mtu.map(Mtu::get)), (Framing::Pppoe, Some(1480)));
        for text in [
            "",
            "line,rate=1Gbit/s",
            "rate=1Gbit/s",
            "a",
            "a,up=1Mbit/s",
            "a,rate=1Gb",
            "a,rate=1Gbit/s,speed=2",
            "a,rate=1Gbit/s,carries=both",
            "a,rate=1Gbit/s,carries=inner,mtu=1500",
            "a,rate=1Gbit/s,efficiency=0",
            "a,rate=1Gbit/s,efficiency=150%",
            "a,rate=1Gbit/s,shared=yes",
            "a,rate=1Gbit/s,end=middle",
        ] {
            refused(link(text));
        }
        assert!(refused(link("a,rate=1Gbit/s,efficency=1")).contains("did you mean 'efficiency'?"));
    }

    #[test]
    fn quantities_carry_their_units() {
        for text in ["100", "100Mbps", "100mbit/s", "100MB/s", "-1Mbit/s", "fast", ""] {
            refused(rate(text));
        }
        for text in ["0B", "4M", "-1kB", ""] {
            refused(amount(text));
        }
        assert_eq!(amount("4MiB").unwrap(), Bytes::new(4 << 20));
        for text in ["67", "70000", "-1", "1500B", ""] {
            refused(mtu(text));
        }
        assert_eq!(mtu("68").map(Mtu::get), Ok(68));
    }

    #[test]
    fn shares_are_read_as_percent_or_as_part_of_one() {
        for (text, ratio) in
            [("0.1%", 0.001), ("0.1 %", 0.001), ("0.001", 0.001), ("1e-5", 1e-5), ("1", 1.0)]
        {
            let found = loss(text).unwrap().get();
            assert!((found - ratio).abs() < 1e-12, "{text}: {found}");
        }
        for text in ["0", "0%", "101%", "1.1", "-0.1", "inf", "nan", "+1", "", "%", "1%%", ".5"] {
            refused(loss(text));
            refused(efficiency(text));
        }
    }

    #[test]
    fn the_nearest_word_is_offered() {
        assert_eq!(word::<Framing>("pppoe-atm"), Ok(Framing::PppoeAtm));
        assert!(refused(word::<Framing>("pppo")).contains("did you mean 'pppoe'?"));
        assert!(refused(word::<Counted>("ip")).contains("line, frame, ip-layer"));
        assert!(refused(control("cubik")).contains("did you mean 'cubic'?"));
    }

    #[test]
    fn no_text_panics() {
        for text in
            ["\u{0}", "é,=,,", "a,=", ",", "=,rate", "a,rate=", "🙂%", "ß,mtu=é", &"9".repeat(400)]
        {
            let _ = (link(text), tunnel(text), loss(text), efficiency(text), rate(text), mtu(text));
            let _ = (word::<Family>(text), amount(text), encapsulation(text));
        }
    }
}
