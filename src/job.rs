//! One file from input to output: the only place where the stages meet.

use std::path::{Path, PathBuf};
use std::time::Instant;

use crate::asset::{
    self, Beside, ClipPlace, Document, Loaded, NewWeights, Outline, RangeClip, Written,
};
use crate::error::Error;
use crate::memory;
use crate::pose::{PoseSet, Poses};
use crate::recipe::Recipe;
use crate::report::{CharacterReport, Plan};
use crate::rig::{Character, Kept, Pose, PoseSequence, Skeleton, Weights};
use against::Earlier;
use carry::{Carried, Giver, Pair};
use helpers::Helped;
use picture::Sitter;
use source::Source;

mod against;
mod carry;
mod compare;
mod describe;
mod helpers;
mod inspect;
mod mend;
mod onto;
mod picture;
mod posed;
mod source;
mod targets;
mod work;
mod worn;

pub use against::Against;
pub use carry::Carry;
pub use compare::{CompareRequest, compare};
pub use inspect::inspect;
pub use picture::{Drawings, Drawn, Draws, Show, Views, WORST_POSES, drawings, write_stills};
pub use targets::{GivenTargets, POSES_BESIDE, WrittenShapes, write_shapes};

/// What to bake.
#[derive(Clone, Debug)]
pub struct Request {
    /// The character's file.
    pub input: PathBuf,
    /// Settings.
    pub recipe: Recipe,
    /// A pose file that replaces the poses of the fit.
    pub poses: Option<PathBuf>,
    /// Target shapes in place of those of the layers.
    pub targets: Option<GivenTargets>,
    /// The root of the joint tree, for a file without skin.
    pub skeleton: Option<String>,
    /// Bytes that the work may use.
    pub memory: Option<u64>,
    /// What becomes of files that the document refers to, where the folder of the output has them already.
    pub beside: Beside,
    /// An earlier result that the bake is held against.
    pub against: Option<Against>,
    /// What is drawn of each skin.
    pub draws: Draws,
    /// The surface whose weights are carried onto this one, in place of a bake from its own layers.
    pub carry: Option<Carry>,
    /// Blocks of poses to evaluate side by side, at most; by default one a thread.
    pub width: Option<usize>,
}

impl Request {
    /// A bake of a file as it stands.
    pub fn new(input: impl Into<PathBuf>, recipe: Recipe) -> Self {
        Self {
            input: input.into(),
            recipe,
            poses: None,
            targets: None,
            skeleton: None,
            memory: None,
            beside: Beside::Kept,
            against: None,
            draws: Draws::default(),
            carry: None,
            width: None,
        }
    }

    /// Its recipe as TOML, with every default; `None` if it has paths that TOML cannot tell.
    pub fn settings(&self) -> Option<String> {
        self.recipe.to_toml().ok()
    }
}

/// Watches a job from outside.
pub trait Watch: Sync {
    /// A stage of one skin has come so far.
    fn progress(&self, character: &str, stage: Stage, done: usize, total: usize);
    /// Whether to stop at the next opportunity.
    fn interrupted(&self) -> bool;
}

/// The stages that take time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Target shapes and Gram matrices.
    Gather,
    /// Helper joints: their motions, and weights with them.
    Grow,
    /// Solving for weights.
    Solve,
    /// Measuring errors.
    Measure,
}

/// A file that was baked and written.
#[derive(Clone, Debug, PartialEq)]
pub struct Bake {
    /// What became of each skin, in order; no limits were held against it yet.
    pub characters: Vec<CharacterReport>,
    /// The files that make up the result, the document first.
    pub files: Vec<Written>,
    /// What was drawn of them.
    pub drawings: Drawings,
}

/// Bakes a file and writes the result; or carries weights onto it, if the request says so.
///
/// # Errors
/// Whatever keeps a complete, valid file from being written; then nothing is.
pub fn bake(request: &Request, output: &Path, watch: &dyn Watch) -> Result<Bake, Error> {
    asset::check_target(output)?;
    match &request.carry {
        Some(carry) => bake_carried(request, carry, output, watch),
        None => bake_own(request, output, watch),
    }
}

/// A surface with its new weights.
struct Done<'a> {
    loaded: &'a Loaded,
    weights: Weights,
    /// Vertices that keep those of the file.
    kept: Option<Kept<'a>>,
    /// Joints that its weights name beyond those that it has.
    helpers: usize,
    report: CharacterReport,
}

fn bake_own(request: &Request, output: &Path, watch: &dyn Watch) -> Result<Bake, Error> {
    let clock = Instant::now();
    let source = Source::open(request)?;
    let read_s = clock.elapsed().as_secs_f64();
    let (earlier, note) = match Earlier::open(request, &source.loaded) {
        Ok(earlier) => (earlier, None),
        Err(note) => (None, Some(note)),
    };
    let bytes = source.file_bytes + earlier.as_ref().map_or(0, Earlier::reading_bytes);
    let (mut done, mut ranges, mut added) = (Vec::new(), Vec::new(), Vec::new());
    // Nodes that are there; helper joints come behind.
    let mut nodes = source.document.count("nodes");
    let mut drawn = Drawings::default();
    for (index, loaded) in source.loaded.iter().enumerate() {
        let work = source.prepare(request, index)?;
        let width = work.width_within(request, bytes)?;
        let fit = work.fit(request, width, watch)?;
        let kept = work.kept.clone();
        let grown = match source.no_helpers(request, index) {
            _ if request.recipe.helpers.most() == 0 => None,
            Some(_) => None,
            None => Some(work.grow(request, &fit, &source.document, nodes, (width, watch))?),
        };
        let (grown, no_helpers) = match grown {
            Some(Ok(grown)) => (Some(grown), None),
            Some(Err(note)) => (None, Some(note)),
            None => (None, None),
        };
        let Helped {
            work,
            baked: mut one,
            helpers,
        } = match &grown {
            Some(grown) => grown.finish(request, &source, (work, fit), (width, watch))?,
            None => Helped {
                baked: work.measure(request, width, fit, watch)?,
                work,
                helpers: None,
            },
        };
        one.report.warnings.extend(no_helpers);
        one.report.warnings.extend(source.worn(index).map(|_| {
            "the helper joints that an earlier bake gave to this file get no weight".to_owned()
        }));
        one.report.warnings.extend(note.clone());
        if request.recipe.write.clip {
            let (poses, note) = shown(&work.poses.fit);
            one.report.warnings.extend(note);
            ranges.push((work.character.skeleton.clone(), poses));
        }
        if let Some(earlier) = &earlier {
            match earlier.hold(&work, &request.input, index, &one.weights, width, watch)? {
                Ok(held) => one.report.against = Some(held),
                Err(note) => one.report.warnings.push(note),
            }
        }
        let sitter = Sitter {
            work: &work,
            skin: done.len(),
            file: &request.input,
            weights: &one.weights,
            worst: &one.worst_poses,
            width,
            watch,
        };
        request.draws.draw(sitter, &[], &mut drawn)?;
        let giver = Giver {
            work: &work,
            weights: &one.weights,
            file: &request.input,
        };
        let mut followers = Vec::new();
        for lod in source.lods.iter().filter(|lod| lod.giver == index) {
            let influences = request.recipe.lod[lod.rule].influences;
            let follow = Follow {
                request,
                lod: Some(lod.rule),
                // What is added to the skin is added for all its meshes.
                helpers: helpers
                    .iter()
                    .map(|added| added.joints.len())
                    .sum::<usize>()
                    * usize::from(lod.loaded.skin() == loaded.skin()),
                influences: influences.unwrap_or(request.recipe.fit.influences),
                refit: true,
                skin: done.len() + 1 + followers.len(),
                bytes,
                watch,
            };
            followers.push(follow.bake(&giver, &lod.loaded, &mut drawn)?);
        }
        done.push(Done {
            loaded,
            weights: one.weights,
            kept,
            helpers: helpers.as_ref().map_or(0, |helpers| helpers.joints.len()),
            report: one.report,
        });
        done.extend(followers);
        if let Some(helpers) = helpers {
            nodes += helpers.joints.len();
            added.push((loaded, helpers));
        }
    }
    let clock = Instant::now();
    let mut document = with_all(&source.document, &done, request)?;
    document = helpers::with_helpers(document, &added)?;
    let beside = helpers::beside(output, &added);
    let mut clip_note = None;
    if request.recipe.write.clip {
        match with_ranges(&document, &source.loaded, &ranges) {
            Ok(with_clips) => document = with_clips,
            Err(note) => clip_note = Some(note),
        }
    }
    let held = || done.iter().filter_map(|one| one.report.against.as_ref());
    let better = earlier.filter(|earlier| earlier.is_to_stay(held()));
    let kept = better.is_some();
    if let Some(earlier) = better {
        document = earlier.document;
        if request.recipe.write.clip {
            clip_note = Some("the earlier result stays as it is: it gets no new clip".to_owned());
        }
    }
    let times = (read_s, clock);
    let (mut characters, files) = store((&document, &beside), request, output, done, times, watch)?;
    for character in &mut characters {
        character.warnings.extend(clip_note.clone());
        if let Some(held) = character.against.as_mut().filter(|_| kept) {
            held.kept = true;
            character.warnings.push(format!(
                "{} is better and takes the place of this bake: the figures here are those of the weights that \
                 were not written",
                held.file
            ));
        }
    }
    if kept && !request.draws.is_none() {
        // What is drawn is what is there.
        drawn = drawings(request, output, watch)?;
    }
    Ok(Bake {
        characters,
        files,
        drawings: drawn,
    })
}

fn bake_carried(
    request: &Request,
    carry: &Carry,
    output: &Path,
    watch: &dyn Watch,
) -> Result<Bake, Error> {
    let clock = Instant::now();
    let pair = Pair::open(request, carry)?;
    let read_s = clock.elapsed().as_secs_f64();
    let work = pair.source.prepare(request, pair.giver)?;
    let giver = Giver {
        work: &work,
        weights: &pair.weights,
        file: &carry.from,
    };
    let mut drawn = Drawings::default();
    let mut done = Vec::new();
    for loaded in &pair.takers {
        let follow = Follow {
            request,
            lod: None,
            helpers: 0,
            influences: request.recipe.fit.influences,
            refit: carry.refit,
            skin: done.len(),
            bytes: pair.bytes,
            watch,
        };
        done.push(follow.bake(&giver, loaded, &mut drawn)?);
    }
    let clock = Instant::now();
    let document = with_all(&pair.document, &done, request)?;
    let times = (read_s, clock);
    let (characters, files) = store((&document, &[]), request, output, done, times, watch)?;
    Ok(Bake {
        characters,
        files,
        drawings: drawn,
    })
}

/// How a surface that follows another one gets its weights.
struct Follow<'a> {
    request: &'a Request,
    /// The `[[lod]]` table of the recipe that asks for it.
    lod: Option<usize>,
    /// Helper joints that its skin gets with that of the other: the last of its joints.
    helpers: usize,
    influences: usize,
    /// Whether it gets the weights of the fit, if they are better; else those of the closest places.
    refit: bool,
    /// Its place in the report.
    skin: usize,
    bytes: u64,
    watch: &'a dyn Watch,
}

impl Follow<'_> {
    fn bake<'a>(
        &self,
        giver: &Giver,
        loaded: &'a Loaded,
        drawn: &mut Drawings,
    ) -> Result<Done<'a>, Error> {
        let (request, watch) = (self.request, self.watch);
        let own = &loaded.character.skeleton;
        let skeleton = match self.helpers {
            0 => own,
            _ => &giver.work.character.skeleton,
        };
        let carried = Carried::new(giver, &request.input, loaded, self.lod, skeleton)?;
        let work = carried.work(giver, request, self.influences);
        let width = work.width_within(request, self.bytes)?;
        // Also where it is not asked for: it gives the floor.
        let fit = work.fit(request, width, watch)?;
        let plain = fit.replaced_by(work.naive.clone());
        let measure = |fit| work.measure(request, width, fit, watch);
        let tried = self.refit.then(|| measure(fit)).transpose()?;
        let tried = tried.filter(|one| gains(&one.report));
        let fitted = tried.is_some();
        let mut one = match tried {
            Some(one) => one,
            None => measure(plain)?,
        };
        if let Some(carried) = &mut one.report.carried {
            carried.fitted = fitted;
        }
        let sitter = Sitter {
            work: &work,
            skin: self.skin,
            file: &request.input,
            weights: &one.weights,
            worst: &one.worst_poses,
            width,
            watch,
        };
        request.draws.draw(sitter, &[], drawn)?;
        Ok(Done {
            loaded,
            weights: carried.on_own_joints(&one.weights),
            kept: None,
            helpers: self.helpers,
            report: one.report,
        })
    }
}

/// Whether a fit brings enough: else the weights of the closest places, which are as smooth as those that they come
/// from, are better to have.
fn gains(report: &CharacterReport) -> bool {
    let errors = &report.errors;
    let pair = errors.naive.fit.zip(errors.baked.fit);
    pair.is_some_and(|(naive, baked)| baked.rms_percent < (1.0 - LEAST_GAIN) * naive.rms_percent)
}

/// A fit that lowers the rms error on its own poses by less than this share is within what mending may cost.
const LEAST_GAIN: f64 = 0.01;

/// The document with all new weights.
fn with_all(document: &Document, done: &[Done], request: &Request) -> Result<Document, Error> {
    let results = done.iter().map(|one| NewWeights {
        kept: one.kept.as_ref(),
        added: one.helpers,
        ..NewWeights::all(one.loaded, &one.weights)
    });
    let results: Vec<NewWeights> = results.collect();
    asset::with_weights(document, &results, request.recipe.write.weights)
}

/// Writes the document with all new weights, and tells what became of each surface. Reading took `read_s` seconds, and
/// `clock` began with the writing.
fn store(
    (document, beside): (&Document, &[(PathBuf, Vec<u8>)]),
    request: &Request,
    output: &Path,
    done: Vec<Done>,
    (read_s, clock): (f64, Instant),
    watch: &dyn Watch,
) -> Result<(Vec<CharacterReport>, Vec<Written>), Error> {
    if watch.interrupted() {
        return Err(Error::Interrupted);
    }
    let files = asset::save_beside(document, output, request.beside, beside)?;
    let write_s = clock.elapsed().as_secs_f64();
    let skins: Vec<Option<usize>> = done.iter().map(|one| one.loaded.skin()).collect();
    let mut characters: Vec<CharacterReport> = done.into_iter().map(|one| one.report).collect();
    for character in &mut characters {
        character.timings.read_s = read_s;
        character.timings.write_s = write_s;
    }
    if request.recipe.asks_for_findings() {
        let options = inspect::options(&request.recipe);
        let found = inspect(output, &options, &[])?.skins;
        // `inspect` looks at skins whole, in the order of the file.
        let mut order = skins.clone();
        order.sort_unstable();
        order.dedup();
        for (character, skin) in characters.iter_mut().zip(&skins) {
            let place = order.binary_search(skin).unwrap_or(0);
            character.findings = found.get(place).map(|skin| skin.findings.clone());
        }
    }
    Ok((characters, files))
}

/// Poses that a clip shows, at most: 25 minutes of it.
const MOST_SHOWN: usize = 2000;

/// The poses that a clip shows, and a note if those are not all.
pub fn shown(poses: &Poses) -> (Vec<Pose>, Option<String>) {
    let cut = poses.len() > MOST_SHOWN;
    let note = || {
        let all = poses.len();
        format!("the clip shows the first {MOST_SHOWN} of {all} poses")
    };
    (poses.first(MOST_SHOWN), cut.then(note))
}

/// The document with a clip of each skin's poses.
///
/// # Errors
/// A sentence about a skeleton that no clip can show: weights do not depend on one.
fn with_ranges(
    document: &Document,
    loaded: &[Loaded],
    ranges: &[(Skeleton, Vec<Pose>)],
) -> Result<Document, String> {
    let clips: Vec<RangeClip> = loaded
        .iter()
        .zip(ranges)
        .map(|(loaded, (skeleton, poses))| RangeClip {
            skeleton,
            skin: &loaded.character.name,
            poses,
        })
        .collect();
    asset::with_range_clips(document, &clips, ClipPlace::Last)
        .map_err(|error| format!("no clip was written: {error}"))
}

/// Says what [`bake`] would do and need.
///
/// # Errors
/// As for [`bake`], up to the fit.
pub fn plan(request: &Request) -> Result<Vec<Plan>, Error> {
    let source = Source::open(request)?;
    (0..source.loaded.len())
        .map(|index| {
            let work = source.prepare(request, index)?;
            let width = work.width_within(request, source.file_bytes)?;
            Ok(work.plan(width, source.file_bytes))
        })
        .collect()
}

/// Raw vertices, joints and blocks of poses take about this much, on the characters measured.
const BYTES_PER_VERTEX: u64 = 5 << 10;
const BYTES_PER_JOINT: u64 = 32 << 10;
const BYTES_PER_VERTEX_AND_BLOCK: u64 = 400;
/// A volume that the bind measures through has a bounded number of cells.
const VOLUME_BYTES: u64 = 48 << 20;

/// What a bake needs, in bytes, guessed before the file is read. Where it is too little, the bake says so
/// before it begins ([`Error::Memory`]).
pub fn guess_memory(input: &Path, outline: Outline, width: usize) -> u64 {
    let vertices = outline.raw_vertices;
    let by_vertex = BYTES_PER_VERTEX + BYTES_PER_VERTEX_AND_BLOCK * width as u64;
    memory::PROGRAM_BYTES
        .saturating_add(asset::reading_bytes(input))
        .saturating_add(VOLUME_BYTES)
        .saturating_add(vertices.saturating_mul(by_vertex))
        .saturating_add(outline.joints.saturating_mul(BYTES_PER_JOINT))
}

/// The pose set that a bake would use, of each skin.
#[derive(Debug)]
pub struct PoseSets {
    /// The document that the skins came from.
    pub document: Document,
    /// Those of each skin.
    pub sets: Vec<SkinPoses>,
}

/// The pose set of one skin.
#[derive(Debug)]
pub struct SkinPoses {
    /// The skin.
    pub character: Character,
    /// Its poses.
    pub poses: PoseSet,
    /// What the user should know.
    pub notes: Vec<String>,
}

/// Makes pose sets without baking.
///
/// # Errors
/// As for [`bake`], up to the fit.
pub fn poses(request: &Request) -> Result<PoseSets, Error> {
    let source = Source::open(request)?;
    let sets = (0..source.loaded.len())
        .map(|index| {
            let work = source.prepare(request, index)?;
            Ok(SkinPoses {
                character: work.character.clone(),
                poses: work.poses,
                notes: work.warnings,
            })
        })
        .collect::<Result<_, Error>>()?;
    Ok(PoseSets {
        document: source.document,
        sets,
    })
}
