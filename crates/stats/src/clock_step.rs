//! Whether a clock was stepped during a run, which voids its delay figures and nothing else.
//!
//! Three witnesses, of falling strength: exchanges that exclude each other (see [`crate::ClockRelation`]); the realtime
//! clock moving against the monotonic one of the same host ([`StepWatch`]); the least delays of both directions jumping
//! by opposite amounts at one time ([`opposite_shifts`]). A jump in one direction alone may be a new route.

#[cfg(test)]
mod tests;

use crate::TimedDelay;
use crate::skew::saturating;

/// How fast a clock may be slewed without having been stepped: 500 parts per million, the kernel's limit (from memory).
pub const LARGEST_SLEW: f64 = 500e-6;

/// Watches the realtime clock of one host against its monotonic clock.
#[derive(Debug, Clone)]
pub struct StepWatch {
    tolerance_ns: u64,
    last: Option<(i64, i64)>,
    steps: u64,
    first: Option<HostStep>,
}

/// A jump of the realtime clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HostStep {
    /// When it was noticed, nanoseconds of the monotonic clock.
    pub at_ns: i64,
    /// By how much the clock jumped, beyond what the monotonic clock advanced, nanoseconds.
    pub by_ns: i64,
}

impl StepWatch {
    /// A watch that lets the two readings of one sample be `tolerance_ns` apart.
    pub const fn new(tolerance_ns: u64) -> Self {
        Self { tolerance_ns, last: None, steps: 0, first: None }
    }

    /// Takes both clocks, read at one moment, in; returns the jump since the sample before.
    ///
    /// Slewing moves the realtime clock too, by at most [`LARGEST_SLEW`] of the time between, and is no jump.
    pub fn accept(&mut self, realtime_ns: i64, monotonic_ns: i64) -> Option<HostStep> {
        let (realtime, monotonic) = self.last.replace((realtime_ns, monotonic_ns))?;
        let elapsed = i128::from(monotonic_ns) - i128::from(monotonic);
        let jumped = i128::from(realtime_ns) - i128::from(realtime) - elapsed;
        let slewed = LARGEST_SLEW * elapsed.unsigned_abs() as f64;
        if jumped.unsigned_abs() as f64 <= self.tolerance_ns as f64 + slewed {
            return None;
        }
        let step = HostStep { at_ns: monotonic_ns, by_ns: saturating(jumped) };
        self.steps += 1;
        self.first.get_or_insert(step);
        Some(step)
    }

    /// How many jumps there were.
    pub const fn steps(&self) -> u64 {
        self.steps
    }

    /// The first jump, which voids the delay figures of its run; `None` when there was none.
    pub const fn first(&self) -> Option<HostStep> {
        self.first
    }
}

/// The largest lasting change of the least delay in one direction: a break in the line under the delays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DelayShift {
    /// The first moment after it, nanoseconds.
    pub at_ns: i64,
    /// By how much the least delay changed, nanoseconds.
    pub by_ns: i64,
}

/// Finds where the least delay of the `window_ns` before and of the `window_ns` from there differ most.
///
/// `delays` rise in time. Both windows must lie within them and hold a delay; `None` when no moment has such windows.
pub fn largest_shift(delays: &[TimedDelay], window_ns: u64) -> Option<DelayShift> {
    let (first, last) = (delays.first()?.at_ns, delays.last()?.at_ns);
    let window = i64::try_from(window_ns).unwrap_or(i64::MAX);
    let least = |delays: &[TimedDelay]| delays.iter().map(|delay| delay.delay_ns).min();
    let place = |time: i64| delays.partition_point(|delay| delay.at_ns < time);
    let shifts = delays.iter().enumerate().filter_map(|(here, delay)| {
        let from = delay.at_ns.checked_sub(window).filter(|from| *from >= first)?;
        let to = delay.at_ns.checked_add(window).filter(|to| *to <= last)?;
        let before = least(delays.get(place(from)..here)?)?;
        let after = least(delays.get(here..place(to).max(here))?)?;
        let by_ns = saturating(i128::from(after) - i128::from(before));
        Some(DelayShift { at_ns: delay.at_ns, by_ns })
    });
    shifts.max_by_key(|shift| (shift.by_ns.unsigned_abs(), std::cmp::Reverse(shift.at_ns)))
}

/// Whether both directions jumped by opposite amounts at one time, as they do when a clock is stepped, and by how much.
///
/// Two shifts count as opposite when they cancel to a quarter of the larger, at one time when they lie within
/// `apart_ns`, and as more than queueing when both exceed `least_ns`. The quarter is our own bound.
pub fn opposite_shifts(
    toward_far: DelayShift,
    toward_near: DelayShift,
    apart_ns: u64,
    least_ns: u64,
) -> Option<i64> {
    let [there, back] = [toward_far.by_ns, toward_near.by_ns];
    let larger = there.unsigned_abs().max(back.unsigned_abs());
    let together = i128::from(there) + i128::from(back);
    let enough = there.unsigned_abs().min(back.unsigned_abs()) > least_ns;
    let opposite = together.unsigned_abs() * 4 <= u128::from(larger);
    let at_once = toward_far.at_ns.abs_diff(toward_near.at_ns) <= apart_ns;
    (enough && opposite && at_once).then(|| saturating((i128::from(there) - i128::from(back)) / 2))
}
