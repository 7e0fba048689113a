//! What to set on a tunnel interface, what choosing lower costs, and what becomes of full-size datagrams.

use culvert_units::{BitRate, Fraction, Mtu};
use serde::Serialize;

use crate::{
    CeilingQuestion, Family, ModelError, SizedCeiling, Tunnel,
    ceiling::{UDP_HEADER, ceiling, ceiling_for_udp_payload},
};

/// What to set for the path of a question.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// The MTU to set on the tunnel interface: the largest with which no outer packet is split. For a stream, which
    /// has no such bound, the one that was asked for or is customary.
    pub mtu: Mtu,
    /// The maximum segment size to clamp TCP to there.
    pub mss_clamp: u32,
    /// That MTU and others one might choose, the largest first.
    pub choices: Vec<MtuChoice>,
    /// A datagram that fills the MTU as it is.
    pub full_datagram: SizedCeiling,
    /// A datagram that fills the path without the tunnel.
    pub plain_datagram: Option<SizedCeiling>,
}

/// An MTU of the tunnel interface and what it costs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MtuChoice {
    /// The MTU.
    pub mtu: Mtu,
    /// Why one might choose it; more than one reason can hold.
    pub reasons: Vec<Reason>,
    /// The maximum segment size to clamp TCP to.
    pub mss_clamp: u32,
    /// The tunnel's outer packet around a full-size inner one, in bytes.
    pub outer_length: u32,
    /// The TCP goodput.
    #[serde(rename = "tcp_bps")]
    pub tcp: BitRate,
    /// What is lost of the TCP goodput at the advised MTU, as a share of it; negative for a gain.
    pub lost: Fraction,
    /// Whether full-size packets are split on their way.
    pub splits: bool,
}

/// Why one might choose an MTU.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// It was asked for.
    Asked,
    /// The largest that is split nowhere.
    Largest,
    /// What the protocol sets when nobody does.
    Customary,
    /// The largest that is split nowhere over IPv6 either.
    EitherFamily,
    /// RFC 4821 section 7.2 calls it a reasonable middle between safe and full size.
    Middle,
    /// The least an IPv6 link may have (RFC 8200 section 5).
    LeastForIpv6,
}

/// What to set for the path of `question`.
pub fn advice(question: &CeilingQuestion<'_>) -> Result<Advice, ModelError> {
    let full = ceiling(question)?;
    let mtu = if full.is_estimate { full.inner_mtu } else { full.largest_inner };
    let best = ceiling(&CeilingQuestion { inner_mtu: Some(mtu), ..question.clone() })?;
    let choices = candidates(question, full.inner_mtu, mtu)
        .into_iter()
        .filter_map(|(mtu, reasons)| choice(question, mtu, reasons, best.tcp))
        .collect();
    let fills = |mtu: u32| {
        mtu.checked_sub(question.inner_family.header_length() + UDP_HEADER)
            .and_then(|payload| u16::try_from(payload).ok())
            .and_then(|payload| ceiling_for_udp_payload(question, payload).ok())
    };
    let udp = u16::try_from(full.udp_payload).unwrap_or(u16::MAX);
    Ok(Advice {
        mtu,
        mss_clamp: best.mss_clamp,
        choices,
        full_datagram: ceiling_for_udp_payload(question, udp)?,
        plain_datagram: (!question.is_plain())
            .then(|| fills(question.underlay_mtu.get().into()))
            .flatten(),
    })
}

/// MTUs worth a line each, the largest first.
fn candidates(
    question: &CeilingQuestion<'_>,
    in_use: Mtu,
    advised: Mtu,
) -> Vec<(Mtu, Vec<Reason>)> {
    let asked = question.inner_mtu.map(|mtu| (mtu, Reason::Asked));
    let stream = question.encapsulation.is_stream();
    let largest = (!stream).then_some((advised, Reason::Largest));
    let customary = question.encapsulation.customary_mtu().map(|mtu| (mtu, Reason::Customary));
    let over_ipv6 = (!stream).then(|| over_ipv6(question)).flatten();
    let either = over_ipv6.map(|mtu| (mtu, Reason::EitherFamily));
    let lower = [(1400, Reason::Middle), (1280, Reason::LeastForIpv6)]
        .into_iter()
        .filter_map(|(mtu, reason)| Some((Mtu::new(mtu).ok()?, reason)))
        .filter(|(mtu, _)| *mtu < advised.max(in_use));
    let mut found: Vec<(Mtu, Vec<Reason>)> = Vec::new();
    for (mtu, reason) in
        asked.into_iter().chain(largest).chain(customary).chain(either).chain(lower)
    {
        match found.iter_mut().find(|(known, _)| *known == mtu) {
            Some((_, reasons)) => reasons.push(reason),
            None => found.push((mtu, vec![reason])),
        }
    }
    found.sort_by_key(|(mtu, _)| std::cmp::Reverse(*mtu));
    found
}

/// The largest MTU with every outer packet as IPv6; `None` where that is the same question or none.
fn over_ipv6(question: &CeilingQuestion<'_>) -> Option<Mtu> {
    let six = CeilingQuestion {
        outer_family: Family::Ipv6,
        inner_mtu: None,
        through: question
            .through
            .iter()
            .map(|tunnel| Tunnel { outer_family: Family::Ipv6, ..tunnel.clone() })
            .collect(),
        ..question.clone()
    };
    if question.is_plain() || six == (CeilingQuestion { inner_mtu: None, ..question.clone() }) {
        return None;
    }
    ceiling(&six).ok().map(|answer| answer.largest_inner)
}

fn choice(
    question: &CeilingQuestion<'_>,
    mtu: Mtu,
    reasons: Vec<Reason>,
    best: BitRate,
) -> Option<MtuChoice> {
    let answer = ceiling(&CeilingQuestion { inner_mtu: Some(mtu), ..question.clone() }).ok()?;
    let (tcp, best) = (answer.tcp.bits_per_second() as f64, best.bits_per_second() as f64);
    Some(MtuChoice {
        mtu,
        reasons,
        mss_clamp: answer.mss_clamp,
        outer_length: answer.outer_length,
        tcp: answer.tcp,
        lost: Fraction::of(best - tcp, best)?,
        splits: answer.fragments(),
    })
}
