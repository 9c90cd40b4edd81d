//! Text for people: lines of 80 columns, in which some words have a role.
//!
//! A role adds nothing that the words do not say. Roles are kept as the escape sequences that a terminal takes;
//! whoever prints for something else leaves them out. All other text is cleaned on its way in, so that no name in
//! a file brings sequences of its own.

use std::fmt;

use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr;

use super::words::clean;

/// Columns.
pub(super) const WIDTH: usize = 80;

/// Columns that the name in a first line has, however long the rest is.
const LEAST_NAME: usize = 8;

/// What some words are, beside what they say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// What the rest is about.
    Head,
    /// As it should be.
    Good,
    /// Worth a look.
    Doubt,
    /// Not as it should be.
    Bad,
}

impl Role {
    fn paint(self, text: &str) -> String {
        let style = match self {
            Self::Head => Style::new().bold(),
            Self::Good => AnsiColor::Green.on_default(),
            Self::Doubt => AnsiColor::Yellow.on_default(),
            Self::Bad => AnsiColor::Red.on_default().bold(),
        };
        format!("{style}{text}{style:#}")
    }
}

/// Text for people.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Text {
    painted: String,
}

/// Without roles.
impl fmt::Display for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", anstream::adapter::strip_str(&self.painted))
    }
}

impl Text {
    /// A message about the run: one line, however long, since it may go to a log.
    pub fn message(role: Role, text: &str) -> Self {
        let mut message = Self::default();
        message.line(&[(Some(role), "tanyard:"), (None, " "), (None, text)]);
        message
    }

    /// With roles, as escape sequences.
    pub fn painted(&self) -> &str {
        &self.painted
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.painted.is_empty()
    }

    /// Another text behind this one.
    pub fn push(&mut self, other: &Self) {
        self.painted += &other.painted;
    }

    /// An empty line.
    pub(super) fn blank(&mut self) {
        self.painted.push('\n');
    }

    /// A line as it stands, in parts.
    pub(super) fn line(&mut self, parts: &[(Option<Role>, &str)]) {
        for (role, text) in parts {
            let text = clean(text);
            match role {
                Some(role) => self.painted += &role.paint(&text),
                None => self.painted += &text,
            }
        }
        self.painted.push('\n');
    }

    /// A line as it stands, without roles.
    pub fn plain(&mut self, text: &str) {
        self.line(&[(None, text)]);
    }

    /// The first line of all: what became of what, a mark before it if it is not well. The name is cut, so that it
    /// is one line.
    pub fn verdict(&mut self, mark: Option<&str>, name: &str, what: &str) {
        let mark = mark.map_or(String::new(), |mark| format!("{mark}:"));
        let gap = if mark.is_empty() { "" } else { " " };
        let rest = format!(": {}", clean(what));
        let room = WIDTH.saturating_sub(mark.width() + gap.len() + rest.width());
        let name = shortened(name, room.max(LEAST_NAME));
        self.first(Some(Role::Bad), &mark, &format!("{name}{rest}"));
    }

    /// The first line of all, of many things.
    pub(crate) fn head(&mut self, mark: Option<&str>, text: &str) {
        let mark = mark.map_or(String::new(), |mark| format!("{mark}:"));
        self.first(Some(Role::Bad), &mark, text);
    }

    /// The first line of all, behind a word of some role.
    pub(super) fn first(&mut self, role: Option<Role>, label: &str, text: &str) {
        self.said(role, label, Some(Role::Head), text, "");
    }

    /// Words over as many lines as they need.
    pub fn wrapped(&mut self, indent: &str, text: &str) {
        self.said(None, "", None, text, indent);
    }

    /// The same behind a word of some role.
    pub fn labelled(&mut self, indent: &str, role: Role, label: &str, text: &str) {
        self.said(Some(role), label, None, text, indent);
    }

    fn said(
        &mut self,
        role: Option<Role>,
        label: &str,
        body: Option<Role>,
        text: &str,
        indent: &str,
    ) {
        let paint = |role: Option<Role>, text: &str| match role.filter(|_| !text.is_empty()) {
            Some(role) => role.paint(text),
            None => text.to_owned(),
        };
        // A label is a few short words of our own, which stand in the first line.
        let mut label_bytes = label.len();
        for line in wrap(indent, &format!("{label} {text}")) {
            let (before, words) = line.split_at(line.len() - line.trim_start().len());
            let (label, text) = words.split_at_checked(label_bytes).unwrap_or(("", words));
            self.painted += before;
            self.painted += &paint(role, label);
            self.painted += &paint(body, text);
            self.painted.push('\n');
            label_bytes = 0;
        }
    }
}

/// Lines of words; all but the first are indented by two more columns. A word that no line can hold is broken.
fn wrap(indent: &str, text: &str) -> Vec<String> {
    let text = clean(text);
    let others = format!("{indent}  ");
    let mut lines = Vec::new();
    let mut line = indent.to_owned();
    let mut is_empty = true;
    for mut word in text.split_whitespace() {
        if !is_empty && line.width() + 1 + word.width() <= WIDTH {
            line.push(' ');
            line += word;
            continue;
        }
        if !is_empty {
            lines.push(std::mem::replace(&mut line, others.clone()));
        }
        loop {
            let fits = fitting(word, WIDTH.saturating_sub(line.width()));
            line += &word[..fits];
            word = &word[fits..];
            if word.is_empty() {
                break;
            }
            lines.push(std::mem::replace(&mut line, others.clone()));
        }
        is_empty = false;
    }
    lines.push(line);
    lines
}

/// How many bytes of a word fit into so many columns: one character at least, and no mark without its letter.
fn fitting(word: &str, columns: usize) -> usize {
    let ends = word.char_indices().map(|(at, c)| at + c.len_utf8());
    let fits = ends.take_while(|&end| word[..end].width() <= columns);
    let first = word.chars().next().map_or(0, char::len_utf8);
    fits.last().unwrap_or(first).max(first)
}

/// Text in at most so many columns: cut from the left, where paths tell least.
fn shortened(text: &str, width: usize) -> String {
    const CUT: &str = "...";
    let text = clean(text);
    if text.width() <= width {
        return text;
    }
    let room = width.saturating_sub(CUT.len());
    let starts = text.char_indices().rev().map(|(at, _)| at);
    let kept = starts.take_while(|&at| text[at..].width() <= room);
    let rest = &text[kept.last().unwrap_or(text.len())..];
    // A mark whose letter is cut off would stand on the dots.
    let rest = rest.trim_start_matches(|c: char| c.to_string().width() == 0);
    format!("{CUT}{rest}")
}

/// Text in exactly so many columns.
pub(super) fn column(text: &str, width: usize) -> String {
    let shown = shortened(text, width);
    let padding = width.saturating_sub(shown.width());
    shown + &" ".repeat(padding)
}

/// A figure in at most eight columns.
pub(super) fn narrow(value: f64) -> String {
    if value.abs() < 1000.0 {
        format!("{value:.3}")
    } else {
        format!("{value:.1e}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_as_wide_as_asked_in_any_script() {
        for (text, shown) in [
            ("a.glb", "a.glb     "),
            ("crowd/abcdefg.glb", "...efg.glb"),
            ("人物/主人公.glb", "...公.glb "),
            ("a\u{1b}\n.glb", "a  .glb   "),
            // A sign that a selector makes wide; a letter with marks, cut at the letter.
            (
                "☁\u{fe0f}☁\u{fe0f}☁\u{fe0f}☁\u{fe0f}☁\u{fe0f}☁\u{fe0f}",
                "...☁\u{fe0f}☁\u{fe0f}☁\u{fe0f} ",
            ),
            ("aaaaae\u{301}\u{302}bcdefgh", "...bcdefgh"),
        ] {
            assert_eq!(column(text, 10), shown);
            assert_eq!(column(text, 10).width(), 10);
        }
    }

    #[test]
    fn words_that_no_line_holds_are_broken_and_lose_nothing() {
        for word in [
            "x".repeat(300),
            "人".repeat(99),
            "e\u{301}".repeat(200),
            "☁\u{fe0f}".repeat(90),
        ] {
            let mut text = Text::default();
            text.labelled("  ", Role::Doubt, "note:", &format!("{word} and on {word}"));
            let shown = text.to_string();
            assert!(shown.lines().all(|line| line.width() <= WIDTH), "{shown}");
            assert!(
                shown.lines().any(|line| line.width() >= WIDTH - 1),
                "{shown}"
            );
            let joined: String = shown.split_whitespace().collect();
            assert_eq!(joined, format!("note:{word}andon{word}"));
            let bare = |c: char| c == '\u{301}' || c == '\u{fe0f}';
            assert!(
                !shown
                    .lines()
                    .any(|line| line.trim_start().starts_with(bare))
            );
        }
    }

    #[test]
    fn roles_are_all_that_a_text_has_beside_its_words() {
        let hostile = "\u{1b}[31mred\u{1b}[0m\u{1b}]0;title\u{7}\u{9b}2J\r\n";
        let mut text = Text::default();
        text.verdict(Some("FAILED"), hostile, hostile);
        text.labelled("  ", Role::Doubt, "note:", hostile);
        text.line(&[(Some(Role::Good), hostile), (None, hostile)]);
        text.push(&Text::message(Role::Bad, hostile));
        let ours = text.painted().matches('\u{1b}').count();
        // Each of five painted parts begins and ends once; in two of them bold and red are a sequence each.
        assert_eq!(ours, 2 * 5 + 2, "{:?}", text.painted());
        assert!(
            text.to_string()
                .chars()
                .all(|c| c == '\n' || !c.is_control())
        );
    }
}
