//! How many packets arrived more than once (RFC 5560).

use std::collections::HashMap;

use culvert_units::Fraction;

/// The duplication of a stream, over the packets that arrived at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Duplication {
    /// Arrivals, every copy counted.
    pub arrivals: u64,
    /// Different packets that arrived.
    pub packets: u64,
    /// Packets that arrived more than once.
    pub replicated: u64,
}

/// Counts the copies of each sequence number; the order of arrival does not matter.
pub fn duplication(sequences: &[u64]) -> Duplication {
    let mut copies: HashMap<u64, u64> = HashMap::new();
    for sequence in sequences {
        *copies.entry(*sequence).or_default() += 1;
    }
    Duplication {
        arrivals: sequences.len() as u64,
        packets: copies.len() as u64,
        replicated: copies.values().filter(|count| **count > 1).count() as u64,
    }
}

impl Duplication {
    /// Additional arrivals of packets that arrived (RFC 5560 5.1); `None` when nothing arrived.
    pub fn fraction(self) -> Option<Fraction> {
        Fraction::of((self.arrivals - self.packets) as f64, self.packets as f64)
    }

    /// Packets that arrived more than once of those that arrived (RFC 5560 5.2); `None` when nothing arrived.
    pub fn replicated_rate(self) -> Option<Fraction> {
        Fraction::of(self.replicated as f64, self.packets as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 5560 5.3, cases 1 to 4 and the variations of case 2. The sentence in brackets in 5.1 leaves out the −1 of
    /// its own formula; these examples have it.
    #[test]
    fn rfc_5560_examples() {
        let cases: [(&[u64], f64, f64); 7] = [
            (&[1, 2, 3, 4], 0.0, 0.0),
            (&[1, 1, 2, 2, 3, 3, 4, 4], 1.0, 1.0),
            (&[1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4], 2.0, 1.0),
            (&[1, 1, 1, 2, 3, 3, 3, 4], 1.0, 0.5),
            (&[1, 2, 3, 4, 1, 2, 3, 4], 1.0, 1.0),
            (&[1, 2, 3, 4, 4, 3, 2, 1], 1.0, 1.0),
            (&[7], 0.0, 0.0),
        ];
        for (arrivals, fraction, replicated) in cases {
            let found = duplication(arrivals);
            assert_eq!(found.fraction(), Fraction::of(fraction, 1.0), "{arrivals:?}");
            assert_eq!(found.replicated_rate(), Fraction::of(replicated, 1.0), "{arrivals:?}");
        }
    }

    #[test]
    fn nothing_arrived_is_none() {
        let none = duplication(&[]);
        assert_eq!((none.fraction(), none.replicated_rate()), (None, None));
    }
}
