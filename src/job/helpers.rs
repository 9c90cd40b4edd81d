//! Helper joints: fitted beside a fit without, and their motion over any poses.

use std::path::{Path, PathBuf};

use nalgebra::{Translation3, UnitQuaternion, Vector3};

use serde_json::{Value, json};

use super::source::Source;
use super::work::{Baked, Solved, Work};
use super::{Request, Stage, Watch, describe};
use crate::asset::{self, Document, Loaded, NewJoint, NewTrack};
use crate::drive::{self, Driver, Rotations, Samples};
use crate::error::{Error, Fault};
use crate::fit::helpers::{self, Follow, HELD, Helper, HelperFit, Motions, Plain};
use crate::pose::{PoseSet, Poses};
use crate::recipe::HelperMotion;
use crate::report::{HelperClip, HelperJoint, HelpersReport, OnPoses, Percent};
use crate::rig::{
    Character, Clip, JointId, JointSpec, Move, Pose, PoseSequence, Skeleton, Weights, polar,
};

/// A skin with helper joints.
pub(super) struct Grown {
    /// With the helpers among its joints, behind those of the file.
    pub character: Character,
    /// The joints of the file.
    pub first: usize,
    helped: helpers::Helped,
    /// The poses that they were fitted to.
    poses: Poses,
    /// For each helper the joints that may drive it, best guess first.
    hosts: Vec<Vec<JointId>>,
}

/// What moves helpers in poses that no clip holds.
pub(super) type Drivers = Vec<Driver>;

impl Work<'_> {
    /// Adds helper joints to a fit without, as the recipe asks; `None` if there is nothing that they could carry, with a
    /// note. Their nodes in the document will have the numbers from `first_node` on.
    pub(super) fn grow(
        &self,
        request: &Request,
        solved: &Solved,
        document: &Document,
        first_node: usize,
        (width, watch): (usize, &dyn Watch),
    ) -> Result<Result<Grown, String>, Error> {
        let character = self.character;
        let skeleton = &character.skeleton;
        if !skeleton.moves_rigidly() {
            let note = "no helper joints: a joint stands under a scale that differs by axis, and turning it shears";
            return Ok(Err(note.to_owned()));
        }
        let asked = request.recipe.helpers.options(skeleton);
        let asked = asked.map_err(|(part, reason)| {
            let expected = "names that occur in the file";
            let fault = Fault::new(&request.input, format!("recipe {part}"), expected, reason);
            Error::Setting(vec![fault])
        })?;
        let options = self.fit_options(request);
        let plain = Plain {
            surface: &character.surface,
            skeleton,
            rest: self.stack.rest(),
            base: self.stack.base(),
            candidates: &self.candidates,
            mirror: self.mirror.as_ref(),
            kept: self.kept.as_ref(),
            options: &options,
        };
        // Where helpers move in clips only, it is these that count.
        let poses = &match request.recipe.helpers.goes(HelperMotion::Driven) {
            true => self.poses.fit.clone(),
            false => self.poses.fit.with_clips_counting(CLIP_SHARE),
        };
        let weight = poses.iter().map(|pose| pose.weight).sum();
        let (weights, errors) = (solved.weights(), solved.errors().to_vec());
        let mut fit = HelperFit::new(plain, &asked, weights, errors, (poses.len(), weight));
        while fit.begin() {
            self.stream(poses, width, Stage::Grow, watch, |shapes| fit.add(shapes))?;
            fit.end();
        }
        let Some(helped) = fit.finish(poses, self.stack.centre) else {
            return Ok(Err(
                "no helper joints: nothing is left for them to carry".to_owned()
            ));
        };
        let is_taken = |name: &str| {
            let nodes = document.json()["nodes"].as_array();
            nodes.is_some_and(|nodes| nodes.iter().any(|node| node["name"] == name))
        };
        let mut names: Vec<String> = Vec::new();
        for helper in &helped.helpers {
            let parent = &skeleton.joint(helper.parent).name;
            let mut numbers = 1..;
            let name = numbers.find_map(|number| {
                let name = format!("{parent}_helper{number}");
                let is_free =
                    !names.contains(&name) && skeleton.find(&name).is_none() && !is_taken(&name);
                is_free.then_some(name)
            });
            // The numbers do not end.
            names.extend(name);
        }
        let specs: Option<Vec<JointSpec>> = helped
            .helpers
            .iter()
            .zip(names)
            .enumerate()
            .map(|(h, (helper, name))| {
                let mut world = skeleton.joint(helper.parent).bind_world;
                let place = Vector3::from(helper.place) + Vector3::from(self.stack.centre);
                world.fixed_view_mut::<3, 1>(0, 3).copy_from(&place);
                Some(JointSpec {
                    name,
                    node: first_node + h,
                    parent: Some(helper.parent.index()),
                    inverse_bind: world.try_inverse()?,
                })
            })
            .collect();
        let Some(grown) = specs.and_then(|specs| skeleton.with_joints(&specs).ok()) else {
            return Ok(Err(
                "no helper joints: the skeleton has no room for more".to_owned()
            ));
        };
        let hosts = (helped.helpers.iter())
            .map(|helper| {
                let mut mass = vec![0.0f64; skeleton.joints().len()];
                for &v in helper.vertices.iter() {
                    for (id, weight) in weights.of(v as usize) {
                        mass[id.index()] += f64::from(weight);
                    }
                }
                let mut hosts: Vec<JointId> = (skeleton.ids())
                    .filter(|id| mass[id.index()] > 0.0 || *id == helper.parent)
                    .collect();
                hosts.sort_by(|a, b| {
                    let is_parent = |id: &JointId| *id == helper.parent;
                    (is_parent(b).cmp(&is_parent(a)))
                        .then(mass[b.index()].total_cmp(&mass[a.index()]))
                        .then(a.cmp(b))
                });
                hosts
            })
            .collect();
        Ok(Ok(Grown {
            first: skeleton.joints().len(),
            character: Character {
                skeleton: grown,
                ..character.clone()
            },
            helped,
            poses: poses.clone(),
            hosts,
        }))
    }
}

/// A finished skin.
pub(super) struct Helped<'a> {
    pub work: Work<'a>,
    pub baked: Baked,
    /// What its helper joints are and do in the file, if it has any.
    pub helpers: Option<Added>,
}

/// Helper joints as they are written.
pub(super) struct Added {
    pub joints: Vec<NewJoint>,
    /// Their keys in the clips of the file.
    tracks: Vec<NewTrack>,
    /// How they are driven, for the file beside the result.
    driven: Vec<Value>,
    /// Their nodes.
    nodes: Vec<usize>,
}

impl Grown {
    /// Fits a skin of the source again with its helpers, and measures. Gives the fit without helpers, with a note, if
    /// that is no worse.
    pub(super) fn finish<'a>(
        &'a self,
        request: &Request,
        source: &Source,
        (plain, solved): (Work<'a>, Solved),
        (width, watch): (usize, &dyn Watch),
    ) -> Result<Helped<'a>, Error> {
        let threads = (width, watch);
        let without = plain.measure(request, width, solved, watch)?;
        let spare = (
            plain.character,
            plain.candidates.clone(),
            plain.mirror.clone(),
        );
        let mut work = self.with_motions(plain);
        let mut fitted = work.fit(request, width, watch)?;
        let mut drivers = None;
        let first = self.first;
        if request.recipe.helpers.goes(HelperMotion::Driven) {
            // Weights for the driven motion, and a motion for these weights again.
            let can_drive = readable(&source.document, &self.character.skeleton);
            for _ in 0..DRIVEN_ROUNDS {
                let found = self.drivers(&work, fitted.weights(), &can_drive, threads)?;
                let fit = &work.poses.fit;
                work.poses.fit = fit.with_added(first, driven(&found, &fit.without_added()));
                fitted = work.fit(request, width, watch)?;
                drivers = Some(found);
            }
        }
        let (fit, held_out) = (work.poses.fit.without_added(), work.poses.held_out.clone());
        let best = [&fit, &held_out]
            .map(|poses| self.follow(&work, fitted.weights(), poses, None, threads));
        let [best_fit, best_held_out] = best;
        let (best_fit, best_held_out) = (best_fit?, best_held_out?);
        let best_sets = [
            fit.with_added(first, best_fit),
            held_out.with_added(first, best_held_out),
        ];
        let figures = |poses: &Poses| -> Result<Option<Percent>, Error> {
            if poses.is_empty() {
                return Ok(None);
            }
            let tallies = work.tallies(&[fitted.weights()], poses, width, watch)?;
            Ok(Some(describe::percent(tallies.figures(0))))
        };
        let best_figures = OnPoses {
            fit: figures(&best_sets[0])?,
            held_out: figures(&best_sets[1])?,
        };
        let [best_fit, best_held_out] = best_sets;
        match &drivers {
            Some(drivers) => {
                let moved = |poses: &Poses| poses.with_added(first, driven(drivers, poses));
                work.poses.fit = moved(&fit);
                work.poses.held_out = moved(&held_out);
            }
            None => {
                work.poses.fit = best_fit;
                work.poses.held_out = best_held_out;
            }
        }
        let mut baked = work.measure(request, width, fitted, watch)?;
        let rms = |one: &Baked| {
            one.report
                .errors
                .baked
                .fit
                .map_or(0.0, |fit| fit.rms_percent)
        };
        if rms(&baked) >= rms(&without) {
            let mut without = without;
            without.report.warnings.push(
                "no helper joints: with them the error on the poses of the fit is no less"
                    .to_owned(),
            );
            let (character, candidates, mirror) = spare;
            let plain = Work {
                character,
                candidates,
                mirror,
                first_helper: None,
                poses: PoseSet {
                    fit,
                    held_out,
                    ..work.poses
                },
                ..work
            };
            return Ok(Helped {
                work: plain,
                baked: without,
                helpers: None,
            });
        }
        let name = |id: JointId| self.character.skeleton.joint(id).name.clone();
        let weights = &baked.weights;
        let mut vertices = vec![0; self.helped.helpers.len()];
        for v in 0..weights.len() {
            for (id, _) in weights.of(v).filter(|entry| entry.0.index() >= first) {
                vertices[id.index() - first] += 1;
            }
        }
        let joints = self
            .helped
            .helpers
            .iter()
            .enumerate()
            .map(|(h, helper)| HelperJoint {
                joint: name(self.id(h)),
                parent: name(helper.parent),
                partner: helper.partner.map(|other| name(self.id(other))),
                vertices: vertices[h],
                drivers: drivers
                    .iter()
                    .flat_map(|all| all[h].drivers())
                    .map(name)
                    .collect(),
            });
        baked.report.helpers = Some(HelpersReport {
            joints: joints.collect(),
            driven: drivers.is_some(),
            without: without.report.errors.baked,
            floor_without: without.report.errors.floor,
            fitted: best_figures,
            clips: Vec::new(),
        });
        let mut tracks = Vec::new();
        if request.recipe.helpers.goes(HelperMotion::Clips) {
            let sets = [&without.weights, &baked.weights];
            let tolerance = request.recipe.helpers.tolerance;
            let skeleton = &spare.0.skeleton;
            let (clips, _) = asset::clips_at_keys(&source.document, skeleton, LONGEST_GAP)?;
            let mut reports = Vec::new();
            for (animation, clip) in &clips {
                let clip = (*animation, clip);
                let (keys, report) = self.keys(clip, &work, sets, tolerance, threads)?;
                tracks.extend(keys);
                reports.push(report);
            }
            if let Some(report) = &mut baked.report.helpers {
                report.clips = reports;
            }
        }
        let added = Added {
            joints: self.new_joints(drivers.as_ref()),
            tracks,
            driven: drivers
                .iter()
                .flat_map(|drivers| self.driven_json(drivers))
                .collect(),
            nodes: (0..self.helped.helpers.len())
                .map(|h| self.character.skeleton.joint(self.id(h)).node)
                .collect(),
        };
        Ok(Helped {
            work,
            baked,
            helpers: Some(added),
        })
    }

    fn id(&self, helper: usize) -> JointId {
        JointId((self.first + helper) as u16)
    }

    /// The joints for the document; what drives them goes into their nodes.
    pub(super) fn new_joints(&self, drivers: Option<&Drivers>) -> Vec<NewJoint> {
        let skeleton = &self.character.skeleton;
        let helpers = self.helped.helpers.iter().enumerate();
        helpers
            .map(|(h, helper)| {
                let joint = skeleton.joint(self.id(h));
                NewJoint {
                    name: joint.name.clone(),
                    parent: helper.parent,
                    bind_world: joint.bind_world,
                    extras: drivers.map(|drivers| self.to_json(&drivers[h], h)),
                }
            })
            .collect()
    }

    fn to_json(&self, driver: &Driver, helper: usize) -> Value {
        let skeleton = &self.character.skeleton;
        // Only joints right below their parents drive.
        driver.to_json(self.id(helper), skeleton, &|id| {
            skeleton.joint(id).bind_local.rotation
        })
    }

    /// How helpers are driven, for the file beside the result.
    pub(super) fn driven_json(&self, drivers: &Drivers) -> Vec<Value> {
        let all = drivers.iter().enumerate();
        all.map(|(h, driver)| self.to_json(driver, h)).collect()
    }

    /// Keys of the helpers for a clip, and what the report says of it.
    pub(super) fn keys(
        &self,
        (animation, clip): (usize, &Clip),
        work: &Work,
        [without, weights]: [&Weights; 2],
        tolerance_percent: f64,
        (width, watch): (usize, &dyn Watch),
    ) -> Result<(Vec<NewTrack>, HelperClip), Error> {
        let skeleton = &self.character.skeleton;
        let ids = || skeleton.ids();
        let poses: Vec<Pose> = (clip.frames.iter())
            .map(|frame| Pose::new(clip.name.clone(), ids().zip(frame.moves.iter().copied())))
            .collect();
        let times: Vec<f64> = clip.frames.iter().map(|frame| frame.time).collect();
        // What turns too fast is held back, until it does not.
        let mut holds = vec![HELD; self.helped.helpers.len()];
        let mut moves = self.follow(work, weights, &poses, None, (width, watch))?;
        for _ in 0..MOST_HOLDS {
            let fast = self.turns(&poses, &times, &moves);
            let fast = fast
                .iter()
                .map(|ratio| ratio.is_some_and(|ratio| ratio > MOST_TURN));
            let fast: Vec<bool> = fast.collect();
            if !fast.contains(&true) {
                break;
            }
            for (hold, _) in holds.iter_mut().zip(fast).filter(|entry| entry.1) {
                *hold *= HOLD_STEP;
            }
            moves = self.follow(work, weights, &poses, Some(&holds), (width, watch))?;
        }
        let diagonal = self.character.surface.diagonal();
        let mut keyed = vec![Vec::new(); poses.len()];
        let (mut tracks, mut count) = (Vec::new(), 0);
        for (h, helper) in self.helped.helpers.iter().enumerate() {
            let id = self.id(h);
            let joint = skeleton.joint(id);
            let own: Vec<Move> = moves.iter().map(|of| of[h]).collect();
            let unit = skeleton.slide_unit(id);
            let tolerance = tolerance_percent / 100.0 * diagonal / unit;
            let kept = drive::keys(&times, &own, helper.radius / unit, tolerance);
            count += kept.len();
            for (pose, own) in keyed.iter_mut().zip(drive::shown(&times, &own, &kept)) {
                pose.push(own);
            }
            let placed = kept.iter().map(|&key| joint.bind_local.placed(&own[key]));
            let (translations, rotations) = placed
                .map(|(t, r)| {
                    (
                        t.map(|x| x as f32).into(),
                        r.coords.map(|x| x as f32).into(),
                    )
                })
                .unzip::<[f32; 3], [f32; 4], Vec<_>, Vec<_>>();
            tracks.push(NewTrack {
                animation,
                node: joint.node,
                times: kept.iter().map(|&key| times[key] as f32).collect(),
                translations,
                rotations,
            });
        }
        let turns = self.turns(&poses, &times, &keyed);
        let turn_ratio = turns.into_iter().flatten().max_by(f64::total_cmp);
        let poses = Poses::from(poses).with_added(self.first, keyed);
        let tallies = work.tallies(&[without, weights], &poses, width, watch)?;
        let figures = |set| describe::percent(tallies.figures(set));
        let report = HelperClip {
            clip: clip.name.clone(),
            frames: times.len(),
            keys: count,
            without: figures(0),
            with: figures(1),
            turn_ratio,
        };
        Ok((tracks, report))
    }

    /// How fast each helper turns from frame to frame, at most, against the fastest of the joints that it hangs between,
    /// at its own fastest; `None` where these stand.
    fn turns(&self, poses: &[Pose], times: &[f64], moves: &[Vec<Move>]) -> Vec<Option<f64>> {
        let skeleton = &self.character.skeleton;
        let helpers = self.helped.helpers.len();
        let mut of_helpers = vec![0.0f64; helpers];
        let mut of_joints = vec![0.0f64; self.first];
        let mut before: Option<Vec<UnitQuaternion<f64>>> = None;
        for (index, pose) in poses.iter().enumerate() {
            let added = moves[index].iter().enumerate();
            let added = added.map(|(h, &own)| (self.id(h), own));
            let all = pose.moves.iter().copied().chain(added);
            let matrices = skeleton.skinning_matrices(&Pose::new("", all));
            let turns: Vec<UnitQuaternion<f64>> = matrices
                .iter()
                .map(
                    |matrix| match polar(&matrix.fixed_view::<3, 3>(0, 0).into()) {
                        Some((turn, _)) => turn,
                        None => UnitQuaternion::identity(),
                    },
                )
                .collect();
            if let Some(before) = &before {
                let step = times[index] - times[index - 1];
                let speed = |joint: usize| before[joint].angle_to(&turns[joint]) / step;
                for (joint, fastest) in of_joints.iter_mut().enumerate() {
                    *fastest = fastest.max(speed(joint));
                }
                for (h, fastest) in of_helpers.iter_mut().enumerate() {
                    *fastest = fastest.max(speed(self.first + h));
                }
            }
            before = Some(turns);
        }
        let ratio = |h: usize| {
            let joints = self.hosts[h].iter().map(|id| of_joints[id.index()]);
            let fastest = joints.fold(0.0, f64::max);
            (fastest > 0.0).then(|| of_helpers[h] / fastest)
        };
        (0..helpers).map(ratio).collect()
    }

    /// The skin with its helpers, ready to fit again.
    fn with_motions<'a>(&'a self, plain: Work<'a>) -> Work<'a> {
        let mut poses = plain.poses;
        let skeleton = &self.character.skeleton;
        let moves = moves(
            skeleton,
            self.first,
            &self.helped.motions,
            plain.stack.centre,
        );
        poses.fit = self.poses.with_added(self.first, moves);
        Work {
            character: &self.character,
            candidates: self.helped.candidates.clone(),
            mirror: self.helped.mirror.clone(),
            first_helper: Some(self.first),
            poses,
            ..plain
        }
    }

    /// The motions of helpers that come closest in some poses, with these weights; see [`followed`].
    fn follow(
        &self,
        work: &Work,
        weights: &Weights,
        poses: &dyn PoseSequence,
        holds: Option<&[f64]>,
        threads: (usize, &dyn Watch),
    ) -> Result<Vec<Vec<Move>>, Error> {
        let helpers = &self.helped.helpers;
        followed(work, self.first, helpers, weights, poses, holds, threads)
    }

    /// Fits what drives the helpers, to their motions in poses of its own.
    pub(super) fn drivers(
        &self,
        work: &Work,
        weights: &Weights,
        can_drive: &[bool],
        (width, watch): (usize, &dyn Watch),
    ) -> Result<Drivers, Error> {
        // Blends are drawn from another seed than those held out.
        let poses = work.poses.fit.without_added().with_blends(TRAINING_BLENDS);
        let moves = self.follow(work, weights, &poses, None, (width, watch))?;
        let mut rotations = Rotations::new(self.first);
        poses.iter().for_each(|pose| rotations.push(&pose));
        let weights: Vec<f64> = poses.iter().map(|pose| pose.weight).collect();
        let skeleton = &self.character.skeleton;
        Ok((0..self.helped.helpers.len())
            .map(|h| {
                let motions: Vec<Move> = moves.iter().map(|of| of[h]).collect();
                let id = JointId((self.first + h) as u16);
                let samples = Samples {
                    rotations: &rotations,
                    motions: &motions,
                    weights: &weights,
                    radius: self.helped.helpers[h].radius / skeleton.slide_unit(id),
                };
                let hosts = self.hosts[h].iter().copied();
                let hosts: Vec<JointId> = hosts.filter(|id| can_drive[id.index()]).collect();
                drive::fit(&samples, &hosts, &drive::Options::default())
            })
            .collect())
    }
}

/// What frames of clips count together among the poses of the fit.
const CLIP_SHARE: f64 = 0.5;

/// The motions of the helper joints of a work that come closest in some poses, with these weights: for each pose the moves
/// of all. `holds` say how strongly each is held to its parent's motion, in place of the usual.
pub(super) fn followed(
    work: &Work,
    first: usize,
    helpers: &[Helper],
    weights: &Weights,
    poses: &dyn PoseSequence,
    holds: Option<&[f64]>,
    (width, watch): (usize, &dyn Watch),
) -> Result<Vec<Vec<Move>>, Error> {
    let (stack, skeleton) = (&work.stack, &work.character.skeleton);
    let at = (stack.rest(), stack.base());
    let mut follow = Follow::new(first, helpers, weights, at, poses.len());
    if let Some(holds) = holds {
        follow.hold(holds);
    }
    work.stream(poses, width, Stage::Measure, watch, |shapes| {
        follow.add(shapes)
    })?;
    let motions = follow.finish(helpers, skeleton, poses, stack.centre);
    Ok(moves(skeleton, first, &motions, stack.centre))
}

/// For each pose the moves of all helpers, which are the joints from the `first` on.
fn moves(skeleton: &Skeleton, first: usize, motions: &Motions, centre: [f64; 3]) -> Vec<Vec<Move>> {
    let to = Translation3::new(centre[0], centre[1], centre[2]);
    let poses = motions.first().map_or(0, Vec::len);
    let own = |h: usize, pose: usize| {
        let motion = to * motions[h][pose] * to.inverse();
        let id = JointId((first + h) as u16);
        // A joint in whose frame a rigid motion is none was refused before.
        let found = skeleton.rigid_move(id, &motion.to_homogeneous());
        found.unwrap_or(Move::still())
    };
    (0..poses)
        .map(|pose| (0..motions.len()).map(|h| own(h, pose)).collect())
        .collect()
}

/// For each joint whether its node hangs right below that of its parent joint: then the turn of the node, which is what
/// an engine reads, is that of the joint.
fn readable(document: &Document, skeleton: &Skeleton) -> Vec<bool> {
    let is_right_below = |node: usize, parent: usize| {
        let children = document.json()["nodes"][parent]["children"].as_array();
        children.is_some_and(|all| all.iter().any(|child| child.as_u64() == Some(node as u64)))
    };
    let joints = skeleton.joints().iter();
    let parent = |id: JointId| skeleton.joint(id).node;
    joints
        .map(|joint| {
            joint
                .parent
                .is_some_and(|id| is_right_below(joint.node, parent(id)))
        })
        .collect()
}

/// The document with the helper joints of these skins and their keys, after weights that name them.
pub(super) fn with_helpers(
    mut document: Document,
    added: &[(&Loaded, Added)],
) -> Result<Document, Error> {
    let mut tracks = Vec::new();
    for (loaded, added) in added {
        let (with, nodes) = asset::with_joints(&document, loaded, &added.joints)?;
        if nodes != added.nodes {
            let part = format!("skin {:?}", loaded.character.name);
            let expected = format!("helper joints at nodes {:?}", added.nodes);
            let fault = Fault::new(document.path(), part, expected, format!("{nodes:?}"));
            return Err(fault
                .remedy("this is a defect of tanyard: please report it with the file")
                .into());
        }
        document = with;
        tracks.extend(added.tracks.iter().cloned());
    }
    asset::with_tracks(&document, &tracks)
}

/// The file beside the result that tells how helpers are driven, if any are.
pub(super) fn beside(output: &Path, added: &[(&Loaded, Added)]) -> Vec<(PathBuf, Vec<u8>)> {
    let skins: Vec<Value> = (added.iter())
        .filter(|(_, added)| !added.driven.is_empty())
        .map(|(loaded, added)| json!({ "skin": loaded.character.name, "helpers": added.driven }))
        .collect();
    if skins.is_empty() {
        return Vec::new();
    }
    let all = json!({ "form": drive::FORM, "skins": skins });
    // A JSON value is text.
    let text = serde_json::to_vec_pretty(&all).unwrap_or_default();
    vec![(asset::helpers_beside(output), text)]
}

/// A helper that turns faster in a clip than the joints that it hangs between, so many times over, is held back.
const MOST_TURN: f64 = 1.4;

/// How strongly helpers are held back: steps, and how many of them.
const HOLD_STEP: f64 = 4.0;
const MOST_HOLDS: usize = 8;

/// Clips are fitted at their keys, and between them at least so often: in seconds.
const LONGEST_GAP: f64 = 1.0 / 60.0;

/// The moves of driven helpers in each of some poses.
pub(super) fn driven(drivers: &Drivers, poses: &dyn PoseSequence) -> Vec<Vec<Move>> {
    let of = |index: usize| {
        let pose = poses.get(index);
        let rotation = |id: JointId| pose.of(id).unwrap_or(&Move::still()).rotation;
        drivers
            .iter()
            .map(|driver| driver.motion(&rotation))
            .collect()
    };
    (0..poses.len()).map(of).collect()
}

/// Fits of drivers and weights in turn.
const DRIVEN_ROUNDS: usize = 2;

/// Blends that drivers are fitted to.
const TRAINING_BLENDS: usize = 512;
