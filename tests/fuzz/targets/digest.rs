//! Digest: any challenges, any credentials; and what is answered to a good challenge is verified.

use hornwire::sip::digest::{Credentials, Expected, NonceState, respond, stale, verify};
use hornwire::sip::secret::Secret;

pub fn run(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let lines: Vec<&str> = text.split('\n').take(8).collect();
    let credentials = Credentials {
        user: "600".into(),
        password: Secret::new("tide-table"),
    };
    let mut state = NonceState::default();
    let _ = stale(&lines);
    for count in 1..=2 {
        if let Ok(value) = respond(&lines, &credentials, "REGISTER", "sip:q", b"", &mut state, "c") {
            assert!(
                value.starts_with("Digest username=\"600\"") && !value.chars().any(|c| c.is_control() && c != '\t')
            );
            assert!(value.len() <= 4 * data.len() + 1024);
            assert_eq!(state.count(), count);
        }
    }
    let expected = |realm, nonce| Expected {
        method: "REGISTER",
        body: b"",
        realm,
        nonce,
    };
    for line in &lines {
        assert_eq!(
            verify(line, &expected("q", "n"), |_| None),
            None,
            "a user without a password"
        );
        let _ = verify(line, &expected("q", "n"), |_| Some(Secret::new("x")));
    }
    // A challenge of our own with these words in it.
    let clean = |text: &str| -> String { text.chars().filter(|c| !c.is_control()).take(60).collect() };
    let mut words = lines.iter().map(|l| clean(l));
    let (realm, nonce) = (words.next().unwrap_or_default(), words.next().unwrap_or_default());
    let algorithm = ["MD5", "SHA-256", "SHA-512-256", "MD5-sess"][data.len() % 4];
    let quoted = |text: &str| text.replace('\\', "\\\\").replace('"', "\\\"");
    let challenge = format!(
        "Digest realm=\"{}\", nonce=\"{}\", algorithm={algorithm}, qop=\"auth,auth-int\", opaque=\"\"",
        quoted(&realm),
        quoted(&nonce)
    );
    let mut state = NonceState::default();
    let value = respond(&[&challenge], &credentials, "REGISTER", "sip:q", b"", &mut state, "c").expect("an answer");
    let known = |user: &str| (user == "600").then(|| Secret::new("tide-table"));
    let verified = verify(&value, &expected(&realm, &nonce), known).expect("our own answer");
    assert_eq!((verified.user.as_str(), verified.count), ("600", 1));
    if data.len().is_multiple_of(16) {
        assert!(verify(&value, &expected(&realm, &nonce), |_| Some(Secret::new("other"))).is_none());
    }
}
