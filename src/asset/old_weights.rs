//! The weights that a file already has (glTF 2.0 §3.7.3.3): all sets merged, brought to sums of one, and
//! averaged over the copies of each welded vertex.

use std::ops::Range;

use rayon::prelude::*;

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

/// Welded vertices that are merged in one go.
const PARCEL: usize = 4096;

/// Joints and weights of one set of attributes, four a vertex.
type Set = (Vec<u32>, Vec<f32>);

/// Joints and weights of one stretch of raw vertices.
struct Source {
    /// The raw vertex that its first element stands for.
    first: usize,
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
    let mut sources: Vec<Source> = Vec::new();
    let mut entries = 0usize;
    let mut picks: Vec<u32> = vec![0; geometry.raw.len()];
    for (stretch, part) in geometry.stretches.iter().zip(&geometry.parts) {
        let own = sources.len();
        let mut of_primitives = Vec::new();
        for primitive in &stretch.primitives {
            let known = sources[own..]
                .iter()
                .position(|s| s.accessors == primitive.sets);
            let source = match known {
                Some(known) => own + known,
                None => {
                    let path = format!(
                        "meshes[{}].primitives[{}]",
                        uses[stretch.mesh_use].mesh, primitive.index
                    );
                    match read(document, &path, &primitive.sets, part.raw.len(), &mut odd) {
                        Ok(sets)
                            if sources.len() - own == MOST_SOURCES || {
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
                        Ok(sets) => sources.push(Source {
                            first: part.raw.start,
                            accessors: primitive.sets.clone(),
                            sets,
                        }),
                        Err(fault) => {
                            faults.push(fault);
                            continue;
                        }
                    }
                    sources.len() - 1
                }
            };
            of_primitives.push((source, primitive));
        }
        // Vertices that nothing draws have the first weights of their part; of the others the first
        // primitive that draws a vertex decides whose weights it has.
        picks[part.raw.clone()].fill(own as u32);
        if sources.len() == own + 1 {
            continue;
        }
        for (source, primitive) in of_primitives.into_iter().rev() {
            for &raw in geometry.triangles[primitive.triangles.clone()].as_flattened() {
                picks[raw as usize] = source as u32;
            }
        }
    }
    if !faults.is_empty() {
        return Err(faults);
    }

    let raw = 0..geometry.raw.len();
    let source_of = |raw: usize| &sources[picks[raw] as usize];
    let wrong = |raw| source_of(raw).wrong_joint(document, raw, joints);
    // One bad vertex tells enough about its accessor.
    if let Some(fault) = raw.into_par_iter().find_map_first(wrong) {
        return Err(vec![fault]);
    }
    let copies = Copies::of(surface);
    let parcel = |vertices: Range<usize>| {
        let mut parcel = Parcel::default();
        for vertex in vertices {
            let of_vertex = copies.of_vertex(vertex).iter().map(|&raw| raw as usize);
            parcel.add(of_vertex.map(|raw| (source_of(raw), raw)));
        }
        parcel
    };
    let parcels: Vec<Parcel> = (0..surface.len().div_ceil(PARCEL))
        .into_par_iter()
        .map(|n| parcel(n * PARCEL..surface.len().min((n + 1) * PARCEL)))
        .collect();
    for parcel in &parcels {
        odd.off_sums += parcel.off_sums;
        odd.weightless += parcel.weightless;
    }
    Ok((weights(&parcels, surface.len()), odd.notes()))
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

impl Source {
    /// The entries of a raw vertex that carry weight, with the number of their set; slots without
    /// weight may hold anything.
    fn entries(&self, raw: usize) -> impl Iterator<Item = (usize, u32, f64)> {
        let slots = 4 * (raw - self.first)..4 * (raw - self.first + 1);
        self.sets.iter().enumerate().flat_map(move |(n, set)| {
            let (ids, values) = (&set.0[slots.clone()], &set.1[slots.clone()]);
            let entries = ids.iter().zip(values);
            entries
                .filter(|(_, value)| **value != 0.0)
                .map(move |(&id, &value)| (n, id, f64::from(value)))
        })
    }

    /// The fault of a raw vertex that names a joint beyond the skin.
    fn wrong_joint(&self, document: &Document, raw: usize, joints: usize) -> Option<Fault> {
        let (set, id, _) = self
            .entries(raw)
            .find(|&(_, id, _)| id as usize >= joints)?;
        let fault = document.item("accessors", self.accessors[set].0).found(
            format!("joint numbers below {joints}, the joints of the skin"),
            format!("{id} at element {}", raw - self.first),
        );
        Some(fault.remedy("bind the mesh again in the program that wrote the file"))
    }

    /// The joints of a raw vertex over all sets, each once; none is beyond the skin.
    fn merged(&self, raw: usize, row: &mut Vec<(u16, f64)>) {
        row.clear();
        for (_, id, value) in self.entries(raw) {
            match row.iter_mut().find(|(known, _)| u32::from(*known) == id) {
                Some((_, sum)) => *sum += value,
                // A skeleton has 65,536 joints at most.
                None => row.push((id as u16, value)),
            }
        }
    }
}

/// The raw vertices of each welded one, in the order of the file.
struct Copies {
    starts: Vec<u32>,
    raw: Vec<u32>,
}

impl Copies {
    fn of(surface: &Surface) -> Self {
        let mut starts = vec![0u32; surface.len() + 1];
        for &v in &surface.welded {
            starts[v as usize + 1] += 1;
        }
        for v in 0..surface.len() {
            starts[v + 1] += starts[v];
        }
        let mut next = starts.clone();
        let mut raw = vec![0u32; surface.welded.len()];
        for (r, &v) in surface.welded.iter().enumerate() {
            raw[next[v as usize] as usize] = r as u32;
            next[v as usize] += 1;
        }
        Self { starts, raw }
    }

    fn of_vertex(&self, vertex: usize) -> &[u32] {
        &self.raw[self.starts[vertex] as usize..self.starts[vertex + 1] as usize]
    }
}

/// The merged weights of consecutive welded vertices.
#[derive(Default)]
struct Parcel {
    /// For each vertex, how many of the entries are its own.
    lens: Vec<usize>,
    entries: Vec<(JointId, f32)>,
    off_sums: usize,
    weightless: usize,
    /// What `add` works in.
    row: Vec<(u16, f64)>,
    gathered: Vec<(u16, f64)>,
}

impl Parcel {
    /// Averages the rows of a welded vertex's copies.
    fn add<'a>(&mut self, copies: impl Iterator<Item = (&'a Source, usize)>) {
        self.gathered.clear();
        for (source, raw) in copies {
            source.merged(raw, &mut self.row);
            let sum: f64 = self.row.iter().map(|&(_, value)| value).sum();
            if sum > 0.0 {
                self.off_sums += usize::from((sum - 1.0).abs() > SUM_NOTE);
                let shares = self.row.iter().map(|&(joint, value)| (joint, value / sum));
                self.gathered.extend(shares);
            }
        }
        if self.gathered.is_empty() {
            self.weightless += 1;
            self.gathered.push((0, 1.0));
        }
        // Stable: values of one joint are summed in file order, whatever the machine.
        self.gathered.sort_by_key(|&(joint, _)| joint);
        self.gathered.dedup_by(|next, first| {
            let is_same = next.0 == first.0;
            if is_same {
                first.1 += next.1;
            }
            is_same
        });
        self.gathered
            .sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        self.gathered.truncate(MOST_INFLUENCES);
        let sum: f64 = self.gathered.iter().map(|&(_, value)| value).sum();
        let kept = self
            .gathered
            .iter()
            .map(|&(joint, value)| (JointId(joint), (value / sum) as f32));
        self.entries.extend(kept);
        self.lens.push(self.gathered.len());
    }
}

fn weights(parcels: &[Parcel], vertices: usize) -> Weights {
    let lens = parcels.iter().flat_map(|parcel| &parcel.lens);
    let slots = lens.copied().max().unwrap_or(1);
    let mut entries = vec![(JointId(0), 0.0f32); vertices * slots];
    entries
        .par_chunks_mut(PARCEL * slots)
        .zip(parcels)
        .for_each(|(rows, parcel)| {
            let mut from = &parcel.entries[..];
            for (row, &len) in rows.chunks_exact_mut(slots).zip(&parcel.lens) {
                let (own, rest) = from.split_at(len);
                row[..len].copy_from_slice(own);
                from = rest;
            }
        });
    Weights::new(slots, entries)
}
