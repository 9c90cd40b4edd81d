//! Mending: what stands out after the fit is solved again within its neighbourhood.

use super::work::Work;
use super::{Stage, Watch};
use crate::bind::Kind;
use crate::error::Error;
use crate::fit::{Solver, Stray};
use crate::measure::{CREASE, Stretch, outliers};
use crate::pose::Poses;
use crate::rig::{Weights, islands};

/// What mending did.
#[derive(Clone)]
pub(super) struct Mended {
    /// The weights before, and the mean squared error of each vertex then.
    pub before: Weights,
    pub errors: Vec<f64>,
    pub found: Found,
    pub left: Found,
    /// Vertices that were solved again.
    pub vertices: usize,
}

/// What stands out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Found {
    /// Patches apart from their joint's main region.
    pub islands: usize,
    /// Vertices whose weights stand out.
    pub outliers: usize,
    /// Torn edges in the poses of the fit, each counted once for each pose.
    pub torn: usize,
}

impl Found {
    /// Whether less of something stands out, and no more of anything.
    fn is_better_than(self, before: Self) -> bool {
        let pairs = [
            (self.islands, before.islands),
            (self.outliers, before.outliers),
            (self.torn, before.torn),
        ];
        pairs.iter().all(|(now, then)| now <= then) && self != before
    }
}

/// How strongly vertices are drawn to their neighbours, round after round: from a mild smoothness, as
/// `fit.smoothness` counts, to one that outweighs most differences in motion.
const PULLS: [f64; 4] = [0.01, 0.1, 1.0, 10.0];

/// A round is taken back if it raises the rms error of all vertices by more than this share.
const MOST_WORSE: f64 = 0.01;

/// An edge may be torn if the rms errors of its ends, so many times over, reach the least length of its
/// target: errors of a few poses are that far above the mean (at most the root of the number of poses, in
/// practice less).
const PEAK: f64 = 12.0;

impl Work<'_> {
    /// Solves what stands out again, more strongly coupled each round, until nothing stands out or nothing
    /// improves.
    pub(super) fn mend(
        &self,
        solver: &mut Solver,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Mended, Error> {
        let before = solver.weights();
        let errors = solver.errors();
        let least_error = mean(&errors);
        let (found, mut strays) = self.strays(solver, &before, width, watch)?;
        let mut mended = Mended {
            before,
            errors,
            found,
            left: found,
            vertices: 0,
        };
        let mut touched: Vec<usize> = Vec::new();
        for pull in PULLS {
            if strays.is_empty() {
                break;
            }
            let backup = solver.clone();
            solver.mend(&strays, pull);
            let bound = least_error * (1.0 + MOST_WORSE).powi(2);
            if mean(&solver.errors()) > bound {
                *solver = backup;
                break;
            }
            let (left, again) = self.strays(solver, &solver.weights(), width, watch)?;
            if !left.is_better_than(mended.left) {
                *solver = backup;
                continue;
            }
            touched.extend(strays.iter().map(|stray| stray.vertex));
            mended.left = left;
            strays = again;
        }
        touched.sort_unstable();
        touched.dedup();
        mended.vertices = touched.len();
        Ok(mended)
    }

    /// What stands out in these weights, and the vertices to solve again.
    fn strays(
        &self,
        solver: &Solver,
        weights: &Weights,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<(Found, Vec<Stray>), Error> {
        let character = self.character;
        let surface = &character.surface;
        // One joint moves all of a riding piece: nothing there can be better.
        let rides = |v: usize| {
            let piece = surface.piece_of[v] as usize;
            self.bound.pieces[piece].kind == Kind::Ride
        };
        let mut strays = Vec::new();
        let mut islands = islands(surface, weights, character.skeleton.joints().len());
        // One that reaches into what is kept is the file's own.
        islands.retain(|(_, vertices)| !vertices.iter().any(|&v| self.keeps(v as usize)));
        for (joint, vertices) in &islands {
            strays.extend(vertices.iter().map(|&v| Stray {
                vertex: v as usize,
                barred: Some(*joint),
            }));
        }
        let mut outliers = outliers(&surface.rings, weights);
        outliers.retain(|&v| !self.keeps(v));
        let (torn, ends) = self.torn(solver, weights, width, watch)?;
        // A tear closes if the change of weights along it is spread over more edges.
        let mut around: Vec<u32> = ends.iter().map(|&v| v as u32).collect();
        let mut seen = vec![false; surface.len()];
        ends.iter().for_each(|&v| seen[v] = true);
        let is_new = |n: u32| !std::mem::replace(&mut seen[n as usize], true);
        surface.rings.reach_from(&mut around, 0, is_new);
        let around = around.into_iter().map(|v| v as usize);
        strays.extend(outliers.iter().copied().chain(around).map(|vertex| Stray {
            vertex,
            barred: None,
        }));
        strays.retain(|stray| !rides(stray.vertex) && !self.keeps(stray.vertex));
        let found = Found {
            islands: islands.len(),
            outliers: outliers.len(),
            torn,
        };
        Ok((found, strays))
    }

    /// Torn edges in the poses of the fit, and the ends of any.
    fn torn(
        &self,
        solver: &Solver,
        weights: &Weights,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<(usize, Vec<usize>), Error> {
        let errors = solver.errors();
        let rings = &self.character.surface.rings;
        let mut stretch = Stretch::new(weights, self.stack.base(), rings, self.may_tear(&errors));
        self.tally_stretch(&mut [&mut stretch], &self.poses.fit, width, watch)?;
        Ok((stretch.torn(), stretch.torn_ends()))
    }

    /// Whether an edge may be torn, from the mean squared errors of vertices.
    fn may_tear<'a>(&'a self, errors: &'a [f64]) -> impl Fn(usize, usize) -> bool + 'a {
        let surface = &self.character.surface;
        let percent = surface.diagonal() / 100.0;
        move |a, b| {
            // The error of what is kept is not known, and what is torn between two such is the file's own.
            match (self.keeps(a), self.keeps(b)) {
                (true, true) => return false,
                (false, false) => {}
                _ => return true,
            }
            let length = (surface.point(a) - surface.point(b)).norm();
            PEAK * (errors[a].sqrt() + errors[b].sqrt()) * percent >= CREASE * length
        }
    }

    /// Whether a vertex keeps the weights of the file.
    fn keeps(&self, v: usize) -> bool {
        self.kept.as_ref().is_some_and(|kept| kept.has(v))
    }

    /// Torn edges in the held-out poses, before and after.
    pub(super) fn torn_held_out(
        &self,
        mended: &Mended,
        weights: &Weights,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<[usize; 2], Error> {
        let rings = &self.character.surface.rings;
        let watched = |weights| {
            let base = self.stack.base();
            Stretch::new(weights, base, rings, self.may_tear(&mended.errors))
        };
        let (mut before, mut after) = (watched(&mended.before), watched(weights));
        self.tally_stretch(
            &mut [&mut before, &mut after],
            &self.poses.held_out,
            width,
            watch,
        )?;
        Ok([before.torn(), after.torn()])
    }

    /// Runs poses past stretches.
    fn tally_stretch(
        &self,
        stretches: &mut [&mut Stretch],
        poses: &Poses,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<(), Error> {
        if stretches.iter().all(|stretch| stretch.is_empty()) {
            return Ok(());
        }
        self.stream(poses, width, Stage::Solve, watch, |shapes| {
            for stretch in &mut *stretches {
                stretch.add(self.stack.rest(), shapes);
            }
        })
    }
}

fn mean(errors: &[f64]) -> f64 {
    errors.iter().sum::<f64>() / errors.len().max(1) as f64
}
