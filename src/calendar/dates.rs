//! Days of the year: terms, holidays.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;

/// A day, or several in a row: of one year, or of every year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dates {
    Once {
        first: Date,
        last: Date,
    },
    /// Months and days; a stretch whose end comes before its beginning goes over New Year.
    Yearly {
        first: (i8, i8),
        last: (i8, i8),
    },
}

/// Why a text is no date.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DatesError {
    #[error(
        "write a date as \"2027-12-24\", or as \"12-24\" for every year; several days as \"2027-12-24 to 2028-01-02\""
    )]
    Shape,
    #[error("there is no such day")]
    NoDay,
    #[error("both dates with a year, or both without")]
    Mixed,
    #[error("it ends before it begins")]
    Backwards,
}

impl FromStr for Dates {
    type Err = DatesError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (first, last) = match text.split_once(" to ") {
            Some((first, last)) => (day(first.trim())?, day(last.trim())?),
            None => (day(text.trim())?, day(text.trim())?),
        };
        match (first, last) {
            (Day::Once(first), Day::Once(last)) if first > last => Err(DatesError::Backwards),
            (Day::Once(first), Day::Once(last)) => Ok(Dates::Once { first, last }),
            (Day::Yearly(first), Day::Yearly(last)) => Ok(Dates::Yearly { first, last }),
            _ => Err(DatesError::Mixed),
        }
    }
}

enum Day {
    Once(Date),
    Yearly((i8, i8)),
}

fn day(text: &str) -> Result<Day, DatesError> {
    let number = |t: &str, digits: usize| {
        let fine = t.len() == digits && t.bytes().all(|b| b.is_ascii_digit());
        fine.then(|| t.parse::<i16>().ok()).flatten().ok_or(DatesError::Shape)
    };
    let parts: Vec<&str> = text.split('-').collect();
    let date = |year: i16, month: &str, day: &str| {
        let small = |t| number(t, 2).and_then(|n| i8::try_from(n).map_err(|_| DatesError::NoDay));
        let (month, day) = (small(month)?, small(day)?);
        Date::new(year, month, day).map_err(|_| DatesError::NoDay)
    };
    match parts.as_slice() {
        [year, month, day] => date(number(year, 4)?, month, day).map(Day::Once),
        // A leap year, so that 29 February is a day.
        [month, day] => date(2028, month, day).map(|d| Day::Yearly((d.month(), d.day()))),
        _ => Err(DatesError::Shape),
    }
}

/// As in the config file.
impl fmt::Display for Dates {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let yearly = |(month, day): (i8, i8)| format!("{month:02}-{day:02}");
        let (first, last) = match self {
            Dates::Once { first, last } => (first.to_string(), last.to_string()),
            Dates::Yearly { first, last } => (yearly(*first), yearly(*last)),
        };
        match first == last {
            true => f.write_str(&first),
            false => write!(f, "{first} to {last}"),
        }
    }
}

impl Dates {
    pub fn contains(self, date: Date) -> bool {
        match self {
            Dates::Once { first, last } => (first..=last).contains(&date),
            Dates::Yearly { first, last } => {
                let day = (date.month(), date.day());
                match first <= last {
                    true => (first..=last).contains(&day),
                    false => day >= first || day <= last,
                }
            }
        }
    }
}

/// The days on which something holds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Season {
    /// Empty: every day.
    pub terms: Vec<Dates>,
    /// But not on these.
    pub except: Vec<Dates>,
}

impl Season {
    pub fn holds(&self, date: Date) -> bool {
        let on = |list: &[Dates]| list.iter().any(|dates| dates.contains(date));
        (self.terms.is_empty() || on(&self.terms)) && !on(&self.except)
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    fn contains(text: &str, day: Date) -> bool {
        text.parse::<Dates>().unwrap().contains(day)
    }

    #[test]
    fn shown_as_it_may_be_written() {
        for text in ["12-24", "12-24 to 01-02", "2027-12-24", "2027-09-06 to 2027-12-17"] {
            assert_eq!(text.parse::<Dates>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn days_of_one_year_and_of_every_year() {
        assert!(contains("2027-12-24", date(2027, 12, 24)) && !contains("2027-12-24", date(2028, 12, 24)));
        assert!(contains("12-24", date(2027, 12, 24)) && contains("12-24", date(2033, 12, 24)));
        let term = "2027-09-06 to 2027-12-17";
        assert!(contains(term, date(2027, 9, 6)) && contains(term, date(2027, 12, 17)));
        assert!(!contains(term, date(2027, 9, 5)) && !contains(term, date(2027, 12, 18)));
        let yule = "12-24 to 01-02";
        assert!(contains(yule, date(2027, 12, 31)) && contains(yule, date(2028, 1, 2)));
        assert!(!contains(yule, date(2028, 1, 3)) && !contains(yule, date(2027, 12, 23)));
        assert!(contains("02-29", date(2028, 2, 29)) && !contains("02-29", date(2027, 2, 28)));
    }

    #[test]
    fn a_season_is_its_terms_without_the_exceptions() {
        let list = |texts: &[&str]| texts.iter().map(|t| t.parse().unwrap()).collect();
        let season = Season {
            terms: list(&["2027-09-06 to 2027-12-17"]),
            except: list(&["2027-10-25 to 2027-10-29"]),
        };
        assert!(season.holds(date(2027, 10, 24)) && !season.holds(date(2027, 10, 27)));
        assert!(!season.holds(date(2027, 8, 1)));
        assert!(Season::default().holds(date(2027, 8, 1)));
    }

    #[test]
    fn what_is_no_date_is_refused() {
        for (text, error) in [
            ("24.12.2027", DatesError::Shape),
            ("2027-12", DatesError::Shape),
            ("27-12-24", DatesError::Shape),
            ("2027-02-29", DatesError::NoDay),
            ("13-01", DatesError::NoDay),
            ("2027-12-24 to 01-02", DatesError::Mixed),
            ("2027-12-24 to 2027-12-23", DatesError::Backwards),
            ("2027-12-24-2027-12-26", DatesError::Shape),
        ] {
            assert_eq!(text.parse::<Dates>(), Err(error), "{text}");
        }
    }
}
