//! The recipe: what the user asks for, read from `tanyard.toml` and checked.
//!
//! Every part is optional. Angles are in degrees, shares go from 0 to 1, `percent` is of the bind
//! bounding-box diagonal.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::asset::WeightFormat;
use crate::deform::{
    Border, LayerKind, LayerOptions, MOST_ROUNDS, MushOptions, RelaxOptions, rounds_for_radius,
};
use crate::error::{Error, Fault};
use crate::limits::Limits;
use crate::pose::{self, matcher};
use crate::rig::{Axis, Character, JointId, Selection};

mod bind;

pub use bind::{Base, BindSettings, FixSettings, PieceSettings, PiecesSettings};

/// The settings of a character.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Recipe {
    /// `[bind]`
    pub bind: BindSettings,
    /// `[pieces]`
    pub pieces: PiecesSettings,
    /// `[poses]`
    pub poses: pose::Options,
    /// `[[layer]]`, in the order they run; `layer = []` for none.
    pub layer: Vec<LayerSettings>,
    /// `[fit]`
    pub fit: FitSettings,
    /// `[write]`
    pub write: WriteSettings,
    /// `[limits]`
    pub limits: Limits,
}

impl Default for Recipe {
    fn default() -> Self {
        Self {
            bind: BindSettings::default(),
            pieces: PiecesSettings::default(),
            poses: pose::Options::default(),
            layer: default_layers(),
            fit: FitSettings::default(),
            write: WriteSettings::default(),
            limits: Limits::default(),
        }
    }
}

/// One layer of the stack.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Edge lengths drawn back toward bind.
    Relax,
    /// Delta mush.
    Mush,
}

/// `[fit]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
}

/// See [`FitSettings::symmetry`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
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
        }
    }
}

/// `[write]`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WriteSettings {
    /// How weights are stored: `u8`, `u16` or `f32`.
    pub weights: WeightFormat,
}

impl Default for WriteSettings {
    fn default() -> Self {
        Self {
            weights: WeightFormat::F32,
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
    /// Reads and checks a recipe; `path` is named in faults.
    ///
    /// # Errors
    /// [`Error::Setting`] with line, what was expected, what was found, and the nearest right name.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Error> {
        let recipe: Self = toml::from_str(text)
            .map_err(|error| Error::Setting(vec![toml_fault(path, text, &error)]))?;
        recipe.check(path)?;
        Ok(recipe)
    }

    /// Checks values against what they may be.
    ///
    /// # Errors
    /// [`Error::Setting`] with every fault found.
    pub fn check(&self, path: &Path) -> Result<(), Error> {
        let mut checks = Checks {
            path,
            faults: Vec::new(),
        };
        self.bind.check(&mut checks);
        self.pieces.check(&mut checks);
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
        for (index, layer) in self.layer.iter().enumerate() {
            layer.check(&format!("layer[{index}]"), &mut check);
        }
        if checks.faults.is_empty() {
            Ok(())
        } else {
            Err(Error::Setting(checks.faults))
        }
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

    fn check(&self, part: &str, check: &mut impl FnMut(bool, &str, &str, String)) {
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
        if let Some(only) = &self.only {
            for pattern in only.patterns() {
                if let Err(reason) = matcher(pattern) {
                    check(
                        false,
                        &format!("{part}.only"),
                        "name patterns",
                        format!("{pattern:?} ({reason})"),
                    );
                }
            }
            if let Some(attribute) = &only.attribute {
                check(
                    attribute.starts_with('_'),
                    &format!("{part}.only.attribute"),
                    "a name that begins with an underscore",
                    format!("{attribute:?}"),
                );
            }
        }
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
        let (stretch, squash) = (
            self.stretch.unwrap_or(STRETCH),
            self.squash.unwrap_or(SQUASH),
        );
        let (default_radius, pull) = match self.kind {
            Kind::Relax => (RELAX_RADIUS, 0.5 * stretch.max(squash)),
            Kind::Mush => (MUSH_RADIUS, self.pull.unwrap_or(PULL)),
        };
        let radius = self.radius.unwrap_or(default_radius) / 100.0 * surface.diagonal();
        let rounds = self
            .rounds
            .unwrap_or_else(|| rounds_for_radius(radius, surface.edge_length(), f64::from(pull)));
        let kind = match self.kind {
            Kind::Relax => LayerKind::Relax(RelaxOptions {
                rounds,
                stretch,
                squash,
                anchor: self.anchor.unwrap_or(ANCHOR),
            }),
            Kind::Mush => LayerKind::Mush(MushOptions {
                rounds,
                pull,
                detail: self.detail.unwrap_or(1.0),
                border: self.border.unwrap_or_default(),
            }),
        };
        let mask = match &self.only {
            Some(only) => Some(only.mask(character, bind, &matches)?),
            None => None,
        };
        Ok(LayerOptions {
            kind,
            blend: self.blend.unwrap_or(1.0),
            mask,
        })
    }
}

/// A fault from what the TOML reader says, with the nearest right name for a misspelt one.
fn toml_fault(path: &Path, text: &str, error: &toml::de::Error) -> Fault {
    let line = error
        .span()
        .map(|span| text[..span.start.min(text.len())].matches('\n').count() + 1);
    let part = line.map_or(String::new(), |line| format!("line {line}"));
    let message = error.message();
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    if let (true, Some((found, known))) = (message.starts_with("unknown"), quoted.split_first()) {
        let distance = |name: &str| strsim::damerau_levenshtein(name, found);
        let nearest = known
            .iter()
            .min_by_key(|name| (distance(name), **name))
            // Half the letters wrong is another word.
            .filter(|name| distance(name) <= name.len() / 2);
        return Fault::new(
            path,
            part,
            format!("one of {}", known.join(", ")),
            format!("'{found}'"),
        )
        .remedy(nearest.map_or(String::new(), |name| format!("the nearest is '{name}'")));
    }
    Fault::new(
        path,
        part,
        "a recipe (docs/recipes.md)",
        message.trim().replace('\n', " "),
    )
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
    fn no_layers_can_be_asked_for() {
        assert!(
            Recipe::parse(Path::new("r"), "layer = []")
                .expect("valid")
                .layer
                .is_empty()
        );
    }
}
