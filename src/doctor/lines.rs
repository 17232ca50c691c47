//! Relay and contact lines: are they there, may the gateway have them, has somebody else got them.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use gpiocdev::Chip;

use super::system::Service;
use super::{Finding, Verdict};
use crate::config::plan::{ContactLine, Plan, RelayLine};
use crate::device::gpio::{CONSUMER, explain, find};

/// One finding for each line of the config, and one for each device that may not be opened.
pub fn lines(plan: &Plan, service: &Service) -> Vec<Finding> {
    let mut findings = Vec::new();
    for relay in &plan.relays {
        let subject = format!("relay {}", relay.name);
        match &relay.line {
            RelayLine::Gpio { chip, offset } => {
                findings.push(gpio(&subject, chip, *offset, relay.optional, service));
            }
            RelayLine::Pi { bcm } => {
                let registers = ["/dev/gpiomem", "/dev/gpiomem0"]
                    .into_iter()
                    .find(|path| Path::new(path).exists());
                findings.push(match registers {
                    Some(path) => may_open(&subject, Path::new(path), service)
                        .unwrap_or_else(|| Finding::fine(&subject, format!("BCM {bcm}, by {path}"))),
                    None => Finding::new(
                        Verdict::Fault,
                        &subject,
                        "the GPIO registers of a Raspberry Pi are not here",
                        format!("name the line by its chip instead: gpioinfo lists it, such as \"gpiochip0:{bcm}\""),
                    ),
                });
            }
            RelayLine::Simulated => findings.push(Finding::new(
                Verdict::Look,
                &subject,
                "is simulated: nothing is switched",
                "give it a line of the GPIO chip",
            )),
        }
    }
    let contacts = plan
        .contacts
        .iter()
        .map(|c| (format!("contact {}", c.name), &c.input.line));
    let vetoes = plan.vetoes.iter().map(|v| (format!("veto {}", v.name), &v.input.line));
    for (subject, line) in contacts.chain(vetoes) {
        match line {
            ContactLine::Gpio { chip, offset } => findings.push(gpio(&subject, chip, *offset, false, service)),
            ContactLine::File(path) => findings.push(Finding::new(
                Verdict::Look,
                &subject,
                format!("is closed while {} is there: for trials", path.display()),
                "give it a line of the GPIO chip",
            )),
        }
    }
    findings
}

fn gpio(subject: &str, chip: &str, offset: u32, optional: bool, service: &Service) -> Finding {
    let fault = if optional { Verdict::Look } else { Verdict::Fault };
    let path = match find(chip) {
        Ok(path) => path,
        Err(cause) => {
            return Finding::new(
                fault,
                subject,
                format!("{chip}: {cause}"),
                "gpiodetect lists the chips, gpioinfo their lines",
            );
        }
    };
    if let Some(finding) = may_open(subject, &path, service) {
        return finding;
    }
    let open = match Chip::from_path(&path) {
        Ok(open) => open,
        Err(error) => {
            let text = format!("{chip}: {}", explain(&path, offset, &error));
            return Finding::new(Verdict::Unknown, subject, text, "run the doctor as root");
        }
    };
    let lines = open.info().map(|info| info.num_lines).unwrap_or_default();
    if offset >= lines {
        let text = format!("{chip} has lines 0 to {} only, not {offset}", lines.saturating_sub(1));
        return Finding::new(fault, subject, text, "gpioinfo lists them");
    }
    let Ok(info) = open.line_info(offset) else {
        return Finding::new(
            Verdict::Unknown,
            subject,
            format!("{chip} line {offset} tells nothing of itself"),
            "",
        );
    };
    let named = match info.name.as_str() {
        "" => String::new(),
        name => format!(" ({name})"),
    };
    let place = format!("{chip} line {offset}{named}");
    match (info.used, info.consumer.as_str()) {
        (false, _) if service.runs() => Finding::new(
            Verdict::Fault,
            subject,
            format!("{place} is free although the gateway runs"),
            "is the config newer than the running gateway? hornwire status tells what waits",
        ),
        (false, _) => Finding::fine(subject, format!("{place} is free")),
        (true, CONSUMER) => Finding::fine(subject, format!("{place} is held by the gateway")),
        (true, other) => Finding::new(
            fault,
            subject,
            format!(
                "{place} is in use by {}",
                if other.is_empty() { "the kernel" } else { other }
            ),
            "take another line, or what holds it off: an overlay, another program",
        ),
    }
}

/// `None` if the gateway's user may open the device.
fn may_open(subject: &str, path: &Path, service: &Service) -> Option<Finding> {
    if service.is_root() {
        return None;
    }
    let about = fs::metadata(path).ok()?;
    let group = group_name(about.gid());
    let is_member = service.groups().contains(&group) || members(&group).iter().any(|member| service.user() == member);
    let by_group = about.mode() & 0o060 == 0o060 && is_member;
    if by_group || about.mode() & 0o006 == 0o006 {
        return None;
    }
    Some(Finding::new(
        Verdict::Fault,
        subject,
        format!(
            "{} belongs to the group {group} with mode {:o}: the gateway may not open it",
            path.display(),
            about.mode() & 0o777
        ),
        "install the udev rule 70-hornwire.rules, then: sudo udevadm control --reload && sudo udevadm trigger --subsystem-match=gpio",
    ))
}

/// Its name in /etc/group, else its number.
fn group_name(gid: u32) -> String {
    let groups = fs::read_to_string("/etc/group").unwrap_or_default();
    let mut lines = groups.lines().map(|line| line.split(':'));
    let name = lines.find_map(|mut fields| {
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(gid)).then(|| name.to_owned())
    });
    name.unwrap_or_else(|| gid.to_string())
}

/// Who is in a group, by /etc/group.
fn members(group: &str) -> Vec<String> {
    let groups = fs::read_to_string("/etc/group").unwrap_or_default();
    let line = groups.lines().find(|line| line.split(':').next() == Some(group));
    let members = line.and_then(|line| line.rsplit(':').next()).unwrap_or_default();
    members.split(',').map(str::to_owned).collect()
}
