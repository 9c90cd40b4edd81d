//! Target shapes from elsewhere: which shape belongs to which pose, and which vertex is which.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::posed::references;
use super::source::Source;
use super::{Request, Watch};
use crate::asset::{self, Document, DraftFolder, Loaded};
use crate::error::{Error, Fault, read_text};
use crate::fit::{Candidates, Gains, Gram, MAX_CANDIDATES, Mix, best_mix, needed};
use crate::pose::{self, PoseSet};
use crate::rig::{
    Character, JointId, LANES, Mirror, Pose, PoseSequence, Shapes, Skeleton, Weights,
};
use crate::shapes::{Feed, Form, Mesh, Places, ShapeFiles, ShapeWriter};

/// Target shapes that take the place of the layers.
#[derive(Clone, Debug, PartialEq)]
pub struct GivenTargets {
    /// A folder of OBJ files, a NumPy array, or a glTF file with morph targets.
    pub shapes: PathBuf,
    /// The clip of the character's file whose frames they are, and frames a second. Else they are those of the pose
    /// file of the request, or of `poses.json` beside the shapes.
    pub clip: Option<(String, f64)>,
    /// Every so manieth shape only measures; 0 for none.
    pub hold_out: usize,
}

/// The pose file that is looked for beside shapes.
pub const POSES_BESIDE: &str = "poses.json";

/// Shapes looked at for candidates.
const SAMPLE: usize = 64;

/// Rounds in which more candidates are looked for, and joints that are tried in each: skin hangs on a handful of joints.
const ROUNDS: usize = 4;
const TRIED: usize = 3;

/// Shapes of a file that was read.
pub(super) struct Given {
    files: ShapeFiles,
    /// For each skin.
    places: Vec<Places>,
    /// For each skin a pose a shape, in order.
    poses: Vec<Vec<Pose>>,
    hold_out: usize,
}

impl Given {
    pub(super) fn open(
        request: &Request,
        targets: &GivenTargets,
        document: &Document,
        loaded: &[Loaded],
    ) -> Result<Self, Error> {
        if !request.recipe.lod.is_empty() {
            let expected = "a recipe without [[lod]] where target shapes are given";
            let fault = Fault::new(&request.input, "recipe lod", expected, "some")
                .remedy("bake the full mesh alone, then carry its weights");
            return Err(Error::Setting(vec![fault]));
        }
        let files = ShapeFiles::open(&targets.shapes)?;
        let skins: Vec<&Character> = loaded.iter().map(|one| &one.character).collect();
        let mut poses = match (&request.poses, &targets.clip) {
            (None, Some((name, rate))) => clip_poses(&files, document, &skins, name, *rate)?,
            (file, _) => {
                let beside = file.clone().unwrap_or_else(|| beside(&targets.shapes));
                file_poses(&files, &beside, &skins, file.is_some())?
            }
        };
        for pose in &mut poses {
            for (shape, pose) in pose.iter_mut().enumerate() {
                pose.shape = Some(shape);
            }
        }
        let places = (0..skins.len())
            .map(|skin| Places::find(&files, &skins, skin))
            .collect::<Result<_, Error>>()?;
        Ok(Self {
            files,
            places,
            poses,
            hold_out: targets.hold_out,
        })
    }

    /// The poses of a skin, parted into those of the fit and those held out.
    pub(super) fn pose_set(&self, skin: usize, skeleton: &Skeleton, base: &Weights) -> PoseSet {
        let is_held_out =
            |index: usize| self.hold_out > 0 && (index + 1).is_multiple_of(self.hold_out);
        let part = |held_out: bool| -> Vec<Pose> {
            let all = self.poses[skin].as_slice().iter().enumerate();
            all.filter(|(index, _)| is_held_out(*index) == held_out)
                .map(|(_, pose)| pose.clone())
                .collect()
        };
        PoseSet::of(skeleton, base, part(false), part(true))
    }

    /// The shapes of a skin.
    pub(super) fn feed<'a>(
        &'a self,
        skin: usize,
        skeleton: &'a Skeleton,
        centre: [f64; 3],
    ) -> Feed<'a> {
        Feed {
            files: &self.files,
            places: &self.places[skin],
            skeleton,
            centre,
        }
    }

    /// The targets, in the place of layers.
    pub(super) fn describe(&self, skin: usize) -> String {
        format!("targets: {}", self.shapes(skin))
    }

    fn shapes(&self, skin: usize) -> String {
        format!(
            "{} shapes of {}, {}",
            self.files.len(),
            self.files.path().display(),
            self.places[skin].matched().describe()
        )
    }

    /// What the user should know of them.
    pub(super) fn notes(&self, skin: usize) -> Vec<String> {
        let mut notes = vec![format!(
            "the targets are {}: no layer was run",
            self.shapes(skin)
        )];
        if self.hold_out == 0 {
            notes.push(
                "no target shape is held out: figures are of poses that the fit saw; --hold-out 5 keeps every fifth \
                 for measuring"
                    .to_owned(),
            );
        }
        notes
    }
}

/// The joints that may carry weight at each vertex, with masses as of a spread, heaviest first: those of the spread
/// down to `least`; and of all others, those that the file's own weights have first, the ones that a sample of the
/// shapes cannot be had without. Where there are too many, the lightest of the spread go.
pub(super) fn candidate_rows<'a>(
    feed: &Feed,
    (character, rest): (&Character, &[[f32; 3]]),
    spread: impl Fn(usize) -> &'a [(JointId, f32)] + Sync,
    (mirror, least): (Option<&Mirror>, f32),
    poses: &pose::Poses,
) -> Result<Vec<Vec<(JointId, f32)>>, Error> {
    let (vertices, joints) = (rest.len(), character.skeleton.joints().len());
    let listed = poses.listed();
    let count = listed.len().min(SAMPLE);
    let sample = (0..count).map(|i| listed[i * listed.len() / count].clone());
    let sample: Vec<Pose> = sample.collect();
    // Nobody watches: it is a moment.
    let look = |receive: &mut dyn FnMut(&[Shapes])| {
        let end = feed.run(&sample, rayon::current_num_threads(), |shapes, _| {
            receive(shapes);
            ControlFlow::Continue(())
        });
        end.map(|_| ())
    };
    let usual = |v: usize| {
        let row = spread(v);
        let kept = row.iter().take_while(|entry| entry.1 >= least).count();
        &row[..kept.max(1).min(row.len())]
    };
    // With these at the end, and as light as can be.
    let with = |v: usize, more: &mut dyn Iterator<Item = JointId>| {
        let mut row = usual(v).to_vec();
        let mut added: Vec<(JointId, f32)> = Vec::new();
        for id in more {
            if row.iter().chain(&added).all(|entry| entry.0 != id) {
                added.push((id, least));
            }
        }
        added.truncate(MAX_CANDIDATES - 1);
        row.truncate(MAX_CANDIDATES - added.len());
        row.extend(added);
        row
    };
    let own = |v: usize| -> Vec<JointId> {
        let weights = character.weights.iter();
        weights
            .flat_map(|weights| weights.of(v))
            .map(|(id, _)| id)
            .collect()
    };
    let mut more: Vec<Vec<JointId>> = (0..vertices).map(own).collect();
    let seen: f64 = sample.iter().map(|pose| pose.weight).sum();
    let gather = |more: &[Vec<JointId>]| -> Result<Gram, Error> {
        let rows = (0..vertices).map(|v| {
            let mut row = with(v, &mut more[v].iter().copied());
            // Of one candidate nothing is gathered, and its error would look like none.
            if let ([(only, _)], true) = (&row[..], joints > 1) {
                let above = character.skeleton.joint(*only).parent;
                let other = above.unwrap_or(JointId(u16::from(only.0 == 0)));
                row.push((other, least));
            }
            row
        });
        let rows: Vec<_> = rows.collect();
        let candidates = Candidates::new(rows.iter().map(Vec::as_slice), least);
        let mut gram = Gram::new(candidates, character.surface.diagonal());
        look(&mut |shapes| gram.add(rest, shapes))?;
        gram.count(seen);
        Ok(gram)
    };
    let mut gram = gather(&more)?;
    for _ in 0..ROUNDS {
        let mixes = (0..vertices).into_par_iter().map(|v| best_mix(&gram, v));
        let mixes: Vec<Mix> = mixes.collect();
        if mixes.iter().all(Vec::is_empty) {
            break;
        }
        let mut gains = Gains::new(vertices, joints);
        look(&mut |shapes| gains.add(rest, &mixes, shapes))?;
        for (v, (more, mix)) in more.iter_mut().zip(&mixes).enumerate() {
            // What was tried and carries nothing makes way.
            more.retain(|id| mix.is_empty() || mix.iter().any(|entry| entry.0 == *id));
            more.extend(gains.best(v, mix, TRIED));
        }
        gram = gather(&more)?;
    }
    let needed: Vec<Vec<JointId>> = (0..vertices)
        .into_par_iter()
        .map(|v| {
            let usual: Vec<JointId> = usual(v).iter().map(|entry| entry.0).collect();
            needed(&gram, v, &usual)
        })
        .collect();
    // Partners that are to be alike need what either needs.
    let of_partner = |v: usize| {
        let pair = mirror.and_then(|mirror| Some((mirror, mirror.vertex(v)?)));
        let joints =
            pair.map(|(mirror, partner)| needed[partner].iter().filter_map(|&id| mirror.joint(id)));
        joints.into_iter().flatten()
    };
    let row = |v: usize| with(v, &mut needed[v].iter().copied().chain(of_partner(v)));
    Ok((0..vertices).map(row).collect())
}

/// Bytes that looking for candidates takes.
pub(super) fn candidate_bytes(vertices: usize, joints: usize) -> usize {
    let rows = vertices * (size_of::<Vec<u8>>() + MAX_CANDIDATES * size_of::<(JointId, f32)>());
    let forms = vertices * MAX_CANDIDATES * (MAX_CANDIDATES + 1) / 2 * size_of::<f64>();
    Gains::bytes(vertices, joints) + forms + 4 * rows
}

/// Target shapes that were written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrittenShapes {
    /// How many.
    pub shapes: usize,
    /// What the user should know.
    pub notes: Vec<String>,
}

/// Shapes that are held until they are written.
const HELD: usize = 8 * LANES;

/// Writes the target shapes that a bake would fit to (or those held out) into a new folder, in each of the forms, with
/// the poses that they belong to.
///
/// # Errors
/// As for a bake, up to the fit; a file of several skins; a folder that is not new.
pub fn write_shapes(
    request: &Request,
    folder: &Path,
    forms: &[Form],
    held_out: bool,
    watch: &dyn Watch,
) -> Result<WrittenShapes, Error> {
    let draft = DraftFolder::new(folder)?;
    let source = Source::open(request)?;
    if source.loaded.len() > 1 {
        let found = format!("{} of them", source.loaded.len());
        let fault = Fault::new(&request.input, "skins", "one skin", found).remedy(
            "a shape holds all vertices of a file: part the file, or bake it from its layers",
        );
        return Err(fault.into());
    }
    let work = source.prepare(request, 0)?;
    let (character, surface) = (work.character, &work.character.surface);
    let held = HELD * surface.len() * size_of::<[f32; 3]>();
    let width = work.width_within(request, source.file_bytes + held as u64)?;
    let poses = match held_out {
        true => &work.poses.held_out,
        false => &work.poses.fit,
    };
    if poses.is_empty() {
        let fault = Fault::new(&request.input, "recipe poses", "at least one pose", "none");
        return Err(Error::Setting(vec![fault]));
    }
    let in_scene = |shape: &[[f32; 3]]| -> Vec<[f32; 3]> {
        shape.iter().map(|&at| character.in_scene(at)).collect()
    };
    let mesh = Mesh {
        positions: in_scene(&surface.positions),
        triangles: surface.triangles.clone(),
    };
    let mut writers = forms
        .iter()
        .map(|&form| ShapeWriter::new(draft.path(), form, &mesh, poses.len()))
        .collect::<Result<Vec<_>, Error>>()?;
    for first in (0..poses.len()).step_by(HELD) {
        let held: Vec<Pose> = (first..poses.len().min(first + HELD))
            .map(|at| poses.get(at).into_owned())
            .collect();
        let shapes = references(&work, &held, width, watch)?;
        for (pose, shape) in held.iter().zip(&shapes) {
            let shape = in_scene(shape);
            for writer in &mut writers {
                writer.put(&pose.name, &shape)?;
            }
        }
    }
    for writer in writers {
        writer.finish()?;
    }
    let json = pose::file::to_json(poses, &character.skeleton).to_string() + "\n";
    asset::write_lightly(&draft.path().join(POSES_BESIDE), json.as_bytes())?;
    if watch.interrupted() {
        return Err(Error::Interrupted);
    }
    draft.finish()?;
    Ok(WrittenShapes {
        shapes: poses.len(),
        notes: work.warnings.clone(),
    })
}

/// The pose file that belongs to shapes: in their folder.
fn beside(shapes: &Path) -> PathBuf {
    match shapes.is_dir() {
        true => shapes.join(POSES_BESIDE),
        false => asset::folder_of(shapes).join(POSES_BESIDE),
    }
}

fn file_poses(
    files: &ShapeFiles,
    path: &Path,
    skins: &[&Character],
    is_given: bool,
) -> Result<Vec<Vec<Pose>>, Error> {
    if !is_given && !path.exists() {
        let expected = format!("a pose for each of the {} shapes", files.len());
        let found = format!("no {POSES_BESIDE} with them");
        let fault = Fault::new(files.path(), "", expected, found)
            .remedy("give --poses FILE, or --targets-clip NAME with --targets-rate");
        return Err(Error::Setting(vec![fault]));
    }
    let text = read_text(path, "pose file")?;
    let skeletons: Vec<_> = skins.iter().map(|skin| &skin.skeleton).collect();
    let poses = pose::file::parse(path, &text, &skeletons)?;
    let count = poses.first().map_or(0, Vec::len);
    if count == files.len() {
        return Ok(poses);
    }
    let expected = format!(
        "{} poses, one for each shape of {}",
        files.len(),
        files.path().display()
    );
    let fault = Fault::new(path, "poses", expected, count.to_string());
    Err(fault
        .remedy("the first pose belongs to the first shape, and so on")
        .into())
}

/// The frames of a clip at 0, 1/rate, 2/rate seconds and so on; also its very end, if there is a shape for it.
fn clip_poses(
    files: &ShapeFiles,
    document: &Document,
    skins: &[&Character],
    name: &str,
    rate: f64,
) -> Result<Vec<Vec<Pose>>, Error> {
    let mut all = Vec::new();
    for skin in skins {
        let (clips, _) = asset::clips(document, &skin.skeleton, rate)?;
        let Some(mut clip) = clips
            .iter()
            .position(|clip| clip.name == name)
            .map(|at| clips[at].clone())
        else {
            let names: Vec<&str> = clips.iter().map(|clip| clip.name.as_str()).collect();
            let expected = match names.is_empty() {
                true => "a file with clips that move its joints".to_owned(),
                false => format!("one of {}", names.join(", ")),
            };
            let fault = Fault::new(
                document.path(),
                "--targets-clip",
                expected,
                format!("{name:?}"),
            );
            return Err(Error::Setting(vec![fault]));
        };
        let is_between = |time: f64| (time * rate - (time * rate).round()).abs() > 1e-6;
        let ends_between = clip.frames.last().is_some_and(|last| is_between(last.time));
        if ends_between && clip.frames.len() == files.len() + 1 {
            clip.frames.pop();
        }
        if clip.frames.len() != files.len() {
            let frames = clip.frames.len() - usize::from(ends_between);
            let seconds = clip.frames.last().map_or(0.0, |last| last.time);
            let expected = format!(
                "{frames} shapes: clip {name:?} lasts {seconds:.3} s, {rate} frames a second"
            );
            let fault = Fault::new(files.path(), "", expected, files.len().to_string());
            return Err(fault
                .remedy("check --targets-rate, and that every frame was exported")
                .into());
        }
        let pose = |frame: &crate::rig::Frame| {
            let moves = skin.skeleton.ids().map(|id| (id, frame.moves[id.index()]));
            Pose::new(format!("clip {name} {:.3} s", frame.time), moves)
        };
        all.push(clip.frames.iter().map(pose).collect());
    }
    Ok(all)
}
