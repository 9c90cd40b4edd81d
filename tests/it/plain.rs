//! The layers written down plainly, in f64, on the whole surface, straight from the formulas of their
//! sources: what the fast path must equal.
//!
//! Mancewicz et al. 2014 (delta mush), Müller et al. 2007 §3.3 (distance constraints), with frames as
//! docs/method.md states them, here by singular values in place of the closed form.

use nalgebra::{Matrix3, Matrix3x2, SymmetricEigen, Vector3};
use tanyard::deform::{Border, LayerKind, LayerOptions, MushOptions, RelaxOptions};
use tanyard::rig::{Character, Pose, Rings, Weights};

type Shape = Vec<Vector3<f64>>;

/// Positions of every vertex in a pose, in mesh space.
pub fn posed(character: &Character, base: &Weights, layers: &[LayerOptions], pose: &Pose) -> Shape {
    let surface = &character.surface;
    let rest: Shape = surface
        .positions
        .iter()
        .map(|p| Vector3::from(p.map(f64::from)))
        .collect();
    let matrices = character.skeleton.skinning_matrices(pose);
    let blend = |v: usize| {
        base.of(v)
            .map(|(id, w)| (matrices[id.index()] * rest[v].push(1.0)).xyz() * f64::from(w))
            .sum()
    };
    let mut shape: Shape = (0..rest.len()).map(blend).collect();
    for layer in layers {
        let after = match &layer.kind {
            LayerKind::Relax(options) => relax(options, &surface.rings, &rest, &shape),
            LayerKind::Mush(options) => {
                mush(options, &surface.rings, &surface.border, &rest, &shape)
            }
        };
        for v in 0..shape.len() {
            let share = f64::from(layer.blend * layer.mask.as_ref().map_or(1.0, |mask| mask[v]));
            shape[v] = shape[v] + (after[v] - shape[v]) * share;
        }
    }
    shape
}

fn relax(options: &RelaxOptions, rings: &Rings, rest: &Shape, came: &Shape) -> Shape {
    let mut shape = came.clone();
    for _ in 0..options.rounds {
        let pulled = |v: usize| {
            let ring = rings.of(v);
            let pull: Vector3<f64> = ring
                .iter()
                .map(|&n| {
                    let edge = shape[n as usize] - shape[v];
                    let violation = edge.norm() - (rest[n as usize] - rest[v]).norm();
                    let resistance = if violation > 0.0 {
                        options.stretch
                    } else {
                        options.squash
                    };
                    edge.normalize() * violation * f64::from(resistance)
                })
                .sum();
            let step = if ring.is_empty() {
                Vector3::zeros()
            } else {
                pull * 0.5 / ring.len() as f64
            };
            shape[v] + step + (came[v] - shape[v]) * f64::from(options.anchor)
        };
        shape = (0..shape.len()).map(pulled).collect();
    }
    shape
}

fn mush(
    options: &MushOptions,
    rings: &Rings,
    border: &[bool],
    rest: &Shape,
    came: &Shape,
) -> Shape {
    let smooth = |shape: &Shape| {
        let mut shape = shape.clone();
        for _ in 0..options.rounds {
            let moved = |v: usize| {
                let ring = rings.of(v);
                if ring.is_empty() || (options.border == Border::Held && border[v]) {
                    return shape[v];
                }
                let mean = ring
                    .iter()
                    .map(|&n| shape[n as usize])
                    .sum::<Vector3<f64>>()
                    / ring.len() as f64;
                shape[v] + (mean - shape[v]) * f64::from(options.pull)
            };
            shape = (0..shape.len()).map(moved).collect();
        }
        shape
    };
    let (bind, now) = (smooth(rest), smooth(came));
    let detail = f64::from(options.detail);
    (0..rest.len())
        .map(|v| {
            let d = rest[v] - bind[v];
            let through = rotation(v, rings, &bind, &now) * d * detail;
            let kept = if detail < 1.0 {
                rotation(v, rings, rest, came) * d * (1.0 - detail)
            } else {
                Vector3::zeros()
            };
            now[v] + through + kept
        })
        .collect()
}

/// The rotation closest to the least-squares map of a ring's edges, within their two principal directions.
fn rotation(v: usize, rings: &Rings, bind: &Shape, now: &Shape) -> Matrix3<f64> {
    let edges = |shape: &Shape| -> Vec<Vector3<f64>> {
        rings
            .of(v)
            .iter()
            .map(|&n| shape[n as usize] - shape[v])
            .collect()
    };
    let (e, f) = (edges(bind), edges(now));
    let eigen = SymmetricEigen::new(e.iter().map(|e| e * e.transpose()).sum::<Matrix3<f64>>());
    let mut order = [0, 1, 2];
    order.sort_by(|&i, &j| eigen.eigenvalues[j].total_cmp(&eigen.eigenvalues[i]));
    let axis = |i: usize| eigen.eigenvectors.column(order[i]).into_owned();
    let image = |i: usize| {
        let sum: Vector3<f64> = e.iter().zip(&f).map(|(e, f)| f * e.dot(&axis(i))).sum();
        sum / eigen.eigenvalues[order[i]]
    };
    let svd = Matrix3x2::from_columns(&[image(0), image(1)]).svd(true, true);
    let polar = svd.u.expect("asked for") * svd.v_t.expect("asked for");
    let frame = |a: Vector3<f64>, b: Vector3<f64>| Matrix3::from_columns(&[a, b, a.cross(&b)]);
    frame(polar.column(0).into_owned(), polar.column(1).into_owned())
        * frame(axis(0), axis(1)).transpose()
}
