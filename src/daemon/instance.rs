//! Who this board is, for registrars (RFC 5626 §4.1): a UUID that stays the same when the daemon or the power comes back.

use std::path::Path;

use sha1::{Digest as _, Sha1};

/// Hornwire's own name space for name-based UUIDs.
const NAMESPACE: [u8; 16] = [
    0x6e, 0x9c, 0x41, 0x0f, 0x8b, 0x52, 0x4d, 0x37, 0x9a, 0x1d, 0xc3, 0x74, 0x05, 0xe8, 0x2b, 0x66,
];

/// `urn:uuid:` and so on, from the machine's own id, which is not shown by it; by chance where there is none.
pub fn instance() -> String {
    from_file(Path::new("/etc/machine-id")).unwrap_or_else(|| urn(rand::random(), 4))
}

/// Version 5 of the machine id (RFC 9562 §5.5).
fn from_file(path: &Path) -> Option<String> {
    let text = std::fs::read_to_string(path).ok()?;
    let id = text.trim();
    // While the system is being set up the file may be empty or say "uninitialized" (machine-id(5)).
    let proper = id.len() == 32 && id.bytes().all(|b| b.is_ascii_hexdigit()) && id.bytes().any(|b| b != b'0');
    proper.then(|| named(&NAMESPACE, id.to_ascii_lowercase().as_bytes()))
}

fn named(namespace: &[u8; 16], name: &[u8]) -> String {
    let mut hash = Sha1::new();
    hash.update(namespace);
    hash.update(name);
    let digest = hash.finalize();
    let mut octets = [0; 16];
    octets.copy_from_slice(&digest[..16]);
    urn(octets, 5)
}

/// RFC 9562 §4: version and variant set.
fn urn(mut octets: [u8; 16], version: u8) -> String {
    octets[6] = octets[6] & 0x0f | version << 4;
    octets[8] = octets[8] & 0x3f | 0x80;
    let hex: String = octets.iter().map(|b| format!("{b:02x}")).collect();
    let parts = [&hex[..8], &hex[8..12], &hex[12..16], &hex[16..20], &hex[20..]];
    format!("urn:uuid:{}", parts.join("-"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9562 A.4: "www.example.com" in the name space of domain names.
    #[test]
    fn name_based() {
        let dns = [
            0x6b, 0xa7, 0xb8, 0x10, 0x9d, 0xad, 0x11, 0xd1, 0x80, 0xb4, 0x00, 0xc0, 0x4f, 0xd4, 0x30, 0xc8,
        ];
        assert_eq!(
            named(&dns, b"www.example.com"),
            "urn:uuid:2ed6657d-e927-568b-95e1-2665a8aea6a2"
        );
    }

    #[test]
    fn stays_the_same_and_hides_the_machine() {
        let directory = std::env::temp_dir().join(format!("hornwire-instance-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let path = directory.join("machine-id");
        let id = "4f8a02c1d3e94b7c8a6f0e1d2c3b4a59";
        std::fs::write(&path, format!("{id}\n")).unwrap();
        let urn = from_file(&path).unwrap();
        assert_eq!(from_file(&path).as_deref(), Some(urn.as_str()));
        assert!(!urn.replace('-', "").contains(&id[..8]));
        assert_eq!((urn.len(), &urn[23..24]), (45, "5"));
        for unfit in ["", "uninitialized\n", "00000000000000000000000000000000", &id[1..]] {
            std::fs::write(&path, unfit).unwrap();
            assert_eq!(from_file(&path), None, "{unfit}");
        }
        std::fs::remove_dir_all(&directory).unwrap();
        assert_eq!(from_file(&path), None);
        assert_ne!(urn, super::urn(rand::random(), 4));
    }
}
