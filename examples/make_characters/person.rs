//! The body of a stocky person, shared by those who differ in how they hold their limbs.

use crate::field::{Attach, Field, Shape, V3, v};
use crate::kit::{SIDES, frame, mirror};
use crate::pieces::{self, Piece};
use crate::rig::{Rig, toward};

use nalgebra::Rotation3;

/// Joints without flesh of their own: they must win no vertex.
pub const FLESHLESS: [&str; 5] = [
    "root",
    "tool_grip_l",
    "tool_grip_r",
    "foot_target_l",
    "foot_target_r",
];

/// Middle of the left eye.
const EYE_AT: V3 = V3::new(0.036, 1.482, 0.078);

/// Height of the line between the lips.
pub const MOUTH_Y: f64 = 1.428;

/// Leading groups of the flesh that are trunk and head, and those that are trunk, head and legs.
pub const TRUNK: usize = 1;
pub const WITHOUT_ARMS: usize = 3;

/// How one arm is held, in its own place.
#[derive(Clone, Copy)]
pub struct Arm {
    pub elbow: V3,
    pub wrist: V3,
    /// Direction of the palm, and towards the thumb.
    pub dir: V3,
    pub thumb: V3,
    /// Direction of the fingers before they bend.
    pub fingers: V3,
    /// Direction of the thumb: along `dir`, along `thumb`, out of the palm.
    pub thumb_dir: V3,
    /// Bend of the three joints of a finger towards the palm, and of the thumb.
    pub bend: [f64; 3],
    pub thumb_bend: f64,
    /// Distance between neighbouring fingers, and their radius.
    pub pitch: f64,
    pub radius: f64,
}

const SHOULDER: V3 = V3::new(0.194, 1.248, -0.004);
const HIP: V3 = V3::new(0.087, 0.815, 0.0);
const KNEE: V3 = V3::new(0.0640, 0.450, 0.008);
const ANKLE: V3 = V3::new(0.0660, 0.085, -0.020);
const BALL: V3 = V3::new(0.0720, 0.030, 0.095);
const TOE: V3 = V3::new(0.0740, 0.026, 0.155);
/// From the wrist to the knuckles.
const PALM: f64 = 0.085;
const FINGERS: [(&str, f64); 4] = [
    ("index", 1.5),
    ("middle", 0.5),
    ("ring", -0.5),
    ("pinky", -1.5),
];
const PHALANGES: [f64; 3] = [0.046, 0.033, 0.027];

impl Arm {
    fn mirrored(self, side: f64) -> Arm {
        let m = |p: V3| mirror(p, side);
        Arm {
            elbow: m(self.elbow),
            wrist: m(self.wrist),
            dir: m(self.dir),
            thumb: m(self.thumb),
            fingers: m(self.fingers),
            ..self
        }
    }

    /// Out of the palm.
    fn palm(&self, side: f64) -> V3 {
        self.dir.cross(&self.thumb) * side
    }

    /// Points of all fingers from knuckle to tip, the thumb first.
    fn points(&self, side: f64) -> Vec<(&'static str, [V3; 4])> {
        let palm = self.palm(side);
        let chain = |at: V3, dir: V3, lengths: [f64; 3], bend: [f64; 3]| {
            let mut out = [at; 4];
            let mut d = dir.normalize();
            for k in 0..3 {
                if bend[k] > 0.0 {
                    d = toward(d, palm, bend[k]) * d;
                }
                out[k + 1] = out[k] + d * lengths[k];
            }
            out
        };
        let t = self.thumb_dir;
        let at = self.wrist + self.dir * 0.022 + self.thumb * (self.pitch * 1.2) + palm * 0.004;
        let dir = self.dir * t.x + self.thumb * t.y + palm * t.z;
        let b = self.thumb_bend;
        let mut out = vec![("thumb", chain(at, dir, [0.042, 0.032, 0.026], [0.0, b, b]))];
        for (name, across) in FINGERS {
            let at = self.wrist + self.dir * PALM + self.thumb * (across * self.pitch);
            let short = if name == "pinky" { 0.94 } else { 1.0 };
            let lengths = PHALANGES.map(|l| l * short);
            out.push((name, chain(at, self.fingers, lengths, self.bend)));
        }
        out
    }
}

/// Both arms held alike.
pub fn alike(left: Arm) -> [Arm; 2] {
    [left, left.mirrored(-1.0)]
}

/// The 58 bones, the arms of the left and the right side as told.
pub fn rig(arms: &[Arm; 2]) -> Rig {
    let mut r = Rig::default();
    let (fwd, up) = (v(0., 0., 1.), v(0., 1., 0.));
    r.add("root", "", [v(0., 0., 0.), v(0., 0., 0.2)], up);
    let spine = [
        ("hips", 0.850, 0.0),
        ("spine_1", 0.945, 0.004),
        ("spine_2", 1.040, 0.006),
        ("spine_3", 1.140, 0.002),
        ("neck", 1.318, -0.010),
        ("head", 1.385, 0.0),
        ("", 1.640, 0.010),
    ];
    for (k, pair) in spine.windows(2).enumerate() {
        let parent = if k == 0 { "root" } else { spine[k - 1].0 };
        let ends = [v(0., pair[0].1, pair[0].2), v(0., pair[1].1, pair[1].2)];
        r.add(pair[0].0, parent, ends, fwd);
    }
    r.add(
        "jaw",
        "head",
        [v(0., 1.418, 0.012), v(0., 1.388, 0.092)],
        up,
    );
    for ((side, e), arm) in SIDES.into_iter().zip(arms) {
        let m = |p: V3| mirror(p, side);
        let mut add = |name: &str, parent: &str, ends: [V3; 2], up: V3| {
            let parent = match parent {
                "root" | "hips" | "spine_3" => parent.to_string(),
                _ => format!("{parent}_{e}"),
            };
            r.add(&format!("{name}_{e}"), &parent, ends, up);
        };
        let shoulder = m(SHOULDER);
        let back = -arm.palm(side);
        add(
            "clavicle",
            "spine_3",
            [m(v(0.030, 1.262, 0.008)), shoulder],
            up,
        );
        add("upper_arm", "clavicle", [shoulder, arm.elbow], fwd);
        add("forearm", "upper_arm", [arm.elbow, arm.wrist], fwd);
        let knuckles = arm.wrist + arm.dir * PALM;
        add("hand", "forearm", [arm.wrist, knuckles], back);
        let grip = arm.wrist + arm.dir * 0.06 - back * 0.03;
        add("tool_grip", "hand", [grip, grip + arm.thumb * 0.05], back);
        for (name, p) in arm.points(side) {
            let mut parent = "hand".to_string();
            for k in 0..3 {
                let me = format!("{name}_{}", k + 1);
                add(&me, &parent, [p[k], p[k + 1]], back);
                parent = me;
            }
        }
        add("thigh", "hips", [m(HIP), m(KNEE)], fwd);
        add("shin", "thigh", [m(KNEE), m(ANKLE)], fwd);
        add("foot", "shin", [m(ANKLE), m(BALL)], up);
        add("toes", "foot", [m(BALL), m(TOE)], up);
        let target = m(v(ANKLE.x, 0.0, -0.02));
        add("foot_target", "root", [target, target + v(0., 0., 0.1)], up);
    }
    r
}

/// The body as an implicit surface.
pub fn flesh(r: &Rig, arms: &[Arm; 2]) -> Field {
    let mut f = Field::halving(r.bones.len());
    trunk(&mut f, r);
    for side in SIDES {
        leg(&mut f, r, side);
    }
    for (side, arm) in SIDES.into_iter().zip(arms) {
        limb(&mut f, r, side, arm);
    }
    f
}

fn trunk(f: &mut Field, r: &Rig) {
    f.group(None);
    let thin = |f: &mut Field, bone: &str, ends: [V3; 2], radii: [f64; 2], flat: f64| {
        let shape = Shape::Cone {
            a: ends[0],
            b: ends[1],
            ra: radii[0],
            rb: radii[1],
            squash: Some((v(0., 0., 1.), flat)),
        };
        f.add(r.at(bone), shape, 0.006);
    };
    let at = |y: f64, z: f64| v(0., y, z);
    // Bones of the spine lie in like solids, so that the flesh of each begins at its joint.
    thin(
        f,
        "spine_1",
        [at(0.945, 0.004), at(1.040, 0.006)],
        [0.162, 0.156],
        0.68,
    );
    thin(
        f,
        "spine_2",
        [at(1.040, 0.006), at(1.140, 0.002)],
        [0.156, 0.146],
        0.68,
    );
    thin(
        f,
        "spine_3",
        [at(1.140, 0.002), at(1.195, -0.002)],
        [0.146, 0.134],
        0.68,
    );
    f.cone(
        r.at("hips"),
        [v(-0.068, 0.850, 0.0), v(0.068, 0.850, 0.0)],
        [0.097, 0.097],
        0.015,
    );
    for (side, e) in SIDES {
        let m = |p: V3| mirror(p, side);
        f.cone(
            r.at(&format!("clavicle_{e}")),
            [m(v(0.045, 1.268, -0.004)), m(v(0.160, 1.250, -0.004))],
            [0.052, 0.054],
            0.03,
        );
    }
    f.cone(
        r.at("neck"),
        [at(1.318, -0.010), at(1.385, 0.0)],
        [0.054, 0.052],
        0.03,
    );
    // Skull, face and jaw; the mouth is open a little.
    let head = r.at("head");
    f.egg(head, v(0., 1.520, -0.004), v(0.090, 0.112, 0.104), 0.03);
    f.egg(head, v(0., 1.470, 0.036), v(0.068, 0.056, 0.066), 0.03);
    f.cone(
        head,
        [v(0., 1.492, 0.096), v(0., 1.462, 0.112)],
        [0.010, 0.014],
        0.014,
    );
    f.egg(
        r.at("jaw"),
        v(0., 1.404, 0.050),
        v(0.054, 0.034, 0.052),
        0.02,
    );
    let mouth = Shape::Ellipsoid {
        c: v(0., MOUTH_Y, 0.082),
        rot: Rotation3::identity(),
        r: v(0.034, 0.0085, 0.046),
    };
    f.carve(head, mouth, 0.004);
    for (side, _) in SIDES {
        let ear = Shape::Ellipsoid {
            c: mirror(v(0.091, 1.485, -0.012), side),
            rot: frame(
                mirror(v(0.2, 1.0, -0.16), side),
                mirror(v(0.5, 0., 0.9), side),
            ),
            r: v(0.013, 0.034, 0.022),
        };
        f.add(head, ear, 0.014);
    }
}

fn leg(f: &mut Field, r: &Rig, (side, e): (f64, &str)) {
    let b = |n: &str| r.at(&format!("{n}_{e}"));
    let m = |p: V3| mirror(p, side);
    let p = |x: f64, y: f64, z: f64| m(v(x, y, z));
    f.group(Some(Attach {
        at: p(0.075, 0.820, 0.0),
        reach: 0.125,
        k: 0.025,
    }));
    f.cone(b("thigh"), [m(HIP), m(KNEE)], [0.0825, 0.0585], 0.004);
    f.cone(
        b("shin"),
        [m(KNEE), p(0.0650, 0.330, -0.004)],
        [0.0585, 0.0570],
        0.004,
    );
    f.cone(
        b("shin"),
        [p(0.0650, 0.330, -0.004), m(ANKLE)],
        [0.0570, 0.0400],
        0.004,
    );
    f.cone(
        b("foot"),
        [m(ANKLE), m(BALL + v(0., 0.012, 0.))],
        [0.041, 0.036],
        0.02,
    );
    f.egg(
        b("foot"),
        p(0.066, 0.044, -0.042),
        v(0.040, 0.044, 0.040),
        0.02,
    );
    let thin = |a: V3, z: V3, ra: f64, rb: f64| Shape::Cone {
        a,
        b: z,
        ra,
        rb,
        squash: Some((v(0., 1., 0.), 0.55)),
    };
    f.add(
        b("foot"),
        thin(p(0.067, 0.026, -0.040), m(BALL), 0.042, 0.050),
        0.02,
    );
    f.add(b("toes"), thin(m(BALL), m(TOE), 0.050, 0.040), 0.012);
    let ground = Shape::Block {
        c: p(0.07, -0.05, 0.05),
        rot: Rotation3::identity(),
        half: v(0.2, 0.048, 0.3),
        round: 0.002,
    };
    f.carve(b("foot"), ground, 0.004);
}

fn limb(f: &mut Field, r: &Rig, (side, e): (f64, &str), arm: &Arm) {
    let b = |n: &str| r.at(&format!("{n}_{e}"));
    let shoulder = mirror(SHOULDER, side);
    f.group(Some(Attach {
        at: shoulder,
        reach: 0.120,
        k: 0.06,
    }));
    f.cone(
        b("upper_arm"),
        [shoulder, arm.elbow],
        [0.0520, 0.0410],
        0.004,
    );
    let mid = arm.elbow + (arm.wrist - arm.elbow) * 0.3;
    f.cone(b("forearm"), [arm.elbow, mid], [0.0410, 0.0410], 0.004);
    f.cone(b("forearm"), [mid, arm.wrist], [0.0410, 0.0270], 0.004);
    let palm = arm.palm(side);
    let wide = arm.pitch * 1.5 + arm.radius;
    let slab = Shape::Block {
        c: arm.wrist + arm.dir * (PALM * 0.53),
        rot: frame(arm.dir, palm),
        half: v(wide - 0.012, PALM * 0.47 - 0.012, 0.002),
        round: 0.0125,
    };
    let hand = b("hand");
    f.cone(
        hand,
        [arm.wrist, arm.wrist + arm.dir * 0.03],
        [0.0265, 0.018],
        0.008,
    );
    f.add(hand, slab, 0.02);
    for (k, (name, p)) in arm.points(side).into_iter().enumerate() {
        let thick = arm.radius * if k == 0 { 1.3 } else { 1.0 };
        f.group(Some(Attach {
            at: p[0],
            reach: if k == 0 { 0.034 } else { arm.pitch * 0.62 },
            k: if k == 0 { 0.014 } else { 0.008 },
        }));
        let radii = [1.0, 1.0, 0.96, 0.86].map(|s| s * thick);
        for j in 0..3 {
            let bone = b(&format!("{name}_{}", j + 1));
            f.cone(bone, [p[j], p[j + 1]], [radii[j], radii[j + 1]], 0.003);
        }
    }
}

/// Relative edge length at the hands.
const HAND_SIZE: f64 = 0.32;

/// Relative edge length: fine at the hands, finer at the face and the toes than on the trunk.
pub fn sizing(arms: &[Arm; 2], p: V3) -> f64 {
    let q = v(p.x.abs(), p.y, p.z);
    let face = [
        (v(0., 1.45, 0.09), 0.05, 0.17, 0.50),
        (v(0.09, 1.485, -0.01), 0.03, 0.12, 0.6),
        (v(0.07, 0.03, 0.08), 0.10, 0.25, 0.8),
    ];
    // Along the hand and the fingers, but not far around: the flesh beside them is broad.
    let hands = arms.iter().map(|a| {
        let ends = [a.wrist, a.wrist + a.dir * 0.19];
        let axis = ends[1] - ends[0];
        let t = ((p - ends[0]).dot(&axis) / axis.norm_squared()).clamp(0.0, 1.0);
        ((p - ends[0] - axis * t).norm(), 0.070, 0.115, HAND_SIZE)
    });
    face.into_iter()
        .map(|(c, inner, outer, s)| ((q - c).norm(), inner, outer, s))
        .chain(hands)
        .map(|(d, inner, outer, s): (f64, f64, f64, f64)| {
            let t = ((d - inner) / (outer - inner)).clamp(0.0, 1.0);
            s + (1.0 - s) * t * t * (3.0 - 2.0 * t)
        })
        .fold(1.0, f64::min)
}

/// The eyes, left and right, half sunk into the face.
pub fn eyes() -> [Piece; 2] {
    let left = pieces::ball(EYE_AT, v(0.12, 0.0, 1.0), 0.0150, 9, 14);
    let right = pieces::reflected(&left);
    [left, right]
}
