//! A part of a character, by names and numbers: `only` in a recipe.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Character, JointId};

/// The vertices that any of the given lists names. With an attribute, its value (0 to 1) at each vertex
/// multiplies what the lists say.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Selection {
    /// Vertices whose joint in the bind has a name that matches one of these patterns.
    pub joints: Vec<String>,
    /// Vertices of primitives whose material's name matches one of these patterns.
    pub materials: Vec<String>,
    /// Vertices of meshes whose name matches one of these patterns.
    pub meshes: Vec<String>,
    /// Vertices of these pieces, numbered from 0 in the order of the file.
    pub pieces: Vec<u32>,
    /// A scalar vertex attribute that begins with an underscore.
    pub attribute: Option<String>,
}

impl Selection {
    /// Every name pattern in it.
    pub fn patterns(&self) -> impl Iterator<Item = &String> {
        let lists = [&self.joints, &self.materials, &self.meshes];
        lists.into_iter().flatten()
    }

    /// Its value at every welded vertex, 0 to 1. `bind` is the joint of each. `matches` compares a pattern with a name.
    ///
    /// # Errors
    /// A sentence that says what in it names nothing.
    pub fn mask(
        &self,
        character: &Character,
        bind: &[JointId],
        matches: &dyn Fn(&str, &str) -> bool,
    ) -> Result<Vec<f32>, String> {
        let surface = &character.surface;
        let listed = [&self.joints, &self.materials, &self.meshes]
            .iter()
            .any(|list| !list.is_empty())
            || !self.pieces.is_empty();
        let mut mask = vec![if listed { 0.0f32 } else { 1.0 }; surface.len()];
        for pattern in &self.joints {
            let joints = character.skeleton.joints();
            let hit: Vec<bool> = joints
                .iter()
                .map(|joint| matches(pattern, &joint.name))
                .collect();
            let hits = (0..surface.len()).filter(|&v| hit[bind[v].index()]);
            mark(&mut mask, hits, hit.contains(&true), "joint", pattern)?;
        }
        for pattern in &self.materials {
            let named = || character.parts.iter().flat_map(|part| &part.materials);
            let found = named().any(|(name, _)| matches(pattern, name));
            let hits = named()
                .filter(|(name, _)| matches(pattern, name))
                .flat_map(|(_, vertices)| vertices.iter().map(|&v| v as usize));
            mark(&mut mask, hits, found, "material", pattern)?;
        }
        for pattern in &self.meshes {
            let named = || {
                character
                    .parts
                    .iter()
                    .filter(|part| matches(pattern, &part.mesh))
            };
            let hits = named()
                .flat_map(|part| part.raw.clone())
                .map(|raw| surface.welded[raw] as usize);
            mark(&mut mask, hits, named().next().is_some(), "mesh", pattern)?;
        }
        for &piece in &self.pieces {
            let hits = (0..surface.len()).filter(|&v| surface.piece_of[v] == piece);
            let found = (piece as usize) < surface.pieces;
            mark(&mut mask, hits, found, "piece", &piece.to_string())?;
        }
        if let Some(attribute) = &self.attribute {
            // Copies of a welded vertex may differ: the greatest counts. A part without it has none.
            let mut values = vec![0.0f32; surface.len()];
            let mut found = false;
            for part in &character.parts {
                for (_, own) in part.masks.iter().filter(|(name, _)| name == attribute) {
                    found = true;
                    for (raw, &value) in part.raw.clone().zip(own) {
                        let slot = &mut values[surface.welded[raw] as usize];
                        *slot = slot.max(value.clamp(0.0, 1.0));
                    }
                }
            }
            if !found {
                return Err(format!("no vertex attribute is named {attribute:?}"));
            }
            for (value, factor) in mask.iter_mut().zip(values) {
                *value *= factor;
            }
        }
        Ok(mask)
    }

    /// Whether each welded vertex is in, where there is no in between: its value is at least a half.
    ///
    /// # Errors
    /// As for [`Self::mask`].
    pub fn takes_in(
        &self,
        character: &Character,
        bind: &[JointId],
        matches: &dyn Fn(&str, &str) -> bool,
    ) -> Result<Vec<bool>, String> {
        let mask = self.mask(character, bind, matches)?;
        Ok(mask.into_iter().map(|share| share >= 0.5).collect())
    }
}

fn mark(
    mask: &mut [f32],
    hits: impl Iterator<Item = usize>,
    found: bool,
    what: &str,
    pattern: &str,
) -> Result<(), String> {
    if !found {
        return Err(format!("no {what} matches {pattern:?}"));
    }
    for v in hits {
        mask[v] = 1.0;
    }
    Ok(())
}
