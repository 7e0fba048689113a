//! The time each core has spent, from `/proc/stat` (`proc_stat(5)`).

use std::{fs, io};

use culvert_units::Fraction;

/// The time every core had spent on each kind of work since the host started, in ticks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CpuSample {
    cores: Vec<Core>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Core {
    number: u32,
    user: u64,
    system: u64,
    idle: u64,
    interrupt: u64,
    softirq: u64,
    steal: u64,
}

/// What one core did between two samples, as shares of its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoreUse {
    /// The kernel's number of the core.
    pub core: u32,
    /// Everything but idle.
    pub busy: Fraction,
    /// Programs, including low priority ones and guests.
    pub user: Fraction,
    /// The kernel on behalf of programs.
    pub system: Fraction,
    /// Hardware interrupts.
    pub interrupt: Fraction,
    /// The kernel's deferred work, where the network stack receives.
    pub softirq: Fraction,
    /// Withheld by the machine that runs this one.
    pub steal: Fraction,
    /// Nothing to do, or waiting for a disk.
    pub idle: Fraction,
}

impl CpuSample {
    /// Samples all cores that are online.
    pub fn read() -> io::Result<Self> {
        let sample = Self::parse(&fs::read_to_string("/proc/stat")?);
        if sample.cores.is_empty() {
            return Err(io::Error::new(
                io::ErrorKind::InvalidData,
                "/proc/stat lists no processor core",
            ));
        }
        Ok(sample)
    }

    /// How many cores are online.
    pub fn cores(&self) -> usize {
        self.cores.len()
    }

    /// What each core did since `earlier`, by number.
    ///
    /// A core is missing when it was not in both samples or the samples are too close: a tick is 10 ms as a rule.
    pub fn since(&self, earlier: &Self) -> Vec<CoreUse> {
        let both = self.cores.iter().filter_map(|later| {
            Some((later, earlier.cores.iter().find(|core| core.number == later.number)?))
        });
        both.filter_map(|(later, earlier)| later.since(earlier)).collect()
    }

    fn parse(text: &str) -> Self {
        Self { cores: text.lines().filter_map(Core::parse).collect() }
    }
}

/// The core with the largest busy share.
pub fn busiest(cores: &[CoreUse]) -> Option<&CoreUse> {
    cores.iter().max_by(|a, b| a.busy.get().total_cmp(&b.busy.get()))
}

impl Core {
    // cpuN user nice system idle iowait irq softirq steal guest guest_nice; guest time is in user and nice already, and
    // old kernels end early.
    fn parse(line: &str) -> Option<Self> {
        let (name, times) = line.strip_prefix("cpu")?.split_once(' ')?;
        let number = name.parse().ok()?;
        let times: Vec<u64> =
            times.split_whitespace().map(str::parse).collect::<Result<_, _>>().ok()?;
        let &[user, nice, system, idle, ref late @ ..] = times.as_slice() else { return None };
        let late = |index: usize| late.get(index).copied().unwrap_or_default();
        Some(Self {
            number,
            user: user.saturating_add(nice),
            system,
            idle: idle.saturating_add(late(0)),
            interrupt: late(1),
            softirq: late(2),
            steal: late(3),
        })
    }

    fn since(&self, earlier: &Self) -> Option<CoreUse> {
        // The time spent waiting for a disk can run backwards (proc_stat(5)).
        let spent = |time: fn(&Self) -> u64| time(self).saturating_sub(time(earlier)) as f64;
        let user = spent(|core| core.user);
        let system = spent(|core| core.system);
        let idle = spent(|core| core.idle);
        let interrupt = spent(|core| core.interrupt);
        let softirq = spent(|core| core.softirq);
        let steal = spent(|core| core.steal);
        let busy = user + system + interrupt + softirq + steal;
        let whole = busy + idle;
        Some(CoreUse {
            core: self.number,
            busy: Fraction::of(busy, whole)?,
            user: Fraction::of(user, whole)?,
            system: Fraction::of(system, whole)?,
            interrupt: Fraction::of(interrupt, whole)?,
            softirq: Fraction::of(softirq, whole)?,
            steal: Fraction::of(steal, whole)?,
            idle: Fraction::of(idle, whole)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use super::*;

    // Typed after the table of fields in proc_stat(5).
    const EARLIER: &str = "cpu  300 0 0 600 0 0 0 0 0 0\n\
                           cpu0 100 10 50 500 20 5 30 7 3 0\n\
                           cpu2 200 0 0 100 0 0 0 0 0 0\n\
                           intr 5 0 0\n";
    const LATER: &str = "cpu  900 0 0 900 0 0 0 0 0 0\n\
                         cpu0 110 15 70 515 15 10 55 27 13 0\n\
                         cpu1 999 0 0 999 0 0 0 0 0 0\n\
                         cpu2 200 0 0 100 0 0 0 0 0 0\n";

    #[test]
    fn shares_are_of_the_time_between_and_waiting_never_runs_backwards() {
        let cores = CpuSample::parse(LATER).since(&CpuSample::parse(EARLIER));
        // Idle and disk waiting go from 520 to 530: by 10. Core 1 is new, core 2 did not move.
        let percent = |share: Fraction| format!("{:.2}", share.percent());
        let [core] = cores.as_slice() else { panic!("{cores:?}") };
        // user + nice 15, system 20, irq 5, softirq 25, steal 20, idle 10: 95 ticks in all
        assert_eq!(core.core, 0);
        let shares = [core.user, core.system, core.interrupt, core.softirq, core.steal, core.idle];
        assert_eq!(shares.map(percent), ["15.79", "21.05", "5.26", "26.32", "21.05", "10.53"]);
        assert_eq!(percent(core.busy), "89.47");
    }

    #[test]
    fn lines_that_are_not_cores_are_skipped() {
        assert_eq!(
            CpuSample::parse("cpu 1 2 3 4\ncpufreq 1 2 3 4\ncpu0 1 2 x 4\ncpu1 1 2").cores(),
            0
        );
        assert_eq!(CpuSample::parse("cpu7 1 2 3 4").cores(), 1);
    }

    #[test]
    fn a_busy_core_shows_in_the_live_figures() {
        let earlier = CpuSample::read().unwrap();
        assert!(earlier.cores() >= std::thread::available_parallelism().unwrap().get());
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_millis(400) {}
        let cores = CpuSample::read().unwrap().since(&earlier);
        let busiest = busiest(&cores).unwrap();
        assert!(busiest.busy.get() > 0.3, "{cores:?}");
        assert!((busiest.busy.get() + busiest.idle.get() - 1.0).abs() < 1e-9);
    }
}
