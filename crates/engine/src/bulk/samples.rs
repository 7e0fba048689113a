//! Reading what the kernel says of a direction's connections while data flows.
//!
//! It runs beside the control side, never on a data thread, and only while there are flows.

use std::net::TcpStream;
use std::pin::pin;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::Duration;

use culvert_os::{clock::monotonic_ns, tcp::TcpInfo};
use culvert_wire::message::{TcpSamplesReport, Way};
use tokio::time::MissedTickBehavior;

/// The narrowest distance of two samples: the kernel counts its times in ticks of up to 10 ms.
const NARROWEST: Duration = Duration::from_millis(100);

/// How often to sample a run that lasts `whole`, draining included, and whose series has steps of `step`: every so many
/// steps, so that the account of the longest run has no more samples than it may.
pub fn sample_every(step: Duration, whole: Duration) -> Duration {
    let most = u32::try_from(TcpSamplesReport::MOST - 2).unwrap_or(u32::MAX);
    let least = NARROWEST.max(whole / most);
    let steps = least.as_nanos().div_ceil(step.as_nanos().max(1));
    step.saturating_mul(u32::try_from(steps).unwrap_or(u32::MAX).max(1))
}

/// The samples of a session at this end, by the way the data went.
#[derive(Debug, Default)]
pub struct Samples {
    by_way: Mutex<Vec<(Way, TcpSamplesReport)>>,
}

impl Samples {
    /// Keeps what was sampled.
    pub(super) fn keep(&self, way: Way, samples: TcpSamplesReport) {
        self.by_way.lock().unwrap_or_else(PoisonError::into_inner).push((way, samples));
    }

    /// Everything that was kept since the last call; what holds no sample is left out.
    pub fn take(&self) -> Vec<(Way, TcpSamplesReport)> {
        let kept = std::mem::take(&mut *self.by_way.lock().unwrap_or_else(PoisonError::into_inner));
        kept.into_iter().filter(|(_, samples)| !samples.is_empty()).collect()
    }
}

/// Samples some flows until the first of them ends.
#[derive(Debug)]
pub(super) struct Sampler {
    flows: Vec<Weak<TcpStream>>,
    start_ns: u64,
    every: Duration,
    samples: TcpSamplesReport,
}

impl Sampler {
    /// A sampler of `flows`, which it does not keep open, for a run that began at `start_ns`.
    pub(super) fn new(flows: &[Arc<TcpStream>], start_ns: u64, every: Duration) -> Self {
        let flows = flows.iter().map(Arc::downgrade).collect();
        Self { flows, start_ns, every, samples: TcpSamplesReport::new() }
    }

    /// Samples while `work` is not done; gives both results.
    pub(super) async fn beside<T>(
        mut self,
        work: impl Future<Output = T>,
    ) -> (T, TcpSamplesReport) {
        let mut work = pin!(work);
        let mut ticks = tokio::time::interval(self.every.max(NARROWEST));
        ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut goes_on = true;
        loop {
            tokio::select! {
                biased;
                done = &mut work => return (done, self.samples),
                _ = ticks.tick(), if goes_on => goes_on = self.sample().is_some(),
            }
        }
    }

    /// Reads all flows once; `None` when that is no longer of use.
    fn sample(&mut self) -> Option<()> {
        let infos: Vec<_> = self
            .flows
            .iter()
            .map(|flow| TcpInfo::read(&*flow.upgrade()?).ok())
            .collect::<Option<_>>()?;
        let elapsed_ms = monotonic_ns().saturating_sub(self.start_ns) / 1_000_000;
        let at_ms = u32::try_from(elapsed_ms).ok()?;
        if self.samples.at_ms.last().is_none_or(|last| at_ms > *last) {
            add(&mut self.samples, at_ms, &infos);
        }
        (self.samples.len() < TcpSamplesReport::MOST).then_some(())
    }
}

fn add(samples: &mut TcpSamplesReport, at_ms: u32, flows: &[TcpInfo]) {
    // A sum that lacks a part is no sum.
    let sum = |value: fn(&TcpInfo) -> Option<u64>| {
        flows.iter().map(value).try_fold(0_u64, |sum, value| Some(sum.saturating_add(value?)))
    };
    let known = |value: fn(&TcpInfo) -> Option<u32>| {
        flows.iter().filter_map(value).map(u64::from).collect::<Vec<_>>()
    };
    let round_trips = known(|info| info.rtt_us);
    let mean = round_trips.iter().sum::<u64>().checked_div(round_trips.len() as u64);
    let window = |info: &TcpInfo| {
        Some(u64::from(info.congestion_window).saturating_mul(u64::from(info.send_mss)))
    };
    samples.at_ms.push(at_ms);
    samples.rtt_us.push(mean);
    samples.min_rtt_us.push(known(|info| info.min_rtt_us).into_iter().min());
    samples.retransmitted_bytes.push(sum(|info| info.bytes_retransmitted));
    let rate = |info: &TcpInfo| info.delivery_rate.map(culvert_units::BitRate::bits_per_second);
    samples.delivery_rate_bps.push(sum(rate));
    samples.congestion_window_bytes.push(sum(window));
    samples.busy_us.push(sum(|info| info.busy_time_us));
    samples.receive_window_limited_us.push(sum(|info| info.receive_window_limited_us));
    samples.send_buffer_limited_us.push(sum(|info| info.send_buffer_limited_us));
}

#[cfg(test)]
mod tests {
    use std::io::Write as _;
    use std::net::TcpListener;

    use super::*;

    #[test]
    fn the_longest_run_has_no_more_samples_than_an_account_may_hold() {
        let ms = Duration::from_millis;
        assert_eq!(sample_every(ms(100), ms(18_000)), ms(100));
        assert_eq!(sample_every(ms(10), ms(600)), ms(100));
        assert_eq!(sample_every(ms(1_000), ms(10_000)), ms(1_000));
        for seconds in [1, 18, 61, 121, 86_400] {
            let whole = Duration::from_secs(seconds);
            let every = sample_every(ms(50), whole);
            let samples = whole.as_nanos() / every.as_nanos() + 1;
            assert!(samples <= TcpSamplesReport::MOST as u128, "{seconds} s");
            assert_eq!(every.as_millis() % 50, 0);
        }
    }

    fn flow(door: &TcpListener) -> (Arc<TcpStream>, TcpStream) {
        let near = TcpStream::connect(door.local_addr().expect("an address")).expect("a flow");
        (Arc::new(near), door.accept().expect("a flow").0)
    }

    #[test]
    fn flows_are_summed_until_the_first_ends() {
        let door = TcpListener::bind(("127.0.0.1", 0)).expect("a port");
        let [(first, _far), (second, _other_far)] = [flow(&door), flow(&door)];
        let flows = [first, second];
        let mut sampler = Sampler::new(&flows, 0, NARROWEST);
        assert_eq!(sampler.sample(), Some(()));
        let infos = flows.each_ref().map(|flow| TcpInfo::read(&**flow).expect("known"));
        let windows = infos.map(|info| u64::from(info.congestion_window * info.send_mss));
        let sum = windows.iter().sum();
        assert_eq!(sampler.samples.congestion_window_bytes, [Some(sum)]);
        let [first, _second] = flows;
        drop(first);
        assert_eq!(sampler.sample(), None);
        assert!(sampler.samples.is_consistent() && sampler.samples.len() == 1);
    }

    #[tokio::test]
    async fn what_waits_for_a_full_window_shows_as_limited_by_it() {
        let door = TcpListener::bind(("127.0.0.1", 0)).expect("a port");
        let (near, _unread) = flow(&door);
        near.set_nonblocking(true).expect("non-blocking");
        while (&*near).write(&[1; 10_000]).is_ok() {}
        let flows = [Arc::clone(&near)];
        let sampler = Sampler::new(&flows, monotonic_ns(), NARROWEST);
        let ((), samples) = sampler.beside(tokio::time::sleep(Duration::from_millis(450))).await;
        assert!(samples.is_consistent());
        assert!((3..=5).contains(&samples.len()), "{:?}", samples.at_ms);
        // The peer reads nothing: whatever time passes, its window is the limit (tcp_chrono of Linux's net/ipv4/tcp.c).
        let rise = |column: &[Option<u64>]| {
            let ends = column.first().copied().flatten().zip(column.last().copied().flatten());
            ends.map(|(first, last)| last - first).expect("known")
        };
        let elapsed_us = u64::from(
            samples.at_ms.last().expect("a sample") - samples.at_ms.first().expect("one"),
        ) * 1_000;
        let limited = rise(&samples.receive_window_limited_us);
        assert!(limited + 20_000 >= elapsed_us && limited <= elapsed_us + 20_000, "{samples:?}");
        assert!(rise(&samples.busy_us) + 20_000 >= limited);
        assert_eq!(rise(&samples.send_buffer_limited_us), 0);
    }
}
