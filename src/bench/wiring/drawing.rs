//! The sheets on paper: A4 across, black on white, in millimetres.
//!
//! Every circuit has a stretch of its own from left to right, so that no wire crosses another. Lines are 0.35 mm or more, letters 2.5 mm high or
//! more (ISO 3098: height of capitals). Symbols as in IEC 60617: coil, change-over contact, transformer, resistor, chassis.

use canvas::Canvas;
use flow::Flow;

use super::sheet::Sheet;

pub(super) mod canvas;
mod circuits;
mod flow;
mod symbols;
mod tables;

/// A sheet of A4 across, mm.
pub(super) const WIDTH: f64 = 297.0;
pub(super) const HEIGHT: f64 = 210.0;
/// Of the frame.
pub(super) const MARGIN: f64 = 8.0;
/// Where circuits and tables begin and end.
const LEFT: f64 = 12.0;
const RIGHT: f64 = 285.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 181.0;

/// One SVG for each sheet.
pub fn draw(sheet: &Sheet) -> Vec<String> {
    pages(sheet).iter().map(Canvas::svg).collect()
}

/// The same, to stand within a document: they say nothing of its pages.
pub fn figures(sheet: &Sheet) -> Vec<String> {
    pages(sheet).iter().map(Canvas::figure).collect()
}

pub(super) fn pages(sheet: &Sheet) -> Vec<Canvas> {
    let mut flow = Flow::new();
    circuits::draw(sheet, &mut flow);
    tables::draw(sheet, &mut flow);
    flow.finish(sheet)
}
