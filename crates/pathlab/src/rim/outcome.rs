//! What is written down at the end.

use std::{
    fs::File,
    io::{self, BufWriter, Write as _},
    time::Duration,
};

use culvert_os::veth::DeviceCounters;
use hdrhistogram::Histogram;
use serde::Serialize;

use crate::{LabPath, PacketTruth, WayTruth};

/// Everything that happened in a lab.
#[derive(Debug, Serialize)]
pub(super) struct LabTruth {
    /// The version of this document.
    pub(super) schema: u32,
    pub(super) seed: u64,
    /// How long packets were carried, in seconds.
    pub(super) lasted_s: f64,
    pub(super) paths: Vec<PathTruth>,
    pub(super) carriers: Both<Carried>,
    pub(super) devices: Vec<Device>,
}

#[derive(Debug, Serialize)]
pub(super) struct PathTruth {
    #[serde(flatten)]
    pub(super) path: LabPath,
    pub(super) truth: Both<WayTruth>,
}

/// One of something for each direction.
#[derive(Debug, Serialize)]
pub(super) struct Both<T> {
    pub(super) toward_far: T,
    pub(super) toward_near: T,
}

/// What happened to packets outside of the path: all of this should be zero.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub(super) struct Faults {
    /// Packets that found the ring full.
    pub(super) ring_full: u64,
    /// Packets that found no room among those under way.
    pub(super) store_full: u64,
    /// Packets that were longer than the hosts' MTU.
    pub(super) cut: u64,
    /// Packets that the interface did not take.
    pub(super) not_sent: u64,
}

/// What carrying one direction was like.
#[derive(Debug, Serialize)]
pub(super) struct Carried {
    pub(super) faults: Faults,
    /// Packets that belong to no path, such as the kernel's own neighbourhood chatter.
    pub(super) not_ours: u64,
    /// ICMP messages sent back.
    pub(super) answers: u64,
    /// How long after their time packets went out; `None` when none did.
    pub(super) lateness_us: Option<Lateness>,
    /// The processor time of its thread, in seconds; `None` when the kernel does not tell.
    pub(super) processor_s: Option<f64>,
}

#[derive(Debug, Serialize)]
pub(super) struct Lateness {
    pub(super) n: u64,
    pub(super) p50: f64,
    pub(super) p95: f64,
    pub(super) p99: f64,
    pub(super) max: f64,
}

/// The counters of an interface.
#[derive(Debug, Serialize)]
pub(super) struct Device {
    pub(super) name: &'static str,
    pub(super) received: u64,
    pub(super) sent: u64,
    pub(super) receive_dropped: u64,
    pub(super) send_dropped: u64,
}

/// Where a line goes.
#[derive(Serialize)]
struct Line<'a> {
    path: &'a str,
    toward: &'static str,
    #[serde(flatten)]
    packet: &'a PacketTruth,
}

/// A file that was opened before anything ran.
#[derive(Debug)]
pub(super) struct Lines(BufWriter<File>);

impl Lines {
    pub(super) fn new(file: File) -> Self {
        Self(BufWriter::new(file))
    }

    /// Writes one JSON document a line, one line a packet.
    pub(super) fn write(
        &mut self,
        path: &str,
        toward: &'static str,
        packets: &[PacketTruth],
    ) -> io::Result<()> {
        for packet in packets {
            serde_json::to_writer(&mut self.0, &Line { path, toward, packet })?;
            self.0.write_all(b"\n")?;
        }
        self.0.flush()
    }
}

impl Lateness {
    /// From nanoseconds.
    pub(super) fn of(histogram: &Histogram<u64>) -> Option<Self> {
        let at = |quantile| microseconds(histogram.value_at_quantile(quantile));
        (!histogram.is_empty()).then(|| Self {
            n: histogram.len(),
            p50: at(0.5),
            p95: at(0.95),
            p99: at(0.99),
            max: microseconds(histogram.max()),
        })
    }
}

impl Device {
    pub(super) const fn new(name: &'static str, counters: DeviceCounters) -> Self {
        let DeviceCounters { received, sent, receive_dropped, send_dropped } = counters;
        Self { name, received, sent, receive_dropped, send_dropped }
    }
}

impl Faults {
    pub(super) const fn total(&self) -> u64 {
        self.ring_full + self.store_full + self.cut + self.not_sent
    }
}

fn microseconds(nanoseconds: u64) -> f64 {
    Duration::from_nanos(nanoseconds).as_secs_f64() * 1e6
}

impl LabTruth {
    /// What kept the truth from being the whole truth, a line each.
    pub(super) fn complaints(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for (toward, carried) in
            [("far", &self.carriers.toward_far), ("near", &self.carriers.toward_near)]
        {
            let Faults { ring_full, store_full, cut, not_sent } = carried.faults;
            if carried.faults.total() > 0 {
                lines.push(format!(
                    "caution: this machine lost packets toward {toward} that the path did not drop: {ring_full} found \
                     the ring full, {store_full} the store, {cut} were too long, {not_sent} were not sent"
                ));
            }
        }
        for device in &self.devices {
            let dropped = device.receive_dropped + device.send_dropped;
            if dropped > 0 {
                lines.push(format!(
                    "caution: the interface '{}' dropped {dropped} packets that the path did not",
                    device.name
                ));
            }
        }
        lines
    }
}
