//! What a new plan changes of an old one, and how it can be taken up.

use super::plan::{Card, Extension, Group, LineInput, Plan, Zone};

/// How a change can be taken up.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Effort {
    /// At once: what runs goes on, and what comes next goes by it.
    #[default]
    AtOnce,
    /// Once nothing is on, without an interruption.
    AtRest,
    /// Once nothing is on, by stopping in order and beginning anew: lines, cards and sockets are opened again.
    Anew,
}

/// What differs.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Changes {
    /// For people: `zones.yard`, `sip`.
    pub told: Vec<String>,
    pub effort: Effort,
    /// Who may page differs: callers at the dial pad refer to it.
    pub gates: bool,
}

impl Changes {
    /// Nothing differs.
    pub fn are_none(&self) -> bool {
        self.told.is_empty()
    }

    fn note(&mut self, section: &str, name: &str, effort: Effort) {
        self.effort = self.effort.max(effort);
        self.told.push(match name {
            "" => section.to_owned(),
            name => format!("{section}.{name}"),
        });
    }

    /// Compares the tables of a section. `effort`: for a table that is there before and after. One that is new, gone or has another
    /// place, so that what refers to it by number would be wrong, is taken up at rest at the earliest, but for new ones at the end.
    fn section<T: PartialEq>(
        &mut self,
        section: &str,
        (old, new): (&[T], &[T]),
        (added, moved): (Effort, Effort),
        name: impl Fn(&T) -> &str,
        effort: impl Fn(&T, &T) -> Effort,
    ) {
        for (place, before) in old.iter().enumerate() {
            let now = new.iter().position(|entry| name(entry) == name(before));
            match now.map(|now| (now, &new[now])) {
                Some((now, entry)) if now == place && entry == before => {}
                Some((now, entry)) if now == place => self.note(section, name(before), effort(before, entry)),
                _ => self.note(section, name(before), moved),
            }
        }
        for entry in new
            .iter()
            .filter(|entry| !old.iter().any(|before| name(before) == name(entry)))
        {
            self.note(section, name(entry), added);
        }
    }
}

/// Everything that differs.
pub fn changes(old: &Plan, new: &Plan) -> Changes {
    use Effort::{Anew, AtOnce, AtRest};
    let mut all = Changes::default();
    if (&old.site, &old.time_zone) != (&new.site, &new.time_zone) {
        all.note("site", "", AtOnce);
    }
    all.section("cards", (&old.cards, &new.cards), (Anew, Anew), |card| &card.name, card);
    all.section(
        "relays",
        (&old.relays, &new.relays),
        (Anew, Anew),
        |relay| &relay.name,
        |old, new| {
            let line = |relay: &super::plan::Relay| (relay.line.clone(), relay.active_low, relay.optional);
            if line(old) == line(new) { AtRest } else { Anew }
        },
    );
    all.section("zones", (&old.zones, &new.zones), (Anew, Anew), |zone| &zone.name, zone);
    let amplifiers = (&old.amplifiers[..], &new.amplifiers[..]);
    // Nothing that runs goes by them.
    all.section(
        "amplifiers",
        amplifiers,
        (AtOnce, AtOnce),
        |amplifier| &amplifier.name,
        |_, _| AtOnce,
    );
    let groups = (&old.zone_groups[..], &new.zone_groups[..]);
    all.section("zone_groups", groups, (AtOnce, AtOnce), |group| &group.0, |_, _| AtOnce);
    let extensions = (&old.extensions[..], &new.extensions[..]);
    all.section(
        "extensions",
        extensions,
        (Anew, Anew),
        |extension| &extension.name,
        extension,
    );
    all.section(
        "groups",
        (&old.groups, &new.groups),
        (AtRest, AtRest),
        |group| &group.name,
        group,
    );
    let messages = (&old.messages[..], &new.messages[..]);
    all.section(
        "messages",
        messages,
        (AtOnce, AtRest),
        |message| &message.name,
        |_, _| AtOnce,
    );
    if old.captures != new.captures {
        all.note("captures", "", Anew);
    }
    all.section(
        "inputs",
        (&old.inputs, &new.inputs),
        (Anew, Anew),
        |input| &input.name,
        input,
    );
    all.section(
        "music",
        (&old.music, &new.music),
        (Anew, Anew),
        |music| &music.name,
        |_, _| Anew,
    );
    all.section(
        "contacts",
        (&old.contacts, &new.contacts),
        (Anew, Anew),
        |contact| &contact.name,
        |old, new| {
            if old.input == new.input { AtOnce } else { Anew }
        },
    );
    all.section(
        "vetoes",
        (&old.vetoes, &new.vetoes),
        (Anew, Anew),
        |veto| &veto.name,
        |_, _| Anew,
    );
    let schedules = (&old.schedules[..], &new.schedules[..]);
    all.section(
        "schedules",
        schedules,
        (AtOnce, AtRest),
        |schedule| &schedule.name,
        |_, _| AtOnce,
    );
    let quiet = (&old.quiet_hours[..], &new.quiet_hours[..]);
    all.section(
        "quiet_hours",
        quiet,
        (AtOnce, AtOnce),
        |quiet| &quiet.name,
        |_, _| AtOnce,
    );
    all.section(
        "codes",
        (&old.codes, &new.codes),
        (AtOnce, AtOnce),
        |code| &code.name,
        |_, _| AtOnce,
    );
    if old.control != new.control {
        let same = old.control.socket == new.control.socket;
        all.note("control", "", if same { AtOnce } else { Anew });
    }
    if old.metrics != new.metrics {
        all.note("metrics", "", AtOnce);
    }
    if old.sip != new.sip {
        all.note("sip", "", Anew);
    }
    if old.tls != new.tls {
        all.note("tls", "", Anew);
    }
    all.gates = old.gates() != new.gates();
    all
}

fn card(old: &Card, new: &Card) -> Effort {
    let opened = Card {
        impedance: new.impedance,
        ..old.clone()
    };
    match opened == *new {
        true => Effort::AtOnce,
        false => Effort::Anew,
    }
}

fn zone(old: &Zone, new: &Zone) -> Effort {
    let heard = |zone: &Zone| (zone.card, zone.channel, zone.equaliser.clone(), zone.ceiling);
    let louder = Zone {
        gain: new.gain,
        ..old.clone()
    };
    match heard(old) == heard(new) {
        // Whoever sets the level wants to hear it.
        true if louder == *new => Effort::AtOnce,
        true => Effort::AtRest,
        false => Effort::Anew,
    }
}

fn extension(old: &Extension, new: &Extension) -> Effort {
    // Its account, and by which numbers it is called.
    let account = |extension: &Extension| {
        (
            (
                extension.user.clone(),
                extension.auth_user.clone(),
                extension.password.clone(),
            ),
            extension.registrars.clone(),
            (extension.expires, extension.keep_alive),
            extension.gate.networks.clone(),
            extension
                .gate
                .dial
                .iter()
                .map(|(users, _)| users.clone())
                .collect::<Vec<_>>(),
        )
    };
    match account(old) == account(new) {
        true => Effort::AtOnce,
        false => Effort::Anew,
    }
}

fn group(old: &Group, new: &Group) -> Effort {
    match new.is_received_as(old) {
        true => Effort::AtOnce,
        false => Effort::AtRest,
    }
}

fn input(old: &LineInput, new: &LineInput) -> Effort {
    let line = |input: &LineInput| (input.capture, input.channel, input.vox);
    match line(old) == line(new) {
        true => Effort::AtOnce,
        false => Effort::Anew,
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::check_text;

    const BASE: &str = r#"
        [site]
        name = "Quayside Timber"
        [sip]
        networks = ["192.0.2.0/24"]
        [cards.main]
        output = "null"
        [relays.trigger]
        line = "simulated"
        [zones.yard]
        card = "main"
        channel = 1
        trigger = ["trigger"]
        [zones.shed]
        card = "main"
        channel = 2
        [extensions.yard-page]
        user = "850"
        zones = ["yard"]
        [extensions.shed-page]
        user = "851"
        zones = ["shed"]
        [groups.weighbridge]
        address = "239.255.10.1:5004"
        codec = "pcmu"
        zones = ["yard"]
        [contacts.bell]
        line = "file:/run/bell"
        zones = ["yard"]
        [schedules.shift]
        at = ["daily 06:00"]
        zones = ["yard"]
    "#;

    fn plan(text: &str) -> Plan {
        let loaded = check_text(text, Path::new("test.toml"), None);
        assert!(loaded.problems.is_empty(), "{:?}", loaded.problems);
        loaded.plan.unwrap()
    }

    #[test]
    fn each_change_takes_the_least_effort() {
        let before = plan(BASE);
        assert!(changes(&before, &before).are_none());
        let gone = BASE.find("        [schedules.shift]").unwrap();
        for (told, effort, gates, after) in [
            (
                "extensions.yard-page",
                Effort::AtOnce,
                true,
                BASE.replace("user = \"850\"", "user = \"850\"\npriority = 70"),
            ),
            (
                "extensions.yard-page",
                Effort::AtOnce,
                false,
                BASE.replace("user = \"850\"", "user = \"850\"\nchime = \"single\""),
            ),
            (
                "extensions.yard-page",
                Effort::Anew,
                false,
                BASE.replace("user = \"850\"", "user = \"852\""),
            ),
            (
                "groups.weighbridge",
                Effort::AtOnce,
                false,
                BASE.replace("codec =", "idle = \"3 s\"\ncodec ="),
            ),
            (
                "groups.weighbridge",
                Effort::AtRest,
                false,
                BASE.replace("239.255.10.1", "239.255.10.2"),
            ),
            (
                "zones.yard",
                Effort::AtRest,
                false,
                BASE.replace("trigger = [", "lead = \"1 s\"\ntrigger = ["),
            ),
            (
                "zones.yard",
                Effort::AtOnce,
                false,
                BASE.replace("trigger = [", "gain = \"-3 dB\"\ntrigger = ["),
            ),
            (
                "zones.yard",
                Effort::AtRest,
                false,
                BASE.replace("trigger = [", "gain = \"-3 dB\"\nlead = \"1 s\"\ntrigger = ["),
            ),
            (
                "zones.yard",
                Effort::Anew,
                false,
                BASE.replace("trigger = [", "ceiling = \"-9 dBFS\"\ntrigger = ["),
            ),
            (
                "relays.trigger",
                Effort::AtRest,
                false,
                BASE.replace("line = \"simulated\"", "line = \"simulated\"\nmin_on = \"2 s\""),
            ),
            (
                "relays.trigger",
                Effort::Anew,
                false,
                BASE.replace("line = \"simulated\"", "line = \"simulated\"\nactive = \"low\""),
            ),
            ("schedules.shift", Effort::AtOnce, false, BASE.replace("06:00", "07:00")),
            ("schedules.shift", Effort::AtRest, false, BASE[..gone].to_owned()),
            (
                "schedules.noon",
                Effort::AtOnce,
                false,
                format!("{BASE}\n[schedules.noon]\nat = [\"daily 12:00\"]\nzones = [\"shed\"]"),
            ),
            (
                "quiet_hours.night",
                Effort::AtOnce,
                false,
                format!("{BASE}\n[quiet_hours.night]\nhours = [\"daily 22:00-06:00\"]"),
            ),
            (
                "contacts.bell",
                Effort::AtOnce,
                false,
                BASE.replace("/run/bell\"", "/run/bell\"\ntimes = 2"),
            ),
            ("sip", Effort::Anew, true, BASE.replace("192.0.2.0/24", "192.0.2.0/25")),
            (
                "cards.main",
                Effort::AtOnce,
                false,
                BASE.replace("output = \"null\"", "output = \"null\"\nimpedance = \"47 ohm\""),
            ),
            (
                "amplifiers.old",
                Effort::AtOnce,
                false,
                format!("{BASE}\n[amplifiers.old]\nzones = [\"yard\"]\npad = \"T 10 dB\""),
            ),
            (
                "cards.main",
                Effort::Anew,
                false,
                BASE.replace("output = \"null\"", "output = \"null\"\nperiod = \"20 ms\""),
            ),
        ] {
            let changes = changes(&before, &plan(&after));
            assert_eq!(changes.told, [told]);
            assert_eq!((changes.effort, changes.gates), (effort, gates), "{after}");
        }
    }

    /// What is referred to by number must not move while it is.
    #[test]
    fn tables_in_another_order_wait() {
        let first = BASE.find("        [schedules.shift]").unwrap();
        let more = "        [schedules.dawn]\n        at = [\"daily 05:00\"]\n        zones = [\"shed\"]\n";
        let swapped = format!("{}{more}{}", &BASE[..first], &BASE[first..]);
        let changes = changes(&plan(BASE), &plan(&swapped));
        assert_eq!(
            (changes.told, changes.effort),
            (vec!["schedules.shift".into(), "schedules.dawn".into()], Effort::AtRest)
        );
    }
}
