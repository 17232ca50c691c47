//! Texts that were looked through and stored.

use std::path::Path;

/// Compares with a stored text. With `HORNWIRE_BLESS` in the environment the stored text is written anew, to be
/// read in the diff.
pub fn compare(path: &Path, now: &str) {
    if std::env::var_os("HORNWIRE_BLESS").is_some() {
        std::fs::write(path, now).unwrap();
        return;
    }
    let stored = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    for (i, (stored, now)) in stored.lines().zip(now.lines()).enumerate() {
        assert_eq!(
            stored,
            now,
            "{}:{}: the text has changed; HORNWIRE_BLESS=1 stores it anew",
            path.display(),
            i + 1
        );
    }
    assert_eq!(
        stored.lines().count(),
        now.lines().count(),
        "{}: the length has changed",
        path.display()
    );
}
