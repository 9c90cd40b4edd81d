//! Skin weights as a file has them, nothing mended.

use super::JointId;

/// Rows of weights as a file has them: sums, joints named twice and order are those of the file. Slots of
/// weight zero are left out; weights are finite and positive, joints within the skin.
#[derive(Clone, Debug, PartialEq)]
pub struct RawWeights {
    /// Whether integer weights are not marked as normalized.
    pub not_normalized: bool,
    raw: Vec<u32>,
    ends: Vec<usize>,
    entries: Vec<(JointId, f64)>,
}

impl RawWeights {
    /// No rows yet.
    pub fn new(not_normalized: bool) -> Self {
        Self {
            not_normalized,
            raw: Vec::new(),
            ends: Vec::new(),
            entries: Vec::new(),
        }
    }

    /// Appends a row of a raw vertex. Raw vertices come in rising order; one that several primitives draw
    /// with different weights has a row for each.
    pub fn push(&mut self, raw: u32, entries: impl Iterator<Item = (JointId, f64)>) {
        self.entries.extend(entries);
        self.raw.push(raw);
        self.ends.push(self.entries.len());
    }

    /// Every row: its raw vertex, and its entries in the order of the file.
    pub fn rows(&self) -> impl Iterator<Item = (u32, &[(JointId, f64)])> {
        let starts = std::iter::once(&0).chain(&self.ends);
        let ranges = starts.zip(&self.ends);
        let entries = ranges.map(|(&start, &end)| &self.entries[start..end]);
        self.raw.iter().copied().zip(entries)
    }
}
