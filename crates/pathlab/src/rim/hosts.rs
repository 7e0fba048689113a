//! The two hosts, and the cables from each to the paths between them.

use std::io;

use culvert_os::{
    clock,
    namespace::{self, Namespace},
    packet::{ETHERNET_HEADER, PacketRing, PacketSender},
    veth::{self, End},
};

use super::{error::LabError, forward::Sockets, outcome::Device};
use crate::Lab;

/// Both hosts. This process sits between them.
#[derive(Debug)]
pub(super) struct Hosts {
    pub(super) near: Namespace,
    pub(super) far: Namespace,
    /// Our ends of both cables.
    toward_near_index: u32,
    toward_far_index: u32,
}

impl Hosts {
    /// Moves the process into a network namespace of its own and builds a host on either side; it must have one thread.
    pub(super) fn build(lab: &Lab) -> Result<Self, LabError> {
        namespace::leave_network()
            .or_else(|_| namespace::leave_users_and_network())
            .map_err(LabError::Namespaces)?;
        let host = || Namespace::new().map_err(LabError::Namespaces);
        let (near, far) = (host()?, host()?);
        let cable = |host, ours| cable(host, ours, lab).map_err(LabError::build("making a cable"));
        let hosts = Self {
            toward_near_index: cable(&near, TOWARD_NEAR)?,
            toward_far_index: cable(&far, TOWARD_FAR)?,
            near,
            far,
        };
        let near = hosts.near.run(|| furnish(lab, Side::Near)).and_then(|outcome| outcome);
        near.map_err(LabError::build("setting up the near host"))?;
        let far = hosts.far.run(|| furnish(lab, Side::Far)).and_then(|outcome| outcome);
        far.map_err(LabError::build("setting up the far host"))?;
        Ok(hosts)
    }

    /// The sockets that carry packets toward the far host, and those toward the near one.
    pub(super) fn sockets(&self, lab: &Lab) -> io::Result<(Sockets, Sockets)> {
        let open = |from, onward| {
            let longest = usize::from(lab.host_mtu().get()) + ETHERNET_HEADER;
            io::Result::Ok(Sockets {
                from: PacketRing::open(from, SLOTS, longest)?,
                onward: PacketSender::open(onward)?,
                back: PacketSender::open(from)?,
            })
        };
        Ok((
            open(self.toward_near_index, self.toward_far_index)?,
            open(self.toward_far_index, self.toward_near_index)?,
        ))
    }

    /// The counters of all four interfaces.
    pub(super) fn devices(&self) -> io::Result<Vec<Device>> {
        let inside = |host: &Namespace| host.run(|| veth::counters(veth::index_of(PATHS)?))?;
        Ok(vec![
            Device::new("near host", inside(&self.near)?),
            Device::new("path, near side", veth::counters(self.toward_near_index)?),
            Device::new("path, far side", veth::counters(self.toward_far_index)?),
            Device::new("far host", inside(&self.far)?),
        ])
    }

    /// Ends all processes on both hosts: asks them to, and kills those that still run after a while.
    pub(super) fn clear(&self) -> io::Result<()> {
        for host in [&self.near, &self.far] {
            end(host)?;
        }
        Ok(())
    }
}

/// The interface through which a host reaches all paths.
const PATHS: &str = "paths";
const TOWARD_NEAR: &str = "toward-near";
const TOWARD_FAR: &str = "toward-far";

/// Both hosts have the same: as they ask for no neighbours, they send to their own address, and the other one takes it
/// for its own. It is locally administered (IEEE 802).
const HARDWARE_ADDRESS: [u8; 6] = [0x02, 0, 0, 0, 0, 0x01];

/// Full-size frames for 100 ms at 1 Gbit/s.
const SLOTS: usize = 8_192;

const PATIENCE_NS: u64 = 3_000_000_000;
const STEP_NS: u64 = 10_000_000;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Near,
    Far,
}

fn cable(host: &Namespace, ours: &str, lab: &Lab) -> io::Result<u32> {
    let mtu = u32::from(lab.host_mtu().get());
    let theirs = End {
        name: PATHS,
        namespace: Some(host),
        hardware_address: Some(HARDWARE_ADDRESS),
        mtu,
        asks_neighbours: false,
    };
    let here = End { name: ours, namespace: None, hardware_address: None, ..theirs };
    veth::create(&here, &theirs)?;
    veth::turn_offloads_off(ours)?;
    let index = veth::index_of(ours)?;
    veth::switch_on(index)?;
    Ok(index)
}

fn furnish(lab: &Lab, side: Side) -> io::Result<()> {
    veth::switch_on(veth::index_of("lo")?)?;
    veth::turn_offloads_off(PATHS)?;
    let index = veth::index_of(PATHS)?;
    veth::switch_on(index)?;
    for path in lab.paths() {
        let (ours, theirs) = match side {
            Side::Near => (path.near, path.far),
            Side::Far => (path.far, path.near),
        };
        // A tunnel's interface is on the near host, which knows its MTU; the far one stands behind the gateway.
        let is_tunnel_end = side == Side::Near && path.config.tunnel.is_some();
        let mtu = is_tunnel_end.then_some(path.config.mtu.get());
        veth::add_address(index, ours)?;
        veth::add_route(index, theirs, ours, mtu)?;
    }
    Ok(())
}

fn end(host: &Namespace) -> io::Result<()> {
    signal(host, nix::sys::signal::Signal::SIGTERM)?;
    let give_up_ns = clock::monotonic_ns() + PATIENCE_NS;
    while !host.processes()?.is_empty() {
        if clock::monotonic_ns() >= give_up_ns {
            return signal(host, nix::sys::signal::Signal::SIGKILL);
        }
        clock::sleep_until(clock::monotonic_ns() + STEP_NS)?;
    }
    Ok(())
}

fn signal(host: &Namespace, signal: nix::sys::signal::Signal) -> io::Result<()> {
    for process in host.processes()? {
        let process = i32::try_from(process).map_err(io::Error::other)?;
        // One that has ended by itself meanwhile needs no signal.
        let _ = nix::sys::signal::kill(nix::unistd::Pid::from_raw(process), signal);
    }
    Ok(())
}
