//! TLS configurations that follow their files: a certificate that cron renewed is taken up without a restart.

use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use tokio_rustls::rustls::{ClientConfig, ServerConfig};

use super::files::{self, Fault, Material};
use super::{Files, Validity};

/// How often the files are looked at.
pub const RENEW_EVERY: Duration = Duration::from_secs(60);

/// Where distributions keep their roots: looked at for changes only, rustls-native-certs finds what there is.
const ROOTS: [&str; 3] = [
    "/etc/ssl/certs/ca-certificates.crt",
    "/etc/pki/tls/certs/ca-bundle.crt",
    "/etc/ssl/cert.pem",
];

/// A file's identity: when it or its rights were changed, and how long it is. The rights count, since a new key that
/// could not be read is mended by chgrp and chmod, which leave the time of the contents alone.
type Stamp = Option<(i64, i64, u64)>;

/// What [`Keyring::renew`] found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Renewal {
    Same,
    /// New files are in use, for new connections.
    Taken,
    /// The new files cannot be used; the old ones stay. Told once for each change.
    Refused(String),
}

/// The configurations in use.
pub struct Keyring {
    files: Files,
    with_roots: bool,
    stamps: Vec<Stamp>,
    client: Arc<ClientConfig>,
    server: Option<Arc<ServerConfig>>,
    validity: Option<Validity>,
}

impl Keyring {
    /// Reads the files. `with_roots`: somebody will be connected to.
    ///
    /// # Errors
    /// What is wrong with them.
    pub fn open(files: Files, with_roots: bool) -> Result<Keyring, Vec<Fault>> {
        let stamps = stamps(&files, with_roots);
        let (client, server, validity) = build(&files, with_roots)?;
        Ok(Keyring {
            files,
            with_roots,
            stamps,
            client,
            server,
            validity,
        })
    }

    pub fn client(&self) -> Arc<ClientConfig> {
        self.client.clone()
    }

    /// `None` without a certificate of our own.
    pub fn server(&self) -> Option<Arc<ServerConfig>> {
        self.server.clone()
    }

    /// Looks whether files have changed.
    pub fn renew(&mut self) -> Renewal {
        let stamps = stamps(&self.files, self.with_roots);
        if stamps == self.stamps {
            return Renewal::Same;
        }
        // Whatever comes of it, the same change is not read again.
        self.stamps = stamps;
        match build(&self.files, self.with_roots) {
            Ok((client, server, validity)) => {
                (self.client, self.server, self.validity) = (client, server, validity);
                Renewal::Taken
            }
            Err(faults) => Renewal::Refused(faults.first().map(ToString::to_string).unwrap_or_default()),
        }
    }

    /// What is wrong with the dates of our own certificate.
    pub fn dates(&self, now: SystemTime) -> Option<String> {
        files::dates(self.validity?, now).map(|(found, _)| found)
    }
}

type Built = (Arc<ClientConfig>, Option<Arc<ServerConfig>>, Option<Validity>);

fn build(files: &Files, with_roots: bool) -> Result<Built, Vec<Fault>> {
    let material = Material::read(files, with_roots)?;
    let fault = |error: tokio_rustls::rustls::Error| {
        vec![Fault {
            part: files::Part::Certificate,
            file: files.certificate.clone().unwrap_or_default(),
            found: error.to_string(),
            wanted: "a certificate and a key for TLS",
            hint: String::new(),
            mild: false,
        }]
    };
    let client = material.client().map_err(fault)?;
    let server = material.server().map_err(fault)?;
    Ok((client, server, material.validity))
}

fn stamps(files: &Files, with_roots: bool) -> Vec<Stamp> {
    let stamp = |path: &Path| {
        let about = std::fs::metadata(path).ok()?;
        Some((about.ctime(), about.ctime_nsec(), about.len()))
    };
    let own = files.all().map(|f| stamp(f));
    let system = with_roots && files.ca.is_none();
    let named = std::env::var_os("SSL_CERT_FILE").map(PathBuf::from);
    let roots = ROOTS
        .iter()
        .map(PathBuf::from)
        .chain(named)
        .filter(|_| system)
        .map(|f| stamp(&f));
    own.chain(roots).collect()
}
