//! A surface as it stands in one pose, ready to draw, and the cameras that look at it.

use std::collections::HashMap;

/// A surface that is drawn in several poses.
///
/// Positions given to it are of mesh space. It draws them in scene directions (glTF 2.0 §3.4: +Y is up, the front
/// faces +Z), about the middle of the bind pose, and in units of its own size: so cameras and tolerances know
/// nothing of metres or centimetres.
#[derive(Clone, Debug)]
pub struct Subject<'a> {
    triangles: &'a [[u32; 3]],
    /// Rows that take positions about the middle to scene directions and the subject's size.
    to_scene: [[f64; 3]; 3],
    middle: [f64; 3],
    /// For each corner of each triangle the number of its normal.
    normal_of: Vec<[u32; 3]>,
    normals: usize,
    /// The vertices that triangles use, in rising order.
    used: Vec<u32>,
    /// The bind pose.
    pub(super) bind: Vec<[f32; 3]>,
}

/// A subject in one pose.
#[derive(Clone, Debug)]
pub struct Model<'a> {
    pub(super) triangles: &'a [[u32; 3]],
    pub(super) positions: Vec<[f32; 3]>,
    pub(super) used: &'a [u32],
    pub(super) normal_of: &'a [[u32; 3]],
    pub(super) normals: Vec<[f32; 3]>,
    /// Whether the way to the scene turns the subject over, so that triangles run the other way round there.
    pub(super) is_mirrored: bool,
}

/// Faces that meet at more than this angle in the bind pose keep a crease between them; in degrees. Rounded limbs
/// of few triangles stay smooth, the edges of boxes do not.
const CREASE_DEGREES: f32 = 62.0;

impl<'a> Subject<'a> {
    /// A surface: bind positions and triangles of welded vertices. The rows of `to_scene` take mesh space to the
    /// scene; `diagonal` is the size, in mesh space.
    pub fn new(
        positions: &[[f32; 3]],
        triangles: &'a [[u32; 3]],
        to_scene: [[f64; 3]; 3],
        diagonal: f64,
    ) -> Self {
        // Any scale: the subject's own size becomes one.
        let length = |row: [f64; 3]| row.iter().map(|x| x * x).sum::<f64>().sqrt();
        let scale = to_scene.map(length).into_iter().fold(0.0, f64::max) * diagonal;
        let scale = if scale > 0.0 && scale.is_finite() {
            1.0 / scale
        } else {
            1.0
        };
        let mut used = triangles.as_flattened().to_vec();
        used.sort_unstable();
        used.dedup();
        let extent = extent(&used, positions);
        let mut subject = Self {
            triangles,
            to_scene: to_scene.map(|row| row.map(|x| x * scale)),
            middle: extent.map(|[low, high]| (f64::from(low) + f64::from(high)) / 2.0),
            normal_of: Vec::new(),
            normals: 0,
            used,
            bind: Vec::new(),
        };
        subject.bind = subject.place(positions);
        (subject.normal_of, subject.normals) = shared_normals(&subject.bind, triangles);
        subject
    }

    /// The surface with these positions of its vertices, in mesh space.
    pub fn posed(&self, positions: &[[f32; 3]]) -> Model<'_> {
        self.model(self.place(positions))
    }

    /// The surface in bind pose.
    pub fn at_bind(&self) -> Model<'_> {
        self.model(self.bind.clone())
    }

    fn model(&self, positions: Vec<[f32; 3]>) -> Model<'_> {
        let is_mirrored = determinant(&self.to_scene) < 0.0;
        let mut normals = vec![[0.0f32; 3]; self.normals];
        for (triangle, corners) in self.triangles.iter().zip(&self.normal_of) {
            let [a, b, c] = triangle.map(|v| positions[v as usize]);
            let mut face = cross(minus(b, a), minus(c, a));
            if is_mirrored {
                face = face.map(|x| -x);
            }
            // By area: long slivers beside large faces hardly count.
            for &corner in corners {
                let sum = &mut normals[corner as usize];
                *sum = plus(*sum, face);
            }
        }
        normals
            .iter_mut()
            .for_each(|normal| *normal = unit(*normal));
        Model {
            triangles: self.triangles,
            positions,
            used: &self.used,
            normal_of: &self.normal_of,
            normals,
            is_mirrored,
        }
    }

    /// How much of the scene's three directions the bind pose takes, in sizes of the subject.
    pub(super) fn extent(&self) -> [f32; 3] {
        extent(&self.used, &self.bind).map(|[low, high]| high - low)
    }

    fn place(&self, positions: &[[f32; 3]]) -> Vec<[f32; 3]> {
        let place = |&position: &[f32; 3]| {
            let about: [f64; 3] = std::array::from_fn(|i| f64::from(position[i]) - self.middle[i]);
            self.to_scene
                .map(|row| (0..3).map(|i| row[i] * about[i]).sum::<f64>() as f32)
        };
        positions.iter().map(place).collect()
    }
}

/// The lowest and highest coordinate of some vertices in each direction; zero without vertices.
fn extent(used: &[u32], positions: &[[f32; 3]]) -> [[f32; 2]; 3] {
    std::array::from_fn(|i| {
        let values = used.iter().map(|&v| positions[v as usize][i]);
        let low = values.clone().fold(f32::INFINITY, f32::min);
        let high = values.fold(f32::NEG_INFINITY, f32::max);
        if low <= high { [low, high] } else { [0.0; 2] }
    })
}

/// Which corners share a normal: those of one vertex whose faces meet in edges without a crease.
fn shared_normals(positions: &[[f32; 3]], triangles: &[[u32; 3]]) -> (Vec<[u32; 3]>, usize) {
    let faces: Vec<[f32; 3]> = triangles
        .iter()
        .map(|triangle| {
            let [a, b, c] = triangle.map(|v| positions[v as usize]);
            unit(cross(minus(b, a), minus(c, a)))
        })
        .collect();
    // Each corner is 3·triangle + place; sets of corners that share, joined over smooth edges.
    let mut joined: Vec<u32> = (0..3 * triangles.len() as u32).collect();
    let mut edges: HashMap<[u32; 2], [u32; 2]> = HashMap::with_capacity(2 * triangles.len());
    let smooth = CREASE_DEGREES.to_radians().cos();
    for (t, triangle) in triangles.iter().enumerate() {
        for place in 0..3 {
            let (from, to) = (triangle[place], triangle[(place + 1) % 3]);
            let corners = [3 * t + place, 3 * t + (place + 1) % 3].map(|corner| corner as u32);
            // The neighbour runs along the edge the other way; a third face at an edge stays apart.
            let Some([other_from, other_to]) = edges.remove(&[to, from]) else {
                edges.insert([from, to], corners);
                continue;
            };
            let other = faces[other_from as usize / 3];
            let (a, b) = (faces[t], other);
            let is_flat = |n: [f32; 3]| n == [0.0; 3];
            let cos = a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
            if cos >= smooth || is_flat(a) || is_flat(b) {
                join(&mut joined, corners[0], other_to);
                join(&mut joined, corners[1], other_from);
            }
        }
    }
    let mut numbers: HashMap<u32, u32> = HashMap::new();
    let mut normal_of = vec![[0; 3]; triangles.len()];
    for (t, corners) in normal_of.iter_mut().enumerate() {
        for (place, corner) in corners.iter_mut().enumerate() {
            let root = root(&mut joined, (3 * t + place) as u32);
            let next = numbers.len() as u32;
            *corner = *numbers.entry(root).or_insert(next);
        }
    }
    (normal_of, numbers.len())
}

fn root(joined: &mut [u32], mut at: u32) -> u32 {
    while joined[at as usize] != at {
        joined[at as usize] = joined[joined[at as usize] as usize];
        at = joined[at as usize];
    }
    at
}

fn join(joined: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(joined, a), root(joined, b));
    // The lower is the root: numbers depend on nothing but the triangles.
    joined[a.max(b) as usize] = a.min(b);
}

pub(super) fn plus(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|i| a[i] + b[i])
}

pub(super) fn minus(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|i| a[i] - b[i])
}

pub(super) fn dot(a: [f32; 3], b: [f32; 3]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(super) fn cross(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// The vector at length one; zero stays zero.
pub(super) fn unit(v: [f32; 3]) -> [f32; 3] {
    let length = dot(v, v).sqrt();
    if length > 0.0 && length.is_finite() {
        v.map(|x| x / length)
    } else {
        [0.0; 3]
    }
}

fn determinant([a, b, c]: &[[f64; 3]; 3]) -> f64 {
    a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
        + a[2] * (b[0] * c[1] - b[1] * c[0])
}
