//! Small things all characters share.

use nalgebra::{Matrix3, Rotation3};

use crate::atlas::{Paint, Style};
use crate::field::{V3, project, v};
use crate::glb::Material;
use crate::mesh::{Source, build, unit};
use crate::pieces::{self, Piece};
use crate::rig::{Pose, Quat, Rig};

/// Both sides: the sign of X and the ending of the names.
pub const SIDES: [(f64, &str); 2] = [(1.0, "l"), (-1.0, "r")];

/// Reflects to the right side when `side` < 0.
pub fn mirror(p: V3, side: f64) -> V3 {
    v(p.x * side, p.y, p.z)
}

/// Rotation whose Y is `y` and whose Z leans to `z`.
pub fn frame(y: V3, z: V3) -> Rotation3<f64> {
    let y = unit(y);
    let z = unit(z - y * y.dot(&z));
    Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[y.cross(&z), y, z]))
}

/// A small solid of its own, polygonised and box-unwrapped.
pub fn solid(f: &dyn Fn(V3) -> f64, c: V3, reach: f64, count: usize) -> Piece {
    let off = v(reach, reach, reach);
    let src = Source {
        f,
        lo: c - off,
        hi: c + off,
        size: &|_| 1.0,
    };
    let (mesh, _) = build(&src, count, 0.0);
    let uv = pieces::box_uv(&mesh, reach * 1.8);
    Piece { mesh, uv }
}

/// One band of the texture.
pub fn paint(base: [u8; 3], accent: [u8; 3], style: Style) -> Paint {
    Paint {
        base,
        accent,
        style,
    }
}

/// An untinted material.
pub fn material(name: &'static str, metal: f64, rough: f64) -> Material {
    Material { name, metal, rough }
}

/// An eyeball sunk into the surface near `place`, looking out.
pub fn eye(f: &dyn Fn(V3) -> f64, place: V3, front: V3, r: f64, sides: usize) -> Piece {
    let q = project(f, place, -0.35 * r, 12, r);
    pieces::ball(q, front, r, sides * 5 / 8, sides)
}

/// Gathers turns for the joints that exist, by name.
pub struct Poser<'a> {
    pub joints: &'a Rig,
    pub pose: Pose,
}

impl<'a> Poser<'a> {
    /// Starts from the bind pose.
    pub fn new(joints: &'a Rig) -> Self {
        Poser {
            joints,
            pose: Pose::default(),
        }
    }

    /// Turns a joint.
    pub fn turn(&mut self, name: &str, q: Quat) {
        if let Some(i) = self.joints.find(name) {
            self.pose.turn(i, q);
        }
    }

    /// Moves a joint.
    pub fn shift(&mut self, name: &str, d: V3) {
        if let Some(i) = self.joints.find(name) {
            self.pose.shift.insert(i, d);
        }
    }
}
