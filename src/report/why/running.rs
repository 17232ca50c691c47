//! Whether the gateway ran, and why it did not start.

use jiff::{SignedDuration, Timestamp};

use super::said::Said;
use super::{MINUTE, Teller, after};
use crate::report::message::{KINDS, kind, times};

/// It dies again and again: so often, within that time, and it has run for no longer than that since.
const OFTEN: usize = 3;
const LATELY: SignedDuration = SignedDuration::from_mins(10);
const BRIEFLY: SignedDuration = SignedDuration::from_mins(2);
/// Most problems of a config that are told.
const MOST_PROBLEMS: usize = 3;

impl Teller<'_> {
    /// That it did not run at that moment, or dies again and again, with the cause as far as the journal has it.
    pub(super) fn down(&self, at: Timestamp, is_now: bool) -> Vec<String> {
        let until = self.said.partition_point(|said| said.at <= after(at, MINUTE));
        let before = &self.said[..until];
        let has_begun = before
            .iter()
            .any(|said| KINDS.iter().any(|(_, kind)| said.is(*kind)) || is_down(said));
        if !has_begun {
            let begins = self.said.first().map(|first| self.time(first.at));
            let told = begins.map(|begins| {
                format!("The gateway had not been started then, as far as the journal tells: it begins at {begins}.")
            });
            return told.into_iter().collect();
        }
        let start = before.iter().rposition(|said| said.is(kind::STARTED));
        let since = &before[start.map_or(0, |start| start + 1)..];
        let ends: Vec<&Said> = since.iter().filter(|said| is_down(said)).collect();
        let stopped = ends.iter().find(|said| said.is(kind::STOPPED));
        // Without its start the first word may be of any try.
        let first = stopped.or(if start.is_some() { ends.first() } else { ends.last() });
        let Some(first) = first else {
            return self.dies_often(before, at);
        };
        let what = if is_now {
            "The gateway does not run now"
        } else {
            "The gateway did not run"
        };
        let mut told = vec![format!("{what}: at {} {}.", self.time(first.at), sentence(first))];
        let tries: Vec<&&Said> = ends.iter().filter(|said| said.is_failed_start()).collect();
        if let Some(last) = tries.last() {
            let count = times(tries.len() as u64);
            let when = self.time(last.at);
            told.push(format!(
                "It could not start ({count}, the last time at {when}): {}.",
                sentence(last)
            ));
            told.extend(self.problems(last));
        } else {
            let exits = ends
                .iter()
                .filter(|said| said.text.contains("Main process exited"))
                .count();
            if exits > 1 {
                told.push(format!(
                    "The service manager has started it again since then, and it has ended {}. The messages before that tell \
                     why: journalctl -u hornwire -x.",
                    times(exits as u64 - 1)
                ));
            }
        }
        if since.iter().any(|said| said.text.contains("repeated too quickly")) {
            told.push(
                "The service manager tries no more. Once the cause is mended: systemctl reset-failed hornwire, then systemctl start hornwire."
                    .to_owned(),
            );
        }
        told
    }

    /// The config's problems that the same try to start has told.
    fn problems(&self, failed: &Said) -> Vec<String> {
        let same = self
            .said
            .iter()
            .filter(|said| said.is(kind::CONFIG_FAULT) && said.severity <= 3);
        let same = same.filter(|said| said.same_run(failed) && said.at <= failed.at);
        let mut told: Vec<String> = same.map(|said| format!("{}.", sentence(said))).collect();
        told.dedup();
        told.truncate(MOST_PROBLEMS);
        told
    }

    fn dies_often(&self, before: &[Said], at: Timestamp) -> Vec<String> {
        let start = before.iter().rfind(|said| said.is(kind::STARTED));
        if start.is_some_and(|start| start.at < after(at, -BRIEFLY)) {
            return Vec::new();
        }
        let lately = before.iter().filter(|said| said.at >= after(at, -LATELY));
        let deaths: Vec<&Said> = lately
            .filter(|said| said.is_end_of_service() && said.text.contains("Main process"))
            .collect();
        let Some(last) = deaths.last().filter(|_| deaths.len() >= OFTEN) else {
            return Vec::new();
        };
        vec![format!(
            "The gateway dies again and again: {} within {} min, the last time at {} ({}).",
            times(deaths.len() as u64),
            LATELY.as_mins(),
            self.time(last.at),
            sentence(last)
        )]
    }
}

/// It says that it does not run, or no longer.
fn is_down(said: &Said) -> bool {
    said.is(kind::STOPPING) || said.is(kind::STOPPED) || said.is_end_of_service() || said.is_failed_start()
}

fn sentence(said: &Said) -> &str {
    let text = said.text.strip_prefix("hornwire: ").unwrap_or(&said.text);
    text.trim_end_matches('.')
}
