//! Call flows that phone systems and other callers bring along: SIPp's own scenario and its load, forks, cancels that
//! cross the answer, forged requests, requests that a paging extension has no use for.

use std::process::Command;

use crate::lab::daemon::Daemon;
use crate::lab::dialog::{Dialog, audio_port, status};
use crate::lab::kamailio::Wish;
use crate::lab::packets::{Dice, listen, rtp, socket};
use crate::lab::process::Process;
use crate::lab::speech::Speech;
use crate::lab::yard::{Setup, Yard};
use crate::lab::{CALLER, free_port, pause, seconds};

/// A yard that takes calls straight from CALLER too.
fn open_yard(name: &str) -> (Yard, Speech) {
    let setup = Setup::new(name).site(|site, _| site.network(CALLER));
    let speech = Speech::short(setup.lab());
    (setup.start(), speech)
}

/// SIPp's built-in caller, `-sn uac`: written by its authors, without regard to this daemon.
fn built_in(yard: &Yard, calls: u32, rate: u32) -> Process {
    Process::start(
        "sipp -sn uac",
        Command::new("sipp")
            .args([&yard.daemon.address(), "-sn", "uac", "-s", "850", "-nostdin"])
            .args(["-i", CALLER, "-p", &free_port().to_string()])
            .args(["-m", &calls.to_string(), "-r", &rate.to_string(), "-l", "1"])
            .args(["-timeout", "60s", "-timeout_error"])
            .env("TERM", "dumb")
            .current_dir(yard.lab.dir()),
    )
}

fn descriptors(daemon: &Daemon) -> usize {
    std::fs::read_dir(format!("/proc/{}/fd", daemon.process.pid()))
        .expect("the daemon runs")
        .count()
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn calls_at_a_rate_are_all_answered_and_leave_nothing_behind() {
    const CALLS: u32 = 180;
    let (mut yard, _) = open_yard("flows-load");
    // 15 a second stay below what one address may begin (20 a second, `daemon::pace`).
    built_in(&yard, 20, 15).wait_end(seconds(20.0));
    yard.daemon.wait_records(20, 10.0);
    yard.daemon.wait_rest(5.0);
    let (memory, before) = (yard.daemon.resident(), descriptors(&yard.daemon));
    let status = built_in(&yard, CALLS, 15).wait_end(seconds(60.0));
    assert!(status.success(), "sipp: {status}\n{}", yard.daemon.process.text());
    yard.daemon.wait_records(CALLS as usize + 20, 10.0);
    yard.daemon.wait_rest(5.0);
    assert!(
        yard.daemon.resident() < memory + 4 * 1024 * 1024,
        "resident memory grew from {memory} to {} octets",
        yard.daemon.resident()
    );
    assert!(
        descriptors(&yard.daemon) <= before,
        "{before} descriptors before, {} after",
        descriptors(&yard.daemon)
    );
    let odd: Vec<_> = yard.reasons().into_iter().filter(|r| r != "hung-up").collect();
    assert!(odd.is_empty(), "{odd:?}");
    yard.daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_call_that_a_proxy_forks_to_us_twice_is_one_page() {
    // RFC 3261 §8.2.2.2: the second leg of a fork is answered 482; the caller gets the first leg's 200.
    let setup = Setup::new("flows-fork").wish(Wish {
        fork: true,
        ..Wish::default()
    });
    let speech = Speech::short(setup.lab());
    let mut yard = setup.start();
    yard.whole_call(&speech.mulaw, 1500);
    yard.finish(1);
    let log = yard.kamailio.log();
    assert!(log.count(&["reply 482", "to INVITE"]) >= 1, "{}", log.text());
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn a_cancel_ends_a_call_wherever_it_meets_the_answer() {
    // RFC 3261 §9.2: a CANCEL that comes before the answer makes it 487; one that comes after changes nothing, and the
    // caller hangs up with BYE instead. Every fourth caller requires reliable answers and gives no PRACK, so that its 200
    // is held back (RFC 3262 §3) and the CANCEL surely comes before it.
    let (mut yard, _) = open_yard("flows-cancel");
    let mut dice = Dice(0x00CA_9CE1);
    let mut pages = 0;
    // A page may still be leaving the loudspeakers.
    let mut busy = false;
    for n in 0..40 {
        let mut call = Dialog::new(CALLER, &yard.daemon.address(), "850", &format!("cancel{n}"));
        let early = n % 4 == 3;
        let mut invite = call.invite(1, 9);
        if early {
            yard.daemon.wait_rest(5.0);
            busy = false;
            invite = invite.replace("Content-Type:", "Require: 100rel\r\nContent-Type:");
        }
        call.send(&invite);
        std::thread::sleep(std::time::Duration::from_micros(dice.below(3000) as u64));
        call.send(&call.request("CANCEL", 1, "", ""));
        let answer = call.answer("1 INVITE", seconds(5.0)).expect("an answer to INVITE");
        match status(&answer) {
            200 if !early => {
                pages += 1;
                busy = true;
                call.send(&call.request("ACK", 1, "", ""));
                call.send(&call.request("BYE", 2, "", ""));
                assert_eq!(call.status("2 BYE", seconds(5.0)), 200, "call {n}");
            }
            487 => {
                let ack = call.request("ACK", 1, "", "").replace("ACK1;", "INVITE1;");
                call.send(&ack);
            }
            486 if busy => {
                let ack = call.request("ACK", 1, "", "").replace("ACK1;", "INVITE1;");
                call.send(&ack);
            }
            other => panic!("call {n}: {other}"),
        }
    }
    println!("{pages} of 40 calls were answered before their CANCEL came");
    yard.daemon.wait_rest(5.0);
    // Nothing is left over: the next call is a page.
    let mut call = Dialog::new(CALLER, &yard.daemon.address(), "850", "after");
    call.send(&call.invite(1, 9));
    assert_eq!(call.status("1 INVITE", seconds(5.0)), 200);
    call.send(&call.request("ACK", 1, "", ""));
    // A CANCEL for a call that was answered and acknowledged does not end it. Its INVITE's transaction is still there
    // (RFC 6026 §7.1), so it is answered 200 (RFC 3261 §9.2), and the page goes on.
    call.send(&call.request("CANCEL", 1, "", ""));
    assert_eq!(call.status("1 CANCEL", seconds(5.0)), 200);
    yard.daemon.wait_relay("yard-trigger", true, 5.0);
    call.send(&call.request("BYE", 2, "", ""));
    assert_eq!(call.status("2 BYE", seconds(5.0)), 200);
    yard.daemon.wait_rest(5.0);
    yard.daemon.stop(10.0);
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn forged_farewells_leave_a_page_alone() {
    let (mut yard, speech) = open_yard("flows-forged");
    let address = yard.daemon.address();
    let media = socket(CALLER);
    let mut call = Dialog::new(CALLER, &address, "850", "true");
    call.send(&call.invite(1, media.local_addr().unwrap().port()));
    let answer = call.answer("1 INVITE", seconds(5.0)).expect("an answer");
    assert_eq!(status(&answer), 200, "{answer}");
    call.send(&call.request("ACK", 1, "", ""));
    let to: std::net::SocketAddr = format!("127.0.0.1:{}", audio_port(&answer)).parse().unwrap();
    let voice = std::fs::read(&speech.mulaw).expect("speech");
    let packets: Vec<&[u8]> = voice.chunks_exact(160).take(125).collect();
    let start = std::time::Instant::now();
    let stranger = socket("127.0.0.9");
    let forged = Dialog::new("127.0.0.1", &address, "850", "guess");
    for (n, packet) in packets.iter().enumerate() {
        let due = start + std::time::Duration::from_millis(20) * n as u32;
        std::thread::sleep(due.saturating_duration_since(std::time::Instant::now()));
        let octets = rtp(0, n == 0, n as u16, n as u32 * 160, 0x5EED, packet);
        media.send_to(&octets, to).expect("a packet");
        match n {
            // A stranger who knows every tag.
            30 => drop(stranger.send_to(call.request("BYE", 2, "", "").as_bytes(), &address)),
            40 => drop(stranger.send_to(call.request("CANCEL", 1, "", "").as_bytes(), &address)),
            // From the caller's own address, without the tags: no such dialog (481, RFC 3261 §12.2.2).
            60 => {
                let without = call.request("BYE", 2, "", "").replace(&call.to_tag, ";tag=guessed");
                forged.send(&without);
                call.send(&without);
            }
            _ => {}
        }
    }
    let answered = listen(&stranger, seconds(0.3));
    assert!(answered.is_empty(), "a stranger was answered");
    assert_eq!(call.status("2 BYE", seconds(2.0)), 481);
    call.send(&call.request("BYE", 3, "", ""));
    assert_eq!(call.status("3 BYE", seconds(5.0)), 200);
    yard.finish(1);
    let records = yard.daemon.records();
    assert_eq!(records[0].field("END_REASON"), "hung-up", "{records:#?}");
    assert_eq!(records[0].field("PACKETS"), packets.len().to_string(), "{records:#?}");
}

#[test]
#[ignore = "needs the peers that deploy/check installs"]
fn requests_of_every_kind_get_the_right_answer() {
    let (mut yard, _) = open_yard("flows-requests");
    let address = yard.daemon.address();
    // Outside a dialog.
    for (method, more, right) in [
        ("OPTIONS", "", 200),                                    // RFC 3261 §11.2
        ("MESSAGE", "Content-Type: text/plain\r\n", 405),        // §8.2.1: a method that is known and not done here
        ("SUBSCRIBE", "Event: dialog\r\n", 489),                 // RFC 6665 §8.3.2
        ("REFER", "Refer-To: <sip:202@quayside.test>\r\n", 405), // RFC 3261 §8.2.1
        ("PUBLISH", "Event: presence\r\n", 405),
        ("REGISTER", "", 405),
        ("FROBNICATE", "", 501),                // §21.5.2: not known to anybody
        ("BYE", "", 481),                       // §15.1.2
        ("CANCEL", "", 481),                    // §9.2
        ("INFO", "", 481),                      // RFC 6086 §4.2.2
        ("UPDATE", "", 481),                    // RFC 3261 §12.2.2
        ("PRACK", "RAck: 1 1 INVITE\r\n", 481), // RFC 3262 §3
        ("NOTIFY", "Event: dialog\r\nSubscription-State: active\r\n", 481), // RFC 6665 §4.1.3
    ] {
        let mut call = Dialog::new(CALLER, &address, "850", &format!("alone{method}"));
        call.send(&call.request(method, 1, more, ""));
        let answer = call
            .answer(&format!("1 {method}"), seconds(3.0))
            .unwrap_or_else(|| panic!("no answer to {method}"));
        assert_eq!(status(&answer), right, "{method}: {answer}");
        if status(&answer) == 405 {
            assert!(answer.contains("\r\nAllow: "), "RFC 3261 §21.4.6: {answer}");
        }
    }
    // An extension that nobody has: 420 (RFC 3261 §8.2.2.3).
    let mut call = Dialog::new(CALLER, &address, "850", "required");
    let body = call.offer(9);
    let more = "Require: frobnication\r\nContent-Type: application/sdp\r\n";
    call.send(&call.request("INVITE", 1, more, &body));
    let answer = call.answer("1 INVITE", seconds(3.0)).expect("an answer");
    assert_eq!(status(&answer), 420, "{answer}");
    assert!(answer.contains("Unsupported: frobnication"), "{answer}");
    call.send(&call.request("ACK", 1, "", "").replace("ACK1;", "INVITE1;"));

    // Within a call, none of them ends it.
    let mut call = Dialog::new(CALLER, &address, "850", "within");
    call.send(&call.invite(1, 9));
    assert_eq!(call.status("1 INVITE", seconds(5.0)), 200);
    call.send(&call.request("ACK", 1, "", ""));
    let dtmf = "Signal=5\r\nDuration=160\r\n";
    for (n, (method, more, body, right)) in [
        ("OPTIONS", "", "", 200),
        ("INFO", "Content-Type: application/dtmf-relay\r\n", dtmf, 200),
        // No package, and a body that we cannot use (RFC 3261 §21.4.13).
        ("INFO", "Content-Type: application/x-unknown\r\n", "?", 415),
        // A package: none was offered (RFC 6086 §4.2.2).
        ("INFO", "Info-Package: frobnication\r\n", "", 469),
        ("MESSAGE", "Content-Type: text/plain\r\n", "hello", 405),
        ("REFER", "Refer-To: <sip:202@quayside.test>\r\n", "", 405),
        ("SUBSCRIBE", "Event: dialog\r\n", "", 489),
    ]
    .into_iter()
    .enumerate()
    {
        let cseq = n as u32 + 2;
        call.send(&call.request(method, cseq, more, body));
        let status = call.status(&format!("{cseq} {method}"), seconds(3.0));
        assert_eq!(status, right, "{method} within the call, {more:?}");
    }
    // An older CSeq is answered 500 and changes nothing (RFC 3261 §12.2.2).
    call.send(&call.request("BYE", 1, "", ""));
    assert_eq!(call.status("1 BYE", seconds(3.0)), 500);
    pause(0.2);
    yard.daemon.wait_relay("yard-trigger", true, 1.0);
    call.send(&call.request("BYE", 20, "", ""));
    assert_eq!(call.status("20 BYE", seconds(3.0)), 200);
    yard.finish(1);
    assert_eq!(yard.reasons(), ["hung-up"], "{:#?}", yard.daemon.records());
}
