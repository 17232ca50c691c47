//! Hornwire: a paging gateway from SIP and multicast RTP to a loudspeaker amplifier's line input.
//!
//! The map of the house. Data flows left to right:
//!
//! ```text
//! signalling  sip ──▶ gate ──▶ page (switchboard) ──▶ device (relays), report (records)
//! audio       media ──▶ sound ──▶ device (sound card)
//! ```
//!
//! Pure core, no sockets, threads, clock or randomness of its own: [`sip`], [`gate`], [`calendar`], [`media`], [`page`], [`sound`].
//! Driver: [`daemon`]. Edges: [`device`], [`tls`]. Text to plan: [`config`]. What happened: [`report`].
//! The whole job without hardware: [`demo`]. A packet capture through it: [`replay`]. The machine against the config: [`doctor`].
//! The installer's bench: [`bench`].

pub mod bench;
pub mod calendar;
pub mod config;
pub mod daemon;
pub mod demo;
pub mod device;
pub mod doctor;
pub mod gate;
pub mod media;
pub mod page;
pub mod rehearsal;
pub mod replay;
pub mod report;
pub mod sip;
pub mod sound;
pub mod tls;
