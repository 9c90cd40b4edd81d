//! The recipe: what the user asks for, read from the nearest `tanyard.toml` and checked.
//!
//! Every part is optional. Angles are in degrees, shares go from 0 to 1, `percent` is of the bind
//! bounding-box diagonal.

use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::asset::WeightFormat;
use crate::deform::{
    Border, LayerKind, LayerOptions, MOST_ROUNDS, MushOptions, RelaxOptions, rounds_for_radius,
};
use crate::error::{Error, Fault};
use crate::limits::{Limits, Slip};
use crate::pose::{self, matcher};
use crate::rig::{Axis, Character, JointId, Selection};
use text::{Placed, Text};

mod bind;
mod file;
mod helpers;
mod nearest;
mod schema;
mod show;
mod text;

pub use bind::{Base, BindSettings, FixSettings, PieceSettings, PiecesSettings};
pub use file::{FILE_NAME, RecipeFile};
pub use helpers::{HelperMotion, HelperSettings, RegionSettings};
pub use nearest::{Found, Recipes};
pub use schema::json_schema;

/// A recipe to start from: every key with its meaning, unit, range and default. As it stands it is the default.
pub const STARTER: &str = include_str!("recipe/starter.toml");

/// The settings of a character.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Recipe {
    /// What each vertex hangs from, and what the layers start from: `[bind]`.
    pub bind: BindSettings,
    /// Straps, buckles, panels: `[pieces]`.
    pub pieces: PiecesSettings,
    /// What the fit sees: `[poses]`.
    pub poses: pose::Options,
    /// What the character should look like, in the order they run: `[[layer]]`; `layer = []` for none.
    pub layer: Vec<LayerSettings>,
    /// How weights come close: `[fit]`.
    pub fit: FitSettings,
    /// Joints that the bake adds: `[helpers]`.
    pub helpers: HelperSettings,
    /// What is stored: `[write]`.
    pub write: WriteSettings,
    /// Figures that a shipped character must meet: `[limits]`.
    pub limits: Limits,
    /// Meshes that follow the others of their skin: `[[lod]]`.
    pub lod: Vec<LodSettings>,
}

impl Default for Recipe {
    fn default() -> Self {
        Self {
            bind: BindSettings::default(),
            pieces: PiecesSettings::default(),
            poses: pose::Options::default(),
            layer: default_layers(),
            fit: FitSettings::default(),
            helpers: HelperSettings::default(),
            write: WriteSettings::default(),
            limits: Limits::default(),
            lod: Vec::new(),
        }
    }
}

/// Meshes that follow the others of their skin. A mesh belongs to the first table that names it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LodSettings {
    /// Patterns for the names of their nodes or meshes.
    pub meshes: Vec<String>,
    /// Joints a vertex at most, 1 to 8; those of `[fit]` if it is left out.
    pub influences: Option<usize>,
    /// Limits in place of the character's.
    pub limits: Option<Limits>,
}

impl LodSettings {
    /// Whether one of the names of a mesh matches.
    pub fn names(&self, names: &[String]) -> bool {
        let mut all = names
            .iter()
            .flat_map(|name| self.meshes.iter().map(move |p| (p, name)));
        all.any(|(pattern, name)| matches(pattern, name))
    }
}

/// One layer of the stack.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LayerSettings {
    /// `relax` or `mush`.
    pub kind: Kind,
    /// Passes over the surface. Give these or `radius`.
    pub rounds: Option<usize>,
    /// How far it reaches, in percent of the diagonal; rounds follow from the mesh's edge length.
    pub radius: Option<f64>,
    /// mush: share of the way to the neighbours' mean each round.
    pub pull: Option<f32>,
    /// mush: share of the detail given back.
    pub detail: Option<f32>,
    /// mush: `free` or `held`.
    pub border: Option<Border>,
    /// relax: resistance to lengthening.
    pub stretch: Option<f32>,
    /// relax: resistance to shortening.
    pub squash: Option<f32>,
    /// relax: pull toward the shape that came in.
    pub anchor: Option<f32>,
    /// How much of the layer is applied.
    pub blend: Option<f32>,
    /// Where it is applied.
    pub only: Option<Selection>,
}

/// The kinds of layers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "LayerKind")]
pub enum Kind {
    /// Edge lengths drawn back toward bind.
    Relax,
    /// Delta mush.
    Mush,
}

/// How weights come close: `[fit]`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct FitSettings {
    /// Joints a vertex at most, 1 to 8.
    pub influences: usize,
    /// Weight of the coupling between neighbours; 0 is none, 0.01 is mild, 1 is strong.
    pub smoothness: f64,
    /// Differences in motion below this many percent of the diagonal are left to the bind.
    pub hold: f64,
    /// Weights below this are dropped and the others solved again.
    pub prune: f64,
    /// Whether what stands out after the fit is solved again within its neighbourhood.
    pub mend: bool,
    /// Whether left and right are made alike.
    pub symmetry: Symmetry,
    /// The part that is solved; all else keeps the weights that the file has.
    pub only: Option<Selection>,
}

impl FitSettings {
    /// Whether each welded vertex is solved, in a character whose vertices are bound to these joints; `None` if
    /// all are.
    ///
    /// # Errors
    /// A sentence if `only` names nothing in it.
    pub fn solved(
        &self,
        character: &Character,
        bind: &[JointId],
    ) -> Result<Option<Vec<bool>>, String> {
        let only = self.only.as_ref();
        only.map(|only| only.takes_in(character, bind, &matches))
            .transpose()
    }
}

/// Whether left and right are made alike.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Symmetry {
    /// Across whichever axis the character is symmetric, if it is.
    #[default]
    Auto,
    /// Never.
    Off,
    /// Across x, wherever vertices have partners.
    X,
    /// Across y.
    Y,
    /// Across z.
    Z,
}

impl Symmetry {
    /// The axis asked for, if one is.
    pub fn axis(self) -> Option<Axis> {
        match self {
            Self::Auto | Self::Off => None,
            Self::X => Some(Axis::X),
            Self::Y => Some(Axis::Y),
            Self::Z => Some(Axis::Z),
        }
    }

    /// The word of the recipe.
    pub fn name(self) -> &'static str {
        match self {
            Self::Auto => "auto",
            Self::Off => "off",
            Self::X => "x",
            Self::Y => "y",
            Self::Z => "z",
        }
    }
}

impl Default for FitSettings {
    fn default() -> Self {
        Self {
            influences: 4,
            smoothness: 0.0,
            hold: 1e-4,
            prune: 5e-4,
            mend: true,
            symmetry: Symmetry::Auto,
            only: None,
        }
    }
}

/// What is stored: `[write]`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct WriteSettings {
    /// How weights are stored: `u8`, `u16` or `f32`.
    pub weights: WeightFormat,
    /// Whether the file gets a clip that shows the poses of the fit, to look at.
    pub clip: bool,
}

impl Default for WriteSettings {
    fn default() -> Self {
        Self {
            weights: WeightFormat::F32,
            clip: false,
        }
    }
}

/// Beyond these a recipe is a slip.
const MOST_BLENDS: usize = 1_000_000;
const MOST_LAYERS: usize = 64;

/// Default radius of a mush layer, in percent of the diagonal: about five rounds on a mesh of three
/// thousand vertices.
const MUSH_RADIUS: f64 = 2.5;
/// Default radius of a relax layer.
const RELAX_RADIUS: f64 = 1.0;
const PULL: f32 = 0.5;
const DETAIL: f32 = 1.0;
const STRETCH: f32 = 0.5;
const SQUASH: f32 = 0.5;
const ANCHOR: f32 = 0.1;

/// A mild relax, then a mush.
fn default_layers() -> Vec<LayerSettings> {
    vec![
        LayerSettings::new(Kind::Relax),
        LayerSettings::new(Kind::Mush),
    ]
}

impl Recipe {
    /// Reads and checks the settings of a text; `path` is named in faults. For a file, which may hold
    /// settings for some characters besides, see [`RecipeFile`].
    ///
    /// # Errors
    /// [`Error::Setting`] with line, part, what was expected, what was found, and the nearest right name.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Error> {
        let text = Text::new(path, text);
        let tree = text.tree()?;
        let recipe = text.settings(&tree, "", &[]).map_err(all)?;
        let faults = recipe.faults(path).into_iter().map(|fault| {
            let at = text::place(&tree, &fault.part).map_or(0, |place| place.at);
            text.place(at, fault)
        });
        let faults: Vec<Placed> = faults.collect();
        if faults.is_empty() {
            Ok(recipe)
        } else {
            Err(all(faults))
        }
    }

    /// As TOML that reads as the same recipe, every default in it; those of keys that are not set stand in comments.
    ///
    /// # Errors
    /// What is found that TOML cannot tell: a path that is no Unicode.
    pub fn to_toml(&self) -> Result<String, String> {
        show::write(self, None)
    }

    /// Whether any limits are about what `inspect` finds.
    pub fn asks_for_findings(&self) -> bool {
        let lods = self.lod.iter().filter_map(|lod| lod.limits.as_ref());
        let mut all = lods.chain([&self.limits]);
        all.any(Limits::asks_for_findings)
    }

    /// The same without limits.
    pub fn unlimited(&self) -> Self {
        let mut free = self.clone();
        free.limits = Limits::default();
        free.lod.iter_mut().for_each(|lod| lod.limits = None);
        free
    }

    /// The limits of what a `[[lod]]` table names, or of the rest.
    pub fn limits_of(&self, lod: Option<usize>) -> &Limits {
        let own = lod.and_then(|lod| self.lod.get(lod)?.limits.as_ref());
        own.unwrap_or(&self.limits)
    }

    /// Checks values against what they may be.
    ///
    /// # Errors
    /// [`Error::Setting`] with every fault found.
    pub fn check(&self, path: &Path) -> Result<(), Error> {
        let faults = self.faults(path);
        if faults.is_empty() {
            Ok(())
        } else {
            Err(Error::Setting(faults))
        }
    }

    /// What is wrong with values; `path` is named in faults.
    fn faults(&self, path: &Path) -> Vec<Fault> {
        let mut checks = Checks {
            path,
            faults: Vec::new(),
        };
        checks.slips("limits", self.limits.slips());
        self.bind.check(&mut checks);
        self.pieces.check(&mut checks);
        self.helpers.check(&mut checks);
        let mut check = |good: bool, part: &str, expected: &str, found: String| {
            checks.check(good, part, expected, found);
        };
        let share = |x: f64| (0.0..=1.0).contains(&x);
        let fit = &self.fit;
        check(
            (1..=8).contains(&fit.influences),
            "fit.influences",
            "1 to 8",
            fit.influences.to_string(),
        );
        check(
            (0.0..=1e6).contains(&fit.smoothness),
            "fit.smoothness",
            "0 to 1000000",
            fit.smoothness.to_string(),
        );
        check(
            fit.hold > 0.0 && fit.hold <= 100.0,
            "fit.hold",
            "above 0, to 100 percent",
            fit.hold.to_string(),
        );
        check(
            (0.0..0.5).contains(&fit.prune),
            "fit.prune",
            "0 to below 0.5",
            fit.prune.to_string(),
        );
        let poses = &self.poses;
        check(
            poses.sweep_steps <= 90,
            "poses.sweep_steps",
            "at most 90",
            poses.sweep_steps.to_string(),
        );
        check(
            (0.0..=180.0).contains(&poses.range),
            "poses.range",
            "0 to 180 degrees",
            poses.range.to_string(),
        );
        for (name, count) in [
            ("poses.blends", poses.blends),
            ("poses.held_out", poses.held_out),
        ] {
            check(
                count <= MOST_BLENDS,
                name,
                "at most 1000000",
                count.to_string(),
            );
        }
        check(
            self.layer.len() <= MOST_LAYERS,
            "layer",
            "at most 64 layers",
            self.layer.len().to_string(),
        );
        check(
            share(poses.blend_share),
            "poses.blend_share",
            "0 to 1",
            poses.blend_share.to_string(),
        );
        check(
            (0.0..=10.0).contains(&poses.clip_margin),
            "poses.clip_margin",
            "0 to 10",
            poses.clip_margin.to_string(),
        );
        check(
            poses.clip_step > 0.0 && poses.clip_step <= 180.0,
            "poses.clip_step",
            "above 0, to 180 degrees",
            poses.clip_step.to_string(),
        );
        for (name, weight) in [
            ("poses.sweep_weight", poses.sweep_weight),
            ("poses.blend_weight", poses.blend_weight),
            ("poses.clip_weight", poses.clip_weight),
        ] {
            check(
                weight == 0.0 || pose::WEIGHTS.contains(&weight),
                name,
                "0, or 0.000001 to 1000000",
                weight.to_string(),
            );
        }
        for (index, rule) in poses.ranges.iter().enumerate() {
            let part = format!("poses.ranges[{index}]");
            if let Err(reason) = matcher(&rule.joints) {
                check(
                    false,
                    &format!("{part}.joints"),
                    "a name pattern",
                    format!("{:?} ({reason})", rule.joints),
                );
            }
            for (axis, [low, high]) in [("x", rule.x), ("y", rule.y), ("z", rule.z)] {
                let good = -180.0 <= low && low <= high && high <= 180.0;
                check(
                    good,
                    &format!("{part}.{axis}"),
                    "[lowest, highest] within -180 to 180 degrees",
                    format!("[{low}, {high}]"),
                );
            }
        }
        for (index, lod) in self.lod.iter().enumerate() {
            if let Some(influences) = lod.influences {
                check(
                    (1..=8).contains(&influences),
                    &format!("lod[{index}].influences"),
                    "1 to 8",
                    influences.to_string(),
                );
            }
            let found = lod.meshes.len();
            let part = format!("lod[{index}].meshes");
            check(
                found > 0,
                &part,
                "at least one name pattern",
                found.to_string(),
            );
        }
        if let Some(only) = &fit.only {
            checks.selection("fit.only", only);
        }
        for (index, layer) in self.layer.iter().enumerate() {
            layer.check(&format!("layer[{index}]"), &mut checks);
        }
        for (index, lod) in self.lod.iter().enumerate() {
            checks.patterns(&format!("lod[{index}].meshes"), &lod.meshes);
            let Some(limits) = &lod.limits else { continue };
            let table = format!("lod[{index}].limits");
            checks.slips(&table, limits.slips());
            checks.check(
                limits.baseline.is_none() && limits.above_baseline_percent.is_none(),
                &table,
                "no baseline: that of [limits] is for the whole file",
                "one".to_owned(),
            );
        }
        checks.faults
    }
}

/// Collects what is wrong with a recipe.
struct Checks<'a> {
    path: &'a Path,
    faults: Vec<Fault>,
}

impl Checks<'_> {
    fn check(&mut self, good: bool, part: &str, expected: &str, found: String) {
        if !good {
            self.faults
                .push(Fault::new(self.path, part, expected, found));
        }
    }

    /// What is wrong with limits.
    fn slips(&mut self, table: &str, slips: impl IntoIterator<Item = Slip>) {
        for slip in slips {
            let part = format!("{table}.{}", slip.key);
            let fault = Fault::new(self.path, part, slip.expected, &slip.found);
            let remedy = text::nearest(slip.found.trim_matches('\''), &slip.names);
            self.faults.push(fault.remedy(remedy));
        }
    }

    fn selection(&mut self, part: &str, only: &Selection) {
        self.patterns(part, only.patterns());
        if let Some(attribute) = &only.attribute {
            self.check(
                attribute.starts_with('_'),
                &format!("{part}.attribute"),
                "a name that begins with an underscore",
                format!("{attribute:?}"),
            );
        }
    }

    fn patterns<'a>(&mut self, part: &str, patterns: impl IntoIterator<Item = &'a String>) {
        for pattern in patterns {
            if let Err(reason) = matcher(pattern) {
                self.check(
                    false,
                    part,
                    "name patterns",
                    format!("{pattern:?} ({reason})"),
                );
            }
        }
    }
}

/// Whether a pattern, checked before, matches a name.
fn matches(pattern: &str, name: &str) -> bool {
    matcher(pattern).is_ok_and(|glob| glob.is_match(name))
}

impl LayerSettings {
    /// A layer with defaults throughout.
    pub fn new(kind: Kind) -> Self {
        Self {
            kind,
            rounds: None,
            radius: None,
            pull: None,
            detail: None,
            border: None,
            stretch: None,
            squash: None,
            anchor: None,
            blend: None,
            only: None,
        }
    }

    /// The same with defaults for every option of its kind that is left out.
    fn filled(&self) -> Self {
        let mut filled = self.clone();
        let radius = match self.kind {
            Kind::Relax => {
                filled.stretch.get_or_insert(STRETCH);
                filled.squash.get_or_insert(SQUASH);
                filled.anchor.get_or_insert(ANCHOR);
                RELAX_RADIUS
            }
            Kind::Mush => {
                filled.pull.get_or_insert(PULL);
                filled.detail.get_or_insert(DETAIL);
                filled.border.get_or_insert_default();
                MUSH_RADIUS
            }
        };
        if self.rounds.is_none() {
            filled.radius.get_or_insert(radius);
        }
        filled.blend.get_or_insert(1.0);
        filled
    }

    fn check(&self, part: &str, checks: &mut Checks) {
        if let Some(only) = &self.only {
            checks.selection(&format!("{part}.only"), only);
        }
        let mut check = |good: bool, part: &str, expected: &str, found: String| {
            checks.check(good, part, expected, found);
        };
        let share = |x: f64| (0.0..=1.0).contains(&x);
        if let (Some(rounds), Some(radius)) = (self.rounds, self.radius) {
            check(
                false,
                part,
                "rounds or radius",
                format!("rounds = {rounds} and radius = {radius}"),
            );
        }
        if let Some(rounds) = self.rounds {
            check(
                rounds <= MOST_ROUNDS,
                &format!("{part}.rounds"),
                "at most 5000",
                rounds.to_string(),
            );
        }
        if let Some(radius) = self.radius {
            check(
                radius > 0.0 && radius <= 100.0,
                &format!("{part}.radius"),
                "above 0, to 100 percent",
                radius.to_string(),
            );
        }
        let mush = self.kind == Kind::Mush;
        for (name, value, belongs) in [
            ("pull", self.pull, mush),
            ("detail", self.detail, mush),
            ("stretch", self.stretch, !mush),
            ("squash", self.squash, !mush),
            ("anchor", self.anchor, !mush),
            ("blend", self.blend, true),
        ] {
            let Some(value) = value else { continue };
            let part = format!("{part}.{name}");
            check(share(f64::from(value)), &part, "0 to 1", value.to_string());
            let other = if mush { "relax" } else { "mush" };
            check(
                belongs,
                &part,
                &format!("an option of {}", self.name()),
                format!("one of {other}"),
            );
        }
        if let Some(pull) = self.pull {
            check(
                pull >= 0.01,
                &format!("{part}.pull"),
                "a share of at least 0.01",
                pull.to_string(),
            );
        }
        check(
            self.border.is_none() || mush,
            &format!("{part}.border"),
            "an option of relax",
            "one of mush".to_owned(),
        );
    }

    fn name(&self) -> &'static str {
        match self.kind {
            Kind::Relax => "relax",
            Kind::Mush => "mush",
        }
    }

    /// One line for people.
    pub fn describe(&self, layer: &LayerOptions) -> String {
        let rounds = match layer.kind {
            LayerKind::Relax(o) => o.rounds,
            LayerKind::Mush(o) => o.rounds,
        };
        format!("{} of {rounds} rounds", self.name())
    }

    /// Works out rounds and mask for a character whose vertices are bound to these joints.
    ///
    /// # Errors
    /// A sentence if `only` names nothing in it.
    pub fn resolve(&self, character: &Character, bind: &[JointId]) -> Result<LayerOptions, String> {
        let surface = &character.surface;
        let filled = self.filled();
        let share = |option: Option<f32>| option.unwrap_or_default();
        let (stretch, squash) = (share(filled.stretch), share(filled.squash));
        let pull = match self.kind {
            Kind::Relax => 0.5 * stretch.max(squash),
            Kind::Mush => share(filled.pull),
        };
        let radius = filled.radius.unwrap_or_default() / 100.0 * surface.diagonal();
        let rounds = self
            .rounds
            .unwrap_or_else(|| rounds_for_radius(radius, surface.edge_length(), f64::from(pull)));
        let kind = match self.kind {
            Kind::Relax => LayerKind::Relax(RelaxOptions {
                rounds,
                stretch,
                squash,
                anchor: share(filled.anchor),
            }),
            Kind::Mush => LayerKind::Mush(MushOptions {
                rounds,
                pull,
                detail: share(filled.detail),
                border: filled.border.unwrap_or_default(),
            }),
        };
        let mask = match &self.only {
            Some(only) => Some(only.mask(character, bind, &matches)?),
            None => None,
        };
        Ok(LayerOptions {
            kind,
            blend: share(filled.blend),
            mask,
        })
    }
}

/// All faults in the order of the text, each once.
fn all(faults: impl IntoIterator<Item = Placed>) -> Error {
    let mut faults: Vec<Placed> = faults.into_iter().collect();
    faults.sort_by_key(|(at, _)| *at);
    faults.dedup();
    Error::Setting(faults.into_iter().map(|(_, fault)| fault).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(text: &str) -> String {
        Recipe::parse(Path::new("tanyard.toml"), text)
            .expect_err("a fault")
            .to_string()
    }

    #[test]
    fn empty_recipe_is_the_default() {
        assert_eq!(
            Recipe::parse(Path::new("r"), "").expect("valid"),
            Recipe::default()
        );
    }

    #[test]
    fn misspelt_key_names_line_and_nearest() {
        let text = faults("[bind]\nway = \"keep\"\n[fit]\ninfluence = 3\n");
        assert!(text.contains("tanyard.toml: line 4"), "{text}");
        assert!(text.contains("the nearest is 'influences'"), "{text}");
        let text = faults("[[layer]]\nkind = \"mush\"\nround = 3\n");
        assert!(
            text.contains("line 3") && text.contains("'rounds'"),
            "{text}"
        );
        let text = faults("[bind]\nway = \"nearst\"\n");
        assert!(
            text.contains("line 2") && text.contains("'nearest'"),
            "{text}"
        );
    }

    #[test]
    fn values_out_of_range_are_all_named() {
        let text =
            faults("[fit]\ninfluences = 9\nprune = 1\n[[layer]]\nkind = \"relax\"\npull = 0.5\n");
        for part in ["fit.influences", "fit.prune", "layer[0].pull"] {
            assert!(text.contains(part), "{part} in {text}");
        }
        let text = faults("[[layer]]\nkind = \"mush\"\nrounds = 3\nradius = 2.0\n");
        assert!(text.contains("rounds or radius"), "{text}");
    }

    #[test]
    fn values_name_their_line_and_types_are_in_plain_words() {
        let text = faults("[fit]\nprune = 0.1\ninfluences = 9\n");
        assert!(
            text.contains("line 3: fit.influences: expected 1 to 8, found 9"),
            "{text}"
        );
        let text =
            faults("[fit]\nprune = \"a\"\ninfluences = 2.5\nmend = 1\n[[layer]]\nradius = 2\n");
        for fault in [
            "line 2: fit.prune: expected a number, found \"a\"",
            "line 3: fit.influences: expected a whole number, 0 or more, found 2.5",
            "line 4: fit.mend: expected true or false, found 1",
            "line 5: layer[0]: expected the key 'kind', found none",
        ] {
            assert!(text.contains(fault), "{fault} in {text}");
        }
    }

    #[test]
    fn no_layers_can_be_asked_for() {
        assert!(
            Recipe::parse(Path::new("r"), "layer = []")
                .expect("valid")
                .layer
                .is_empty()
        );
    }
}
