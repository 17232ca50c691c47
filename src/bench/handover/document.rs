//! What a document is made of, before it is Markdown or HTML.

/// One document.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    pub title: String,
    /// Below the title.
    pub subtitle: String,
    pub paper: Paper,
    pub sections: Vec<Section>,
}

/// How it is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// As many pages as it takes; drawings across.
    Record,
    /// One page for the wall, in letters of this size, pt.
    Wall(u8),
}

#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    pub title: String,
    pub place: Place,
    pub blocks: Vec<Block>,
}

/// Where it stands on paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Flows,
    NewPage,
    /// Not over the end of a page.
    OnePage,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    Heading(String),
    Text(String),
    /// In a frame: where somebody could be hurt or misled.
    Caution(String),
    List(Vec<String>),
    /// Numbered.
    Steps(Vec<String>),
    Table(Table),
    /// Lines as they are, in letters of one width.
    Lines(String),
    /// An SVG of a sheet of A4 across; only where there are drawings.
    Figure(String),
    /// To be written in by hand, where nothing is known.
    Fields(Vec<(String, Option<String>)>),
}

/// The first cell of each row names it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    pub head: Vec<String>,
    pub rows: Vec<Vec<String>>,
}

impl Table {
    pub fn new(head: &[&str]) -> Self {
        Table {
            head: head.iter().map(|&cell| cell.to_owned()).collect(),
            rows: Vec::new(),
        }
    }

    pub fn row<T: Into<String>>(&mut self, cells: impl IntoIterator<Item = T>) {
        self.rows.push(cells.into_iter().map(Into::into).collect());
    }
}

impl Section {
    pub fn new(title: &str) -> Self {
        Section {
            title: title.to_owned(),
            place: Place::Flows,
            blocks: Vec::new(),
        }
    }

    pub fn heading(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Heading(text.into()));
    }

    pub fn text(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Text(text.into()));
    }

    pub fn caution(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Caution(text.into()));
    }

    /// Nothing for no items.
    pub fn list(&mut self, items: Vec<String>) {
        if !items.is_empty() {
            self.blocks.push(Block::List(items));
        }
    }

    pub fn steps(&mut self, items: Vec<String>) {
        self.blocks.push(Block::Steps(items));
    }

    /// Nothing for no rows.
    pub fn table(&mut self, table: Table) {
        if !table.rows.is_empty() {
            self.blocks.push(Block::Table(table));
        }
    }

    pub fn fields(&mut self, fields: Vec<(String, Option<String>)>) {
        self.blocks.push(Block::Fields(fields));
    }
}

/// One line of text as it may be printed: no line breaks, no control characters, nothing that turns the direction of writing.
pub(super) fn clean(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let text: String = text
        .chars()
        .map(|c| match c {
            '\n' | '\t' | '\u{2028}' | '\u{2029}' => ' ',
            c if c.is_control() || turns(c) => '\u{fffd}',
            c => c,
        })
        .collect();
    text.trim().to_owned()
}

/// A line with the blanks before it.
pub(super) fn printable(line: &str) -> String {
    let indent: String = line.chars().take_while(|c| *c == ' ').collect();
    format!("{indent}{}", clean(line))
}
