//! The largest packet a path carries in one direction, found to the byte by probes alone (RFC 8899, DPLPMTUD).
//!
//! A probe is one datagram that may not be fragmented; the peer acknowledges it with a small one. Silence counts against
//! a size only after [`MAX_PROBES`] probes of it, and once more as often for the size that decides. A router's "too big"
//! is a hint where to look next and never a result, as RFC 8899 4.6.2 has it. Sizes are whole IP packets in bytes, times
//! nanoseconds of one monotonic clock.
//!
//! Ask [`PathMtuSearch::poll_probe`] for what to send and [`PathMtuSearch::poll_timeout`] when to call
//! [`PathMtuSearch::handle_timeout`], until there is an [`PathMtuSearch::outcome`].

mod ask;
mod found;
#[cfg(test)]
mod tests;

pub use culvert_pathmodel::Family;

pub use ask::{LEAST_TIMEOUT_NS, MAX_PROBES, PathMtuAsk, PathMtuAskError};
use found::Found;
pub use found::{Above, PathMtuOutcome, PathMtuVerdict};

/// How often the search begins again when a size that passed stops passing.
const MOST_RESTARTS: u32 = 2;

/// How many "too big" messages are followed: each costs at most two sizes.
const MOST_HINTS: usize = 4;

/// One datagram to send.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Probe {
    /// Numbers the probes of a search from 0.
    pub id: u32,
    /// The length of the whole IP packet in bytes.
    pub ip_bytes: u16,
}

impl Probe {
    /// The UDP payload that makes the packet as long as this, in bytes; `None` when not even the headers fit.
    pub fn udp_payload(self, family: Family) -> Option<u16> {
        udp_payload(family, self.ip_bytes)
    }
}

/// The largest UDP payload in an IP packet of so many bytes without options: less the IP header and 8 (RFC 8085 3.2).
pub fn udp_payload(family: Family, ip_bytes: u16) -> Option<u16> {
    less_headers(family, ip_bytes, 8)
}

/// The MSS that an MTU allows: less the fixed headers of IP and TCP, options or not (RFC 6691 section 2, RFC 9293 3.7.1).
pub fn tcp_mss(family: Family, mtu: u16) -> Option<u16> {
    less_headers(family, mtu, 20)
}

fn less_headers(family: Family, ip_bytes: u16, transport: u16) -> Option<u16> {
    let ip = u16::try_from(family.header_length()).ok()?;
    ip_bytes.checked_sub(ip)?.checked_sub(transport)
}

/// The search of one direction.
#[derive(Debug, Clone)]
pub struct PathMtuSearch {
    ask: PathMtuAsk,
    started_ns: u64,
    /// The size of every probe, by its id.
    sent: Vec<u16>,
    found: Found,
    attempt: Option<Attempt>,
    hints: Vec<u16>,
    outcome: Option<PathMtuOutcome>,
}

/// The probes of one size, up to [`MAX_PROBES`] in a row.
#[derive(Debug, Clone, Copy)]
struct Attempt {
    ip_bytes: u16,
    purpose: Purpose,
    first_id: u32,
    tries: u32,
    /// When the last probe counts as lost; `None` while the next is still to be sent.
    deadline_ns: Option<u64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Purpose {
    /// Whether the size passes.
    Learn,
    /// Whether the size that decides really fails: chance may have taken its probes.
    ConfirmFailing,
    /// Whether the largest size still passes: the path may have changed.
    ConfirmPassing,
}

impl PathMtuSearch {
    /// A search that begins at `now_ns`.
    pub fn new(ask: PathMtuAsk, now_ns: u64) -> Self {
        let mut search = Self {
            ask,
            started_ns: now_ns,
            sent: Vec::new(),
            found: Found::default(),
            attempt: None,
            hints: Vec::new(),
            outcome: None,
        };
        search.choose(now_ns);
        search
    }

    /// The probe to send now; `None` while one is under way, and after the end.
    pub fn poll_probe(&mut self, now_ns: u64) -> Option<Probe> {
        if self.outcome.is_some() || !self.within_bounds(now_ns) {
            return None;
        }
        let attempt = self.attempt.as_mut().filter(|attempt| attempt.deadline_ns.is_none())?;
        let id = u32::try_from(self.sent.len()).ok()?;
        attempt.tries += 1;
        attempt.deadline_ns = Some(now_ns.saturating_add(self.ask.probe_timeout_ns));
        self.sent.push(attempt.ip_bytes);
        Some(Probe { id, ip_bytes: attempt.ip_bytes })
    }

    /// The peer says that this probe arrived, however late.
    pub fn on_acknowledged(&mut self, id: u32, now_ns: u64) {
        let Some(size) = self.size_of(id).filter(|_| self.outcome.is_none()) else { return };
        self.found.passed(size);
        let Some(attempt) = self.attempt else { return };
        let confirms = attempt.purpose == Purpose::ConfirmPassing;
        if confirms && id >= attempt.first_id && size == attempt.ip_bytes {
            self.found.confirm_passing(size);
        }
        // A late acknowledgment of a larger size settles a smaller one, too.
        let settled =
            if confirms { self.found.is_passing_confirmed() } else { size == attempt.ip_bytes };
        if settled || size > attempt.ip_bytes {
            self.choose(now_ns);
        }
    }

    /// A router says that a probe was too big and that it takes `mtu` bytes.
    ///
    /// The caller has checked that the quoted packet is this probe, by its addresses, ports and tag (RFC 8899 4.6.1).
    pub fn on_too_big(&mut self, id: u32, mtu: u16, now_ns: u64) {
        let Some(size) = self.size_of(id).filter(|_| self.outcome.is_none()) else { return };
        if mtu < self.ask.floor || mtu >= size {
            self.found.hints_rejected += 1;
            return;
        }
        self.found.answered(size, mtu);
        let known = self.hints.contains(&mtu) || self.hints.len() >= MOST_HINTS;
        if !known {
            self.hints.push(mtu);
        }
        if self.found.largest_passing().is_some_and(|passing| mtu < passing) {
            // RFC 8899 4.6.2 takes this for a sign of a black hole: see whether the largest size still passes.
            self.found.doubt_passing();
        }
        let probing_above =
            self.attempt.is_some_and(|a| a.ip_bytes > mtu && a.purpose == Purpose::Learn);
        if !known && probing_above {
            self.choose(now_ns);
        }
    }

    /// This host itself refused to send the probe: it is larger than the interface or route takes.
    pub fn on_refused_here(&mut self, id: u32, now_ns: u64) {
        let Some(size) = self.size_of(id).filter(|_| self.outcome.is_none()) else { return };
        self.found.refused_here(size);
        if self.attempt.is_some_and(|attempt| attempt.ip_bytes == size) {
            self.give_up_size(now_ns);
        }
    }

    /// Acts on time; an early call does nothing.
    pub fn handle_timeout(&mut self, now_ns: u64) {
        if self.outcome.is_some() || !self.within_bounds(now_ns) {
            return;
        }
        let Some(attempt) = self.attempt.as_mut() else { return };
        if attempt.deadline_ns.is_none_or(|deadline| now_ns < deadline) {
            return;
        }
        self.found.lost += 1;
        if attempt.tries < MAX_PROBES {
            attempt.deadline_ns = None;
        } else {
            self.give_up_size(now_ns);
        }
    }

    /// When to call [`Self::handle_timeout`] next; `None` after the end.
    pub fn poll_timeout(&self) -> Option<u64> {
        let deadline = self.attempt.filter(|_| self.outcome.is_none())?.deadline_ns;
        Some(deadline.unwrap_or(u64::MAX).min(self.gives_up_at()))
    }

    /// What was found, once the search has ended.
    pub const fn outcome(&self) -> Option<&PathMtuOutcome> {
        self.outcome.as_ref()
    }

    /// Ends the search with what is known so far, for a session that ends before it.
    pub fn stop(&mut self, now_ns: u64) {
        if self.outcome.is_none() {
            self.finish(PathMtuVerdict::Unfinished, now_ns);
        }
    }

    fn give_up_size(&mut self, now_ns: u64) {
        let Some(attempt) = self.attempt else { return };
        match attempt.purpose {
            Purpose::Learn => self.found.failed(attempt.ip_bytes),
            Purpose::ConfirmFailing => self.found.confirm_failing(attempt.ip_bytes),
            Purpose::ConfirmPassing => {
                self.found.forget_sizes();
                if self.found.restarts > MOST_RESTARTS {
                    return self.finish(PathMtuVerdict::Unstable, now_ns);
                }
            }
        }
        self.choose(now_ns);
    }

    /// Chooses the next size, or ends.
    fn choose(&mut self, now_ns: u64) {
        match self.next_step() {
            Ok((ip_bytes, purpose)) => {
                let first_id = u32::try_from(self.sent.len()).unwrap_or(u32::MAX);
                self.attempt =
                    Some(Attempt { ip_bytes, purpose, first_id, tries: 0, deadline_ns: None });
            }
            Err(verdict) => self.finish(verdict, now_ns),
        }
    }

    fn next_step(&self) -> Result<(u16, Purpose), PathMtuVerdict> {
        let Some(passing) = self.found.largest_passing() else { return self.first_step() };
        if self.found.is_passing_doubted() {
            return Ok((passing, Purpose::ConfirmPassing));
        }
        let failing = self.found.smallest_failing();
        if let Some(size) = self.size_between(passing, failing) {
            return Ok((size, Purpose::Learn));
        }
        if let Some(failing) = failing.filter(|failing| !self.found.is_failing_confirmed(*failing))
        {
            return Ok((failing, Purpose::ConfirmFailing));
        }
        if !self.found.is_passing_confirmed() {
            return Ok((passing, Purpose::ConfirmPassing));
        }
        Err(if failing.is_some() { PathMtuVerdict::Exact } else { PathMtuVerdict::AtCeiling })
    }

    /// Nothing has passed yet: the base (RFC 8899's Base phase), or else the floor (its Error phase).
    fn first_step(&self) -> Result<(u16, Purpose), PathMtuVerdict> {
        let wanted = [self.ask.base, self.ask.floor];
        let untried = wanted.into_iter().find(|size| !self.found.has_failed(*size));
        untried.map(|size| (size, Purpose::Learn)).ok_or(PathMtuVerdict::Silent)
    }

    /// A size between the largest that passes and the smallest that fails: where a router or the model points, else the
    /// ceiling, else the middle.
    fn size_between(&self, passing: u16, failing: Option<u16>) -> Option<u16> {
        let below = failing.unwrap_or_else(|| self.ask.ceiling.saturating_add(1));
        if below.saturating_sub(passing) <= 1 {
            return None;
        }
        let pointed = self.hints.iter().rev().chain(&self.ask.likely).find_map(|size| {
            let next = if *size == passing { passing + 1 } else { *size };
            (passing < next && next < below).then_some(next)
        });
        let middle = passing + (below - passing) / 2;
        let otherwise = failing.map_or(self.ask.ceiling, |_| middle);
        Some(pointed.unwrap_or(otherwise))
    }

    /// False when the search has ended at its bound of time or of probes.
    fn within_bounds(&mut self, now_ns: u64) -> bool {
        let waiting = self.attempt.is_some_and(|attempt| attempt.deadline_ns.is_some());
        let spent = !waiting && self.sent.len() >= self.ask.most_probes as usize;
        let ended = spent || now_ns >= self.gives_up_at();
        if ended {
            self.finish(PathMtuVerdict::Unfinished, now_ns);
        }
        !ended
    }

    const fn gives_up_at(&self) -> u64 {
        self.started_ns.saturating_add(self.ask.give_up_after_ns)
    }

    fn finish(&mut self, verdict: PathMtuVerdict, now_ns: u64) {
        self.attempt = None;
        let elapsed_ns = now_ns.saturating_sub(self.started_ns);
        // Silence is a finding only when nothing ever answered.
        let verdict = match (verdict, self.found.acknowledged) {
            (PathMtuVerdict::Unfinished, 0) => PathMtuVerdict::Silent,
            (PathMtuVerdict::Silent, 1..) => PathMtuVerdict::Unstable,
            _ => verdict,
        };
        self.outcome = Some(self.found.outcome(verdict, self.sent.len() as u64, elapsed_ns));
    }

    fn size_of(&self, id: u32) -> Option<u16> {
        self.sent.get(usize::try_from(id).ok()?).copied()
    }
}
