//! How well a page's sound was protected.

use crate::media::srtp::Suite;

/// How a page's sound was protected on its way: as its weakest part was.
#[derive(Debug, Clone, Copy, Default)]
pub struct Protection {
    noted: bool,
    suite: Option<Suite>,
    keys_in_clear: bool,
}

impl Protection {
    /// `suite` holds from now on; `secret`: nobody on the way could read its keys.
    pub fn note(&mut self, suite: Option<Suite>, secret: bool) {
        if !self.noted || self.suite.is_some() {
            self.suite = suite;
        }
        self.noted = true;
        self.keys_in_clear |= !secret;
    }
}

impl std::fmt::Display for Protection {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.suite {
            None => f.write_str("none"),
            Some(suite) if self.keys_in_clear => write!(f, "{}, keys in the clear", suite.name()),
            Some(suite) => f.write_str(suite.name()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_is_as_protected_as_its_weakest_part() {
        let told = |parts: &[(Option<Suite>, bool)]| {
            let mut protection = Protection::default();
            for (suite, secret) in parts {
                protection.note(*suite, *secret);
            }
            protection.to_string()
        };
        let suite = Some(Suite::Aes128Tag80);
        assert_eq!(told(&[]), "none");
        assert_eq!(told(&[(None, true)]), "none");
        assert_eq!(told(&[(suite, true)]), "AES_CM_128_HMAC_SHA1_80");
        assert_eq!(told(&[(suite, false)]), "AES_CM_128_HMAC_SHA1_80, keys in the clear");
        assert_eq!(told(&[(suite, true), (None, true), (suite, true)]), "none");
    }
}
