//! Lines and letters of one sheet, and where they are.

use std::fmt::Write as _;

use super::{HEIGHT, MARGIN, WIDTH};
use crate::report::text::escape;

/// Size of the letters that gives capitals of 2.5 mm in the usual fonts, whose capitals are 0.71 to 0.73 of it.
pub const SIZE: f64 = 3.55;
/// From one line of text to the next.
pub const LEADING: f64 = 4.8;

const STYLE: &str = "text{font-family:'Liberation Sans',Arial,Helvetica,'DejaVu Sans',sans-serif;font-size:3.55px;fill:#000}\
.b,.w{font-weight:bold}.w{fill:#fff}.h{font-size:5px;font-weight:bold}\
.l{fill:none;stroke:#000;stroke-width:.35;stroke-linecap:round}.f{fill:none;stroke:#000;stroke-width:.5}.d{fill:none;stroke:#000;stroke-width:.35;stroke-dasharray:1.6 1.2}\
.t{fill:#fff;stroke:#000;stroke-width:.35}.k{fill:#000;stroke:#000;stroke-width:.35}";

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weight {
    Plain,
    Bold,
    /// Bold, on black.
    White,
    Heading,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// Around a text, whatever usual font it is set in.
#[derive(Debug, Clone, PartialEq)]
pub struct TextBox {
    pub text: String,
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

/// A straight piece of a wire.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    pub wire: usize,
    pub from: (f64, f64),
    pub to: (f64, f64),
}

#[derive(Debug, Clone, Default)]
pub struct Canvas {
    shapes: String,
    /// Drawn above everything else.
    over: String,
    pub texts: Vec<TextBox>,
    pub segments: Vec<Segment>,
    /// Corners of everything else.
    pub points: Vec<(f64, f64)>,
    pub title: String,
}

impl Canvas {
    /// A file of its own, a sheet of A4.
    pub fn svg(&self) -> String {
        self.drawn("@page{size:A4 landscape;margin:0}")
    }

    /// To stand within a document, whose pages are its own.
    pub fn figure(&self) -> String {
        self.drawn("")
    }

    fn drawn(&self, page: &str) -> String {
        let (w, h) = (WIDTH - 2.0 * MARGIN, HEIGHT - 2.0 * MARGIN);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}mm\" height=\"{HEIGHT}mm\" viewBox=\"0 0 {WIDTH} {HEIGHT}\">\
             <title>{}</title><style>{page}{STYLE}</style>\n\
             <rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/>\n\
             <rect class=\"f\" x=\"{MARGIN}\" y=\"{MARGIN}\" width=\"{w}\" height=\"{h}\"/>\n{}{}</svg>\n",
            escape(&self.title),
            self.shapes,
            self.over
        )
    }

    /// A text on the line `y`. It is cut to `room`.
    pub fn text(&mut self, x: f64, y: f64, anchor: Anchor, weight: Weight, text: &str, room: f64) {
        let text = cut(text, weight, room);
        if text.is_empty() {
            return;
        }
        let (width, size) = (width(&text, weight), size(weight));
        let left = match anchor {
            Anchor::Start => x,
            Anchor::Middle => x - width / 2.0,
            Anchor::End => x - width,
        };
        self.texts.push(TextBox {
            text: text.clone(),
            left,
            right: left + width,
            top: y - 0.78 * size,
            bottom: y + 0.24 * size,
        });
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let class = match weight {
            Weight::Plain => "",
            Weight::Bold => " class=\"b\"",
            Weight::White => " class=\"w\"",
            Weight::Heading => " class=\"h\"",
        };
        let _ = writeln!(
            self.shapes,
            "<text{class}{anchor} x=\"{x:.2}\" y=\"{y:.2}\">{}</text>",
            escape(&text)
        );
    }

    /// A terminal's name, of which the beginning and the end matter.
    pub fn terminal(&mut self, x: f64, y: f64, anchor: Anchor, text: &str, room: f64) {
        self.text(x, y, anchor, Weight::Plain, &cut_within(text, room), room);
    }

    /// Plain text from `x` on.
    pub fn say(&mut self, x: f64, y: f64, text: &str, room: f64) {
        self.text(x, y, Anchor::Start, Weight::Plain, text, room);
    }

    /// A path of straight pieces.
    pub fn path(&mut self, class: &str, points: &[(f64, f64)]) {
        let mut d = String::new();
        for (i, (x, y)) in points.iter().enumerate() {
            let _ = write!(d, "{}{x:.2} {y:.2}", if i == 0 { 'M' } else { 'L' });
        }
        self.points.extend(points);
        let _ = writeln!(self.shapes, "<path class=\"{class}\" d=\"{d}\"/>");
    }

    /// A wire, numbered from 0.
    pub fn wire(&mut self, wire: usize, points: &[(f64, f64)]) {
        self.path("l", points);
        let pieces = points.windows(2).map(|pair| Segment {
            wire,
            from: pair[0],
            to: pair[1],
        });
        self.segments.extend(pieces);
    }

    /// `d` of a path that is not straight; `around` are its corners.
    pub fn curve(&mut self, class: &str, d: &str, around: [(f64, f64); 2]) {
        self.points.extend(around);
        let _ = writeln!(self.shapes, "<path class=\"{class}\" d=\"{d}\"/>");
    }

    pub fn rect(&mut self, class: &str, x: f64, y: f64, width: f64, height: f64) {
        self.points.extend([(x, y), (x + width, y + height)]);
        let _ = writeln!(
            self.shapes,
            "<rect class=\"{class}\" x=\"{x:.2}\" y=\"{y:.2}\" width=\"{width:.2}\" height=\"{height:.2}\"/>"
        );
    }

    /// Above lines and boxes.
    pub fn circle(&mut self, class: &str, x: f64, y: f64, radius: f64) {
        self.points.extend([(x - radius, y - radius), (x + radius, y + radius)]);
        let _ = writeln!(
            self.over,
            "<circle class=\"{class}\" cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{radius:.2}\"/>"
        );
    }
}

fn size(weight: Weight) -> f64 {
    if weight == Weight::Heading { 5.0 } else { SIZE }
}

/// Width of a text, mm: as in DejaVu Sans, which is wider than the other fonts that are asked for.
pub fn width(text: &str, weight: Weight) -> f64 {
    let bold = if weight == Weight::Plain { 1.0 } else { 1.13 };
    text.chars().map(em).sum::<f64>() * size(weight) * bold
}

fn em(c: char) -> f64 {
    match c {
        'i' | 'j' | 'l' | '\'' => 0.28,
        ' ' | '.' | ',' | 'I' | '|' => 0.32,
        '-' | ':' | ';' | '/' | '(' | ')' | '[' | ']' | 'f' | 't' | '!' => 0.40,
        'r' => 0.42,
        's' | 'J' | '–' | '"' | '²' => 0.53,
        'c' | 'v' | 'x' | 'y' | 'z' | 'k' => 0.60,
        'a'..='z' if c != 'm' && c != 'w' => 0.64,
        '0'..='9' => 0.64,
        'w' | '+' | '=' | '<' | '>' | '~' | '−' | '×' | '_' => 0.84,
        'M' | 'O' | 'Q' | 'G' | 'N' | 'D' | 'H' | 'U' | '&' => 0.87,
        'm' | 'W' | '@' | '%' | '…' => 1.0,
        'A'..='Z' => 0.72,
        'ß'..='ÿ' => 0.64,
        'À'..='Þ' => 0.80,
        c if (c as u32) < 0x2e80 => 0.90,
        _ => 1.1,
    }
}

/// As much of it as fits, with an ellipsis where something is missing.
fn cut(text: &str, weight: Weight, room: f64) -> String {
    if width(text, weight) <= room {
        return text.to_owned();
    }
    let mut kept: Vec<char> = text.chars().collect();
    while kept.pop().is_some() {
        let cut = format!("{}…", kept.iter().collect::<String>().trim_end());
        if width(&cut, weight) <= room {
            return cut;
        }
    }
    String::new()
}

/// Without its middle, where it does not fit.
fn cut_within(text: &str, room: f64) -> String {
    let letters: Vec<char> = text.chars().collect();
    let mut cut = text.to_owned();
    for kept in (1..letters.len()).rev() {
        if width(&cut, Weight::Plain) <= room {
            break;
        }
        let (head, tail) = (&letters[..kept.div_ceil(2)], &letters[letters.len() - kept / 2..]);
        let (head, tail): (String, String) = (head.iter().collect(), tail.iter().collect());
        cut = format!("{}…{}", head.trim_end(), tail.trim_start());
    }
    cut
}

/// Lines of at most `room`; a word that is longer is broken.
pub fn wrap(text: &str, weight: Weight, room: f64) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if width(&longer, weight) <= room {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if width(&line, weight) > room && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(c);
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}
