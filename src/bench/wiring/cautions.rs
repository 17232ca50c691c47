//! What can hurt somebody, or something, on the way.

/// Said on every sheet.
pub(super) const SHORT: &str =
    "Work de-energised. Contacts within their rating: low voltage and audio only, no mains. Cautions: sheet";

/// Common practice; they defer to local code, and to whoever is licensed by it.
pub const CAUTIONS: [&str; 6] = [
    "This is not a life-safety or mass-notification system and is not listed as one. Fire and emergency announcements belong on listed \
     equipment, designed, installed and tested by licensed people under local code.",
    "Mains, amplifiers and 70 or 100 V loudspeaker lines can injure. Switch off, lock out and check before touching terminals; follow the \
     local electrical code, and where it wants a licensed electrician, use one.",
    "Relay contacts only within their rating, for low-voltage control and audio only. No mains on a hobby relay board. Measure the trigger \
     terminals first: voltage and current there must be within the contact's rating.",
    "The header's lines are for 3.3 V: 5 V on one of them destroys the board. Contacts at its inputs must be free of voltage of their own.",
    "Loudspeakers can damage hearing. Start with the level low, measure, and follow the local occupational-noise rules.",
    "Lines that leave the building need surge protection and bonding to code.",
];
