//! Rays against the surface, and its closest points: what is in sight, what is inside, what lies beneath.
//!
//! Two-sided ray and triangle after Möller & Trumbore 1997, *Fast, minimum storage ray/triangle
//! intersection*; closest point after Ericson 2005, *Real-Time Collision Detection*, §5.1.5.

use bvh::aabb::{Aabb, Bounded, IntersectsAabb};
use bvh::bounding_hierarchy::BHShape;
use bvh::bvh::Bvh;
use bvh::point_query::PointDistance;
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
    /// Its number on the surface.
    number: usize,
    node: usize,
}

/// The place on a surface that is closest to a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Closest {
    /// The triangle, by its number on the surface.
    pub triangle: usize,
    /// How much each of its corners counts: not negative, together one.
    pub shares: [f64; 3],
    pub place: Point3<f64>,
    pub distance: f64,
}

impl Bounded<f64, 3> for Triangle {
    fn aabb(&self) -> Aabb<f64, 3> {
        let [a, b, c] = &self.corners;
        Aabb::empty().grow(a).grow(b).grow(c)
    }
}

impl PointDistance<f64, 3> for Triangle {
    fn distance_squared(&self, point: Point3<f64>) -> f64 {
        (place_of(&self.corners, closest_shares(&self.corners, point)) - point).norm_squared()
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
    /// A tree over all triangles.
    pub fn new(surface: &Surface) -> Self {
        Self::of(surface, 0..surface.triangles.len())
    }

    /// A tree over some triangles, by number.
    pub fn of(surface: &Surface, triangles: impl IntoIterator<Item = usize>) -> Self {
        let mut triangles: Vec<Triangle> = triangles
            .into_iter()
            .map(|number| Triangle {
                corners: surface.triangles[number].map(|v| surface.point(v as usize)),
                number,
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

    /// The place on the surface closest to a point; `None` without triangles. Of equals the first in the
    /// order of the tree, which is always the same.
    pub fn closest(&self, point: Point3<f64>) -> Option<Closest> {
        if self.triangles.is_empty() {
            return None;
        }
        let (triangle, _) = self.tree.nearest_to(point, &self.triangles)?;
        let shares = closest_shares(&triangle.corners, point);
        let place = place_of(&triangle.corners, shares);
        Some(Closest {
            triangle: triangle.number,
            shares,
            place,
            distance: (place - point).norm(),
        })
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

fn place_of([a, b, c]: &[Point3<f64>; 3], [u, v, w]: [f64; 3]) -> Point3<f64> {
    Point3::from(a.coords * u + b.coords * v + c.coords * w)
}

/// The shares of the corners at the place of a triangle closest to a point. A triangle without area
/// gives a place on one of its edges, not always the closest.
fn closest_shares([a, b, c]: &[Point3<f64>; 3], point: Point3<f64>) -> [f64; 3] {
    let (ab, ac, ap) = (b - a, c - a, point - a);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return [1.0, 0.0, 0.0];
    }
    let bp = point - b;
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    if d3 >= 0.0 && d4 <= d3 {
        return [0.0, 1.0, 0.0];
    }
    let cp = point - c;
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    if d6 >= 0.0 && d5 <= d6 {
        return [0.0, 0.0, 1.0];
    }
    let over_c = d1 * d4 - d3 * d2;
    if over_c <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let t = d1 / (d1 - d3);
        return [1.0 - t, t, 0.0];
    }
    let over_b = d5 * d2 - d1 * d6;
    if over_b <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let t = d2 / (d2 - d6);
        return [1.0 - t, 0.0, t];
    }
    let over_a = d3 * d6 - d5 * d4;
    if over_a <= 0.0 && d4 >= d3 && d5 >= d6 {
        let t = (d4 - d3) / ((d4 - d3) + (d5 - d6));
        return [0.0, 1.0 - t, t];
    }
    let all = over_a + over_b + over_c;
    let (v, w) = (over_b / all, over_c / all);
    [1.0 - v - w, v, w]
}
