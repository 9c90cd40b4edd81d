//! Vertices that follow the surface beneath them in the target shapes.
//!
//! A strap that is bent by itself cuts through the body, or floats above it. So its vertices are carried by
//! the target shape of what lies beneath: the place closest at bind, and around it a frame fitted to the
//! corners of the triangle and their rings, each as much as its corner counts. Weights vary without steps
//! from triangle to triangle, so the frame turns smoothly along the piece; what a rigid motion does to the
//! surface it does to the vertex. Then the vertex is fitted like any other.
//!
//! Frames are the least-squares tangent map and its closest rotation, as in [`super::frames`]. Where what is
//! beneath is a line at bind or collapses in a pose, the vertex moves with its own joint.

use std::ops::Range;
use std::sync::Arc;

use nalgebra::{Matrix3, Vector3};

use super::frames::{LEAST_WIDTH, closest_rotation};
use super::spread::Spread;
use crate::rig::{Block, Cling, Evaluate, JointId, LANES, Point, Rings, add_to};

/// All clinging vertices of a surface.
#[derive(Clone, Debug, Default)]
pub(super) struct Clings {
    clingers: Vec<Clinger>,
    /// The base joint and the bind place of every vertex, to move what lies outside a region.
    own: Vec<u16>,
    rest: Vec<[f32; 3]>,
    /// Joints and weights of vertices that move with a blend of them.
    blends: Vec<Blend>,
}

/// A vertex that moves with a blend of joints.
#[derive(Clone, Debug)]
struct Blend {
    vertex: u32,
    row: Vec<(JointId, f64)>,
}

/// A vertex and what it follows.
#[derive(Clone, Debug)]
struct Clinger {
    vertex: u32,
    supports: Vec<Support>,
    /// Its place in the frame.
    detail: [f32; 3],
}

/// How much a vertex beneath counts: for the place, and for the two tangents.
#[derive(Clone, Copy, Debug)]
struct Support {
    vertex: u32,
    place: f32,
    tangents: [f32; 2],
    /// For how far joints spread.
    mass: f32,
}

/// The clinging vertices that some poses can move, merged into the vertices that the layers bend.
#[derive(Debug)]
pub(super) struct LocalClings {
    whole: Arc<Clings>,
    /// The vertices with results, in rising order.
    pub vertices: Arc<[u32]>,
    /// Where each comes from.
    sources: Vec<Source>,
    /// For each clinging vertex here, where its supports come from.
    supports: Vec<Vec<Source>>,
}

#[derive(Clone, Copy, Debug)]
enum Source {
    /// This place of the layers' results.
    Layers(u32),
    /// Clinging: the vertex's place in the whole list, and among those here.
    Clings(u32, u32),
    /// Moved by this blend of the whole list.
    Blends(u32),
    /// The rigid motion of its base joint.
    Rigid(u32),
}

impl Clings {
    /// Compiles them; `own` are base joints, `rest` bind positions about the centre.
    pub fn new(clings: &[Cling], rings: &Rings, own: &[u16], rest: &[[f64; 3]]) -> Self {
        let mut clingers: Vec<Clinger> = clings
            .iter()
            .filter_map(|cling| Clinger::new(cling, rings, rest))
            .collect();
        clingers.sort_by_key(|clinger| clinger.vertex);
        Self {
            clingers,
            own: own.to_vec(),
            rest: rest.iter().map(|p| p.map(|x| x as f32)).collect(),
            blends: Vec::new(),
        }
    }

    /// Lets the vertices from `first` on that do not cling move with the joints of their row.
    pub fn blending(mut self, first: usize, rows: &[Vec<(JointId, f64)>]) -> Self {
        let mut clinging = vec![false; rows.len()];
        for clinger in &self.clingers {
            if let Some(place) = (clinger.vertex as usize).checked_sub(first) {
                clinging[place] = true;
            }
        }
        let free = (0..rows.len()).filter(|&v| !clinging[v]);
        self.blends = free
            .map(|v| Blend {
                vertex: (first + v) as u32,
                row: rows[v].clone(),
            })
            .collect();
        self
    }

    /// Bytes that they take.
    pub fn bytes(&self) -> usize {
        let supports = self
            .clingers
            .iter()
            .map(|c| c.supports.len())
            .sum::<usize>();
        let blended: usize = self.blends.iter().map(|blend| blend.row.len()).sum();
        14 * self.own.len()
            + supports * (size_of::<Support>() + size_of::<Source>())
            + self.blends.len() * size_of::<Blend>()
            + blended * size_of::<(JointId, f64)>()
    }

    /// How far joints spread, now that clinging vertices get them from beneath.
    pub fn spread(&self, spread: &Spread) -> Spread {
        let mut out = Spread::default();
        let mut next = self.clingers.iter().peekable();
        for v in 0..self.own.len() {
            let Some(clinger) = next.next_if(|clinger| clinger.vertex as usize == v) else {
                out.push(
                    spread
                        .of(v)
                        .iter()
                        .map(|&(joint, mass)| (joint.0, f64::from(mass))),
                );
                continue;
            };
            out.push(clinger.masses(spread).into_iter());
        }
        out
    }

    /// For each vertex from `first` on how far joints spread from beneath, without those that do not cling.
    pub fn masses(&self, first: usize, spread: &Spread) -> Vec<Vec<(u16, f64)>> {
        let mut all = vec![Vec::new(); self.own.len() - first];
        for clinger in &self.clingers {
            all[clinger.vertex as usize - first] = clinger.masses(spread);
        }
        all
    }

    /// Merges those that move into the vertices of a region; `bodies` are its bodies.
    pub fn on(self: &Arc<Self>, core: &[u32], bodies: &[u32]) -> LocalClings {
        let (mut vertices, mut sources, mut supports) = (Vec::new(), Vec::new(), Vec::new());
        let mut layers = core.iter().copied().enumerate().peekable();
        for (number, clinger) in self.clingers.iter().enumerate() {
            let v = clinger.vertex;
            while let Some((place, w)) = layers.next_if(|(_, w)| *w < v) {
                vertices.push(w);
                sources.push(Source::Layers(place as u32));
            }
            let is_bent = layers.next_if(|(_, w)| *w == v).is_some();
            let (beneath, moves) = self.beneath(clinger, core, bodies);
            if is_bent || moves {
                vertices.push(v);
                sources.push(Source::Clings(number as u32, supports.len() as u32));
                supports.push(beneath);
            }
        }
        for (place, w) in layers {
            vertices.push(w);
            sources.push(Source::Layers(place as u32));
        }
        LocalClings {
            whole: Arc::clone(self),
            vertices: vertices.into(),
            sources,
            supports,
        }
    }

    /// Those that move in a region of another surface, numbered from `first` on.
    pub fn alone(self: &Arc<Self>, core: &[u32], bodies: &[u32], first: usize) -> LocalClings {
        let mut found: Vec<(u32, Source)> = Vec::new();
        let mut supports = Vec::new();
        for (number, clinger) in self.clingers.iter().enumerate() {
            let (beneath, moves) = self.beneath(clinger, core, bodies);
            if moves {
                let here = supports.len() as u32;
                found.push((clinger.vertex, Source::Clings(number as u32, here)));
                supports.push(beneath);
            }
        }
        for (number, blend) in self.blends.iter().enumerate() {
            let own = self.body(blend.vertex, bodies);
            let mut joints = blend.row.iter().map(|entry| bodies[entry.0.index()]);
            if joints.any(|body| body != own) {
                found.push((blend.vertex, Source::Blends(number as u32)));
            }
        }
        found.sort_unstable_by_key(|entry| entry.0);
        let vertices = found.iter().map(|entry| entry.0 - first as u32);
        LocalClings {
            whole: Arc::clone(self),
            vertices: vertices.collect(),
            sources: found.iter().map(|entry| entry.1).collect(),
            supports,
        }
    }

    /// Where what is beneath a vertex comes from in a region, and whether it can move otherwise than the vertex's own
    /// joint.
    fn beneath(&self, clinger: &Clinger, core: &[u32], bodies: &[u32]) -> (Vec<Source>, bool) {
        let own = self.body(clinger.vertex, bodies);
        let mut moves = false;
        let source = |support: &Support| {
            let v = support.vertex;
            let place = core.binary_search(&v);
            moves |= place.is_ok() || self.body(v, bodies) != own;
            place.map_or(Source::Rigid(v), |place| Source::Layers(place as u32))
        };
        let beneath = clinger.supports.iter().map(source).collect();
        (beneath, moves)
    }

    fn body(&self, vertex: u32, bodies: &[u32]) -> u32 {
        bodies[usize::from(self.own[vertex as usize])]
    }
}

impl Clinger {
    /// How far joints spread from beneath.
    fn masses(&self, spread: &Spread) -> Vec<(u16, f64)> {
        let mut masses: Vec<(u16, f64)> = Vec::new();
        for support in &self.supports {
            for &(joint, mass) in spread.of(support.vertex as usize) {
                let mass = f64::from(support.mass) * f64::from(mass);
                add_to(&mut masses, joint.0, mass);
            }
        }
        masses
    }

    /// `None` where what is beneath is a line.
    fn new(cling: &Cling, rings: &Rings, rest: &[[f64; 3]]) -> Option<Self> {
        let at = |v: u32| Vector3::from(rest[v as usize]);
        let corners = || cling.corners.iter().zip(cling.shares);
        let place: Vector3<f64> = corners().map(|(&c, share)| at(c) * share).sum();
        let mut masses: Vec<(u32, f64)> = Vec::new();
        for (&corner, share) in corners() {
            let ring = rings.of(corner as usize);
            // The corner itself belongs to its patch: in a ring of one triangle too there are three.
            for &v in ring.iter().chain([&corner]) {
                add_to(&mut masses, v, share);
            }
        }
        masses.sort_unstable_by_key(|entry| entry.0);
        let spread: Matrix3<f64> = masses
            .iter()
            .map(|&(v, mass)| (at(v) - place) * (at(v) - place).transpose() * mass)
            .sum();
        let scale = spread.trace();
        if scale.is_nan() || scale <= 0.0 {
            return None;
        }
        let eigen = (spread / scale).try_symmetric_eigen(f64::EPSILON, 500)?;
        let mut order = [0, 1, 2];
        order.sort_by(|&i, &j| eigen.eigenvalues[j].total_cmp(&eigen.eigenvalues[i]));
        let extents = [order[0], order[1]].map(|i| eigen.eigenvalues[i]);
        if extents[1].is_nan() || extents[1] < LEAST_WIDTH * extents[0] {
            return None;
        }
        let axes = [order[0], order[1]].map(|i| eigen.eigenvectors.column(i).into_owned());
        let all: f64 = masses.iter().map(|entry| entry.1).sum();
        let mut supports: Vec<(u32, f64, [f64; 2], f64)> = masses
            .iter()
            .map(|&(v, mass)| {
                let along = |k: usize| mass * (at(v) - place).dot(&axes[k]) / (extents[k] * scale);
                (v, 0.0, [along(0), along(1)], mass / all)
            })
            .collect();
        // Edges start at the place, which moves with the corners.
        let sums: [f64; 2] = std::array::from_fn(|k| supports.iter().map(|s| s.2[k]).sum());
        for (&corner, share) in corners() {
            // Corners are among the supports.
            if let Some(support) = supports.iter_mut().find(|s| s.0 == corner) {
                support.1 += share;
                support.2[0] -= share * sums[0];
                support.2[1] -= share * sums[1];
            }
        }
        let tangent = |k: usize| -> [f32; 3] {
            let sum: Vector3<f64> = supports.iter().map(|s| at(s.0) * s.2[k]).sum();
            sum.map(|x| x as f32).into()
        };
        let frame = closest_rotation(Point::splat(tangent(0)), Point::splat(tangent(1)));
        frame.good[0].then(|| Self {
            vertex: cling.vertex,
            detail: frame.coordinates((at(cling.vertex) - place).into()),
            supports: supports
                .into_iter()
                .map(|(vertex, place, tangents, mass)| Support {
                    vertex,
                    place: place as f32,
                    tangents: tangents.map(|x| x as f32),
                    mass: mass as f32,
                })
                .collect(),
        })
    }
}

impl LocalClings {
    /// The results of all vertices, from those of the layers.
    pub fn merge(&self, block: &Block, layers: &[Point], out: &mut Vec<Point>) {
        out.clear();
        let merged = self
            .sources
            .iter()
            .map(|source| self.point(block, *source, &|place| layers[place]));
        out.extend(merged);
    }

    fn point(&self, block: &Block, source: Source, layers: &dyn Fn(usize) -> Point) -> Point {
        let whole = &*self.whole;
        let rigid = |v: u32| {
            let joint = usize::from(whole.own[v as usize]);
            block.transform(joint, whole.rest[v as usize])
        };
        let (number, here) = match source {
            Source::Layers(place) => return layers(place as usize),
            Source::Rigid(v) => return rigid(v),
            Source::Clings(number, here) => (number as usize, here as usize),
            Source::Blends(number) => {
                let blend = &whole.blends[number as usize];
                let rest = whole.rest[blend.vertex as usize];
                let mut sum = Point::ZERO;
                for &(joint, weight) in &blend.row {
                    add(
                        &mut sum,
                        weight as f32,
                        &block.transform(joint.index(), rest),
                    );
                }
                return sum;
            }
        };
        let clinger = &whole.clingers[number];
        let [mut place, mut u, mut b] = [Point::ZERO; 3];
        for (support, &source) in clinger.supports.iter().zip(&self.supports[here]) {
            let point = self.point(block, source, layers);
            add(&mut place, support.place, &point);
            add(&mut u, support.tangents[0], &point);
            add(&mut b, support.tangents[1], &point);
        }
        let frame = closest_rotation(u, b);
        let mut point = frame.carry(clinger.detail, &place);
        if frame.good != [true; LANES] {
            let rigid = rigid(clinger.vertex);
            for l in (0..LANES).filter(|&l| !frame.good[l]) {
                (point.x[l], point.y[l], point.z[l]) = (rigid.x[l], rigid.y[l], rigid.z[l]);
            }
        }
        point
    }
}

fn add(sum: &mut Point, factor: f32, point: &Point) {
    for l in 0..LANES {
        sum.x[l] += factor * point.x[l];
        sum.y[l] += factor * point.y[l];
        sum.z[l] += factor * point.z[l];
    }
}

/// Clinging vertices above targets that are worked out where they are asked for.
#[derive(Debug)]
pub(super) struct ClingsOnDemand {
    pub clings: Arc<LocalClings>,
    pub layers: Arc<dyn Evaluate>,
}

impl Evaluate for ClingsOnDemand {
    fn evaluate(&self, block: &Block, slots: Range<usize>, out: &mut [Point]) {
        let sources = &self.clings.sources[slots];
        // What is asked of the layers, each once, in runs.
        let mut asked: Vec<u32> = Vec::new();
        let mut ask = |source: &Source| {
            if let Source::Layers(place) = source {
                asked.push(*place);
            }
        };
        for source in sources {
            ask(source);
            if let Source::Clings(_, here) = source {
                self.clings.supports[*here as usize]
                    .iter()
                    .for_each(&mut ask);
            }
        }
        asked.sort_unstable();
        asked.dedup();
        let mut known = vec![Point::ZERO; asked.len()];
        let mut begin = 0;
        for run in asked.chunk_by(|a, b| a + 1 == *b) {
            let places = run[0] as usize..run[0] as usize + run.len();
            self.layers
                .evaluate(block, places, &mut known[begin..begin + run.len()]);
            begin += run.len();
        }
        // Everything that a source names was asked for.
        let layers = |place: usize| {
            asked
                .binary_search(&(place as u32))
                .map_or(Point::ZERO, |k| known[k])
        };
        for (out, source) in out.iter_mut().zip(sources) {
            *out = self.clings.point(block, *source, &layers);
        }
    }
}
