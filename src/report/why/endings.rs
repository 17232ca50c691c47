//! What an ending and the figures of a page mean, and what to do.

use super::said::Said;
use super::waits::Wait;
use crate::page::EndReason;
use crate::report::message::kind;
use crate::report::record::reason_code;

/// Lost or late packets, percent, from which on speech breaks up audibly even with concealment; common practice, no
/// published source.
const LOSS: f64 = 1.0;
/// Jitter that costs delay, ms; common practice, no published source.
const JITTER: f64 = 30.0;
/// Speech softer than this is lifted by levelling to its limit, louder is cut off before it comes here; dBFS.
const SOFT: f64 = -46.0;
const LOUD: f64 = -6.0;

/// What is all but silence, dBFS: below the noise of any microphone.
const SILENCE: f64 = -90.0;
const NO_AUDIO: &str = "No audio came in at all, though the call stood: a firewall, an address translation (NAT), or a phone that sends \
                        elsewhere. The rtp_ports of [sip] must be reachable by UDP.";

/// Why it ended.
pub fn ending(record: &Said, wait: &Wait) -> String {
    let code = record.field("END_REASON").unwrap_or_default();
    let reason = EndReason::ALL.into_iter().find(|reason| reason_code(*reason) == code);
    let Some(reason) = reason else {
        return format!("It ended: {code}.");
    };
    let by = match (record.field("BY_PAGE"), record.field("BY_SOURCE")) {
        (Some(page), Some(source)) => format!("page {page} from {source}"),
        _ => "another page".to_owned(),
    };
    let heard = record.is(kind::PAGE_ENDED);
    let cause = wait
        .cause
        .as_deref()
        .map(|cause| format!(": {cause}"))
        .unwrap_or_default();
    let text = match reason {
        EndReason::HungUp if heard => "It ended when the caller hung up.".to_owned(),
        EndReason::HungUp if wait.to_the_end => format!("The caller hung up while it waited for its zone{cause}."),
        EndReason::HungUp => "The caller hung up before the loudspeakers were open: the go-ahead beep says when to speak.".to_owned(),
        EndReason::Cancelled if wait.to_the_end => format!("The caller gave up before the call was answered{cause}."),
        EndReason::Cancelled => "The caller gave up before the call was answered.".to_owned(),
        EndReason::StreamEnded => "It ended when the stream, or the sound at the line input, ended.".to_owned(),
        EndReason::Finished => "It was played to its end.".to_owned(),
        EndReason::NoPackets if !heard || record.is_silent() => NO_AUDIO.to_owned(),
        EndReason::NoPackets => {
            "It was ended because no audio came any more. The call stood, so look at the network between the caller and here.".to_owned()
        }
        EndReason::Quiet => "It was ended by the quiet limit (quiet_limit): nobody spoke for that long. A handset off the hook, a muted microphone?".to_owned(),
        EndReason::BusyTone => "It was ended because the line gave the busy tone (busy_tone): the talker had hung up, and the gateway between said nothing.".to_owned(),
        EndReason::PageLimit => "It was ended by the page limit (page_limit), the longest that a page of this source may be.".to_owned(),
        EndReason::NoRoom => "Its recording was cut because recordings had used up their memory; what there was was kept.".to_owned(),
        EndReason::WaitLimit if !cause.is_empty() => format!("It waited for as long as it may (wait_limit){cause}."),
        EndReason::WaitLimit if record.field("BY_PAGE").is_some() => {
            format!("It waited for as long as it may (wait_limit): {by} had the zone.")
        }
        EndReason::WaitLimit => "It waited for as long as it may (wait_limit): its zones were taken, or did not work.".to_owned(),
        EndReason::CoolDown => "It was refused because its source had paged a moment ago (cool_down).".to_owned(),
        EndReason::TooMany => "It was refused because the caller had paged as often as may be in an hour (pages_per_hour).".to_owned(),
        EndReason::QuietHours => match record.all("QUIET_HOURS").as_slice() {
            [] => "It was refused by quiet hours ([quiet_hours]): pages of its priority are not heard then.".to_owned(),
            names => {
                let tables: Vec<String> = names.iter().map(|name| format!("[quiet_hours.{name}]")).collect();
                format!("It was refused by quiet hours ({}): pages of its priority are not heard then.", tables.join(", "))
            }
        },
        EndReason::Preempted => format!("It was cut by {by}, which has the higher priority. What becomes of a page that is cut is said by when_cut."),
        EndReason::Busy => {
            format!("It was refused as busy: {by} had the zone, with the same or a higher priority. What becomes of such a page is said by when_busy.")
        }
        EndReason::Operator => "It was stopped by hornwire stop on the board.".to_owned(),
        EndReason::DeviceFault => "The sound card of its zones did not work. Look at its cable and supply, and at the card's messages.".to_owned(),
        EndReason::Vetoed => "Another system had taken over the amplifier ([vetoes]).".to_owned(),
        EndReason::CallLost => "The call was lost: the phone system, or the network to it, no longer answered.".to_owned(),
        EndReason::Shutdown => "The gateway was stopped.".to_owned(),
    };
    let is_told = matches!(
        reason,
        EndReason::HungUp
            | EndReason::Cancelled
            | EndReason::WaitLimit
            | EndReason::Busy
            | EndReason::QuietHours
            | EndReason::DeviceFault
            | EndReason::Vetoed
    );
    match wait.to_the_end && !is_told {
        true => format!("{text} It had waited for its zone until then{cause}."),
        false => text,
    }
}

/// Nothing came that could be played: why that may be.
fn no_audio(record: &Said, not_decoded: bool) -> String {
    let count = |name| record.number(name).unwrap_or_default();
    let foreign = count("FOREIGN") + count("MALFORMED");
    if count("NOT_AUTHENTIC") > 0.0 {
        "Packets came in, and none could be opened.".to_owned()
    } else if not_decoded {
        "Packets came in, but in a codec that is not taken here.".to_owned()
    } else if foreign > 0.0 {
        format!("{foreign} packets came in that were no audio of this call: from another sender, or damaged.")
    } else {
        NO_AUDIO.to_owned()
    }
}

/// How loud it came in, judged by where it came from: a phone or a stream, a line input, or a file of ours.
fn loudness(record: &Said, level: f64) -> String {
    let is_ours = record.field("PACKETS").is_none();
    let is_line = !is_ours && record.field("PEER").is_none();
    let text = if level < SILENCE {
        match (is_ours, is_line) {
            (true, _) => return "What was played is silent: look at the file.".to_owned(),
            (_, true) => {
                return "What came in was silence: look at the cable and at what feeds the line input.".to_owned();
            }
            _ => return "What came in was silence: a muted microphone?".to_owned(),
        }
    } else if level < SOFT {
        match (is_ours, is_line) {
            (true, _) => ": very soft, more than levelling can lift. Look at the file that was played.",
            (_, true) => ": very soft, more than levelling can lift. Raise the level of what feeds the line input.",
            _ => ": very soft, more than levelling can lift. Speak closer to the microphone, or raise its level.",
        }
    } else if level > LOUD && !is_ours {
        ": so loud that it was cut off before it came here."
    } else {
        ": a usual level."
    };
    let how = if is_ours { "was at" } else { "came in at" };
    format!("Its loudest sound {how} {level:.0} dBFS{text}")
}

/// How well it came in. `not_decoded`: its source sent what is not taken.
pub fn quality(record: &Said, not_decoded: bool) -> Vec<String> {
    let mut told = Vec::new();
    if record.is_silent() && record.field("END_REASON") != Some(reason_code(EndReason::NoPackets)) {
        told.push(no_audio(record, not_decoded));
    }
    let number = |name| record.number(name);
    if let Some(packets) = number("PACKETS").filter(|packets| *packets > 0.0) {
        let (lost, jitter) = (
            number("LOST_PERCENT").unwrap_or_default(),
            number("JITTER_MS").unwrap_or_default(),
        );
        let late = number("LATE").unwrap_or_default();
        let late_percent = 100.0 * late / packets;
        let codec = record.field("CODEC").unwrap_or("audio");
        let mut text = format!(
            "It came as {codec} in {packets} packets, {lost:.1} % lost, {late_percent:.1} % too late, jitter {jitter:.1} ms"
        );
        if lost > LOSS {
            text.push_str(
                ": so much loss breaks speech up. Look at the network: Wi-Fi, a full link, a bad cable, duplex.",
            );
        } else if late_percent > LOSS {
            text.push_str(": packets came in bursts, later than the buffer waits. Look at the network, or raise min_delay of the source.");
        } else if jitter > JITTER {
            text.push_str(": uneven, which costs delay; no word was lost by it.");
        } else {
            text.push_str(": good.");
        }
        let concealed = number("CONCEALED_MS").unwrap_or_default();
        if concealed >= 100.0 {
            text.push_str(&format!(
                " {:.1} s of it were made up in place of what did not come.",
                concealed / 1000.0
            ));
        }
        told.push(text);
    }
    if let Some(overflowed) = number("OVERFLOWED").filter(|n| *n > 0.0) {
        told.push(format!("{overflowed} packets were dropped because too much was held: the talker spoke long before the zone was open."));
    }
    if let Some(bad) = number("NOT_AUTHENTIC").filter(|n| *n > 0.0) {
        told.push(format!(
            "{bad} packets were not authentic (SRTP): another key, or somebody else's."
        ));
    }
    if let Some(level) = number("LEVEL_DBFS").filter(|_| !record.is_silent()) {
        told.push(loudness(record, level));
    }
    told
}
