//! Rust source as far as the rules need it: code apart from comments and texts, tests apart from the rest,
//! words, functions.

/// `source` with comments blanked and the text of literals replaced by underscores. Line breaks stay.
pub(crate) fn code_only(source: &str) -> String {
    let mut code = String::with_capacity(source.len());
    let mut rest = source;
    while let Some(first) = rest.chars().next() {
        let in_word = code.chars().next_back().is_some_and(is_word);
        let taken = if let Some(length) = comment_length(rest) {
            code.extend(rest[..length].chars().map(|c| if c == '\n' { c } else { ' ' }));
            length
        } else if let Some(length) = literal_length(rest, in_word) {
            let covered = |c: char| if c.is_whitespace() || c == '"' { c } else { '_' };
            code.extend(rest[..length].chars().map(covered));
            length
        } else {
            code.push(first);
            first.len_utf8()
        };
        rest = &rest[taken..];
    }
    code
}

fn comment_length(text: &str) -> Option<usize> {
    if text.starts_with("//") {
        return Some(text.find('\n').unwrap_or(text.len()));
    }
    if !text.starts_with("/*") {
        return None;
    }
    let (mut depth, mut at) = (0, 0);
    while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
        if rest.starts_with("/*") {
            depth += 1;
            at += 2;
        } else if rest.starts_with("*/") {
            depth -= 1;
            at += 2;
        } else {
            at += rest.chars().next().map_or(1, char::len_utf8);
        }
        if depth == 0 {
            return Some(at);
        }
    }
    Some(text.len())
}

/// Length of the literal that `text` begins with. `in_word`: the character before belongs to a name.
fn literal_length(text: &str, in_word: bool) -> Option<usize> {
    if let Some(quoted) = text.strip_prefix('"') {
        return Some(1 + end_of_quoted(quoted, '"'));
    }
    if let Some(quoted) = text.strip_prefix('\'') {
        let mut inner = quoted.chars();
        return match (inner.next()?, inner.next()) {
            ('\\', Some(_)) => Some(1 + end_of_quoted(quoted, '\'')),
            (c, Some('\'')) => Some(2 + c.len_utf8()),
            _ => None, // a lifetime
        };
    }
    if in_word {
        return None;
    }
    let prefix = usize::from(text.starts_with(['b', 'c']));
    let raw = text[prefix..].strip_prefix('r')?;
    let hashes = raw.len() - raw.trim_start_matches('#').len();
    let body = raw[hashes..].strip_prefix('"')?;
    let end = format!("\"{}", "#".repeat(hashes));
    let length = body.find(&end).map_or(body.len(), |at| at + end.len());
    Some(prefix + 1 + hashes + 1 + length)
}

/// Where the text behind an opening quote ends, closing quote included.
fn end_of_quoted(text: &str, quote: char) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            _ if c == quote => return at + c.len_utf8(),
            _ => {}
        }
    }
    text.len()
}

/// Code without the items marked `#[cfg(test)]`; they become blank lines.
pub(crate) fn without_tests(code: &str) -> String {
    const MARK: &str = "#[cfg(test)]";
    let mut kept = String::with_capacity(code.len());
    let mut rest = code;
    while let Some(at) = rest.find(MARK) {
        let (before, item) = rest.split_at(at);
        kept.push_str(before);
        let end = end_of_item(item);
        kept.extend(item[..end].chars().filter(|c| *c == '\n'));
        rest = &item[end..];
    }
    kept.push_str(rest);
    kept
}

/// Where the item at the begin of `code` ends: behind its closing brace, or behind a semicolon outside of
/// brackets.
fn end_of_item(code: &str) -> usize {
    let (mut brackets, mut braces) = (0, 0);
    for (at, c) in code.char_indices() {
        match c {
            '(' | '[' => brackets += 1,
            ')' | ']' => brackets -= 1,
            '{' => braces += 1,
            '}' => braces -= 1,
            _ => {}
        }
        if brackets == 0 && braces == 0 && (c == '}' || c == ';') {
            return at + 1;
        }
    }
    code.len()
}

/// Numbers of the lines of `code` on which `wanted` stands as a word of its own.
pub(crate) fn lines_with(code: &str, wanted: &str) -> Vec<usize> {
    let numbered = code.lines().enumerate();
    numbered.filter(|(_, line)| has_word(line, wanted)).map(|(at, _)| at + 1).collect()
}

fn has_word(line: &str, wanted: &str) -> bool {
    line.match_indices(wanted).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        let after = line[at + wanted.len()..].chars().next();
        // `'static` is a lifetime, not an item.
        let begins = before.is_none_or(|c| !is_word(c) && c != '\'') || !wanted.starts_with(is_word);
        let ends = after.is_none_or(|c| !is_word(c)) || !wanted.ends_with(is_word);
        begins && ends
    })
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

pub(crate) struct Function<'code> {
    pub(crate) name: &'code str,
    pub(crate) line: usize,
    /// From its first line to its closing brace, without blank lines and comments.
    pub(crate) code_lines: usize,
}

/// The functions of `code` that have a body. One inside another counts for both.
pub(crate) fn functions(code: &str) -> Vec<Function<'_>> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices("fn ") {
        let in_word = code[..at].chars().next_back().is_some_and(is_word);
        let rest = &code[at..];
        let name = rest[3..].split(|c| !is_word(c)).next().unwrap_or_default();
        let text = &rest[..end_of_item(rest)];
        if !in_word && !name.is_empty() && text.ends_with('}') {
            let line = code[..at].matches('\n').count() + 1;
            let code_lines = text.lines().filter(|line| !line.trim().is_empty()).count();
            found.push(Function { name, line, code_lines });
        }
    }
    found
}

#[test]
fn comments_and_texts_are_not_code() {
    let check = |source: &str, expected: &str| assert_eq!(code_only(source), expected);
    check("a // b \"\nc", "a       \nc");
    check("a /* x /* y */ \" */ b", &format!("a{}b", " ".repeat(19)));
    check("f(\"}\\\"{\", x)", "f(\"__\"_\", x)");
    check("f('{', '\\'', b'}')", "f(___, ____, b___)");
    check("r#\"say \"{\"\"#;", "__\"___ \"_\"\"_;");
    check("fn f<'a>(x: &'a str)", "fn f<'a>(x: &'a str)");
    check("var\"x\"", "var\"_\"");
}

#[test]
fn tests_are_taken_out_and_lines_keep_their_numbers() {
    let code = "a\n#[cfg(test)]\nmod tests {\n    fn f() {}\n}\nb\n#[cfg(test)]\nmod more;\nc\n";
    assert_eq!(without_tests(code), "a\n\n\n\n\nb\n\n\nc\n");
}

#[test]
fn a_word_is_found_only_as_a_word_of_its_own() {
    assert_eq!(lines_with("static A: u8;\nx: &'static str\nstatics", "static"), [1]);
    assert_eq!(lines_with("println!()\neprintln!()", "println!"), [1]);
    assert_eq!(lines_with("a.sqlx::b\nmysqlx::b", "sqlx::"), [1]);
}

#[test]
fn functions_are_measured_without_blank_lines() {
    let code = "fn a(x: [u8; 2]) {\n\n    b();\n}\ntrait T {\n    fn none();\n}\n";
    let found: Vec<_> = functions(code).iter().map(|f| (f.name.to_owned(), f.line, f.code_lines)).collect();
    assert_eq!(found, [("a".to_owned(), 1, 3)]);
}
