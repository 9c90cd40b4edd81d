//! `fit.only`: a part of a skin is solved, all else keeps its bytes.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::{Value, json};
use tanyard::asset::{Document, WeightFormat, characters};
use tanyard::deform::{LayerKind, Skinning, Stack};
use tanyard::fit::{self, Candidates, Gram};
use tanyard::job::{self, CompareRequest};
use tanyard::recipe::{Recipe, Symmetry};
use tanyard::rig::{Kept, Weights};

use crate::asset_kit::{F32, Kit, U8, U16, U32, bytes_of, parse_glb, rows};
use crate::bake::{QUICK, folder, put};
use crate::farm::{bake_folder, names};
use crate::files::{demos, refused, word};
use crate::layers::{MUSH, RELAX, layer};
use crate::shapes::{fold, limb, poses, rigid, tube};
use crate::symmetry::{Doll, Silent, baked};

/// Where a sleeve has its joints, along x.
const JOINTS: [f32; 4] = [0.0, 1.0, 2.0, 3.0];

/// How a crafted file stores its weights.
#[derive(Clone, Copy, Debug)]
struct Stored {
    component: u32,
    sets: usize,
    interleaved: bool,
}

/// A tube on four joints, with a seam in the middle, whose old weights are nothing to be proud of: out of order, of
/// all sums, with joint numbers beyond the skin where there is no weight, unlike on the two sides of the seam. The
/// attribute `_OPEN` is 0.6 from 1.5 to 2.6, and 0.4 elsewhere.
fn sleeve(stored: Stored) -> Kit {
    let surface = tube(4.0, 0.3, 16, 8);
    let mut positions = surface.positions.clone();
    let mut corners: Vec<u32> = Vec::new();
    let mut copies = BTreeMap::new();
    for triangle in &surface.triangles {
        let beyond = triangle
            .iter()
            .any(|&v| surface.positions[v as usize][0] > 2.0);
        for &v in triangle {
            let seam = surface.positions[v as usize][0] == 2.0;
            corners.push(match beyond && seam {
                true => *copies.entry(v).or_insert_with(|| {
                    positions.push(surface.positions[v as usize]);
                    positions.len() as u32 - 1
                }),
                false => v,
            });
        }
    }
    assert_eq!(copies.len(), 8);
    let count = positions.len();
    let mut kit = Kit::new();
    let place = kit.floats("VEC3", count, positions.as_flattened());
    kit.json["accessors"][place]["min"] = json!([-1.0, -1.0, -1.0]);
    kit.json["accessors"][place]["max"] = json!([5.0, 1.0, 1.0]);
    let bytes: Vec<u8> = corners.iter().flat_map(|v| v.to_le_bytes()).collect();
    let corners = kit.accessor("SCALAR", U32, corners.len(), &bytes);
    let is_open = |p: &[f32; 3]| (1.5..2.6).contains(&p[0]);
    let open: Vec<f32> = positions
        .iter()
        .map(|p| if is_open(p) { 0.6 } else { 0.4 })
        .collect();
    let open = kit.floats("SCALAR", count, &open);
    let mut attributes = json!({ "POSITION": place, "_OPEN": open });
    for set in 0..stored.sets {
        let (mut joints, mut weights) = (Vec::new(), Vec::new());
        for (raw, p) in positions.iter().enumerate() {
            let near = (p[0].max(0.0) as u8).min(3);
            let odd = (raw % 3) as u8;
            let (ids, steps) = match set {
                0 => (
                    [(near + 1) % 4, near, 200, (near + 2) % 4],
                    [30, 200, 0, 7 * odd],
                ),
                _ => ([77, (near + 3) % 4, 0, 0], [0, 3 * odd, 0, 0]),
            };
            joints.extend(ids);
            for step in steps {
                match stored.component {
                    U8 => weights.push(step),
                    U16 => weights.extend((u16::from(step) * 253).to_le_bytes()),
                    _ => weights.extend((f32::from(step) / 251.0).to_le_bytes()),
                }
            }
        }
        let size = match stored.component {
            U8 => 1,
            U16 => 2,
            _ => 4,
        };
        let (joints, weights) = match stored.interleaved {
            true => {
                let both = joints.chunks(4).zip(weights.chunks(4 * size));
                let bytes: Vec<u8> = both.flat_map(|(j, w)| [j, w].concat()).collect();
                let view = kit.view(&bytes);
                kit.json["bufferViews"][view]["byteStride"] = json!(4 + 4 * size);
                let mut part = |offset: usize, component: u32| {
                    let of = json!({ "bufferView": view, "byteOffset": offset, "count": count,
                        "componentType": component, "type": "VEC4" });
                    kit.push("accessors", of)
                };
                (part(0, U8), part(4, stored.component))
            }
            false => (
                kit.accessor("VEC4", U8, count, &joints),
                kit.accessor("VEC4", stored.component, count, &weights),
            ),
        };
        if stored.component != F32 {
            kit.json["accessors"][weights]["normalized"] = json!(true);
        }
        attributes[format!("JOINTS_{set}")] = json!(joints);
        attributes[format!("WEIGHTS_{set}")] = json!(weights);
    }
    kit.push(
        "meshes",
        json!({ "name": "sleeve", "primitives": [{ "attributes": attributes, "indices": corners }] }),
    );
    let mut binds = Vec::new();
    for (node, x) in JOINTS.iter().enumerate() {
        let mut json = json!({ "name": format!("joint_{node}") });
        if node > 0 {
            json["translation"] = json!([1, 0, 0]);
        }
        if node + 1 < JOINTS.len() {
            json["children"] = json!([node + 1]);
        }
        kit.push("nodes", json);
        binds.extend([
            1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, -x, 0.0, 0.0, 1.0,
        ]);
    }
    let binds = kit.floats("MAT4", JOINTS.len(), &binds);
    kit.push(
        "skins",
        json!({ "joints": [0, 1, 2, 3], "inverseBindMatrices": binds }),
    );
    let mesh = kit.push("nodes", json!({ "name": "sleeve", "mesh": 0, "skin": 0 }));
    kit.json["scenes"][0]["nodes"] = json!([0, mesh]);
    kit
}

const PLAIN: Stored = Stored {
    component: F32,
    sets: 1,
    interleaved: false,
};

fn recipe(more: &str) -> Recipe {
    let text = format!(
        "{more}{QUICK}[[layer]]\nkind = \"relax\"\n[[layer]]\nkind = \"mush\"\nradius = 8\n"
    );
    Recipe::parse(Path::new("r"), &text).expect("a good recipe")
}

const OPEN: &str = "fit.only = { attribute = \"_OPEN\" }\n";

/// The accessors of a primitive's sets, and the rows of each.
type Sets = Vec<[(Value, Vec<Vec<u8>>); 2]>;

fn sets(kit: &Kit, primitive: usize) -> Sets {
    sets_of(kit, 0, primitive)
}

fn sets_of(kit: &Kit, mesh: usize, primitive: usize) -> Sets {
    let attributes = &kit.json["meshes"][mesh]["primitives"][primitive]["attributes"];
    let set = |n: usize| {
        let part = |name: &str| {
            let index = attributes[format!("{name}_{n}")].as_u64()? as usize;
            Some((kit.json["accessors"][index].clone(), rows(kit, index)))
        };
        Some([part("JOINTS")?, part("WEIGHTS")?])
    };
    (0..).map_while(set).collect()
}

fn positions(kit: &Kit) -> Vec<[f32; 3]> {
    let at = kit.json["bufferViews"][0]["byteOffset"]
        .as_u64()
        .unwrap_or(0) as usize;
    let count = kit.json["accessors"][0]["count"].as_u64().expect("a count") as usize;
    let float = |i: usize| f32::from_le_bytes(kit.bin[at + 4 * i..][..4].try_into().expect("four"));
    (0..count)
        .map(|v| [0, 1, 2].map(|i| float(3 * v + i)))
        .collect()
}

/// The steps of a row of weights, of all sets, by joint; `None` for floats' sums, which are near one.
fn steps(sets: &Sets, v: usize) -> BTreeMap<u32, f64> {
    let mut all = BTreeMap::new();
    for [joints, weights] in sets {
        let numbers = |row: &[u8]| -> Vec<f64> {
            match row.len() {
                4 => row.iter().map(|&b| f64::from(b)).collect(),
                8 => row
                    .as_chunks()
                    .0
                    .iter()
                    .map(|b| f64::from(u16::from_le_bytes(*b)))
                    .collect(),
                _ => {
                    let steps =
                        |b: &[u8; 4]| f64::from(f32::from_le_bytes(*b)) * f64::from(1 << 24);
                    row.as_chunks().0.iter().map(steps).collect()
                }
            }
        };
        for (joint, weight) in numbers(&joints.1[v])
            .into_iter()
            .zip(numbers(&weights.1[v]))
        {
            if weight > 0.0 {
                assert!(
                    all.insert(joint as u32, weight).is_none(),
                    "joint {joint} twice"
                );
            }
        }
    }
    all
}

#[test]
fn what_is_kept_keeps_its_bytes_and_the_rest_is_solved_as_ever() {
    for (component, format, total) in [
        (U8, WeightFormat::U8, 255.0),
        (U16, WeightFormat::U16, 65535.0),
        (F32, WeightFormat::F32, f64::from(1 << 24)),
    ] {
        for (sets_before, interleaved) in [(1, false), (1, true), (2, false), (2, true)] {
            let stored = Stored {
                component,
                sets: sets_before,
                interleaved,
            };
            let kit = sleeve(stored);
            let mut only = recipe(&format!("{OPEN}fit.influences = 3\nfit.mend = false\n"));
            only.fit.symmetry = Symmetry::Off;
            // The format of the file rules, whatever is asked for.
            only.write.weights = match format {
                WeightFormat::U8 => WeightFormat::F32,
                _ => WeightFormat::U8,
            };
            let mut all = only.clone();
            (all.fit.only, all.write.weights) = (None, format);
            let (report, file) = baked(&kit.glb(), &only);
            let written = parse_glb(&file);
            let (before, after) = (sets(&kit, 0), sets(&written, 0));
            let whole = sets(&parse_glb(&baked(&kit.glb(), &all).1), 0);
            assert_eq!(after.len(), sets_before, "{stored:?}");
            let (mut kept, mut changed) = (0, 0);
            for (v, p) in positions(&kit).iter().enumerate() {
                let row = |sets: &Sets| {
                    sets.iter()
                        .flatten()
                        .map(|part| part.1[v].clone())
                        .collect::<Vec<_>>()
                };
                if (1.5..2.6).contains(&p[0]) {
                    let found = steps(&after, v);
                    assert_eq!(found, steps(&whole, v), "{stored:?}: vertex {v}");
                    assert!(found.len() <= 3);
                    assert_eq!(found.values().sum::<f64>(), total, "{stored:?}: vertex {v}");
                    changed += usize::from(row(&before) != row(&after));
                } else {
                    kept += 1;
                    assert_eq!(row(&before), row(&after), "{stored:?}: vertex {v}");
                }
            }
            assert!(kept > 80 && changed > 40, "{kept} kept, {changed} changed");
            for (before, after) in before.iter().flatten().zip(after.iter().flatten()) {
                for key in ["componentType", "normalized", "count", "type"] {
                    assert_eq!(before.0.get(key), after.0.get(key), "{stored:?}: {key}");
                }
            }
            let said = report.warnings.join("\n");
            assert!(
                said.contains("98 of 138 vertices keep the weights of the file (fit.only)"),
                "{said}"
            );
            assert!(
                said.contains("1 primitive has vertices that keep their weights beside others"),
                "{said}"
            );
            assert_eq!(
                report.influences.iter().sum::<usize>(),
                report.surface.welded_vertices
            );
            // More joints than the cap, as the file has them.
            assert_eq!(
                report.influences.len(),
                if sets_before == 1 { 3 } else { 4 }
            );
        }
    }
}

#[test]
fn figures_of_what_is_kept_are_the_same_in_every_set() {
    let kit = sleeve(PLAIN);
    let (report, file) = baked(&kit.glb(), &recipe(OPEN));
    // The greatest errors are of old weights, which nobody can change.
    let errors = &report.errors;
    let most = [&errors.rigid, &errors.naive, &errors.baked, &errors.floor]
        .map(|set| set.held_out.expect("held-out poses").max_percent);
    assert!(
        most[0] > 3.0 && most.iter().all(|max| *max == most[0]),
        "{most:?}"
    );
    let rms = |set: tanyard::report::OnPoses<tanyard::report::Percent>| {
        set.fit.expect("fit poses").rms_percent
    };
    assert!(rms(errors.floor) <= rms(errors.baked) && rms(errors.baked) < rms(errors.rigid));
    // Measured as written: the same weights baked with nothing left to solve but one piece of them.
    let folder = folder();
    let path = put(folder.path(), "baked.glb", file);
    let document = Document::open(&path).expect("it opens");
    let loaded = characters(&document, None).expect("it has a skin");
    let weights = loaded[0].character.weights.as_ref().expect("weights");
    let counts = (0..weights.len()).map(|v| weights.of(v).count());
    let mut influences = vec![0; report.influences.len()];
    counts.for_each(|count| influences[count - 1] += 1);
    assert_eq!(influences, report.influences);
}

#[test]
fn everything_selected_is_as_without() {
    for input in &demos()[..2] {
        let file = fs::read(input).expect("a demo");
        let mut recipe = Recipe::parse(Path::new("r"), QUICK).expect("a recipe");
        recipe.write.weights = WeightFormat::U16;
        let whole = baked(&file, &recipe).1;
        let mut with = |only: &str| {
            let text = format!("fit.only = {only}\n");
            let only = Recipe::parse(Path::new("r"), &text).expect("a recipe");
            recipe.fit.only = only.fit.only;
            baked(&file, &recipe)
        };
        for only in ["{}", "{ joints = [\"*\"] }", "{ meshes = [\"*\"] }"] {
            let (report, again) = with(only);
            assert!(again == whole, "{}: {only}", input.display());
            assert!(!report.warnings.iter().any(|note| note.contains("fit.only")));
        }
        let (report, part) = with("{ pieces = [0] }");
        assert!(report.surface.pieces > 1 && part != whole);
    }
}

#[test]
fn a_demo_keeps_all_but_its_limbs() {
    for (input, limbs) in [
        (0, "{scapula,upper_arm,thigh,shin}_?"),
        (1, "{clavicle,upper_arm,forearm}_?"),
    ] {
        let input = &demos()[input];
        let mut only = Recipe::parse(Path::new("r"), QUICK).expect("a recipe");
        let text = format!("fit.only = {{ joints = [\"{limbs}\"] }}\n");
        only.fit.only = Recipe::parse(Path::new("r"), &text)
            .expect("a recipe")
            .fit
            .only;
        only.fit.influences = 2;
        let file = fs::read(input).expect("a demo");
        let (report, written) = baked(&file, &only);
        // Old weights may err where poses do not bend the surface: the bake measures there as a comparison does.
        let folder = folder();
        let new = put(folder.path(), "new.glb", &written);
        let mut request = CompareRequest {
            old: input.clone(),
            new,
            source: Some(input.clone()),
            skeleton: None,
            recipe: only.clone(),
            memory: None,
            least_percent: 0.0,
        };
        request.recipe.fit.only = None;
        let compared = job::compare(&request, &Silent).expect("they compare");
        let measured = compared.skins[0].new.expect("held-out poses");
        let told = report.errors.baked.held_out.expect("held-out poses");
        assert!(
            (measured.rms_percent / told.rms_percent - 1.0).abs() < 1e-6,
            "{measured:?} {told:?}"
        );
        let (before, after) = (parse_glb(&file), parse_glb(&written));
        let names = before.json["skins"][0]["joints"]
            .as_array()
            .expect("joints");
        let name = |joint: u32| {
            let node = names[joint as usize].as_u64().expect("a node") as usize;
            before.json["nodes"][node]["name"].as_str().expect("a name")
        };
        let is_limb = |joint: u32| {
            limbs[1..].split(['{', ',', '}']).any(|stem| {
                !stem.is_empty() && !stem.starts_with('_') && name(joint).starts_with(stem)
            })
        };
        let (mut kept, mut changed, mut untouched) = (0, 0, 0);
        for (mesh, old) in before.json["meshes"]
            .as_array()
            .expect("meshes")
            .iter()
            .enumerate()
        {
            for primitive in 0..old["primitives"].as_array().expect("primitives").len() {
                let [before, after] = [&before, &after].map(|kit| sets_of(kit, mesh, primitive));
                untouched += usize::from(before == after);
                assert_eq!((before.len(), after.len()), (1, 1));
                for v in 0..before[0][0].1.len() {
                    let same = (0..2).all(|part| before[0][part].1[v] == after[0][part].1[v]);
                    // Of equals the lower joint counts, as for the bind.
                    let heaviest = (steps(&before, v).into_iter())
                        .reduce(|a, b| if b.1 > a.1 { b } else { a });
                    if is_limb(heaviest.expect("weights").0) {
                        changed += usize::from(!same);
                        assert!(steps(&after, v).len() <= 2);
                    } else {
                        assert!(same, "{}: vertex {v} of mesh {mesh}", input.display());
                        kept += 1;
                    }
                }
            }
        }
        println!(
            "{}: {kept} kept, {changed} changed, {untouched} primitives untouched",
            input.display()
        );
        assert!(kept > 3000 && changed > 1000 && untouched > 0);
    }
}

/// Two sleeves that share all accessors, one far from the other, each drawn by a primitive of its own; and points.
fn pair() -> Kit {
    let mut kit = sleeve(PLAIN);
    let place = positions(&kit);
    let twice: Vec<[f32; 3]> = (place.iter().copied())
        .chain(place.iter().map(|p| [p[0], p[1] + 2.0, p[2]]))
        .collect();
    let number = |value: &Value| value.as_u64().expect("a number") as usize;
    let primitive = kit.json["meshes"][0]["primitives"][0].clone();
    let attributes = &primitive["attributes"];
    let shared = kit.floats("VEC3", twice.len(), twice.as_flattened());
    kit.json["accessors"][shared]["min"] = json!([-1.0, -1.0, -1.0]);
    kit.json["accessors"][shared]["max"] = json!([5.0, 3.0, 1.0]);
    let doubled = |name: &str| rows(&kit, number(&attributes[name])).concat().repeat(2);
    let (joints, weights) = (doubled("JOINTS_0"), doubled("WEIGHTS_0"));
    let joints = kit.accessor("VEC4", U8, twice.len(), &joints);
    let weights = kit.accessor("VEC4", F32, twice.len(), &weights);
    let attributes = json!({ "POSITION": shared, "JOINTS_0": joints, "WEIGHTS_0": weights });
    let corners = &kit.json["accessors"][number(&primitive["indices"])];
    let view = &kit.json["bufferViews"][number(&corners["bufferView"])];
    let (count, at) = (number(&corners["count"]), number(&view["byteOffset"]));
    let first: Vec<u32> = (kit.bin[at..at + 4 * count].as_chunks().0.iter())
        .map(|b| u32::from_le_bytes(*b))
        .collect();
    let beyond = first.iter().map(|v| v + place.len() as u32);
    let bytes: Vec<u8> = beyond.flat_map(u32::to_le_bytes).collect();
    let second = kit.accessor("SCALAR", U32, count, &bytes);
    for name in ["skin", "cloth"] {
        kit.push("materials", json!({ "name": name }));
    }
    kit.json["meshes"][0]["primitives"] = json!([
        { "attributes": attributes, "indices": primitive["indices"], "material": 0 },
        { "attributes": attributes, "indices": second, "material": 1 },
        { "attributes": attributes, "mode": 0 },
    ]);
    kit
}

#[test]
fn a_primitive_without_solved_vertices_is_not_touched() {
    let kit = pair();
    let only = recipe("fit.only = { materials = [\"cl*\"] }\n");
    let written = parse_glb(&baked(&kit.glb(), &only).1);
    let (old, new) = (
        &kit.json["meshes"][0]["primitives"],
        &written.json["meshes"][0]["primitives"],
    );
    for primitive in [0, 2] {
        assert_eq!(old[primitive], new[primitive]);
        assert_eq!(sets(&kit, primitive)[0][1], sets(&written, primitive)[0][1]);
    }
    assert_ne!(old[1], new[1]);
    let (before, after) = (sets(&kit, 1), sets(&written, 1));
    let half = before[0][1].1.len() / 2;
    for part in 0..2 {
        assert_eq!(before[0][part].1[..half], after[0][part].1[..half]);
    }
    assert_ne!(before[0][1].1[half..], after[0][1].1[half..]);
    // The other way round, from what was written: now both have accessors of their own.
    let file = written.glb();
    let only = recipe("fit.only = { materials = [\"skin\"] }\n");
    let again = parse_glb(&baked(&file, &only).1);
    assert_eq!(sets(&again, 1)[0][1].1, after[0][1].1);
    assert_eq!(sets(&again, 2), sets(&kit, 2));
    assert_ne!(sets(&again, 0)[0][1].1, before[0][1].1);
}

#[test]
fn partners_are_alike_only_where_both_are_in() {
    let doll = Doll::new(true, true);
    let file = doll.file();
    let mut whole = recipe("");
    whole.fit.smoothness = 0.05;
    let mut only = whole.clone();
    // Both hands' arms but one hand.
    let text = "fit.only = { joints = [\"root\", \"chest\", \"arm_?\", \"hand_l\"] }\n";
    only.fit.only = Recipe::parse(Path::new("r"), text)
        .expect("a recipe")
        .fit
        .only;
    let (report, written) = baked(&file, &only);
    let symmetry = &report.symmetry;
    assert_eq!(symmetry.mirror_error, Some(0.0));
    let whole = baked(&file, &whole).0.symmetry;
    assert!(
        symmetry.paired_vertices < whole.paired_vertices && symmetry.paired_vertices > Some(100)
    );
    let (before, after) = (parse_glb(&file), parse_glb(&written));
    let (before, after) = (sets(&before, 0), sets(&after, 0));
    let mut counts = [0, 0];
    for v in 0..doll.positions.len() {
        let is_kept = [5, 6].contains(&doll.bind[v]);
        let same = (0..2).all(|part| before[0][part].1[v] == after[0][part].1[v]);
        assert!(same || !is_kept, "vertex {v}");
        counts[usize::from(is_kept)] += 1;
    }
    assert!(counts.iter().all(|count| *count > 20), "{counts:?}");
    // A vertex that is alike is so to the bit.
    let opposite = |id: u32| [0, 1, 4, 5, 2, 3, 6][id as usize];
    let place = |p: [f32; 3]| doll.positions[..doll.body].iter().position(|q| *q == p);
    let mut alike = 0;
    for v in 0..doll.body {
        let [x, y, z] = doll.positions[v];
        let Some(u) = place([0.0 - x, y, z]) else {
            continue;
        };
        if [v, u].iter().all(|&v| doll.bind[v] != 5) && x > 0.0 {
            let mirrored = steps(&after, u)
                .into_iter()
                .map(|(id, w)| (opposite(id), w));
            assert_eq!(steps(&after, v), mirrored.collect(), "vertex {v}");
            alike += 1;
        }
    }
    assert!(alike > 50, "{alike}");
}

/// The fit of a limb of which one vertex is solved beside neighbours that keep given weights.
struct Lone {
    gram: Gram,
    base: Weights,
    vertex: usize,
}

fn lone(character: &tanyard::rig::Character) -> Lone {
    let base = rigid(character);
    let layers = [layer(LayerKind::Relax(RELAX)), layer(LayerKind::Mush(MUSH))];
    let stack = Stack::new(&character.surface, base.clone(), Skinning::Linear, &layers);
    let rows = |v: usize| stack.spread().of(v);
    let all = Candidates::new((0..base.len()).map(rows), 1e-4);
    // Two candidates, and neighbours on both joints.
    let heaviest = |v: usize| base.of(v).next().map(|entry| entry.0);
    let vertex = (0..base.len()).find(|&v| {
        let ring = character.surface.rings.of(v);
        all.of(v).len() == 2
            && ring
                .iter()
                .any(|&n| heaviest(n as usize) != heaviest(ring[0] as usize))
    });
    let vertex = vertex.expect("a vertex at a border");
    let cut = (0..base.len()).map(|v| &rows(v)[..if v == vertex { rows(v).len() } else { 1 }]);
    let mut gram = Gram::new(Candidates::new(cut, 1e-4), character.surface.diagonal());
    fold(&mut gram, &stack, &character.skeleton, &poses(character));
    Lone { gram, base, vertex }
}

#[test]
fn smoothness_sees_the_weights_that_neighbours_keep() {
    let character = limb();
    let Lone { gram, base, vertex } = lone(&character);
    let surface = &character.surface;
    let [a, b] = gram.candidates().of(vertex) else {
        panic!("two candidates");
    };
    // The file's weights: uneven shares, so that neither base nor solve would give them.
    let row = |v: usize| {
        let share = 0.1 + 0.8 * (v % 7) as f32 / 7.0;
        [(*a, share), (*b, 1.0 - share)]
    };
    let file = Weights::new(2, (0..base.len()).flat_map(row).collect());
    let solved: Vec<bool> = (0..base.len()).map(|v| v == vertex).collect();
    let kept = Kept::beside(&solved, vec![1 << 24; base.len()], &file).expect("some are kept");
    let fitted = |smoothness: f64| {
        let options = fit::Options {
            influences: 2,
            smoothness,
            hold_percent: 1e-4,
            prune: 0.0,
            steps: 1 << 24,
        };
        let fitted = fit::solve(&gram, surface, &base, None, Some(&kept), &options);
        for weights in [&fitted.weights, &fitted.floor] {
            for v in (0..base.len()).filter(|&v| v != vertex) {
                assert!(weights.of(v).eq(file.of(v)), "vertex {v}");
            }
        }
        let weight = fitted.weights.of(vertex).find(|entry| entry.0 == *a);
        weight.map_or(0.0, |entry| f64::from(entry.1))
    };
    let ring = surface.rings.of(vertex);
    let share = |v: usize| f64::from(row(v)[0].1);
    let mean = ring.iter().map(|&n| share(n as usize)).sum::<f64>() / ring.len() as f64;
    assert!(
        (fitted(1e6) - mean).abs() < 1e-4,
        "{} is not {mean}",
        fitted(1e6)
    );
    // In between: the least of the written formula, found by trying all shares.
    let form = gram.quadratic(vertex);
    let mean_ring = surface.rings.entries() as f64 / surface.rings.len() as f64;
    let mean_area = surface.areas.iter().sum::<f64>() / surface.areas.len() as f64;
    let held = base.of(vertex).any(|(id, _)| id == *a);
    for smoothness in [1e-3, 0.1, 10.0] {
        let cost = |w: f64| {
            let mut both = [0.0; fit::MAX_CANDIDATES];
            (both[0], both[1]) = (w, 1.0 - w);
            let apart = |other: f64| 2.0 * (w - other).powi(2);
            let edges: f64 = ring.iter().map(|&n| apart(share(n as usize))).sum();
            surface.areas[vertex] / mean_area * form.value(&both)
                + 1e-8 * apart(f64::from(u8::from(held)))
                + smoothness / mean_ring * edges
        };
        let all = (0..=100_000).map(|i| f64::from(i) / 1e5);
        let least = all
            .min_by(|x, y| cost(*x).total_cmp(&cost(*y)))
            .expect("some");
        let found = fitted(smoothness);
        assert!(
            (found - least).abs() < 2e-5,
            "s = {smoothness}: {found} is not {least}"
        );
    }
}

#[test]
fn each_vertex_is_rounded_to_steps_of_its_own() {
    let character = limb();
    let base = rigid(&character);
    let layers = [layer(LayerKind::Mush(MUSH))];
    let stack = Stack::new(&character.surface, base.clone(), Skinning::Linear, &layers);
    let solved: Vec<bool> = (0..base.len()).map(|v| v % 4 > 0).collect();
    let grids = [255, 255, 65535, 1 << 24];
    let kept = Kept::beside(
        &solved,
        (0..base.len()).map(|v| grids[v % 4]).collect(),
        &base,
    );
    let rows = (0..base.len()).map(|v| {
        &stack.spread().of(v)[..if v % 4 > 0 { 2 } else { 1 }.min(stack.spread().of(v).len())]
    });
    let mut gram = Gram::new(Candidates::new(rows, 1e-4), character.surface.diagonal());
    fold(&mut gram, &stack, &character.skeleton, &poses(&character));
    let options = fit::Options {
        influences: 4,
        smoothness: 0.0,
        hold_percent: 1e-4,
        prune: 5e-4,
        steps: 255,
    };
    let fitted = fit::solve(
        &gram,
        &character.surface,
        &base,
        None,
        kept.as_ref(),
        &options,
    );
    let off = |v: usize, grid: f64| {
        fitted.weights.of(v).any(|(_, w)| {
            let step = (f64::from(w) * grid).round();
            (step / grid) as f32 != w
        })
    };
    let mut blended = [0; 4];
    for v in 0..base.len() {
        assert!(!off(v, f64::from(grids[v % 4])), "vertex {v}");
        blended[v % 4] += usize::from(v % 4 > 0 && off(v, 128.0));
    }
    assert!(blended[1..].iter().all(|count| *count > 5), "{blended:?}");
    let finer = (0..base.len()).filter(|&v| v % 4 > 1 && off(v, 255.0));
    assert!(finer.count() > 10);
}

#[test]
fn mending_leaves_what_is_kept_alone() {
    // One joint of the far end on a vertex at the near end: an island that stands out.
    let mut kit = sleeve(PLAIN);
    let wrong = positions(&kit)
        .iter()
        .position(|p| p[0] > 0.4)
        .expect("a vertex");
    let weights = kit.json["meshes"][0]["primitives"][0]["attributes"]["WEIGHTS_0"].as_u64();
    let joints = kit.json["meshes"][0]["primitives"][0]["attributes"]["JOINTS_0"].as_u64();
    for (accessor, size, bytes) in [
        (joints, 4, vec![3, 0, 0, 0]),
        (weights, 16, bytes_of(&[1.0, 0.0, 0.0, 0.0])),
    ] {
        let view = &kit.json["accessors"][accessor.expect("a number") as usize]["bufferView"];
        let view = &kit.json["bufferViews"][view.as_u64().expect("a number") as usize];
        let at = view["byteOffset"].as_u64().expect("an offset") as usize + size * wrong;
        kit.bin[at..at + size].copy_from_slice(&bytes);
    }
    let (report, file) = baked(&kit.glb(), &recipe(OPEN));
    let mend = report.mend.expect("mending is on");
    assert_eq!((mend.islands.before, mend.outliers.before), (0, 0));
    assert_eq!(report.outliers, 1);
    let after = sets(&parse_glb(&file), 0);
    assert_eq!(after[0][0].1[wrong], [3, 0, 0, 0]);
    // Solved with the others, it would be mended or never come about.
    assert_eq!(baked(&kit.glb(), &recipe("")).0.outliers, 0);
}

#[test]
fn a_part_that_is_none_is_refused() {
    let folder = folder();
    let path = put(folder.path(), "in.glb", sleeve(PLAIN).glb());
    let output = folder.path().join("out.glb");
    let run = |input: &Path, only: &str| {
        let recipe = put(folder.path(), "r.toml", format!("fit.only = {only}\n"));
        let words = [
            "bake",
            word(input),
            "-o",
            word(&output),
            "--recipe",
            word(&recipe),
        ];
        let error = refused(&words, 2);
        assert!(!output.exists());
        error
    };
    for (only, said) in [
        (
            "{ joints = [\"nobody\"] }",
            "recipe fit.only: expected names that occur in the file, found no joint matches \"nobody\"",
        ),
        ("{ pieces = [1] }", "no piece matches"),
        (
            "{ attribute = \"_NONE\" }",
            "no vertex attribute is named \"_NONE\"",
        ),
        (
            "{ joints = [\"joint_0\"], attribute = \"_OPEN\" }",
            "recipe fit.only: expected a part with vertices, found none in it",
        ),
        (
            "{ meshes = [\"a[\"] }",
            "line 1: fit.only: expected name patterns",
        ),
        (
            "{ attribute = \"OPEN\" }",
            "fit.only.attribute: expected a name that begins with an underscore",
        ),
        ("{ mesh = [\"a\"] }", "the nearest is 'meshes'"),
    ] {
        let error = run(&path, only);
        assert!(error.contains(said), "{only}: {error}");
    }
    let error = run(&demos()[2], "{ joints = [\"*\"] }");
    assert!(
        error.contains("recipe fit.only: expected a file with skin weights")
            && error.contains("no weights to keep"),
        "{error}"
    );
}

#[test]
fn a_cache_sees_the_part_change() {
    let folder = folder();
    let (input, output) = (folder.path().join("in"), folder.path().join("out"));
    fs::create_dir(&input).expect("a folder");
    put(&input, "a.glb", sleeve(PLAIN).glb());
    let mut files = Vec::new();
    for (only, status) in [("", "baked"), (OPEN, "baked"), (OPEN, "unchanged")] {
        put(&input, "tanyard.toml", format!("{only}{QUICK}"));
        let (code, report, error) = bake_folder(&input, &output, &[]);
        assert_eq!(code, 0, "{error}");
        assert_eq!(names(&report, status), ["a.glb"]);
        files.push(fs::read(output.join("a.glb")).expect("it was written"));
    }
    assert_ne!(files[0], files[1]);
    assert_eq!(files[1], files[2]);
}
