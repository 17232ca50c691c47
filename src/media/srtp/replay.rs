//! Packet indices and the window of those that came (RFC 3711 §3.3.1, §3.3.2).

/// How far back a late packet may come; at least 64 (RFC 3711 §3.3.2).
const WINDOW: u64 = 128;
/// Half of all sequence numbers.
const HALF: i32 = 1 << 15;

/// The highest index that came and which of those below it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    highest: u64,
    /// Bit n: `highest - n` has come.
    seen: u128,
}

impl Window {
    /// `index` is the first.
    pub fn new(index: u64) -> Window {
        Window {
            highest: index,
            seen: 1,
        }
    }

    /// Whether `index` has not come and is not too old to know.
    pub fn is_fresh(&self, index: u64) -> bool {
        match self.highest.checked_sub(index) {
            None => true,
            Some(back) => back < WINDOW && self.seen >> back & 1 == 0,
        }
    }

    /// Notes an authenticated packet.
    pub fn note(&mut self, index: u64) {
        if index > self.highest {
            let ahead = u32::try_from(index - self.highest).unwrap_or(u32::MAX);
            self.seen = self.seen.checked_shl(ahead).unwrap_or(0) | 1;
            self.highest = index;
        } else if let Some(bit) = u32::try_from(self.highest - index)
            .ok()
            .and_then(|b| 1u128.checked_shl(b))
        {
            self.seen |= bit;
        }
    }

    /// The roll-over counter that brings `seq` nearest to the highest index (RFC 3711 §3.3.1).
    pub fn roll_over(&self, seq: u16) -> u32 {
        let (roc, last) = ((self.highest >> 16) as u32, self.highest as u16);
        match i32::from(seq) - i32::from(last) {
            // Before the first packet of all there was none; the tag will tell.
            ahead if ahead > HALF => roc.saturating_sub(1),
            ahead if ahead < -HALF => roc.saturating_add(1),
            _ => roc,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_index_is_taken_once() {
        let mut w = Window::new(1000);
        assert!(!w.is_fresh(1000) && w.is_fresh(999) && w.is_fresh(1001));
        w.note(1064);
        assert!(!w.is_fresh(1000) && w.is_fresh(1001) && !w.is_fresh(1064));
        w.note(1001);
        assert!(!w.is_fresh(1001));
        w.note(1000 + WINDOW);
        assert!(!w.is_fresh(1000), "outside the window");
        assert!(!w.is_fresh(1001) && w.is_fresh(1002), "inside: {w:?}");
        w.note(u64::MAX >> 16);
        assert!(!w.is_fresh(1000 + WINDOW));
        assert_eq!(w.seen, 1);
    }

    /// RFC 3711 §3.3.1, Appendix A: the counter that is nearest to the highest index.
    #[test]
    fn roll_over_counter() {
        let at = |roc: u64, last: u16, seq| Window::new(roc << 16 | u64::from(last)).roll_over(seq);
        assert_eq!(at(0, 10, 11), 0);
        assert_eq!(at(0, 65_535, 0), 1, "wraps");
        assert_eq!(at(1, 0, 65_535), 0, "a late one of before the wrap");
        assert_eq!(at(5, 3, 65_000), 4);
        assert_eq!(at(5, 65_000, 3), 6);
        assert_eq!(at(5, 40_000, 8_000), 5);
        assert_eq!(at(5, 40_000, 7_000), 6);
        assert_eq!(at(5, 20_000, 52_768), 5);
        assert_eq!(at(5, 20_000, 52_769), 4);
        assert_eq!(at(0, 3, 65_000), 0, "there is none before the first");
        assert_eq!(at(u64::from(u32::MAX), 65_000, 3), u32::MAX);
    }
}
