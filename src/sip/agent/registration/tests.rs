use std::net::SocketAddr;
use std::time::Duration;

use super::request::{uri_host, uri_user};
use super::timing::{back_off, refresh_after};
use super::*;
use crate::sip::agent::Transport;

/// RFC 5626 App. A, in seconds: all flows down, and another one up.
#[test]
fn back_off_table() {
    let all_down = [
        (30, 60),
        (60, 120),
        (120, 240),
        (240, 480),
        (480, 960),
        (900, 1800),
        (900, 1800),
    ];
    let other_up = [
        (90, 180),
        (180, 360),
        (360, 720),
        (720, 1440),
        (900, 1800),
        (900, 1800),
        (900, 1800),
    ];
    for (others_up, table) in [(false, all_down), (true, other_up)] {
        for (failures, (low, high)) in (1u32..).zip(table) {
            assert_eq!(back_off(others_up, failures, 0.0), Duration::from_secs(low));
            assert_eq!(back_off(others_up, failures, 1.0), Duration::from_secs(high));
        }
        assert_eq!(back_off(others_up, u32::MAX, 1.0), Duration::from_secs(1800));
    }
}

/// RFC 5626 §4.4: 80 to 100 % of Flow-Timer, so that 120 gives the default of TCP (§4.4.1).
#[test]
fn keep_alive_periods() {
    let seconds = |n| Duration::from_secs(n);
    assert_eq!(timing::flow_timer(120), seconds(96)..=seconds(120));
    assert_eq!(*timing::STREAM_PERIOD.start(), seconds(95));
    assert_eq!(*timing::flow_timer(0).end(), seconds(10));
    assert_eq!(*timing::flow_timer(u32::MAX).end(), seconds(86_400));
    for (random, at) in [(0.0, 24.0), (0.5, 26.5), (1.0, 29.0)] {
        assert_eq!(
            timing::within(&timing::STUN_PERIOD, random),
            Duration::from_secs_f64(at)
        );
    }
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
