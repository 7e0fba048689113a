//! Which cores a thread may run on (`sched_setaffinity(2)`).

use std::io;

use nix::{
    sched::{CpuSet, sched_getaffinity, sched_setaffinity},
    unistd::Pid,
};

/// The cores that the calling thread may run on, in rising order.
pub fn usable_cores() -> io::Result<Vec<u32>> {
    let set = sched_getaffinity(Pid::from_raw(0))?;
    let usable = (0..CpuSet::count()).filter(|&core| set.is_set(core).unwrap_or(false));
    Ok(usable.filter_map(|core| u32::try_from(core).ok()).collect())
}

/// Keeps the calling thread on one core from now on; threads that it starts later too.
pub fn pin_to(core: u32) -> io::Result<()> {
    let mut set = CpuSet::new();
    set.set(core as usize)?;
    Ok(sched_setaffinity(Pid::from_raw(0), &set)?)
}

#[cfg(test)]
mod tests {
    use std::{fs, thread};

    use super::*;

    /// The core that the calling thread ran on last: the 39th field of `proc_pid_stat(5)`, the 37th behind the name.
    fn ran_on() -> u32 {
        let stat = fs::read_to_string("/proc/thread-self/stat").unwrap();
        let (_, fields) = stat.rsplit_once(')').unwrap();
        fields.split_whitespace().nth(36).unwrap().parse().unwrap()
    }

    #[test]
    fn a_pinned_thread_stays_where_it_was_put_and_no_other_is() {
        let before = usable_cores().unwrap();
        for core in before.clone() {
            let (found, usable) = thread::spawn(move || {
                pin_to(core).unwrap();
                thread::yield_now();
                (ran_on(), usable_cores().unwrap())
            })
            .join()
            .unwrap();
            assert_eq!((found, usable), (core, vec![core]));
        }
        assert_eq!(usable_cores().unwrap(), before);
    }

    #[test]
    fn a_core_that_is_not_there_is_refused() {
        let beyond = usable_cores().unwrap().last().unwrap() + 1_000;
        assert_eq!(pin_to(beyond).unwrap_err().kind(), io::ErrorKind::InvalidInput);
        assert!(pin_to(u32::MAX).is_err());
    }
}
