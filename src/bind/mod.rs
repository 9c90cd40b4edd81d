//! Rigid binds: one joint a vertex.
//!
//! The stack starts from a rigid bind, because mush on weights that are smooth already has lost the
//! volume that it was to keep (common practice; no source).

mod body;
mod bones;
mod heat;
mod nearest;
mod pieces;
mod shell;
mod symmetric;
mod territory;
mod through;
mod volume;

use std::collections::HashMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::rig::{Character, Cling, JointId, Mirror, Skeleton, Surface, Weights};
use body::Body;
use bones::Bone;
use through::Found;

pub use bones::{Idle, Say};
pub use pieces::{Kind, Piece, Reason};
pub use symmetric::symmetric;

/// How vertices get their joint.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// The nearest bone segment, those in sight first.
    Nearest,
    /// The bone nearest by the way through the body's volume.
    Through,
    /// Bone heat: the joint whose heat is greatest.
    Heat,
    /// The heaviest joint that the file has already.
    Keep,
}

impl Way {
    /// A few words for people.
    pub fn describe(self) -> &'static str {
        match self {
            Self::Nearest => "nearest (bone segments, in sight first)",
            Self::Through => "through (distance through the body's volume)",
            Self::Heat => "heat (bone heat)",
            Self::Keep => "keep (heaviest joint in the file)",
        }
    }
}

/// What the recipe asks of a bind, resolved for one character.
#[derive(Clone, Debug)]
pub struct Options {
    /// How.
    pub way: Way,
    /// For each joint whether it is said to win vertices or not.
    pub say: Vec<Say>,
    /// Vertices that only some joints may win: for each rule the joints, and whether each welded vertex
    /// is meant. The last rule that names a vertex counts.
    pub fixed: Vec<Fixed>,
    /// Rules for pieces, in order; the last that names a piece counts.
    pub pieces: Vec<PieceRule>,
}

/// Joints fixed to a part of the surface.
#[derive(Clone, Debug)]
pub struct Fixed {
    /// Whether each joint may win the part's vertices: at least one may.
    pub joints: Vec<bool>,
    /// Whether each welded vertex belongs to the part.
    pub vertices: Vec<bool>,
}

/// What the recipe says of pieces.
#[derive(Clone, Debug)]
pub struct PieceRule {
    /// What they do.
    pub kind: Kind,
    /// The joint that they ride on.
    pub joint: Option<JointId>,
    /// The pieces: those most of whose vertices are here.
    pub vertices: Option<Vec<bool>>,
    /// The pieces: those most of whose vertices get one of these joints. With both, both must hold.
    pub joints: Option<Vec<bool>>,
}

/// A bind.
#[derive(Clone, Debug)]
pub struct Bound {
    /// For each welded vertex its joint.
    pub joints: Vec<JointId>,
    /// For each joint why it wins no vertex, `None` if it may.
    pub idle: Vec<Option<Idle>>,
    /// What each piece does.
    pub pieces: Vec<Piece>,
    /// What vertices of clinging pieces follow, by vertex.
    pub clings: Vec<Cling>,
    /// Bytes that it took at most while it worked.
    pub working_bytes: usize,
    /// Smooth weights of bone heat, on the pieces that bend by themselves; `None` for other ways.
    pub smooth: Option<Weights>,
}

/// Binds a character.
///
/// With a mirror, partners get joints that are partners. [`Way::Keep`] on a character without weights is
/// taken as [`Way::Through`].
pub fn bind(character: &Character, options: &Options, mirror: Option<&Mirror>) -> Bound {
    let (skeleton, surface) = (&character.skeleton, &character.surface);
    let measures = pieces::Measures::new(surface);
    let mut forced = options.kinds(surface, None);
    let classify = |forced: &[Option<Kind>]| pieces::classify(skeleton, surface, &measures, forced);
    let mut bound = bind_classed(character, options, mirror, classify(&forced));
    let again = options.kinds(surface, Some(&bound.joints));
    if again != forced {
        forced = again;
        bound = bind_classed(character, options, mirror, classify(&forced));
    }
    bound
}

fn bind_classed(
    character: &Character,
    options: &Options,
    mirror: Option<&Mirror>,
    mut pieces: Vec<Piece>,
) -> Bound {
    let (skeleton, surface) = (&character.skeleton, &character.surface);
    let kept = character
        .weights
        .as_ref()
        .filter(|_| options.way == Way::Keep);
    // What a file binds already needs no bones, unless the recipe fixes some of it.
    let needs_bones = kept.is_none() || !options.fixed.is_empty();
    let looks_at = |piece: &Piece| needs_bones && piece.kind == Kind::Own;
    let body = Body::new(
        skeleton,
        surface,
        &pieces.iter().map(looks_at).collect::<Vec<_>>(),
    );
    let (idle, bones) = if needs_bones {
        let idle = bones::idle(skeleton, &body, &options.say);
        let bones = bones::bones(skeleton, &body, &idle);
        (idle, bones)
    } else {
        (vec![None; skeleton.joints().len()], Vec::new())
    };
    let found = |bones: &[Bone]| match options.way {
        Way::Nearest => nearest::nearest(surface, bones),
        Way::Through | Way::Heat | Way::Keep => through::through(surface, &body, bones),
    };
    let mut near: Vec<Option<Found>> = match kept {
        Some(weights) => keep(weights)
            .into_iter()
            .map(|joint| Some((0.0, joint)))
            .collect(),
        None => found(&bones),
    };
    for fixed in &options.fixed {
        let allowed = fixed.bones(&bones, skeleton);
        let within = found(&allowed);
        for v in (0..surface.len()).filter(|&v| fixed.vertices[v]) {
            let stays = near[v].is_some_and(|own| fixed.joints[own.1.index()]);
            if !(stays && kept.is_some()) {
                let nearest = || {
                    (
                        body.diagonal,
                        pieces::nearest_bone(&allowed, surface.point(v)),
                    )
                };
                near[v] = Some(within[v].unwrap_or_else(nearest));
            }
        }
    }
    let mut smooth = None;
    if options.way == Way::Heat {
        let heat = heat::heat(surface, &near);
        for (v, near) in near.iter_mut().enumerate() {
            let fixed = options.fixed.iter().rev().find(|fixed| fixed.vertices[v]);
            let mut joints = heat.of(v).map(|entry| entry.0);
            let heaviest = joints.find(|joint| fixed.is_none_or(|f| f.joints[joint.index()]));
            if let (Some(own), Some(joint)) = (near, heaviest) {
                own.1 = joint;
            }
        }
        smooth = Some(heat);
    }
    let mut joints: Vec<Option<JointId>> = near.into_iter().map(|own| Some(own?.1)).collect();
    for rule in &options.pieces {
        if let (Kind::Ride, Some(joint)) = (rule.kind, rule.joint) {
            for piece in rule.pieces(surface, None) {
                pieces[piece].joint = Some(joint);
            }
        }
    }
    let clings = pieces::follow(
        surface,
        &body,
        &bones,
        kept.is_some(),
        &mut pieces,
        &mut joints,
    );
    // `follow` gave every vertex a joint.
    let mut joints: Vec<JointId> = joints
        .into_iter()
        .map(|j| j.unwrap_or(JointId(0)))
        .collect();
    if let Some(mirror) = mirror {
        symmetric::symmetric(&mut joints, skeleton, surface, mirror);
        pieces::ride_as_one(skeleton, surface, mirror, &mut pieces, &mut joints);
    }
    Bound {
        joints,
        idle,
        pieces,
        clings,
        working_bytes: body.volumes().map(territory::working_bytes).sum(),
        smooth,
    }
}

impl Bound {
    /// The bind of a surface whose vertices follow another one; `votes` has for each vertex joints with their
    /// weights there, heaviest first, and the heaviest is its joint. Pieces that do not bend ride on the joint that has
    /// most of their area.
    pub fn following(
        skeleton: &Skeleton,
        surface: &Surface,
        votes: &[Vec<(JointId, f64)>],
    ) -> Self {
        let mut pieces = pieces::following(skeleton, surface);
        let mut sums: Vec<HashMap<JointId, f64>> = vec![HashMap::new(); pieces.len()];
        for (v, row) in votes.iter().enumerate() {
            for &(joint, weight) in row {
                let sum = sums[surface.piece_of[v] as usize].entry(joint);
                *sum.or_default() += weight * surface.areas[v];
            }
        }
        for (piece, sums) in pieces.iter_mut().zip(sums) {
            let heaviest = sums
                .into_iter()
                .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
            if piece.kind == Kind::Ride {
                piece.joint = heaviest.map(|entry| entry.0);
            }
        }
        let own = |row: &Vec<(JointId, f64)>| row.first().map_or(JointId(0), |entry| entry.0);
        let piece = |v: usize| &pieces[surface.piece_of[v] as usize];
        let joints = votes.iter().enumerate();
        let joints = joints.map(|(v, row)| piece(v).joint.unwrap_or_else(|| own(row)));
        Self {
            joints: joints.collect(),
            idle: vec![None; skeleton.joints().len()],
            pieces,
            clings: Vec::new(),
            working_bytes: 0,
            smooth: None,
        }
    }

    /// Smooth weights on the pieces that bend by themselves, beside one joint a vertex on the others.
    pub fn beside(&self, surface: &Surface, smooth: &Weights) -> Weights {
        let slots = smooth.slots();
        let entries = (0..smooth.len()).flat_map(|v| {
            let bends = self.pieces[surface.piece_of[v] as usize].kind == Kind::Own;
            let mut row = vec![(JointId(0), 0.0); slots];
            if bends {
                row.iter_mut()
                    .zip(smooth.of(v))
                    .for_each(|(slot, entry)| *slot = entry);
            } else {
                row[0] = (self.joints[v], 1.0);
            }
            row
        });
        Weights::new(slots, entries.collect())
    }
}

impl Options {
    /// A bind without rules.
    pub fn plain(way: Way, joints: usize) -> Self {
        Self {
            way,
            say: vec![Say::Auto; joints],
            fixed: Vec::new(),
            pieces: Vec::new(),
        }
    }

    /// For each piece what the rules say of it; rules about joints need a bind.
    fn kinds(&self, surface: &Surface, bound: Option<&[JointId]>) -> Vec<Option<Kind>> {
        let mut kinds = vec![None; surface.pieces];
        for rule in &self.pieces {
            for piece in rule.pieces(surface, bound) {
                kinds[piece] = Some(rule.kind);
            }
        }
        kinds
    }
}

impl Fixed {
    /// The bones of the joints that may win; points at their origins if none of them has a bone.
    fn bones(&self, bones: &[Bone], skeleton: &Skeleton) -> Vec<Bone> {
        let is_allowed = |joint: JointId| self.joints[joint.index()];
        let allowed: Vec<Bone> = bones
            .iter()
            .copied()
            .filter(|b| is_allowed(b.joint))
            .collect();
        if !allowed.is_empty() {
            return allowed;
        }
        let origins = skeleton.ids().filter(|&id| is_allowed(id));
        origins
            .map(|id| Bone::point(id, skeleton.origin(id).into()))
            .collect()
    }
}

impl PieceRule {
    /// The pieces that it is about; none as long as it asks for joints and there is no bind.
    fn pieces(&self, surface: &Surface, bound: Option<&[JointId]>) -> Vec<usize> {
        let mut meant = vec![0usize; surface.pieces];
        let mut all = vec![0usize; surface.pieces];
        for v in 0..surface.len() {
            let here = self.vertices.as_ref().is_none_or(|vertices| vertices[v]);
            let bound = match (&self.joints, bound) {
                (None, _) => true,
                (Some(joints), Some(bound)) => joints[bound[v].index()],
                (Some(_), None) => false,
            };
            let piece = surface.piece_of[v] as usize;
            all[piece] += 1;
            meant[piece] += usize::from(here && bound);
        }
        (0..surface.pieces)
            .filter(|&p| 2 * meant[p] > all[p])
            .collect()
    }
}

/// For each vertex its heaviest joint; the lower number of equals.
pub fn keep(weights: &Weights) -> Vec<JointId> {
    (0..weights.len())
        // Rows are heaviest first, ties lower joint first; checked weights have at least one entry.
        .map(|v| weights.of(v).next().map_or(JointId(0), |(joint, _)| joint))
        .collect()
}
