use std::fs::{self, Permissions};
use std::io::{Error, ErrorKind};
use std::net::{IpAddr, SocketAddr, TcpListener, UdpSocket};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};

use alsa::Direction;
use serde_json::json;

use crate::report::status::Status;
use crate::sip::agent::Transport;
use crate::sip::locate::Place;

use super::multicast::{igmp, igmp6, query};
use super::registrars::{Probe, Standing, is_own, judge as judge_registrar, standing};
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
        ("ActiveState=active", "ActiveState=activating", Verdict::Look, "again"),
        ("ActiveState=active", "ActiveState=reloading", Verdict::Fine, ""),
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

/// Read off systemd 252 while a service with Restart=always fails at its start: between two starts, at one, behind one.
#[test]
fn a_service_that_does_not_stay_up() {
    for (state, sub, restarts, result) in [
        ("activating", "auto-restart", 0, "exit-code"),
        ("activating", "auto-restart", 41, "exit-code"),
        ("activating", "start", 41, "success"),
        ("deactivating", "stop-post", 0, "exit-code"),
    ] {
        let text = format!(
            "LoadState=loaded\nActiveState={state}\nSubState={sub}\nUnitFileState=enabled\nNRestarts={restarts}\nResult={result}\n\
             ExecMainStatus=69\n"
        );
        let service = Service::read(&text);
        assert!(service.is_between_starts() && !service.runs(), "{text}");
        let findings = service.findings();
        assert_eq!(findings.len(), 1, "{findings:?}");
        let Finding {
            verdict, text, todo, ..
        } = &findings[0];
        assert_eq!(*verdict, Verdict::Fault);
        assert!(
            text.contains("again and again") && text.contains("exit status 69: a socket"),
            "{text}"
        );
        assert!(todo.contains("journalctl") && !todo.contains("enable --now"), "{todo}");
    }
    for (state, sub) in [
        ("activating", "start"),
        ("deactivating", "stop-sigterm"),
        ("inactive", "dead"),
    ] {
        let text = format!("ActiveState={state}\nSubState={sub}\nNRestarts=0\nResult=success\n");
        assert!(!Service::read(&text).is_between_starts(), "{text}");
    }
    let stopped = "ActiveState=deactivating\nSubState=stop-sigterm\nNRestarts=4\nResult=success\n";
    assert!(!Service::read(stopped).is_between_starts(), "somebody stops it");
    let killed = "LoadState=loaded\nActiveState=activating\nSubState=auto-restart\nResult=signal\nExecMainStatus=9\n";
    let findings = Service::read(killed).findings();
    assert!(findings[0].text.ends_with("(signal)"), "no exit status: {findings:?}");
}

/// The form is that of `hornwire status --json`.
#[test]
fn how_an_extension_stands_at_a_registrar() {
    let status = Status::of(&json!({ "registrations": [
        { "extension": "page", "registrars": ["pbx.quayside.example"],
          "refusals": [{ "registrar": "192.0.2.7", "cause": "403 Forbidden" }] },
        { "extension": "night", "registrars": [] },
    ] }));
    for (extension, registrar, expected) in [
        ("page", "pbx.quayside.example", Standing::Registered),
        ("page", "192.0.2.7", Standing::Refused("403 Forbidden".to_owned())),
        ("page", "192.0.2.8", Standing::Waits),
        ("night", "pbx.quayside.example", Standing::Waits),
        ("yard", "pbx.quayside.example", Standing::Unknown),
    ] {
        assert_eq!(
            standing(Some(&status), extension, registrar),
            expected,
            "{extension} {registrar}"
        );
    }
    assert_eq!(standing(None, "page", "192.0.2.7"), Standing::Unknown);
    assert_eq!(
        standing(Some(&Status::default()), "page", "192.0.2.7"),
        Standing::Unknown
    );
}

#[test]
fn what_the_gateway_was_told_counts_more_than_an_answer_to_a_stranger() {
    const SILENCE: &str = "does a firewall keep this board out?";
    let fine = || Finding::fine("registrar pbx", "answers from 192.0.2.7:5060");
    let silent = || {
        Finding::new(
            Verdict::Fault,
            "registrar pbx",
            "nobody answers: 192.0.2.7:5060",
            SILENCE,
        )
    };
    let refused = |cause: &str| Standing::Refused(cause.to_owned());
    let judge = |finding, standings: &[Standing]| {
        let standings: Vec<(&str, Standing)> = standings.iter().map(|standing| ("page", standing.clone())).collect();
        judge_registrar(Probe { finding, is_own: false }, &standings)
    };
    use Standing::{Registered, Unknown, Waits};
    // Nobody was asked: the look from outside is all there is.
    assert_eq!(judge(fine(), &[Unknown]), [fine()]);
    assert_eq!(judge(silent(), &[Unknown]), [silent()]);
    // It answers no stranger, and serves those it knows.
    assert_eq!(judge(fine(), &[Registered]), [fine()]);
    assert_eq!(judge(silent(), &[Registered])[0].verdict, Verdict::Look);
    assert_eq!(judge(silent(), &[Registered, Unknown])[0].verdict, Verdict::Fault);
    assert_eq!(judge(fine(), &[Registered, Waits])[0].verdict, Verdict::Look);
    assert_eq!(judge(silent(), &[Waits]), [silent()]);
    for (cause, todo) in [
        ("user name or password is wrong (401)", "auth_user"),
        ("a password is asked for and none is configured", "`secret`"),
        ("403 Forbidden", "may this user register"),
        ("404 Not Found", "is the account made"),
        ("the registrar granted no time", "log"),
    ] {
        for probe in [fine(), silent()] {
            let findings = judge(probe, &[Registered, refused(cause)]);
            assert_eq!(
                (findings.len(), findings[0].verdict),
                (1, Verdict::Fault),
                "{findings:?}"
            );
            assert_eq!(findings[0].text, format!("extension page is not registered: {cause}"));
            assert!(
                findings[0].todo.contains(todo) && !findings[0].todo.contains("firewall"),
                "{findings:?}"
            );
        }
    }
    for cause in ["the registrar does not answer", "the registrar cannot be reached"] {
        let findings = judge(silent(), &[refused(cause)]);
        assert!(findings[0].text.contains(cause) && findings[0].text.contains("nobody answers"));
        assert_eq!(findings[0].todo, SILENCE);
        let findings = judge(fine(), &[refused(cause)]);
        assert!(
            findings[0].verdict == Verdict::Fault && findings[0].text.contains("yet it answers"),
            "{findings:?}"
        );
    }
    // Two extensions, each with its own cause.
    assert_eq!(
        judge(fine(), &[refused("403 Forbidden"), refused("404 Not Found")]).len(),
        2
    );
    let own = Probe {
        finding: silent(),
        is_own: true,
    };
    assert_eq!(
        judge_registrar(own, &[("page", refused("501 Not Implemented"))]),
        [silent()]
    );
}

/// The plan of a config with these lines in [sip] and elsewhere.
fn plan(sip: &str, rest: &str) -> crate::config::plan::Plan {
    let text = format!(
        "[site]\nname = 'Quayside Timber'\n[cards.usb]\noutput = 'null'\n[zones.yard]\ncard = 'usb'\nchannel = 1\n\
         [sip]\n{sip}\n[extensions.page]\nuser = '850'\nregistrar = 'none'\nzones = ['yard']\n{rest}"
    );
    let loaded = crate::config::check_text(&text, Path::new("quayside.toml"), None);
    loaded.plan.unwrap_or_else(|| panic!("{:?}", loaded.problems))
}

#[test]
fn a_registrar_that_is_the_gateway_itself() {
    let own = ["127.0.0.1", "192.0.2.20", "2001:db8::20"]
        .map(|ip| ip.parse().unwrap())
        .into();
    let is = |sip: &str, transport, peer: &str| {
        let place = Place {
            transport,
            peer: peer.parse().unwrap(),
            rank: 0,
        };
        is_own(&place, &plan(&format!("{sip}\nnetworks = ['192.0.2.0/24']"), ""), &own)
    };
    let everywhere = "listen = ['udp:0.0.0.0:5060']";
    assert!(is(everywhere, Transport::Udp, "192.0.2.20:5060"));
    assert!(
        is(everywhere, Transport::Udp, "127.0.0.9:5060"),
        "all of 127/8 is the machine's"
    );
    assert!(!is(everywhere, Transport::Udp, "192.0.2.20:5070"), "another port");
    assert!(
        !is(everywhere, Transport::Tcp, "192.0.2.20:5060"),
        "nobody listens there"
    );
    assert!(!is(everywhere, Transport::Udp, "192.0.2.7:5060"), "another machine");
    assert!(
        !is(everywhere, Transport::Udp, "[2001:db8::20]:5060"),
        "no IPv6 is listened to"
    );
    let one = "listen = ['udp:192.0.2.20:5060', 'tcp:192.0.2.20:5062']";
    assert!(is(one, Transport::Udp, "192.0.2.20:5060") && is(one, Transport::Tcp, "192.0.2.20:5062"));
    assert!(
        !is(one, Transport::Udp, "127.0.0.1:5060"),
        "a phone system on the same machine"
    );
    let translated = "listen = ['udp:192.0.2.20:5060']\nadvertise = '203.0.113.9'";
    assert!(is(translated, Transport::Udp, "203.0.113.9:5060"));
}

/// By path_resolution(7): of owner, group and others only the first that fits counts.
#[test]
fn files_with_the_eyes_of_the_services_user() {
    let folder = std::env::temp_dir().join(format!("hornwire-access-{}", std::process::id()));
    let site = folder.join("quayside.toml.d");
    fs::create_dir_all(&site).unwrap();
    let (main, own) = (folder.join("quayside.toml"), site.join("site.toml"));
    for file in [&main, &own] {
        fs::write(file, "").unwrap();
    }
    let about = fs::metadata(&main).unwrap();
    let account = |uid: u32, gid: u32| access::Account {
        name: "hornwire".to_owned(),
        uid,
        group: "hornwire".to_owned(),
        gids: [gid].into(),
    };
    let stranger = account(about.uid() + 40_000, about.gid() + 40_000);
    let member = account(about.uid() + 40_000, about.gid());
    let files: Vec<access::Needed> = [&main, &site, &own].map(|path| (path.clone(), false)).into();
    let closed = |path: &Path, mode: u32, account: &access::Account| {
        let before = fs::metadata(path).unwrap().permissions();
        fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
        let barriers = access::barriers(&files, account);
        fs::set_permissions(path, before).unwrap();
        let told = barriers
            .iter()
            .map(|barrier| (barrier.path.clone(), barrier.text(), barrier.todo()));
        told.collect::<Vec<_>>()
    };
    for path in [&folder, &site] {
        fs::set_permissions(path, Permissions::from_mode(0o755)).unwrap();
    }
    for path in [&main, &own] {
        fs::set_permissions(path, Permissions::from_mode(0o644)).unwrap();
        assert_eq!(closed(path, 0o644, &stranger), []);
        let told = closed(path, 0o600, &stranger);
        assert_eq!((told.len(), &told[0].0), (1, path), "{told:?}");
        assert!(
            told[0].1.contains("mode 600") && told[0].1.contains("may not read it"),
            "{told:?}"
        );
        assert!(
            told[0].2.contains("chgrp hornwire") && told[0].2.contains("chmod 640"),
            "{told:?}"
        );
        assert!(told[0].2.contains("chmod 644"), "{told:?}");
        assert_eq!(closed(path, 0o640, &stranger).len(), 1);
        assert_eq!(closed(path, 0o640, &member), []);
        // The group may not, and others may: it is the group that counts.
        assert_eq!(closed(path, 0o604, &member).len(), 1);
    }
    // A folder on the way is told once, whatever lies in it.
    let told = closed(&folder, 0o700, &stranger);
    assert_eq!((told.len(), &told[0].0), (1, &folder), "{told:?}");
    assert!(
        told[0].1.contains("look into") && told[0].2.contains("chmod 750"),
        "{told:?}"
    );
    assert_eq!(closed(&folder, 0o750, &member), []);
    // Its list is wanted too.
    assert_eq!(closed(&site, 0o711, &stranger).len(), 1);
    // A password is not for everybody, and a link leads where it leads.
    let link = folder.join("link");
    std::os::unix::fs::symlink(&own, &link).unwrap();
    fs::set_permissions(&own, Permissions::from_mode(0o600)).unwrap();
    let barriers = access::barriers(&[(link, true)], &stranger);
    assert_eq!(barriers.len(), 1);
    assert!(!barriers[0].todo().contains("644"), "{:?}", barriers[0].todo());
    fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn a_user_as_the_system_knows_it() {
    let root = access::Account::of("root", &["root".to_owned(), "no-such-group".to_owned()]).unwrap();
    assert_eq!((root.uid, root.group.as_str()), (0, "root"));
    assert!(root.gids.contains(&0));
    assert_eq!(access::Account::of("no-such-user", &[]), None);
}

#[test]
fn what_the_gateway_reads() {
    let folder = std::env::temp_dir().join(format!("hornwire-needed-{}", std::process::id()));
    fs::create_dir_all(folder.join("quayside.toml.d")).unwrap();
    let text = "[site]\nname = 'Quayside Timber'\n[cards.usb]\noutput = 'null'\n[zones.yard]\ncard = 'usb'\nchannel = 1\n\
                [extensions.page]\nuser = '850'\nregistrar = 'sip:192.0.2.7'\nsecret = 'page'\nzones = ['yard']\n";
    let needed = |secrets: &str| {
        fs::write(folder.join("quayside.toml"), format!("{text}[secrets]\n{secrets}\n")).unwrap();
        let loaded = config::load_with(&folder.join("quayside.toml"), None).unwrap();
        assert!(loaded.plan.is_some(), "{:?}", loaded.problems);
        let needed = access::needed(&folder.join("quayside.toml"), &loaded);
        let short = |path: &Path| path.strip_prefix(&folder).unwrap().display().to_string();
        needed
            .iter()
            .map(|(path, secret)| (short(path), *secret))
            .collect::<Vec<_>>()
    };
    fs::write(folder.join("secrets.toml"), "page = 'knot-heron-7'\n").unwrap();
    fs::write(folder.join("quayside.toml.d/site.toml"), "").unwrap();
    let always = ["quayside.toml", "quayside.toml.d", "quayside.toml.d/site.toml"].map(|name| (name.to_owned(), false));
    assert_eq!(needed("credential = 'secrets'"), always, "the service manager reads it");
    let with = [always.as_slice(), &[("secrets.toml".to_owned(), true)]].concat();
    assert_eq!(needed("file = 'secrets.toml'"), with);
    fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn the_config_as_this_user_sees_it() {
    let problem = |severity, key: &str, found: &str| Problem {
        severity,
        file: "hornwire.toml".to_owned(),
        place: Some(config::Place { line: 3, column: 1 }),
        key: key.to_owned(),
        found: found.to_owned(),
        wanted: "a word".to_owned(),
        hint: String::new(),
    };
    let closed = || {
        problem(
            Severity::Error,
            "secrets.credential",
            "secrets.toml: no permission to read it",
        )
    };
    let error = || problem(Severity::Error, "zones.yard.lead", "\"no permission to read it\"");
    let warning = || problem(Severity::Warning, "page", "a password that begins with EDIT");
    let says = |problems: Vec<Problem>, is_root| {
        let loaded = Loaded {
            plan: None,
            relays: Vec::new(),
            problems,
            site: Vec::new(),
        };
        config(Path::new("hornwire.toml"), &loaded, is_root)
    };
    assert_eq!(worst(&says(Vec::new(), false)), Verdict::Fine);
    let findings = says(vec![closed()], false);
    assert_eq!(
        (findings.len(), findings[0].verdict),
        (1, Verdict::Unknown),
        "{findings:?}"
    );
    assert!(findings[0].todo.contains("as root"));
    assert_eq!(
        worst(&says(vec![closed()], true)),
        Verdict::Fault,
        "root may not either"
    );
    let findings = says(vec![closed(), error()], false);
    assert!(
        findings[0].verdict == Verdict::Fault && findings[0].text.starts_with("1 error:"),
        "{findings:?}"
    );
    let findings = says(vec![warning()], true);
    assert_eq!((findings.len(), findings[0].verdict), (1, Verdict::Look));
    assert_eq!(
        findings[0].text,
        "hornwire.toml:3: page: a password that begins with EDIT"
    );
    let findings = says(vec![warning(); 8], true);
    assert_eq!(
        (findings.len(), findings[5].text.as_str()),
        (6, "3 warnings more"),
        "{findings:?}"
    );
}

#[test]
fn an_address_that_another_program_has() {
    let (udp, tcp) = (
        UdpSocket::bind("127.0.0.1:0").unwrap(),
        TcpListener::bind("127.0.0.1:0").unwrap(),
    );
    let (udp_at, tcp_at) = (udp.local_addr().unwrap(), tcp.local_addr().unwrap());
    let plan = plan(
        &format!("listen = ['udp:{udp_at}', 'tcp:{tcp_at}', 'udp:192.0.2.20:0']\nnetworks = ['127.0.0.0/8']")
            .replace(":0'", ":5999'"),
        &format!("[metrics]\nlisten = '{tcp_at}'\n"),
    );
    let taken = sockets::free(&plan, &Service::read(""));
    assert_eq!(taken.len(), 4, "{taken:?}");
    for (finding, address) in taken
        .iter()
        .zip([udp_at, tcp_at, SocketAddr::from(([192, 0, 2, 20], 5999)), tcp_at])
    {
        assert!(finding.subject.contains(&address.to_string()), "{finding:?}");
        if address.ip().is_loopback() {
            assert_eq!(finding.verdict, Verdict::Fault);
            assert!(finding.todo.contains("ss -lntup") && finding.todo.contains(&format!(":{} ", address.port())));
        } else {
            assert_eq!(
                finding.verdict,
                Verdict::Look,
                "TEST-NET-1 (RFC 5737) is no machine's: {finding:?}"
            );
        }
    }
    drop((udp, tcp));
    let freed = sockets::free(&plan, &Service::read(""));
    let fine = freed.iter().filter(|finding| finding.verdict == Verdict::Fine).count();
    assert_eq!(fine, 3, "{freed:?}");
    let port = SocketAddr::from(([127, 0, 0, 1], 80));
    let forbidden = sockets::judge("x", port, Err(Error::from(ErrorKind::PermissionDenied)), true);
    assert_eq!(forbidden.verdict, Verdict::Unknown);
}

/// The form is that of `hornwire status --json`.
#[test]
fn what_the_running_gateway_misses() {
    let plan = plan("networks = ['192.0.2.0/24']", "[metrics]\nlisten = '127.0.0.1:9745'\n");
    let service = Service::read("LoadState=loaded\nActiveState=active\n");
    let status = |missing: &[&str], is_served: bool| {
        Status::of(&json!({ "missing": missing, "metrics": { "address": "127.0.0.1:9745", "is_served": is_served } }))
    };
    let told = |status: &Status, others: &[Finding]| sockets::told(&plan, &service, Some(status), others);
    assert_eq!(worst(&told(&status(&[], true), &[])), Verdict::Fine);
    let findings = told(&status(&[], false), &[]);
    assert_eq!(
        (findings.len(), findings[0].verdict),
        (1, Verdict::Look),
        "{findings:?}"
    );
    assert!(findings[0].subject.contains("127.0.0.1:9745") && findings[0].todo.contains("ss -lntup"));
    assert_eq!(worst(&told(&Status::default(), &[])), Verdict::Look, "an older config");
    let missing = [
        "registration of extension page",
        "sound card usb",
        "listening address 192.0.2.20",
    ];
    let findings = told(&status(&missing, true), &[]);
    let faults: Vec<&str> = findings
        .iter()
        .filter(|f| f.verdict == Verdict::Fault)
        .map(|f| f.subject.as_str())
        .collect();
    assert_eq!(faults, ["sound card usb", "listening address 192.0.2.20"]);
    let known = Finding::new(Verdict::Fault, "sound card usb", "no such device", "");
    assert_eq!(told(&status(&["sound card usb"], true), &[known]).len(), 1, "told once");
    assert_eq!(worst(&sockets::told(&plan, &service, None, &[])), Verdict::Unknown);
    let by_hand = sockets::told(
        &plan,
        &Service::read("LoadState=loaded\nActiveState=inactive\n"),
        Some(&status(&[], true)),
        &[],
    );
    assert_eq!(by_hand[0].verdict, Verdict::Look, "{by_hand:?}");
    assert_eq!(sockets::told(&plan, &Service::read(""), None, &[]), []);
}
