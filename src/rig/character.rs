//! One skin of a file, ready for work.

use nalgebra::{Matrix4, Point3};

use super::{Skeleton, Surface, Weights};

/// A skin with the surface that it moves.
#[derive(Clone, Debug)]
pub struct Character {
    /// The skin's name in the file, else its mesh's, else `skin <index>`.
    pub name: String,
    /// The joints, in bind pose.
    pub skeleton: Skeleton,
    /// The meshes that the skin moves, welded into one surface.
    pub surface: Surface,
    /// The weights that the file has, on welded vertices; `None` if it has none.
    pub weights: Option<Weights>,
    /// Where each stretch of raw vertices comes from, in raw order.
    pub parts: Vec<Part>,
    /// Mesh-space lengths times this are lengths of the scene (root nodes are often scaled).
    pub scene_scale: f64,
    /// Mesh space to the scene, as the file shows the first root joint (glTF 2.0 §3.4: +Y is up, the front
    /// faces +Z).
    pub placement: Matrix4<f64>,
    /// How far the pose that the file was saved in lies from bind: the greatest distance that it
    /// moves a joint's origin against the others, in percent of the diagonal, and the greatest turn
    /// in degrees.
    pub saved_pose: Option<SavedPose>,
}

impl Character {
    /// The rows take directions of mesh space to the scene.
    pub fn to_scene(&self) -> [[f64; 3]; 3] {
        std::array::from_fn(|row| std::array::from_fn(|i| self.placement[(row, i)]))
    }

    /// A point of mesh space in the scene.
    pub fn in_scene(&self, at: [f32; 3]) -> [f32; 3] {
        let at = Point3::from(at.map(f64::from));
        let placed = self.placement.transform_point(&at);
        placed.coords.map(|x| x as f32).into()
    }

    /// The mesh of a welded vertex, and the number of its first copy there.
    pub fn first_copy(&self, vertex: usize) -> (String, usize) {
        let mut copies = self.surface.welded.iter();
        let raw = copies.position(|&v| v as usize == vertex).unwrap_or(0);
        let part = self.parts.iter().find(|part| part.raw.contains(&raw));
        let mesh = part.map_or(String::new(), |part| part.mesh.clone());
        (mesh, raw - part.map_or(0, |part| part.raw.start))
    }

    /// How high it stands in the scene in bind pose, in units of the scene, without vertices that no triangle
    /// uses.
    pub fn height(&self) -> f64 {
        let (surface, up) = (&self.surface, self.to_scene()[1]);
        let (low, high) = surface
            .triangles
            .iter()
            .flatten()
            .map(|&v| {
                let position = surface.positions[v as usize];
                (0..3).map(|i| up[i] * f64::from(position[i])).sum()
            })
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y: f64| {
                (low.min(y), high.max(y))
            });
        (high - low).max(0.0)
    }
}

/// See [`Character::saved_pose`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SavedPose {
    /// In percent of the bind bounding-box diagonal.
    pub shift_percent: f64,
    /// In degrees.
    pub turn_degrees: f64,
}

/// A stretch of raw vertices that share a mesh and primitives.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The mesh's name, or `#<index>`.
    pub mesh: String,
    /// For each triangle-bearing primitive that uses the stretch: material name (or `#<index>`, or
    /// empty for none) and its welded vertices, in rising order.
    pub materials: Vec<(String, Vec<u32>)>,
    /// The raw vertices: first and one past the last.
    pub raw: std::ops::Range<usize>,
    /// Scalar vertex attributes that begin with `_`, by name, one value a raw vertex of the stretch.
    pub masks: Vec<(String, Vec<f32>)>,
}
