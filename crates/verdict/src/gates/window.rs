//! Whether a window of an end held TCP back, by what the transmitter's kernel counted.

use culvert_record::{Caveat, Direction, Plateau, TcpSamples, Way, WindowLimit};

/// From this share of its busy time on, a window is what the result is about; below it the path still sets most of the
/// rate (common practice, no published source).
pub const LIMITED_SHARE: f64 = 0.20;

/// The caveat that a window held the transmitter back; of the receiver's window and the send buffer the one that did more.
pub(super) fn window_limited(toward: Way, direction: &Direction) -> Option<Caveat> {
    let samples = direction.tcp.as_ref()?.transmitter_samples.as_ref()?;
    let plateau = direction.plateau?;
    let busy = rise(samples, &samples.busy_us, plateau).filter(|busy| *busy > 0)?;
    let share = |part: &[Option<u64>]| {
        rise(samples, part, plateau).map_or(0.0, |limited| limited as f64 / busy as f64)
    };
    let receive = (WindowLimit::ReceiveWindow, share(&samples.receive_window_limited_us));
    let send = (WindowLimit::SendBuffer, share(&samples.send_buffer_limited_us));
    let (limit, share) = if receive.1 >= send.1 { receive } else { send };
    // The three times are counted in ticks of their own: a part may read a little more than the whole.
    (share >= LIMITED_SHARE).then_some(Caveat::WindowLimited {
        toward,
        limit,
        share: share.min(1.0),
    })
}

/// By how much a count rose over the plateau: between the first and the last sample within it.
///
/// The samples' time is the transmitter's, which began earlier by the way there; against a share that is nothing.
fn rise(samples: &TcpSamples, counts: &[Option<u64>], plateau: Plateau) -> Option<u64> {
    let within = |at_ms: u32| (plateau.from_ms..=plateau.to_ms).contains(&u64::from(at_ms));
    let mut counted = samples
        .at_ms
        .iter()
        .zip(counts)
        .filter(|(at_ms, _)| within(**at_ms))
        .filter_map(|(_, count)| *count);
    let first = counted.next()?;
    counted.next_back()?.checked_sub(first)
}

#[cfg(test)]
mod tests {
    use culvert_record::TcpFacts;

    use super::*;

    /// Two seconds of plateau behind one of settling, in which all counts rise by 1 s of busy time a second.
    fn direction(receive_us_a_second: u64, send_us_a_second: u64) -> Direction {
        let seconds: [u64; 4] = [0, 1, 2, 3];
        let column = |each: u64| seconds.iter().map(|second| Some(second * each)).collect();
        let samples = TcpSamples {
            at_ms: vec![0, 1_000, 2_000, 3_000],
            busy_us: column(1_000_000),
            receive_window_limited_us: column(receive_us_a_second),
            send_buffer_limited_us: column(send_us_a_second),
            ..TcpSamples::new()
        };
        Direction {
            plateau: Some(Plateau { from_ms: 1_000, to_ms: 3_000 }),
            tcp: Some(TcpFacts { transmitter_samples: Some(samples), ..TcpFacts::default() }),
            ..Direction::default()
        }
    }

    #[test]
    fn the_larger_share_names_the_window_from_a_fifth_on() {
        let judged = |receive, send| window_limited(Way::Far, &direction(receive, send));
        assert_eq!(judged(199_999, 100_000), None);
        let limited = |limit, share| Some(Caveat::WindowLimited { toward: Way::Far, limit, share });
        assert_eq!(judged(200_000, 100_000), limited(WindowLimit::ReceiveWindow, 0.2));
        assert_eq!(judged(250_000, 500_000), limited(WindowLimit::SendBuffer, 0.5));
        assert_eq!(judged(1_010_000, 0), limited(WindowLimit::ReceiveWindow, 1.0));
    }

    #[test]
    fn what_lies_before_the_plateau_or_is_unknown_does_not_count() {
        let mut early = direction(0, 0);
        let samples = |direction: &mut Direction| {
            direction.tcp.as_mut().and_then(|tcp| tcp.transmitter_samples.take()).expect("samples")
        };
        let mut seen = samples(&mut early);
        seen.receive_window_limited_us = [0, 900_000, 900_000, 900_000].map(Some).to_vec();
        let kept = |seen: TcpSamples| Direction {
            tcp: Some(TcpFacts { transmitter_samples: Some(seen), ..TcpFacts::default() }),
            ..early.clone()
        };
        assert_eq!(window_limited(Way::Far, &kept(seen.clone())), None);
        seen.receive_window_limited_us = [0, 900_000, 1_900_000, 2_900_000].map(Some).to_vec();
        assert!(window_limited(Way::Far, &kept(seen.clone())).is_some());
        seen.busy_us = vec![None; 4];
        assert_eq!(window_limited(Way::Far, &kept(seen)), None);
        assert_eq!(window_limited(Way::Far, &Direction::default()), None);
    }
}
