//! How fast two clocks drift apart, from one-way delays alone: the line under all of them.
//!
//! A delay has a floor, the empty path; a skew tilts that floor. Least squares follows the queues instead and is biased,
//! even in sign. The line that lies under every delay and as near to them as possible (S. B. Moon, P. Skelly and
//! D. Towsley, INFOCOM 1999; the linear program from memory) is the edge of the lower convex hull that spans the mean of
//! the times (L. Zhang, Z. Liu and C. H. Xia, INFOCOM 2002, have it by the hull in linear time).

#[cfg(test)]
mod tests;

/// A one-way delay and when it was measured, nanoseconds; the delay carries the difference of the two clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct TimedDelay {
    /// When the packet arrived, by the receiver's monotonic clock.
    pub at_ns: i64,
    /// Receive time minus send time, each by its own clock.
    pub delay_ns: i64,
}

/// The line under the delays of one direction: `floor_ns + ratio · (t − from_ns)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockSkew {
    /// How much longer the delays grow per time: the receiver's clock runs faster than the sender's by this share of 1.
    pub ratio: f64,
    /// The time at which nothing is taken off a delay: the earliest one.
    pub from_ns: i64,
    /// The height of the line at `from_ns`, nanoseconds.
    pub floor_ns: f64,
    /// From the earliest to the latest delay, nanoseconds.
    pub span_ns: u64,
    /// How many delays were looked at.
    pub delays: usize,
    /// How many of them lie on the line, within the tolerance that was given.
    pub touching: usize,
    /// From the first to the last of those, nanoseconds.
    pub support_ns: u64,
    /// Whether the line may be trusted.
    pub confidence: SkewConfidence,
}

/// Whether enough undelayed packets lie under a line of skew, far enough apart. The bounds are our own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SkewConfidence {
    /// At least three delays lie on the line and stretch over half of the span.
    Supported,
    /// Fewer, or they lie close together: some queue may never have been empty, and even the sign may be wrong.
    Weak,
}

/// So many delays must lie on the line for it to be trusted: two lie on every line.
const LEAST_TOUCHING: usize = 3;

/// Times and delays are held within ±2^61 ns (73 years) of the first, so that no product of two differences overflows.
const FARTHEST: i128 = 1 << 61;

/// Estimates the skew of delays in any order; `None` unless there are two different times.
///
/// `tolerance_ns` is how far a delay may lie above the line and still count as on it: the error of a timestamp.
pub fn clock_skew(delays: &[TimedDelay], tolerance_ns: u64) -> Option<ClockSkew> {
    let origin = *delays.iter().min()?;
    let points: Vec<Point> = delays.iter().map(|delay| Point::relative(*delay, origin)).collect();
    let (from, to) = edge_under_the_mean(&points)?;
    let ratio = (to.y - from.y) as f64 / (to.x - from.x) as f64;
    let above = |point: &Point| (point.y - from.y) as f64 - ratio * (point.x - from.x) as f64;
    let mut touching = points.iter().filter(|point| above(point) <= tolerance_ns as f64 + ROUNDING);
    let first = touching.next()?;
    let (mut count, mut earliest, mut latest) = (1, first.x, first.x);
    for point in touching {
        count += 1;
        earliest = earliest.min(point.x);
        latest = latest.max(point.x);
    }
    let span = points.iter().map(|point| point.x).max()?;
    let support = latest - earliest;
    let supported = count >= LEAST_TOUCHING && support * 2 >= span;
    Some(ClockSkew {
        ratio,
        from_ns: origin.at_ns,
        floor_ns: origin.delay_ns as f64 + from.y as f64 - ratio * from.x as f64,
        span_ns: u64::try_from(span).unwrap_or(u64::MAX),
        delays: delays.len(),
        touching: count,
        support_ns: u64::try_from(support).unwrap_or(u64::MAX),
        confidence: if supported { SkewConfidence::Supported } else { SkewConfidence::Weak },
    })
}

/// A delay on the line comes out this much above it, nanoseconds, in floating point.
const ROUNDING: f64 = 0.5;

impl ClockSkew {
    /// The delay as if both clocks had kept the difference they had at `from_ns`; saturates.
    ///
    /// What remains is right up to that constant: IPDV, PDV and queue delay may be taken from it, a one-way delay may not.
    pub fn removed(&self, delay: TimedDelay) -> i64 {
        let elapsed = delay.at_ns as f64 - self.from_ns as f64;
        saturating(i128::from(delay.delay_ns) - rounded(self.ratio * elapsed))
    }

    /// The skew in parts per million.
    pub fn parts_per_million(&self) -> f64 {
        self.ratio * 1e6
    }
}

/// The nearest integer; saturates.
pub(crate) fn rounded(value: f64) -> i128 {
    #[expect(clippy::cast_possible_truncation, reason = "the conversion saturates")]
    let whole = value.round() as i128;
    whole
}

/// The value within the range of `i64`.
pub(crate) fn saturating(value: i128) -> i64 {
    i64::try_from(value).unwrap_or(if value < 0 { i64::MIN } else { i64::MAX })
}

/// A delay relative to the first one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Point {
    x: i128,
    y: i128,
}

impl Point {
    fn relative(delay: TimedDelay, origin: TimedDelay) -> Self {
        let difference =
            |a: i64, b: i64| (i128::from(a) - i128::from(b)).clamp(-FARTHEST, FARTHEST);
        Self {
            x: difference(delay.at_ns, origin.at_ns),
            y: difference(delay.delay_ns, origin.delay_ns),
        }
    }
}

/// The two ends of the lower hull's edge that spans the mean time; of two edges that meet there, the later.
fn edge_under_the_mean(points: &[Point]) -> Option<(Point, Point)> {
    let hull = lower_hull(points);
    let sum: i128 = points.iter().map(|point| point.x).sum();
    let count = i128::try_from(points.len()).ok()?;
    let edges = || hull.iter().zip(hull.iter().skip(1));
    let spans = |(_, to): &(&Point, &Point)| to.x * count > sum;
    let (from, to) = edges().find(spans).or_else(|| edges().next_back())?;
    Some((*from, *to))
}

/// The corners of the lower convex hull by rising time, one for each time (A. M. Andrew's monotone chain, Information
/// Processing Letters 9(5), 1979; from memory).
fn lower_hull(points: &[Point]) -> Vec<Point> {
    let mut sorted = points.to_vec();
    sorted.sort_unstable();
    sorted.dedup_by_key(|point| point.x);
    let mut hull: Vec<Point> = Vec::new();
    for point in sorted {
        while let [.., before, last] = hull.as_slice()
            && !turns_up(*before, *last, point)
        {
            hull.pop();
        }
        hull.push(point);
    }
    hull
}

/// Whether the way from `a` over `b` to `c` turns upward at `b`.
fn turns_up(a: Point, b: Point, c: Point) -> bool {
    (b.x - a.x) * (c.y - a.y) > (b.y - a.y) * (c.x - a.x)
}

/// How many slots of time [`LeastDelays`] keeps.
const SLOTS: usize = 1024;

/// The least delay of each slot of time, in fixed memory, for a stream too long to be kept.
///
/// The line under the least delays is the line under all of them, but for corners of the hull that a lower delay of the
/// same slot hides. Slots begin at 10 ms and double in length when the stream outgrows them.
#[derive(Debug, Clone)]
pub struct LeastDelays {
    slots: Box<[Option<TimedDelay>]>,
    slot_ns: i128,
    from_ns: Option<i64>,
    too_early: u64,
}

impl LeastDelays {
    /// Without a delay so far.
    pub fn new() -> Self {
        Self {
            slots: (0..SLOTS).map(|_| None).collect(),
            slot_ns: 10_000_000,
            from_ns: None,
            too_early: 0,
        }
    }

    /// Takes a delay in; one from before the first is left out and counted.
    pub fn accept(&mut self, delay: TimedDelay) {
        let from = *self.from_ns.get_or_insert(delay.at_ns);
        let elapsed = i128::from(delay.at_ns) - i128::from(from);
        if elapsed < 0 {
            self.too_early += 1;
            return;
        }
        while elapsed / self.slot_ns >= SLOTS as i128 {
            self.halve();
        }
        let slot = usize::try_from(elapsed / self.slot_ns).ok();
        if let Some(slot) = slot.and_then(|slot| self.slots.get_mut(slot)) {
            *slot = lower(*slot, Some(delay));
        }
    }

    /// The least delays by rising time.
    pub fn delays(&self) -> Vec<TimedDelay> {
        self.slots.iter().flatten().copied().collect()
    }

    /// How many delays were left out because they lay before the first.
    pub const fn too_early(&self) -> u64 {
        self.too_early
    }

    fn halve(&mut self) {
        let merged: Vec<_> = self
            .slots
            .chunks(2)
            .map(|pair| pair.iter().copied().fold(None, lower))
            .chain(std::iter::repeat(None))
            .take(SLOTS)
            .collect();
        self.slots.copy_from_slice(&merged);
        self.slot_ns *= 2;
    }
}

impl Default for LeastDelays {
    fn default() -> Self {
        Self::new()
    }
}

fn lower(a: Option<TimedDelay>, b: Option<TimedDelay>) -> Option<TimedDelay> {
    a.into_iter().chain(b).min_by_key(|delay| delay.delay_ns)
}
