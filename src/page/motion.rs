//! A skin in motion, as reference and as baked.

/// A skin with poses to play. Positions are of mesh space.
#[derive(Clone, Debug, PartialEq)]
pub struct Motion {
    /// Bind positions of welded vertices.
    pub positions: Vec<[f32; 3]>,
    /// Triangles of welded vertices, counter-clockwise from outside.
    pub triangles: Vec<[u32; 3]>,
    /// The joints that weights name, parents before children.
    pub joints: Vec<MotionJoint>,
    /// For each vertex the joints (places in `joints`) and their weights, heaviest first.
    pub weights: Vec<Vec<(u16, f32)>>,
    /// The rows take directions and lengths of mesh space to the scene: +Y is up, +Z is to the front.
    pub to_scene: [[f64; 3]; 3],
    /// The size that errors are a percentage of, in mesh space: the diagonal of the bind bounding box.
    pub diagonal: f64,
    /// Poses to play; the first is bind.
    pub poses: Vec<MotionPose>,
}

/// A joint.
#[derive(Clone, Debug, PartialEq)]
pub struct MotionJoint {
    /// Its name.
    pub name: String,
    /// The place of the nearest joint above it.
    pub parent: Option<u16>,
    /// From the joint's bind frame to mesh space, row after row.
    pub bind: [[f64; 4]; 3],
}

/// A pose.
#[derive(Clone, Debug, PartialEq)]
pub struct MotionPose {
    /// What the report calls it.
    pub name: String,
    /// Whether the fit never saw it.
    pub held_out: bool,
    /// The root mean square error of the baked weights in it, in percent of the diagonal.
    pub rms_percent: f64,
    /// For each joint the matrix that moves its bind positions, row after row.
    pub joints: Vec<[[f64; 4]; 3]>,
    /// Where the reference has each vertex.
    pub reference: Vec<[f32; 3]>,
}
