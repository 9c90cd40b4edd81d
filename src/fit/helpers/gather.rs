//! Passes over the poses: the motions of helpers in each, and shapes in which they move.

use std::sync::Arc;

use nalgebra::{Matrix3x4, Matrix4, Vector3};

use super::Helper;
use super::motion::{Coupled, Moments, extended, rows};
use super::place::Patch;
use crate::rig::{Block, JointId, LANES, Point, Shapes, Targets};

/// What solves the motions of helpers in shapes that stream by, for weights that stay.
pub(super) struct Gather {
    /// Joints without helpers.
    first: usize,
    parents: Vec<JointId>,
    /// The vertices that may follow a helper, in rising order.
    vertices: Vec<u32>,
    rest: Vec<[f32; 3]>,
    /// The base joint of each.
    own: Vec<JointId>,
    /// The weights of joints at each, those of helpers left out.
    joints: Vec<Vec<(JointId, f32)>>,
    /// The weights of helpers at each.
    pulls: Vec<Coupled>,
    /// The places among the vertices that may follow each helper.
    members: Vec<Vec<u32>>,
    /// For helpers without weights so far such places, with what each counts for the motion.
    fresh: Vec<Vec<(u32, f64)>>,
    moments: Moments,
    /// For each helper the joints that it may hang from.
    hosts: Vec<Vec<JointId>>,
}

/// What became of some shapes.
pub(super) struct Gathered {
    /// Those of the vertices that may follow helpers, in which helpers move.
    pub shapes: Shapes,
    /// Pose, helper and motion.
    pub motions: Vec<(usize, usize, Matrix3x4<f64>)>,
    /// For each helper and each of its hosts how far they are from moving as one.
    pub apart: Vec<Vec<f64>>,
}

impl Gather {
    /// `rows` are the vertices that may follow helpers, in rising order, with weights of joints and helpers; helpers
    /// have the numbers behind the `first` joints. The last helpers, one for each `fresh` patch, have no weights yet.
    /// `hosts` are the joints that each may hang from.
    pub fn new(
        first: usize,
        helpers: &[Helper],
        rows: Vec<(u32, Vec<(JointId, f64)>)>,
        fresh: &[Patch],
        hosts: Vec<Vec<JointId>>,
        rest: &[[f32; 3]],
        own: &[JointId],
    ) -> Self {
        let vertices: Vec<u32> = rows.iter().map(|row| row.0).collect();
        let place = |v: &u32| vertices.binary_search(v).ok().map(|place| place as u32);
        let members: Vec<Vec<u32>> = helpers
            .iter()
            .map(|helper| helper.vertices.iter().filter_map(place).collect())
            .collect();
        let at = |v: &u32| rest[*v as usize];
        let (mut joints, mut pulls) = (Vec::new(), Vec::new());
        for (_, row) in &rows {
            let is_joint = |entry: &&(JointId, f64)| entry.0.index() < first;
            let of_joints = row.iter().filter(is_joint);
            joints.push(of_joints.map(|&(id, w)| (id, w as f32)).collect());
            let of_helpers = row.iter().filter(|entry| !is_joint(entry));
            pulls.push(of_helpers.map(|&(id, w)| (id.index() - first, w)).collect());
        }
        let balls: Vec<(Vector3<f64>, f64)> = helpers
            .iter()
            .map(|helper| (Vector3::from(helper.place), helper.radius))
            .collect();
        let rest: Vec<[f32; 3]> = vertices.iter().map(at).collect();
        let old = helpers.len() - fresh.len();
        let mut shares = vec![Vec::new(); old];
        for patch in fresh {
            let of = patch.vertices.iter();
            shares.push(
                of.filter_map(|(v, share)| Some((place(v)?, *share)))
                    .collect(),
            );
        }
        let alone = shares
            .iter()
            .enumerate()
            .flat_map(|(h, shares): (usize, &Vec<(u32, f64)>)| {
                let rest = &rest;
                (shares.iter()).map(move |&(place, share)| (h, rest[place as usize], share))
            });
        let moments = Moments::new(rest.iter().copied().zip(&pulls), alone, &balls);
        Self {
            first,
            parents: helpers.iter().map(|helper| helper.parent).collect(),
            own: vertices.iter().map(|&v| own[v as usize]).collect(),
            rest,
            joints,
            pulls,
            members,
            fresh: shares,
            moments,
            vertices,
            hosts,
        }
    }

    /// Solves the motions in some shapes; `before` are those that they start from.
    pub fn work_out(
        &self,
        shapes: &Shapes,
        before: impl Fn(usize, usize) -> Option<Matrix3x4<f64>>,
    ) -> Gathered {
        let count = self.parents.len();
        let slots = self.slots(shapes);
        let bent = |&place: &u32| slots[place as usize].is_some();
        let active: Vec<bool> = self.members.iter().map(|of| of.iter().any(bent)).collect();
        let mut taken = vec![false; self.vertices.len()];
        for (members, _) in self.members.iter().zip(&active).filter(|entry| *entry.1) {
            members
                .iter()
                .for_each(|&place| taken[place as usize] = true);
        }
        let targets = self.targets(shapes, &slots, &taken);
        let pulls = self.sums(shapes, &active, &taken, &targets);
        let mut motions = Vec::new();
        let mut apart: Vec<Vec<f64>> = self.hosts.iter().map(|of| vec![0.0; of.len()]).collect();
        let mut lanes: Vec<Vec<Matrix3x4<f64>>> = Vec::new();
        for (lane, &pose) in shapes.poses.iter().enumerate() {
            let matrix = |joint: JointId| matrix_of(&shapes.block, joint, lane);
            let parents: Vec<Matrix4<f64>> = self.parents.iter().map(|&id| matrix(id)).collect();
            let mut found: Vec<Matrix3x4<f64>> = (0..count)
                .map(|h| match active[h] {
                    true => before(pose, h).unwrap_or_else(|| rows(&parents[h])),
                    false => rows(&parents[h]),
                })
                .collect();
            let sums: Vec<Matrix3x4<f64>> = pulls.iter().map(|of| of.lane(lane)).collect();
            self.moments.solve(&active, &sums, &parents, &mut found);
            let weight = f64::from(shapes.block.weights[lane]);
            for h in (0..count).filter(|&h| active[h]) {
                motions.push((pose, h, found[h]));
                for (sum, &host) in apart[h].iter_mut().zip(&self.hosts[h]) {
                    *sum += weight * self.moments.apart(h, &found[h], &rows(&matrix(host)));
                }
            }
            lanes.push(found);
        }
        Gathered {
            shapes: self.moved(shapes, &active, &taken, targets, &lanes),
            motions,
            apart,
        }
    }

    /// For each vertex its place among those of the shapes, if it is bent there.
    fn slots(&self, shapes: &Shapes) -> Vec<Option<u32>> {
        let mut next = 0;
        self.vertices
            .iter()
            .map(|&v| {
                next += shapes.vertices[next..].partition_point(|&other| other < v);
                (shapes.vertices.get(next) == Some(&v)).then_some(next as u32)
            })
            .collect()
    }

    /// The targets of the vertices taken: those of the shapes, or the rigid motion of the base joint.
    fn targets(&self, shapes: &Shapes, slots: &[Option<u32>], taken: &[bool]) -> Vec<Point> {
        let mut targets = vec![Point::ZERO; taken.len()];
        let bent: Vec<(usize, u32)> = slots
            .iter()
            .enumerate()
            .filter_map(|(place, slot)| slot.filter(|_| taken[place]).map(|slot| (place, slot)))
            .collect();
        let mut buffer = Vec::new();
        for run in bent.chunk_by(|a, b| b.1 - a.1 <= GAP) {
            let range = run[0].1 as usize..run[run.len() - 1].1 as usize + 1;
            let of = shapes.targets_at(range.clone(), &mut buffer);
            for &(place, slot) in run {
                targets[place] = of[slot as usize - range.start];
            }
        }
        for place in (0..taken.len()).filter(|&place| taken[place] && slots[place].is_none()) {
            let own = self.own[place].index();
            targets[place] = shapes.block.transform(own, self.rest[place]);
        }
        targets
    }

    /// For each helper the sum B of every pose.
    fn sums(
        &self,
        shapes: &Shapes,
        active: &[bool],
        taken: &[bool],
        targets: &[Point],
    ) -> Vec<Pull> {
        let mut sums = vec![Pull::default(); active.len()];
        for place in (0..taken.len()).filter(|&place| taken[place]) {
            if self.pulls[place].is_empty() {
                continue;
            }
            let mut left = targets[place];
            for &(joint, weight) in &self.joints[place] {
                let moved = shapes.block.transform(joint.index(), self.rest[place]);
                for l in 0..LANES {
                    left.x[l] -= weight * moved.x[l];
                    left.y[l] -= weight * moved.y[l];
                    left.z[l] -= weight * moved.z[l];
                }
            }
            for &(helper, weight) in &self.pulls[place] {
                // At a helper that does not move by itself this makes up for its parent's motion, which is known.
                if active[helper] {
                    sums[helper].add(weight, &left, self.rest[place]);
                }
            }
        }
        for (helper, shares) in self.fresh.iter().enumerate() {
            for &(place, share) in shares.iter().filter(|_| active[helper]) {
                let place = place as usize;
                sums[helper].add(share, &targets[place], self.rest[place]);
            }
        }
        sums
    }

    /// The vertices taken as shapes in which the helpers move.
    fn moved(
        &self,
        shapes: &Shapes,
        active: &[bool],
        taken: &[bool],
        targets: Vec<Point>,
        lanes: &[Vec<Matrix3x4<f64>>],
    ) -> Shapes {
        let mut bodies = shapes.bodies[..self.first].to_vec();
        for (h, parent) in self.parents.iter().enumerate() {
            bodies.push(match active[h] {
                true => (self.first + h) as u32,
                false => bodies[parent.index()],
            });
        }
        let kept = |list: Vec<Point>| -> Vec<Point> {
            let pairs = list.into_iter().zip(taken);
            pairs
                .filter(|entry| *entry.1)
                .map(|entry| entry.0)
                .collect()
        };
        let vertices = self.vertices.iter().zip(taken);
        Shapes {
            block: shapes
                .block
                .with_joints(self.first, self.parents.len(), |h, lane| {
                    lanes[lane.min(lanes.len() - 1)][h]
                }),
            poses: shapes.poses.clone(),
            vertices: vertices
                .filter(|entry| *entry.1)
                .map(|entry| *entry.0)
                .collect(),
            bodies: Arc::from(bodies),
            targets: Targets::Known(kept(targets)),
        }
    }

    /// See [`super::Follow::hold`].
    pub fn hold(&mut self, shares: &[f64]) {
        self.moments.hold(shares);
    }

    /// The vertices that may follow helpers.
    pub fn vertices(&self) -> &[u32] {
        &self.vertices
    }

    /// The joint that a helper moves with most.
    pub fn closest_host(&self, helper: usize, apart: &[f64]) -> JointId {
        let hosts = self.hosts[helper].iter().zip(apart);
        let closest = hosts.min_by(|a, b| a.1.total_cmp(b.1));
        closest.map_or(self.parents[helper], |entry| *entry.0)
    }
}

/// Vertices that lie no farther apart in a list are evaluated with what lies between.
const GAP: u32 = 4;

/// The sum B of a helper in every pose of a block: rows, columns, poses.
#[derive(Clone)]
struct Pull([[[f64; LANES]; 4]; 3]);

impl Default for Pull {
    fn default() -> Self {
        Self([[[0.0; LANES]; 4]; 3])
    }
}

impl Pull {
    fn add(&mut self, weight: f64, left: &Point, at: [f32; 3]) {
        let at = extended(at) * weight;
        for (row, values) in self.0.iter_mut().zip([&left.x, &left.y, &left.z]) {
            for (sum, factor) in row.iter_mut().zip(at.iter()) {
                for l in 0..LANES {
                    sum[l] += factor * f64::from(values[l]);
                }
            }
        }
    }

    fn lane(&self, lane: usize) -> Matrix3x4<f64> {
        Matrix3x4::from_fn(|row, column| self.0[row][column][lane])
    }
}

/// The matrix of a joint in one pose of a block.
fn matrix_of(block: &Block, joint: JointId, lane: usize) -> Matrix4<f64> {
    let rows = block.joint(joint.0);
    Matrix4::from_fn(|row, column| match row {
        3 => f64::from(u8::from(column == 3)),
        _ => f64::from(rows[4 * row + column][lane]),
    })
}
