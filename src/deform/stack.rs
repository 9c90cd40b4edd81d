//! The stack: base skinning, then the layers in order.

use std::sync::Arc;

use super::cling::{Clings, ClingsOnDemand, LocalClings};
use super::direct::{Direct, LocalDirect};
use super::filter::Filter;
use super::layered::{LEAST_REACH, Layers, LocalLayers};
use super::mush::MushOptions;
use super::place::Workspace;
use super::relax::RelaxOptions;
use super::stream::GROUPS_PER_WORKER;
use super::{Skinning, Spread};
use crate::rig::{
    Block, Cling, JointId, Lane, Point, Shapes, Skeleton, Surface, Targets, Weights, add_to,
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

impl LayerOptions {
    /// The mush that it is, if it is linear up to the frames of one smoothed shape.
    fn direct(&self) -> Option<MushOptions> {
        match self.kind {
            LayerKind::Mush(options) if options.detail == 1.0 => Some(options),
            _ => None,
        }
    }

    /// How much of it is applied at a vertex: blend times mask.
    pub(super) fn share(&self, v: usize) -> f32 {
        self.blend * self.mask.as_ref().map_or(1.0, |mask| mask[v])
    }
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
pub(super) const SPREAD_PULL: f32 = 0.5;

/// Base weights and layers, compiled for one surface.
#[derive(Clone, Debug)]
pub struct Stack {
    base: Weights,
    rest: Vec<[f32; 3]>,
    spread: Arc<Spread>,
    way: Way,
    clings: Option<Arc<Clings>>,
    /// The centre of the bind bounding box: [`Block`]s must be made about it.
    pub centre: [f64; 3],
}

/// How a stack is evaluated.
#[derive(Clone, Debug)]
enum Way {
    /// A single mush on linear skinning.
    Direct(Arc<Direct>),
    Layered(Layers),
    /// Vertices that follow another surface.
    Followed(Arc<Followed>),
}

/// Vertices that follow the target shapes of another surface.
#[derive(Clone, Debug)]
struct Followed {
    stack: Stack,
    /// By numbers after those of the other surface.
    clings: Arc<Clings>,
    first: usize,
}

/// A surface that follows another one.
#[derive(Clone, Debug)]
pub struct Follower<'a> {
    /// In the space of the other.
    pub surface: &'a Surface,
    /// The places that its vertices follow; corners are those of the other.
    pub places: &'a [Cling],
    /// For each vertex joints with their weights, together one. Vertices without a place move with these.
    pub rows: &'a [Vec<(JointId, f64)>],
    /// One joint a vertex.
    pub base: Weights,
    /// For each joint the one that takes its weight.
    pub joints: &'a [JointId],
}

/// A stack on the part of the surface that some poses can bend.
#[derive(Clone, Debug)]
pub struct LocalStack {
    layers: Local,
    clings: Option<Arc<LocalClings>>,
}

#[derive(Clone, Debug)]
enum Local {
    Direct(Arc<LocalDirect>),
    Layered(Box<LocalLayers>),
    Followed(Box<LocalStack>, Arc<LocalClings>),
}

/// Buffers for evaluating blocks one after the other.
#[derive(Debug, Default)]
pub struct Scratch {
    work: Workspace,
    /// Results of the layers, where more comes on top.
    layers: Vec<Point>,
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
        let rest = about(surface, centre);
        let own = heaviest(&base);
        let linear = skinning == Skinning::Linear || base.most_influences() <= 1;
        let mush = match layers {
            [layer] if linear => layer.direct(),
            _ => None,
        };
        let (way, spread) = match mush {
            Some(mush) => {
                let share = |v| layers[0].share(v);
                let (direct, spread) = Direct::new(surface, &base, &own, &rest, mush, share);
                (Way::Direct(Arc::new(direct)), spread)
            }
            None => {
                let spread = spread(surface, &base, &rest, layers);
                let layers = Layers::new(surface, &base, own, &rest, skinning, layers);
                (Way::Layered(layers), spread)
            }
        };
        Self {
            clings: None,
            rest: rest.iter().map(|p| p.map(|x| x as f32)).collect(),
            base,
            spread: Arc::new(spread),
            way,
            centre,
        }
    }

    /// Lets vertices follow the surface beneath them, in place of what the layers make of them. `surface` is
    /// the one that the stack was compiled for.
    pub fn clinging(mut self, surface: &Surface, clings: &[Cling]) -> Self {
        if !clings.is_empty() {
            let rest = about(surface, self.centre);
            let clings = Clings::new(clings, &surface.rings, &heaviest(&self.base), &rest);
            self.spread = Arc::new(clings.spread(&self.spread));
            self.clings = Some(Arc::new(clings));
        }
        self
    }

    /// The stack of a surface that follows this one: a cage's mesh, an LOD, clothes. `surface` is the one that this
    /// stack was compiled for.
    pub fn followed_by(self, surface: &Surface, follower: &Follower) -> Self {
        let (centre, first) = (self.centre, surface.len());
        let rest = about(follower.surface, centre);
        let own = [heaviest(&self.base), heaviest(&follower.base)].concat();
        let places: Vec<Cling> = follower
            .places
            .iter()
            .map(|place| Cling {
                vertex: place.vertex + first as u32,
                ..*place
            })
            .collect();
        let all = [about(surface, centre), rest.clone()].concat();
        let clings = Clings::new(&places, &surface.rings, &own, &all);
        let clings = clings.blending(first, follower.rows);
        let mut spread = Spread::default();
        for (masses, row) in clings.masses(first, &self.spread).iter().zip(follower.rows) {
            // What the other surface has there may be wanted as well as what its layers bring.
            let row = row.iter().map(|&(joint, weight)| (joint.0, weight));
            let mut sums: Vec<(u16, f64)> = Vec::new();
            for (joint, mass) in masses.iter().copied().chain(row) {
                let joint = follower.joints[usize::from(joint)].0;
                add_to(&mut sums, joint, mass);
            }
            let sum: f64 = sums.iter().map(|entry| entry.1).sum();
            spread.push(sums.into_iter().map(|(joint, mass)| (joint, mass / sum)));
        }
        Self {
            base: follower.base.clone(),
            rest: rest.iter().map(|p| p.map(|x| x as f32)).collect(),
            spread: Arc::new(spread),
            way: Way::Followed(Arc::new(Followed {
                stack: self,
                clings: Arc::new(clings),
                first,
            })),
            clings: None,
            centre,
        }
    }

    /// Keeps pairs of joints from sharing a vertex.
    pub fn keeping_apart(mut self, apart: &[(JointId, JointId)]) -> Self {
        if !apart.is_empty() {
            self.spread = Arc::new(self.spread.without(apart, &heaviest(&self.base)));
        }
        self
    }

    /// How far the layers bring each joint: the candidates of the fit.
    pub fn spread(&self) -> &Arc<Spread> {
        &self.spread
    }

    /// Blocks to evaluate side by side for each worker: a few where their results are held until all are
    /// there, so that none waits long for the slowest; many where nothing is held.
    pub fn blocks_per_worker(&self) -> usize {
        match &self.way {
            Way::Direct(_) => 32,
            Way::Layered(_) => 4,
            Way::Followed(followed) => followed.stack.blocks_per_worker(),
        }
    }

    /// Bytes that a worker takes at most while it evaluates its blocks, on a surface and a skeleton of that
    /// size.
    pub fn working_bytes(&self, vertices: usize, joints: usize) -> usize {
        let blocks = self.blocks_per_worker();
        let shapes = match &self.way {
            Way::Followed(followed) => {
                let other = followed.stack.working_bytes(followed.first, joints);
                return other + blocks * vertices * size_of::<Point>();
            }
            Way::Direct(_) => 0,
            // Shape, three spare ones, one before a partial layer, one before clinging vertices come on top.
            Way::Layered(_) => 6 + blocks,
        };
        // At worst every region is the whole surface.
        GROUPS_PER_WORKER * self.bytes()
            + blocks * joints * size_of::<[Lane; 12]>()
            + shapes * vertices * size_of::<Point>()
    }

    /// Bytes that the stack takes on the whole surface.
    pub fn bytes(&self) -> usize {
        let layers = match &self.way {
            Way::Direct(direct) => direct.bytes(),
            Way::Layered(layers) => layers.bytes(),
            Way::Followed(followed) => followed.stack.bytes() + followed.clings.bytes(),
        };
        layers + self.clings.as_ref().map_or(0, |clings| clings.bytes())
    }

    /// Whether it is nothing but linear blending: scales are part of that.
    pub(super) fn is_linear_blend(&self) -> bool {
        let plain = match &self.way {
            Way::Direct(_) | Way::Followed(_) => false,
            Way::Layered(layers) => layers.is_linear_blend(),
        };
        plain && self.clings.is_none()
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
        self.with_clings(match &self.way {
            Way::Direct(direct) => Local::Direct(Arc::new(direct.whole(joints))),
            Way::Layered(layers) => {
                Local::Layered(Box::new(layers.whole(joints, &self.base, &self.rest)))
            }
            Way::Followed(followed) => followed.on(followed.stack.whole(joints)),
        })
    }

    /// The stack on what poses that turn exactly these joints can bend; `None` if they bend nothing.
    pub fn bent_by(&self, turned: &[JointId], skeleton: &Skeleton) -> Option<LocalStack> {
        let local = self.within(turned, skeleton);
        (!local.vertices().is_empty()).then_some(local)
    }

    fn within(&self, turned: &[JointId], skeleton: &Skeleton) -> LocalStack {
        self.with_clings(match &self.way {
            Way::Direct(direct) => Local::Direct(Arc::new(direct.bent_by(turned, skeleton))),
            Way::Layered(layers) => {
                let local = layers.bent_by(turned, skeleton, &self.base, &self.rest);
                Local::Layered(Box::new(local))
            }
            Way::Followed(followed) => followed.on(followed.stack.within(turned, skeleton)),
        })
    }

    fn with_clings(&self, layers: Local) -> LocalStack {
        let clings = self.clings.as_ref();
        LocalStack {
            clings: clings.map(|clings| Arc::new(clings.on(layers.core(), layers.bodies()))),
            layers,
        }
    }
}

impl Followed {
    /// What follows a part of the other surface.
    fn on(&self, stack: LocalStack) -> Local {
        let bodies = stack.layers.bodies();
        let clings = self.clings.alone(stack.vertices(), bodies, self.first);
        Local::Followed(Box::new(stack), Arc::new(clings))
    }
}

/// Bind positions about the centre.
fn about(surface: &Surface, centre: [f64; 3]) -> Vec<[f64; 3]> {
    let about = |p: &[f32; 3]| std::array::from_fn(|i| f64::from(p[i]) - centre[i]);
    surface.positions.iter().map(about).collect()
}

/// The heaviest base joint of each vertex.
fn heaviest(base: &Weights) -> Vec<u16> {
    // A row of checked weights has at least one entry.
    let heaviest = |v: usize| base.of(v).next().map_or(0, |(joint, _)| joint.0);
    (0..base.len()).map(heaviest).collect()
}

/// How far the layers of a stack bring each joint.
fn spread(surface: &Surface, base: &Weights, rest: &[[f64; 3]], layers: &[LayerOptions]) -> Spread {
    let mut filters: Vec<Filter> = layers.iter().map(|layer| layer.kind.spread()).collect();
    let smoothed: usize = filters.iter().map(|filter| filter.steps.len()).sum();
    // One round more than the layers smooth: frames look one ring further.
    let more = LEAST_REACH.saturating_sub(smoothed).max(1);
    filters.push(Filter::plain(more, SPREAD_PULL));
    Spread::new(base, &surface.rings, rest, &filters)
}

impl Local {
    /// The vertices that the layers bend, in rising order.
    fn core(&self) -> &Arc<[u32]> {
        match self {
            Self::Direct(direct) => &direct.core,
            Self::Layered(layers) => layers.core(),
            Self::Followed(_, clings) => &clings.vertices,
        }
    }

    /// For each joint the body it moves with.
    fn bodies(&self) -> &Arc<[u32]> {
        match self {
            Self::Direct(direct) => &direct.bodies,
            Self::Layered(layers) => layers.bodies(),
            Self::Followed(stack, _) => stack.layers.bodies(),
        }
    }
}

impl Local {
    /// What the layers make of a block; for a surface that follows another, of that one.
    fn targets(&self, block: &Block, scratch: &mut Scratch, targets: Vec<Point>) -> Targets {
        match self {
            Self::Direct(direct) => Targets::OnDemand(Arc::<LocalDirect>::clone(direct)),
            Self::Layered(layers) => {
                Targets::Known(layers.evaluate(block, &mut scratch.work, targets))
            }
            Self::Followed(stack, _) => stack.targets(block, scratch, targets),
        }
    }
}

impl LocalStack {
    /// The vertices that it has results for, in rising order.
    pub fn vertices(&self) -> &Arc<[u32]> {
        match &self.clings {
            Some(clings) => &clings.vertices,
            None => self.layers.core(),
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
        let targets = self.targets(&block, scratch, targets);
        Shapes {
            vertices: Arc::clone(self.vertices()),
            bodies: Arc::clone(self.layers.bodies()),
            block,
            poses,
            targets,
        }
    }

    fn targets(&self, block: &Block, scratch: &mut Scratch, mut targets: Vec<Point>) -> Targets {
        let clings = match (&self.layers, &self.clings) {
            (Local::Followed(_, clings), _) | (_, Some(clings)) => Some(clings),
            _ => None,
        };
        let Some(clings) = clings else {
            return self.layers.targets(block, scratch, targets);
        };
        let beneath = std::mem::take(&mut scratch.layers);
        match self.layers.targets(block, scratch, beneath) {
            Targets::Known(beneath) => {
                clings.merge(block, &beneath, &mut targets);
                scratch.layers = beneath;
                Targets::Known(targets)
            }
            Targets::OnDemand(layers) => Targets::OnDemand(Arc::new(ClingsOnDemand {
                clings: Arc::clone(clings),
                layers,
            })),
        }
    }
}
