use std::net::IpAddr;

use alsa::Direction;

use super::multicast::{igmp, igmp6, query};
use super::registrars::{all_the_same, is_registered};
use super::sound::{Control, judge};
use super::system::{Service, policy};
use super::*;

fn worst(findings: &[Finding]) -> Verdict {
    findings.iter().map(|finding| finding.verdict).max().unwrap()
}

/// The form is that of `systemctl show` of systemd 252.
#[test]
fn what_the_service_manager_says() {
    let text = "User=hornwire\nGroup=\nSupplementaryGroups=audio gpio\nLimitRTPRIO=40\nMainPID=77\nNRestarts=0\nResult=success\nLoadState=loaded\n\
                ActiveState=active\nUnitFileState=enabled\n";
    let service = Service::read(text);
    assert!(service.runs() && !service.is_root());
    assert_eq!(service.groups(), ["audio", "gpio", "hornwire"]);
    assert_eq!(worst(&service.findings()), Verdict::Fine);
    for (change, to, verdict, todo) in [
        ("ActiveState=active", "ActiveState=failed", Verdict::Fault, "journalctl"),
        (
            "ActiveState=active",
            "ActiveState=inactive",
            Verdict::Look,
            "enable --now",
        ),
        (
            "UnitFileState=enabled",
            "UnitFileState=disabled",
            Verdict::Look,
            "enable",
        ),
        ("NRestarts=0", "NRestarts=7", Verdict::Look, "journalctl"),
        ("LoadState=loaded", "LoadState=not-found", Verdict::Look, "install"),
    ] {
        let findings = Service::read(&text.replace(change, to)).findings();
        assert_eq!(worst(&findings), verdict, "{to}");
        assert!(findings.iter().any(|f| f.todo.contains(todo)), "{to}: {findings:?}");
    }
    assert_eq!(worst(&Service::read("").findings()), Verdict::Unknown);
}

/// Lines of /proc/self/stat of a Linux 6 kernel; the name is as bad as names can be.
#[test]
fn the_scheduling_of_a_thread() {
    let stat = |policy| {
        format!(
            "77 (audio ) R 1 (x) S 1 77 77 0 -1 4194304 1 0 0 0 0 0 0 0 -41 0 9 0 100 1000 200 18446744073709551615 1 1 0 0 0 0 0 0 0 0 0 0 -1 1 40 {policy} 0 0 0 0"
        )
    };
    assert_eq!(policy(&stat(1)), Some(1));
    assert_eq!(policy(&stat(0)), Some(0));
    assert_eq!(policy("77 (x) S 1"), None);
    let own = std::fs::read_to_string("/proc/self/stat").unwrap();
    assert_eq!(policy(&own), Some(0), "{own}");
}

/// The kernel writes an IPv4 group in hexadecimal as a number in memory: 239.255.77.4 is 044DFFEF on a little-endian
/// machine (proc(5) does not say; read off Linux 6).
#[test]
fn memberships_of_this_machine() {
    let word = |address: [u8; 4]| format!("{:08X}", u32::from_ne_bytes(address));
    let text = format!(
        "Idx\tDevice    : Count Querier\tGroup    Users Timer\tReporter\n1\tlo        :     1      V3\n\t\t\t\t{}     1 0:00000000\t\t0\n\
         2\teth0      :     2      V3\n\t\t\t\t{}     1 0:00000000\t\t0\n",
        word([224, 0, 0, 1]),
        word([239, 255, 77, 4])
    );
    let expected: Vec<IpAddr> = vec!["224.0.0.1".parse().unwrap(), "239.255.77.4".parse().unwrap()];
    assert_eq!(igmp(&text).collect::<Vec<_>>(), expected);
    let text = "2    eth0            ff150000000000000000000000000001     1 00000004 0\n1 lo nonsense\n";
    assert_eq!(igmp6(text).collect::<Vec<_>>(), ["ff15::1".parse::<IpAddr>().unwrap()]);
    // What the kernel says of a group that is joined for real.
    let socket = std::net::UdpSocket::bind("0.0.0.0:0").unwrap();
    socket
        .join_multicast_v4(&"239.255.77.99".parse().unwrap(), &"127.0.0.1".parse().unwrap())
        .unwrap();
    let text = std::fs::read_to_string("/proc/net/igmp").unwrap();
    assert!(
        igmp(&text).any(|group| group == "239.255.77.99".parse::<IpAddr>().unwrap()),
        "{text}"
    );
}

/// A general query: RFC 3376 §4.1, in an IPv4 header with the Router Alert option (RFC 2113), as a router sends it.
#[test]
fn a_query_is_told_from_reports() {
    let mut packet = vec![
        0x46, 0xc0, 0, 36, 0, 0, 0x40, 0, 1, 2, 0, 0, 192, 0, 2, 1, 224, 0, 0, 1, 0x94, 4, 0, 0,
    ];
    packet.extend([0x11, 0x64, 0xee, 0x9b, 0, 0, 0, 0, 2, 125, 0, 0]);
    assert_eq!(query(&packet), Some("192.0.2.1".parse().unwrap()));
    packet[24] = 0x22;
    assert_eq!(query(&packet), None, "a report");
    packet[24] = 0x11;
    for length in 0..32 {
        assert_eq!(query(&packet[..length]), None, "cut to {length}");
    }
}

#[test]
fn what_a_mixer_does_to_the_line() {
    let control = |name: &str, muted, level, lowest| Control {
        name: name.to_owned(),
        muted,
        level,
        lowest,
    };
    let says = |control: &Control, direction| {
        judge("sound card line", 1, control, direction).map(|f| (f.verdict, f.text, f.todo))
    };
    let playback = |control: &Control| says(control, Direction::Playback);
    assert_eq!(playback(&control("Speaker", false, Some(0.0), false)), None);
    assert_eq!(playback(&control("Speaker", false, Some(-12.0), false)), None);
    let (verdict, text, todo) = playback(&control("Speaker", true, Some(0.0), false)).unwrap();
    assert_eq!((verdict, text.as_str()), (Verdict::Fault, "Speaker is muted"));
    assert_eq!(todo, "amixer -c 1 sset 'Speaker' unmute, then sudo alsactl store");
    assert_eq!(
        playback(&control("PCM", false, Some(-60.0), true)).unwrap().0,
        Verdict::Fault
    );
    assert!(
        playback(&control("PCM", false, Some(6.0), false))
            .unwrap()
            .1
            .contains("+6.0 dB")
    );
    assert_eq!(
        playback(&control("PCM", false, Some(-45.0), false)).unwrap().0,
        Verdict::Look
    );
    let capture = |control: &Control| says(control, Direction::Capture);
    assert_eq!(capture(&control("Capture", false, None, false)), None);
    assert_eq!(
        capture(&control("Capture", true, None, false)).unwrap().0,
        Verdict::Fault
    );
    assert!(
        capture(&control("Auto Gain Control", false, None, false))
            .unwrap()
            .1
            .contains("pages by itself")
    );
    assert_eq!(capture(&control("Auto Gain Control", true, None, false)), None);
}

/// The form is that of `hornwire status --json`.
#[test]
fn a_registrar_that_answers_no_stranger() {
    let status = serde_json::json!({ "registrations": [
        { "extension": "page", "registrars": ["sip:pbx.quayside.example"] },
        { "extension": "night", "registrars": [] },
    ] });
    for (extension, registrars, is) in [
        ("page", 1, true),
        ("page", 2, false),
        ("night", 1, false),
        ("yard", 1, false),
    ] {
        assert_eq!(
            is_registered(&status, extension, registrars),
            is,
            "{extension} {registrars}"
        );
    }
    let fault = Finding::new(
        Verdict::Fault,
        "registrar pbx",
        "nobody answers",
        "is it the right address?",
    );
    assert_eq!(all_the_same(fault).verdict, Verdict::Look);
    assert_eq!(
        all_the_same(Finding::fine("registrar pbx", "answers")).verdict,
        Verdict::Fine
    );
}
