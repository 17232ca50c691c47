//! Decoded audio on its way out: what was played lately, then what is to be played next, in one slice.

const HISTORY_MS: usize = 120;
const CAPACITY: usize = 48 * (HISTORY_MS + 680);

pub struct Line {
    rate: u32,
    buffer: Box<[f32]>,
    /// `buffer[start..read]` was played, `buffer[read..end]` is to be played.
    start: usize,
    read: usize,
    end: usize,
}

impl Line {
    pub fn new(rate: u32) -> Self {
        Line {
            rate,
            buffer: vec![0.0; CAPACITY].into_boxed_slice(),
            start: 0,
            read: 0,
            end: 0,
        }
    }

    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// Samples in `ms` milliseconds.
    pub fn samples(&self, ms: usize) -> usize {
        self.rate as usize * ms / 1000
    }

    /// Forgets everything and goes on at another rate.
    pub fn reset(&mut self, rate: u32) {
        self.rate = rate;
        (self.start, self.read, self.end) = (0, 0, 0);
    }

    /// Samples not yet played.
    pub fn pending(&self) -> usize {
        self.end - self.read
    }

    /// Everything remembered, and the index in it of the next sample to be played.
    pub fn all(&self) -> (&[f32], usize) {
        (&self.buffer[self.start..self.end], self.read - self.start)
    }

    pub fn all_mut(&mut self) -> (&mut [f32], usize) {
        (&mut self.buffer[self.start..self.end], self.read - self.start)
    }

    /// Room for `n` samples at the end, to be filled by the caller; `None` when they do not fit.
    pub fn append(&mut self, n: usize) -> Option<&mut [f32]> {
        if self.end + n > self.buffer.len() {
            let keep = self.read.saturating_sub(self.samples(HISTORY_MS)).max(self.start);
            self.buffer.copy_within(keep..self.end, 0);
            self.read -= keep;
            self.end -= keep;
            self.start = 0;
        }
        let room = self.buffer.get_mut(self.end..self.end + n)?;
        self.end += n;
        Some(room)
    }

    /// Removes `n` samples after the first `at` pending ones.
    pub fn cut(&mut self, at: usize, n: usize) {
        let at = self.read + at.min(self.pending());
        let n = n.min(self.end - at);
        self.buffer.copy_within(at + n..self.end, at);
        self.end -= n;
    }

    /// Opens a gap of `n` samples after the first `at` pending ones; its contents are undefined. False without room.
    pub fn open(&mut self, at: usize, n: usize) -> bool {
        if self.append(n).is_none() {
            return false;
        }
        let at = (self.read + at).min(self.end - n);
        self.buffer.copy_within(at..self.end - n, at + n);
        true
    }

    /// Plays into `out`; missing samples are 0.
    pub fn take(&mut self, out: &mut [f32]) {
        let n = out.len().min(self.pending());
        out[..n].copy_from_slice(&self.buffer[self.read..self.read + n]);
        out[n..].fill(0.0);
        self.read += n;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_a_queue_that_remembers() {
        let mut line = Line::new(8000);
        let mut counter = 0.0;
        let mut expected = 0.0;
        let mut out = [0.0; 40];
        for _ in 0..5000 {
            line.append(40).unwrap().iter_mut().for_each(|s| {
                *s = counter;
                counter += 1.0;
            });
            line.take(&mut out);
            for s in out {
                assert_eq!(s, expected);
                expected += 1.0;
            }
            let (all, now) = line.all();
            assert_eq!(all.len(), now);
            let remembered = all.len().min(960);
            assert_eq!(all[all.len() - remembered], expected - remembered as f32);
        }
    }

    #[test]
    fn cuts_and_opens_pending_audio() {
        let mut line = Line::new(8000);
        line.append(10)
            .unwrap()
            .copy_from_slice(&std::array::from_fn::<f32, 10, _>(|i| i as f32));
        line.cut(2, 3);
        assert_eq!(line.all().0, [0.0, 1.0, 5.0, 6.0, 7.0, 8.0, 9.0]);
        assert!(line.open(1, 2));
        let (all, _) = line.all_mut();
        assert_eq!((all[0], &all[3..]), (0.0, &[1.0, 5.0, 6.0, 7.0, 8.0, 9.0][..]));
        assert!(line.append(CAPACITY + 1).is_none());
    }
}
