//! Rays against the surface: what is in sight, what is inside.
//!
//! Two-sided ray and triangle after Möller & Trumbore 1997, *Fast, minimum storage ray/triangle
//! intersection*.

use bvh::aabb::{Aabb, Bounded, IntersectsAabb};
use bvh::bounding_hierarchy::BHShape;
use bvh::bvh::Bvh;
use nalgebra::{Point3, Vector3};

use crate::rig::Surface;

/// A tree over the triangles of a surface.
pub(super) struct Sight {
    tree: Bvh<f64, 3>,
    triangles: Vec<Triangle>,
    reach: f64,
}

struct Triangle {
    corners: [Point3<f64>; 3],
    node: usize,
}

impl Bounded<f64, 3> for Triangle {
    fn aabb(&self) -> Aabb<f64, 3> {
        let [a, b, c] = &self.corners;
        Aabb::empty().grow(a).grow(b).grow(c)
    }
}

impl BHShape<f64, 3> for Triangle {
    fn set_bh_node_index(&mut self, index: usize) {
        self.node = index;
    }
    fn bh_node_index(&self) -> usize {
        self.node
    }
}

/// From `from` to `from + step`.
struct Segment {
    from: Point3<f64>,
    step: Vector3<f64>,
}

impl IntersectsAabb<f64, 3> for Segment {
    fn intersects_aabb(&self, aabb: &Aabb<f64, 3>) -> bool {
        let (mut enter, mut leave) = (0.0f64, 1.0f64);
        for axis in 0..3 {
            let (low, high) = (
                aabb[0][axis] - self.from[axis],
                aabb[1][axis] - self.from[axis],
            );
            if self.step[axis] == 0.0 {
                if low > 0.0 || high < 0.0 {
                    return false;
                }
            } else {
                let (a, b) = (low / self.step[axis], high / self.step[axis]);
                enter = enter.max(a.min(b));
                leave = leave.min(a.max(b));
            }
        }
        // Slack of some roundings: flat boxes have no thickness to hit.
        enter <= leave + 1e-12
    }
}

/// Directions for the vote on what is inside: none along an axis or a diagonal, so that edges of
/// modelled shapes are rarely grazed.
const DIRECTIONS: [[f64; 3]; 5] = [
    [0.817, 0.317, 0.482],
    [-0.291, 0.853, -0.433],
    [0.401, -0.249, 0.882],
    [-0.739, -0.531, 0.415],
    [0.153, -0.677, -0.720],
];

impl Sight {
    pub fn new(surface: &Surface) -> Self {
        let mut triangles: Vec<Triangle> = surface
            .triangles
            .iter()
            .map(|corners| Triangle {
                corners: corners
                    .map(|v| Point3::from(surface.positions[v as usize].map(f64::from))),
                node: 0,
            })
            .collect();
        let tree = Bvh::build(&mut triangles);
        Self {
            tree,
            triangles,
            reach: 2.0 * surface.diagonal(),
        }
    }

    /// Where the segment meets the surface, as shares of the way, in rising order.
    fn crossings(&self, from: Point3<f64>, step: Vector3<f64>) -> Vec<f64> {
        if self.triangles.is_empty() {
            return Vec::new();
        }
        let segment = Segment { from, step };
        let mut shares: Vec<f64> = self
            .tree
            .traverse(&segment, &self.triangles)
            .into_iter()
            .filter_map(|triangle| crossing(&segment, &triangle.corners))
            .collect();
        shares.sort_by(f64::total_cmp);
        shares
    }

    /// Whether the surface stands between a point and a vertex of it. The last thousandth of the way
    /// does not count: there lie the vertex's own triangles.
    pub fn blocked(&self, from: Point3<f64>, vertex: Point3<f64>) -> bool {
        self.crossings(from, vertex - from)
            .iter()
            .any(|&share| share < 0.999)
    }

    /// How far the surface is from a point along a direction of length one.
    pub fn exit(&self, from: Point3<f64>, direction: Vector3<f64>) -> Option<f64> {
        let shares = self.crossings(from, direction * self.reach);
        shares.first().map(|share| share * self.reach)
    }

    /// Whether a point lies inside, by the vote of five rays: an odd number of crossings is inside.
    /// Holes can mislead a ray, seldom most of them.
    pub fn inside(&self, point: Point3<f64>) -> bool {
        let votes = DIRECTIONS
            .iter()
            .filter(|direction| {
                let step = Vector3::from(**direction) * self.reach;
                self.crossings(point, step).len() % 2 == 1
            })
            .count();
        votes > DIRECTIONS.len() / 2
    }
}

fn crossing(segment: &Segment, [a, b, c]: &[Point3<f64>; 3]) -> Option<f64> {
    let (ab, ac) = (b - a, c - a);
    let p = segment.step.cross(&ac);
    let determinant = ab.dot(&p);
    if determinant == 0.0 {
        return None;
    }
    let from = segment.from - a;
    let u = from.dot(&p) / determinant;
    let q = from.cross(&ab);
    let v = segment.step.dot(&q) / determinant;
    let share = ac.dot(&q) / determinant;
    let hit = u >= 0.0 && v >= 0.0 && u + v <= 1.0 && (0.0..=1.0).contains(&share);
    hit.then_some(share)
}
