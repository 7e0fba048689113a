//! Choosing and reading a connection's congestion control.

use std::{fs, io};

use culvert_units::{ExitStatus, Explain};
#[cfg(target_os = "linux")]
use socket2::SockRef;

use crate::socket::AsSystem;

/// The kernel does not let this process use a congestion control algorithm.
///
/// It travels inside an [`io::Error`]: see [`io::Error::get_ref`].
#[derive(Debug, thiserror::Error)]
#[error("congestion control '{asked}' cannot be used, {}", choice(self))]
pub struct CongestionControlError {
    /// The algorithm asked for.
    pub asked: String,
    /// The algorithms this kernel has loaded; `None` when it does not tell.
    pub available: Option<Vec<String>>,
    /// Those that a process without privilege may choose; `None` when the kernel does not tell.
    pub allowed: Option<Vec<String>>,
    /// What the kernel answered.
    #[source]
    pub source: io::Error,
}

impl CongestionControlError {
    fn is_reserved(&self) -> bool {
        self.source.kind() == io::ErrorKind::PermissionDenied
    }
}

fn choice(error: &CongestionControlError) -> String {
    let list = |names: &Option<Vec<String>>| {
        names.as_ref().map_or_else(|| "unknown".to_owned(), |names| names.join(" "))
    };
    if error.is_reserved() {
        format!("allowed without privilege: {}", list(&error.allowed))
    } else {
        format!("available: {}", list(&error.available))
    }
}

impl Explain for CongestionControlError {
    fn hint(&self) -> Option<String> {
        let name = &self.asked;
        Some(if self.is_reserved() {
            format!("choose an allowed one, run as root, or add {name} to {ALLOWED}")
        } else {
            format!("choose an available one, or try 'modprobe tcp_{name}' as root")
        })
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::LocalFault
    }
}

/// Has `socket` use `algorithm`; a refusal holds a [`CongestionControlError`].
#[cfg(target_os = "linux")]
pub fn set_congestion_control(socket: &impl AsSystem, algorithm: &str) -> io::Result<()> {
    SockRef::from(socket).set_tcp_congestion(algorithm.as_bytes()).map_err(|source| {
        let kind = source.kind();
        let refusal = CongestionControlError {
            asked: algorithm.to_owned(),
            available: available_congestion_controls().ok(),
            allowed: names_in(ALLOWED).ok(),
            source,
        };
        io::Error::new(kind, refusal)
    })
}

/// Fails as unsupported: other systems are not asked.
#[cfg(not(target_os = "linux"))]
pub fn set_congestion_control(_socket: &impl AsSystem, _algorithm: &str) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported: other systems are not asked.
#[cfg(not(target_os = "linux"))]
pub fn congestion_control(_socket: &impl AsSystem) -> io::Result<String> {
    Err(io::ErrorKind::Unsupported.into())
}

/// The algorithm that `socket` uses.
#[cfg(target_os = "linux")]
pub fn congestion_control(socket: &impl AsSystem) -> io::Result<String> {
    let name = SockRef::from(socket).tcp_congestion()?;
    let name = name.split(|&byte| byte == 0).next().unwrap_or_default();
    Ok(String::from_utf8_lossy(name).into_owned())
}

/// The algorithms this kernel has loaded.
pub fn available_congestion_controls() -> io::Result<Vec<String>> {
    names_in(AVAILABLE)
}

const AVAILABLE: &str = "/proc/sys/net/ipv4/tcp_available_congestion_control";
const ALLOWED: &str = "/proc/sys/net/ipv4/tcp_allowed_congestion_control";

fn names_in(path: &str) -> io::Result<Vec<String>> {
    Ok(fs::read_to_string(path)?.split_whitespace().map(str::to_owned).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reserved_algorithm_is_told_from_a_missing_one() {
        let error = |kind: io::ErrorKind| CongestionControlError {
            asked: "cubic".to_owned(),
            available: Some(vec!["reno".to_owned(), "cubic".to_owned()]),
            allowed: Some(vec!["reno".to_owned()]),
            source: kind.into(),
        };
        let reserved = error(io::ErrorKind::PermissionDenied);
        let text = "congestion control 'cubic' cannot be used, allowed without privilege: reno";
        assert_eq!(reserved.to_string(), text);
        assert!(reserved.hint().unwrap().contains("run as root"));
        let missing = error(io::ErrorKind::NotFound);
        assert!(missing.to_string().ends_with("available: reno cubic"));
        assert!(missing.hint().unwrap().contains("modprobe tcp_cubic"));
    }
}
