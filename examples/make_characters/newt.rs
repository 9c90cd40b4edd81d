//! The mire eel-newt: a long swimmer with short legs; its skin stands beside the mesh, unused.

use std::f64::consts::TAU;

use crate::Wish;
use crate::atlas::{self, Part, Roll, Style};
use crate::field::{Attach, Field, Shape, V3, v};
use crate::glb::{Character, MeshOut, Weights};
use crate::kit::{Poser, SIDES, eye, material, mirror, paint};
use crate::mesh::{Cut, Source, build, cut, field_normals, unit};
use crate::rig::{Clip, JointMap, Pose, Rig, rx, ry, rz};
use crate::skin::{Flesh, rigid};

const BACK: usize = 0;
const BELLY: usize = 1;
const FIN: usize = 2;
const EYE: usize = 6;
const TAILS: usize = 16;

/// Joint `k` of the tail.
fn tail(k: usize) -> V3 {
    let t = k as f64 / TAILS as f64;
    v(
        0.055 * (4.6 * t).sin() * t.sqrt(),
        0.105 - 0.045 * t,
        -0.19 - 0.86 * t,
    )
}

/// Joints of the legs, left side: shoulder or hip, elbow or knee, wrist or ankle, toes.
const LEGS: [(&str, &str, [[f64; 3]; 4]); 2] = [
    (
        "fore",
        "spine_3",
        [
            [0.058, 0.100, 0.185],
            [0.150, 0.104, 0.150],
            [0.178, 0.038, 0.200],
            [0.192, 0.014, 0.250],
        ],
    ),
    (
        "hind",
        "hips",
        [
            [0.054, 0.096, -0.140],
            [0.148, 0.104, -0.095],
            [0.182, 0.038, -0.148],
            [0.198, 0.014, -0.095],
        ],
    ),
];

fn p(a: [f64; 3]) -> V3 {
    v(a[0], a[1], a[2])
}

/// The 38 bones.
fn rig() -> Rig {
    let mut r = Rig::default();
    let up = v(0., 1., 0.);
    r.add("root", "", [v(0., 0., 0.), v(0., 0., 0.1)], up);
    let spine = [
        ("hips", v(0., 0.105, -0.190)),
        ("spine_1", v(0., 0.112, -0.080)),
        ("spine_2", v(0., 0.114, 0.030)),
        ("spine_3", v(0., 0.113, 0.130)),
        ("neck", v(0., 0.112, 0.225)),
        ("head", v(0., 0.118, 0.290)),
    ];
    let mut parent = "root";
    for (i, (name, at)) in spine.iter().enumerate() {
        let end = spine.get(i + 1).map_or(v(0., 0.112, 0.450), |s| s.1);
        r.add(name, parent, [*at, end], up);
        parent = name;
    }
    r.add(
        "jaw",
        "head",
        [v(0., 0.100, 0.305), v(0., 0.090, 0.430)],
        up,
    );
    let fwd = v(0., 0., 1.);
    r.add(
        "crest_1",
        "head",
        [v(0., 0.150, 0.325), v(0., 0.196, 0.280)],
        fwd,
    );
    r.add(
        "crest_2",
        "crest_1",
        [v(0., 0.196, 0.280), v(0., 0.222, 0.215)],
        fwd,
    );
    let mut parent = "hips".to_string();
    for k in 0..TAILS {
        let name = format!("tail_{}", k + 1);
        r.add(&name, &parent, [tail(k), tail(k + 1)], up);
        parent = name;
    }
    for (side, e) in SIDES {
        for (which, top, pts) in LEGS {
            let mut parent = top.to_string();
            for (k, part) in ["upper", "lower", "foot"].iter().enumerate() {
                let name = format!("{which}_{part}_{e}");
                let ends = [mirror(p(pts[k]), side), mirror(p(pts[k + 1]), side)];
                r.add(&name, &parent, ends, up);
                parent = name;
            }
        }
    }
    r
}

/// The creature as an implicit surface.
fn flesh(r: &Rig) -> Field {
    let mut f = Field::new(r.bones.len());
    let b = |n: &str| r.at(n);
    f.group(None);
    f.egg(
        b("hips"),
        v(0., 0.105, -0.145),
        v(0.066, 0.060, 0.095),
        0.03,
    );
    f.egg(
        b("spine_1"),
        v(0., 0.110, -0.040),
        v(0.078, 0.069, 0.085),
        0.04,
    );
    f.egg(
        b("spine_2"),
        v(0., 0.112, 0.075),
        v(0.082, 0.072, 0.085),
        0.04,
    );
    f.egg(
        b("spine_3"),
        v(0., 0.112, 0.165),
        v(0.076, 0.066, 0.075),
        0.04,
    );
    f.egg(b("neck"), v(0., 0.114, 0.250), v(0.058, 0.052, 0.060), 0.03);
    f.egg(b("head"), v(0., 0.124, 0.345), v(0.073, 0.046, 0.082), 0.03);
    f.egg(b("head"), v(0., 0.117, 0.405), v(0.056, 0.032, 0.056), 0.02);
    f.egg(b("jaw"), v(0., 0.094, 0.370), v(0.062, 0.024, 0.078), 0.008);
    for (side, _) in SIDES {
        let m = |q: V3| mirror(q, side);
        f.egg(
            b("head"),
            m(v(0.044, 0.151, 0.372)),
            v(0.024, 0.021, 0.025),
            0.012,
        );
        f.egg(
            b("head"),
            m(v(0.055, 0.112, 0.316)),
            v(0.032, 0.036, 0.038),
            0.02,
        );
        let nostril = Shape::Cone {
            a: m(v(0.018, 0.140, 0.452)),
            b: m(v(0.022, 0.146, 0.448)),
            ra: 0.005,
            rb: 0.005,
            squash: None,
        };
        f.carve(b("head"), nostril, 0.005);
    }
    // Tail: a round core within a tall thin fin.
    let core = |k: usize| 0.056 * (1.0 - k as f64 / (TAILS as f64 + 1.5)).powf(0.85);
    let fin = |k: usize| {
        let t = k as f64 / TAILS as f64;
        core(k) + 0.034 * (t * 3.2).min(1.0) * (1.0 - t.powi(6) * 0.6)
    };
    for k in 0..TAILS {
        let bone = b(&format!("tail_{}", k + 1));
        let ends = [tail(k), tail(k + 1)];
        f.cone(
            bone,
            ends,
            [core(k), core(k + 1)],
            if k == 0 { 0.02 } else { 0.004 },
        );
        let lift = v(0., 0.012, 0.);
        f.add(
            bone,
            Shape::Cone {
                a: ends[0] + lift,
                b: ends[1] + lift,
                ra: fin(k),
                rb: fin(k + 1),
                squash: Some((v(1., 0., 0.), 0.24)),
            },
            0.006,
        );
    }
    // A low fin along the back.
    let ridge = [
        ("hips", v(0., 0.150, -0.19), v(0., 0.160, -0.08)),
        ("spine_1", v(0., 0.160, -0.08), v(0., 0.168, 0.03)),
        ("spine_2", v(0., 0.168, 0.03), v(0., 0.165, 0.12)),
        ("spine_3", v(0., 0.165, 0.12), v(0., 0.155, 0.19)),
    ];
    for (n, a, z) in ridge {
        let shape = Shape::Cone {
            a,
            b: z,
            ra: 0.030,
            rb: 0.030,
            squash: Some((v(1., 0., 0.), 0.26)),
        };
        f.add(b(n), shape, 0.006);
    }
    // The crest: two scalloped blades.
    f.group(Some(Attach {
        at: v(0., 0.158, 0.315),
        reach: 0.055,
        k: 0.022,
    }));
    let blade = |a: V3, z: V3, ra: f64, rb: f64| Shape::Cone {
        a,
        b: z,
        ra,
        rb,
        squash: Some((v(1., 0., 0.), 0.26)),
    };
    let c = [
        v(0., 0.152, 0.325),
        v(0., 0.196, 0.280),
        v(0., 0.226, 0.215),
    ];
    f.add(b("crest_1"), blade(c[0], c[1], 0.036, 0.030), 0.01);
    f.add(b("crest_2"), blade(c[1], c[2], 0.030, 0.013), 0.006);
    f.add(
        b("crest_1"),
        blade(c[0], v(0., 0.215, 0.330), 0.03, 0.013),
        0.006,
    );
    for s in SIDES {
        legs(&mut f, r, s);
    }
    f
}

fn legs(f: &mut Field, r: &Rig, (side, e): (f64, &str)) {
    let m = |q: V3| mirror(q, side);
    for (which, _, pts) in LEGS {
        let b = |n: &str| r.at(&format!("{which}_{n}_{e}"));
        let pts = pts.map(|a| m(p(a)));
        f.group(Some(Attach {
            at: pts[0] + m(v(0.012, 0., 0.)),
            reach: 0.070,
            k: 0.035,
        }));
        f.cone(b("upper"), [pts[0], pts[1]], [0.033, 0.025], 0.01);
        f.cone(b("lower"), [pts[1], pts[2]], [0.026, 0.018], 0.012);
        let up = v(0., 1., 0.);
        f.flat_cone(
            b("foot"),
            [pts[2] - up * 0.012, pts[3]],
            [0.022, 0.028],
            (up, 0.5),
        );
        let dir = unit(v(pts[3].x - pts[2].x, 0., pts[3].z - pts[2].z));
        let across = dir.cross(&up);
        for k in 0..4 {
            let s = k as f64 - 1.5;
            let a = s * 0.34;
            let d = dir * a.cos() + across * a.sin();
            let at = pts[3] + across * (s * 0.0150) - up * 0.002;
            f.group(Some(Attach {
                at,
                reach: 0.024,
                k: 0.010,
            }));
            let len = if k == 0 || k == 3 { 0.050 } else { 0.062 };
            f.cone(b("foot"), [at, at + d * len], [0.0088, 0.0068], 0.004);
            f.egg(b("foot"), at + d * len, v(0.0088, 0.0078, 0.0088), 0.004);
        }
    }
}

/// Finer at head, crest, feet and towards the end of the tail.
fn sizing(q: V3) -> f64 {
    let m = v(q.x.abs(), q.y, q.z);
    let feet = LEGS
        .iter()
        .map(|(_, _, pts)| (p(pts[3]) + v(0.012, 0., 0.02), 0.06, 0.15, 0.48));
    let spots = [
        (v(0.03, 0.13, 0.39), 0.06, 0.16, 0.62),
        (v(0., 0.20, 0.27), 0.06, 0.12, 0.62),
    ];
    let near = spots
        .into_iter()
        .chain(feet)
        .map(|(c, inner, outer, s)| {
            let t = (((m - c).norm() - inner) / (outer - inner)).clamp(0.0, 1.0);
            s + (1.0 - s) * t * t * (3.0 - 2.0 * t)
        })
        .fold(1.0, f64::min);
    let t = ((-q.z - 0.3) / 0.5).clamp(0.0, 1.0);
    near.min(0.9 - 0.25 * t)
}

fn rolls(r: &Rig) -> (Vec<Roll>, Vec<usize>) {
    let up = v(0., 1., 0.);
    let mut rolls = vec![
        Roll {
            from: v(0., 0.11, -0.2),
            to: v(0., 0.112, 0.28),
            face: up,
            around: 0.46,
            flat: 1.0,
        },
        Roll {
            from: v(0., 0.112, 0.25),
            to: v(0., 0.112, 0.48),
            face: up,
            around: 0.40,
            flat: 1.0,
        },
        Roll {
            from: tail(0),
            to: tail(TAILS) - v(0., 0., 0.03),
            face: up,
            around: 0.30,
            flat: 2.6,
        },
        Roll {
            from: v(0., 0.12, 0.35),
            to: v(0., 0.24, 0.2),
            face: v(0., 0.4, 1.),
            around: 0.16,
            flat: 2.5,
        },
    ];
    let mut of = vec![0; r.bones.len()];
    for (i, b) in r.bones.iter().enumerate() {
        of[i] = match b.name.as_str() {
            "head" | "jaw" => 1,
            n if n.starts_with("tail") => 2,
            n if n.starts_with("crest") => 3,
            _ => 0,
        };
    }
    for (side, e) in SIDES {
        for (which, _, pts) in LEGS {
            for (part, a, z, around) in [
                ("upper", pts[0], pts[1], 0.17),
                ("lower", pts[1], pts[2], 0.14),
                ("foot", pts[2], pts[3], 0.14),
            ] {
                let (a, z) = (mirror(p(a), side), mirror(p(z), side));
                let over = if part == "foot" { 2.2 } else { 1.0 };
                rolls.push(Roll {
                    from: a,
                    to: a + (z - a) * over,
                    face: up,
                    around,
                    flat: 1.0,
                });
                of[r.at(&format!("{which}_{part}_{e}"))] = rolls.len() - 1;
            }
        }
    }
    (rolls, of)
}

/// Swimming: a wave runs down the body, the legs lie back.
fn swim(joints: &Rig, t: f64) -> Pose {
    let mut w = Poser::new(joints);
    let a = TAU * t;
    w.shift("hips", v(0.012 * a.sin(), 0.02, 0.0));
    w.turn("hips", ry(0.06 * a.sin()));
    for (k, n) in ["spine_1", "spine_2", "spine_3", "neck", "head"]
        .iter()
        .enumerate()
    {
        w.turn(n, ry(0.07 * (a + 0.5 * k as f64).sin()));
    }
    w.turn("jaw", rx(0.05 + 0.05 * a.sin()));
    w.turn("crest_1", rx(0.10 * (2.0 * a).sin()));
    w.turn("crest_2", rx(0.14 * (2.0 * a - 0.6).sin()));
    for k in 1..=TAILS {
        let grow = 0.06 + 0.012 * k as f64;
        w.turn(&format!("tail_{k}"), ry(grow * (a - 0.42 * k as f64).sin()));
    }
    for (side, e) in SIDES {
        let beat = 0.18 * (a + if side > 0.0 { 0.0 } else { TAU / 2.0 }).sin();
        for which in ["fore", "hind"] {
            w.turn(&format!("{which}_upper_{e}"), ry(side * (0.75 + beat)));
            w.turn(
                &format!("{which}_lower_{e}"),
                rz(side * 0.5) * ry(side * 0.3),
            );
            w.turn(&format!("{which}_foot_{e}"), rx(0.7 + beat));
        }
    }
    w.pose
}

/// Builds the eel-newt.
pub fn make(wish: &Wish) -> Result<Character, String> {
    let rig = rig();
    let map = JointMap::plain(&rig);
    let field = flesh(&rig);
    let count = wish.vertices.unwrap_or(7200);
    let surface = |q: V3| field.eval(q);
    let src = Source {
        f: &surface,
        lo: v(-0.31, -0.05, -1.12),
        hi: v(0.31, 0.26, 0.50),
        size: &sizing,
        gap: f64::MAX,
    };
    let (mut mesh, edge) = build(&src, count, 0.0042);
    let near = |q: V3| edge.edge(sizing(q));
    // The pale belly begins at a level line of the trunk and head.
    let belly = (v(0., 0.078, 0.), v(0., -1.0, 0.0));
    let trunk: Vec<bool> = rig
        .bones
        .iter()
        .map(|b| {
            [
                "hips", "spine_1", "spine_2", "spine_3", "neck", "jaw", "head",
            ]
            .contains(&b.name.as_str())
        })
        .collect();
    // Along the tail it falls with the tail and runs out.
    let under = (v(0., 0.078, -0.19), v(0., -1.0, 0.056));
    let tails: Vec<bool> = rig
        .bones
        .iter()
        .map(|b| b.name.starts_with("tail"))
        .collect();
    for ((at, normal), on) in [(belly, &trunk), (under, &tails)] {
        let plane = Cut {
            at,
            normal,
            on: &|q| on[field.owner(q)],
            strict: false,
        };
        cut(&mut mesh, &surface, &plane, &near);
    }
    crate::report("newt body", &mesh);
    let flesh = Flesh {
        field: &field,
        rig: &rig,
        map: &map,
        soft: vec![0.01; rig.bones.len()],
    };
    let (rolls, of) = rolls(&rig);
    let zone = |t: usize| {
        let c = mesh.centroid(t);
        let bone = field.owner(c);
        let below = |(at, n): (V3, V3)| n.dot(&(c - at)) > 0.0;
        let band = if (trunk[bone] && below(belly)) || (tails[bone] && below(under)) {
            BELLY
        } else if rig.bones[bone].name.starts_with("crest") {
            FIN
        } else {
            BACK
        };
        (of[bone], band)
    };
    let uv = atlas::unroll(&mesh, &rolls, 0.2, &zone);
    let normals = atlas::spread(&mesh, &field_normals(&mesh, &surface, 0.001));
    let mut body = Part::default();
    body.add(&mesh, &uv, &normals, &|i| {
        rigid(flesh.bind(mesh.pos[i]).right)
    });
    let mut eyes = Part::default();
    let head = rig.at("head");
    for (side, _) in SIDES {
        let place = mirror(v(0.062, 0.158, 0.380), side);
        let ball = eye(&surface, place, mirror(v(1., 0.35, 0.45), side), 0.0145, 14);
        eyes.add_piece(&ball, EYE, &|_| rigid(head));
    }
    let texture = atlas::texture(&[
        paint([78, 98, 66], [40, 52, 36], Style::Spots),
        paint([206, 160, 84], [180, 118, 52], Style::Spots),
        paint([172, 92, 48], [124, 56, 34], Style::Fur),
        paint([78, 98, 66], [40, 52, 36], Style::Mottle),
        paint([78, 98, 66], [40, 52, 36], Style::Mottle),
        paint([78, 98, 66], [40, 52, 36], Style::Mottle),
        paint([196, 156, 60], [140, 92, 30], Style::Eye),
        paint([78, 98, 66], [40, 52, 36], Style::Mottle),
    ])?;
    let joints = map.joints.clone();
    let clip = Clip::sample("swim", 1.4, 28, &|t| swim(&joints, t));
    Ok(Character {
        name: "mire_eel_newt",
        saved: Pose::default(),
        joints,
        meshes: vec![MeshOut {
            name: "newt_body".into(),
            parts: vec![(body, 0), (eyes, 1)],
        }],
        materials: vec![
            material("newt_skin", 0.0, 0.45),
            material("newt_eyes", 0.0, 0.2),
        ],
        texture: Some(texture),
        clips: vec![clip],
        weights: Weights::Absent,
        scale: None,
    })
}
