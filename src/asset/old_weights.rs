//! The weights that a file already has (glTF 2.0 §3.7.3.3): all sets merged, brought to sums of one, and
//! averaged over the copies of each welded vertex.

use std::ops::Range;

use rayon::prelude::*;

use super::accessor::{Accessor, Component};
use super::document::Document;
use super::geometry::{Geometry, same_count};
use crate::error::Fault;
use crate::rig::{JointId, RawWeights, Surface, Weights};

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

/// All weights of a character as its file has them.
pub(super) struct Sources {
    sources: Vec<Source>,
    /// For each raw vertex, the source that counts: vertices that nothing draws have the first of their
    /// part; of the others the first primitive that draws a vertex decides.
    picks: Vec<u32>,
    /// For each stretch the source of each primitive.
    of_primitives: Vec<Vec<u32>>,
    not_normalized: bool,
}

impl Sources {
    /// Reads them. Every primitive must have some.
    pub fn read(
        document: &Document,
        geometry: &Geometry,
        uses: &[super::geometry::MeshUse],
        joints: usize,
    ) -> Result<Self, Vec<Fault>> {
        let mut faults = Vec::new();
        let mut not_normalized = false;
        let mut sources: Vec<Source> = Vec::new();
        let mut entries = 0usize;
        let mut picks: Vec<u32> = vec![0; geometry.raw.len()];
        let mut of_primitives = Vec::new();
        for (stretch, part) in geometry.stretches.iter().zip(&geometry.parts) {
            let own = sources.len();
            let mut of_these = Vec::new();
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
                        let length = part.raw.len();
                        match read(
                            document,
                            &path,
                            &primitive.sets,
                            length,
                            &mut not_normalized,
                        ) {
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
                                        "at most {MOST_SOURCES} different accessors of joints for the \
                                         same positions, and {MOST_ENTRIES} joint numbers in all"
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
                of_these.push(source as u32);
            }
            picks[part.raw.clone()].fill(own as u32);
            if sources.len() > own + 1 {
                for (&source, primitive) in of_these.iter().zip(&stretch.primitives).rev() {
                    for &raw in geometry.triangles[primitive.triangles.clone()].as_flattened() {
                        picks[raw as usize] = source;
                    }
                }
            }
            of_primitives.push(of_these);
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        let all = Self {
            sources,
            picks,
            of_primitives,
            not_normalized,
        };
        let wrong = |raw| all.of(raw).wrong_joint(document, raw, joints);
        // One bad vertex tells enough about its accessor.
        match (0..geometry.raw.len())
            .into_par_iter()
            .find_map_first(wrong)
        {
            Some(fault) => Err(vec![fault]),
            None => Ok(all),
        }
    }

    /// The source that counts for a raw vertex.
    fn of(&self, raw: usize) -> &Source {
        &self.sources[self.picks[raw] as usize]
    }

    /// Every row as the file has it: also those of primitives that draw a vertex after the one that
    /// decides.
    pub fn raw(
        &self,
        document: &Document,
        geometry: &Geometry,
        joints: usize,
    ) -> Result<RawWeights, Fault> {
        let mut others: Vec<(u32, u32)> = Vec::new();
        for (stretch, sources) in geometry.stretches.iter().zip(&self.of_primitives) {
            for (primitive, &source) in stretch.primitives.iter().zip(sources) {
                let drawn = geometry.triangles[primitive.triangles.clone()].as_flattened();
                let unlike = drawn
                    .iter()
                    .filter(|&&raw| self.picks[raw as usize] != source);
                others.extend(unlike.map(|&raw| (raw, source)));
            }
        }
        others.sort_unstable();
        others.dedup();
        let mut others = others.into_iter().peekable();
        let mut rows = RawWeights::new(self.not_normalized);
        for raw in 0..self.picks.len() {
            let mut next = Some(self.picks[raw]);
            while let Some(source) = next {
                let source = &self.sources[source as usize];
                if let Some(fault) = source.wrong_joint(document, raw, joints) {
                    return Err(fault);
                }
                // A skeleton has 65,536 joints at most.
                let entries = source
                    .entries(raw)
                    .map(|(_, id, w)| (JointId(id as u16), w));
                rows.push(raw as u32, entries);
                next = others
                    .next_if(|&(other, _)| other as usize == raw)
                    .map(|(_, source)| source);
            }
        }
        Ok(rows)
    }
}

/// Brings all weights onto the welded surface; says what had to be mended.
pub(super) fn merge(sources: &Sources, surface: &Surface) -> (Weights, Vec<String>) {
    let copies = surface.copies();
    let parcel = |vertices: Range<usize>| {
        let mut parcel = Parcel::default();
        for vertex in vertices {
            let of_vertex = copies.of(vertex).iter().map(|&raw| raw as usize);
            parcel.add(of_vertex.map(|raw| (sources.of(raw), raw)));
        }
        parcel
    };
    let parcels: Vec<Parcel> = (0..surface.len().div_ceil(PARCEL))
        .into_par_iter()
        .map(|n| parcel(n * PARCEL..surface.len().min((n + 1) * PARCEL)))
        .collect();
    let off_sums = parcels.iter().map(|parcel| parcel.off_sums).sum::<usize>();
    let weightless = parcels
        .iter()
        .map(|parcel| parcel.weightless)
        .sum::<usize>();
    let mut notes = Vec::new();
    if sources.not_normalized {
        notes.push("integer weights are not marked as normalized: read as if they were".into());
    }
    if off_sums > 0 {
        notes.push(format!(
            "the weights of {off_sums} vertices sum to something else than 1: scaled to 1"
        ));
    }
    if weightless > 0 {
        notes.push(format!(
            "{weightless} vertices have no weight at all: given to joint 0"
        ));
    }
    (weights(&parcels, surface.len()), notes)
}

fn read(
    document: &Document,
    primitive: &str,
    sets: &[(usize, usize)],
    vertices: usize,
    not_normalized: &mut bool,
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
        *not_normalized |= weights.component != Component::F32 && !weights.normalized;
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
