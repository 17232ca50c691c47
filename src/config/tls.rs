//! The `[tls]` table: where its files are, whether they are there and fit.

use std::path::{Path, PathBuf};

use super::problem::{Complaint, Problems};
use super::secrets::cut_path;
use super::sheet::{Sheet, Sheets};
use crate::sip::agent::Transport;
use crate::tls::{Fault, Files, Material, Part};

/// Where the files are; tells what is wrong with them.
pub(super) fn files(sheets: &Sheets, path: &Path, credentials: Option<&Path>, problems: &mut Problems) -> Files {
    let by_tls = sheets
        .of("extensions")
        .flat_map(|s| s.registrars("registrar").iter().chain(s.registrars("outbound_proxy")))
        .find(|(server, _)| server.hop.is_encrypted());
    let connects = by_tls.is_some();
    let Some(sheet) = sheets.of("tls").next() else {
        if let Some((_, at)) = by_tls
            && Material::read(&Files::default(), true).is_ok_and(|m| !m.trusts_somebody())
        {
            problems.warning(*at, nobody_is_believed());
        }
        return Files::default();
    };
    let place = |key: &str| -> Option<PathBuf> {
        let file = sheet.text(key)?;
        Some(path.parent().unwrap_or(Path::new("")).join(file))
    };
    let files = Files {
        ca: place("ca"),
        certificate: place("certificate"),
        key: place("key").or_else(|| credential(sheet, credentials, problems)),
        client_ca: place("client_ca"),
    };
    let listens = listens(sheets);
    together(sheet, sheets, listens, problems);
    match Material::read(&files, connects) {
        Ok(material) => {
            for fault in material.warnings(&files) {
                tell(sheet, &fault, problems);
            }
            if connects && !material.trusts_somebody() {
                problems.warning(sheet.at, nobody_is_believed());
            }
        }
        Err(faults) => {
            for fault in &faults {
                tell(sheet, fault, problems);
            }
        }
    }
    files
}

fn nobody_is_believed() -> Complaint {
    Complaint::new(
        "tls.ca".to_owned(),
        "a registrar by TLS, and no CA that this system trusts",
        "a CA that vouches for the registrar",
        "install the package ca-certificates, or write `ca` in [tls]",
    )
}

/// The place of the first `tls:` entry of `sip.listen`.
fn listens(sheets: &Sheets) -> Option<usize> {
    let list = sheets.of("sip").next()?.listen("listen")?;
    list.iter().find(|(t, _, _)| *t == Transport::Tls).map(|(_, _, at)| *at)
}

fn credential(sheet: &Sheet, credentials: Option<&Path>, problems: &mut Problems) -> Option<PathBuf> {
    let name = sheet.text("key_credential")?;
    let directory = credentials.or_else(|| {
        problems.error(
            sheet.at("key_credential"),
            Complaint::new(
                sheet.path("key_credential"),
                "no $CREDENTIALS_DIRECTORY in the environment",
                "to be started by a unit with LoadCredential= for it",
                "to check by hand, set CREDENTIALS_DIRECTORY to a directory that holds the file",
            ),
        );
        None
    })?;
    Some(directory.join(name))
}

/// What the keys want of each other.
fn together(sheet: &Sheet, sheets: &Sheets, listens: Option<usize>, problems: &mut Problems) {
    let (certificate, key) = (
        sheet.wrote("certificate"),
        sheet.wrote("key") || sheet.wrote("key_credential"),
    );
    if sheet.wrote("key") && sheet.wrote("key_credential") {
        problems.error(
            sheet.at("key_credential"),
            Complaint::new(
                sheet.path("key_credential"),
                "both `key` and `key_credential`",
                "one place for the private key",
                "take out one of the two lines",
            ),
        );
    }
    if certificate && !key {
        problems.error(
            sheet.at("certificate"),
            Complaint::new(
                sheet.path("key"),
                "a certificate without its private key",
                "`key` or `key_credential` beside it",
                "add `key = \"hornwire-key.pem\"`, with your own file",
            ),
        );
    }
    if key && !certificate {
        let written = if sheet.wrote("key") { "key" } else { "key_credential" };
        problems.error(
            sheet.at(written),
            Complaint::new(
                sheet.path("certificate"),
                "a private key without its certificate",
                "`certificate` beside it",
                "add `certificate = \"hornwire.pem\"`, with your own file",
            ),
        );
    }
    if let Some(at) = listens
        && !certificate
    {
        problems.error(
            at,
            Complaint::new(
                "sip.listen".to_owned(),
                "a TLS socket, but no certificate to show",
                "`certificate` and `key` in [tls]",
                "for a registrar by TLS no socket is needed: its calls come by the connection that we make",
            ),
        );
    }
    let sip_is_faulty = sheets.of("sip").any(|s| s.faulty("listen"));
    if listens.is_none() && sheet.wrote("client_ca") && !sip_is_faulty {
        problems.idle(
            sheet.at("client_ca"),
            Complaint::new(
                sheet.path("client_ca"),
                "a CA for whoever connects to us, but nobody can",
                "an entry \"tls:ADDRESS:PORT\" in `sip.listen`",
                "add the entry, or take the line out",
            ),
        );
    }
}

fn tell(sheet: &Sheet, fault: &Fault, problems: &mut Problems) {
    let key = match fault.part {
        Part::Key if !sheet.wrote("key") => "key_credential",
        part => part.key(),
    };
    let file = cut_path(&fault.file.display().to_string());
    let hint = match fault.hint.as_str() {
        "" => "`openssl x509 -text -noout -in FILE` shows what is in it",
        hint => hint,
    };
    let complaint = Complaint::new(
        sheet.path(key),
        format!("{file}: {}", fault.found),
        fault.wanted,
        hint.replace("FILE", &file),
    );
    if fault.mild {
        problems.warning(sheet.at(key), complaint);
    } else {
        problems.error(sheet.at(key), complaint);
    }
}
