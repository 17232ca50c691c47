//! Markdown: CommonMark 0.31 with the tables of GitHub's dialect.

use super::document::{Block, Document, Section, Table, clean, printable};

/// Where a number would be written in.
const BLANK: &str = "\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_";

pub fn markdown(document: &Document) -> String {
    let mut out = format!("# {}\n", escape(&document.title));
    if !document.subtitle.is_empty() {
        out += &format!("\n{}\n", escape(&document.subtitle));
    }
    for section in &document.sections {
        add(&mut out, section);
    }
    out
}

fn add(out: &mut String, section: &Section) {
    if !section.title.is_empty() {
        *out += &format!("\n## {}\n", escape(&section.title));
    }
    for block in &section.blocks {
        match block {
            Block::Heading(text) => *out += &format!("\n### {}\n", escape(text)),
            Block::Text(text) => *out += &format!("\n{}\n", escape(text)),
            Block::Caution(text) => *out += &format!("\n> **Caution.** {}\n", escape(text)),
            Block::List(items) => {
                out.push('\n');
                for item in items {
                    *out += &format!("- {}\n", escape(item));
                }
            }
            Block::Steps(items) => {
                out.push('\n');
                for (i, item) in items.iter().enumerate() {
                    *out += &format!("{}. {}\n", i + 1, escape(item));
                }
            }
            Block::Table(table) => add_table(out, table),
            Block::Lines(text) => {
                let fence = fence(text);
                *out += &format!("\n{fence}text\n{}\n{fence}\n", lines(text));
            }
            Block::Figure(_) => {}
            Block::Fields(fields) => {
                *out += "\n| | |\n|---|---|\n";
                for (label, value) in fields {
                    let value = value.as_deref().map_or_else(|| BLANK.to_owned(), escape);
                    *out += &format!("| {} | {value} |\n", escape(label));
                }
            }
        }
    }
}

fn add_table(out: &mut String, table: &Table) {
    let row = |cells: &[String]| {
        let cells: Vec<String> = cells.iter().map(|cell| escape(cell)).collect();
        format!("| {} |\n", cells.join(" | "))
    };
    *out += &format!("\n{}|{}\n", row(&table.head), "---|".repeat(table.head.len()));
    for cells in &table.rows {
        *out += &row(cells);
    }
}

/// A text in which nothing is markup (CommonMark §2.4: a backslash before punctuation). What begins a block does so only where a line begins.
pub(super) fn escape(text: &str) -> String {
    let text = clean(text);
    let mut out = String::new();
    let number = text.chars().take_while(char::is_ascii_digit).count();
    for (i, c) in text.chars().enumerate() {
        let begins = match c {
            '#' | '+' | '-' | '=' => i == 0,
            '.' | ')' => i > 0 && i == number,
            _ => false,
        };
        if begins || r"\`*_[]<>|~&$".contains(c) {
            out.push('\\');
        }
        out.push(c);
    }
    out
}

/// More backticks than stand anywhere in the text.
fn fence(text: &str) -> String {
    let longest = text.split(|c| c != '`').map(str::len).max().unwrap_or_default();
    "`".repeat(longest.max(2) + 1)
}

fn lines(text: &str) -> String {
    let lines: Vec<String> = text.trim_end().lines().map(printable).collect();
    lines.join("\n")
}
