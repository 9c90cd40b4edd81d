//! The weights of one file on the vertices and joints of another.

use std::collections::HashMap;
use std::path::Path;

use super::describe::{some_of, with_more};
use crate::error::Fault;
use crate::rig::{Character, JointId, Near, Skeleton, Weights, distance};

/// Vertices that a fault or a note shows.
const EXAMPLES: usize = 3;

/// Joints of two files that stand farther apart than this stand elsewhere, in percent of the diagonal: what
/// `inspect` takes for another pose.
const ELSEWHERE_PERCENT: f64 = 0.1;

/// Joints whose bind frames are turned against each other by more than this, in degrees.
const TURNED_DEGREES: f64 = 0.5;

/// A skin of a file that was read.
#[derive(Clone, Copy)]
pub(super) struct Of<'a> {
    pub file: &'a Path,
    pub character: &'a Character,
}

impl<'a> Of<'a> {
    pub fn new(file: &'a Path, character: &'a Character) -> Self {
        Self { file, character }
    }
}

/// Weights on the vertices and joints of a reference.
#[derive(Debug)]
pub(super) struct Read {
    pub weights: Weights,
    /// What the user should know.
    pub notes: Vec<String>,
}

/// For each vertex of a surface its counterpart in another.
#[derive(Debug)]
pub(super) struct Counterparts {
    pub of: Vec<u32>,
    /// Vertices that lie elsewhere in the other; they are known by their numbers.
    pub moved: usize,
}

/// Reads the weights of a skin onto the reference.
pub(super) fn read(from: Of, reference: Of) -> Result<Read, Vec<Fault>> {
    let (name, character) = (&from.character.name, from.character);
    let Some(weights) = &character.weights else {
        return Err(vec![without_weights(from)]);
    };
    let mut faults = Vec::new();
    let joints = match joints(character, &reference.character.skeleton, weights) {
        Ok(joints) => joints,
        Err(missing) => {
            let expected = format!(
                "the names of its {} joints with weight in {}",
                missing.used,
                reference.file.display()
            );
            let found = format!("none of {}", some_of(&missing.names));
            let fault = Fault::new(from.file, format!("skin {name:?}"), expected, found);
            faults.push(fault.remedy("take the file that both were baked from as the source"));
            Vec::new()
        }
    };
    let counterparts = match counterparts(character, reference.character) {
        Ok(counterparts) => counterparts,
        Err(missing) => {
            let expected = format!(
                "a vertex at each of the {} bind positions of {}",
                reference.character.surface.len(),
                reference.file.display()
            );
            let found = format!(
                "none at {}: {}",
                missing.len(),
                places(reference.character, &missing)
            );
            let fault = Fault::new(from.file, format!("skin {name:?}"), expected, found);
            faults.push(fault.remedy(
                "take the file that both were baked from as the source; where the mesh itself changed, \
                 compare without a source",
            ));
            Counterparts {
                of: Vec::new(),
                moved: 0,
            }
        }
    };
    if !faults.is_empty() {
        return Err(faults);
    }
    let slots = weights.slots();
    let mut entries = vec![(JointId(0), 0.0); slots * counterparts.of.len()];
    for (row, &v) in entries.chunks_exact_mut(slots).zip(&counterparts.of) {
        for (slot, (joint, weight)) in row.iter_mut().zip(weights.of(v as usize)) {
            // `joints` has one for each that carries weight.
            if let Some(joint) = joints[joint.index()] {
                *slot = (joint, weight);
            }
        }
    }
    let mut notes: Vec<String> = counterparts.note(from.file).into_iter().collect();
    let mut used = vec![false; character.surface.len()];
    counterparts
        .of
        .iter()
        .for_each(|&v| used[v as usize] = true);
    let left: Vec<usize> = (0..used.len()).filter(|&v| !used[v]).collect();
    if !left.is_empty() {
        notes.push(format!(
            "{}: {} vertices have no counterpart in {} and are left out: {}",
            from.file.display(),
            left.len(),
            reference.file.display(),
            places(character, &left)
        ));
    }
    notes.extend(elsewhere(from, reference));
    Ok(Read {
        weights: Weights::new(slots, entries),
        notes,
    })
}

/// The fault of a skin without weights.
pub(super) fn without_weights(skin: Of) -> Fault {
    let part = format!("skin {:?}", skin.character.name);
    Fault::new(skin.file, part, "skin weights to compare", "none")
        .remedy("bake it first: tanyard bake")
}

struct MissingJoints {
    used: usize,
    names: Vec<String>,
}

/// For each joint its namesake; those without weight need none.
fn joints(
    from: &Character,
    to: &Skeleton,
    weights: &Weights,
) -> Result<Vec<Option<JointId>>, MissingJoints> {
    let namesakes = namesakes(&from.skeleton, to);
    let mut used = vec![false; namesakes.len()];
    for v in 0..weights.len() {
        weights
            .of(v)
            .for_each(|(joint, _)| used[joint.index()] = true);
    }
    let names: Vec<String> = from
        .skeleton
        .ids()
        .filter(|id| used[id.index()] && namesakes[id.index()].is_none())
        .map(|id| from.skeleton.joint(id).name.clone())
        .collect();
    if names.is_empty() {
        return Ok(namesakes);
    }
    Err(MissingJoints {
        used: used.iter().filter(|used| **used).count(),
        names,
    })
}

/// For each joint of a skeleton the one of its name in another.
pub(super) fn namesakes(from: &Skeleton, to: &Skeleton) -> Vec<Option<JointId>> {
    let known: HashMap<&str, JointId> = (to.ids())
        .map(|id| (to.joint(id).name.as_str(), id))
        .collect();
    let joints = from.joints().iter();
    joints
        .map(|joint| known.get(joint.name.as_str()).copied())
        .collect()
}

impl Counterparts {
    /// What the user should know of how they were found; `file` is the one of the counterparts.
    pub fn note(&self, file: &Path) -> Option<String> {
        (self.moved > 0).then(|| {
            format!(
                "{}: {} vertices lie elsewhere; they are known by their numbers",
                file.display(),
                self.moved
            )
        })
    }
}

/// The counterparts in `from` if both have the same vertices.
pub(super) fn one_to_one(from: &Character, reference: &Character) -> Option<Counterparts> {
    if from.surface.len() != reference.surface.len() {
        return None;
    }
    let counterparts = counterparts(from, reference).ok()?;
    let mut seen = vec![false; counterparts.of.len()];
    let mut all = counterparts.of.iter();
    let apart = all.all(|&v| !std::mem::replace(&mut seen[v as usize], true));
    apart.then_some(counterparts)
}

/// For each vertex of `reference` its counterpart in `from`, or the vertices that have none.
///
/// The one of the same number if all of those lie in the same places; else the one in the same place; and if
/// some places have none, but the triangles are the same, the one of the same number all the same: a mesh that
/// was reshaped.
fn counterparts(from: &Character, reference: &Character) -> Result<Counterparts, Vec<usize>> {
    let (own, other) = (&reference.surface.positions, &from.surface.positions);
    // Each of two copies of a vertex may stand for it, and they lie within the tolerance.
    let reach = 2.0 * reference.surface.weld_tolerance();
    let apart = |v: usize, n: u32| distance(own[v], other[n as usize]) > reach;
    let by_number = by_number(from, reference);
    if let Some(of) = &by_number
        && (0..own.len()).all(|v| !apart(v, of[v]))
    {
        let of = of.clone();
        return Ok(Counterparts { of, moved: 0 });
    }
    let near = Near::new(other, 0..other.len() as u32, reach);
    let by_place: Vec<Option<u32>> = own
        .iter()
        .map(|&p| {
            let near = near.within(other, p);
            near.min_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)))
                .map(|(n, _)| n)
        })
        .collect();
    if let Some(of) = by_place.iter().copied().collect() {
        return Ok(Counterparts { of, moved: 0 });
    }
    if let Some(of) = by_number {
        let mapped = reference.surface.triangles.iter();
        let mapped = mapped.map(|corners| corners.map(|v| of[v as usize]));
        if mapped.eq(from.surface.triangles.iter().copied()) {
            let moved = (0..own.len()).filter(|&v| apart(v, of[v])).count();
            return Ok(Counterparts { of, moved });
        }
    }
    Err((0..own.len()).filter(|&v| by_place[v].is_none()).collect())
}

/// For each vertex the one whose first copy has the same number in the same part; `None` if counts differ.
fn by_number(from: &Character, reference: &Character) -> Option<Vec<u32>> {
    let parts = || from.parts.iter().zip(&reference.parts);
    let alike = from.parts.len() == reference.parts.len()
        && from.surface.welded.len() == reference.surface.welded.len()
        && parts().all(|(a, b)| a.raw == b.raw);
    if !alike {
        return None;
    }
    let mut of = vec![u32::MAX; reference.surface.len()];
    for (&v, &n) in reference.surface.welded.iter().zip(&from.surface.welded) {
        if of[v as usize] == u32::MAX {
            of[v as usize] = n;
        }
    }
    Some(of)
}

/// Joints that both have, but not in the same place and direction.
pub(super) fn elsewhere(a: Of, b: Of) -> Option<String> {
    let (from, to) = (&a.character.skeleton, &b.character.skeleton);
    let most = ELSEWHERE_PERCENT / 100.0 * b.character.surface.diagonal();
    let pairs = from.ids().zip(namesakes(from, to));
    let names: Vec<String> = pairs
        .filter_map(|(id, other)| Some((id, other?)))
        .filter(|&(id, other)| {
            let shift = (from.origin(id) - to.origin(other)).norm();
            let frames = (from.joint(id), to.joint(other));
            let turn = (frames.0.bind_local.rotation).angle_to(&frames.1.bind_local.rotation);
            shift > most || turn.to_degrees() > TURNED_DEGREES
        })
        .map(|(id, _)| from.joint(id).name.clone())
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "{} joints of {} stand otherwise in {}, and the same pose turns them otherwise: {}",
            names.len(),
            a.file.display(),
            b.file.display(),
            some_of(&names)
        )
    })
}

/// A few vertices, in words.
fn places(character: &Character, vertices: &[usize]) -> String {
    let words: Vec<String> = vertices
        .iter()
        .map(|&v| {
            let (mesh, vertex) = character.first_copy(v);
            let [x, y, z] = character.surface.positions[v];
            format!("{mesh} vertex {vertex} ({x:.4}, {y:.4}, {z:.4})")
        })
        .take(EXAMPLES)
        .collect();
    with_more(&words, vertices.len())
}
