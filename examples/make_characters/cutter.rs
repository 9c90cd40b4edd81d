//! The reed cutter: arms against the body, legs that nearly touch, and gear close upon it. Hard to bind.

use std::f64::consts::{PI, TAU};

use crate::Wish;
use crate::field::{Shape, V3, gradient, project, v};
use crate::glb::{Character, Material, MeshOut, Weights};
use crate::kit::{Poser, SIDES, Twofold, frame, plain, solid, worn};
use crate::mesh::{Source, unit};
use crate::person::{self, Arm, MOUTH_Y, TRUNK, WITHOUT_ARMS};
use crate::pieces::{self, Band};
use crate::rig::{Clip, Pose, Rig, rx, ry, rz, toward};

const SKIN: usize = 0;
const CLOTH: usize = 1;
const LEATHER: usize = 2;
const METAL: usize = 3;
const IVORY: usize = 4;

/// How far from the flesh the nearest place beneath a piece is looked for.
const REACH: f64 = 0.05;

/// Straight down, the palm at the thigh, no more than a finger's breadth from the flesh anywhere.
fn hanging() -> Arm {
    Arm {
        elbow: v(0.2150, 0.985, -0.008),
        wrist: v(0.2055, 0.745, 0.000),
        dir: unit(v(-0.350, -0.935, 0.0)),
        thumb: v(0., 0., 1.),
        fingers: v(-0.200, -0.980, 0.0),
        thumb_dir: v(0.70, 0.66, 0.0),
        bend: [0.0, 0.04, 0.05],
        thumb_bend: 0.05,
        pitch: 0.0205,
        radius: 0.0076,
    }
}

/// An open bell around hips and thighs, `off` from the flesh at the sides where the hands hang; front and
/// back stand off, so that the legs can swing. No vertex lies on the plane of symmetry: there the nearest
/// leg would be either.
fn bell(body: &Twofold, off: f64) -> pieces::Piece {
    let flesh = |p: V3| body.eval(p, WITHOUT_ARMS);
    const ROWS: usize = 24;
    const HALF: usize = 26;
    // The last place inside, coming in from `far` along an axis.
    let edge = |axis: V3, at: V3| {
        let mut d = 0.30;
        while d > 0.0 && flesh(at + axis * d) > 0.0 {
            d -= 0.0005;
        }
        d
    };
    // The bell does not draw in again below the hips.
    let mut depth = [0.0f64; 2];
    let rings: Vec<Vec<V3>> = (0..ROWS)
        .map(|i| {
            let t = i as f64 / (ROWS - 1) as f64;
            let y = 0.930 - 0.330 * t;
            let widest = |axis: V3, across: V3| {
                [0.0, 0.03, 0.06, 0.09]
                    .map(|s| edge(axis, v(0., y, 0.) + across * s))
                    .into_iter()
                    .fold(0.0, f64::max)
            };
            let wide = widest(v(1., 0., 0.), v(0., 0., 0.4)) + off;
            for (d, z) in depth.iter_mut().zip([1.0, -1.0]) {
                *d = d.max(widest(v(0., 0., z), v(1., 0., 0.)));
            }
            let deep = depth.map(|d| d + off + 0.070 * t);
            let half: Vec<V3> = (0..HALF)
                .map(|j| {
                    let a = PI * (j as f64 + 0.5) / HALF as f64;
                    let (s, c) = (a.sin(), a.cos());
                    let p = v(wide * s, y, deep[usize::from(c < 0.0)] * c);
                    if flesh(p) < off {
                        project(&flesh, p, off, 8, REACH)
                    } else {
                        p
                    }
                })
                .collect();
            let other = half.iter().rev().map(|p| v(-p.x, p.y, p.z));
            half.iter().copied().chain(other).collect()
        })
        .collect();
    pieces::wall(&rings, false)
}

/// All that is worn.
fn gear(body: &Twofold) -> Vec<MeshOut> {
    let trunk = |p: V3| body.eval(p, TRUNK);
    let flesh = |p: V3| body.eval(p, WITHOUT_ARMS);
    let beneath = |p: V3| body.beneath(p, WITHOUT_ARMS, REACH);
    let mut out = vec![
        worn("cutter_coat", &bell(body, 0.0052), CLOTH, &beneath),
        worn("cutter_lining", &bell(body, 0.0026), LEATHER, &beneath),
    ];

    let waist = v(0., 0.966, 0.);
    let mut line = pieces::plane_loop(&trunk, waist, v(0., 0., 1.), v(1., 0., 0.), 0.016);
    pieces::soften(&mut line, 2, true);
    let band = |half: f64, gap: f64| Band {
        half,
        gap,
        thick: 0.0024,
    };
    let belt = pieces::strap(&flesh, &line, band(0.017, 0.0014));
    out.push(worn("cutter_belt", &belt, LEATHER, &beneath));

    // The straps cross at breast and back; the second lies over the first.
    for ((side, e), gap) in SIDES.into_iter().zip([0.0012, 0.0042]) {
        let down = v(0.120 * side, -0.150, 0.0);
        let c = v(-0.002 * side, 1.150, 0.0);
        let mut line = pieces::plane_loop(&trunk, c, v(0., 0., 1.), down, 0.014);
        pieces::soften(&mut line, 4, true);
        let strap = pieces::strap(&flesh, &line, band(0.015, gap));
        out.push(worn(
            &format!("cutter_strap_{e}"),
            &strap,
            LEATHER,
            &beneath,
        ));

        // A buckle on its breast.
        let seat = v(0.055 * side, c.y - 0.055 * 1.25, 0.11);
        let q = project(&flesh, seat, 0.0, 12, REACH);
        let n = unit(gradient(&flesh, q, 1e-3));
        let half = v(0.020, 0.015, 0.0034);
        let round = 0.0016;
        let block = Shape::Block {
            c: q + n * (gap + 0.0024 + half.z + 0.0004),
            rot: frame(unit(down), n),
            half: half.add_scalar(-round),
            round,
        };
        let buckle = solid(&|p| block.dist(p), q, 0.04, 130);
        let joint = beneath(q);
        out.push(worn(&format!("cutter_buckle_{e}"), &buckle, METAL, &|_| {
            joint
        }));
    }

    // From the middle of the back to the hip, standing off between its ends.
    let line = pieces::spline(
        &[
            v(0.0, 1.100, -0.105),
            v(-0.012, 1.098, -0.150),
            v(-0.060, 1.040, -0.178),
            v(-0.100, 0.965, -0.170),
            v(-0.108, 0.915, -0.140),
            v(-0.096, 0.893, -0.104),
        ],
        0.010,
    );
    let tube = pieces::tube(&line, 9, &|_| 0.0085);
    out.push(worn("cutter_tube", &tube, METAL, &beneath));
    out
}

/// Eyes and teeth: each piece on one joint.
fn face(body: &Twofold) -> Vec<MeshOut> {
    let (head, jaw) = (body.rig.at("head"), body.rig.at("jaw"));
    let mut out: Vec<MeshOut> = person::eyes()
        .into_iter()
        .zip(SIDES)
        .map(|(eye, (_, e))| worn(&format!("cutter_eye_{e}"), &eye, IVORY, &|_| head))
        .collect();
    for (name, joint, up) in [("upper", head, 1.0), ("lower", jaw, -1.0)] {
        let row: Vec<V3> = (-10..=10)
            .map(|k| {
                let a = f64::from(k) * 0.13;
                v(
                    0.024 * a.sin(),
                    MOUTH_Y + 0.0046 * up,
                    0.053 + 0.022 * a.cos(),
                )
            })
            .collect();
        let teeth = pieces::tube(&row, 8, &|t| {
            if (t * 20.0).round() % 2.0 < 0.5 {
                0.0034
            } else {
                0.0027
            }
        });
        out.push(worn(
            &format!("cutter_teeth_{name}"),
            &teeth,
            IVORY,
            &|_| joint,
        ));
    }
    out
}

/// Cutting reeds: a step, a stoop and a sweep of the right arm.
fn cut_reeds(joints: &Rig, t: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * t;
    let stoop = 0.5 - 0.5 * a.cos();
    w.shift("hips", v(0.0, -0.05 * stoop, -0.05 * stoop));
    w.turn("hips", rx(0.14 * stoop) * ry(0.10 * a.sin()));
    for n in ["spine_1", "spine_2", "spine_3"] {
        w.turn(n, rx(0.16 * stoop) * ry(0.10 * a.sin()));
    }
    w.turn("head", rx(-0.20 * stoop));
    w.turn("jaw", rx(0.12 * stoop));
    for (side, e) in SIDES {
        let n = |s: &str| format!("{s}_{e}");
        let front = 0.5 + 0.5 * side;
        w.turn(
            &n("thigh"),
            rx(-0.25 * stoop - 0.30 * front * stoop) * rz(side * 0.10 * stoop),
        );
        w.turn(&n("shin"), rx(0.55 * stoop));
        w.turn(&n("foot"), rx(-0.22 * stoop));
        w.turn(
            &n("upper_arm"),
            rx(-0.55 * stoop) * rz(side * (0.25 + 0.25 * a.sin()) * stoop),
        );
        if let Some(i) = joints.find(&n("forearm")) {
            w.pose
                .turn(i, toward(joints.dir(i), v(0., 0., 1.), 0.7 * stoop));
        }
        w.turn(&n("hand"), rx(-0.2 * stoop));
    }
    w.pose
}

/// Builds the reed cutter.
pub fn make(wish: &Wish) -> Result<Character, String> {
    let arms = person::alike(hanging());
    let rig = Rig {
        mirrored: true,
        ..person::rig(&arms)
    };
    let field = person::flesh(&rig, &arms);
    let body = Twofold {
        field: &field,
        rig: &rig,
    };
    let all = field.count();
    let src = Source {
        f: &|p| body.eval(p, all),
        lo: v(-0.29, -0.02, -0.16),
        hi: v(0.29, 1.66, 0.20),
        size: &|p| person::sizing(&arms, p),
        gap: 0.005,
    };
    let skin = body.body("cutter body", &src, wish.vertices.unwrap_or(6400));
    let mut meshes = vec![MeshOut {
        name: "cutter_body".into(),
        parts: vec![(skin, SKIN)],
    }];
    meshes.extend(gear(&body));
    meshes.extend(face(&body));
    let clips = vec![Clip::sample("cut_reeds", 1.8, 20, &|t| cut_reeds(&rig, t))];
    let out = Character {
        name: "reed_cutter",
        joints: rig,
        meshes,
        materials: vec![
            plain("skin", [0.62, 0.42, 0.31]),
            Material {
                sheet: true,
                ..plain("cloth", [0.44, 0.40, 0.22])
            },
            Material {
                sheet: true,
                ..plain("leather", [0.30, 0.17, 0.09])
            },
            plain("metal", [0.55, 0.50, 0.36]),
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
