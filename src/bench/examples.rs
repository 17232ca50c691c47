//! Plans for tests: of the annotated examples, and of a text.
#![allow(clippy::disallowed_methods)]

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use crate::config::plan::Plan;
use crate::config::{self, Severity};

pub const SHIPPED: [&str; 6] = [
    "quayside-simple.toml",
    "quayside-yard.toml",
    "quayside-multi.toml",
    "quayside-gates.toml",
    "quayside-workshop.toml",
    "quayside-tls.toml",
];

/// As installed: secrets kept from other users, certificates beside them.
pub fn shipped(name: &str) -> Plan {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    // Tests run beside one another.
    static MADE: std::sync::atomic::AtomicU32 = std::sync::atomic::AtomicU32::new(0);
    let n = MADE.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let folder = std::env::temp_dir().join(format!("hornwire-examples-{}-{n}-{name}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::copy(source.join(name), folder.join(name)).unwrap();
    let secrets = folder.join("quayside-secrets.toml");
    std::fs::copy(source.join("quayside-secrets.toml"), &secrets).unwrap();
    std::fs::set_permissions(&secrets, std::fs::Permissions::from_mode(0o600)).unwrap();
    let key = rcgen::KeyPair::generate().unwrap();
    let parameters = rcgen::CertificateParams::new(vec!["board.quayside.example".to_owned()]).unwrap();
    let certificate = parameters.self_signed(&key).unwrap().pem();
    for (file, text) in [
        ("quayside-ca.pem", certificate.clone()),
        ("hornwire.pem", certificate),
        ("hornwire-key.pem", key.serialize_pem()),
    ] {
        std::fs::write(folder.join(file), text).unwrap();
        std::fs::set_permissions(folder.join(file), std::fs::Permissions::from_mode(0o600)).unwrap();
    }
    let loaded = config::load_with(&folder.join(name), None).unwrap();
    let _ = std::fs::remove_dir_all(&folder);
    loaded.plan.unwrap_or_else(|| panic!("{name}: {}", loaded.problems[0]))
}

/// Without errors; warnings do not matter.
pub fn read(text: &str) -> Plan {
    let loaded = config::check_text(text, Path::new("site.toml"), None);
    let errors = loaded
        .problems
        .iter()
        .find(|problem| problem.severity == Severity::Error);
    if let Some(error) = errors {
        panic!("{error}\n{text}");
    }
    loaded.plan.unwrap()
}
