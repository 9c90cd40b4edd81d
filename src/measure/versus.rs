//! Errors of sets of weights by pose and by vertex, and whether one set is better than another.
//!
//! The weights may be anyone's, so that vertices that poses do not bend count too.
//!
//! The change from one set to another is that of the root mean square, r = √(Σb/Σa) with a and b the mean
//! squared errors of the two sets in each pose. Poses are taken as a sample of n: the standard error of a ratio
//! of sums is that of the paired differences d = b − r²·a (Cochran 1977, *Sampling techniques*, ch. 6),
//!
//! ```text
//! se(r²) = √(Σd² / (n·(n − 1))) / (Σa/n),    se(r) = se(r²) / (2·r)
//! ```
//!
//! One pose has no standard error. If the old error is zero there is no ratio; if the new one is zero all d are,
//! and so is the standard error.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::rows::Entry;
use super::sums::Sums;
use super::tally::{Figures, Worst, apart};
use crate::rig::Rings;

/// The errors of one set of weights. Squares are in percent of the diagonal, squared.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Over all vertices and poses.
    pub figures: Figures,
    vertices: Vec<Entry>,
    poses: Vec<f64>,
}

impl Measured {
    /// What sums hold of a set.
    pub(super) fn new(sums: &Sums, set: usize) -> Self {
        Self {
            figures: sums.figures(set),
            vertices: sums.of_vertices(set).copied().collect(),
            poses: sums.of_poses(set).map(|total| total.sum).collect(),
        }
    }

    /// Bytes that so many sets of it take.
    pub fn bytes(vertices: usize, sets: usize, poses: usize) -> usize {
        sets * (vertices * size_of::<Entry>() + poses * size_of::<f64>())
    }

    /// The number of vertices.
    pub fn len(&self) -> usize {
        self.vertices.len()
    }

    /// Whether there are no vertices.
    pub fn is_empty(&self) -> bool {
        self.vertices.is_empty()
    }

    /// For each pose the sum of squared errors.
    pub fn poses(&self) -> &[f64] {
        &self.poses
    }

    /// The sum of squared errors of a vertex.
    pub fn sum(&self, vertex: usize) -> f64 {
        self.vertices[vertex].sum
    }

    /// The root mean square error of a vertex, in percent of the diagonal.
    pub fn rms(&self, vertex: usize) -> f64 {
        root_mean(self.sum(vertex), self.poses.len())
    }

    /// The greatest error of a vertex.
    pub fn worst(&self, vertex: usize) -> Worst {
        let entry = &self.vertices[vertex];
        Worst {
            vertex,
            pose: entry.pose as usize,
            error_percent: f64::from(entry.worst).sqrt(),
        }
    }

    /// The same with vertices in another order: each is the one of that number here.
    pub fn in_order(&self, of: &[u32]) -> Self {
        Self {
            vertices: of.iter().map(|&v| self.vertices[v as usize]).collect(),
            ..self.clone()
        }
    }
}

/// The places of errors, the greatest first; of equals the first.
pub fn worst_first(errors: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..errors.len()).collect();
    order.sort_by(|&a, &b| errors[b].total_cmp(&errors[a]).then(a.cmp(&b)));
    order
}

/// The root of the mean of squares; 0 of none.
pub fn root_mean(sum: f64, count: usize) -> f64 {
    if count == 0 {
        0.0
    } else {
        (sum / count as f64).sqrt()
    }
}

/// Whether weights are better than others.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The new error is less.
    Better,
    /// The change does not count.
    Same,
    /// The new error is greater.
    Worse,
}

impl Verdict {
    /// As reports have it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Better => "better",
            Self::Same => "same",
            Self::Worse => "worse",
        }
    }

    /// That of several: worse if one is, else better if one is.
    pub fn of_all(verdicts: impl IntoIterator<Item = Self>) -> Self {
        verdicts
            .into_iter()
            .fold(Self::Same, |all, next| match (all, next) {
                (Self::Worse, _) | (_, Self::Worse) => Self::Worse,
                (Self::Better, _) | (_, Self::Better) => Self::Better,
                _ => Self::Same,
            })
    }
}

/// Changes of an rms below this never count, in percent of the diagonal: positions in f32 are no finer than some
/// units in their last place.
pub const ROUNDING_PERCENT: f64 = 1e-4;

/// Standard errors that a change must exceed to count.
const STANDARD_ERRORS: f64 = 2.0;

/// The change from one set of weights to another over the same poses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// The rms of the old and the new weights, in percent of the diagonal.
    pub rms: [f64; 2],
    /// The change of the rms, in percent of the old; `None` if that is zero and the new is not.
    pub percent: Option<f64>,
    /// Its standard error, in percent of the old; `None` of one pose, or if the old is zero.
    pub standard_error: Option<f64>,
    /// Poses in which the new error is less, and those in which it is greater.
    pub poses: [usize; 2],
}

impl Change {
    /// The change between two measures over the same poses; vertices may differ.
    pub fn new(old: &Measured, new: &Measured) -> Self {
        let rms = [old.figures.rms, new.figures.rms];
        let means = |m: &Measured| -> Vec<f64> {
            let vertices = m.len().max(1) as f64;
            m.poses.iter().map(|sum| sum / vertices).collect()
        };
        let (a, b) = (means(old), means(new));
        let poses = |better: bool| {
            let pairs = a.iter().zip(&b);
            let counts = pairs.filter(|(a, b)| if better { b < a } else { b > a });
            counts.count()
        };
        Self {
            rms,
            percent: change_percent(rms[0], rms[1]),
            standard_error: standard_error(&a, &b),
            poses: [poses(true), poses(false)],
        }
    }

    /// The least change of the rms that counts, in percent of the diagonal: `least` percent of the old, two
    /// standard errors, or what rounding does, whichever is greatest.
    pub fn band(&self, least: f64) -> f64 {
        let noise = STANDARD_ERRORS * self.standard_error.unwrap_or(0.0);
        (least.max(noise) / 100.0 * self.rms[0]).max(ROUNDING_PERCENT)
    }

    /// Whether it counts, where `least` percent of the old is the least that does.
    pub fn verdict(&self, least: f64) -> Verdict {
        let change = self.rms[1] - self.rms[0];
        if change.abs() <= self.band(least) {
            Verdict::Same
        } else if change < 0.0 {
            Verdict::Better
        } else {
            Verdict::Worse
        }
    }
}

/// How far a figure lies above an earlier one, in percent of that; from nothing to something there is no percentage.
pub fn change_percent(old: f64, new: f64) -> Option<f64> {
    if old > 0.0 {
        Some(100.0 * (new / old - 1.0))
    } else {
        (new == 0.0).then_some(0.0)
    }
}

/// The standard error of √(Σb/Σa), in percent; see the head of this file.
fn standard_error(a: &[f64], b: &[f64]) -> Option<f64> {
    let n = a.len() as f64;
    let (old, new) = (a.iter().sum::<f64>(), b.iter().sum::<f64>());
    if a.len() < 2 || old <= 0.0 {
        return None;
    }
    if new <= 0.0 {
        return Some(0.0);
    }
    let ratio = new / old;
    let squares: f64 = a.iter().zip(b).map(|(a, b)| (b - ratio * a).powi(2)).sum();
    let of_ratio = (squares / (n * (n - 1.0))).sqrt() / (old / n);
    Some(100.0 * of_ratio / (2.0 * ratio.sqrt()))
}

/// The vertices whose rms fell most and those whose rose most, at most `count` each, no two of a list neighbours.
/// Changes within rounding are none. Both measures have the same vertices.
pub fn greatest_changes(
    old: &Measured,
    new: &Measured,
    rings: &Rings,
    count: usize,
) -> [Vec<usize>; 2] {
    let rise: Vec<f64> = (0..old.len()).map(|v| new.rms(v) - old.rms(v)).collect();
    [-1.0, 1.0].map(|way| {
        let by = |v: usize| way * rise[v];
        let mut order: Vec<usize> = (0..rise.len())
            .filter(|&v| by(v) > ROUNDING_PERCENT)
            .collect();
        order.sort_by(|&a, &b| by(b).total_cmp(&by(a)).then(a.cmp(&b)));
        apart(order, rings, count)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One vertex with these squared errors.
    fn measured(squares: &[f64]) -> Measured {
        let greatest = squares.iter().copied().fold(0.0, f64::max);
        let rms = root_mean(squares.iter().sum(), squares.len());
        Measured {
            figures: Figures {
                rms,
                p99: greatest.sqrt(),
                max: greatest.sqrt(),
            },
            vertices: vec![Entry {
                sum: squares.iter().sum(),
                worst: greatest as f32,
                pose: 0,
            }],
            poses: squares.to_vec(),
        }
    }

    fn change(old: &[f64], new: &[f64]) -> Change {
        Change::new(&measured(old), &measured(new))
    }

    #[test]
    fn the_band_is_that_of_the_formula() {
        // Means 4 and 1: the ratio is 1/4, its root 1/2. d = b − a/4 = (½, −½, ½, −½), Σd² = 1, so that
        // se(r²) = √(1/12)/4 and se(r) = the same, as 2r = 1.
        let change = change(&[2.0, 6.0, 2.0, 6.0], &[1.0, 1.0, 1.0, 1.0]);
        assert_eq!(change.rms, [2.0, 1.0]);
        assert_eq!(change.percent, Some(-50.0));
        let expected = 100.0 * (1.0f64 / 12.0).sqrt() / 4.0;
        // Rounding of a few operations in f64.
        assert!((change.standard_error.expect("four poses") - expected).abs() < 1e-12);
        assert!((change.band(1.0) - 2.0 * expected / 100.0 * 2.0).abs() < 1e-12);
        assert_eq!(change.poses, [4, 0]);
        assert_eq!(change.verdict(1.0), Verdict::Better);
        // Half is less than what is asked for.
        assert_eq!(change.verdict(51.0), Verdict::Same);
    }

    #[test]
    fn a_change_alike_in_every_pose_has_no_noise_and_one_within_it_is_the_same() {
        let old = [1.0, 9.0, 4.0];
        let sure = change(&old, &old.map(|a| 1.21 * a));
        assert!(sure.standard_error.expect("three poses") < 1e-12);
        assert_eq!(sure.verdict(1.0), Verdict::Worse);
        assert_eq!(sure.verdict(11.0), Verdict::Same);
        // Better in one pose, worse in another, three percent better together.
        let unsure = change(&[1.0, 1.0], &[1.5, 0.4]);
        assert_eq!(unsure.poses, [1, 1]);
        assert_eq!(unsure.verdict(1.0), Verdict::Same);
    }

    #[test]
    fn one_pose_and_no_error_have_answers() {
        let one = change(&[4.0], &[1.0]);
        assert_eq!((one.percent, one.standard_error), (Some(-50.0), None));
        assert_eq!(one.verdict(1.0), Verdict::Better);
        let none = change(&[0.0, 0.0], &[0.0, 0.0]);
        assert_eq!((none.percent, none.standard_error), (Some(0.0), None));
        assert_eq!(none.verdict(0.0), Verdict::Same);
        let from_none = change(&[0.0, 0.0], &[1.0, 1.0]);
        assert_eq!((from_none.percent, from_none.standard_error), (None, None));
        assert_eq!(from_none.verdict(1.0), Verdict::Worse);
        let to_none = change(&[1.0, 2.0], &[0.0, 0.0]);
        assert_eq!(
            (to_none.percent, to_none.standard_error),
            (Some(-100.0), Some(0.0))
        );
        assert_eq!(to_none.verdict(1.0), Verdict::Better);
        // Twice nothing is nothing.
        let rounding = change(&[1e-12, 1e-12], &[4e-12, 4e-12]);
        assert_eq!(rounding.verdict(1.0), Verdict::Same);
        let no_poses = change(&[], &[]);
        assert_eq!(no_poses.verdict(0.0), Verdict::Same);
    }

    #[test]
    fn one_worse_of_several_is_worse() {
        use Verdict::{Better, Same, Worse};
        assert_eq!(Verdict::of_all([]), Same);
        assert_eq!(Verdict::of_all([Same, Better]), Better);
        assert_eq!(Verdict::of_all([Better, Worse, Same]), Worse);
    }
}
