//! Several reports made one: those of the parts of a sharded run, or of runs over different files.

use std::collections::btree_map::{BTreeMap, Entry};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};

use super::{
    Counts, FileReport, FileStatus, Line, Outcome, Report, RunEnd, RunReport, SCHEMA, Tool, Whole,
};
use crate::error::{Error, Fault};
use crate::units;

/// What is longer is no report: one of five hundred characters has some twenty million bytes.
const MOST_BYTES: u64 = 1 << 28;

/// Reports made one.
#[derive(Clone, Debug, PartialEq)]
pub struct Merged {
    /// The whole.
    pub report: Report,
    /// Parts of a sharded run that are not among the reports, such as `2/3`.
    pub missing: Vec<String>,
    /// What the user should know about the reports.
    pub notes: Vec<String>,
}

impl Merged {
    /// The worst of all parts; one that is missing counts as failed.
    pub fn outcome(&self) -> Outcome {
        let outcome = self.report.outcome();
        if self.missing.is_empty() {
            outcome
        } else {
            outcome.max(Outcome::Failed)
        }
    }
}

/// Whether a file begins as a report does: so it may be told from a character.
pub fn looks_like_report(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str());
    ending.is_some_and(|ending| ["json", "jsonl", "ndjson"].contains(&&*ending.to_lowercase()))
}

/// Reads reports, documents or lines, and makes them one.
///
/// # Errors
/// Every file that is no report of this form, and every input of which two reports say different things.
pub fn merge(paths: &[PathBuf]) -> Result<Merged, Error> {
    let (mut parts, mut notes, mut faults) = (Vec::new(), Vec::new(), Vec::new());
    for path in paths {
        match read(path, &mut notes) {
            Ok(read) => parts.extend(read),
            Err(fault) => faults.push(fault),
        }
    }
    let shards = shards(&parts).unwrap_or_else(|fault| {
        faults.push(fault);
        Shards::default()
    });
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }
    let end = parts.iter().map(|part| part.run.end).max();
    let wall_s = parts.iter().map(|part| part.run.wall_s).fold(0.0, f64::max);
    let peak_memory_bytes = parts
        .iter()
        .filter_map(|part| part.run.peak_memory_bytes)
        .max();
    let whole = parts.iter().find_map(|part| part.run.whole.clone());
    let files = join(parts)?;
    let run = RunReport {
        end: end.unwrap_or(RunEnd::Complete),
        shard: (!shards.missing.is_empty()).then(|| shards.there.join(", ")),
        whole: whole.filter(|_| !shards.missing.is_empty()),
        counts: Counts::of(&files),
        wall_s,
        peak_memory_bytes,
    };
    Ok(Merged {
        report: Report {
            schema: SCHEMA.to_owned(),
            tool: Tool::this(),
            run,
            files,
        },
        missing: shards.missing,
        notes,
    })
}

/// One run of one report.
struct Part {
    path: PathBuf,
    run: RunReport,
    files: Vec<FileReport>,
}

// Joining ------------------------------------------------------------------------------------------

/// All files, by input. Paths in reports are text, and two may read alike: what one run says of several
/// files of one name stays several.
fn join(parts: Vec<Part>) -> Result<Vec<FileReport>, Error> {
    let mut joined: BTreeMap<(String, usize), (FileReport, PathBuf)> = BTreeMap::new();
    let mut faults = Vec::new();
    for part in parts {
        let mut seen: BTreeMap<String, usize> = BTreeMap::new();
        for file in part.files {
            let number = seen.entry(file.input.clone()).or_default();
            *number += 1;
            match joined.entry((file.input.clone(), *number)) {
                Entry::Vacant(place) => {
                    place.insert((file, part.path.clone()));
                }
                Entry::Occupied(mut place) => {
                    let (there, path) = place.get();
                    match said_twice(there, &file) {
                        Some(Choice::Later) => drop(place.insert((file, part.path.clone()))),
                        Some(Choice::Earlier) => {}
                        None => faults.push(conflict(&part.path, path, &file.input)),
                    }
                }
            }
        }
    }
    if faults.is_empty() {
        Ok(joined.into_values().map(|(file, _)| file).collect())
    } else {
        Err(Error::Input(faults))
    }
}

/// Which of two that speak of one file counts.
enum Choice {
    Earlier,
    Later,
}

/// A run and the one that went on where it stopped speak of the same files: what was left or failed had
/// another turn, and what was baked was unchanged then. `None` if they contradict each other.
fn said_twice(earlier: &FileReport, later: &FileReport) -> Option<Choice> {
    match (earlier.status, later.status) {
        (_, FileStatus::Left) => Some(Choice::Earlier),
        (FileStatus::Left | FileStatus::Failed, _) | (_, FileStatus::Failed) => Some(Choice::Later),
        _ if earlier.characters != later.characters => None,
        (FileStatus::Unchanged, _) => Some(Choice::Later),
        _ => Some(Choice::Earlier),
    }
}

fn conflict(path: &Path, other: &Path, input: &str) -> Fault {
    let expected = format!("what {} says of this file", other.display());
    let part = format!("files, {input}");
    Fault::new(path, part, expected, "something else")
        .remedy("give the report of one run over it, not of two")
}

/// The parts of sharded runs.
#[derive(Default)]
struct Shards {
    there: Vec<String>,
    missing: Vec<String>,
}

/// Which parts of sharded runs are there and which are not. A sharded run is known by how many parts it has.
fn shards(parts: &[Part]) -> Result<Shards, Fault> {
    let mut runs: BTreeMap<u16, Vec<bool>> = BTreeMap::new();
    let mut wholes: BTreeMap<u16, (&Whole, &Path)> = BTreeMap::new();
    for part in parts {
        let Some(shard) = &part.run.shard else {
            continue;
        };
        for one in shard.split(", ") {
            let Some((number, of)) = numbers(one) else {
                let expected = "a part such as 3/8, of at most 65535";
                return Err(Fault::new(&part.path, "run.shard", expected, one));
            };
            let there = runs.entry(of).or_insert_with(|| vec![false; of.into()]);
            there[usize::from(number) - 1] = true;
            let Some(whole) = &part.run.whole else {
                continue;
            };
            let (seen, by) = *wholes.entry(of).or_insert((whole, &part.path));
            if seen != whole {
                // Parted otherwise, a file may be in two parts, or in none.
                let expected = format!("the {} files that {} parts", seen.files, by.display());
                let found = format!("{} files, or others", whole.files);
                return Err(Fault::new(&part.path, "run.whole", expected, found).remedy(
                    "files came or went between the starts: run all parts again over one state",
                ));
            }
        }
    }
    let mut shards = Shards::default();
    for (of, run) in &runs {
        for (index, is_there) in run.iter().enumerate() {
            let name = format!("{}/{of}", index + 1);
            if *is_there {
                shards.there.push(name);
            } else {
                shards.missing.push(name);
            }
        }
    }
    Ok(shards)
}

/// `3/8` as numbers, the first from 1 to the second.
fn numbers(shard: &str) -> Option<(u16, u16)> {
    let (number, of) = shard.split_once('/')?;
    let (number, of) = (number.parse().ok()?, of.parse().ok()?);
    (1..=of).contains(&number).then_some((number, of))
}

// Reading ------------------------------------------------------------------------------------------

/// All runs that a file reports: one a document; one a line of a run, with the lines before it.
fn read(path: &Path, notes: &mut Vec<String>) -> Result<Vec<Part>, Fault> {
    let bytes = bytes(path)?;
    let (text, is_cut) = match std::str::from_utf8(&bytes) {
        Ok(text) => (text, false),
        // It ends within a letter.
        Err(error) if error.error_len().is_none() => {
            let whole = &bytes[..error.valid_up_to()];
            (std::str::from_utf8(whole).unwrap_or_default(), true)
        }
        Err(error) => {
            let byte = bytes[error.valid_up_to()];
            let part = format!("byte {}", error.valid_up_to());
            return Err(Fault::new(
                path,
                part,
                "a report as UTF-8 text",
                format!("0x{byte:02x}"),
            )
            .remedy("let --report write the file: a shell may recode what it redirects"));
        }
    };
    let mut reader = Reader {
        path,
        text: text.strip_prefix('\u{feff}').unwrap_or(text),
        parts: Vec::new(),
        open: Vec::new(),
        is_open: false,
    };
    if reader.values(notes)? || is_cut {
        notes.push(format!(
            "{}: cut off; its last line is left out",
            path.display()
        ));
        reader.is_open = true;
    }
    reader.close(notes);
    if reader.parts.is_empty() {
        let found = "an empty file";
        return Err(Fault::new(path, "", "a report of tanyard bake", found));
    }
    Ok(reader.parts)
}

fn bytes(path: &Path) -> Result<Vec<u8>, Fault> {
    let fault = |found: String| Fault::new(path, "", "a readable report", found);
    let file = std::fs::metadata(path).map_err(|error| fault(error.to_string()))?;
    // A pipe may never end.
    if !file.is_file() {
        return Err(fault("something that is no plain file".to_owned()));
    }
    let too_long = |length: u64| {
        let expected = format!("a report of at most {}", units::bytes(MOST_BYTES));
        Fault::new(path, "", expected, units::bytes(length))
    };
    if file.len() > MOST_BYTES {
        return Err(too_long(file.len()));
    }
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(|error| fault(error.to_string()))?;
    // It may grow while it is read.
    file.take(MOST_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| fault(error.to_string()))?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(too_long(bytes.len() as u64));
    }
    Ok(bytes)
}

/// What tells the form of a value.
#[derive(Deserialize)]
struct Head {
    schema: Option<String>,
    files: Option<IgnoredAny>,
}

/// Takes one JSON value after the other, documents or lines.
struct Reader<'a> {
    path: &'a Path,
    text: &'a str,
    parts: Vec<Part>,
    /// Lines of files since the last line of a run.
    open: Vec<FileReport>,
    /// Whether a run has begun that has no line yet.
    is_open: bool,
}

impl Reader<'_> {
    /// Whether the last line was cut off.
    fn values(&mut self, notes: &mut Vec<String>) -> Result<bool, Fault> {
        // As `Line` writes it.
        let line_head = format!("{{\"schema\":\"{SCHEMA}\",\"file\":");
        let is_line = |rest: &str, after_line: bool| {
            rest.starts_with(&line_head) || after_line && rest.starts_with('{')
        };
        let mut start = 0;
        let mut in_lines = false;
        loop {
            let rest = &self.text[start..];
            start += rest.len() - rest.trim_start().len();
            let rest = &self.text[start..];
            if rest.is_empty() {
                return Ok(false);
            }
            let mut values = serde_json::Deserializer::from_str(rest).into_iter::<IgnoredAny>();
            match values.next() {
                Some(Ok(IgnoredAny)) => {}
                // Cut within a number, it is no end of file to the parser, but a wrong number.
                Some(Err(_)) if !rest.contains('\n') && is_line(rest, in_lines) => return Ok(true),
                Some(Err(error)) => return Err(self.broken(start, &error)),
                // There is something that is no white space.
                None => return Ok(false),
            }
            let end = start + values.byte_offset();
            in_lines = self.value(start, end, notes)?;
            start = end;
        }
    }

    /// Takes one value; whether it is a line.
    fn value(&mut self, start: usize, end: usize, notes: &mut Vec<String>) -> Result<bool, Fault> {
        let head: Head = self.parse(start, end)?;
        let schema = head.schema.unwrap_or_else(|| "none".to_owned());
        if schema != SCHEMA {
            let fault = Fault::new(self.path, "schema", SCHEMA, schema);
            return Err(fault.remedy("make the report again with this version of tanyard bake"));
        }
        if head.files.is_some() {
            self.close(notes);
            let report: Report = self.parse(start, end)?;
            self.push(report.run, report.files);
            return Ok(false);
        }
        let line: Line = self.parse(start, end)?;
        match (line.file, line.run) {
            (Some(file), None) => {
                self.open.push(file);
                self.is_open = true;
            }
            (None, Some(run)) => {
                let files = std::mem::take(&mut self.open);
                self.is_open = false;
                self.push(run, files);
            }
            (file, _) => {
                let found = if file.is_some() { "both" } else { "neither" };
                let part = self.line(start, 0);
                return Err(Fault::new(self.path, part, "a file or a run", found));
            }
        }
        Ok(true)
    }

    /// Ends a run that has no line.
    fn close(&mut self, notes: &mut Vec<String>) {
        if !std::mem::take(&mut self.is_open) {
            return;
        }
        notes.push(format!(
            "{}: the line of the run is not there; it counts as interrupted",
            self.path.display()
        ));
        let files = std::mem::take(&mut self.open);
        let run = RunReport {
            end: RunEnd::Interrupted,
            shard: None,
            whole: None,
            counts: Counts::of(&files),
            // It took at least as long as its longest file.
            wall_s: files.iter().map(|file| file.wall_s).fold(0.0, f64::max),
            peak_memory_bytes: None,
        };
        self.push(run, files);
    }

    fn push(&mut self, run: RunReport, files: Vec<FileReport>) {
        let path = self.path.to_owned();
        self.parts.push(Part { path, run, files });
    }

    fn parse<T: DeserializeOwned>(&self, start: usize, end: usize) -> Result<T, Fault> {
        serde_json::from_str(&self.text[start..end]).map_err(|error| self.broken(start, &error))
    }

    fn broken(&self, start: usize, error: &serde_json::Error) -> Fault {
        let at = format!(" at line {} column {}", error.line(), error.column());
        let what = error.to_string().replace(&at, "");
        let part = self.line(start, error.line().saturating_sub(1));
        Fault::new(self.path, part, "a report of tanyard bake", what)
    }

    /// The line so many after that of a place in the text.
    fn line(&self, start: usize, after: usize) -> String {
        let before = self.text[..start].matches('\n').count();
        format!("line {}", 1 + before + after)
    }
}
