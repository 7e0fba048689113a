//! The table of offered rates that RFC 9097 8.1 recommends.

use culvert_units::BitRate;

/// The last row: 100 Gbit/s. The RFC's pseudo-code has room for 2000 rows and its text ends at 10 Gbit/s, row 1090.
pub const LAST_ROW: u32 = 1180;

const MEGABIT: u64 = 1_000_000;
/// Row of 1 Gbit/s, from which on rows are 100 Mbit/s apart.
const GIGABIT_ROW: u32 = 1000;
/// Row of 10 Gbit/s, from which on rows are 1 Gbit/s apart.
const TEN_GIGABIT_ROW: u32 = 1090;

/// The IP-layer rate of a row: 0.5 Mbit/s, then 1 Mbit/s apart to 1 Gbit/s, 100 Mbit/s apart to 10 Gbit/s, 1 Gbit/s apart.
pub fn rate_of(row: u32) -> BitRate {
    let row = row.min(LAST_ROW);
    let megabits = match row {
        0 => return BitRate::from_bits_per_second(MEGABIT / 2),
        1..=GIGABIT_ROW => row,
        1001..=TEN_GIGABIT_ROW => 1_000 + (row - GIGABIT_ROW) * 100,
        _ => 10_000 + (row - TEN_GIGABIT_ROW) * 1_000,
    };
    BitRate::from_megabits(u64::from(megabits))
}

/// The highest row whose rate is at most `rate`; row 0 for every lower one.
pub fn row_at_most(rate: BitRate) -> u32 {
    let megabits = rate.bits_per_second() / MEGABIT;
    let row = match megabits {
        0..=1_000 => megabits,
        1_001..=10_000 => u64::from(GIGABIT_ROW) + (megabits - 1_000) / 100,
        _ => u64::from(TEN_GIGABIT_ROW) + (megabits - 10_000) / 1_000,
    };
    u32::try_from(row).unwrap_or(LAST_ROW).min(LAST_ROW)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9097 8.1: 0.5 Mbit/s at index zero, 1 Mbit/s at one, steps of 1 Mbit/s to 1 Gbit/s and of 100 Mbit/s to
    /// 10 Gbit/s: 1090 rows without row 0 (which the text calls "less than 10 Gbps").
    #[test]
    fn the_table_is_the_rfcs() {
        assert_eq!(rate_of(0), BitRate::from_bits_per_second(500_000));
        for (row, megabits) in
            [(1, 1), (100, 100), (1000, 1000), (1001, 1100), (1090, 10_000), (1091, 11_000)]
        {
            assert_eq!(rate_of(row), BitRate::from_megabits(megabits), "{row}");
        }
    }

    #[test]
    fn rows_and_rates_invert_each_other() {
        for row in 0..=LAST_ROW {
            assert_eq!(row_at_most(rate_of(row)), row);
            assert!(row == LAST_ROW || rate_of(row) < rate_of(row + 1));
            let just_below = BitRate::from_bits_per_second(rate_of(row).bits_per_second() - 1);
            assert_eq!(row_at_most(just_below), row.saturating_sub(1));
        }
        assert_eq!(row_at_most(BitRate::from_bits_per_second(u64::MAX)), LAST_ROW);
        assert_eq!(rate_of(u32::MAX), BitRate::from_megabits(100_000));
    }
}
