//! Network namespaces: hosts that exist in this kernel only.
//!
//! A namespace lives as long as a process, a thread or a [`Namespace`] holds it, and takes its interfaces with it; none
//! of these has a name that could be left behind.

mod process_tree;

use std::{
    fs::{self, File},
    io,
    os::{
        fd::{AsFd, AsRawFd, BorrowedFd},
        unix::fs::MetadataExt as _,
    },
    thread,
};

use nix::unistd::{getegid, geteuid};

pub use process_tree::ProcessTree;

/// A network namespace that is kept.
#[derive(Debug)]
pub struct Namespace(File);

impl Namespace {
    /// The calling thread's.
    pub fn current() -> io::Result<Self> {
        File::open("/proc/thread-self/ns/net").map(Self)
    }

    /// A new one, empty but for a loopback interface that is switched off; the caller stays where it is.
    pub fn new() -> io::Result<Self> {
        in_thread(|| {
            unshare(libc::CLONE_NEWNET)?;
            Self::current()
        })?
    }

    /// Moves the calling thread, and the processes it starts from then on, into this namespace.
    pub fn enter(&self) -> io::Result<()> {
        #[expect(
            unsafe_code,
            reason = "a thread changes its namespace by a call that no dependency offers here"
        )]
        // SAFETY: the descriptor is open for the whole call, which takes no pointers.
        let outcome = unsafe { libc::setns(self.0.as_raw_fd(), libc::CLONE_NEWNET) };
        if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
    }

    /// Does `work` inside, on a thread of its own.
    pub fn run<T: Send>(&self, work: impl FnOnce() -> T + Send) -> io::Result<T> {
        in_thread(|| {
            self.enter()?;
            Ok(work())
        })?
    }

    /// The processes whose main thread is inside, this one excluded; those that cannot be looked at are left out.
    pub fn processes(&self) -> io::Result<Vec<u32>> {
        let ours = self.0.metadata()?;
        let inside = |process: &u32| {
            fs::metadata(format!("/proc/{process}/ns/net"))
                .is_ok_and(|theirs| (theirs.dev(), theirs.ino()) == (ours.dev(), ours.ino()))
        };
        let entries = fs::read_dir("/proc")?;
        let numbers = entries.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok());
        Ok(numbers.filter(|process| *process != std::process::id()).filter(inside).collect())
    }
}

impl AsFd for Namespace {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.0.as_fd()
    }
}

/// Moves the calling thread into a new network namespace.
pub fn leave_network() -> io::Result<()> {
    unshare(libc::CLONE_NEWNET)
}

/// Moves this process into a new user namespace, in which it is root, and into a new network namespace of that.
///
/// Needs no rights where the kernel lets ordinary users do so. Fails with EINVAL once the process has a second thread
/// (unshare(2)).
pub fn leave_users_and_network() -> io::Result<()> {
    let (user, group) = (geteuid(), getegid());
    unshare(libc::CLONE_NEWUSER | libc::CLONE_NEWNET)?;
    // Without giving up setgroups(2) first, no ordinary user may map a group (user_namespaces(7)).
    fs::write("/proc/self/setgroups", "deny")?;
    fs::write("/proc/self/uid_map", format!("0 {user} 1"))?;
    fs::write("/proc/self/gid_map", format!("0 {group} 1"))
}

fn in_thread<T: Send>(work: impl FnOnce() -> T + Send) -> io::Result<T> {
    thread::scope(|scope| {
        let thread = thread::Builder::new().spawn_scoped(scope, work)?;
        thread.join().or_else(|panic| std::panic::resume_unwind(panic))
    })
}

fn unshare(flags: libc::c_int) -> io::Result<()> {
    #[expect(
        unsafe_code,
        reason = "a thread changes its namespace by a call that no dependency offers here"
    )]
    // SAFETY: the call takes no pointers; memory and descriptors stay as they are with these flags.
    let outcome = unsafe { libc::unshare(flags) };
    if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    use super::*;
    use crate::route;

    fn namespace() -> Option<Namespace> {
        Namespace::new().inspect_err(|error| eprintln!("skipped: needs root: {error}")).ok()
    }

    #[test]
    fn a_new_namespace_has_a_loopback_and_nothing_else() {
        let Some(inside) = namespace() else { return };
        let interfaces = inside.run(route::interfaces).unwrap().unwrap();
        assert_eq!(interfaces.iter().map(|one| one.name.as_str()).collect::<Vec<_>>(), ["lo"]);
        assert!(!interfaces[0].up);
        // The caller has not moved.
        let here = Namespace::current().unwrap().0.metadata().unwrap().ino();
        assert_ne!(here, inside.0.metadata().unwrap().ino());
    }

    #[test]
    fn processes_inside_are_found() {
        let Some(inside) = namespace() else { return };
        assert!(inside.processes().unwrap().is_empty());
        let mut child = inside.run(|| Command::new("sleep").arg("60").spawn()).unwrap().unwrap();
        assert_eq!(inside.processes().unwrap(), [child.id()]);
        child.kill().unwrap();
        child.wait().unwrap();
    }
}
