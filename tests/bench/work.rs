//! What is counted under callgrind. Pure core alone, on a clock of its own: the same every time.

use std::net::SocketAddr;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use hornwire::media::{Codec, Linear};
use hornwire::sip::agent::{Agent, Event, Extension, Flow, Output, Settings, Transport};
use hornwire::sip::sdp;

use crate::chain;

pub fn run(arguments: &[String]) -> ExitCode {
    let amount = arguments.get(1).and_then(|n| n.parse().ok()).unwrap_or(1);
    let done = match arguments.first().map(String::as_str) {
        Some("pcmu") => chain::render(chain::one(Codec::Pcmu), amount),
        Some("pcma") => chain::render(chain::one(Codec::Pcma), amount),
        Some("g722") => chain::render(chain::one(Codec::G722), amount),
        Some("opus") => chain::render(chain::one(Codec::Opus), amount),
        Some("l16") => match Linear::new(48_000, 1) {
            Some(linear) => chain::render(chain::one(Codec::L16(linear)), amount),
            None => Err("no L16 at 48 kHz".to_owned()),
        },
        Some("site") => chain::render(chain::LARGE, amount),
        Some("invite") => calls(amount, false),
        Some("call") => calls(amount, true),
        other => Err(format!("no such work: {other:?}")),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(cause) => {
            eprintln!("{cause}");
            ExitCode::FAILURE
        }
    }
}

/// INVITEs with an ordinary offer, each answered; with `whole` also ACK and BYE.
fn calls(count: u32, whole: bool) -> Result<(), String> {
    let local: SocketAddr = "192.0.2.10:5060".parse().map_err(|_| "address")?;
    let peer: SocketAddr = "192.0.2.77:5060".parse().map_err(|_| "address")?;
    let flow = Flow {
        transport: Transport::Udp,
        local,
        peer,
        connection: None,
    };
    let settings = Settings {
        extensions: vec![Extension {
            user: "850".to_owned(),
            registrars: Vec::new(),
            auth_user: None,
            password: None,
            expires: 3600,
            keep_alive: None,
        }],
        networks: vec!["192.0.2.0/24".parse()?],
        trusted: Vec::new(),
        product: "Hornwire".to_owned(),
        instance: None,
        start_spread: Duration::ZERO,
    };
    let mut now = Instant::now();
    let mut agent = Agent::new(settings, [7; 32], now);
    for number in 0..count {
        agent.handle_datagram(flow, &request("INVITE", number, 1, "", OFFER), now);
        let answered = outputs(&mut agent, number, now)?;
        if !answered.starts_with("SIP/2.0 200") {
            return Err(format!("an INVITE was answered {answered}"));
        }
        if whole {
            let tag = answered
                .lines()
                .find_map(|l| l.strip_prefix("To:"))
                .and_then(|to| to.split(";tag=").nth(1))
                .ok_or("no tag in the answer")?;
            agent.handle_datagram(flow, &request("ACK", number, 1, tag, ""), now);
            agent.handle_datagram(flow, &request("BYE", number, 2, tag, ""), now);
            let ended = outputs(&mut agent, number, now)?;
            if !(ended.starts_with("SIP/2.0 200") && ended.contains("2 BYE")) {
                return Err(format!("a BYE was answered {ended}"));
            }
            // Timers B to M have run out: the tables are empty again.
            now += Duration::from_secs(40);
            agent.handle_timeout(now);
            outputs(&mut agent, number, now)?;
        }
    }
    Ok(())
}

/// Does what the driver does; returns the last message that would be sent.
fn outputs(agent: &mut Agent, number: u32, now: Instant) -> Result<String, String> {
    let mut sent = String::new();
    while let Some(output) = agent.poll_output() {
        match output {
            Output::Transmit { octets, .. } => {
                sent = String::from_utf8(octets).map_err(|e| e.to_string())?;
            }
            Output::Event(Event::Incoming(incoming)) => {
                let local = sdp::Local {
                    address: "192.0.2.10".parse().map_err(|_| "address")?,
                    rtp_port: 16384,
                    codecs: vec![Codec::Opus, Codec::Pcmu, Codec::Pcma],
                    session_id: u64::from(number),
                    version: 1,
                    srtp: hornwire::sip::sdp::Policy::Off,
                    keys: hornwire::sip::sdp::KeySeed([0; 32]),
                };
                let offer = incoming.offer.ok_or("the offer was lost")?;
                let (answer, _) = sdp::answer(&offer, &local).map_err(|e| e.to_string())?;
                agent.accept(incoming.call, answer, now);
            }
            _ => {}
        }
    }
    Ok(sent)
}

/// What a desk phone offers.
const OFFER: &str = "v=0\r\n\
o=- 3790 3790 IN IP4 192.0.2.77\r\n\
s=call\r\n\
c=IN IP4 192.0.2.77\r\n\
t=0 0\r\n\
m=audio 11780 RTP/AVP 9 8 0 18 101\r\n\
a=rtpmap:9 G722/8000\r\n\
a=rtpmap:8 PCMA/8000\r\n\
a=rtpmap:0 PCMU/8000\r\n\
a=rtpmap:18 G729/8000\r\n\
a=fmtp:18 annexb=no\r\n\
a=rtpmap:101 telephone-event/8000\r\n\
a=fmtp:101 0-15\r\n\
a=ptime:20\r\n\
a=sendrecv\r\n";

fn request(method: &str, number: u32, cseq: u32, tag: &str, body: &str) -> Vec<u8> {
    let tag = if tag.is_empty() {
        String::new()
    } else {
        format!(";tag={tag}")
    };
    let kind = if body.is_empty() {
        ""
    } else {
        "Content-Type: application/sdp\r\n"
    };
    format!(
        "{method} sip:850@192.0.2.10:5060 SIP/2.0\r\n\
         Via: SIP/2.0/UDP 192.0.2.77:5060;branch=z9hG4bK{method}{number};rport\r\n\
         Max-Forwards: 70\r\n\
         From: \"Saw mill office\" <sip:201@192.0.2.77>;tag=f{number}\r\n\
         To: <sip:850@192.0.2.10>{tag}\r\n\
         Call-ID: {number}-7f31a6@192.0.2.77\r\n\
         CSeq: {cseq} {method}\r\n\
         Contact: <sip:201@192.0.2.77:5060>\r\n\
         Allow: INVITE, ACK, CANCEL, BYE, OPTIONS, INFO, UPDATE\r\n\
         Supported: replaces, timer\r\n\
         User-Agent: desk phone\r\n\
         {kind}Content-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}
