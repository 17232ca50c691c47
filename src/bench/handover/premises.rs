//! What is there, what shows and plays by itself, and what happens when something is missing.

use super::document::{Section, Table};
use super::words::{self, and, time};
use crate::calendar::Hours;
use crate::config::plan::{ContactLine, InputLine, MusicMute, Plan, RelayLine, Speaker, Srtp};
use crate::page::{Shown, ZoneId};
use crate::report::text::plural;

/// In a few sentences.
pub fn overview(plan: &Plan) -> Section {
    let mut out = Section::new("What this system is");
    out.text(
        "A small computer beside the amplifiers takes announcements (\"pages\") and plays them over the loudspeakers. While somebody speaks it \
         switches the amplifiers on by relays and takes the music away; afterwards everything is as before. It works by itself: nobody logs in, and it \
         starts again by itself after a power cut.",
    );
    let zones: Vec<&str> = plan.zones.iter().map(|zone| zone.name.as_str()).collect();
    let mut items = vec![format!(
        "The loudspeakers form {}: {}. A zone is an amplifier with its loudspeakers, or a channel of one.",
        plural(plan.zones.len(), "zone"),
        and(&zones)
    )];
    for (name, zones) in &plan.zone_groups {
        items.push(format!(
            "The name \"{name}\" stands for {}.",
            and(&words::zone_names(plan, zones))
        ));
    }
    let mut ways = Vec::new();
    let mut count = |n: usize, word: &str| {
        if n > 0 {
            ways.push(plural(n, word));
        }
    };
    count(plan.extensions.len(), "telephone extension");
    count(plan.groups.len(), "page key group");
    count(plan.inputs.len(), "line input");
    count(plan.contacts.len(), "button or bell contact");
    count(plan.schedules.len(), "schedule");
    if !ways.is_empty() {
        items.push(format!("Pages come from {}.", and(&ways)));
    }
    items.push(
        "Each way to page has a priority from 0 to 100. The higher number is heard first and cuts into lower ones; of equal ones the first keeps the zone."
            .to_owned(),
    );
    if plan.asks_for_the_time() {
        let zone = plan.time_zone.as_deref().unwrap_or("the computer's own time zone");
        items.push(format!("Hours and times are by the clock on the wall ({zone})."));
    }
    out.list(items);
    out
}

/// Zones, and what stands for several of them.
pub fn places(plan: &Plan) -> Section {
    let mut out = Section::new("Where it is heard");
    let mut table = Table::new(&[
        "Zone",
        "Amplifier",
        "Switched on by relay",
        "Music muted by relay",
        "Begins after",
        "Rests after",
    ]);
    for (id, zone) in (0..).map(ZoneId).zip(&plan.zones) {
        let amplifier = plan.amplifiers.iter().find(|amplifier| amplifier.zones.contains(&id));
        let amplifier = amplifier.map_or("not in the config", |amplifier| amplifier.name.as_str());
        table.row([
            zone.name.clone(),
            amplifier.to_owned(),
            words::relays(plan, &zone.trigger),
            words::relays(plan, &zone.mute),
            time(zone.lead),
            time(zone.release),
        ]);
    }
    out.table(table);
    out.text("\"Begins after\" is the time that the amplifier needs to wake up. What is said meanwhile is kept, and heard from its first word.");
    let mut groups = Table::new(&["Zone group", "Zones"]);
    for (name, zones) in &plan.zone_groups {
        groups.row([name.clone(), and(&words::zone_names(plan, zones))]);
    }
    out.table(groups);
    out
}

/// What rings by the clock, and when it is quiet.
pub fn by_the_clock(plan: &Plan) -> Section {
    let mut out = Section::new("By the clock");
    if !plan.asks_for_the_time() {
        out.text("Nothing depends on the time of day: there are no hours, no schedules and no quiet hours.");
        return out;
    }
    let mut open = Table::new(&["Who", "Heard, or counts"]);
    for (who, hours) in opening(plan) {
        open.row([who, words::hours(hours)]);
    }
    out.table(open);
    let mut schedules = Table::new(&["Schedule", "When", "Plays", "Where", "Priority"]);
    for schedule in &plan.schedules {
        let at: Vec<String> = schedule.timetable.at.iter().map(ToString::to_string).collect();
        let season = words::season(&schedule.timetable.season);
        let when = [and(&at), season].into_iter().filter(|text| !text.is_empty());
        schedules.row([
            schedule.name.clone(),
            when.collect::<Vec<_>>().join("; "),
            format!("{}, {}", words::played(plan, schedule.plays), times(schedule.times)),
            words::zones(plan, &schedule.paging.zones),
            schedule.paging.priority.0.to_string(),
        ]);
    }
    out.table(schedules);
    let mut quiet = Table::new(&["Quiet hours", "When", "Where", "Who", "What happens"]);
    for rule in &plan.quiet_hours {
        let season = words::season(&rule.season);
        let when = [words::hours(&rule.hours), season]
            .into_iter()
            .filter(|text| !text.is_empty());
        let named = |id: &crate::page::SourceId| plan.speakers().find(|speaker| speaker.id() == *id);
        let who = match &rule.sources {
            None => format!("everybody up to priority {}", rule.up_to.0),
            Some(sources) => {
                let names: Vec<String> = sources
                    .iter()
                    .filter_map(named)
                    .map(|speaker| speaker.name(plan).to_owned())
                    .collect();
                format!("{}, up to priority {}", and(&names), rule.up_to.0)
            }
        };
        let happens = match rule.lower {
            Some(lower) => format!("heard {} dB softer", -lower.0),
            None => "not heard; callers are refused".to_owned(),
        };
        quiet.row([
            rule.name.clone(),
            when.collect::<Vec<_>>().join("; "),
            words::zones(plan, &rule.zones),
            who,
            happens,
        ]);
    }
    out.table(quiet);
    out.text("Dates without a year hold every year, as month-day. What falls due while the power is off is not made up for. Until the computer has got the time from the network, hours hold nobody back and nothing rings.");
    out
}

/// Sources and codes that have hours.
fn opening(plan: &Plan) -> Vec<(String, &Hours)> {
    let called = |speaker: Speaker| format!("{} {}", super::ways::kind(speaker), speaker.name(plan));
    let sources = plan.speakers().filter_map(|speaker| {
        let hours = match speaker {
            Speaker::Extension(index) => &plan.extensions[index].gate.hours,
            Speaker::Group(index) => &plan.groups[index].hours,
            Speaker::Line(index) => &plan.inputs[index].hours,
            Speaker::Contact(index) => &plan.contacts[index].hours,
            Speaker::Schedule(_) | Speaker::Local | Speaker::Test => return None,
        };
        Some((called(speaker), hours))
    });
    let codes = plan
        .codes
        .iter()
        .map(|code| (format!("Access code of {}", code.name), &code.hours));
    sources.chain(codes).filter(|(_, hours)| !hours.0.is_empty()).collect()
}

fn times(n: u32) -> String {
    match n {
        1 => "once".to_owned(),
        n => format!("{n} times"),
    }
}

/// Relays that show something.
pub fn lamps(plan: &Plan) -> Vec<(String, String)> {
    let all = plan.relays.iter().filter_map(|relay| {
        let shows = relay.rules.shows.as_ref()?;
        let how = if shows.blinks.is_some() { "blinks" } else { "on" };
        let everywhere = |zones: &[ZoneId]| zones.len() == plan.zones.len();
        let meaning = match &shows.what {
            Shown::Page(zones) if everywhere(zones) => format!("{how} while a page is on; off: nobody is paging"),
            Shown::Page(zones) => format!("{how} while a page is on in {}", words::zones(plan, zones)),
            Shown::Healthy => format!("{how} while all is well; off: something is missing, or there is no power"),
            Shown::Fault => format!("{how} while something is missing; off: all is well, or there is no power"),
        };
        Some((relay.name.clone(), meaning))
    });
    all.collect()
}

pub fn relays(plan: &Plan) -> Section {
    let mut out = Section::new("Lamps and relays");
    let mut table = Table::new(&["Lamp or output", "Means"]);
    for lamp in lamps(plan) {
        table.row([lamp.0, words::sentence(&lamp.1)]);
    }
    let mut others = Table::new(&["Relay", "Line", "What it does"]);
    for (id, relay) in (0..).map(crate::page::RelayId).zip(&plan.relays) {
        let zones = |test: fn(&crate::config::plan::Zone) -> &Vec<crate::page::RelayId>| -> Vec<&str> {
            let named = plan.zones.iter().filter(|zone| test(zone).contains(&id));
            named.map(|zone| zone.name.as_str()).collect()
        };
        let (trigger, mute) = (zones(|zone| &zone.trigger), zones(|zone| &zone.mute));
        let mut does = Vec::new();
        if !trigger.is_empty() {
            does.push(format!(
                "operated for the whole page: tells the amplifier of {} to pass speech",
                and(&trigger)
            ));
        }
        if !mute.is_empty() {
            does.push(format!(
                "operated for the whole page: takes the music away in {}; at rest the music plays",
                and(&mute)
            ));
        }
        if relay.rules.shows.is_some() {
            does.push("an indicator, see above".to_owned());
        }
        if does.is_empty() {
            does.push("spare: nothing uses it".to_owned());
        }
        others.row([
            relay.name.clone(),
            relay_line(&relay.line),
            words::sentence(&does.join("; ")),
        ]);
    }
    if table.rows.is_empty() {
        out.text("No lamp or indicator is connected.");
    }
    out.table(table);
    out.table(others);
    out
}

pub fn relay_line(line: &RelayLine) -> String {
    match line {
        RelayLine::Gpio { chip, offset } => format!("{chip} line {offset}"),
        RelayLine::Pi { bcm } => format!("Raspberry Pi GPIO {bcm}"),
        RelayLine::Simulated => "simulated: no relay moves".to_owned(),
    }
}

pub fn contact_line(input: &InputLine) -> String {
    match &input.line {
        ContactLine::Gpio { chip, offset } => format!("{chip} line {offset}"),
        ContactLine::File(path) => format!("the file {} stands for it", path.display()),
    }
}

pub fn music(plan: &Plan) -> Section {
    let mut out = Section::new("Music");
    let mut items = Vec::new();
    for music in &plan.music {
        let depth = music.ducking.depth.0;
        let meanwhile = if depth.is_finite() {
            format!("{} dB softer", -depth)
        } else {
            "silent".to_owned()
        };
        items.push(format!(
            "{} runs through this system and is heard in {}. During a page it is {meanwhile}: down within {}, back within {}. It stops when this system is off.",
            music.name,
            words::zones(plan, &music.zones),
            time(music.ducking.fade_out),
            time(music.ducking.fade_in)
        ));
    }
    for zone in plan.zones.iter().filter(|zone| !zone.mute.is_empty()) {
        items.push(format!(
            "In {} the music has its own wire to the amplifier, through the relay {}. It plays while the relay is at rest, also without power; it is \
             muted during a page.",
            zone.name,
            words::relays(plan, &zone.mute)
        ));
    }
    for amplifier in plan
        .amplifiers
        .iter()
        .filter(|amplifier| amplifier.music == MusicMute::Own)
    {
        items.push(format!("The amplifier {} mutes its music by itself.", amplifier.name));
    }
    if items.is_empty() {
        out.text("This system neither plays nor mutes music.");
    }
    out.list(items);
    out
}

/// Other systems that take the amplifiers, power, networks, cards.
pub fn faults(plan: &Plan) -> Section {
    let mut out = Section::new("When something goes wrong");
    let mut table = Table::new(&["What", "What happens"]);
    let mut power =
        String::from("Nobody can page by this system. All relays are at rest: amplifiers are not held on by it");
    if plan.zones.iter().any(|zone| !zone.mute.is_empty()) {
        power += ", music with its own wire plays on";
    }
    if !plan.music.is_empty() {
        power += ", music that runs through it is silent";
    }
    power += ". When the power is back it starts by itself; pages and bells that were missed are not made up for.";
    table.row(["The power fails".to_owned(), power]);
    if !plan.extensions.is_empty() {
        table.row([
            "The telephone system or the network fails",
            "Calls do not come. This system tries again by itself until they do; nothing needs to be restarted. Buttons, line inputs and bells by the clock go on.",
        ]);
    }
    table.row([
        "A sound card is unplugged",
        "Its zones are silent, and pages there are refused. When it is back they work again by themselves.",
    ]);
    table.row([
        "A handset is forgotten off the hook, a caller vanishes",
        "The page ends by itself: see the limits of each way to page.",
    ]);
    table.row([
        "This system's program stops",
        "All relays go to rest, and it is started again by itself.",
    ]);
    for veto in &plan.vetoes {
        table.row([
            format!("{} (another system) takes over", veto.name),
            format!(
                "While its contact ({}) is closed, {} is left to it: pages there end or wait, relays rest, music from this system is silent.",
                contact_line(&veto.input),
                words::zones(plan, &veto.zones)
            ),
        ]);
    }
    if plan.extensions.iter().any(|extension| extension.srtp == Srtp::Require) {
        table.row([
            "A certificate of the telephone system runs out",
            "Encrypted calls do not come until it is renewed.",
        ]);
    }
    out.table(table);
    out.text(
        "Why a page was not heard: note the time, the zone and the telephone, and ask the technician. The system's journal knows of every page what \
         became of it (for the technician: hornwire why --at HH:MM --zone NAME, hornwire status, sudo hornwire doctor).",
    );
    out
}
