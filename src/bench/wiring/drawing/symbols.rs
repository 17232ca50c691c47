//! Circuit symbols, as in IEC 60617.

use std::fmt::Write as _;

use super::canvas::{Anchor, Canvas, Weight};

/// A terminal: a small open circle.
pub fn terminal(canvas: &mut Canvas, x: f64, y: f64) {
    canvas.circle("t", x, y, 0.9);
}

/// A transformer between two pairs of lines at `upper` and `lower`; `x` is its middle. The windings reach 5 mm to each side.
pub fn transformer(canvas: &mut Canvas, x: f64, upper: f64, lower: f64) {
    let turn = (lower - upper) / 4.0;
    for (side, sweep) in [(-1.0, 1), (1.0, 0)] {
        let at = x + side * 4.0;
        let mut d = format!("M{at:.2} {upper:.2}");
        for i in 1..=4 {
            let _ = write!(d, "A1 1 0 0 {sweep} {at:.2} {:.2}", upper + f64::from(i) * turn);
        }
        canvas.curve("l", &d, [(at - 1.1, upper), (at + 1.1, lower)]);
    }
    for at in [x - 1.0, x + 1.0] {
        canvas.path("l", &[(at, upper), (at, lower)]);
    }
}

/// A relay coil, 10 mm wide; `x` is its left side.
pub fn coil(canvas: &mut Canvas, x: f64, y: f64) {
    canvas.rect("t", x, y - 2.6, 10.0, 5.2);
}

/// A pad of whatever kind: one box with two lines in and two out.
pub fn pad(canvas: &mut Canvas, left: f64, right: f64, upper: f64, lower: f64) {
    canvas.rect("t", left, upper - 2.0, right - left, lower - upper + 4.0);
    let middle = (f64::midpoint(left, right), f64::midpoint(upper, lower));
    canvas.text(
        middle.0,
        middle.1 + 1.3,
        Anchor::Middle,
        Weight::Plain,
        "dB",
        right - left,
    );
}

/// A change-over contact at rest: COM at `x`, NC above and NO below on the right, 20 mm away.
pub fn change_over(canvas: &mut Canvas, x: f64, y: f64) {
    let (nc, no) = (y - 4.0, y + 4.0);
    canvas.path("f", &[(x, y), (x + 19.0, nc + 0.9)]);
    for (x, y) in [(x, y), (x + 20.0, nc), (x + 20.0, no)] {
        terminal(canvas, x, y);
    }
    canvas.text(x - 2.0, y - 1.2, Anchor::End, Weight::Plain, "COM", 20.0);
    canvas.say(x + 22.0, nc - 1.2, "NC", 20.0);
    canvas.say(x + 22.0, no - 1.2, "NO", 20.0);
}

/// A make contact, standing between two terminals above each other.
pub fn make(canvas: &mut Canvas, x: f64, upper: f64, lower: f64) {
    let gap = (lower - upper) / 2.0;
    canvas.path("l", &[(x - 4.0, upper), (x, upper), (x, upper + gap / 2.0)]);
    canvas.path("f", &[(x, lower - gap / 2.0), (x - 2.4, upper + gap / 2.0)]);
    canvas.path("l", &[(x, lower - gap / 2.0), (x, lower), (x - 4.0, lower)]);
}

/// The chassis symbol, its line coming from the left.
pub fn chassis(canvas: &mut Canvas, x: f64, y: f64) {
    canvas.path("l", &[(x, y), (x + 3.0, y), (x + 3.0, y + 1.5)]);
    canvas.path("f", &[(x + 0.5, y + 1.5), (x + 5.5, y + 1.5)]);
    for dx in [0.5, 3.0, 5.5] {
        canvas.path("l", &[(x + dx, y + 1.5), (x + dx - 1.0, y + 3.0)]);
    }
}

/// A cable's screen: a dashed ring around its two conductors.
pub fn screen(canvas: &mut Canvas, x: f64, upper: f64, lower: f64) {
    let (ry, middle) = ((lower - upper) / 2.0 + 2.2, f64::midpoint(upper, lower));
    let (top, bottom) = (middle - ry, middle + ry);
    let d = format!("M{x:.2} {top:.2}A2 {ry:.2} 0 0 1 {x:.2} {bottom:.2}A2 {ry:.2} 0 0 1 {x:.2} {top:.2}");
    canvas.curve("d", &d, [(x - 2.0, top), (x + 2.0, bottom)]);
}
