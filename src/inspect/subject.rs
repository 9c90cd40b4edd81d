//! What every group of findings needs of a skin: names, places, and how far joints lie apart.

use super::{Finding, Kind, Place};
use crate::rig::{Character, Copies, JointId, Skeleton, Surface};

/// Places that a finding names.
const MOST_PLACES: usize = 10;

pub(super) struct Subject<'a> {
    pub character: &'a Character,
    pub skeleton: &'a Skeleton,
    pub surface: &'a Surface,
    /// For each joint, whether any vertex has weight on it.
    pub used: Vec<bool>,
    copies: Copies,
    area: f64,
    depths: Vec<usize>,
}

impl<'a> Subject<'a> {
    pub fn new(character: &'a Character) -> Self {
        let skeleton = &character.skeleton;
        let mut depths = vec![0; skeleton.joints().len()];
        for &id in skeleton.parents_first() {
            if let Some(parent) = skeleton.joint(id).parent {
                depths[id.index()] = depths[parent.index()] + 1;
            }
        }
        let mut used = vec![false; skeleton.joints().len()];
        for (id, _) in character
            .weights
            .iter()
            .flat_map(|weights| (0..weights.len()).flat_map(|v| weights.of(v)))
        {
            used[id.index()] = true;
        }
        Self {
            character,
            skeleton,
            surface: &character.surface,
            used,
            copies: character.surface.copies(),
            area: character.surface.areas.iter().sum(),
            depths,
        }
    }

    /// A finding without joints and places yet.
    pub fn finding(&self, kind: Kind, count: usize, what: String, remedy: &str) -> Finding {
        Finding {
            kind,
            severity: kind.severity(),
            count,
            unit: kind.unit(),
            what,
            remedy: remedy.to_owned(),
            joints: Vec::new(),
            places: Vec::new(),
        }
    }

    /// The names of joints.
    pub fn names(&self, joints: impl IntoIterator<Item = JointId>) -> Vec<String> {
        let name = |id: JointId| self.skeleton.joint(id).name.clone();
        joints.into_iter().map(name).collect()
    }

    /// A raw vertex.
    pub fn raw_place(&self, raw: u32, joints: &[JointId]) -> Place {
        let parts = &self.character.parts;
        let part = parts.partition_point(|part| part.raw.end <= raw as usize);
        // A character made by hand may have no parts.
        let (mesh, first) = parts.get(part).map_or((String::new(), 0), |part| {
            (part.mesh.clone(), part.raw.start)
        });
        Place {
            mesh,
            vertex: raw as usize - first,
            position: self.surface.positions[self.surface.welded[raw as usize] as usize],
            joints: self.names(joints.iter().copied()),
            weight: None,
            patch_vertices: None,
            patch_area_percent: None,
        }
    }

    /// The first copy of a welded vertex.
    pub fn place(&self, vertex: u32, joints: &[JointId]) -> Place {
        self.raw_place(self.copies.of(vertex as usize)[0], joints)
    }

    /// The first copy of the first vertex of a patch, which must have one.
    pub fn patch(&self, vertices: &[u32], joints: &[JointId]) -> Place {
        let area: f64 = vertices
            .iter()
            .map(|&v| self.surface.areas[v as usize])
            .sum();
        let share = if self.area > 0.0 {
            area / self.area
        } else {
            0.0
        };
        Place {
            patch_vertices: Some(vertices.len()),
            patch_area_percent: Some(100.0 * share),
            ..self.place(vertices[0], joints)
        }
    }

    /// Whether one joint stands above the other, or is it.
    pub fn related(&self, a: JointId, b: JointId) -> bool {
        let (low, high) = if self.depths[a.index()] > self.depths[b.index()] {
            (a, b)
        } else {
            (b, a)
        };
        self.above(low, self.depths[high.index()]) == Some(high)
    }

    /// Steps from one joint to the other through the hierarchy; `None` under different roots.
    pub fn steps(&self, a: JointId, b: JointId) -> Option<usize> {
        let (depth_a, depth_b) = (self.depths[a.index()], self.depths[b.index()]);
        let mut depth = depth_a.min(depth_b);
        let (mut a, mut b) = (self.above(a, depth)?, self.above(b, depth)?);
        while a != b {
            (a, b) = (
                self.skeleton.joint(a).parent?,
                self.skeleton.joint(b).parent?,
            );
            depth -= 1;
        }
        Some(depth_a + depth_b - 2 * depth)
    }

    /// The joint at that depth on the way from a joint to its root.
    fn above(&self, mut joint: JointId, depth: usize) -> Option<JointId> {
        while self.depths[joint.index()] > depth {
            joint = self.skeleton.joint(joint).parent?;
        }
        Some(joint)
    }
}

/// The worst of what was found, as many as a finding names: greatest first, then by number.
pub(super) fn worst<T: Copy + Ord>(mut found: Vec<(f64, T)>) -> Vec<(f64, T)> {
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    found.truncate(MOST_PLACES);
    found
}

/// Joints each once, in the order of the skin.
pub(super) fn each_once(joints: impl Iterator<Item = JointId>) -> Vec<JointId> {
    let mut joints: Vec<JointId> = joints.collect();
    joints.sort_unstable();
    joints.dedup();
    joints
}

/// How much of the weight of two rows lies on different joints (half the sum of differences), and the
/// joint with the greatest difference. Both rows sum to one, each with a joint once.
pub(super) fn difference(a: &[(JointId, f64)], b: &[(JointId, f64)]) -> (f64, JointId) {
    let of = |row: &[(JointId, f64)], id: JointId| {
        row.iter()
            .find(|(other, _)| *other == id)
            .map_or(0.0, |e| e.1)
    };
    let (mut sum, mut most, mut joint) = (0.0, -1.0, JointId(0));
    for id in each_once(a.iter().chain(b).map(|e| e.0)) {
        let gap = (of(a, id) - of(b, id)).abs();
        sum += gap / 2.0;
        if gap > most {
            (most, joint) = (gap, id);
        }
    }
    (sum, joint)
}
