//! Which threads go first when there are fewer processors than work (sched(7)).

use std::{io, time::Duration};

/// How far a thread goes before others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Precedence {
    /// Its share is as large as can be (nice -20), and it is let in soon after it wakes.
    Highest,
    /// Its share is that of others, and it is let in soon after it wakes: all that an ordinary user may ask for.
    Prompt,
}

/// Lets the calling thread go before others as far as this process may, and says how far.
///
/// Threads and processes that it starts later begin like this too.
pub fn go_first() -> io::Result<Precedence> {
    match set(LOWEST_NICE) {
        Err(error) if error.raw_os_error() == Some(libc::EPERM) => {
            set(0).map(|()| Precedence::Prompt)
        }
        outcome => outcome.map(|()| Precedence::Highest),
    }
}

const LOWEST_NICE: i32 = -20;
/// The shortest slice that Linux grants; since 6.12 the time within which a thread wants its share, before that ignored.
const SLICE: Duration = Duration::from_micros(100);

/// `struct sched_attr` of `sched_setattr(2)` in its first version.
#[repr(C)]
struct Attributes {
    size: u32,
    policy: u32,
    flags: u64,
    nice: i32,
    priority: u32,
    runtime: u64,
    deadline: u64,
    period: u64,
}

fn set(nice: i32) -> io::Result<()> {
    let attributes = Attributes {
        size: u32::try_from(size_of::<Attributes>()).unwrap_or_default(),
        policy: u32::try_from(libc::SCHED_OTHER).unwrap_or_default(),
        flags: 0,
        nice,
        priority: 0,
        runtime: u64::try_from(SLICE.as_nanos()).unwrap_or_default(),
        deadline: 0,
        period: 0,
    };
    #[expect(unsafe_code, reason = "neither libc nor nix wraps this call")]
    // SAFETY: the structure has the layout of the kernel's first version and says its own size; it outlives the call,
    // which only reads it. Thread 0 is the calling one.
    let outcome = unsafe { libc::syscall(libc::SYS_sched_setattr, 0, &raw const attributes, 0) };
    if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

#[cfg(test)]
mod tests {
    use std::{fs, thread};

    use super::*;

    /// The nice value is the 19th field of `proc_pid_stat(5)`, the 17th behind the name.
    fn nice() -> i32 {
        let stat = fs::read_to_string("/proc/thread-self/stat").unwrap();
        let (_, fields) = stat.rsplit_once(')').unwrap();
        fields.split_whitespace().nth(16).unwrap().parse().unwrap()
    }

    #[test]
    fn a_thread_goes_first_and_no_other() {
        let before = nice();
        let (precedence, found) = thread::spawn(|| (go_first().unwrap(), nice())).join().unwrap();
        let expected = match precedence {
            Precedence::Highest => LOWEST_NICE,
            Precedence::Prompt => 0,
        };
        assert_eq!((found, nice()), (expected, before));
    }
}
