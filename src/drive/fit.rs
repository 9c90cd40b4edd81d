//! Which joints drive a helper, and by which function.
//!
//! Joints are taken one after the other. Each is ranked by how much of what is left its terms would explain; the first
//! is then fitted together with those before it, and stays if the leave-one-out error falls by enough. At the end terms
//! are dropped that hardly matter.

use nalgebra::Vector3;

use super::ridge::{Fit, OUTPUTS, Outputs, Terms, add};
use super::terms::{self, PARTS, Term};
use super::{Driver, Rotations, Row};
use crate::rig::{JointId, Move};

/// Coefficients and translations are at most this: beyond, sums lose their digits.
pub(super) const MOST: f64 = 1e9;

/// Motion below this share of the radius, in the mean, is none: files hold 32 bits.
const STILL: f64 = 1e-8;

/// What is left below this share of the motion's squares is nothing: no more joints are looked for.
const ENOUGH: f64 = 1e-6;

/// Terms are dropped as long as that costs no more than these shares of the motion's squares and of what is left.
const DROP: f64 = 1e-5;
const DROP_LEFT: f64 = 0.02;

/// The clamp reaches this much beyond what the samples had.
const BEYOND: f64 = 0.1;

/// How a driver is chosen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Joints that drive one helper, at most.
    pub most_drivers: usize,
    /// A joint drives only if the mean square of what is left falls by this share at least.
    pub least_gain: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            most_drivers: 4,
            least_gain: 0.03,
        }
    }
}

/// What a helper should do in some poses.
#[derive(Clone, Copy, Debug)]
pub struct Samples<'a> {
    /// How the joints turn in each pose.
    pub rotations: &'a Rotations,
    /// How the helper should move in each pose: rigidly, scales do not count.
    pub motions: &'a [Move],
    /// How much each pose counts, zero or more.
    pub weights: &'a [f64],
    /// How far the points lie from the helper's origin that it moves, in the units of [`Move::translation`]; above zero.
    /// It makes lengths of rotations.
    pub radius: f64,
}

/// Fits the motion of a helper. `candidates` are the joints that may drive it, best guess first, which wins ties.
///
/// What cannot be fitted gives a driver that does nothing: no samples, as many terms as samples or more, all still,
/// lists of different lengths, numbers that are not finite.
pub fn fit(samples: &Samples, candidates: &[JointId], options: &Options) -> Driver {
    try_fit(samples, candidates, options).unwrap_or_else(Driver::still)
}

fn try_fit(samples: &Samples, candidates: &[JointId], options: &Options) -> Option<Driver> {
    let problem = Problem::new(samples, candidates)?;
    let (drivers, fit) = problem.choose(options)?;
    problem.driver(&drivers, &fit)
}

/// The samples as numbers.
struct Problem<'a> {
    samples: &'a Samples<'a>,
    candidates: Vec<JointId>,
    /// For each candidate its parts in each sample.
    parts: Vec<Vec<[f64; PARTS]>>,
    /// Roots of the weights, whose squares sum to one.
    roots: Vec<f64>,
    /// Rotation vectors times the radius, then translations; times the roots.
    outputs: Vec<Outputs>,
    /// Samples that count.
    count: usize,
    /// The sum of squares of the outputs.
    whole: f64,
}

impl<'a> Problem<'a> {
    fn new(samples: &'a Samples<'a>, candidates: &[JointId]) -> Option<Self> {
        let Samples {
            rotations,
            motions,
            weights,
            radius,
        } = *samples;
        let is_weight = |w: &f64| *w >= 0.0 && w.is_finite();
        let is_motion = |own: &Move| {
            own.rotation.coords.iter().all(|x| x.is_finite()) && own.translation.amax() <= MOST
        };
        let sound = motions.len() == rotations.len()
            && weights.len() == rotations.len()
            && weights.iter().all(is_weight)
            && motions.iter().all(is_motion)
            && radius > 0.0
            && radius <= MOST;
        let sum: f64 = weights.iter().sum();
        if !(sound && sum > 0.0 && sum.is_finite()) {
            return None;
        }
        let mut distinct: Vec<JointId> = Vec::new();
        for &id in candidates {
            if id.index() < rotations.joints && !distinct.contains(&id) {
                distinct.push(id);
            }
        }
        let all = 0..rotations.len();
        let finite = |&id: &JointId| {
            let finite = |at| rotations.of(at, id).coords.iter().all(|x| x.is_finite());
            all.clone().all(finite)
        };
        if !distinct.iter().all(finite) {
            return None;
        }
        let parts_of = |&id: &JointId| {
            let each = all.clone().map(|at| terms::parts(&rotations.of(at, id)));
            each.collect()
        };
        let roots: Vec<f64> = weights.iter().map(|w| (w / sum).sqrt()).collect();
        let outputs: Vec<Outputs> = motions
            .iter()
            .zip(&roots)
            .map(|(own, root)| {
                let (turn, slide) = (own.rotation.scaled_axis() * radius, own.translation);
                [turn.x, turn.y, turn.z, slide.x, slide.y, slide.z].map(|x| x * root)
            })
            .collect();
        let whole = squares(&outputs);
        (whole > (STILL * radius).powi(2) && whole.is_finite()).then(|| Self {
            parts: distinct.iter().map(parts_of).collect(),
            candidates: distinct,
            count: weights.iter().filter(|&&w| w > 0.0).count(),
            samples,
            roots,
            outputs,
            whole,
        })
    }

    /// The terms of drivers, which are places in the list of candidates.
    fn terms(&self, drivers: &[usize], terms: &[Term]) -> Terms {
        let mut rows = Vec::with_capacity(terms.len() * self.roots.len());
        for (at, root) in self.roots.iter().enumerate() {
            let value = |term: &Term| root * term.value(|driver| &self.parts[drivers[driver]][at]);
            rows.extend(terms.iter().map(value));
        }
        Terms {
            count: terms.len(),
            rows,
        }
    }

    /// Drivers and the fit with all of their terms.
    fn choose(&self, options: &Options) -> Option<(Vec<usize>, Fit)> {
        let (mut chosen, mut best): (Vec<usize>, Option<Fit>) = (Vec::new(), None);
        let mut left = self.outputs.clone();
        while chosen.len() < options.most_drivers {
            let error = best.as_ref().map_or(self.whole, |fit| fit.error);
            let terms = all_terms(chosen.len() + 1);
            if error <= ENOUGH * self.whole || terms.len() >= self.count {
                break;
            }
            let with = |candidate| [chosen.as_slice(), &[candidate]].concat();
            let own_terms = Term::of_driver(chosen.len());
            let ranked = (0..self.candidates.len()).filter(|c| !chosen.contains(c));
            let first = ranked
                .map(|c| {
                    let gain = self.terms(&with(c), &own_terms).explained(&left);
                    (gain, std::cmp::Reverse(c))
                })
                .max_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            let Some((_, std::cmp::Reverse(first))) = first else {
                break;
            };
            let next = with(first);
            let values = self.terms(&next, &terms);
            let Some(fit) = values.fit(&self.outputs) else {
                break;
            };
            let falls = fit.error < (1.0 - options.least_gain) * error;
            if !falls {
                break;
            }
            left.clone_from(&self.outputs);
            for (left, row) in left.iter_mut().zip(values.rows.chunks_exact(values.count)) {
                let each = row.iter().zip(&fit.coefficients);
                each.for_each(|(x, coefficients)| add(left, -x, coefficients));
            }
            (chosen, best) = (next, Some(fit));
        }
        Some((chosen, best?))
    }

    /// The driver of a fit, without the terms that hardly matter.
    fn driver(&self, drivers: &[usize], fit: &Fit) -> Option<Driver> {
        let terms = all_terms(drivers.len());
        let budget = DROP * self.whole + DROP_LEFT * fit.error;
        let kept = fit.kept(budget);
        let mut terms: Vec<Term> = kept.into_iter().map(|term| terms[term]).collect();
        let coefficients = fit.again(&self.terms(drivers, &terms), &self.outputs)?;
        // Drivers that no term is left of are none.
        let used = |place: &usize| {
            let mut factors = terms.iter().flat_map(Term::factors);
            factors.any(|factor| factor.driver == *place)
        };
        let places: Vec<usize> = (0..drivers.len()).filter(used).collect();
        for term in &mut terms {
            for factor in std::iter::once(&mut term.first).chain(&mut term.second) {
                factor.driver = places.iter().position(|&place| place == factor.driver)?;
            }
        }
        let rows: Vec<Row> = terms
            .into_iter()
            .zip(coefficients)
            .map(|(term, c)| Row {
                term,
                rotation: Vector3::new(c[0], c[1], c[2]) / self.samples.radius,
                translation: Vector3::new(c[3], c[4], c[5]),
            })
            .collect();
        let bounded = |row: &Row| {
            let mut all = row.rotation.iter().chain(row.translation.iter());
            all.all(|x| x.abs() <= MOST)
        };
        if rows.is_empty() || !rows.iter().all(bounded) {
            return None;
        }
        let (mut angle, mut least, mut greatest) = (0.0f64, Vector3::zeros(), Vector3::zeros());
        for own in self.samples.motions {
            angle = angle.max(own.rotation.angle());
            least = own.translation.inf(&least);
            greatest = own.translation.sup(&greatest);
        }
        let beyond = (greatest - least) * BEYOND;
        Some(Driver {
            drivers: places
                .iter()
                .map(|&place| self.candidates[drivers[place]])
                .collect(),
            rows,
            most_angle: (angle * (1.0 + BEYOND)).min(std::f64::consts::PI),
            least: least - beyond,
            greatest: greatest + beyond,
        })
    }
}

/// The terms of so many drivers.
fn all_terms(drivers: usize) -> Vec<Term> {
    (0..drivers).flat_map(Term::of_driver).collect()
}

fn squares(outputs: &[Outputs]) -> f64 {
    let each = outputs.iter().flat_map(|outputs: &[f64; OUTPUTS]| outputs);
    each.map(|x| x * x).sum()
}
