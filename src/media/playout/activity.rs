//! Telling pauses from speech, by level against the stream's own floor and speech level.

/// Frame that is judged, ms.
pub const FRAME_MS: usize = 5;
/// Never quiet above this, and always quiet below that (mean square; −42 and −72 dB re full scale).
const CEILING: f32 = 6.3e-5;
const SILENCE: f32 = 6.3e-8;
/// Quiet is this much below the speech level and no more than that above the floor (22 dB, 11 dB).
const BELOW_SPEECH: f32 = 6.3e-3;
const ABOVE_FLOOR: f32 = 12.6;
/// Speech level assumed before any was heard: −26 dB, the usual level on a telephone line (P.56 convention).
const USUAL_SPEECH: f32 = 2.5e-3;

pub struct Activity {
    /// Mean square over about 50 ms, its least of late, and that of speech.
    smooth: f32,
    floor: f32,
    speech: f32,
    /// Quiet audio in a row that was heard last, ms.
    quiet_ms: usize,
}

impl Activity {
    pub fn new() -> Self {
        Activity {
            smooth: CEILING,
            floor: CEILING,
            speech: USUAL_SPEECH,
            quiet_ms: 0,
        }
    }

    pub fn quiet_ms(&self) -> usize {
        self.quiet_ms
    }

    /// Learns from a frame that was played.
    pub fn hear(&mut self, frame: &[f32]) {
        let power = power(frame);
        self.quiet_ms = match self.is_quiet(power) {
            true => self.quiet_ms.saturating_add(FRAME_MS),
            false => 0,
        };
        self.smooth += (power - self.smooth) * 0.1;
        // Down at once, up by 3 dB a second; speech the other way round, down by 3 dB in two seconds.
        self.floor = self.smooth.min(self.floor * 1.0035).max(SILENCE);
        self.speech = if power > self.speech {
            self.speech + (power - self.speech) * 0.25
        } else {
            (self.speech * 0.9983).max(USUAL_SPEECH * 0.01)
        };
    }

    pub fn is_quiet(&self, power: f32) -> bool {
        power < SILENCE || power < (self.floor * ABOVE_FLOOR).min(self.speech * BELOW_SPEECH).min(CEILING)
    }

    /// Quiet audio, in samples, at the front of `audio`, in whole frames.
    pub fn quiet_ahead(&self, audio: &[f32], rate: u32) -> usize {
        let frame = rate as usize * FRAME_MS / 1000;
        let frames = audio.chunks_exact(frame).take_while(|f| self.is_quiet(power(f)));
        frames.count() * frame
    }
}

/// Mean square.
pub fn power(frame: &[f32]) -> f32 {
    frame.iter().map(|s| s * s).sum::<f32>() / frame.len().max(1) as f32
}
