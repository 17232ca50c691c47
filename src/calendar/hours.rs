//! Opening hours in local time. Only the local weekday and time of day count, so that a day of 23 or 25 hours
//! opens and closes by the clock on the wall.

use std::fmt;
use std::str::FromStr;

const DAY: u16 = 24 * 60;
const NAMES: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

/// A moment on the wall clock of the site.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LocalTime {
    /// 0 is Monday, 6 is Sunday.
    pub weekday: u8,
    /// Since midnight by the clock, 0 to 1439.
    pub minute: u16,
}

/// `Mon-Fri 06:00-18:00`: the same stretch of several days. One that does not end after its beginning ends on the next day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Bit 0 is Monday.
    days: u8,
    /// Minutes since midnight.
    from: u16,
    to: u16,
}

/// When it is open; empty: always.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Hours(pub Vec<Span>);

/// Why a text is no span.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum HoursError {
    #[error("write the days without a space, a space, and the times: \"Mon-Fri 06:00-18:00\"")]
    Shape,
    #[error("write a plain hyphen, -, for \"to\"")]
    Dash,
    #[error("the days are Mon Tue Wed Thu Fri Sat Sun, or daily")]
    Day,
    #[error("say on which days: Mon-Fri, Sat,Sun or daily, then the time")]
    NoDays,
    #[error("write times of 24 hours: 06:00 to 24:00")]
    Time,
    #[error("write a colon: 06:00")]
    Colon,
    #[error("write hours and minutes alone: 06:00; there are no seconds")]
    Seconds,
    #[error("write the days without a space, a space, and the time: \"Mon-Fri 09:30\"")]
    Moment,
    #[error("midnight is 00:00 of the day that begins with it")]
    Midnight,
    #[error("it ends where it begins, or begins at 24:00; a whole day is 00:00-24:00")]
    Empty,
}

impl FromStr for Span {
    type Err = HoursError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        // En dash, em dash, minus sign: text processors put them in by themselves.
        if text.contains(['\u{2013}', '\u{2014}', '\u{2212}']) {
            return Err(HoursError::Dash);
        }
        if begins_with_a_time(text) {
            return Err(HoursError::NoDays);
        }
        let (days, times) = text.trim().split_once(char::is_whitespace).ok_or(HoursError::Shape)?;
        // `Mon - Fri 06:00-18:00`, `Mon-Fri, 06:00-18:00`.
        if days.ends_with(',') || !times.trim_start().starts_with(|c: char| c.is_ascii_digit()) {
            return Err(HoursError::Shape);
        }
        let (from, to) = times.trim().split_once('-').ok_or(HoursError::Shape)?;
        let (from, to) = (time(from.trim())?, time(to.trim())?);
        if from == to || from == DAY {
            return Err(HoursError::Empty);
        }
        Ok(Span {
            days: bits(days)?,
            from,
            to,
        })
    }
}

fn begins_with_a_time(text: &str) -> bool {
    text.trim_start().starts_with(|c: char| c.is_ascii_digit())
}

fn time(text: &str) -> Result<u16, HoursError> {
    let (hour, minute) = text.split_once(':').ok_or(match text.contains(['.', 'h']) {
        true => HoursError::Colon,
        false => HoursError::Time,
    })?;
    if minute.contains([':', '.']) {
        return Err(HoursError::Seconds);
    }
    let number = |t: &str, digits: std::ops::RangeInclusive<usize>| {
        let fine = digits.contains(&t.len()) && t.bytes().all(|b| b.is_ascii_digit());
        fine.then(|| t.parse::<u16>().ok()).flatten().ok_or(HoursError::Time)
    };
    let minute = number(minute, 2..=2)?;
    let at = number(hour, 1..=2)? * 60 + minute;
    if minute < 60 && at <= DAY {
        Ok(at)
    } else {
        Err(HoursError::Time)
    }
}

/// `daily`, `Mon`, `Mon-Fri`, `Mon,Wed,Fri-Sun`.
fn bits(text: &str) -> Result<u8, HoursError> {
    if text.eq_ignore_ascii_case("daily") {
        return Ok(0x7f);
    }
    let day = |t: &str| {
        let lower = t.to_ascii_lowercase();
        NAMES.iter().position(|n| *n == lower).ok_or(HoursError::Day)
    };
    let mut days = 0;
    for part in text.split(',') {
        let (first, last) = match part.split_once('-') {
            Some((first, last)) => (day(first)?, day(last)?),
            None => (day(part)?, day(part)?),
        };
        let mut at = first;
        loop {
            days |= 1 << at;
            if at == last {
                break;
            }
            at = (at + 1) % 7;
        }
    }
    Ok(days)
}

/// `Mon-Fri 09:30`: days and the minute since midnight.
pub(super) fn moment(text: &str) -> Result<(u8, u16), HoursError> {
    if begins_with_a_time(text) {
        return Err(HoursError::NoDays);
    }
    let (days, at) = text.trim().split_once(char::is_whitespace).ok_or(HoursError::Moment)?;
    let at = at.trim();
    // `Mon - Fri 09:30`, `Mon-Fri, 09:30`, `Mon-Fri 09:30-10:00`.
    if days.ends_with(',') || !at.starts_with(|c: char| c.is_ascii_digit()) || at.contains(['-', ' ', ',']) {
        return Err(HoursError::Moment);
    }
    let minute = time(at)?;
    if minute == DAY {
        return Err(HoursError::Midnight);
    }
    Ok((bits(days)?, minute))
}

/// As in the config file: `Mon-Fri 06:00-18:00`.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}-{}", days(self.days), clock(self.from), clock(self.to))
    }
}

/// `06:05`.
pub(super) fn clock(minute: u16) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// `daily`, `Mon`, `Sat,Sun`, `Mon-Wed,Fri`: three days and more in a row are written with a hyphen.
pub(super) fn days(bits: u8) -> String {
    if bits & 0x7f == 0x7f {
        return "daily".to_owned();
    }
    let mut parts: Vec<String> = Vec::new();
    let mut first = 0;
    while first < NAMES.len() {
        let run = (first..NAMES.len()).take_while(|day| bits & (1 << day) != 0).count();
        let name = |day: usize| format!("{}{}", NAMES[day][..1].to_uppercase(), &NAMES[day][1..]);
        match run {
            0 => {}
            3.. => parts.push(format!("{}-{}", name(first), name(first + run - 1))),
            few => parts.extend((first..first + few).map(name)),
        }
        first += run.max(1);
    }
    parts.join(",")
}

impl Span {
    pub fn is_open(self, at: LocalTime) -> bool {
        self.since(at).is_some()
    }

    /// How many days ago the stretch began that holds at that time.
    fn since(self, at: LocalTime) -> Option<u8> {
        let on = |day: u8| self.days & (1 << (day % 7)) != 0;
        let over_midnight = self.from >= self.to;
        if on(at.weekday) && at.minute >= self.from && (over_midnight || at.minute < self.to) {
            Some(0)
        } else if over_midnight && on(at.weekday + 6) && at.minute < self.to {
            Some(1)
        } else {
            None
        }
    }
}

impl Hours {
    pub fn is_open(&self, at: LocalTime) -> bool {
        self.0.is_empty() || self.0.iter().any(|span| span.is_open(at))
    }

    /// How many days ago each stretch began that holds at that time.
    pub(super) fn since(&self, at: LocalTime) -> Vec<u8> {
        if self.0.is_empty() {
            return vec![0];
        }
        self.0.iter().filter_map(|span| span.since(at)).collect()
    }

    /// Whether both are open at some time of the week.
    pub fn meets(&self, other: &Hours) -> bool {
        (0..7).any(|weekday| {
            (0..DAY).any(|minute| {
                let at = LocalTime { weekday, minute };
                self.is_open(at) && other.is_open(at)
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours(texts: &[&str]) -> Hours {
        Hours(texts.iter().map(|t| t.parse().unwrap()).collect())
    }

    fn at(weekday: u8, hour: u16, minute: u16) -> LocalTime {
        LocalTime {
            weekday,
            minute: hour * 60 + minute,
        }
    }

    #[test]
    fn shown_as_it_may_be_written() {
        for text in [
            "daily 20:00-06:00",
            "Mon-Fri 06:00-18:00",
            "Sat,Sun 00:00-24:00",
            "Mon-Wed,Sat 07:05-12:00",
            "Sun 07:00-12:00",
        ] {
            assert_eq!(text.parse::<Span>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn a_span_begins_with_its_first_minute_and_ends_before_its_last() {
        let week = hours(&["Mon-Fri 06:00-18:00", "Sat 8:00-12:30"]);
        assert!(!week.is_open(at(0, 5, 59)) && week.is_open(at(0, 6, 0)));
        assert!(week.is_open(at(4, 17, 59)) && !week.is_open(at(4, 18, 0)));
        assert!(week.is_open(at(5, 12, 29)) && !week.is_open(at(5, 12, 30)));
        assert!(!week.is_open(at(6, 12, 0)));
        assert!(hours(&[]).is_open(at(6, 3, 0)), "no hours: always");
    }

    #[test]
    fn a_night_ends_on_the_next_day() {
        let night = hours(&["Fri,Sun 22:00-06:00"]);
        assert!(night.is_open(at(4, 23, 0)) && night.is_open(at(5, 5, 59)));
        assert!(!night.is_open(at(5, 6, 0)) && !night.is_open(at(5, 22, 30)));
        assert!(
            night.is_open(at(6, 22, 0)) && night.is_open(at(0, 0, 0)),
            "over the week's end"
        );
        assert!(!night.is_open(at(4, 1, 0)));
        let to_midnight = hours(&["daily 18:00-24:00"]);
        assert!(to_midnight.is_open(at(2, 23, 59)) && !to_midnight.is_open(at(3, 0, 0)));
    }

    #[test]
    fn days_may_run_over_the_weekend() {
        let week = hours(&["Sat-Mon 00:00-24:00"]);
        let open: Vec<u8> = (0..7).filter(|d| week.is_open(at(*d, 12, 0))).collect();
        assert_eq!(open, [0, 5, 6]);
    }

    #[test]
    fn what_is_no_span_is_refused() {
        for (text, error) in [
            ("06:00-18:00", HoursError::NoDays),
            ("Mon 06:00:30-18:00", HoursError::Seconds),
            ("Mon 6.00-18.00", HoursError::Colon),
            ("Mon-Fri 06:00", HoursError::Shape),
            ("Mo-Fr 06:00-18:00", HoursError::Day),
            ("Mon 6-18", HoursError::Time),
            ("Mon 06:60-18:00", HoursError::Time),
            ("Mon 06:00-24:01", HoursError::Time),
            ("Mon 6:00pm-18:00", HoursError::Time),
            ("Mon 06:00-06:00", HoursError::Empty),
            ("Mon 24:00-06:00", HoursError::Empty),
        ] {
            assert_eq!(text.parse::<Span>(), Err(error), "{text}");
        }
    }

    #[test]
    fn hours_that_never_meet_are_told() {
        assert!(!hours(&["Mon-Fri 06:00-18:00"]).meets(&hours(&["Sat,Sun 06:00-18:00"])));
        assert!(!hours(&["daily 06:00-18:00"]).meets(&hours(&["daily 18:00-06:00"])));
        assert!(hours(&["daily 06:00-18:01"]).meets(&hours(&["daily 18:00-06:00"])));
        assert!(hours(&[]).meets(&hours(&["Sun 03:00-03:01"])));
    }
}
