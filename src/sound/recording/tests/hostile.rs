//! Files that were cut, changed or made up: an answer to each, never a panic, never more than the bounds.

use super::opus::{File, mend, pages};
use super::*;

struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }
    fn below(&mut self, limit: usize) -> usize {
        (self.next() % limit as u64) as usize
    }
}

/// Whatever comes of it is within the bounds.
fn try_it(octets: &[u8]) {
    if let Ok(recording) = load(octets) {
        assert!(recording.length() <= MAX_LENGTH && recording.frames() > 0);
        assert!(recording.step.is_finite() && recording.about.peak.0.is_finite());
        recording.flaws();
        assert!(recording.levelling().0.is_finite());
    }
}

fn files() -> [Vec<u8>; 3] {
    let mut surround = File::of(&talk(48_000, 0.1));
    surround.head = super::opus::head(2, 312, 0, &[1, 2, 0, 0, 1]);
    [
        wav(11_025, &talk(11_025, 0.05)),
        File::of(&talk(48_000, 0.1)).write(),
        surround.write(),
    ]
}

#[test]
fn cut_at_every_octet() {
    for file in files() {
        for end in 0..file.len() {
            try_it(&file[..end]);
        }
    }
    // A file with all its headers that is not whole never passes for one.
    let file = &files()[1];
    for end in 0..file.len() {
        let whole = load(&file[..end]).is_ok_and(|r| r.about.is_whole);
        assert!(!whole, "{end} of {}", file.len());
    }
}

#[test]
fn octets_changed() {
    let mut random = Random(0x5eed_0001);
    for file in files() {
        for _ in 0..600 {
            let mut file = file.clone();
            for _ in 0..1 + random.below(4) {
                let at = random.below(file.len());
                file[at] = [0, 0xff, 0x7f, random.next() as u8][random.below(4)];
            }
            try_it(&file);
            // The same with sums that are right.
            let starts = pages(&file);
            for pair in starts.windows(2) {
                if pair[1] - pair[0] >= 27 {
                    mend(&mut file[pair[0]..pair[1]]);
                }
            }
            try_it(&file);
        }
    }
}

#[test]
fn random_octets_behind_a_good_beginning() {
    let mut random = Random(0x5eed_0002);
    for file in files() {
        for _ in 0..300 {
            let keep = random.below(file.len().min(200));
            let mut made = file[..keep].to_vec();
            made.extend((0..random.below(2000)).map(|_| random.next() as u8));
            try_it(&made);
        }
    }
}

/// Packets of random octets and of many streams, in pages that are right.
#[test]
fn random_packets() {
    let mut random = Random(0x5eed_0003);
    for streams in [1u8, 2, 8] {
        let mapping: Vec<u8> = (0..streams).collect();
        for _ in 0..100 {
            let mut file = File::of(&talk(48_000, 0.02));
            file.head = super::opus::head(streams, 312, i16::MAX, &[&[1, streams, 0][..], &mapping].concat());
            file.packets = (0..random.below(20))
                .map(|_| (0..random.below(300)).map(|_| random.next() as u8).collect())
                .collect();
            file.last = Some(random.next());
            file.first = random.next() >> 8;
            try_it(&file.write());
        }
    }
}
