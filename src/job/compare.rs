//! `compare`: the same held-out poses through the weights of two files, held against the reference layers.

use std::borrow::Cow;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

use super::describe::{percent, some_of};
use super::onto::{self, Of, Read};
use super::source::Source;
use super::work::Work;
use super::worn::{Wearing, Worn};
use super::{Request, Stage, Watch};
use crate::asset::{self, Document, Loaded};
use crate::error::{Error, Fault};
use crate::measure::{
    Change, Measured, Tallies, Verdict, greatest_changes, root_mean, worst_first,
};
use crate::pose::Poses;
use crate::recipe::Recipe;
use crate::report::{
    ChangeReport, ChangedVertex, Comparison, JointComparison, SkinComparison, UnpairedSkin,
    VertexError,
};
use crate::rig::{Character, JointId, Pose, PoseSequence, Weights};

/// Vertices of each way in a report.
const CHANGED_VERTICES: usize = 10;

/// Which files to compare, and how.
#[derive(Clone, Debug)]
pub struct CompareRequest {
    /// The file that is held against.
    pub old: PathBuf,
    /// The file that is judged.
    pub new: PathBuf,
    /// The character before baking: it gives bind, layers and poses for both. Without it each file is held
    /// against the reference that its own weights give.
    pub source: Option<PathBuf>,
    /// The root of the joint tree, for a source without skin.
    pub skeleton: Option<String>,
    /// Settings of bind, layers and poses.
    pub recipe: Recipe,
    /// Bytes that the work may use.
    pub memory: Option<u64>,
    /// Changes of the rms below this never count, in percent of the old.
    pub least_percent: f64,
}

impl CompareRequest {
    /// What makes a file ready for work.
    fn of(&self, file: &Path) -> Request {
        let mut request = Request::new(file, self.recipe.clone());
        request.skeleton.clone_from(&self.skeleton);
        request.memory = self.memory;
        request
    }

    /// What reading these files takes, if that is allowed.
    fn reading_bytes(&self, files: &[&Path]) -> Result<u64, Error> {
        let needed = files.iter().map(|file| asset::reading_bytes(file)).sum();
        match self.memory {
            Some(allowed) if allowed < needed => Err(Error::Memory {
                path: files[0].to_owned(),
                needed,
                allowed,
            }),
            _ => Ok(needed),
        }
    }
}

/// Compares the skins of two files.
///
/// # Errors
/// Files that cannot be read, that have no weights, or that do not fit each other.
pub fn compare(request: &CompareRequest, watch: &dyn Watch) -> Result<Comparison, Error> {
    if request.recipe.poses.held_out == 0 {
        let file = request.source.as_ref().unwrap_or(&request.old);
        let expected = "held-out poses to compare in";
        let fault = Fault::new(file, "recipe poses.held_out", expected, "0");
        return Err(Error::Setting(vec![fault]));
    }
    match &request.source {
        Some(source) => on_source(request, source, watch),
        None => on_own(request, watch),
    }
}

/// Both files on the reference of their source.
fn on_source(
    request: &CompareRequest,
    path: &Path,
    watch: &dyn Watch,
) -> Result<Comparison, Error> {
    let bytes = request.reading_bytes(&[path, &request.old, &request.new])?;
    let sourcing = request.of(path);
    let source = Source::open(&sourcing)?;
    let (old, new) = (skins(&request.old)?, skins(&request.new)?);
    let [with_old, with_new] = [(&request.old, &old), (&request.new, &new)]
        .map(|(file, skins)| Pairing::new((path, &source.loaded), (file, skins)));
    let mut unpaired = with_old.left((path, &source.loaded), |skin, partners| {
        partners[skin].is_none() || with_new.partners[skin].is_none()
    });
    for (pairing, file, skins) in [
        (&with_old, &request.old, &old),
        (&with_new, &request.new, &new),
    ] {
        unpaired.extend(pairing.left((file, skins), |skin, partners| {
            !partners.contains(&Some(skin))
        }));
    }
    // All weights first: every fault of the files is known before the work begins, and they need not stay.
    let (mut reads, mut faults) = (Vec::new(), Vec::new());
    for (skin, one) in source.loaded.iter().enumerate() {
        let (Some(a), Some(b)) = (with_old.partners[skin], with_new.partners[skin]) else {
            continue;
        };
        let mut read = |file: &Path, from: &Loaded| {
            let worn = Worn::of(from);
            let wearing = worn.as_ref().and_then(|worn| worn.on(&one.character));
            let reference = wearing
                .as_ref()
                .map_or(&one.character, |wearing| &wearing.character);
            let read = onto::read(Of::new(file, &from.character), Of::new(path, reference));
            let more = from.skin_notes.iter();
            let more = more.filter(|note| !one.skin_notes.contains(note));
            let more = more.map(|note| format!("{}: {note}", file.display()));
            read.map_err(|more| faults.extend(more)).ok().map(|read| {
                let helpers = worn
                    .as_ref()
                    .map(|worn| format!("{}: {}", file.display(), worn.note()));
                let notes = more.chain(read.notes).chain(helpers).collect();
                (Read { notes, ..read }, worn)
            })
        };
        let pair = (read(&request.old, &old[a]), read(&request.new, &new[b]));
        if let (Some(old), Some(new)) = pair {
            reads.push((skin, old, new));
        }
    }
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }
    if reads.is_empty() {
        return Err(nothing_shared((path, &source.loaded), &request.new).into());
    }
    drop((old, new));
    let compared = reads.into_iter().map(|(skin, old, new)| {
        let work = source.prepare(&sourcing, skin)?;
        let width = work.width_within(&sourcing, bytes)?;
        let ((old, old_worn), (new, new_worn)) = (old, new);
        // Each with its own helpers in motion.
        let wearing = [&old_worn, &new_worn]
            .map(|worn| worn.as_ref().and_then(|worn| worn.on(work.character)));
        let threads = (width, watch);
        let [a, b] = &wearing;
        let (a, b) = (
            Wearing::dressed(a.as_ref(), &work, &old.weights, threads)?,
            Wearing::dressed(b.as_ref(), &work, &new.weights, threads)?,
        );
        let sides = [
            (a.as_ref().unwrap_or(&work), &old.weights),
            (b.as_ref().unwrap_or(&work), &new.weights),
        ];
        let mut one = against(sides, path, request.least_percent, width, watch)?;
        let warnings = work.warnings.iter().cloned();
        let notes = warnings.chain(old.notes).chain(new.notes);
        notes.for_each(|note| one.note(note));
        Ok(one)
    });
    Ok(Comparison::new(
        [&request.old, &request.new],
        Some(path),
        request.least_percent,
        compared.collect::<Result<_, Error>>()?,
        unpaired,
        with_old.notes.into_iter().chain(with_new.notes).collect(),
    ))
}

/// How two sets of weights on the vertices of a skin compare over its held-out poses, each with the skin as it is
/// prepared for it: the two differ in helper joints at most. Faults name the file.
///
/// # Errors
/// An interrupt, or positions beyond all measure.
pub(super) fn against(
    [(old_work, old), (new_work, new)]: [(&Work, &Weights); 2],
    file: &Path,
    least_percent: f64,
    width: usize,
    watch: &dyn Watch,
) -> Result<SkinComparison, Error> {
    let (old_poses, new_poses) = (&old_work.poses.held_out, &new_work.poses.held_out);
    let [old_measured, new_measured] = if std::ptr::eq(old_work, new_work) {
        measure(old_work, file, [old, new], old_poses, width, watch)?
    } else {
        let [a] = measure(old_work, file, [old], old_poses, width, watch)?;
        let [b] = measure(new_work, file, [new], new_poses, width, watch)?;
        [a, b]
    };
    let same: Vec<u32> = (0..old_work.character.surface.len() as u32).collect();
    Ok(described(
        &Side::new(old_work, old, old_measured),
        &Side::new(new_work, new, new_measured),
        Some(&same),
        old_poses,
        least_percent,
    ))
}

/// The poses that stand for all (held out, if there are any), those first in which weights are farthest from the
/// layers.
///
/// # Errors
/// As for [`against`].
pub(super) fn worst_poses(
    work: &Work,
    file: &Path,
    weights: &Weights,
    width: usize,
    watch: &dyn Watch,
) -> Result<Vec<usize>, Error> {
    let (poses, _) = work.poses.held_out_or_fit();
    let [measured] = measure(work, file, [weights], poses, width, watch)?;
    Ok(worst_first(measured.poses()))
}

/// Each file on the reference that its own weights give, in the poses of the old one.
fn on_own(request: &CompareRequest, watch: &dyn Watch) -> Result<Comparison, Error> {
    let files = [&request.old, &request.new].map(PathBuf::as_path);
    let bytes = request.reading_bytes(&files)?;
    let requests = files.map(|file| request.of(file));
    let open = |request: &Request| {
        let source = Source::open(request)?;
        has_skins(&source.document, &request.input)?;
        Ok::<_, Error>(source)
    };
    let (old, new) = (open(&requests[0])?, open(&requests[1])?);
    let skins = [(files[0], &old.loaded[..]), (files[1], &new.loaded[..])];
    let pairing = Pairing::new(skins[0], skins[1]);
    let mut unpaired = pairing.left(skins[0], |skin, partners| partners[skin].is_none());
    unpaired.extend(pairing.left(skins[1], |skin, partners| !partners.contains(&Some(skin))));
    let pairs = pairing.partners.iter().enumerate();
    let compared = pairs
        .filter_map(|(skin, partner)| Some((skin, (*partner)?)))
        .map(|(skin, partner)| {
            let ready = [
                Ready::new(&requests[0], &old, skin, bytes)?,
                Ready::new(&requests[1], &new, partner, bytes)?,
            ];
            one_on_own(&ready, request.least_percent, watch)
        })
        .collect::<Result<Vec<_>, Error>>()?;
    if compared.is_empty() {
        return Err(nothing_shared(skins[0], files[1]).into());
    }
    Ok(Comparison::new(
        [&request.old, &request.new],
        None,
        request.least_percent,
        compared,
        unpaired,
        pairing.notes,
    ))
}

/// A skin with weights of its own, to be prepared when its turn comes.
struct Ready<'a> {
    request: &'a Request,
    source: &'a Source,
    skin: usize,
    bytes: u64,
    weights: &'a Weights,
    /// The skin with helper joints that an earlier bake gave it.
    wearing: Option<Wearing<'a>>,
}

impl<'a> Ready<'a> {
    fn new(
        request: &'a Request,
        source: &'a Source,
        skin: usize,
        bytes: u64,
    ) -> Result<Self, Error> {
        let loaded = &source.loaded[skin];
        match &loaded.character.weights {
            Some(weights) => {
                let worn = source.worn(skin);
                let wearing = worn.and_then(|worn| worn.on(&loaded.character));
                let full = worn.and_then(|worn| worn.character.weights.as_ref());
                Ok(Self {
                    request,
                    source,
                    skin,
                    bytes,
                    weights: wearing.as_ref().and(full).unwrap_or(weights),
                    wearing,
                })
            }
            None => Err(onto::without_weights(Of::new(&request.input, &loaded.character)).into()),
        }
    }

    /// The skin without helper joints.
    fn of(&self) -> Of<'a> {
        Of::new(
            &self.request.input,
            &self.source.loaded[self.skin].character,
        )
    }

    /// The skin with all its joints.
    fn character(&self) -> &Character {
        match &self.wearing {
            Some(wearing) => &wearing.character,
            None => self.of().character,
        }
    }

    /// Measures its weights on its own reference.
    fn measure(
        &self,
        work: Work,
        poses: &Shared,
        (width, watch): (usize, &dyn Watch),
    ) -> Result<Measured, Error> {
        let (file, weights) = (&self.request.input, self.weights);
        let [measured] = match &self.wearing {
            None => measure(&work, file, [weights], poses, width, watch)?,
            Some(wearing) => {
                let work = wearing.put_on(work);
                let all: Vec<Pose> = poses.iter().map(Cow::into_owned).collect();
                let poses = wearing.posed(&work, weights, &all.into(), (width, watch))?;
                measure(&work, file, [weights], &poses, width, watch)?
            }
        };
        Ok(measured)
    }

    /// What it is prepared to, the width of the work, and what there is to note.
    fn prepare(&self, notes: &mut Vec<String>) -> Result<(Work<'a>, usize), Error> {
        let work = self.source.prepare(self.request, self.skin)?;
        let file = self.request.input.display();
        let helpers = self.source.worn(self.skin).map(Worn::note);
        let all = work.warnings.iter().chain(&helpers);
        notes.extend(all.map(|note| format!("{file}: {note}")));
        let width = work.width_within(self.request, self.bytes)?;
        Ok((work, width))
    }
}

fn one_on_own(
    [old, new]: &[Ready; 2],
    least_percent: f64,
    watch: &dyn Watch,
) -> Result<SkinComparison, Error> {
    let (old_of, new_of) = (old.of(), new.of());
    let (before, after) = (old_of.character, new_of.character);
    let namesakes = onto::namesakes(&before.skeleton, &after.skeleton);
    let mut notes = Vec::new();
    let (work, width) = old.prepare(&mut notes)?;
    let ids = before.skeleton.ids();
    let turning: Vec<JointId> = ids.filter(|id| work.poses.bends[id.index()]).collect();
    let alone: Vec<String> = (turning.iter())
        .filter(|id| namesakes[id.index()].is_none())
        .map(|&id| before.skeleton.joint(id).name.clone())
        .collect();
    if 2 * alone.len() > turning.len() {
        // Hardly a pose would be left: these are different characters.
        let part = format!("skin {:?}", after.name);
        let (joints, file) = (turning.len(), old_of.file.display());
        let expected =
            format!("the names of at least half of the {joints} joints that turn in {file}");
        let found = format!("none of {}", some_of(&alone));
        return Err(Fault::new(new_of.file, part, expected, found).into());
    }
    if !alone.is_empty() {
        notes.push(format!(
            "{} joints are not in {} and stay at bind: {}",
            alone.len(),
            new_of.file.display(),
            some_of(&alone)
        ));
    }
    let poses = Shared {
        poses: &work.poses.held_out.clone(),
        namesakes: &namesakes,
        renamed: false,
    };
    let (bound, held_out) = (work.bound.clone(), work.poses.held_out.clone());
    let measured = old.measure(work, &poses, (width, watch))?;
    let old_side = Side {
        character: old.character(),
        bind: &bound.joints,
        weights: old.weights,
        measured,
    };
    let (work, width) = new.prepare(&mut notes)?;
    let poses_there = Shared {
        poses: &held_out,
        namesakes: &namesakes,
        renamed: true,
    };
    let new_bind = work.bound.joints.clone();
    let measured = new.measure(work, &poses_there, (width, watch))?;
    let new_side = Side {
        character: new.character(),
        bind: &new_bind,
        weights: new.weights,
        measured,
    };
    let counterparts = onto::one_to_one(after, before);
    match &counterparts {
        Some(counterparts) => notes.extend(counterparts.note(new_of.file)),
        None => notes.push(format!(
            "the surfaces have other vertices ({} and {}): only figures of the whole and by joint \
             are compared",
            before.surface.len(),
            after.surface.len()
        )),
    }
    notes.extend(onto::elsewhere(old_of, new_of));
    let order = counterparts.as_ref().map(|found| &found.of[..]);
    let mut one = described(&old_side, &new_side, order, &held_out, least_percent);
    notes.into_iter().for_each(|note| one.note(note));
    Ok(one)
}

/// Poses of the old file that turn only joints whose names the new one has too.
struct Shared<'a> {
    poses: &'a Poses,
    namesakes: &'a [Option<JointId>],
    /// Whether for the new file.
    renamed: bool,
}

impl PoseSequence for Shared<'_> {
    fn len(&self) -> usize {
        self.poses.len()
    }

    fn get(&self, index: usize) -> Cow<'_, Pose> {
        let pose = self.poses.get(index).into_owned();
        let moves = pose.moves.into_iter().filter_map(|(id, own)| {
            let namesake = self.namesakes[id.index()]?;
            Some((if self.renamed { namesake } else { id }, own))
        });
        Cow::Owned(Pose {
            weight: pose.weight,
            ..Pose::new(pose.name, moves)
        })
    }
}

/// Streams poses through the layers and measures sets of weights on the vertices of a prepared skin.
fn measure<const N: usize>(
    work: &Work,
    file: &Path,
    sets: [&Weights; N],
    poses: &dyn PoseSequence,
    width: usize,
    watch: &dyn Watch,
) -> Result<[Measured; N], Error> {
    let (character, stack) = (work.character, &work.stack);
    let diagonal = character.surface.diagonal();
    let mut tallies = Tallies::new(&sets, diagonal, poses.len()).beyond(stack.base());
    work.stream(poses, width, Stage::Measure, watch, |shapes| {
        tallies.add(stack.rest(), shapes);
    })?;
    tallies.add_unbent(stack.rest(), &character.skeleton, stack.centre, poses);
    let measured = std::array::from_fn(|set| tallies.measured(set));
    let fine = |one: &Measured| one.figures.rms.is_finite() && one.figures.max < 1e5;
    if measured.iter().all(fine) {
        Ok(measured)
    } else {
        Err(work.beyond_measure(file).into())
    }
}

/// One of the two that are compared.
struct Side<'a> {
    character: &'a Character,
    /// The rigid bind of its reference.
    bind: &'a [JointId],
    weights: &'a Weights,
    measured: Measured,
}

impl<'a> Side<'a> {
    fn new(work: &'a Work, weights: &'a Weights, measured: Measured) -> Self {
        Self {
            character: work.character,
            bind: &work.bound.joints,
            weights,
            measured,
        }
    }
}

/// What the report says of two sides. `order` are the vertices of the new one in the order of the old one's, if
/// they have the same.
fn described(
    old: &Side,
    new: &Side,
    order: Option<&[u32]>,
    poses: &dyn PoseSequence,
    least_percent: f64,
) -> SkinComparison {
    let mut comparison = SkinComparison {
        name: old.character.name.clone(),
        verdict: Verdict::Same,
        same_vertices: order.is_some(),
        poses: poses.len(),
        old: None,
        new: None,
        change: None,
        joints: Vec::new(),
        better: Vec::new(),
        worse: Vec::new(),
        notes: Vec::new(),
    };
    if poses.is_empty() {
        return comparison;
    }
    let change = Change::new(&old.measured, &new.measured);
    comparison.verdict = change.verdict(least_percent);
    comparison.old = Some(percent(old.measured.figures));
    comparison.new = Some(percent(new.measured.figures));
    let [before, _] = change.rms;
    comparison.change = Some(ChangeReport {
        rms_change_percent: change.percent,
        standard_error_percent: change.standard_error,
        band_percent: (before > 0.0).then(|| 100.0 * change.band(least_percent) / before),
        better_poses: Some(change.poses[0]),
        worse_poses: Some(change.poses[1]),
    });
    let Some(order) = order else {
        comparison.joints = joints(old, new, poses.len());
        return comparison;
    };
    // From here on both speak of the old one's vertices, and of its bind.
    let new = Side {
        bind: old.bind,
        measured: new.measured.in_order(order),
        ..*new
    };
    let grouped = Side {
        character: old.character,
        measured: new.measured.clone(),
        ..new
    };
    comparison.joints = joints(old, &grouped, poses.len());
    let rings = &old.character.surface.rings;
    let greatest = greatest_changes(&old.measured, &new.measured, rings, CHANGED_VERTICES);
    let changed = |v: usize| {
        let (mesh, vertex) = old.character.first_copy(v);
        ChangedVertex {
            mesh,
            vertex,
            position: old.character.surface.positions[v],
            joint: old.character.skeleton.joint(old.bind[v]).name.clone(),
            old: error(old, v, v, poses),
            new: error(&new, v, order[v] as usize, poses),
        }
    };
    [comparison.better, comparison.worse] =
        greatest.map(|vertices| vertices.into_iter().map(changed).collect());
    comparison
}

/// The error of a vertex; `own` is its number among the weights.
fn error(side: &Side, vertex: usize, own: usize, poses: &dyn PoseSequence) -> VertexError {
    let worst = side.measured.worst(vertex);
    let joints = side.weights.of(own);
    VertexError {
        rms_percent: side.measured.rms(vertex),
        max_percent: worst.error_percent,
        pose: (worst.error_percent > 0.0).then(|| poses.get(worst.pose).name.clone()),
        joints: joints
            .map(|(id, _)| side.character.skeleton.joint(id).name.clone())
            .collect(),
    }
}

/// Vertices and their squared errors.
#[derive(Clone, Copy, Default)]
struct Sum {
    vertices: usize,
    squares: f64,
}

/// Figures by the name of the joint in the rigid bind.
fn joints(old: &Side, new: &Side, poses: usize) -> Vec<JointComparison> {
    let mut known: HashMap<&str, usize> = HashMap::new();
    let mut sums: Vec<(&str, [Sum; 2])> = Vec::new();
    for (place, side) in [old, new].into_iter().enumerate() {
        let joints = side.character.skeleton.joints().iter();
        let of_joint: Vec<usize> = joints
            .map(|joint| {
                *known.entry(&joint.name).or_insert_with(|| {
                    sums.push((&joint.name, [Sum::default(); 2]));
                    sums.len() - 1
                })
            })
            .collect();
        for (v, joint) in side.bind.iter().enumerate() {
            let sum = &mut sums[of_joint[joint.index()]].1[place];
            sum.vertices += 1;
            sum.squares += side.measured.sum(v);
        }
    }
    let whole = [old, new].map(|side| (side.measured.len() * poses).max(1) as f64);
    let mean = [0, 1].map(|n| sums.iter().map(|(_, sum)| sum[n].squares).sum::<f64>() / whole[n]);
    let mut joints: Vec<(f64, JointComparison)> = sums
        .iter()
        .filter(|(_, sum)| sum.iter().any(|sum| sum.vertices > 0))
        .map(|&(name, sum)| {
            let rms = sum.map(|sum| {
                (sum.vertices > 0).then(|| root_mean(sum.squares, sum.vertices * poses))
            });
            let part = sum[1].squares / whole[1] - sum[0].squares / whole[0];
            let change = match rms {
                [Some(old), Some(new)] if old > 0.0 => Some(100.0 * (new / old - 1.0)),
                [Some(_), Some(0.0)] => Some(0.0),
                _ => None,
            };
            let joint = JointComparison {
                joint: name.to_owned(),
                old_vertices: sum[0].vertices,
                new_vertices: sum[1].vertices,
                old_rms_percent: rms[0],
                new_rms_percent: rms[1],
                rms_change_percent: change,
                part_percent: (mean[0] > 0.0).then(|| 100.0 * part / mean[0]),
            };
            (part, joint)
        })
        .collect();
    // Stable: equal ones stay in the order of the skeleton.
    joints.sort_by(|a, b| b.0.abs().total_cmp(&a.0.abs()));
    joints.into_iter().map(|(_, joint)| joint).collect()
}

/// A file with its skins.
pub(super) type Skins<'a> = (&'a Path, &'a [Loaded]);

/// For each skin of one file its partner in another.
pub(super) struct Pairing {
    pub partners: Vec<Option<usize>>,
    notes: Vec<String>,
}

impl Pairing {
    /// By name; where names do not tell, and equally many are left on both sides, by order.
    pub fn new(skins: Skins, others: Skins) -> Self {
        let mut taken = vec![false; others.1.len()];
        let mut partners: Vec<Option<usize>> = skins
            .1
            .iter()
            .map(|skin| {
                let mut numbers = 0..taken.len();
                let of_name = numbers
                    .find(|&n| !taken[n] && others.1[n].character.name == skin.character.name)?;
                taken[of_name] = true;
                Some(of_name)
            })
            .collect();
        let left: Vec<usize> = (0..taken.len()).filter(|&n| !taken[n]).collect();
        let open = partners.iter().filter(|partner| partner.is_none()).count();
        let mut notes = Vec::new();
        if open == left.len() {
            let mut left = left.into_iter();
            let empty = partners.iter_mut().zip(skins.1);
            for (partner, skin) in empty.filter(|(partner, _)| partner.is_none()) {
                *partner = left.next();
                notes.extend(partner.map(|n| {
                    format!(
                        "skin {:?} of {} is taken for {:?} of {}: no other is left",
                        others.1[n].character.name,
                        others.0.display(),
                        skin.character.name,
                        skins.0.display()
                    )
                }));
            }
        }
        Self { partners, notes }
    }

    /// The skins of a file for which `is_left` says so.
    fn left(
        &self,
        (file, skins): Skins,
        is_left: impl Fn(usize, &[Option<usize>]) -> bool,
    ) -> Vec<UnpairedSkin> {
        let numbered = skins.iter().enumerate();
        let left = numbered.filter(|&(skin, _)| is_left(skin, &self.partners));
        left.map(|(_, skin)| UnpairedSkin {
            file: file.to_owned(),
            skin: skin.character.name.clone(),
        })
        .collect()
    }
}

/// The skins of a file that has some.
fn skins(file: &Path) -> Result<Vec<Loaded>, Error> {
    let document = Document::open(file)?;
    has_skins(&document, file)?;
    asset::characters(&document, None)
}

fn has_skins(document: &Document, file: &Path) -> Result<(), Fault> {
    match document.json().get("skins") {
        Some(_) => Ok(()),
        None => Err(
            Fault::new(file, "skins", "a skin with weights to compare", "none")
                .remedy("bake it first: tanyard bake"),
        ),
    }
}

fn nothing_shared((file, skins): Skins, other: &Path) -> Fault {
    let names: Vec<String> = (skins.iter())
        .map(|skin| format!("{:?}", skin.character.name))
        .collect();
    let expected = format!("a skin of {}: {}", file.display(), some_of(&names));
    Fault::new(
        other,
        "skins",
        expected,
        "none of these names, and another number of skins",
    )
}
