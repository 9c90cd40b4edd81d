//! One skin, ready to fit: poses stream through the layers into weights, and through both into figures.

use std::borrow::Cow;
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Instant;

use super::mend::Mended;
use super::targets::candidate_bytes;
use super::{Request, Stage, Watch, describe};
use crate::bind::Bound;
use crate::deform::{Spread, Stack, Stream};
use crate::error::{Error, Fault};
use crate::fit::helpers::{self, Reach};
use crate::fit::{self, Candidates, Fitted, Gram, MAX_CANDIDATES, Solver, Unidentified};
use crate::measure::{Figures, Part, Tallies, mirror_error, outliers, worst_first};
use crate::memory;
use crate::pose::{PoseSet, Poses};
use crate::recipe::Symmetry;
use crate::report::{
    CarryReport, CharacterReport, Errors, ErrorsBy, FitReport, JointError, OnPoses, Plan,
    PoseError, PosesReport, SkeletonReport, SurfaceReport, SymmetryReport, Timings, Units,
    UnpairedPiece, WorstVertex,
};
use crate::rig::{Character, JointId, Kept, Mirror, PoseSequence, Shapes, Weights};
use crate::shapes::Feed;

/// Worst vertices in a report.
const WORST_VERTICES: usize = 10;

/// One skin, ready to fit.
#[derive(Clone)]
pub(super) struct Work<'a> {
    pub character: &'a Character,
    pub bound: Bound,
    pub stack: Stack,
    /// Target shapes in place of those of the stack.
    pub feed: Option<Feed<'a>>,
    /// Left and right; partners only of vertices that the fit makes alike.
    pub mirror: Option<Mirror>,
    pub symmetry: Symmetry,
    /// Vertices that keep the weights of the file.
    pub kept: Option<Kept<'a>>,
    /// What the user should know of these, where weights are made.
    pub kept_notes: Vec<String>,
    pub candidates: Candidates,
    /// The first of its helper joints, which are the last of the skeleton.
    pub first_helper: Option<usize>,
    /// Helper joints that it may get at most.
    pub helpers_asked: usize,
    /// Joints a vertex at most.
    pub influences: usize,
    /// What weights would be without a fit: cut to the heaviest few.
    pub naive: Weights,
    /// Where its weights come from, if from another surface.
    pub carried: Option<CarryReport>,
    pub poses: PoseSet,
    pub bind: String,
    pub layers: Vec<String>,
    pub warnings: Vec<String>,
    /// Poses that a clip in the file is to show.
    pub shown: usize,
    pub prepare_s: f64,
}

/// A turn of a joint that a clip shows: in the pose, as the parts of a node, as keys, and those in the file twice.
const CLIP_BYTES_PER_TURN: usize = 400;

/// A fit with what the report says of it.
#[derive(Clone)]
pub(super) struct Solved {
    fitted: Fitted,
    mend: Option<Mended>,
    unidentified: Unidentified,
    /// The mean squared error of each vertex on the poses of the fit, in squared percent of the diagonal.
    errors: Vec<f64>,
    gather_s: f64,
    solve_s: f64,
}

impl Solved {
    /// The weights.
    pub(super) fn weights(&self) -> &Weights {
        &self.fitted.weights
    }

    /// The mean squared error of each vertex on the poses of the fit, in squared percent of the diagonal.
    pub(super) fn errors(&self) -> &[f64] {
        &self.errors
    }

    /// Other weights beside the same floor.
    pub(super) fn replaced_by(&self, weights: Weights) -> Self {
        let mut other = self.clone();
        other.fitted.weights = weights;
        other.mend = None;
        other
    }
}

/// A finished skin.
pub(super) struct Baked {
    pub weights: Weights,
    pub report: CharacterReport,
    /// Places of poses in the set that stands for all (held out, if there are any), the worst first.
    pub worst_poses: Vec<usize>,
}

impl Work<'_> {
    /// Blocks to evaluate side by side: one a thread, fewer if memory is short for them and what is drawn.
    pub(super) fn width_within(&self, request: &Request, file_bytes: u64) -> Result<usize, Error> {
        let file_bytes = file_bytes + request.draws.bytes(self.character) as u64;
        let threads = rayon::current_num_threads();
        let widest = request.width.unwrap_or(threads).clamp(1, threads);
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
        let surface = &self.character.surface;
        let (vertices, raw) = (surface.len(), surface.welded.len());
        let stack = self.stack.bytes();
        let spread = vertices * Spread::BYTES_PER_VERTEX;
        let character =
            200 * raw + 150 * vertices + 4 * surface.rings.entries() + 12 * surface.triangles.len();
        let joints = self.character.skeleton.joints().len();
        let targets = match &self.feed {
            Some(feed) => feed.bytes(width) + candidate_bytes(vertices, joints),
            None => width * self.stack.working_bytes(vertices, joints),
        };
        let tallies = [&self.poses.fit, &self.poses.held_out]
            .map(|poses| Tallies::bytes(vertices, SETS, poses.len(), width))
            .iter()
            .sum::<usize>();
        let poses = self.poses.fit.bytes() + self.poses.held_out.bytes();
        let fit = Gram::bytes(&self.candidates)
            + 2 * self.candidates.entries()
            + vertices * fit::WORKING_BYTES_PER_VERTEX;
        let mirror = size_of::<u32>() * vertices;
        let kept = self.kept.as_ref().map_or(0, |kept| {
            vertices * Kept::BYTES_PER_VERTEX + SETS * kept.bytes_over(MAX_CANDIDATES)
        });
        let clip = self.shown * joints * CLIP_BYTES_PER_TURN;
        let all_poses = self.poses.fit.len() + self.poses.held_out.len();
        let helpers = match self.helpers_asked {
            0 => 0,
            // The skin once more, with them.
            asked => character + helpers::bytes(vertices, all_poses, asked),
        };
        let fitting = stack + spread + fit + poses + tallies + mirror + kept + targets + helpers;
        let total = character + clip + fitting.max(self.bound.working_bytes);
        memory::PROGRAM_BYTES + total as u64 + file_bytes
    }

    pub(super) fn plan(&self, width: usize, file_bytes: u64) -> Plan {
        Plan {
            name: self.character.name.clone(),
            bind: self.bind.clone(),
            layers: self.layers.clone(),
            surface: surface_report(self.character),
            joints: self.character.skeleton.joints().len(),
            poses: self.poses_report(),
            symmetry: self.symmetry_report(None),
            memory_bytes: self.memory_needed(width, file_bytes),
            warnings: [&self.warnings[..], &self.kept_notes].concat(),
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
        let character = self.character;
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

    /// What the recipe asks of the fit.
    pub(super) fn fit_options(&self, request: &Request) -> fit::Options {
        let settings = &request.recipe.fit;
        fit::Options {
            influences: self.influences,
            smoothness: settings.smoothness,
            hold_percent: settings.hold,
            prune: settings.prune,
            steps: request.recipe.write.weights.steps(),
        }
    }

    /// Streams the poses into Gram matrices and solves.
    pub(super) fn fit(
        &self,
        request: &Request,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Solved, Error> {
        let clock = Instant::now();
        let character = self.character;
        let mut gram = Gram::new(self.candidates.clone(), character.surface.diagonal());
        let joints = character.skeleton.joints().len();
        let reach = self
            .first_helper
            .map(|first| Reach::new(first, joints, &self.candidates, self.stack.base()));
        let rest = self.stack.rest();
        self.stream(
            &self.poses.fit,
            width,
            Stage::Gather,
            watch,
            |shapes| match &reach {
                None => gram.add(rest, shapes),
                Some(reach) => {
                    for wave in shapes.chunks(2 * width) {
                        gram.add(rest, &reach.joined(rest, wave));
                    }
                }
            },
        )?;
        gram.count(self.poses.fit.iter().map(|pose| pose.weight).sum());
        let gather_s = clock.elapsed().as_secs_f64();
        let clock = Instant::now();
        watch.progress(&character.name, Stage::Solve, 0, 1);
        let settings = &request.recipe.fit;
        let options = self.fit_options(request);
        // Where no pose tells joints apart, a surface that follows another one keeps what that one has.
        let base = match self.carried {
            Some(_) => &self.naive,
            None => self.stack.base(),
        };
        let mut solver = Solver::new(
            &gram,
            &character.surface,
            base,
            self.mirror.as_ref(),
            self.kept.as_ref(),
            &options,
        );
        let mend = match settings.mend {
            true => Some(self.mend(&mut solver, width, watch)?),
            false => None,
        };
        let fitted = solver.fitted();
        let unidentified = gram.unidentified(character.skeleton.joints().len(), settings.hold);
        Ok(Solved {
            errors: solver.errors(),
            fitted,
            mend,
            unidentified,
            gather_s,
            solve_s: clock.elapsed().as_secs_f64(),
        })
    }

    /// Measures what will be written against the layers, anew.
    pub(super) fn measure(
        &self,
        request: &Request,
        width: usize,
        bake: Solved,
        watch: &dyn Watch,
    ) -> Result<Baked, Error> {
        let clock = Instant::now();
        let character = self.character;
        let surface = &character.surface;
        let Solved {
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
            ..
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
        // Figures are of what the fit could change: what is kept is the same in all sets.
        let [rigid, naive] = [self.stack.base(), &self.naive].map(|set| match &self.kept {
            Some(kept) => Cow::Owned(kept.over(set)),
            None => Cow::Borrowed(set),
        });
        let sets: [&Weights; SETS] = [&rigid, &naive, &weights, &floor];
        let tally = |poses: &Poses| self.tallies(&sets, poses, width, watch);
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
        let mut warnings = [&self.warnings[..], &self.kept_notes].concat();
        for set in [figures(RIGID), figures(BAKED)] {
            let all = [set.fit, set.held_out].into_iter().flatten();
            if all.into_iter().any(|f| !(f.rms.is_finite() && f.max < 1e5)) {
                return Err(self.beyond_measure(&request.input).into());
            }
        }
        if let (Some(rigid), Some(baked)) = (
            figures(RIGID).held_out_or_fit(),
            figures(BAKED).held_out_or_fit(),
        ) && baked.rms > rigid.rms
        {
            warnings.push(
                "the baked weights are further from the layers than the base weights: do not ship them; \
                 check smoothness, hold and the weights of the poses"
                    .to_owned(),
            );
        }
        let unit = surface.diagonal() / 100.0 * character.scene_scale;
        let joint_name = |id: JointId| character.skeleton.joint(id).name.clone();
        // Where weights are kept, there may be more joints than the cap.
        let most = weights.most_influences();
        let mut influences = vec![0; self.influences.max(most)];
        for v in 0..weights.len() {
            influences[weights.of(v).count() - 1] += 1;
        }
        let report = CharacterReport {
            name: character.name.clone(),
            surface: surface_report(character),
            skeleton: SkeletonReport {
                joints: character.skeleton.joints().len(),
            },
            carried: self.carried.clone(),
            helpers: None,
            idle_joints: describe::idle_joints(character, &self.bound),
            pieces: describe::pieces(character, &self.bound),
            mend,
            poses: self.poses_report(),
            errors: Errors {
                rigid: figures(RIGID).map(describe::percent),
                naive: figures(1).map(describe::percent),
                baked: figures(BAKED).map(describe::percent),
                floor: figures(3).map(describe::percent),
                baked_units: figures(BAKED).map(|figures| units(figures, unit)),
            },
            errors_by: self.errors_by(&fit, &held_out),
            worst: self.worst(&weights, &fit, &held_out),
            outliers: outliers(&surface.rings, &weights).len(),
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
            warnings,
            against: None,
            findings: None,
            limits: Vec::new(),
        };
        let shown = match self.poses.held_out_or_fit() {
            (_, true) => &held_out,
            (_, false) => &fit,
        };
        let errors: Vec<f64> = shown.by_pose(BAKED).iter().map(|pose| pose.rms).collect();
        Ok(Baked {
            weights,
            report,
            worst_poses: worst_first(&errors),
        })
    }

    /// Measures sets of weights over some poses.
    pub(super) fn tallies(
        &self,
        sets: &[&Weights],
        poses: &dyn PoseSequence,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Tallies, Error> {
        let (stack, skeleton) = (&self.stack, &self.character.skeleton);
        let mut tallies = Tallies::new(sets, self.character.surface.diagonal(), poses.len());
        // What is kept may have any joints, and helpers leave those of vertices that no pose bends.
        if self.kept.is_some() || self.first_helper.is_some() {
            tallies = tallies.beyond(stack.base());
        }
        self.stream(poses, width, Stage::Measure, watch, |shapes| {
            tallies.add(stack.rest(), shapes);
        })?;
        tallies.add_unbent(stack.rest(), skeleton, stack.centre, poses);
        Ok(tallies)
    }

    /// The fault of a character that poses tear to pieces.
    pub(super) fn beyond_measure(&self, file: &Path) -> Fault {
        let expected = "poses that keep the character near its size";
        let found = "positions beyond all measure";
        Fault::new(file, &self.character.name, expected, found)
            .remedy("check the inverse bind matrices for scales far from one")
    }

    /// Where and when the baked weights err; `None` without poses.
    fn errors_by(&self, fit: &Tallies, held_out: &Tallies) -> Option<ErrorsBy> {
        let (poses, is_held_out) = self.poses.held_out_or_fit();
        if poses.is_empty() {
            return None;
        }
        let tallies = if is_held_out { held_out } else { fit };
        let skeleton = &self.character.skeleton;
        let joints = |set| tallies.by_joint(set, &self.bound.joints, skeleton.joints().len());
        let joints = joints(BAKED).into_iter().zip(joints(RIGID));
        let joints = skeleton.joints().iter().zip(joints);
        let joints = joints.filter(|(_, (baked, _))| baked.vertices > 0);
        let joints = joints.map(|(joint, (baked, rigid))| JointError {
            joint: joint.name.clone(),
            vertices: baked.vertices,
            rms_percent: baked.rms,
            max_percent: baked.max,
            rigid_rms_percent: rigid.rms,
        });
        let (baked, rigid) = (tallies.by_pose(BAKED), tallies.by_pose(RIGID));
        let rms = |parts: &[Part]| parts.iter().map(|part| part.rms).collect::<Vec<_>>();
        Some(ErrorsBy::new(
            is_held_out,
            joints.collect(),
            [rms(&baked), rms(&rigid)],
            |index| PoseError {
                pose: poses.get(index).name.clone(),
                index,
                rms_percent: baked[index].rms,
                max_percent: baked[index].max,
                rigid_rms_percent: rigid[index].rms,
            },
        ))
    }

    fn worst(&self, weights: &Weights, fit: &Tallies, held_out: &Tallies) -> Vec<WorstVertex> {
        let character = self.character;
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
                let (mesh, vertex) = character.first_copy(worst.vertex);
                WorstVertex {
                    mesh,
                    vertex,
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
    pub(super) fn stream(
        &self,
        poses: &dyn PoseSequence,
        width: usize,
        stage: Stage,
        watch: &dyn Watch,
        mut receive: impl FnMut(&[Shapes]),
    ) -> Result<(), Error> {
        let character = self.character;
        let step = |total: usize| {
            move |shapes: &[Shapes], done: usize| {
                receive(shapes);
                watch.progress(&character.name, stage, done, total);
                if watch.interrupted() {
                    ControlFlow::Break(())
                } else {
                    ControlFlow::Continue(())
                }
            }
        };
        let end = match &self.feed {
            Some(feed) => feed.run(poses, width, step(Feed::blocks(poses)))?,
            None => {
                let stream = Stream::new(&self.stack, &character.skeleton, poses);
                let total = stream.blocks();
                stream.run(width, step(total))
            }
        };
        if end.is_break() {
            Err(Error::Interrupted)
        } else {
            Ok(())
        }
    }
}

/// Sets of weights that are measured: base, naive, baked, floor.
const SETS: usize = 4;

/// The places of the base weights and of the baked ones among the sets measured.
const RIGID: usize = 0;
const BAKED: usize = 2;

pub(super) fn surface_report(character: &Character) -> SurfaceReport {
    let surface = &character.surface;
    SurfaceReport {
        raw_vertices: surface.welded.len(),
        welded_vertices: surface.len(),
        triangles: surface.triangles.len(),
        pieces: surface.pieces,
        diagonal_units: surface.diagonal() * character.scene_scale,
        height_units: character.height(),
    }
}

fn units(figures: Figures, unit: f64) -> Units {
    Units {
        rms_units: figures.rms * unit,
        p99_units: figures.p99 * unit,
        max_units: figures.max * unit,
    }
}
