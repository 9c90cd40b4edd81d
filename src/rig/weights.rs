//! Skin weights: for each vertex, joints and how much each counts.

use super::JointId;

/// Skin weights of all vertices, `slots` entries each, heaviest first; unused slots are joint 0 with
/// weight 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Weights {
    slots: usize,
    joints: Vec<JointId>,
    values: Vec<f32>,
}

/// Adds to the entry of a key in a short list, such as joints with their weights; a new key comes last.
pub fn add_to<K: PartialEq>(row: &mut Vec<(K, f64)>, key: K, amount: f64) {
    match row.iter_mut().find(|entry| entry.0 == key) {
        Some(entry) => entry.1 += amount,
        None => row.push((key, amount)),
    }
}

/// A broken invariant of [`Weights`], with the vertex.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum WeightFault {
    /// A weight is negative or not finite.
    #[error("vertex {0} has a weight that is negative or not finite")]
    Value(usize),
    /// Weights do not sum to one.
    #[error("the weights of vertex {0} sum to {1}, not 1")]
    Sum(usize, f64),
    /// A joint is beyond the skeleton.
    #[error("vertex {0} names a joint beyond the skeleton")]
    Joint(usize),
    /// A joint has weight twice.
    #[error("vertex {0} has one joint twice with weight")]
    Twice(usize),
    /// Weights are not heaviest first.
    #[error("the weights of vertex {0} are not heaviest first")]
    Order(usize),
}

/// A sum of f32 weights may be this far from one for each weight (glTF 2.0 §3.7.3.3, and what the
/// standard's validator allows). Integer weights that do not sum to one are off by far more.
pub const SUM_TOLERANCE_PER_WEIGHT: f64 = 2e-7;

impl Weights {
    /// Builds weights from `slots` entries for each vertex, given one after the other; sorts each
    /// vertex's entries heaviest first (ties: lower joint first).
    ///
    /// # Panics
    /// If the lengths differ or are no multiple of `slots`.
    pub fn new(slots: usize, entries: Vec<(JointId, f32)>) -> Self {
        assert!(
            slots > 0 && entries.len().is_multiple_of(slots),
            "{slots} slots, {} entries",
            entries.len()
        );
        let mut entries = entries;
        for row in entries.chunks_exact_mut(slots) {
            for entry in row.iter_mut().filter(|entry| entry.1 == 0.0) {
                *entry = (JointId(0), 0.0);
            }
            row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        }
        let (joints, values) = entries.into_iter().unzip();
        Self {
            slots,
            joints,
            values,
        }
    }

    /// All of each vertex's weight on one joint.
    pub fn rigid(bind: &[JointId]) -> Self {
        Self {
            slots: 1,
            joints: bind.to_vec(),
            values: vec![1.0; bind.len()],
        }
    }

    /// Entries for each vertex, used or not.
    pub fn slots(&self) -> usize {
        self.slots
    }

    /// The number of vertices.
    pub fn len(&self) -> usize {
        self.joints.len() / self.slots
    }

    /// Whether there are no vertices.
    pub fn is_empty(&self) -> bool {
        self.joints.is_empty()
    }

    /// The entries of a vertex that carry weight, heaviest first.
    pub fn of(&self, vertex: usize) -> impl Iterator<Item = (JointId, f32)> + '_ {
        let row = vertex * self.slots..(vertex + 1) * self.slots;
        self.joints[row.clone()]
            .iter()
            .copied()
            .zip(self.values[row].iter().copied())
            .take_while(|&(_, value)| value > 0.0)
    }

    /// The greatest number of joints that any vertex uses.
    pub fn most_influences(&self) -> usize {
        (0..self.len())
            .map(|v| self.of(v).count())
            .max()
            .unwrap_or(0)
    }

    /// Checks what every part of the program relies on: finite, non-negative, sums of one, joints
    /// below `joints`, none twice, heaviest first.
    ///
    /// # Errors
    /// The first fault found.
    pub fn check(&self, joints: usize) -> Result<(), WeightFault> {
        for vertex in 0..self.len() {
            let row = vertex * self.slots..(vertex + 1) * self.slots;
            let (ids, values) = (&self.joints[row.clone()], &self.values[row]);
            if values
                .iter()
                .any(|value| !(value.is_finite() && *value >= 0.0))
            {
                return Err(WeightFault::Value(vertex));
            }
            let sum: f64 = values.iter().map(|&value| f64::from(value)).sum();
            if (sum - 1.0).abs() > SUM_TOLERANCE_PER_WEIGHT * self.slots as f64 {
                return Err(WeightFault::Sum(vertex, sum));
            }
            if ids.iter().any(|id| id.index() >= joints) {
                return Err(WeightFault::Joint(vertex));
            }
            if values.windows(2).any(|pair| pair[0] < pair[1]) {
                return Err(WeightFault::Order(vertex));
            }
            let used = &ids[..values.iter().take_while(|&&value| value > 0.0).count()];
            if used
                .iter()
                .enumerate()
                .any(|(i, id)| used[..i].contains(id))
            {
                return Err(WeightFault::Twice(vertex));
            }
        }
        Ok(())
    }
}
