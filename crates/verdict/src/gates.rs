//! Whether a run may count: what its own figures say against it.

use std::net::{IpAddr, SocketAddr};

mod window;

pub use window::LIMITED_SHARE;

use culvert_record::{Caveat, Direction, End, Finding, Place, RunRecord, VoidReason, Way};

/// Below this share of the asked pace the transmitter, not the path, set the rate: a pacer that keeps up misses less
/// than a hundredth, so twice that is a host that could not (common practice, no published source).
pub const PACE_KEPT: f64 = 0.98;

/// A core this busy has no room left for one more packet: the sampler's own share of a core and the ticks at the
/// plateau's edges keep a full one from reading 100 % (common practice, no published source).
pub const CORE_IS_FULL: f64 = 0.95;

/// Data may fall silent for this share of the plateau before its end without the run being cut short: a stall of TCP
/// that long is a finding, a longer one leaves no plateau to report.
pub const SILENT_SHARE: f64 = 0.10;

/// Silence shorter than this is a retransmission time-out, whose first value is 1 s (RFC 6298 section 2.1).
pub const SILENT_AT_LEAST_MS: u64 = 1_000;

/// Adds the caveats that follow from a run's figures, and voids it when they leave nothing to report.
///
/// `earlier_outside` is an outside run of the same survey or ledger, if there is one: an inside run that took its way
/// is void. A run that is void already keeps its reason. Judging twice changes nothing.
pub fn judge(record: &mut RunRecord, earlier_outside: Option<&RunRecord>) {
    let caveats = caveats_of(record);
    for caveat in caveats {
        if !record.caveats.iter().any(|known| same_subject(known, &caveat)) {
            record.caveats.push(caveat);
        }
    }
    if record.void.is_none() {
        record.void = void_of(record, earlier_outside).map(|reason| reason.to_finding());
    }
}

/// The reason that voids an inside run which left by the same interface and address as the outside run and was seen
/// from the same address; `None` when one of the three differs or is missing in either.
///
/// Addresses are compared without their ports, and an IPv4 address mapped into IPv6 equals itself.
pub fn same_way_as_outside(inside: &RunRecord, outside: &RunRecord) -> Option<VoidReason> {
    let (inside, outside) = (inside.ends.near.as_ref()?, outside.ends.near.as_ref()?);
    let interface = inside.interface.as_ref()?;
    let same = interface == outside.interface.as_ref()?
        && ip_of(inside.address.as_ref()?)? == ip_of(outside.address.as_ref()?)?
        && ip_of(inside.seen_from.as_ref()?)? == ip_of(outside.seen_from.as_ref()?)?;
    same.then_some(VoidReason::SameWayAsOutside {
        address: ip_of(inside.address.as_ref()?)?.to_string(),
        interface: interface.clone(),
        seen_from: ip_of(inside.seen_from.as_ref()?)?.to_string(),
    })
}

fn void_of(record: &RunRecord, earlier_outside: Option<&RunRecord>) -> Option<VoidReason> {
    same_way(record, earlier_outside).or_else(|| {
        loaded(record).find_map(|(toward, direction)| {
            nothing_arrived(toward, direction)
                .or_else(|| counts_contradict(record, toward, direction))
                .or_else(|| ended_early(record, toward, direction))
        })
    })
}

fn same_way(record: &RunRecord, earlier_outside: Option<&RunRecord>) -> Option<VoidReason> {
    let outside = earlier_outside?;
    let places = (record.path.place, outside.path.place);
    (places == (Some(Place::Inside), Some(Place::Outside)))
        .then(|| same_way_as_outside(record, outside))?
}

fn nothing_arrived(toward: Way, direction: &Direction) -> Option<VoidReason> {
    let nothing = direction.bytes_received == Some(0) || direction.received == Some(0);
    nothing.then_some(VoidReason::NothingArrived { toward })
}

fn counts_contradict(record: &RunRecord, toward: Way, direction: &Direction) -> Option<VoidReason> {
    let (sent, received) = match (direction.sent, direction.received) {
        (Some(sent), Some(received)) => (sent, received),
        // Copies may be among the bytes of datagrams; only their counts are of first copies.
        (Some(_), None) | (None, Some(_)) => return None,
        (None, None) => (
            direction.bytes_sent?.saturating_add(unacknowledged(record, toward)),
            direction.bytes_received?,
        ),
    };
    (received > sent).then_some(VoidReason::CountsContradict { toward, sent, received })
}

/// What arrived and was not acknowledged in time is known to the receiver alone.
fn unacknowledged(record: &RunRecord, way: Way) -> u64 {
    let cut_short =
        record.caveats.iter().filter_map(Caveat::from_finding).find_map(|caveat| match caveat {
            Caveat::DrainCutShort { toward, unacknowledged_bytes } if toward == way => {
                Some(unacknowledged_bytes)
            }
            _ => None,
        });
    cut_short.unwrap_or(0)
}

fn ended_early(record: &RunRecord, toward: Way, direction: &Direction) -> Option<VoidReason> {
    let series = direction.series.as_ref()?;
    let last_step = series.bytes.iter().rposition(|&bytes| bytes > 0)?;
    let last_ms = (last_step as u64 + 1).saturating_mul(u64::from(series.step_ms));
    let wanted_ms = direction.plateau?.from_ms.saturating_add(record.asked.for_ms);
    let share = record.asked.for_ms as f64 * SILENT_SHARE;
    let silent_ms = wanted_ms.saturating_sub(last_ms);
    (silent_ms > SILENT_AT_LEAST_MS && silent_ms as f64 > share).then_some(VoidReason::EndedEarly {
        toward,
        last_ms,
        wanted_ms,
    })
}

fn caveats_of(record: &RunRecord) -> Vec<Finding> {
    let of_data = loaded(record).flat_map(|(toward, direction)| {
        [
            pace_missed(record, toward, direction),
            host_dropped(toward, direction),
            window::window_limited(toward, direction),
        ]
    });
    let of_ends = [(Way::Near, &record.ends.near), (Way::Far, &record.ends.far)]
        .map(|(end, facts)| facts.as_ref().and_then(|facts| core_full(end, facts)));
    of_data.chain(of_ends).flatten().map(|caveat| caveat.to_finding()).collect()
}

fn pace_missed(record: &RunRecord, toward: Way, direction: &Direction) -> Option<Caveat> {
    let (asked_bps, offered_bps) = (record.asked.pace_bps?, direction.offered_bps?);
    ((offered_bps as f64) < asked_bps as f64 * PACE_KEPT).then_some(Caveat::PaceMissed {
        toward,
        asked_bps,
        offered_bps,
    })
}

fn host_dropped(toward: Way, direction: &Direction) -> Option<Caveat> {
    let host_dropped = direction.host_dropped.filter(|&dropped| dropped > 0)?;
    // What the socket dropped is among the lost, so it is the least that can be lost.
    let lost = direction.lost.unwrap_or(host_dropped);
    Some(Caveat::HostDropped { toward, host_dropped, lost })
}

fn core_full(end: Way, facts: &End) -> Option<Caveat> {
    let busiest = facts.cores.as_ref()?.iter().max_by(|a, b| a.busy.total_cmp(&b.busy))?;
    (busiest.busy >= CORE_IS_FULL).then_some(Caveat::CoreFull {
        end,
        core: busiest.core,
        busy: busiest.busy,
    })
}

fn loaded(record: &RunRecord) -> impl Iterator<Item = (Way, &Direction)> {
    [Way::Far, Way::Near]
        .into_iter()
        .filter_map(|way| record.direction(way).map(|direction| (way, direction)))
}

fn same_subject(known: &Finding, new: &Finding) -> bool {
    let subject =
        |finding: &Finding| ["toward", "end"].map(|name| finding.values.get(name).cloned());
    known.code == new.code && subject(known) == subject(new)
}

/// The address in `192.0.2.1`, `192.0.2.1:80`, `2001:db8::1`, `[2001:db8::1]:80` or `fe80::1%eth0`.
fn ip_of(text: &str) -> Option<IpAddr> {
    if let Ok(socket) = text.parse::<SocketAddr>() {
        return Some(socket.ip().to_canonical());
    }
    let inner = text.strip_prefix('[').and_then(|rest| rest.split(']').next()).unwrap_or(text);
    let address = inner.split('%').next().unwrap_or(inner);
    address.parse().ok().map(|ip: IpAddr| ip.to_canonical())
}

#[cfg(test)]
#[path = "gates_tests.rs"]
mod tests;
