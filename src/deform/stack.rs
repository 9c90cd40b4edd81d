//! The stack: base skinning, then the layers in order.

use std::sync::Arc;

use super::direct::{Direct, LocalDirect};
use super::filter::Filter;
use super::mush::{Mush, MushOptions};
use super::place::{Place, Seams, Workspace, seam_vertices};
use super::region::Region;
use super::relax::{Relax, RelaxOptions};
use super::{BLOCKS_PER_WORKER, Skin, Skinning, Spread};
use crate::rig::{
    Block, JointId, LANES, Point, Rings, Shapes, Skeleton, Surface, Targets, Weights,
};

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
    /// How it spreads joints.
    fn spread(&self) -> Filter {
        match self {
            Self::Relax(o) => Filter::new(o.rounds, 0.5 * o.stretch.max(o.squash)),
            Self::Mush(o) => Filter::new(o.rounds, o.pull),
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
    /// What takes the place of the layers if they are a single mush on linear skinning: `layers` is empty
    /// then.
    direct: Option<Direct>,
    spread: Spread,
    /// The rings that can bend before any layer runs: the seams themselves if base weights mix there.
    front: usize,
    reach: usize,
    /// The centre of the bind bounding box: [`Block`]s must be made about it.
    pub centre: [f64; 3],
}

/// A stack on the part of the surface that some poses can bend.
#[derive(Clone, Debug)]
pub struct LocalStack(Local);

#[derive(Clone, Debug)]
enum Local {
    Direct(Arc<LocalDirect>),
    Layered(Layered),
}

/// Layers that are run one after the other.
#[derive(Clone, Debug)]
struct Layered {
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
        let rest: Vec<[f64; 3]> = surface
            .positions
            .iter()
            .map(|p| std::array::from_fn(|i| f64::from(p[i]) - centre[i]))
            .collect();
        let rest_single: Vec<[f32; 3]> = rest.iter().map(|p| p.map(|x| x as f32)).collect();
        let rings = surface.rings.clone();
        // A row of checked weights has at least one entry.
        let heaviest = |v: usize| base.of(v).next().map_or(0, |(joint, _)| joint.0);
        let own: Vec<u16> = (0..surface.len()).map(heaviest).collect();
        let seam_vertices = seam_vertices(&rings, &own);
        // One round more than the layers smooth: frames look one ring further. At least two, so that
        // a fit without layers may still move weight between neighbours.
        let mut filters: Vec<Filter> = layers.iter().map(|layer| layer.kind.spread()).collect();
        let smoothed: usize = filters.iter().map(|filter| filter.steps.len()).sum();
        filters.push(Filter::plain(
            LEAST_REACH.saturating_sub(smoothed).max(1),
            SPREAD_PULL,
        ));
        let spread = Spread::new(&base, &rings, &rest, &filters);
        let compiled: Vec<Compiled> = layers
            .iter()
            .map(|layer| Compiled {
                kind: match layer.kind {
                    LayerKind::Relax(options) => {
                        CompiledKind::Relax(Relax::new(options, &rings, &rest_single))
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
        let direct = match compiled.as_slice() {
            [layer] if front == 0 || skinning == Skinning::Linear => match &layer.kind {
                CompiledKind::Mush(mush) if mush.follows_smooth() => {
                    Some(Direct::new(mush, &base, &own, &rings, &rest, |v| {
                        layer.share(v)
                    }))
                }
                _ => None,
            },
            _ => None,
        };
        let reach = (front + compiled.iter().map(Compiled::reach).sum::<usize>()).max(LEAST_REACH);
        Self {
            base,
            skinning,
            rings,
            rest: rest_single,
            own,
            seam_vertices,
            layers: if direct.is_some() {
                Vec::new()
            } else {
                compiled
            },
            direct,
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
    pub fn spread(&self) -> &Spread {
        &self.spread
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
            + self.direct.as_ref().map_or(0, Direct::bytes)
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
        if let Some(direct) = &self.direct {
            let local = direct.whole(joints, &self.base, &self.rest);
            return LocalStack(Local::Direct(Arc::new(local)));
        }
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
        if let Some(direct) = &self.direct {
            let local = direct.bent_by(turned, skeleton, &self.base, &self.rest);
            let bends = !local.core.is_empty();
            return bends.then(|| LocalStack(Local::Direct(Arc::new(local))));
        }
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
        LocalStack(Local::Layered(Layered {
            skin: Skin::new(
                &self.base,
                place.region.vertices.iter().map(|&v| v as usize),
            ),
            skinning: self.skinning,
            layers,
            front: self.front,
            place,
        }))
    }
}

impl LocalStack {
    /// The vertices that it has results for, in rising order.
    pub fn vertices(&self) -> &[u32] {
        match &self.0 {
            Local::Direct(direct) => &direct.core,
            Local::Layered(layered) => &layered.place.region.core,
        }
    }

    /// Runs the stack on a block of poses; `poses` are their places in the set. `targets` is emptied and
    /// may be used for the result.
    pub fn evaluate(
        &self,
        block: Block,
        poses: Vec<usize>,
        scratch: &mut Scratch,
        targets: Vec<Point>,
    ) -> Shapes {
        let (vertices, bodies, targets) = match &self.0 {
            Local::Direct(direct) => (
                &direct.core,
                &direct.bodies,
                Targets::OnDemand(Arc::<LocalDirect>::clone(direct)),
            ),
            Local::Layered(layered) => {
                let region = &layered.place.region;
                let targets = layered.evaluate(&block, &mut scratch.0, targets);
                (&region.core, &region.bodies, Targets::Known(targets))
            }
        };
        Shapes {
            vertices: Arc::clone(vertices),
            bodies: Arc::clone(bodies),
            block,
            poses,
            targets,
        }
    }

    /// Bytes that [`LocalStack::evaluate`] takes while it runs, for a surface of that many vertices.
    pub fn working_bytes(vertices: usize) -> usize {
        // Shape, three spare ones, one before a partial layer; then the results of a wave.
        (5 + BLOCKS_PER_WORKER) * vertices * size_of::<Point>()
    }
}

impl Layered {
    fn evaluate(&self, block: &Block, work: &mut Workspace, mut targets: Vec<Point>) -> Vec<Point> {
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
            CompiledKind::Relax(relax) => relax.options.rounds,
            CompiledKind::Mush(mush) => mush.reach(),
        }
    }

    /// How much of the layer is applied at a vertex: blend times mask.
    fn share(&self, v: usize) -> f32 {
        self.blend * self.mask.as_ref().map_or(1.0, |mask| mask[v])
    }

    /// `after = before + share · (after − before)`.
    fn mix(&self, before: &[Point], after: &mut [Point]) {
        for (v, (from, to)) in before.iter().zip(after).enumerate() {
            let share = self.share(v);
            for l in 0..LANES {
                to.x[l] = from.x[l] + share * (to.x[l] - from.x[l]);
                to.y[l] = from.y[l] + share * (to.y[l] - from.y[l]);
                to.z[l] = from.z[l] + share * (to.z[l] - from.z[l]);
            }
        }
    }
}
