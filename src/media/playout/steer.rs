//! Keeping the delay at its target: shortened pauses, cuts and insertions of whole pitch periods.

use super::*;

/// Most that is taken out of a quiet stretch at once when trimming, ms.
const QUIET_STEP_MS: usize = 10;
/// Deviation from which the joints need not be so alike, s.
const FAR: f64 = 0.040;
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
        } else if excess < SLACK_ABOVE / 2.0 {
            self.backlog = false;
        }
        if self.state != State::Flowing || self.in_gap {
            return;
        }
        if self.backlog {
            self.save_up(CATCH_UP_RATE);
            self.catch_up(excess);
        } else if excess > SLACK_ABOVE {
            self.save_up(if excess > FAR { 2.0 * TRIM_RATE } else { TRIM_RATE });
            self.trim(excess);
        } else if excess < -SLACK_BELOW {
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

    fn catch_up(&mut self, excess: f64) {
        let step = self.line.samples(PAUSE_STEP_MS);
        if self.activity.quiet_ms() >= PAUSE_AFTER_MS
            && self.quiet_ahead() >= self.line.samples(PAUSE_BEFORE_MS) + step
            && excess > PAUSE_STEP_MS as f64 / 1000.0
        {
            self.cut(step);
        } else {
            self.cut_period(excess, CATCH_UP_LIKENESS);
        }
    }

    fn trim(&mut self, excess: f64) {
        let step = self.line.samples(QUIET_STEP_MS);
        if self.activity.quiet_ms() >= QUIET_STEP_MS && self.quiet_ahead() >= 2 * step {
            self.cut(step);
        } else {
            self.cut_period(excess, if excess > FAR { CATCH_UP_LIKENESS } else { TRIM_LIKENESS });
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
            let quiet = self.activity.quiet_ms() >= QUIET_STEP_MS;
            let likeness = if wanted > FAR { CATCH_UP_LIKENESS } else { GROW_LIKENESS };
            if (quiet || plan.correlation >= likeness) && seconds <= self.allowance {
                self.allowance -= seconds;
                let added = stretch::insert(&mut self.line, plan.length);
                self.stretched += self.milliseconds(added);
            }
        }
    }
}
