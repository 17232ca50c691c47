//! A caller with its own transactions over a link that loses messages (RFC 3665 §3.1 with every message lost once).

use super::*;
use crate::sip::transaction::{Client, ClientStep, Kind};

const DELAY: Duration = Duration::from_millis(20);

/// What the caller does: call, acknowledge, talk for two seconds, hang up; or give up while it rings.
struct Caller {
    now: Instant,
    open: Option<(Client, String)>,
    tag: Option<String>,
    /// When it hangs up.
    until: Option<Instant>,
    cancels: bool,
    finals: Vec<u16>,
    done: bool,
    out: Vec<String>,
}

impl Caller {
    fn send(&mut self, kind: Kind, text: String) {
        self.out.push(text.clone());
        self.open = Some((Client::new(kind, false, self.now), text));
    }

    fn hear(&mut self, sent: &Sent) {
        let cseq = sent.header("CSeq");
        if cseq.ends_with("CANCEL") {
            return;
        }
        let status = sent.status();
        let Some((client, _)) = &mut self.open else {
            return;
        };
        let step = client.receive(status, self.now);
        if cseq == "1 INVITE" && status >= 200 {
            let tag = sent.to_tag();
            match step {
                // Every 200 is acknowledged, the first ends the waiting (RFC 3261 §13.2.2.4).
                ClientStep::Deliver => self.out.push(in_dialog("ACK", 1, "ack", &tag, "")),
                ClientStep::DeliverAndAck | ClientStep::Ack => self.out.push(in_dialog("ACK", 1, "a", &tag, "")),
                _ => {}
            }
            if self.tag.is_none() {
                self.until = Some(self.now + Duration::from_secs(2));
                self.finals.push(status);
                self.done = status >= 300;
            }
            self.tag = Some(tag);
        } else if cseq == "2 BYE" && step == ClientStep::Deliver {
            self.finals.push(status);
            self.done = true;
        }
    }

    fn timeout(&mut self) {
        if let Some((client, text)) = &mut self.open {
            while client.poll_timeout().is_some_and(|at| at <= self.now) {
                if client.handle_timeout(self.now) == ClientStep::Resend {
                    self.out.push(text.clone());
                }
            }
        }
        if self.until.is_some_and(|at| at <= self.now) {
            self.until = None;
            match self.tag.clone() {
                Some(tag) if !self.done => self.send(Kind::NonInvite, in_dialog("BYE", 2, "bye", &tag, "")),
                None if self.cancels => self.out.push(request("CANCEL", 1, "a", "", "", "")),
                _ => {}
            }
        }
    }

    fn next(&self) -> Option<Instant> {
        self.open
            .as_ref()
            .and_then(|(c, _)| c.poll_timeout())
            .into_iter()
            .chain(self.until)
            .min()
    }
}

enum Choice {
    Answer,
    Refuse,
    /// The caller cancels after a second.
    Wait,
}

/// Plays a call with the messages numbered in `lost` missing; gives the world, the caller, and how many there were.
fn play(choice: &Choice, lost: &[usize]) -> (World, Caller, usize) {
    let mut world = World::plain();
    let mut caller = Caller {
        now: world.now,
        open: None,
        tag: None,
        until: None,
        cancels: matches!(choice, Choice::Wait),
        finals: Vec::new(),
        done: false,
        out: Vec::new(),
    };
    caller.send(Kind::Invite, invite("a"));
    if caller.cancels {
        caller.until = Some(world.now + Duration::from_secs(1));
    }
    // Messages under way: when they arrive, which way, what.
    let mut to_agent: Vec<(Instant, String)> = Vec::new();
    let mut to_caller: Vec<(Instant, Sent)> = Vec::new();
    let mut count = 0;
    let mut seen = 0;
    let mut events = 0;
    let end = world.start + Duration::from_secs(120);
    loop {
        for text in std::mem::take(&mut caller.out) {
            if !lost.contains(&count) {
                to_agent.push((world.now + DELAY, text));
            }
            count += 1;
        }
        while events < world.events.len() {
            if let Event::Incoming(incoming) = &world.events[events] {
                let call = incoming.call;
                match choice {
                    Choice::Answer => world.agent.accept(call, ANSWER.into(), world.now),
                    Choice::Refuse => world.agent.refuse(call, 486, None, world.now),
                    Choice::Wait => {}
                }
            }
            events += 1;
        }
        world.drain();
        for sent in world.sent[seen..].iter().filter(|s| s.status() > 0) {
            if !lost.contains(&count) {
                to_caller.push((world.now + DELAY, sent.clone()));
            }
            count += 1;
        }
        seen = world.sent.len();
        let next = to_agent
            .iter()
            .map(|(at, _)| *at)
            .chain(to_caller.iter().map(|(at, _)| *at))
            .chain(world.agent.poll_timeout())
            .chain(caller.next())
            .min();
        let Some(next) = next.filter(|at| *at <= end) else {
            return (world, caller, count);
        };
        world.now = next;
        caller.now = next;
        world.agent.handle_timeout(next);
        world.drain();
        caller.timeout();
        if let Some(i) = to_agent.iter().position(|(at, _)| *at <= next) {
            let (_, text) = to_agent.remove(i);
            world.datagram(PEER, text);
        }
        if let Some(i) = to_caller.iter().position(|(at, _)| *at <= next) {
            let (_, sent) = to_caller.remove(i);
            caller.hear(&sent);
        }
    }
}

fn calls(world: &World) -> usize {
    world.events.iter().filter(|e| matches!(e, Event::Incoming(_))).count()
}

/// Every single message and every pair of the first dozen lost: still one call with one ending.
fn all_losses(choice: &Choice, check: impl Fn(&World, &Caller, &[usize])) {
    let (_, _, count) = play(choice, &[]);
    assert!(count >= 4);
    for first in 0..12 {
        for second in first..12 {
            let lost = [first, second];
            let (world, caller, _) = play(choice, &lost);
            assert_eq!(calls(&world), 1, "{lost:?}");
            assert!(world.agent.calls.is_empty(), "{lost:?}");
            assert!(world.agent.servers.is_empty(), "{lost:?}");
            check(&world, &caller, &lost);
        }
    }
}

#[test]
fn answered_call_survives_losses() {
    all_losses(&Choice::Answer, |world, caller, lost| {
        assert!(world.is_confirmed(), "{lost:?}");
        assert_eq!(world.endings(), [Ending::Bye], "{lost:?}");
        assert_eq!(caller.finals, [200, 200], "{lost:?}");
    });
}

#[test]
fn refused_call_survives_losses() {
    all_losses(&Choice::Refuse, |world, caller, lost| {
        assert_eq!(world.endings(), [Ending::Refused], "{lost:?}");
        assert_eq!(caller.finals, [486], "{lost:?}");
    });
}

/// A CANCEL is sent once here, so its own loss is left out: the call then waits for its limit.
#[test]
fn cancelled_call_survives_losses() {
    let (world, caller, _) = play(&Choice::Wait, &[]);
    assert_eq!((world.endings(), caller.finals), (vec![Ending::Cancelled], vec![487]));
    // INVITE, 100, CANCEL, 200, 487, ACK: from the answer to the CANCEL on.
    for lost in 3..8 {
        let (world, caller, _) = play(&Choice::Wait, &[lost]);
        assert_eq!(world.endings(), [Ending::Cancelled], "{lost}");
        assert_eq!(caller.finals, [487], "{lost}");
    }
}
