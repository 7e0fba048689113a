//! A sweep on a terminal.

use culvert_record::describe_caveat;
use culvert_session::sweep::SizeHeld;
use culvert_stats::{CostKind, Interval};
use culvert_units::Bytes;

use super::{Cost, Prediction, SizeRow, SweepReport};
use crate::{
    cells::printable,
    figures::{MISSING, bps, or_missing, way},
    table,
};

const HEADER: [&str; 7] =
    ["IP packet", "trials", "passed /s", "failed /s", "IP rate", "UDP payload", "held by"];

impl SweepReport {
    /// The sweep in at most `width` columns of text, ending with a newline.
    pub fn terminal(&self, width: u16) -> String {
        let asked = &self.asked;
        let mut text = printable(&format!(
            "sweep toward {} · {} · {} trials, {} sent",
            way(asked.toward),
            asked.target,
            self.trials.len(),
            Bytes::new(self.sent_bytes)
        ));
        text.push('\n');
        if let Some(reason) = &self.broken_off {
            let said = format!("broken off, and what follows is a part: {reason}");
            text.push_str(&table::paragraph(width, "! ", &said));
        }
        text.push('\n');
        let rows: Vec<_> = self.sizes.iter().map(cells).collect();
        text.push_str(&table::lines(width, &HEADER, &rows));
        text.push('\n');
        for sentence in self.sentences() {
            text.push_str(&table::paragraph(width, "", &sentence));
        }
        if !self.caveats.is_empty() {
            text.push_str("\ncaveats\n");
        }
        for caveat in &self.caveats {
            let said = format!(
                "in {} of {} trials: {}",
                caveat.trials,
                self.trials.len(),
                describe_caveat(&caveat.finding)
            );
            text.push_str(&table::paragraph(width, "  ! ", &said));
        }
        text
    }

    fn sentences(&self) -> Vec<String> {
        let Some(cost) = &self.cost else {
            let held = self.sizes.iter().filter(|size| size.figure.held == SizeHeld::Path).count();
            return vec![format!(
                "the path held {held} of {} sizes, and a cost per packet and per byte needs three: what limits it cannot \
                 be told",
                self.sizes.len()
            )];
        };
        let mut sentences = vec![cost.limit()];
        sentences.push(format!(
            "time a packet = a + b · bytes: a = {} ns, b = {} ns, from N = {} sizes; the farthest lies {:.1} % off that line",
            interval(cost.packet_ns, 0),
            interval(cost.byte_ns, 3),
            self.sizes.iter().filter(|size| size.figure.held == SizeHeld::Path).count(),
            cost.farthest_off * 100.0
        ));
        sentences.extend(self.prediction.as_ref().map(Prediction::sentence));
        sentences
    }
}

impl Cost {
    fn limit(&self) -> String {
        let share = format!(
            "the packet itself costs {:.0} % of the largest one's time",
            self.packet_share.value * 100.0
        );
        match self.limited_by {
            CostKind::PerPacket => {
                format!("limited per packet: {share}, so larger packets carry more")
            }
            CostKind::PerByte if self.packet_ns.low <= 0.0 => format!(
                "limited per byte: {share}, which may be nothing at all; a limiter that counts bytes and a line look the same"
            ),
            CostKind::PerByte => format!("limited per byte, as by a line or a cipher: {share}"),
            CostKind::Mixed => format!("limited both per packet and per byte: {share}"),
            CostKind::BitLimiter => format!(
                "a limiter: the same bits of IP packets pass at every size, to the {:.2} % that the trials leave open",
                self.bit_rate_spread * 100.0
            ),
            CostKind::PacketLimiter => format!(
                "a limiter of packets: the same number passes at every size, to the {:.2} % that the trials leave open",
                self.packet_rate_spread * 100.0
            ),
            CostKind::Unclear => format!(
                "what limits the path cannot be told from these sizes: {share}, but with too wide an interval ({} to {} %), \
                 or the sizes lie on no line",
                percent(self.packet_share.low),
                percent(self.packet_share.high)
            ),
        }
    }
}

impl Prediction {
    fn sentence(&self) -> String {
        let goodput = self.goodput_bps;
        let upper =
            if goodput.high.is_finite() { bps(goodput.high) } else { "no bound".to_owned() };
        let said = format!(
            "predicted at {} B, which was no part of the fit: {} of UDP payload ({} to {upper})",
            self.ip_bytes,
            bps(goodput.value),
            bps(goodput.low),
        );
        let measured = or_missing(self.measured.payload_bps.map(bps));
        match self.holds {
            Some(true) => format!("{said}; measured {measured}: it holds"),
            Some(false) => format!("{said}; measured {measured}: it does not hold"),
            None => format!("{said}; it could not be checked, {}", held(self.measured.figure.held)),
        }
    }
}

fn cells(row: &SizeRow) -> Vec<String> {
    let figure = &row.figure;
    let rate = |rate: Option<f64>| or_missing(rate.map(|rate| format!("{rate:.0}")));
    vec![
        format!("{} B", figure.ip_bytes),
        figure.trials.to_string(),
        rate(figure.packets_per_second),
        rate(figure.failed_at),
        or_missing(row.ip_bps.map(bps)),
        or_missing(row.payload_bps.map(bps)),
        held(figure.held).to_owned(),
    ]
}

const fn held(held: SizeHeld) -> &'static str {
    match held {
        SizeHeld::Path => "the path",
        SizeHeld::RateCap => "the cap",
        SizeHeld::Transmitter => "the sending host",
        SizeHeld::Inconsistent => "contradictions",
        SizeHeld::Trials => "too few trials",
        SizeHeld::Budget => "--at-most",
        SizeHeld::Pending => MISSING,
    }
}

fn interval(value: Interval, decimals: usize) -> String {
    let Interval { value, low, high } = value;
    format!("{value:.decimals$} ({low:.decimals$} to {high:.decimals$})")
}

fn percent(share: f64) -> String {
    format!("{:.0}", share * 100.0)
}
