//! Bones, their local frames, poses and clips.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Quaternion, Rotation3, Unit, UnitQuaternion};

use crate::field::{V3, v};
use crate::mesh::unit;

/// A rotation.
pub type Quat = UnitQuaternion<f64>;

/// A bone in the bind pose. Its local Y runs from head to tail, Z leans to `up`.
#[derive(Clone)]
pub struct Bone {
    pub name: String,
    pub parent: Option<usize>,
    pub head: V3,
    pub tail: V3,
    pub up: V3,
}

/// Bones, parents before children.
#[derive(Clone, Default)]
pub struct Rig {
    pub bones: Vec<Bone>,
    /// The frames of right bones are those of the left, reflected: the same bits but for signs.
    pub mirrored: bool,
}

/// Translation and rotation of a node.
#[derive(Clone, Copy)]
pub struct Local {
    pub t: V3,
    pub q: Quat,
}

impl Rig {
    /// Adds a bone under the bone named `parent` (none for an empty name).
    pub fn add(&mut self, name: &str, parent: &str, ends: [V3; 2], up: V3) {
        let parent = self.find(parent);
        self.bones.push(Bone {
            name: name.to_string(),
            parent,
            head: ends[0],
            tail: ends[1],
            up,
        });
    }

    /// Index of a bone by name.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.bones.iter().position(|b| b.name == name)
    }

    /// Index of a bone that the caller has added; the root when the name is unknown.
    pub fn at(&self, name: &str) -> usize {
        let found = self.find(name);
        debug_assert!(found.is_some(), "no bone {name}");
        found.unwrap_or(0)
    }

    /// The bone on the other side; itself for a bone of the middle.
    pub fn twin(&self, i: usize) -> usize {
        let other = mirror_name(&self.bones[i].name);
        other.and_then(|n| self.find(&n)).unwrap_or(i)
    }

    /// The nearest bone of the middle at or above a bone.
    pub fn middle(&self, mut i: usize) -> usize {
        while self.twin(i) != i {
            let Some(parent) = self.bones[i].parent else {
                break;
            };
            i = parent;
        }
        i
    }

    /// World rotation of a bone in the bind pose.
    pub fn world(&self, i: usize) -> Quat {
        let b = &self.bones[i];
        if self.mirrored && b.name.ends_with("_r") && self.twin(i) != i {
            let q = self.world(self.twin(i)).into_inner();
            return Quat::new_unchecked(Quaternion::new(q.w, q.i, -q.j, -q.k));
        }
        let y = unit(b.tail - b.head);
        let mut z = b.up - y * y.dot(&b.up);
        if z.norm() < 1e-3 {
            z = v(0.31, 0.17, 0.93);
            z -= y * y.dot(&z);
        }
        let z = z.normalize();
        let m = Matrix3::from_columns(&[y.cross(&z), y, z]);
        Quat::from_rotation_matrix(&Rotation3::from_matrix_unchecked(m))
    }

    /// Local transform of a bone in the bind pose.
    pub fn bind(&self, i: usize) -> Local {
        let w = self.world(i);
        match self.bones[i].parent {
            None => Local {
                t: self.bones[i].head,
                q: w,
            },
            Some(p) => {
                let inv = self.world(p).inverse();
                Local {
                    t: inv * (self.bones[i].head - self.bones[p].head),
                    q: inv * w,
                }
            }
        }
    }

    /// Local transform of a bone in a pose.
    pub fn posed(&self, i: usize, pose: &Pose) -> Local {
        let mut l = self.bind(i);
        let w = self.world(i);
        if let Some(r) = pose.turn.get(&i) {
            l.q *= w.inverse() * r * w;
        }
        if let Some(m) = pose.shift.get(&i) {
            let pw = self.bones[i]
                .parent
                .map_or(Quat::identity(), |p| self.world(p));
            l.t += pw.inverse() * m;
        }
        l
    }

    /// Direction of a bone.
    pub fn dir(&self, i: usize) -> V3 {
        unit(self.bones[i].tail - self.bones[i].head)
    }

    /// Steps between two bones along the tree.
    pub fn steps(&self, a: usize, b: usize) -> usize {
        let path = |mut i: usize| {
            let mut out = vec![i];
            while let Some(p) = self.bones[i].parent {
                out.push(p);
                i = p;
            }
            out
        };
        let (pa, pb) = (path(a), path(b));
        for (i, x) in pa.iter().enumerate() {
            if let Some(j) = pb.iter().position(|y| y == x) {
                return i + j;
            }
        }
        usize::MAX
    }
}

/// Turns and shifts on top of the bind pose. They are told in character axes (X left, Y up, Z
/// forward), as if the parents stood in bind: so nobody needs to know the local axes.
#[derive(Clone, Default)]
pub struct Pose {
    pub turn: BTreeMap<usize, Quat>,
    pub shift: BTreeMap<usize, V3>,
}

impl Pose {
    /// Adds a turn in front of those already there.
    pub fn turn(&mut self, bone: usize, q: Quat) {
        let slot = self.turn.entry(bone).or_insert_with(Quat::identity);
        *slot = q * *slot;
    }
}

/// Turn about X by `a`: positive tips an upright thing forward and swings a leg back.
pub fn rx(a: f64) -> Quat {
    Quat::from_axis_angle(&V3::x_axis(), a)
}

/// Turn about Y by `a`: positive turns the front to the left.
pub fn ry(a: f64) -> Quat {
    Quat::from_axis_angle(&V3::y_axis(), a)
}

/// Turn about Z by `a`: positive raises the left side.
pub fn rz(a: f64) -> Quat {
    Quat::from_axis_angle(&V3::z_axis(), a)
}

/// Turn that leads `from` towards `to` by `a`.
pub fn toward(from: V3, to: V3, a: f64) -> Quat {
    let axis = from.cross(&to);
    Quat::from_axis_angle(&Unit::new_normalize(axis), a)
}

/// A clip: one pose per frame.
pub struct Clip {
    pub name: String,
    pub times: Vec<f64>,
    pub poses: Vec<Pose>,
}

impl Clip {
    /// Samples `pose` (a function of the phase 0..=1) over `frames` + 1 keys.
    pub fn sample(name: &str, seconds: f64, frames: usize, pose: &dyn Fn(f64) -> Pose) -> Clip {
        let phase = |i: usize| i as f64 / frames as f64;
        Clip {
            name: name.to_string(),
            times: (0..=frames).map(|i| phase(i) * seconds).collect(),
            poses: (0..=frames).map(|i| pose(phase(i))).collect(),
        }
    }
}

/// How the bones that carry the shape map to the joints that are written.
pub struct JointMap {
    pub joints: Rig,
    /// Joints of each shape bone, from head to tail.
    pub of: Vec<Vec<usize>>,
}

impl JointMap {
    /// One joint per bone.
    pub fn plain(rig: &Rig) -> JointMap {
        JointMap {
            joints: rig.clone(),
            of: (0..rig.bones.len()).map(|i| vec![i]).collect(),
        }
    }

    /// `count` joints: bones for which `drop` holds are left out, then the longest bones are parted, left
    /// and right alike, until the count is reached. More bones than that all stay.
    pub fn with_count(rig: &Rig, count: usize, drop: &dyn Fn(&str) -> bool) -> JointMap {
        let keep: Vec<bool> = rig.bones.iter().map(|b| !drop(&b.name)).collect();
        let mut parts: Vec<usize> = keep.iter().map(|&k| k as usize).collect();
        let mut total: usize = parts.iter().sum();
        while total < count {
            // Bone with the longest part; the root only carries and is never parted.
            let mut best = None;
            let mut longest = 0.0;
            for (i, b) in rig.bones.iter().enumerate().skip(1) {
                let mirror = mirror_name(&b.name).and_then(|n| rig.find(&n));
                // A pair does not fit where one joint is wanted: then a bone of the middle is parted.
                if keep[i] && total + 1 + usize::from(mirror.is_some()) <= count {
                    let len = (b.tail - b.head).norm() / parts[i] as f64;
                    if len > longest + 1e-9 {
                        (longest, best) = (len, Some((i, mirror)));
                    }
                }
            }
            let Some((i, mirror)) = best else { break };
            for j in std::iter::once(i).chain(mirror) {
                parts[j] += 1;
                total += 1;
            }
        }
        let mut out = JointMap {
            joints: Rig::default(),
            of: vec![Vec::new(); rig.bones.len()],
        };
        for (i, b) in rig.bones.iter().enumerate() {
            let parent = b.parent.map(|p| out.part(rig, p, b.head));
            if !keep[i] {
                // Its surface goes to the nearest kept bone above.
                out.of[i] = parent.into_iter().collect();
                continue;
            }
            for k in 0..parts[i] {
                let at = |k: usize| b.head + (b.tail - b.head) * (k as f64 / parts[i] as f64);
                let parent = if k == 0 {
                    parent
                } else {
                    Some(out.joints.bones.len() - 1)
                };
                let name = if k == 0 {
                    b.name.clone()
                } else {
                    match b
                        .name
                        .strip_suffix("_l")
                        .map(|s| (s, "_l"))
                        .or(b.name.strip_suffix("_r").map(|s| (s, "_r")))
                    {
                        Some((stem, side)) => format!("{stem}_part{}{side}", k + 1),
                        None => format!("{}_part{}", b.name, k + 1),
                    }
                };
                out.of[i].push(out.joints.bones.len());
                out.joints.bones.push(Bone {
                    name,
                    parent,
                    head: at(k),
                    tail: at(k + 1),
                    up: b.up,
                });
            }
        }
        out
    }

    /// Place of `p` along a bone, 0 at the head and 1 at the tail.
    fn along(rig: &Rig, bone: usize, p: V3) -> f64 {
        let b = &rig.bones[bone];
        let axis = b.tail - b.head;
        ((p - b.head).dot(&axis) / axis.norm_squared()).clamp(0.0, 1.0)
    }

    /// The joint that carries `p` on a bone.
    pub fn part(&self, rig: &Rig, bone: usize, p: V3) -> usize {
        let parts = &self.of[bone];
        let t = Self::along(rig, bone, p) * parts.len() as f64;
        parts[(t as usize).min(parts.len() - 1)]
    }

    /// Soft shares of the joints of one bone at `p`.
    pub fn shares(&self, rig: &Rig, bone: usize, p: V3) -> Vec<(usize, f64)> {
        let parts = &self.of[bone];
        let t = Self::along(rig, bone, p) * parts.len() as f64 - 0.5;
        let t = t.clamp(0.0, parts.len() as f64 - 1.0);
        let i = t as usize;
        let f = t - i as f64;
        if f < 1e-6 {
            vec![(parts[i], 1.0)]
        } else {
            vec![(parts[i], 1.0 - f), (parts[i + 1], f)]
        }
    }
}

/// The name of the bone on the other side.
pub fn mirror_name(name: &str) -> Option<String> {
    if let Some(s) = name.strip_suffix("_l") {
        return Some(format!("{s}_r"));
    }
    name.strip_suffix("_r").map(|s| format!("{s}_l"))
}
