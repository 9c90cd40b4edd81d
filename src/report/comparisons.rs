//! How two folders of files, or two reports, compare: as JSON, and as a table that fits 80 columns.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::comparison::{first_line, role_of, signed};
use super::text::{Role, Text, column, narrow};
use super::words::{clean, counting, short};
use super::{
    ChangeReport, CharacterReport, Comparison, FileReport, Outcome, Report, SkinComparison, Tool,
    to_json,
};
use crate::measure::{Verdict, change_percent};

/// Names the form of the report; a change that breaks readers changes the number.
pub const COMPARISONS_SCHEMA: &str = "tanyard-comparisons/1";

/// A run of `tanyard compare` on two folders or two reports.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Comparisons {
    /// Always `tanyard-comparisons/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// What is held against.
    pub old: String,
    /// What is judged.
    pub new: String,
    /// The folder of the characters before baking, which give the reference for both; null if each file is held
    /// against the reference that its own weights give, or if figures of reports are compared.
    pub source: Option<String>,
    /// Changes of an rms below this never count, in percent of the old rms.
    pub least_percent: f64,
    /// `worse` if any file is, else `better` if any is.
    pub verdict: Verdict,
    /// One entry for each file that both have, ordered by name.
    pub files: Vec<FileComparison>,
    /// Files that only the old has.
    pub only_old: Vec<String>,
    /// Files that only the new has.
    pub only_new: Vec<String>,
    /// What the user should know.
    pub notes: Vec<String>,
}

/// How the two files of one name compare.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FileComparison {
    /// Its path from the folder, with `/`.
    pub name: String,
    /// Whether the new file is better; null if the two could not be compared.
    pub verdict: Option<Verdict>,
    /// One entry for each skin compared.
    pub skins: Vec<SkinComparison>,
    /// What the user should know.
    pub notes: Vec<String>,
    /// Why they could not be compared, a line a fault; empty otherwise.
    pub faults: Vec<String>,
}

/// Rows of the table.
const MOST_ROWS: usize = 20;

/// Columns of the names of files in the table.
const NAME_WIDTH: usize = 40;

impl Comparisons {
    /// A report of this program; the verdict follows from the files.
    pub fn new(
        [old, new]: [String; 2],
        source: Option<String>,
        least_percent: f64,
        mut files: Vec<FileComparison>,
        [only_old, only_new]: [Vec<String>; 2],
        notes: Vec<String>,
    ) -> Self {
        files.sort_by(|a, b| a.name.cmp(&b.name));
        Self {
            schema: COMPARISONS_SCHEMA.to_owned(),
            tool: Tool::this(),
            old,
            new,
            source,
            least_percent,
            verdict: Verdict::of_all(files.iter().filter_map(|file| file.verdict)),
            files,
            only_old,
            only_new,
            notes,
        }
    }

    /// Compares the figures of two reports. They have no poses to tell noise from change by: only
    /// `least_percent` does.
    pub fn of_reports(names: [String; 2], old: &Report, new: &Report, least_percent: f64) -> Self {
        let with = |file: &&FileReport| !file.characters.is_empty();
        let of = |report: &Report, file: &FileReport| {
            let mut files = report.files.iter().filter(with);
            files.find(|other| other.name == file.name).is_some()
        };
        let only = |here: &Report, there: &Report| -> Vec<String> {
            let lone = here
                .files
                .iter()
                .filter(with)
                .filter(|file| !of(there, file));
            lone.map(|file| file.name.clone()).collect()
        };
        let pairs = old.files.iter().filter(with).filter_map(|file| {
            let mut files = new.files.iter().filter(with);
            Some((file, files.find(|other| other.name == file.name)?))
        });
        let files = pairs.map(|(old, new)| FileComparison::of_reports(old, new, least_percent));
        let mut notes = Vec::new();
        if old.tool != new.tool {
            notes.push(format!(
                "made by {} {} and {} {}",
                old.tool.name, old.tool.version, new.tool.name, new.tool.version
            ));
        }
        Self::new(
            names,
            None,
            least_percent,
            files.collect(),
            [only(old, new), only(new, old)],
            notes,
        )
    }

    /// Whether some pair could not be compared.
    pub fn has_failed(&self) -> bool {
        self.files.iter().any(|file| file.verdict.is_none())
    }

    /// As indented JSON, with a line end.
    pub fn to_json(&self) -> String {
        to_json(self)
    }
}

impl FileComparison {
    /// That of two files that were compared.
    pub fn of(name: String, comparison: Comparison) -> Self {
        let unpaired = comparison.unpaired.iter().map(|one| {
            let file = one.file.display();
            format!("without partner: skin {} of {file}", short(&one.skin))
        });
        Self {
            name,
            verdict: Some(comparison.verdict),
            notes: unpaired.chain(comparison.notes).collect(),
            skins: comparison.skins,
            faults: Vec::new(),
        }
    }

    /// That of two files that could not be.
    pub fn failed(name: String, faults: &str) -> Self {
        Self {
            name,
            verdict: None,
            skins: Vec::new(),
            notes: Vec::new(),
            faults: faults.lines().map(str::to_owned).collect(),
        }
    }

    fn of_reports(old: &FileReport, new: &FileReport, least_percent: f64) -> Self {
        let (mut skins, mut notes) = (Vec::new(), Vec::new());
        for before in &old.characters {
            let of_name = |after: &&CharacterReport| after.name == before.name;
            match new.characters.iter().find(of_name) {
                Some(after) => skins.push(by_figures(before, after, least_percent)),
                None => notes.push(format!("only the old has the skin {}", short(&before.name))),
            }
        }
        for after in &new.characters {
            if old
                .characters
                .iter()
                .all(|before| before.name != after.name)
            {
                notes.push(format!("only the new has the skin {}", short(&after.name)));
            }
        }
        Self {
            name: old.name.clone(),
            verdict: Some(Verdict::of_all(skins.iter().map(|skin| skin.verdict))),
            skins,
            notes,
            faults: Vec::new(),
        }
    }

    /// A line for each skin that is worse.
    pub fn worse_lines(&self) -> impl Iterator<Item = String> {
        let worse = self
            .skins
            .iter()
            .filter(|skin| skin.verdict == Verdict::Worse);
        worse.map(|skin| clean(&format!("{}, {}", self.name, skin.named_line())))
    }
}

/// What the figures of one skin in two reports say.
fn by_figures(
    before: &CharacterReport,
    after: &CharacterReport,
    least_percent: f64,
) -> SkinComparison {
    // Held-out figures against held-out ones; those of the fit where either has no others.
    let held_out = before
        .errors
        .baked
        .held_out
        .zip(after.errors.baked.held_out);
    let pair = held_out.or(before.errors.baked.fit.zip(after.errors.baked.fit));
    let mut notes = Vec::new();
    if before.poses != after.poses {
        notes.push("the reports are on other poses: the figures are not of one measure".to_owned());
    }
    if held_out.is_none() && pair.is_some() {
        notes.push("on poses of the fit: none are held out in both".to_owned());
    }
    let percent = pair.and_then(|(old, new)| change_percent(old.rms_percent, new.rms_percent));
    let verdict = match (pair, percent) {
        (None, _) => Verdict::Same,
        (Some(_), Some(percent)) if percent.abs() <= least_percent => Verdict::Same,
        (Some(_), Some(percent)) if percent < 0.0 => Verdict::Better,
        _ => Verdict::Worse,
    };
    SkinComparison {
        name: before.name.clone(),
        verdict,
        same_vertices: false,
        poses: match held_out {
            Some(_) => after.poses.held_out,
            None => after.poses.fit,
        },
        old: pair.map(|(old, _)| old),
        new: pair.map(|(_, new)| new),
        change: pair.map(|_| ChangeReport {
            rms_change_percent: percent,
            standard_error_percent: None,
            band_percent: Some(least_percent),
            better_poses: None,
            worse_poses: None,
        }),
        joints: Vec::new(),
        better: Vec::new(),
        worse: Vec::new(),
        notes,
    }
}

/// The whole report; the verdict is the first line.
pub fn comparisons_table(c: &Comparisons) -> Text {
    let of = |verdict| {
        let files = c.files.iter();
        files.filter(|file| file.verdict == Some(verdict)).count()
    };
    let failed = c.files.iter().filter(|file| file.verdict.is_none());
    let failed: Vec<&FileComparison> = failed.collect();
    let counts = format!(
        "of {} files {} better, {} the same, {} worse",
        c.files.len(),
        of(Verdict::Better),
        of(Verdict::Same),
        of(Verdict::Worse)
    );
    let mut out = Text::default();
    match failed.len() {
        0 => first_line(
            &mut out,
            c.verdict,
            &format!("{}: {counts}", c.verdict.name()),
        ),
        // What could not be compared may be worse than all that is.
        failed => out.head(
            Outcome::Failed.mark(),
            &format!("{counts}, {failed} not compared"),
        ),
    }
    out.wrapped("  ", &format!("old: {}", c.old));
    out.wrapped("  ", &format!("new: {}", c.new));
    for file in &failed {
        let faults = file.faults.first().map_or("", String::as_str);
        let line = format!("{}: {faults}", file.name);
        out.labelled("  ", Role::Bad, "not compared:", &line);
    }
    let mut rows: Vec<(&FileComparison, &SkinComparison)> = c
        .files
        .iter()
        .flat_map(|file| file.skins.iter().map(move |skin| (file, skin)))
        .collect();
    let change = |skin: &SkinComparison| {
        let change = skin.change.and_then(|change| change.rms_change_percent);
        change.unwrap_or(match skin.verdict {
            Verdict::Worse => f64::INFINITY,
            Verdict::Same | Verdict::Better => 0.0,
        })
    };
    rows.sort_by(|a, b| change(b.1).total_cmp(&change(a.1)));
    if !rows.is_empty() {
        out.blank();
        out.plain(&format!(
            "  {:<NAME_WIDTH$}{:>9}{:>9}{:>10}{:>8}",
            "rms, % of size", "old", "new", "change", ""
        ));
    }
    for (file, skin) in rows.iter().take(MOST_ROWS) {
        let name = match file.skins.len() {
            1 => file.name.clone(),
            _ => format!("{}, {}", file.name, short(&skin.name)),
        };
        let figure = |errors: Option<super::Percent>| {
            errors.map_or("-".to_owned(), |errors| narrow(errors.rms_percent))
        };
        let change = skin
            .change
            .map_or("-".to_owned(), |change| signed(change.rms_change_percent));
        let row = format!(
            "  {}{:>9}{:>9}{change:>10}",
            column(&name, NAME_WIDTH),
            figure(skin.old),
            figure(skin.new),
        );
        let verdict = format!("{:>8}", skin.verdict.name());
        out.line(&[(None, &row), (role_of(skin.verdict), &verdict)]);
    }
    if let Some(more @ 1..) = rows.len().checked_sub(MOST_ROWS) {
        out.plain(&format!("  and {more} more"));
    }
    for (names, what) in [(&c.only_old, "only old"), (&c.only_new, "only new")] {
        if !names.is_empty() {
            out.plain(&format!("  {what}: {}", counting(names.len(), "file")));
        }
        for name in names.iter().take(MOST_ROWS) {
            out.wrapped("    ", name);
        }
        if let Some(more @ 1..) = names.len().checked_sub(MOST_ROWS) {
            out.plain(&format!("    and {more} more"));
        }
    }
    let mut notes: Vec<&String> = c.notes.iter().collect();
    for file in &c.files {
        let skins = file.skins.iter().flat_map(|skin| &skin.notes);
        for note in file.notes.iter().chain(skins) {
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
    }
    for note in notes.iter().take(MOST_ROWS) {
        out.labelled("  ", Role::Doubt, "note:", note);
    }
    out
}
