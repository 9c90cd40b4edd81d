//! The joints that may carry weight at each vertex.

use crate::rig::JointId;

/// Candidate joints of a vertex, at most. Sixteen joints within the reach of one vertex is more than
/// hands of five fingers bring together.
pub const MAX_CANDIDATES: usize = 16;

/// For each vertex its candidate joints, in rising order.
#[derive(Clone, Debug)]
pub struct Candidates {
    starts: Vec<u32>,
    joints: Vec<JointId>,
}

impl Candidates {
    /// Takes for each vertex joints with their mass, heaviest first: the joints above `least_mass`,
    /// at least one and at most [`MAX_CANDIDATES`].
    pub fn new<'a>(rows: impl Iterator<Item = &'a [(JointId, f32)]>, least_mass: f32) -> Self {
        let mut starts = vec![0];
        let mut joints = Vec::new();
        for row in rows {
            let begin = joints.len();
            joints.extend(Self::kept(row, least_mass).iter().map(|entry| entry.0));
            joints[begin..].sort_unstable();
            starts.push(joints.len() as u32);
        }
        Self { starts, joints }
    }

    /// The entries of a row that become candidates.
    pub(super) fn kept(row: &[(JointId, f32)], least_mass: f32) -> &[(JointId, f32)] {
        let above = row.iter().take_while(|entry| entry.1 >= least_mass).count();
        &row[..above.clamp(1, MAX_CANDIDATES).min(row.len())]
    }

    /// The number of vertices.
    pub fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// Whether there are no vertices.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The candidates of a vertex, in rising order.
    pub fn of(&self, vertex: usize) -> &[JointId] {
        &self.joints[self.range(vertex)]
    }

    /// Where a vertex's entries lie among those of all.
    pub fn range(&self, vertex: usize) -> std::ops::Range<usize> {
        self.starts[vertex] as usize..self.starts[vertex + 1] as usize
    }

    /// Entries of all vertices together.
    pub fn entries(&self) -> usize {
        self.joints.len()
    }
}
