//! What a bake found, as one struct that every way out reads: JSON, the terminal, JUnit XML, Markdown.
//!
//! Units are in the names. What was not measured is null, never 0.

mod character;
mod comparison;
mod comparisons;
mod inspection;
mod junit;
mod markdown;
mod merge;
mod outcome;
mod schema;
mod terminal;
mod text;
pub(crate) mod words;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::memory;

pub use crate::measure::{Verdict, change_percent};
pub use character::*;
pub use comparison::{
    COMPARISON_SCHEMA, ChangeReport, ChangedVertex, Comparison, JointComparison, SkinComparison,
    UnpairedSkin, VertexError, comparison_table,
};
pub use comparisons::{COMPARISONS_SCHEMA, Comparisons, FileComparison, comparisons_table};
pub use inspection::{Exceeded, INSPECTION_SCHEMA, Inspection, SkinInspection, inspection_table};
pub use junit::junit;
pub use markdown::markdown;
pub use merge::{Merged, looks_like_report, merge};
pub use outcome::{FaultKind, Outcome};
pub use schema::{
    comparison_schema, comparisons_schema, inspection_schema, json_schema, line_schema,
};
pub use terminal::{log_line, plan_table, plans_table, table, timings};
pub use text::{Role, Text};

/// Names the form of the report; a change that breaks readers changes the number.
pub const SCHEMA: &str = "tanyard-report/3";

/// A run of the command.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Report {
    /// Always `tanyard-report/3`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// The run as a whole.
    pub run: RunReport,
    /// One entry for each file, ordered by input.
    pub files: Vec<FileReport>,
}

/// The program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tool {
    /// Always `tanyard`.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// A run as a whole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunReport {
    /// How it ended.
    pub end: RunEnd,
    /// The part of the work that this run took, such as `3/8`; null for all of it. Of a merged report that
    /// lacks parts, those that it has: `1/3, 3/3`.
    pub shard: Option<String>,
    /// The list of files that all parts part, to tell whether they saw the same; null without shards.
    pub whole: Option<Whole>,
    /// How many files ended how.
    pub counts: Counts,
    /// Wall time in seconds; of a merged report, that of the longest part.
    pub wall_s: f64,
    /// The greatest memory that the process held, in bytes; null where the system does not tell. Of a merged
    /// report, that of the greatest part.
    pub peak_memory_bytes: Option<u64>,
}

/// The files of all parts of a sharded run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Whole {
    /// Their number.
    pub files: usize,
    /// A hash of their names and sizes.
    pub hash: String,
}

/// How a run ended.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum RunEnd {
    /// Every file had its turn.
    Complete,
    /// It stopped at the first failure, as asked.
    Stopped,
    /// The user interrupted it.
    Interrupted,
}

/// How many files ended how.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Counts {
    /// All of them.
    pub files: usize,
    /// Fitted and written.
    pub baked: usize,
    /// Up to date already.
    pub unchanged: usize,
    /// Written from the cache.
    pub restored: usize,
    /// Without result.
    pub failed: usize,
    /// Without turn.
    pub left: usize,
    /// With a result that exceeds a limit, or lost to an earlier one.
    pub exceeded: usize,
}

/// What became of one file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FileReport {
    /// The input as a path from the folder of the run, with `/`; of a single file its name.
    pub name: String,
    /// The file that was read.
    pub input: String,
    /// The file that was to be written.
    pub output: String,
    /// The recipe file; null for the defaults.
    pub recipe: Option<String>,
    /// The recipe in effect as TOML, every default in it; null if there is none that holds.
    pub settings: Option<String>,
    /// How it ended.
    pub status: FileStatus,
    /// Why it failed, a line a fault; empty otherwise.
    pub faults: Vec<String>,
    /// What those are about; null if it did not fail.
    pub fault_kind: Option<FaultKind>,
    /// One entry for each skin, in order; empty if it failed or was left.
    pub characters: Vec<CharacterReport>,
    /// Wall time in seconds.
    pub wall_s: f64,
}

/// How a file ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FileStatus {
    /// Fitted and written.
    Baked,
    /// The same input and recipe gave what is there already.
    Unchanged,
    /// The same input and recipe gave what the cache holds; it was written from there.
    Restored,
    /// Nothing was written; what was there before is untouched.
    Failed,
    /// It had no turn; what was there before is untouched.
    Left,
}

/// A limit of the recipe, and the figure held against it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LimitReport {
    /// Its key in the recipe, such as `max_pixels` or `inspect.islands`.
    pub limit: String,
    /// The most that passes.
    pub most: f64,
    /// The figure; null if there was none to measure.
    pub found: Option<f64>,
    /// Where it shows, in words; empty where it has no place.
    pub place: String,
    /// Whether the figure is above the limit, or could not be had although the limit asks for it.
    pub exceeded: bool,
}

impl Report {
    /// A report of this program; files are ordered, and counted.
    pub fn new(
        mut files: Vec<FileReport>,
        end: RunEnd,
        shard: Option<(String, Whole)>,
        wall_s: f64,
    ) -> Self {
        files.sort_by(|a, b| a.input.cmp(&b.input));
        let (shard, whole) = shard.unzip();
        let run = RunReport {
            end,
            shard,
            whole,
            counts: Counts::of(&files),
            wall_s,
            peak_memory_bytes: memory::peak(),
        };
        Self {
            schema: SCHEMA.to_owned(),
            tool: Tool::this(),
            run,
            files,
        }
    }

    /// As indented JSON, with a line end.
    pub fn to_json(&self) -> String {
        to_json(self)
    }
}

/// One line of a report that is printed while the run goes on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Always `tanyard-report/3`.
    pub schema: String,
    /// A file that was finished; null in the last line.
    pub file: Option<FileReport>,
    /// The run as a whole, in the last line; null before.
    pub run: Option<RunReport>,
}

impl Line {
    /// The line of a finished file.
    pub fn of_file(file: &FileReport) -> String {
        Self::text(Some(file.clone()), None)
    }

    /// The last line.
    pub fn of_run(run: &RunReport) -> String {
        Self::text(None, Some(run.clone()))
    }

    fn text(file: Option<FileReport>, run: Option<RunReport>) -> String {
        let schema = SCHEMA.to_owned();
        // As in `to_json`.
        serde_json::to_string(&Self { schema, file, run }).unwrap_or_default() + "\n"
    }
}

impl Counts {
    /// Counts files by how they ended.
    pub fn of(files: &[FileReport]) -> Self {
        let count = |status| files.iter().filter(|file| file.status == status).count();
        Self {
            files: files.len(),
            baked: count(FileStatus::Baked),
            unchanged: count(FileStatus::Unchanged),
            restored: count(FileStatus::Restored),
            failed: count(FileStatus::Failed),
            left: count(FileStatus::Left),
            exceeded: files.iter().filter(|file| file.exceeded()).count(),
        }
    }
}

impl FileReport {
    /// A line for each limit that a character in it exceeds.
    pub fn exceeded_lines(&self) -> Vec<String> {
        words::exceeded(self).collect()
    }

    /// Whether a character in it exceeds a limit.
    pub fn exceeded(&self) -> bool {
        let mut limits = self.characters.iter().flat_map(|c| &c.limits);
        limits.any(|limit| limit.exceeded)
    }
}

impl LimitReport {
    /// A line that says figure, limit and place of what has this name.
    pub fn line(&self, name: &str) -> String {
        let place = if self.place.is_empty() {
            String::new()
        } else {
            format!(" ({})", words::cut(&self.place, words::LONGEST_PLACE))
        };
        let found = match self.found {
            Some(found) => format!("{} = {}", self.limit, words::figure(found, self.most)),
            None => format!("{} could not be measured", self.limit),
        };
        let most = words::figure(self.most, self.most);
        words::clean(&format!("{name}: {found}, limit {most}{place}"))
    }
}

impl Tool {
    /// This program.
    fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}

fn to_json(report: &impl Serialize) -> String {
    // Only maps with keys that are not strings, or failing Serialize impls, can fail: there are none.
    serde_json::to_string_pretty(report).unwrap_or_default() + "\n"
}

/// How many vertices use 1, 2, 3 … joints, in words.
fn influences(counts: &[usize]) -> String {
    let used = counts.iter().enumerate().filter(|(_, count)| **count > 0);
    let words: Vec<String> = used
        .map(|(i, count)| format!("{} on {count}", i + 1))
        .collect();
    words.join(", ")
}

/// The sizes of a character, in words.
fn sizes(surface: &SurfaceReport, joints: usize) -> String {
    format!(
        "{} vertices ({} welded), {} triangles, {} pieces, {joints} joints",
        surface.raw_vertices, surface.welded_vertices, surface.triangles, surface.pieces
    )
}

/// What a bake would do.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// The skin's name.
    pub name: String,
    /// How each vertex gets its joint.
    pub bind: String,
    /// Layers with their rounds.
    pub layers: Vec<String>,
    /// Sizes.
    pub surface: SurfaceReport,
    /// Joints of the skin.
    pub joints: usize,
    /// Numbers of poses.
    pub poses: PosesReport,
    /// Left and right.
    pub symmetry: SymmetryReport,
    /// What it needs, in bytes.
    pub memory_bytes: u64,
    /// What the user should know.
    pub warnings: Vec<String>,
}

/// What a bake of a folder would do with one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedFile {
    /// Its path from the folder.
    pub name: String,
    /// The recipe file; none for the defaults.
    pub recipe: Option<String>,
    /// What would become of it.
    pub what: Planned,
}

/// What would become of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Planned {
    /// It would be baked.
    Bake {
        /// A guess of what that needs.
        memory_bytes: u64,
    },
    /// The cache has the result.
    Kept,
    /// It is up to date.
    Unchanged,
    /// It cannot be baked.
    Failed {
        /// Why, in words.
        faults: String,
        /// How that ends.
        outcome: Outcome,
    },
}

impl PlannedFile {
    /// How it would end, as far as is known.
    pub fn outcome(&self) -> Outcome {
        match self.what {
            Planned::Failed { outcome, .. } => outcome,
            Planned::Bake { .. } | Planned::Kept | Planned::Unchanged => Outcome::Well,
        }
    }
}
