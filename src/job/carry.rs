//! Weights of one surface on another: LODs, cages, clothes.

use std::path::{Path, PathBuf};
use std::time::Instant;

use nalgebra::{Matrix4, Point3};

use super::Request;
use super::onto;
use super::source::{LEAST_CANDIDATE_MASS, Source};
use super::work::Work;
use super::worn::Worn;
use crate::asset::{self, Document, Loaded};
use crate::bind::{Bound, Kind};
use crate::carry::{self, Row};
use crate::deform::Follower;
use crate::error::{Error, Fault};
use crate::fit::{self, Candidates};
use crate::pose::matcher;
use crate::recipe::Symmetry;
use crate::report::CarryReport;
use crate::rig::{Character, Cling, JointId, Mirror, Sight, Skeleton, Weights, add_to};

/// Whose weights to carry, and how.
#[derive(Clone, Debug, PartialEq)]
pub struct Carry {
    /// The file of the surface that has weights.
    pub from: PathBuf,
    /// The character before baking, which gives bind, layers and poses; by default the file itself.
    pub source: Option<PathBuf>,
    /// The meshes that give weights, by a pattern for names of nodes and meshes; by default all others.
    pub from_meshes: Option<String>,
    /// The meshes that get weights; by default all, or all others if both are in one file.
    pub to_meshes: Option<String>,
    /// Whether the new vertices are fitted to the target surface; else they keep the weights of the closest places.
    pub refit: bool,
}

/// Joints whose places differ by less than this share of the skeleton's size stand in one place.
const SAME_PLACE: f64 = 0.01;

/// Weights of partners may differ by so much in all: by what a seam of the other surface moves from one side of an edge
/// of this one to the other.
const MOST_UNLIKE: f64 = 0.05;

/// Vertices that tell how far two surfaces are apart.
const SAMPLES: usize = 500;

/// What carrying starts from: a surface with its stack, and its weights.
pub(super) struct Giver<'a> {
    pub work: &'a Work<'a>,
    pub weights: &'a Weights,
    /// The file that the report names.
    pub file: &'a Path,
}

/// A surface that follows another one.
pub(super) struct Carried {
    /// In the space and on the skeleton of the other.
    character: Character,
    places: Vec<Cling>,
    /// For each vertex the joints that the closest place has, among those that it may have.
    rows: Vec<Row>,
    bound: Bound,
    /// For each joint of the other the one that takes its weight, also of the other.
    takes: Vec<JointId>,
    /// For each joint of the other its own.
    own: Vec<Option<JointId>>,
    report: CarryReport,
    notes: Vec<String>,
    seconds: f64,
}

impl Carried {
    /// Finds the places and weights of `to`, a surface of `file`, on the joints of `skeleton`: its own, and helper joints
    /// that its skin gets behind them. `lod` is the `[[lod]]` table of the recipe that asks for it.
    pub(super) fn new(
        giver: &Giver,
        file: &Path,
        to: &Loaded,
        lod: Option<usize>,
        skeleton: &Skeleton,
    ) -> Result<Self, Error> {
        let clock = Instant::now();
        let from = giver.work.character;
        let mut notes = [&to.notes[..], &to.skin_notes[..]].concat();
        let Joints {
            takes,
            own,
            missing,
        } = joints(&from.skeleton, skeleton)
            .ok_or_else(|| no_joint(file, giver.file, &to.character))?;
        let (matrix, note) = alignment(from, &to.character, &own);
        notes.extend(note);
        let character = moved(&to.character, &matrix, from);
        let surface = &character.surface;
        let found = carry::matches(
            &from.surface,
            giver.weights,
            surface,
            &carry::Options::default(),
        );
        let known: Vec<bool> = found.places.iter().map(Option::is_some).collect();
        let taken = |rows: Vec<Row>| -> Vec<Row> {
            let taken = rows.into_iter().map(|row| {
                let mut sums = Row::new();
                for (joint, weight) in row {
                    add_to(&mut sums, takes[joint.index()], weight);
                }
                carry::sort(&mut sums);
                sums
            });
            taken.collect()
        };
        let mut rows = taken(carry::rows(giver.weights, &found.places));
        if !carry::fill(surface, &mut rows, &known) {
            notes.push(
                "the surface is too broken to fill weights smoothly: those of the nearest vertices are taken"
                    .to_owned(),
            );
        }
        let mut votes = taken(carry::rows(giver.work.stack.base(), &found.places));
        for (vote, row) in votes.iter_mut().zip(&rows) {
            if vote.is_empty() {
                vote.clone_from(row);
            }
        }
        let bound = Bound::following(&from.skeleton, surface, &votes);
        let report = CarryReport {
            file: giver.file.display().to_string(),
            from: from.name.clone(),
            lod,
            fitted: true,
            filled_vertices: known.iter().filter(|known| !**known).count(),
            forced_pieces: found.forced.len(),
            missing_joints: missing,
        };
        Ok(Self {
            places: found.places.into_iter().flatten().collect(),
            rows,
            bound,
            takes,
            own,
            report,
            notes,
            character,
            seconds: clock.elapsed().as_secs_f64(),
        })
    }

    /// The weights of the closest places, cut to the heaviest few, on the joints of the other.
    pub(super) fn plain(&self, influences: usize, steps: u32) -> Weights {
        carry::capped(&self.rows, influences, steps)
    }

    /// All that the fit needs to bring it close to the target surface of the other.
    pub(super) fn work(&self, giver: &Giver, request: &Request, influences: usize) -> Work<'_> {
        let clock = Instant::now();
        let (other, character) = (giver.work, &self.character);
        let symmetry = request.recipe.fit.symmetry;
        let mut mirror = match symmetry {
            Symmetry::Off => None,
            _ => Mirror::find(&character.skeleton, &character.surface, symmetry.axis()),
        };
        if let Some(mirror) = &mut mirror {
            self.part_unlike(mirror);
        }
        // A piece that rides moves with its joint, and with nothing else.
        let rides = |v: usize| {
            let piece = &self.bound.pieces[character.surface.piece_of[v] as usize];
            piece.joint.filter(|_| piece.kind == Kind::Ride)
        };
        let rows: Vec<Row> = self
            .rows
            .iter()
            .enumerate()
            .map(|(v, row)| rides(v).map_or_else(|| row.clone(), |joint| vec![(joint, 1.0)]))
            .collect();
        let places = self.places.iter().copied();
        let places: Vec<Cling> = places
            .filter(|p| rides(p.vertex as usize).is_none())
            .collect();
        let follower = Follower {
            surface: &character.surface,
            places: &places,
            rows: &rows,
            base: Weights::rigid(&self.bound.joints),
            joints: &self.takes,
        };
        let stack = other.stack.clone();
        let stack = stack.followed_by(&other.character.surface, &follower);
        let row = |v: usize| stack.spread().of(v);
        let candidates = match &mut mirror {
            Some(mirror) => fit::symmetric_candidates(row, LEAST_CANDIDATE_MASS, mirror),
            None => Candidates::new((0..character.surface.len()).map(row), LEAST_CANDIDATE_MASS),
        };
        Work {
            character,
            bound: self.bound.clone(),
            stack,
            feed: None,
            mirror,
            symmetry,
            kept: None,
            kept_notes: Vec::new(),
            candidates,
            first_helper: other.first_helper,
            helpers_asked: 0,
            influences,
            naive: self.plain(influences, request.recipe.write.weights.steps()),
            carried: Some(self.report.clone()),
            poses: other.poses.clone(),
            bind: format!("that of {} at the closest places", other.character.name),
            layers: other.layers.clone(),
            warnings: self.notes.clone(),
            shown: 0,
            prepare_s: self.seconds + clock.elapsed().as_secs_f64(),
        }
    }

    /// Partners that follow places with unlike weights are none: a mesh may be symmetric and what it follows not, or
    /// cut otherwise on both sides.
    fn part_unlike(&self, mirror: &mut Mirror) {
        let unlike = |v: usize, partner: usize, mirror: &Mirror| {
            let mut apart = self.rows[partner].clone();
            for &(joint, weight) in &self.rows[v] {
                add_to(&mut apart, mirror.joint(joint).unwrap_or(joint), -weight);
            }
            apart.iter().map(|entry| entry.1.abs()).sum::<f64>() > MOST_UNLIKE
        };
        let pairs = (0..self.rows.len()).filter_map(|v| Some((v, mirror.vertex(v)?)));
        let unlike = pairs.filter(|&(v, partner)| unlike(v, partner, mirror));
        for (v, _) in unlike.collect::<Vec<_>>() {
            mirror.part(v);
        }
    }

    /// Weights on the joints of the other as weights on its own.
    pub(super) fn on_own_joints(&self, weights: &Weights) -> Weights {
        let slots = weights.slots();
        let mut entries = vec![(JointId(0), 0.0); slots * weights.len()];
        for (v, slots) in entries.chunks_exact_mut(slots).enumerate() {
            let mut row = Row::new();
            for (joint, weight) in weights.of(v) {
                // A partner of a joint may be one that it lacks. What takes weight it has.
                let own = self.own[self.takes[joint.index()].index()];
                add_to(&mut row, own.unwrap_or(JointId(0)), f64::from(weight));
            }
            for (slot, (joint, weight)) in slots.iter_mut().zip(row) {
                *slot = (joint, weight as f32);
            }
        }
        Weights::new(slots, entries)
    }
}

/// How the joints of two skeletons go together.
struct Joints {
    /// For each joint of the first the one that takes its weight.
    takes: Vec<JointId>,
    /// For each joint of the first its namesake in the second.
    own: Vec<Option<JointId>>,
    /// The names that the second lacks.
    missing: Vec<String>,
}

/// A joint that `to` lacks gives its weight to the nearest above that it has, else to the first that it has; `None`
/// if they share none.
fn joints(from: &Skeleton, to: &Skeleton) -> Option<Joints> {
    let own = onto::namesakes(from, to);
    let mut order = from.parents_first().iter();
    let first = *order.find(|id| own[id.index()].is_some())?;
    let mut takes = vec![first; own.len()];
    for &id in from.parents_first() {
        takes[id.index()] = match (own[id.index()], from.joint(id).parent) {
            (Some(_), _) => id,
            (None, Some(parent)) => takes[parent.index()],
            (None, None) => first,
        };
    }
    let missing = from.ids().filter(|id| own[id.index()].is_none());
    let missing = missing.map(|id| from.joint(id).name.clone()).collect();
    Some(Joints {
        takes,
        own,
        missing,
    })
}

fn no_joint(file: &Path, from: &Path, to: &Character) -> Error {
    let first = to.skeleton.joints().first();
    let found = first.map_or(String::new(), |joint| {
        format!("{:?} and others", joint.name)
    });
    let expected = format!("at least one joint of {}", from.display());
    let fault = Fault::new(file, format!("joints of {:?}", to.name), expected, found);
    fault
        .remedy("joints go by their names: give both skeletons the same")
        .into()
}

/// Mesh space of `to` to that of `from`: by the scene that both stand in, else by the places of the joints that they
/// share.
fn alignment(
    from: &Character,
    to: &Character,
    own: &[Option<JointId>],
) -> (Matrix4<f64>, Option<String>) {
    let shared = from.skeleton.ids().zip(own);
    // Helper joints that it gets have no place of their own yet.
    let there = to.skeleton.joints().len();
    let shared = shared.filter_map(|(id, own)| Some((id, own.filter(|own| own.index() < there)?)));
    let place = |skeleton: &Skeleton, id| Point3::from(skeleton.origin(id));
    let (targets, points): (Vec<_>, Vec<_>) = shared
        .map(|(id, own)| (place(&from.skeleton, id), place(&to.skeleton, own)))
        .unzip();
    let size = from.skeleton.size().max(from.surface.diagonal() * 0.1);
    let apart = |matrix: &Matrix4<f64>| {
        let pairs = points.iter().zip(&targets);
        let apart = pairs.map(|(p, q)| (matrix.transform_point(p) - q).norm());
        apart.fold(0.0, f64::max) / size
    };
    let same = Matrix4::identity();
    let scene = from.placement.try_inverse().map(|back| back * to.placement);
    let scene = scene.unwrap_or(same);
    // One space, up to rounding, is one space to the bit.
    for matrix in [same, scene] {
        if apart(&matrix) <= 1e-5 {
            return (matrix, None);
        }
    }
    let by_scene = apart(&scene);
    if by_scene <= SAME_PLACE {
        return (scene, None);
    }
    if let Some(matrix) = carry::similarity(&points, &targets)
        && apart(&matrix) <= SAME_PLACE
    {
        let note = "the two files do not stand in one scene: they are laid upon each other by their joints";
        return (matrix, Some(note.to_owned()));
    }
    let note = format!(
        "joints stand up to {:.1} % of the skeleton's size apart in the two files: check that both are in the same \
         bind pose",
        100.0 * by_scene
    );
    (scene, Some(note))
}

/// A character in the space and on the skeleton of another.
fn moved(character: &Character, matrix: &Matrix4<f64>, onto: &Character) -> Character {
    let positions = &character.surface.positions;
    let moved = positions.iter().map(|p| {
        let at = matrix.transform_point(&Point3::from(p.map(f64::from)));
        [at.x as f32, at.y as f32, at.z as f32]
    });
    let surface = match *matrix == Matrix4::identity() {
        true => character.surface.clone(),
        false => character.surface.moved(moved.collect()),
    };
    Character {
        name: character.name.clone(),
        skeleton: onto.skeleton.clone(),
        surface,
        weights: None,
        parts: character.parts.clone(),
        scene_scale: onto.scene_scale,
        placement: onto.placement,
        saved_pose: None,
    }
}

/// Both surfaces of a request that carries.
pub(super) struct Pair {
    pub source: Source,
    /// The skin of the source that gives.
    pub giver: usize,
    pub weights: Weights,
    /// What gets weights.
    pub document: Document,
    pub takers: Vec<Loaded>,
    /// Bytes that reading took.
    pub bytes: u64,
}

impl Pair {
    /// Reads both files of a request.
    pub(super) fn open(request: &Request, carry: &Carry) -> Result<Self, Error> {
        let to = &request.input;
        let one_file = same_file(&carry.from, to);
        let pattern = |pattern: &Option<String>, word: &str| {
            let Some(text) = pattern else { return Ok(None) };
            let found = matcher(text).map(Some);
            found.map_err(|reason| {
                let fault = Fault::new(Path::new(word), "", "a name pattern", reason);
                Error::Setting(vec![fault])
            })
        };
        let from_meshes = pattern(&carry.from_meshes, "--from")?;
        let to_meshes = pattern(&carry.to_meshes, "--to")?;
        if one_file && to_meshes.is_none() && from_meshes.is_none() {
            let expected = "--from or --to, since both surfaces are in one file";
            let fault = Fault::new(to, "", expected, "neither");
            return Err(Error::Setting(vec![fault]));
        }
        let gives = |names: &[String]| match (&from_meshes, &to_meshes) {
            (Some(from), _) => names.iter().any(|name| from.is_match(name)),
            (None, Some(to)) if one_file => !names.iter().any(|name| to.is_match(name)),
            _ => true,
        };
        let takes = |names: &[String]| match (&to_meshes, &from_meshes) {
            (Some(to), _) => names.iter().any(|name| to.is_match(name)),
            (None, Some(from)) if one_file => !names.iter().any(|name| from.is_match(name)),
            _ => true,
        };
        let mut own = request.clone();
        own.input = carry.source.clone().unwrap_or_else(|| carry.from.clone());
        own.recipe.lod = Vec::new();
        own.recipe.fit.only = None;
        own.skeleton = None;
        let mut source = Source::open(&own)?;
        source.keep_only(&gives)?;
        let giver = only_one(&own.input, "--from", &source.loaded)?;
        let mut bytes = source.file_bytes + asset::reading_bytes(to);
        let reference = onto::Of::new(&own.input, &source.loaded[giver].character);
        let weights = match &carry.source {
            None => (source.loaded[giver].character.weights.clone())
                .ok_or_else(|| Error::from(onto::without_weights(reference)))?,
            Some(_) => {
                bytes += asset::reading_bytes(&carry.from);
                let document = Document::open(&carry.from)?;
                let mut skins = asset::characters(&document, None)?;
                // What helper joints carry goes to the joints that they hang from.
                skins.iter_mut().for_each(|skin| _ = Worn::strip(skin));
                let baked = parts(&document, skins, &gives)?;
                let place = only_one(&carry.from, "--from", &baked)?;
                let baked = onto::Of::new(&carry.from, &baked[place].character);
                onto::read(baked, reference).map_err(Error::Input)?.weights
            }
        };
        let mut document = Document::open(to)?;
        if document.json()["skins"].is_null() && request.skeleton.is_none() {
            document = with_skeleton(&document, &source.loaded[giver].character)?;
        }
        let takers = asset::characters(&document, request.skeleton.as_deref())?;
        let takers = parts(&document, takers, &takes)?;
        if takers.is_empty() {
            return Err(none_that_fits(to, "--to"));
        }
        Ok(Self {
            source,
            giver,
            weights,
            document,
            takers,
            bytes,
        })
    }
}

/// A file of meshes alone, with the skeleton of another: where the other file shows it, or in its mesh space, which is
/// not the same if the other was saved out of bind pose; whichever brings the surfaces closer.
fn with_skeleton(document: &Document, from: &Character) -> Result<Document, Error> {
    let sight = Sight::new(&from.surface);
    let mut best: Option<(f64, Document)> = None;
    for placement in [from.placement, Matrix4::identity()] {
        let placed = asset::with_skeleton_of(document, from, &placement)?;
        let mut apart = 0.0;
        for one in asset::characters(&placed, None)? {
            let own = onto::namesakes(&from.skeleton, &one.character.skeleton);
            let (matrix, _) = alignment(from, &one.character, &own);
            let surface = &one.character.surface;
            for v in (0..surface.len()).step_by(surface.len().div_ceil(SAMPLES).max(1)) {
                let closest = sight.closest(matrix.transform_point(&surface.point(v)));
                apart += closest.map_or(0.0, |closest| closest.distance);
            }
        }
        if best.as_ref().is_none_or(|(least, _)| apart < *least) {
            best = Some((apart, placed));
        }
    }
    // There are two of them to choose from.
    best.map(|(_, placed)| placed)
        .ok_or_else(|| none_that_fits(document.path(), "--to"))
}

/// The parts of characters whose meshes a condition holds for.
pub(super) fn parts(
    document: &Document,
    loaded: Vec<Loaded>,
    keep: &dyn Fn(&[String]) -> bool,
) -> Result<Vec<Loaded>, Error> {
    let mut parts = Vec::new();
    for one in loaded {
        parts.extend(asset::part_of(document, &one, keep)?);
    }
    Ok(parts)
}

fn only_one(file: &Path, word: &str, loaded: &[Loaded]) -> Result<usize, Error> {
    if loaded.len() > 1 {
        let names: Vec<&str> = loaded.iter().map(|l| l.character.name.as_str()).collect();
        let fault = Fault::new(file, word, "the meshes of one skin", names.join(", "));
        let fault = fault.remedy("name the mesh that gives its weights");
        return Err(Error::Setting(vec![fault]));
    }
    if loaded.is_empty() {
        return Err(none_that_fits(file, word));
    }
    Ok(0)
}

fn none_that_fits(file: &Path, word: &str) -> Error {
    let expected = "a mesh or node of a skin whose name matches";
    let fault = Fault::new(file, word, expected, "none");
    Error::Setting(vec![fault.remedy("tanyard inspect lists the meshes")])
}

fn same_file(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{UnitQuaternion, Vector3};

    use super::*;
    use crate::rig::JointSpec;

    /// A chain of joints with these names and parents, one unit apart, in a space.
    fn skeleton(joints: &[(&str, Option<usize>)], space: &Matrix4<f64>) -> Skeleton {
        let specs = joints.iter().enumerate().map(|(j, &(name, parent))| {
            // Bent, so that three joints span a plane.
            let x = j as f64;
            let world = space * Matrix4::new_translation(&Vector3::new(x, x * x, 0.3 * (x % 2.0)));
            JointSpec {
                name: name.to_owned(),
                node: j,
                parent,
                inverse_bind: world.try_inverse().expect("it has one"),
            }
        });
        Skeleton::new(specs.collect()).expect("a skeleton")
    }

    fn character(skeleton: Skeleton, placement: Matrix4<f64>) -> Character {
        Character {
            name: "c".to_owned(),
            skeleton,
            surface: crate::rig::Surface::weld(
                &[[0.0; 3], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
                &[[0, 1, 2]],
            ),
            weights: None,
            parts: Vec::new(),
            scene_scale: 1.0,
            placement,
            saved_pose: None,
        }
    }

    const HAND: [(&str, Option<usize>); 5] = [
        ("arm", None),
        ("hand", Some(0)),
        ("thumb", Some(1)),
        ("tip", Some(2)),
        ("prop", None),
    ];

    #[test]
    fn joints_that_are_lacking_give_to_the_nearest_above() {
        let same = Matrix4::identity();
        let from = skeleton(&HAND, &same);
        let to = skeleton(&[("hand", None), ("arm", None)], &same);
        let found = joints(&from, &to).expect("some in common");
        let places = found.takes.iter().map(|id| id.index()).collect::<Vec<_>>();
        assert_eq!(places, [0, 1, 1, 1, 0]);
        let own: Vec<_> = found.own.iter().map(|id| id.map(JointId::index)).collect();
        assert_eq!(own, [Some(1), Some(0), None, None, None]);
        assert_eq!(found.missing, ["thumb", "tip", "prop"]);
        assert!(joints(&from, &skeleton(&[("wing", None)], &same)).is_none());
        // A root that is lacking gives to the first that there is.
        let found = joints(&from, &skeleton(&[("thumb", None)], &same)).expect("one");
        assert!(found.takes.iter().all(|id| id.index() == 2));
    }

    #[test]
    fn spaces_are_laid_upon_each_other() {
        let same = Matrix4::identity();
        let space = Matrix4::new_scaling(100.0)
            * UnitQuaternion::from_euler_angles(0.4, -1.0, 0.2).to_homogeneous();
        let back = space.try_inverse().expect("it has one");
        let from = character(skeleton(&HAND, &same), same);
        let own: Vec<_> = (0..5).map(|j| Some(JointId(j))).collect();
        // One space; another, which the scene tells; another, which only the joints tell.
        let cases = [
            (same, same, false),
            (space, back, false),
            (space, same, true),
        ];
        for (space, placement, by_joints) in cases {
            let to = character(skeleton(&HAND, &space), placement);
            let (matrix, note) = alignment(&from, &to, &own);
            assert!((matrix * space - same).amax() < 1e-9, "{matrix}");
            assert_eq!(note.is_some(), by_joints, "{note:?}");
        }
        // Joints that stand in no such relation are told.
        let bent = skeleton(&HAND, &same);
        let moved: Vec<_> = [3, 0, 4, 1, 2].map(|j| Some(JointId(j))).to_vec();
        let (_, note) = alignment(&from, &character(bent, same), &moved);
        assert!(note.is_some_and(|note| note.contains("joints stand up to")));
    }
}
