//! Octets as text: tokens, white space, what may be shown.

/// Without white space at both ends (SP, HTAB, CR, LF).
pub fn trim(octets: &[u8]) -> &[u8] {
    octets.trim_ascii()
}

/// RFC 3261 §25.1 `token`.
pub(super) fn is_token(octets: &[u8]) -> bool {
    !octets.is_empty()
        && octets
            .iter()
            .all(|b| b.is_ascii_alphanumeric() || b"-.!%*_+`'~".contains(b))
}

/// Stray CR and LF become spaces, so that an echoed value can never start a header of its own.
pub(super) fn one_line(octets: &[u8]) -> Vec<u8> {
    octets
        .iter()
        .map(|b| if matches!(b, b'\r' | b'\n') { b' ' } else { *b })
        .collect()
}

/// Text for people: UTF-8, else Latin-1; controls and direction marks left out; at most `most` characters.
pub fn display(octets: &[u8], most: usize) -> String {
    let keep = |c: &char| {
        !c.is_control()
            && !matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    match std::str::from_utf8(octets) {
        Ok(text) => text.chars().filter(keep).take(most).collect(),
        Err(_) => octets.iter().map(|b| char::from(*b)).filter(keep).take(most).collect(),
    }
}

/// `%41` becomes `A` (RFC 3261 §19.1.2); a broken escape stays as it is.
pub fn unescape(octets: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(octets.len());
    let mut rest = octets;
    while let [first, tail @ ..] = rest {
        rest = tail;
        if *first == b'%'
            && let [a, b, after @ ..] = tail
            && let (Some(high), Some(low)) = (hex(*a), hex(*b))
        {
            out.push(high << 4 | low);
            rest = after;
        } else {
            out.push(*first);
        }
    }
    out
}

fn hex(b: u8) -> Option<u8> {
    char::from(b).to_digit(16).and_then(|d| u8::try_from(d).ok())
}
