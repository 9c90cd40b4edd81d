//! Counts of squared errors by size, for quantiles of what is never stored.

use std::sync::{Mutex, PoisonError};

use crate::rig::{LANES, Lane};

/// Each octave of a squared error has 128 bins: the top seven bits of an f32's mantissa.
const BIN_SHIFT: u32 = 16;

/// Errors below 2⁻³⁰ percent share the lowest bin; those above 2¹⁷ the highest.
const LOWEST_BIN: u32 = (127 - 60) << (23 - BIN_SHIFT);
const BINS: u32 = 94 << (23 - BIN_SHIFT);

/// How many errors fell into each bin of each set; one table a worker, summed in the end. Counts are whole,
/// so it does not matter which worker counted what.
#[derive(Debug)]
pub(super) struct Bins {
    sets: usize,
    tables: Mutex<Vec<Vec<u64>>>,
}

/// The table of one worker; it goes back when dropped.
pub(super) struct Table<'a> {
    home: &'a Bins,
    counts: Vec<u64>,
}

impl Bins {
    /// Bytes that a worker's table takes.
    pub const fn bytes(sets: usize) -> usize {
        sets * BINS as usize * size_of::<u64>()
    }

    pub fn new(sets: usize) -> Self {
        Self {
            sets,
            tables: Mutex::default(),
        }
    }

    /// A table that nobody else counts into.
    pub fn table(&self) -> Table<'_> {
        // Counts are whole at any time: a panic elsewhere does not spoil them.
        let mut tables = self.tables.lock().unwrap_or_else(PoisonError::into_inner);
        let counts = tables.pop();
        Table {
            home: self,
            counts: counts.unwrap_or_else(|| vec![0; self.sets * BINS as usize]),
        }
    }

    /// What ninety-nine in a hundred of `count` squared errors of a set are at or below, rounded up to the
    /// edge of its bin. Those that nobody counted are zero.
    pub fn p99(&self, set: usize, count: u64) -> f32 {
        let mut counts = vec![0u64; BINS as usize];
        let tables = self.tables.lock().unwrap_or_else(PoisonError::into_inner);
        for table in tables.iter() {
            let of_set = &table[set * BINS as usize..][..BINS as usize];
            counts.iter_mut().zip(of_set).for_each(|(sum, n)| *sum += n);
        }
        let rank = count - count / 100;
        let mut seen = count - counts.iter().sum::<u64>();
        let mut p99 = 0.0;
        for (bin, &in_bin) in counts.iter().enumerate() {
            if seen >= rank {
                break;
            }
            seen += in_bin;
            p99 = upper_edge(bin as u32);
        }
        p99
    }
}

impl Table<'_> {
    /// Counts the squared errors of the first `lanes` poses.
    #[inline(always)]
    pub fn count(&mut self, set: usize, squares: &Lane, lanes: usize) {
        let mut places = [0; LANES];
        for l in 0..LANES {
            places[l] = bin(squares[l]);
        }
        let bins = &mut self.counts[set * BINS as usize..][..BINS as usize];
        for &place in &places[..lanes] {
            bins[place as usize] += 1;
        }
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        let counts = std::mem::take(&mut self.counts);
        let mut tables = (self.home.tables.lock()).unwrap_or_else(PoisonError::into_inner);
        tables.push(counts);
    }
}

#[inline(always)]
fn bin(square: f32) -> u32 {
    (square.to_bits() >> BIN_SHIFT).clamp(LOWEST_BIN, LOWEST_BIN + BINS - 1) - LOWEST_BIN
}

fn upper_edge(bin: u32) -> f32 {
    f32::from_bits((bin + 1 + LOWEST_BIN) << BIN_SHIFT)
}
