//! The bank otter: upright, arms on the belly, the tail curled forward between the thighs. Exactly
//! symmetric.

use std::f64::consts::TAU;

use crate::Wish;
use crate::field::{Attach, Field, V3, v};
use crate::glb::{Character, MeshOut, Weights};
use crate::kit::{Poser, SIDES, Twofold, mirror, plain, worn};
use crate::mesh::{Source, unit};
use crate::pieces;
use crate::rig::{Clip, Pose, Rig, rx, ry, rz};

/// Joints without flesh of their own: they must win no vertex.
pub const FLESHLESS: [&str; 5] = [
    "root",
    "paw_grip_l",
    "paw_grip_r",
    "foot_target_l",
    "foot_target_r",
];

/// Joints of the tail in the plane of symmetry, from the rump down, forward under the crotch and up before
/// the belly: height and depth, and the radius there.
const TAIL: [[f64; 3]; 12] = [
    [0.335, -0.085, 0.0420],
    [0.262, -0.150, 0.0390],
    [0.190, -0.178, 0.0365],
    [0.138, -0.148, 0.0345],
    [0.116, -0.088, 0.0325],
    [0.118, -0.012, 0.0300],
    [0.118, 0.062, 0.0290],
    [0.132, 0.128, 0.0275],
    [0.188, 0.156, 0.0255],
    [0.264, 0.154, 0.0230],
    [0.345, 0.144, 0.0190],
    [0.412, 0.156, 0.0160],
];

/// Joints of the trunk: height, depth, radius.
const SPINE: [(&str, [f64; 3]); 7] = [
    ("hips", [0.345, 0.000, 0.105]),
    ("spine_1", [0.405, 0.000, 0.126]),
    ("spine_2", [0.470, 0.000, 0.128]),
    ("spine_3", [0.545, 0.000, 0.121]),
    ("spine_4", [0.620, 0.000, 0.110]),
    ("neck", [0.705, 0.004, 0.086]),
    ("head", [0.800, 0.012, 0.080]),
];

const SHOULDER: V3 = V3::new(0.141, 0.620, 0.049);
const ELBOW: V3 = V3::new(0.1455, 0.515, 0.093);
const WRIST: V3 = V3::new(0.090, 0.472, 0.1295);
const PAW: V3 = V3::new(0.054, 0.474, 0.1490);
const HIP: V3 = V3::new(0.0745, 0.290, 0.010);
const KNEE: V3 = V3::new(0.0870, 0.150, 0.042);
const ANKLE: V3 = V3::new(0.0800, 0.044, 0.000);
const SOLE: V3 = V3::new(0.0960, 0.024, 0.080);

/// Ends of a toe of the left foot, the innermost first.
fn toe(k: usize) -> [V3; 2] {
    let s = k as f64 - 1.0;
    let at = SOLE + v(0.0262 * s, -0.006, 0.014 - 0.005 * s.abs());
    [at, at + v(0.010 * s, -0.005, 0.046)]
}

/// Ends of a finger of the left paw, the uppermost first.
fn finger(k: usize) -> [V3; 2] {
    let s = 1.0 - k as f64;
    let dir = unit(PAW - WRIST);
    let at = PAW + dir * 0.012 + v(0.0, 0.0172 * s, 0.0);
    [at, at + dir * 0.034 + v(0.0, 0.004 * s, 0.002)]
}

/// The bones: root, trunk, head with jaw and ears, tail, limbs with fingers and toes.
fn rig() -> Rig {
    let mut r = Rig {
        mirrored: true,
        ..Rig::default()
    };
    let (fwd, up) = (v(0., 0., 1.), v(0., 1., 0.));
    r.add("root", "", [v(0., 0., 0.), v(0., 0., 0.1)], up);
    let mut parent = "root";
    for (k, (name, [y, z, _])) in SPINE.iter().enumerate() {
        let end = SPINE
            .get(k + 1)
            .map_or(v(0., 0.900, 0.02), |(_, [y, z, _])| v(0., *y, *z));
        r.add(name, parent, [v(0., *y, *z), end], fwd);
        parent = name;
    }
    r.add(
        "jaw",
        "head",
        [v(0., 0.786, 0.050), v(0., 0.772, 0.130)],
        up,
    );
    let mut parent = "hips".to_string();
    for (k, pair) in TAIL.windows(2).enumerate() {
        let name = format!("tail_{}", k + 1);
        let ends = [v(0., pair[0][0], pair[0][1]), v(0., pair[1][0], pair[1][1])];
        // An up beside the plane of the curl never lies along a bone.
        r.add(&name, &parent, ends, v(1., 0., 0.));
        parent = name;
    }
    for (side, e) in SIDES {
        let m = |p: V3| mirror(p, side);
        let mut add = |name: &str, parent: &str, ends: [V3; 2], up: V3| {
            let parent = match parent {
                "root" | "hips" | "spine_4" | "head" => parent.to_string(),
                _ => format!("{parent}_{e}"),
            };
            r.add(&format!("{name}_{e}"), &parent, ends.map(m), m(up));
        };
        add(
            "ear",
            "head",
            [v(0.062, 0.858, 0.0), v(0.088, 0.892, -0.004)],
            fwd,
        );
        add("upper_arm", "spine_4", [SHOULDER, ELBOW], fwd);
        add("forearm", "upper_arm", [ELBOW, WRIST], up);
        add("paw", "forearm", [WRIST, PAW], up);
        for k in 0..3 {
            add(&format!("finger_{}", k + 1), "paw", finger(k), up);
        }
        add(
            "paw_grip",
            "paw",
            [PAW + v(0., 0., 0.03), PAW + v(0., 0.03, 0.03)],
            fwd,
        );
        add("thigh", "hips", [HIP, KNEE], fwd);
        add("shin", "thigh", [KNEE, ANKLE], fwd);
        add("foot", "shin", [ANKLE, SOLE], up);
        for k in 0..3 {
            add(&format!("toe_{}", k + 1), "foot", toe(k), up);
        }
        let target = v(ANKLE.x, 0.0, 0.0);
        add(
            "foot_target",
            "root",
            [target, target + v(0., 0., 0.06)],
            up,
        );
    }
    r
}

/// The beast as an implicit surface.
fn flesh(r: &Rig) -> Field {
    let mut f = Field::halving(r.bones.len());
    f.group(None);
    for (k, (name, [y, z, radius])) in SPINE.iter().enumerate().take(6) {
        let (_, [ny, nz, nr]) = SPINE[k + 1];
        let k = if *name == "neck" { 0.02 } else { 0.006 };
        f.cone(r.at(name), [v(0., *y, *z), v(0., ny, nz)], [*radius, nr], k);
    }
    let head = r.at("head");
    f.egg(head, v(0., 0.835, 0.016), v(0.084, 0.078, 0.086), 0.02);
    f.egg(head, v(0., 0.815, 0.078), v(0.052, 0.036, 0.052), 0.03);
    f.egg(
        r.at("jaw"),
        v(0., 0.784, 0.074),
        v(0.042, 0.020, 0.052),
        0.008,
    );
    for (side, e) in SIDES {
        let m = |p: V3| mirror(p, side);
        f.group(Some(Attach {
            at: m(v(0.064, 0.860, 0.0)),
            reach: 0.035,
            k: 0.012,
        }));
        let ends = [v(0.066, 0.866, 0.0), v(0.084, 0.886, -0.004)].map(m);
        f.cone(r.at(&format!("ear_{e}")), ends, [0.017, 0.017], 0.004);
    }
    f.group(Some(Attach {
        at: v(0., 0.320, -0.100),
        reach: 0.085,
        k: 0.03,
    }));
    for (k, pair) in TAIL.windows(2).enumerate() {
        let ends = [v(0., pair[0][0], pair[0][1]), v(0., pair[1][0], pair[1][1])];
        let bone = r.at(&format!("tail_{}", k + 1));
        f.cone(bone, ends, [pair[0][2], pair[1][2]], 0.003);
    }
    for side in SIDES {
        limbs(&mut f, r, side);
    }
    f
}

fn limbs(f: &mut Field, r: &Rig, (side, e): (f64, &str)) {
    let b = |n: &str| r.at(&format!("{n}_{e}"));
    let m = |p: V3| mirror(p, side);
    let grown = |at: V3, reach: f64, k: f64| {
        Some(Attach {
            at: m(at),
            reach,
            k,
        })
    };
    f.group(grown(v(0.080, 0.290, 0.0), 0.120, 0.02));
    f.cone(b("thigh"), [m(HIP), m(KNEE)], [0.0715, 0.0520], 0.004);
    f.egg(
        b("thigh"),
        m(v(0.0690, 0.208, 0.018)),
        v(0.0668, 0.085, 0.066),
        0.01,
    );
    f.cone(b("shin"), [m(KNEE), m(ANKLE)], [0.0520, 0.0370], 0.004);
    f.flat_cone(
        b("foot"),
        [m(ANKLE - v(0., 0.016, 0.)), m(SOLE - v(0., 0., 0.022))],
        [0.036, 0.044],
        (v(0., 1., 0.), 0.55),
    );
    for k in 0..3 {
        let ends = toe(k);
        f.group(grown(ends[0], 0.026, 0.010));
        f.cone(
            b(&format!("toe_{}", k + 1)),
            ends.map(m),
            [0.0108, 0.0096],
            0.003,
        );
    }
    f.group(grown(SHOULDER, 0.085, 0.04));
    f.cone(
        b("upper_arm"),
        [m(SHOULDER), m(ELBOW)],
        [0.0400, 0.0300],
        0.004,
    );
    f.cone(b("forearm"), [m(ELBOW), m(WRIST)], [0.0300, 0.0235], 0.004);
    f.cone(b("paw"), [m(WRIST), m(PAW)], [0.0235, 0.0225], 0.004);
    for k in 0..3 {
        let ends = finger(k);
        f.group(grown(ends[0], 0.018, 0.006));
        f.cone(
            b(&format!("finger_{}", k + 1)),
            ends.map(m),
            [0.0064, 0.0056],
            0.002,
        );
    }
}

/// Relative edge length: finer at paws, feet, face and along the tail.
fn sizing(p: V3) -> f64 {
    let q = v(p.x.abs(), p.y, p.z);
    let spots = [
        (PAW, 0.035, 0.10, 0.34),
        (SOLE + v(0., 0., 0.03), 0.06, 0.14, 0.55),
        (v(0., 0.80, 0.08), 0.05, 0.15, 0.6),
        (v(0.075, 0.88, 0.0), 0.03, 0.08, 0.6),
        (v(0., 0.18, 0.02), 0.14, 0.26, 0.75),
    ];
    spots
        .into_iter()
        .map(|(c, inner, outer, s): (V3, f64, f64, f64)| {
            let t = (((q - c).norm() - inner) / (outer - inner)).clamp(0.0, 1.0);
            s + (1.0 - s) * t * t * (3.0 - 2.0 * t)
        })
        .fold(1.0, f64::min)
}

/// Looking about: the trunk sways, the tail and the arms with it.
fn look_about(joints: &Rig, t: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * t;
    let rise = 0.5 - 0.5 * a.cos();
    w.shift("hips", v(0.015 * a.sin(), 0.0, 0.0));
    for k in 1..=4 {
        w.turn(&format!("spine_{k}"), ry(0.12 * a.sin()) * rx(-0.03 * rise));
    }
    w.turn("neck", ry(0.25 * a.sin()));
    w.turn("head", ry(0.30 * a.sin()) * rz(0.08 * a.sin()));
    w.turn("jaw", rx(0.20 * rise));
    for k in 1..TAIL.len() {
        w.turn(&format!("tail_{k}"), rx(0.06 * rise));
    }
    for (side, e) in SIDES {
        let n = |s: &str| format!("{s}_{e}");
        w.turn(&n("thigh"), rz(side * 0.16 * rise) * rx(-0.10 * rise));
        w.turn(&n("shin"), rx(0.12 * rise));
        w.turn(&n("upper_arm"), rx(-0.35 * rise) * rz(side * 0.20 * rise));
        w.turn(&n("forearm"), ry(-side * 0.30 * rise));
        w.turn(&n("ear"), rz(side * 0.15 * (2.0 * a).sin()));
    }
    w.pose
}

/// Builds the otter.
pub fn make(wish: &Wish) -> Result<Character, String> {
    let rig = rig();
    let field = flesh(&rig);
    let body = Twofold {
        field: &field,
        rig: &rig,
    };
    let all = field.count();
    let src = Source {
        f: &|p| body.eval(p, all),
        lo: v(-0.23, -0.02, -0.26),
        hi: v(0.23, 0.95, 0.24),
        size: &sizing,
        gap: 0.0032,
    };
    let hide = body.body("otter body", &src, wish.vertices.unwrap_or(6800));
    let mut meshes = vec![MeshOut {
        name: "otter_body".into(),
        parts: vec![(hide, 0)],
    }];
    let head = rig.at("head");
    let left = pieces::ball(v(0.050, 0.858, 0.074), v(0.6, 0.2, 0.8), 0.0115, 9, 14);
    for (eye, (_, e)) in [&left, &pieces::reflected(&left)].into_iter().zip(SIDES) {
        meshes.push(worn(&format!("otter_eye_{e}"), eye, 1, &|_| head));
    }
    let clips = vec![Clip::sample("look_about", 2.4, 20, &|t| {
        look_about(&rig, t)
    })];
    let out = Character {
        name: "bank_otter",
        joints: rig,
        meshes,
        materials: vec![
            plain("hide", [0.33, 0.23, 0.15]),
            plain("eye", [0.08, 0.07, 0.06]),
        ],
        texture: None,
        clips,
        weights: Weights::Absent,
        saved: Pose::default(),
        scale: None,
    };
    crate::report_fleshless(&out, &FLESHLESS);
    Ok(out)
}
