//! The parts of a bake that take its time, each alone: `cargo bench --bench kernels`.
//!
//! For reading ratios between sizes and between kernels; no test looks at the clock. An item is a vertex
//! in a pose, times the rounds where a kernel runs rounds: figures of one unit can be compared. Layers run
//! on one thread here (a bake runs one block a thread); compiling, welding, Gram matrices, the solve and
//! the tally use all threads: `RAYON_NUM_THREADS=1` makes them alike.

mod kit;

use std::time::Duration;

use divan::Bencher;
use divan::counter::ItemsCount;
use kit::{Tube, mush, relax};
use tanyard::deform::{LayerOptions, Scratch, Stack};
use tanyard::fit::{self, Candidates, Gram};
use tanyard::measure::Tallies;
use tanyard::rig::{LANES, Shapes, Surface};

fn main() {
    // What the command line says comes after, and overrules it.
    divan::Divan::default()
        .max_time(Duration::from_secs(1))
        .config_with_args()
        .main();
}

/// Vertices of the tube.
const SIZES: [usize; 2] = [5_000, 50_000];

/// Rounds of a layer, where it is measured alone.
const ROUNDS: usize = 20;

/// Joints lie so near that after a few rounds all vertices take part, and as near on a fine tube as on a
/// coarse one.
fn tube(vertices: usize) -> Tube {
    Tube::new(vertices, 8)
}

/// Layers on the whole surface, over a block of poses.
fn evaluate(bencher: Bencher, vertices: usize, layers: &[LayerOptions], rounds: usize) {
    let tube = tube(vertices);
    let stack = tube.stack(layers);
    let local = stack.whole(tube.skeleton.joints().len());
    let block = tube.block(&stack);
    let mut scratch = Scratch::default();
    let mut targets = Vec::new();
    bencher
        .counter(ItemsCount::new(tube.surface.len() * LANES * rounds))
        .bench_local(|| {
            let poses = (0..LANES).collect();
            let shapes = local.evaluate(
                block.clone(),
                poses,
                &mut scratch,
                std::mem::take(&mut targets),
            );
            targets = shapes.points();
        });
}

/// A single mush: worked out for each vertex alone, without rounds.
#[divan::bench(args = SIZES)]
fn direct_mush(bencher: Bencher, vertices: usize) {
    evaluate(bencher, vertices, &[mush(ROUNDS)], 1);
}

/// A mush among other layers: its rounds run in the pose.
#[divan::bench(args = SIZES)]
fn mush_rounds(bencher: Bencher, vertices: usize) {
    evaluate(bencher, vertices, &[relax(0), mush(ROUNDS)], ROUNDS);
}

#[divan::bench(args = SIZES)]
fn relax_rounds(bencher: Bencher, vertices: usize) {
    evaluate(bencher, vertices, &[relax(ROUNDS)], ROUNDS);
}

/// Compiling a single mush: every joint is smoothed over the surface.
#[divan::bench(args = SIZES)]
fn compile_mush(bencher: Bencher, vertices: usize) {
    let tube = tube(vertices);
    bencher
        .counter(ItemsCount::new(tube.surface.len() * ROUNDS))
        .bench(|| tube.stack(&[mush(ROUNDS)]));
}

#[divan::bench(args = SIZES)]
fn weld(bencher: Bencher, vertices: usize) {
    let tube = tube(vertices);
    bencher
        .counter(ItemsCount::new(tube.raw.len()))
        .bench(|| Surface::weld(&tube.raw, &tube.triangles));
}

/// A stack with the shapes of a block, ready made.
fn shapes(tube: &Tube) -> (Stack, Shapes) {
    let stack = tube.stack(&[relax(0), mush(ROUNDS)]);
    let local = stack.whole(tube.skeleton.joints().len());
    let poses = (0..LANES).collect();
    let shapes = local.evaluate(
        tube.block(&stack),
        poses,
        &mut Scratch::default(),
        Vec::new(),
    );
    (stack, shapes)
}

fn empty_gram(tube: &Tube, stack: &Stack) -> Gram {
    let rows = (0..tube.surface.len()).map(|v| stack.spread().of(v));
    Gram::new(Candidates::new(rows, 1e-4), tube.surface.diagonal())
}

#[divan::bench(args = SIZES)]
fn gram_fold(bencher: Bencher, vertices: usize) {
    let tube = tube(vertices);
    let (stack, shapes) = shapes(&tube);
    let mut gram = empty_gram(&tube, &stack);
    bencher
        .counter(ItemsCount::new(tube.surface.len() * LANES))
        .bench_local(|| gram.add(stack.rest(), std::slice::from_ref(&shapes)));
}

fn fitted(tube: &Tube, stack: &Stack, gram: &Gram) -> fit::Fitted {
    let options = fit::Options {
        influences: 4,
        smoothness: 0.0,
        hold_percent: 1e-4,
        prune: 5e-4,
        steps: 1 << 24,
    };
    fit::solve(gram, &tube.surface, stack.base(), None, None, &options)
}

/// The whole solve, from Gram matrices to rounded weights; an item is a vertex.
#[divan::bench(args = SIZES)]
fn solve(bencher: Bencher, vertices: usize) {
    let tube = tube(vertices);
    let (stack, shapes) = shapes(&tube);
    let mut gram = empty_gram(&tube, &stack);
    gram.add(stack.rest(), &[shapes]);
    gram.count(LANES as f64);
    bencher
        .counter(ItemsCount::new(tube.surface.len()))
        .bench(|| fitted(&tube, &stack, &gram));
}

/// Errors of four sets of weights, as a bake measures them.
#[divan::bench(args = SIZES)]
fn tally(bencher: Bencher, vertices: usize) {
    let tube = tube(vertices);
    let (stack, shapes) = shapes(&tube);
    let mut gram = empty_gram(&tube, &stack);
    gram.add(stack.rest(), std::slice::from_ref(&shapes));
    gram.count(LANES as f64);
    let fitted = fitted(&tube, &stack, &gram);
    let naive = stack.spread().capped(4);
    let sets = [stack.base(), &naive, &fitted.weights, &fitted.floor];
    let mut tallies = Tallies::new(&sets, tube.surface.diagonal(), LANES);
    bencher
        .counter(ItemsCount::new(tube.surface.len() * LANES))
        .bench_local(|| tallies.add(stack.rest(), std::slice::from_ref(&shapes)));
}
