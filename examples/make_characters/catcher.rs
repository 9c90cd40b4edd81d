//! The eel catcher: forearms forward, hands clasped, the fingers of one between those of the other.

use std::f64::consts::TAU;

use crate::Wish;
use crate::field::v;
use crate::glb::{Character, MeshOut, Weights};
use crate::kit::{Poser, SIDES, bare, plain, worn};
use crate::mesh::{Source, build, field_normals};
use crate::person::{self, Arm};
use crate::rig::{Clip, Pose, Rig, rx, ry, rz};

/// The fingers of the two hands lie in layers, by turns; so far apart are a layer and the next.
const LAYER: f64 = 0.0168;

/// The clasp: palms face each other, fingers cross before the breast and lie on the back of the other
/// hand.
fn clasped() -> [Arm; 2] {
    let left = Arm {
        elbow: v(0.232, 1.010, 0.030),
        wrist: v(0.0760, 1.050, 0.272),
        dir: v(-0.6, 0.0, 0.8),
        thumb: v(0., 1., 0.),
        fingers: v(-0.80, 0.0, 0.60),
        thumb_dir: v(0.70, 0.71, 0.0),
        bend: [0.0, 0.76, 0.90],
        thumb_bend: 0.10,
        pitch: 2.0 * LAYER,
        radius: 0.0064,
    };
    let mut arms = person::alike(left);
    arms[0].wrist.y -= LAYER / 2.0;
    arms[1].wrist.y += LAYER / 2.0;
    arms
}

/// Hauling the net up: arms and trunk rise together, knees give.
fn haul_net(joints: &Rig, t: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * t;
    let low = 0.5 - 0.5 * a.cos();
    w.shift("hips", v(0.0, -0.06 * low, -0.04 * low));
    w.turn("hips", rx(0.15 * low));
    for n in ["spine_1", "spine_2", "spine_3"] {
        w.turn(n, rx(0.13 * low) * ry(0.05 * a.sin()));
    }
    w.turn("head", rx(-0.15 * low) * ry(0.15 * a.sin()));
    for (side, e) in SIDES {
        let n = |s: &str| format!("{s}_{e}");
        w.turn(&n("thigh"), rx(-0.55 * low) * rz(side * 0.06 * low));
        w.turn(&n("shin"), rx(0.75 * low));
        w.turn(&n("foot"), rx(-0.35 * low));
        // Both arms turn alike about X, so the clasp holds.
        w.turn(&n("upper_arm"), rx(0.25 * low));
    }
    w.pose
}

/// Builds the eel catcher.
pub fn make(wish: &Wish) -> Result<Character, String> {
    let arms = clasped();
    let rig = person::rig(&arms);
    let field = person::flesh(&rig, &arms);
    let surface = |p| field.eval(p);
    let src = Source {
        f: &surface,
        lo: v(-0.30, -0.02, -0.16),
        hi: v(0.30, 1.66, 0.45),
        size: &|p| person::sizing(&arms, p),
        gap: 0.0042,
    };
    let (mesh, _) = build(&src, wish.vertices.unwrap_or(7400), 0.0);
    crate::report("catcher body", &mesh);
    crate::report_melts("catcher body", &mesh, &field);
    let normals = field_normals(&mesh, &surface, 0.001);
    let body = bare(&mesh, &normals, &|p| field.carrier(&rig, p, field.count()));
    let mut meshes = vec![MeshOut {
        name: "catcher_body".into(),
        parts: vec![(body, 0)],
    }];
    let head = rig.at("head");
    for (eye, (_, e)) in person::eyes().iter().zip(SIDES) {
        meshes.push(worn(&format!("catcher_eye_{e}"), eye, 1, &|_| head));
    }
    let clips = vec![Clip::sample("haul_net", 2.0, 20, &|t| haul_net(&rig, t))];
    let out = Character {
        name: "eel_catcher",
        joints: rig,
        meshes,
        materials: vec![
            plain("skin", [0.55, 0.38, 0.30]),
            plain("ivory", [0.86, 0.82, 0.72]),
        ],
        texture: None,
        clips,
        weights: Weights::Absent,
        saved: Pose::default(),
        scale: None,
    };
    crate::report_fleshless(&out, &person::FLESHLESS);
    Ok(out)
}
