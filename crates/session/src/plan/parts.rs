//! What a plan is made of.

use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_units::{BitRate, Bytes, Dscp, Mtu};
use culvert_wire::message::Handover;

use super::Target;

/// How much is cut away at most when the settle time is found from the data.
pub const SETTLE_AUTO_AT_MOST: Duration = Duration::from_secs(5);

/// What `auto` means for a paced session. Which datagrams are reported is settled before the first one leaves, so the
/// data cannot decide; a stream at a given pace has no start-up of its own either, and address resolution, a tunnel's
/// first handshake or a radio's wake-up are over within a second (common practice, no published source).
pub const PACED_SETTLE: Duration = Duration::from_secs(1);

/// One end with its line, as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Site {
    pub(super) name: String,
    pub(super) down: Option<BitRate>,
    pub(super) up: Option<BitRate>,
    pub(super) metered: Option<bool>,
    pub(super) counted: Counted,
}

impl Site {
    /// What the site is called in results.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The rate of its line toward it.
    pub const fn down(&self) -> Option<BitRate> {
        self.down
    }

    /// The rate of its line away from it.
    pub const fn up(&self) -> Option<BitRate> {
        self.up
    }

    /// Whether volume costs money there; `None` when it was not said.
    pub const fn metered(&self) -> Option<bool> {
        self.metered
    }

    /// What the line's rates count.
    pub const fn counted(&self) -> Counted {
        self.counted
    }
}

/// What the rates of a line count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Counted {
    /// Everything Ethernet spends on a packet: preamble, header, check sequence and gap.
    Ethernet,
    /// IP packets alone.
    Ip,
}

/// The VPN server, as typed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Gateway {
    pub(super) model: Option<String>,
    pub(super) firmware: Option<String>,
    pub(super) processor: Option<String>,
}

impl Gateway {
    /// Its model.
    pub fn model(&self) -> Option<&str> {
        self.model.as_deref()
    }

    /// Its firmware and version.
    pub fn firmware(&self) -> Option<&str> {
        self.firmware.as_deref()
    }

    /// Its processor.
    pub fn processor(&self) -> Option<&str> {
        self.processor.as_deref()
    }
}

/// Whether a path goes through a tunnel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Place {
    /// Without a tunnel.
    Outside,
    /// Through a tunnel.
    Inside,
}

/// One way to reach the listener.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedPath {
    pub(super) name: String,
    pub(super) place: Place,
    pub(super) target: Target,
    pub(super) family: Option<Family>,
    pub(super) encapsulation: String,
    pub(super) mtu: Option<Mtu>,
    pub(super) bring_up: Option<String>,
    pub(super) is_up: Option<String>,
    pub(super) take_down: Option<String>,
}

impl PlannedPath {
    /// The practitioner's name for it.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Outside or inside.
    pub const fn place(&self) -> Place {
        self.place
    }

    /// What is dialled.
    pub const fn target(&self) -> &Target {
        &self.target
    }

    /// The address family to use; `None` leaves it to what the target resolves to.
    pub const fn family(&self) -> Option<Family> {
        self.family
    }

    /// The key of its encapsulation in the path-overhead model, `none` outside.
    pub fn encapsulation(&self) -> &str {
        &self.encapsulation
    }

    /// Its MTU as typed.
    pub const fn mtu(&self) -> Option<Mtu> {
        self.mtu
    }

    /// The command line that brings it up.
    pub fn bring_up(&self) -> Option<&str> {
        self.bring_up.as_deref()
    }

    /// The command line that succeeds once it stands.
    pub fn is_up(&self) -> Option<&str> {
        self.is_up.as_deref()
    }

    /// The command line that takes it down.
    pub fn take_down(&self) -> Option<&str> {
        self.take_down.as_deref()
    }

    /// Its commands in the order they are run.
    pub fn commands(&self) -> impl Iterator<Item = PlannedCommand<'_>> {
        [
            (Purpose::BringUp, self.bring_up()),
            (Purpose::IsUp, self.is_up()),
            (Purpose::TakeDown, self.take_down()),
        ]
        .into_iter()
        .filter_map(|(purpose, line)| {
            Some(PlannedCommand { path: self.name(), purpose, line: line? })
        })
    }
}

/// A command that the plan names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlannedCommand<'p> {
    /// The name of its path.
    pub path: &'p str,
    /// What it is for.
    pub purpose: Purpose,
    /// The command line, for the shell.
    pub line: &'p str,
}

/// What a command is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Purpose {
    /// It brings the path up.
    BringUp,
    /// It tells by its exit status whether the path stands.
    IsUp,
    /// It takes the path down.
    TakeDown,
}

impl Purpose {
    /// The key it stands under in the plan.
    pub const fn key(self) -> &'static str {
        match self {
            Self::BringUp => "bring_up",
            Self::IsUp => "is_up",
            Self::TakeDown => "take_down",
        }
    }
}

/// A session that is run on each path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedSession {
    pub(super) toward: Toward,
    pub(super) plateau: Duration,
    pub(super) settle: Settle,
    pub(super) load: PlannedLoad,
    pub(super) buffer: Option<Bytes>,
}

impl PlannedSession {
    /// Which ends receive.
    pub const fn toward(&self) -> Toward {
        self.toward
    }

    /// Length of the plateau.
    pub const fn plateau(&self) -> Duration {
        self.plateau
    }

    /// What is cut away before the plateau.
    pub const fn settle(&self) -> Settle {
        self.settle
    }

    /// What loads the path.
    pub const fn load(&self) -> &PlannedLoad {
        &self.load
    }

    /// The socket buffer to ask for at both ends; `None` leaves it to the kind of session.
    pub const fn buffer(&self) -> Option<Bytes> {
        self.buffer
    }

    /// Settle and plateau together at most.
    pub fn longest(&self) -> Duration {
        self.plateau.saturating_add(match self.settle {
            Settle::Auto => SETTLE_AUTO_AT_MOST,
            Settle::Fixed(settle) => settle,
        })
    }

    /// Settle and plateau together at least.
    pub fn shortest(&self) -> Duration {
        self.plateau.saturating_add(match self.settle {
            Settle::Auto => Duration::ZERO,
            Settle::Fixed(settle) => settle,
        })
    }
}

/// Which ends receive data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Toward {
    /// Data goes from near to far.
    Far,
    /// Data goes from far to near.
    Near,
    /// Data goes both ways at the same time.
    Both,
}

impl Toward {
    /// The single ways it stands for, toward far first.
    pub const fn each(self) -> &'static [Self] {
        match self {
            Self::Far => &[Self::Far],
            Self::Near => &[Self::Near],
            Self::Both => &[Self::Far, Self::Near],
        }
    }
}

/// What is cut away before the plateau.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Settle {
    /// Found from the data, at most [`SETTLE_AUTO_AT_MOST`]; paced sessions take [`PACED_SETTLE`].
    Auto,
    /// So long.
    Fixed(Duration),
}

impl Settle {
    /// What it comes to for this load: only bulk data can show when its rate has become steady.
    #[must_use]
    pub const fn for_load(self, load: &PlannedLoad) -> Self {
        match (self, load) {
            (Self::Auto, PlannedLoad::Paced { .. }) => Self::Fixed(PACED_SETTLE),
            (settle, _) => settle,
        }
    }
}

/// What loads the path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlannedLoad {
    /// TCP, as much as the path takes.
    Bulk {
        /// Flows each way.
        flows: u16,
        /// Congestion control of both ends.
        congestion_control: String,
        /// The largest segment, bytes; `None` leaves it to the MTU.
        mss: Option<u16>,
        /// The mark of the packets; `None` leaves it to the hosts.
        dscp: Option<Dscp>,
    },
    /// UDP at a rate.
    Paced {
        /// UDP payload bits per second; `None` is as fast as the transmitting host can.
        pace: Option<BitRate>,
        /// UDP payload of each datagram, bytes.
        payload: u16,
        /// The longest burst, as time at the pace; `None` leaves it to the program.
        burst: Option<Duration>,
        /// How datagrams are handed to the systems.
        handover: Handover,
    },
}

impl PlannedLoad {
    /// The word for its kind: `bulk` or `paced`.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Bulk { .. } => "bulk",
            Self::Paced { .. } => "paced",
        }
    }
}
