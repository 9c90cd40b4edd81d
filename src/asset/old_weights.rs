//! The weights that a file already has (glTF 2.0 §3.7.3.3): all sets merged, brought to sums of one, and
//! averaged over the copies of each welded vertex.

use super::accessor::{Accessor, Component};
use super::document::Document;
use super::geometry::{Geometry, same_count};
use crate::error::Fault;
use crate::rig::{JointId, Surface, Weights};

/// Exporters round sums; what is further from one than this is worth a note.
const SUM_NOTE: f64 = 1e-2;

/// Copies of a welded vertex may bring many joints together: only so many, the heaviest, are kept.
const MOST_INFLUENCES: usize = 64;

/// Primitives that share positions nearly always share weights too; each other set costs memory.
const MOST_SOURCES: usize = 64;

/// Joint numbers of a character, used or not, 8 bytes each with their weights.
const MOST_ENTRIES: usize = 1 << 26;

/// Joints and weights of one set of attributes, four a vertex.
type Set = (Vec<u32>, Vec<f32>);

/// Joints and weights of one stretch of raw vertices.
struct Source {
    accessors: Vec<(usize, usize)>,
    sets: Vec<Set>,
}

/// What is odd about the weights of a file.
#[derive(Default)]
struct Oddities {
    off_sums: usize,
    weightless: usize,
    not_normalized: bool,
}

/// Reads all weights onto the welded surface. Every primitive must have some.
pub(super) fn merge(
    document: &Document,
    geometry: &Geometry,
    uses: &[super::geometry::MeshUse],
    surface: &Surface,
    joints: usize,
) -> Result<(Weights, Vec<String>), Vec<Fault>> {
    let mut faults = Vec::new();
    let mut odd = Oddities::default();
    let mut sources: Vec<Vec<Source>> = Vec::new();
    let mut entries = 0usize;
    let mut picks: Vec<u16> = vec![0; geometry.raw.len()];
    for (stretch, part) in geometry.stretches.iter().zip(&geometry.parts) {
        let mut own: Vec<Source> = Vec::new();
        let mut picked = vec![false; part.raw.len()];
        for primitive in &stretch.primitives {
            let known = own.iter().position(|s| s.accessors == primitive.sets);
            let source = match known {
                Some(source) => source,
                None => {
                    let path = format!(
                        "meshes[{}].primitives[{}]",
                        uses[stretch.mesh_use].mesh, primitive.index
                    );
                    match read(document, &path, &primitive.sets, part.raw.len(), &mut odd) {
                        Ok(sets)
                            if own.len() == MOST_SOURCES || {
                                entries += sets.iter().map(|(ids, _)| ids.len()).sum::<usize>();
                                entries > MOST_ENTRIES
                            } =>
                        {
                            faults.push(Fault::new(
                                &document.path,
                                path,
                                format!(
                                    "at most {MOST_SOURCES} different accessors of joints for the same \
                                     positions, and {MOST_ENTRIES} joint numbers in all"
                                ),
                                "more",
                            ));
                            return Err(faults);
                        }
                        Ok(sets) => own.push(Source {
                            accessors: primitive.sets.clone(),
                            sets,
                        }),
                        Err(fault) => {
                            faults.push(fault);
                            continue;
                        }
                    }
                    own.len() - 1
                }
            };
            // The first primitive that draws a vertex decides whose weights it has.
            for &corner in geometry.triangles[primitive.triangles.clone()]
                .iter()
                .flatten()
            {
                let raw = corner as usize;
                if !std::mem::replace(&mut picked[raw - part.raw.start], true) {
                    picks[raw] = source as u16;
                }
            }
        }
        sources.push(own);
    }
    if !faults.is_empty() {
        return Err(faults);
    }

    let mut row = Vec::new();
    let mut rows: Vec<(u32, u16, f64)> = Vec::new();
    let mut copies = vec![0u32; surface.len()];
    for (own, part) in sources.iter().zip(&geometry.parts) {
        for raw in part.raw.clone() {
            let source = &own[usize::from(picks[raw])];
            let welded = surface.welded[raw];
            if let Err(fault) = merged_row(document, source, raw - part.raw.start, joints, &mut row)
            {
                // One bad vertex tells enough about its accessor.
                return Err(vec![fault]);
            }
            let sum: f64 = row.iter().map(|&(_, value)| value).sum();
            if sum > 0.0 {
                odd.off_sums += usize::from((sum - 1.0).abs() > SUM_NOTE);
                copies[welded as usize] += 1;
                rows.extend(row.iter().map(|&(j, value)| (welded, j, value / sum)));
            }
        }
    }
    let weights = weld(rows, &copies, &mut odd);
    Ok((weights, odd.notes()))
}

impl Oddities {
    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.not_normalized {
            notes.push("integer weights are not marked as normalized: read as if they were".into());
        }
        if self.off_sums > 0 {
            notes.push(format!(
                "the weights of {} vertices sum to something else than 1: scaled to 1",
                self.off_sums
            ));
        }
        if self.weightless > 0 {
            notes.push(format!(
                "{} vertices have no weight at all: given to joint 0",
                self.weightless
            ));
        }
        notes
    }
}

fn read(
    document: &Document,
    primitive: &str,
    sets: &[(usize, usize)],
    vertices: usize,
    odd: &mut Oddities,
) -> Result<Vec<Set>, Fault> {
    let mut read_set = |&(joints, weights): &(usize, usize)| {
        let joints = Accessor::open(document, joints)?;
        joints.require(
            "VEC4",
            &[Component::U8, Component::U16, Component::U32],
            "joints",
        )?;
        let weights = Accessor::open(document, weights)?;
        weights.require(
            "VEC4",
            &[Component::F32, Component::U8, Component::U16],
            "weights",
        )?;
        for accessor in [&joints, &weights] {
            same_count(accessor, vertices, &accessor.at)?;
        }
        odd.not_normalized |= weights.component != Component::F32 && !weights.normalized;
        let values = weights.floats_as(true)?;
        if let Some(i) = values.iter().position(|&value| value < 0.0) {
            return Err(weights.at.found(
                "weights that are not negative",
                format!("{} at element {}", values[i], i / 4),
            ));
        }
        Ok((joints.integers()?, values))
    };
    sets.iter()
        .enumerate()
        .map(|(n, set)| {
            let part = format!("{primitive}, set {n} of joints and weights");
            read_set(set).map_err(|fault: Fault| fault.within(&part))
        })
        .collect()
}

/// The joints of a raw vertex over all sets, each once.
fn merged_row(
    document: &Document,
    source: &Source,
    vertex: usize,
    joints: usize,
    row: &mut Vec<(u16, f64)>,
) -> Result<(), Fault> {
    row.clear();
    for (set, (ids, values)) in source.sets.iter().enumerate() {
        for slot in 4 * vertex..4 * vertex + 4 {
            let (id, value) = (ids[slot], f64::from(values[slot]));
            // Slots without weight may hold anything.
            if value == 0.0 {
                continue;
            }
            // A skeleton has 65,536 joints at most, so that the number fits below.
            if id as usize >= joints {
                return Err(document
                    .item("accessors", source.accessors[set].0)
                    .found(
                        format!("joint numbers below {joints}, the joints of the skin"),
                        format!("{id} at element {vertex}"),
                    )
                    .remedy("bind the mesh again in the program that wrote the file"));
            }
            match row.iter_mut().find(|(known, _)| u32::from(*known) == id) {
                Some((_, sum)) => *sum += value,
                None => row.push((id as u16, value)),
            }
        }
    }
    Ok(())
}

/// Averages rows over the copies of each welded vertex.
fn weld(mut rows: Vec<(u32, u16, f64)>, copies: &[u32], odd: &mut Oddities) -> Weights {
    // Stable: values of one joint are summed in file order, whatever the machine.
    rows.sort_by_key(|&(vertex, joint, _)| (vertex, joint));
    let mut merged: Vec<(u32, u16, f64)> = Vec::new();
    for same in rows.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
        let sum: f64 = same.iter().map(|&(_, _, value)| value).sum();
        merged.push((same[0].0, same[0].1, sum));
    }
    let of_vertices: Vec<&mut [(u32, u16, f64)]> = merged.chunk_by_mut(|a, b| a.0 == b.0).collect();
    let slots = of_vertices
        .iter()
        .map(|row| row.len())
        .max()
        .unwrap_or(1)
        .min(MOST_INFLUENCES);
    let mut entries = vec![(JointId(0), 0.0f32); copies.len() * slots];
    for row in of_vertices {
        row.sort_by(|a, b| b.2.total_cmp(&a.2).then(a.1.cmp(&b.1)));
        let kept = &row[..row.len().min(slots)];
        let sum: f64 = kept.iter().map(|&(_, _, value)| value).sum();
        let begin = kept[0].0 as usize * slots;
        for (entry, &(_, joint, value)) in entries[begin..].iter_mut().zip(kept) {
            *entry = (JointId(joint), (value / sum) as f32);
        }
    }
    for (vertex, &copies) in copies.iter().enumerate() {
        if copies == 0 {
            entries[vertex * slots] = (JointId(0), 1.0);
            odd.weightless += 1;
        }
    }
    Weights::new(slots, entries)
}
