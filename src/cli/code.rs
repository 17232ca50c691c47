//! `hornwire code`: an access code as the secrets file keeps it.

use std::io::Write as _;

use hornwire::device::terminal;
use hornwire::gate::code::{self, SALT};

use super::{Exit, complain};

/// Asks for a code and prints its line. The code itself appears nowhere.
pub fn run(name: &str) -> Exit {
    if !is_name(name) {
        complain("a name is 1 to 32 letters, digits, - and _, such as gatehouse");
        return Exit::Usage;
    }
    let typed = terminal::is_typed();
    let ask = |what: &str| {
        if typed {
            let _ = write!(std::io::stderr(), "{what}: ");
            let _ = std::io::stderr().flush();
        }
        terminal::read_hidden()
    };
    let digits = match ask("Code (digits; it is not shown)") {
        Ok(digits) => digits,
        Err(error) => {
            complain(&format!("no code on standard input: {error}"));
            return Exit::NoInput;
        }
    };
    if let Err(weak) = code::weigh(&digits) {
        complain(&format!("{weak}; take another code"));
        return Exit::Data;
    }
    if typed && !ask("Once more").is_ok_and(|again| again == digits) {
        complain("the two are not the same; nothing was made");
        return Exit::Data;
    }
    let mut salt = [0; SALT];
    if rand::TryRngCore::try_fill_bytes(&mut rand::rngs::OsRng, &mut salt).is_err() {
        complain("the system gave no random numbers");
        return Exit::System;
    }
    match code::store(&digits, &salt) {
        Ok(stored) => {
            if typed {
                let _ = writeln!(std::io::stderr(), "The line for the secrets file:");
            }
            let written = writeln!(std::io::stdout(), "{name} = '{stored}'");
            if written.is_ok() { Exit::Ok } else { Exit::System }
        }
        Err(_) => {
            complain("the system gave no memory");
            Exit::System
        }
    }
}

fn is_name(name: &str) -> bool {
    (1..=32).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b))
        && name.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric())
}
