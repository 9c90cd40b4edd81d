//! What can go wrong before or around the work, in words that a user can act on.
//!
//! How the work itself ended (a fit that stopped early, a joint that no pose tells apart) is no
//! error: it is a status, and stands in the report.

use std::fmt;
use std::path::{Path, PathBuf};

use serde_json::Value;

/// One thing wrong with one file: which part of it, what was expected, what was found, what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file.
    pub file: PathBuf,
    /// The part of it: a JSON path such as `meshes[0].primitives[1].attributes["POSITION"]`, a line of
    /// a recipe, a byte range; empty for the file as a whole.
    pub part: String,
    /// What should have been there.
    pub expected: String,
    /// What is there.
    pub found: String,
    /// What the user can do; may be empty.
    pub remedy: String,
}

impl Fault {
    /// A fault without remedy; see [`Fault::remedy`].
    pub fn new(
        file: &Path,
        part: impl Into<String>,
        expected: impl Into<String>,
        found: impl Into<String>,
    ) -> Self {
        Self {
            file: file.to_owned(),
            part: part.into(),
            expected: expected.into(),
            found: found.into(),
            remedy: String::new(),
        }
    }

    /// The same fault with the part of the file that leads to it put first.
    pub fn within(mut self, part: &str) -> Self {
        self.part = format!("{part}: {}", self.part);
        self
    }

    /// The same fault with what to do about it.
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.remedy = remedy.into();
        self
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", shown(&self.file))?;
        if !self.part.is_empty() {
            write!(f, "{}: ", brief(&self.part))?;
        }
        write!(
            f,
            "expected {}, found {}",
            clean(&self.expected),
            brief(&self.found)
        )?;
        if !self.remedy.is_empty() {
            write!(f, "; {}", brief(&self.remedy))?;
        }
        Ok(())
    }
}

/// Why a character could not be processed.
#[derive(Clone, Debug, thiserror::Error)]
pub enum Error {
    /// Files that cannot be used, with every fault found.
    #[error("{}", lines(.0))]
    Input(Vec<Fault>),
    /// The command or the recipe asks for something that does not exist.
    #[error("{}", lines(.0))]
    Setting(Vec<Fault>),
    /// A file could not be written; what was there before is untouched.
    #[error(
        "{}: cannot write: {}; nothing was written",
        shown(path),
        clean(reason)
    )]
    Output {
        /// The target.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// The work needs more memory than it may use.
    #[error(
        "{}: needs about {} of memory, allowed are {}; raise --memory, or use fewer --threads",
        shown(path), crate::units::bytes(*needed), crate::units::bytes(*allowed)
    )]
    Memory {
        /// The character's file.
        path: PathBuf,
        /// Estimate in bytes.
        needed: u64,
        /// Budget in bytes.
        allowed: u64,
    },
    /// The user interrupted.
    #[error("interrupted; every file is the old one or the complete new one")]
    Interrupted,
}

impl From<Fault> for Error {
    fn from(fault: Fault) -> Self {
        Self::Input(vec![fault])
    }
}

/// Reads a text file that a user names. Only a plain file: a pipe may never end.
///
/// # Errors
/// A fault that says what could not be read, as `what`.
pub fn read_text(path: &Path, what: &str) -> Result<String, Fault> {
    let readable = || format!("a readable {what}");
    let fault = |found: String| Fault::new(path, "", readable(), found);
    let file = std::fs::metadata(path).map_err(|error| fault(error.to_string()))?;
    if !file.is_file() {
        return Err(fault("something that is no plain file".to_owned()));
    }
    std::fs::read_to_string(path).map_err(|error| fault(error.to_string()))
}

/// Faults shown of one run; a file with more has one cause for most of them.
const MOST_SHOWN: usize = 20;

fn lines(faults: &[Fault]) -> String {
    let mut lines: Vec<String> = faults
        .iter()
        .take(MOST_SHOWN)
        .map(Fault::to_string)
        .collect();
    if faults.len() > MOST_SHOWN {
        lines.push(format!("and {} more faults", faults.len() - MOST_SHOWN));
    }
    lines.join("\n")
}

/// A path of any length, in one line.
fn shown(path: &Path) -> String {
    clean(&path.display().to_string())
}

/// Text from a file may be of any length.
fn brief(text: &str) -> String {
    const LONGEST: usize = 300;
    match text.char_indices().nth(LONGEST) {
        Some((end, _)) => clean(&text[..end]) + "...",
        None => clean(text),
    }
}

/// A JSON value as what was found, in one line of at most 60 letters.
pub fn in_short(value: Option<&Value>) -> String {
    let Some(value) = value else {
        return "nothing".to_owned();
    };
    let mut text = value.to_string();
    if text.chars().count() > 60 {
        text = text.chars().take(57).collect::<String>() + "...";
    }
    clean(&text)
}

/// Text in one line. Names and text of files may hold what a terminal would obey, what turns the direction of a
/// line, and what XML cannot say.
pub fn clean(text: &str) -> String {
    let clean = |c: char| match c {
        _ if c.is_control() => ' ',
        '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => ' ',
        '\u{fffe}' | '\u{ffff}' => char::REPLACEMENT_CHARACTER,
        _ => c,
    };
    text.chars().map(clean).collect()
}
