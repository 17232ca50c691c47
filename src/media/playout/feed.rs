//! From the store to the line: which packet is next, what stands in for one that is not there.

use super::*;

/// Opus: made up at once while nothing comes, ms; the decoder works in steps of 10 ms at least in its speech mode.
const OPUS_STEP_MS: usize = 10;
/// Opus: longest gap handed to the decoder at once, ms (RFC 6716 §2.1.4), and longest made up without packets.
const OPUS_GAP_MS: usize = 120;
const OPUS_ALONE_MS: usize = 200;
/// Fade at the end of a stream, ms.
const END_MS: usize = 8;
/// Fade into a pause that the sender left, ms.
const PAUSE_FADE_MS: usize = 10;
/// Samples after a gap that its interpolation looks at: 20 ms at 48 kHz.
const FUTURE: usize = 960;
/// Decay, per loss, of the length of losses that is reckoned with.
const LOSS_RUN_DECAY: f64 = 0.97;
/// A packet whose timestamp lies further back than this is played, but does not set the time line back, ms.
const MAX_OVERLAP_MS: i64 = 120;
/// Fade in after silence, ms.
const FADE_IN_MS: usize = 2;

/// What a step of filling came to.
enum Step {
    Again,
    Enough,
}

impl Playout {
    pub(super) fn block_len(&self) -> usize {
        self.line.rate() as usize / BLOCKS_PER_SECOND
    }

    /// Fills the line so that a block can be played; further when a stretch is due and there are packets for it.
    pub(super) fn fill(&mut self) {
        // Every step adds audio, takes a packet or ends the loop.
        while let Step::Again = self.step() {}
    }

    fn step(&mut self) -> Step {
        let (pending, n) = (self.line.pending(), self.block_len());
        let short = pending < n;
        if !short && pending >= n + self.lookahead() {
            return Step::Enough;
        }
        let Some(entry) = self.store.first() else {
            if short {
                self.run_dry(n - pending);
                return Step::Again;
            }
            return Step::Enough;
        };
        let Some(Format::Audio(codec)) = self.decoders.format(entry.payload_type) else {
            self.comfort(&entry);
            self.store.pop();
            self.advance_seq(entry.seq, true);
            return Step::Again;
        };
        if codec.playout_rate() != self.line.rate() {
            if !short {
                return Step::Enough;
            }
            self.change_rate(codec, &entry, n - pending);
            return Step::Again;
        }
        if self.state != State::Flowing && !self.resume(&entry) {
            if short {
                self.make_up(n - pending, false);
                return Step::Again;
            }
            return Step::Enough;
        }
        let gap = (entry.media - self.next_media + self.owed) / self.ticks_per_sample();
        if gap > 0 && entry.media > self.next_media {
            if !short {
                return Step::Enough;
            }
            self.bridge(&entry, codec, gap as usize, n - pending);
            return Step::Again;
        }
        self.decode(&entry, codec);
        Step::Again
    }

    /// Samples wanted beyond the block.
    fn lookahead(&self) -> usize {
        let excess = self.excess();
        if self.backlog || excess > PAUSES_FROM {
            self.line.samples(steer::LONG_BEFORE_MS + PAUSE_STEP_MS + 10)
        } else if excess > SLACK_ABOVE {
            self.line.samples(stretch::CUT_NEEDS_MS + 5)
        } else if excess < -SLACK_BELOW {
            self.line.samples(stretch::INSERT_NEEDS_MS)
        } else {
            0
        }
    }

    /// Packets missing before `entry`.
    fn missing(&self, entry: &Entry) -> u64 {
        match self.next_seq {
            Some(next) if !entry.restart => entry.seq.saturating_sub(next),
            _ => 0,
        }
    }

    /// Whether the time line may go on with `entry` after standing still.
    fn resume(&mut self, entry: &Entry) -> bool {
        let pending = self.line.pending() as i64 * self.ticks_per_sample();
        let delay = self.timing.delay(entry.media - pending) - self.timing.earliness(BLOCK_SECONDS);
        if delay < self.target() - 0.001 && !self.draining && self.waited < MAX_WAIT {
            return false;
        }
        let missing = self.missing(entry);
        if missing > 0 || entry.media <= self.next_media {
            self.concealed += self.pending_concealed;
        }
        self.note_losses(missing);
        self.pending_concealed = 0.0;
        self.next_media = entry.media;
        self.state = State::Flowing;
        true
    }

    fn note_losses(&mut self, missing: u64) {
        if missing > 0 {
            self.losses = (self.losses + missing.min(20) as f64).min(20.0);
            self.loss_run = (missing.min(3) as f64).max(1.0 + (self.loss_run - 1.0) * LOSS_RUN_DECAY);
        }
    }

    /// Fills part of the gap before `entry`.
    fn bridge(&mut self, entry: &Entry, codec: Codec, gap: usize, short: usize) {
        let missing = self.missing(entry);
        if !self.in_gap {
            self.begin_gap();
            self.note_losses(missing);
        }
        let frame = self.last_frame.max(self.line.samples(5));
        let lost = usize::try_from(missing).unwrap_or(usize::MAX).saturating_mul(frame);
        let is_lost = self.bridged < lost;
        let pause_kept = self.line.samples(PAUSE_AFTER_MS + PAUSE_BEFORE_MS);
        if !is_lost && self.backlog && self.bridged > lost + pause_kept {
            self.shortened += self.milliseconds(gap);
            self.next_media = entry.media;
            return;
        }
        let step = self.ticks_per_sample();
        if gap as f64 > self.settings.max_hold.as_secs_f64() * f64::from(self.line.rate()) {
            self.next_media = entry.media;
            return;
        }
        if codec == Codec::Opus {
            let unit = self.line.rate() as usize / 400; // 2.5 ms
            let most = if is_lost {
                self.line.samples(OPUS_GAP_MS)
            } else {
                self.line.samples(20)
            };
            // The correction in `entry` is for what lies just before it, so it must reach to the end of the gap.
            let reaches = is_lost && gap <= most;
            let length = gap.min(most) / unit * unit;
            if length == 0 {
                self.next_media = entry.media;
                return;
            }
            let Some(out) = self.line.append(length) else {
                self.next_media = entry.media;
                return;
            };
            let payload = self.store.payload(entry, &mut self.scratch);
            self.decoders.conceal(reaches.then_some(payload), out);
            if is_lost {
                self.concealed += length as f64 * 1000.0 / f64::from(self.line.rate());
            }
            self.bridged += length;
            self.next_media += length as i64 * step;
            return;
        }
        // The packets of a rate that is converted are not all of one length.
        if is_lost
            && self.bridged == 0
            && gap <= lost + self.line.samples(1)
            && gap <= self.line.samples(conceal::INTERPOLATED_MS)
        {
            self.interpolate(entry, codec, gap);
            return;
        }
        if !is_lost {
            self.concealer.fade(PAUSE_FADE_MS);
        }
        let length = gap.min(short);
        let audible = self.concealed_samples(length);
        if is_lost {
            self.concealed += self.milliseconds(audible);
        }
        self.bridged += length;
        self.next_media += length as i64 * step;
    }

    /// Fills the whole gap before `entry` from both its ends.
    fn interpolate(&mut self, entry: &Entry, codec: Codec, gap: usize) {
        let payload = self.store.payload(entry, &mut self.scratch);
        let mut future = [0.0; FUTURE];
        let n = self
            .decoders
            .samples(codec, payload)
            .min(self.line.samples(20))
            .min(FUTURE);
        self.decoders.peek(codec, payload, &mut future[..n]);
        if let Some(out) = self.line.append(gap) {
            self.concealer.interpolate(&mut self.backward, &future[..n], out);
        }
        self.concealed += self.milliseconds(gap);
        self.decoders.part();
        self.next_media += gap as i64 * self.ticks_per_sample();
        self.in_gap = false;
    }

    /// Nothing to play: stands in for what may come yet, or ends.
    fn run_dry(&mut self, short: usize) {
        if self.state == State::Flowing {
            self.state = State::Standing;
            self.waited = 0;
        }
        if self.draining && self.state != State::Done {
            if !self.in_gap || !self.ending {
                self.begin_gap();
                self.concealer.fade(END_MS);
                self.ending = true;
            }
            self.noise.end();
            self.concealed_samples(short);
            if self.concealer.is_silent() {
                self.state = State::Done;
            }
            return;
        }
        self.make_up(short, true);
    }

    /// Stands in for `short` samples while the time line stands still.
    fn make_up(&mut self, short: usize, empty: bool) {
        if !empty {
            self.waited += 1;
        }
        if self.next_seq.is_none() || self.state == State::Done {
            self.silence(short);
            return;
        }
        if !self.in_gap {
            self.begin_gap();
        }
        if self.codec == Codec::Opus && !self.noise.is_on() {
            if self.bridged >= self.line.samples(OPUS_ALONE_MS) && !self.opus_silent {
                self.silence(short);
                return;
            }
            let length = self
                .last_frame
                .clamp(self.line.rate() as usize / 400, self.line.samples(OPUS_STEP_MS));
            let Some(out) = self.line.append(length) else {
                self.silence(short);
                return;
            };
            self.decoders.conceal(None, out);
            self.bridged += length;
            if !self.opus_silent {
                self.pending_concealed += self.milliseconds(length);
            }
            return;
        }
        if self.noise.is_on() {
            self.concealer.fade(PAUSE_FADE_MS);
        }
        let audible = self.concealed_samples(short);
        self.bridged += short;
        self.pending_concealed += self.milliseconds(audible);
    }

    fn begin_gap(&mut self) {
        self.in_gap = true;
        self.bridged = 0;
        self.concealer.begin(self.line.all().0, self.line.rate());
    }

    /// Appends `n` samples of concealment and comfort noise; how many of them are made-up speech.
    fn concealed_samples(&mut self, n: usize) -> usize {
        let audible = if self.concealer.is_silent() { 0 } else { n };
        let Some(out) = self.line.append(n) else {
            return 0;
        };
        self.concealer.extend(out);
        self.noise.add(out);
        audible
    }

    fn silence(&mut self, n: usize) {
        if let Some(out) = self.line.append(n) {
            out.fill(0.0);
        }
    }

    /// Takes note of a comfort-noise packet.
    fn comfort(&mut self, entry: &Entry) {
        if self.decoders.format(entry.payload_type) == Some(Format::ComfortNoise) {
            self.noise.begin(self.store.payload(entry, &mut self.scratch));
        }
    }

    /// Plays the rest of the old rate with a fade, then goes over to the new one.
    fn change_rate(&mut self, codec: Codec, entry: &Entry, short: usize) {
        if self.line.pending() > 0 {
            self.begin_gap();
            self.concealer.fade(END_MS / 2);
            self.noise.end();
            self.concealed_samples(short);
            return;
        }
        self.line.reset(codec.playout_rate());
        self.owed = 0;
        self.concealer.begin(&[], codec.playout_rate());
        self.in_gap = true;
        self.noise.end();
        self.next_media = self.next_media.max(entry.media);
    }

    fn decode(&mut self, entry: &Entry, codec: Codec) {
        if entry.restart {
            self.decoders.reset();
        }
        self.codec = codec;
        let payload = self.store.payload(entry, &mut self.scratch);
        let (ticks, n) = (decoder::ticks(codec, payload), self.decoders.samples(codec, payload));
        let silent = decoder::is_opus_silence(codec, payload);
        if n > 0
            && let Some(out) = self.line.append(n)
        {
            if self.in_gap {
                self.decoders.part();
            }
            self.decoders.decode(codec, payload, out);
            if self.in_gap && codec != Codec::Opus {
                self.rejoin(n);
            }
            self.opus_silent = silent;
            self.in_gap = false;
            self.noise.end();
            self.last_frame = (ticks as usize).div_ceil(self.ticks_per_sample() as usize);
            self.figures.played += 1;
        }
        let overlap = self.next_media - entry.media;
        if overlap.abs() < self.ticks_per_sample() {
            self.owed -= overlap;
        }
        if overlap * 1000 < TICKS * MAX_OVERLAP_MS {
            self.next_media = entry.media + ticks;
        }
        self.store.pop();
        self.advance_seq(entry.seq, true);
        self.state = State::Flowing;
    }

    /// Joins the last `n` samples of the line, just decoded, to the made-up audio before them.
    fn rejoin(&mut self, n: usize) {
        let fade = self.line.samples(FADE_IN_MS).min(n);
        let (all, _) = self.line.all_mut();
        let start = all.len() - n;
        if self.concealer.is_silent() || self.noise.is_on() {
            for (i, s) in all[start..start + fade].iter_mut().enumerate() {
                *s *= (i + 1) as f32 / (fade + 1) as f32;
            }
            return;
        }
        let mut more = [0.0; conceal::MAX_MORE];
        let length = self.concealer.rejoin(&mut all[start..], &mut more);
        let before = self.line.pending() - n;
        if self.line.open(before, length) {
            let (all, now) = self.line.all_mut();
            all[now + before..now + before + length].copy_from_slice(&more[..length]);
            self.concealed += self.milliseconds(length);
        }
    }
}
