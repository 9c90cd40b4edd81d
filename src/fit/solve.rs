//! From Gram matrices to weights on the grid of the file.

use rayon::prelude::*;

use super::coupling::{self, Coupling};
use super::quadratic::{Minimum, Quadratic, Set, Vector};
use super::subset::Search;
use super::{Gram, MAX_CANDIDATES, round_to_grid};
use crate::rig::{JointId, Surface, Weights};

/// What the fit is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Joints a vertex at most, 1 to 8: K.
    pub influences: usize,
    /// Weight of the coupling over edges: a squared difference in weights of one, over the mean
    /// number of neighbours, counts like a mean squared error of this many squared percent of the
    /// diagonal.
    pub smoothness: f64,
    /// Differences in motion below this many percent of the diagonal (root mean square over poses)
    /// are left to the base weights: the root of ρ.
    pub hold_percent: f64,
    /// Weights below this are dropped and the others solved again.
    pub prune: f64,
    /// Steps of the file's weights: 255, 65,535 or 2²⁴.
    pub steps: u32,
}

/// How the fit ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Status {
    /// The greatest KKT residual of any vertex among its chosen joints, before rounding, relative to
    /// the magnitude of its matrix.
    pub kkt_residual: f64,
    /// Vertices whose choice of K joints was not proved best within the bound on work.
    pub unproved_vertices: usize,
    /// Sweeps of the coupling over the surface; 0 without smoothness.
    pub sweeps: usize,
    /// The greatest change of a weight in the last sweep.
    pub last_change: f64,
}

/// Weights as they will be written, the uncapped ones, and how it ended.
#[derive(Clone, Debug)]
pub struct Fitted {
    /// At most K a vertex, on the grid.
    pub weights: Weights,
    /// Without cap, coupling and rounding, with the same hold: what no weights on these candidates can
    /// beat on the poses of the fit.
    pub floor: Weights,
    /// How it ended.
    pub status: Status,
}

/// Fits weights; `base` are the weights that the stack started from.
pub fn solve(gram: &Gram, surface: &Surface, base: &Weights, options: &Options) -> Fitted {
    let vertices = gram.candidates().len();
    let coupling = (options.smoothness > 0.0).then(|| Coupling::new(surface, options.smoothness));
    let problems = Problems {
        gram,
        base,
        options,
        coupling: coupling.as_ref(),
    };
    let mut floor = vec![only(); vertices];
    let mut solved = vec![
        Solved {
            w: only(),
            proved: true
        };
        vertices
    ];
    // Problems of one size after another, so that branches and loops run alike; one candidate needs no
    // solve.
    let mut open: Vec<u32> = (0..vertices as u32)
        .filter(|&v| problems.size(v as usize) > 1)
        .collect();
    open.sort_by_key(|&v| problems.size(v as usize));
    let found: Vec<(Vector, Solved)> = open
        .par_iter()
        .map_init(Search::default, |search, &v| {
            problems.start(v as usize, search)
        })
        .collect();
    for (&v, result) in open.iter().zip(found) {
        (floor[v as usize], solved[v as usize]) = result;
    }
    let (mut sweeps, mut last_change) = (0, 0.0);
    if let Some(coupling) = &coupling {
        (sweeps, last_change) = coupling::sweep(coupling, &problems, &mut solved);
    }
    let slots = options.influences;
    let mut entries = vec![(JointId(0), 0.0); vertices * slots];
    let kkt_residual = entries
        .par_chunks_exact_mut(slots)
        .enumerate()
        .map(|(v, row)| problems.finish(v, &solved, row))
        .reduce(|| 0.0, f64::max);
    let status = Status {
        kkt_residual,
        unproved_vertices: solved.iter().filter(|s| !s.proved).count(),
        sweeps,
        last_change,
    };
    Fitted {
        weights: Weights::new(slots, entries),
        floor: to_weights(gram, &floor),
        status,
    }
}

/// Bytes that [`solve`] holds for a vertex while it runs, beside the Gram matrices: two vectors over
/// candidates, twice, and the weights of both results.
pub const WORKING_BYTES_PER_VERTEX: usize =
    2 * size_of::<Vector>() + 2 * size_of::<Solved>() + 8 * 24;

/// A vertex's weights over its candidates while the fit runs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Solved {
    pub w: Vector,
    pub proved: bool,
}

/// The quadratic programs of all vertices.
pub(super) struct Problems<'a> {
    pub gram: &'a Gram,
    pub base: &'a Weights,
    pub options: &'a Options,
    pub coupling: Option<&'a Coupling>,
}

impl Problems<'_> {
    fn size(&self, v: usize) -> usize {
        self.gram.candidates().of(v).len()
    }

    /// The floor and the best weights of a vertex without its neighbours.
    fn start(&self, v: usize, search: &mut Search) -> (Vector, Solved) {
        let free = self.free(v);
        let relaxed = free.minimum(free.all());
        let floor = match self.coupling {
            None => relaxed.w,
            // As if there were no smoothness.
            Some(_) => {
                let alone = self.weighed(v, 1.0);
                alone.minimum(alone.all()).w
            }
        };
        (floor, self.capped(&free, relaxed, search))
    }

    /// The program of a vertex without its neighbours.
    fn free(&self, v: usize) -> Quadratic {
        self.weighed(v, self.coupling.map_or(1.0, |c| c.area(v)))
    }

    fn weighed(&self, v: usize, area: f64) -> Quadratic {
        let mut form = self.gram.quadratic(v);
        form.scale(area);
        let toward = self.on_candidates(v, self.base.of(v).map(|(id, w)| (id, f64::from(w))));
        form.pull_toward(self.options.hold_percent.powi(2), &toward);
        form
    }

    /// The program of a vertex with its neighbours as they are.
    fn coupled(&self, v: usize, solved: &[Solved]) -> Quadratic {
        let mut form = self.free(v);
        if let Some(coupling) = self.coupling {
            for &n in coupling.ring(v) {
                let n = n as usize;
                let ids = self.gram.candidates().of(n).iter().copied();
                let toward = self.on_candidates(v, ids.zip(solved[n].w));
                form.pull_toward(coupling.weight(), &toward);
            }
        }
        form
    }

    /// The best weights of a vertex with its neighbours as they are.
    pub fn updated(&self, v: usize, solved: &[Solved], search: &mut Search) -> Solved {
        if self.size(v) == 1 {
            return solved[v];
        }
        let form = self.coupled(v, solved);
        self.capped(&form, form.minimum(form.all()), search)
    }

    /// The best weights of at most K joints, small ones pruned.
    fn capped(&self, form: &Quadratic, relaxed: Minimum, search: &mut Search) -> Solved {
        let best = search.best(form, self.options.influences, relaxed);
        Solved {
            w: self.pruned(form, best.minimum).w,
            proved: best.proved,
        }
    }

    fn pruned(&self, form: &Quadratic, mut minimum: Minimum) -> Minimum {
        loop {
            let support = minimum.support();
            // Each round leaves at least one variable out, so this ends.
            let kept: Set = (0..form.len())
                .filter(|&i| support >> i & 1 == 1 && minimum.w[i] >= self.options.prune)
                .fold(0, |set, i| set | 1 << i);
            if kept == support || kept == 0 {
                return minimum;
            }
            minimum = form.minimum(kept);
        }
    }

    /// Rounds a vertex to the grid, into its row; gives its KKT residual before rounding.
    fn finish(&self, v: usize, solved: &[Solved], row: &mut [(JointId, f32)]) -> f64 {
        let ids = self.gram.candidates().of(v);
        if let [id] = *ids {
            row[0] = (id, 1.0);
            return 0.0;
        }
        let form = self.coupled(v, solved);
        let w = &solved[v].w;
        let counts = round_to_grid(&form, w, self.options.steps);
        let used = ids.iter().zip(counts).filter(|entry| entry.1 > 0);
        for (entry, (&id, count)) in row.iter_mut().zip(used) {
            let weight = f64::from(count) / f64::from(self.options.steps);
            *entry = (id, weight as f32);
        }
        let support = Minimum { w: *w, value: 0.0 }.support();
        form.kkt_residual(w, support)
    }

    /// Weights given by joint, laid out over the candidates of v.
    fn on_candidates(&self, v: usize, given: impl Iterator<Item = (JointId, f64)>) -> Vector {
        let ids = self.gram.candidates().of(v);
        let mut w = [0.0; MAX_CANDIDATES];
        for (id, value) in given.filter(|entry| entry.1 > 0.0) {
            if let Ok(place) = ids.binary_search(&id) {
                w[place] = value;
            }
        }
        w
    }
}

fn only() -> Vector {
    let mut w = [0.0; MAX_CANDIDATES];
    w[0] = 1.0;
    w
}

fn to_weights(gram: &Gram, rows: &[Vector]) -> Weights {
    let slots = (0..rows.len())
        .map(|v| gram.candidates().of(v).len())
        .max()
        .unwrap_or(1);
    let entries = rows
        .iter()
        .enumerate()
        .flat_map(|(v, w)| {
            let ids = gram.candidates().of(v);
            (0..slots).map(move |i| {
                ids.get(i)
                    .map_or((JointId(0), 0.0), |&id| (id, w[i] as f32))
            })
        })
        .collect();
    Weights::new(slots, entries)
}
