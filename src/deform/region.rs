//! The part of a surface that a set of poses can bend.

use crate::rig::{JointId, Rings, Skeleton, Weights};

/// Vertices whose target must be worked out, with the halo that the layers need to do so.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    /// The vertices that the layers run on, in rising order.
    pub vertices: Vec<u32>,
    /// Those of them whose results count, as places in `vertices`, in rising order.
    pub core: Vec<u32>,
}

impl Region {
    /// The region of all poses that turn exactly the joints `turned`.
    ///
    /// Joints between two turned ones move as one body. The layers commute with rigid motion, so a
    /// vertex bends only if, within `reach` rings, base weights meet that belong to different
    /// bodies. Everything else follows its base joints to the bit, up to rounding in the layers.
    pub fn bent_by(
        turned: &[JointId],
        skeleton: &Skeleton,
        base: &Weights,
        rings: &Rings,
        reach: usize,
    ) -> Self {
        let body = bodies(turned, skeleton);
        let first_body = |v: usize| base.of(v).next().map(|(joint, _)| body[joint.index()]);
        let mixed = |v: usize| {
            base.of(v)
                .any(|(joint, _)| Some(body[joint.index()]) != first_body(v))
        };
        let seeds = (0..rings.len()).filter(|&v| {
            mixed(v)
                || rings
                    .of(v)
                    .iter()
                    .any(|&n| first_body(n as usize) != first_body(v))
        });
        let core = rings.within(seeds.map(|v| v as u32), reach);
        let vertices = rings.within(core.iter().copied(), reach);
        let mut places = vertices.iter().enumerate();
        let core = core
            .iter()
            .filter_map(|v| places.find(|(_, u)| *u == v))
            .map(|(place, _)| place as u32)
            .collect();
        Self { vertices, core }
    }

    /// The whole surface.
    pub fn whole(vertices: usize) -> Self {
        Self {
            vertices: (0..vertices as u32).collect(),
            core: (0..vertices as u32).collect(),
        }
    }

    /// The vertices whose results count.
    pub fn core_vertices(&self) -> impl Iterator<Item = u32> + '_ {
        self.core.iter().map(|&place| self.vertices[place as usize])
    }
}

/// For each joint the body it moves with: the nearest turned joint at or above it.
fn bodies(turned: &[JointId], skeleton: &Skeleton) -> Vec<Option<JointId>> {
    let mut body = vec![None; skeleton.joints().len()];
    for &id in skeleton.parents_first() {
        body[id.index()] = if turned.contains(&id) {
            Some(id)
        } else {
            skeleton.joint(id).parent.and_then(|p| body[p.index()])
        };
    }
    body
}
