//! Left and right: the plane that a character is symmetric about, and which vertices and joints are each
//! other's mirror image. From geometry alone; names are only compared with it.
//!
//! **Plane.** It cuts one axis at a right angle. Vertices that share the other two coordinates vote for
//! the middle between them, the densest window of votes wins (a one-dimensional form of the voting in
//! Mitra, Guibas, Pauly 2006, *Partial and approximate symmetry detection for 3D geometry*); the largest
//! piece, all vertices and the joints each name a plane, and the one that pairs most is kept.
//!
//! **Vertices.** Two are partners if each is the vertex nearest to the other's mirror image, within a
//! tolerance: so pairs are one to one. A vertex that is nearest to its own image lies on the plane and is
//! its own partner.
//!
//! **Joints.** By their origins, and where several share one place by what hangs from them and from what
//! they hang; a name decides only between joints that geometry cannot tell apart.
//!
//! **Limits.** Planes are those of an axis of mesh space; a body that is posed unevenly in bind has none.
//! Of more than [`MOST_IN_CELL`] points that crowd one small cell the first are looked at.
//!
//! **Degenerate.** Nothing that is flat on the plane counts as symmetric: there must be a pair of vertices
//! off it, and for a plane that was not asked for also a pair of joints, without which there is no left and
//! right.

use std::collections::HashMap;

use rayon::prelude::*;

use super::surface::trimmed_diagonal;
use super::{JointId, Skeleton, Surface};

/// An axis of mesh space.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Axis {
    /// Left and right of most characters.
    X,
    /// The second.
    Y,
    /// The third.
    Z,
}

impl Axis {
    const ALL: [Self; 3] = [Self::X, Self::Y, Self::Z];

    /// Its name in recipes and reports.
    pub fn name(self) -> &'static str {
        ["x", "y", "z"][self.index()]
    }

    /// Its place among the coordinates.
    pub fn index(self) -> usize {
        match self {
            Self::X => 0,
            Self::Y => 1,
            Self::Z => 2,
        }
    }
}

/// A plane of symmetry, with the partner of each vertex and joint.
#[derive(Clone, Debug, PartialEq)]
pub struct Mirror {
    /// The axis that the plane cuts at a right angle.
    pub axis: Axis,
    /// Where it does, in mesh space.
    pub at: f64,
    /// For each welded vertex its partner: itself on the plane, `u32::MAX` where there is none.
    pub vertices: Vec<u32>,
    /// For each joint its partner: itself on the plane, `None` where there is none.
    pub joints: Vec<Option<JointId>>,
    /// Joints whose names pair them with another joint than geometry does, in rising order.
    pub misnamed: Vec<JointId>,
}

/// A vertex may lie this far from its partner's mirror image, as a share of the size of the middle nine
/// tenths of all vertices: a thousand f32 roundings of a coordinate, for bodies that were moved and scaled
/// after they were mirrored; a few times below the shortest edges of dense faces.
pub const MIRROR_TOLERANCE: f64 = 1e-4;

/// The same for the origins of joints: ten times as far, since many are placed by hand. Joints closer
/// together than this are told apart by hierarchy.
const JOINT_TOLERANCE: f64 = 1e-3;

/// Of the largest piece at least this share must have partners before a plane is taken that nobody asked
/// for: gear and hair may be one-sided, a body that mostly is has no plane.
const LEAST_SHARE: f64 = 0.5;

/// Points of one cell that are looked at: far more than a mesh has within a thousandth of its size, few
/// enough that no file can make a search slow.
const MOST_IN_CELL: usize = 256;

impl Mirror {
    /// Takes a vertex and its partner apart.
    pub fn part(&mut self, vertex: usize) {
        if let Some(partner) = self.vertex(vertex) {
            self.vertices[partner] = u32::MAX;
            self.vertices[vertex] = u32::MAX;
        }
    }

    /// The plane of symmetry across an axis, whatever share of vertices has partners; without an axis the
    /// best of all three, if it is good enough. `None` if nothing is symmetric.
    pub fn find(skeleton: &Skeleton, surface: &Surface, axis: Option<Axis>) -> Option<Self> {
        let size = trimmed_diagonal(&surface.positions);
        if size <= 0.0 {
            return None;
        }
        let positions: Vec<[f64; 3]> = surface.positions.iter().map(|p| p.map(f64::from)).collect();
        let body = largest_piece(surface);
        let of_body: Vec<usize> = (0..positions.len())
            .filter(|&v| surface.piece_of[v] == body)
            .collect();
        let body: Vec<[f64; 3]> = of_body.iter().map(|&v| positions[v]).collect();
        let origins: Vec<[f64; 3]> = skeleton
            .ids()
            .map(|id| skeleton.origin(id).into())
            .collect();
        let vertices = Points::new(&positions, MIRROR_TOLERANCE * size);
        let joints = Points::new(&origins, JOINT_TOLERANCE * size);
        let axes = axis.map_or(Axis::ALL.to_vec(), |only| vec![only]);
        let mut best: Option<([usize; 3], Self)> = None;
        for across in axes {
            let mut planes: Vec<f64> = Vec::new();
            for (points, tolerance) in [
                (&body, vertices.tolerance),
                (&positions, vertices.tolerance),
                (&origins, joints.tolerance),
            ] {
                let plane = middle(points, across.index(), tolerance);
                planes.extend(plane.filter(|at| !planes.contains(at)));
            }
            for at in planes {
                let partners = vertices.partners(across.index(), at);
                let is_paired = |v: usize| partners[v] != u32::MAX;
                let is_apart = |v: usize| is_paired(v) && partners[v] as usize != v;
                let apart_in_body = of_body.iter().filter(|&&v| is_apart(v)).count();
                let apart = (0..partners.len()).filter(|&v| is_apart(v)).count();
                let paired_in_body = of_body.iter().filter(|&&v| is_paired(v)).count();
                let share = paired_in_body as f64 / of_body.len() as f64;
                let found = Self::with_joints(skeleton, &joints, across, at, partners);
                let joints_apart = found.joint_pairs().count();
                let is_enough = if axis.is_some() {
                    apart > 0
                } else {
                    share >= LEAST_SHARE && apart_in_body > 0 && joints_apart > 0
                };
                let score = [apart_in_body, apart, joints_apart];
                // Of equals the first axis, and the plane that the body names.
                if is_enough && best.as_ref().is_none_or(|(most, _)| score > *most) {
                    best = Some((score, found));
                }
            }
        }
        best.map(|(_, found)| found)
    }

    /// The partner of a vertex: itself on the plane, `None` where there is none.
    pub fn vertex(&self, vertex: usize) -> Option<usize> {
        let partner = self.vertices[vertex];
        (partner != u32::MAX).then_some(partner as usize)
    }

    /// The partner of a joint: itself on the plane, `None` where there is none.
    pub fn joint(&self, joint: JointId) -> Option<JointId> {
        self.joints[joint.index()]
    }

    /// Each pair of different joints once, the lower first.
    pub fn joint_pairs(&self) -> impl Iterator<Item = (JointId, JointId)> + '_ {
        self.joints.iter().enumerate().filter_map(|(j, partner)| {
            // Skeletons hold at most 65,536 joints.
            let joint = JointId(j as u16);
            partner
                .filter(|&partner| joint < partner)
                .map(|partner| (joint, partner))
        })
    }

    fn with_joints(
        skeleton: &Skeleton,
        origins: &Points,
        axis: Axis,
        at: f64,
        vertices: Vec<u32>,
    ) -> Self {
        let names: HashMap<&str, JointId> = skeleton
            .ids()
            .map(|id| (skeleton.joint(id).name.as_str(), id))
            .collect();
        // The joint that a name says is on the other side.
        let by_name: Vec<Option<JointId>> = skeleton
            .joints()
            .iter()
            .map(|joint| names.get(other_side(&joint.name)?.as_str()).copied())
            .collect();
        let joints = pair_joints(skeleton, origins, axis, at, &by_name);
        let misnamed = skeleton
            .ids()
            .filter(|id| {
                let (partner, named) = (joints[id.index()], by_name[id.index()]);
                partner.is_some() && named.is_some() && partner != named
            })
            .collect();
        Self {
            axis,
            at,
            vertices,
            joints,
            misnamed,
        }
    }
}

/// The piece with most vertices; the first of equals.
fn largest_piece(surface: &Surface) -> u32 {
    let mut counts = vec![0usize; surface.pieces];
    for &piece in &surface.piece_of {
        counts[piece as usize] += 1;
    }
    let most = counts.iter().copied().max().unwrap_or(0);
    counts.iter().position(|&count| count == most).unwrap_or(0) as u32
}

/// Where a plane across `axis` has most pairs of points on both sides: the median of the densest window of
/// middles between points that share the other two coordinates, within eight tolerances. `None` if there
/// are no such points.
fn middle(points: &[[f64; 3]], axis: usize, tolerance: f64) -> Option<f64> {
    let cell = |x: f64| (x / (8.0 * tolerance)).floor() as i64;
    let others = [(axis + 1) % 3, (axis + 2) % 3];
    let mut columns: Vec<([i64; 2], f64)> = points
        .iter()
        .map(|p| (others.map(|other| cell(p[other])), p[axis]))
        .collect();
    columns.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut middles: Vec<f64> = Vec::new();
    for column in columns.chunk_by(|a, b| a.0 == b.0) {
        // The outermost two, the next two, and so on: a column that is symmetric votes with one voice.
        for place in 0..column.len() / 2 {
            let (low, high) = (column[place].1, column[column.len() - 1 - place].1);
            middles.push((low + high) / 2.0);
        }
    }
    middles.sort_unstable_by(f64::total_cmp);
    let (mut first, mut densest) = (0, 0..0);
    for last in 0..middles.len() {
        while middles[last] - middles[first] > tolerance {
            first += 1;
        }
        if last + 1 - first > densest.len() {
            densest = first..last + 1;
        }
    }
    middles.get(densest.start + densest.len() / 2).copied()
}

/// Points in cells of space.
struct Points<'a> {
    points: &'a [[f64; 3]],
    tolerance: f64,
    /// The first point of each cell, and for each point the next one of its cell.
    first: HashMap<[i64; 3], u32, foldhash::fast::RandomState>,
    next: Vec<u32>,
}

impl<'a> Points<'a> {
    fn new(points: &'a [[f64; 3]], tolerance: f64) -> Self {
        let mut cells = Self {
            points,
            tolerance,
            first: HashMap::default(),
            next: vec![u32::MAX; points.len()],
        };
        // From the last, so that each cell begins with its first.
        for (v, p) in points.iter().enumerate().rev() {
            let cell = p.map(|x| cells.cell(x));
            if let Some(next) = cells.first.insert(cell, v as u32) {
                cells.next[v] = next;
            }
        }
        cells
    }

    /// Four tolerances wide: most searches need one cell.
    fn cell(&self, x: f64) -> i64 {
        (x / (4.0 * self.tolerance)).floor() as i64
    }

    /// The points within the tolerance of a place, with their squared distances.
    fn near(&self, place: [f64; 3], mut see: impl FnMut(usize, f64)) {
        let [xs, ys, zs] =
            place.map(|x| self.cell(x - self.tolerance)..=self.cell(x + self.tolerance));
        for x in xs {
            for y in ys.clone() {
                for z in zs.clone() {
                    let first = self.first.get(&[x, y, z]).copied();
                    let after = |&v: &u32| Some(self.next[v as usize]).filter(|&v| v != u32::MAX);
                    for v in std::iter::successors(first, after).take(MOST_IN_CELL) {
                        let p = self.points[v as usize];
                        let square: f64 = (0..3).map(|i| (p[i] - place[i]).powi(2)).sum();
                        if square <= self.tolerance * self.tolerance {
                            see(v as usize, square);
                        }
                    }
                }
            }
        }
    }

    /// For each point the one nearest to its mirror image, if that holds both ways; else `u32::MAX`. Of
    /// points equally near the first.
    fn partners(&self, axis: usize, at: f64) -> Vec<u32> {
        let nearest: Vec<u32> = self
            .points
            .par_iter()
            .map(|&p| {
                let mut best = (f64::INFINITY, u32::MAX);
                self.near(image(p, axis, at), |v, square| {
                    if (square, v as u32) < best {
                        best = (square, v as u32);
                    }
                });
                best.1
            })
            .collect();
        nearest
            .iter()
            .enumerate()
            .map(|(v, &partner)| match nearest.get(partner as usize) {
                Some(&back) if back as usize == v => partner,
                _ => u32::MAX,
            })
            .collect()
    }
}

/// The mirror image of a place.
fn image(mut place: [f64; 3], axis: usize, at: f64) -> [f64; 3] {
    place[axis] = 2.0 * at - place[axis];
    place
}

/// A joint that may be another's partner.
#[derive(Clone, Copy)]
struct Possible {
    joint: JointId,
    /// The distance from the mirror image, in tolerances of vertices.
    steps: u64,
    /// How many joints at and below the other one have a counterpart at and below this.
    alike: usize,
}

/// The partner of each joint. Among the joints at the place of the mirror image the first choice are those
/// that hang from the partner of the parent, then those with the most similar joints below, then the
/// nearest, then the one that the name says, then the joint itself, then the first.
fn pair_joints(
    skeleton: &Skeleton,
    origins: &Points,
    axis: Axis,
    at: f64,
    by_name: &[Option<JointId>],
) -> Vec<Option<JointId>> {
    let parent = |id: JointId| skeleton.joint(id).parent;
    // Differences below the tolerance of vertices are rounding.
    let step = origins.tolerance * MIRROR_TOLERANCE / JOINT_TOLERANCE;
    let mut possible: Vec<Vec<Possible>> = origins
        .points
        .iter()
        .map(|&p| {
            let mut list = Vec::new();
            origins.near(image(p, axis.index(), at), |joint, square| {
                list.push(Possible {
                    joint: JointId(joint as u16),
                    steps: (square.sqrt() / step) as u64,
                    alike: 1,
                });
            });
            list.sort_unstable_by_key(|possible| possible.joint);
            list
        })
        .collect();
    let mut below = vec![1usize; possible.len()];
    for &id in skeleton.parents_first().iter().rev() {
        let Some(above) = parent(id) else { continue };
        below[above.index()] += below[id.index()];
        // Under each joint that may be the parent's partner the best counterpart of this one.
        let mut best: Vec<(JointId, usize)> = possible[id.index()]
            .iter()
            .filter_map(|counterpart| Some((parent(counterpart.joint)?, counterpart.alike)))
            .collect();
        best.sort_unstable();
        for other in &mut possible[above.index()] {
            let end = best.partition_point(|entry| entry.0 <= other.joint);
            if let Some((_, alike)) = best[..end].last().filter(|entry| entry.0 == other.joint) {
                other.alike += alike;
            }
        }
    }
    let alike = |a: JointId, b: JointId| {
        let list = &possible[a.index()];
        list.binary_search_by_key(&b, |possible| possible.joint)
            .map_or(0, |place| list[place].alike)
    };
    let mut partners: Vec<Option<JointId>> = vec![None; possible.len()];
    // First those whose parents agree, lest another joint at the place takes their partner.
    for must_agree in [true, false] {
        for &id in skeleton.parents_first() {
            if partners[id.index()].is_some() {
                continue;
            }
            let agrees = |other: JointId| match (parent(id), parent(other)) {
                (None, None) => true,
                (Some(a), Some(b)) => partners[a.index()] == Some(b),
                _ => false,
            };
            let chosen = possible[id.index()]
                .iter()
                .filter(|other| partners[other.joint.index()].is_none())
                .filter(|other| !must_agree || agrees(other.joint))
                .min_by_key(|other| {
                    let joint = other.joint;
                    let alone = below[id.index()].saturating_sub(other.alike)
                        + below[joint.index()].saturating_sub(alike(joint, id));
                    let is_other_name = by_name[id.index()].is_some_and(|named| named != joint);
                    let of_equals = (is_other_name, joint != id, joint);
                    (!agrees(joint), alone, other.steps, of_equals)
                })
                .map(|other| other.joint);
            if let Some(other) = chosen {
                partners[id.index()] = Some(other);
                partners[other.index()] = Some(id);
            }
        }
    }
    partners
}

/// A name with its word for a side changed for the other one: `l` and `r`, `left` and `right`, as a word by
/// itself or set off by case; the last such word. `None` if there is none.
fn other_side(name: &str) -> Option<String> {
    const SIDES: [(&str, &str); 5] = [
        ("l", "r"),
        ("L", "R"),
        ("left", "right"),
        ("Left", "Right"),
        ("LEFT", "RIGHT"),
    ];
    let both_ways = || SIDES.into_iter().flat_map(|(a, b)| [(a, b), (b, a)]);
    words(name).into_iter().rev().find_map(|word| {
        let (_, other) = both_ways().find(|(side, _)| *side == &name[word.clone()])?;
        Some(format!(
            "{}{other}{}",
            &name[..word.start],
            &name[word.end..]
        ))
    })
}

/// Where the words of a name lie: runs of letters, cut before a capital that follows a small letter.
fn words(name: &str) -> Vec<std::ops::Range<usize>> {
    let mut words: Vec<std::ops::Range<usize>> = Vec::new();
    let mut before = ' ';
    for (place, letter) in name.char_indices() {
        if letter.is_alphabetic() {
            let goes_on =
                before.is_alphabetic() && !(before.is_lowercase() && letter.is_uppercase());
            match words.last_mut() {
                Some(word) if goes_on => word.end = place + letter.len_utf8(),
                _ => words.push(place..place + letter.len_utf8()),
            }
        }
        before = letter;
    }
    words
}

#[cfg(test)]
mod tests {
    use nalgebra::Translation3;

    use super::*;
    use crate::rig::JointSpec;

    /// Joints by name, parent and place; parents come first.
    fn skeleton(joints: &[(&str, Option<usize>, [f64; 3])]) -> Skeleton {
        let specs = joints
            .iter()
            .enumerate()
            .map(|(node, &(name, parent, [x, y, z]))| JointSpec {
                name: name.to_owned(),
                node,
                parent,
                inverse_bind: Translation3::new(-x, -y, -z).to_homogeneous(),
            })
            .collect();
        Skeleton::new(specs).expect("a tree of joints")
    }

    const ACROSS: usize = 7;
    const UP: usize = 6;

    /// A bent sheet, symmetric across x about `at` and about nothing else: vertex `ACROSS·j + i` is the
    /// image of `ACROSS·j + 6 − i`.
    fn sheet(at: f64) -> (Vec<[f64; 3]>, Vec<[u32; 3]>) {
        let mut positions = Vec::new();
        let mut triangles = Vec::new();
        for j in 0..UP {
            for i in 0..ACROSS {
                let (x, y) = (i as f64 - 3.0, j as f64);
                positions.push([
                    at + x * (1.0 + 0.1 * y),
                    y + 0.07 * y * y,
                    0.2 * x.abs() * (1.0 + y * y),
                ]);
                if i > 0 && j > 0 {
                    let v = (ACROSS * j + i) as u32;
                    let below = v - ACROSS as u32;
                    triangles.extend([[v, v - 1, below], [v - 1, below - 1, below]]);
                }
            }
        }
        (positions, triangles)
    }

    fn image_in_sheet(v: usize) -> usize {
        v - v % ACROSS + (ACROSS - 1 - v % ACROSS)
    }

    fn weld((positions, triangles): &(Vec<[f64; 3]>, Vec<[u32; 3]>)) -> Surface {
        let raw: Vec<[f32; 3]> = positions.iter().map(|p| p.map(|x| x as f32)).collect();
        let surface = Surface::weld(&raw, triangles);
        assert_eq!(surface.len(), raw.len(), "the shape has no copies");
        surface
    }

    /// A spine with an arm on each side of x = `at`.
    fn arms(at: f64) -> Skeleton {
        skeleton(&[
            ("spine", None, [at, 0.0, 0.0]),
            ("arm_l", Some(0), [at + 1.0, 3.0, 0.5]),
            ("arm_r", Some(0), [at - 1.0, 3.0, 0.5]),
        ])
    }

    const J0: JointId = JointId(0);
    const J1: JointId = JointId(1);
    const J2: JointId = JointId(2);
    const J3: JointId = JointId(3);
    const J4: JointId = JointId(4);

    #[test]
    fn off_centre_plane_is_found_across_any_axis_at_any_size() {
        for (turns, axis) in Axis::ALL.into_iter().enumerate() {
            for scale in [1e-3, 1.0, 1e3] {
                let at = 3.3;
                let place = |p: [f64; 3]| {
                    let mut p = p.map(|x| x * scale);
                    p.rotate_right(turns);
                    p
                };
                let (mut positions, triangles) = sheet(at);
                positions.iter_mut().for_each(|p| *p = place(*p));
                let surface = weld(&(positions, triangles));
                let skeleton = skeleton(&[
                    ("a", None, place([at, 0.0, 0.0])),
                    ("b", Some(0), place([at + 1.0, 3.0, 0.5])),
                    ("c", Some(0), place([at - 1.0, 3.0, 0.5])),
                ]);
                let mirror = Mirror::find(&skeleton, &surface, None).expect("a plane");
                assert_eq!(mirror.axis, axis);
                // f32 rounding of the positions.
                assert!((mirror.at / scale - at).abs() < 1e-6, "{}", mirror.at);
                for v in 0..surface.len() {
                    assert_eq!(mirror.vertex(v), Some(image_in_sheet(v)));
                }
                assert_eq!(mirror.joints, [Some(J0), Some(J2), Some(J1)]);
                assert!(mirror.misnamed.is_empty());
            }
        }
    }

    #[test]
    fn one_sided_gear_is_without_partner_and_moves_no_plane() {
        let mut shape = sheet(0.5);
        let body = shape.0.len();
        // A staff far out on one side, half as many vertices as the body.
        for i in 0..20 {
            let v = shape.0.len() as u32;
            shape.0.push([9.0, 0.5 * f64::from(i), f64::from(i % 2)]);
            if i > 1 {
                shape.1.push([v, v - 1, v - 2]);
            }
        }
        let mirror = Mirror::find(&arms(0.5), &weld(&shape), None).expect("a plane");
        assert!(mirror.axis == Axis::X && (mirror.at - 0.5).abs() < 1e-6);
        for v in 0..shape.0.len() {
            assert_eq!(mirror.vertex(v), (v < body).then(|| image_in_sheet(v)));
        }
    }

    #[test]
    fn mostly_uneven_body_has_a_plane_only_if_asked() {
        let mut shape = sheet(0.0);
        // Only the lowest two of six rows stay symmetric.
        for (v, p) in shape.0.iter_mut().enumerate().skip(2 * ACROSS) {
            p[2] += 0.01 * v as f64;
        }
        let surface = weld(&shape);
        assert_eq!(Mirror::find(&arms(0.0), &surface, None), None);
        let mirror = Mirror::find(&arms(0.0), &surface, Some(Axis::X)).expect("asked for");
        let pairs = (0..2 * ACROSS).filter(|&v| mirror.vertex(v) == Some(image_in_sheet(v)));
        assert_eq!(pairs.count(), 2 * ACROSS);
        assert_eq!(mirror.vertex(5 * ACROSS), None);
    }

    #[test]
    fn where_no_two_vertices_are_partners_there_is_no_plane() {
        let triangle = [[0.0, 0.0, 0.0], [1.0, 0.3, 0.2], [0.4, 1.0, 0.7]];
        let surface = weld(&(triangle.to_vec(), vec![[0, 1, 2]]));
        for axis in [None, Some(Axis::X), Some(Axis::Y), Some(Axis::Z)] {
            assert_eq!(Mirror::find(&arms(0.0), &surface, axis), None);
        }
    }

    #[test]
    fn without_a_pair_of_joints_there_is_no_left_and_right() {
        let spine = skeleton(&[("a", None, [0.0; 3]), ("b", Some(0), [0.0, 2.0, 0.0])]);
        let surface = weld(&sheet(0.0));
        assert_eq!(Mirror::find(&spine, &surface, None), None);
        let mirror = Mirror::find(&spine, &surface, Some(Axis::X)).expect("asked for");
        assert_eq!(mirror.joints, [Some(J0), Some(J1)]);
    }

    #[test]
    fn flat_sheet_is_not_its_own_mirror_image() {
        let mut shape = sheet(0.0);
        shape.0.iter_mut().for_each(|p| p[2] = 0.0);
        let mirror = Mirror::find(&arms(0.0), &weld(&shape), None).expect("a plane");
        assert_eq!(mirror.axis, Axis::X);
        assert_eq!(Mirror::find(&arms(0.0), &weld(&shape), Some(Axis::Z)), None);
    }

    #[test]
    fn partners_lie_within_the_tolerance() {
        // Both ways, so that some stay in the cell of the image and some leave it.
        for tolerances in [
            0.0, 0.5, -0.5, 0.9, -0.9, 1.2, -1.2, 2.0, -2.0, 5.0, -5.0f64,
        ] {
            let mut shape = sheet(0.0);
            let size = trimmed_diagonal(&weld(&shape).positions);
            shape.0[ACROSS][1] += tolerances * MIRROR_TOLERANCE * size;
            let mirror = Mirror::find(&arms(0.0), &weld(&shape), None).expect("a plane");
            let (partner, is_paired) = (image_in_sheet(ACROSS), tolerances.abs() < 1.0);
            assert_eq!(mirror.vertex(ACROSS), is_paired.then_some(partner));
            assert_eq!(mirror.vertex(partner), is_paired.then_some(ACROSS));
        }
    }

    #[test]
    fn of_two_vertices_at_one_image_the_nearer_is_the_partner() {
        let mut shape = sheet(0.0);
        let size = trimmed_diagonal(&weld(&shape).positions);
        shape.0.push(shape.0[0]);
        let (farther, nearer, partner) = (0, shape.0.len() - 1, ACROSS - 1);
        shape.0[farther][1] += 0.3 * MIRROR_TOLERANCE * size;
        let mirror = Mirror::find(&arms(0.0), &weld(&shape), None).expect("a plane");
        assert_eq!(mirror.vertex(partner), Some(nearer));
        assert_eq!(mirror.vertex(nearer), Some(partner));
        assert_eq!(mirror.vertex(farther), None);
    }

    #[test]
    fn many_small_pieces_with_a_plane_of_their_own_do_not_outvote_the_body() {
        let mut shape = sheet(0.0);
        let body = shape.0.len();
        for i in 0..30 {
            let (y, z) = (0.3 * f64::from(i), 0.01 * f64::from(i * i));
            shape.0.extend([[8.0, y, z], [9.0, y, z]]);
        }
        // Arms that are too rough to name the plane of the body.
        let size = trimmed_diagonal(&weld(&shape).positions);
        let rough = 0.8 * JOINT_TOLERANCE * size;
        let skeleton = skeleton(&[
            ("spine", None, [0.0; 3]),
            ("arm_l", Some(0), [1.0 + rough, 3.0, 0.5]),
            ("arm_r", Some(0), [-1.0, 3.0, 0.5]),
        ]);
        let mirror = Mirror::find(&skeleton, &weld(&shape), None).expect("a plane");
        assert!(mirror.at.abs() < 1e-6, "{}", mirror.at);
        assert_eq!(mirror.joints, [J0, J2, J1].map(Some));
        assert!((0..body).all(|v| mirror.vertex(v) == Some(image_in_sheet(v))));
        assert!((body..shape.0.len()).all(|v| mirror.vertex(v).is_none()));
    }

    #[test]
    fn joints_at_one_place_are_told_apart_by_hierarchy() {
        let (left, right) = ([1.0, 3.0, 0.0], [-1.0, 3.0, 0.0]);
        // On each side a joint with a hand below it and one without, in different orders; and two joints at
        // the root.
        let skeleton = skeleton(&[
            ("root", None, [0.0; 3]),
            ("hips", Some(0), [0.0; 3]),
            ("plain", Some(1), left),
            ("with_hand", Some(1), left),
            ("hand", Some(3), [2.0, 3.0, 0.0]),
            ("with_hand.", Some(1), right),
            ("plain.", Some(1), right),
            ("hand.", Some(5), [-2.0, 3.0, 0.0]),
        ]);
        let mirror = Mirror::find(&skeleton, &weld(&sheet(0.0)), None).expect("a plane");
        let partners = [0, 1, 6, 5, 7, 3, 2, 4].map(|j| Some(JointId(j)));
        assert_eq!(mirror.joints, partners);
    }

    #[test]
    fn joints_on_the_plane_with_limbs_below_are_partners() {
        let skeleton = skeleton(&[
            ("spine", None, [0.0; 3]),
            ("collar_a", Some(0), [0.0, 4.0, 0.0]),
            ("collar_b", Some(0), [0.0, 4.0, 0.0]),
            ("arm_a", Some(1), [1.0, 4.0, 0.0]),
            ("arm_b", Some(2), [-1.0, 4.0, 0.0]),
        ]);
        let mirror = Mirror::find(&skeleton, &weld(&sheet(0.0)), None).expect("a plane");
        let partners = [J0, J2, J1, J4, J3].map(Some);
        assert_eq!(mirror.joints, partners);
    }

    #[test]
    fn names_decide_only_where_geometry_cannot() {
        let (left, right) = ([1.0, 3.0, 0.0], [-1.0, 3.0, 0.0]);
        let skeleton = skeleton(&[
            ("spine", None, [0.0; 3]),
            ("one_l", Some(0), left),
            ("two_l", Some(0), left),
            ("two_r", Some(0), right),
            ("one_r", Some(0), right),
        ]);
        let mirror = Mirror::find(&skeleton, &weld(&sheet(0.0)), None).expect("a plane");
        assert_eq!(mirror.joints, [J0, J4, J3, J2, J1].map(Some));
        assert!(mirror.misnamed.is_empty());
    }

    #[test]
    fn names_that_disagree_are_reported_and_not_followed() {
        let skeleton = skeleton(&[
            ("spine", None, [0.0; 3]),
            ("arm_l", Some(0), [1.0, 3.0, 0.0]),
            ("leg_r", Some(0), [-1.0, 3.0, 0.0]),
            ("leg_l", Some(0), [1.0, 1.0, 0.0]),
            ("arm_r", Some(0), [-1.0, 1.0, 0.0]),
            ("sword_r", Some(4), [-3.0, 1.0, 0.0]),
        ]);
        let mirror = Mirror::find(&skeleton, &weld(&sheet(0.0)), None).expect("a plane");
        assert_eq!(mirror.joints[..5], [J0, J2, J1, J4, J3].map(Some));
        assert_eq!(mirror.joints[5], None);
        assert_eq!(mirror.misnamed, [J1, J2, J3, J4]);
        assert_eq!(
            mirror.joint_pairs().collect::<Vec<_>>(),
            [(J1, J2), (J3, J4)]
        );
    }

    #[test]
    fn sides_are_words_of_their_own() {
        for (name, other) in [
            ("arm_l", Some("arm_r")),
            ("R.leg", Some("L.leg")),
            ("LeftForeArm", Some("RightForeArm")),
            ("handR2", Some("handL2")),
            ("left hand", Some("right hand")),
            ("l_fin_r", Some("l_fin_l")),
            ("EYE-LEFT", Some("EYE-RIGHT")),
            ("tail", None),
            ("rail_rl", None),
            ("bright", None),
            ("", None),
        ] {
            assert_eq!(other_side(name).as_deref(), other, "{name}");
        }
    }
}
