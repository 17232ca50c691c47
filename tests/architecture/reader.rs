//! Reads Rust code as far as the house rules need it: every path that is named, wherever it stands (imports,
//! expressions, macros), and every attribute; not what is compiled for tests only.

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// Words that are no part of a path, though one may follow.
const KEYWORDS: [&str; 16] = [
    "as", "break", "dyn", "else", "for", "if", "impl", "in", "let", "match", "move", "mut", "ref", "return", "use",
    "where",
];

/// Something at a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    pub line: usize,
    pub path: Vec<String>,
}

/// One file.
#[derive(Debug, Default)]
pub struct Source {
    pub name: String,
    /// Absolute where they begin with `crate`, `super` or `self`; otherwise as written. Groups in imports are spread.
    pub paths: Vec<Finding>,
    /// The words of each attribute.
    pub attributes: Vec<Finding>,
    /// Modules that are declared for tests only.
    pub test_modules: Vec<String>,
}

/// `name` is the path from the project's root, which says where `super` leads.
pub fn read(name: &str, text: &str) -> Result<Source, proc_macro2::LexError> {
    let stream: TokenStream = text.parse()?;
    let mut module: Vec<String> = name
        .trim_end_matches(".rs")
        .split('/')
        .skip(1)
        .map(str::to_owned)
        .collect();
    if module
        .last()
        .is_some_and(|last| last == "mod" || last == "lib" || last == "main")
    {
        module.pop();
    }
    let mut reader = Reader {
        source: Source {
            name: name.to_owned(),
            ..Source::default()
        },
        module,
    };
    reader.code(stream);
    Ok(reader.source)
}

struct Reader {
    source: Source,
    module: Vec<String>,
}

impl Reader {
    fn code(&mut self, stream: TokenStream) {
        let tokens: Vec<TokenTree> = stream.into_iter().collect();
        let mut at = 0;
        while at < tokens.len() {
            if let Some((attribute, next)) = attribute(&tokens, at) {
                if is_for_tests(&attribute) {
                    at = self.skip_item(&tokens, next);
                } else {
                    self.attribute(&attribute, tokens[at].span().start().line);
                    at = next;
                }
                continue;
            }
            match &tokens[at] {
                TokenTree::Ident(word) if word == "mod" => {
                    if let (Some(TokenTree::Ident(name)), Some(TokenTree::Group(body))) =
                        (tokens.get(at + 1), tokens.get(at + 2))
                    {
                        self.module.push(name.to_string());
                        self.code(body.stream());
                        self.module.pop();
                        at += 3;
                    } else {
                        at += 1;
                    }
                }
                // A path may begin with `::` right behind these.
                TokenTree::Ident(word) if KEYWORDS.iter().any(|keyword| word == keyword) => at += 1,
                TokenTree::Ident(_) => at = self.path(&tokens, at, &[]),
                TokenTree::Group(group) => {
                    self.code(group.stream());
                    at += 1;
                }
                TokenTree::Punct(_) | TokenTree::Literal(_) => at += 1,
            }
        }
    }

    /// Reads the path that begins at `at`, after `prefix`; returns where it ends.
    fn path(&mut self, tokens: &[TokenTree], mut at: usize, prefix: &[String]) -> usize {
        let line = tokens[at].span().start().line;
        let mut path = prefix.to_vec();
        loop {
            match tokens.get(at) {
                Some(TokenTree::Ident(word)) => path.push(word.to_string()),
                Some(TokenTree::Punct(star)) if star.as_char() == '*' && !path.is_empty() => path.push("*".into()),
                Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Brace => {
                    self.spread(group.stream(), &path);
                    return at + 1;
                }
                _ => break,
            }
            at += 1;
            if !is_double_colon(tokens, at) {
                break;
            }
            at += 2;
        }
        let path = self.absolute(path);
        self.source.paths.push(Finding { line, path });
        at
    }

    /// The group of an import: `{a, b::{c, d}}`.
    fn spread(&mut self, stream: TokenStream, prefix: &[String]) {
        let tokens: Vec<TokenTree> = stream.into_iter().collect();
        let mut at = 0;
        while at < tokens.len() {
            match &tokens[at] {
                TokenTree::Ident(word) if word == "as" => at += 2,
                TokenTree::Ident(_) => at = self.path(&tokens, at, prefix),
                TokenTree::Punct(star) if star.as_char() == '*' => at = self.path(&tokens, at, prefix),
                _ => at += 1,
            }
        }
    }

    fn absolute(&self, path: Vec<String>) -> Vec<String> {
        let mut base = self.module.clone();
        let mut rest = path.as_slice();
        match rest.first().map(String::as_str) {
            Some("self") if rest.len() > 1 => rest = &rest[1..],
            Some("super") => {
                while let Some("super") = rest.first().map(String::as_str) {
                    base.pop();
                    rest = &rest[1..];
                }
            }
            _ => return path,
        }
        std::iter::once("crate".to_owned())
            .chain(base)
            .chain(rest.iter().cloned())
            .collect()
    }

    fn attribute(&mut self, attribute: &TokenStream, line: usize) {
        let words = words(attribute.clone());
        if words.starts_with(&["cfg_attr".to_owned(), "test".to_owned()]) {
            return;
        }
        self.source.attributes.push(Finding { line, path: words });
    }

    /// Skips an item for tests with its other attributes; returns where the next one begins.
    fn skip_item(&mut self, tokens: &[TokenTree], mut at: usize) -> usize {
        while let Some((_, next)) = attribute(tokens, at) {
            at = next;
        }
        let mut ends_with_body = true;
        while let Some(token) = tokens.get(at) {
            at += 1;
            match token {
                TokenTree::Ident(word) => match word.to_string().as_str() {
                    "use" | "const" | "static" | "type" | "let" => ends_with_body = false,
                    "fn" => ends_with_body = true,
                    "mod" => {
                        if let (Some(TokenTree::Ident(name)), Some(TokenTree::Punct(_))) =
                            (tokens.get(at), tokens.get(at + 1))
                        {
                            self.source.test_modules.push(name.to_string());
                        }
                    }
                    _ => {}
                },
                TokenTree::Punct(punct) if punct.as_char() == ';' => break,
                TokenTree::Group(group) if ends_with_body && group.delimiter() == Delimiter::Brace => break,
                _ => {}
            }
        }
        at
    }
}

/// The attribute at `at`, `#[…]` or `#![…]`, and where it ends.
fn attribute(tokens: &[TokenTree], at: usize) -> Option<(TokenStream, usize)> {
    let is = |at: usize, c| matches!(tokens.get(at), Some(TokenTree::Punct(p)) if p.as_char() == c);
    if !is(at, '#') {
        return None;
    }
    let at = if is(at + 1, '!') { at + 2 } else { at + 1 };
    match tokens.get(at) {
        Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Bracket => Some((group.stream(), at + 1)),
        _ => None,
    }
}

/// `cfg(test)` or `test`.
fn is_for_tests(attribute: &TokenStream) -> bool {
    let words = words(attribute.clone());
    words == ["cfg", "test"] || words == ["test"]
}

/// All identifiers, in order.
fn words(stream: TokenStream) -> Vec<String> {
    stream
        .into_iter()
        .flat_map(|token| match token {
            TokenTree::Ident(word) => vec![word.to_string()],
            TokenTree::Group(group) => words(group.stream()),
            _ => Vec::new(),
        })
        .collect()
}

fn is_double_colon(tokens: &[TokenTree], at: usize) -> bool {
    let colon = |at: usize| matches!(tokens.get(at), Some(TokenTree::Punct(p)) if p.as_char() == ':');
    colon(at) && colon(at + 1)
}
