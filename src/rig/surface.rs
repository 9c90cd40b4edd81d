//! The welded surface of a skin: vertices by position, triangles, one-rings and pieces.
//!
//! glTF splits vertices at UV seams, hard normals and material borders. Smoothing must not see those
//! splits, so copies at one position are welded; results go back to every copy.

use std::collections::HashMap;

/// The neighbours of every vertex, one list after the other, each in rising order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rings {
    starts: Vec<u32>,
    neighbours: Vec<u32>,
}

impl Rings {
    /// Builds rings from undirected edges, which may repeat and come in any order.
    pub fn from_edges(vertices: usize, edges: impl Iterator<Item = (u32, u32)> + Clone) -> Self {
        let mut counts = vec![0u32; vertices + 1];
        for (a, b) in edges.clone() {
            counts[a as usize + 1] += 1;
            counts[b as usize + 1] += 1;
        }
        for v in 0..vertices {
            counts[v + 1] += counts[v];
        }
        let mut cursor = counts.clone();
        let mut all = vec![0u32; counts[vertices] as usize];
        for (a, b) in edges {
            all[cursor[a as usize] as usize] = b;
            cursor[a as usize] += 1;
            all[cursor[b as usize] as usize] = a;
            cursor[b as usize] += 1;
        }
        let mut starts = Vec::with_capacity(vertices + 1);
        let mut neighbours = Vec::with_capacity(all.len());
        starts.push(0);
        for v in 0..vertices {
            let ring = &mut all[counts[v] as usize..counts[v + 1] as usize];
            ring.sort_unstable();
            let begin = neighbours.len();
            for &n in ring.iter() {
                if neighbours.len() == begin || neighbours.last() != Some(&n) {
                    neighbours.push(n);
                }
            }
            starts.push(neighbours.len() as u32);
        }
        Self { starts, neighbours }
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

    /// Where a vertex's list begins among all entries.
    pub fn entry(&self, vertex: usize) -> usize {
        self.starts[vertex] as usize
    }

    /// Entries in all lists together: twice the number of edges.
    pub fn entries(&self) -> usize {
        self.neighbours.len()
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
        let edges = triangles
            .iter()
            .flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)]);
        let rings = Rings::from_edges(positions.len(), edges);
        let (piece_of, pieces) = pieces(&rings);
        let border = border(positions.len(), &triangles);
        let areas = areas(&positions, &triangles);
        Self {
            positions,
            triangles,
            rings,
            welded,
            piece_of,
            border,
            areas,
            pieces,
        }
    }

    /// The number of welded vertices.
    pub fn len(&self) -> usize {
        self.positions.len()
    }

    /// Whether there are no vertices.
    pub fn is_empty(&self) -> bool {
        self.positions.is_empty()
    }

    /// The diagonal of the bind bounding box, in scene units of the mesh space: the size that errors
    /// are a percentage of. Vertices without triangles do not count, unless there are no others.
    pub fn diagonal(&self) -> f64 {
        let (low, high) = self.bounds();
        (0..3)
            .map(|i| (f64::from(high[i]) - f64::from(low[i])).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    fn bounds(&self) -> ([f32; 3], [f32; 3]) {
        let drawn = self
            .triangles
            .iter()
            .flatten()
            .map(|&v| &self.positions[v as usize]);
        if self.triangles.is_empty() {
            bounds(self.positions.iter())
        } else {
            bounds(drawn)
        }
    }

    /// The centre of that box.
    pub fn centre(&self) -> [f64; 3] {
        let (low, high) = self.bounds();
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

fn bounds<'a>(positions: impl Iterator<Item = &'a [f32; 3]>) -> ([f32; 3], [f32; 3]) {
    let mut found = None;
    for p in positions {
        let (low, high) = found.get_or_insert((*p, *p));
        for i in 0..3 {
            low[i] = low[i].min(p[i]);
            high[i] = high[i].max(p[i]);
        }
    }
    found.unwrap_or_default()
}

/// The diagonal of the box that holds the middle nine tenths of all coordinates along each axis.
fn trimmed_diagonal(positions: &[[f32; 3]]) -> f64 {
    if positions.is_empty() {
        return 0.0;
    }
    let spans = (0..3).map(|axis| {
        let mut along: Vec<f32> = positions.iter().map(|p| p[axis]).collect();
        let cut = along.len() / 20;
        let last = along.len() - 1 - cut;
        let high = *along.select_nth_unstable_by(last, f32::total_cmp).1;
        let low = *along.select_nth_unstable_by(cut, f32::total_cmp).1;
        f64::from(high) - f64::from(low)
    });
    spans.map(|span| span * span).sum::<f64>().sqrt()
}

/// Groups positions that lie within `tolerance` of the first of their group. Welded vertices are
/// numbered by their first raw vertex, so the order is that of the file.
fn weld_positions(raw: &[[f32; 3]], tolerance: f64) -> (Vec<u32>, Vec<[f32; 3]>) {
    // A cell twice as wide as the tolerance: a match lies in the same cell or one beside it.
    let width = (2.0 * tolerance).max(f64::MIN_POSITIVE);
    let cell_of = |p: &[f32; 3]| p.map(|x| (f64::from(x) / width).floor() as i64);
    let near = |p: &[f32; 3], q: &[f32; 3]| {
        (0..3)
            .map(|i| (f64::from(p[i]) - f64::from(q[i])).powi(2))
            .sum::<f64>()
            <= tolerance * tolerance
    };
    let mut cells: HashMap<[i64; 3], Vec<u32>> = HashMap::with_capacity(raw.len());
    let mut positions: Vec<[f32; 3]> = Vec::new();
    let mut welded = Vec::with_capacity(raw.len());
    for p in raw {
        let cell = cell_of(p);
        // Only the cells that the tolerance can reach from here: mostly one.
        let span: [[i64; 2]; 3] = std::array::from_fn(|i| {
            let x = f64::from(p[i]);
            [
                ((x - tolerance) / width).floor() as i64,
                ((x + tolerance) / width).floor() as i64,
            ]
        });
        let mut found: Option<u32> = None;
        for x in span[0][0]..=span[0][1] {
            for y in span[1][0]..=span[1][1] {
                for z in span[2][0]..=span[2][1] {
                    for &v in cells.get(&[x, y, z]).into_iter().flatten() {
                        if near(p, &positions[v as usize]) {
                            found = Some(found.map_or(v, |f| f.min(v)));
                        }
                    }
                }
            }
        }
        welded.push(found.unwrap_or_else(|| {
            let v = positions.len() as u32;
            positions.push(*p);
            cells.entry(cell).or_default().push(v);
            v
        }));
    }
    (welded, positions)
}

fn pieces(rings: &Rings) -> (Vec<u32>, usize) {
    let mut piece_of = vec![u32::MAX; rings.len()];
    let mut count = 0;
    let mut stack = Vec::new();
    for v in 0..rings.len() {
        if piece_of[v] != u32::MAX {
            continue;
        }
        piece_of[v] = count;
        stack.push(v);
        while let Some(v) = stack.pop() {
            for &n in rings.of(v) {
                if piece_of[n as usize] == u32::MAX {
                    piece_of[n as usize] = count;
                    stack.push(n as usize);
                }
            }
        }
        count += 1;
    }
    (piece_of, count as usize)
}

fn border(vertices: usize, triangles: &[[u32; 3]]) -> Vec<bool> {
    let mut edges: Vec<(u32, u32)> = triangles
        .iter()
        .flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)])
        .map(|(a, b)| (a.min(b), a.max(b)))
        .collect();
    edges.sort_unstable();
    let mut border = vec![false; vertices];
    for same in edges.chunk_by(|a, b| a == b) {
        if same.len() != 2 {
            border[same[0].0 as usize] = true;
            border[same[0].1 as usize] = true;
        }
    }
    border
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
