//! The stack: base skinning, then the layers in order.

use std::sync::Arc;

use super::mush::{Mush, MushOptions};
use super::place::{Place, Seams, Workspace, seam_vertices};
use super::relax::{Relax, RelaxOptions};
use super::{BLOCKS_PER_WORKER, Region, Skin, Skinning, Spread};
use crate::rig::{Block, JointId, LANES, Point, Rings, Shapes, Skeleton, Surface, Weights};

/// One layer of a stack, with rounds worked out and its mask resolved.
#[derive(Clone, Debug)]
pub struct LayerOptions {
    /// What it does.
    pub kind: LayerKind,
    /// How much of it is applied, 0 to 1.
    pub blend: f32,
    /// How much of it is applied at each welded vertex, 0 to 1; `None` is everywhere in full.
    pub mask: Option<Vec<f32>>,
}

/// The kinds of layers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LayerKind {
    /// Edge lengths drawn back toward bind.
    Relax(RelaxOptions),
    /// Delta mush.
    Mush(MushOptions),
}

impl LayerKind {
    /// For each smoothing round the share of the way to the neighbours' mean: how it spreads joints.
    fn spread(&self) -> Vec<f32> {
        match self {
            Self::Relax(o) => vec![0.5 * o.stretch.max(o.squash); o.rounds],
            Self::Mush(o) => vec![o.pull; o.rounds],
        }
    }
}

/// The rounds of smoothing that spread a feature by `radius` (a length) on a mesh of that root mean
/// square edge length: each round is a random walk that moves with chance `pull` by one edge, so that
/// the variance of `n` rounds is `n · pull · edge²` (de Moivre–Laplace). At least one.
pub fn rounds_for_radius(radius: f64, edge_length: f64, pull: f64) -> usize {
    let rounds = (radius / edge_length).powi(2) / pull;
    // A surface without edges needs none; one whose triangles are specks in a vast box is no character.
    if rounds.is_finite() {
        (rounds.round() as usize).clamp(1, MOST_ROUNDS)
    } else {
        1
    }
}

/// More rounds than any surface needs: at the default radius, one of a million vertices takes about two
/// thousand.
pub const MOST_ROUNDS: usize = 5_000;

/// The share of the way to the neighbours' mean of spreading rounds that no layer sets.
const SPREAD_PULL: f32 = 0.5;

/// Joints that a skeleton may have.
const MOST_JOINTS: usize = u16::MAX as usize + 1;

/// The reach of a stack without layers: see there.
const LEAST_REACH: usize = 2;

/// Base weights and layers, compiled for one surface.
#[derive(Clone, Debug)]
pub struct Stack {
    base: Weights,
    skinning: Skinning,
    rings: Rings,
    rest: Vec<[f32; 3]>,
    own: Vec<u16>,
    seam_vertices: Vec<u32>,
    layers: Vec<Compiled>,
    spread: Vec<f32>,
    /// The rings that can bend before any layer runs: the seams themselves if base weights mix there.
    front: usize,
    reach: usize,
    /// The centre of the bind bounding box: [`Block`]s must be made about it.
    pub centre: [f64; 3],
}

/// A stack on a region of the surface.
#[derive(Clone, Debug)]
pub struct LocalStack {
    place: Place,
    skin: Skin,
    skinning: Skinning,
    layers: Vec<Compiled>,
    front: usize,
}

/// Buffers for evaluating blocks one after the other.
#[derive(Debug, Default)]
pub struct Scratch(Workspace);

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

impl Stack {
    /// Compiles a stack. `base` has a row, and every mask a value, for each welded vertex.
    pub fn new(
        surface: &Surface,
        base: Weights,
        skinning: Skinning,
        layers: &[LayerOptions],
    ) -> Self {
        let centre = surface.centre();
        let rest: Vec<[f32; 3]> = surface
            .positions
            .iter()
            .map(|p| std::array::from_fn(|i| (f64::from(p[i]) - centre[i]) as f32))
            .collect();
        let rings = surface.rings.clone();
        // A row of checked weights has at least one entry.
        let heaviest = |v: usize| base.of(v).next().map_or(0, |(joint, _)| joint.0);
        let own: Vec<u16> = (0..surface.len()).map(heaviest).collect();
        let seam_vertices = seam_vertices(&rings, &own);
        // One round more than the layers smooth: frames look one ring further. At least two, so that
        // a fit without layers may still move weight between neighbours.
        let mut spread: Vec<f32> = layers
            .iter()
            .flat_map(|layer| layer.kind.spread())
            .collect();
        spread.resize((spread.len() + 1).max(LEAST_REACH), SPREAD_PULL);
        let layers: Vec<Compiled> = layers
            .iter()
            .map(|layer| Compiled {
                kind: match layer.kind {
                    LayerKind::Relax(options) => {
                        CompiledKind::Relax(Relax::new(options, &rings, &rest))
                    }
                    LayerKind::Mush(options) => CompiledKind::Mush(Mush::new(
                        options,
                        &rings,
                        &surface.border,
                        &rest,
                        &seam_vertices,
                    )),
                },
                blend: layer.blend,
                mask: layer.mask.clone(),
            })
            .collect();
        let front = usize::from(base.most_influences() > 1);
        let reach = (front + layers.iter().map(Compiled::reach).sum::<usize>()).max(LEAST_REACH);
        Self {
            base,
            skinning,
            rings,
            rest,
            own,
            seam_vertices,
            layers,
            spread,
            front,
            reach,
            centre,
        }
    }

    /// The farthest ring from which the stack can move a vertex, or bring it a candidate joint.
    pub fn reach(&self) -> usize {
        self.reach
    }

    /// How far the layers bring each joint: the candidates of the fit.
    pub fn spread(&self) -> Spread {
        let region = Region::whole(MOST_JOINTS, &self.base, &self.rings, self.reach + 2, 0);
        Spread::new(
            &self.base,
            &self.rings,
            &region,
            &self.spread,
            self.front,
            self.reach,
        )
    }

    /// Bytes that the stack takes on the whole surface.
    pub fn bytes(&self) -> usize {
        let layer = |layer: &Compiled| match &layer.kind {
            CompiledKind::Relax(relax) => 4 * relax.lengths.len(),
            CompiledKind::Mush(mush) => {
                mush.shared_bytes() + 12 * self.rings.entries() + 40 * self.rest.len()
            }
        };
        40 * self.rest.len()
            + 4 * self.rings.entries()
            + self.layers.iter().map(layer).sum::<usize>()
    }

    /// The base weights.
    pub fn base(&self) -> &Weights {
        &self.base
    }

    /// Bind positions about the centre.
    pub fn rest(&self) -> &[[f32; 3]] {
        &self.rest
    }

    /// The stack on the whole surface, for any poses of a skeleton of that many joints.
    pub fn whole(&self, joints: usize) -> LocalStack {
        self.on(Region::whole(
            joints,
            &self.base,
            &self.rings,
            self.reach,
            self.margin(),
        ))
    }

    /// The stack on what poses that turn exactly these joints can bend; `None` if they bend nothing.
    pub fn bent_by(&self, turned: &[JointId], skeleton: &Skeleton) -> Option<LocalStack> {
        let region = Region::bent_by(
            turned,
            skeleton,
            &self.base,
            &self.rings,
            self.reach,
            self.margin(),
        );
        (!region.core.is_empty()).then(|| self.on(region))
    }

    /// Rings around a region that layers read.
    fn margin(&self) -> usize {
        let margin = |layer: &Compiled| match &layer.kind {
            CompiledKind::Relax(_) => 1,
            CompiledKind::Mush(mush) => mush.margin(),
        };
        self.layers.iter().map(margin).max().unwrap_or(0)
    }

    fn on(&self, region: Region) -> LocalStack {
        let vertices = &region.vertices;
        let mut local = vec![u32::MAX; self.rest.len()];
        for (place, &v) in vertices.iter().enumerate() {
            local[v as usize] = place as u32;
        }
        let pick = |values: &[[f32; 3]]| -> Vec<[f32; 3]> {
            vertices.iter().map(|&v| values[v as usize]).collect()
        };
        let layers = self
            .layers
            .iter()
            .map(|layer| Compiled {
                kind: match &layer.kind {
                    CompiledKind::Relax(relax) => {
                        CompiledKind::Relax(relax.restrict(&self.rings, vertices, &local))
                    }
                    CompiledKind::Mush(mush) => {
                        CompiledKind::Mush(mush.restrict(vertices, &local, pick))
                    }
                },
                blend: layer.blend,
                mask: layer
                    .mask
                    .as_ref()
                    .map(|mask| vertices.iter().map(|&v| mask[v as usize]).collect()),
            })
            .collect();
        let place = Place {
            rings: self.rings.restrict(vertices, &local),
            rest: pick(&self.rest),
            own: vertices.iter().map(|&v| self.own[v as usize]).collect(),
            seams: Seams::new(&region, &self.rings, &self.own, &self.seam_vertices),
            region,
        };
        LocalStack {
            skin: Skin::new(
                &self.base,
                place.region.vertices.iter().map(|&v| v as usize),
            ),
            skinning: self.skinning,
            layers,
            front: self.front,
            place,
        }
    }
}

impl LocalStack {
    /// The region it works on.
    pub fn region(&self) -> &Region {
        &self.place.region
    }

    /// Runs the stack on a block of poses; `poses` are their places in the set. `targets` is emptied and
    /// used for the result.
    pub fn evaluate(
        &self,
        block: Block,
        poses: Vec<usize>,
        scratch: &mut Scratch,
        mut targets: Vec<Point>,
    ) -> Shapes {
        let Scratch(work) = scratch;
        let Place { region, rest, .. } = &self.place;
        work.shape.clear();
        work.shape.resize(rest.len(), Point::ZERO);
        self.skin
            .apply(self.skinning, &block, rest, &mut work.shape);
        let mut front = self.front;
        let mut before = Vec::new();
        for layer in &self.layers {
            let partial = layer.blend != 1.0 || layer.mask.is_some();
            if partial {
                before.clone_from(&work.shape);
            }
            match &layer.kind {
                CompiledKind::Relax(relax) => relax.apply(&self.place, front, work),
                CompiledKind::Mush(mush) => mush.apply(&self.place, &block, front, work),
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
        Shapes {
            block,
            poses,
            vertices: Arc::clone(&region.core),
            targets,
        }
    }

    /// Bytes that [`LocalStack::evaluate`] takes while it runs, for a surface of that many vertices.
    pub fn working_bytes(vertices: usize) -> usize {
        // Shape, three spare ones, one before a partial layer; then the results of a wave.
        (5 + BLOCKS_PER_WORKER) * vertices * size_of::<Point>()
    }
}

impl Compiled {
    fn reach(&self) -> usize {
        match &self.kind {
            CompiledKind::Relax(relax) => relax.options.rounds,
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
