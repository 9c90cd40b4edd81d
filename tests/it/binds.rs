//! Rigid binds against what is known: the weights that sample characters ship with, and the joint that
//! the demo program knows for every vertex.

use std::path::Path;

use tanyard::asset::{Document, characters};
use tanyard::bind::{self, Bound, Way};
use tanyard::rig::{Character, JointId, Skeleton};

use crate::files::{assets, demos};

/// Shares of vertices bound to the right joint, and to it or one beside it in the hierarchy.
fn agreement(skeleton: &Skeleton, found: &[JointId], right: &[JointId]) -> (f64, f64) {
    let beside = |a: JointId, b: JointId| {
        skeleton.joint(a).parent == Some(b) || skeleton.joint(b).parent == Some(a)
    };
    let (mut exact, mut close) = (0, 0);
    for (&a, &b) in found.iter().zip(right) {
        exact += usize::from(a == b);
        close += usize::from(a == b || beside(a, b));
    }
    (
        exact as f64 / found.len() as f64,
        close as f64 / found.len() as f64,
    )
}

fn only_character(path: &Path) -> Character {
    let document = Document::open(path).expect("a sample opens");
    let mut loaded = characters(&document, None).expect("a sample has skins");
    loaded.remove(0).character
}

fn bound(character: &Character, way: Way) -> Bound {
    let joints = character.skeleton.joints().len();
    bind::bind(character, &bind::Options::plain(way, joints), None)
}

/// The joint that the demo program knows to be right for each vertex.
fn known(character: &Character) -> Vec<JointId> {
    let mut right = vec![JointId(0); character.surface.len()];
    for part in &character.parts {
        let (_, values) = part
            .masks
            .iter()
            .find(|(name, _)| name == "_RIGHT_JOINT")
            .expect("demos say");
        for (raw, &joint) in part.raw.clone().zip(values) {
            right[character.surface.welded[raw] as usize] = JointId(joint as u16);
        }
    }
    right
}

#[test]
fn table() {
    for path in assets().into_iter().chain(demos()) {
        let character = only_character(&path);
        let right = match path.to_string_lossy().contains("demo-data") {
            false => bind::keep(character.weights.as_ref().expect("samples have weights")),
            true => known(&character),
        };
        for way in [Way::Nearest, Way::Through, Way::Heat] {
            let clock = std::time::Instant::now();
            let found = bound(&character, way);
            let (a, b) = agreement(&character.skeleton, &found.joints, &right);
            println!(
                "{:?} {way:?} {:.1} {:.1} {:?}",
                path.file_name(),
                100.0 * a,
                100.0 * b,
                clock.elapsed()
            );
            if way == Way::Through {
                for piece in &found.pieces {
                    println!("    {piece:?}");
                }
                for (j, idle) in found.idle.iter().enumerate() {
                    if let Some(idle) = idle {
                        println!("    {} {idle:?}", character.skeleton.joints()[j].name);
                    }
                }
            }
        }
    }
}
