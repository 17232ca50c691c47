//! What is wrong with a config file, told so that an installer can mend it.

use std::collections::BTreeSet;
use std::fmt;

/// Most problems told of one file; the rest is only counted.
pub const MAX_PROBLEMS: usize = 200;

/// Most lines told that are not TOML: a file with more is no config file.
const MAX_BROKEN: usize = 20;

/// Longest stretch of a file's own text that a message repeats, in characters.
const MAX_QUOTE: usize = 60;

/// How what was found ends where this user may not read a file.
pub(super) const NO_PERMISSION: &str = "no permission to read it";

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The daemon runs, but this is probably not what was meant.
    Warning,
    /// The daemon refuses the file.
    Error,
}

/// Both from 1; the column counts characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    pub line: usize,
    pub column: usize,
}

/// One problem. Its text never holds a secret.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    pub severity: Severity,
    pub file: String,
    /// `None` when it is about the file as a whole.
    pub place: Option<Place>,
    /// Key path such as `zones.yard.lead`; empty when no key is concerned.
    pub key: String,
    pub found: String,
    pub wanted: String,
    /// Empty if there is nothing to add.
    pub hint: String,
}

impl Problem {
    /// Nothing is known to be wrong: this user may not read a file, and another one perhaps may.
    pub fn is_forbidden(&self) -> bool {
        self.severity == Severity::Error && self.found.ends_with(NO_PERMISSION)
    }

    /// In one line.
    pub fn line(&self) -> String {
        let text = self.to_string();
        let mut lines = text.lines().map(str::trim);
        let head = lines.next().unwrap_or_default().to_owned();
        lines.fold(head, |line, part| {
            // "wanted", blanks, and what is wanted.
            let (label, rest) = part.split_once(' ').unwrap_or(("", part));
            format!("{line}; {label} {}", rest.trim_start())
        })
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", clean(&self.file, usize::MAX))?;
        if let Some(place) = self.place {
            write!(f, ":{}:{}", place.line, place.column)?;
        }
        let severity = match self.severity {
            Severity::Warning => "warning",
            Severity::Error => "error",
        };
        write!(f, ": {severity}")?;
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        for (label, text) in [("found", &self.found), ("wanted", &self.wanted), ("hint", &self.hint)] {
            if !text.is_empty() {
                // Whatever came into the text: it must not drive the terminal.
                let text: String = text.chars().filter(|c| !c.is_control()).collect();
                write!(f, "\n    {label:<7} {text}")?;
            }
        }
        Ok(())
    }
}

/// Quotes a file's own text: control characters escaped, long text cut.
pub(super) fn quote(text: &str) -> String {
    format!("\"{}\"", clean(text, MAX_QUOTE))
}

fn clean(text: &str, most: usize) -> String {
    let mut out = String::new();
    for (i, c) in text.chars().enumerate() {
        if i >= most {
            out.push('…');
            break;
        }
        if c.is_control() || c == '"' || c == '\\' {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

/// One step of a key path, quoted where TOML would want it.
pub(super) fn step(name: &str) -> String {
    let bare = (1..=MAX_QUOTE).contains(&name.len())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    if bare { name.to_owned() } else { quote(name) }
}

/// The text of a problem, before it has a file and a place.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Complaint {
    pub key: String,
    pub found: String,
    pub wanted: String,
    pub hint: String,
}

impl Complaint {
    pub fn new(key: String, found: impl Into<String>, wanted: &str, hint: impl Into<String>) -> Self {
        Complaint {
            key,
            found: found.into(),
            wanted: wanted.to_owned(),
            hint: hint.into(),
        }
    }
}

/// Gathers the problems of a file, and of those that are read behind it as if they were one.
#[derive(Debug)]
pub(super) struct Problems {
    file: String,
    /// Files behind the first one: their names, and how many lines there are before each.
    behind: Vec<(String, usize)>,
    /// Byte offset of each line's beginning.
    lines: Vec<usize>,
    text: String,
    list: Vec<Problem>,
    untold: usize,
    errors: usize,
    /// Lines with syntax errors: what is read from them is not to be trusted.
    broken: BTreeSet<usize>,
}

impl Problems {
    pub fn new(file: &str, text: &str) -> Self {
        let lines = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(i, _)| i + 1))
            .collect();
        Problems {
            file: file.to_owned(),
            behind: Vec::new(),
            lines,
            text: text.to_owned(),
            list: Vec::new(),
            untold: 0,
            errors: 0,
            broken: BTreeSet::new(),
        }
    }

    /// Reads on in another file. Returns the offset at which it begins.
    pub fn append(&mut self, file: &str, text: &str) -> usize {
        if !self.text.ends_with('\n') {
            self.text.push('\n');
            self.lines.push(self.text.len());
        }
        let from = self.text.len();
        self.behind.push((file.to_owned(), self.lines.len() - 1));
        self.lines.extend(text.match_indices('\n').map(|(i, _)| from + i + 1));
        self.text.push_str(text);
        from
    }

    /// The file of a line, which counts from 1 over all files, and how many lines there are before that file.
    fn file_of(&self, line: usize) -> (&str, usize) {
        let behind = self.behind.iter().rev().find(|(_, before)| line > *before);
        behind.map_or((&self.file, 0), |(file, before)| (file, *before))
    }

    /// The line and the column of a byte offset, from 1 over all files; offsets beyond the end count as the end.
    fn line(&self, offset: usize) -> (usize, usize) {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let line = self.lines.partition_point(|start| *start <= offset).max(1);
        let start = self.lines.get(line - 1).copied().unwrap_or(0);
        let column = self.text.get(start..offset).map_or(0, |t| t.chars().count()) + 1;
        (line, column)
    }

    fn push(&mut self, severity: Severity, at: Option<(usize, usize)>, complaint: Complaint) {
        if severity == Severity::Error {
            self.errors += 1;
        }
        if self.list.len() >= MAX_PROBLEMS {
            self.untold += 1;
            return;
        }
        let Complaint {
            key,
            found,
            wanted,
            hint,
        } = complaint;
        let (file, before) = at.map_or((self.file.as_str(), 0), |(line, _)| self.file_of(line));
        let file = file.to_owned();
        let place = at.map(|(line, column)| Place {
            line: line - before,
            column,
        });
        self.list.push(Problem {
            severity,
            file,
            place,
            key,
            found,
            wanted,
            hint,
        });
    }

    /// A line that is not TOML. One problem a line: what follows from it is noise.
    pub fn syntax(&mut self, offset: usize, complaint: Complaint) {
        let at = self.line(offset);
        if self.broken.insert(at.0) {
            if self.broken.len() > MAX_BROKEN {
                self.errors += 1;
                self.untold += 1;
                return;
            }
            self.push(Severity::Error, Some(at), complaint);
        }
    }

    pub fn error(&mut self, offset: usize, complaint: Complaint) {
        let at = self.line(offset);
        if !self.broken.contains(&at.0) {
            self.push(Severity::Error, Some(at), complaint);
        }
    }

    pub fn warning(&mut self, offset: usize, complaint: Complaint) {
        let at = self.line(offset);
        if !self.broken.contains(&at.0) {
            self.push(Severity::Warning, Some(at), complaint);
        }
    }

    /// An error that may only follow from a line that could not be read, such as a missing key.
    pub fn lack(&mut self, offset: usize, complaint: Complaint) {
        if self.broken.is_empty() {
            self.error(offset, complaint);
        }
    }

    /// As [`Problems::lack`], as a warning.
    pub fn idle(&mut self, offset: usize, complaint: Complaint) {
        if self.broken.is_empty() {
            self.warning(offset, complaint);
        }
    }

    /// About the file as a whole.
    pub fn whole(&mut self, complaint: Complaint) {
        self.push(Severity::Error, None, complaint);
    }

    /// As [`Problems::whole`], as a warning.
    pub fn whole_warning(&mut self, complaint: Complaint) {
        self.push(Severity::Warning, None, complaint);
    }

    /// Lets something be read whose errors do not count; they are handed over apart.
    pub fn aside<T>(&mut self, read: impl FnOnce(&mut Problems) -> T) -> (T, Vec<Problem>) {
        let (before, errors, untold) = (self.list.len(), self.errors, self.untold);
        let value = read(self);
        let own = self.list.split_off(before).into_iter();
        let (wrong, rest) = own.partition(|problem| problem.severity == Severity::Error);
        self.list.extend::<Vec<Problem>>(rest);
        (self.errors, self.untold) = (errors, untold);
        (value, wrong)
    }

    /// Some line could not be read.
    pub fn is_broken(&self) -> bool {
        !self.broken.is_empty()
    }

    /// Takes over a problem.
    pub fn take(&mut self, problem: Problem) {
        if problem.severity == Severity::Error {
            self.errors += 1;
        }
        self.list.push(problem);
    }

    /// Takes over another file's problems.
    pub fn absorb(&mut self, other: Problems) {
        self.errors += other.errors;
        self.untold += other.untold;
        self.list.extend(other.list);
    }

    pub fn has_errors(&self) -> bool {
        self.errors > 0
    }

    /// Some error is about this table or a key in it. Errors that are not told, and lines that cannot be read, count
    /// as being about every table.
    pub fn has_errors_in(&self, table: &str) -> bool {
        let concerns = |key: &str| {
            key.strip_prefix(table)
                .is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        let mut told = self.list.iter().filter(|p| p.severity == Severity::Error);
        self.untold > 0 || self.is_broken() || told.any(|p| concerns(&p.key))
    }

    /// In the order of the file.
    pub fn into_list(mut self) -> Vec<Problem> {
        let own = std::mem::take(&mut self.file);
        let files: Vec<&str> = std::iter::once(own.as_str())
            .chain(self.behind.iter().map(|(file, _)| file.as_str()))
            .collect();
        let nth = |file: &str| files.iter().position(|own| *own == file).unwrap_or(files.len());
        self.list.sort_by_key(|p| (nth(&p.file), p.place));
        if self.untold > 0 {
            self.list.push(Problem {
                severity: Severity::Error,
                file: own,
                place: None,
                key: String::new(),
                found: format!("{} more problems, not shown", self.untold),
                wanted: String::new(),
                hint: "mend the first ones and check again".to_owned(),
            });
        }
        self.list
    }
}

/// The closest of `known` to `word`, if it is close enough to be a slip of the pen.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Bounds the work: nobody mistypes a name into something three times as long.
    if word.chars().count() > 64 {
        return None;
    }
    let plain = |s: &str| s.to_lowercase().replace('-', "_");
    let word = plain(word);
    known
        .into_iter()
        .map(|k| (strsim::osa_distance(&word, &plain(k)), k))
        .filter(|(distance, k)| *distance <= 1.max(k.chars().count().min(word.chars().count()) / 3))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, k)| k)
}

/// The one of `known` that is a word of `word`, or that `word` begins: `private_key` for `key`, `cert` for `certificate`.
pub(super) fn akin<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    let mut fitting = known.into_iter().filter(|k| {
        let is_part = word.split(['_', '-']).any(|part| part == *k);
        is_part || (word.len() >= 3 && k.starts_with(&word))
    });
    fitting.next().filter(|_| fitting.next().is_none())
}

/// `a, b or c`, each in backticks.
pub(super) fn alternatives<'a>(words: impl IntoIterator<Item = &'a str>) -> String {
    let words: Vec<String> = words
        .into_iter()
        .map(|w| format!("`{}`", clean(w, MAX_QUOTE)))
        .collect();
    match words.split_last() {
        None => String::new(),
        Some((only, [])) => only.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

/// Control characters escaped, long text cut, for text that needs no quotes.
pub(super) fn cut(text: &str) -> String {
    let mut out: String = text.chars().filter(|c| !c.is_control()).take(MAX_QUOTE).collect();
    if out.len() < text.len() {
        out.push('…');
    }
    out
}
