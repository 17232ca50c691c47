//! What keeps a page from a zone.

use super::reason_code;
use crate::page::{EndReason, PageId};

/// A zone that a page was for and where it was not heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missed {
    pub zone: String,
    /// What kept it out, where something did.
    pub why: Option<Barrier>,
}

/// What keeps a page from a zone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Barrier {
    /// Another page has the zone; its source, if that is known.
    Page(PageId, Option<String>),
    /// The zone's sound card does not work.
    Card,
    /// Another system has the amplifier.
    Veto,
    /// The table's name, if that is known.
    QuietHours(Option<String>),
}

impl Barrier {
    /// A sentence's second half.
    pub fn text(&self) -> String {
        match self {
            Barrier::Page(page, Some(source)) => format!("page {} from {source} has it", page.0),
            Barrier::Page(page, None) => format!("page {} has it", page.0),
            Barrier::Card => "its sound card does not work".to_owned(),
            Barrier::Veto => "another system has the amplifier".to_owned(),
            Barrier::QuietHours(Some(name)) => format!("quiet hours ({name})"),
            Barrier::QuietHours(None) => "quiet hours".to_owned(),
        }
    }

    /// As [`reason_code`] has it.
    pub fn code(&self) -> &'static str {
        reason_code(match self {
            Barrier::Page(..) => EndReason::Busy,
            Barrier::Card => EndReason::DeviceFault,
            Barrier::Veto => EndReason::Vetoed,
            Barrier::QuietHours(_) => EndReason::QuietHours,
        })
    }

    /// The other page's number.
    pub fn page(&self) -> Option<u64> {
        match self {
            Barrier::Page(page, _) => Some(page.0),
            _ => None,
        }
    }

    pub fn source(&self) -> Option<&str> {
        match self {
            Barrier::Page(_, source) => source.as_deref(),
            _ => None,
        }
    }

    /// `busy 5`, `quiet-hours night`, `vetoed`: for the field `MISSED_CAUSE`.
    pub(super) fn cause(&self) -> String {
        let detail = match self {
            Barrier::Page(page, _) => Some(page.0.to_string()),
            Barrier::QuietHours(name) => name.clone(),
            Barrier::Card | Barrier::Veto => None,
        };
        match detail {
            Some(detail) => format!("{} {detail}", self.code()),
            None => self.code().to_owned(),
        }
    }
}
