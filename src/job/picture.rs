//! Stills of skins: poses as the layers have them and as baked, and what the bake works with.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use super::compare::{self, Pairing};
use super::onto::{self, Of};
use super::shapes::shapes;
use super::source::Source;
use super::work::Work;
use super::{Request, Watch, describe};
use crate::asset::{self, Document};
use crate::bind::Kind;
use crate::error::{Error, Fault};
use crate::measure::outliers;
use crate::page::{Motion, MotionPose};
use crate::picture::{Kinds, Shot, Still, Studio, Style, Subject};
use crate::pose::Poses;
use crate::rig::{Character, JointId, Pose, PoseSequence, Weights};

/// What to draw of each skin, and how.
#[derive(Clone, Debug, PartialEq)]
pub struct Views {
    /// The stills, in order.
    pub shows: Vec<Show>,
    /// How many of the worst poses [`Show::Difference`] has.
    pub worst: usize,
    /// Whether it has the bind pose, after them.
    pub bind: bool,
    /// Poses, by name, that it has in place of all these.
    pub poses: Vec<String>,
    /// How they are drawn.
    pub style: Style,
    /// How many of the worst poses there are to play, after the bind pose; 0 is no motion at all.
    pub motion: usize,
}

/// What a still shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Show {
    /// The bind pose and poses of interest, each as reference, as baked, and the difference.
    Difference,
    /// The number of joints a vertex.
    Influences,
    /// The rigid bind.
    Regions,
    /// What each connected piece does.
    Pieces,
    /// Vertices whose weights stand out from their neighbours'.
    Outliers,
    /// The weights of the joint of that name.
    Weights(String),
}

/// Worst poses by default.
pub const WORST_POSES: usize = 3;

impl Default for Views {
    fn default() -> Self {
        Self {
            shows: vec![Show::Difference],
            worst: WORST_POSES,
            bind: true,
            poses: Vec::new(),
            style: Style::default(),
            motion: 0,
        }
    }
}

/// Which file to draw, and how.
#[derive(Clone, Debug)]
pub struct PictureRequest {
    /// The character that gives bind, layers and poses, with the recipe for them; the file itself, or what it was
    /// baked from.
    pub source: Request,
    /// The file whose weights are shown.
    pub baked: PathBuf,
    /// What to draw.
    pub views: Views,
}

/// What a bake draws of each skin, beside the result.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Draws {
    /// For files of their own.
    pub pictures: Option<Views>,
    /// For the page of the run.
    pub page: Option<Views>,
}

/// What a bake drew of its skins.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drawings {
    /// For files of their own.
    pub pictures: Vec<Drawn>,
    /// For the page of the run.
    pub page: Vec<Drawn>,
}

/// The stills of one skin.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// The skin's place in the source.
    pub skin: usize,
    /// Its name.
    pub name: String,
    /// In the order asked for.
    pub stills: Vec<Still>,
    /// The skin in motion, if that was asked for.
    pub motion: Option<Motion>,
    /// What the user should know.
    pub notes: Vec<String>,
}

impl Draws {
    /// Whether nothing is to be drawn.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }

    /// An upper estimate of what drawing a skin takes, in bytes.
    pub(super) fn bytes(&self, character: &Character, width: usize) -> usize {
        let of = |views: &Views| views.bytes(character, width);
        let each = [&self.pictures, &self.page].map(|views| views.as_ref().map_or(0, of));
        // One after the other.
        each[0].max(each[1])
    }

    /// Draws a skin that was baked; `weights` are those written.
    pub(super) fn draw(
        &self,
        work: &Work,
        file: &Path,
        weights: &Weights,
        (skin, width): (usize, usize),
        watch: &dyn Watch,
        drawings: &mut Drawings,
    ) -> Result<(), Error> {
        let wants = |views: &Option<Views>| views.as_ref().is_some_and(Views::needs_worst);
        let worst = match wants(&self.pictures) || wants(&self.page) {
            true => compare::worst_poses(work, file, weights, width, watch)?,
            false => Vec::new(),
        };
        for (views, drawn) in [
            (&self.pictures, &mut drawings.pictures),
            (&self.page, &mut drawings.page),
        ] {
            let Some(views) = views else { continue };
            drawn.push(Drawn {
                skin,
                name: work.character().name.clone(),
                stills: views.draw(work, file, weights, &worst, width, watch)?,
                motion: views.play(work, weights, &worst, width, watch)?,
                notes: Vec::new(),
            });
        }
        Ok(())
    }

    /// Draws the skins of a result that is there already.
    ///
    /// # Errors
    /// As of [`pictures`].
    pub fn of_result(
        &self,
        source: &Request,
        baked: &Path,
        watch: &dyn Watch,
    ) -> Result<Drawings, Error> {
        let draw = |views: &Option<Views>| match views {
            Some(views) => pictures(
                &PictureRequest {
                    source: source.clone(),
                    baked: baked.to_owned(),
                    views: views.clone(),
                },
                watch,
            ),
            None => Ok(Vec::new()),
        };
        Ok(Drawings {
            pictures: draw(&self.pictures)?,
            page: draw(&self.page)?,
        })
    }
}

/// Writes the stills of a file's skins beside each other, as `<name>.<still>.png`, with the number of the skin between
/// where there are several. Gives their paths.
///
/// # Errors
/// [`Error::Output`].
pub fn write_stills(folder: &Path, name: &OsStr, drawn: &[Drawn]) -> Result<Vec<PathBuf>, Error> {
    std::fs::create_dir_all(folder).map_err(|error| Error::Output {
        path: folder.to_owned(),
        reason: error.to_string(),
    })?;
    let mut written = Vec::new();
    for one in drawn {
        for still in &one.stills {
            let mut name = name.to_owned();
            if drawn.len() > 1 {
                name.push(format!(".{}", one.skin));
            }
            name.push(format!(".{}.png", still.name));
            let path = folder.join(name);
            asset::write_atomically(&path, &still.png)?;
            written.push(path);
        }
    }
    Ok(written)
}

/// Draws the skins of a file.
///
/// # Errors
/// Files that cannot be read, that have no weights where they are to be shown, or that do not fit each other; joints
/// and poses that are not there.
pub fn pictures(request: &PictureRequest, watch: &dyn Watch) -> Result<Vec<Drawn>, Error> {
    let source = Source::open(&request.source)?;
    let (file, input) = (request.baked.as_path(), request.source.input.as_path());
    let mut bytes = source.file_bytes;
    let others = if file == input {
        None
    } else {
        bytes += asset::reading_bytes(file);
        let document = Document::open(file)?;
        Some(asset::characters(&document, None)?)
    };
    let others = others.as_deref();
    let pairing = others.map(|others| Pairing::new((input, &source.loaded), (file, others)));
    let mut drawn = Vec::new();
    for (skin, loaded) in source.loaded.iter().enumerate() {
        let reference = Of::new(input, loaded);
        let mut notes = Vec::new();
        let weights = match (others, &pairing) {
            (Some(others), Some(pairing)) => {
                let Some(partner) = pairing.partners[skin] else {
                    continue;
                };
                let read = onto::read(Of::new(file, &others[partner]), reference);
                let read = read.map_err(Error::Input)?;
                notes.extend(read.notes);
                Some(read.weights)
            }
            _ => loaded.character.weights.clone(),
        };
        let work = source.prepare(&request.source, skin)?;
        let drawing = request
            .views
            .bytes(work.character(), rayon::current_num_threads());
        let width = work.width_within(&request.source, bytes + drawing as u64)?;
        notes.extend(work.warnings.iter().cloned());
        let worst = match &weights {
            Some(weights) if request.views.needs_worst() => {
                compare::worst_poses(&work, input, weights, width, watch)?
            }
            _ => Vec::new(),
        };
        let stills = match &weights {
            Some(weights) => request
                .views
                .draw(&work, input, weights, &worst, width, watch)?,
            None if request.views.shows.iter().all(Show::needs_no_weights) => {
                let base = work.stack.base();
                request
                    .views
                    .draw(&work, input, base, &worst, width, watch)?
            }
            None => return Err(onto::without_weights(reference).into()),
        };
        let motion = match &weights {
            Some(weights) => request.views.play(&work, weights, &worst, width, watch)?,
            None => None,
        };
        drawn.push(Drawn {
            skin,
            name: loaded.character.name.clone(),
            stills,
            motion,
            notes,
        });
    }
    match (drawn.is_empty(), others) {
        (true, Some(_)) => {
            let fault = Fault::new(file, "skins", "a skin of the source", "none that fits")
                .remedy("give the source that it was baked from");
            Err(fault.into())
        }
        _ => Ok(drawn),
    }
}

impl Show {
    fn needs_no_weights(&self) -> bool {
        matches!(self, Self::Regions | Self::Pieces)
    }
}

impl Views {
    /// Whether the worst poses have to be known.
    pub(super) fn needs_worst(&self) -> bool {
        self.motion > 0
            || self.shows.contains(&Show::Difference) && self.worst > 0 && self.poses.is_empty()
    }

    /// An upper estimate of what drawing a skin takes, in bytes.
    fn bytes(&self, character: &Character, width: usize) -> usize {
        let surface = &character.surface;
        let (vertices, triangles) = (surface.len(), surface.triangles.len());
        let [across, down] = self.style.size.map(|side| side as usize);
        let shots = self.worst + self.poses.len() + usize::from(self.bind);
        // Colours, what shows, and the finished file; triangles in pixels on every thread while a camera is sought;
        // edges, normals; two shapes a pose.
        across * down * 24 + triangles * (120 * (width + 1) + 140) + vertices * (24 * shots + 120)
    }

    /// Draws one skin. `worst` are places of poses, in the set that stands for all (held out, if there are any), the
    /// worst first.
    pub(super) fn draw(
        &self,
        work: &Work,
        file: &Path,
        weights: &Weights,
        worst: &[usize],
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Vec<Still>, Error> {
        let character = work.character();
        let surface = &character.surface;
        let diagonal = surface.diagonal();
        let studio = Studio {
            name: character.name.clone(),
            subject: Subject::new(
                &surface.positions,
                &surface.triangles,
                character.to_scene,
                diagonal,
            ),
            unit: diagonal / 100.0 * character.scene_scale,
            style: self.style,
        };
        let mut stills = Vec::new();
        for show in &self.shows {
            match show {
                Show::Difference => {
                    for shot in self.shots(work, file, weights, worst, width, watch)? {
                        stills.push(studio.difference(&shot));
                    }
                }
                Show::Influences => {
                    let counts = (0..weights.len()).map(|v| weights.of(v).count());
                    stills.push(studio.influences(&counts.collect::<Vec<_>>(), weights.slots()));
                }
                Show::Regions => {
                    let joints = character.skeleton.joints().iter();
                    stills.push(studio.regions(&Kinds {
                        of: work.bound.joints.iter().map(|j| j.index() as u32).collect(),
                        names: joints.map(|joint| joint.name.clone()).collect(),
                    }));
                }
                Show::Pieces => {
                    let (kinds, counts) = pieces(work);
                    stills.push(studio.pieces(&kinds, &counts));
                }
                Show::Outliers => {
                    stills.push(studio.outliers(&outliers(&surface.rings, weights)));
                }
                Show::Weights(name) => {
                    let joint = joint(character, file, name)?;
                    let of = |v| weights.of(v).find(|(id, _)| *id == joint);
                    let values = (0..weights.len()).map(|v| of(v).map_or(0.0, |(_, value)| value));
                    stills.push(studio.weights(name, &values.collect::<Vec<_>>()));
                }
            }
        }
        Ok(stills)
    }

    /// The skin in the bind pose and the worst, to play.
    fn play(
        &self,
        work: &Work,
        weights: &Weights,
        worst: &[usize],
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Option<Motion>, Error> {
        if self.motion == 0 {
            return Ok(None);
        }
        let character = work.character();
        let (skeleton, surface) = (&character.skeleton, &character.surface);
        let (set, held_out) = work.poses.held_out_or_fit();
        let worst = worst.iter().take(self.motion);
        let mut poses = vec![Pose::new("bind", Vec::new())];
        poses.extend(worst.map(|&place| set.get(place).into_owned()));
        let shapes = shapes(work, &poses, weights, width, watch)?;
        let moved = poses.into_iter().zip(shapes).enumerate();
        let poses = moved.map(|(number, (pose, shapes))| MotionPose {
            held_out: (number > 0).then_some(held_out),
            matrices: skeleton
                .skinning_matrices(&pose)
                .iter()
                .map(|matrix| std::array::from_fn(|i| matrix[(i / 4, i % 4)] as f32))
                .collect(),
            name: pose.name,
            reference: shapes.reference,
            baked: shapes.baked,
        });
        let row = |v| {
            weights
                .of(v)
                .map(|(joint, weight)| (joint.index() as u16, weight))
        };
        let diagonal = surface.diagonal();
        Ok(Some(Motion {
            positions: surface.positions.clone(),
            triangles: surface.triangles.clone(),
            joints: skeleton.joints().len(),
            weights: (0..weights.len()).map(|v| row(v).collect()).collect(),
            to_scene: character.to_scene,
            diagonal,
            unit: diagonal / 100.0 * character.scene_scale,
            poses: poses.collect(),
        }))
    }

    /// The poses to show, posed both ways.
    fn shots(
        &self,
        work: &Work,
        file: &Path,
        weights: &Weights,
        worst: &[usize],
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Vec<Shot>, Error> {
        // Name of the still, pose, and whether it is held out.
        let mut wanted: Vec<(String, Pose, Option<bool>)> = Vec::new();
        if self.poses.is_empty() {
            let (poses, held_out) = work.poses.held_out_or_fit();
            for (rank, &place) in worst.iter().take(self.worst).enumerate() {
                let name = format!("worst-{}", rank + 1);
                wanted.push((name, poses.get(place).into_owned(), Some(held_out)));
            }
            if self.bind {
                wanted.push(("bind".to_owned(), Pose::new("bind", Vec::new()), None));
            }
        }
        for (number, name) in self.poses.iter().enumerate() {
            let (pose, held_out) = named(work, file, name)?;
            wanted.push((format!("pose-{}", number + 1), pose, Some(held_out)));
        }
        let poses: Vec<Pose> = wanted.iter().map(|(_, pose, _)| pose.clone()).collect();
        let shapes = shapes(work, &poses, weights, width, watch)?;
        let shots = wanted.into_iter().zip(shapes);
        Ok(shots
            .map(|((name, pose, held_out), shapes)| Shot {
                name,
                pose: pose.name,
                held_out,
                reference: shapes.reference,
                baked: shapes.baked,
            })
            .collect())
    }
}

/// The pose of that name, and whether it is held out.
fn named(work: &Work, file: &Path, name: &str) -> Result<(Pose, bool), Error> {
    let find = |poses: &Poses| {
        poses
            .iter()
            .find(|pose| pose.name == name)
            .map(|pose| pose.into_owned())
    };
    let sets = [(&work.poses.held_out, true), (&work.poses.fit, false)];
    let mut found = sets
        .into_iter()
        .filter_map(|(poses, held_out)| Some((find(poses)?, held_out)));
    found.next().ok_or_else(|| {
        let some = sets.iter().flat_map(|(poses, _)| poses.iter().take(3));
        let some: Vec<String> = some.map(|pose| format!("{:?}", pose.name)).collect();
        let expected = format!("the name of a pose, such as {}", some.join(", "));
        let fault = Fault::new(file, "--pose", expected, format!("{name:?}"))
            .remedy("tanyard poses FILE -o poses.json lists all names");
        Error::Setting(vec![fault])
    })
}

/// The joint of that name.
fn joint(character: &Character, file: &Path, name: &str) -> Result<JointId, Error> {
    let skeleton = &character.skeleton;
    let found = skeleton.ids().find(|&id| skeleton.joint(id).name == name);
    found.ok_or_else(|| {
        let names: Vec<String> = skeleton
            .joints()
            .iter()
            .map(|joint| joint.name.clone())
            .collect();
        let expected = format!(
            "a joint of {}: {}",
            character.name,
            describe::some_of(&names)
        );
        let fault = Fault::new(file, "--joint", expected, format!("{name:?}"));
        Error::Setting(vec![fault])
    })
}

/// What the piece of each vertex does, and how many pieces do it.
fn pieces(work: &Work) -> (Kinds, [usize; 3]) {
    let kind = |kind: Kind| match kind {
        Kind::Own => 0,
        Kind::Ride => 1,
        Kind::Cling => 2,
    };
    let pieces = &work.bound.pieces;
    let mut counts = [0; 3];
    pieces
        .iter()
        .for_each(|piece| counts[kind(piece.kind)] += 1);
    let of = work.character().surface.piece_of.iter();
    let kinds = Kinds {
        of: of
            .map(|&piece| kind(pieces[piece as usize].kind) as u32)
            .collect(),
        names: ["own", "ride", "cling"].map(str::to_owned).to_vec(),
    };
    (kinds, counts)
}
