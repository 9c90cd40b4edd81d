//! The implicit surface of a character: simple solids hung on bones, joined smoothly.
//!
//! Solids are kept in groups (torso, one per limb, one per finger). Inside a group all solids blend;
//! a group blends with the others only near its attachment, so that an arm stays free of the torso
//! below the armpit and two fingers never melt together.

use nalgebra::{Rotation3, Vector3};

use crate::rig::Rig;

/// A point or direction.
pub type V3 = Vector3<f64>;

/// Shorthand for a vector.
pub fn v(x: f64, y: f64, z: f64) -> V3 {
    V3::new(x, y, z)
}

/// A solid with a (near) signed distance.
#[derive(Clone)]
pub enum Shape {
    /// Convex hull of two balls, optionally flattened: `squash.1` < 1 thins it along `squash.0`.
    Cone {
        a: V3,
        b: V3,
        ra: f64,
        rb: f64,
        squash: Option<(V3, f64)>,
    },
    /// Ellipsoid with radii along the axes of `rot`.
    Ellipsoid { c: V3, rot: Rotation3<f64>, r: V3 },
    /// Box with rounded edges.
    Block {
        c: V3,
        rot: Rotation3<f64>,
        half: V3,
        round: f64,
    },
    /// Elliptic ring around the Y axis of `rot`; radii along its X and Z, then the thickness.
    Ring {
        c: V3,
        rot: Rotation3<f64>,
        rx: f64,
        rz: f64,
        minor: f64,
    },
}

impl Shape {
    /// Signed distance, negative inside. Flattened solids give a lower bound.
    pub fn dist(&self, p: V3) -> f64 {
        match self {
            Shape::Cone {
                a,
                b,
                ra,
                rb,
                squash,
            } => match squash {
                None => round_cone(p - a, b - a, *ra, *rb),
                Some((axis, f)) => {
                    let grow = |q: V3| q + axis * (q.dot(axis) * (1.0 / f - 1.0));
                    round_cone(grow(p - a), grow(b - a), *ra, *rb) * f
                }
            },
            Shape::Ellipsoid { c, rot, r } => {
                let q = rot.inverse_transform_vector(&(p - c));
                let k0 = q.component_div(r).norm();
                let k1 = q.component_div(r).component_div(r).norm();
                if k1 < 1e-9 {
                    -r.min()
                } else {
                    k0 * (k0 - 1.0) / k1
                }
            }
            Shape::Block {
                c,
                rot,
                half,
                round,
            } => {
                let q = rot.inverse_transform_vector(&(p - c)).abs() - half;
                q.map(|x| x.max(0.0)).norm() + q.max().min(0.0) - round
            }
            Shape::Ring {
                c,
                rot,
                rx,
                rz,
                minor,
            } => {
                let q = rot.inverse_transform_vector(&(p - c));
                let (x, z) = (q.x / rx, q.z / rz);
                let k0 = x.hypot(z);
                let k1 = (x / rx).hypot(z / rz);
                let flat = if k1 < 1e-9 {
                    -rx.min(*rz)
                } else {
                    k0 * (k0 - 1.0) / k1
                };
                flat.hypot(q.y) - minor
            }
        }
    }

    /// How far `p` lies beyond the ends of a cone, along it.
    fn beyond(&self, p: V3) -> f64 {
        let Shape::Cone { a, b, .. } = self else {
            return 0.0;
        };
        let axis = b - a;
        let t = (p - a).dot(&axis) / axis.norm();
        (-t).max(t - axis.norm()).max(0.0)
    }

    /// Ball that holds the solid.
    fn ball(&self) -> (V3, f64) {
        match self {
            Shape::Cone { a, b, ra, rb, .. } => ((a + b) / 2.0, (b - a).norm() / 2.0 + ra.max(*rb)),
            Shape::Ellipsoid { c, r, .. } => (*c, r.max()),
            Shape::Block { c, half, round, .. } => (*c, half.norm() + round),
            Shape::Ring {
                c, rx, rz, minor, ..
            } => (*c, rx.max(*rz) + minor),
        }
    }
}

/// Signed distance to the hull of two balls, the first at the origin, the second at `ba`.
fn round_cone(pa: V3, ba: V3, r1: f64, r2: f64) -> f64 {
    let l2 = ba.norm_squared();
    let rr = r1 - r2;
    let a2 = l2 - rr * rr;
    if a2 <= 0.0 {
        return (pa.norm() - r1).min((pa - ba).norm() - r2);
    }
    let il2 = 1.0 / l2;
    let y = pa.dot(&ba);
    let z = y - l2;
    let x2 = (pa * l2 - ba * y).norm_squared();
    let y2 = y * y * l2;
    let z2 = z * z * l2;
    let k = rr.signum() * rr * rr * x2;
    if z.signum() * a2 * z2 > k {
        return (x2 + z2).sqrt() * il2 - r2;
    }
    if y.signum() * a2 * y2 < k {
        return (x2 + y2).sqrt() * il2 - r1;
    }
    ((x2 * a2 * il2).sqrt() + y * rr) * il2 - r1
}

/// Smooth minimum with bounded reach `k`; the plain minimum for `k` = 0.
fn smin(a: f64, b: f64, k: f64) -> f64 {
    if k < 1e-9 {
        return a.min(b);
    }
    let h = (k - (a - b).abs()).max(0.0) / k;
    a.min(b) - h * h * k * 0.25
}

/// One solid: to which bone it belongs and how it joins its group.
#[derive(Clone)]
struct Solid {
    shape: Shape,
    bone: usize,
    k: f64,
    carve: bool,
    /// Holding ball, and the least slope of the distance outside of it.
    ball: (V3, f64),
    slope: f64,
}

impl Solid {
    fn new(shape: Shape, bone: usize, k: f64, carve: bool) -> Solid {
        let slope = match &shape {
            Shape::Cone { squash, .. } => squash.map_or(1.0, |s| s.1),
            Shape::Ellipsoid { r, .. } => r.min() / r.max(),
            Shape::Ring { rx, rz, .. } => rx.min(*rz) / rx.max(*rz),
            Shape::Block { .. } => 1.0,
        };
        Solid {
            ball: shape.ball(),
            slope,
            shape,
            bone,
            k,
            carve,
        }
    }

    /// A lower bound of the distance at `p`.
    fn at_least(&self, p: V3) -> f64 {
        ((p - self.ball.0).norm() - self.ball.1) * self.slope
    }
}

/// Where a group grows out of the rest, and how far the blend reaches.
#[derive(Clone, Copy)]
pub struct Attach {
    pub at: V3,
    pub reach: f64,
    pub k: f64,
}

#[derive(Clone)]
struct Group {
    solids: Vec<Solid>,
    attach: Option<Attach>,
    ball: (V3, f64),
}

/// Folds in cloth or hide: a small sine displacement around a place.
#[derive(Clone)]
pub struct Folds {
    pub at: V3,
    pub reach: f64,
    pub dir: V3,
    pub wave: f64,
    pub amp: f64,
}

/// The whole implicit surface.
#[derive(Clone, Default)]
pub struct Field {
    groups: Vec<Group>,
    folds: Vec<Folds>,
    bones: usize,
    /// On the round outside of a bend two cones are equally near: each owns its half.
    halving: bool,
}

impl Field {
    /// Starts an empty field over `bones` bones.
    pub fn new(bones: usize) -> Self {
        Field {
            bones,
            ..Field::default()
        }
    }

    /// As `new`, but where two cones share an end, each owns its side of the plane between them.
    pub fn halving(bones: usize) -> Self {
        Field {
            halving: true,
            ..Field::new(bones)
        }
    }

    /// Opens a new group; following solids go there.
    pub fn group(&mut self, attach: Option<Attach>) {
        self.groups.push(Group {
            solids: Vec::new(),
            attach,
            ball: (V3::zeros(), -1.0),
        });
    }

    /// Adds a solid to the newest group (opens one when there is none).
    pub fn add(&mut self, bone: usize, shape: Shape, k: f64) {
        self.push(Solid::new(shape, bone, k, false));
    }

    /// Cuts a solid out of the newest group.
    pub fn carve(&mut self, bone: usize, shape: Shape, k: f64) {
        self.push(Solid::new(shape, bone, k, true));
    }

    fn push(&mut self, solid: Solid) {
        if self.groups.is_empty() {
            self.group(None);
        }
        if let Some(group) = self.groups.last_mut() {
            if !solid.carve {
                let (c, r) = solid.shape.ball();
                let (gc, gr) = group.ball;
                group.ball = if gr < 0.0 {
                    (c, r)
                } else {
                    let d = (c - gc).norm();
                    if d + r <= gr {
                        (gc, gr)
                    } else if d + gr <= r {
                        (c, r)
                    } else {
                        let nr = (d + r + gr) / 2.0;
                        (gc + (c - gc) * ((nr - gr) / d), nr)
                    }
                };
            }
            group.solids.push(solid);
        }
    }

    /// Shorthand: a rounded cone.
    pub fn cone(&mut self, bone: usize, ends: [V3; 2], radii: [f64; 2], k: f64) {
        self.add(
            bone,
            Shape::Cone {
                a: ends[0],
                b: ends[1],
                ra: radii[0],
                rb: radii[1],
                squash: None,
            },
            k,
        );
    }

    /// Shorthand: a rounded cone thinned along an axis.
    pub fn flat_cone(&mut self, bone: usize, ends: [V3; 2], radii: [f64; 2], flat: (V3, f64)) {
        self.add(
            bone,
            Shape::Cone {
                a: ends[0],
                b: ends[1],
                ra: radii[0],
                rb: radii[1],
                squash: Some((flat.0.normalize(), flat.1)),
            },
            radii[0].min(radii[1]) * 0.7,
        );
    }

    /// Shorthand: an axis-aligned ellipsoid.
    pub fn egg(&mut self, bone: usize, c: V3, r: V3, k: f64) {
        self.add(
            bone,
            Shape::Ellipsoid {
                c,
                rot: Rotation3::identity(),
                r,
            },
            k,
        );
    }

    /// Adds folds to the surface.
    pub fn fold(&mut self, folds: Folds) {
        self.folds.push(folds);
    }

    fn group_dist(group: &Group, p: V3) -> f64 {
        let mut d = f64::MAX;
        for s in &group.solids {
            // Out of the blend's reach: no effect.
            let limit = if s.carve { s.k - d } else { s.k + d };
            if d < f64::MAX && s.at_least(p) > limit.max(0.0) {
                continue;
            }
            let e = s.shape.dist(p);
            d = if s.carve {
                -smin(-d, e, s.k)
            } else if d == f64::MAX {
                e
            } else {
                smin(d, e, s.k)
            };
        }
        d
    }

    /// Number of groups.
    pub fn count(&self) -> usize {
        self.groups.len()
    }

    /// Signed distance (nearly) to the blended surface.
    pub fn eval(&self, p: V3) -> f64 {
        self.eval_groups(p, self.groups.len())
    }

    /// As `eval`, but only the first `n` groups: the torso without limbs, say.
    pub fn eval_groups(&self, p: V3, n: usize) -> f64 {
        let mut d = f64::MAX;
        for group in &self.groups[..n] {
            let k = group.attach.map_or(0.0, |a| {
                let t = (1.0 - (p - a.at).norm() / a.reach).clamp(0.0, 1.0);
                a.k * t * t * (3.0 - 2.0 * t)
            });
            // Too far to matter: the smooth minimum reaches no further than k.
            if d < f64::MAX && (p - group.ball.0).norm() - group.ball.1 > d + k {
                continue;
            }
            let e = Self::group_dist(group, p);
            d = if d == f64::MAX { e } else { smin(d, e, k) };
        }
        for f in &self.folds {
            let t = 1.0 - (p - f.at).norm() / f.reach;
            if t > 0.0 {
                let q = p - f.at;
                // A slow sideways drift keeps the folds from looking machined.
                let drift = 0.8 * (q.x * 2.1 / f.wave + q.z * 1.7 / f.wave).sin();
                let s = (std::f64::consts::TAU * q.dot(&f.dir) / f.wave + drift).sin();
                d += f.amp * s * t * t * (3.0 - 2.0 * t);
            }
        }
        d
    }

    /// Distance to the nearest solid of every bone (`f64::MAX` for bones that carry none).
    pub fn bone_dists(&self, p: V3) -> Vec<f64> {
        let mut out = vec![f64::MAX; self.bones];
        for s in self.groups.iter().flat_map(|g| &g.solids) {
            if !s.carve {
                let d = s.shape.dist(p);
                if d < out[s.bone] {
                    out[s.bone] = d;
                }
            }
        }
        out
    }

    /// The bone whose solid dominates at `p`.
    pub fn owner(&self, p: V3) -> usize {
        self.owner_groups(p, self.groups.len())
    }

    /// As `owner`, but only among the first `n` groups.
    pub fn owner_groups(&self, p: V3, n: usize) -> usize {
        self.nearest(p, n).0
    }

    /// The bone that carries `p`, among the first `n` groups: of the limb whose flesh dominates, the bone that
    /// is nearest, so that bones in line meet at their joint.
    pub fn carrier(&self, rig: &Rig, p: V3, n: usize) -> usize {
        let (owner, group) = self.nearest(p, n);
        let solids = self.groups[group].solids.iter().filter(|s| !s.carve);
        let (mut best, mut out) = (f64::MAX, owner);
        for s in solids {
            let bone = &rig.bones[s.bone];
            let along = bone.tail - bone.head;
            let t = ((p - bone.head).dot(&along) / along.norm_squared()).clamp(0.0, 1.0);
            let d = (p - bone.head - along * t).norm();
            if d < best || (d == best && s.bone == owner) {
                (best, out) = (d, s.bone);
            }
        }
        out
    }

    /// Bone and group of the solid that dominates at `p`, among the first `n` groups.
    fn nearest(&self, p: V3, n: usize) -> (usize, usize) {
        let mut best = f64::MAX;
        let mut out = (0, 0);
        for (g, group) in self.groups[..n].iter().enumerate() {
            if (p - group.ball.0).norm() - group.ball.1 > best {
                continue;
            }
            for s in group.solids.iter().filter(|s| !s.carve) {
                if s.at_least(p) > best.max(0.0) {
                    continue;
                }
                let mut d = s.shape.dist(p);
                if self.halving {
                    d += s.shape.beyond(p) * 1e-3;
                }
                if d < best {
                    best = d;
                    out = (s.bone, g);
                }
            }
        }
        out
    }

    /// Has the surface melted together along an edge? Its ends then belong to two groups, neither of
    /// which grows out of the rest there.
    pub fn melted(&self, a: V3, b: V3) -> bool {
        let n = self.groups.len();
        let groups = [self.nearest(a, n).1, self.nearest(b, n).1];
        let grows = |g: usize| {
            let near = |at: &Attach| ((a + b) / 2.0 - at.at).norm() < at.reach + (b - a).norm();
            self.groups[g].attach.as_ref().is_some_and(near)
        };
        groups[0] != groups[1] && !groups.into_iter().any(grows)
    }
}

/// Gradient by central differences with step `e`.
pub fn gradient(f: &dyn Fn(V3) -> f64, p: V3, e: f64) -> V3 {
    v(
        f(p + v(e, 0., 0.)) - f(p - v(e, 0., 0.)),
        f(p + v(0., e, 0.)) - f(p - v(0., e, 0.)),
        f(p + v(0., 0., e)) - f(p - v(0., 0., e)),
    ) / (2.0 * e)
}

/// Moves `p` onto the level `level` of `f` by `steps` Newton steps, none longer than `cap`.
pub fn project(f: &dyn Fn(V3) -> f64, mut p: V3, level: f64, steps: usize, cap: f64) -> V3 {
    for _ in 0..steps {
        let d = f(p) - level;
        if d.abs() < cap * 1e-5 {
            break;
        }
        let g = gradient(f, p, cap * 0.01);
        let n2 = g.norm_squared();
        if n2 < 1e-4 {
            break;
        }
        let mut step = g * (-d / n2);
        let len = step.norm();
        if len > cap {
            step *= cap / len;
        }
        p += step;
    }
    p
}
