//! Stills of skins: poses as the layers have them and as baked, and what the bake works with.

use std::path::{Path, PathBuf};

use super::compare::{self, Pairing};
use super::onto::{self, Of};
use super::posed::posed;
use super::source::Source;
use super::work::Work;
use super::worn::Worn;
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

/// A skin that is drawn.
#[derive(Clone, Copy)]
pub(super) struct Sitter<'a> {
    pub work: &'a Work<'a>,
    /// The skin's place in the file.
    pub skin: usize,
    /// The file that faults name.
    pub file: &'a Path,
    /// What is shown.
    pub weights: &'a Weights,
    /// Places of poses in the set that stands for all (held out, if there are any), the worst first.
    pub worst: &'a [usize],
    pub width: usize,
    pub watch: &'a dyn Watch,
}

impl Draws {
    /// Whether nothing is to be drawn.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }

    fn views(&self) -> impl Iterator<Item = &Views> {
        self.pictures.iter().chain(&self.page)
    }

    /// An upper estimate of what drawing a skin takes, in bytes.
    pub(super) fn bytes(&self, character: &Character) -> usize {
        // One after the other.
        let each = self.views().map(|views| views.bytes(character));
        each.max().unwrap_or(0)
    }

    /// Draws a skin.
    pub(super) fn draw(
        &self,
        sitter: Sitter,
        notes: &[String],
        drawings: &mut Drawings,
    ) -> Result<(), Error> {
        for (views, drawn) in [
            (&self.pictures, &mut drawings.pictures),
            (&self.page, &mut drawings.page),
        ] {
            let Some(views) = views else { continue };
            drawn.push(Drawn {
                skin: sitter.skin,
                name: sitter.work.character.name.clone(),
                stills: views.draw(sitter)?,
                motion: views.play(sitter)?,
                notes: notes.to_vec(),
            });
        }
        Ok(())
    }
}

/// Writes the stills of a file's skins beside each other, as `<beginning>.<still>.png`, with the number of the skin
/// between where there are several. Makes their folder; gives their paths.
///
/// # Errors
/// [`Error::Output`].
pub fn write_stills(beginning: &Path, drawn: &[Drawn]) -> Result<Vec<PathBuf>, Error> {
    asset::make_folder(asset::folder_of(beginning))?;
    let mut written = Vec::new();
    for one in drawn {
        for still in &one.stills {
            let mut path = beginning.as_os_str().to_owned();
            if drawn.len() > 1 {
                path.push(format!(".{}", one.skin));
            }
            path.push(format!(".{}.png", still.name));
            let path = PathBuf::from(path);
            asset::write_atomically(&path, &still.png)?;
            written.push(path);
        }
    }
    Ok(written)
}

/// Draws the skins of a file that is there, as `source` asks: with the weights of `file`, on the reference that the
/// source gives, which is the file itself or what it was baked from.
///
/// # Errors
/// Files that cannot be read, that have no weights where they are to be shown, or that do not fit each other; joints
/// and poses that are not there.
pub fn drawings(request: &Request, file: &Path, watch: &dyn Watch) -> Result<Drawings, Error> {
    let (draws, input) = (&request.draws, request.input.as_path());
    let source = Source::open(request)?;
    let mut bytes = source.file_bytes;
    let others = if file == input {
        None
    } else {
        bytes += asset::reading_bytes(file);
        let document = Document::open(file)?;
        let skins = asset::characters(&document, None)?;
        let pairing = Pairing::new((input, &source.loaded), (file, &skins));
        Some((skins, pairing))
    };
    let (mut drawings, mut fits) = (Drawings::default(), others.is_none());
    for (skin, loaded) in source.loaded.iter().enumerate() {
        let mut notes = Vec::new();
        let theirs = match &others {
            Some((skins, pairing)) => {
                let Some(partner) = pairing.partners[skin] else {
                    continue;
                };
                Some(&skins[partner])
            }
            None => None,
        };
        let of_theirs = theirs.and_then(Worn::of);
        let worn = match theirs {
            Some(_) => of_theirs.as_ref(),
            None => source.worn(skin),
        };
        let wearing = worn.and_then(|worn| worn.on(&loaded.character));
        let character = wearing
            .as_ref()
            .map_or(&loaded.character, |wearing| &wearing.character);
        let reference = Of::new(input, character);
        let weights = match theirs {
            Some(skin) => {
                let read = onto::read(Of::new(file, &skin.character), reference);
                let read = read.map_err(Error::Input)?;
                notes.extend(read.notes);
                Some(read.weights)
            }
            None => match (&wearing, worn) {
                (Some(_), Some(worn)) => worn.character.weights.clone(),
                _ => loaded.character.weights.clone(),
            },
        };
        notes.extend(wearing.as_ref().and(worn).map(Worn::note));
        fits = true;
        if weights.is_none() && draws.views().any(Views::needs_weights) {
            return Err(onto::without_weights(reference).into());
        }
        let mut work = source.prepare(request, skin)?;
        let width = work.width_within(request, bytes)?;
        if let (Some(wearing), Some(weights)) = (&wearing, &weights) {
            work = wearing.dress(work, weights, (width, watch))?;
        }
        let work = work;
        let weights = weights.as_ref().unwrap_or(work.stack.base());
        notes.extend(work.warnings.iter().cloned());
        let worst = match draws.views().any(Views::needs_worst) {
            true => compare::worst_poses(&work, input, weights, width, watch)?,
            false => Vec::new(),
        };
        let sitter = Sitter {
            work: &work,
            skin,
            file: input,
            weights,
            worst: &worst,
            width,
            watch,
        };
        draws.draw(sitter, &notes, &mut drawings)?;
    }
    if fits {
        return Ok(drawings);
    }
    let fault = Fault::new(file, "skins", "a skin of the source", "none that fits")
        .remedy("give the source that it was baked from");
    Err(fault.into())
}

impl Show {
    /// Each that needs no name of a joint, with its own name, and what it shows.
    pub const ALL: [(Self, &'static str, &'static str); 5] = [
        (
            Self::Difference,
            "difference",
            "Poses as reference, as baked, and the difference",
        ),
        (
            Self::Influences,
            "influences",
            "The number of joints a vertex",
        ),
        (Self::Regions, "regions", "The rigid bind"),
        (Self::Pieces, "pieces", "What each connected piece does"),
        (
            Self::Outliers,
            "outliers",
            "Vertices whose weights stand out from their neighbours'",
        ),
    ];

    fn needs_weights(&self) -> bool {
        !matches!(self, Self::Regions | Self::Pieces)
    }
}

impl Views {
    /// Whether the worst poses have to be known.
    fn needs_worst(&self) -> bool {
        self.motion > 0
            || self.shows.contains(&Show::Difference) && self.worst > 0 && self.poses.is_empty()
    }

    fn needs_weights(&self) -> bool {
        self.motion > 0 || self.shows.iter().any(Show::needs_weights)
    }

    /// An upper estimate of what drawing a skin takes, in bytes.
    fn bytes(&self, character: &Character) -> usize {
        let surface = &character.surface;
        let (vertices, triangles) = (surface.len(), surface.triangles.len());
        let [across, down] = self.style.size.map(|side| side as usize);
        let shots = self.worst + self.poses.len() + usize::from(self.bind) + 3 * self.motion;
        let threads = rayon::current_num_threads();
        // Colours, what shows, and the finished file; triangles in pixels on every thread while a camera is sought;
        // edges, normals; two shapes a pose.
        across * down * 24 + triangles * (120 * (threads + 1) + 140) + vertices * (24 * shots + 120)
    }

    fn draw(&self, sitter: Sitter) -> Result<Vec<Still>, Error> {
        let Sitter {
            work,
            file,
            weights,
            ..
        } = sitter;
        let character = work.character;
        let surface = &character.surface;
        let diagonal = surface.diagonal();
        let studio = Studio {
            name: character.name.clone(),
            subject: Subject::new(
                &surface.positions,
                &surface.triangles,
                character.to_scene(),
                diagonal,
            ),
            unit: diagonal / 100.0 * character.scene_scale,
            style: self.style,
        };
        let mut stills = Vec::new();
        for show in &self.shows {
            match show {
                Show::Difference => {
                    for shot in self.shots(sitter)? {
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
    fn play(&self, sitter: Sitter) -> Result<Option<Motion>, Error> {
        if self.motion == 0 {
            return Ok(None);
        }
        let Sitter { work, weights, .. } = sitter;
        let character = work.character;
        let (skeleton, surface) = (&character.skeleton, &character.surface);
        let (set, held_out) = work.poses.held_out_or_fit();
        let worst = sitter.worst.iter().take(self.motion);
        let mut poses = vec![Pose::bind("bind")];
        poses.extend(worst.map(|&place| set.get(place).into_owned()));
        let shapes = posed(work, &poses, weights, sitter.width, sitter.watch)?;
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
            to_scene: character.to_scene(),
            diagonal,
            unit: diagonal / 100.0 * character.scene_scale,
            poses: poses.collect(),
        }))
    }

    /// The poses to show, posed both ways.
    fn shots(&self, sitter: Sitter) -> Result<Vec<Shot>, Error> {
        let Sitter {
            work,
            file,
            weights,
            ..
        } = sitter;
        // Name of the still, pose, and whether it is held out.
        let mut wanted: Vec<(String, Pose, Option<bool>)> = Vec::new();
        if self.poses.is_empty() {
            let (poses, held_out) = work.poses.held_out_or_fit();
            for (rank, &place) in sitter.worst.iter().take(self.worst).enumerate() {
                let name = format!("worst-{}", rank + 1);
                wanted.push((name, poses.get(place).into_owned(), Some(held_out)));
            }
            if self.bind {
                wanted.push(("bind".to_owned(), Pose::bind("bind"), None));
            }
        }
        for (number, name) in self.poses.iter().enumerate() {
            let (pose, held_out) = named(work, file, name)?;
            wanted.push((format!("pose-{}", number + 1), pose, Some(held_out)));
        }
        let poses: Vec<Pose> = wanted.iter().map(|(_, pose, _)| pose.clone()).collect();
        let shapes = posed(work, &poses, weights, sitter.width, sitter.watch)?;
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
    let of = work.character.surface.piece_of.iter();
    let kinds = Kinds {
        of: of
            .map(|&piece| kind(pieces[piece as usize].kind) as u32)
            .collect(),
        names: ["own", "ride", "cling"].map(str::to_owned).to_vec(),
    };
    (kinds, counts)
}
