//! What the host is, and the datagrams that its sockets lost.

use std::{fs, io};

/// The processor as its maker names it; `None` where the kernel does not tell.
pub fn processor_model() -> io::Result<Option<String>> {
    Ok(model_in(&fs::read_to_string("/proc/cpuinfo")?))
}

/// The release of the running kernel, as `uname -r` gives it.
pub fn kernel_release() -> io::Result<String> {
    Ok(fs::read_to_string("/proc/sys/kernel/osrelease")?.trim().to_owned())
}

/// The name of this host, as `uname -n` gives it.
pub fn host_name() -> io::Result<String> {
    Ok(fs::read_to_string("/proc/sys/kernel/hostname")?.trim().to_owned())
}

/// Datagrams that were lost in this host since it started, or since its network namespace was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DroppedDatagrams {
    /// IPv4, because a receive buffer was full (`RcvbufErrors`).
    pub ipv4_receive_buffer: Option<u64>,
    /// IPv6, because a receive buffer was full.
    pub ipv6_receive_buffer: Option<u64>,
    /// IPv4, because a queue on the way out was full (`SndbufErrors`).
    pub ipv4_send: Option<u64>,
    /// IPv6, because a queue on the way out was full.
    pub ipv6_send: Option<u64>,
}

/// Reads the counters of the calling thread's network namespace; `None` where a family is absent.
pub fn dropped_datagrams() -> DroppedDatagrams {
    // The usual /proc/net belongs to the process's first thread.
    let ipv4 = fs::read_to_string("/proc/thread-self/net/snmp").unwrap_or_default();
    let ipv6 = fs::read_to_string("/proc/thread-self/net/snmp6").unwrap_or_default();
    DroppedDatagrams {
        ipv4_receive_buffer: column(&ipv4, "Udp:", "RcvbufErrors"),
        ipv6_receive_buffer: line(&ipv6, "Udp6RcvbufErrors"),
        ipv4_send: column(&ipv4, "Udp:", "SndbufErrors"),
        ipv6_send: line(&ipv6, "Udp6SndbufErrors"),
    }
}

// A line of names is followed by a line of values, both behind the same protocol.
fn column(text: &str, protocol: &str, name: &str) -> Option<u64> {
    let mut rows = text.lines().filter_map(|line| line.strip_prefix(protocol));
    let (names, values) = (rows.next()?, rows.next()?);
    let position = names.split_whitespace().position(|column| column == name)?;
    values.split_whitespace().nth(position)?.parse().ok()
}

fn line(text: &str, name: &str) -> Option<u64> {
    let mut pairs = text.lines().filter_map(|line| line.split_once(char::is_whitespace));
    pairs.find(|(key, _)| *key == name)?.1.trim().parse().ok()
}

// x86 says "model name", MIPS "cpu model", ARM boards "Model" or "Hardware".
fn model_in(cpuinfo: &str) -> Option<String> {
    ["model name", "cpu model", "Model", "Hardware"].iter().find_map(|wanted| {
        let mut pairs = cpuinfo.lines().filter_map(|line| line.split_once(':'));
        let (_, value) = pairs.find(|(key, _)| key.trim() == *wanted)?;
        Some(value.trim().to_owned()).filter(|value| !value.is_empty())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // The layout of /proc/net/snmp: RFC 4113's counters, and the kernel's own behind them.
    const SNMP: &str = "Tcp: InSegs OutSegs\nTcp: 5 6\n\
        Udp: InDatagrams NoPorts InErrors OutDatagrams RcvbufErrors SndbufErrors InCsumErrors\n\
        Udp: 10 2 3 11 3 4 0\n\
        UdpLite: InDatagrams RcvbufErrors\nUdpLite: 0 99\n";

    #[test]
    fn a_counter_is_found_by_name_under_its_own_protocol() {
        assert_eq!(column(SNMP, "Udp:", "RcvbufErrors"), Some(3));
        assert_eq!(column(SNMP, "Udp:", "SndbufErrors"), Some(4));
        assert_eq!(column(SNMP, "Udp:", "Unheard"), None);
        assert_eq!(column("Udp: InDatagrams", "Udp:", "InDatagrams"), None);
        assert_eq!(
            line("Udp6NoPorts \t 7\nUdp6RcvbufErrors   \t\t12\n", "Udp6RcvbufErrors"),
            Some(12)
        );
    }

    #[test]
    fn the_processor_is_named_whatever_the_architecture_calls_it() {
        let x86 = "processor\t: 0\nmodel\t\t: 1\nmodel name\t: Some Maker 7 @ 2.0GHz\n";
        assert_eq!(model_in(x86).as_deref(), Some("Some Maker 7 @ 2.0GHz"));
        let arm = "processor\t: 0\nBogoMIPS\t: 108.00\n\nModel\t\t: Some Board 4\n";
        assert_eq!(model_in(arm).as_deref(), Some("Some Board 4"));
        assert_eq!(model_in("processor : 0\nmodel name :\n"), None);
    }

    #[test]
    fn this_host_tells_its_kernel_and_its_counters() {
        let asked = std::process::Command::new("uname").arg("-r").output().unwrap();
        assert_eq!(kernel_release().unwrap(), String::from_utf8(asked.stdout).unwrap().trim());
        assert!(dropped_datagrams().ipv4_receive_buffer.is_some());
    }
}
