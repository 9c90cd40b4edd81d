//! Layers run one after the other, on the part of the surface that poses can bend.

use std::sync::Arc;

use super::mush::Mush;
use super::place::{Place, Seams, Workspace, seam_vertices};
use super::region::Region;
use super::relax::Relax;
use super::stack::{LayerKind, LayerOptions};
use super::{Skin, Skinning};
use crate::rig::{Block, JointId, LANES, Point, Rings, Skeleton, Surface, Weights};

/// Layers compiled for one surface.
#[derive(Clone, Debug)]
pub(super) struct Layers {
    skinning: Skinning,
    rings: Rings,
    /// The heaviest base joint of each vertex.
    own: Vec<u16>,
    seam_vertices: Vec<u32>,
    layers: Vec<Compiled>,
    /// The rings that can bend before any layer runs: the seams themselves if base weights mix there.
    front: usize,
    /// The farthest ring that the layers can bend.
    reach: usize,
}

/// Layers on a region of the surface.
#[derive(Clone, Debug)]
pub(super) struct LocalLayers {
    place: Place,
    skin: Skin,
    skinning: Skinning,
    layers: Vec<Compiled>,
    front: usize,
}

#[derive(Clone, Debug)]
struct Compiled {
    kind: CompiledKind,
    blend: f32,
    mask: Option<Vec<f32>>,
}

/// A stack holds a handful of these: their size is no matter.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Debug)]
enum CompiledKind {
    Relax(Relax),
    Mush(Mush),
}

/// The reach of no layers: a fit may still move weight between neighbours.
pub(super) const LEAST_REACH: usize = 2;

impl Layers {
    /// Compiles layers. `own` is the heaviest base joint of each vertex, `rest` the bind shape about the
    /// centre.
    pub fn new(
        surface: &Surface,
        base: &Weights,
        own: Vec<u16>,
        rest: &[[f64; 3]],
        skinning: Skinning,
        layers: &[LayerOptions],
    ) -> Self {
        let rings = surface.rings.clone();
        let seam_vertices = seam_vertices(&rings, &own);
        let single: Vec<[f32; 3]> = rest.iter().map(|p| p.map(|x| x as f32)).collect();
        let compile = |kind| match kind {
            LayerKind::Relax(options) => CompiledKind::Relax(Relax::new(options, &rings, &single)),
            LayerKind::Mush(options) => CompiledKind::Mush(Mush::new(
                options,
                &rings,
                &surface.border,
                rest,
                &seam_vertices,
            )),
        };
        let layers: Vec<Compiled> = layers
            .iter()
            .map(|layer| Compiled {
                kind: compile(layer.kind),
                blend: layer.blend,
                mask: layer.mask.clone(),
            })
            .collect();
        let front = usize::from(base.most_influences() > 1);
        let reach = (front + layers.iter().map(Compiled::reach).sum::<usize>()).max(LEAST_REACH);
        Self {
            skinning,
            rings,
            own,
            seam_vertices,
            layers,
            front,
            reach,
        }
    }

    /// Whether there are none, on linear skinning.
    pub fn is_linear_blend(&self) -> bool {
        self.layers.is_empty() && self.skinning == Skinning::Linear
    }

    /// Bytes that they take on the whole surface.
    pub fn bytes(&self) -> usize {
        let vertices = self.own.len();
        let layer = |layer: &Compiled| match &layer.kind {
            CompiledKind::Relax(relax) => relax.bytes(),
            CompiledKind::Mush(mush) => {
                mush.shared_bytes() + 12 * self.rings.entries() + 40 * vertices
            }
        };
        40 * vertices + 4 * self.rings.entries() + self.layers.iter().map(layer).sum::<usize>()
    }

    /// The layers on the whole surface, for any poses of a skeleton of that many joints.
    pub fn whole(&self, joints: usize, base: &Weights, rest: &[[f32; 3]]) -> LocalLayers {
        let region = Region::whole(joints, base, &self.rings, self.reach, self.margin());
        self.on(region, base, rest)
    }

    /// The layers on what poses that turn exactly these joints can bend.
    pub fn bent_by(
        &self,
        turned: &[JointId],
        skeleton: &Skeleton,
        base: &Weights,
        rest: &[[f32; 3]],
    ) -> LocalLayers {
        let (reach, margin) = (self.reach, self.margin());
        let region = Region::bent_by(turned, skeleton, base, &self.rings, reach, margin);
        self.on(region, base, rest)
    }

    /// Rings around a region that layers read.
    fn margin(&self) -> usize {
        let margin = |layer: &Compiled| match &layer.kind {
            CompiledKind::Relax(_) => 1,
            CompiledKind::Mush(mush) => mush.margin(),
        };
        self.layers.iter().map(margin).max().unwrap_or(0)
    }

    fn on(&self, region: Region, base: &Weights, rest: &[[f32; 3]]) -> LocalLayers {
        let vertices = &region.vertices;
        let mut local = vec![u32::MAX; rest.len()];
        for (place, &v) in vertices.iter().enumerate() {
            local[v as usize] = place as u32;
        }
        let pick = |values: &[[f32; 3]]| -> Vec<[f32; 3]> {
            vertices.iter().map(|&v| values[v as usize]).collect()
        };
        let (rings, rest) = (self.rings.restrict(vertices, &local), pick(rest));
        let compile = |kind: &CompiledKind| match kind {
            CompiledKind::Relax(relax) => CompiledKind::Relax(relax.on(&rings, &rest)),
            CompiledKind::Mush(mush) => CompiledKind::Mush(mush.restrict(vertices, &local, pick)),
        };
        let layers = self
            .layers
            .iter()
            .map(|layer| Compiled {
                kind: compile(&layer.kind),
                blend: layer.blend,
                mask: layer
                    .mask
                    .as_ref()
                    .map(|mask| vertices.iter().map(|&v| mask[v as usize]).collect()),
            })
            .collect();
        LocalLayers {
            skin: Skin::new(base, vertices.iter().map(|&v| v as usize)),
            skinning: self.skinning,
            layers,
            front: self.front,
            place: Place {
                own: vertices.iter().map(|&v| self.own[v as usize]).collect(),
                seams: Seams::new(&region, &self.rings, &self.own, &self.seam_vertices),
                rings,
                rest,
                region,
            },
        }
    }
}

impl LocalLayers {
    /// The vertices with results, in rising order.
    pub fn core(&self) -> &Arc<[u32]> {
        &self.place.region.core
    }

    /// For each joint the body it moves with.
    pub fn bodies(&self) -> &Arc<[u32]> {
        &self.place.region.bodies
    }

    /// Runs the layers on a block of poses, into `targets`.
    pub fn evaluate(
        &self,
        block: &Block,
        work: &mut Workspace,
        mut targets: Vec<Point>,
    ) -> Vec<Point> {
        let Place { region, rest, .. } = &self.place;
        work.shape.clear();
        work.shape.resize(rest.len(), Point::ZERO);
        self.skin.apply(self.skinning, block, rest, &mut work.shape);
        let mut front = self.front;
        let mut before = Vec::new();
        for layer in &self.layers {
            let partial = layer.blend != 1.0 || layer.mask.is_some();
            if partial {
                before.clone_from(&work.shape);
            }
            match &layer.kind {
                CompiledKind::Relax(relax) => relax.apply(&self.place, front, work),
                CompiledKind::Mush(mush) => mush.apply(&self.place, block, front, work),
            }
            front += layer.reach();
            if partial {
                layer.mix(&before, &mut work.shape);
            }
        }
        targets.clear();
        targets.extend(
            region
                .places
                .iter()
                .map(|&place| work.shape[place as usize]),
        );
        targets
    }
}

impl Compiled {
    fn reach(&self) -> usize {
        match &self.kind {
            CompiledKind::Relax(relax) => relax.reach(),
            CompiledKind::Mush(mush) => mush.reach(),
        }
    }

    /// `after = before + share · (after − before)`, the share being blend times mask.
    fn mix(&self, before: &[Point], after: &mut [Point]) {
        for (v, (from, to)) in before.iter().zip(after).enumerate() {
            let share = self.blend * self.mask.as_ref().map_or(1.0, |mask| mask[v]);
            for l in 0..LANES {
                to.x[l] = from.x[l] + share * (to.x[l] - from.x[l]);
                to.y[l] = from.y[l] + share * (to.y[l] - from.y[l]);
                to.z[l] = from.z[l] + share * (to.z[l] - from.z[l]);
            }
        }
    }
}
