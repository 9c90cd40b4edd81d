//! Helper joints: added joints with fitted rigid motion, for what no weights on the given joints can reach.
//!
//! Weights and motions are fitted in turn (block coordinate descent; Le & Deng 2012, *Smooth skinning decomposition
//! with rigid bones*), over poses that stream by: a pass solves the motions of all helpers in each pose from the
//! weights so far, by sums of twelve numbers a helper (`motion`), and folds the pose into Gram matrices with the
//! helpers among the candidates, from which the next weights come. Memory does not grow with vertices times poses.
//! Helpers come in rounds, at the patches where most is left (`place`); the first motion of a new one is that of the
//! middle of its patch.

mod gather;
mod motion;
mod place;

use std::sync::Arc;

use nalgebra::{Isometry3, Matrix3x4, Translation3};
use rayon::prelude::*;

use super::{
    Candidates, Gram, MAX_CANDIDATES, Options, Solver, WORKING_BYTES_PER_VERTEX,
    symmetric_candidates,
};
use crate::rig::{
    JointId, Kept, Mirror, Move, PoseSequence, Rings, Shapes, Skeleton, Surface, Targets, Weights,
};
use gather::{Gather, Gathered};
pub use motion::HELD;
use place::{Ground, Patch};

/// What helper joints are asked for.
#[derive(Clone, Debug)]
pub struct HelperOptions {
    /// Helper joints at most.
    pub count: usize,
    /// No more are added once the root mean square error on the poses of the fit is this, in percent of the diagonal.
    pub error_percent: Option<f64>,
    /// For each region its budget and its joints: a helper counts where the base joint in the middle of its patch
    /// first occurs.
    pub regions: Vec<(usize, Vec<bool>)>,
}

/// A helper joint.
#[derive(Clone, Debug)]
pub struct Helper {
    /// The joint that it moves with most, and hangs from.
    pub parent: JointId,
    /// Where it rests: about the centre of the blocks.
    pub place: [f64; 3],
    /// The vertices that may follow it, in rising order.
    pub vertices: Arc<[u32]>,
    /// The helper across the plane; itself on it.
    pub partner: Option<usize>,
    /// The vertex in the middle of its patch.
    pub seed: usize,
    /// The radius of its patch.
    pub radius: f64,
}

/// A rigid motion against that of the parent, in mesh space about the centre of the blocks.
pub type Motion = Isometry3<f64>;

/// For each helper its motion in each pose.
pub type Motions = Vec<Vec<Motion>>;

/// The surface and the weights that helpers are added to.
#[derive(Clone, Copy)]
pub struct Plain<'a> {
    /// The surface.
    pub surface: &'a Surface,
    /// The joints.
    pub skeleton: &'a Skeleton,
    /// Bind positions about the centre.
    pub rest: &'a [[f32; 3]],
    /// What the layers start from.
    pub base: &'a Weights,
    /// Candidates without helpers.
    pub candidates: &'a Candidates,
    /// Left and right.
    pub mirror: Option<&'a Mirror>,
    /// Vertices that keep their weights: no helper moves them.
    pub kept: Option<&'a Kept<'a>>,
    /// How weights are solved; smoothness is left to the last fit.
    pub options: &'a Options,
}

/// A fit of helper joints: passes over the poses of the fit, until [`HelperFit::begin`] says that there is none to
/// come.
pub struct HelperFit<'a> {
    plain: Plain<'a>,
    asked: &'a HelperOptions,
    /// Those of the surface, with bridges from piece to piece: what lies upon a patch may follow its helper.
    rings: Rings,
    /// The base joint of each vertex.
    own: Vec<JointId>,
    /// The mean squared error of each vertex, in squared percent of the diagonal.
    errors: Vec<f64>,
    helpers: Vec<Helper>,
    /// The weights of vertices that may follow helpers, in rising order of vertices.
    weights: Vec<(u32, Vec<(JointId, f64)>)>,
    motions: Absolute,
    pass: Option<Pass>,
    poses: usize,
    pose_weight: f64,
    /// Whether no more helpers are to be added.
    grown: bool,
    /// Passes that add no helper, since the last that did.
    settled: usize,
    /// Root mean square errors after each pass, in percent of the diagonal.
    course: Vec<f64>,
    best: Option<Best>,
}

/// What a pass makes.
struct Pass {
    gather: Gather,
    gram: Gram,
    mirror: Option<Mirror>,
    apart: Vec<Vec<f64>>,
}

/// The best that there was after any pass.
struct Best {
    rms_percent: f64,
    helpers: Vec<Helper>,
    motions: Absolute,
    candidates: Candidates,
    mirror: Option<Mirror>,
}

/// Helper joints that were fitted.
#[derive(Clone, Debug)]
pub struct Helped {
    /// The joints, behind those that there are.
    pub helpers: Vec<Helper>,
    /// Their motions in the poses of the fit.
    pub motions: Motions,
    /// Candidates with helpers among them.
    pub candidates: Candidates,
    /// Left and right with helpers; without vertices that cannot take part.
    pub mirror: Option<Mirror>,
}

/// Rounds in which helpers are added: in later ones they go where the earlier ones did not help.
const ROUNDS: usize = 6;

/// Pieces that are so near are one for a patch, in percent of the diagonal.
const BRIDGE_PERCENT: f64 = 2.0;

/// Passes without new helpers after each round, and at the end.
const BETWEEN: usize = 2;
const LAST: usize = 12;

/// A last pass that gains less than this share of the error ends the fit.
const LEAST_GAIN: f64 = 0.005;

/// Helpers that may move one vertex, those nearest to it first: joints need room among its candidates too.
const MOST_AT_VERTEX: usize = 8;

impl<'a> HelperFit<'a> {
    /// Begins with the `weights` of a fit without helpers and the mean squared error of each vertex, in squared
    /// percent of the diagonal; over that many poses of that weight in all.
    pub fn new(
        plain: Plain<'a>,
        asked: &'a HelperOptions,
        weights: &Weights,
        errors: Vec<f64>,
        (poses, pose_weight): (usize, f64),
    ) -> Self {
        let open = |v: usize| plain.candidates.of(v).len() > 1;
        let bridge = BRIDGE_PERCENT / 100.0 * plain.surface.diagonal();
        let all = vec![true; plain.surface.pieces];
        Self {
            rings: plain.surface.bridged(bridge, &all).rings,
            own: own_joints(plain.base),
            weights: (0..weights.len())
                .filter(|&v| open(v) && plain.kept.is_none_or(|kept| !kept.has(v)))
                .map(|v| {
                    let row = weights.of(v).map(|(id, w)| (id, f64::from(w)));
                    (v as u32, row.collect())
                })
                .collect(),
            plain,
            asked,
            errors,
            helpers: Vec::new(),
            motions: Vec::new(),
            pass: None,
            poses,
            pose_weight,
            grown: false,
            settled: 0,
            course: Vec::new(),
            best: None,
        }
    }

    /// The root mean square error, in percent of the diagonal.
    fn rms(&self) -> f64 {
        (self.errors.iter().sum::<f64>() / self.errors.len().max(1) as f64).sqrt()
    }

    /// Makes the next pass ready; `false` if there is none.
    pub fn begin(&mut self) -> bool {
        let mut fresh = Vec::new();
        if !self.grown && (self.settled >= BETWEEN || self.helpers.is_empty()) {
            fresh = self.grow();
            self.grown = fresh.is_empty();
        }
        if self.helpers.is_empty() || self.grown && self.is_settled() {
            return false;
        }
        self.settled = if fresh.is_empty() {
            self.settled + 1
        } else {
            0
        };
        self.pass = Some(self.pass(&fresh));
        true
    }

    fn is_settled(&self) -> bool {
        let gains = match self.course[..] {
            [.., before, last] => last < (1.0 - LEAST_GAIN) * before,
            _ => true,
        };
        self.settled >= LAST || self.settled > BETWEEN && !gains
    }

    /// Adds helpers where most is left, and gives their patches.
    fn grow(&mut self) -> Vec<Patch> {
        let asked = self.asked;
        let reached = |error: f64| self.rms() <= error;
        let left = asked.count - self.helpers.len();
        if left == 0 || asked.error_percent.is_some_and(reached) {
            return Vec::new();
        }
        let wanted = match asked.error_percent {
            // A pair at most: the fewest are wanted.
            Some(_) => 2,
            None => asked.count.div_ceil(ROUNDS).max(2),
        };
        let surface = self.plain.surface;
        let mut open = vec![false; surface.len()];
        self.weights
            .iter()
            .for_each(|row| open[row.0 as usize] = true);
        let ground = Ground {
            rings: &self.rings,
            rest: self.plain.rest,
            radius: place::RADIUS_PERCENT / 100.0 * surface.diagonal(),
            open: &open,
            mirror: self.plain.mirror,
        };
        let rounds = (ground.radius / surface.edge_length().max(f64::MIN_POSITIVE)).powi(2);
        let region = |v: usize| {
            let joint = self.own[v].index();
            (asked.regions.iter()).position(|(_, joints)| joints[joint])
        };
        let mut used = vec![0; asked.regions.len()];
        for helper in &self.helpers {
            if let Some(region) = region(helper.seed) {
                used[region] += 1;
            }
        }
        let patches = ground.patches(
            &self.errors,
            (rounds.clamp(1.0, place::MOST_ROUNDS)) as usize,
            wanted.min(left),
            |seed, helpers| match region(seed) {
                Some(region) => {
                    let allowed = used[region] + helpers <= asked.regions[region].0;
                    used[region] += if allowed { helpers } else { 0 };
                    allowed
                }
                None => true,
            },
        );
        let before = self.helpers.len();
        for (patch, partner) in &patches {
            self.helpers.push(Helper {
                parent: self.own[patch.seed],
                place: self.plain.rest[patch.seed].map(f64::from),
                vertices: patch.vertices.iter().map(|entry| entry.0).collect(),
                partner: partner.map(|place| before + place),
                seed: patch.seed,
                radius: ground.radius,
            });
            self.motions.push(vec![None; self.poses]);
        }
        patches.into_iter().map(|entry| entry.0).collect()
    }

    fn pass(&self, fresh: &[Patch]) -> Pass {
        let plain = &self.plain;
        let first = plain.skeleton.joints().len();
        let (candidates, mirror) = candidates(plain, &self.helpers, &self.weights);
        let followed = self.weights.iter().filter(|row| {
            let ids = candidates.of(row.0 as usize);
            ids.last().is_some_and(|id| id.index() >= first)
        });
        let hosts = self.helpers.iter().map(|helper| {
            let ids = helper
                .vertices
                .iter()
                .flat_map(|&v| plain.candidates.of(v as usize));
            let mut hosts: Vec<JointId> = ids.copied().collect();
            hosts.sort_unstable();
            hosts.dedup();
            hosts
        });
        let gather = Gather::new(
            first,
            &self.helpers,
            followed.cloned().collect(),
            fresh,
            hosts.collect(),
            plain.rest,
            &self.own,
        );
        Pass {
            apart: vec![Vec::new(); self.helpers.len()],
            gram: Gram::new(candidates, plain.surface.diagonal()),
            gather,
            mirror,
        }
    }

    /// Takes in shapes of a pass, in the order given.
    pub fn add(&mut self, shapes: &[Shapes]) {
        let Some(pass) = &mut self.pass else {
            return;
        };
        for wave in shapes.chunks(2 * rayon::current_num_threads()) {
            let motions = &self.motions;
            let before = |pose: usize, h: usize| motions[h][pose];
            let gathered: Vec<Gathered> = (wave.par_iter())
                .map(|shapes| pass.gather.work_out(shapes, before))
                .collect();
            let mut moved = Vec::with_capacity(gathered.len());
            for one in gathered {
                for (pose, h, motion) in one.motions {
                    self.motions[h][pose] = Some(motion);
                }
                for (sums, more) in pass.apart.iter_mut().zip(one.apart) {
                    sums.resize(more.len(), 0.0);
                    sums.iter_mut()
                        .zip(more)
                        .for_each(|(sum, more)| *sum += more);
                }
                moved.push(one.shapes);
            }
            pass.gram.add(self.plain.rest, &moved);
        }
    }

    /// Ends a pass: weights for the motions found.
    pub fn end(&mut self) {
        let Some(mut pass) = self.pass.take() else {
            return;
        };
        pass.gram.count(self.pose_weight);
        let plain = &self.plain;
        let options = Options {
            smoothness: 0.0,
            ..*plain.options
        };
        let solver = Solver::new(
            &pass.gram,
            plain.surface,
            plain.base,
            pass.mirror.as_ref(),
            None,
            &options,
        );
        for &v in pass.gather.vertices() {
            let v = v as usize;
            self.errors[v] = solver.error(v);
            if let Ok(place) = self.weights.binary_search_by_key(&(v as u32), |row| row.0) {
                self.weights[place].1 = solver.row(v).collect();
            }
        }
        for (h, apart) in pass.apart.iter().enumerate() {
            self.helpers[h].parent = pass.gather.closest_host(h, apart);
        }
        let rms_percent = self.rms();
        self.course.push(rms_percent);
        if self
            .best
            .as_ref()
            .is_none_or(|best| rms_percent < best.rms_percent)
        {
            self.best = Some(Best {
                rms_percent,
                helpers: self.helpers.clone(),
                motions: self.motions.clone(),
                candidates: pass.gram.candidates().clone(),
                mirror: pass.mirror,
            });
        }
    }

    /// Helpers so far.
    pub fn count(&self) -> usize {
        self.helpers.len()
    }

    /// Root mean square errors after each pass, in percent of the diagonal.
    pub fn course(&self) -> &[f64] {
        &self.course
    }

    /// The helpers with the least error of all passes; `None` if none were found.
    pub fn finish(self, poses: &dyn PoseSequence, centre: [f64; 3]) -> Option<Helped> {
        let best = self.best?;
        let skeleton = self.plain.skeleton;
        Some(Helped {
            motions: against_parents(&best.helpers, &best.motions, skeleton, poses, centre),
            helpers: best.helpers,
            candidates: best.candidates,
            mirror: best.mirror,
        })
    }
}

/// The motions of helpers whose weights stay, over poses of any set.
pub struct Follow {
    gather: Gather,
    motions: Absolute,
}

impl Follow {
    /// For `weights` over joints, of which the skeleton has the `first` ones, and helpers. `rest` are the bind positions
    /// about the centre, `base` is what the layers start from.
    pub fn new(
        first: usize,
        helpers: &[Helper],
        weights: &Weights,
        (rest, base): (&[[f32; 3]], &Weights),
        poses: usize,
    ) -> Self {
        let mut vertices: Vec<u32> = helpers
            .iter()
            .flat_map(|h| h.vertices.iter().copied())
            .collect();
        vertices.sort_unstable();
        vertices.dedup();
        let row = |v: u32| {
            let row = weights.of(v as usize).map(|(id, w)| (id, f64::from(w)));
            (v, row.collect())
        };
        let rows = vertices.into_iter().map(row).collect();
        let hosts = vec![Vec::new(); helpers.len()];
        Self {
            gather: Gather::new(first, helpers, rows, &[], hosts, rest, &own_joints(base)),
            motions: vec![vec![None; poses]; helpers.len()],
        }
    }

    /// Holds each helper to the motion of its parent, as strongly as a share of its vertices that moved with that
    /// would; [`HELD`] is the usual share.
    pub fn hold(&mut self, shares: &[f64]) {
        self.gather.hold(shares);
    }

    /// Takes in shapes of the poses.
    pub fn add(&mut self, shapes: &[Shapes]) {
        let solved: Vec<_> = (shapes.par_iter())
            .map(|shapes| self.gather.work_out(shapes, |_, _| None).motions)
            .collect();
        for (pose, h, motion) in solved.into_iter().flatten() {
            self.motions[h][pose] = Some(motion);
        }
    }

    /// The motions found; of poses that no shapes held, those of the parents.
    pub fn finish(
        self,
        helpers: &[Helper],
        skeleton: &Skeleton,
        poses: &dyn PoseSequence,
        centre: [f64; 3],
    ) -> Motions {
        against_parents(helpers, &self.motions, skeleton, poses, centre)
    }
}

/// The vertices that may follow helpers, for shapes in which those move: a vertex that the layers do not bend may still
/// leave the motion of its joints with a helper.
#[derive(Clone, Debug)]
pub struct Reach {
    first: usize,
    of: Vec<Vec<u32>>,
    own: Vec<JointId>,
}

impl Reach {
    /// Of the joints from the `first` on, to the last of so many.
    pub fn new(first: usize, joints: usize, candidates: &Candidates, base: &Weights) -> Self {
        let mut of = vec![Vec::new(); joints - first];
        for v in 0..candidates.len() {
            for id in candidates.of(v).iter().filter(|id| id.index() >= first) {
                of[id.index() - first].push(v as u32);
            }
        }
        Self {
            first,
            of,
            own: own_joints(base),
        }
    }

    /// The shapes with all vertices that helpers move in them; `rest` are the bind positions about the centre.
    pub fn joined(&self, rest: &[[f32; 3]], shapes: &[Shapes]) -> Vec<Shapes> {
        shapes
            .par_iter()
            .map(|one| self.joined_one(rest, one))
            .collect()
    }

    fn joined_one(&self, rest: &[[f32; 3]], shapes: &Shapes) -> Shapes {
        let moves = |h: usize| shapes.bodies[self.first + h] == (self.first + h) as u32;
        let helped = (0..self.of.len()).filter(|&h| moves(h));
        let mut vertices: Vec<u32> = helped.flat_map(|h| self.of[h].iter().copied()).collect();
        vertices.extend_from_slice(&shapes.vertices);
        vertices.sort_unstable();
        vertices.dedup();
        let mut buffer = Vec::new();
        let mut bent = shapes.within(&(0..usize::MAX), &mut buffer).peekable();
        let target = |v: usize| match bent.next_if(|&(next, _)| next == v) {
            Some((_, target)) => *target,
            None => shapes.block.transform(self.own[v].index(), rest[v]),
        };
        let targets = vertices.iter().map(|&v| v as usize).map(target).collect();
        Shapes {
            block: shapes.block.clone(),
            poses: shapes.poses.clone(),
            vertices: vertices.into(),
            bodies: Arc::clone(&shapes.bodies),
            targets: Targets::Known(targets),
        }
    }
}

/// The base joint of each vertex.
fn own_joints(base: &Weights) -> Vec<JointId> {
    // A row of checked weights has at least one entry.
    let heaviest = |v: usize| base.of(v).next().map_or(JointId(0), |(id, _)| id);
    (0..base.len()).map(heaviest).collect()
}

/// For each helper and pose its motion with that of its parent in it; `None` where it has none of its own.
type Absolute = Vec<Vec<Option<Matrix3x4<f64>>>>;

/// Bytes that a fit of so many helpers takes at most, and their motions in so many poses.
pub fn bytes(vertices: usize, poses: usize, helpers: usize) -> usize {
    let matrix = MAX_CANDIDATES * (MAX_CANDIDATES + 1) / 2 * size_of::<f64>();
    let rows = MAX_CANDIDATES * 4 * size_of::<(JointId, f64)>();
    let motions = 3 * size_of::<Option<Matrix3x4<f64>>>() + size_of::<Motion>() + size_of::<Move>();
    vertices * (2 * matrix + rows + WORKING_BYTES_PER_VERTEX) + poses * helpers * motions
}

/// Motions against the parents'.
fn against_parents(
    helpers: &[Helper],
    motions: &Absolute,
    skeleton: &Skeleton,
    poses: &dyn PoseSequence,
    centre: [f64; 3],
) -> Motions {
    let to = Translation3::new(centre[0], centre[1], centre[2]).to_homogeneous();
    let from = Translation3::new(-centre[0], -centre[1], -centre[2]).to_homogeneous();
    let mut relative = vec![vec![Motion::identity(); poses.len()]; helpers.len()];
    for pose in 0..poses.len() {
        if motions.iter().all(|of| of[pose].is_none()) {
            continue;
        }
        let matrices = skeleton.skinning_matrices(&poses.get(pose));
        for (h, helper) in helpers.iter().enumerate() {
            if let Some(motion) = &motions[h][pose] {
                let parent = from * matrices[helper.parent.index()] * to;
                // A parent that poses flatten takes the helper along.
                if let Some(found) = motion::relative(&parent, motion) {
                    relative[h][pose] = found;
                }
            }
        }
    }
    relative
}

/// Candidates with helpers among them, and the mirror that goes with these.
fn candidates(
    plain: &Plain,
    helpers: &[Helper],
    weights: &[(u32, Vec<(JointId, f64)>)],
) -> (Candidates, Option<Mirror>) {
    let first = plain.skeleton.joints().len();
    let mut near: Vec<Vec<(JointId, f32)>> = vec![Vec::new(); plain.surface.len()];
    for (h, helper) in helpers.iter().enumerate() {
        let id = JointId((first + h) as u16);
        for &v in helper.vertices.iter() {
            let at = plain.rest[v as usize];
            let square: f64 = (0..3)
                .map(|i| (f64::from(at[i]) - helper.place[i]).powi(2))
                .sum();
            near[v as usize].push((id, square as f32));
        }
    }
    let mut rows: Vec<Vec<(JointId, f32)>> = Vec::with_capacity(near.len());
    let mut weights = weights.iter().peekable();
    for (v, mut near) in near.into_iter().enumerate() {
        let ids = plain.candidates.of(v);
        let own = weights.next_if(|row| row.0 as usize == v);
        if near.is_empty() {
            rows.push(ids.iter().map(|&id| (id, 1.0)).collect());
            continue;
        }
        let weight = |id: JointId| {
            let row = own.iter().flat_map(|row| &row.1);
            row.filter(|entry| entry.0 == id)
                .map(|entry| entry.1 as f32)
                .sum::<f32>()
        };
        near.sort_by(|a, b| {
            let in_use = |id| weight(id) > 0.0;
            (in_use(b.0).cmp(&in_use(a.0)))
                .then(a.1.total_cmp(&b.1))
                .then(a.0.cmp(&b.0))
        });
        near.truncate(MOST_AT_VERTEX);
        let mut joints: Vec<(JointId, f32)> = ids.iter().map(|&id| (id, weight(id))).collect();
        joints.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        joints.truncate(MAX_CANDIDATES - near.len());
        // All count alike from here on, but the heaviest joint comes first.
        let row = joints.into_iter().chain(near).enumerate();
        rows.push(
            row.map(|(place, (id, _))| (id, 1.0 - place as f32 / 100.0))
                .collect(),
        );
    }
    let row = |v: usize| rows[v].as_slice();
    match plain.mirror {
        Some(mirror) => {
            let mut mirror = mirror.clone();
            let partner = |h: &Helper| h.partner.map(|other| JointId((first + other) as u16));
            mirror.joints.extend(helpers.iter().map(partner));
            (symmetric_candidates(row, 0.0, &mut mirror), Some(mirror))
        }
        None => {
            let all = (0..rows.len()).map(row);
            (Candidates::new(all, 0.0), None)
        }
    }
}
