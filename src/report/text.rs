//! Text for people, in lines.

/// `1 zone`, `2 zones`.
pub fn plural(n: usize, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}

/// Text as it may stand in XML 1.0 (§2.2).
pub fn escape(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Adds a text in lines of at most `width` characters, unless a word is longer. `first` begins the first line, `rest` all others;
/// both count.
pub fn fill(out: &mut String, text: &str, first: &str, rest: &str, width: usize) {
    let mut line = String::from(first);
    let mut is_empty = true;
    for word in text.split_whitespace() {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > width {
            out.push_str(&line);
            out.push('\n');
            line = String::from(rest);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    if !is_empty {
        out.push_str(&line);
        out.push('\n');
    }
}
