//! Bytes that must not be shown.

use std::fmt;

use subtle::ConstantTimeEq;
use zeroize::Zeroizing;

/// `N` secret bytes: never printed, never serialized, compared in constant time, overwritten when dropped.
#[derive(Clone)]
pub struct Secret<const N: usize>(Zeroizing<[u8; N]>);

impl<const N: usize> Secret<N> {
    /// Takes the bytes over; the caller's copy is the caller's to wipe.
    pub fn new(bytes: [u8; N]) -> Self {
        Self(Zeroizing::new(bytes))
    }

    /// The bytes, for the one place that needs them.
    pub fn expose(&self) -> &[u8; N] {
        &self.0
    }
}

impl<const N: usize> PartialEq for Secret<N> {
    fn eq(&self, other: &Self) -> bool {
        self.0.as_slice().ct_eq(other.0.as_slice()).into()
    }
}

impl<const N: usize> Eq for Secret<N> {}

impl<const N: usize> fmt::Debug for Secret<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Secret<{N}>(hidden)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn debug_hides_the_bytes() {
        let shown = format!("{:?} {:#?}", Secret::new([0xab; 4]), Secret::new([171; 4]));
        assert!(!shown.contains("171") && !shown.contains("ab"), "{shown}");
    }

    #[test]
    fn differs_in_any_byte() {
        let secret = Secret::new([7; 16]);
        assert_eq!(secret, Secret::new([7; 16]));
        for at in 0..16 {
            let mut other = [7; 16];
            other[at] ^= 0x80;
            assert_ne!(secret, Secret::new(other));
        }
    }
}
