//! What the demo characters that are hard to bind promise to the tests that use them.

use std::collections::{HashMap, HashSet};

use tanyard::rig::JointId;

use crate::binds::{only_character, right_joints};
use crate::files::{hard_demos, word};

/// Joints without flesh of their own. A bind must give them no vertex.
pub const FLESHLESS: [&str; 7] = [
    "root",
    "tool_grip_l",
    "tool_grip_r",
    "paw_grip_l",
    "paw_grip_r",
    "foot_target_l",
    "foot_target_r",
];

/// The name of the joint on the other side; the same for one of the middle.
fn other_side(name: &str) -> String {
    match (name.strip_suffix("_l"), name.strip_suffix("_r")) {
        (Some(stem), _) => format!("{stem}_r"),
        (_, Some(stem)) => format!("{stem}_l"),
        _ => name.to_owned(),
    }
}

#[test]
fn joints_without_flesh_are_right_nowhere() {
    for path in hard_demos() {
        let character = only_character(&path);
        assert!(character.weights.is_none(), "{}", path.display());
        let named: Vec<JointId> = FLESHLESS
            .iter()
            .filter_map(|name| character.skeleton.find(name))
            .collect();
        assert_eq!(named.len(), 5, "{}", path.display());
        let right = right_joints(&character);
        assert!(right.iter().all(|joint| !named.contains(joint)));
        for joint in character.skeleton.ids().filter(|id| !named.contains(id)) {
            let name = &character.skeleton.joint(joint).name;
            assert!(right.contains(&joint), "{}: {name}", path.display());
        }
    }
}

/// Place, triangles and right joints of the body, and the frames of the joints, to the last bit.
#[test]
fn symmetric_demos_are_their_own_mirror_image() {
    let mirrored = |[x, y, z]: [f32; 3]| [if x == 0.0 { x } else { -x }, y, z].map(f32::to_bits);
    for path in hard_demos() {
        if word(&path).ends_with("eel_catcher.glb") {
            continue;
        }
        let character = only_character(&path);
        let (skeleton, surface) = (&character.skeleton, &character.surface);
        let twin = |id: JointId| {
            let other = other_side(&skeleton.joint(id).name);
            skeleton.find(&other).expect("joints come in pairs")
        };
        for id in skeleton.ids() {
            let (here, there) = (skeleton.origin(id), skeleton.origin(twin(id)));
            let gap = (here.x + there.x)
                .abs()
                .max((here.yz() - there.yz()).norm());
            assert!(gap < 1e-12, "{}: {gap}", skeleton.joint(id).name);
        }
        let right = right_joints(&character);
        let part = &character.parts[0];
        let body: HashSet<usize> = part
            .raw
            .clone()
            .map(|raw| surface.welded[raw] as usize)
            .collect();
        let ids: HashMap<[u32; 3], usize> = body
            .iter()
            .map(|&v| (surface.positions[v].map(f32::to_bits), v))
            .collect();
        let mut twins = HashMap::new();
        for &v in &body {
            let there = ids[&mirrored(surface.positions[v])];
            assert_eq!(right[there], twin(right[v]), "{} vertex {v}", part.mesh);
            twins.insert(v as u32, there as u32);
        }
        let turned = |t: [u32; 3]| {
            let first = (0..3).min_by_key(|&k| t[k]).expect("three corners");
            [t[first], t[(first + 1) % 3], t[(first + 2) % 3]]
        };
        let triangles: HashSet<[u32; 3]> = surface.triangles.iter().copied().map(turned).collect();
        for t in surface
            .triangles
            .iter()
            .filter(|t| twins.contains_key(&t[0]))
        {
            let there = [twins[&t[0]], twins[&t[2]], twins[&t[1]]];
            assert!(triangles.contains(&turned(there)), "{}: {t:?}", part.mesh);
        }
    }
}
