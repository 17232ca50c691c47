//! Ways to page: what somebody does, who may, and what they hear.

use super::document::{Section, Table};
use super::words::{self, and, time};
use crate::calendar::{Hours, QuietHours};
use crate::config::plan::{Extension, Paging, Plan, Speaker};
use crate::gate::{NoChoice, Route};
use crate::page::{Begin, Loss, ZoneId};

/// One thing to do, and where it is heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Way {
    pub what: String,
    pub zones: Vec<ZoneId>,
    /// A code is asked for.
    pub code: bool,
}

/// By telephone, in the order of the config.
pub fn calls(plan: &Plan) -> Vec<Way> {
    plan.extensions.iter().flat_map(of).collect()
}

fn of(extension: &Extension) -> Vec<Way> {
    let gate = &extension.gate;
    let code = !gate.codes.is_empty();
    let way = |what: String, zones: &[ZoneId]| Way {
        what,
        zones: zones.to_vec(),
        code,
    };
    let mut all = Vec::new();
    let mut number = |called: String, zones: &[ZoneId]| {
        let called = called + if code { ", code" } else { "" };
        for choice in &gate.keypad {
            all.push(way(format!("{called}, then {}", choice.digits), &choice.route.zones));
        }
        if gate.keypad.is_empty() || gate.no_choice == NoChoice::Zones {
            let rest = if gate.keypad.is_empty() { "" } else { ", then no key" };
            all.push(way(format!("{called}{rest}"), zones));
        }
    };
    number(dial(&extension.user), &gate.zones);
    for (pattern, route) in &gate.dial {
        number(dial(&pattern.to_string()), &route.zones);
    }
    all
}

/// `Dial 850`; a name is nothing that can be dialled.
fn dial(user: &str) -> String {
    let is_number = user.chars().all(|c| c.is_ascii_digit() || "+#".contains(c));
    match (is_number, user.contains('*')) {
        (true, _) => format!("Dial {user}"),
        (false, true) if user.starts_with('*') && user[1..].chars().all(|c| c.is_ascii_digit()) => {
            format!("Dial {user}")
        }
        (false, true) => format!("Dial {user} (* stands for any digits)"),
        (false, false) => format!("Call \"{user}\""),
    }
}

/// Without a telephone call, except what rings by the clock.
pub fn others(plan: &Plan) -> Vec<Way> {
    let way = |what: String, paging: &Paging| Way {
        what,
        zones: paging.zones.clone(),
        code: false,
    };
    let groups = plan
        .groups
        .iter()
        .map(|group| way(format!("Page key for {}", group.name), &group.paging));
    let lines = plan
        .inputs
        .iter()
        .map(|input| way(format!("Speak into {}", input.name), &input.paging));
    let contacts = plan
        .contacts
        .iter()
        .map(|contact| way(format!("Button or bell {}", contact.name), &contact.paging));
    groups.chain(lines).chain(contacts).collect()
}

/// What a caller hears, and what it means; only what this plan can give.
pub fn tones(plan: &Plan) -> Vec<(&'static str, String)> {
    let extensions = || plan.extensions.iter();
    let any = |test: fn(&Extension) -> bool| extensions().any(test);
    let mut all = Vec::new();
    if any(|e| !e.gate.codes.is_empty()) {
        all.push(("Two notes, rising", code_then(plan)));
    }
    if any(|e| !e.gate.keypad.is_empty()) {
        all.push((
            "The same short note twice",
            "Press the key for where you want to be heard.".to_owned(),
        ));
    }
    if any(|e| !e.gate.codes.is_empty() || !e.gate.keypad.is_empty()) {
        all.push((
            "Two long notes, falling",
            "That was wrong. Try again; after three times the call ends.".to_owned(),
        ));
    }
    if any(|e| !e.paging.terms.afterwards) {
        all.push(("One short beep", "The loudspeakers are on: speak now.".to_owned()));
    }
    let keeps = |e: &Extension| e.paging.terms.afterwards || loses(&e.paging, Loss::Keep);
    if any(keeps) {
        all.push((
            "One long beep",
            "Speak now, then hang up. It is recorded, and played afterwards.".to_owned(),
        ));
    }
    if any(|e| loses(&e.paging, Loss::Wait) || loses(&e.paging, Loss::Under)) {
        all.push((
            "A soft note every 3 seconds",
            "Somebody else is paging. Stay on the line; a beep tells you when to speak.".to_owned(),
        ));
    }
    let mut warnings: Vec<_> = extensions().filter_map(|e| warning(&e.paging)).collect();
    warnings.sort();
    warnings.dedup();
    if let (Some(least), Some(most)) = (warnings.first(), warnings.last()) {
        let left = if least == most {
            time(*most)
        } else {
            format!("{} to {}", time(*least), time(*most))
        };
        all.push(("Two very short beeps", format!("Finish: the page ends in {left}.")));
    }
    if any(|_| true) {
        all.push((
            "Busy tone at once",
            "Somebody else is paging, or it is not allowed now. Try again later.".to_owned(),
        ));
        all.push((
            "Busy tone while you speak",
            "The page has ended: a more urgent one came, the time was up, or nothing was heard from you.".to_owned(),
        ));
    }
    all
}

/// What to do where a code is asked for. # does no harm where it is not needed.
pub fn code_then(plan: &Plan) -> String {
    let hash = |extension: &Extension| !extension.gate.codes.is_empty() && extension.gate.code_length.is_none();
    match plan.extensions.iter().any(hash) {
        true => "Dial your access code, then #.".to_owned(),
        false => "Dial your access code.".to_owned(),
    }
}

fn loses(paging: &Paging, how: Loss) -> bool {
    paging.terms.busy == how || paging.terms.cut == how
}

/// How long before the end the caller is warned: only where the limit is at least twice as long.
pub fn warning(paging: &Paging) -> Option<std::time::Duration> {
    let warning = paging.limits.warning;
    let limit = paging.limits.page?;
    (!warning.is_zero() && limit >= 2 * warning).then_some(warning)
}

/// A section for every source.
pub fn section(plan: &Plan) -> Section {
    let mut out = Section::new("How to page");
    if !plan.extensions.is_empty() {
        out.text("By telephone: dial, wait for the beep, speak, hang up.");
    }
    for speaker in plan.speakers().filter(|speaker| *speaker != Speaker::Local) {
        source(&mut out, plan, speaker);
    }
    out
}

fn source(out: &mut Section, plan: &Plan, speaker: Speaker) {
    let paging = speaker.paging(plan);
    let mut items = Vec::new();
    let (kind, name) = (kind(speaker), speaker.name(plan));
    let quiet = quiet(plan, speaker);
    let heard = |hours: &Hours| match (hours.0.is_empty(), quiet.is_empty()) {
        (true, false) => "Heard at any time but in quiet hours.".to_owned(),
        _ => format!("Heard {}.", words::hours(hours)),
    };
    match speaker {
        Speaker::Extension(index) => {
            if let Some(extension) = plan.extensions.get(index) {
                call(&mut items, plan, extension);
            }
        }
        Speaker::Group(index) => {
            let group = &plan.groups[index];
            items.push(format!(
                "A telephone's page key, or a console, that sends speech over the network to {} (multicast: one sender, many receivers) is heard in {}.",
                group.address,
                words::zones(plan, &paging.zones)
            ));
            let who = match (&group.networks, &group.srtp) {
                (Some(networks), _) => format!("Only senders at {} are heard.", words::networks(networks)),
                (None, Some(_)) => "Only senders that have its key are heard.".to_owned(),
                (None, None) => "Whoever can send to it on this network is heard.".to_owned(),
            };
            items.push(who);
            items.push(heard(&group.hours));
        }
        Speaker::Line(index) => {
            let input = &plan.inputs[index];
            items.push(format!(
                "Whatever sounds at this line input (a microphone mixer, an intercom) is heard in {}: speak, and it begins by itself. It ends {} after \
                 the last sound.",
                words::zones(plan, &paging.zones),
                time(input.vox.hang)
            ));
            items.push(heard(&input.hours));
        }
        Speaker::Contact(index) => {
            let contact = &plan.contacts[index];
            let often = match contact.times {
                Some(1) => "once each time it is pressed".to_owned(),
                Some(n) => format!("{n} times each time it is pressed"),
                None => "for as long as it is pressed".to_owned(),
            };
            items.push(format!(
                "Press the button, or close the contact: {} is heard in {}, {often}.",
                words::played(plan, contact.plays),
                words::zones(plan, &paging.zones)
            ));
            items.push(heard(&contact.hours));
        }
        Speaker::Schedule(index) => {
            let schedule = &plan.schedules[index];
            let at: Vec<String> = schedule.timetable.at.iter().map(ToString::to_string).collect();
            let season = words::season(&schedule.timetable.season);
            let season = if season.is_empty() {
                season
            } else {
                format!(" ({season})")
            };
            let often = match schedule.times {
                1 => String::new(),
                n => format!(", {n} times"),
            };
            items.push(format!(
                "By itself, {}{season}: {} is heard in {}{often}.",
                and(&at),
                words::played(plan, schedule.plays),
                words::zones(plan, &paging.zones)
            ));
        }
        Speaker::Local | Speaker::Test => {}
    }
    items.extend(quiet);
    terms(&mut items, plan, speaker, paging);
    out.heading(format!("{kind} {name}"));
    out.list(items);
}

/// Quiet hours that are for its pages.
fn quiet(plan: &Plan, speaker: Speaker) -> Vec<String> {
    let paging = speaker.paging(plan);
    let is_for = |rule: &&QuietHours| {
        let sources = rule.sources.as_ref();
        paging.priority <= rule.up_to && sources.is_none_or(|sources| sources.contains(&speaker.id()))
    };
    let told = |rule: &QuietHours| {
        // Where callers choose, any zone may be meant.
        let zones = rule.zones.iter().copied();
        let zones: Vec<ZoneId> = zones
            .filter(|zone| paging.zones.is_empty() || paging.zones.contains(zone))
            .collect();
        let happens = match rule.lower {
            Some(lower) => format!("{} dB softer", -lower.0),
            None => "Not heard".to_owned(),
        };
        let season = words::season(&rule.season);
        let season = if season.is_empty() {
            season
        } else {
            format!(", {season}")
        };
        (!zones.is_empty()).then(|| {
            let (zones, hours) = (words::zones(plan, &zones), words::hours(&rule.hours));
            format!("{happens} in {zones} {hours}{season} (quiet hours {}).", rule.name)
        })
    };
    plan.quiet_hours.iter().filter(is_for).filter_map(told).collect()
}

/// What it is, before its name.
pub fn kind(speaker: Speaker) -> &'static str {
    match speaker {
        Speaker::Extension(_) => "Telephone extension",
        Speaker::Group(_) => "Page key group",
        Speaker::Line(_) => "Line input",
        Speaker::Contact(_) => "Button or bell contact",
        Speaker::Schedule(_) => "Schedule",
        Speaker::Local => "Announcements from the board itself:",
        Speaker::Test => "Test signals:",
    }
}

fn call(items: &mut Vec<String>, plan: &Plan, extension: &Extension) {
    let gate = &extension.gate;
    for way in of(extension) {
        items.push(format!(
            "{}: you are heard in {}.",
            way.what,
            words::zones(plan, &way.zones)
        ));
    }
    if !gate.codes.is_empty() {
        let ends = match gate.code_length {
            Some(n) => format!("{n} digits"),
            None => "and # after it".to_owned(),
        };
        let names: Vec<&str> = gate
            .codes
            .iter()
            .filter_map(|id| plan.codes.get(usize::from(id.0)))
            .map(|code| code.name.as_str())
            .collect();
        items.push(format!(
            "It asks for an access code ({ends}; * begins anew). These have one: {}. Wrong codes lock it for longer and longer.",
            and(&names)
        ));
    }
    items.push(who(plan, extension));
    if !gate.hours.0.is_empty() {
        items.push(format!(
            "Open {}. At other times calls are refused.",
            words::hours(&gate.hours)
        ));
    }
    let raised = |route: &Route| route.priority.map(|priority| priority.0);
    for choice in gate.keypad.iter().filter(|choice| choice.route.priority.is_some()) {
        let priority = raised(&choice.route).unwrap_or_default();
        items.push(format!("With key {} the priority is {priority}.", choice.digits));
    }
    for (pattern, route) in &gate.dial {
        if let Some(priority) = raised(route) {
            items.push(format!("Calls to {pattern} have priority {priority}."));
        }
    }
    for (word, priority) in &gate.urgent {
        items.push(format!(
            "A call that the telephone system marks as \"{word}\" has at least priority {}.",
            priority.0
        ));
    }
}

fn who(plan: &Plan, extension: &Extension) -> String {
    let gate = &extension.gate;
    let systems: Vec<&str> = extension.registrars.iter().map(|r| r.hop.host.as_str()).collect();
    let networks = gate.networks.as_ref().unwrap_or(&plan.sip.networks);
    let mut from = Vec::new();
    if !systems.is_empty() {
        from.push(format!("the telephone system {}", and(&systems)));
    }
    if !gate.registrar_only && !networks.is_empty() {
        from.push(format!(
            "telephones or gateways at {}{}",
            words::networks(networks),
            if systems.is_empty() { "" } else { " without it" }
        ));
    }
    let mut text = match from.as_slice() {
        [] => "Nobody can call it as it is set".to_owned(),
        from => format!("Calls are taken from {}", from.join(", and from ")),
    };
    let list = |patterns: &[crate::gate::Pattern]| and(&patterns.iter().map(ToString::to_string).collect::<Vec<_>>());
    if !gate.allow.is_empty() {
        text += &format!("; of their users only {}", list(&gate.allow));
    }
    if !gate.deny.is_empty() {
        text += &format!("; not {}", list(&gate.deny));
    }
    if [&gate.allow, &gate.deny]
        .iter()
        .any(|list| list.iter().any(|p| p.to_string().contains('*')))
    {
        text += " (* stands for any characters)";
    }
    if gate.asserted_only {
        text += "; only callers whose number the telephone system vouches for";
    }
    text + "."
}

fn terms(items: &mut Vec<String>, plan: &Plan, speaker: Speaker, paging: &Paging) {
    let is_call = matches!(speaker, Speaker::Extension(_));
    let before = words::chime(plan, paging.chime);
    let before = match before.as_str() {
        "none" => String::new(),
        chime => format!(" Before the speech the loudspeakers play {chime}."),
    };
    items.push(format!("Priority {} of 100.{before}", paging.priority.0));
    if paging.terms.afterwards {
        items.push(
            "What is said is recorded and played after hanging up, so that a telephone near a loudspeaker does not howl."
                .to_owned(),
        );
    }
    if paging.zones.len() > 1 && paging.terms.begin == Begin::Together {
        items.push("It begins in all its zones together.".to_owned());
    }
    items.push(format!(
        "While its zones are taken by a page that goes first, {}. {}",
        busy(paging, is_call),
        cut(paging, is_call)
    ));
    let limits = &paging.limits;
    let mut told = match limits.page {
        Some(limit) => format!("At most {} long", time(limit)),
        None => "As long as it likes".to_owned(),
    };
    if let Some(warning) = warning(paging).filter(|_| is_call) {
        told += &format!(", with two short beeps {} before the end", time(warning));
    }
    if let Some(quiet) = limits.quiet {
        told += &format!("; {} of silence end it", time(quiet));
    }
    if let Some(pause) = limits.cool_down {
        told += &format!("; {} must pass until the next one", time(pause));
    }
    if let Some(most) = limits.per_hour {
        told += &format!("; at most {most} an hour from one caller");
    }
    if let Some(country) = paging.busy_tone {
        told += &format!("; a busy tone heard in it ({}) ends it", country.name());
    }
    items.push(told + ".");
    if paging.gain.0 != 0.0 {
        let how = if paging.gain.0 > 0.0 { "louder" } else { "softer" };
        items.push(format!("Heard {} dB {how} than the others.", paging.gain.0.abs()));
    }
}

/// What becomes of it while others have its zones.
pub fn busy(paging: &Paging, is_call: bool) -> String {
    let wait = paging
        .limits
        .wait
        .map_or_else(String::new, |limit| format!(", for {} at most", time(limit)));
    match (paging.terms.busy, is_call) {
        (Loss::End, true) => "the caller hears the busy tone".to_owned(),
        (Loss::End, false) => "it is not heard".to_owned(),
        (Loss::Wait, true) => format!("the caller waits in line{wait}, and hears a soft note every 3 seconds"),
        (Loss::Wait, false) => format!("it waits{wait}"),
        (Loss::Keep, _) => format!(
            "it is recorded, and played when they are free{}",
            wait.replace("for", "waiting")
        ),
        (Loss::Under, _) => format!("it is heard below the other page, {} softer", under(paging)),
    }
}

fn cut(paging: &Paging, is_call: bool) -> String {
    let end = match (paging.terms.cut, is_call) {
        (Loss::End, true) => "ends it; the caller hears the busy tone",
        (Loss::End, false) => "ends it",
        (Loss::Wait, _) => "makes it wait, and it goes on afterwards",
        (Loss::Keep, _) => "cuts it, and the rest is recorded and played afterwards",
        (Loss::Under, _) => {
            return format!(
                "A page of higher priority is heard above it ({} louder).",
                under(paging)
            );
        }
    };
    format!("A page of higher priority {end}.")
}

fn under(paging: &Paging) -> String {
    format!("{} dB", -paging.under.0)
}

/// Who goes before whom.
pub fn order(plan: &Plan) -> Table {
    let mut table = Table::new(&["Priority", "Who", "Where", "While others have its zones"]);
    let mut all: Vec<Speaker> = plan.speakers().collect();
    all.sort_by_key(|speaker| std::cmp::Reverse(speaker.paging(plan).priority));
    for speaker in all {
        let paging = speaker.paging(plan);
        let place = match speaker {
            Speaker::Local => "the zones that are named with it".to_owned(),
            _ => words::zones(plan, &paging.zones),
        };
        let who = match speaker {
            Speaker::Local => "Announcements from the board itself (hornwire announce)".to_owned(),
            _ => format!("{} {}", kind(speaker), speaker.name(plan)),
        };
        table.row([
            paging.priority.0.to_string(),
            who,
            place,
            words::sentence(&busy(paging, matches!(speaker, Speaker::Extension(_)))),
        ]);
    }
    table
}

/// Names, what each opens, and a place for whoever has it; never the code.
pub fn codes(plan: &Plan) -> Table {
    let mut table = Table::new(&["Code of", "Opens", "Priority", "Counts", "Given to (write in)"]);
    for code in &plan.codes {
        let opens = code
            .zones
            .as_ref()
            .map_or_else(|| "what was dialled".to_owned(), |zones| words::zones(plan, zones));
        let priority = code
            .priority
            .map_or_else(|| "the extension's".to_owned(), |priority| priority.0.to_string());
        table.row([
            code.name.clone(),
            opens,
            priority,
            words::hours(&code.hours),
            String::new(),
        ]);
    }
    table
}
