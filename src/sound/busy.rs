//! Busy and reorder tones in the audio: the other end of a line has hung up, and its gateway does not say so.
//!
//! Every 10 ms the last 40 ms are looked at through one filter for each frequency of the plan. From the turn of a filter's
//! output between two looks follows the tone's own frequency, and from that its level; what is left of the signal when
//! the tones are taken away tells them from speech and music. Bursts and gaps of the plan's lengths, [`BURSTS`] in a row,
//! are a busy tone: speech does not keep that beat, a ringing or a dial tone has another.
//!
//! Frequencies and cadences are those of the ITU's list of national tones (Supplement 2 to E.180), by two public tables
//! made from it, and RFC 4733 Table 4 for the general one. Limits are our own (no published source) but where they say
//! otherwise.

use std::f32::consts::{PI, TAU};

use super::decimate::{Decimator, TAPS};
use super::dtmf;
use super::weights::{correlate, dot, hann_response};

/// Sampling rate that everything works at, Hz; the longest ratio of rates, and where the low-pass before it cuts.
const RATE: usize = 8000;
const MAX_FACTOR: usize = 6;
const CUT: f32 = 3800.0 / RATE as f32;
/// Sampling rates that can be listened to, Hz.
const LOWEST_RATE: u32 = 7000;
/// One look, and the step between looks, samples at up to twice the working rate.
const WINDOW_S: f32 = 0.040;
const STEP_S: f32 = 0.010;
const WINDOW: usize = 2 * RATE * 40 / 1000;

/// Bursts of the plan's lengths, with the gaps between them.
pub const BURSTS: usize = 4;
/// Largest deviation of a tone, as a share of its frequency.
pub const OFFSET: f32 = 0.025;
/// Faintest tone, dBm0 by G.711's scale, where a sine of full amplitude is +3.17 dBm0.
pub const FAINTEST: f32 = -43.0;
/// Largest difference between the levels of two tones, dB.
const TWIST: f32 = 9.0;
/// Largest share of the power that is in none of the plan's tones.
const REST: f32 = 0.2;
/// Share of the burst's power that a gap may hold.
const GAP: f32 = 0.06;
/// Deviation of a burst's or a gap's length from the plan's.
const STRETCH: f32 = 0.12;
const SLACK: f32 = 0.020;
/// Looks that are neither tone nor gap, at an edge.
const MAX_EDGE: u32 = 6;
/// Looks after which a burst is a steady tone, and a gap the end of it.
const LONGEST: u32 = 100;
/// Most tones that sound together.
const TONES: usize = 2;

/// A burst and the gap behind it, s, at least and at most.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Step {
    on: [f32; 2],
    off: [f32; 2],
}

const fn step(on: f32, off: f32) -> Step {
    Step {
        on: [on, on],
        off: [off, off],
    }
}

/// The busy and reorder (congestion) tones of a country.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plan {
    /// What E.180 prefers: 425 Hz, any even beat within its bounds (RFC 4733 Table 4). Many countries keep to it.
    Itu,
    NorthAmerica,
    Uk,
    Germany,
    France,
    /// The tables disagree about the pitch (400 or 425 Hz): either.
    Australia,
    Japan,
}

impl Plan {
    pub const ALL: [Plan; 7] = [
        Plan::Itu,
        Plan::NorthAmerica,
        Plan::Uk,
        Plan::Germany,
        Plan::France,
        Plan::Australia,
        Plan::Japan,
    ];

    /// As the configuration writes it.
    pub const fn name(self) -> &'static str {
        match self {
            Plan::Itu => "itu",
            Plan::NorthAmerica => "north-america",
            Plan::Uk => "uk",
            Plan::Germany => "germany",
            Plan::France => "france",
            Plan::Australia => "australia",
            Plan::Japan => "japan",
        }
    }

    pub fn named(name: &str) -> Option<Plan> {
        Plan::ALL.into_iter().find(|p| p.name() == name)
    }

    /// Sets of frequencies that sound together, Hz; 0 where there is one only.
    fn tones(self) -> &'static [[f32; TONES]] {
        match self {
            Plan::Itu | Plan::Germany => &[[425.0, 0.0]],
            Plan::NorthAmerica => &[[480.0, 620.0]],
            Plan::Uk | Plan::Japan => &[[400.0, 0.0]],
            Plan::France => &[[440.0, 0.0]],
            Plan::Australia => &[[400.0, 0.0], [425.0, 0.0]],
        }
    }

    /// Cadences, each of one step or two that alternate.
    fn cadences(self) -> &'static [&'static [Step]] {
        const HALF: &[Step] = &[step(0.5, 0.5)];
        const QUARTER: &[Step] = &[step(0.25, 0.25)];
        const EIGHTHS: &[Step] = &[step(0.375, 0.375)];
        const GENERAL: &[Step] = &[Step {
            on: [0.1, 0.6],
            off: [0.1, 0.7],
        }];
        const UK_CONGESTION: &[Step] = &[step(0.4, 0.35), step(0.225, 0.525)];
        const GERMAN_BUSY: &[Step] = &[step(0.48, 0.48)];
        const GERMAN_CONGESTION: &[Step] = &[step(0.24, 0.24)];
        match self {
            Plan::Itu => &[GENERAL],
            Plan::NorthAmerica | Plan::France => &[HALF, QUARTER],
            Plan::Uk => &[EIGHTHS, UK_CONGESTION],
            Plan::Germany => &[GERMAN_BUSY, GERMAN_CONGESTION],
            Plan::Australia => &[EIGHTHS],
            Plan::Japan => &[HALF],
        }
    }
}

/// What one look shows.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Look {
    /// Tones of this power.
    Tone(f32),
    /// Anything else, with its power.
    Other(f32),
}

/// The filters of one set of tones.
#[derive(Debug, Clone, Copy)]
struct Filters {
    tones: [f32; TONES],
    count: usize,
    /// Output in the look before.
    before: [Option<[f32; 2]>; TONES],
}

impl Filters {
    fn new(tones: [f32; TONES]) -> Self {
        Filters {
            tones,
            count: tones.iter().filter(|f| **f > 0.0).count(),
            before: [None; TONES],
        }
    }

    /// `windowed` is the Hann-weighted window, `power` the mean square under it, `sum` the sum of the weights.
    fn look(&mut self, windowed: &[f32], power: f32, sum: f32, rate: f32) -> Look {
        let least = dtmf::amplitude(FAINTEST);
        let mut amplitudes = [0.0f32; TONES];
        let mut fits = true;
        let tones = self.tones.iter().take(self.count);
        for ((frequency, before), amplitude) in tones.zip(&mut self.before).zip(&mut amplitudes) {
            let output = correlate(windowed, frequency / rate).map(|x| 2.0 * x / sum);
            // The phase counts from the window's beginning, which goes on by a step.
            let offset = before.replace(output).map(|before| {
                let turn = output[1].atan2(output[0]) - before[1].atan2(before[0]) - TAU * frequency * STEP_S;
                wrap(turn) / (TAU * STEP_S)
            });
            fits &= offset.is_some_and(|o| o.abs() < OFFSET * frequency);
            let lost = hann_response(offset.unwrap_or(0.0) * WINDOW_S).max(0.5);
            *amplitude = output[0].hypot(output[1]) / lost;
            fits &= *amplitude > least;
        }
        let [a, b] = amplitudes;
        let twist = 10f32.powf(TWIST / 20.0);
        fits &= self.count == 1 || (a < b * twist && b < a * twist);
        let tones = (a * a + b * b) / 2.0;
        match fits && (power - tones).abs() < REST * power {
            true => Look::Tone(tones),
            false => Look::Other(power),
        }
    }
}

fn wrap(angle: f32) -> f32 {
    (angle + PI).rem_euclid(TAU) - PI
}

/// Where in the beat a stream is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Beat {
    Nothing,
    /// Tone and gap, with looks so far and looks of the edge that may follow.
    Tone {
        looks: u32,
        edge: u32,
        power: f32,
    },
    Gap {
        looks: u32,
        edge: u32,
    },
}

/// Bursts and gaps of one set of tones.
#[derive(Debug, Clone, Copy)]
struct Beats {
    filters: Filters,
    beat: Beat,
    /// Half of the edge before, looks.
    edge_before: f32,
    /// Power of the last burst.
    power: f32,
    /// Lengths of the last bursts and gaps, s, the newest last.
    lengths: [[f32; 2]; BURSTS],
    count: usize,
    on: f32,
}

impl Beats {
    fn new(tones: [f32; TONES]) -> Self {
        Beats {
            filters: Filters::new(tones),
            beat: Beat::Nothing,
            edge_before: 0.0,
            power: 0.0,
            lengths: [[0.0; 2]; BURSTS],
            count: 0,
            on: 0.0,
        }
    }

    /// Takes the next look; whether a burst of enough has begun.
    fn follow(&mut self, look: Look) -> bool {
        match (self.beat, look) {
            (Beat::Nothing, Look::Tone(power)) => {
                self.edge_before = 0.0;
                self.beat = Beat::Tone {
                    looks: 1,
                    edge: 0,
                    power,
                };
            }
            (Beat::Nothing, Look::Other(_)) => {}
            (Beat::Tone { looks, edge, power }, Look::Tone(now)) if looks + edge < LONGEST => {
                let power = power.max(now);
                self.beat = Beat::Tone {
                    looks: looks + edge + 1,
                    edge: 0,
                    power,
                };
            }
            (Beat::Tone { looks, edge, power }, Look::Other(now)) if now < GAP * power => {
                self.on = (looks as f32 + self.edge_before + edge as f32 / 2.0) * STEP_S;
                self.edge_before = edge as f32 / 2.0;
                self.power = power;
                self.beat = Beat::Gap { looks: 1, edge: 0 };
            }
            (Beat::Tone { looks, edge, power }, Look::Other(_)) if edge < MAX_EDGE => {
                self.beat = Beat::Tone {
                    looks,
                    edge: edge + 1,
                    power,
                };
            }
            (Beat::Gap { looks, edge }, Look::Other(now)) if now < GAP * self.power && looks + edge < LONGEST => {
                self.beat = Beat::Gap {
                    looks: looks + edge + 1,
                    edge: 0,
                };
            }
            (Beat::Gap { looks, edge }, Look::Tone(power)) => {
                let off = (looks as f32 + self.edge_before + edge as f32 / 2.0) * STEP_S;
                self.edge_before = edge as f32 / 2.0;
                self.beat = Beat::Tone {
                    looks: 1,
                    edge: 0,
                    power,
                };
                self.lengths.rotate_left(1);
                self.lengths[BURSTS - 1] = [self.on, off];
                self.count += 1;
                return self.count >= BURSTS;
            }
            (Beat::Gap { looks, edge }, Look::Other(_)) if edge < MAX_EDGE => {
                self.beat = Beat::Gap { looks, edge: edge + 1 };
            }
            _ => {
                self.beat = Beat::Nothing;
                self.count = 0;
            }
        }
        false
    }

    /// The last bursts have the lengths of this cadence, from any of its steps on. The first burst is not looked at: the
    /// stream may have begun within it.
    fn keeps(&self, cadence: &[Step]) -> bool {
        let within =
            |x: f32, [least, most]: [f32; 2]| x > least * (1.0 - STRETCH) - SLACK && x < most * (1.0 + STRETCH) + SLACK;
        let alike = |a: f32, b: f32| (a - b).abs() < STRETCH * a.max(b) + SLACK;
        (0..cadence.len()).any(|from| {
            (0..BURSTS).all(|i| {
                let step = cadence[(from + i) % cadence.len()];
                let [on, off] = self.lengths[i];
                let before = i.checked_sub(cadence.len()).map(|b| self.lengths[b]);
                (i == 0 || within(on, step.on))
                    && within(off, step.off)
                    && before.is_none_or(|[was_on, was_off]| {
                        (i == cadence.len() || alike(on, was_on)) && alike(off, was_off)
                    })
            })
        })
    }
}

/// Busy-tone detector of one stream. No heap.
#[derive(Debug, Clone)]
pub struct BusyDetector {
    plan: Plan,
    rate: u32,
    decimator: Decimator<{ TAPS * MAX_FACTOR }>,
    line: [f32; WINDOW],
    /// Hann's weights, and the window in use, samples.
    weights: [f32; WINDOW],
    window: usize,
    step: usize,
    filled: usize,
    beats: [Option<Beats>; 2],
}

impl BusyDetector {
    pub fn new(plan: Plan) -> Self {
        let mut beats = [None; 2];
        for (place, tones) in beats.iter_mut().zip(plan.tones()) {
            *place = Some(Beats::new(*tones));
        }
        BusyDetector {
            plan,
            rate: 0,
            decimator: Decimator::new(1, CUT),
            line: [0.0; WINDOW],
            weights: [0.0; WINDOW],
            window: 0,
            step: 0,
            filled: 0,
            beats,
        }
    }

    /// Takes the next samples, full scale ±1.0; `rate` in Hz, nothing is heard below 7 kHz. Whether a busy tone has been
    /// recognised within them.
    pub fn hear(&mut self, samples: &[f32], rate: u32) -> bool {
        if rate != self.rate {
            self.set(rate);
        }
        if self.window == 0 {
            return false;
        }
        let mut busy = false;
        for x in samples {
            let x = if x.is_finite() { x.clamp(-4.0, 4.0) } else { 0.0 };
            let Some(x) = self.decimator.push(x) else { continue };
            self.line[self.filled] = x;
            self.filled += 1;
            if self.filled == self.window {
                busy |= self.look();
                self.line.copy_within(self.step..self.window, 0);
                self.filled -= self.step;
            }
        }
        busy
    }

    fn set(&mut self, rate: u32) {
        *self = BusyDetector::new(self.plan);
        self.rate = rate;
        let factor = (rate as usize / RATE).clamp(1, MAX_FACTOR);
        let working = self.working_rate(factor);
        let window = (working * WINDOW_S).round() as usize;
        if rate < LOWEST_RATE || window > WINDOW {
            return;
        }
        self.decimator = Decimator::new(factor, CUT);
        self.window = window;
        self.step = (working * STEP_S).round() as usize;
        for (i, w) in self.weights[..window].iter_mut().enumerate() {
            *w = 0.5 - 0.5 * (TAU * (i as f32 + 0.5) / window as f32).cos();
        }
    }

    fn working_rate(&self, factor: usize) -> f32 {
        self.rate as f32 / factor as f32
    }

    fn look(&mut self) -> bool {
        let rate = self.working_rate(self.decimator.factor());
        let (weights, line) = (&self.weights[..self.window], &self.line[..self.window]);
        let mut windowed = [0.0f32; WINDOW];
        for ((to, x), w) in windowed.iter_mut().zip(line).zip(weights) {
            *to = x * w;
        }
        let windowed = &windowed[..self.window];
        let sum = weights.iter().sum::<f32>();
        let power = dot(windowed, line) / sum;
        let mut busy = false;
        for beats in self.beats.iter_mut().flatten() {
            let look = beats.filters.look(windowed, power, sum, rate);
            busy |= beats.follow(look) && self.plan.cadences().iter().any(|c| beats.keeps(c));
        }
        busy
    }
}

#[cfg(test)]
mod tests;
