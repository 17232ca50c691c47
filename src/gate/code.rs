//! Access codes: digits of the dial pad, kept as argon2id (RFC 9106) in PHC strings.

use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, PasswordHasher, Version};
use subtle::ConstantTimeEq;

/// Fewest and most digits of an access code.
pub const MIN_CODE: usize = 4;
pub const MAX_CODE: usize = 16;
/// Memory of one check, KiB: within the daemon's 16 MB, and given back after it.
pub const MEMORY: u32 = 4096;
/// Passes over it: together 50 to 100 ms on a small board.
pub const PASSES: u32 = 4;
/// The dearest that a stored code may be: a check holds up the ones behind it.
pub const MAX_MEMORY: u32 = 16 * 1024;
pub const MAX_PASSES: u32 = 16;
/// Octets of salt that [`store`] wants.
pub const SALT: usize = 16;
const OUTPUT: usize = 32;

/// Indexes [`super::Site::codes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CodeId(pub u16);

/// A stored code: never printed.
#[derive(Clone, PartialEq)]
pub struct Stored {
    params: Params,
    salt: Vec<u8>,
    output: Vec<u8>,
}

impl std::fmt::Debug for Stored {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Stored(…)")
    }
}

/// Why a text is no stored code. None of the messages repeats it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum StoredError {
    #[error("not a stored code")]
    Clear,
    #[error("a hash that is not argon2id, version 19")]
    Kind,
    #[error("a stored code that was cut or changed")]
    Broken,
    #[error("a stored code that takes more than {MAX_MEMORY} KiB or {MAX_PASSES} passes to check")]
    Dear,
}

impl Stored {
    /// Reads a PHC string.
    ///
    /// # Errors
    /// When it is none, or one that is too dear to check.
    pub fn read(text: &str) -> Result<Self, StoredError> {
        if !text.starts_with('$') {
            return Err(StoredError::Clear);
        }
        let hash = PasswordHash::new(text).map_err(|_| StoredError::Broken)?;
        if Algorithm::try_from(hash.algorithm.as_str()) != Ok(Algorithm::Argon2id) || hash.version != Some(19) {
            return Err(StoredError::Kind);
        }
        let params = Params::try_from(&hash).map_err(|_| StoredError::Broken)?;
        if params.m_cost() > MAX_MEMORY || params.t_cost() > MAX_PASSES || params.p_cost() > 4 {
            return Err(StoredError::Dear);
        }
        let (Some(salt), Some(output)) = (hash.salt, hash.hash) else {
            return Err(StoredError::Broken);
        };
        let (salt, output) = (salt.as_ref().to_vec(), output.as_ref().to_vec());
        if salt.len() < 8 || output.len() < 16 {
            return Err(StoredError::Broken);
        }
        Ok(Stored { params, salt, output })
    }

    /// One that no digits fit.
    pub fn nobodys() -> Self {
        Stored {
            params: Params::default(),
            salt: Vec::new(),
            output: Vec::new(),
        }
    }

    fn is(&self, digits: &str) -> subtle::Choice {
        let mut output = vec![0; self.output.len()];
        let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, self.params.clone());
        match argon2.hash_password_into(digits.as_bytes(), &self.salt, &mut output) {
            Ok(()) => output.ct_eq(&self.output),
            Err(_) => 0.into(),
        }
    }
}

/// Which of the codes it is. All are always checked, so that the time does not tell.
pub fn find<'a>(digits: &str, codes: impl IntoIterator<Item = &'a Stored>) -> Option<usize> {
    let mut found = None;
    for (index, code) in codes.into_iter().enumerate() {
        if bool::from(code.is(digits)) && found.is_none() {
            found = Some(index);
        }
    }
    found
}

/// A code as it stands in the secrets file.
///
/// # Errors
/// When argon2 has no memory.
pub fn store(digits: &str, salt: &[u8; SALT]) -> Result<String, argon2::password_hash::Error> {
    store_with(digits, salt, MEMORY, PASSES)
}

fn store_with(
    digits: &str,
    salt: &[u8; SALT],
    memory: u32,
    passes: u32,
) -> Result<String, argon2::password_hash::Error> {
    let params =
        Params::new(memory, passes, 1, Some(OUTPUT)).map_err(|_| argon2::password_hash::Error::ParamsInvalid)?;
    let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    Ok(argon2.hash_password_with_salt(digits.as_bytes(), salt)?.to_string())
}

/// Why a code is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Weak {
    #[error("a code is made of the digits 0 to 9")]
    NotDigits,
    #[error("a code has at least {MIN_CODE} digits; 6 are much better than 4")]
    Short,
    #[error("a code has at most {MAX_CODE} digits")]
    Long,
    #[error("the same digits over and over are what is tried first")]
    Repeats,
    #[error("digits in a row are what is tried first")]
    Row,
    #[error("a year is what is tried first")]
    Year,
    #[error("the middle column of the dial pad is what is tried first")]
    Column,
}

/// Refuses what is guessed first.
///
/// # Errors
/// Why it is weak.
pub fn weigh(digits: &str) -> Result<(), Weak> {
    let octets = digits.as_bytes();
    if !octets.iter().all(u8::is_ascii_digit) {
        return Err(Weak::NotDigits);
    }
    if octets.len() < MIN_CODE {
        return Err(Weak::Short);
    }
    if octets.len() > MAX_CODE {
        return Err(Weak::Long);
    }
    let repeats = (1..=octets.len() / 2).any(|n| octets.iter().zip(octets.iter().skip(n)).all(|(a, b)| a == b));
    if repeats {
        return Err(Weak::Repeats);
    }
    let steps: Vec<u8> = octets
        .windows(2)
        .map(|pair| match pair {
            [a, b] => (10 + b - a) % 10,
            _ => 0,
        })
        .collect();
    if steps.iter().all(|s| *s == 1) || steps.iter().all(|s| *s == 9) {
        return Err(Weak::Row);
    }
    if octets.len() == 4 && (digits.starts_with("19") || digits.starts_with("20")) {
        return Err(Weak::Year);
    }
    if ["2580", "0852"].contains(&digits) {
        return Err(Weak::Column);
    }
    Ok(())
}

/// A code that costs next to nothing to check.
#[cfg(test)]
pub(super) fn cheap(digits: &str) -> Stored {
    Stored::read(&store_with(digits, &[7; SALT], 8, 1).unwrap()).unwrap()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Made by the reference implementation's command-line program, as Debian's package argon2 has it:
    /// `printf 7391 | argon2 quaysidesalt -id -t 3 -k 4096 -p 1 -l 32 -e`.
    const REFERENCE: &str =
        "$argon2id$v=19$m=4096,t=3,p=1$cXVheXNpZGVzYWx0$cy6vLh4aZ46lkbd8wdJsKV6McRK4goEBsYx1PD9jII0";

    #[test]
    fn the_reference_implementations_hash_is_understood() {
        let stored = Stored::read(REFERENCE).unwrap();
        assert_eq!(find("7391", [&stored]), Some(0));
        assert_eq!(find("7392", [&stored]), None);
        assert_eq!(find("", [&stored]), None);
    }

    #[test]
    fn a_stored_code_is_found_among_others_and_nothing_else_is() {
        let codes: Vec<Stored> = ["7391", "480162", "5206"].iter().map(|d| cheap(d)).collect();
        assert_eq!(find("480162", &codes), Some(1));
        assert_eq!(find("5206", &codes), Some(2));
        assert_eq!(find("48016", &codes), None);
        let text = store("7391", &[1; SALT]).unwrap();
        assert!(text.starts_with("$argon2id$v=19$m=4096,t=4,p=1$"), "{text}");
        assert!(!text.contains("7391"));
        assert_eq!(find("7391", [&Stored::read(&text).unwrap()]), Some(0));
        assert_ne!(text, store("7391", &[2; SALT]).unwrap());
        assert_eq!(format!("{:?}", cheap("7391")), "Stored(…)");
    }

    #[test]
    fn what_is_no_stored_code_is_told_without_repeating_it() {
        let good = store("7391", &[1; SALT]).unwrap();
        for (text, error) in [
            ("7391".to_owned(), StoredError::Clear),
            ("$argon2id$v=19$m=4096".to_owned(), StoredError::Broken),
            (good.replace("argon2id", "argon2i"), StoredError::Kind),
            (good.replace("v=19", "v=16"), StoredError::Kind),
            (good.replace("m=4096", "m=65536"), StoredError::Dear),
            (good.replace("t=4", "t=17"), StoredError::Dear),
            (good[..good.len() - 30].to_owned(), StoredError::Broken),
        ] {
            assert_eq!(Stored::read(&text).err(), Some(error), "{text}");
        }
    }

    #[test]
    fn what_is_guessed_first_is_refused() {
        for (digits, weak) in [
            ("", Weak::Short),
            ("739", Weak::Short),
            ("73a1", Weak::NotDigits),
            ("12345678901234567", Weak::Long),
            ("7777", Weak::Repeats),
            ("7373", Weak::Repeats),
            ("739739", Weak::Repeats),
            ("1234", Weak::Row),
            ("7890", Weak::Row),
            ("4321", Weak::Row),
            ("1987", Weak::Year),
            ("2026", Weak::Year),
            ("2580", Weak::Column),
        ] {
            assert_eq!(weigh(digits), Err(weak), "{digits}");
        }
        for fine in ["7391", "480162", "1123", "7377", "198712"] {
            assert_eq!(weigh(fine), Ok(()), "{fine}");
        }
    }
}
