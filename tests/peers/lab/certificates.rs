//! A certificate authority of the lab's own (rcgen), and what it signs.

use std::path::{Path, PathBuf};

use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair};

use super::Lab;

/// One for each test's folder.
pub struct Authority {
    dir: PathBuf,
}

impl Authority {
    /// The lab's authority, made when it is first asked for.
    pub fn of(lab: &Lab) -> Authority {
        let authority = Authority {
            dir: lab.path("authority"),
        };
        if !authority.certificate().exists() {
            std::fs::create_dir_all(&authority.dir).expect("the lab's folder can be written");
            let key = KeyPair::generate().expect("a key");
            let certificate = authority_parameters().self_signed(&key).expect("a certificate");
            std::fs::write(authority.certificate(), certificate.pem()).unwrap();
            std::fs::write(authority.dir.join("ca-key.pem"), key.serialize_pem()).unwrap();
        }
        authority
    }

    /// Its own certificate, PEM.
    pub fn certificate(&self) -> PathBuf {
        self.dir.join("ca.pem")
    }

    /// A certificate for these names and addresses, and its key.
    pub fn issue(&self, names: &[&str], certificate: &Path, key_file: &Path) {
        let own = std::fs::read_to_string(self.dir.join("ca-key.pem")).unwrap();
        let issuer = Issuer::new(authority_parameters(), KeyPair::from_pem(&own).expect("the key"));
        let key = KeyPair::generate().expect("a key");
        let names: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
        let signed = CertificateParams::new(names)
            .and_then(|p| p.signed_by(&key, &issuer))
            .expect("a certificate");
        std::fs::write(certificate, signed.pem()).unwrap();
        std::fs::write(key_file, key.serialize_pem()).unwrap();
        super::process::run(std::process::Command::new("chmod").arg("600").arg(key_file));
    }
}

fn authority_parameters() -> CertificateParams {
    let mut parameters = CertificateParams::default();
    parameters.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    parameters
        .distinguished_name
        .push(DnType::CommonName, "Quayside Timber lab");
    parameters
}
