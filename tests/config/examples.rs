//! The examples that an installer starts from.

use std::net::IpAddr;
use std::time::Duration;

use hornwire::config::plan::{AudioDevice, Chime, Plan, RelayLine, Srtp};
use hornwire::config::{self, Loaded};
use hornwire::media::Codec;
use hornwire::page::{Loss, RelayId, ZoneId};
use hornwire::sip::agent::Transport;

use super::{Scratch, compare, read, source};

/// Loads an example as it would be installed: its secrets file kept from other users.
fn installed(name: &str) -> Loaded {
    let scratch = Scratch::new();
    let path = scratch.file(name, read(&source("config").join(name)), 0o644);
    scratch.file(
        "quayside-secrets.toml",
        read(&source("config/quayside-secrets.toml")),
        0o600,
    );
    let (certificate, key) = certificate();
    scratch.file("quayside-ca.pem", &certificate, 0o644);
    scratch.file("hornwire.pem", &certificate, 0o644);
    scratch.file("hornwire-key.pem", key, 0o600);
    config::load_with(&path, None).unwrap()
}

/// A certificate that is its own CA, and its key: PEM.
fn certificate() -> (String, String) {
    let key = rcgen::KeyPair::generate().unwrap();
    let parameters = rcgen::CertificateParams::new(vec!["board.quayside.example".to_owned()]).unwrap();
    (parameters.self_signed(&key).unwrap().pem(), key.serialize_pem())
}

fn plan(name: &str) -> Plan {
    let loaded = installed(name);
    assert!(loaded.problems.is_empty(), "{name}: {}", loaded.problems[0]);
    loaded.plan.unwrap()
}

#[test]
fn every_example_is_free_of_problems() {
    let mut examples = 0;
    for entry in std::fs::read_dir(source("config")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name.ends_with(".toml") && name != "quayside-secrets.toml" {
            plan(&name);
            examples += 1;
        }
    }
    assert!(examples >= 5);
}

#[test]
fn simple() {
    let plan = plan("quayside-simple.toml");
    assert_eq!(plan.site, "Quayside Timber");
    assert_eq!((plan.cards.len(), plan.relays.len(), plan.zones.len()), (1, 1, 1));
    assert_eq!(plan.cards[0].output, AudioDevice::Alsa("plughw:CARD=Device".to_owned()));
    // 10 ms, the default, at 48 kHz.
    assert_eq!(plan.cards[0].period, 480);
    let chip = "gpiochip0".to_owned();
    assert_eq!(plan.relays[0].line, RelayLine::Gpio { chip, offset: 17 });
    assert!(!plan.relays[0].active_low && !plan.relays[0].optional);
    let zone = &plan.zones[0];
    assert_eq!((zone.card, zone.channel), (0, 0));
    assert_eq!(
        (zone.trigger.as_slice(), zone.mute.as_slice()),
        ([RelayId(0)].as_slice(), [].as_slice())
    );
    assert_eq!((zone.gain.0, zone.ceiling.0), (-6.0, -3.0));
    let extension = &plan.extensions[0];
    let registrar = &extension.registrars[0].hop;
    assert_eq!(
        (registrar.host.as_str(), registrar.port),
        ("pbx.quayside.example", None)
    );
    assert_eq!(extension.password.as_ref().unwrap().reveal(), "plank-otter-42-lichen");
    assert_eq!(extension.codecs, [Codec::Opus, Codec::G722, Codec::Pcmu, Codec::Pcma]);
    let limits = extension.paging.limits;
    assert_eq!(limits.page, Some(Duration::from_secs(120)));
    // Common practice, no published source: 2.5 to 10 s of silence end a page.
    assert_eq!(limits.quiet, Some(Duration::from_secs(10)));
    assert_eq!(plan.sip.listen.len(), 2);
    assert!(plan.sip.networks.is_empty());
}

#[test]
fn yard() {
    let plan = plan("quayside-yard.toml");
    let zones: Vec<(&str, usize, usize)> = plan
        .zones
        .iter()
        .map(|z| (z.name.as_str(), z.card, z.channel))
        .collect();
    assert_eq!(zones, [("yard", 0, 0), ("sawmill", 0, 1)]);
    assert_eq!(plan.zones[0].mute, [RelayId(2)]);
    assert!(plan.relays.iter().all(|r| r.active_low));
    // From [defaults.extensions], and overruled in one extension.
    assert!(
        plan.extensions
            .iter()
            .all(|e| e.paging.chime == Chime::Double && !e.registrars.is_empty())
    );
    let limits: Vec<_> = plan
        .extensions
        .iter()
        .map(|e| e.paging.limits.page.unwrap().as_secs())
        .collect();
    assert_eq!(limits, [90, 120]);
    let group = &plan.groups[0];
    assert_eq!(group.address, "239.255.10.1:5004".parse().unwrap());
    assert_eq!(group.interface.as_deref(), Some("eth0"));
    assert_eq!((group.codec, group.payload_type), (Some(Codec::Pcmu), Some(0)));
    assert_eq!(
        (group.idle, group.paging.terms.busy),
        (Duration::from_secs(1), Loss::Wait)
    );
    assert!(group.paging.priority > plan.extensions[0].paging.priority);
    assert_eq!(group.paging.zones, [ZoneId(0), ZoneId(1)]);
    // Common practice, no published source: the quiet limit is off by default for multicast.
    assert_eq!((group.paging.limits.quiet, group.paging.limits.no_packet), (None, None));
    assert_eq!(group.paging.chime, Chime::None);
}

#[test]
fn multi() {
    let plan = plan("quayside-multi.toml");
    let zones: Vec<(&str, usize, usize)> = plan
        .zones
        .iter()
        .map(|z| (z.name.as_str(), z.card, z.channel))
        .collect();
    assert_eq!(zones, [("yard", 0, 0), ("office", 0, 1), ("drying-shed", 1, 0)]);
    assert_eq!(plan.relays[1].line, RelayLine::Pi { bcm: 22 });
    assert!(plan.relays[2].optional);
    let all = &plan.extensions[0];
    assert_eq!(all.registrars[0].hop.transport, Some(Transport::Tcp));
    assert_eq!((all.auth_user.as_deref(), all.expires), (Some("paging-851"), 1800));
    assert_eq!(all.codecs, [Codec::Opus, Codec::Pcma, Codec::Pcmu]);
    let night = &plan.extensions[1];
    assert!(night.registrars.is_empty() && night.password.is_none());
    let inside = |a: &str| {
        plan.sip
            .networks
            .iter()
            .any(|n| n.contains(a.parse::<IpAddr>().unwrap()))
    };
    assert!(inside("198.51.100.16") && inside("198.51.100.31"));
    assert!(!inside("198.51.100.15") && !inside("198.51.100.32") && !inside("192.0.2.1"));
    let group = &plan.groups[0];
    assert_eq!((group.codec, group.payload_type), (Some(Codec::Opus), Some(111)));
    assert_eq!(group.paging.terms.busy, Loss::End);
}

#[test]
fn tls() {
    let plan = plan("quayside-tls.toml");
    let files = &plan.tls;
    for (file, name) in [
        (&files.ca, "quayside-ca.pem"),
        (&files.certificate, "hornwire.pem"),
        (&files.key, "hornwire-key.pem"),
        (&files.client_ca, "quayside-ca.pem"),
    ] {
        assert!(file.as_ref().unwrap().ends_with(name), "{file:?}");
    }
    assert_eq!(plan.sip.listen, [(Transport::Tls, "0.0.0.0:5061".parse().unwrap())]);
    let registrars: Vec<_> = plan.extensions[0]
        .registrars
        .iter()
        .map(|r| (r.hop.host.as_str(), r.hop.secure))
        .collect();
    assert_eq!(
        registrars,
        [("pbx.quayside.example", true), ("spare.quayside.example", true)]
    );
    assert!(plan.extensions[1].registrars.is_empty());
    assert!(plan.extensions.iter().all(|e| e.srtp == Srtp::Require));
    assert!(plan.groups[0].srtp.is_some());
}

/// The reference in the source tree is what the program prints.
#[test]
fn the_reference_is_up_to_date() {
    compare(&source("config/REFERENCE.md"), &config::reference());
}

#[test]
fn workshop() {
    let plan = plan("quayside-workshop.toml");
    let device = AudioDevice::Alsa("plughw:CARD=Device_1".to_owned());
    // The mixer and the player share one device.
    assert_eq!(plan.captures.len(), 1);
    assert_eq!((&plan.captures[0].input, plan.captures[0].channels), (&device, 2));
    let foreman = &plan.inputs[0];
    assert_eq!((foreman.capture, foreman.channel), (0, 0));
    assert_eq!(foreman.vox.threshold.0, -38.0);
    assert_eq!(foreman.vox.attack, Duration::from_millis(40));
    assert_eq!(foreman.vox.hang, Duration::from_secs(3));
    assert_eq!(foreman.paging.zones, [ZoneId(0), ZoneId(1)]);
    assert_eq!(foreman.paging.chime, Chime::Single);
    assert_eq!(foreman.paging.limits.page, Some(Duration::from_secs(90)));
    // Whoever speaks into a line may pause: only its hang time ends a page.
    assert_eq!(foreman.paging.limits.quiet, None);
    assert_eq!(foreman.paging.terms.busy, Loss::Wait);
    assert_eq!(foreman.hours.0.len(), 2);
    let bell = &plan.schedules[0];
    assert_eq!((bell.timetable.at.len(), bell.times), (3, 2));
    assert_eq!(bell.paging.zones, [ZoneId(0), ZoneId(1)]);
    let quiet: Vec<(u8, Option<f32>)> = plan
        .quiet_hours
        .iter()
        .map(|q| (q.up_to.0, q.lower.map(|db| db.0)))
        .collect();
    assert_eq!(quiet, [(59, None), (79, Some(-10.0))]);
    let music = &plan.music[0];
    assert_eq!((music.capture, music.channels.as_slice()), (0, [1].as_slice()));
    assert_eq!(music.zones, [ZoneId(0)]);
    assert_eq!((music.gain.0, music.ducking.depth.0), (-10.0, -20.0));
    assert_eq!(music.ducking.fade_out, Duration::from_millis(300));
    assert_eq!(music.ducking.fade_in, Duration::from_secs(3));
}
