//! Rays against the surface, and its closest points: what is in sight, what is inside, what lies beneath.
//!
//! Two-sided ray and triangle after Möller & Trumbore 1997, *Fast, minimum storage ray/triangle
//! intersection*; closest point after Ericson 2005, *Real-Time Collision Detection*, §5.1.5.

use bvh::aabb::{Aabb, Bounded, IntersectsAabb};
use bvh::bounding_hierarchy::BHShape;
use bvh::bvh::{Bvh, BvhNode};
use bvh::point_query::PointDistance;
use nalgebra::{Point3, Vector3};

use super::Surface;

/// A tree over the triangles of a surface.
pub struct Sight {
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
pub struct Closest {
    /// The triangle, by its number on the surface.
    pub triangle: usize,
    /// How much each of its corners counts: not negative, together one.
    pub shares: [f64; 3],
    /// Where it is.
    pub place: Point3<f64>,
    /// How far from the point.
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

    /// The place closest to a point among those no farther than `reach` that a condition holds for; it gets the
    /// triangle's number and the shares of its corners. Of equals the one with the lowest number.
    pub fn closest_where(
        &self,
        point: Point3<f64>,
        reach: f64,
        holds: impl Fn(usize, [f64; 3]) -> bool,
    ) -> Option<Closest> {
        let mut best: Option<Closest> = None;
        let mut open = vec![(0.0, 0)];
        while let Some((square, node)) = open.pop() {
            let bound = best.map_or(reach, |best| best.distance);
            if self.triangles.is_empty() || square > bound * bound {
                continue;
            }
            match self.tree.nodes[node] {
                BvhNode::Leaf { shape_index, .. } => {
                    let triangle = &self.triangles[shape_index];
                    let shares = closest_shares(&triangle.corners, point);
                    let place = place_of(&triangle.corners, shares);
                    let distance = (place - point).norm();
                    let is_closer = distance < bound
                        || distance == bound && best.is_none_or(|b| triangle.number < b.triangle);
                    if is_closer && holds(triangle.number, shares) {
                        best = Some(Closest {
                            triangle: triangle.number,
                            shares,
                            place,
                            distance,
                        });
                    }
                }
                BvhNode::Node {
                    child_l_index,
                    ref child_l_aabb,
                    child_r_index,
                    ref child_r_aabb,
                    ..
                } => {
                    let mut sides = [(child_l_aabb, child_l_index), (child_r_aabb, child_r_index)]
                        .map(|(bounds, child)| (bounds.min_distance_squared(point), child));
                    // The nearer one is looked at first: it lies on top.
                    sides.sort_by(|a, b| b.0.total_cmp(&a.0));
                    open.extend(sides);
                }
            }
        }
        best
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

#[cfg(test)]
mod tests {
    //! Against a general library for geometry, parry3d: rays, closest points, what is inside.

    use parry3d_f64::math::Vector;
    use parry3d_f64::query::{PointQuery, Ray, RayCast};
    use parry3d_f64::shape::TriMesh;

    use super::*;

    /// A bumpy closed surface: a sphere of rings whose radius varies.
    fn bumpy() -> Surface {
        let (rings, sides) = (24, 36);
        let mut positions = vec![[0.0f32, 0.0, 1.3]];
        let mut triangles = Vec::new();
        for r in 1..rings {
            let down = std::f64::consts::PI * f64::from(r) / f64::from(rings);
            for s in 0..sides {
                let round = std::f64::consts::TAU * f64::from(s) / f64::from(sides);
                let radius = 1.0 + 0.3 * (3.0 * round).cos() * down.sin();
                let p = [
                    radius * down.sin() * round.cos(),
                    radius * down.sin() * round.sin(),
                    1.3 * down.cos(),
                ];
                positions.push(p.map(|x| x as f32));
            }
        }
        positions.push([0.0, 0.0, -1.3]);
        let at = |r: u32, s: u32| 1 + (r - 1) * 36 + s % 36;
        let last = positions.len() as u32 - 1;
        for s in 0..36 {
            triangles.push([0, at(1, s), at(1, s + 1)]);
            triangles.push([last, at(23, s + 1), at(23, s)]);
            for r in 1..23 {
                triangles.push([at(r, s), at(r + 1, s), at(r + 1, s + 1)]);
                triangles.push([at(r, s), at(r + 1, s + 1), at(r, s + 1)]);
            }
        }
        Surface::weld(&positions, &triangles)
    }

    #[test]
    fn rays_and_closest_points_agree_with_a_general_library() {
        let surface = bumpy();
        let sight = Sight::new(&surface);
        let vertices = surface.positions.iter().map(|p| {
            let [x, y, z] = p.map(f64::from);
            Vector::new(x, y, z)
        });
        let mesh = TriMesh::new(vertices.collect(), surface.triangles.clone()).expect("a mesh");
        let (mut hits, mut blocked, mut inside) = (0, 0, 0);
        // Additive recurrence (Roberts 2018): spread evenly, the same each time.
        let number = |k: usize, a: f64| (0.5 + a * k as f64).fract();
        for k in 0..2000 {
            let spot = |shift: f64| {
                [0.754_877, 0.569_840, 0.819_173].map(|a| 4.0 * number(k, a + shift) - 2.0)
            };
            let (from, to) = (spot(0.0), spot(0.131_7));
            let way = Vector3::from(to) - Vector3::from(from);
            let ray = Ray::new(
                Vector::new(from[0], from[1], from[2]),
                Vector::new(way.x, way.y, way.z),
            );
            let theirs = mesh.cast_local_ray(&ray, 1.0, false);
            let ours = sight.crossings(Point3::from(from), way).first().copied();
            assert_eq!(theirs.is_some(), ours.is_some(), "segment {k}");
            if let (Some(theirs), Some(ours)) = (theirs, ours) {
                // Both in f64, along segments of a few units.
                assert!((theirs - ours).abs() < 1e-9, "segment {k}: {theirs} {ours}");
                hits += 1;
            }
            let is_blocked = theirs.is_some_and(|share| share < 0.999);
            assert_eq!(
                sight.blocked(Point3::from(from), Point3::from(to)),
                is_blocked
            );
            blocked += usize::from(is_blocked);
            let point = Vector::new(from[0], from[1], from[2]);
            let projected = mesh.project_local_point(point, false);
            let closest = sight.closest(Point3::from(from)).expect("a surface");
            let distance = (projected.point - point).length();
            assert!((distance - closest.distance).abs() < 1e-9, "point {k}");
            let again = sight.closest_where(Point3::from(from), 9.0, |_, _| true);
            assert_eq!(again.expect("a surface").distance, closest.distance);
            let nearer = closest.distance * 0.999;
            assert_eq!(
                sight.closest_where(Point3::from(from), nearer, |_, _| true),
                None
            );
            // Every other triangle alone: the nearest of those, one by one.
            let odd = |number: usize, _| number % 2 == 1;
            let found = sight
                .closest_where(Point3::from(from), 9.0, odd)
                .expect("half of it");
            let all = sight.triangles.iter().filter(|t| t.number % 2 == 1);
            let least = all.map(|t| t.distance_squared(Point3::from(from)).sqrt());
            let least = least.fold(f64::INFINITY, f64::min);
            assert!((found.distance - least).abs() < 1e-12, "point {k}");
            // Inside: the radial height of the formula, away from the skin by more than a facet's sagitta.
            let flat = from[0].hypot(from[1]);
            let down = (flat / 1.0).atan2(from[2] / 1.3);
            let round = from[1].atan2(from[0]);
            let radius = 1.0 + 0.3 * (3.0 * round).cos() * down.sin();
            let share = (flat / radius).hypot(from[2] / 1.3);
            if (share - 1.0).abs() > 0.15 {
                assert_eq!(sight.inside(Point3::from(from)), share < 1.0, "point {k}");
                inside += usize::from(share < 1.0);
            }
        }
        assert!(
            hits > 200 && blocked > 200 && inside > 50,
            "{hits} {blocked} {inside}"
        );
    }
}
