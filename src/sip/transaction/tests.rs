#![allow(clippy::disallowed_methods)]

use std::time::{Duration, Instant};

use super::*;

/// Steps that are not `Nothing`, each with milliseconds since the start.
fn run_client(client: &mut Client, start: Instant, until: u64) -> Vec<(u64, ClientStep)> {
    let mut out = Vec::new();
    while let Some(at) = client.poll_timeout() {
        let ms = u64::try_from((at - start).as_millis()).unwrap();
        if ms > until {
            break;
        }
        match client.handle_timeout(at) {
            ClientStep::Nothing => {}
            step => out.push((ms, step)),
        }
    }
    out
}

fn run_server(server: &mut Server, start: Instant, until: u64) -> Vec<(u64, ServerStep)> {
    let mut out = Vec::new();
    while let Some(at) = server.poll_timeout() {
        let ms = u64::try_from((at - start).as_millis()).unwrap();
        if ms > until {
            break;
        }
        match server.handle_timeout(at) {
            ServerStep::Nothing => {}
            step => out.push((ms, step)),
        }
    }
    out
}

fn times(steps: &[(u64, ClientStep)]) -> Vec<u64> {
    steps
        .iter()
        .filter(|(_, s)| *s == ClientStep::Resend)
        .map(|(t, _)| *t)
        .collect()
}

/// RFC 3261 Table 4, timers A and B: sends at 0, 0.5, 1.5, 3.5, 7.5, 15.5, 31.5 s, the end at 32 s.
#[test]
fn invite_client_repeats_and_gives_up() {
    let start = Instant::now();
    let mut client = Client::new(Kind::Invite, false, start);
    let steps = run_client(&mut client, start, 100_000);
    assert_eq!(times(&steps), [500, 1500, 3500, 7500, 15_500, 31_500]);
    assert_eq!(steps.last(), Some(&(32_000, ClientStep::TimedOut)));
    assert!(client.is_terminated());
}

/// Timers E and F: gaps 0.5, 1, 2, 4, 4, … s.
#[test]
fn non_invite_client_repeats_and_gives_up() {
    let start = Instant::now();
    let mut client = Client::new(Kind::NonInvite, false, start);
    let steps = run_client(&mut client, start, 100_000);
    assert_eq!(
        times(&steps),
        [500, 1500, 3500, 7500, 11_500, 15_500, 19_500, 23_500, 27_500, 31_500]
    );
    assert_eq!(steps.last(), Some(&(32_000, ClientStep::TimedOut)));
}

/// Reliable transports never repeat, but still give up (Table 4).
#[test]
fn reliable_clients_do_not_repeat() {
    let start = Instant::now();
    for kind in [Kind::Invite, Kind::NonInvite] {
        let mut client = Client::new(kind, true, start);
        assert_eq!(
            run_client(&mut client, start, 100_000),
            [(32_000, ClientStep::TimedOut)]
        );
        let mut client = Client::new(kind, true, start);
        client.receive(404, start);
        assert!(client.is_terminated(), "timers D and K are 0 on reliable transports");
    }
}

/// §17.1.2.2: a provisional answer makes E run at T2; F goes on.
#[test]
fn provisional_answer_slows_a_non_invite_client() {
    let start = Instant::now();
    let mut client = Client::new(Kind::NonInvite, false, start);
    assert_eq!(client.receive(100, start), ClientStep::Deliver);
    let steps = run_client(&mut client, start, 100_000);
    assert_eq!(times(&steps), [500, 4500, 8500, 12_500, 16_500, 20_500, 24_500, 28_500]);
    assert_eq!(steps.last(), Some(&(32_000, ClientStep::TimedOut)));
}

/// §17.1.1.2: a provisional answer stops A and B; a refusal is acknowledged each time it comes, for timer D.
#[test]
fn invite_client_acknowledges_refusals() {
    let start = Instant::now();
    let mut client = Client::new(Kind::Invite, false, start);
    assert_eq!(client.receive(180, start), ClientStep::Deliver);
    assert_eq!(client.poll_timeout(), None);
    assert_eq!(client.receive(486, start), ClientStep::DeliverAndAck);
    assert_eq!(client.receive(486, start + Duration::from_secs(3)), ClientStep::Ack);
    assert_eq!(client.poll_timeout(), Some(start + Duration::from_secs(32)));
    assert_eq!(client.receive(200, start), ClientStep::Nothing);
    assert!(run_client(&mut client, start, 100_000).is_empty());
    assert!(client.is_terminated());
}

/// RFC 6026 §7.2: Accepted passes repeated 2xx up for timer M, refusals no more.
#[test]
fn invite_client_passes_repeated_200_up() {
    let start = Instant::now();
    let mut client = Client::new(Kind::Invite, false, start);
    assert_eq!(client.receive(200, start), ClientStep::Deliver);
    assert_eq!(client.receive(200, start), ClientStep::Deliver);
    assert_eq!(client.receive(486, start), ClientStep::Nothing);
    assert_eq!(client.receive(183, start), ClientStep::Nothing);
    assert_eq!(client.poll_timeout(), Some(start + Duration::from_secs(32)));
    run_client(&mut client, start, 100_000);
    assert!(client.is_terminated());
}

/// Timer K: T4.
#[test]
fn non_invite_client_absorbs_repeated_answers() {
    let start = Instant::now();
    let mut client = Client::new(Kind::NonInvite, false, start);
    assert_eq!(client.receive(200, start), ClientStep::Deliver);
    assert_eq!(client.receive(200, start), ClientStep::Nothing);
    assert_eq!(client.poll_timeout(), Some(start + Duration::from_secs(5)));
    assert!(!client.is_open());
}

/// Timers G and H: a refusal at 0.5, 1.5, 3.5, then every 4 s, until 32 s.
#[test]
fn invite_server_repeats_a_refusal() {
    let start = Instant::now();
    let mut server = Server::new(Kind::Invite, false);
    assert!(server.respond(100, start));
    assert!(server.respond(486, start));
    let steps = run_server(&mut server, start, 100_000);
    let resends: Vec<u64> = steps
        .iter()
        .filter(|(_, s)| *s == ServerStep::Resend)
        .map(|(t, _)| *t)
        .collect();
    assert_eq!(
        resends,
        [500, 1500, 3500, 7500, 11_500, 15_500, 19_500, 23_500, 27_500, 31_500]
    );
    assert_eq!(steps.last(), Some(&(32_000, ServerStep::NoAck)));
    assert!(server.is_terminated());
}

/// Timer G never runs on reliable transports, H does (§17.2.1); I is 0 there.
#[test]
fn reliable_invite_server_waits_for_the_ack_only() {
    let start = Instant::now();
    let mut server = Server::new(Kind::Invite, true);
    server.respond(486, start);
    assert_eq!(run_server(&mut server, start, 100_000), [(32_000, ServerStep::NoAck)]);
    let mut server = Server::new(Kind::Invite, true);
    server.respond(486, start);
    server.acknowledged(start);
    assert!(server.is_terminated());
}

/// Timer I: T4, in which repeated ACKs and INVITEs are absorbed.
#[test]
fn acknowledged_invite_server_is_quiet() {
    let start = Instant::now();
    let mut server = Server::new(Kind::Invite, false);
    server.respond(486, start);
    server.acknowledged(start);
    assert_eq!(server.poll_timeout(), Some(start + Duration::from_secs(5)));
    assert_eq!(server.repeated(), ServerStep::Nothing);
    assert!(!server.respond(200, start));
    run_server(&mut server, start, 100_000);
    assert!(server.is_terminated());
}

/// RFC 6026 §7.1: after a 2xx repeated INVITEs are absorbed for timer L; an ACK changes nothing here.
#[test]
fn accepted_invite_server_absorbs() {
    let start = Instant::now();
    let mut server = Server::new(Kind::Invite, false);
    assert_eq!(server.repeated(), ServerStep::Nothing, "nothing to repeat yet");
    server.respond(100, start);
    assert_eq!(server.repeated(), ServerStep::Resend);
    server.respond(200, start);
    assert_eq!(server.repeated(), ServerStep::Nothing);
    server.acknowledged(start);
    assert_eq!(server.poll_timeout(), Some(start + Duration::from_secs(32)));
    assert!(!server.respond(486, start), "one final answer only");
}

/// Timer J: 64·T1 on UDP, 0 on TCP.
#[test]
fn non_invite_server_absorbs() {
    let start = Instant::now();
    let mut server = Server::new(Kind::NonInvite, false);
    assert_eq!(server.repeated(), ServerStep::Nothing);
    server.respond(200, start);
    assert_eq!(server.repeated(), ServerStep::Resend);
    assert_eq!(server.poll_timeout(), Some(start + Duration::from_secs(32)));
    assert!(!server.respond(500, start));
    let mut server = Server::new(Kind::NonInvite, true);
    server.respond(200, start);
    assert!(server.is_terminated());
}

/// A late wake-up fires each timer once, in order, without a burst.
#[test]
fn late_wake_up_makes_no_burst() {
    let start = Instant::now();
    let mut client = Client::new(Kind::NonInvite, false, start);
    let late = start + Duration::from_secs(20);
    assert_eq!(client.handle_timeout(late), ClientStep::Resend);
    assert_eq!(client.handle_timeout(late), ClientStep::Nothing);
    let late = start + Duration::from_secs(60);
    let mut steps = vec![client.handle_timeout(late), client.handle_timeout(late)];
    steps.push(client.handle_timeout(late));
    assert_eq!(steps, [ClientStep::Resend, ClientStep::TimedOut, ClientStep::Nothing]);
}
