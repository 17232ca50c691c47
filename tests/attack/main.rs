//! What a hostile or broken peer on the network can do to the running program. Loopback only.

#![allow(clippy::disallowed_methods)]

mod floods;
mod lab;
#[path = "../program/mod.rs"]
mod program;
mod tls;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use lab::*;

/// RFC 3261 §18.3: a stream may carry any number of messages in a row.
#[test]
fn pipelined_requests_all_get_their_answers() {
    let daemon = Daemon::start(1);
    let mut stream = TcpStream::connect(&daemon.address).unwrap();
    let own = stream.local_addr().unwrap();
    const COUNT: usize = 400;
    let all: String = (0..COUNT)
        .map(|i| Caller::new("TCP", own, &format!("many-{i}")).request("OPTIONS", 1, ""))
        .collect();
    stream.write_all(all.as_bytes()).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let (mut answers, mut buffer) = (String::new(), [0; 65536]);
    while answers.matches("SIP/2.0 200 OK").count() < COUNT {
        let got = stream.read(&mut buffer).unwrap();
        assert!(
            got > 0,
            "closed after {} answers",
            answers.matches("SIP/2.0 200 OK").count()
        );
        answers.push_str(&String::from_utf8_lossy(&buffer[..got]));
    }
    daemon.stop();
}

/// A stream that cannot be framed any more is answered before it is closed.
#[test]
fn a_broken_stream_gets_its_answer_and_its_end() {
    let daemon = Daemon::start(2);
    let mut stream = TcpStream::connect(&daemon.address).unwrap();
    let own = stream.local_addr().unwrap();
    let request = Caller::new("TCP", own, "huge").request("OPTIONS", 1, "");
    let huge = request.replace("Content-Length: 0", "Content-Length: 4000000000");
    stream.write_all(huge.as_bytes()).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("SIP/2.0 4"), "{answer:?}");
    daemon.stop();
}

#[test]
fn idle_connections_keep_nobody_out() {
    let daemon = Daemon::start(3);
    let connect = |ip: &str| connect(ip, &daemon.address).unwrap();
    let ask = |stream: &mut TcpStream, id: &str| {
        let own = stream.local_addr().unwrap();
        let request = Caller::new("TCP", own, id).request("OPTIONS", 1, "");
        stream.write_all(request.as_bytes()).unwrap();
        let mut buffer = [0; 4096];
        let got = stream.read(&mut buffer).unwrap();
        assert!(buffer[..got].starts_with(b"SIP/2.0 200"), "{id}: {got} octets");
    };
    let mut early = connect("127.0.72.1");
    ask(&mut early, "early");
    // More than there is room for, all from one place, none says a word.
    let idle: Vec<TcpStream> = (0..150).map(|_| connect("127.0.72.2")).collect();
    ask(&mut connect("127.0.72.3"), "late");
    ask(&mut early, "early-again");
    drop(idle);
    daemon.stop();
}

#[test]
fn a_flood_of_calls_fills_no_journal_and_hinders_no_other_caller() {
    let daemon = Daemon::start(4);
    let flood = phone(&daemon, "127.0.72.4");
    let own = flood.local_addr().unwrap();
    let before = daemon.lines().len();
    const COUNT: usize = 2000;
    for i in 0..COUNT {
        let call = Caller::new("UDP", own, &format!("flood-{i}"));
        flood
            .send(call.request("INVITE", 1, &session("127.0.72.4", 4000, "0")).as_bytes())
            .unwrap();
        if i % 20 == 0 {
            std::thread::sleep(Duration::from_millis(10));
        }
    }
    daemon.wait_line("overload");
    let other = phone(&daemon, "127.0.72.5");
    let call = Caller::new("UDP", other.local_addr().unwrap(), "other");
    other
        .send(call.request("INVITE", 1, &session("127.0.72.5", 4000, "0")).as_bytes())
        .unwrap();
    // The flood's first call holds the zone.
    assert_eq!(final_status(&other), 486);
    let told = daemon.lines().len() - before;
    assert!(told < COUNT / 4, "{told} lines for {COUNT} calls");
    daemon.stop();
}

/// A session description that names our own port makes us our own far end: our tones must not keep the page on.
#[test]
fn our_own_tones_are_nobodys_speech() {
    let daemon = Daemon::start(5);
    let socket = phone(&daemon, "127.0.72.6");
    let mut call = Caller::new("UDP", socket.local_addr().unwrap(), "mirror");
    socket.send(call.request("INVITE", 1, "").as_bytes()).unwrap();
    let offer = expect(&socket, "SIP/2.0 200");
    call.keep_tag(&offer);
    let mirror = session("127.0.71.5", audio_port(&offer), "0");
    socket.send(call.request("ACK", 1, &mirror).as_bytes()).unwrap();
    expect(&socket, "BYE ");
    let record = daemon.wait_line("END_REASON");
    assert!(record.contains("END_REASON=no-packets"), "{record}");
    daemon.stop();
}

#[test]
fn codec_changes_without_end_take_no_memory_without_end() {
    let daemon = Daemon::start(6);
    let socket = phone(&daemon, "127.0.72.7");
    let mut call = Caller::new("UDP", socket.local_addr().unwrap(), "changes");
    let body = |format| session("127.0.72.7", 4000, format);
    socket.send(call.request("INVITE", 1, &body("111")).as_bytes()).unwrap();
    let answer = expect(&socket, "SIP/2.0 200");
    call.keep_tag(&answer);
    socket.send(call.request("ACK", 1, "").as_bytes()).unwrap();
    let before = daemon.resident();
    let mut most = before;
    for i in 0..800u32 {
        let format = if i % 2 == 0 { "0" } else { "111" };
        socket
            .send(call.request("INVITE", i + 2, &body(format)).as_bytes())
            .unwrap();
        if i % 10 == 0 {
            std::thread::sleep(Duration::from_millis(5));
            most = most.max(daemon.resident());
        }
    }
    assert!(
        most < before + (32 << 20),
        "resident memory grew from {before} to {most} octets"
    );
    daemon.stop();
}

#[test]
fn a_call_goes_on_while_the_config_is_read_again() {
    let mut daemon = Daemon::start(7);
    let socket = phone(&daemon, "127.0.72.8");
    let mut call = Caller::new("UDP", socket.local_addr().unwrap(), "cut");
    socket
        .send(call.request("INVITE", 1, &session("127.0.72.8", 4000, "0")).as_bytes())
        .unwrap();
    call.keep_tag(&expect(&socket, "SIP/2.0 200"));
    socket.send(call.request("ACK", 1, "").as_bytes()).unwrap();
    daemon.signal(libc::SIGHUP);
    daemon.wait_line("nothing differs");
    socket.set_read_timeout(Some(Duration::from_millis(300))).unwrap();
    assert!(socket.recv(&mut [0; 2048]).is_err(), "the call was ended");
    socket.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    daemon.signal(libc::SIGTERM);
    expect(&socket, "BYE ");
    assert_eq!(daemon.wait(), Some(0));
    daemon.wait_line("all relays at rest");
}

/// The installer wants to know why a gateway that calls over TCP gets nowhere: one line, however often it tries.
#[test]
fn a_strangers_connections_are_told_once() {
    let daemon = Daemon::start(8);
    for _ in 0..50 {
        let mut stream = connect("127.0.73.9", &daemon.address).unwrap();
        let _ = stream.write_all(b"INVITE ");
        // The end, or a reset where our octets were not read.
        assert_eq!(stream.read(&mut [0; 16]).unwrap_or(0), 0);
    }
    let line = daemon.wait_line("turned away");
    assert!(line.contains("PEER=127.0.73.9:"), "{line}");
    let told = daemon.lines().iter().filter(|l| l.contains("turned away")).count();
    assert_eq!(told, 1);
    daemon.stop();
}

/// Refusals of one address are told one by one at first, then counted; another's are told all the same.
#[test]
fn refusals_without_end_fill_no_journal() {
    let daemon = Daemon::start(9);
    let told = |place: &str| {
        let lines = daemon.lines();
        lines
            .iter()
            .filter(|l| l.contains("did not take") && l.contains(place))
            .count()
    };
    // Payload type 99 is announced nowhere: 488 (RFC 3261 §21.4.26).
    let ask = |phone: &std::net::UdpSocket, ip: &str, id: &str| {
        let call = Caller::new("UDP", phone.local_addr().unwrap(), id);
        let request = call.request("INVITE", 1, &session(ip, 4000, "99"));
        phone.send(request.as_bytes()).unwrap();
        assert_eq!(final_status(phone), 488, "{id}");
    };
    let flood = phone(&daemon, "127.0.72.9");
    for i in 0..150 {
        ask(&flood, "127.0.72.9", &format!("misfit-{i}"));
    }
    ask(&phone(&daemon, "127.0.72.10"), "127.0.72.10", "another");
    daemon.wait_line("127.0.72.10");
    daemon.wait_line("refused calls beyond those told");
    assert!((60..=70).contains(&told("127.0.72.9:")), "{}", told("127.0.72.9:"));
    assert_eq!(told("127.0.72.10:"), 1);
    daemon.stop();
}
