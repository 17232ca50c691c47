//! Checks access codes: one at a time, on a thread of its own, since a check is made to take long.

use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};

use tokio::sync::mpsc::{self, Receiver};

use crate::config::plan::Plan;
use crate::gate::code::{self, Stored};
use crate::gate::{CheckId, Digits, MAX_CHECKS};

struct Job {
    check: CheckId,
    extension: usize,
    digits: Digits,
}

/// Which of the extension's codes it was.
#[derive(Debug)]
pub struct Checked {
    pub check: CheckId,
    pub found: Option<usize>,
}

pub struct Checker {
    /// `None`: there are no codes.
    jobs: Option<SyncSender<Job>>,
    done: Receiver<Checked>,
}

impl Checker {
    /// # Errors
    /// When the system gives no thread.
    pub fn start(plan: &Plan) -> std::io::Result<Self> {
        let (verdicts, done) = mpsc::channel(MAX_CHECKS);
        if plan.codes.is_empty() {
            return Ok(Checker { jobs: None, done });
        }
        let codes: Arc<[Vec<Stored>]> = plan
            .extensions
            .iter()
            .map(|e| {
                let own = e.gate.codes.iter().filter_map(|id| plan.codes.get(usize::from(id.0)));
                own.map(|c| c.stored.clone()).collect()
            })
            .collect();
        let (jobs, queue) = sync_channel::<Job>(MAX_CHECKS);
        std::thread::Builder::new()
            .name("codes".to_owned())
            .stack_size(256 * 1024)
            .spawn(move || {
                for job in queue {
                    let own = codes.get(job.extension).map(Vec::as_slice).unwrap_or_default();
                    let found = code::find(job.digits.reveal(), own);
                    let check = job.check;
                    if verdicts.blocking_send(Checked { check, found }).is_err() {
                        return;
                    }
                }
            })?;
        Ok(Checker { jobs: Some(jobs), done })
    }

    /// `false` when it cannot be checked.
    pub fn check(&self, check: CheckId, extension: usize, digits: Digits) -> bool {
        let job = Job {
            check,
            extension,
            digits,
        };
        self.jobs.as_ref().is_some_and(|jobs| jobs.try_send(job).is_ok())
    }

    /// The next one that is done; never, while there are no codes.
    pub async fn done(&mut self) -> Checked {
        match self.done.recv().await {
            Some(done) if self.jobs.is_some() => done,
            _ => std::future::pending().await,
        }
    }
}
