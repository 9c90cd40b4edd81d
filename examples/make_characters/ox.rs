//! The bog ox: a four-legged animal in centimetres, rigid weights, saved in mid-stride.

use std::f64::consts::TAU;

use nalgebra::Rotation3;

use crate::Wish;
use crate::atlas::{self, Part, Roll, Style};
use crate::field::{Attach, Field, Folds, Shape, V3, gradient, project, v};
use crate::glb::{Character, MeshOut, Weights};
use crate::kit::{Poser, SIDES, eye, frame, material, mirror, paint};
use crate::mesh::{Cut, Source, build, cut, field_normals, unit};
use crate::pieces::{self, Band};
use crate::rig::{Clip, JointMap, Pose, Rig, rx, ry, rz};
use crate::skin::{Flesh, rigid};

const HIDE: usize = 0;
const MUZZLE: usize = 1;
const HORN: usize = 2;
const HOOF: usize = 3;
const STRAP: usize = 4;
const METAL: usize = 5;
const EYE: usize = 6;

/// Joints along the tail.
const TAIL: [[f64; 3]; 6] = [
    [0.0, 124.0, -80.0],
    [0.0, 118.0, -91.0],
    [0.5, 104.0, -97.0],
    [1.0, 87.0, -99.0],
    [1.0, 70.0, -98.0],
    [0.5, 54.0, -97.0],
];

/// Joints of a foreleg and of a hind leg, left side, from the top.
const FORE: [[f64; 3]; 6] = [
    [13.0, 131.0, 33.0],
    [19.0, 103.0, 47.0],
    [20.5, 81.0, 31.0],
    [19.5, 46.0, 36.0],
    [19.5, 14.0, 34.0],
    [20.0, 2.0, 43.0],
];
const HIND: [[f64; 3]; 5] = [
    [16.0, 112.0, -60.0],
    [22.0, 79.0, -44.0],
    [20.0, 49.0, -68.0],
    [20.0, 14.0, -62.0],
    [20.5, 2.0, -53.0],
];
const FORE_NAMES: [&str; 5] = [
    "scapula",
    "upper_arm",
    "forearm",
    "fore_cannon",
    "fore_hoof",
];
const HIND_NAMES: [&str; 4] = ["thigh", "shin", "hind_cannon", "hind_hoof"];

fn p(a: [f64; 3]) -> V3 {
    v(a[0], a[1], a[2])
}

/// The 35 bones.
fn rig() -> Rig {
    let mut r = Rig::default();
    let up = v(0., 1., 0.);
    let fwd = v(0., 0., 1.);
    r.add("root", "", [v(0., 0., 0.), v(0., 0., 30.)], up);
    let spine = [
        ("hips", v(0., 117., -62.)),
        ("spine_1", v(0., 120., -40.)),
        ("spine_2", v(0., 118., -19.)),
        ("spine_3", v(0., 119., 3.)),
        ("spine_4", v(0., 123., 24.)),
        ("neck_1", v(0., 126., 46.)),
        ("neck_2", v(0., 119., 66.)),
        ("head", v(0., 114., 84.)),
    ];
    let mut parent = "root";
    for (i, (name, at)) in spine.iter().enumerate() {
        let end = spine.get(i + 1).map_or(v(0., 92., 124.), |s| s.1);
        r.add(name, parent, [*at, end], up);
        parent = name;
    }
    r.add("jaw", "head", [v(0., 103., 90.), v(0., 84., 116.)], up);
    for (side, e) in SIDES {
        let m = |q: V3| mirror(q, side);
        let ends = [m(v(12., 115., 86.)), m(v(30., 110., 80.))];
        r.add(&format!("ear_{e}"), "head", ends, up);
    }
    let mut parent = "hips".to_string();
    for k in 0..5 {
        let name = format!("tail_{}", k + 1);
        r.add(&name, &parent, [p(TAIL[k]), p(TAIL[k + 1])], -fwd);
        parent = name;
    }
    for (side, e) in SIDES {
        for (names, points, top) in [
            (&FORE_NAMES[..], &FORE[..], "spine_4"),
            (&HIND_NAMES[..], &HIND[..], "hips"),
        ] {
            let mut parent = top.to_string();
            for (k, n) in names.iter().enumerate() {
                let name = format!("{n}_{e}");
                let ends = [mirror(p(points[k]), side), mirror(p(points[k + 1]), side)];
                r.add(&name, &parent, ends, fwd);
                parent = name;
            }
        }
    }
    r
}

/// The animal as an implicit surface.
fn flesh(r: &Rig) -> Field {
    let mut f = Field::new(r.bones.len());
    let b = |n: &str| r.at(n);
    f.group(None);
    f.egg(b("hips"), v(0., 112., -60.), v(26., 25., 27.), 10.);
    f.egg(b("spine_1"), v(0., 106., -30.), v(29., 29., 26.), 12.);
    f.egg(b("spine_2"), v(0., 101., -8.), v(33., 32., 26.), 12.);
    f.egg(b("spine_3"), v(0., 101., 14.), v(33., 34., 26.), 12.);
    f.egg(b("spine_4"), v(0., 106., 36.), v(29., 33., 26.), 12.);
    f.egg(b("spine_4"), v(0., 134., 34.), v(15., 17., 24.), 12.);
    // Spine ridge and hook bones.
    f.cone(
        b("spine_2"),
        [v(0., 128., -50.), v(0., 127., 20.)],
        [7., 8.],
        12.,
    );
    f.cone(
        b("neck_1"),
        [v(0., 119., 46.), v(0., 114., 66.)],
        [25., 20.],
        10.,
    );
    f.cone(
        b("neck_2"),
        [v(0., 114., 66.), v(0., 110., 84.)],
        [20., 16.],
        8.,
    );
    f.egg(b("neck_1"), v(0., 94., 62.), v(7., 17., 18.), 12.);
    f.egg(b("neck_1"), v(0., 134., 58.), v(11., 12., 16.), 10.);
    // Head: skull, cheeks, nose, muzzle.
    f.cone(
        b("head"),
        [v(0., 112., 90.), v(0., 97., 114.)],
        [15.5, 10.5],
        6.,
    );
    f.egg(b("head"), v(0., 91.5, 121.), v(11.5, 9., 9.), 6.);
    f.egg(b("head"), v(0., 122., 86.), v(11., 8., 9.), 6.);
    f.cone(
        b("jaw"),
        [v(0., 100., 95.), v(0., 86., 116.)],
        [9.5, 7.],
        4.,
    );
    f.egg(b("jaw"), v(0., 84., 118.), v(8., 5.5, 7.), 4.);
    for (side, e) in SIDES {
        let m = |q: V3| mirror(q, side);
        f.egg(b("hips"), m(v(16., 126., -56.)), v(9., 7., 10.), 8.);
        f.cone(
            b("head"),
            [m(v(7., 117.5, 97.)), m(v(12.5, 114., 93.))],
            [4.5, 4.5],
            5.,
        );
        let nostril = Shape::Ellipsoid {
            c: m(v(5.5, 93.5, 130.)),
            rot: frame(m(v(0.5, 1., 0.)), v(0., 0., 1.)),
            r: v(2.0, 3.4, 3.0),
        };
        f.carve(b("head"), nostril, 2.0);
        let socket = Shape::Ellipsoid {
            c: m(v(15.2, 109.5, 101.5)),
            rot: Rotation3::identity(),
            r: v(4.0, 3.2, 4.0),
        };
        f.carve(b("head"), socket, 3.0);
        f.egg(
            b(&format!("ear_{e}")),
            m(v(12.5, 115., 85.5)),
            v(5., 4., 4.),
            4.,
        );
    }
    for (side, e) in SIDES {
        let m = |q: V3| mirror(q, side);
        // Horns and ears stand free of each other.
        f.group(Some(Attach {
            at: m(v(9., 123., 87.)),
            reach: 9.,
            k: 6.,
        }));
        let horn = [
            v(8., 123., 87.),
            v(22., 128., 84.),
            v(33., 135., 87.),
            v(38., 146., 94.),
            v(37.5, 153., 99.),
        ];
        let line = pieces::spline(&horn, 4.0);
        let radius = |i: usize| {
            let t = i as f64 / (line.len() - 1) as f64;
            5.2 * (1.0 - t).powf(0.8) + 1.1 * t
        };
        for i in 0..line.len() - 1 {
            let ends = [m(line[i]), m(line[i + 1])];
            f.cone(b("head"), ends, [radius(i), radius(i + 1)], 1.0);
        }
        f.group(Some(Attach {
            at: m(v(12.5, 115., 85.5)),
            reach: 9.,
            k: 5.,
        }));
        let ear = b(&format!("ear_{e}"));
        let flat = m(v(0.15, 0.45, 0.9));
        f.flat_cone(
            ear,
            [m(v(13., 114.5, 85.)), m(v(21., 112., 83.))],
            [4.0, 6.2],
            (flat, 0.42),
        );
        f.flat_cone(
            ear,
            [m(v(21., 112., 83.)), m(v(29., 109.5, 80.))],
            [6.2, 3.2],
            (flat, 0.42),
        );
    }
    // Tail with its tuft.
    f.group(Some(Attach {
        at: p(TAIL[0]),
        reach: 16.,
        k: 9.,
    }));
    let radii = [5.5, 4.6, 3.6, 3.0, 2.9, 2.6];
    for k in 0..5 {
        let ends = [p(TAIL[k]), p(TAIL[k + 1])];
        f.cone(
            b(&format!("tail_{}", k + 1)),
            ends,
            [radii[k], radii[k + 1]],
            2.0,
        );
    }
    f.egg(
        b("tail_5"),
        p(TAIL[5]) + v(0., 2., 0.),
        v(5.2, 12., 5.2),
        3.0,
    );
    for side in SIDES {
        legs(&mut f, r, side);
    }
    // Shaggy mane and belly hair.
    for (at, reach, dir, wave, amp) in [
        (v(0., 128., 50.), 44., v(0.2, 0.5, 1.0), 9., 0.7),
        (v(0., 92., 60.), 30., v(0.6, 0.3, 1.0), 7., 0.6),
        (v(0., 70., 0.), 34., v(0.3, 0.2, 1.0), 10., 0.6),
        (v(0., 124., 90.), 16., v(1.0, 0.3, 0.3), 5., 0.5),
    ] {
        f.fold(Folds {
            at,
            reach,
            dir: unit(dir),
            wave,
            amp,
        });
    }
    f
}

fn legs(f: &mut Field, r: &Rig, (side, e): (f64, &str)) {
    let b = |n: &str| r.at(&format!("{n}_{e}"));
    let m = |q: V3| mirror(q, side);
    let pt = |a: [f64; 3]| mirror(p(a), side);
    f.group(Some(Attach {
        at: m(v(17., 110., 42.)),
        reach: 38.,
        k: 16.,
    }));
    f.cone(
        b("scapula"),
        [m(v(14., 124., 36.)), pt(FORE[1])],
        [13., 14.],
        6.,
    );
    f.cone(b("upper_arm"), [pt(FORE[1]), pt(FORE[2])], [14.5, 11.], 6.);
    f.cone(b("forearm"), [pt(FORE[2]), pt(FORE[3])], [11., 7.], 4.);
    f.egg(b("forearm"), m(v(21., 72., 33.)), v(9.5, 14., 10.), 5.);
    f.egg(
        b("fore_cannon"),
        pt(FORE[3]) + v(0., 0., 1.),
        v(7.2, 8., 7.6),
        3.,
    );
    f.cone(b("fore_cannon"), [pt(FORE[3]), pt(FORE[4])], [6.2, 5.2], 3.);
    hoof(f, b("fore_hoof"), pt(FORE[4]), side);
    f.group(Some(Attach {
        at: m(v(17., 106., -58.)),
        reach: 36.,
        k: 16.,
    }));
    f.cone(
        b("thigh"),
        [m(v(15., 106., -60.)), pt(HIND[1])],
        [21., 12.5],
        6.,
    );
    f.egg(b("thigh"), m(v(20., 92., -60.)), v(12., 22., 19.), 8.);
    f.cone(b("shin"), [pt(HIND[1]), pt(HIND[2])], [12., 6.6], 5.);
    f.egg(b("shin"), m(v(21., 68., -56.)), v(8., 13., 9.), 5.);
    f.egg(
        b("hind_cannon"),
        pt(HIND[2]) - v(0., 0., 2.),
        v(6.4, 8., 7.6),
        3.,
    );
    f.cone(b("hind_cannon"), [pt(HIND[2]), pt(HIND[3])], [6.4, 5.3], 3.);
    hoof(f, b("hind_hoof"), pt(HIND[3]), side);
}

/// Fetlock, dew claws and the cloven hoof, standing on the ground.
fn hoof(f: &mut Field, bone: usize, top: V3, side: f64) {
    f.egg(bone, top - v(0., 1., 0.), v(6.8, 6., 6.8), 2.5);
    f.egg(bone, top - v(0., 2., 6.), v(4.5, 2.6, 3.0), 2.0);
    for s in [-1.0, 1.0] {
        let x = v(3.3 * s * side, 0., 0.);
        f.cone(
            bone,
            [top + x + v(0., -6., 3.), top + x + v(0., -10., 7.)],
            [5.4, 5.8],
            1.2,
        );
    }
    let ground = Shape::Block {
        c: v(top.x, -10., top.z),
        rot: Rotation3::identity(),
        half: v(20., 9.8, 24.),
        round: 0.2,
    };
    f.carve(bone, ground, 0.5);
}

/// Finer at head, horns, tail and hooves.
fn sizing(q: V3) -> f64 {
    let q = v(q.x.abs(), q.y, q.z);
    [
        (v(6., 102., 108.), 26., 60., 0.55),
        (v(30., 135., 90.), 22., 45., 0.48),
        (v(24., 112., 83.), 10., 24., 0.45),
        (v(0., 85., -98.), 36., 60., 0.55),
        (v(20., 6., 38.), 14., 40., 0.6),
        (v(20., 6., -58.), 14., 40., 0.6),
    ]
    .iter()
    .map(|(c, inner, outer, s)| {
        let t = (((q - c).norm() - inner) / (outer - inner)).clamp(0.0, 1.0);
        s + (1.0 - s) * t * t * (3.0 - 2.0 * t)
    })
    .fold(1.0, f64::min)
}

/// Upper rims of the fore and hind hooves; the rim falls towards the heel.
const HOOF_AT: [V3; 2] = [V3::new(0., 8.4, 36.), V3::new(0., 8.4, -60.)];
/// Where the left horn leaves the hide.
const HORN_AT: V3 = V3::new(15.5, 126.0, 85.5);
const HOOF_UP: V3 = V3::new(0., -1., 0.28);

/// Plane and band of the special surfaces: muzzle, horns, hooves.
fn border(name: &str, q: V3) -> Option<(V3, V3, usize)> {
    match name {
        "head" if q.y > 119.5 && q.x.abs() > 9.5 => {
            let s = q.x.signum();
            Some((
                v(HORN_AT.x * s, HORN_AT.y, HORN_AT.z),
                v(s, 0.36, -0.2),
                HORN,
            ))
        }
        "head" | "jaw" => Some((v(0., 92., 115.5), v(0., -0.35, 1.0), MUZZLE)),
        "fore_hoof_l" | "fore_hoof_r" => Some((HOOF_AT[0], HOOF_UP, HOOF)),
        "hind_hoof_l" | "hind_hoof_r" => Some((HOOF_AT[1], HOOF_UP, HOOF)),
        _ => None,
    }
}

fn rolls(r: &Rig) -> (Vec<Roll>, Vec<usize>) {
    let mut rolls = vec![
        Roll {
            from: v(0., 108., -90.),
            to: v(0., 112., 66.),
            face: v(0., 1., 0.),
            around: 200.,
            flat: 1.0,
        },
        Roll {
            from: v(0., 122., 70.),
            to: v(0., 88., 132.),
            face: v(0., 1., 0.),
            around: 80.,
            flat: 1.0,
        },
        Roll {
            from: p(TAIL[0]),
            to: p(TAIL[5]) - v(0., 14., 0.),
            face: v(0., 0., -1.),
            around: 24.,
            flat: 1.0,
        },
    ];
    let mut of = vec![0; r.bones.len()];
    for (i, b) in r.bones.iter().enumerate() {
        if b.name == "head" || b.name == "jaw" || b.name == "neck_2" {
            of[i] = 1;
        } else if b.name.starts_with("tail") {
            of[i] = 2;
        }
    }
    for (side, e) in SIDES {
        let out = v(side, 0., 0.2);
        for (names, points, around) in [
            (&FORE_NAMES[..], &FORE[..], 50.),
            (&HIND_NAMES[..], &HIND[..], 55.),
        ] {
            rolls.push(Roll {
                from: mirror(p(points[0]) + v(0., 6., 0.), side),
                to: mirror(p(points[points.len() - 1]), side),
                face: out,
                around,
                flat: 1.0,
            });
            for n in names {
                of[r.at(&format!("{n}_{e}"))] = rolls.len() - 1;
            }
        }
        rolls.push(Roll {
            from: mirror(v(9., 116., 87.), side),
            to: mirror(v(32., 109., 79.), side),
            face: v(0., 0.5, 1.),
            around: 24.,
            flat: 1.0,
        });
        of[r.at(&format!("ear_{e}"))] = rolls.len() - 1;
    }
    (rolls, of)
}

/// The collar and the girth, with ring and bell: (leather, metal).
fn harness(fl: &Flesh, detail: f64) -> [Part; 2] {
    let full = |q: V3| fl.field.eval(q);
    let trunk = |q: V3| fl.field.eval_groups(q, 1);
    let mut leather = Part::default();
    let mut metal = Part::default();
    let follow = |q: V3| rigid(fl.bind(project(&full, q, 0.0, 3, 3.0)).right);
    let step = 3.4 / detail;
    let band = |half: f64| Band {
        half,
        gap: 0.7,
        thick: 0.9,
    };
    let up = v(0., 1., 0.0);
    let mut girth = pieces::plane_loop(&trunk, v(0., 104., 8.), v(1., 0., 0.), up, step);
    pieces::soften(&mut girth, 3, true);
    leather.add_piece(&pieces::strap(&full, &girth, band(3.6)), STRAP, &follow);
    let tilt = v(0., 1., -0.45);
    let mut collar = pieces::plane_loop(&trunk, v(0., 116., 58.), v(1., 0., 0.), tilt, step);
    pieces::soften(&mut collar, 3, true);
    leather.add_piece(&pieces::strap(&full, &collar, band(2.8)), STRAP, &follow);
    // A bell under the collar, a ring on the girth.
    let low = collar
        .iter()
        .copied()
        .min_by(|a, b| a.y.total_cmp(&b.y))
        .unwrap_or(v(0., 80., 64.));
    let bind = follow(low);
    let bell: Vec<Vec<V3>> = [
        (0.5, 0.6),
        (-0.2, 1.6),
        (-1.6, 2.5),
        (-4.0, 3.0),
        (-6.2, 4.1),
        (-6.3, 3.5),
        (-4.0, 2.4),
    ]
    .iter()
    .map(|(y, r)| {
        (0..14)
            .map(|j| {
                let a = TAU * j as f64 / 14.0;
                low + v(r * a.cos(), y - 2.4, r * a.sin() + 1.0)
            })
            .collect()
    })
    .collect();
    metal.add_piece(&pieces::lathe(&bell, false), METAL, &|_| bind.clone());
    let top = girth
        .iter()
        .copied()
        .max_by(|a, b| a.y.total_cmp(&b.y))
        .unwrap_or(v(0., 136., 8.));
    let n = unit(gradient(&full, top, 0.1));
    let ring: Vec<V3> = (0..20)
        .map(|i| {
            let a = TAU * i as f64 / 20.0;
            top + n * (4.6 + 3.2 * a.sin()) + v(3.2 * a.cos(), 0., 0.)
        })
        .collect();
    let bind = follow(top);
    metal.add_piece(&pieces::wire(&ring, 7, 0.65), METAL, &|_| bind.clone());
    [leather, metal]
}

/// A walking stride; `t` is the phase.
fn walk(joints: &Rig, t: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * t;
    w.shift("hips", v(0.8 * a.sin(), 0.9 * (2.0 * a).cos() - 1.0, 0.0));
    w.turn("hips", ry(0.05 * a.cos()) * rz(0.03 * a.sin()));
    w.turn("spine_1", ry(-0.03 * a.cos()));
    w.turn("spine_2", ry(-0.03 * a.cos()));
    w.turn("spine_3", ry(-0.03 * a.sin()) * rz(-0.02 * a.sin()));
    w.turn("spine_4", ry(-0.02 * a.sin()));
    w.turn("neck_1", rx(0.06 + 0.05 * (2.0 * a + 0.6).sin()));
    w.turn(
        "neck_2",
        rx(0.04 + 0.05 * (2.0 * a + 0.3).sin()) * ry(0.05 * a.sin()),
    );
    w.turn("head", rx(-0.05 + 0.04 * (2.0 * a).sin()));
    w.turn("jaw", rx(0.07 + 0.06 * (2.0 * a + 1.0).sin()));
    for k in 1..=5 {
        let lag = a - 0.5 * k as f64;
        w.turn(
            &format!("tail_{k}"),
            rz(0.10 * lag.sin()) * rx(0.03 * (2.0 * lag).sin()),
        );
    }
    for (side, e) in SIDES {
        w.turn(&format!("ear_{e}"), rz(side * 0.12 * (2.0 * a + 1.0).sin()));
        let half = if side > 0.0 { 0.0 } else { TAU / 2.0 };
        let n = |s: &str| format!("{s}_{e}");
        // While the cosine falls the foot is on the ground; in the swing the joints fold.
        let h = a + half;
        let swing = (-(h + 0.3).sin()).max(0.0).powf(1.3);
        w.turn(&n("thigh"), rx(-0.30 * h.cos() - 0.10 * swing));
        w.turn(&n("shin"), rx(0.08 * h.cos() + 0.42 * swing));
        w.turn(&n("hind_cannon"), rx(-0.06 * h.cos() - 0.42 * swing));
        w.turn(&n("hind_hoof"), rx(0.20 * h.cos() + 0.55 * swing));
        let g = a + half + TAU * 0.25;
        let swing = (-(g + 0.3).sin()).max(0.0).powf(1.3);
        w.turn(&n("scapula"), rx(-0.10 * g.cos()));
        w.turn(&n("upper_arm"), rx(-0.18 * g.cos() + 0.12 * swing));
        w.turn(&n("forearm"), rx(-0.10 * g.cos() - 0.42 * swing));
        w.turn(&n("fore_cannon"), rx(0.80 * swing));
        w.turn(&n("fore_hoof"), rx(0.25 * g.cos() + 0.45 * swing));
    }
    w.pose
}

/// Builds the ox.
pub fn make(wish: &Wish) -> Result<Character, String> {
    let rig = rig();
    let map = JointMap::plain(&rig);
    let field = flesh(&rig);
    let count = wish.vertices.unwrap_or(6000);
    let surface = |q: V3| field.eval(q);
    let src = Source {
        f: &surface,
        lo: v(-46., -2., -110.),
        hi: v(46., 162., 140.),
        size: &sizing,
        gap: f64::MAX,
    };
    let (mut mesh, edge) = build(&src, count, 1.6);
    let near = |q: V3| edge.edge(sizing(q));
    let name = |q: V3| rig.bones[field.owner(q)].name.as_str();
    let muzzle = (v(0., 92., 115.5), v(0., -0.35, 1.0), MUZZLE);
    let mut planes = vec![muzzle];
    planes.extend(HOOF_AT.map(|at| (at, HOOF_UP, HOOF)));
    for s in [1.0, -1.0] {
        planes.push((
            v(HORN_AT.x * s, HORN_AT.y, HORN_AT.z),
            v(s, 0.36, -0.2),
            HORN,
        ));
    }
    for (at, normal, _) in planes {
        let plane = Cut {
            at,
            normal,
            on: &|q| border(name(q), q).is_some_and(|b| b.0 == at),
            strict: false,
        };
        cut(&mut mesh, &surface, &plane, &near);
    }
    crate::report("ox body", &mesh);
    let flesh = Flesh {
        field: &field,
        rig: &rig,
        map: &map,
        soft: vec![1.0; rig.bones.len()],
    };
    let (rolls, of) = rolls(&rig);
    let zone = |t: usize| {
        let c = mesh.centroid(t);
        let bone = field.owner(c);
        let band = match border(&rig.bones[bone].name, c) {
            Some((at, n, band)) if n.dot(&(c - at)) > 0.0 => band,
            _ => HIDE,
        };
        (of[bone], band)
    };
    let uv = atlas::unroll(&mesh, &rolls, 40.0, &zone);
    let normals = atlas::spread(&mesh, &field_normals(&mesh, &surface, 0.15));
    let mut body = Part::default();
    body.add(&mesh, &uv, &normals, &|i| {
        rigid(flesh.bind(mesh.pos[i]).right)
    });
    let detail = (count as f64 / 6000.0).sqrt().clamp(0.6, 6.0);
    let mut eyes = Part::default();
    let head = rig.at("head");
    for (side, _) in SIDES {
        let place = mirror(v(13.0, 109.5, 101.0), side);
        let ball = eye(&surface, place, mirror(v(1., 0.1, 0.55), side), 2.7, 14);
        eyes.add_piece(&ball, EYE, &|_| rigid(head));
    }
    let [leather, metal] = harness(&flesh, detail);
    let texture = atlas::texture(&[
        paint([128, 90, 60], [76, 50, 34], Style::Fur),
        paint([168, 140, 120], [138, 108, 92], Style::Mottle),
        paint([206, 192, 158], [150, 128, 92], Style::Fur),
        paint([62, 54, 48], [40, 34, 30], Style::Mottle),
        paint([150, 92, 52], [108, 62, 36], Style::Hide),
        paint([180, 156, 104], [140, 116, 70], Style::Mottle),
        paint([70, 44, 28], [44, 28, 18], Style::Eye),
        paint([120, 110, 80], [90, 80, 60], Style::Weave),
    ])?;
    let joints = map.joints.clone();
    let clip = Clip::sample("walk", 1.6, 32, &|t| walk(&joints, t));
    Ok(Character {
        name: "bog_ox",
        saved: walk(&joints, 0.36),
        joints,
        meshes: vec![
            MeshOut {
                name: "ox_body".into(),
                parts: vec![(body, 0), (eyes, 3)],
            },
            MeshOut {
                name: "ox_harness".into(),
                parts: vec![(leather, 1), (metal, 2)],
            },
        ],
        materials: vec![
            material("ox_hide", 0.0, 0.9),
            material("harness_leather", 0.0, 0.6),
            material("harness_brass", 0.7, 0.4),
            material("ox_eyes", 0.0, 0.2),
        ],
        texture: Some(texture),
        clips: vec![clip],
        weights: Weights::Rigid,
        scale: Some(0.01),
    })
}
