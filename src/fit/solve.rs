//! From Gram matrices to weights on the grid of the file.

use rayon::prelude::*;

use super::coupling::{self, Coupling};
use super::quadratic::{Minimum, Quadratic, Set, Vector};
use super::subset::{Search, Sizes};
use super::symmetry::{Groups, Role, partner_places, role};
use super::{Gram, MAX_CANDIDATES, round_to_grid};
use crate::rig::{JointId, Kept, Mirror, Rings, Surface, Weights};

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
    /// Steps of the file's weights: 255, 65,535 or 2²⁴. Beside vertices that keep theirs, each has its own.
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
    /// At most K a vertex, on the grid; and those that are kept.
    pub weights: Weights,
    /// Without cap, coupling and rounding, with the same hold: what no weights on these candidates can
    /// beat on the poses of the fit.
    pub floor: Weights,
    /// How it ended.
    pub status: Status,
}

/// Fits weights; `base` are the weights that the stack started from. With a mirror, for which the
/// candidates were made, partners get exactly mirrored weights.
///
/// Vertices that are kept have their weights in both results, and their neighbours see them so. Each has one
/// candidate, whichever it is, so that nothing is gathered or solved there, and no partner.
pub fn solve(
    gram: &Gram,
    surface: &Surface,
    base: &Weights,
    mirror: Option<&Mirror>,
    kept: Option<&Kept>,
    options: &Options,
) -> Fitted {
    Solver::new(gram, surface, base, mirror, kept, options).fitted()
}

/// A fit that can be mended.
#[derive(Clone)]
pub struct Solver<'a> {
    problems: Problems<'a>,
    floor: Vec<Vector>,
    solved: Vec<Solved>,
    sweeps: usize,
    last_change: f64,
}

impl<'a> Solver<'a> {
    /// Fits weights, see [`solve`].
    pub fn new(
        gram: &'a Gram,
        surface: &'a Surface,
        base: &'a Weights,
        mirror: Option<&'a Mirror>,
        kept: Option<&'a Kept<'a>>,
        options: &'a Options,
    ) -> Self {
        let vertices = gram.candidates().len();
        let coupling =
            (options.smoothness > 0.0).then(|| Coupling::new(surface, options.smoothness, mirror));
        let problems = Problems {
            gram,
            base,
            mirror,
            kept,
            options,
            coupling,
            rings: &surface.rings,
            mends: Vec::new(),
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
        let found: Vec<(Vector, Option<Solved>)> = open
            .par_iter()
            .map_init(Search::default, |search, &v| {
                problems.start(v as usize, search)
            })
            .collect();
        for (&v, (lowest, best)) in open.iter().zip(found) {
            floor[v as usize] = lowest;
            if let Some(best) = best {
                solved[v as usize] = best;
                problems.copy_to_image(v as usize, &mut solved);
            }
        }
        let (mut sweeps, mut last_change) = (0, 0.0);
        if let Some(coupling) = &problems.coupling {
            (sweeps, last_change) = coupling::sweep(coupling, &problems, &mut solved);
        }
        Self {
            problems,
            floor,
            solved,
            sweeps,
            last_change,
        }
    }

    /// Solves vertices again with their neighbours: `pull` counts like smoothness, for them alone. Joints
    /// that are barred get no weight there.
    pub fn mend(&mut self, stray: &[Stray], pull: f64) {
        let problems = &mut self.problems;
        problems.mends.resize(self.solved.len(), Mend::default());
        let mut vertices: Vec<usize> = Vec::new();
        for one in stray {
            // An image is solved with its partner.
            let (v, barred) = match (role(problems.mirror, one.vertex), problems.mirror) {
                (Role::Image(first), Some(mirror)) => (
                    first,
                    one.barred.map(|joint| mirror.joint(joint).unwrap_or(joint)),
                ),
                _ => (one.vertex, one.barred),
            };
            let place = barred.and_then(|joint| problems.ids(v).binary_search(&joint).ok());
            let mend = &mut problems.mends[v];
            mend.pull = mend.pull.max(pull);
            mend.barred |= place.map_or(0, |place| 1 << place);
            vertices.push(v);
        }
        vertices.sort_unstable();
        vertices.dedup();
        let mut search = Search::default();
        for _ in 0..MEND_SWEEPS {
            for &v in &vertices {
                let again = self.problems.updated(v, &self.solved, &mut search);
                self.solved[v] = again;
                self.problems.copy_to_image(v, &mut self.solved);
            }
        }
    }

    /// The mean squared error of each vertex on the poses of the fit, of its weights before rounding, in
    /// squared percent of the diagonal; 0 where weights are kept.
    pub fn errors(&self) -> Vec<f64> {
        let error = |v: usize| self.error(v);
        (0..self.solved.len()).into_par_iter().map(error).collect()
    }

    /// That of one vertex.
    pub fn error(&self, vertex: usize) -> f64 {
        (self.problems.gram.quadratic(vertex)).value(&self.solved[vertex].w)
    }

    /// The joints of a vertex with their weights before rounding.
    pub fn row(&self, vertex: usize) -> impl Iterator<Item = (JointId, f64)> + '_ {
        let row = self.problems.ids(vertex).iter().zip(&self.solved[vertex].w);
        row.filter(|entry| *entry.1 > 0.0).map(|(&id, &w)| (id, w))
    }

    /// The weights on the grid.
    pub fn weights(&self) -> Weights {
        self.rounded().0
    }

    /// The weights on the grid, and the greatest KKT residual before rounding.
    fn rounded(&self) -> (Weights, f64) {
        let Self {
            problems, solved, ..
        } = self;
        let slots = problems.options.influences;
        let mut entries = vec![(JointId(0), 0.0); solved.len() * slots];
        let kkt_residual = entries
            .par_chunks_exact_mut(slots)
            .enumerate()
            .map(|(v, row)| problems.finish(v, solved, row))
            .reduce(|| 0.0, f64::max);
        for v in 0..solved.len() {
            if let (Some(mirror), Role::Image(first)) = (problems.mirror, role(problems.mirror, v))
            {
                for slot in 0..slots {
                    let (id, weight) = entries[first * slots + slot];
                    // Where there is weight there is a candidate, and so a partner.
                    entries[v * slots + slot] = (mirror.joint(id).unwrap_or(id), weight);
                }
            }
        }
        (
            problems.beside_kept(Weights::new(slots, entries)),
            kkt_residual,
        )
    }

    /// The result.
    pub fn fitted(&self) -> Fitted {
        let (weights, kkt_residual) = self.rounded();
        Fitted {
            weights,
            floor: (self.problems).beside_kept(to_weights(self.problems.gram, &self.floor)),
            status: Status {
                kkt_residual,
                unproved_vertices: self.solved.iter().filter(|s| !s.proved).count(),
                sweeps: self.sweeps,
                last_change: self.last_change,
            },
        }
    }
}

/// A vertex to solve again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stray {
    /// The welded vertex.
    pub vertex: usize,
    /// A joint that must have no weight there.
    pub barred: Option<JointId>,
}

/// How a vertex is solved again.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Mend {
    /// Weight of the coupling to its neighbours.
    pull: f64,
    /// Candidates that get no weight.
    barred: Set,
}

/// Passes over the vertices to mend: patches are small, so that a few settle them.
const MEND_SWEEPS: usize = 4;

/// The weight of the square of a barred weight, over the magnitude of the program: what it leaves is pruned.
const BAR: f64 = 1e6;

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
#[derive(Clone)]
pub(super) struct Problems<'a> {
    pub gram: &'a Gram,
    pub base: &'a Weights,
    pub mirror: Option<&'a Mirror>,
    pub kept: Option<&'a Kept<'a>>,
    pub options: &'a Options,
    pub coupling: Option<Coupling>,
    pub rings: &'a Rings,
    /// Vertices that are mended; empty while there are none.
    pub mends: Vec<Mend>,
}

impl Problems<'_> {
    fn size(&self, v: usize) -> usize {
        self.ids(v).len()
    }

    fn ids(&self, v: usize) -> &[JointId] {
        self.gram.candidates().of(v)
    }

    /// The floor and the best weights of a vertex without its neighbours; no weights for an image.
    fn start(&self, v: usize, search: &mut Search) -> (Vector, Option<Solved>) {
        let free = self.free(v);
        let relaxed = free.minimum(free.all());
        let floor = match &self.coupling {
            None => relaxed.w,
            // As if there were no smoothness.
            Some(_) => {
                let alone = self.weighed(v, 1.0);
                alone.minimum(alone.all()).w
            }
        };
        let best = match role(self.mirror, v) {
            Role::Image(_) => None,
            Role::Alone => {
                let program = Program::alone(free);
                Some(self.capped(v, &program, relaxed, search))
            }
            Role::First(_) | Role::Central => Some(self.best(v, &self.program(v, None), search)),
        };
        (floor, best)
    }

    /// What is solved for a vertex that is no image: its own part, and that of its partner; with the
    /// neighbours as they are, if these are given.
    fn program(&self, v: usize, solved: Option<&[Solved]>) -> Program {
        let part = |v: usize| solved.map_or_else(|| self.free(v), |solved| self.coupled(v, solved));
        let own = part(v);
        let (Some(mirror), Role::First(_) | Role::Central) = (self.mirror, role(self.mirror, v))
        else {
            return Program::alone(own);
        };
        let ids = self.ids(v);
        let partner = mirror.vertices[v] as usize;
        let among_own = partner_places(mirror, ids, ids);
        if partner == v {
            let groups = Groups::pairs(ids.len(), &among_own);
            return Program {
                form: groups.gather(&own),
                groups,
            };
        }
        let mut form = own;
        // Candidates were made so that each has its partner there.
        let places = partner_places(mirror, ids, self.ids(partner)).map(|place| place.unwrap_or(0));
        form.add(&part(partner), &places);
        if let (Some(coupling), Some(_)) = (&self.coupling, solved)
            && coupling.ring(v).contains(&(partner as u32))
        {
            // The edge between the two: the difference between w and its own image, each joint of a pair
            // in turn.
            for i in 0..ids.len() {
                match among_own[i] {
                    Some(j) if j <= i => {}
                    other => form.tie(2.0 * coupling.weight(), i, other),
                }
            }
        }
        Program::alone(form)
    }

    /// The error and the hold of a vertex by itself, without its neighbours.
    fn free(&self, v: usize) -> Quadratic {
        self.weighed(v, self.coupling.as_ref().map_or(1.0, |c| c.area(v)))
    }

    fn weighed(&self, v: usize, area: f64) -> Quadratic {
        let mut form = self.gram.quadratic(v);
        form.scale(area);
        let toward = self.on_candidates(v, self.base.of(v).map(|(id, w)| (id, f64::from(w))));
        form.pull_toward(self.options.hold_percent.powi(2), &toward);
        form
    }

    /// The same with its neighbours as they are, its partner left out: the two move together.
    fn coupled(&self, v: usize, solved: &[Solved]) -> Quadratic {
        let mut form = self.free(v);
        let mend = self.mends.get(v).copied().unwrap_or_default();
        let ring = self.rings.of(v);
        let weight = self.coupling.as_ref().map_or(0.0, Coupling::weight)
            + mend.pull / ring.len().max(1) as f64;
        if weight > 0.0 {
            let partner = self.mirror.and_then(|mirror| mirror.vertex(v));
            for &n in ring {
                let n = n as usize;
                if partner == Some(n) {
                    continue;
                }
                let toward = match self.kept.and_then(|kept| kept.of(n)) {
                    Some(row) => self.on_candidates(v, row.map(|(id, w)| (id, f64::from(w)))),
                    None => {
                        let ids = self.ids(n).iter().copied();
                        self.on_candidates(v, ids.zip(solved[n].w))
                    }
                };
                form.pull_toward(weight, &toward);
            }
        }
        let bar = BAR * form.magnitude();
        for i in (0..form.len()).filter(|&i| mend.barred >> i & 1 == 1) {
            form.tie(bar, i, None);
        }
        form
    }

    /// The best weights of a vertex that is no image, with its neighbours as they are.
    pub fn updated(&self, v: usize, solved: &[Solved], search: &mut Search) -> Solved {
        if self.size(v) == 1 {
            return solved[v];
        }
        self.best(v, &self.program(v, Some(solved)), search)
    }

    /// Gives the partner of a vertex its weights, mirrored.
    pub fn copy_to_image(&self, v: usize, solved: &mut [Solved]) {
        let (Some(mirror), Role::First(image)) = (self.mirror, role(self.mirror, v)) else {
            return;
        };
        let (ids, of_first) = (self.ids(v).iter(), solved[v]);
        let mirrored = ids
            .zip(of_first.w)
            .filter_map(|(&id, w)| Some((mirror.joint(id)?, w)));
        solved[image] = Solved {
            w: self.on_candidates(image, mirrored),
            proved: of_first.proved,
        };
    }

    fn best(&self, v: usize, program: &Program, search: &mut Search) -> Solved {
        let relaxed = program.form.minimum(program.form.all());
        self.capped(v, program, relaxed, search)
    }

    /// The best weights of at most K joints, small ones pruned.
    fn capped(&self, v: usize, program: &Program, relaxed: Minimum, search: &mut Search) -> Solved {
        let Program { form, groups } = program;
        let best = search.best(form, &groups.sizes, self.options.influences, relaxed);
        let pruned = pruned(form, &groups.sizes, best.minimum, self.options.prune);
        Solved {
            w: groups.spread(&pruned.w, self.size(v)),
            proved: best.proved,
        }
    }

    /// Rounds a vertex to the grid, into its row; gives its KKT residual before rounding. The row of an
    /// image is left as it is.
    fn finish(&self, v: usize, solved: &[Solved], row: &mut [(JointId, f32)]) -> f64 {
        let ids = self.ids(v);
        if let Role::Image(_) = role(self.mirror, v) {
            return 0.0;
        }
        if let [id] = *ids {
            row[0] = (id, 1.0);
            return 0.0;
        }
        let Program { form, groups } = self.program(v, Some(solved));
        let w = groups.sums(&solved[v].w, ids.len());
        let steps = self.kept.map_or(self.options.steps, |kept| kept.steps(v));
        let counts = rounded(&form, &groups.sizes, &w, steps, self.options);
        let of_joints = ids
            .iter()
            .enumerate()
            .map(|(i, &id)| (id, counts[groups.of(i)]));
        for (entry, (id, count)) in row.iter_mut().zip(of_joints.filter(|entry| entry.1 > 0)) {
            let weight = f64::from(count) / f64::from(steps);
            *entry = (id, weight as f32);
        }
        let support = Minimum { w, value: 0.0 }.support();
        form.kkt_residual(&w, support)
    }

    /// Weights of the solve, with those that are kept in their place.
    fn beside_kept(&self, weights: Weights) -> Weights {
        match self.kept {
            Some(kept) => kept.over(&weights),
            None => weights,
        }
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

/// The program that is solved for a vertex, over its candidates or groups of them.
struct Program {
    form: Quadratic,
    groups: Groups,
}

impl Program {
    /// Every candidate by itself.
    fn alone(form: Quadratic) -> Self {
        Self {
            groups: Groups::single(form.len()),
            form,
        }
    }
}

/// Leaves out variables whose joints would each have less than `least`, and solves the others again.
fn pruned(form: &Quadratic, sizes: &Sizes, mut minimum: Minimum, least: f64) -> Minimum {
    loop {
        let support = minimum.support();
        let is_kept = |i: usize| minimum.w[i] >= least * f64::from(sizes[i]);
        // Each round leaves at least one variable out, so this ends.
        let kept: Set = (0..form.len())
            .filter(|&i| support >> i & 1 == 1 && is_kept(i))
            .fold(0, |set, i| set | 1 << i);
        if kept == support || kept == 0 {
            return minimum;
        }
        minimum = form.minimum(kept);
    }
}

/// Whole steps of each variable. Where their number is odd and only pairs carry weight, one step at least
/// goes to a joint that is its own partner: to the one with which, within the cap, the error is least.
fn rounded(
    form: &Quadratic,
    sizes: &Sizes,
    w: &Vector,
    steps: u32,
    options: &Options,
) -> [u32; MAX_CANDIDATES] {
    let singles = || (0..form.len()).filter(|&i| sizes[i] == 1);
    if steps.is_multiple_of(2) || singles().any(|i| w[i] > 0.0) {
        let used = Minimum { w: *w, value: 0.0 }.support();
        return round_to_grid(form, w, used, sizes, steps);
    }
    let mut search = Search::default();
    let relaxed = form.minimum(form.all());
    singles()
        .map(|single| {
            // It takes its place among the K whether or not it is given weight before rounding.
            let mut others = *sizes;
            others[single] = 0;
            let best = search.best(form, &others, options.influences - 1, relaxed);
            let w = pruned(form, sizes, best.minimum, options.prune).w;
            let used = Minimum { w, value: 0.0 }.support() | 1 << single;
            let counts = round_to_grid(form, &w, used, sizes, steps);
            let on_grid = |i: usize| f64::from(counts[i] * u32::from(sizes[i])) / f64::from(steps);
            (form.value(&std::array::from_fn(on_grid)), counts)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        // A vertex without such a candidate takes no part in the symmetry.
        .map_or([0; MAX_CANDIDATES], |(_, counts)| counts)
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Two joints that are their own partners, and two pairs; best would be half on each pair.
    fn counts(influences: usize, steps: u32) -> [u32; 4] {
        let options = Options {
            influences,
            smoothness: 0.0,
            hold_percent: 1e-4,
            prune: 5e-4,
            steps,
        };
        let mut form = Quadratic::zero(4);
        // Away from the two, from the second a little less; toward the pairs, but for a cost of the first.
        form.pull_toward(1.0, &[-1.0, -0.9, 0.5, 0.5]);
        form.tie(0.1, 2, None);
        let sizes = std::array::from_fn(|i| if i < 2 { 1 } else { 2 });
        let relaxed = form.minimum(0b1100);
        let w = Search::default()
            .best(&form, &sizes, influences.max(2), relaxed)
            .minimum
            .w;
        let counts = rounded(&form, &sizes, &w, steps, &options);
        std::array::from_fn(|i| counts[i])
    }

    #[test]
    fn odd_step_that_pairs_leave_goes_to_a_joint_of_its_own() {
        // Even steps: both pairs, the second a little heavier.
        let [_, _, a, b] = counts(4, 256);
        assert!(a + b == 128 && b > a, "{a} {b}");
        // Room for five: one step, of the cheaper joint.
        let [first, second, a, b] = counts(5, 255);
        assert_eq!((first, second, a + b), (0, 1, 127));
        // Four: one pair must go, the dearer one.
        let [first, second, a, b] = counts(4, 255);
        assert_eq!([first, second, a, b], [0, 1, 0, 127]);
        // Two and one: no pair has room beside a joint of its own.
        let [first, second, a, b] = counts(2, 255);
        assert!(first + second == 255 && a + b == 0);
        assert_eq!(counts(1, 255), [0, 255, 0, 0]);
    }
}
