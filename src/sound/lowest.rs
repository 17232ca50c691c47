//! The lowest level of the recent past: the floor that noise leaves between words.

/// The lowest of the last `PARTS` stretches of `PART` values each, and of the one that runs.
#[derive(Debug, Clone)]
pub struct Lowest<const PARTS: usize, const PART: usize> {
    parts: [f32; PARTS],
    part: usize,
    count: usize,
    current: f32,
}

impl<const PARTS: usize, const PART: usize> Lowest<PARTS, PART> {
    /// `past` stands for what was before the first value.
    pub fn new(past: f32) -> Self {
        Lowest {
            parts: [past; PARTS],
            part: 0,
            count: 0,
            current: f32::INFINITY,
        }
    }

    pub fn push(&mut self, value: f32) {
        self.current = self.current.min(value);
        self.count += 1;
        if self.count == PART {
            self.parts[self.part] = self.current;
            self.part = (self.part + 1) % PARTS;
            self.count = 0;
            self.current = f32::INFINITY;
        }
    }

    pub fn get(&self) -> f32 {
        self.parts.iter().copied().fold(self.current, f32::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_counts_while_its_stretch_is_remembered() {
        let mut lowest = Lowest::<3, 4>::new(f32::INFINITY);
        assert_eq!(lowest.get(), f32::INFINITY);
        lowest.push(-9.0);
        for n in 1..16 {
            assert_eq!(lowest.get(), -9.0, "{n}");
            lowest.push(1.0);
        }
        assert_eq!(lowest.get(), 1.0);
        assert_eq!(Lowest::<3, 4>::new(-52.0).get(), -52.0);
    }
}
