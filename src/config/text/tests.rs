use super::*;

fn ms(n: u64) -> Duration {
    Duration::from_millis(n)
}

#[test]
fn durations() {
    for (text, wanted) in [
        ("300 ms", ms(300)),
        ("300ms", ms(300)),
        ("0.3 s", ms(300)),
        ("1.5 s", ms(1500)),
        ("2 min", ms(120_000)),
        ("0.5 min", ms(30_000)),
        ("1 h", ms(3_600_000)),
        ("0 s", ms(0)),
        ("  10 ms ", ms(10)),
        ("2.5 ms", Duration::from_micros(2500)),
    ] {
        assert_eq!(duration(text), Ok(wanted), "{text}");
    }
    for text in [
        "",
        "300",
        "ms",
        "-1 s",
        "+1 s",
        "1e3 ms",
        "1 s 300 ms",
        "1:30 min",
        "inf s",
        "NaN s",
        ".5 s",
        "5. s",
        "1.2.3 s",
        "1,5 s",
        "٣ s",
        "99999999999999999999 h",
        "1 fortnight",
        "1 m",
        "1 S",
    ] {
        assert!(duration(text).is_err(), "{text}");
    }
    // The largest number that is taken does not overflow.
    assert!(duration("999999999 h").is_ok());
}

#[test]
fn durations_are_shown_as_they_may_be_written() {
    for text in [
        "300 ms", "2.5 ms", "1 s", "1.5 s", "90 s", "2 min", "1 h", "36 h", "0 s",
    ] {
        let d = duration(text).unwrap();
        assert_eq!(duration(&show_duration(d)), Ok(d), "{text}");
    }
    assert_eq!(show_duration(ms(90_000)), "90 s");
    assert_eq!(show_duration(ms(120_000)), "2 min");
    assert_eq!(show_duration(ms(3_600_000)), "1 h");
    assert_eq!(show_duration(ms(2_200)), "2.2 s");
}

#[test]
fn a_missing_unit_is_asked_for() {
    assert_eq!(
        duration("300"),
        Err(Hint("write the unit: \"300 ms\" or \"300 s\"".to_owned()))
    );
    assert_eq!(decibels("-6", "dB"), Err(Hint("write the unit: \"-6 dB\"".to_owned())));
    assert_eq!(
        decibels("-6 db", "dB"),
        Err(Hint("write the unit as dB: \"-6 dB\"".to_owned()))
    );
}

#[test]
fn decibel_values() {
    for (text, wanted) in [
        ("-6 dB", -6.0),
        ("−6 dB", -6.0),
        ("+3 dB", 3.0),
        ("0 dB", 0.0),
        ("-1.5dB", -1.5),
    ] {
        assert_eq!(decibels(text, "dB"), Ok(wanted), "{text}");
    }
    assert_eq!(decibels("-3 dBFS", "dBFS"), Ok(-3.0));
    for text in ["-6 dBFS", "--6 dB", "-6", "dB", "inf dB", "6 dB dB", ""] {
        assert!(decibels(text, "dB").is_err(), "{text}");
    }
    assert!(decibels("-3 dB", "dBFS").is_err());
}

/// 0 dBu = 0.7746 V, +4 dBu = 1.2277 V (computed: 1 mW in 600 ohm).
#[test]
fn levels_on_the_line() {
    for (text, wanted) in [
        ("+4 dBm", 4.0),
        ("-10.5 dBu", -10.5),
        ("1.2277 V", 4.0),
        ("774.6 mV", 0.0),
        (" 0.7746V", 0.0),
    ] {
        let Ok(Dbm(level)) = line_level(text) else {
            panic!("{text}")
        };
        assert!((level - wanted).abs() < 0.01, "{text}: {level}");
    }
    for text in [
        "0.78", "-1 V", "0 V", "V", "4 dBV", "4 dbm", "-3 dBFS", "3 W", "1e3 V", "", "−0.7 V",
    ] {
        assert!(line_level(text).is_err(), "{text}");
    }
}

#[test]
fn outputs() {
    assert_eq!(output("null"), Ok(AudioDevice::Null));
    assert_eq!(
        output("alsa:hw:CARD=Device,DEV=0"),
        Ok(AudioDevice::Alsa("hw:CARD=Device,DEV=0".to_owned()))
    );
    assert_eq!(
        output("wav:/srv/yard.wav"),
        Ok(AudioDevice::Wav(PathBuf::from("/srv/yard.wav")))
    );
    for text in [
        "",
        "alsa:",
        "alsa",
        "alsa:a b",
        "wav:yard.wav",
        "wav:",
        "wav:/srv/",
        "/srv/yard.wav",
        "hw:0",
        "Null",
    ] {
        assert!(output(text).is_err(), "{text}");
    }
}

#[test]
fn lines() {
    let gpio = |chip: &str, offset| RelayLine::Gpio {
        chip: chip.to_owned(),
        offset,
    };
    assert_eq!(line("gpiochip0:17"), Ok(gpio("gpiochip0", 17)));
    assert_eq!(line("/dev/gpiochip4:0"), Ok(gpio("/dev/gpiochip4", 0)));
    assert_eq!(line("/dev/relay-board:3"), Ok(gpio("/dev/relay-board", 3)));
    assert_eq!(line("pi:0"), Ok(RelayLine::Pi { bcm: 0 }));
    assert_eq!(line("pi:27"), Ok(RelayLine::Pi { bcm: 27 }));
    assert_eq!(line("simulated"), Ok(RelayLine::Simulated));
    for text in [
        "",
        "17",
        "gpiochip0",
        "gpiochip0:",
        "gpiochip:17",
        "gpiochip0:-1",
        "gpiochip0:+1",
        "gpiochip0:17 ",
        "pi:28",
        "pi:",
        "/dev/:1",
        "/etc/passwd:1",
        "chip0:1",
        "gpiochip0:99999999999",
        "gpiochip../x:1",
        "simulated:1",
    ] {
        assert!(line(text).is_err(), "{text}");
    }
}

#[test]
fn sockets_to_listen_on() {
    let at = |a: &str| a.parse::<SocketAddr>().unwrap();
    assert_eq!(listen("udp:0.0.0.0:5060"), Ok((Transport::Udp, at("0.0.0.0:5060"))));
    assert_eq!(listen("tcp:[::]:5060"), Ok((Transport::Tcp, at("[::]:5060"))));
    assert_eq!(
        listen("udp:[::ffff:192.0.2.1]:5060"),
        Ok((Transport::Udp, at("192.0.2.1:5060")))
    );
    assert_eq!(listen("tls:0.0.0.0:5061"), Ok((Transport::Tls, at("0.0.0.0:5061"))));
    for text in [
        "",
        "5060",
        "0.0.0.0:5060",
        "udp:0.0.0.0",
        "udp:::5060",
        "udp:[::]",
        "udp:0.0.0.0:0",
        "udp:0.0.0.0:65536",
        "UDP:0.0.0.0:5060",
        "tls:0.0.0.0",
        "wss:0.0.0.0:5061",
        "udp:224.0.1.75:5060",
        "udp:255.255.255.255:5060",
        "udp:pbx:5060",
    ] {
        assert!(listen(text).is_err(), "{text}");
    }
}

#[test]
fn port_ranges() {
    assert_eq!(ports("16384-16484"), Ok((16384, 16484)));
    assert_eq!(ports("1024 - 1031"), Ok((1024, 1031)));
    for text in [
        "",
        "16384",
        "16384-",
        "-16384",
        "16385-16484",
        "16484-16384",
        "16384-16390",
        "1022-2000",
        "16384-70000",
        "65534-65535",
    ] {
        assert!(ports(text).is_err(), "{text}");
    }
}

/// RFC 3261 §19.1.1 (form of a SIP URI, port 5060 unless said), RFC 5118 §4.1 (IPv6 in brackets).
#[test]
fn registrars() {
    let of = |host: &str, port, transport| {
        Ok(Registrar {
            hop: Hop {
                host: host.to_owned(),
                port,
                transport,
                secure: false,
            },
            proxies: Vec::new(),
        })
    };
    assert_eq!(
        registrar("sip:pbx.quayside.example"),
        of("pbx.quayside.example", None, None)
    );
    assert_eq!(
        registrar("SIP:PBX.Quayside.example:5070"),
        of("pbx.quayside.example", Some(5070), None)
    );
    assert_eq!(
        registrar("sip:192.0.2.5;transport=tcp"),
        of("192.0.2.5", None, Some(Transport::Tcp))
    );
    assert_eq!(
        registrar("sip:192.0.2.5:5062;transport=UDP"),
        of("192.0.2.5", Some(5062), Some(Transport::Udp))
    );
    assert_eq!(
        registrar("sip:[2001:DB8::7]:5060;transport=tcp"),
        of("2001:db8::7", Some(5060), Some(Transport::Tcp))
    );
    assert_eq!(registrar("sip:pbx"), of("pbx", None, None));
    assert_eq!(
        registrar("sip:pbx;transport=tls"),
        of("pbx", None, Some(Transport::Tls))
    );
    // RFC 3261 §19.1.2, §26.2.2: sips is TLS.
    for (text, transport) in [
        ("sips:pbx.quayside.example:5071", None),
        ("SIPS:pbx.quayside.example:5071;transport=tcp", Some(Transport::Tls)),
        ("sips:pbx.quayside.example:5071;transport=tls", Some(Transport::Tls)),
    ] {
        let hop = registrar(text).unwrap().hop;
        assert!(hop.secure && hop.is_encrypted(), "{text}");
        assert_eq!((hop.port, hop.transport), (Some(5071), transport), "{text}");
        assert_eq!(hop.plain_transport(), Transport::Tls);
    }
    for text in [
        "",
        "sip:",
        "pbx.quayside.example",
        "sips:pbx.quayside.example;transport=udp",
        "sips:",
        "tel:850",
        "sip:850@pbx.quayside.example",
        "sip:850:pw@pbx",
        "sip:2001:db8::7",
        "sip:[2001:db8::7",
        "sip:[::g]",
        "sip:[::1]x",
        "sip:pbx:",
        "sip:pbx:0",
        "sip:pbx:+5060",
        "sip:pbx:70000",
        "sip:pbx;transport=wss",
        "sip:pbx;lr",
        "sip:pbx;",
        "sip:-pbx",
        "sip:p bx",
        "sip:pbx..example",
        "sip:192.0.2.300",
        "sip:pbx?subject=x",
        "sip:täfel",
        "sip:pbx\r\nX: y",
    ] {
        assert!(registrar(text).is_err(), "{text}");
    }
}

/// RFC 3261 §25.1, user.
#[test]
fn users() {
    for text in [
        "850",
        "yard-page",
        "*72",
        "+441632960850",
        "a.b_c!~'()",
        "x%20y",
        "a&b=c+d$e,f;g?h/i",
    ] {
        assert_eq!(user(text), Ok(text.to_owned()));
    }
    for text in [
        "", "8 50", "850@pbx", "850:pw", "#9", "x%2", "x%zz", "täfel", "a\"b", "a<b>", "850\r\n",
    ] {
        assert!(user(text).is_err(), "{text}");
    }
    assert!(user(&"8".repeat(129)).is_err());
}

/// RFC 5771 §4 (224.0.0.0/24), RFC 4607 (232.0.0.0/8, ff3x::/32), RFC 4291 §2.7 (scopes), RFC 6676 (examples).
#[test]
fn multicast_addresses() {
    for text in [
        "239.255.10.1:5004",
        "224.0.1.75:5004",
        "233.252.0.1:1024",
        "239.255.255.255:65535",
        "[ff15::db8:1]:5004",
        "[ff0e::db8:0:1]:5004",
        "[ff12::1]:5004",
    ] {
        assert_eq!(multicast(text), Ok(text.parse().unwrap()), "{text}");
    }
    for text in [
        "",
        "239.255.10.1",
        "239.255.10.1:0",
        "239.255.10.1:80",
        "192.0.2.1:5004",
        "240.0.0.1:5004",
        "224.0.0.251:5353",
        "232.1.2.3:5004",
        "ff15::1",
        "ff15::1:5004",
        "[2001:db8::1]:5004",
        "[ff02::1]:5004",
        "[ff35::1]:5004",
        "255.255.255.255:5004",
        "pages.quayside.example:5004",
    ] {
        assert!(multicast(text).is_err(), "{text}");
    }
}

#[test]
fn networks() {
    for text in [
        "192.0.2.0/24",
        "192.0.2.7",
        "10.0.0.0/8",
        "2001:db8::/32",
        "fc00::/7",
        "::1",
    ] {
        assert!(network(text).is_ok(), "{text}");
        assert_eq!(host_bits(text), None, "{text}");
    }
    for text in [
        "",
        "0.0.0.0/0",
        "0.0.0.0/1",
        "::/0",
        "2000::/3",
        "192.0.2.0/33",
        "192.0.2",
        "gateway",
        "192.0.2.0/-1",
        "0.0.0.0/00",
    ] {
        assert!(network(text).is_err(), "{text}");
    }
    assert_eq!(host_bits("192.0.2.7/24").as_deref(), Some("192.0.2.0/24"));
    assert_eq!(host_bits("198.51.100.20/28").as_deref(), Some("198.51.100.16/28"));
    assert_eq!(host_bits("2001:db8::7/64").as_deref(), Some("2001:db8::/64"));
    assert_eq!(host_bits("192.0.2.7/32"), None);
}

#[test]
fn interfaces() {
    for text in [
        "eth0",
        "wlan0",
        "br-lan",
        "eth0.20",
        "192.0.2.7",
        "2001:db8::7",
        "127.0.0.1",
    ] {
        assert_eq!(interface(text).as_deref(), Ok(text));
    }
    for text in [
        "",
        "eth 0",
        "eth0:1",
        "a/b",
        "..",
        "sixteen-chars-xx",
        "0.0.0.0",
        "::",
        "239.255.10.1",
    ] {
        assert!(interface(text).is_err(), "{text}");
    }
}

#[test]
fn names() {
    for text in ["yard", "Yard-2", "a_b", "9", &"x".repeat(32)] {
        assert!(name(text), "{text}");
    }
    for text in ["", "-yard", "_x", "two words", "a.b", "täfel", &"x".repeat(33)] {
        assert!(!name(text), "{text}");
    }
}

proptest::proptest! {
    /// No text makes a reader panic, and what is taken is in range.
    #[test]
    fn any_text(text in "\\PC*|[0-9a-z:.\\[\\]/;=@% -]{0,40}") {
        let _ = (duration(&text), decibels(&text, "dB"), output(&text), line(&text), user(&text));
        let _ = (interface(&text), name(&text), advertise(&text), host_bits(&text));
        if let Ok((_, a)) = listen(&text) {
            assert_ne!(a.port(), 0);
        }
        if let Ok((first, last)) = ports(&text) {
            assert!(first % 2 == 0 && first < last);
        }
        if let Ok(r) = registrar(&text) {
            let hop = r.hop;
            assert!(hop.port != Some(0) && !hop.host.is_empty() && hop.host.is_ascii());
        }
        if let Ok(a) = multicast(&text) {
            assert!(a.ip().is_multicast());
        }
        let _ = network(&text);
    }
}
