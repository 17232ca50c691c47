//! Digest access authentication (RFC 8760 over RFC 7616 and RFC 2617).
//!
//! [`respond`] is the client's side, [`verify`] the server's. Both are pure: the cnonce is an argument.
//!
//! Written here rather than taken from the crate http-auth, which serves as a check in the tests: it cannot carry a
//! nonce count over, hashes auth-int wrongly and drops an empty opaque. Reading is lenient, since one header that a strict reader refuses would keep an extension
//! unregistered for years.

use md5::Md5;
use sha2::{Sha256, Sha512_256};
use subtle::ConstantTimeEq as _;

use super::secret::Secret;

#[cfg(test)]
mod tests;

/// Who we are to a server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Credentials {
    pub user: String,
    pub password: Secret,
}

/// How often the current nonce was used (RFC 7616 §3.4, `nc`). One for each server that challenges.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct NonceState {
    nonce: String,
    count: u32,
}

impl NonceState {
    /// Uses of the current nonce so far.
    pub fn count(&self) -> u32 {
        self.count
    }
}

/// Why no answer to the challenges was made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DigestError {
    /// What was offered, for the journal.
    #[error("no challenge that we can answer (offered: {0})")]
    Unsupported(String),
    /// It would break the header line.
    #[error("the user name holds a control character")]
    UserName,
    #[error("the nonce was used 2^32 times")]
    NonceWornOut,
}

/// Answers a 401 or 407: the value for Authorization or Proxy-Authorization.
///
/// `challenges` are the values of the WWW-Authenticate or Proxy-Authenticate headers from top to bottom. The topmost
/// one that we support is answered, the server's preference (RFC 8760 §2.4); Basic and unknown schemes and
/// algorithms are passed over. Of the qops offered, `auth` comes before `auth-int`; without qop the form of
/// RFC 2069 is used (RFC 2617 §3.2.2.1). `uri` must be the request-URI as sent.
///
/// To use a nonce again before the next challenge (RFC 7616 §3.6), call it with the same challenges.
///
/// # Errors
/// [`DigestError`]; the nonce state is untouched then.
pub fn respond(
    challenges: &[&str],
    credentials: &Credentials,
    method: &str,
    uri: &str,
    body: &[u8],
    state: &mut NonceState,
    cnonce: &str,
) -> Result<String, DigestError> {
    let offered = read_all(challenges);
    let Some(challenge) = offered.iter().find_map(Challenge::of) else {
        return Err(DigestError::Unsupported(describe(&offered)));
    };
    if credentials.user.chars().any(char::is_control) {
        return Err(DigestError::UserName);
    }
    let used = if state.nonce == challenge.nonce { state.count } else { 0 };
    let count = used.checked_add(1).ok_or(DigestError::NonceWornOut)?;
    let nc = format!("{count:08x}");
    let proof = Proof {
        kind: challenge.kind,
        user: &credentials.user,
        realm: challenge.realm,
        password: credentials.password.reveal(),
        method,
        uri,
        body,
        nonce: challenge.nonce,
        qop: challenge.qop.map(|qop| (qop, nc.as_str())),
        cnonce,
    };
    let response = proof.response();
    state.nonce.clear();
    state.nonce.push_str(challenge.nonce);
    state.count = count;

    let mut out = format!(
        "Digest username={}, realm={}, nonce={}, uri={}, response=\"{response}\"",
        quoted(&credentials.user),
        quoted(challenge.realm),
        quoted(challenge.nonce),
        quoted(uri),
    );
    if let Some(algorithm) = challenge.algorithm {
        // In the server's own spelling; it is one of ours, so a plain token.
        out.push_str(", algorithm=");
        out.push_str(algorithm);
    }
    // A session hash needs the cnonce even without qop.
    if challenge.qop.is_some() || challenge.kind.session {
        out.push_str(", cnonce=");
        out.push_str(&quoted(cnonce));
    }
    if let Some(opaque) = challenge.opaque {
        out.push_str(", opaque=");
        out.push_str(&quoted(opaque));
    }
    if let Some(qop) = challenge.qop {
        out.push_str(&format!(", qop={}, nc={nc}", qop.name()));
    }
    Ok(out)
}

/// Whether the server says that only the nonce was too old, not the password wrong (RFC 7616 §3.3).
pub fn stale(challenges: &[&str]) -> bool {
    read_all(challenges)
        .iter()
        .filter(|item| item.is_digest())
        .any(|item| item.get("stale").is_some_and(|v| v.eq_ignore_ascii_case("true")))
}

/// A request whose credentials were right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verified {
    pub user: String,
    /// The nonce count, 0 without qop. The server must see it grow, or a request was replayed.
    pub count: u32,
    /// The URI that the client signed. RFC 7616 §3.4.6 leaves the comparison with the request-URI to the server.
    pub uri: String,
}

/// What a server expects of an Authorization header.
#[derive(Debug, Clone, Copy)]
pub struct Expected<'a> {
    pub method: &'a str,
    pub body: &'a [u8],
    pub realm: &'a str,
    /// The nonce that was handed out.
    pub nonce: &'a str,
}

/// Checks the value of an Authorization header. `password` finds a user's password.
/// `None`: not Digest, another realm or nonce, an unknown user, or a wrong response. The comparison takes the same
/// time wherever the difference is.
pub fn verify(
    authorization: &str,
    expected: &Expected<'_>,
    password: impl FnOnce(&str) -> Option<Secret>,
) -> Option<Verified> {
    let items = read_all(&[authorization]);
    let item = items.iter().find(|item| item.is_digest())?;
    let kind = match item.get("algorithm") {
        Some(name) => Kind::named(name)?,
        None => Kind::MD5,
    };
    let user = item.get("username")?;
    let uri = item.get("uri")?;
    let cnonce = item.get("cnonce");
    if item.get("realm")? != expected.realm || item.get("nonce")? != expected.nonce {
        return None;
    }
    let qop = match item.get("qop") {
        None => None,
        Some(name) => Some((Qop::named(name)?, item.get("nc")?)),
    };
    if (qop.is_some() || kind.session) && cnonce.is_none() {
        return None;
    }
    let count = match qop {
        None => 0,
        Some((_, nc)) if nc.len() == 8 => u32::from_str_radix(nc, 16).ok().filter(|n| *n > 0)?,
        Some(_) => return None,
    };
    let password = password(user)?;
    let proof = Proof {
        kind,
        user,
        realm: expected.realm,
        password: password.reveal(),
        method: expected.method,
        uri,
        body: expected.body,
        nonce: expected.nonce,
        qop,
        cnonce: cnonce.unwrap_or_default(),
    };
    let given = item.get("response")?.to_ascii_lowercase();
    let right: bool = proof.response().as_bytes().ct_eq(given.as_bytes()).into();
    right.then(|| Verified {
        user: user.to_owned(),
        count,
        uri: uri.to_owned(),
    })
}

/// The hash functions that we know (RFC 8760 §2.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Hash {
    Md5,
    Sha256,
    Sha512Part256,
}

impl Hash {
    /// In lower-case hexadecimal.
    fn of(self, parts: &[&[u8]]) -> String {
        fn run<D: md5::Digest>(parts: &[&[u8]]) -> String {
            let mut hash = D::new();
            for (i, part) in parts.iter().enumerate() {
                if i > 0 {
                    hash.update(b":");
                }
                hash.update(part);
            }
            hash.finalize().iter().map(|octet| format!("{octet:02x}")).collect()
        }
        match self {
            Hash::Md5 => run::<Md5>(parts),
            Hash::Sha256 => run::<Sha256>(parts),
            Hash::Sha512Part256 => run::<Sha512_256>(parts),
        }
    }
}

/// The `algorithm` parameter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Kind {
    hash: Hash,
    /// `-sess`: the first half also holds nonce and cnonce.
    session: bool,
}

impl Kind {
    const MD5: Kind = Kind {
        hash: Hash::Md5,
        session: false,
    };

    fn named(name: &str) -> Option<Kind> {
        let lower = name.to_ascii_lowercase();
        let (base, session) = match lower.strip_suffix("-sess") {
            Some(base) => (base, true),
            None => (lower.as_str(), false),
        };
        let hash = match base {
            "md5" => Hash::Md5,
            "sha-256" => Hash::Sha256,
            "sha-512-256" => Hash::Sha512Part256,
            _ => return None,
        };
        Some(Kind { hash, session })
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Qop {
    Auth,
    AuthInt,
}

impl Qop {
    fn name(self) -> &'static str {
        match self {
            Qop::Auth => "auth",
            Qop::AuthInt => "auth-int",
        }
    }

    fn named(name: &str) -> Option<Qop> {
        [Qop::Auth, Qop::AuthInt]
            .into_iter()
            .find(|qop| name.eq_ignore_ascii_case(qop.name()))
    }
}

/// All that goes into a response.
struct Proof<'a> {
    kind: Kind,
    user: &'a str,
    realm: &'a str,
    password: &'a str,
    method: &'a str,
    uri: &'a str,
    body: &'a [u8],
    nonce: &'a str,
    /// With the nonce count as written.
    qop: Option<(Qop, &'a str)>,
    cnonce: &'a str,
}

impl Proof<'_> {
    /// RFC 7616 §3.4.1 to §3.4.3.
    fn response(&self) -> String {
        let hash = self.kind.hash;
        let [nonce, cnonce] = [self.nonce, self.cnonce].map(str::as_bytes);
        let mut ha1 = hash.of(&[self.user, self.realm, self.password].map(str::as_bytes));
        if self.kind.session {
            ha1 = hash.of(&[ha1.as_bytes(), nonce, cnonce]);
        }
        let [method, uri] = [self.method, self.uri].map(str::as_bytes);
        let ha2 = match self.qop {
            Some((Qop::AuthInt, _)) => hash.of(&[method, uri, hash.of(&[self.body]).as_bytes()]),
            _ => hash.of(&[method, uri]),
        };
        match self.qop {
            None => hash.of(&[ha1.as_bytes(), nonce, ha2.as_bytes()]),
            Some((qop, nc)) => hash.of(&[
                ha1.as_bytes(),
                nonce,
                nc.as_bytes(),
                cnonce,
                qop.name().as_bytes(),
                ha2.as_bytes(),
            ]),
        }
    }
}

/// A challenge that we can answer.
struct Challenge<'a> {
    kind: Kind,
    /// As the server spelt it; `None` means MD5.
    algorithm: Option<&'a str>,
    realm: &'a str,
    nonce: &'a str,
    opaque: Option<&'a str>,
    qop: Option<Qop>,
}

impl<'a> Challenge<'a> {
    fn of(item: &'a Item) -> Option<Challenge<'a>> {
        if !item.is_digest() {
            return None;
        }
        let algorithm = item.get("algorithm");
        let kind = match algorithm {
            Some(name) => Kind::named(name)?,
            None => Kind::MD5,
        };
        let mut offered = item
            .get("qop")
            .unwrap_or_default()
            .split(',')
            .map(str::trim)
            .filter(|name| !name.is_empty())
            .peekable();
        let qop = match offered.peek() {
            // None sent: an old server, which RFC 8760 §2.6 lets pass.
            None => None,
            Some(_) => {
                let known: Vec<Qop> = offered.filter_map(Qop::named).collect();
                let first = known.first().copied()?;
                Some(if known.contains(&Qop::Auth) { Qop::Auth } else { first })
            }
        };
        Some(Challenge {
            kind,
            algorithm,
            realm: item.get("realm")?,
            nonce: item.get("nonce")?,
            opaque: item.get("opaque"),
            qop,
        })
    }
}

/// One scheme with its parameters, from a challenge or from credentials.
#[derive(Debug, PartialEq, Eq)]
struct Item {
    scheme: String,
    /// Unquoted; the first of equal names counts.
    params: Vec<(String, String)>,
}

impl Item {
    fn is_digest(&self) -> bool {
        self.scheme.eq_ignore_ascii_case("Digest")
    }

    fn get(&self, name: &str) -> Option<&str> {
        self.params
            .iter()
            .find(|(key, _)| key.eq_ignore_ascii_case(name))
            .map(|(_, value)| value.as_str())
    }
}

fn describe(offered: &[Item]) -> String {
    /// A server may send any number of challenges; the journal line stays short.
    const MOST: usize = 6;
    let mut names: Vec<String> = offered
        .iter()
        .take(MOST)
        .map(|item| match item.get("algorithm") {
            Some(algorithm) => format!("{} {algorithm}", item.scheme),
            None => item.scheme.clone(),
        })
        .collect();
    match offered.len() {
        0 => names.push("none".to_owned()),
        n if n > MOST => names.push("…".to_owned()),
        _ => {}
    }
    names.join(", ")
}

/// Reads header values; SIP gives each challenge a line of its own (RFC 3261 §7.3.1), but several on one line are
/// told apart too. Never fails: what is not understood is passed over. A value with control characters is passed
/// over whole, since parts of it are sent back.
fn read_all(values: &[&str]) -> Vec<Item> {
    let mut items = Vec::new();
    for value in values {
        if value.chars().any(|c| c.is_control() && c != '\t') {
            continue;
        }
        let first = items.len();
        for element in elements(value) {
            let mut param = element;
            let name_end = element.find([' ', '\t', '=']).unwrap_or(element.len());
            let (name, rest) = element.split_at(name_end);
            if !rest.trim_start().starts_with('=') {
                items.push(Item {
                    scheme: name.to_owned(),
                    params: Vec::new(),
                });
                param = rest.trim_start();
            }
            // A parameter before any scheme belongs to nothing.
            if let (Some(item), Some((key, value))) =
                (items.get_mut(first..).and_then(<[_]>::last_mut), param.split_once('='))
            {
                item.params.push((key.trim_end().to_owned(), unquoted(value.trim())));
            }
        }
    }
    items
}

/// The elements of a list, split at the commas outside quotes.
fn elements(value: &str) -> impl Iterator<Item = &str> {
    let mut in_quotes = false;
    let mut escaped = false;
    value
        .split(move |c| {
            match c {
                _ if escaped => escaped = false,
                '\\' if in_quotes => escaped = true,
                '"' => in_quotes = !in_quotes,
                ',' => return !in_quotes,
                _ => {}
            }
            false
        })
        .map(str::trim)
        .filter(|element| !element.is_empty())
}

/// A quoted-string without its quotes and escapes; anything else as it is.
fn unquoted(value: &str) -> String {
    let Some(inner) = value.strip_prefix('"') else {
        return value.to_owned();
    };
    let mut out = String::with_capacity(inner.len());
    let mut chars = inner.chars();
    while let Some(c) = chars.next() {
        match c {
            '"' => break,
            '\\' => out.extend(chars.next()),
            c => out.push(c),
        }
    }
    out
}

fn quoted(value: &str) -> String {
    let mut out = String::with_capacity(value.len() + 2);
    out.push('"');
    for c in value.chars() {
        if matches!(c, '"' | '\\') {
            out.push('\\');
        }
        out.push(c);
    }
    out.push('"');
    out
}
