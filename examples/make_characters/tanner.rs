//! The marsh tanner: a person in work gear, with flask, tube, strap, belt and pouches.

use std::f64::consts::TAU;

use nalgebra::Rotation3;

use crate::Wish;
use crate::atlas::{self, Part, Roll, Style};
use crate::field::{Attach, Field, Folds, Shape, V3, gradient, project, v};
use crate::glb::{Character, MeshOut, Weights};
use crate::kit::{Poser, SIDES, frame, material, mirror, paint, solid};
use crate::mesh::{Cut, Mesh, Source, build, cut, field_normals, unit};
use crate::pieces::{self, Band};
use crate::rig::{Clip, JointMap, Pose, Rig, rx, ry, rz, toward};
use crate::skin::{Bind, Flesh, rigid};

const SKIN: usize = 0;
const CLOTH: usize = 1;
const TROUSER: usize = 2;
const LEATHER: usize = 3;
const STRAP: usize = 4;
const METAL: usize = 5;
const EYE: usize = 6;
const TUBE: usize = 7;

/// Middle of the left eye.
const EYE_AT: V3 = V3::new(0.034, 1.651, 0.0790);

/// Name, place across the hand, place along it, spread (degrees), lengths, radius at the base.
type Finger = (&'static str, f64, f64, f64, [f64; 3], f64);
const FINGERS: [Finger; 4] = [
    ("index", 0.0375, 0.090, 9.0, [0.044, 0.029, 0.024], 0.0098),
    ("middle", 0.0125, 0.096, 2.5, [0.048, 0.032, 0.026], 0.0102),
    ("ring", -0.0125, 0.091, -4.0, [0.045, 0.030, 0.024], 0.0098),
    (
        "pinky",
        -0.0365,
        0.080,
        -12.0,
        [0.035, 0.023, 0.021],
        0.0088,
    ),
];

/// The frame of a hand: wrist, direction of the fingers, towards the thumb, out of the palm.
struct Hand {
    wrist: V3,
    dir: V3,
    thumb: V3,
    palm: V3,
}

fn left_hand() -> Hand {
    let dir = unit(v(0.74, -0.655, 0.10));
    let thumb = unit(v(0.10, 0.12, 1.0) - dir * dir.dot(&v(0.10, 0.12, 1.0)));
    Hand {
        wrist: v(0.570, 1.082, 0.022),
        dir,
        thumb,
        palm: dir.cross(&thumb),
    }
}

/// Points of a finger from base to tip, bending towards the palm.
fn finger_points(h: &Hand, at: V3, dir: V3, lengths: [f64; 3], bend: [f64; 3]) -> [V3; 4] {
    let mut out = [at; 4];
    let mut d = unit(dir);
    for k in 0..3 {
        let q = toward(d, h.palm, bend[k]);
        d = q * d;
        out[k + 1] = out[k] + d * lengths[k];
    }
    out
}

/// All fingers of the left hand: name, joint points, base radius.
fn fingers(h: &Hand) -> Vec<(&'static str, [V3; 4], f64)> {
    let mut out = Vec::new();
    let base = h.wrist + h.dir * 0.024 + h.thumb * 0.026 + h.palm * 0.010;
    let dir = h.dir * 0.66 + h.thumb * 0.70 + h.palm * 0.26;
    let thumb = finger_points(h, base, dir, [0.044, 0.034, 0.027], [0.0, 0.16, 0.14]);
    out.push(("thumb", thumb, 0.0150));
    for (name, across, along, spread, lengths, r) in FINGERS {
        let a = f64::to_radians(spread);
        let at = h.wrist + h.dir * along + h.thumb * across + h.palm * 0.002;
        let dir = h.dir * a.cos() + h.thumb * a.sin();
        let pts = finger_points(h, at, dir, lengths, [0.12, 0.22, 0.18]);
        out.push((name, pts, r));
    }
    out
}

/// The 53 bones.
fn rig() -> Rig {
    let mut r = Rig::default();
    let (fwd, up) = (v(0., 0., 1.), v(0., 1., 0.));
    r.add("root", "", [v(0., 0., 0.), v(0., 0., 0.25)], up);
    r.add(
        "hips",
        "root",
        [v(0., 0.955, 0.0), v(0., 1.055, 0.006)],
        fwd,
    );
    r.add(
        "spine_1",
        "hips",
        [v(0., 1.055, 0.006), v(0., 1.175, 0.014)],
        fwd,
    );
    r.add(
        "spine_2",
        "spine_1",
        [v(0., 1.175, 0.014), v(0., 1.300, 0.004)],
        fwd,
    );
    r.add(
        "spine_3",
        "spine_2",
        [v(0., 1.300, 0.004), v(0., 1.465, -0.022)],
        fwd,
    );
    r.add(
        "neck",
        "spine_3",
        [v(0., 1.475, -0.020), v(0., 1.565, 0.004)],
        fwd,
    );
    r.add(
        "head",
        "neck",
        [v(0., 1.565, 0.004), v(0., 1.80, 0.016)],
        fwd,
    );
    let h = left_hand();
    for (side, e) in SIDES {
        let m = |p: V3| mirror(p, side);
        let mut add = |name: &str, parent: &str, a: V3, b: V3, up: V3| {
            let parent = if parent == "spine_3" || parent == "hips" {
                parent.to_string()
            } else {
                format!("{parent}_{e}")
            };
            r.add(&format!("{name}_{e}"), &parent, [m(a), m(b)], m(up));
        };
        let shoulder = v(0.178, 1.425, -0.016);
        let elbow = v(0.378, 1.246, -0.026);
        add("clavicle", "spine_3", v(0.025, 1.440, 0.012), shoulder, up);
        add("upper_arm", "clavicle", shoulder, elbow, fwd);
        add("forearm", "upper_arm", elbow, h.wrist, fwd);
        let knuckles = h.wrist + h.dir * 0.09;
        add("hand", "forearm", h.wrist, knuckles, -h.palm);
        for (name, p, _) in fingers(&h) {
            let mut parent = "hand".to_string();
            for k in 0..3 {
                let me = format!("{name}_{}", k + 1);
                add(&me, &parent, p[k], p[k + 1], -h.palm);
                parent = me;
            }
        }
        let (hip, knee) = (v(0.096, 0.925, 0.0), v(0.112, 0.510, 0.026));
        let (ankle, ball) = (v(0.122, 0.105, -0.022), v(0.136, 0.034, 0.112));
        add("thigh", "hips", hip, knee, fwd);
        add("shin", "thigh", knee, ankle, fwd);
        add("foot", "shin", ankle, ball, up);
        add("toes", "foot", ball, v(0.143, 0.030, 0.178), up);
    }
    r
}

/// Number of leading groups that are the torso and head alone.
const TORSO_GROUPS: usize = 1;

/// The body as an implicit surface.
fn flesh(r: &Rig) -> Field {
    let mut f = Field::new(r.bones.len());
    torso(&mut f, r);
    head(&mut f, r);
    for (side, e) in SIDES {
        arm(&mut f, r, (side, e));
        leg(&mut f, r, (side, e));
    }
    let folds = [
        (v(0.0, 1.10, 0.0), 0.20, v(0.25, 1.0, 0.1), 0.050, 0.0030),
        (v(0.23, 1.38, 0.0), 0.10, v(0.8, -0.7, 0.2), 0.042, 0.0025),
        (
            v(0.36, 1.26, -0.02),
            0.10,
            v(0.75, -0.66, 0.3),
            0.034,
            0.0030,
        ),
        (v(0.11, 0.52, 0.02), 0.16, v(0.1, 1.0, 0.25), 0.050, 0.0032),
        (v(0.118, 0.39, 0.0), 0.10, v(-0.2, 1.0, 0.2), 0.040, 0.0035),
        (v(0.10, 0.80, 0.03), 0.13, v(0.6, 1.0, 0.2), 0.060, 0.0028),
    ];
    for (at, reach, dir, wave, amp) in folds {
        for side in [1.0, -1.0] {
            f.fold(Folds {
                at: mirror(at, side),
                reach,
                dir: mirror(unit(dir), side),
                wave,
                amp,
            });
        }
    }
    f
}

fn torso(f: &mut Field, r: &Rig) {
    let b = |n: &str| r.at(n);
    f.group(None);
    f.egg(
        b("hips"),
        v(0., 0.955, -0.004),
        v(0.168, 0.115, 0.122),
        0.05,
    );
    f.egg(
        b("spine_1"),
        v(0., 1.075, 0.018),
        v(0.150, 0.120, 0.118),
        0.07,
    );
    f.egg(
        b("spine_2"),
        v(0., 1.210, 0.010),
        v(0.158, 0.125, 0.116),
        0.07,
    );
    f.egg(
        b("spine_3"),
        v(0., 1.335, -0.004),
        v(0.172, 0.125, 0.118),
        0.07,
    );
    f.egg(
        b("spine_3"),
        v(0., 1.415, -0.020),
        v(0.135, 0.065, 0.085),
        0.05,
    );
    // The hem of the tunic.
    f.add(
        b("hips"),
        Shape::Ring {
            c: v(0., 0.893, -0.004),
            rot: Rotation3::identity(),
            rx: 0.176,
            rz: 0.118,
            minor: 0.013,
        },
        0.045,
    );
    for (side, e) in SIDES {
        let m = |p: V3| mirror(p, side);
        // The hip bone covers the head of the thigh.
        f.egg(
            b("hips"),
            m(v(0.100, 0.935, -0.004)),
            v(0.082, 0.062, 0.098),
            0.04,
        );
        // Seat, chest, shoulder blade, slope of the neck.
        f.egg(
            b("hips"),
            m(v(0.072, 0.915, -0.062)),
            v(0.078, 0.078, 0.068),
            0.05,
        );
        f.egg(
            b("spine_3"),
            m(v(0.078, 1.345, 0.072)),
            v(0.082, 0.066, 0.052),
            0.035,
        );
        f.egg(
            b("spine_3"),
            m(v(0.082, 1.355, -0.088)),
            v(0.070, 0.088, 0.036),
            0.04,
        );
        let clavicle = r.at(&format!("clavicle_{e}"));
        f.cone(
            clavicle,
            [m(v(0.052, 1.445, -0.016)), m(v(0.165, 1.418, -0.018))],
            [0.050, 0.058],
            0.05,
        );
        f.cone(
            clavicle,
            [m(v(0.030, 1.512, -0.030)), m(v(0.130, 1.450, -0.022))],
            [0.030, 0.034],
            0.05,
        );
    }
    f.cone(
        b("neck"),
        [v(0., 1.455, -0.020), v(0., 1.585, 0.004)],
        [0.060, 0.052],
        0.045,
    );
    // The collar.
    f.add(
        b("neck"),
        Shape::Ring {
            c: v(0., 1.494, -0.012),
            rot: frame(v(0., 1., 0.42), v(0., 0., 1.)),
            rx: 0.067,
            rz: 0.070,
            minor: 0.012,
        },
        0.018,
    );
}

fn head(f: &mut Field, r: &Rig) {
    let head = r.at("head");
    // Skull, face, jaw with a short beard, chin.
    f.egg(head, v(0., 1.690, 0.002), v(0.088, 0.108, 0.104), 0.03);
    f.egg(head, v(0., 1.628, 0.042), v(0.066, 0.072, 0.064), 0.04);
    f.egg(head, v(0., 1.572, 0.056), v(0.046, 0.036, 0.048), 0.04);
    f.egg(head, v(0., 1.562, 0.086), v(0.024, 0.022, 0.020), 0.022);
    f.cone(
        head,
        [v(-0.036, 1.677, 0.084), v(0.036, 1.677, 0.084)],
        [0.015, 0.015],
        0.024,
    );
    // Nose: bridge, ball, wings.
    f.cone(
        head,
        [v(0., 1.662, 0.098), v(0., 1.620, 0.122)],
        [0.009, 0.0135],
        0.016,
    );
    for side in [1.0, -1.0] {
        let m = |p: V3| mirror(p, side);
        f.egg(
            head,
            m(v(0.013, 1.615, 0.112)),
            v(0.010, 0.009, 0.012),
            0.008,
        );
        f.egg(
            head,
            m(v(0.042, 1.618, 0.076)),
            v(0.026, 0.024, 0.022),
            0.024,
        );
        // Ear: shell and hollow.
        f.add(
            head,
            Shape::Ellipsoid {
                c: m(v(0.090, 1.640, -0.010)),
                rot: frame(m(v(0.22, 1.0, -0.16)), m(v(0.55, 0., 0.9))),
                r: v(0.013, 0.036, 0.022),
            },
            0.014,
        );
        // Eye: hollow, lids, and the opening.
        let socket = Shape::Ellipsoid {
            c: m(v(0.036, 1.650, 0.110)),
            rot: Rotation3::identity(),
            r: v(0.023, 0.014, 0.018),
        };
        f.carve(head, socket, 0.014);
        f.egg(head, m(EYE_AT), v(0.0195, 0.0190, 0.0195), 0.008);
        let slit = Shape::Ellipsoid {
            c: m(EYE_AT + v(0.001, -0.001, 0.018)),
            rot: frame(m(v(0.08, 1.0, 0.)), v(0., 0., 1.)),
            r: v(0.0172, 0.0094, 0.0150),
        };
        f.carve(head, slit, 0.003);
    }
    // Lips: two rolls with a line between.
    f.cone(
        head,
        [v(-0.020, 1.590, 0.100), v(0.020, 1.590, 0.100)],
        [0.0085, 0.0085],
        0.010,
    );
    f.cone(
        head,
        [v(-0.016, 1.576, 0.100), v(0.016, 1.576, 0.100)],
        [0.0095, 0.0095],
        0.008,
    );
    let line = Shape::Cone {
        a: v(-0.024, 1.5835, 0.1095),
        b: v(0.024, 1.5835, 0.1095),
        ra: 0.0042,
        rb: 0.0042,
        squash: None,
    };
    f.carve(head, line, 0.008);
    // The rim of the cap.
    f.add(
        head,
        Shape::Ring {
            c: v(0., 1.708, 0.000),
            rot: frame(v(0., 1., -0.16), v(0., 0.16, 1.)),
            rx: 0.089,
            rz: 0.104,
            minor: 0.014,
        },
        0.012,
    );
    f.egg(head, v(0., 1.745, -0.012), v(0.094, 0.078, 0.106), 0.02);
}

fn arm(f: &mut Field, r: &Rig, (side, e): (f64, &str)) {
    let b = |n: &str| r.at(&format!("{n}_{e}"));
    let m = |p: V3| mirror(p, side);
    let bone = |n: &str| {
        let bone = &r.bones[r.at(&format!("{n}_{e}"))];
        (bone.head, bone.tail)
    };
    let (s, el) = bone("upper_arm");
    let wrist = bone("forearm").1;
    f.group(Some(Attach {
        at: s - v(0.0, 0.004, 0.0),
        reach: 0.115,
        k: 0.085,
    }));
    let on = |t: f64| s + (el - s) * t;
    f.cone(b("upper_arm"), [on(0.0), on(0.30)], [0.060, 0.056], 0.02);
    f.cone(b("upper_arm"), [on(0.2), el], [0.055, 0.043], 0.03);
    f.egg(
        b("upper_arm"),
        on(0.10) + v(0.0, 0.016, 0.0),
        v(0.062, 0.058, 0.062),
        0.03,
    );
    let fo = |t: f64| el + (wrist - el) * t;
    f.cone(b("forearm"), [el, fo(0.35)], [0.043, 0.046], 0.02);
    f.cone(b("forearm"), [fo(0.30), wrist], [0.045, 0.028], 0.03);
    // Elbow tip, rolled cuff.
    f.egg(
        b("forearm"),
        el + m(v(0.0, -0.004, -0.022)),
        v(0.027, 0.027, 0.024),
        0.02,
    );
    let axis = wrist - el;
    f.add(
        b("forearm"),
        Shape::Ring {
            c: fo(0.36),
            rot: frame(axis, v(0., 0., 1.)),
            rx: 0.047,
            rz: 0.047,
            minor: 0.0105,
        },
        0.008,
    );
    // Palm with thumb and heel pads.
    let h = left_hand();
    let dir = m(h.dir);
    let (thumb, palm) = (m(h.thumb), m(h.palm));
    f.flat_cone(
        b("hand"),
        [wrist + dir * 0.012, wrist + dir * 0.070],
        [0.036, 0.049],
        (palm, 0.44),
    );
    let pad = |x: f64, y: f64, z: f64| wrist + dir * x + thumb * y + palm * z;
    f.cone(
        b("hand"),
        [pad(0.018, 0.016, 0.006), pad(0.050, 0.034, 0.012)],
        [0.016, 0.013],
        0.016,
    );
    f.cone(
        b("hand"),
        [pad(0.020, -0.020, 0.006), pad(0.060, -0.034, 0.006)],
        [0.015, 0.013],
        0.014,
    );
    for (name, pts, radius) in fingers(&h) {
        let pts = pts.map(m);
        if name != "thumb" {
            // The knuckle.
            let wide = [radius * 0.8, radius * 1.12];
            f.cone(b("hand"), [pts[0] - dir * 0.03, pts[0]], wide, 0.010);
        }
    }
    for (i, (name, pts, radius)) in fingers(&h).into_iter().enumerate() {
        let pts = pts.map(m);
        let thumb = i == 0;
        f.group(Some(Attach {
            at: pts[0],
            reach: if thumb { 0.042 } else { 0.020 },
            k: if thumb { 0.022 } else { 0.010 },
        }));
        let radii = [1.0, 0.97, 0.88, 0.74].map(|s| s * radius);
        for k in 0..3 {
            f.cone(
                b(&format!("{name}_{}", k + 1)),
                [
                    pts[k],
                    pts[k + 1]
                        - if k == 2 {
                            dir * radii[3] * 0.4
                        } else {
                            V3::zeros()
                        },
                ],
                [radii[k], radii[k + 1]],
                radius * 0.5,
            );
        }
    }
}

fn leg(f: &mut Field, r: &Rig, (side, e): (f64, &str)) {
    let b = |n: &str| r.at(&format!("{n}_{e}"));
    let m = |p: V3| mirror(p, side);
    f.group(Some(Attach {
        at: m(v(0.105, 0.930, 0.0)),
        reach: 0.155,
        k: 0.075,
    }));
    let (thigh, shin, foot, toes) = (b("thigh"), b("shin"), b("foot"), b("toes"));
    let p = |x: f64, y: f64, z: f64| m(v(x, y, z));
    f.cone(
        thigh,
        [p(0.099, 0.872, 0.0), p(0.104, 0.74, 0.012)],
        [0.085, 0.080],
        0.03,
    );
    f.cone(
        thigh,
        [p(0.104, 0.74, 0.012), p(0.112, 0.51, 0.022)],
        [0.079, 0.061],
        0.04,
    );
    f.egg(thigh, p(0.106, 0.74, 0.034), v(0.064, 0.13, 0.058), 0.03);
    f.cone(
        shin,
        [p(0.112, 0.51, 0.020), p(0.116, 0.40, 0.006)],
        [0.060, 0.060],
        0.03,
    );
    f.egg(shin, p(0.112, 0.508, 0.046), v(0.040, 0.044, 0.034), 0.03);
    // Boot shaft with its folded top.
    f.cone(
        shin,
        [p(0.116, 0.34, -0.004), p(0.122, 0.13, -0.022)],
        [0.063, 0.052],
        0.012,
    );
    f.egg(shin, p(0.117, 0.30, -0.030), v(0.050, 0.09, 0.046), 0.03);
    f.add(
        shin,
        Shape::Ring {
            c: p(0.1165, 0.352, -0.004),
            rot: frame(p(0.015, -1.0, -0.08), v(0., 0., 1.)),
            rx: 0.064,
            rz: 0.066,
            minor: 0.0135,
        },
        0.010,
    );
    // Boot: heel, instep, sole, round toe cap.
    f.cone(
        foot,
        [p(0.122, 0.115, -0.022), p(0.131, 0.064, 0.070)],
        [0.052, 0.041],
        0.03,
    );
    f.egg(foot, p(0.123, 0.050, -0.048), v(0.044, 0.050, 0.046), 0.03);
    f.flat_cone(
        foot,
        [p(0.124, 0.030, -0.044), p(0.136, 0.032, 0.100)],
        [0.046, 0.056],
        (v(0., 1., 0.), 0.55),
    );
    f.flat_cone(
        toes,
        [p(0.138, 0.038, 0.112), p(0.142, 0.036, 0.160)],
        [0.055, 0.046],
        (v(0., 1., 0.), 0.66),
    );
    // Sole: a flat plate, then the ground cuts it level.
    for (bone, a, z, radii) in [
        (
            foot,
            p(0.124, 0.011, -0.046),
            p(0.136, 0.011, 0.085),
            [0.049, 0.059],
        ),
        (
            toes,
            p(0.137, 0.011, 0.100),
            p(0.142, 0.011, 0.160),
            [0.059, 0.050],
        ),
    ] {
        let plate = Shape::Cone {
            a,
            b: z,
            ra: radii[0],
            rb: radii[1],
            squash: Some((v(0., 1., 0.), 0.22)),
        };
        f.add(bone, plate, 0.006);
    }
    let ground = Shape::Block {
        c: m(v(0.13, -0.05, 0.05)),
        rot: Rotation3::identity(),
        half: v(0.2, 0.048, 0.3),
        round: 0.002,
    };
    f.carve(foot, ground, 0.004);
}

/// Relative edge length: fine at hands, finer at the face and the toes than on the trunk.
fn sizing(p: V3) -> f64 {
    let h = left_hand();
    let q = v(p.x.abs(), p.y, p.z);
    let spots = [
        (h.wrist + h.dir * 0.10, 0.10, 0.24, 0.32),
        (v(0., 1.63, 0.10), 0.060, 0.20, 0.36),
        (v(0.09, 1.64, -0.01), 0.03, 0.15, 0.5),
        (v(0.13, 0.03, 0.06), 0.14, 0.35, 0.8),
        (v(0.16, 1.36, 0.0), 0.08, 0.25, 0.8),
        (v(0.0, 0.86, 0.0), 0.09, 0.25, 0.8),
    ];
    spots
        .iter()
        .map(|(c, inner, outer, s)| {
            let t = (((q - c).norm() - inner) / (outer - inner)).clamp(0.0, 1.0);
            s + (1.0 - s) * t * t * (3.0 - 2.0 * t)
        })
        .fold(1.0, f64::min)
}

/// Planes between materials: cap, collar, hem, cuffs, boots. Each with the bones it holds for.
struct Borders {
    planes: Vec<(V3, V3, Vec<usize>)>,
}

impl Borders {
    fn new(r: &Rig) -> Borders {
        let ids = |names: &[&str]| names.iter().map(|n| r.at(n)).collect::<Vec<_>>();
        let mut planes = vec![
            (v(0., 1.696, 0.0), v(0., 1., -0.16), ids(&["head"])),
            (
                v(0., 1.508, -0.010),
                v(0., 1., 0.42),
                ids(&["neck", "spine_3", "clavicle_l", "clavicle_r"]),
            ),
            (
                v(0., 0.884, 0.0),
                v(0., 1., 0.),
                ids(&["hips", "thigh_l", "thigh_r"]),
            ),
        ];
        for e in ["l", "r"] {
            let fore = &r.bones[r.at(&format!("forearm_{e}"))];
            let axis = fore.tail - fore.head;
            planes.push((
                fore.head + axis * 0.392,
                axis,
                ids(&[&format!("forearm_{e}")]),
            ));
        }
        for e in ["l", "r"] {
            planes.push((
                v(0., 0.363, 0.0),
                v(0., 1., 0.08),
                ids(&[&format!("shin_{e}")]),
            ));
        }
        Borders { planes }
    }

    /// Band of a place on a bone.
    fn band(&self, bone: usize, name: &str, p: V3) -> usize {
        let above = self
            .planes
            .iter()
            .find(|(_, _, on)| on.contains(&bone))
            .is_some_and(|(at, n, _)| n.dot(&(p - at)) > 0.0);
        let stem = name.trim_end_matches("_l").trim_end_matches("_r");
        match stem {
            "head" if above => LEATHER,
            "head" => SKIN,
            "neck" | "spine_3" | "clavicle" if above => SKIN,
            "neck" | "spine_1" | "spine_2" | "spine_3" | "clavicle" | "upper_arm" => CLOTH,
            "hips" | "thigh" if above => CLOTH,
            "hips" | "thigh" => TROUSER,
            "shin" if above => TROUSER,
            "shin" | "foot" | "toes" => LEATHER,
            "forearm" if !above => CLOTH,
            _ => SKIN,
        }
    }
}

/// The cylinders of the unwrap, and which one each bone uses.
fn rolls(r: &Rig) -> (Vec<Roll>, Vec<usize>) {
    let fwd = v(0., 0., 1.);
    let mut rolls = vec![
        Roll {
            from: v(0., 0.84, 0.),
            to: v(0., 1.53, -0.01),
            face: fwd,
            around: 0.95,
            flat: 1.0,
        },
        Roll {
            from: v(0., 1.50, 0.01),
            to: v(0., 1.83, 0.01),
            face: fwd,
            around: 0.60,
            flat: 1.0,
        },
    ];
    let mut of = vec![0; r.bones.len()];
    of[r.at("head")] = 1;
    for e in ["l", "r"] {
        let id = |n: &str| r.at(&format!("{n}_{e}"));
        let mut roll = |names: &[&str], face: V3, around: f64| {
            let last = names[names.len() - 1];
            let (a, b) = (&r.bones[id(names[0])], &r.bones[id(last)]);
            let axis = (b.tail - a.head) * 0.08;
            rolls.push(Roll {
                from: a.head - axis,
                to: b.tail + axis,
                face,
                around,
                flat: 1.0,
            });
            for n in names {
                of[id(n)] = rolls.len() - 1;
            }
        };
        let palm = mirror(left_hand().palm, if e == "l" { 1.0 } else { -1.0 });
        roll(&["upper_arm", "forearm"], v(0., 1., 0.3), 0.30);
        roll(&["hand"], -palm, 0.22);
        for n in ["thumb", "index", "middle", "ring", "pinky"] {
            let names = [1, 2, 3].map(|k| format!("{n}_{k}"));
            roll(&[&names[0], &names[1], &names[2]], -palm, 0.06);
        }
        roll(&["thigh", "shin"], fwd, 0.45);
        roll(&["foot", "toes"], v(0., 1., 0.), 0.30);
    }
    (rolls, of)
}

/// The torso surface without limbs (straps ride on it).
fn trunk(field: &Field, p: V3) -> f64 {
    field.eval_groups(p, TORSO_GROUPS)
}

/// The gear: (leather, metal, tube and flask) parts.
fn gear(fl: &Flesh, detail: f64) -> Vec<(Part, usize)> {
    let field = fl.field;
    let full = |p: V3| field.eval(p);
    let body = |p: V3| trunk(field, p);
    let step = 0.018 / detail;
    let count = |n: f64| (n * detail * detail).max(60.0) as usize;
    let mut leather = Part::default();
    let mut metal = Part::default();
    let mut hose = Part::default();
    // Straps stretch with the skin below them; hard things hang on one place.
    let stretch = |p: V3| fl.bind(project(&full, p, 0.0, 3, 0.02));
    let at_place = |place: V3| -> Bind {
        let q = project(&full, place, 0.0, 4, 0.03);
        fl.bind(q)
    };

    // Belt, a little lower in front.
    let waist = v(0., 1.005, 0.0);
    let mut line = pieces::plane_loop(&body, waist, v(0., 0., 1.), v(1., 0., 0.), step);
    for p in &mut line {
        p.y -= 0.10 * p.z;
    }
    let belt = Band {
        half: 0.023,
        gap: 0.0035,
        thick: 0.005,
    };
    pieces::soften(&mut line, 2, true);
    leather.add_piece(&pieces::strap(&full, &line, belt), STRAP, &stretch);

    // Diagonal strap from the right shoulder to the left hip.
    let c = v(0.004, 1.274, -0.004);
    let down = v(0.145, -0.218, 0.0);
    let mut line = pieces::plane_loop(&body, c, v(0.02, 0.0, 1.0), down, step);
    pieces::soften(&mut line, 4, true);
    let sash = Band {
        half: 0.021,
        gap: 0.0045,
        thick: 0.005,
    };
    leather.add_piece(&pieces::strap(&full, &line, sash), STRAP, &stretch);

    // Buckles: on the strap's chest side, and on the belt in front.
    let chest = line
        .iter()
        .copied()
        .filter(|p| p.z > 0.05)
        .min_by(|a, b| (a.y - 1.27).abs().total_cmp(&(b.y - 1.27).abs()))
        .unwrap_or(c);
    for (place, along, size) in [
        (chest, down, v(0.031, 0.024, 0.0)),
        (v(0.0, 0.993, 0.13), v(1., 0., 0.), v(0.026, 0.033, 0.0)),
    ] {
        let q = project(&full, place, 0.0, 8, 0.03);
        let n = unit(gradient(&full, q, 1e-3));
        let x = unit(along - n * n.dot(&along));
        let y = n.cross(&x);
        let bind = at_place(q);
        let centre = q + n * 0.0125;
        let ring: Vec<V3> = (0..40)
            .map(|i| {
                let a = TAU * i as f64 / 40.0;
                // A squarish loop.
                let bend = |t: f64| t.signum() * t.abs().powf(0.45);
                centre + x * (bend(a.cos()) * size.x) + y * (bend(a.sin()) * size.y)
            })
            .collect();
        let ring = pieces::even(&ring, 0.009 / detail.min(2.0), true);
        metal.add_piece(&pieces::wire(&ring, 8, 0.0042), METAL, &|_| bind.clone());
        let tongue = pieces::spline(
            &[
                centre - x * (size.x * 0.95) + n * 0.003,
                centre + n * 0.005,
                centre + x * (size.x * 1.02) + n * 0.004,
            ],
            0.008,
        );
        metal.add_piece(&pieces::tube(&tongue, 6, &|_| 0.0030), METAL, &|_| {
            bind.clone()
        });
    }

    // Two pouches on the belt: left front and right back side.
    for (dir, size) in [
        (v(0.80, 0.0, 0.62), v(0.034, 0.040, 0.017)),
        (v(-1.0, 0.0, 0.10), v(0.040, 0.050, 0.020)),
    ] {
        let q = project(
            &full,
            waist + unit(dir) * 0.17 - v(0., 0.012, 0.),
            0.0,
            12,
            0.03,
        );
        let n = unit(gradient(&full, q, 1e-3));
        let n = unit(v(n.x, n.y * 0.3, n.z));
        let rot = frame(v(0., 1., 0.), n);
        let mid = q + n * (size.z + 0.023) - v(0., size.y * 0.45, 0.);
        let bag = Shape::Block {
            c: mid,
            rot,
            half: size - v(0.012, 0.012, 0.010),
            round: 0.012,
        };
        let belly = Shape::Ellipsoid {
            c: mid + n * 0.004 - v(0., size.y * 0.25, 0.),
            rot,
            r: v(size.x * 0.98, size.y * 0.72, size.z * 1.15),
        };
        let flap = Shape::Block {
            c: mid + rot * v(0.0, size.y * 0.55, size.z * 0.30),
            rot,
            half: v(size.x - 0.002, size.y * 0.42, size.z * 0.62),
            round: 0.006,
        };
        let pouch = move |p: V3| {
            let d = bag.dist(p).min(belly.dist(p));
            d.min(flap.dist(p))
        };
        let bind = at_place(q);
        let piece = solid(&pouch, mid, 0.09, count(260.0));
        leather.add_piece(&piece, STRAP, &|_| bind.clone());
        let knob = mid + rot * v(0.0, size.y * 0.22, size.z * 0.95 + 0.008);
        metal.add_piece(&pieces::ball(knob, n, 0.006, 6, 8), METAL, &|_| {
            bind.clone()
        });
    }

    // Flask on the back, hung from the strap, with a ribbed tube to the right hip.
    let seat = project(&full, v(0.01, 1.27, -0.13), 0.0, 8, 0.03);
    let mid = seat + v(0.0, 0.0, -0.066);
    let tilt = unit(v(0.42, 1.0, -0.03));
    let profile = [
        (-0.129, 0.012),
        (-0.124, 0.030),
        (-0.108, 0.047),
        (-0.088, 0.0545),
        (-0.064, 0.057),
        (-0.061, 0.060),
        (-0.049, 0.060),
        (-0.046, 0.057),
        (-0.010, 0.057),
        (0.030, 0.056),
        (0.033, 0.059),
        (0.045, 0.059),
        (0.048, 0.055),
        (0.075, 0.048),
        (0.094, 0.034),
        (0.106, 0.020),
        (0.122, 0.0175),
        (0.125, 0.024),
        (0.140, 0.024),
        (0.145, 0.014),
    ];
    let around = frame(tilt, v(0., 0., 1.));
    let sides = (18.0 * detail.min(3.0)) as usize;
    let rings: Vec<Vec<V3>> = profile
        .iter()
        .map(|(y, r)| {
            (0..sides)
                .map(|j| {
                    let a = TAU * j as f64 / sides as f64;
                    mid + around * v(r * a.cos(), *y, r * a.sin())
                })
                .collect()
        })
        .collect();
    let bind = at_place(seat);
    let flask = pieces::lathe(&rings, false);
    leather.add_piece(&flask, LEATHER, &|_| bind.clone());

    // Tube: clear of everything by its own radius.
    let radius = 0.0115;
    let ctrl = [
        mid - tilt * 0.118,
        mid - tilt * 0.165,
        v(-0.105, 1.085, -0.160),
        v(-0.158, 1.050, -0.100),
        v(-0.182, 1.042, -0.020),
        v(-0.170, 1.038, 0.060),
        v(-0.120, 1.020, 0.115),
        v(-0.085, 0.998, 0.128),
    ];
    let mut line = pieces::spline(&ctrl, 0.0095 / detail.min(2.5));
    for _ in 0..6 {
        for p in line.iter_mut().skip(4) {
            let near = 0.007 + radius;
            if full(*p) < near {
                *p = project(&full, *p, near, 4, 0.02);
            }
        }
        pieces::soften(&mut line, 3, false);
    }
    let beads = line.len() as f64 - 1.0;
    let ribbed = |t: f64| {
        let i = (t * beads).round() as i64;
        if i == 0 || i as f64 == beads {
            radius * 0.8
        } else if i % 2 == 0 {
            radius
        } else {
            radius * 0.86
        }
    };
    let tube = pieces::tube(&line, 8, &ribbed);
    hose.add_piece(&tube, TUBE, &stretch);
    // Its mouthpiece.
    let (end, before) = (line[line.len() - 1], line[line.len() - 3]);
    let out = unit(end - before);
    let mouth = pieces::tube(
        &[
            end - out * 0.004,
            end + out * 0.004,
            end + out * 0.020,
            end + out * 0.024,
        ],
        12,
        &|t| if t > 0.9 { 0.011 } else { 0.0145 },
    );
    let bind = stretch(end);
    metal.add_piece(&mouth, METAL, &|_| bind.clone());
    vec![(leather, 1), (metal, 2), (hose, 3)]
}

/// Bends the elbow so that the forearm comes forward.
fn elbow(w: &mut Poser, e: &str, a: f64) {
    if let Some(i) = w.joints.find(&format!("forearm_{e}")) {
        let q = toward(w.joints.dir(i), v(0., 0., 1.), a);
        w.pose.turn(i, q);
    }
}

/// Closes the hand by `a` per joint.
fn grip(w: &mut Poser, (side, e): (f64, &str), a: f64) {
    let palm = mirror(left_hand().palm, side);
    for n in ["index", "middle", "ring", "pinky", "thumb"] {
        for k in 1..=3 {
            if let Some(i) = w.joints.find(&format!("{n}_{k}_{e}")) {
                let a = if n == "thumb" { a * 0.55 } else { a };
                let q = toward(w.joints.dir(i), palm, a);
                w.pose.turn(i, q);
            }
        }
    }
}

/// A stride; `p` is the phase.
fn walk(joints: &Rig, p: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * p;
    w.shift(
        "hips",
        v(0.012 * a.sin(), -0.022 + 0.014 * (2.0 * a).cos(), 0.0),
    );
    w.turn("hips", ry(0.10 * a.cos()) * rz(0.035 * a.sin()) * rx(0.04));
    w.turn("spine_1", ry(-0.06 * a.cos()));
    w.turn("spine_2", ry(-0.07 * a.cos()) * rx(0.03));
    w.turn("spine_3", ry(-0.07 * a.cos()) * rz(-0.02 * a.sin()));
    w.turn("neck", ry(0.05 * a.cos()));
    w.turn("head", ry(0.05 * a.cos()) * rx(0.02 * (2.0 * a).sin()));
    for (e, side, ph) in [("l", 1.0, a), ("r", -1.0, a + TAU / 2.0)] {
        let n = |s: &str| format!("{s}_{e}");
        // The leg swings forward while sin rises; the knee bends on the way.
        w.turn(&n("thigh"), rx(-0.09 - 0.38 * ph.cos()));
        let swing = (-(ph + 0.2).sin()).max(0.0).powf(1.3);
        w.turn(&n("shin"), rx(0.12 + 0.85 * swing));
        w.turn(&n("foot"), rx(-0.05 + 0.08 * ph.cos() - 0.18 * swing));
        w.turn(&n("toes"), rx(-0.45 * (-(ph - 0.5).cos()).max(0.0)));
        w.turn(&n("clavicle"), rz(-side * 0.10));
        w.turn(
            &n("upper_arm"),
            rx(0.05 + 0.40 * ph.cos()) * rz(-side * 0.56) * ry(side * 0.05),
        );
        elbow(&mut w, e, 0.30 - 0.18 * ph.cos());
        grip(&mut w, (side, e), 0.18);
    }
    w.pose
}

/// Hauling a rope hand over hand.
fn haul(joints: &Rig, p: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * p;
    let lean = 0.5 + 0.5 * (2.0 * a).sin();
    w.shift("hips", v(0.0, -0.11 - 0.02 * lean, -0.06 - 0.05 * lean));
    w.turn("hips", rx(0.16 - 0.22 * lean) * ry(0.16 * a.sin()));
    w.turn("spine_1", rx(0.10 - 0.14 * lean) * ry(0.10 * a.sin()));
    w.turn("spine_2", rx(0.10 - 0.12 * lean) * ry(0.12 * a.sin()));
    w.turn("spine_3", rx(0.06 - 0.06 * lean) * ry(0.12 * a.sin()));
    w.turn("neck", rx(-0.06) * ry(-0.20 * a.sin()));
    w.turn("head", rx(-0.10 + 0.10 * lean) * ry(-0.22 * a.sin()));
    for (e, side, ph) in [("l", 1.0, a), ("r", -1.0, a + TAU / 2.0)] {
        let n = |s: &str| format!("{s}_{e}");
        // 1 when the hand is far out on the rope, 0 when it is at the belly.
        let reach = 0.5 - 0.5 * ph.sin();
        w.turn(&n("clavicle"), ry(-side * 0.22 * reach) * rz(-side * 0.05));
        w.turn(
            &n("upper_arm"),
            rx(0.55 - 1.75 * reach) * rz(-side * 0.52) * ry(-side * 0.1),
        );
        elbow(&mut w, e, 1.75 - 1.35 * reach);
        w.turn(&n("hand"), rx(-0.15 + 0.2 * reach));
        grip(&mut w, (side, e), 0.62 + 0.2 * (1.0 - reach));
        let front = if e == "l" { 1.0 } else { 0.0 };
        // Left foot ahead, both knees bent.
        w.turn(
            &n("thigh"),
            ry(side * 0.14) * rx(-0.20 - 0.42 * front + 0.10 * lean) * rz(side * 0.10),
        );
        w.turn(&n("shin"), rx(0.62 + 0.10 * front - 0.10 * lean));
        w.turn(&n("foot"), rx(-0.34 + 0.12 * front) * rz(-side * 0.06));
    }
    w.pose
}

/// Builds the tanner.
pub fn make(wish: &Wish) -> Result<Character, String> {
    let rig = rig();
    let map = match wish.joints {
        None => JointMap::plain(&rig),
        Some(n) => {
            // Few joints: no fingers, no toes.
            let few = n < rig.bones.len();
            JointMap::with_count(&rig, n, &|name| {
                let digit = ["thumb", "index", "middle", "ring", "pinky", "toes"]
                    .iter()
                    .any(|d| name.starts_with(d));
                few && (digit || name == "spine_2")
            })
        }
    };
    let field = flesh(&rig);
    let count = wish.vertices.unwrap_or(8800);
    let surface = |p: V3| field.eval(p);
    let src = Source {
        f: &surface,
        lo: v(-0.82, -0.02, -0.26),
        hi: v(0.82, 1.86, 0.26),
        size: &sizing,
        gap: f64::MAX,
    };
    let (mut mesh, edge): (Mesh, _) = build(&src, count, 0.0052);
    let near = |p: V3| edge.edge(sizing(p));
    let borders = Borders::new(&rig);
    for (at, normal, on) in &borders.planes {
        let plane = Cut {
            at: *at,
            normal: *normal,
            on: &|p| on.contains(&field.owner(p)),
            strict: false,
        };
        cut(&mut mesh, &surface, &plane, &near);
    }
    crate::report("tanner body", &mesh);

    let soft = rig
        .bones
        .iter()
        .map(|b| ((b.tail - b.head).norm() * 0.10).clamp(0.0025, 0.016))
        .collect();
    let flesh = Flesh {
        field: &field,
        rig: &rig,
        map: &map,
        soft,
    };
    let (rolls, of) = rolls(&rig);
    let zone = |t: usize| {
        let c = mesh.centroid(t);
        let bone = field.owner(c);
        (of[bone], borders.band(bone, &rig.bones[bone].name, c))
    };
    let uv = atlas::unroll(&mesh, &rolls, 0.32, &zone);
    let normals = atlas::spread(&mesh, &field_normals(&mesh, &surface, 0.003));
    let mut body = Part::default();
    body.add(&mesh, &uv, &normals, &|i| flesh.bind(mesh.pos[i]));

    let detail = (count as f64 / 9000.0).sqrt().clamp(0.6, 6.0);
    let mut eyes = Part::default();
    let head = map.of[rig.at("head")][0];
    let sides = (16.0 * detail.min(2.0)) as usize;
    for side in [1.0, -1.0] {
        let c = mirror(EYE_AT, side);
        let front = mirror(v(0.06, -0.02, 1.0), side);
        let ball = pieces::ball(c, front, 0.0165, sides * 5 / 8, sides);
        eyes.add_piece(&ball, EYE, &|_| rigid(head));
    }
    let gear = gear(&flesh, detail);

    let texture = atlas::texture(&[
        paint([208, 156, 124], [188, 128, 98], Style::Mottle),
        paint([186, 158, 98], [140, 112, 64], Style::Weave),
        paint([92, 88, 72], [62, 60, 50], Style::Weave),
        paint([104, 68, 44], [72, 44, 30], Style::Hide),
        paint([140, 88, 50], [98, 58, 34], Style::Hide),
        paint([176, 160, 120], [140, 122, 84], Style::Mottle),
        paint([232, 228, 216], [96, 116, 84], Style::Eye),
        paint([70, 84, 82], [48, 60, 60], Style::Mottle),
    ])?;
    let joints = map.joints.clone();
    let clips = vec![
        Clip::sample("walk", 1.1, 24, &|p| walk(&joints, p)),
        Clip::sample("haul_rope", 2.4, 32, &|p| haul(&joints, p)),
    ];
    Ok(Character {
        name: "marsh_tanner",
        joints,
        meshes: vec![
            MeshOut {
                name: "tanner_body".into(),
                parts: vec![(body, 0), (eyes, 4)],
            },
            MeshOut {
                name: "tanner_gear".into(),
                parts: gear,
            },
        ],
        materials: vec![
            material("skin_and_cloth", 0.0, 0.85),
            material("gear_leather", 0.0, 0.6),
            material("gear_brass", 0.7, 0.4),
            material("gear_tube", 0.0, 0.5),
            material("eyes", 0.0, 0.2),
        ],
        texture: Some(texture),
        clips,
        weights: Weights::Smooth,
        saved: Pose::default(),
        scale: None,
    })
}
