//! Small things all characters share.

use nalgebra::{Matrix3, Rotation3};

use crate::atlas::{Paint, Part, Style, spread};
use crate::field::{Field, V3, project, v};
use crate::glb::{Material, MeshOut};
use crate::mesh::{Cut, Mesh, Source, build, cut, field_normals, reflect, unit};
use crate::pieces::{self, Piece};
use crate::rig::{Pose, Quat, Rig};
use crate::skin::rigid;

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
        gap: f64::MAX,
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
    Material {
        name,
        metal,
        rough,
        colour: None,
        sheet: false,
    }
}

/// A material of one colour, for characters without a texture.
pub fn plain(name: &'static str, colour: [f64; 3]) -> Material {
    Material {
        colour: Some(colour),
        ..material(name, 0.0, 0.8)
    }
}

/// An eyeball sunk into the surface near `place`, looking out.
pub fn eye(f: &dyn Fn(V3) -> f64, place: V3, front: V3, r: f64, sides: usize) -> Piece {
    let q = project(f, place, -0.35 * r, 12, r);
    pieces::ball(q, front, r, sides * 5 / 8, sides)
}

/// A body whose left half counts: the right is its mirror image, bit for bit.
pub struct Twofold<'a> {
    pub field: &'a Field,
    pub rig: &'a Rig,
}

impl Twofold<'_> {
    /// Signed distance to the first `n` groups.
    pub fn eval(&self, p: V3, n: usize) -> f64 {
        self.field.eval_groups(left(p), n)
    }

    /// The joint that carries `p`, among the first `n` groups; on the plane it is one of the middle.
    pub fn joint(&self, p: V3, n: usize) -> usize {
        let mut owner = self.field.carrier(self.rig, left(p), n);
        if self.rig.bones[owner].name.ends_with("_r") {
            owner = self.rig.twin(owner);
        }
        if p.x > 0.0 {
            owner
        } else if p.x < 0.0 {
            self.rig.twin(owner)
        } else {
            self.rig.middle(owner)
        }
    }

    /// The joint whose flesh is nearest beneath `p`, among the first `n` groups.
    pub fn beneath(&self, p: V3, n: usize, reach: f64) -> usize {
        self.joint(project(&|q| self.eval(q, n), p, 0.0, 8, reach), n)
    }

    /// Polygonises the body: built whole, cut at X = 0, the left half reflected.
    pub fn body(&self, name: &str, src: &Source, count: usize) -> Part {
        let (mut mesh, edge) = build(src, count, 0.0);
        let middle = Cut {
            at: V3::zeros(),
            normal: v(1., 0., 0.),
            on: &|_| true,
            strict: true,
        };
        cut(&mut mesh, src.f, &middle, &|p| edge.edge((src.size)(p)));
        let (mesh, twin) = reflect(&mesh);
        crate::report(name, &mesh);
        crate::report_melts(name, &mesh, self.field);
        let mut normals = field_normals(&mesh, src.f, edge.scale * 0.05);
        for (i, &j) in twin.iter().enumerate() {
            let n = normals[i];
            match mesh.pos[i].x {
                x if x > 0.0 => normals[j as usize] = mirror(n, -1.0),
                0.0 => normals[i] = unit(v(0.0, n.y, n.z)),
                _ => {}
            }
        }
        let all = self.field.count();
        let part = bare(&mesh, &normals, &|p| self.joint(p, all));
        crate::report_symmetry(name, &part, self.rig);
        part
    }
}

/// The place on the left that stands for `p`.
fn left(p: V3) -> V3 {
    v(p.x.abs(), p.y, p.z)
}

/// A surface without texture, each vertex on one joint.
pub fn bare(mesh: &Mesh, normals: &[V3], joint: &dyn Fn(V3) -> usize) -> Part {
    let mut out = Part::default();
    let uv = vec![[[0f32; 2]; 3]; mesh.tris.len()];
    let normals = spread(mesh, normals);
    out.add(mesh, &uv, &normals, &|i| rigid(joint(mesh.pos[i])));
    out
}

/// A mesh of its own for a separate piece without texture; its normals are smooth.
pub fn worn(name: &str, piece: &Piece, looks: usize, joint: &dyn Fn(V3) -> usize) -> MeshOut {
    let part = bare(&piece.mesh, &piece.mesh.normals(), joint);
    MeshOut {
        name: name.into(),
        parts: vec![(part, looks)],
    }
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
