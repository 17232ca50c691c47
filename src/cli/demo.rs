//! `hornwire demo`.

use std::io::Write as _;
use std::path::Path;

use hornwire::demo::{self, DemoError};

use super::Exit;

/// Plays the demonstration and tells its story.
pub fn run(directory: &Path) -> Exit {
    let _ = writeln!(
        std::io::stdout(),
        "Quayside Timber, a timber yard: phone system, callers, a multicast sender and the\n\
         gateway, all on this machine. This takes about half a minute, in real time.\n"
    );
    match demo::run(directory) {
        Ok(outcome) => {
            // A closed pipe is not a failure of the demonstration.
            let _ = write!(std::io::stdout(), "{outcome}");
            if outcome.faults.is_empty() {
                Exit::Ok
            } else {
                Exit::Software
            }
        }
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "hornwire: {error}");
            match error {
                DemoError::File { .. } | DemoError::Recording { .. } => Exit::CannotCreate,
                DemoError::Config(_) => Exit::Config,
                _ => Exit::Unavailable,
            }
        }
    }
}
