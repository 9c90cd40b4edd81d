//! What was found, in words for the report.

use crate::bind::{Bound, Idle, Kind, Reason};
use crate::measure::Figures;
use crate::report::{BeforeAfter, IdleJoint, MendReport, Percent, PieceKind, PieceReport};
use crate::rig::Character;

use super::mend::Mended;

/// Every piece, in order.
pub(super) fn pieces(character: &Character, bound: &Bound) -> Vec<PieceReport> {
    let mut first: Vec<Option<usize>> = vec![None; bound.pieces.len()];
    for (raw, &v) in character.surface.welded.iter().enumerate() {
        first[character.surface.piece_of[v as usize] as usize].get_or_insert(raw);
    }
    let name = |joint| character.skeleton.joint(joint).name.clone();
    let pieces = bound.pieces.iter().zip(first).enumerate();
    pieces
        .map(|(number, (piece, first))| {
            let part = character
                .parts
                .iter()
                .find(|part| first.is_some_and(|raw| part.raw.contains(&raw)));
            PieceReport {
                number,
                mesh: part.map_or(String::new(), |part| part.mesh.clone()),
                kind: match piece.kind {
                    Kind::Own => PieceKind::Own,
                    Kind::Ride => PieceKind::Ride,
                    Kind::Cling => PieceKind::Cling,
                },
                reason: reason(piece.reason).to_owned(),
                vertices: piece.vertices,
                extent_percent: piece.extent_percent,
                distance_percent: piece.distance_percent,
                joint: piece.joint.map(name),
            }
        })
        .collect()
}

fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::Largest => "no piece is larger",
        Reason::HoldsJoints => "joints lie inside it that lie inside no larger piece",
        Reason::StandsOff => "it stands off from larger pieces, and is no small solid",
        Reason::Small => "it is small and compact",
        Reason::Solid => "it is a compact solid without joints of its own",
        Reason::SmallAroundJoint => "it is small, and one joint lies inside it",
        Reason::Close => "it lies close upon a larger piece",
        Reason::ThinAndNear => "it is long and thin, and lies near a larger piece",
        Reason::Follows => "it follows the surface that its weights come from",
        Reason::Recipe => "the recipe says so",
    }
}

/// The joints that win no vertex.
pub(super) fn idle_joints(character: &Character, bound: &Bound) -> Vec<IdleJoint> {
    let name = |joint| character.skeleton.joint(joint).name.clone();
    let joints = character.skeleton.ids().zip(&bound.idle);
    joints
        .filter_map(|(joint, idle)| {
            let reason = match (*idle)? {
                Idle::Carrier => {
                    "it only carries others: outside the body, or at the place of its children"
                        .to_owned()
                }
                Idle::Outside => {
                    "it lies outside the body, and nothing with a body hangs from it".to_owned()
                }
                Idle::SamePlace(other) => format!("it ends at the place of {}", name(other)),
                Idle::Recipe => "the recipe says so".to_owned(),
            };
            Some(IdleJoint {
                joint: name(joint),
                reason,
            })
        })
        .collect()
}

/// What mending did; `torn` are the torn edges in held-out poses.
pub(super) fn mend(mended: &Mended, torn: [usize; 2]) -> MendReport {
    let pair = |before, after| BeforeAfter { before, after };
    let (found, left) = (mended.found, mended.left);
    MendReport {
        vertices: mended.vertices,
        islands: pair(found.islands, left.islands),
        outliers: pair(found.outliers, left.outliers),
        torn_edges_fit: pair(found.torn, left.torn),
        torn_edges_held_out: pair(torn[0], torn[1]),
    }
}

/// Error figures.
pub(super) fn percent(figures: Figures) -> Percent {
    Percent {
        rms_percent: figures.rms,
        p99_percent: figures.p99,
        max_percent: figures.max,
    }
}

/// The first few names, and how many more there are.
pub(super) fn some_of(names: &[String]) -> String {
    const SHOWN: usize = 6;
    with_more(&names[..names.len().min(SHOWN)], names.len())
}

/// Those shown of so many.
pub(super) fn with_more(shown: &[String], all: usize) -> String {
    match all - shown.len() {
        0 => shown.join(", "),
        more => format!("{} and {more} more", shown.join(", ")),
    }
}
