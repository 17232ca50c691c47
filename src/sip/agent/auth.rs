//! Answers to digest challenges, kept per server (RFC 3261 §22, RFC 8760).

use super::Extension;
use crate::sip::digest::{self, Credentials, NonceState};
use crate::sip::secret::Secret;
use crate::sip::wire::Response;

/// Most challenges answered in one round, stale nonces included.
const MAX_ANSWERS: u8 = 4;

/// The state towards one challenger: registrar or proxy.
#[derive(Debug, Clone, Default)]
struct Challenger {
    challenges: Vec<String>,
    nonces: NonceState,
    /// Challenges answered in this round.
    answered: u8,
}

/// What is known about both kinds of challenger.
#[derive(Debug, Clone, Default)]
pub(super) struct Auth {
    origin: Challenger,
    proxy: Challenger,
}

/// Why no further try makes sense.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum AuthError {
    #[error("{0} without a challenge")]
    NoChallenge(u16),
    #[error("a password is asked for and none is configured")]
    NoPassword,
    #[error("user name or password is wrong ({0})")]
    Rejected(u16),
    #[error("{0}")]
    Digest(#[from] digest::DigestError),
}

impl Auth {
    /// A new request is made: challenges seen before are answered in advance, and each challenger may ask again.
    pub(super) fn new_round(&mut self) {
        self.origin.answered = 0;
        self.proxy.answered = 0;
    }

    /// Takes a 401 or 407.
    /// # Errors
    /// [`AuthError`]: do not send again.
    pub(super) fn challenged(&mut self, response: &Response, password: Option<&Secret>) -> Result<(), AuthError> {
        let (side, header) = match response.status {
            407 => (&mut self.proxy, "Proxy-Authenticate"),
            _ => (&mut self.origin, "WWW-Authenticate"),
        };
        let challenges = response.texts(header);
        if challenges.is_empty() {
            return Err(AuthError::NoChallenge(response.status));
        }
        if password.is_none() {
            return Err(AuthError::NoPassword);
        }
        let stale = digest::stale(&challenges.iter().map(String::as_str).collect::<Vec<_>>());
        if side.answered >= MAX_ANSWERS || (side.answered > 0 && !stale) {
            // The next round starts without what was refused.
            side.challenges.clear();
            return Err(AuthError::Rejected(response.status));
        }
        side.challenges = challenges;
        side.answered += 1;
        Ok(())
    }

    /// The headers that answer every challenge so far; the body counts for `auth-int` (RFC 7616 §3.4.3).
    /// # Errors
    /// [`AuthError::Digest`].
    pub(super) fn headers(
        &mut self,
        extension: &Extension,
        method: &str,
        uri: &str,
        body: &[u8],
        cnonce: &str,
    ) -> Result<Vec<(&'static str, String)>, AuthError> {
        let Some(password) = &extension.password else {
            return Ok(Vec::new());
        };
        let credentials = Credentials {
            user: extension.auth_user.clone().unwrap_or_else(|| extension.user.clone()),
            password: password.clone(),
        };
        let mut out = Vec::new();
        for (side, header) in [
            (&mut self.origin, "Authorization"),
            (&mut self.proxy, "Proxy-Authorization"),
        ] {
            if side.challenges.is_empty() {
                continue;
            }
            let offered: Vec<&str> = side.challenges.iter().map(String::as_str).collect();
            match digest::respond(&offered, &credentials, method, uri, body, &mut side.nonces, cnonce) {
                Ok(value) => out.push((header, value)),
                Err(e) => {
                    side.challenges.clear();
                    return Err(e.into());
                }
            }
        }
        Ok(out)
    }
}
