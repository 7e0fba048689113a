//! What an end tells about itself, and what its host did over the plateau.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use culvert_os::{AsSystem, clock::monotonic_ns, cpu, route, tcp::TcpInfo};
use culvert_wire::message::{CoreUseReport, EndReport, UseReport};

use crate::Pins;
use crate::timeline::Timeline;

/// The facts of this end for a session between `local` and `peer`; `tcp_mss` as [`told_mss`] gives it.
pub fn end_report(
    program: &str,
    local: IpAddr,
    peer: SocketAddr,
    tcp_mss: Option<u16>,
) -> EndReport {
    let route = route::route_to_peer(peer, Some(local)).ok();
    let interface = route.map(|route| route.interface).filter(|name| !name.is_empty());
    let interface_mtu = route::interfaces().ok().and_then(|all| {
        all.into_iter()
            .find(|known| Some(&known.name) == interface.as_ref())
            .and_then(|known| known.mtu)
    });
    EndReport {
        program: program.to_owned(),
        system: cpu::kernel_release()
            .ok()
            .map(|release| format!("{} {release}", std::env::consts::OS)),
        processor: cpu::processor_model().ok().flatten(),
        address: Some(local.to_string()),
        interface,
        interface_mtu,
        sees_peer_at: Some(peer.ip().to_string()),
        tcp_mss,
        addresses: Vec::new(),
    }
}

/// The largest segment that goes to the peer of a TCP connection, options included, bytes: the least of what the peer's
/// SYN allowed, as it arrived here, and what this host's own interface does. Read before much has flowed.
pub fn told_mss(connection: &impl AsSystem) -> Option<u16> {
    let info = TcpInfo::read(connection).ok()?;
    let options = if info.timestamps { TIMESTAMPS_BYTES } else { 0 };
    u16::try_from(info.send_mss.checked_add(options)?).ok()
}

/// RFC 7323 section 3.2 and appendix A: ten bytes, padded to twelve.
const TIMESTAMPS_BYTES: u32 = 12;

/// This host's addresses that another host may reach: none of its own loop, and none of a single link (RFC 4291 2.5.6).
pub fn own_addresses() -> Vec<String> {
    let all = route::interfaces().unwrap_or_default().into_iter().filter(|one| one.up);
    let reachable = |address: &IpAddr| {
        let link_local = match address {
            IpAddr::V4(address) => address.is_link_local(),
            IpAddr::V6(address) => address.is_unicast_link_local(),
        };
        !address.is_loopback() && !link_local
    };
    all.flat_map(|one| one.addresses).filter(reachable).map(|one| one.to_string()).collect()
}

/// What has become of an interface of this host that a session used, in words; `None` while it still works.
pub fn interface_lost(name: &str) -> Option<String> {
    let known = route::interfaces().ok()?.into_iter().find(|known| known.name == name);
    match known {
        None => Some(format!("the interface {name} of this host is gone")),
        Some(interface) if !interface.up => {
            Some(format!("the interface {name} of this host is switched off"))
        }
        Some(_) => None,
    }
}

/// Watches this host's processors over the plateau of a run whose data threads are kept on `pins`.
pub async fn use_over_plateau(timeline: Timeline, pins: Pins) -> UseReport {
    sleep_until(timeline.plateau_ns()).await;
    let (cores, program) = (cpu::CpuSample::read().ok(), cpu::process_time().ok());
    sleep_until(timeline.deadline_ns()).await;
    let cores = cores.and_then(|before| Some(cpu::CpuSample::read().ok()?.since(&before)));
    let program =
        program.and_then(|before| cpu::process_time().ok()?.total().checked_sub(before.total()));
    UseReport {
        // Samples too close to tell anything tell nothing.
        cores: cores
            .filter(|cores| !cores.is_empty())
            .map(|cores| cores.iter().map(core_report).collect()),
        program_cpu_s: program.map(|time| time.as_secs_f64()),
        data_threads_on: pins.cores(),
    }
}

/// Sleeps until an instant of the monotonic clock.
pub async fn sleep_until(instant_ns: u64) {
    tokio::time::sleep(Duration::from_nanos(instant_ns.saturating_sub(monotonic_ns()))).await;
}

fn core_report(core: &cpu::CoreUse) -> CoreUseReport {
    CoreUseReport {
        core: core.core,
        user: core.user.get(),
        system: core.system.get(),
        softirq: core.softirq.get(),
        interrupt: Some(core.interrupt.get()),
        steal: core.steal.get(),
        busy: core.busy.get(),
    }
}
