//! Sequence numbers without the leaps of a restart, so that the store stays small.

/// Room left between two runs for packets that come misordered at the joint (RFC 3550 A.1, MAX_MISORDER).
const JOINT: u64 = 100;
/// A larger step is a new run even without the flag (RFC 3550 A.1, MAX_DROPOUT).
const MAX_STEP: u64 = 3000;

#[derive(Debug, Clone, Copy)]
struct Run {
    /// Lowest number on the wire that belongs to the run, and what is taken off.
    from: u64,
    shift: u64,
    /// The packet that opened it.
    opened_by: u64,
}

#[derive(Debug, Default)]
pub struct Numbering {
    run: Option<Run>,
    before: Option<Run>,
    /// Highest number given out, and its number on the wire.
    highest: u64,
    highest_wire: u64,
}

impl Numbering {
    /// The number of a packet, and whether it opens a new run; `None` if it belongs to a run long past.
    pub fn number(&mut self, wire: u64, restart: bool) -> Option<(u64, bool)> {
        let Some(run) = self.run else {
            self.run = Some(Run {
                from: wire.saturating_sub(JOINT),
                // Leaves room below for packets that come before their predecessors.
                shift: wire.saturating_sub(JOINT),
                opened_by: wire,
            });
            self.highest_wire = wire;
            self.highest = wire - wire.saturating_sub(JOINT);
            return Some((self.highest, false));
        };
        if wire > self.highest_wire && (restart || wire - self.highest_wire > MAX_STEP) && run.opened_by != wire {
            let number = self.highest + JOINT + 1;
            self.before = Some(run);
            self.run = Some(Run {
                from: wire.saturating_sub(JOINT).max(self.highest_wire + 1),
                shift: wire.wrapping_sub(number),
                opened_by: wire,
            });
            self.highest = number;
            self.highest_wire = wire;
            return Some((number, true));
        }
        let number = match self.before {
            _ if wire >= run.from => wire.wrapping_sub(run.shift),
            Some(before) if wire >= before.from => {
                let number = wire - before.shift;
                // Between the runs, and of neither.
                if number >= run.opened_by.wrapping_sub(run.shift) - JOINT {
                    return None;
                }
                number
            }
            _ => return None,
        };
        if wire > self.highest_wire {
            self.highest_wire = wire;
            self.highest = number;
        }
        Some((number, false))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_restart_far_above_follows_closely_and_in_order() {
        let mut n = Numbering::default();
        let mut last = 0;
        for (wire, restart, opens) in [
            (70_000, false, false),
            (70_001, false, false),
            (70_003, false, false),
            (262_150, true, true),
            (262_151, false, false),
            (300_000, false, true),
        ] {
            let (number, opened) = n.number(wire, restart).unwrap();
            assert_eq!(opened, opens, "{wire}");
            assert!(
                number > last && (last == 0 || number - last <= JOINT + 1),
                "{wire}: {number}"
            );
            last = number;
        }
    }

    #[test]
    fn misordered_packets_at_the_joint_keep_their_places() {
        let mut n = Numbering::default();
        let (a, _) = n.number(70_010, false).unwrap();
        assert_eq!(n.number(70_005, false), Some((a - 5, false)));
        let (b, _) = n.number(400_000, true).unwrap();
        assert_eq!(
            n.number(400_000, true),
            Some((b, false)),
            "the same packet again opens nothing"
        );
        assert_eq!(n.number(399_998, false), Some((b - 2, false)));
        assert_eq!(n.number(70_009, false), Some((a - 1, false)));
        assert_eq!(n.number(3, false), None);
        assert_eq!(n.number(200_000, false), None, "between the runs");
    }
}
