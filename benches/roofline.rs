//! What share of the machine the rounds of a mush reach: `cargo bench --bench roofline`.
//!
//! Measures peaks of one core in the same run, then the time of a step, as the difference of two stacks
//! that differ only in their rounds: frames, skinning and copies drop out. Sixteen rounds are still run as
//! they are: an expansion would need more than 0.75 of them. A step reaches one ring farther than the one
//! before it; joints lie sixteen rings apart, so that the steps in the difference run on every vertex.
//!
//! Counted from `filter_step` in `src/deform/mush.rs`, for a vertex with a ring of n, 8 poses × 3
//! coordinates at once (24 lanes, 96 bytes):
//!
//! - operations: n additions for the ring, then three products and two sums: (n + 5) · 24;
//! - memory: the vertex once from the current shape, and once in and out of the one before it: 3 · 96. The
//!   ring was or will be read for its own sake; then 4n + 4 for its list, one for the flag of held ones;
//! - loads into registers: the ring, the vertex, and what was before: (n + 2) · 96.
//!
//! Steps are run a few at a time over vertices that the cache still holds, so that the share of memory can
//! be above one. Products and sums are never fused (the bits would differ from machine to machine): the
//! second peak is what they can reach.

mod kit;

use std::hint::black_box;
use std::time::Instant;

use kit::{Tube, mush, relax};
use tanyard::deform::{LocalStack, Scratch};
use tanyard::rig::{Block, LANES, Point};

/// Times are medians of so many runs.
const RUNS: usize = 21;

const FEW_ROUNDS: usize = 8;
const MORE_ROUNDS: usize = 16;

/// Bytes of one coordinate triple in all poses of a block.
const POINT: f64 = size_of::<Point>() as f64;
const LANES_OF_POINT: f64 = (3 * LANES) as f64;

fn main() {
    // Tests of all targets run this too: there is nothing to check.
    if !std::env::args().any(|arg| arg == "--bench") {
        return;
    }
    let wide = has_wide_vectors();
    let (fused, separate) = (peak_rate(wide, true), peak_rate(wide, false));
    let loads = load_rate(wide);
    println!(
        "peaks of one core{}",
        if wide { " (AVX2, FMA)" } else { "" }
    );
    println!("  products and sums, fused     {:7.1} G/s", fused / 1e9);
    println!("  products and sums, separate  {:7.1} G/s", separate / 1e9);
    println!("  loads from the nearest cache {:7.1} GB/s", loads / 1e9);
    for vertices in [13_000, 53_000] {
        let tube = Tube::new(vertices, 2 * FEW_ROUNDS);
        let vertices = tube.surface.len() as f64;
        let ring = tube.surface.rings.entries() as f64 / vertices;
        let memory = memory_rate(wide, tube.surface.len());
        let step = step_seconds(&tube) / vertices;
        let operations = (ring + 5.0) * LANES_OF_POINT;
        let bytes = 3.0 * POINT + 4.0 * ring + 5.0;
        let loaded = (ring + 2.0) * POINT;
        println!(
            "{vertices} vertices, mean ring {ring:.2}, three buffers of {:.1} MB",
            POINT * vertices / 1e6
        );
        println!(
            "  memory, two read and one written: {:.1} GB/s",
            memory / 1e9
        );
        let mut most = (0.0, "");
        for (name, count, unit, peak) in [
            ("products and sums", operations, "", separate),
            ("memory", bytes, "B", memory),
            ("loads", loaded, "B", loads),
        ] {
            let share = count / step / peak;
            println!(
                "  {name:<18} {count:5.0} a vertex and step  {:7.1} G{unit}/s  {:3.0} % of the peak",
                count / step / 1e9,
                100.0 * share
            );
            if share > most.0 {
                most = (share, name);
            }
        }
        println!(
            "  of the fused peak {:.0} %; what binds: {}",
            100.0 * operations / step / fused,
            most.1
        );
    }
}

/// The median time of a step over all vertices, in seconds.
fn step_seconds(tube: &Tube) -> f64 {
    let stack = |rounds| tube.stack(&[relax(0), mush(rounds)]);
    let (few, more) = (stack(FEW_ROUNDS), stack(MORE_ROUNDS));
    let block = tube.block(&few);
    let joints = tube.skeleton.joints().len();
    let (few, more) = (few.whole(joints), more.whole(joints));
    let mut buffers = Buffers::default();
    let differences = (0..RUNS).map(|_| {
        // In turn, so that a slow moment of the machine meets both.
        let few = seconds(|| buffers.run(&few, &block));
        seconds(|| buffers.run(&more, &block)) - few
    });
    median(differences.collect()) / (MORE_ROUNDS - FEW_ROUNDS) as f64
}

#[derive(Default)]
struct Buffers {
    scratch: Scratch,
    targets: Vec<Point>,
}

impl Buffers {
    fn run(&mut self, stack: &LocalStack, block: &Block) {
        let targets = std::mem::take(&mut self.targets);
        let poses = (0..LANES).collect();
        let shapes = stack.evaluate(block.clone(), poses, &mut self.scratch, targets);
        if let tanyard::rig::Targets::Known(targets) = shapes.targets {
            self.targets = targets;
        }
    }
}

fn seconds(run: impl FnOnce()) -> f64 {
    let clock = Instant::now();
    run();
    clock.elapsed().as_secs_f64()
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// The median time of a loop.
fn median_seconds(mut run: impl FnMut()) -> f64 {
    median((0..RUNS).map(|_| seconds(&mut run)).collect())
}

/// Products and sums a second, in registers alone.
fn peak_rate(wide: bool, fused: bool) -> f64 {
    const STEPS: usize = 400_000;
    let time = median_seconds(|| match (wide, fused) {
        // SAFETY: the processor has these vectors.
        #[cfg(target_arch = "x86_64")]
        (true, true) => unsafe { wide::fused(STEPS) },
        #[cfg(target_arch = "x86_64")]
        (true, false) => unsafe { wide::separate(STEPS) },
        _ => plain::separate(STEPS),
    });
    (STEPS * CHAINS * LANES * 2) as f64 / time
}

/// Bytes a second from the nearest cache into registers.
fn load_rate(wide: bool) -> f64 {
    const REPEATS: usize = 2_000;
    // Half of the smallest nearest cache in use. Points: a load never crosses a line of the cache.
    let data = vec![Point::splat([1.0; 3]); 16 * 1024 / size_of::<Point>()];
    let time = median_seconds(|| {
        for _ in 0..REPEATS {
            let data = black_box(data.as_slice());
            match wide {
                // SAFETY: the processor has these vectors.
                #[cfg(target_arch = "x86_64")]
                true => unsafe { wide::sum(data) },
                _ => plain::sum(data),
            }
        }
    });
    (REPEATS * size_of_val(data.as_slice())) as f64 / time
}

/// Bytes a second that a loop over three arrays of that many points moves.
fn memory_rate(wide: bool, points: usize) -> f64 {
    let [a, b, mut c] = [1.0, 2.0, 0.0].map(|x| vec![Point::splat([x; 3]); points]);
    let mut run = || match wide {
        // SAFETY: the processor has these vectors.
        #[cfg(target_arch = "x86_64")]
        true => unsafe { wide::triad(black_box(&a), &b, &mut c) },
        _ => plain::triad(black_box(&a), &b, &mut c),
    };
    run();
    let time = median_seconds(&mut run);
    black_box(&c);
    3.0 * POINT * points as f64 / time
}

/// Independent sums: enough to hide that each waits for its last.
const CHAINS: usize = 14;

const BY: f32 = 0.999;
const PLUS: f32 = 1e-3;

fn has_wide_vectors() -> bool {
    #[cfg(target_arch = "x86_64")]
    return is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma");
    #[cfg(not(target_arch = "x86_64"))]
    false
}

/// The loops with vectors of eight.
#[cfg(target_arch = "x86_64")]
mod wide {
    use std::arch::x86_64::{
        __m256, _mm256_add_ps, _mm256_fmadd_ps, _mm256_mul_ps, _mm256_set1_ps,
    };
    use std::hint::black_box;

    use super::{BY, CHAINS, PLUS, Point};

    #[target_feature(enable = "avx2,fma")]
    pub fn fused(steps: usize) {
        let (by, plus) = (_mm256_set1_ps(BY), _mm256_set1_ps(PLUS));
        let mut chains = [_mm256_set1_ps(0.5); CHAINS];
        for _ in 0..steps {
            for chain in &mut chains {
                *chain = _mm256_fmadd_ps(*chain, by, plus);
            }
        }
        black_box(chains);
    }

    #[target_feature(enable = "avx2")]
    pub fn separate(steps: usize) {
        let (by, plus) = (_mm256_set1_ps(BY), _mm256_set1_ps(PLUS));
        let mut chains: [__m256; CHAINS] = [_mm256_set1_ps(0.5); CHAINS];
        for _ in 0..steps {
            for chain in &mut chains {
                *chain = _mm256_add_ps(_mm256_mul_ps(*chain, by), plus);
            }
        }
        black_box(chains);
    }

    #[target_feature(enable = "avx2")]
    pub fn sum(data: &[Point]) {
        super::plain::sum(data);
    }

    #[target_feature(enable = "avx2")]
    pub fn triad(a: &[Point], b: &[Point], c: &mut [Point]) {
        super::plain::triad(a, b, c);
    }
}

/// The same loops for any machine.
mod plain {
    use std::hint::black_box;

    use super::{BY, CHAINS, LANES, PLUS, Point};

    pub fn separate(steps: usize) {
        let mut chains = [[0.5f32; LANES]; CHAINS];
        for _ in 0..steps {
            for x in chains.iter_mut().flatten() {
                *x = *x * BY + PLUS;
            }
        }
        black_box(chains);
    }

    #[inline(always)]
    pub fn sum(data: &[Point]) {
        let mut sums = [Point::ZERO; 3];
        for part in data.chunks_exact(sums.len()) {
            for (sum, point) in sums.iter_mut().zip(part) {
                for l in 0..LANES {
                    sum.x[l] += point.x[l];
                    sum.y[l] += point.y[l];
                    sum.z[l] += point.z[l];
                }
            }
        }
        black_box(sums);
    }

    #[inline(always)]
    pub fn triad(a: &[Point], b: &[Point], c: &mut [Point]) {
        for ((a, b), c) in a.iter().zip(b).zip(c) {
            for l in 0..LANES {
                c.x[l] = a.x[l] + BY * b.x[l];
                c.y[l] = a.y[l] + BY * b.y[l];
                c.z[l] = a.z[l] + BY * b.z[l];
            }
        }
    }
}
