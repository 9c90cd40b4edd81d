//! Vertices whose weights stay as the file has them.

use super::{JointId, Weights};

/// Vertices that keep the weights of the file, beside others that get new ones: never none of them.
///
/// The weights here are those of welded vertices, brought to sums of one: what the fit and the measures see. What
/// is written are the bytes that each copy of such a vertex has in the file.
#[derive(Clone, Debug)]
pub struct Kept<'a> {
    is_kept: Vec<bool>,
    weights: &'a Weights,
    steps: Vec<u32>,
}

impl<'a> Kept<'a> {
    /// Bytes a vertex, without the weights.
    pub const BYTES_PER_VERTEX: usize = size_of::<bool>() + size_of::<u32>();

    /// All vertices of a file with these weights but those that are solved; `None` if all are. `steps` are, for
    /// each vertex, those from 0 to 1 that a new weight of it may take where it is written.
    ///
    /// # Panics
    /// If the numbers of vertices differ.
    pub fn beside(solved: &[bool], steps: Vec<u32>, weights: &'a Weights) -> Option<Self> {
        assert_eq!([solved.len(), steps.len()], [weights.len(); 2]);
        let is_kept: Vec<bool> = solved.iter().map(|is_solved| !is_solved).collect();
        is_kept.contains(&true).then_some(Self {
            is_kept,
            weights,
            steps,
        })
    }

    /// Whether a vertex keeps its weights.
    pub fn has(&self, vertex: usize) -> bool {
        self.is_kept[vertex]
    }

    /// How many vertices do.
    pub fn count(&self) -> usize {
        self.is_kept.iter().filter(|is_kept| **is_kept).count()
    }

    /// The weights that a vertex keeps, if it does.
    pub fn of(&self, vertex: usize) -> Option<impl Iterator<Item = (JointId, f32)> + '_> {
        self.has(vertex).then(|| self.weights.of(vertex))
    }

    /// Steps from 0 to 1 of the new weights of a vertex.
    pub fn steps(&self, vertex: usize) -> u32 {
        self.steps[vertex]
    }

    /// Bytes that weights laid beneath these take.
    pub fn bytes_over(&self, slots: usize) -> usize {
        let entry = size_of::<JointId>() + size_of::<f32>();
        self.is_kept.len() * slots.max(self.weights.slots()) * entry
    }

    /// Other weights, with those that are kept in their place.
    pub fn over(&self, weights: &Weights) -> Weights {
        let from = |v: usize| if self.has(v) { self.weights } else { weights };
        let vertices = 0..self.is_kept.len();
        let lengths = vertices.clone().map(|v| from(v).of(v).count());
        let slots = lengths.max().unwrap_or(1).max(1);
        let unused = std::iter::repeat((JointId(0), 0.0));
        let row = |v: usize| from(v).of(v).chain(unused.clone()).take(slots);
        Weights::new(slots, vertices.flat_map(row).collect())
    }
}
