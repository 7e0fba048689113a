//! Ceilings as lines for a spreadsheet.

use std::io::{self, Write};

use culvert_pathmodel::{Ceiling, Direction};

use super::{CEILING_SCHEMA, CeilingRow, CeilingTable, secrecy, ways};
use crate::cells::spreadsheet;

/// One line an encapsulation; a direction is filled from the one way when both are alike.
pub(super) fn write(table: &CeilingTable, out: &mut dyn Write) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(COLUMNS)?;
    for row in &table.rows {
        let mut cells = vec![
            CEILING_SCHEMA.to_owned(),
            spreadsheet(&row.key),
            spreadsheet(&row.name),
            secrecy(row.confidentiality).to_owned(),
            table.link.rate.bits_per_second().to_string(),
            table.underlay_mtu.to_string(),
        ];
        let figures = FIGURES.iter().map(|figure| row.ceiling.as_ref().map(figure));
        cells.extend(figures.map(Option::unwrap_or_default));
        for direction in Direction::ALL {
            cells.extend(way_cells(row, direction));
        }
        cells.push(row.share_of_plain.map(|share| share.get().to_string()).unwrap_or_default());
        cells.push(spreadsheet(row.refused.as_deref().unwrap_or_default()));
        csv.write_record(cells)?;
    }
    csv.flush()
}

const FIGURES: [fn(&Ceiling) -> String; 10] = [
    |ceiling| ceiling.inner_mtu.to_string(),
    |ceiling| ceiling.largest_inner.to_string(),
    |ceiling| ceiling.mss_clamp.to_string(),
    |ceiling| ceiling.outer_length.to_string(),
    |ceiling| ceiling.wire_length.to_string(),
    |ceiling| ceiling.tcp_payload.to_string(),
    |ceiling| ceiling.udp_payload.to_string(),
    |ceiling| ceiling.packets_per_second.to_string(),
    |ceiling| ceiling.fragments().to_string(),
    |ceiling| ceiling.is_estimate.to_string(),
];

fn way_cells(row: &CeilingRow, direction: Direction) -> [String; 5] {
    let way = row.ways.iter().find(|way| way.toward.is_none_or(|toward| toward == direction));
    let Some(way) = way else { return Default::default() };
    let outlook = way.outlook.as_ref();
    [
        way.tcp.bits_per_second().to_string(),
        way.udp.bits_per_second().to_string(),
        spreadsheet(way.tcp_bound_by.as_deref().unwrap_or_default()),
        outlook.map(|found| found.tcp.bits_per_second().to_string()).unwrap_or_default(),
        outlook.map(|found| ways::bound(found.smallest).to_owned()).unwrap_or_default(),
    ]
}

pub(super) const COLUMNS: [&str; 28] = [
    "schema",
    "encapsulation",
    "name",
    "confidentiality",
    "link_bps",
    "underlay_mtu_bytes",
    "inner_mtu_bytes",
    "largest_inner_mtu_bytes",
    "mss_clamp_bytes",
    "outer_packet_bytes",
    "wire_bytes",
    "tcp_payload_bytes",
    "udp_payload_bytes",
    "packets_per_second",
    "splits_packets",
    "estimate",
    "toward_far_tcp_bps",
    "toward_far_udp_bps",
    "toward_far_limit_link",
    "toward_far_one_connection_bps",
    "toward_far_bound",
    "toward_near_tcp_bps",
    "toward_near_udp_bps",
    "toward_near_limit_link",
    "toward_near_one_connection_bps",
    "toward_near_bound",
    "tcp_share_of_plain",
    "refused",
];
