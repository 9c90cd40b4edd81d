//! One file from input to output: the only place where the stages meet.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::time::Instant;

use crate::asset::{self, Document, Loaded};
use crate::bind::{self, Bound, Kind, Way};
use crate::deform::{Spread, Stack, Stream};
use crate::error::{Error, Fault, read_text};
use crate::fit::{self, Candidates, Fitted, Gram, Solver, Unidentified};
use crate::measure::{Figures, Tallies, mirror_error};
use crate::memory;
use crate::pose::{self, PoseSet, Poses};
use crate::recipe::{Base, Recipe, Symmetry};
use crate::report::{
    CharacterReport, Errors, FitReport, OnPoses, Percent, Plan, PosesReport, Report,
    SkeletonReport, Status, SurfaceReport, SymmetryReport, Timings, Units, UnpairedPiece,
    WorstVertex,
};
use crate::rig::{Character, Clip, JointId, Mirror, Pose, PoseSequence, Weights};
use mend::Mended;

mod describe;
mod inspect;
mod mend;

pub use inspect::inspect;

/// What to bake.
#[derive(Clone, Debug)]
pub struct Request {
    /// The character's file.
    pub input: PathBuf,
    /// Settings.
    pub recipe: Recipe,
    /// A pose file that replaces the poses of the fit.
    pub poses: Option<PathBuf>,
    /// The root of the joint tree, for a file without skin.
    pub skeleton: Option<String>,
    /// Bytes that the work may use.
    pub memory: Option<u64>,
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
    /// Solving for weights.
    Solve,
    /// Measuring errors.
    Measure,
}

/// Candidates below this share of a vertex are no candidates: such a weight would be pruned.
const LEAST_CANDIDATE_MASS: f32 = 1e-4;

/// Sizes whose squares stay far from the limits of f32.
const SIZES: std::ops::RangeInclusive<f64> = 1e-9..=1e9;

/// Worst vertices in a report.
const WORST_VERTICES: usize = 10;

/// Bakes a file and writes the result.
///
/// # Errors
/// Whatever keeps a complete, valid file from being written; then nothing is.
pub fn bake(request: &Request, output: &Path, watch: &dyn Watch) -> Result<Report, Error> {
    asset::check_target(output)?;
    let clock = Instant::now();
    let source = Source::open(request)?;
    let read_s = clock.elapsed().as_secs_f64();
    let mut baked = Vec::new();
    for index in 0..source.loaded.len() {
        let work = source.prepare(request, index)?;
        let width = work.width_within(request, source.file_bytes)?;
        let bake = work.fit(request, width, watch)?;
        baked.push(work.measure(request, output, width, bake, watch)?);
    }
    let clock = Instant::now();
    let results: Vec<(&Loaded, &Weights)> = source
        .loaded
        .iter()
        .zip(baked.iter().map(|b| &b.weights))
        .collect();
    let document = asset::with_weights(&source.document, &results, request.recipe.write.weights)?;
    if watch.interrupted() {
        return Err(Error::Interrupted);
    }
    asset::save(&document, output)?;
    let write_s = clock.elapsed().as_secs_f64();
    let characters = baked.into_iter().map(|mut baked| {
        baked.report.timings.read_s = read_s;
        baked.report.timings.write_s = write_s;
        baked.report.peak_memory_bytes = memory::peak();
        baked.report
    });
    Ok(Report::new(characters.collect()))
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
                character: work.loaded.character.clone(),
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

/// A file that was read.
struct Source {
    document: Document,
    loaded: Vec<Loaded>,
    file_bytes: u64,
    /// For each skin the poses that a pose file gives it.
    given: Option<Vec<Vec<Pose>>>,
}

impl Source {
    fn open(request: &Request) -> Result<Self, Error> {
        let file_bytes = asset::reading_bytes(&request.input);
        // Before anything is read: text with many small values takes far more than its length.
        if let Some(allowed) = request.memory.filter(|&allowed| allowed < file_bytes) {
            return Err(Error::Memory {
                path: request.input.clone(),
                needed: file_bytes,
                allowed,
            });
        }
        let document = Document::open(&request.input)?;
        let loaded = asset::characters(&document, request.skeleton.as_deref())?;
        let given = match &request.poses {
            Some(path) => {
                let text = read_text(path, "pose file")?;
                let skeletons: Vec<_> = loaded.iter().map(|l| &l.character.skeleton).collect();
                Some(pose::file::parse(path, &text, &skeletons)?)
            }
            None => None,
        };
        Ok(Self {
            document,
            loaded,
            file_bytes,
            given,
        })
    }

    /// Binds, compiles the stack, makes poses and candidates: all that is cheap.
    fn prepare(&self, request: &Request, index: usize) -> Result<Work<'_>, Error> {
        let clock = Instant::now();
        let loaded = &self.loaded[index];
        let character = &loaded.character;
        let mut warnings = [&loaded.notes[..], &loaded.skin_notes[..]].concat();
        let diagonal = character.surface.diagonal();
        if !SIZES.contains(&diagonal) {
            let expected = format!(
                "a character between {:e} and {:e} units across",
                SIZES.start(),
                SIZES.end()
            );
            return Err(Fault::new(
                &request.input,
                &character.name,
                expected,
                format!("{diagonal:e}"),
            )
            .remedy("check its positions for strays, and its scale")
            .into());
        }
        let symmetry = request.recipe.fit.symmetry;
        let mut mirror = match symmetry {
            Symmetry::Off => None,
            _ => Mirror::find(&character.skeleton, &character.surface, symmetry.axis()),
        };
        warnings.extend(symmetry_notes(character, symmetry, mirror.as_ref()));
        let BoundBase { bound, base, way } = bound_base(request, character, mirror.as_ref())?;
        let layers = request
            .recipe
            .layer
            .iter()
            .enumerate()
            .map(|(place, layer)| {
                layer.resolve(character, &bound.joints).map_err(|reason| {
                    unknown_name(request, &format!("layer[{place}].only"), reason)
                })
            })
            .collect::<Result<Vec<_>, _>>()?;
        let described = request
            .recipe
            .layer
            .iter()
            .zip(&layers)
            .map(|(settings, layer)| settings.describe(layer));
        let layer_lines = described.collect();
        let (clips, notes) = self.clips(index)?;
        warnings.extend(notes);
        let mut poses = pose::pose_set(&character.skeleton, &base, &clips, &request.recipe.poses);
        if let Some(given) = &self.given {
            poses.fit = given[index].clone().into();
        }
        if !character.skeleton.moves_rigidly() {
            warnings.push(
                "a joint stands under a scale that differs by axis: turning it shears, and vertices at the edge of \
                 a layer's reach may crease in the reference"
                    .to_owned(),
            );
        }
        let bends = &poses.bends;
        if !bends.contains(&true) {
            warnings
                .push("no joint bends this surface: every vertex keeps its one joint".to_owned());
        } else if !poses
            .fit
            .iter()
            .any(|pose| pose.rotations.iter().any(|(id, _)| bends[id.index()]))
        {
            // Weights from no information would look like a result.
            let file = request.poses.as_ref().unwrap_or(&request.input);
            let fault = Fault::new(file, "", "at least one pose that bends the surface", "none")
                .remedy("check [poses] of the recipe, or the pose file");
            return Err(Error::Setting(vec![fault]));
        }
        let apart = (request.recipe.bind.apart(character))
            .map_err(|(part, reason)| unknown_name(request, &part, reason))?;
        let bridge = request.recipe.pieces.bridge / 100.0 * diagonal;
        let bridged = (bridge > 0.0).then(|| {
            let joins = bound.pieces.iter().map(|piece| piece.kind == Kind::Own);
            character
                .surface
                .bridged(bridge, &joins.collect::<Vec<_>>())
        });
        let surface = bridged.as_ref().unwrap_or(&character.surface);
        let stack = Stack::new(surface, base, request.recipe.bind.skinning, &layers)
            .clinging(&character.surface, &bound.clings)
            .keeping_apart(&apart);
        let row = |v: usize| stack.spread().of(v);
        let candidates = match &mut mirror {
            Some(mirror) => fit::symmetric_candidates(row, LEAST_CANDIDATE_MASS, mirror),
            None => Candidates::new((0..character.surface.len()).map(row), LEAST_CANDIDATE_MASS),
        };
        Ok(Work {
            loaded,
            bound,
            stack,
            mirror,
            symmetry,
            candidates,
            poses,
            bind: way,
            layers: layer_lines,
            warnings,
            prepare_s: clock.elapsed().as_secs_f64(),
        })
    }

    fn clips(&self, index: usize) -> Result<(Vec<Clip>, Vec<String>), Error> {
        let skeleton = &self.loaded[index].character.skeleton;
        asset::clips(&self.document, skeleton, pose::CLIP_FRAMES_PER_SECOND)
    }
}

/// A part of the recipe that names nothing in the file.
fn unknown_name(request: &Request, part: &str, reason: String) -> Error {
    let expected = "names that occur in the file";
    let fault = Fault::new(&request.input, format!("recipe {part}"), expected, reason);
    Error::Setting(vec![fault])
}

/// A bind and the weights that the layers start from.
struct BoundBase {
    bound: Bound,
    base: Weights,
    /// One line about how they came about.
    way: String,
}

/// Binds a character as the recipe asks.
fn bound_base(
    request: &Request,
    character: &Character,
    mirror: Option<&Mirror>,
) -> Result<BoundBase, Error> {
    let settings = &request.recipe.bind;
    let needs_weights = |part: &str| {
        let expected = "a file with skin weights";
        let fault = Fault::new(
            &request.input,
            format!("recipe {part}"),
            expected,
            "one without",
        );
        Error::Setting(vec![fault.remedy("use way = \"through\", or leave it out")])
    };
    let options = settings
        .resolve(&request.recipe.pieces, character)
        .map_err(|(part, reason)| unknown_name(request, &part, reason))?;
    if options.way == Way::Keep && character.weights.is_none() {
        return Err(needs_weights("bind.way = \"keep\""));
    }
    let bound = bind::bind(character, &options, mirror);
    let (base, way) = match (settings.base, &character.weights) {
        (Base::Rigid, _) => (Weights::rigid(&bound.joints), options.way.describe()),
        (Base::File, Some(weights)) => (
            bound.beside(&character.surface, weights),
            "the file's own weights",
        ),
        (Base::File, None) => return Err(needs_weights("bind.base = \"file\"")),
        (Base::Heat, _) => {
            // The recipe's check holds the way to heat, which gives smooth weights.
            let smooth = bound
                .smooth
                .as_ref()
                .map(|smooth| bound.beside(&character.surface, smooth));
            let rigid = || Weights::rigid(&bound.joints);
            (
                smooth.unwrap_or_else(rigid),
                "the smooth weights of bone heat",
            )
        }
    };
    Ok(BoundBase {
        way: way.to_owned(),
        base,
        bound,
    })
}

/// One skin, ready to fit.
struct Work<'a> {
    loaded: &'a Loaded,
    bound: Bound,
    stack: Stack,
    /// Left and right; partners only of vertices that the fit makes alike.
    mirror: Option<Mirror>,
    symmetry: Symmetry,
    candidates: Candidates,
    poses: PoseSet,
    bind: String,
    layers: Vec<String>,
    warnings: Vec<String>,
    prepare_s: f64,
}

/// A fit with what the report says of it.
struct Bake {
    fitted: Fitted,
    mend: Option<Mended>,
    unidentified: Unidentified,
    gather_s: f64,
    solve_s: f64,
}

/// A finished skin.
struct Baked {
    weights: Weights,
    report: CharacterReport,
}

impl Work<'_> {
    fn character(&self) -> &Character {
        &self.loaded.character
    }

    /// Blocks to evaluate side by side: one a thread, fewer if memory is short.
    fn width_within(&self, request: &Request, file_bytes: u64) -> Result<usize, Error> {
        let widest = rayon::current_num_threads();
        let Some(allowed) = request.memory else {
            return Ok(widest);
        };
        (1..=widest)
            .rev()
            .find(|&width| self.memory_needed(width, file_bytes) <= allowed)
            .ok_or_else(|| Error::Memory {
                path: request.input.clone(),
                needed: self.memory_needed(1, file_bytes),
                allowed,
            })
    }

    /// An upper estimate of the process's peak, in bytes; a test holds it against the peak.
    fn memory_needed(&self, width: usize, file_bytes: u64) -> u64 {
        let surface = &self.character().surface;
        let (vertices, raw) = (surface.len(), surface.welded.len());
        let stack = self.stack.bytes();
        let spread = vertices * Spread::BYTES_PER_VERTEX;
        let character =
            200 * raw + 150 * vertices + 4 * surface.rings.entries() + 12 * surface.triangles.len();
        let joints = self.character().skeleton.joints().len();
        let block = self.stack.working_bytes(vertices, joints);
        let tallies = 2 * Tallies::bytes(vertices, 4, width);
        let poses = self.poses.fit.bytes() + self.poses.held_out.bytes();
        let fit = Gram::bytes(&self.candidates)
            + 2 * self.candidates.entries()
            + vertices * fit::WORKING_BYTES_PER_VERTEX;
        let mirror = size_of::<u32>() * vertices;
        let total = character + stack + spread + fit + poses + tallies + mirror + width * block;
        memory::PROGRAM_BYTES + total as u64 + file_bytes
    }

    fn plan(&self, width: usize, file_bytes: u64) -> Plan {
        Plan {
            name: self.character().name.clone(),
            bind: self.bind.clone(),
            layers: self.layers.clone(),
            surface: surface_report(self.character()),
            joints: self.character().skeleton.joints().len(),
            poses: self.poses_report(),
            symmetry: self.symmetry_report(None),
            memory_bytes: self.memory_needed(width, file_bytes),
            warnings: self.warnings.clone(),
        }
    }

    fn poses_report(&self) -> PosesReport {
        PosesReport {
            fit: self.poses.fit.len(),
            held_out: self.poses.held_out.len(),
        }
    }

    /// What is symmetric, and how exactly the weights are, if there are any yet.
    fn symmetry_report(&self, weights: Option<&Weights>) -> SymmetryReport {
        let asked = self.symmetry.name().to_owned();
        let Some(mirror) = &self.mirror else {
            return SymmetryReport {
                asked,
                ..SymmetryReport::default()
            };
        };
        let character = self.character();
        let (mut paired, mut plane) = (0, 0);
        let mut alone = vec![0; character.surface.pieces];
        for v in 0..character.surface.len() {
            match mirror.vertex(v) {
                Some(partner) if partner == v => plane += 1,
                Some(_) => paired += 1,
                None => alone[character.surface.piece_of[v] as usize] += 1,
            }
        }
        let name = |id: JointId| character.skeleton.joint(id).name.clone();
        let joints = character.skeleton.ids();
        SymmetryReport {
            asked,
            axis: Some(mirror.axis.name().to_owned()),
            position_units: Some(mirror.at * character.scene_scale),
            paired_vertices: Some(paired),
            plane_vertices: Some(plane),
            unpaired_vertices: Some(alone.iter().sum()),
            unpaired_pieces: alone
                .into_iter()
                .enumerate()
                .filter(|&(_, vertices)| vertices > 0)
                .map(|(piece, vertices)| UnpairedPiece { piece, vertices })
                .collect(),
            unpaired_joints: joints
                .filter(|&id| mirror.joint(id).is_none())
                .map(name)
                .collect(),
            misnamed_joints: mirror.misnamed.iter().map(|&id| name(id)).collect(),
            mirror_error: weights.map(|weights| mirror_error(weights, mirror)),
        }
    }

    /// Streams the poses into Gram matrices and solves.
    fn fit(&self, request: &Request, width: usize, watch: &dyn Watch) -> Result<Bake, Error> {
        let clock = Instant::now();
        let character = self.character();
        let mut gram = Gram::new(self.candidates.clone(), character.surface.diagonal());
        self.stream(&self.poses.fit, width, Stage::Gather, watch, |shapes| {
            gram.add(self.stack.rest(), shapes);
        })?;
        gram.count(self.poses.fit.iter().map(|pose| pose.weight).sum());
        let gather_s = clock.elapsed().as_secs_f64();
        let clock = Instant::now();
        watch.progress(&character.name, Stage::Solve, 0, 1);
        let settings = &request.recipe.fit;
        let options = fit::Options {
            influences: settings.influences,
            smoothness: settings.smoothness,
            hold_percent: settings.hold,
            prune: settings.prune,
            steps: request.recipe.write.weights.steps(),
        };
        let mut solver = Solver::new(
            &gram,
            &character.surface,
            self.stack.base(),
            self.mirror.as_ref(),
            &options,
        );
        let mend = match settings.mend {
            true => Some(self.mend(&mut solver, width, watch)?),
            false => None,
        };
        let fitted = solver.fitted();
        let unidentified = gram.unidentified(character.skeleton.joints().len(), settings.hold);
        Ok(Bake {
            fitted,
            mend,
            unidentified,
            gather_s,
            solve_s: clock.elapsed().as_secs_f64(),
        })
    }

    /// Measures what will be written against the layers, anew.
    fn measure(
        &self,
        request: &Request,
        output: &Path,
        width: usize,
        bake: Bake,
        watch: &dyn Watch,
    ) -> Result<Baked, Error> {
        let clock = Instant::now();
        let character = self.character();
        let surface = &character.surface;
        let Bake {
            fitted:
                Fitted {
                    weights,
                    floor,
                    status,
                },
            mend,
            unidentified,
            gather_s,
            solve_s,
        } = bake;
        weights
            .check(character.skeleton.joints().len())
            .map_err(|fault| {
                Fault::new(
                    &request.input,
                    "",
                    "a fit with valid weights",
                    fault.to_string(),
                )
                .remedy("this is a defect of tanyard: please report it with the file")
            })?;
        let naive = self.stack.spread().capped(request.recipe.fit.influences);
        let sets = [self.stack.base(), &naive, &weights, &floor];
        let tally = |poses: &Poses| -> Result<Tallies, Error> {
            let mut tallies = Tallies::new(&sets, surface.diagonal(), poses.len());
            self.stream(poses, width, Stage::Measure, watch, |shapes| {
                tallies.add(self.stack.rest(), shapes)
            })?;
            Ok(tallies)
        };
        let (fit, held_out) = (tally(&self.poses.fit)?, tally(&self.poses.held_out)?);
        let figures = |set: usize| OnPoses {
            fit: (!self.poses.fit.is_empty()).then(|| fit.figures(set)),
            held_out: (!self.poses.held_out.is_empty()).then(|| held_out.figures(set)),
        };
        let mend = match &mend {
            Some(mended) => {
                let torn = self.torn_held_out(mended, &weights, width, watch)?;
                Some(describe::mend(mended, torn))
            }
            None => None,
        };
        let mut warnings = self.warnings.clone();
        for set in [figures(0), figures(BAKED)] {
            let all = [set.fit, set.held_out].into_iter().flatten();
            if all.into_iter().any(|f| !(f.rms.is_finite() && f.max < 1e5)) {
                let expected = "poses that keep the character near its size";
                return Err(Fault::new(
                    &request.input,
                    &character.name,
                    expected,
                    "positions beyond all measure",
                )
                .remedy("check the inverse bind matrices for scales far from one")
                .into());
            }
        }
        if let (Some(rigid), Some(baked)) =
            (held_out_or_fit(figures(0)), held_out_or_fit(figures(BAKED)))
            && baked.rms > rigid.rms
        {
            warnings.push(
                "the baked weights are further from the layers than the base weights: do not ship them; \
                 check smoothness, hold and the weights of the poses"
                    .to_owned(),
            );
        }
        let unit = surface.diagonal() / 100.0 * character.scene_scale;
        let joint_name = |id: JointId| character.skeleton.joint(id).name.clone();
        let mut influences = vec![0; request.recipe.fit.influences];
        for v in 0..weights.len() {
            influences[weights.of(v).count() - 1] += 1;
        }
        let report = CharacterReport {
            name: character.name.clone(),
            input: request.input.clone(),
            output: output.to_owned(),
            status: Status::Baked,
            surface: surface_report(character),
            skeleton: SkeletonReport {
                joints: character.skeleton.joints().len(),
            },
            idle_joints: describe::idle_joints(character, &self.bound),
            pieces: describe::pieces(character, &self.bound),
            mend,
            poses: self.poses_report(),
            errors: Errors {
                rigid: figures(0).map(percent),
                naive: figures(1).map(percent),
                baked: figures(BAKED).map(percent),
                floor: figures(3).map(percent),
                baked_units: figures(BAKED).map(|figures| units(figures, unit)),
            },
            worst: self.worst(&weights, &fit, &held_out),
            influences,
            symmetry: self.symmetry_report(Some(&weights)),
            fit: FitReport {
                kkt_residual: status.kkt_residual,
                unproved_vertices: status.unproved_vertices,
                unidentified_joints: unidentified.joints.into_iter().map(joint_name).collect(),
                unidentified_vertices: unidentified.vertices,
                sweeps: status.sweeps,
                last_change: status.last_change,
            },
            timings: Timings {
                prepare_s: self.prepare_s,
                gather_s,
                solve_s,
                measure_s: clock.elapsed().as_secs_f64(),
                ..Timings::default()
            },
            peak_memory_bytes: None,
            warnings,
        };
        Ok(Baked { weights, report })
    }

    fn worst(&self, weights: &Weights, fit: &Tallies, held_out: &Tallies) -> Vec<WorstVertex> {
        let character = self.character();
        let rings = &character.surface.rings;
        let mut all: Vec<(bool, _)> = Vec::new();
        all.extend(
            fit.worst(BAKED, rings, WORST_VERTICES)
                .into_iter()
                .map(|w| (false, w)),
        );
        all.extend(
            held_out
                .worst(BAKED, rings, WORST_VERTICES)
                .into_iter()
                .map(|w| (true, w)),
        );
        all.sort_by(|a, b| {
            b.1.error_percent
                .total_cmp(&a.1.error_percent)
                .then(a.1.vertex.cmp(&b.1.vertex))
        });
        let mut seen: Vec<usize> = Vec::new();
        all.retain(|(_, worst)| {
            let near = seen
                .iter()
                .any(|&v| v == worst.vertex || rings.of(v).contains(&(worst.vertex as u32)));
            if !near {
                seen.push(worst.vertex);
            }
            !near
        });
        all.truncate(WORST_VERTICES);
        all.into_iter()
            .map(|(is_held_out, worst)| {
                let poses = if is_held_out {
                    &self.poses.held_out
                } else {
                    &self.poses.fit
                };
                let raw = character
                    .surface
                    .welded
                    .iter()
                    .position(|&v| v as usize == worst.vertex)
                    .unwrap_or(0);
                let part = character.parts.iter().find(|part| part.raw.contains(&raw));
                WorstVertex {
                    mesh: part.map_or(String::new(), |part| part.mesh.clone()),
                    vertex: raw - part.map_or(0, |part| part.raw.start),
                    position: character.surface.positions[worst.vertex],
                    pose: poses.get(worst.pose).name.clone(),
                    held_out: is_held_out,
                    joints: weights
                        .of(worst.vertex)
                        .map(|(id, _)| character.skeleton.joint(id).name.clone())
                        .collect(),
                    error_percent: worst.error_percent,
                }
            })
            .collect()
    }

    /// Runs a pose set through the stack.
    fn stream(
        &self,
        poses: &Poses,
        width: usize,
        stage: Stage,
        watch: &dyn Watch,
        mut receive: impl FnMut(&[crate::rig::Shapes]),
    ) -> Result<(), Error> {
        let character = self.character();
        let stream = Stream::new(&self.stack, &character.skeleton, poses);
        let total = stream.blocks();
        let end = stream.run(width, |shapes, done| {
            receive(shapes);
            watch.progress(&character.name, stage, done, total);
            if watch.interrupted() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        });
        if end.is_break() {
            Err(Error::Interrupted)
        } else {
            Ok(())
        }
    }
}

/// What the user should know of left and right.
fn symmetry_notes(
    character: &Character,
    symmetry: Symmetry,
    mirror: Option<&Mirror>,
) -> Vec<String> {
    let mut notes = Vec::new();
    match mirror {
        None if symmetry.axis().is_some() => notes.push(format!(
            "no two vertices are partners across {}: the fit does without symmetry",
            symmetry.name()
        )),
        Some(mirror) if !mirror.misnamed.is_empty() => {
            let names = mirror.misnamed.iter().take(6);
            let names: Vec<&str> = names
                .map(|&id| character.skeleton.joint(id).name.as_str())
                .collect();
            notes.push(format!(
                "the names of {} joints pair them otherwise than their places do, and the places are followed: {}",
                mirror.misnamed.len(),
                names.join(", ")
            ));
        }
        _ => {}
    }
    notes
}

/// The place of the baked weights among the sets measured.
const BAKED: usize = 2;

fn surface_report(character: &Character) -> SurfaceReport {
    let surface = &character.surface;
    SurfaceReport {
        raw_vertices: surface.welded.len(),
        welded_vertices: surface.len(),
        triangles: surface.triangles.len(),
        pieces: surface.pieces,
        diagonal_units: surface.diagonal() * character.scene_scale,
    }
}

fn held_out_or_fit(figures: OnPoses<Figures>) -> Option<Figures> {
    figures.held_out.or(figures.fit)
}

fn percent(figures: Figures) -> Percent {
    Percent {
        rms_percent: figures.rms,
        p99_percent: figures.p99,
        max_percent: figures.max,
    }
}

fn units(figures: Figures, unit: f64) -> Units {
    Units {
        rms_units: figures.rms * unit,
        p99_units: figures.p99 * unit,
        max_units: figures.max * unit,
    }
}
