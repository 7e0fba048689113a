//! The frames that are on their way.

/// Buffers that are used again and again, found by number.
#[derive(Debug, Default)]
pub(super) struct Store {
    buffers: Vec<Vec<u8>>,
    free: Vec<u32>,
}

impl Store {
    /// Keeps a copy of the parts of a frame and returns its number; `None` when too many are kept already.
    pub(super) fn keep(&mut self, parts: [&[u8]; 2]) -> Option<u32> {
        let number = match self.free.pop() {
            Some(number) => number,
            None => self.grow()?,
        };
        let buffer = self.buffers.get_mut(usize::try_from(number).ok()?)?;
        buffer.clear();
        for part in parts {
            buffer.extend_from_slice(part);
        }
        Some(number)
    }

    /// The frame of this number; empty when there is none.
    pub(super) fn frame(&self, number: u32) -> &[u8] {
        usize::try_from(number).ok().and_then(|at| self.buffers.get(at)).map_or(&[], Vec::as_slice)
    }

    /// Gives back the room of a frame that [`keep`](Self::keep) returned.
    pub(super) fn release(&mut self, number: u32) {
        self.free.push(number);
    }

    fn grow(&mut self) -> Option<u32> {
        if self.buffers.len() >= MOST {
            return None;
        }
        let number = u32::try_from(self.buffers.len()).ok()?;
        self.buffers.push(Vec::new());
        Some(number)
    }
}

/// Some 200 MB of full-size frames: more than a second and a half at 1 Gbit/s.
const MOST: usize = 1 << 17;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_are_found_until_they_are_released() {
        let mut store = Store::default();
        let first = store.keep([b"head", b"one"]).unwrap();
        let second = store.keep([b"head", b"second"]).unwrap();
        assert_eq!(
            (store.frame(first), store.frame(second)),
            (&b"headone"[..], &b"headsecond"[..])
        );
        store.release(first);
        assert_eq!(store.keep([b"", b"third"]), Some(first));
        assert_eq!((store.frame(first), store.frame(second)), (&b"third"[..], &b"headsecond"[..]));
        assert_eq!(store.frame(99), b"");
    }

    #[test]
    fn room_is_bounded() {
        let mut store = Store::default();
        let kept = (0..=MOST).filter(|_| store.keep([b"", b""]).is_some()).count();
        assert_eq!(kept, MOST);
    }
}
