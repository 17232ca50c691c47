//! HTML that is XML too (HTML, "The XML syntax"): one file, no scripts, nothing fetched.

use std::fmt::Write as _;

use super::document::{Block, Document, Paper, Place, Section, Table, clean, printable};

/// Black on white. Lengths in mm and pt: it is made for paper.
const STYLE: &str = "\
*{box-sizing:border-box}\
html{background:#fff;color:#000}\
body{margin:0 auto;max-width:180mm;padding:6mm 0;font-family:'Liberation Sans',Arial,Helvetica,'DejaVu Sans',sans-serif;font-size:10.5pt;line-height:1.35}\
h1{font-size:21pt;line-height:1.15;margin:0 0 2mm}\
h2{font-size:14.5pt;line-height:1.2;margin:8mm 0 2mm;padding-bottom:.8mm;border-bottom:.5mm solid #000;break-after:avoid}\
h3{font-size:11.5pt;margin:4.5mm 0 1mm;break-after:avoid}\
p{margin:0 0 2mm;orphans:3;widows:3}\
.under{font-size:11.5pt;margin-bottom:3mm}\
ul,ol{margin:0 0 2.5mm;padding-left:6mm}\
li{margin-bottom:.8mm}\
table{border-collapse:collapse;width:100%;margin:0 0 3.5mm}\
th,td{border:.25mm solid #000;padding:1mm 1.6mm;text-align:left;vertical-align:top;overflow-wrap:break-word}\
thead{display:table-header-group}\
thead th{border-bottom:.6mm solid #000}\
tr{break-inside:avoid}\
.c6{table-layout:fixed;font-size:9.5pt}\
.c6 thead th:first-child{width:15%}\
.c6 thead th:nth-child(2){width:20%}\
.c6 thead th:nth-child(3){width:24%}\
.c6 thead th:nth-child(4){width:18%}\
.c6 thead th:nth-child(5){width:9%}\
.c6 thead th:nth-child(6){width:14%}\
.blanks{break-inside:avoid}\
.blanks th{width:48mm;font-weight:normal}\
.blanks td{height:9mm;font-weight:bold}\
.note{border:.7mm solid #000;padding:2mm 3mm;margin:0 0 3mm;break-inside:avoid}\
pre{font-family:'Liberation Mono','DejaVu Sans Mono',monospace;font-size:8.3pt;line-height:1.25;margin:0 0 4mm;white-space:pre-wrap;overflow-wrap:anywhere;break-inside:avoid}\
figure{margin:0;page:across;break-before:page;break-after:page}\
figure svg{display:block;width:296mm;max-width:100%;height:auto}\
.fresh{break-before:page}\
.keep{break-inside:avoid}\
@page{size:A4 portrait;margin:15mm 15mm 16mm;@bottom-right{content:counter(page) \" / \" counter(pages);font:9pt sans-serif}}\
@page across{size:A4 landscape;margin:0;@bottom-right{content:none}}\
@media print{body{max-width:none;padding:0}}";

/// Of the page for the wall, behind the other one.
const WALL: &str = "\
@page{size:A4 portrait;margin:10mm 12mm;@bottom-right{content:none}}\
h1{font-size:2em;margin:0 0 .15em}\
h2{font-size:1.2em;margin:.5em 0 .2em;padding-bottom:.1em}\
p,ul,ol,table,.note{margin:0 0 .3em}\
.under{font-size:1em}\
ul,ol{padding-left:1.3em}\
li{margin:0}\
table{table-layout:fixed}\
th,td{padding:.12em .4em}\
.c2 thead th:first-child{width:36%}\
.c4 thead th:nth-child(odd){width:28%}\
.c4 td:nth-child(3){font-weight:bold}\
.c4 td:nth-child(3),.c4 th:nth-child(3){border-left:.8mm solid #000}\
.note{padding:.3em .6em;font-weight:bold}\
.blanks th{width:40%}\
.blanks td{height:1.9em}\
body{line-height:1.25}";

/// Longest word in a cell that is never broken, letters.
const LONG: usize = 14;

pub fn html(document: &Document) -> String {
    let title = escape(&document.title);
    let mut out = format!(
        "<!DOCTYPE html>\n<html xmlns=\"http://www.w3.org/1999/xhtml\" lang=\"en\" xml:lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\"/>\n\
         <title>{title}</title>\n<style>{STYLE}"
    );
    if let Paper::Wall(size) = document.paper {
        let _ = write!(out, "{WALL}body{{font-size:{size}pt}}");
    }
    let _ = write!(out, "</style>\n</head>\n<body>\n<h1>{title}</h1>\n");
    if !document.subtitle.is_empty() {
        let _ = writeln!(out, "<p class=\"under\">{}</p>", escape(&document.subtitle));
    }
    for section in &document.sections {
        add(&mut out, section);
    }
    out.push_str("</body>\n</html>\n");
    out
}

fn add(out: &mut String, section: &Section) {
    let class = match section.place {
        Place::Flows => "",
        Place::NewPage => " class=\"fresh\"",
        Place::OnePage => " class=\"keep\"",
    };
    let _ = writeln!(out, "<section{class}>");
    if !section.title.is_empty() {
        let _ = writeln!(out, "<h2>{}</h2>", escape(&section.title));
    }
    for block in &section.blocks {
        let _ = match block {
            Block::Heading(text) => writeln!(out, "<h3>{}</h3>", escape(text)),
            Block::Text(text) => writeln!(out, "<p>{}</p>", escape(text)),
            Block::Caution(text) => writeln!(out, "<p class=\"note\">{}</p>", escape(text)),
            Block::List(items) => writeln!(out, "<ul>\n{}</ul>", listed(items)),
            Block::Steps(items) => writeln!(out, "<ol>\n{}</ol>", listed(items)),
            Block::Table(table) => out.write_str(&of_table(table)),
            Block::Lines(text) => {
                let lines: Vec<String> = text.trim_end().lines().map(escaped_line).collect();
                writeln!(out, "<pre>{}</pre>", lines.join("\n"))
            }
            // It is ours, and escaped where it was drawn.
            Block::Figure(svg) => writeln!(out, "<figure>{}</figure>", svg.trim_end()),
            Block::Fields(fields) => out.write_str(&of_fields(fields)),
        };
    }
    out.push_str("</section>\n");
}

fn listed(items: &[String]) -> String {
    items
        .iter()
        .map(|item| format!("<li>{}</li>\n", escape(item)))
        .collect()
}

fn of_table(table: &Table) -> String {
    let head: String = table
        .head
        .iter()
        .map(|cell| format!("<th scope=\"col\">{}</th>", cell_of(cell)))
        .collect();
    let row = |cells: &Vec<String>| {
        let cells = cells.iter().enumerate().map(|(i, cell)| match i {
            0 => format!("<th scope=\"row\">{}</th>", cell_of(cell)),
            _ => format!("<td>{}</td>", cell_of(cell)),
        });
        format!("<tr>{}</tr>\n", cells.collect::<String>())
    };
    let rows: String = table.rows.iter().map(row).collect();
    let columns = table.head.len();
    format!("<table class=\"c{columns}\">\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table>\n")
}

fn of_fields(fields: &[(String, Option<String>)]) -> String {
    let row = |(label, value): &(String, Option<String>)| {
        let value = value.as_deref().map(cell_of).unwrap_or_default();
        format!("<tr><th scope=\"row\">{}</th><td>{value}</td></tr>\n", escape(label))
    };
    let rows: String = fields.iter().map(row).collect();
    format!("<table class=\"blanks\">\n<tbody>\n{rows}</tbody>\n</table>\n")
}

/// Long words may be broken, so that no table is wider than the page.
fn cell_of(text: &str) -> String {
    let text = clean(text);
    let words = text.split(' ').map(|word| {
        let letters: Vec<char> = word.chars().collect();
        let mut out = String::new();
        let mut since = 0;
        for (i, c) in letters.iter().enumerate() {
            out += &escape(&c.to_string());
            since += 1;
            let left = letters.len() - i - 1;
            let may = "/:=_.@,-".contains(*c) && since > 3;
            if letters.len() > LONG && left > 3 && (may || since >= LONG) {
                out += "<wbr/>";
                since = 0;
            }
        }
        out
    });
    words.collect::<Vec<_>>().join(" ")
}

fn escape(text: &str) -> String {
    crate::report::text::escape(&clean(text))
}

fn escaped_line(line: &str) -> String {
    crate::report::text::escape(&printable(line))
}
