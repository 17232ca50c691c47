//! Keeping the delay at its target: shortened pauses, cuts and insertions of whole pitch periods.

use super::*;

/// A delay that is no backlog is trimmed in pauses between phrases alone, in steps of this much, ms. They keep this
/// much after speech and, as far as the buffer shows it, before it: a listener's sense of rhythm, and a measurement's
/// alignment (ITU-T P.862 joins utterances less than 200 ms apart), survive that.
const TRIM_STEP_MS: usize = 10;
const TRIM_AFTER_MS: usize = 250;
const TRIM_BEFORE_MS: usize = 20;
pub(super) const LONG_BEFORE_MS: usize = 60;
/// Quiet in which growing needs no likeness, ms.
const GROW_AFTER_MS: usize = 60;
/// Deviation from which growing does not wait for a pause, s. Drift alone never gets that far above the target: what
/// is later than that, and no backlog, waits for a pause however long.
const FAR: f64 = 0.040;
/// How long a deviation may wait for a pause before speech is stretched, blocks: below the target, where the next
/// packet would be late, and above it.
const PATIENCE: u32 = 1200;
const TRIM_PATIENCE: u32 = 4000;
/// Share of the audio that growing may add.
const GROW_RATE: f64 = 0.20;
/// Share of the speech that catching up takes out while less than this is held, s.
const GENTLE_RATE: f64 = 0.045;
const GENTLE_BELOW: f64 = 2.0;
/// Likeness that a joint needs then.
const GENTLE_LIKENESS: f32 = 0.75;
/// Stretching saved up at most, s.
const MAX_ALLOWANCE: f64 = 0.020;

/// Share of the speech that catching up takes out: little, until so much is held that live speech is far away.
fn catch_up_rate(excess: f64) -> f64 {
    (GENTLE_RATE + (excess - GENTLE_BELOW) * 0.1).clamp(GENTLE_RATE, CATCH_UP_RATE)
}

impl Playout {
    /// How much deeper than its target the buffer is, s.
    pub(super) fn excess(&self) -> f64 {
        self.delay() - self.timing.earliness(BLOCK_SECONDS) - self.target()
    }

    pub(super) fn adjust(&mut self) {
        let excess = self.excess();
        if excess > BACKLOG {
            self.backlog = true;
        } else if excess < SLACK_ABOVE {
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
            self.save_up(catch_up_rate(excess));
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

    /// In pauses to the end; in the words while much is held.
    fn catch_up(&mut self, excess: f64) {
        let cut = match excess > PAUSES_FROM {
            true => self.cut_pause(PAUSE_STEP_MS, PAUSE_AFTER_MS, PAUSE_BEFORE_MS),
            false => self.cut_pause(TRIM_STEP_MS, PAUSE_AFTER_MS, TRIM_BEFORE_MS),
        };
        if !cut && excess > BACKLOG {
            let likeness = match excess > GENTLE_BELOW {
                true => CATCH_UP_LIKENESS,
                false => GENTLE_LIKENESS,
            };
            self.cut_period(excess, likeness);
        }
    }

    /// In pauses; drift alone may take it out of speech that has none.
    fn trim(&mut self, excess: f64) {
        let cut = match excess > PAUSES_FROM {
            true => self.cut_pause(PAUSE_STEP_MS, TRIM_AFTER_MS, LONG_BEFORE_MS),
            false => self.cut_pause(TRIM_STEP_MS, TRIM_AFTER_MS, TRIM_BEFORE_MS),
        };
        if !cut && excess < FAR && self.deviating > TRIM_PATIENCE {
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
            let quiet = self.activity.quiet_ms() >= GROW_AFTER_MS;
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
