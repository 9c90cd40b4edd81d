//! A file that was read, and how each of its skins is made ready.

use std::time::Instant;

use super::targets::{Given, candidate_rows};
use super::work::Work;
use super::worn::Worn;
use super::{Request, carry};
use crate::asset::{self, Document, Loaded};
use crate::bind::{self, Bound, Kind, Way};
use crate::deform::Stack;
use crate::error::{Error, Fault, read_text};
use crate::fit::{self, Candidates};
use crate::pose;
use crate::recipe::{Base, LodSettings, Symmetry};
use crate::rig::{Character, Clip, JointId, Kept, Mirror, Pose, PoseSequence, Weights};

/// Candidates below this share of a vertex are no candidates: such a weight would be pruned.
pub(super) const LEAST_CANDIDATE_MASS: f32 = 1e-4;

/// Sizes whose squares stay far from the limits of f32.
const SIZES: std::ops::RangeInclusive<f64> = 1e-9..=1e9;

/// A file that was read.
pub(super) struct Source {
    pub document: Document,
    pub loaded: Vec<Loaded>,
    pub file_bytes: u64,
    /// For each skin the poses that a pose file gives it.
    given: Option<Vec<Vec<Pose>>>,
    /// Target shapes in place of those of the layers.
    targets: Option<Given>,
    /// Meshes that follow those of a skin, by the recipe.
    pub lods: Vec<Lod>,
    /// For each skin of the file the helper joints that an earlier bake gave it; it stands here without.
    worn: Vec<Option<Worn>>,
}

/// Meshes of a skin that one `[[lod]]` table names.
pub(super) struct Lod {
    /// The skin whose other meshes they follow, by its place among those that were read.
    pub giver: usize,
    /// The table.
    pub rule: usize,
    pub loaded: Loaded,
}

impl Source {
    pub(super) fn open(request: &Request) -> Result<Self, Error> {
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
        let mut loaded = asset::characters(&document, request.skeleton.as_deref())?;
        let worn = loaded.iter_mut().map(Worn::strip).collect();
        let (loaded, lods) = match &request.recipe.lod[..] {
            [] => (loaded, Vec::new()),
            rules => apart(&document, loaded, rules)?,
        };
        let targets = match &request.targets {
            Some(targets) => Some(Given::open(request, targets, &document, &loaded)?),
            None => None,
        };
        let given = match &request.poses {
            // Then they are those of the targets.
            Some(_) if targets.is_some() => None,
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
            targets,
            lods,
            worn,
        })
    }

    /// Why a skin cannot get helper joints, if it cannot.
    pub(super) fn no_helpers(&self, request: &Request, index: usize) -> Option<String> {
        if self.targets.is_some() {
            return Some(
                "no helper joints: with given target shapes there are none yet".to_owned(),
            );
        }
        let worn = self.loaded[index].skin().is_some() && !self.worn.iter().all(Option::is_none);
        worn.then(|| {
            let file = request.input.display();
            format!("no helper joints: {file} has some of an earlier bake; bake the file that they were added to")
        })
    }

    /// The helper joints that an earlier bake gave to a skin.
    pub(super) fn worn(&self, index: usize) -> Option<&Worn> {
        // Where meshes are apart, skins have other numbers, and none is looked at as it stands in the file.
        self.worn.get(index)?.as_ref()
    }

    /// Leaves out meshes that a condition does not hold for; it gets their names.
    pub(super) fn keep_only(&mut self, keep: &dyn Fn(&[String]) -> bool) -> Result<(), Error> {
        let mut given = self.given.take().map(Vec::into_iter);
        let (mut loaded, mut poses) = (Vec::new(), Vec::new());
        for one in std::mem::take(&mut self.loaded) {
            let own = given.as_mut().and_then(Iterator::next);
            let parts = carry::parts(&self.document, vec![one], keep)?;
            if let Some(part) = parts.into_iter().next() {
                loaded.push(part);
                poses.extend(own);
            }
        }
        self.loaded = loaded;
        self.given = given.is_some().then_some(poses);
        Ok(())
    }

    /// Binds, compiles the stack, makes poses and candidates: all that is cheap.
    pub(super) fn prepare(&self, request: &Request, index: usize) -> Result<Work<'_>, Error> {
        let clock = Instant::now();
        let loaded = &self.loaded[index];
        let character = &loaded.character;
        let mut warnings = [&loaded.notes[..], &loaded.skin_notes[..]].concat();
        let asks = request.recipe.helpers.most() > 0;
        warnings.extend(self.no_helpers(request, index).filter(|_| asks));
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
        let (kept, kept_notes) = self.kept(request, index, &bound.joints, mirror.as_mut())?;
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
        let mut layer_lines: Vec<String> = described.collect();
        let poses = match &self.targets {
            Some(given) => {
                layer_lines = vec![given.describe(index)];
                warnings.extend(given.notes(index));
                given.pose_set(index, &character.skeleton, &base)
            }
            None => {
                let (clips, notes) = self.clips(index)?;
                warnings.extend(notes);
                let options = &request.recipe.poses;
                let mut poses = pose::pose_set(&character.skeleton, &base, &clips, options);
                if let Some(given) = &self.given {
                    poses.fit = given[index].clone().into();
                }
                warnings.extend(moving_note(&poses.fit));
                poses
            }
        };
        if self.targets.is_none() && !character.skeleton.moves_rigidly() {
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
            .any(|pose| pose.moves.iter().any(|(id, _)| bends[id.index()]))
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
        let feed = (self.targets.as_ref())
            .map(|given| given.feed(index, &character.skeleton, stack.centre));
        let spread = |v: usize| stack.spread().of(v);
        let rows = match &feed {
            Some(feed) => Some(candidate_rows(
                feed,
                (character, stack.rest()),
                spread,
                (mirror.as_ref(), LEAST_CANDIDATE_MASS),
                &poses.fit,
            )?),
            None => None,
        };
        // What is kept is not solved: one candidate leaves nothing to gather.
        let row = |v: usize| {
            let row = rows.as_ref().map_or_else(|| spread(v), |rows| &rows[v]);
            match &kept {
                Some(kept) if kept.has(v) => &row[..row.len().min(1)],
                _ => row,
            }
        };
        let candidates = match &mut mirror {
            Some(mirror) => fit::symmetric_candidates(row, LEAST_CANDIDATE_MASS, mirror),
            None => Candidates::new((0..character.surface.len()).map(row), LEAST_CANDIDATE_MASS),
        };
        let shown = match request.recipe.write.clip {
            true => poses.fit.len().min(super::MOST_SHOWN),
            false => 0,
        };
        let influences = request.recipe.fit.influences;
        Ok(Work {
            character,
            influences,
            naive: stack.spread().capped(influences),
            carried: None,
            bound,
            stack,
            feed,
            mirror,
            symmetry,
            kept,
            kept_notes,
            candidates,
            first_helper: None,
            helpers_asked: request.recipe.helpers.most(),
            poses,
            bind: way,
            layers: layer_lines,
            warnings,
            shown,
            prepare_s: clock.elapsed().as_secs_f64(),
        })
    }

    /// The vertices that keep the weights of the file, and what there is to note of them. These are no partners.
    fn kept(
        &self,
        request: &Request,
        index: usize,
        bind: &[JointId],
        mut mirror: Option<&mut Mirror>,
    ) -> Result<(Option<Kept<'_>>, Vec<String>), Error> {
        let recipe = &request.recipe;
        let loaded = &self.loaded[index];
        let solved = (recipe.fit.solved(&loaded.character, bind))
            .map_err(|reason| unknown_name(request, "fit.only", reason))?;
        let Some(solved) = solved else {
            return Ok((None, Vec::new()));
        };
        let Some(weights) = &loaded.character.weights else {
            let remedy = "leave it out: there are no weights to keep";
            return Err(needs_weights(request, "fit.only", remedy));
        };
        if !solved.contains(&true) {
            let expected = "a part with vertices";
            let fault = Fault::new(&request.input, "recipe fit.only", expected, "none in it")
                .remedy("name more; an attribute takes in vertices where it is at least 0.5");
            return Err(Error::Setting(vec![fault]));
        }
        let (mut steps, format_note) =
            asset::steps_beside_kept(&self.document, loaded, &solved, recipe.write.weights)?;
        if let Some(mirror) = &mut mirror {
            for v in (0..solved.len()).filter(|&v| !solved[v]) {
                mirror.part(v);
            }
            // Partners have the same weights: on the grid of both.
            for v in 0..solved.len() {
                if let Some(partner) = mirror.vertex(v) {
                    steps[v] = steps[v].min(steps[partner]);
                }
            }
        }
        let Some(kept) = Kept::beside(&solved, steps, weights) else {
            return Ok((None, Vec::new()));
        };
        let note = format!(
            "{} of {} vertices keep the weights of the file (fit.only)",
            kept.count(),
            solved.len()
        );
        Ok((Some(kept), [note].into_iter().chain(format_note).collect()))
    }

    fn clips(&self, index: usize) -> Result<(Vec<Clip>, Vec<String>), Error> {
        let skeleton = &self.loaded[index].character.skeleton;
        asset::clips(&self.document, skeleton, pose::CLIP_FRAMES_PER_SECOND)
    }
}

/// Takes the meshes apart that the `[[lod]]` tables of a recipe name.
fn apart(
    document: &Document,
    all: Vec<Loaded>,
    rules: &[LodSettings],
) -> Result<(Vec<Loaded>, Vec<Lod>), Error> {
    let (mut bases, mut found) = (Vec::new(), Vec::new());
    for one in all {
        let rule = |names: &[String]| rules.iter().position(|rule| rule.names(names));
        let part = |wanted| asset::part_of(document, &one, &|names| rule(names) == wanted);
        let base = part(None)?;
        let giver = base.is_some().then_some(bases.len());
        bases.extend(base);
        for rule in 0..rules.len() {
            found.extend(part(Some(rule))?.map(|loaded| (giver, rule, loaded)));
        }
    }
    let only = (bases.len() == 1).then_some(0);
    let lods = found.into_iter().map(|(giver, rule, loaded)| {
        let giver = giver.or(only).ok_or_else(|| {
            let name = &loaded.character.name;
            let expected = "one skin whose meshes no [[lod]] table names, to follow";
            let fault = Fault::new(document.path(), name, expected, bases.len().to_string());
            Error::Setting(vec![fault.remedy("check the patterns of [[lod]]")])
        })?;
        Ok(Lod {
            giver,
            rule,
            loaded,
        })
    });
    let lods = lods.collect::<Result<_, Error>>()?;
    Ok((bases, lods))
}

/// A part of the recipe that names nothing in the file.
fn unknown_name(request: &Request, part: &str, reason: String) -> Error {
    let expected = "names that occur in the file";
    let fault = Fault::new(&request.input, format!("recipe {part}"), expected, reason);
    Error::Setting(vec![fault])
}

/// A part of the recipe that makes no sense for a file without weights.
fn needs_weights(request: &Request, part: &str, remedy: &str) -> Error {
    let expected = "a file with skin weights";
    let part = format!("recipe {part}");
    let fault = Fault::new(&request.input, part, expected, "one without");
    Error::Setting(vec![fault.remedy(remedy)])
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
    let needs_weights =
        |part: &str| needs_weights(request, part, "use way = \"through\", or leave it out");
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

/// What the user should know of poses that do more than turn joints.
fn moving_note(poses: &pose::Poses) -> Option<String> {
    let (mut slide, mut scale) = (0, 0);
    for pose in poses.listed() {
        slide += usize::from(pose.slides());
        scale += usize::from(pose.scales());
    }
    (slide + scale > 0).then(|| {
        format!(
            "joints slide in {slide} poses of the fit and scale in {scale}; held-out poses only turn joints and do \
             not tell how those do"
        )
    })
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
