//! Where the bytes of a full-size packet go, layer by layer.

use culvert_units::Fraction;
use serde::Serialize;

use crate::{
    CeilingQuestion, Encapsulation, LinkPart, ModelError, Wrapped,
    ceiling::{Ceiling, ceiling},
    encapsulation::wrap,
    route::Route,
};

/// A full-size TCP packet on its way from the application to the link.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Anatomy {
    /// The layers, the innermost first. For a packet that is split on its way, as if it were not.
    pub layers: Vec<LayerBytes>,
    /// What the link puts around the packet, or around all pieces of it; around a segment of the stream for a stream.
    pub framing: Vec<LinkPart>,
    /// What the link's rate is spent on.
    pub uses: Vec<Use>,
}

/// A layer of a full-size packet; all sizes in bytes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LayerBytes {
    /// The key of the tunnel it belongs to; `null` for what every path has.
    pub tunnel: Option<String>,
    /// What practitioners call it.
    pub name: &'static str,
    /// Its header and trailer; negative for a header that moves outside.
    pub headers: i64,
    /// What it adds to reach its alignment.
    pub padding: u32,
    /// The length with this layer.
    pub length: u32,
    /// How many of such layers one full-size inner packet takes: 1, except where packets share segments of a stream.
    pub packets: f64,
    /// Where its size is published.
    pub source: &'static str,
}

/// A part of the link's rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Use {
    /// What it is spent on.
    pub on: UseOf,
    /// Bytes for each full-size packet; not whole for a stream, whose segments are shared.
    pub bytes: f64,
    /// The share of the link's rate.
    pub share: Fraction,
}

/// What a link's rate is spent on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum UseOf {
    /// TCP payload.
    Payload,
    /// TCP and IP headers inside.
    InnerHeaders,
    /// Headers and trailers of the tunnels.
    TunnelHeaders,
    /// What tunnels add to reach an alignment.
    Padding,
    /// What it costs that packets are split.
    Splitting,
    /// What the link puts around packets.
    Framing,
}

/// Which bytes a full-size packet of the question takes.
pub fn anatomy(question: &CeilingQuestion<'_>) -> Result<Anatomy, ModelError> {
    let route = question.route()?;
    let full = ceiling(question)?;
    let mut walk = Walk { layers: inside(question, &full), packets: 1.0 };
    walk.through(&route);
    // A stream's record has no segment, and so no packet on the link, of its own.
    let on_link = if full.is_estimate {
        walk.layers.last().map(|layer| vec![layer.length]).unwrap_or_default()
    } else {
        full.packets_on_link.clone()
    };
    let framing = framing(question, &on_link);
    let wire = route.wire_cost(u32::from(full.inner_mtu.get())).bytes();
    let uses = uses(&full, &walk, &framing, wire)?;
    Ok(Anatomy { layers: walk.layers, framing, uses })
}

/// What every path has: TCP and IP.
fn inside(question: &CeilingQuestion<'_>, full: &Ceiling) -> Vec<LayerBytes> {
    let ip = question.inner_family.header_length();
    let tcp = question.tcp_headers() - ip;
    let (name, source) = if question.timestamps {
        ("TCP with timestamps", "RFC 9293 section 3.1, RFC 7323 appendix A")
    } else {
        ("TCP", "RFC 9293 section 3.1")
    };
    let layer = |name, bytes: u32, length, source| LayerBytes {
        tunnel: None,
        name,
        headers: bytes.into(),
        padding: 0,
        length,
        packets: 1.0,
        source,
    };
    let payload = full.tcp_payload;
    vec![
        layer("payload", payload, payload, "what applications get"),
        layer(name, tcp, payload + tcp, source),
        layer("IP header", ip, payload + tcp + ip, "RFC 791 section 3.1, RFC 8200 section 3"),
    ]
}

/// A packet on its way through the tunnels.
struct Walk {
    layers: Vec<LayerBytes>,
    /// How many of the packets here one inner packet takes.
    packets: f64,
}

impl Walk {
    fn through(&mut self, route: &Route<'_>) {
        for (hop, next_mtu) in route.hops() {
            let carried = self.layers.last().map_or(0, |layer| layer.length);
            let (encapsulation, family) = (hop.encapsulation, hop.outer_family);
            let mtu = u32::from(hop.mtu.get());
            let stream =
                encapsulation.stream_parts().zip(encapsulation.stream_lengths(carried, family));
            let Some(((outside, inside), (record, headers))) = stream else {
                self.push(encapsulation, &wrap(encapsulation.layers(), carried, family, mtu));
                continue;
            };
            self.push(encapsulation, &wrap(inside, carried, family, mtu));
            let payload = u32::from(next_mtu.get()).saturating_sub(headers).max(1);
            self.packets *= f64::from(record) / f64::from(payload);
            self.push(encapsulation, &wrap(outside, payload, family, mtu));
        }
    }

    fn push(&mut self, encapsulation: &Encapsulation, wrapped: &[Wrapped<'_>]) {
        let packets = self.packets;
        self.layers.extend(wrapped.iter().map(|wrapped| LayerBytes {
            tunnel: Some(encapsulation.key().to_owned()),
            name: wrapped.layer.name(),
            headers: wrapped.headers,
            padding: wrapped.padding,
            length: wrapped.length,
            packets,
            source: wrapped.layer.source(),
        }));
    }
}

/// What the link puts around the packets on it, each kind added up.
fn framing(question: &CeilingQuestion<'_>, packets: &[u32]) -> Vec<LinkPart> {
    let mut sums: Vec<LinkPart> = Vec::new();
    for part in packets.iter().flat_map(|length| question.link.parts(*length)) {
        match sums.iter_mut().find(|sum| sum.name == part.name) {
            Some(sum) => sum.bytes = sum.bytes.saturating_add(part.bytes),
            None => sums.push(part),
        }
    }
    sums
}

fn uses(
    full: &Ceiling,
    walk: &Walk,
    framing: &[LinkPart],
    wire: f64,
) -> Result<Vec<Use>, ModelError> {
    let payload = f64::from(full.tcp_payload);
    let tunnels = walk.layers.iter().filter(|layer| layer.tunnel.is_some());
    let (headers, padding) = tunnels.fold((0.0, 0.0), |(headers, padding), layer| {
        (
            headers + layer.headers as f64 * layer.packets,
            padding + f64::from(layer.padding) * layer.packets,
        )
    });
    let framing = framing.iter().map(|part| f64::from(part.bytes)).sum::<f64>() * walk.packets;
    let inner = f64::from(full.inner_mtu.get()) - payload;
    let rest = wire - payload - inner - headers - padding - framing;
    let all = [
        (UseOf::Payload, payload),
        (UseOf::InnerHeaders, inner),
        (UseOf::TunnelHeaders, headers),
        (UseOf::Padding, padding),
        // The rest is a difference of sums, and whole for packets that are split.
        (UseOf::Splitting, rest.round()),
        (UseOf::Framing, framing),
    ];
    all.into_iter()
        .map(|(on, bytes)| {
            let share = Fraction::of(bytes, wire).ok_or(ModelError::NoPayload)?;
            Ok(Use { on, bytes, share })
        })
        .collect()
}
