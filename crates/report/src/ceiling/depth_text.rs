//! One encapsulation in depth, for the terminal.

use culvert_pathmodel::{
    Anatomy, Bound, Ceiling, Confidentiality, LayerBytes, MtuChoice, Outlook, Reason, SizedCeiling,
    UseOf,
};

use super::{
    CeilingRow, CeilingTable, columns::estimate, depth::InDepth, grid::grid, secrecy, ways,
};
use crate::figures::{megabits, or_missing, share};
use crate::table;

/// Everything the model knows of `row`, in at most `width` columns of text.
pub(super) fn text(asked: &CeilingTable, row: &CeilingRow, depth: &InDepth, width: u16) -> String {
    let Some(ceiling) = &row.ceiling else { return String::new() };
    // With several links the rates of one of them would mislead.
    let mut page = Page { text: String::new(), width, rates: asked.path.is_none() };
    page.paragraph("", &format!("{} ({}), laid out by {}", row.name, row.key, depth.source));
    page.text.push_str(&asked.supposed(width));
    page.layers(depth, ceiling);
    page.rate(depth, ceiling);
    page.ways(row, ceiling);
    page.settings(depth, ceiling);
    page.datagrams(depth, ceiling);
    for way in &row.ways {
        if let Some(outlook) = &way.outlook {
            page.outlook(outlook, ways::toward(way), asked.timestamps);
        }
    }
    page.secrecy(depth);
    page.text
}

struct Page {
    text: String,
    width: u16,
    /// Whether the question's own link is the whole path.
    rates: bool,
}

impl Page {
    fn heading(&mut self, text: &str) {
        self.text.push('\n');
        self.paragraph("", text);
    }

    fn paragraph(&mut self, bullet: &str, text: &str) {
        self.text.push_str(&table::paragraph(self.width, bullet, text));
    }

    fn grid(&mut self, figures: usize, rows: &[Vec<String>]) {
        self.text.push_str(&grid(self.width, figures, rows));
    }

    fn layers(&mut self, depth: &InDepth, ceiling: &Ceiling) {
        self.heading("A full-size TCP packet, from the application to the link, in bytes");
        let Anatomy { layers, framing, .. } = &depth.anatomy;
        let mut rows = vec![words(["layer", "own", "padding", "length", "source"])];
        rows.extend(layers.iter().map(layer));
        let on_link = layers.last().map_or(0, |layer| layer.length);
        let mut length = on_link;
        if ceiling.fragments() {
            let pieces = sum(&ceiling.packets_on_link);
            length = ceiling.packets_on_link.iter().sum();
            let name = format!("split into {pieces}");
            let own = i64::from(length) - i64::from(on_link);
            rows.push(vec![
                name,
                own.to_string(),
                String::new(),
                length.to_string(),
                SPLIT.to_owned(),
            ]);
        }
        for part in framing {
            length += part.bytes;
            let (own, length) = (part.bytes.to_string(), length.to_string());
            rows.push(vec![
                part.name.to_owned(),
                own,
                String::new(),
                length,
                part.source.to_owned(),
            ]);
        }
        self.grid(3, &rows);
        if ceiling.is_estimate {
            let packets = layers.last().map_or(1.0, |layer| layer.packets);
            self.paragraph(" ", &format!(
                "From the TCP layer on these are the bytes of one outer segment: a full-size packet takes {packets:.4} of \
                 them, since the tunnel writes packets into a stream."
            ));
        }
    }

    fn rate(&mut self, depth: &InDepth, ceiling: &Ceiling) {
        self.heading("Where the link's rate goes");
        let rows: Vec<_> = depth
            .anatomy
            .uses
            .iter()
            .filter(|part| {
                part.bytes != 0.0 || matches!(part.on, UseOf::TunnelHeaders | UseOf::Padding)
            })
            .map(|part| {
                let bytes = if ceiling.is_estimate {
                    format!("{:.1}", part.bytes)
                } else {
                    format!("{:.0}", part.bytes)
                };
                vec![use_of(part.on).to_owned(), bytes, format!("{:.2} %", part.share.percent())]
            })
            .collect();
        self.grid(2, &rows);
    }

    fn ways(&mut self, row: &CeilingRow, ceiling: &Ceiling) {
        self.heading("Highest goodput, Mbit/s");
        for way in &row.ways {
            let toward =
                ways::toward(way).map_or_else(String::new, |end| format!("toward {end}: "));
            let limit = way.tcp_bound_by.as_ref().map(|link| format!("; {link} is the limit"));
            self.paragraph(" ", &format!(
                "{toward}TCP {} ({} of the plain path), UDP {} in {} full-size packets a second{}",
                estimate(ceiling, way.tcp),
                share(way.share_of_plain),
                estimate(ceiling, way.udp),
                way.packets_per_second,
                limit.unwrap_or_default()
            ));
            for link in way.short_of_acknowledgements() {
                self.paragraph("  !", &ways::short_text(link));
            }
        }
        if ceiling.is_estimate {
            self.paragraph("  ~", ESTIMATE);
        }
    }

    fn settings(&mut self, depth: &InDepth, ceiling: &Ceiling) {
        let advice = &depth.advice;
        self.heading(&format!(
            "To set: MTU {} on the tunnel interface, MSS clamped to {}",
            advice.mtu, advice.mss_clamp
        ));
        let mut rows =
            vec![words(["MTU", "MSS clamp", "outer", "TCP Mbit/s", "lost", "why one would"])];
        rows.extend(advice.choices.iter().map(|choice| choice_row(choice, ceiling)));
        if !self.rates {
            for row in &mut rows {
                row.remove(3);
            }
        }
        self.grid(if self.rates { 4 } else { 3 }, &rows);
    }

    fn datagrams(&mut self, depth: &InDepth, ceiling: &Ceiling) {
        self.heading("Full-size UDP");
        let advice = &depth.advice;
        let fill = format!("fill the MTU of {}", ceiling.inner_mtu);
        self.paragraph("  -", &datagram(&advice.full_datagram, &fill, self.rates));
        let plain = advice.plain_datagram.as_ref();
        if let Some(plain) = plain.filter(|plain| plain.payload != advice.full_datagram.payload) {
            let fill = "would fill the path without a tunnel";
            self.paragraph("  -", &datagram(plain, fill, self.rates));
        }
    }

    fn outlook(&mut self, outlook: &Outlook, toward: Option<&str>, timestamps: bool) {
        let toward = toward.map_or_else(String::new, |end| format!(" toward {end}"));
        self.heading(&format!(
            "One TCP connection{toward}: at most {}, bound by {}",
            outlook.tcp,
            ways::bound(outlook.smallest)
        ));
        let mut rows = vec![words(["bound", "Mbit/s", "", "formula; where it holds"])];
        rows.extend(outlook.bounds.iter().map(bound_row));
        self.grid(1, &rows);
        for fact in outlook_facts(outlook, timestamps) {
            self.paragraph("  -", &fact);
        }
    }

    fn secrecy(&mut self, depth: &InDepth) {
        let verdict = &depth.secrecy;
        self.heading(&format!("Secrecy: {}", secrecy(verdict.confidentiality)));
        self.paragraph(" ", &format!("{}: {}.", verdict.decided_by, verdict.reason));
        match verdict.confidentiality {
            Confidentiality::None | Confidentiality::Broken => self.paragraph("  !", UNSAFE),
            Confidentiality::Sound | Confidentiality::Unknown => {}
        }
    }
}

fn layer(layer: &LayerBytes) -> Vec<String> {
    let padding = if layer.padding == 0 { String::new() } else { layer.padding.to_string() };
    vec![
        layer.name.to_owned(),
        layer.headers.to_string(),
        padding,
        layer.length.to_string(),
        layer.source.to_owned(),
    ]
}

fn choice_row(choice: &MtuChoice, ceiling: &Ceiling) -> Vec<String> {
    let mut reasons: Vec<_> = choice.reasons.iter().map(|reason| why(*reason)).collect();
    if choice.splits {
        reasons.push("SPLITS full-size packets");
    }
    vec![
        choice.mtu.to_string(),
        choice.mss_clamp.to_string(),
        choice.outer_length.to_string(),
        estimate(ceiling, choice.tcp),
        format!("{:.2} %", choice.lost.percent() + 0.0),
        reasons.join(", "),
    ]
}

fn datagram(sized: &SizedCeiling, what: &str, rates: bool) -> String {
    let inside = if sized.inner_lengths.len() > 1 {
        format!("SPLIT inside into packets of {}, ", sum(&sized.inner_lengths))
    } else {
        format!("a packet of {} inside, ", sum(&sized.inner_lengths))
    };
    let on_link = match sized.packets_on_link.as_slice() {
        _ if sized.is_estimate => "written into the stream".to_owned(),
        [whole] => format!("{whole} on the link, not split"),
        pieces if sized.inner_lengths.len() > 1 => format!("{} on the link", sum(pieces)),
        pieces => format!("SPLIT on the link into {}", sum(pieces)),
    };
    let rate = if rates { format!("; {} of payload", sized.goodput) } else { String::new() };
    format!("{} bytes {what}: {inside}{on_link}{rate}", sized.payload)
}

fn bound_row(bound: &Bound) -> Vec<String> {
    let rate = or_missing(bound.rate.map(|rate| megabits(rate.bits_per_second() as f64)));
    let mark = match (bound.counts, bound.holds) {
        (true, _) => "",
        (false, true) => "to compare",
        (false, false) => "does not hold here",
    };
    vec![
        ways::bound(bound.kind).to_owned(),
        rate,
        mark.to_owned(),
        format!("{}; {}", bound.formula, bound.range),
    ]
}

fn outlook_facts(outlook: &Outlook, timestamps: bool) -> Vec<String> {
    let product = outlook.bandwidth_delay_product;
    let mut facts = vec![match outlook.window_scale {
        Some(scale) => format!(
            "{} bytes fill the path (bandwidth-delay product, RFC 6349 section 3.3.1); a window of that size needs a \
             scale of {scale} (RFC 7323)",
            product.get()
        ),
        None => format!(
            "{} bytes would fill the path, more than any window announces (RFC 7323)",
            product.get()
        ),
    }];
    facts.extend(outlook.connections_to_fill.map(|count| {
        let fill = if count == 1 { "connection fills" } else { "connections fill" };
        format!("{count} {fill} it with this window or buffer (RFC 6349 section 5.1)")
    }));
    if let (Some(count), Some(time)) = (outlook.slow_start_round_trips, outlook.slow_start) {
        facts.push(format!(
            "slow start takes {count:.2} round trips, {:.0} ms, to get there (RFC 6928's first window, doubled each time)",
            time.as_secs_f64() * 1e3
        ));
    }
    facts.extend(outlook.loss_without_harm.map(|loss| {
        format!("loss is not the smallest bound up to {} %", significant(loss.get() * 100.0))
    }));
    facts.extend(outlook.regain.map(|time| {
        format!(
            "after one loss it takes {:.1} s to be back at the other bounds",
            time.as_secs_f64()
        )
    }));
    let comes_round = outlook.sequence_space_lasts.filter(|_| !timestamps);
    facts.extend(comes_round.map(|time| {
        format!(
            "without timestamps nothing tells apart sequence numbers that come round after {:.1} s (RFC 7323 section 5)",
            time.as_secs_f64()
        )
    }));
    facts
}

/// Two digits that count, however small.
fn significant(value: f64) -> String {
    let decimals = (2..12).find(|decimals| value * 10_f64.powi(*decimals) >= 10.0).unwrap_or(12);
    format!("{value:.*}", usize::try_from(decimals).unwrap_or(2))
}

const fn use_of(part: UseOf) -> &'static str {
    match part {
        UseOf::Payload => "payload",
        UseOf::InnerHeaders => "TCP and IP headers inside",
        UseOf::TunnelHeaders => "tunnel headers",
        UseOf::Padding => "tunnel padding",
        UseOf::Splitting => "headers of further pieces",
        UseOf::Framing => "what the link puts around",
    }
}

const fn why(reason: Reason) -> &'static str {
    match reason {
        Reason::Asked => "asked for",
        Reason::Largest => "the largest that is split nowhere",
        Reason::Customary => "what the protocol sets by itself",
        Reason::EitherFamily => "the largest that IPv6 outside does not split either",
        Reason::Middle => "a reasonable middle (RFC 4821 section 7.2)",
        Reason::LeastForIpv6 => "the least for IPv6 inside (RFC 8200 section 5)",
    }
}

fn sum(lengths: &[u32]) -> String {
    lengths.iter().map(ToString::to_string).collect::<Vec<_>>().join(" + ")
}

fn words<const N: usize>(names: [&str; N]) -> Vec<String> {
    names.map(str::to_owned).to_vec()
}

const SPLIT: &str = "RFC 791 section 3.2, RFC 8200 section 4.5";

const ESTIMATE: &str = "an estimate: the tunnel is a TCP connection, and its acknowledgements, what its own retransmissions hold \
                        up, and two congestion controls one in the other are not in these figures";

const UNSAFE: &str = "not for anything that must stay private, however fast it is";
