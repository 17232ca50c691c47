use std::time::Duration;

use super::*;

/// RFC 5626 App. A: 30–60 s, 1–2, 2–4, 4–8, 8–16, 15–30, then 15–30 minutes for ever.
#[test]
fn back_off_table() {
    let table = [
        (30, 60),
        (60, 120),
        (120, 240),
        (240, 480),
        (480, 960),
        (900, 1800),
        (900, 1800),
    ];
    for (failures, (low, high)) in (1u32..).zip(table) {
        assert_eq!(back_off(failures, 0.0), Duration::from_secs(low));
        assert_eq!(back_off(failures, 1.0), Duration::from_secs(high));
    }
    assert_eq!(back_off(u32::MAX, 1.0), Duration::from_secs(1800));
}

#[test]
fn refresh_well_before_the_end() {
    for seconds in [1u64, 2, 10, 60, 300, 600, 3600, 86_400] {
        let expires = Duration::from_secs(seconds);
        for random in [0.0, 0.5, 1.0] {
            let at = refresh_after(expires, random);
            assert!(at >= Duration::from_secs(1));
            if seconds >= 10 {
                // Two rounds of 64·T1 fit before the end where the binding is long enough at all.
                assert!(
                    expires - at >= (expires / 2).min(Duration::from_secs(64)),
                    "{seconds}: {at:?}"
                );
            }
        }
    }
}

#[test]
fn users_and_hosts_in_uris() {
    assert_eq!(uri_user("600"), "600");
    assert_eq!(uri_user("yard gate@#é"), "yard%20gate%40%23%C3%A9");
    assert_eq!(uri_host("2001:db8::1"), "[2001:db8::1]");
    assert_eq!(uri_host("[2001:db8::1]"), "[2001:db8::1]");
    assert_eq!(uri_host("pbx.quayside.example"), "pbx.quayside.example");
    let local: SocketAddr = "[2001:db8::5]:5060".parse().unwrap();
    assert_eq!(
        contact_uri("600", local, Transport::Tcp),
        "sip:600@[2001:db8::5]:5060;transport=tcp"
    );
    let scoped = std::net::SocketAddrV6::new("fe80::5".parse().unwrap(), 5060, 0, 3).into();
    assert_eq!(contact_uri("600", scoped, Transport::Udp), "sip:600@[fe80::5]:5060");
}
