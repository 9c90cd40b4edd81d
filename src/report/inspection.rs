//! What an inspection found: as JSON, and as a table that fits 80 columns.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::text::{Role, Text};
use super::words::{counting, short};
use super::{Outcome, SurfaceReport, Tool, influences, sizes, to_json};
use crate::inspect::{Excess, Finding, Limit, Place, Severity, Unit};

/// Names the form of the report; a change that breaks readers changes the number.
pub const INSPECTION_SCHEMA: &str = "tanyard-inspect/1";

/// A run of `tanyard inspect`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Inspection {
    /// Always `tanyard-inspect/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// The file that was read.
    pub input: PathBuf,
    /// One entry for each skin of the file, in order.
    pub skins: Vec<SkinInspection>,
    /// Limits that were exceeded.
    pub exceeded: Vec<Exceeded>,
}

/// What was found in one skin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SkinInspection {
    /// The skin's name.
    pub name: String,
    /// Its surface.
    pub surface: SurfaceReport,
    /// Joints of the skin.
    pub joints: usize,
    /// How many raw vertices have weight on 1, 2, 3 … joints.
    pub influences: Vec<usize>,
    /// Errors first, then warnings, then notes.
    pub findings: Vec<Finding>,
    /// What else the user should know about the file.
    pub notes: Vec<String>,
}

/// A limit that a skin exceeds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Exceeded {
    /// The skin's name.
    pub skin: String,
    /// What is limited: a kind, a severity, or `any`.
    pub limit: String,
    /// The most that passes.
    pub most: usize,
    /// What was found.
    pub found: usize,
    /// The first place of it, in words; empty where there is none.
    pub place: String,
}

/// Places of a finding that the table shows.
const MOST_PLACES: usize = 3;

/// Joints of a finding that the table names.
const MOST_JOINTS: usize = 6;

impl Inspection {
    /// A report of this program.
    pub fn new(input: PathBuf, skins: Vec<SkinInspection>, exceeded: Vec<Exceeded>) -> Self {
        Self {
            schema: INSPECTION_SCHEMA.to_owned(),
            tool: Tool::this(),
            input,
            skins,
            exceeded,
        }
    }

    /// As indented JSON, with a line end.
    pub fn to_json(&self) -> String {
        to_json(self)
    }
}

impl Exceeded {
    /// What a skin has too much of.
    pub fn new(skin: &str, limit: &Limit, excess: &Excess) -> Self {
        Self {
            skin: skin.to_owned(),
            limit: limit.what.name().to_owned(),
            most: limit.most,
            found: excess.found,
            place: first_place(excess.first),
        }
    }

    /// A line that says figure, limit and place.
    pub fn line(&self) -> String {
        let place = if self.place.is_empty() {
            String::new()
        } else {
            format!(", {}", self.place)
        };
        format!(
            "{}: {} = {}, limit {}{place}",
            short(&self.skin),
            self.limit,
            self.found,
            self.most
        )
    }
}

/// Where a finding shows first, in words: its first place, else its joints.
fn first_place(finding: &Finding) -> String {
    match finding.places.first() {
        Some(place) => format!("{} {}", finding.kind.name(), at(place)),
        None if finding.joints.is_empty() => finding.kind.name().to_owned(),
        None => format!("{} on {}", finding.kind.name(), joints(&finding.joints)),
    }
}

/// The whole report; the verdict is the first line.
pub fn inspection_table(inspection: &Inspection) -> Text {
    let is_above = |skin: &str| inspection.exceeded.iter().any(|one| one.skin == skin);
    let mark = |above: bool| Outcome::Exceeded.mark().filter(|_| above);
    let mut out = Text::default();
    let skins = &inspection.skins;
    if skins.len() != 1 {
        let findings: Vec<&Finding> = skins.iter().flat_map(|skin| &skin.findings).collect();
        let name = inspection.input.file_name().unwrap_or_default();
        let what = format!("{}: {}", counting(skins.len(), "skin"), verdict(&findings));
        let mark = mark(!inspection.exceeded.is_empty());
        out.verdict(mark, &name.to_string_lossy(), &what);
    }
    for skin in skins {
        if skins.len() > 1 {
            out.blank();
        }
        let findings: Vec<&Finding> = skin.findings.iter().collect();
        out.verdict(mark(is_above(&skin.name)), &skin.name, &verdict(&findings));
        skin_table(&mut out, skin);
    }
    out
}

fn skin_table(out: &mut Text, skin: &SkinInspection) {
    out.wrapped("  ", &sizes(&skin.surface, skin.joints));
    if !skin.influences.is_empty() {
        let words = format!("joints a vertex: {}", influences(&skin.influences));
        out.wrapped("  ", &words);
    }
    if !skin.findings.is_empty() {
        out.blank();
        out.plain(&format!(
            "  {:<18}{:<10}{:>8}",
            "finding", "severity", "count"
        ));
    }
    for finding in &skin.findings {
        let role = match finding.severity {
            Severity::Error => Some(Role::Bad),
            Severity::Warning => Some(Role::Doubt),
            Severity::Note => None,
        };
        let unit = unit(finding.unit, finding.count);
        out.line(&[
            (None, &format!("  {:<18}", finding.kind.name())),
            (role, &format!("{:<10}", finding.severity.name())),
            (None, &format!("{:>8} {unit}", finding.count)),
        ]);
    }
    for finding in &skin.findings {
        out.blank();
        out.wrapped("  ", &format!("{}: {}", finding.kind.name(), finding.what));
        out.wrapped("    ", &finding.remedy);
        // Where each place names its joints, once is enough.
        if finding.places.iter().all(|place| place.joints.is_empty()) && !finding.joints.is_empty()
        {
            out.wrapped("    ", &format!("on {}", joints(&finding.joints)));
        }
        for place in finding.places.iter().take(MOST_PLACES) {
            out.wrapped("    ", &at(place));
        }
    }
    if !skin.notes.is_empty() {
        out.blank();
    }
    for note in &skin.notes {
        out.labelled("  ", Role::Doubt, "note:", note);
    }
}

/// How many findings of each severity there are, and the worst of them.
fn verdict(findings: &[&Finding]) -> String {
    let counts = Severity::ALL.iter().filter_map(|&severity| {
        let of = findings.iter().filter(|f| f.severity == severity).count();
        (of > 0).then(|| counting(of, severity.name()))
    });
    let counts: Vec<String> = counts.collect();
    // Of several skins, the first of the gravest.
    let place = |finding: &&&Finding| Severity::ALL.iter().position(|s| *s == finding.severity);
    match findings.iter().min_by_key(place) {
        None => "nothing found".to_owned(),
        Some(worst) => format!("{}; worst: {}", counts.join(", "), worst.kind.name()),
    }
}

fn unit(unit: Unit, count: usize) -> &'static str {
    match (unit, count) {
        (Unit::RawVertices, 1) => "vertex",
        (Unit::RawVertices, _) => "vertices",
        (Unit::WeldedVertices, 1) => "welded vertex",
        (Unit::WeldedVertices, _) => "welded vertices",
        (Unit::Joints, 1) => "joint",
        (Unit::Joints, _) => "joints",
        (Unit::Skins, _) => "skin",
    }
}

fn at(place: &Place) -> String {
    let [x, y, z] = place.position;
    let mut words = format!(
        "at {} vertex {} ({x:.3}, {y:.3}, {z:.3})",
        short(&place.mesh),
        place.vertex
    );
    let mut more = Vec::new();
    if let (Some(vertices), Some(area)) = (place.patch_vertices, place.patch_area_percent) {
        let unit = unit(Unit::RawVertices, vertices);
        more.push(format!("{vertices} {unit}, {area:.2} % of the surface"));
    }
    if !place.joints.is_empty() {
        more.push(joints(&place.joints));
    }
    if let Some(weight) = place.weight {
        more.push(format!("weight {weight:.3}"));
    }
    if !more.is_empty() {
        words += &format!(": {}", more.join("; "));
    }
    words
}

fn joints(names: &[String]) -> String {
    let shown: Vec<String> = names
        .iter()
        .take(MOST_JOINTS)
        .map(|name| short(name))
        .collect();
    match names.len().saturating_sub(MOST_JOINTS) {
        0 => shown.join(", "),
        more => format!("{} and {more} more", shown.join(", ")),
    }
}
