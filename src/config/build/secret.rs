//! What `[secrets]` holds, for whom it is named.

use std::path::Path;

use super::super::problem::{Complaint, Problems, nearest};
use super::super::secrets::{self, Origin, Secrets};
use super::super::sheet::{Sheet, Sheets};
use crate::media::srtp::{MAX_MASTER, Master, Suite};
use crate::sip::sdp;
use crate::sip::secret::Secret;

/// The secret that `key` names.
pub(super) fn secret<'a>(
    sheet: &Sheet,
    key: &str,
    secrets: &'a Secrets,
    problems: &mut Problems,
) -> Option<&'a Secret> {
    let (name, at) = sheet.names(key).first()?;
    if let Some(secret) = secrets.names.get(name) {
        return Some(secret);
    }
    if secrets.loaded {
        let hint = match nearest(name, secrets.names.keys().map(String::as_str)) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => "add it there; this key takes the name of a secret, never the password itself".to_owned(),
        };
        problems.error(
            *at,
            Complaint {
                key: sheet.path(key),
                found: "a name that the secrets file does not hold (not shown: it may be the password)".to_owned(),
                wanted: "a name that stands in the secrets file".to_owned(),
                hint,
            },
        );
    }
    None
}

pub(super) fn secrets_of(sheets: &Sheets, path: &Path, credentials: Option<&Path>, problems: &mut Problems) -> Secrets {
    let Some(sheet) = sheets.of("secrets").next() else {
        return Secrets::default();
    };
    let complain = |found: &str, wanted: &str, hint: &str, key: &str| Complaint {
        key: key.to_owned(),
        found: found.to_owned(),
        wanted: wanted.to_owned(),
        hint: hint.to_owned(),
    };
    let origin = match (sheet.text("file"), sheet.text("credential")) {
        (Some(_), Some(_)) => {
            let complaint = complain(
                "both `file` and `credential`",
                "one place for the secrets",
                "take out one of the two lines",
                "secrets",
            );
            problems.error(sheet.at("credential"), complaint);
            return Secrets::default();
        }
        (Some(file), None) => Origin {
            path: path.parent().unwrap_or(Path::new("")).join(file),
            key: "file",
            handed: false,
            at: sheet.at("file"),
        },
        (None, Some(name)) => {
            // By hand nobody hands it over; what the unit would hand over lies beside the config, by common use.
            let beside = path.with_file_name(format!("{name}.toml"));
            let handed = credentials.map(|directory| directory.join(name));
            let Some(found) = handed.or_else(|| beside.exists().then(|| beside.clone())) else {
                let complaint = complain(
                    &format!(
                        "no $CREDENTIALS_DIRECTORY in the environment, and no {}",
                        beside.display()
                    ),
                    "to be started by a unit with LoadCredential= for it",
                    "to check by hand, put the file there, or set CREDENTIALS_DIRECTORY to a directory that holds it",
                    "secrets.credential",
                );
                problems.error(sheet.at("credential"), complaint);
                return Secrets::default();
            };
            Origin {
                path: found,
                key: "credential",
                handed: credentials.is_some(),
                at: sheet.at("credential"),
            }
        }
        (None, None) => {
            // A faulty or unknown key in [secrets] has been told already.
            if !sheet.wrote("file") && !sheet.wrote("credential") {
                let named = sheets.of("extensions").chain(sheets.of("codes")).map(|s| (s, "secret"));
                let groups = sheets.of("groups").map(|s| (s, "srtp_key"));
                for (source, key) in named.chain(groups).filter(|(s, key)| s.wrote(key)) {
                    let complaint = complain(
                        "a secret, but no secrets file",
                        "a table [secrets] with `file` or `credential`",
                        "add: [secrets] and below it: file = \"hornwire-secrets.toml\"",
                        &source.path(key),
                    );
                    problems.lack(source.at(key), complaint);
                }
            }
            return Secrets::default();
        }
    };
    secrets::read(&origin, problems)
}

/// The group's SRTP key.
pub(super) fn master(sheet: &Sheet, secrets: &Secrets, problems: &mut Problems) -> Option<Master> {
    let suite = sheet.text("srtp_suite").and_then(Suite::from_name)?;
    if secrets.is_away && sheet.has("srtp_key") {
        return Master::new(suite, &[0; MAX_MASTER][..suite.master_len()]);
    }
    let secret = secret(sheet, "srtp_key", secrets, problems)?;
    let master = sdp::written_key(suite, secret.reveal());
    if master.is_none() {
        let octets = suite.master_len();
        problems.error(
            sheet.at("srtp_key"),
            Complaint {
                key: sheet.path("srtp_key"),
                found: "a secret that is no key of this suite (not shown)".to_owned(),
                wanted: format!(
                    "{octets} octets of key and salt in base64 or hexadecimal, for {}",
                    suite.name()
                ),
                hint: format!("a new one for both sides: openssl rand -base64 {octets}"),
            },
        );
    }
    master
}
