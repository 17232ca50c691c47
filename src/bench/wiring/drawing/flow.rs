//! One thing below the other, sheet after sheet; frame and title block around.

use super::super::cautions::SHORT;
use super::super::sheet::Sheet;
use super::canvas::{Anchor, Canvas, Weight, width, wrap};
use super::{BOTTOM, HEIGHT, LEFT, MARGIN, RIGHT, TOP, WIDTH};

pub struct Flow {
    pages: Vec<Canvas>,
    /// Where the next thing begins.
    pub y: f64,
}

impl Flow {
    pub fn new() -> Self {
        Flow {
            pages: vec![Canvas::default()],
            y: TOP,
        }
    }

    /// Makes room for a thing of that height, on another sheet where this one is too full.
    pub fn room(&mut self, height: f64) -> &mut Canvas {
        if self.y + height > BOTTOM && self.y > TOP {
            self.turn();
        }
        self.canvas()
    }

    pub fn turn(&mut self) {
        self.pages.push(Canvas::default());
        self.y = TOP;
    }

    pub fn left(&self) -> f64 {
        BOTTOM - self.y
    }

    pub fn canvas(&mut self) -> &mut Canvas {
        if self.pages.is_empty() {
            self.pages.push(Canvas::default());
        }
        let last = self.pages.len() - 1;
        &mut self.pages[last]
    }

    /// Title blocks, now that it is known how many sheets there are.
    pub fn finish(mut self, sheet: &Sheet) -> Vec<Canvas> {
        let of = self.pages.len();
        for (i, canvas) in self.pages.iter_mut().enumerate() {
            title_block(canvas, sheet, i + 1, of);
        }
        self.pages
    }
}

fn title_block(canvas: &mut Canvas, sheet: &Sheet, number: usize, of: usize) {
    canvas.title = format!("{}: wiring as built, sheet {number} of {of}", sheet.site);
    let caution = format!("{SHORT} {of}.");
    let (left, right, bottom) = (MARGIN, WIDTH - MARGIN, HEIGHT - MARGIN);
    let top = bottom - 14.0;
    let middle = top + 7.0;
    canvas.text(LEFT, top - 2.2, Anchor::Start, Weight::Bold, &caution, RIGHT - LEFT);
    canvas.path("f", &[(left, top), (right, top)]);
    let cells = [left + 130.0, left + 200.0, left + 228.0];
    for x in cells {
        canvas.path("f", &[(x, top), (x, bottom)]);
    }
    canvas.path("l", &[(cells[0], middle), (right, middle)]);
    let (upper, lower) = (middle - 2.2, bottom - 2.2);
    if width(&sheet.site, Weight::Heading) <= 124.0 {
        canvas.text(
            left + 4.0,
            top + 6.2,
            Anchor::Start,
            Weight::Heading,
            &sheet.site,
            124.0,
        );
        canvas.say(
            left + 4.0,
            lower,
            "Wiring as built, from the config; drawn at rest",
            124.0,
        );
    } else {
        let lines = wrap(&sheet.site, Weight::Bold, 122.0);
        for (line, foot) in lines.iter().zip([top + 5.2, top + 10.6]) {
            canvas.text(left + 4.0, foot, Anchor::Start, Weight::Bold, line, 124.0);
        }
    }
    let date = sheet.date.as_deref().unwrap_or_default();
    canvas.say(cells[0] + 2.0, upper, &format!("date: {date}"), 66.0);
    canvas.say(cells[0] + 2.0, lower, "checked on site:", 66.0);
    canvas.say(cells[1] + 2.0, upper, "sheet", 24.0);
    canvas.text(
        cells[1] + 2.0,
        lower,
        Anchor::Start,
        Weight::Bold,
        &format!("{number} of {of}"),
        24.0,
    );
    canvas.say(cells[2] + 2.0, upper, "A4, not to scale", 49.0);
    canvas.say(cells[2] + 2.0, lower, "no life-safety system", 49.0);
}
