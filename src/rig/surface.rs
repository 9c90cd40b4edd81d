//! The welded surface of a skin: vertices by position, triangles, one-rings and pieces.
//!
//! glTF splits vertices at UV seams, hard normals and material borders. Smoothing must not see those
//! splits, so copies at one position are welded; results go back to every copy.

use std::hash::BuildHasher;

use nalgebra::{Point3, Vector3};
use rayon::prelude::*;

use super::Near;

/// The neighbours of every vertex, one list after the other, each in rising order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rings {
    starts: Vec<u32>,
    neighbours: Vec<u32>,
}

impl Rings {
    /// Builds rings along the edges of triangles; tells for each vertex whether an edge with other than
    /// two triangles touches it.
    fn of_triangles(vertices: usize, triangles: &[[u32; 3]]) -> (Self, Vec<bool>) {
        let mut starts = vec![0u32; vertices + 1];
        for &v in triangles.as_flattened() {
            starts[v as usize + 1] += 1;
        }
        for v in 0..vertices {
            starts[v + 1] += starts[v];
        }
        let mut cursor = starts.clone();
        let mut around = vec![[0u32; 2]; 3 * triangles.len()];
        for &[a, b, c] in triangles {
            for (v, others) in [(a, [b, c]), (b, [c, a]), (c, [a, b])] {
                around[cursor[v as usize] as usize] = others;
                cursor[v as usize] += 1;
            }
        }
        // Each vertex in turn goes to the ends of its neighbours' lists, once for each triangle at the
        // edge between them: so the lists rise without a sort, and copies stand together.
        let mut wide = vec![0u32; 2 * around.len()];
        let mut ends: Vec<End> = starts[..vertices]
            .iter()
            .map(|&start| End::at(2 * start))
            .collect();
        for v in 0..vertices {
            for &n in around[starts[v] as usize..starts[v + 1] as usize].as_flattened() {
                let end = &mut ends[n as usize];
                // There is room: two for each triangle of `n`.
                wide[end.place as usize] = v as u32;
                end.put(v as u32);
            }
        }
        let entries = |v: usize| 2 * starts[v] as usize..ends[v].place as usize;
        let mut rings = Self {
            starts: Vec::with_capacity(vertices + 1),
            neighbours: Vec::with_capacity((0..vertices).map(|v| entries(v).len()).sum()),
        };
        rings.starts.push(0);
        for v in 0..vertices {
            rings.neighbours.extend_from_slice(&wide[entries(v)]);
            rings.starts.push(rings.neighbours.len() as u32);
        }
        let border = ends.iter().map(End::is_border).collect();
        (rings, border)
    }

    /// The same with more edges, each given once.
    fn with(&self, edges: &[[u32; 2]]) -> Self {
        let mut more: Vec<[u32; 2]> = edges.iter().flat_map(|&[a, b]| [[a, b], [b, a]]).collect();
        more.sort_unstable();
        let mut rings = Self {
            starts: vec![0],
            neighbours: Vec::with_capacity(self.neighbours.len() + more.len()),
        };
        let mut next = more.iter().peekable();
        for v in 0..self.len() {
            let begin = rings.neighbours.len();
            rings.neighbours.extend_from_slice(self.of(v));
            while let Some([_, n]) = next.next_if(|edge| edge[0] as usize == v) {
                rings.neighbours.push(*n);
            }
            rings.neighbours[begin..].sort_unstable();
            rings.starts.push(rings.neighbours.len() as u32);
        }
        rings
    }

    /// The number of vertices.
    pub fn len(&self) -> usize {
        self.starts.len().saturating_sub(1)
    }

    /// Whether there are no vertices.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The neighbours of a vertex, in rising order.
    pub fn of(&self, vertex: usize) -> &[u32] {
        &self.neighbours[self.starts[vertex] as usize..self.starts[vertex + 1] as usize]
    }

    /// Every undirected edge once, the lower vertex first.
    pub fn edges(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        (0..self.len()).flat_map(move |v| {
            self.of(v)
                .iter()
                .map(|&n| n as usize)
                .filter(move |&n| n > v)
                .map(move |n| (v, n))
        })
    }

    /// The rings of a list of vertices. `local` maps a vertex to its place in the list, or to
    /// `u32::MAX`; neighbours outside the list are dropped.
    pub fn restrict(&self, vertices: &[u32], local: &[u32]) -> Self {
        let mut rings = Self {
            starts: vec![0],
            neighbours: Vec::new(),
        };
        for &v in vertices {
            let inside = self.of(v as usize).iter().map(|&n| local[n as usize]);
            rings.neighbours.extend(inside.filter(|&n| n != u32::MAX));
            rings.starts.push(rings.neighbours.len() as u32);
        }
        rings
    }

    /// Goes one ring farther: appends the neighbours of `vertices[begin..]` that are new.
    pub fn reach_from(
        &self,
        vertices: &mut Vec<u32>,
        begin: usize,
        mut is_new: impl FnMut(u32) -> bool,
    ) {
        for place in begin..vertices.len() {
            let ring = self.of(vertices[place] as usize).iter().copied();
            vertices.extend(ring.filter(|&n| is_new(n)));
        }
    }

    /// Entries in all lists together: twice the number of edges.
    pub fn entries(&self) -> usize {
        self.neighbours.len()
    }
}

/// The end of a list of neighbours in the making.
struct End {
    /// Where the next neighbour goes.
    place: u32,
    /// The last one so far, and the number of triangles at the edge to it.
    last: u32,
    triangles: u32,
    /// Whether an edge before that one has other than two.
    border: bool,
}

impl End {
    /// The end of an empty list.
    fn at(place: u32) -> Self {
        Self {
            place,
            last: u32::MAX,
            triangles: 2,
            border: false,
        }
    }

    /// Counts a triangle at the edge to `v`. Without a branch: processors would guess it wrong every
    /// other time.
    fn put(&mut self, v: u32) {
        let is_new = self.last != v;
        self.border |= is_new & (self.triangles != 2);
        self.place += u32::from(is_new);
        self.triangles = if is_new { 1 } else { self.triangles + 1 };
        self.last = v;
    }

    fn is_border(&self) -> bool {
        self.border || self.triangles != 2
    }
}

/// The raw vertices of each welded one, in the order of the file.
#[derive(Clone, Debug)]
pub struct Copies {
    starts: Vec<u32>,
    raw: Vec<u32>,
}

impl Copies {
    /// Those of one welded vertex; at least one.
    pub fn of(&self, vertex: usize) -> &[u32] {
        &self.raw[self.starts[vertex] as usize..self.starts[vertex + 1] as usize]
    }
}

/// A triangle mesh in bind pose, welded by position.
#[derive(Clone, Debug)]
pub struct Surface {
    /// Bind positions of the welded vertices, in scene units of the mesh space.
    pub positions: Vec<[f32; 3]>,
    /// Triangles between welded vertices; those that collapse in welding are left out.
    pub triangles: Vec<[u32; 3]>,
    /// One-rings along triangle edges.
    pub rings: Rings,
    /// For each raw vertex, its welded vertex.
    pub welded: Vec<u32>,
    /// For each welded vertex, the connected piece it belongs to, numbered by first vertex.
    pub piece_of: Vec<u32>,
    /// For each welded vertex, whether an edge with other than two triangles touches it.
    pub border: Vec<bool>,
    /// A third of the area of the triangles around each welded vertex.
    pub areas: Vec<f64>,
    /// The number of connected pieces; a vertex without triangles is one of its own.
    pub pieces: usize,
    /// The lowest and the highest corner of the bind bounding box.
    bounds: [[f32; 3]; 2],
}

/// Copies of a vertex are welded if they lie within this share of the size of the middle nine tenths of
/// all vertices: a few times the f32 rounding of a coordinate, far below any modelled feature, and not
/// misled by a stray vertex far away.
pub const WELD_TOLERANCE: f64 = 1e-6;

impl Surface {
    /// Welds raw vertices and triangles into a surface.
    ///
    /// Positions must be finite and triangle corners within range (the asset room checks both).
    pub fn weld(raw: &[[f32; 3]], raw_triangles: &[[u32; 3]]) -> Self {
        let (welded, positions) = weld_positions(raw, WELD_TOLERANCE * trimmed_diagonal(raw));
        let triangles: Vec<[u32; 3]> = raw_triangles
            .iter()
            .map(|corners| corners.map(|c| welded[c as usize]))
            .filter(|[a, b, c]| a != b && b != c && c != a)
            .collect();
        let ((rings, border), ((piece_of, pieces), areas, bounds)) = rayon::join(
            || Rings::of_triangles(positions.len(), &triangles),
            || {
                (
                    pieces(positions.len(), &triangles),
                    areas(&positions, &triangles),
                    bounds(&positions, &triangles),
                )
            },
        );
        Self {
            positions,
            triangles,
            rings,
            welded,
            piece_of,
            border,
            areas,
            pieces,
            bounds,
        }
    }

    /// The same surface elsewhere: `positions` has one for each welded vertex.
    pub fn moved(&self, positions: Vec<[f32; 3]>) -> Self {
        let mut moved = self.clone();
        moved.areas = areas(&positions, &self.triangles);
        moved.bounds = bounds(&positions, &self.triangles);
        moved.positions = positions;
        moved
    }

    /// The same with bridges: edges without triangles between vertices of different pieces that are at most
    /// `reach` apart. Only pieces for which `joins` says so. A vertex gets one to each other piece: to the
    /// nearest vertex there, the lowest of equals.
    pub fn bridged(&self, reach: f64, joins: &[bool]) -> Self {
        let joins = |v: u32| joins[self.piece_of[v as usize] as usize];
        let members = (0..self.len() as u32).filter(|&v| joins(v));
        let near = Near::new(&self.positions, members.clone(), reach);
        let mut edges: Vec<[u32; 2]> = Vec::new();
        for v in members {
            let mut others: Vec<(u32, f64, u32)> = near
                .within(&self.positions, self.positions[v as usize])
                .map(|(n, squared)| (self.piece_of[n as usize], squared, n))
                .filter(|other| other.0 != self.piece_of[v as usize])
                .collect();
            others.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.2.cmp(&b.2)));
            others.dedup_by_key(|other| other.0);
            edges.extend(others.iter().map(|&(_, _, n)| [v.min(n), v.max(n)]));
        }
        edges.sort_unstable();
        edges.dedup();
        Self {
            rings: self.rings.with(&edges),
            ..self.clone()
        }
    }

    /// For each corner of each triangle half its cotangent, with the edge that it faces: the stiffness of linear
    /// elements (Pinkall & Polthier 1993, *Computing discrete minimal surfaces and their conjugates*). A corner without
    /// area has 0.
    pub fn half_cotangents(&self) -> impl Iterator<Item = (usize, usize, f64)> + '_ {
        let place = |v: u32| self.point(v as usize);
        self.triangles.iter().flat_map(move |corners| {
            (0..3).map(move |k| {
                let [apex, a, b] = [corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]];
                let (to_a, to_b) = (place(a) - place(apex), place(b) - place(apex));
                let sine = to_a.cross(&to_b).norm();
                let cotangent = if sine > 0.0 {
                    to_a.dot(&to_b) / sine
                } else {
                    0.0
                };
                (a as usize, b as usize, cotangent / 2.0)
            })
        })
    }

    /// The normal at each vertex, of length one: the mean of its triangles', by their areas. Zero where that is
    /// none.
    pub fn normals(&self) -> Vec<Vector3<f64>> {
        let mut normals = vec![Vector3::zeros(); self.len()];
        for corners in &self.triangles {
            let [a, b, c] = corners.map(|v| self.point(v as usize));
            let twice = (b - a).cross(&(c - a));
            corners.iter().for_each(|&v| normals[v as usize] += twice);
        }
        for normal in &mut normals {
            *normal = normal.try_normalize(0.0).unwrap_or_else(Vector3::zeros);
        }
        normals
    }

    /// Vertices nearer than this are welded, in scene units of the mesh space.
    pub fn weld_tolerance(&self) -> f64 {
        WELD_TOLERANCE * trimmed_diagonal(&self.positions)
    }

    /// The number of welded vertices.
    pub fn len(&self) -> usize {
        self.positions.len()
    }

    /// Whether there are no vertices.
    pub fn is_empty(&self) -> bool {
        self.positions.is_empty()
    }

    /// The bind position of a vertex, in f64.
    pub fn point(&self, vertex: usize) -> Point3<f64> {
        Point3::from(self.positions[vertex].map(f64::from))
    }

    /// The raw vertices of each welded one.
    pub fn copies(&self) -> Copies {
        let mut starts = vec![0u32; self.len() + 1];
        for &v in &self.welded {
            starts[v as usize + 1] += 1;
        }
        for v in 0..self.len() {
            starts[v + 1] += starts[v];
        }
        let mut next = starts.clone();
        let mut raw = vec![0u32; self.welded.len()];
        for (r, &v) in self.welded.iter().enumerate() {
            raw[next[v as usize] as usize] = r as u32;
            next[v as usize] += 1;
        }
        Copies { starts, raw }
    }

    /// The lowest and the highest corner of that box of the bind positions.
    pub fn bounds(&self) -> [[f32; 3]; 2] {
        self.bounds
    }

    /// The diagonal of the bind bounding box, in scene units of the mesh space: the size that errors
    /// are a percentage of. Vertices without triangles do not count, unless there are no others.
    pub fn diagonal(&self) -> f64 {
        let [low, high] = self.bounds;
        (0..3)
            .map(|i| (f64::from(high[i]) - f64::from(low[i])).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    /// The centre of that box.
    pub fn centre(&self) -> [f64; 3] {
        let [low, high] = self.bounds;
        std::array::from_fn(|i| (f64::from(low[i]) + f64::from(high[i])) / 2.0)
    }

    /// The root mean square edge length; 0 without edges.
    pub fn edge_length(&self) -> f64 {
        let (mut sum, mut count) = (0.0, 0usize);
        for (a, b) in self.rings.edges() {
            let (p, q) = (self.positions[a], self.positions[b]);
            sum += (0..3)
                .map(|i| (f64::from(p[i]) - f64::from(q[i])).powi(2))
                .sum::<f64>();
            count += 1;
        }
        if count == 0 {
            0.0
        } else {
            (sum / count as f64).sqrt()
        }
    }
}

/// The box of the vertices that triangles use, of all where there are no triangles.
fn bounds(positions: &[[f32; 3]], triangles: &[[u32; 3]]) -> [[f32; 3]; 2] {
    let around = |[low, high]: [[f32; 3]; 2], p: &[f32; 3]| {
        [
            std::array::from_fn(|i| low[i].min(p[i])),
            std::array::from_fn(|i| high[i].max(p[i])),
        ]
    };
    let nothing = [[f32::INFINITY; 3], [f32::NEG_INFINITY; 3]];
    if positions.is_empty() {
        [[0.0; 3]; 2]
    } else if triangles.is_empty() {
        positions.iter().fold(nothing, around)
    } else {
        let drawn = triangles.as_flattened().iter();
        drawn.map(|&v| &positions[v as usize]).fold(nothing, around)
    }
}

/// The diagonal of the box that holds the middle nine tenths of all coordinates along each axis.
pub(super) fn trimmed_diagonal(positions: &[[f32; 3]]) -> f64 {
    if positions.is_empty() {
        return 0.0;
    }
    let span = |axis: usize| {
        let mut along: Vec<f32> = positions.iter().map(|p| p[axis]).collect();
        let cut = along.len() / 20;
        let last = along.len() - 1 - cut;
        let high = *along.select_nth_unstable_by(last, f32::total_cmp).1;
        let low = *along.select_nth_unstable_by(cut, f32::total_cmp).1;
        f64::from(high) - f64::from(low)
    };
    let (x, (y, z)) = rayon::join(|| span(0), || rayon::join(|| span(1), || span(2)));
    [x, y, z].map(|span| span * span).iter().sum::<f64>().sqrt()
}

/// Groups positions that lie within `tolerance` of the first of their group, the lowest numbered group
/// first. Welded vertices are numbered by their first raw vertex, so the order is that of the file.
///
/// A hashed grid (Teschner and others, "Optimized Spatial Hashing", 2003): space is cut into cells, and
/// those are hashed into lists. Lists may mix cells, since the distance alone decides: the cells, and the
/// seed of the hash, only decide how long it takes.
fn weld_positions(raw: &[[f32; 3]], tolerance: f64) -> (Vec<u32>, Vec<[f32; 3]>) {
    // Wide enough that most vertices need to look into their own cell only, narrow enough that no file
    // can crowd one.
    let per_cell = 1.0 / (16.0 * tolerance).max(f64::MIN_POSITIVE);
    // A little farther than the tolerance: rounding must hide no match in the next cell.
    let reach = 1.001 * tolerance;
    // Towards zero, where cells are twice as wide: rounding down costs more.
    let cell_along = |x: f64| (x * per_cell) as i64;
    let near = |p: &[f32; 3], q: &[f32; 3]| {
        (0..3)
            .map(|i| (f64::from(p[i]) - f64::from(q[i])).powi(2))
            .sum::<f64>()
            <= tolerance * tolerance
    };
    // Seeded, so that no file can be made to fill one list.
    let hasher = foldhash::fast::RandomState::default();
    let mask = (2 * raw.len()).next_power_of_two() - 1;
    let list_of = |[x, y, z]: [i64; 3]| hasher.hash_one((x, y, z)) as usize & mask;
    let cells_of = |p: &[f32; 3]| {
        p.map(f64::from)
            .map(|x| cell_along(x - reach)..=cell_along(x + reach))
    };
    // The list that a vertex needs to look through, or `u32::MAX` if there are several.
    let only: Vec<u32> = raw
        .par_iter()
        .map(|p| {
            let cells = cells_of(p);
            let is_one = cells.iter().all(|along| along.start() == along.end());
            if is_one {
                list_of(cells.map(|along| *along.start())) as u32
            } else {
                u32::MAX
            }
        })
        .collect();
    // The newest vertex of each list, and for each vertex the one before it in its list.
    let mut newest = vec![u32::MAX; mask + 1];
    let mut older: Vec<u32> = Vec::with_capacity(raw.len());
    let mut positions: Vec<[f32; 3]> = Vec::with_capacity(raw.len());
    let mut welded = Vec::with_capacity(raw.len());
    for (p, &only) in raw.iter().zip(&only) {
        let mut found = u32::MAX;
        let mut look = |list: usize| {
            let mut v = newest[list];
            while v != u32::MAX {
                if near(p, &positions[v as usize]) {
                    found = found.min(v);
                }
                v = older[v as usize];
            }
        };
        if only == u32::MAX {
            let [xs, ys, zs] = cells_of(p);
            for x in xs {
                for y in ys.clone() {
                    for z in zs.clone() {
                        look(list_of([x, y, z]));
                    }
                }
            }
        } else {
            look(only as usize);
        }
        if found == u32::MAX {
            found = positions.len() as u32;
            positions.push(*p);
            let list = list_of(p.map(|x| cell_along(f64::from(x))));
            older.push(std::mem::replace(&mut newest[list], found));
        }
        welded.push(found);
    }
    (welded, positions)
}

/// Connected pieces, by joined sets: each set is a tree that leads to its lowest vertex.
fn pieces(vertices: usize, triangles: &[[u32; 3]]) -> (Vec<u32>, usize) {
    fn lowest(lower: &mut [u32], mut v: u32) -> u32 {
        while lower[v as usize] != v {
            let next = lower[lower[v as usize] as usize];
            lower[v as usize] = next;
            v = next;
        }
        v
    }
    let mut lower: Vec<u32> = (0..vertices as u32).collect();
    for &[a, b, c] in triangles {
        for (a, b) in [(a, b), (b, c)] {
            let (a, b) = (lowest(&mut lower, a), lowest(&mut lower, b));
            lower[a.max(b) as usize] = a.min(b);
        }
    }
    // In rising order the lower vertex has the number of its piece already.
    let mut count = 0;
    for v in 0..vertices {
        lower[v] = match lower[v] {
            own if own as usize == v => {
                count += 1;
                count - 1
            }
            other => lower[other as usize],
        };
    }
    (lower, count as usize)
}

fn areas(positions: &[[f32; 3]], triangles: &[[u32; 3]]) -> Vec<f64> {
    let mut areas = vec![0.0; positions.len()];
    for corners in triangles {
        let [a, b, c] =
            corners.map(|v| nalgebra::Vector3::from(positions[v as usize].map(f64::from)));
        let area = (b - a).cross(&(c - a)).norm() / 2.0;
        for &v in corners {
            areas[v as usize] += area / 3.0;
        }
    }
    areas
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Quarters around a tolerance of one or none: matches in a row, on borders of cells and exactly
        /// at the tolerance.
        #[test]
        fn vertices_are_welded_to_the_first_in_reach(
            quarters in prop::collection::vec(prop::array::uniform3(-70i16..70), 0..300),
            flat in 0usize..3,
            tolerance in prop::sample::select(vec![0.0, 1.0]),
        ) {
            let raw: Vec<[f32; 3]> = quarters
                .iter()
                .map(|q| std::array::from_fn(|i| f32::from(q[i]) / if i < flat { 64.0 } else { 4.0 }))
                .collect();
            let mut positions: Vec<[f32; 3]> = Vec::new();
            let mut welded = Vec::new();
            for p in &raw {
                let in_reach = |q: &[f32; 3]| {
                    (0..3).map(|i| f64::from(p[i] - q[i]).powi(2)).sum::<f64>() <= tolerance
                };
                let found = positions.iter().position(in_reach).unwrap_or_else(|| {
                    positions.push(*p);
                    positions.len() - 1
                });
                welded.push(found as u32);
            }
            prop_assert_eq!(weld_positions(&raw, tolerance), (welded, positions));
        }

        #[test]
        fn rings_borders_and_pieces_are_those_of_a_plain_count(
            corners in prop::collection::vec(prop::array::uniform3(0u32..16), 0..20),
        ) {
            let triangles: Vec<[u32; 3]> = corners
                .into_iter()
                .filter(|[a, b, c]| a != b && b != c && c != a)
                .collect();
            let mut edges: BTreeMap<(u32, u32), usize> = BTreeMap::new();
            for &[a, b, c] in &triangles {
                for (a, b) in [(a, b), (b, c), (c, a), (b, a), (c, b), (a, c)] {
                    *edges.entry((a, b)).or_default() += 1;
                }
            }
            let (rings, border) = Rings::of_triangles(16, &triangles);
            let mut pieces_of: Vec<u32> = (0..16).collect();
            for _ in 0..16 {
                for &(a, b) in edges.keys() {
                    pieces_of[a as usize] = pieces_of[a as usize].min(pieces_of[b as usize]);
                }
            }
            let numbers: Vec<u32> =
                pieces_of.iter().copied().collect::<BTreeSet<_>>().into_iter().collect();
            for v in 0..16 {
                let own = edges.range((v, 0)..=(v, 16));
                let ring: Vec<u32> = own.clone().map(|(&(_, n), _)| n).collect();
                prop_assert_eq!(rings.of(v as usize), ring);
                prop_assert_eq!(border[v as usize], own.into_iter().any(|(_, &count)| count != 2));
            }
            let (piece_of, pieces) = pieces(16, &triangles);
            prop_assert_eq!(pieces, numbers.len());
            for (piece, lowest) in piece_of.into_iter().zip(pieces_of) {
                prop_assert_eq!(numbers[piece as usize], lowest);
            }
        }
    }
}
