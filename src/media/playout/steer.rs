//! Keeping the delay at its target: shortened pauses, cuts and insertions of whole pitch periods.

use super::*;

/// A pause is trimmed, when the delay is only a little too long, in steps of this much, ms, and keeps this much after
/// and before speech.
const TRIM_STEP_MS: usize = 10;
const TRIM_AFTER_MS: usize = 60;
const TRIM_BEFORE_MS: usize = 20;
/// Deviation from which growing does not wait for a pause, s.
const FAR: f64 = 0.040;
/// How long a deviation may wait for a pause before speech is stretched, blocks.
const PATIENCE: u32 = 1200;
/// Share of the audio that growing may add.
const GROW_RATE: f64 = 0.20;
/// Stretching saved up at most, s.
const MAX_ALLOWANCE: f64 = 0.020;

impl Playout {
    /// How much deeper than its target the buffer is, s.
    pub(super) fn excess(&self) -> f64 {
        self.delay() - self.timing.earliness(BLOCK_SECONDS) - self.target()
    }

    pub(super) fn adjust(&mut self) {
        let excess = self.excess();
        if excess > BACKLOG {
            self.backlog = true;
        } else if excess < BACKLOG / 2.0 {
            self.backlog = false;
        }
        if self.state != State::Flowing || self.in_gap {
            return;
        }
        if excess.abs() < SLACK_BELOW || (excess > 0.0 && excess < SLACK_ABOVE) {
            self.deviating = 0;
            return;
        }
        self.deviating = self.deviating.saturating_add(1);
        if self.backlog {
            self.save_up(CATCH_UP_RATE);
            self.catch_up(excess);
        } else if excess > 0.0 {
            self.save_up(TRIM_RATE);
            self.trim(excess);
        } else {
            self.save_up(GROW_RATE);
            self.grow(-excess);
        }
    }

    fn save_up(&mut self, rate: f64) {
        self.allowance = (self.allowance + BLOCK_SECONDS * rate).min(MAX_ALLOWANCE);
    }

    fn quiet_ahead(&self) -> usize {
        let (all, now) = self.line.all();
        self.activity.quiet_ahead(&all[now..], self.line.rate())
    }

    /// Takes a step out of a pause if enough of it lies behind and ahead.
    fn cut_pause(&mut self, step_ms: usize, after_ms: usize, before_ms: usize) -> bool {
        let (step, before) = (self.line.samples(step_ms), self.line.samples(before_ms));
        let fits = self.activity.quiet_ms() >= after_ms && self.quiet_ahead() >= before + step;
        if fits {
            self.cut(step);
            self.deviating = 0;
        }
        fits
    }

    fn catch_up(&mut self, excess: f64) {
        if !self.cut_pause(PAUSE_STEP_MS, PAUSE_AFTER_MS, PAUSE_BEFORE_MS) {
            self.cut_period(excess, CATCH_UP_LIKENESS);
        }
    }

    /// In pauses, and only where there are none in the speech itself.
    fn trim(&mut self, excess: f64) {
        let cut = match excess > PAUSES_FROM {
            true => self.cut_pause(PAUSE_STEP_MS, PAUSE_AFTER_MS, PAUSE_BEFORE_MS),
            false => self.cut_pause(TRIM_STEP_MS, TRIM_AFTER_MS, TRIM_BEFORE_MS),
        };
        if !cut && self.deviating > PATIENCE {
            self.cut_period(excess, TRIM_LIKENESS);
        }
    }

    fn cut_period(&mut self, excess: f64, likeness: f32) {
        if self.allowance * 1e6 < pitch::MIN_PERIOD_US as f64 {
            return;
        }
        if let Some(plan) = stretch::plan_cut(&self.line) {
            let seconds = plan.length as f64 / f64::from(self.line.rate());
            if plan.correlation >= likeness && seconds <= self.allowance && seconds <= excess + SLACK_BELOW / 2.0 {
                self.allowance -= seconds;
                self.cut(plan.length);
            }
        }
    }

    fn cut(&mut self, length: usize) {
        let removed = stretch::cut(&mut self.line, length);
        self.shortened += self.milliseconds(removed);
    }

    fn grow(&mut self, wanted: f64) {
        if self.allowance * 1e6 < pitch::MIN_PERIOD_US as f64 {
            return;
        }
        if let Some(plan) = stretch::plan_insert(&self.line) {
            let seconds = plan.length as f64 / f64::from(self.line.rate());
            let quiet = self.activity.quiet_ms() >= TRIM_AFTER_MS;
            let joins = if wanted > FAR {
                plan.correlation >= CATCH_UP_LIKENESS
            } else {
                self.deviating > PATIENCE && plan.correlation >= GROW_LIKENESS
            };
            if (quiet || joins) && seconds <= self.allowance {
                self.allowance -= seconds;
                let added = stretch::insert(&mut self.line, plan.length);
                self.stretched += self.milliseconds(added);
            }
        }
    }
}
