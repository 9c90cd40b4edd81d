//! `[bind]` and `[pieces]`: what each vertex hangs from.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Checks, matches};
use crate::bind::{Fixed, Kind, Options, PieceRule, Say, Way};
use crate::deform::Skinning;
use crate::pose::matcher;
use crate::rig::{Character, JointId, Selection};

/// `[bind]`: what the reference layers start from.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct BindSettings {
    /// How each vertex gets its joint; by default `keep` where the file has weights, else `through`.
    pub way: Option<Way>,
    /// Whether the layers start from that rigid bind, or from smooth weights.
    pub base: Base,
    /// How base weights move the surface. With a rigid base both ways are the same.
    pub skinning: Skinning,
    /// Joints that win vertices even where they seem to have no body of their own.
    pub win: Vec<String>,
    /// Joints that win no vertex: they only carry others.
    pub carry: Vec<String>,
    /// Pairs of joints that never share a vertex.
    pub never: Vec<[String; 2]>,
    /// Parts of the surface that only some joints may win: `[[bind.fix]]`.
    pub fix: Vec<FixSettings>,
}

/// What the layers start from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Base {
    /// One joint a vertex.
    #[default]
    Rigid,
    /// The weights that the file has.
    File,
    /// The smooth weights of bone heat.
    Heat,
}

/// A part of the surface, and the joints that may win it: `[[bind.fix]]`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FixSettings {
    /// The joints that may win.
    pub joints: Vec<String>,
    /// The part of the surface.
    pub only: Selection,
}

/// `[pieces]`: what connected parts of the surface do.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct PiecesSettings {
    /// Pieces that bend by themselves and come nearer to each other than this, in percent of the
    /// diagonal, are smoothed as one; 0 is none.
    pub bridge: f64,
    /// What pieces do: `[[pieces.rule]]`; the last that names a piece counts.
    pub rule: Vec<PieceSettings>,
}

/// What some pieces do: `[[pieces.rule]]`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PieceSettings {
    /// `own`, `ride` or `cling`.
    pub kind: Kind,
    /// ride: the joint.
    pub joint: Option<String>,
    /// The pieces: those most of whose vertices this names.
    pub only: Selection,
}

/// A gap as wide as this, in percent of the diagonal, is no seam.
const WIDEST_BRIDGE: f64 = 5.0;

impl BindSettings {
    pub(super) fn check(&self, checks: &mut Checks) {
        let pairs = self.never.iter().flatten();
        for (name, patterns) in [
            ("bind.win", self.win.iter().collect::<Vec<_>>()),
            ("bind.carry", self.carry.iter().collect()),
            ("bind.never", pairs.collect()),
        ] {
            checks.patterns(name, patterns);
        }
        for (index, fix) in self.fix.iter().enumerate() {
            let part = format!("bind.fix[{index}]");
            checks.patterns(&part, fix.joints.iter().chain(fix.only.patterns()));
            let found = "joints that the bind is to find";
            let none = fix.only.joints.is_empty();
            checks.check(
                none,
                &format!("{part}.only"),
                "materials, meshes, pieces or an attribute",
                found.to_owned(),
            );
        }
        let heat = self.base == Base::Heat && self.way.is_some_and(|way| way != Way::Heat);
        checks.check(
            !heat,
            "bind.base",
            "way = \"heat\" beside base = \"heat\"",
            "another way".to_owned(),
        );
    }

    /// The way in use, and the options of a bind.
    ///
    /// # Errors
    /// Which part of the recipe names nothing in the character, and a sentence about it.
    pub fn resolve(
        &self,
        pieces: &PiecesSettings,
        character: &Character,
    ) -> Result<Options, (String, String)> {
        let joints = character.skeleton.joints();
        let mut say = vec![Say::Auto; joints.len()];
        for (list, what, part) in [
            (&self.win, Say::Wins, "bind.win"),
            (&self.carry, Say::Carries, "bind.carry"),
        ] {
            let named =
                named_joints(character, list).map_err(|reason| (part.to_owned(), reason))?;
            for (say, _) in say.iter_mut().zip(named).filter(|(_, named)| *named) {
                *say = what;
            }
        }
        let fixed = self.fix.iter().enumerate().map(|(index, fix)| {
            let fault = |reason| (format!("bind.fix[{index}]"), reason);
            Ok::<_, (String, String)>(Fixed {
                joints: named_joints(character, &fix.joints).map_err(fault)?,
                vertices: selected(character, &fix.only).map_err(fault)?,
            })
        });
        let rules = pieces.rule.iter().enumerate().map(|(index, rule)| {
            rule.resolve(character)
                .map_err(|reason| (format!("pieces.rule[{index}]"), reason))
        });
        let way = match (self.way, self.base, &character.weights) {
            (Some(way), ..) => way,
            (None, Base::Heat, _) => Way::Heat,
            (None, _, Some(_)) => Way::Keep,
            (None, _, None) => DEFAULT_WAY,
        };
        Ok(Options {
            way,
            say,
            fixed: fixed.collect::<Result<_, _>>()?,
            pieces: rules.collect::<Result<_, _>>()?,
        })
    }

    /// The pairs of joints that never share a vertex.
    ///
    /// # Errors
    /// Which pair names nothing, and a sentence about it.
    pub fn apart(
        &self,
        character: &Character,
    ) -> Result<Vec<(JointId, JointId)>, (String, String)> {
        let mut apart = Vec::new();
        for (index, [a, b]) in self.never.iter().enumerate() {
            let named = |pattern: &String| {
                named_joints(character, std::slice::from_ref(pattern))
                    .map_err(|reason| (format!("bind.never[{index}]"), reason))
            };
            let (a, b) = (named(a)?, named(b)?);
            let ids = || character.skeleton.ids();
            for a in ids().filter(|id| a[id.index()]) {
                apart.extend(ids().filter(|id| b[id.index()] && *id != a).map(|b| (a, b)));
            }
        }
        Ok(apart)
    }
}

/// How a file without weights is bound, by measure: docs/binding.md.
const DEFAULT_WAY: Way = Way::Through;

impl PiecesSettings {
    pub(super) fn check(&self, checks: &mut Checks) {
        let fits = (0.0..=WIDEST_BRIDGE).contains(&self.bridge);
        checks.check(
            fits,
            "pieces.bridge",
            "0 to 5 percent",
            self.bridge.to_string(),
        );
        for (index, rule) in self.rule.iter().enumerate() {
            let part = format!("pieces.rule[{index}]");
            checks.patterns(&part, rule.only.patterns());
            let rides = rule.joint.is_none() || rule.kind == Kind::Ride;
            checks.check(
                rides,
                &format!("{part}.joint"),
                "kind = \"ride\" beside joint",
                "another kind".to_owned(),
            );
        }
    }
}

impl PieceSettings {
    fn resolve(&self, character: &Character) -> Result<PieceRule, String> {
        let joint = match &self.joint {
            Some(name) => Some(
                character
                    .skeleton
                    .find(name)
                    .ok_or_else(|| format!("no joint is named {name:?}"))?,
            ),
            None => None,
        };
        let joints = match &self.only.joints[..] {
            [] => None,
            patterns => Some(named_joints(character, patterns)?),
        };
        let others = Selection {
            joints: Vec::new(),
            ..self.only.clone()
        };
        let vertices = (others != Selection::default() || joints.is_none())
            .then(|| selected(character, &others))
            .transpose()?;
        Ok(PieceRule {
            kind: self.kind,
            joint,
            vertices,
            joints,
        })
    }
}

/// For each joint whether a pattern matches its name; every pattern must match one.
fn named_joints(character: &Character, patterns: &[String]) -> Result<Vec<bool>, String> {
    let joints = character.skeleton.joints();
    let mut named = vec![false; joints.len()];
    for pattern in patterns {
        let glob = matcher(pattern).map_err(|reason| reason.to_string())?;
        let mut any = false;
        for (named, joint) in named.iter_mut().zip(joints) {
            let hit = glob.is_match(&joint.name);
            *named |= hit;
            any |= hit;
        }
        if !any {
            return Err(format!("no joint matches {pattern:?}"));
        }
    }
    Ok(named)
}

/// Whether each welded vertex is meant, without asking for joints.
fn selected(character: &Character, only: &Selection) -> Result<Vec<bool>, String> {
    let bind = vec![JointId(0); character.surface.len()];
    only.takes_in(character, &bind, &matches)
}
