//! RFC 4028's own tables and figures.
#![allow(clippy::disallowed_methods)]

use super::*;
use crate::sip::wire::Carrier;

fn asked(headers: &str) -> Result<Asked, Fault> {
    let text = format!("INVITE sip:600@192.0.2.50 SIP/2.0\r\n{headers}\r\n");
    Asked::read(&Message::read(text.as_bytes(), Carrier::Datagram).unwrap())
}

/// RFC 4028 §4, §5: parameters, the compact form, defaults.
#[test]
fn headers_are_read() {
    assert_eq!(
        asked("Supported: 100rel, Timer\r\nx: 4000 ; Refresher=UAC;x=y\r\nMin-SE: 120;z\r\n"),
        Ok(Asked {
            interval: Some(4000),
            refresher: Some(Refresher::Uac),
            min_se: 120,
            supported: true
        })
    );
    assert_eq!(
        asked("Session-Expires: 1800;refresher=who\r\n"),
        Ok(Asked {
            interval: Some(1800),
            refresher: None,
            min_se: 90,
            supported: false
        })
    );
    assert!(asked("Require: timer\r\n").unwrap().supported);
    for bad in [
        "Session-Expires: soon\r\n",
        "Session-Expires:\r\n",
        "Session-Expires: -1\r\n",
        "Session-Expires: 99999999999\r\n",
        "Session-Expires: 90\r\nx: 1800\r\n",
        "Min-SE: 1.5\r\n",
    ] {
        assert_eq!(asked(bad).map_err(|f| f.status), Err(400), "{bad}");
    }
}

/// RFC 4028 Table 2, and `Require: timer` of §9.
#[test]
fn who_refreshes() {
    use Refresher::{Uac, Uas};
    for (supported, asked_for, keeps, refresher, require) in [
        (false, None, None, Uas, false),
        (false, None, Some(Uac), Uas, false),
        (true, Some(Uac), None, Uac, true),
        (true, Some(Uac), Some(Uas), Uac, true),
        (true, Some(Uas), Some(Uac), Uas, true),
        (true, None, None, Uas, true),
        (true, None, Some(Uac), Uac, true),
    ] {
        let asked = Asked {
            interval: Some(1800),
            refresher: asked_for,
            min_se: 90,
            supported,
        };
        let granted = grant(&asked, keeps).unwrap();
        assert_eq!((granted.refresher, granted.require), (refresher, require), "{asked:?}");
    }
}

/// RFC 4028 §9: never below Min-SE or 90, never above what was asked for unless Min-SE says so.
#[test]
fn intervals() {
    let granted = |interval, min_se, supported| {
        let asked = Asked {
            interval,
            refresher: None,
            min_se,
            supported,
        };
        grant(&asked, None).map(|g| g.interval)
    };
    assert_eq!(granted(Some(90), 90, true), Ok(90));
    assert_eq!(granted(Some(89), 90, true), Err(TooShort));
    assert_eq!(granted(Some(0), 90, true), Err(TooShort));
    assert_eq!(granted(Some(60), 90, false), Ok(90), "who does not know 422 gets none");
    assert_eq!(granted(None, 90, true), Ok(1800));
    assert_eq!(granted(None, 3600, true), Ok(3600));
    assert_eq!(granted(Some(4000), 90, true), Ok(4000));
    assert_eq!(granted(Some(100), 300, true), Ok(300));
    assert_eq!(granted(Some(u32::MAX), 90, true), Ok(86_400));
    assert_eq!(granted(None, 90_000, true), Ok(90_000), "Min-SE is the least");
    assert_eq!(granted(Some(90), u32::MAX, true), Ok(u32::MAX));
    assert_eq!(granted(Some(200_000), 86_401, true), Ok(86_401));
    assert_eq!(granted(Some(1800), 100_000, false), Ok(100_000), "asked by a proxy");
}

/// RFC 4028 §10: half the interval; min(32 s, a third) before the end. Worked from the formula.
#[test]
fn moments() {
    let now = Instant::now();
    for (interval, refresh, end) in [
        (90, 45, 60),
        (96, 48, 64),
        (120, 60, 88),
        (1800, 900, 1768),
        (3600, 1800, 3568),
        (u32::MAX, 2_147_483_647, 4_294_967_263),
    ] {
        let ours = Session::new(interval, true, now);
        assert_eq!(ours.refresh_at().map(|at| (at - now).as_secs()), Some(refresh));
        assert_eq!(ours.end_at(), now + Duration::from_secs(end));
        let theirs = Session::new(interval, false, now);
        assert_eq!(theirs.refresh_at(), None);
        assert_eq!(theirs.end_at(), now + Duration::from_secs(end));
    }
}

/// RFC 4028 §7.2: what a 2xx to our refresh makes of the session.
#[test]
fn answers_to_our_refresh() {
    let now = Instant::now();
    let session = |headers: &str| {
        let session = Session::refreshed(&asked(headers).unwrap(), 1800, now);
        (session.interval(), session.we_refresh())
    };
    assert_eq!(session("Session-Expires: 600;refresher=uac\r\n"), (600, true));
    assert_eq!(session("Session-Expires: 600;refresher=uas\r\n"), (600, false));
    assert_eq!(session("Session-Expires: 600\r\n"), (600, true));
    assert_eq!(session("Session-Expires: 5;refresher=uas\r\n"), (90, false));
    assert_eq!(session("Session-Expires: 100000;refresher=uas\r\n"), (100_000, false));
    assert_eq!(session("Supported: timer\r\n"), (1800, true), "it does not know timers");
}
