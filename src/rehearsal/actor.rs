//! Who speaks in a rehearsal: one source's page, as far as the switchboard can tell.

use std::time::{Duration, Instant};

use super::voice::{LAST_WORD, LEARNT, Path, Runs};
use crate::config::plan::{Plan, Speaker};
use crate::config::scenario::Speech;
use crate::page::KEPT_AGAIN;

/// A source and its page.
#[derive(Debug)]
pub struct Actor {
    pub speaker: Speaker,
    pub sound: Sound,
    path: Path,
    /// It holds a voice: admitted, not waiting.
    pub has_voice: bool,
    /// It has waited, or been kept.
    pub waited: bool,
    /// Since when its zones are open to it, without an interruption.
    pub opened: Option<Instant>,
    /// What is kept of it.
    pub kept: Option<Kept>,
    /// Its source has ended.
    pub ended: Option<Instant>,
    /// What is scheduled for it counts only with this number.
    pub turn: u64,
}

/// What it says.
#[derive(Debug)]
pub enum Sound {
    /// Somebody speaks.
    Talk {
        speech: Speech,
        lasts: Duration,
        /// What the source goes on for without sound before it is seen to have ended.
        hang: Duration,
        /// Since when, once they do.
        from: Option<Instant>,
        /// What came before is not heard any more.
        heard_from: Option<Instant>,
    },
    /// A sound of ours.
    Play {
        runs: Runs,
        /// The contact that it plays for has opened.
        released: bool,
        since: Option<Instant>,
    },
}

/// A recording under way, or whole.
#[derive(Debug, Clone, Copy)]
pub struct Kept {
    pub since: Instant,
    /// How much there is, once the source has ended.
    pub length: Option<Duration>,
    pub played: Duration,
    pub playing: Option<Instant>,
}

impl Actor {
    pub fn new(speaker: Speaker, plan: &Plan, sound: Sound) -> Self {
        Actor {
            speaker,
            sound,
            path: Path::of(speaker, plan),
            has_voice: false,
            waited: false,
            opened: None,
            kept: None,
            ended: None,
            turn: 0,
        }
    }

    /// Begins to speak, unless it does.
    pub fn begin(&mut self, at: Instant) -> bool {
        match &mut self.sound {
            Sound::Talk { from, heard_from, .. } if from.is_none() => {
                *from = Some(at);
                *heard_from = Some(at);
                true
            }
            _ => false,
        }
    }

    /// From when on it is kept, if it is cut now: what has not been heard, and a little before it.
    pub fn kept_from(&self, now: Instant) -> Instant {
        match self.sound {
            Sound::Talk {
                heard_from: Some(from), ..
            } => {
                let heard = self.path.heard_until(from, self.opened, now);
                heard.checked_sub(KEPT_AGAIN).unwrap_or(from).max(from)
            }
            _ => now,
        }
    }

    /// It goes on as another one of its source, until then at least.
    pub fn goes_on_as(&mut self, other: &Actor, until: Instant) {
        if let (
            Sound::Talk {
                speech,
                lasts,
                from: Some(from),
                ..
            },
            Sound::Talk {
                speech: later,
                from: Some(begins),
                ..
            },
        ) = (&mut self.sound, &other.sound)
        {
            let apart = begins.saturating_duration_since(*from);
            *lasts = (*lasts).max(until.saturating_duration_since(*from));
            *speech = Speech {
                silent_after: later.silent_after.map(|after| apart + after),
                cut_off_after: later.cut_off_after.map(|after| apart + after),
            };
        }
    }

    /// Until when packets come, once it speaks.
    pub fn last_packet(&self) -> Option<Instant> {
        let Sound::Talk {
            speech, lasts, from, ..
        } = &self.sound
        else {
            return None;
        };
        let lasts = speech.cut_off_after.map_or(*lasts, |cut| cut.min(*lasts));
        Some((*from)? + lasts)
    }

    /// When its source is seen to have ended: a caller hangs up, a stream has not come for a while, a line input is silent.
    pub fn source_ends(&self) -> Option<Instant> {
        let Sound::Talk {
            speech,
            lasts,
            hang,
            from,
            ..
        } = &self.sound
        else {
            return None;
        };
        let (from, last) = ((*from)?, self.last_packet()?);
        Some(match (self.speaker, speech.silent_after) {
            (Speaker::Extension(_), _) => from + *lasts,
            (Speaker::Line(_), Some(silent)) => last.min(from + silent) + *hang,
            _ => last + *hang,
        })
    }

    /// Its source has ended.
    pub fn ends(&mut self, now: Instant) {
        self.ended.get_or_insert(now);
        let last = self.last_packet().unwrap_or(now).min(now);
        if let Some(kept) = &mut self.kept {
            kept.length.get_or_insert(last.saturating_duration_since(kept.since));
        }
    }

    /// Packets come now, and there is speech in them.
    pub fn sounds(&self, now: Instant) -> (bool, bool) {
        let Sound::Talk {
            speech,
            from: Some(from),
            ..
        } = &self.sound
        else {
            return (false, false);
        };
        let comes = self.ended.is_none() && self.last_packet().is_some_and(|last| now <= last);
        let silent = speech.silent_after.is_some_and(|after| now > *from + after + LAST_WORD);
        (comes, comes && !silent)
    }

    /// When it is known to have fallen silent though its packets come.
    pub fn falls_silent(&self) -> Option<Instant> {
        match &self.sound {
            Sound::Talk {
                speech,
                from: Some(from),
                ..
            } => Some(*from + speech.silent_after? + LAST_WORD),
            _ => None,
        }
    }

    /// What was kept of it is played now; whether there is speech in that.
    pub fn replays(&self, now: Instant) -> Option<bool> {
        let kept = self.kept?;
        let at = kept.played + now.saturating_duration_since(kept.playing?);
        let silent = self.falls_silent().map(|at| at.saturating_duration_since(kept.since));
        let left = at < kept.length.unwrap_or_default();
        left.then(|| silent.is_none_or(|silent| at < silent))
    }

    /// What came before is not heard: it had no voice.
    pub fn given_voice(&mut self, now: Instant) {
        self.has_voice = true;
        if let Sound::Talk {
            from: Some(_),
            heard_from,
            ..
        } = &mut self.sound
            && self.kept.is_none()
        {
            heard_from.get_or_insert(now);
        }
    }

    /// It waits: what is said meanwhile is lost, what is kept pauses.
    pub fn waits(&mut self, now: Instant) {
        self.has_voice = false;
        self.waited = true;
        self.opened = None;
        self.turn += 1;
        match &mut self.sound {
            Sound::Talk { heard_from, .. } => *heard_from = None,
            Sound::Play { since, .. } => *since = None,
        }
        if let Some(kept) = &mut self.kept
            && let Some(since) = kept.playing.take()
        {
            let played = kept.played + now.saturating_duration_since(since);
            kept.played = played.saturating_sub(KEPT_AGAIN);
        }
    }

    /// When the cards have played all that they hold.
    pub fn drained(&self, now: Instant) -> Instant {
        match &self.sound {
            _ if self.kept.is_some() => self.path.rung_out(now),
            Sound::Talk {
                heard_from: Some(from), ..
            } => {
                let last = self
                    .last_packet()
                    .unwrap_or(now)
                    .min(self.ended.unwrap_or(now))
                    .max(*from);
                let opened = self.opened.unwrap_or(now);
                self.path.played_out(*from, last, opened).max(now + LEARNT)
            }
            _ => self.path.rung_out(now),
        }
    }
}
