//! How the offered rate follows the reports: RFC 9097 8.1 and Appendix A, and our own faster rise before it.

use culvert_units::BitRate;
use culvert_wire::capacity::{CapacityParameters, Ramp};

use super::rates::{LAST_ROW, rate_of, row_at_most};

/// What one report says about the load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LoadReport {
    /// Losses, reorderings and duplicates in the time it covers.
    pub sequence_errors: u64,
    /// How far the longest delay of that time lies above the least of the whole test, microseconds.
    pub delay_range_us: u64,
    /// The IP-layer rate that arrived in that time; `None` when it covers no time.
    pub delivered: Option<BitRate>,
}

/// So many reports may pass without the doubled rate arriving before the doubling ends: the sender cannot.
const PATIENCE: u32 = 20;

/// The rate goes up again once this share of it, in percent, has arrived.
const ARRIVED_PERCENT: u64 = 90;

/// After doubling, the table's megabit is a hundredth of the rate that was delivered, whose row then is this one.
const FINE_ROW: u32 = 100;

const MEGABIT: u64 = 1_000_000;

/// The row of the table that is sent at, and what decides about the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LoadAdjustment {
    row: u32,
    top: u32,
    /// What a megabit of the table stands for, bits per second.
    unit: u64,
    bad_in_a_row: u32,
    doubling: bool,
    waited: u32,
    trouble: bool,
}

impl LoadAdjustment {
    /// Begins at row 0.
    pub fn new(parameters: &CapacityParameters) -> Self {
        Self {
            row: 0,
            top: parameters.rate_cap_bps.map_or(LAST_ROW, row_at_most),
            unit: MEGABIT,
            bad_in_a_row: 0,
            doubling: parameters.ramp == Ramp::Doubling,
            waited: 0,
            trouble: false,
        }
    }

    /// The row of the table that is sent at now.
    pub const fn row(&self) -> u32 {
        self.row
    }

    /// The rate that is sent at now.
    pub fn rate(&self) -> BitRate {
        scaled_to(rate_of(self.row), self.unit, MEGABIT)
    }

    /// Whether any report told of a full path: of more errors or delay than lets the rate rise.
    pub const fn saw_trouble(&self) -> bool {
        self.trouble
    }

    /// Whether the highest row that may be used was reached.
    pub const fn is_at_top(&self) -> bool {
        self.row >= self.top
    }

    /// Takes a report in and chooses the next row.
    pub fn on_report(&mut self, report: LoadReport, parameters: &CapacityParameters) {
        let errors = report.sequence_errors > parameters.sequence_errors;
        let bad = errors || report.delay_range_us > parameters.high_delay_us;
        let clean = !errors && report.delay_range_us < parameters.low_delay_us;
        self.trouble |= !clean;
        if self.doubling {
            self.double(report, clean, parameters);
        } else if clean {
            self.rise(parameters);
        } else if bad {
            self.fall(parameters);
        }
    }

    /// No report arrived in time: as bad as a bad one (RFC 9097 8.1, lost status back-off).
    pub fn on_lost_status(&mut self, parameters: &CapacityParameters) {
        self.trouble = true;
        self.doubling = false;
        self.fall(parameters);
    }

    fn rise(&mut self, parameters: &CapacityParameters) {
        if self.is_fast(parameters) && self.bad_in_a_row < parameters.bad_reports {
            self.row = self.row.saturating_add(parameters.fast_rows);
            self.bad_in_a_row = 0;
        } else {
            self.row = self.row.saturating_add(1);
        }
        self.row = self.row.min(self.top);
    }

    fn fall(&mut self, parameters: &CapacityParameters) {
        self.bad_in_a_row = self.bad_in_a_row.saturating_add(1);
        let confirmed_now = self.bad_in_a_row == parameters.bad_reports;
        let rows = if self.is_fast(parameters) && confirmed_now { parameters.back_rows } else { 1 };
        self.row = self.row.saturating_sub(rows);
    }

    fn is_fast(&self, parameters: &CapacityParameters) -> bool {
        rate_of(self.row) < parameters.fast_below_bps
    }

    fn double(&mut self, report: LoadReport, clean: bool, parameters: &CapacityParameters) {
        let delivered = report.delivered.unwrap_or(BitRate::from_bits_per_second(0));
        if !clean {
            self.stop_doubling(delivered, parameters);
            return;
        }
        let asked = rate_of(self.row).bits_per_second();
        if delivered.bits_per_second() >= asked / 100 * ARRIVED_PERCENT {
            self.waited = 0;
            let twice = BitRate::from_bits_per_second(asked.saturating_mul(2));
            self.row = row_at_most(twice).max(self.row.saturating_add(1)).min(self.top);
            return;
        }
        self.waited += 1;
        if self.waited > PATIENCE {
            self.stop_doubling(delivered, parameters);
        }
    }

    /// Goes back to what was delivered, in steps of one percent of it: a megabit is a large step on a slow path.
    fn stop_doubling(&mut self, delivered: BitRate, parameters: &CapacityParameters) {
        self.doubling = false;
        self.bad_in_a_row = parameters.bad_reports;
        let delivered = delivered.min(rate_of(self.row));
        self.unit = (delivered.bits_per_second() / u64::from(FINE_ROW)).max(1);
        let cap =
            parameters.rate_cap_bps.map(|cap| row_at_most(scaled_to(cap, MEGABIT, self.unit)));
        self.top = cap.unwrap_or(LAST_ROW);
        self.row = FINE_ROW.min(self.top);
    }
}

/// `rate · to / from`, rounded down; saturates.
fn scaled_to(rate: BitRate, to: u64, from: u64) -> BitRate {
    let bits = u128::from(rate.bits_per_second()) * u128::from(to) / u128::from(from.max(1));
    BitRate::from_bits_per_second(u64::try_from(bits).unwrap_or(u64::MAX))
}
