//! Vectors: RFC 2617 §3.5, RFC 7616 §3.9.1; the others by an independent computation (Python's hashlib) from the
//! formulas of RFC 7616 §3.4.

use super::*;
use proptest::prelude::*;

/// RFC 2617 §3.5; the password has a capital O (erratum 4495 settles the spelling).
const RFC_2617: &str = "Digest realm=\"testrealm@host.com\", qop=\"auth,auth-int\", \
     nonce=\"dcd98b7102dd2f0e8b11d0f600bfb0c093\", opaque=\"5ccc069c403ebaf9f0171e9517f40e41\"";

/// RFC 7616 §3.9.1: SHA-256 first, then MD5.
const RFC_7616_SHA: &str = "Digest realm=\"http-auth@example.org\", qop=\"auth, auth-int\", algorithm=SHA-256, \
     nonce=\"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v\", opaque=\"FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS\"";
const RFC_7616_MD5: &str = "Digest realm=\"http-auth@example.org\", qop=\"auth, auth-int\", algorithm=MD5, \
     nonce=\"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v\", opaque=\"FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS\"";
const RFC_7616_CNONCE: &str = "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ";

const SIP_NONCE: &str = "84a4cc6f3082121f32b42a2187831a9e";

fn credentials(user: &str, password: &str) -> Credentials {
    Credentials {
        user: user.to_owned(),
        password: Secret::new(password),
    }
}

fn field(header: &str, name: &str) -> Option<String> {
    read_all(&[header])[0].get(name).map(str::to_owned)
}

fn get(challenges: &[&str], password: &str, cnonce: &str) -> String {
    let mut state = NonceState::default();
    respond(
        challenges,
        &credentials("Mufasa", password),
        "GET",
        "/dir/index.html",
        b"",
        &mut state,
        cnonce,
    )
    .unwrap()
}

fn response_7616(challenge: &str) -> String {
    field(&get(&[challenge], "Circle of Life", RFC_7616_CNONCE), "response").unwrap()
}

#[test]
fn rfc_2617_example() {
    let header = get(&[RFC_2617], "Circle Of Life", "0a4f113b");
    assert_eq!(field(&header, "response").unwrap(), "6629fae49393a05397450978507c4ef1");
    assert_eq!(field(&header, "nc").unwrap(), "00000001");
    assert_eq!(field(&header, "qop").unwrap(), "auth");
    assert_eq!(field(&header, "opaque").unwrap(), "5ccc069c403ebaf9f0171e9517f40e41");
    assert_eq!(field(&header, "algorithm"), None, "the server named none");
    // On the wire: qop and nc are tokens, the others quoted strings (RFC 7616 §3.4).
    assert!(header.contains(", qop=auth, nc=00000001"), "{header}");
    assert!(header.contains("uri=\"/dir/index.html\""), "{header}");
}

#[test]
fn without_qop_the_old_form() {
    let old = RFC_2617.replace(" qop=\"auth,auth-int\",", "");
    let header = get(&[&old], "Circle Of Life", "0a4f113b");
    // Computed; the same value stands in public tests of other implementations.
    assert_eq!(field(&header, "response").unwrap(), "670fd8c2df070c60b045671b8b24ff02");
    assert_eq!(field(&header, "cnonce"), None);
    assert_eq!(field(&header, "nc"), None);
}

#[test]
fn rfc_7616_examples() {
    assert_eq!(response_7616(RFC_7616_MD5), "8ca523f5e9506fed4657c9700eebdbec");
    assert_eq!(
        response_7616(RFC_7616_SHA),
        "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"
    );
    // Computed.
    assert_eq!(
        response_7616(&RFC_7616_MD5.replace("=MD5", "=MD5-sess")),
        "e783283f46242139c486a698fec7211d"
    );
    assert_eq!(
        response_7616(&RFC_7616_SHA.replace("=SHA-256", "=SHA-256-sess")),
        "2fd51b3a77ad75bad6afad6003e818d767133c46d9e2749e7f5232ae1ea3efd7"
    );
    assert_eq!(
        response_7616(&RFC_7616_MD5.replace("auth, auth-int", "auth-int")),
        "8804a53d3640a40a4f73cea12c5ba451"
    );
    assert_eq!(
        response_7616(&RFC_7616_SHA.replace("auth, auth-int", "auth-int")),
        "8bdf6f15638e260831e905028de5450562816d093c9bfc5c13d3a46adcdde940"
    );
}

/// RFC 7616 §3.9.2 prints a response that real SHA-512/256 does not give; this one is computed with it.
#[test]
fn sha_512_256() {
    let challenge = "Digest realm=\"api@example.org\", qop=\"auth\", algorithm=SHA-512-256, \
         nonce=\"5TsQWLVdgBdmrQ0XsxbDODV+57QdFR34I9HAbC/RVvkK\", charset=UTF-8, userhash=true";
    let mut state = NonceState::default();
    let header = respond(
        &[challenge],
        &credentials("Jäsøn Doe", "Secret, or not?"),
        "GET",
        "/doe.json",
        b"",
        &mut state,
        "NTg6RKcb9boFIAS3KrFK9BGeh+iDa/sm6jUMp2wds69v",
    )
    .unwrap();
    assert_eq!(
        field(&header, "response").unwrap(),
        "3798d4131c277846293534c3edc11bd8a5e4cdcbff78b05db9d95eeb1cec68a5"
    );
    assert_eq!(field(&header, "username").unwrap(), "Jäsøn Doe");
}

fn register(challenge: &str, state: &mut NonceState, cnonce: &str) -> String {
    respond(
        &[challenge],
        &credentials("200", "s3cret"),
        "REGISTER",
        "sip:sip.example.com",
        b"",
        state,
        cnonce,
    )
    .unwrap()
}

/// Computed with hashlib.
#[test]
fn sip_registration_and_nonce_count() {
    let cases = [
        (
            "MD5",
            "4614878d1342b4096827984868cd1bbd",
            "e4fcfd6d7f3432370a7f39ba3370cf95",
            "154f2f5d17e8a1ce40b4ea9cbec35bf7",
        ),
        (
            "SHA-256",
            "a5db058ee89488b7b7f6fd06888fe9381de9521dfe585566a885920479f3295b",
            "d957174cdfd6c06a822d342be49c70e88e259dc934170f0bac7c11a94459c2e8",
            "7246ab1c50cdc7e9f8f6c12cbdafa80f36ce153c924daeb04efd23f2da68feb7",
        ),
    ];
    for (algorithm, first, second, with_body) in cases {
        let challenge =
            format!("Digest realm=\"sip.example.com\", nonce=\"{SIP_NONCE}\", algorithm={algorithm}, qop=\"auth\"");
        let mut state = NonceState::default();
        let header = register(&challenge, &mut state, "0a4f113b");
        assert_eq!(field(&header, "response").unwrap(), first);
        assert_eq!(field(&header, "algorithm").unwrap(), algorithm);
        let header = register(&challenge, &mut state, "0a4f113b");
        assert_eq!(field(&header, "response").unwrap(), second);
        assert_eq!(field(&header, "nc").unwrap(), "00000002");
        let int = challenge.replace("\"auth\"", "auth-int");
        let header = register(&int, &mut NonceState::default(), "0a4f113b");
        assert_eq!(field(&header, "response").unwrap(), with_body);

        // A new nonce starts at 1 again (RFC 7616 §3.4).
        let header = register(&challenge.replace(SIP_NONCE, "another"), &mut state, "0a4f113b");
        assert_eq!(field(&header, "nc").unwrap(), "00000001");
        assert_eq!(state.count(), 1);
    }
    let old = format!("Digest realm=\"sip.example.com\", nonce=\"{SIP_NONCE}\"");
    let header = register(&old, &mut NonceState::default(), "0a4f113b");
    assert_eq!(field(&header, "response").unwrap(), "98d94ac3a23ae5341240b75e4cc50fdb");
}

/// RFC 8760 §2.4: the topmost that the client supports, others ignored.
#[test]
fn topmost_supported_challenge() {
    let basic = "Basic realm=\"http-auth@example.org\"";
    let unknown = RFC_7616_SHA.replace("SHA-256", "SHA-3000");
    for (challenges, algorithm) in [
        (vec![RFC_7616_SHA, RFC_7616_MD5], "SHA-256"),
        (vec![RFC_7616_MD5, RFC_7616_SHA], "MD5"),
        (vec![basic, unknown.as_str(), RFC_7616_MD5], "MD5"),
        (vec!["Bearer", "", "Digest realm=\"no nonce\"", RFC_7616_SHA], "SHA-256"),
    ] {
        let header = get(&challenges, "Circle of Life", RFC_7616_CNONCE);
        assert_eq!(field(&header, "algorithm").unwrap(), algorithm);
    }
    let joined = format!("{basic}, {unknown}, {RFC_7616_MD5}");
    let header = get(&[&joined], "Circle of Life", RFC_7616_CNONCE);
    assert_eq!(field(&header, "response").unwrap(), "8ca523f5e9506fed4657c9700eebdbec");

    let mut state = NonceState::default();
    let user = credentials("u", "p");
    let error = respond(&[basic, &unknown], &user, "GET", "/", b"", &mut state, "c").unwrap_err();
    assert_eq!(
        error.to_string(),
        "no challenge that we can answer (offered: Basic, Digest SHA-3000)"
    );
    assert!(respond(&[], &user, "GET", "/", b"", &mut state, "c").is_err());
    // Only qops that nobody knows: not answerable (RFC 7616 §3.3 has unknown ones ignored).
    let odd = RFC_7616_MD5.replace("auth, auth-int", "auth-conf");
    assert!(respond(&[&odd], &user, "GET", "/", b"", &mut state, "c").is_err());
    assert_eq!(state, NonceState::default());
}

/// Spellings met in the field (common practice, no published source) beside the grammar of RFC 7616 §3.3.
#[test]
fn lenient_spellings() {
    let right = "8ca523f5e9506fed4657c9700eebdbec";
    let nonce = "nonce=\"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v\"";
    for challenge in [
        format!("digest REALM=\"http-auth@example.org\",QOP=auth,Algorithm=\"md5\",{nonce}"),
        format!("Digest   realm = \"http-auth@example.org\" ,\t{nonce} , qop=\"auth-int , auth\",,stale=FALSE,"),
        format!("DIGEST realm=http-auth@example.org,{nonce},qop=\"foo,auth\",opaque=\"\",x=\"a,b\\\"c=d\""),
    ] {
        let header = get(&[&challenge], "Circle of Life", RFC_7616_CNONCE);
        assert_eq!(field(&header, "response").unwrap(), right, "{challenge}");
    }
    // An empty opaque goes back as it came.
    let header = get(&[&RFC_2617.replace("5ccc069c403ebaf9f0171e9517f40e41", "")], "x", "y");
    assert!(header.contains("opaque=\"\""), "{header}");
    // A session hash without qop still needs the cnonce at the server.
    let session = format!("Digest realm=\"a\", {nonce}, algorithm=MD5-sess");
    let header = get(&[&session], "x", "y");
    assert_eq!(field(&header, "cnonce").unwrap(), "y");
    assert_eq!(field(&header, "nc"), None);
}

#[test]
fn quotes_in_values_survive() {
    let challenge = r#"Digest realm="the \"yard\", \\ gate", nonce="n\"1", qop=auth, opaque="o\\p""#;
    let mut state = NonceState::default();
    let user = credentials("a\"b\\c", "p");
    let header = respond(&[challenge], &user, "REGISTER", "sip:x", b"", &mut state, "c").unwrap();
    assert!(header.contains(r#"realm="the \"yard\", \\ gate""#), "{header}");
    assert!(header.contains(r#"opaque="o\\p""#), "{header}");
    let expected = Expected {
        method: "REGISTER",
        body: b"",
        realm: "the \"yard\", \\ gate",
        nonce: "n\"1",
    };
    let seen = verify(&header, &expected, |user| (user == "a\"b\\c").then(|| Secret::new("p"))).unwrap();
    assert_eq!((seen.count, seen.uri.as_str()), (1, "sip:x"));
}

#[test]
fn nothing_breaks_out_of_the_line() {
    let mut state = NonceState::default();
    let user = credentials("eve\r\nX: y", "p");
    let error = respond(&[RFC_2617], &user, "GET", "/", b"", &mut state, "c").unwrap_err();
    assert_eq!(error, DigestError::UserName);
    let user = credentials("u", "p");
    let evil = "Digest realm=\"a\", nonce=\"b\r\nContact: <sip:evil>\"";
    assert!(respond(&[evil], &user, "GET", "/", b"", &mut state, "c").is_err());
}

#[test]
fn nonce_count_does_not_wrap() {
    let mut state = NonceState {
        nonce: SIP_NONCE.to_owned(),
        count: u32::MAX,
    };
    let challenge = format!("Digest realm=\"r\", nonce=\"{SIP_NONCE}\", qop=auth");
    let user = credentials("u", "p");
    let error = respond(&[&challenge], &user, "GET", "/", b"", &mut state, "c").unwrap_err();
    assert_eq!(error, DigestError::NonceWornOut);
}

#[test]
fn stale_flag() {
    assert!(!stale(&[RFC_2617]));
    for flag in ["stale=true", "stale=TRUE", "Stale=\"true\""] {
        assert!(stale(&[RFC_7616_MD5, &format!("{RFC_2617}, {flag}")]), "{flag}");
    }
    assert!(!stale(&["Basic realm=\"a\", stale=true", "Digest stale=false"]));
}

#[test]
fn no_password_in_print() {
    assert!(!format!("{:?}", credentials("u", "hush")).contains("hush"));
}

fn lookup(user: &str) -> Option<Secret> {
    (user == "Mufasa").then(|| Secret::new("Circle of Life"))
}

#[test]
fn verify_takes_the_rfc_example_and_nothing_else() {
    let header = get(&[RFC_7616_SHA], "Circle of Life", RFC_7616_CNONCE);
    let expected = Expected {
        method: "GET",
        body: b"",
        realm: "http-auth@example.org",
        nonce: "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
    };
    let seen = verify(&header, &expected, lookup).unwrap();
    assert_eq!((seen.user.as_str(), seen.count), ("Mufasa", 1));
    assert!(
        verify(
            &header,
            &Expected {
                method: "PUT",
                ..expected
            },
            lookup
        )
        .is_none()
    );
    assert!(
        verify(
            &header,
            &Expected {
                nonce: "old",
                ..expected
            },
            lookup
        )
        .is_none()
    );
    assert!(
        verify(
            &header,
            &Expected {
                realm: "else",
                ..expected
            },
            lookup
        )
        .is_none()
    );
    assert!(verify(&header, &expected, |_| Some(Secret::new("guess"))).is_none());
    assert!(verify(&header, &expected, |_| None).is_none());
    // Every part that is signed.
    for (from, to) in [
        ("/dir/index.html", "/dir/other.html"),
        ("nc=00000001", "nc=00000002"),
        ("nc=00000001", "nc=1"),
        ("qop=auth", "qop=auth-int"),
        ("SHA-256", "MD5"),
        ("SHA-256", "SHA-256-sess"),
        ("Mufasa", "Scar"),
        ("f2/wE4q", "e2/wE4q"),
        ("7539", "7538"),
        ("cb6c1", ""),
    ] {
        assert!(header.contains(from), "{from}");
        assert!(
            verify(&header.replace(from, to), &expected, lookup).is_none(),
            "{from} → {to}"
        );
    }
    assert!(verify("Basic TXVmYXNhOkNpcmNsZQ==", &expected, lookup).is_none());
    assert!(verify("", &expected, lookup).is_none());
    // The body counts with auth-int only.
    let int = RFC_7616_SHA.replace("auth, auth-int", "auth-int");
    let header = get(&[&int], "Circle of Life", RFC_7616_CNONCE);
    assert!(verify(&header, &expected, lookup).is_some());
    assert!(verify(&header, &Expected { body: b"x", ..expected }, lookup).is_none());
}

proptest! {
    /// An independent implementation (the crate http-auth) reads the same challenge and gives the same response.
    /// Not for auth-int, where it hashes the body itself in place of H(body) (RFC 7616 §3.4.3).
    #[test]
    fn agrees_with_http_auth(
        realm in "[ -~]{1,20}", nonce in "[!-~]{1,40}", opaque in "[!-~]{1,20}", user in "[ -~]{1,12}",
        password in "\\PC{0,16}", body in "[ -~]{0,40}", cnonce in "[a-z0-9]{1,20}",
        algorithm in prop::sample::select(vec!["MD5", "MD5-sess", "SHA-256", "SHA-256-sess", "SHA-512-256", "SHA-512-256-sess"]),
    ) {
        let challenge = format!(
            "Digest realm={}, nonce={}, opaque={}, algorithm={algorithm}, qop=\"auth,auth-int\"",
            quoted(&realm), quoted(&nonce), quoted(&opaque),
        );
        let ours = respond(
            &[&challenge], &credentials(&user, &password), "INVITE", "sip:300@10.0.0.1", body.as_bytes(),
            &mut NonceState::default(), &cnonce,
        ).unwrap();

        let parsed = http_auth::parse_challenges(&challenge).unwrap();
        let mut client = http_auth::DigestClient::try_from(&parsed[0]).unwrap();
        let theirs = client.respond_with_testing_cnonce(
            &http_auth::PasswordParams {
                username: &user, password: &password, uri: "sip:300@10.0.0.1", method: "INVITE",
                body: None,
            },
            &cnonce,
        ).unwrap();
        for name in ["response", "realm", "nonce", "opaque", "qop", "nc", "cnonce", "algorithm", "username", "uri"] {
            prop_assert_eq!(field(&ours, name), field(&theirs, name), "{}", name);
        }
        // And our server takes it.
        let expected = Expected { method: "INVITE", body: body.as_bytes(), realm: &realm, nonce: &nonce };
        prop_assert!(verify(&ours, &expected, |_| Some(Secret::new(&*password))).is_some());
        prop_assert!(verify(&theirs, &expected, |_| Some(Secret::new(&*password))).is_some());
    }

    /// Whatever comes, no panic and no line break goes out.
    #[test]
    fn any_text_is_survived(a in "\\PC{0,80}", b in "(Digest |[a-z]{1,6}=|\"|\\\\|,| |=|nonce|realm|\u{e4}){0,40}") {
        let user = credentials("u", "p");
        let mut state = NonceState::default();
        for challenge in [a.clone(), b.clone(), format!("Digest realm=\"{a}\", nonce=\"{b}\""), format!("{RFC_2617}, {a}{b}")] {
            stale(&[&challenge]);
            if let Ok(header) = respond(&[&challenge], &user, "REGISTER", "sip:x", b"", &mut state, "c") {
                prop_assert!(!header.contains(['\r', '\n', '\0']));
            }
            let expected = Expected { method: "REGISTER", body: b"", realm: "r", nonce: "n" };
            prop_assert!(verify(&challenge, &expected, lookup).is_none());
        }
    }
}
