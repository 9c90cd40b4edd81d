//! What `inspect` finds: one hand-made fault for each kind, in a file that is clean without it.

mod asset_kit;

use std::path::Path;

use asset_kit::*;
use proptest::prelude::*;
use serde_json::json;
use tanyard::inspect::{Finding, Kind, Limit, Options, Severity};
use tanyard::job;

/// A mesh on joints, to be broken in one place.
#[derive(Clone)]
struct Body {
    positions: Vec<[f32; 3]>,
    triangles: Vec<[u16; 3]>,
    rows: Vec<Vec<(u8, f32)>>,
    /// Parent and bind place of each joint.
    joints: Vec<(Option<usize>, [f32; 3])>,
    /// Linear part of the bind matrix of each joint, by its diagonal.
    scales: Vec<[f32; 3]>,
}

impl Body {
    fn joint(&mut self, parent: Option<usize>, place: [f32; 3]) {
        self.joints.push((parent, place));
        self.scales.push([1.0; 3]);
    }

    /// A patch of quads, `columns` along x and one along y, apart from all others. Curved along x and
    /// slanted along y, so that no plane mirrors it.
    fn sheet(&mut self, corner: [f32; 3], step: f32, columns: u16, joint: u8) {
        let first = self.positions.len() as u16;
        for i in 0..=columns {
            for j in 0..2u8 {
                let [x, y, z] = corner;
                let (x, slant) = (x + step * f32::from(i), 0.3 * f32::from(j));
                self.positions
                    .push([x, y + step * f32::from(j), z + 0.02 * x * x + slant]);
                self.rows.push(vec![(joint, 1.0)]);
            }
        }
        for i in 0..columns {
            let a = first + 2 * i;
            self.triangles
                .extend([[a, a + 2, a + 1], [a + 1, a + 2, a + 3]]);
        }
    }

    fn kit(&self) -> Kit {
        let mut kit = Kit::new();
        let count = self.positions.len();
        let positions = kit.floats("VEC3", count, self.positions.as_flattened());
        let corners: Vec<u8> = self
            .triangles
            .as_flattened()
            .iter()
            .flat_map(|c| c.to_le_bytes())
            .collect();
        let corners = kit.accessor("SCALAR", U16, 3 * self.triangles.len(), &corners);
        let sets = self
            .rows
            .iter()
            .map(Vec::len)
            .max()
            .unwrap()
            .div_ceil(4)
            .max(1);
        let mut attributes = json!({ "POSITION": positions });
        for set in 0..sets {
            let slot =
                |row: &Vec<(u8, f32)>, i: usize| row.get(4 * set + i).copied().unwrap_or((0, 0.0));
            let ids: Vec<u8> = self
                .rows
                .iter()
                .flat_map(|row| [0, 1, 2, 3].map(|i| slot(row, i).0))
                .collect();
            let weights: Vec<f32> = self
                .rows
                .iter()
                .flat_map(|row| [0, 1, 2, 3].map(|i| slot(row, i).1))
                .collect();
            attributes[format!("JOINTS_{set}")] = json!(kit.accessor("VEC4", U8, count, &ids));
            attributes[format!("WEIGHTS_{set}")] = json!(kit.floats("VEC4", count, &weights));
        }
        kit.push(
            "meshes",
            json!({
                "name": "skin", "primitives": [{ "attributes": attributes, "indices": corners }],
            }),
        );
        let skin = self.skin(&mut kit, None);
        for (j, (parent, place)) in self.joints.iter().enumerate() {
            let from = parent.map_or([0.0; 3], |p| self.joints[p].1);
            let local: Vec<f32> = (0..3).map(|i| place[i] - from[i]).collect();
            let children: Vec<usize> = (0..self.joints.len())
                .filter(|&c| self.joints[c].0 == Some(j))
                .collect();
            let mut node =
                json!({ "name": format!("j{j}"), "translation": local, "scale": self.scales[j] });
            if !children.is_empty() {
                node["children"] = json!(children);
            }
            kit.push("nodes", node);
        }
        let node = kit.push("nodes", json!({ "mesh": 0, "skin": skin }));
        let roots = (0..self.joints.len()).filter(|&j| self.joints[j].0.is_none());
        kit.json["scenes"][0]["nodes"] = json!(roots.chain([node]).collect::<Vec<_>>());
        kit
    }

    /// Adds a skin, with one joint bound elsewhere along x.
    fn skin(&self, kit: &mut Kit, moved: Option<(usize, f32)>) -> usize {
        let matrices: Vec<f32> = self
            .joints
            .iter()
            .enumerate()
            .flat_map(|(j, (_, [x, y, z]))| {
                let [a, b, c] = self.scales[j];
                let x = x + moved.filter(|m| m.0 == j).map_or(0.0, |m| m.1);
                [
                    [1.0 / a, 0.0, 0.0, 0.0],
                    [0.0, 1.0 / b, 0.0, 0.0],
                    [0.0, 0.0, 1.0 / c, 0.0],
                    [-x / a, -y / b, -z / c, 1.0],
                ]
                .concat()
            })
            .collect();
        let bind = kit.floats("MAT4", self.joints.len(), &matrices);
        let joints: Vec<usize> = (0..self.joints.len()).collect();
        kit.push(
            "skins",
            json!({ "joints": joints, "inverseBindMatrices": bind }),
        )
    }
}

/// A band from x = 0 to 12 on a chain of joints at 0, 4 and 8.
fn band() -> Body {
    let mut body = Body {
        positions: Vec::new(),
        triangles: Vec::new(),
        rows: Vec::new(),
        joints: Vec::new(),
        scales: Vec::new(),
    };
    for j in 0..3usize {
        body.joint(j.checked_sub(1), [4.0 * j as f32, 0.5, 0.0]);
    }
    body.sheet([0.0; 3], 1.0, 12, 0);
    for v in 0..body.rows.len() {
        body.rows[v] = match body.positions[v][0] {
            4.0 => vec![(0, 0.5), (1, 0.5)],
            8.0 => vec![(1, 0.5), (2, 0.5)],
            x => vec![((x / 4.0).min(2.0) as u8, 1.0)],
        };
    }
    body
}

fn inspect_all(kit: &Kit) -> Vec<Vec<Finding>> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.glb");
    std::fs::write(&path, kit.glb()).unwrap();
    let inspection = job::inspect(&path, &Options::default(), &[]).unwrap();
    inspection
        .skins
        .into_iter()
        .map(|skin| skin.findings)
        .collect()
}

/// The one finding of a file that has one fault.
fn only(kit: &Kit, kind: Kind, count: usize) -> Finding {
    let findings = inspect_all(kit).remove(0);
    assert_eq!(findings.len(), 1, "{findings:#?}");
    let finding = findings.into_iter().next().unwrap();
    assert_eq!((finding.kind, finding.count), (kind, count), "{finding:#?}");
    assert!(
        finding.what.ends_with('.') && finding.remedy.ends_with('.'),
        "{finding:#?}"
    );
    finding
}

#[test]
fn a_clean_file_has_no_findings() {
    assert_eq!(inspect_all(&band().kit()), [[]]);
}

#[test]
fn sums_are_those_of_the_file() {
    let mut body = band();
    body.rows[6] = vec![(0, 0.7)];
    body.rows[7] = vec![(0, 0.5), (1, 0.500001)];
    let found = only(&body.kit(), Kind::Sums, 2);
    assert_eq!(
        (found.severity, found.places[0].vertex),
        (Severity::Error, 6)
    );
    assert_eq!(found.places[0].position, body.positions[6]);
    assert!((found.places[0].weight.unwrap() - 0.3).abs() < 1e-6);
    // Within the standard's tolerance of 2e-7 a weight.
    body.rows[6] = vec![(0, 0.5), (1, 0.500_000_2)];
    body.rows[7] = vec![(0, 1.0)];
    assert_eq!(inspect_all(&body.kit()), [[]]);
}

#[test]
fn vertices_without_weight_are_no_wrong_sums() {
    let mut body = band();
    body.rows[3] = Vec::new();
    // The reader gives it to joint 0, where it is bound in a clean file.
    assert_eq!(only(&body.kit(), Kind::Weightless, 1).places[0].vertex, 3);
}

#[test]
fn integer_weights_without_the_flag_are_named() {
    let mut kit = arm();
    let bytes = [255, 0, 0, 0].repeat(8);
    kit.json["meshes"][0]["primitives"][0]["attributes"]["WEIGHTS_0"] =
        json!(kit.json["accessors"].as_array().unwrap().len());
    let weights = kit.accessor("VEC4", U8, 8, &bytes);
    let findings = inspect_all(&kit).remove(0);
    assert!(
        findings
            .iter()
            .any(|f| f.kind == Kind::NotNormalized && f.count == 8),
        "{findings:?}"
    );
    kit.json["accessors"][weights]["normalized"] = json!(true);
    assert!(
        inspect_all(&kit)[0]
            .iter()
            .all(|f| f.kind != Kind::NotNormalized)
    );
}

#[test]
fn a_joint_twice_in_a_vertex_is_named() {
    let mut body = band();
    body.rows[5] = vec![(0, 0.75), (0, 0.25)];
    let found = only(&body.kit(), Kind::DuplicateJoints, 1);
    assert_eq!(
        (found.places[0].vertex, &found.joints[..]),
        (5, &["j0".to_owned()][..])
    );
    // Without weight it is no harm.
    body.rows[5] = vec![(0, 1.0), (0, 0.0)];
    assert_eq!(inspect_all(&body.kit()), [[]]);
}

#[test]
fn more_joints_than_asked_for_are_counted() {
    let mut body = band();
    for _ in 0..2 {
        body.joint(Some(0), [1.0, 0.5, 0.0]);
    }
    body.rows[2] = (0..5).map(|j| (j, 0.2)).collect();
    body.rows[0] = vec![(0, 0.5), (3, 0.25), (4, 0.25)];
    let findings = inspect_all(&body.kit()).remove(0);
    let cap = findings.iter().find(|f| f.kind == Kind::Cap).unwrap();
    assert_eq!((cap.count, cap.places[0].vertex), (1, 2));
    assert!((cap.places[0].weight.unwrap() - 0.2).abs() < 1e-6);
}

#[test]
fn joints_without_weight_are_noted_unless_they_lead_to_some() {
    let mut body = band();
    body.joint(Some(2), [9.0, 0.5, 0.0]);
    assert_eq!(only(&body.kit(), Kind::UnusedJoints, 1).joints, ["j3"]);
    body.joint(Some(3), [11.0, 0.5, 0.0]);
    for v in 22..26 {
        body.rows[v] = vec![(4, 1.0)];
    }
    assert_eq!(inspect_all(&body.kit()), [[]]);
}

#[test]
fn a_patch_away_from_its_joint_is_an_island() {
    let mut body = band();
    // Joint 0 ends at x = 4; the columns at 10 and 11.
    for v in 20..24 {
        body.rows[v] = vec![(2, 0.7), (0, 0.3)];
    }
    let found = only(&body.kit(), Kind::Islands, 4);
    let place = &found.places[0];
    assert_eq!((place.vertex, place.patch_vertices), (20, Some(4)));
    // Two columns of one quad each: their thirds of area are that of two quads of twelve, and the band is
    // longer by up to an eighth where it is steep.
    let plain = 100.0 * 2.0 / 12.0;
    assert!((plain..plain * 1.125).contains(&place.patch_area_percent.unwrap()));
    assert_eq!(found.joints, ["j0"]);
    for v in 20..24 {
        body.rows[v] = vec![(2, 0.96), (0, 0.04)];
    }
    assert_eq!(inspect_all(&body.kit()), [[]]);
}

#[test]
fn copies_with_different_weights_tear() {
    let mut kit = arm();
    // Raw vertex 4 is a copy of raw vertex 1, which is half and half.
    let at = kit.json["bufferViews"][3]["byteOffset"].as_u64().unwrap() as usize + 4 * 16;
    kit.bin[at..at + 8].copy_from_slice(&bytes_of(&[0.25, 0.75]));
    // The arm is so even that its other half now mirrors no more.
    let findings = inspect_all(&kit).remove(0);
    let found = findings.iter().find(|f| f.kind == Kind::TornSeams).unwrap();
    assert_eq!(found.count, 1);
    assert_eq!(
        (found.places[0].vertex, found.places[0].position),
        (4, [1.0, 0.0, 0.0])
    );
    assert_eq!(found.places[0].weight, Some(0.25));
}

#[test]
fn primitives_that_share_positions_but_not_weights_tear() {
    let mut kit = arm();
    let weights = kit.floats("VEC4", 8, &[1.0, 0.0, 0.0, 0.0].repeat(8));
    let mut other = kit.json["meshes"][0]["primitives"][0].clone();
    other["attributes"]["WEIGHTS_0"] = json!(weights);
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(other);
    let findings = inspect_all(&kit).remove(0);
    let torn = findings.iter().find(|f| f.kind == Kind::TornSeams).unwrap();
    // Of six welded vertices, the two on the left have the same weights.
    assert_eq!((torn.count, torn.places[0].weight), (4, Some(1.0)));
}

#[test]
fn small_pieces_hang_together() {
    let mut body = band();
    // A chain of five steps from joint 2, folded back over the band.
    for j in 3..7 {
        body.joint(Some(j - 1), [8.0 + 0.5 * (j - 2) as f32, 0.5, 0.0]);
    }
    for v in 22..26 {
        body.rows[v] = vec![(6, 1.0)];
    }
    let clean = body.clone();
    body.sheet([5.0, 0.0, 0.2], 0.5, 2, 1);
    let piece = clean.rows.len();
    for v in piece..piece + 3 {
        body.rows[v] = vec![(6, 1.0)];
    }
    assert_eq!(inspect_all(&clean.kit()), [[]]);
    let findings = inspect_all(&body.kit()).remove(0);
    let split = findings
        .iter()
        .find(|f| f.kind == Kind::SplitPieces)
        .unwrap();
    assert_eq!(
        (split.count, &split.joints[..]),
        (6, &["j1".to_owned(), "j6".to_owned()][..])
    );
    assert_eq!(
        (split.places[0].vertex, split.places[0].patch_vertices),
        (piece, Some(6))
    );
    // Half of the size, on joints that are close.
    let mut body = clean;
    body.sheet([4.0, 0.0, 0.2], 0.2, 1, 0);
    for v in piece..piece + 2 {
        body.rows[v] = vec![(1, 1.0)];
    }
    let bent = only(&body.kit(), Kind::BentPieces, 4);
    assert_eq!(
        (bent.places[0].vertex, bent.places[0].weight),
        (piece, Some(0.5))
    );
}

#[test]
fn a_vertex_of_the_wrong_limb_is_far() {
    let mut body = band();
    // Two limbs side by side under joint 0.
    body.joint(Some(0), [0.0, 6.5, 0.0]);
    body.joint(Some(3), [12.0, 6.5, 0.0]);
    body.sheet([0.0, 6.0, 0.0], 1.0, 12, 3);
    let limb = 26;
    for v in limb + 20..limb + 26 {
        body.rows[v] = vec![(4, 1.0)];
    }
    assert_eq!(inspect_all(&body.kit()), [[]]);
    for v in limb + 12..limb + 26 {
        body.rows[v] = vec![(2, 1.0)];
    }
    body.rows[limb] = vec![(4, 0.1), (3, 0.9)];
    let findings = inspect_all(&body.kit()).remove(0);
    let far = findings.iter().find(|f| f.kind == Kind::FarJoints).unwrap();
    assert_eq!((far.count, &far.joints[..]), (14, &["j2".to_owned()][..]));
    assert_eq!(far.places[0].joints[0], "j2");
}

#[test]
fn bind_matrices_that_scale_mirror_or_lie_far_off_are_named() {
    let mut body = band();
    body.scales[2] = [1.0, 1.5, 1.0];
    assert_eq!(only(&body.kit(), Kind::BindScale, 1).joints, ["j2"]);
    // An even scale is no harm.
    body.scales[2] = [1.5; 3];
    assert_eq!(inspect_all(&body.kit()), [[]]);
    body.scales[2] = [1.0, 1.0, -1.0];
    assert_eq!(only(&body.kit(), Kind::BindMirror, 1).joints, ["j2"]);
    let mut body = band();
    body.joints[2].1 = [30.0, 0.5, 0.0];
    assert_eq!(only(&body.kit(), Kind::BindFar, 1).joints, ["j2"]);
}

#[test]
fn skins_that_bind_shared_joints_in_other_poses_disagree() {
    for (moved, found) in [(Some((2, 0.5)), vec!["j2".to_owned()]), (None, Vec::new())] {
        let body = band();
        let mut kit = body.kit();
        let mesh = kit.json["meshes"][0].clone();
        let mesh = kit.push("meshes", mesh);
        let skin = body.skin(&mut kit, moved);
        let node = kit.push("nodes", json!({ "mesh": mesh, "skin": skin }));
        kit.json["scenes"][0]["nodes"]
            .as_array_mut()
            .unwrap()
            .push(json!(node));
        let all = inspect_all(&kit);
        assert_eq!((all.len(), &all[0]), (2, &Vec::new()));
        let named: Vec<String> = all[1]
            .iter()
            .filter(|f| f.kind == Kind::BindDisagreement)
            .flat_map(|f| f.joints.clone())
            .collect();
        assert_eq!(named, found);
    }
}

#[test]
fn a_saved_pose_is_a_note() {
    let mut kit = band().kit();
    kit.json["nodes"][1]["rotation"] = json!([0.0, 0.0, 0.5, 0.75f64.sqrt()]);
    let found = only(&kit, Kind::SavedPose, 1);
    assert!(
        found.severity == Severity::Note && found.what.contains("60.0 degrees"),
        "{found:?}"
    );
}

#[test]
fn weights_that_do_not_mirror_are_named() {
    let mut body = band();
    body.joints = vec![
        (None, [0.0, 0.5, 0.0]),
        (Some(0), [3.0, 0.5, 0.0]),
        (Some(0), [-3.0, 0.5, 0.0]),
    ];
    for v in 0..body.positions.len() {
        let [x, y, _] = body.positions[v];
        let x = x - 6.0;
        // Uneven along y and z, so that only x mirrors.
        body.positions[v] = [x, y + 0.1 * x * x, 0.2 * x.abs() + 0.7 * y * y];
        body.rows[v] = vec![(
            if x > 2.5 {
                1
            } else if x < -2.5 {
                2
            } else {
                0
            },
            1.0,
        )];
    }
    assert_eq!(inspect_all(&body.kit()), [[]]);
    // The column at x = 3, where joint 0 is next.
    body.rows[18] = vec![(1, 0.6), (0, 0.4)];
    let found = only(&body.kit(), Kind::Asymmetry, 2);
    let mut places: Vec<usize> = found.places.iter().map(|p| p.vertex).collect();
    places.sort_unstable();
    assert_eq!(places, [6, 18]);
    assert!((found.places[0].weight.unwrap() - 0.4).abs() < 1e-6);
    body.rows[18] = vec![(1, 0.95), (0, 0.05)];
    assert_eq!(inspect_all(&body.kit()), [[]]);
}

#[test]
fn vertices_without_triangles_are_noted() {
    let mut body = band();
    body.positions.push([5.0, 0.5, 1.0]);
    body.rows.push(vec![(1, 1.0)]);
    assert_eq!(
        only(&body.kit(), Kind::StrayVertices, 1).places[0].vertex,
        26
    );
}

#[test]
fn a_mesh_that_is_not_bound_is_noted_and_no_skin_is_a_fault() {
    let findings = inspect_all(&unused_skin()).remove(0);
    assert_eq!(findings[0].kind, Kind::Unbound);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.glb");
    std::fs::write(&path, bare_arm().glb()).unwrap();
    let fault = &faults(job::inspect(&path, &Options::default(), &[]))[0];
    assert_eq!(fault.part, "skins");
}

#[test]
fn limits_count_findings_or_what_a_kind_counts() {
    let mut body = band();
    body.rows[6] = vec![(0, 0.7)];
    body.rows[7] = vec![(0, 0.6)];
    body.joint(Some(2), [9.0, 0.5, 0.0]);
    let findings = inspect_all(&body.kit()).remove(0);
    let excess = |text: &str| {
        let limit: Limit = text.parse().unwrap();
        limit.excess(&findings).map(|excess| excess.found)
    };
    for (limit, found) in [
        ("any=1", Some(2)),
        ("any=2", None),
        ("error=0", Some(1)),
        ("warning=0", None),
        ("note=0", Some(1)),
        ("sums=1", Some(2)),
        ("sums=2", None),
        ("islands=0", None),
        ("unused_joints=0", Some(1)),
    ] {
        assert_eq!(excess(limit), found, "{limit}");
    }
    for wrong in ["sums", "sums=", "sums=-1", "sum=1", "=1", "any=1.5"] {
        assert!(wrong.parse::<Limit>().is_err(), "{wrong}");
    }
}

#[test]
fn every_kind_is_named_as_its_json() {
    for &kind in Kind::ALL {
        assert_eq!(json!(kind), json!(kind.name()));
    }
    for severity in Severity::ALL {
        assert_eq!(json!(severity), json!(severity.name()));
    }
}

fn answer(kit: &Kit) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.glb");
    std::fs::write(&path, kit.glb()).unwrap();
    if let Ok(inspection) = job::inspect(&path, &Options::default(), &[]) {
        let table = tanyard::report::inspection_table(&inspection).to_string();
        assert!(
            table.lines().all(|line| line.chars().count() <= 80),
            "{table}"
        );
    }
}

/// The weights of a demo with some bytes changed; nothing else, so that most files stay readable.
#[test]
fn damaged_weights_of_a_demo_give_an_answer() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/marsh_tanner.glb");
    let kit = parse_glb(&std::fs::read(demo).unwrap());
    let weights = &kit.json["meshes"][0]["primitives"][0]["attributes"]["WEIGHTS_0"];
    let view = &kit.json["accessors"][weights.as_u64().unwrap() as usize]["bufferView"];
    let view = &kit.json["bufferViews"][view.as_u64().unwrap() as usize];
    let begin = view["byteOffset"].as_u64().unwrap_or(0) as usize;
    let length = view["byteLength"].as_u64().unwrap() as usize;
    for round in 0..40usize {
        let mut damaged = kit.clone();
        for step in 0..=round {
            // Primes, so that every byte of a number has its turn.
            let place = begin + (round * 7919 + step * 104_729) % length;
            damaged.bin[place] ^= 1 << ((round + step) % 8);
        }
        answer(&damaged);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    #[test]
    fn damaged_bytes_give_an_answer(
        flips in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
    ) {
        let mut kit = band().kit();
        for (place, byte) in flips {
            let place = place.index(kit.bin.len());
            kit.bin[place] = byte;
        }
        answer(&kit);
    }
}
