//! How two files compare: as JSON, and as a table that fits 80 columns.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::text::{Role, Text, column, narrow};
use super::words::short;
use super::{Percent, Tool, to_json};
use crate::measure::{Verdict, change_percent};

/// Names the form of the report; a change that breaks readers changes the number.
pub const COMPARISON_SCHEMA: &str = "tanyard-compare/1";

/// A run of `tanyard compare` on two files.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Comparison {
    /// Always `tanyard-compare/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// The file that is held against.
    pub old: PathBuf,
    /// The file that is judged.
    pub new: PathBuf,
    /// The character before baking, which gives the reference for both; null if each file is held against the
    /// reference that its own weights give.
    pub source: Option<PathBuf>,
    /// Changes of an rms below this never count, in percent of the old rms.
    pub least_percent: f64,
    /// `worse` if any skin is, else `better` if any is.
    pub verdict: Verdict,
    /// One entry for each skin compared, in order.
    pub skins: Vec<SkinComparison>,
    /// Skins that have no partner.
    pub unpaired: Vec<UnpairedSkin>,
    /// What the user should know of the files.
    pub notes: Vec<String>,
}

/// A skin without partner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UnpairedSkin {
    /// The file that has it.
    pub file: PathBuf,
    /// The skin's name.
    pub skin: String,
}

/// How two skins compare. Errors are distances to the reference layers over all welded vertices and held-out poses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SkinComparison {
    /// The skin's name.
    pub name: String,
    /// Whether the new weights are better.
    pub verdict: Verdict,
    /// Whether both have the same vertices; if not, figures by vertex are left out.
    pub same_vertices: bool,
    /// Held-out poses.
    pub poses: usize,
    /// The error of the old weights; null if no pose bends this surface.
    pub old: Option<Percent>,
    /// The error of the new weights.
    pub new: Option<Percent>,
    /// The change of the rms from old to new.
    pub change: Option<ChangeReport>,
    /// Figures of the vertices of each joint in the rigid bind of the reference; joints whose part in the change
    /// is greatest come first.
    pub joints: Vec<JointComparison>,
    /// The vertices whose rms over poses fell most, no two of them neighbours.
    pub better: Vec<ChangedVertex>,
    /// The vertices whose rms over poses rose most, no two of them neighbours.
    pub worse: Vec<ChangedVertex>,
    /// What the user should know.
    pub notes: Vec<String>,
}

/// The change of an rms over the same poses.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChangeReport {
    /// In percent of the old rms; negative is better; null if the old is zero and the new is not.
    pub rms_change_percent: Option<f64>,
    /// The standard error of that, with poses as the sample; null for one pose, or if the old rms is zero.
    pub standard_error_percent: Option<f64>,
    /// The greatest change that does not count, in percent of the old rms; null if that is zero.
    pub band_percent: Option<f64>,
    /// Poses in which the new error is less; null where only figures of reports are compared.
    pub better_poses: Option<usize>,
    /// Poses in which it is greater; null likewise.
    pub worse_poses: Option<usize>,
}

/// The vertices of one joint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JointComparison {
    /// Its name.
    pub joint: String,
    /// Its welded vertices in the old file's reference; 0 if it has none there.
    pub old_vertices: usize,
    /// Its welded vertices in the new file's reference: another number only where the vertices or the binds differ.
    pub new_vertices: usize,
    /// The old root mean square error, in percent of the diagonal; null without vertices.
    pub old_rms_percent: Option<f64>,
    /// The new one.
    pub new_rms_percent: Option<f64>,
    /// The change of its rms, in percent of the old; null if the old is zero or missing, or the new is missing.
    pub rms_change_percent: Option<f64>,
    /// How much it adds to the change of the mean squared error of the whole skin, in percent of the old one; null if
    /// that is zero.
    pub part_percent: Option<f64>,
}

/// A vertex whose error changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChangedVertex {
    /// The mesh it belongs to.
    pub mesh: String,
    /// Its first raw copy, counted within the mesh part.
    pub vertex: usize,
    /// Its bind position in mesh space.
    pub position: [f32; 3],
    /// Its joint in the rigid bind of the reference.
    pub joint: String,
    /// What the old weights make of it.
    pub old: VertexError,
    /// What the new weights make of it.
    pub new: VertexError,
}

/// The error of a vertex.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VertexError {
    /// Root mean square over the poses, in percent of the diagonal.
    pub rms_percent: f64,
    /// The greatest, in percent of the diagonal.
    pub max_percent: f64,
    /// The pose of the greatest; null if there is no error.
    pub pose: Option<String>,
    /// The joints of its weights, heaviest first.
    pub joints: Vec<String>,
}

/// Joints that the table shows.
const MOST_JOINTS: usize = 8;

/// Vertices of each way that the table shows.
const MOST_PLACES: usize = 3;

/// Columns of the names of joints in the table.
const NAME_WIDTH: usize = 24;

impl Comparison {
    /// A report of this program; the verdict follows from the skins.
    pub fn new(
        files: [&Path; 2],
        source: Option<&Path>,
        least_percent: f64,
        skins: Vec<SkinComparison>,
        unpaired: Vec<UnpairedSkin>,
        notes: Vec<String>,
    ) -> Self {
        let [old, new] = files.map(Path::to_owned);
        Self {
            schema: COMPARISON_SCHEMA.to_owned(),
            tool: Tool::this(),
            old,
            new,
            source: source.map(Path::to_owned),
            least_percent,
            verdict: Verdict::of_all(skins.iter().map(|skin| skin.verdict)),
            skins,
            unpaired,
            notes,
        }
    }

    /// As indented JSON, with a line end.
    pub fn to_json(&self) -> String {
        to_json(self)
    }
}

impl SkinComparison {
    /// Adds a note, if it is new.
    pub fn note(&mut self, note: String) {
        if !self.notes.contains(&note) {
            self.notes.push(note);
        }
    }

    /// A line that says which is better and by how much.
    pub fn line(&self) -> String {
        let verdict = self.verdict.name();
        let (Some(old), Some(new), Some(change)) = (self.old, self.new, self.change) else {
            return format!("{verdict}; no pose bends this surface");
        };
        let band = change
            .band_percent
            .map_or(String::new(), |band| format!(", band {band:.1} %"));
        format!(
            "{verdict}: {} % rms, was {} % ({}{band})",
            narrow(new.rms_percent),
            narrow(old.rms_percent),
            signed(change.rms_change_percent)
        )
    }

    /// The same with the skin's name first.
    pub fn named_line(&self) -> String {
        format!("{}: {}", short(&self.name), self.line())
    }
}

/// `+3.1 %`; what cannot be said in percent of nothing is so.
pub(super) fn signed(percent: Option<f64>) -> String {
    match percent {
        // No "-0.0".
        Some(percent) if percent.abs() < 0.05 => "0.0 %".to_owned(),
        // Beyond this a column of a table would break.
        Some(percent) if percent.abs() >= 1e4 => format!("{percent:+.0e} %"),
        Some(percent) => format!("{percent:+.1} %"),
        None => "from nothing".to_owned(),
    }
}

/// The whole report; the verdict is the first line.
pub fn comparison_table(comparison: &Comparison) -> Text {
    let c = comparison;
    let mut out = Text::default();
    match &c.skins[..] {
        [skin] => first_line(&mut out, skin.verdict, &skin.line()),
        skins => {
            let of = |verdict| skins.iter().filter(|skin| skin.verdict == verdict).count();
            let line = format!(
                "{}: of {} skins {} better, {} the same, {} worse",
                c.verdict.name(),
                skins.len(),
                of(Verdict::Better),
                of(Verdict::Same),
                of(Verdict::Worse)
            );
            first_line(&mut out, c.verdict, &line);
        }
    }
    out.wrapped("  ", &format!("old: {}", c.old.display()));
    out.wrapped("  ", &format!("new: {}", c.new.display()));
    out.wrapped(
        "  ",
        &match &c.source {
            Some(source) => format!("reference: the layers on {}, for both", source.display()),
            None => "reference: the layers on each file's own heaviest joints; two bakes of one \
                 character are better compared with --source"
                .to_owned(),
        },
    );
    for unpaired in &c.unpaired {
        let what = format!(
            "skin {} of {}",
            short(&unpaired.skin),
            unpaired.file.display()
        );
        out.labelled("  ", Role::Doubt, "without partner:", &what);
    }
    for note in &c.notes {
        out.labelled("  ", Role::Doubt, "note:", note);
    }
    for skin in &c.skins {
        out.blank();
        skin_table(&mut out, skin, c.skins.len() > 1);
    }
    out
}

/// The role of a verdict; what is the same needs none.
pub(super) fn role_of(verdict: Verdict) -> Option<Role> {
    match verdict {
        Verdict::Better => Some(Role::Good),
        Verdict::Same => None,
        Verdict::Worse => Some(Role::Bad),
    }
}

/// The first line of all, which begins with a verdict.
pub(super) fn first_line(out: &mut Text, verdict: Verdict, line: &str) {
    let word = verdict.name();
    let rest = line.strip_prefix(word).unwrap_or(line);
    // Together with the mark behind it.
    let mark = rest.chars().next().filter(|mark| ":;".contains(*mark));
    let label_bytes = word.len() + mark.map_or(0, char::len_utf8);
    match line.split_at_checked(label_bytes) {
        Some((label, rest)) => out.first(role_of(verdict), label, rest),
        None => out.first(None, "", line),
    }
}

fn skin_table(out: &mut Text, skin: &SkinComparison, with_verdict: bool) {
    match with_verdict {
        true => out.verdict(None, &skin.name, &skin.line()),
        false => out.wrapped("", &short(&skin.name)),
    }
    if let (Some(old), Some(new), Some(change)) = (skin.old, skin.new, skin.change) {
        out.plain(&format!(
            "  {} held-out poses: {} better, {} worse",
            skin.poses,
            change.better_poses.unwrap_or(0),
            change.worse_poses.unwrap_or(0)
        ));
        out.blank();
        out.plain(&format!(
            "  error, % of size {:>17}{:>9}{:>9}",
            "rms", "p99", "max"
        ));
        for (row, figures) in [("old", old), ("new", new)] {
            out.plain(&format!(
                "  {row:<25}{:>9}{:>9}{:>9}",
                narrow(figures.rms_percent),
                narrow(figures.p99_percent),
                narrow(figures.max_percent)
            ));
        }
        out.plain(&format!(
            "  {:<25}{:>9}{:>9}{:>9}",
            "change",
            signed(change.rms_change_percent),
            signed(change_percent(old.p99_percent, new.p99_percent)),
            signed(change_percent(old.max_percent, new.max_percent))
        ));
    }
    joint_table(out, skin);
    for (what, places) in [("better", &skin.better), ("worse", &skin.worse)] {
        if !places.is_empty() {
            out.blank();
            out.plain(&format!("  most {what}"));
        }
        for place in places.iter().take(MOST_PLACES) {
            out.wrapped("    ", &at(place));
        }
    }
    for note in &skin.notes {
        out.labelled("  ", Role::Doubt, "note:", note);
    }
}

fn joint_table(out: &mut Text, skin: &SkinComparison) {
    // Without old figures there are no parts, and every joint counts.
    let changed = |joint: &&JointComparison| joint.part_percent != Some(0.0);
    let joints: Vec<&JointComparison> = skin.joints.iter().filter(changed).collect();
    if joints.is_empty() {
        return;
    }
    out.blank();
    out.plain(&format!(
        "  {:<NAME_WIDTH$} {:>9}{:>9}{:>9}{:>10}{:>9}",
        "joint", "vertices", "old rms", "new rms", "change", "part"
    ));
    for joint in joints.iter().take(MOST_JOINTS) {
        let figure = |x: Option<f64>| x.map_or("-".to_owned(), narrow);
        let percent = |x: Option<f64>| x.map_or("-".to_owned(), |x| signed(Some(x)));
        out.plain(&format!(
            "  {} {:>9}{:>9}{:>9}{:>10}{:>9}",
            column(&joint.joint, NAME_WIDTH),
            joint.new_vertices,
            figure(joint.old_rms_percent),
            figure(joint.new_rms_percent),
            percent(joint.rms_change_percent),
            percent(joint.part_percent)
        ));
    }
    if let Some(more @ 1..) = joints.len().checked_sub(MOST_JOINTS) {
        out.plain(&format!("  and {more} more joints"));
    }
}

fn at(place: &ChangedVertex) -> String {
    let [x, y, z] = place.position;
    let pose = place.new.pose.as_ref().or(place.old.pose.as_ref());
    let pose = pose.map_or(String::new(), |pose| format!(" in {}", short(pose)));
    format!(
        "{} % rms, was {} %: {} vertex {} ({x:.3}, {y:.3}, {z:.3}) of {}; at most {} %{pose}",
        narrow(place.new.rms_percent),
        narrow(place.old.rms_percent),
        short(&place.mesh),
        place.vertex,
        short(&place.joint),
        narrow(place.new.max_percent)
    )
}
