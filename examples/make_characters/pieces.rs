//! Separate pieces worn on the body: straps, tubes, frames, balls.

use std::f64::consts::{PI, TAU};

use crate::field::{V3, gradient, project, v};
use crate::mesh::{Mesh, unit};

/// A mesh with texture coordinates per triangle corner, in the unit square of its band.
#[derive(Clone, Default)]
pub struct Piece {
    pub mesh: Mesh,
    pub uv: Vec<[[f64; 2]; 3]>,
}

/// A closed loop where the plane through `c` spanned by `e1`, `e2` leaves the inside of `f`, at
/// even steps of about `step`.
pub fn plane_loop(f: &dyn Fn(V3) -> f64, c: V3, e1: V3, e2: V3, step: f64) -> Vec<V3> {
    let e1 = unit(e1);
    let e2 = unit(e2 - e1 * e1.dot(&e2));
    let rays = 360;
    let pts: Vec<V3> = (0..rays)
        .map(|i| {
            let a = TAU * i as f64 / rays as f64;
            let d = e1 * a.cos() + e2 * a.sin();
            let mut far = step * 0.25;
            while f(c + d * far) < 0.0 && far < step * 400.0 {
                far += step * 0.25;
            }
            let (mut lo, mut hi) = (far - step * 0.25, far);
            for _ in 0..24 {
                let m = (lo + hi) / 2.0;
                if f(c + d * m) < 0.0 {
                    lo = m;
                } else {
                    hi = m;
                }
            }
            c + d * hi
        })
        .collect();
    even(&pts, step, true)
}

/// Resamples a line at even steps.
pub fn even(pts: &[V3], step: f64, closed: bool) -> Vec<V3> {
    let mut line = pts.to_vec();
    if closed {
        line.push(pts[0]);
    }
    let total: f64 = line.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
    let count = (total / step).round().max(6.0) as usize;
    let gap = total / count as f64;
    let mut out = vec![line[0]];
    let mut walked = 0.0;
    for w in line.windows(2) {
        let len = (w[1] - w[0]).norm();
        while walked + len >= gap * out.len() as f64 && out.len() < count {
            let t = (gap * out.len() as f64 - walked) / len;
            out.push(w[0] + (w[1] - w[0]) * t);
        }
        walked += len;
    }
    if !closed {
        out.push(line[line.len() - 1]);
    }
    out
}

/// Smooths a line a little; open ends stay.
pub fn soften(pts: &mut [V3], rounds: usize, closed: bool) {
    let n = pts.len();
    for _ in 0..rounds {
        let old = pts.to_vec();
        for i in 0..n {
            if !closed && (i == 0 || i == n - 1) {
                continue;
            }
            let mid = (old[(i + n - 1) % n] + old[(i + 1) % n]) / 2.0;
            pts[i] = old[i] * 0.5 + mid * 0.5;
        }
    }
}

/// Cross-section of a strap: half width, gap to the body, thickness.
#[derive(Clone, Copy)]
pub struct Band {
    pub half: f64,
    pub gap: f64,
    pub thick: f64,
}

/// A closed strap that follows the surface of `f` along the loop `pts`.
pub fn strap(f: &dyn Fn(V3) -> f64, pts: &[V3], band: Band) -> Piece {
    // Across: inner face from one edge to the other, outer face back, slightly narrower.
    let across: [(f64, f64); 12] = [
        (-0.96, 0.0),
        (-0.5, 0.0),
        (0.0, 0.0),
        (0.5, 0.0),
        (0.96, 0.0),
        (1.0, 0.5),
        (0.93, 1.0),
        (0.5, 1.0),
        (0.0, 1.0),
        (-0.5, 1.0),
        (-0.93, 1.0),
        (-1.0, 0.5),
    ];
    let n = pts.len();
    let e = band.half * 0.02;
    let mut rings = Vec::with_capacity(n);
    for i in 0..n {
        let c = project(f, pts[i], 0.0, 6, band.half);
        let t = pts[(i + 1) % n] - pts[(i + n - 1) % n];
        let up = unit(gradient(f, c, e));
        let side = unit(unit(t).cross(&up));
        rings.push(
            across
                .iter()
                .map(|(w, h)| {
                    let q = c + side * (w * band.half) + up * (band.gap + h * band.thick);
                    project(f, q, band.gap + h * band.thick, 6, band.half)
                })
                .collect::<Vec<_>>(),
        );
    }
    lathe(&rings, true)
}

/// Joins rings of equal size; closed around, and along when `looped`, else capped.
pub fn lathe(rings: &[Vec<V3>], looped: bool) -> Piece {
    let mut out = wall(rings, looped);
    if !looped {
        cap(&mut out, rings);
    }
    outward(&mut out);
    out
}

/// Joins rings of equal size to a sheet; closed around, and along when `looped`, else open at both ends.
pub fn wall(rings: &[Vec<V3>], looped: bool) -> Piece {
    let (n, m) = (rings.len(), rings[0].len());
    let mut out = Piece::default();
    for r in rings {
        out.mesh.pos.extend_from_slice(r);
    }
    let id = |i: usize, j: usize| ((i % n) * m + j % m) as u32;
    let last = if looped { n } else { n - 1 };
    for i in 0..last {
        for j in 0..m {
            let uv =
                |di: usize, dj: usize| [(j + dj) as f64 / m as f64, (i + di) as f64 / last as f64];
            out.mesh
                .tris
                .push([id(i, j), id(i + 1, j), id(i + 1, j + 1)]);
            out.uv.push([uv(0, 0), uv(1, 0), uv(1, 1)]);
            out.mesh
                .tris
                .push([id(i, j), id(i + 1, j + 1), id(i, j + 1)]);
            out.uv.push([uv(0, 0), uv(1, 1), uv(0, 1)]);
        }
    }
    out
}

/// Closes the first and the last ring of a wall with fans.
fn cap(out: &mut Piece, rings: &[Vec<V3>]) {
    let (n, m) = (rings.len(), rings[0].len());
    for (i, flip) in [(0, false), (n - 1, true)] {
        let c = rings[i].iter().sum::<V3>() / m as f64;
        let mid = out.mesh.pos.len() as u32;
        out.mesh.pos.push(c);
        for j in 0..m {
            let uv = |k: usize| {
                let a = TAU * k as f64 / m as f64;
                [0.5 + 0.3 * a.cos(), 0.5 + 0.3 * a.sin()]
            };
            let (a, b) = ((i * m + j) as u32, (i * m + (j + 1) % m) as u32);
            out.mesh
                .tris
                .push(if flip { [mid, b, a] } else { [mid, a, b] });
            let (ua, ub) = (uv(j), uv(j + 1));
            out.uv.push(if flip {
                [[0.5, 0.5], ub, ua]
            } else {
                [[0.5, 0.5], ua, ub]
            });
        }
    }
}

/// The mirror image of a piece.
pub fn reflected(piece: &Piece) -> Piece {
    let mut out = piece.clone();
    for p in &mut out.mesh.pos {
        p.x = -p.x;
    }
    out.mesh.tris.iter_mut().for_each(|t| t.swap(1, 2));
    out.uv.iter_mut().for_each(|u| u.swap(1, 2));
    out
}

/// Turns a piece inside out when its volume is negative.
pub fn outward(piece: &mut Piece) {
    let mesh = &piece.mesh;
    let volume: f64 = mesh
        .tris
        .iter()
        .map(|t| {
            let [a, b, c] = t.map(|i| mesh.pos[i as usize]);
            a.dot(&b.cross(&c))
        })
        .sum();
    if volume < 0.0 {
        for t in &mut piece.mesh.tris {
            t.swap(1, 2);
        }
        for u in &mut piece.uv {
            u.swap(1, 2);
        }
    }
}

/// Rings of a round tube along a line; `radius` by the share of the length.
fn tube_rings(pts: &[V3], sides: usize, radius: &dyn Fn(f64) -> f64, closed: bool) -> Vec<Vec<V3>> {
    let n = pts.len();
    let tangent = |i: usize| {
        let (a, b) = if closed {
            ((i + n - 1) % n, (i + 1) % n)
        } else {
            (i.saturating_sub(1), (i + 1).min(n - 1))
        };
        unit(pts[b] - pts[a])
    };
    let t0 = tangent(0);
    let mut x = unit(t0.cross(&v(0.31, 0.83, 0.47)));
    (0..n)
        .map(|i| {
            let t = tangent(i);
            x = unit(x - t * x.dot(&t));
            let y = t.cross(&x);
            let r = radius(i as f64 / (n - 1) as f64);
            (0..sides)
                .map(|j| {
                    let a = TAU * j as f64 / sides as f64;
                    pts[i] + (x * a.cos() + y * a.sin()) * r
                })
                .collect()
        })
        .collect()
}

/// An open tube with capped ends.
pub fn tube(pts: &[V3], sides: usize, radius: &dyn Fn(f64) -> f64) -> Piece {
    lathe(&tube_rings(pts, sides, radius, false), false)
}

/// A closed wire: a buckle frame, a rein ring. The loop must be planar.
pub fn wire(pts: &[V3], sides: usize, radius: f64) -> Piece {
    lathe(&tube_rings(pts, sides, &|_| radius, true), true)
}

/// A line through control points (Catmull-Rom).
pub fn spline(ctrl: &[V3], step: f64) -> Vec<V3> {
    let n = ctrl.len();
    let mut out = Vec::new();
    for i in 0..n - 1 {
        let p0 = ctrl[i.saturating_sub(1)];
        let (p1, p2) = (ctrl[i], ctrl[i + 1]);
        let p3 = ctrl[(i + 2).min(n - 1)];
        for k in 0..24 {
            let t = k as f64 / 24.0;
            let (t2, t3) = (t * t, t * t * t);
            out.push(
                (p1 * 2.0
                    + (p2 - p0) * t
                    + (p0 * 2.0 - p1 * 5.0 + p2 * 4.0 - p3) * t2
                    + (p1 * 3.0 - p0 - p2 * 3.0 + p3) * t3)
                    * 0.5,
            );
        }
    }
    out.push(ctrl[n - 1]);
    even(&out, step, false)
}

/// A ball whose V runs from the front pole (pupil) to the back.
pub fn ball(c: V3, front: V3, r: f64, rings: usize, sides: usize) -> Piece {
    let front = unit(front);
    let x = unit(front.cross(&v(0.1, 1.0, 0.2)));
    let y = front.cross(&x);
    let mut out = Piece::default();
    out.mesh.pos.push(c + front * r);
    for i in 1..rings {
        let a = PI * i as f64 / rings as f64;
        for j in 0..sides {
            let b = TAU * j as f64 / sides as f64;
            let d = front * a.cos() + (x * b.cos() + y * b.sin()) * a.sin();
            out.mesh.pos.push(c + d * r);
        }
    }
    out.mesh.pos.push(c - front * r);
    let end = out.mesh.pos.len() as u32 - 1;
    let id = |i: usize, j: usize| {
        if i == 0 {
            0
        } else if i == rings {
            end
        } else {
            (1 + (i - 1) * sides + j % sides) as u32
        }
    };
    for i in 0..rings {
        for j in 0..sides {
            let uv = |di: usize, dj: f64| {
                [
                    (j as f64 + dj) / sides as f64,
                    (i + di) as f64 / rings as f64,
                ]
            };
            if i > 0 {
                out.mesh.tris.push([id(i, j), id(i, j + 1), id(i + 1, j)]);
                out.uv.push([uv(0, 0.0), uv(0, 1.0), uv(1, 0.0)]);
            }
            if i < rings - 1 {
                out.mesh
                    .tris
                    .push([id(i, j + 1), id(i + 1, j + 1), id(i + 1, j)]);
                out.uv.push([uv(0, 1.0), uv(1, 1.0), uv(1, 0.0)]);
            }
        }
    }
    outward(&mut out);
    out
}

/// Corner texture coordinates by a projection per face direction (a box unwrap), `per` units wide.
pub fn box_uv(mesh: &Mesh, per: f64) -> Vec<[[f64; 2]; 3]> {
    (0..mesh.tris.len())
        .map(|t| {
            let n = mesh.face_normal(t).abs();
            let axis = n.imax();
            mesh.tris[t].map(|i| {
                let q = mesh.pos[i as usize] / per;
                // The band is periodic in u only; v folds back on itself.
                let fold = |x: f64| 1.0 - (x.rem_euclid(2.0) - 1.0).abs();
                match axis {
                    0 => [q.z, fold(q.y)],
                    1 => [q.x, fold(q.z)],
                    _ => [q.x, fold(q.y)],
                }
            })
        })
        .collect()
}
