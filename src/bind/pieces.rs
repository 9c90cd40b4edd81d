//! What separate pieces do: bend by themselves, ride on one joint, or cling to the surface beneath.
//!
//! Nothing in a file says what a strap or a buckle hangs from: size, shape and closeness tell. The limits
//! below are common practice, no source; the report gives the reason for each piece, and a recipe
//! overrides it.

use nalgebra::{Matrix3, Point3, Vector3};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::body::Body;
use super::bones::Bone;
use super::symmetric::central;
use crate::rig::{Cling, JointId, Mirror, Sight, Skeleton, Surface, add_to};

/// What a piece does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "PieceKind")]
pub enum Kind {
    /// It is bound and bent like the body.
    Own,
    /// It moves with one joint and keeps its shape.
    Ride,
    /// It follows the surface beneath it.
    Cling,
}

/// A connected piece of the surface.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// What it does.
    pub kind: Kind,
    /// Why.
    pub reason: Reason,
    /// Its welded vertices.
    pub vertices: usize,
    /// The diagonal of its box, in percent of the character's.
    pub extent_percent: f64,
    /// Nineteen in twenty of its vertices are closer than this to larger pieces, in percent of the
    /// character's diagonal; `None` if there is no larger one.
    pub distance_percent: Option<f64>,
    /// The joint that it rides on.
    pub joint: Option<JointId>,
}

/// Why a piece is what it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// Own: no piece is larger.
    Largest,
    /// Own: joints lie inside it that lie inside no larger piece.
    HoldsJoints,
    /// Own: it stands off from larger pieces.
    StandsOff,
    /// Ride: it is small and compact.
    Small,
    /// Ride: it is a compact solid without joints of its own.
    Solid,
    /// Ride: it is small, and one joint lies inside it.
    SmallAroundJoint,
    /// Cling: it lies close upon a larger piece.
    Close,
    /// Cling: it is long and thin, and lies near a larger piece.
    ThinAndNear,
    /// Own: it follows another surface.
    Follows,
    /// The recipe says so.
    Recipe,
}

/// A piece no larger than this share of the diagonal does not bend: about the length of a hand's palm.
const SMALL: f64 = 0.06;

/// The widest a small piece may be for its thickness: longer ones are cords and straps.
const COMPACT: f64 = 8.0;

/// A solid no larger than this does not bend: pots, bags, tools.
const SOLID: f64 = 0.2;

/// The least width of a solid for its greatest: flaps and cords are none.
const LEAST_DEPTH: f64 = 0.15;

/// What lies so near everywhere, as a share of the diagonal, lies upon what is beneath: cloth on a body.
const CLOSE: f64 = 0.02;

/// The same for what is long and thin.
const NEAR: f64 = 0.06;

/// Area over the square of the extent below which a piece is long and thin: a strap as wide as a tenth of
/// its length, both sides counted.
const THIN: f64 = 0.35;

/// Pieces that others may lie upon: a head of hair has thousands, and nothing lies upon those.
const MOST_BENEATH: usize = 16;

/// Vertices of a piece whose closeness is measured.
const SAMPLES: usize = 400;

/// What is known of pieces before any is bound.
pub(super) struct Measures {
    area: Vec<f64>,
    extent: Vec<f64>,
    compact: Vec<bool>,
    solid: Vec<bool>,
    members: Vec<Vec<u32>>,
}

impl Measures {
    pub fn new(surface: &Surface) -> Self {
        let mut members: Vec<Vec<u32>> = vec![Vec::new(); surface.pieces];
        let mut area = vec![0.0; surface.pieces];
        for v in 0..surface.len() {
            let piece = surface.piece_of[v] as usize;
            members[piece].push(v as u32);
            area[piece] += surface.areas[v];
        }
        let shapes: Vec<(f64, [f64; 3])> = members
            .iter()
            .map(|members| shape(surface, members))
            .collect();
        Self {
            area,
            extent: shapes.iter().map(|shape| shape.0).collect(),
            compact: shapes.iter().map(|(_, w)| w[2] <= COMPACT * w[1]).collect(),
            solid: shapes
                .iter()
                .map(|(_, w)| w[0] >= LEAST_DEPTH * w[2])
                .collect(),
            members,
        }
    }
}

/// The diagonal of a piece's box, and its spread along its principal axes, in rising order.
fn shape(surface: &Surface, members: &[u32]) -> (f64, [f64; 3]) {
    let place = |v: u32| surface.point(v as usize).coords;
    let first = place(members[0]);
    let low = members.iter().fold(first, |low, &v| low.inf(&place(v)));
    let high = members.iter().fold(first, |high, &v| high.sup(&place(v)));
    let mean = members.iter().map(|&v| place(v)).sum::<Vector3<f64>>() / members.len() as f64;
    let spread: Matrix3<f64> = members
        .iter()
        .map(|&v| (place(v) - mean) * (place(v) - mean).transpose())
        .sum();
    let widths = spread.symmetric_eigenvalues().map(|x| x.max(0.0).sqrt());
    let mut widths = [widths.x, widths.y, widths.z];
    widths.sort_by(f64::total_cmp);
    ((high - low).norm(), widths)
}

/// Classes pieces, largest first. `forced` are those that the recipe names.
pub(super) fn classify(
    skeleton: &Skeleton,
    surface: &Surface,
    measures: &Measures,
    forced: &[Option<Kind>],
) -> Vec<Piece> {
    let diagonal = surface.diagonal();
    let mut order: Vec<usize> = (0..surface.pieces).collect();
    let area = |piece: usize| measures.area[piece];
    order.sort_by(|&a, &b| area(b).total_cmp(&area(a)).then(a.cmp(&b)));
    let sights = sights(surface);
    // For each piece the joints inside it, and those among them that lie inside no larger piece.
    let mut inside = vec![0usize; surface.pieces];
    let mut held = vec![0usize; surface.pieces];
    for id in skeleton.ids() {
        let at = Point3::from(skeleton.origin(id));
        let holders = order.iter().copied().filter(|&p| sights[p].inside(at));
        for (place, piece) in holders.enumerate() {
            inside[piece] += 1;
            held[piece] += usize::from(place == 0);
        }
    }
    let mut kinds: Vec<Option<(Kind, Reason)>> = vec![None; surface.pieces];
    let mut distances = vec![None; surface.pieces];
    // The largest pieces that bend by themselves, so far.
    let mut larger: Vec<usize> = Vec::new();
    for &piece in &order {
        let distance = distance(surface, &measures.members[piece], &sights, &larger);
        distances[piece] = distance;
        let extent = measures.extent[piece];
        let small = extent <= SMALL * diagonal && measures.compact[piece];
        let close = |limit: f64| distance.is_some_and(|d| d <= limit * diagonal);
        let thin = measures.area[piece] <= THIN * extent * extent;
        kinds[piece] = Some(match forced[piece] {
            Some(kind) => (kind, Reason::Recipe),
            None if larger.is_empty() => (Kind::Own, Reason::Largest),
            None if small && inside[piece] == 1 => (Kind::Ride, Reason::SmallAroundJoint),
            None if small && held[piece] == 0 => (Kind::Ride, Reason::Small),
            None if held[piece] > 0 => (Kind::Own, Reason::HoldsJoints),
            None if close(CLOSE) => (Kind::Cling, Reason::Close),
            None if thin && close(NEAR) => (Kind::Cling, Reason::ThinAndNear),
            None if extent <= SOLID * diagonal && measures.solid[piece] => {
                (Kind::Ride, Reason::Solid)
            }
            None => (Kind::Own, Reason::StandsOff),
        });
        let is_own = matches!(kinds[piece], Some((Kind::Own, _)));
        if is_own && larger.len() < MOST_BENEATH {
            larger.push(piece);
        }
    }
    let percent = |length: f64| {
        if diagonal > 0.0 {
            100.0 * length / diagonal
        } else {
            0.0
        }
    };
    (0..surface.pieces)
        .map(|piece| {
            let (kind, reason) = kinds[piece].unwrap_or((Kind::Own, Reason::Largest));
            Piece {
                kind,
                reason,
                vertices: measures.members[piece].len(),
                extent_percent: percent(measures.extent[piece]),
                distance_percent: distances[piece].map(percent),
                joint: None,
            }
        })
        .collect()
}

/// The pieces of a surface that follows another one: small solids ride on a joint, the others follow.
pub(super) fn following(skeleton: &Skeleton, surface: &Surface) -> Vec<Piece> {
    let measures = Measures::new(surface);
    let mut pieces = classify(skeleton, surface, &measures, &vec![None; surface.pieces]);
    for piece in pieces.iter_mut().filter(|piece| piece.kind != Kind::Ride) {
        (piece.kind, piece.reason) = (Kind::Own, Reason::Follows);
    }
    pieces
}

/// A tree for each piece.
fn sights(surface: &Surface) -> Vec<Sight> {
    let mut triangles: Vec<Vec<usize>> = vec![Vec::new(); surface.pieces];
    for (number, corners) in surface.triangles.iter().enumerate() {
        triangles[surface.piece_of[corners[0] as usize] as usize].push(number);
    }
    triangles
        .into_par_iter()
        .map(|numbers| Sight::of(surface, numbers))
        .collect()
}

/// The distance that nineteen in twenty of a piece's vertices keep to the nearest of larger pieces.
fn distance(surface: &Surface, members: &[u32], sights: &[Sight], larger: &[usize]) -> Option<f64> {
    let step = members.len().div_ceil(SAMPLES).max(1);
    let mut distances: Vec<f64> = members
        .iter()
        .step_by(step)
        .filter_map(|&v| {
            let point = surface.point(v as usize);
            let closest = larger.iter().filter_map(|&p| sights[p].closest(point));
            closest
                .map(|closest| closest.distance)
                .min_by(f64::total_cmp)
        })
        .collect();
    distances.sort_by(f64::total_cmp);
    let last = distances.len().checked_sub(1)?;
    Some(distances[last * 95 / 100])
}

/// Gives the vertices of pieces that ride or cling their joints, and says what each clings to. `joints`
/// are known on own pieces; those of others count only if they are `kept`. Where nothing is known the
/// nearest bone serves.
pub(super) fn follow(
    surface: &Surface,
    body: &Body,
    bones: &[Bone],
    kept: bool,
    pieces: &mut [Piece],
    joints: &mut [Option<JointId>],
) -> Vec<Cling> {
    let own = |v: u32| pieces[surface.piece_of[v as usize] as usize].kind == Kind::Own;
    let known = |corners: &[u32; 3]| {
        corners
            .iter()
            .all(|&v| own(v) && joints[v as usize].is_some())
    };
    let numbers = (0..surface.triangles.len()).filter(|&t| known(&surface.triangles[t]));
    let beneath = Sight::of(surface, numbers);
    let others: Vec<u32> = (0..surface.len() as u32)
        .filter(|&v| joints[v as usize].is_none() || !own(v))
        .collect();
    let places: Vec<(Option<Cling>, JointId, f64)> = others
        .par_iter()
        .map(|&v| {
            let point = surface.point(v as usize);
            let closest = beneath.closest(point);
            let cling = closest.map(|closest| Cling {
                vertex: v,
                corners: surface.triangles[closest.triangle],
                shares: closest.shares,
            });
            let upon = closest.and_then(|closest| {
                let corners = surface.triangles[closest.triangle];
                let heaviest = (0..3).max_by(|&i, &j| {
                    closest.shares[i]
                        .total_cmp(&closest.shares[j])
                        .then(j.cmp(&i))
                })?;
                joints[corners[heaviest] as usize]
            });
            // Of what rides within the flesh (eyes, teeth) the nearest bone tells more than the nearest skin.
            let rides = pieces[surface.piece_of[v as usize] as usize].kind == Kind::Ride;
            let within = (rides && body.is_inside(point)) || upon.is_none();
            let joint = match (joints[v as usize], upon) {
                (Some(joint), _) if kept => joint,
                (_, Some(joint)) if !within => joint,
                _ => nearest_bone(bones, point),
            };
            (
                cling,
                joint,
                closest.map_or(0.0, |closest| closest.distance),
            )
        })
        .collect();
    let mut votes: Vec<Vec<(JointId, f64)>> = vec![Vec::new(); pieces.len()];
    for (&v, place) in others.iter().zip(&places) {
        joints[v as usize] = Some(place.1);
        votes[surface.piece_of[v as usize] as usize].push((place.1, place.2));
    }
    for (piece, votes) in pieces.iter_mut().zip(votes) {
        if piece.kind == Kind::Ride && piece.joint.is_none() {
            piece.joint = heaviest_vote(votes, body);
        }
    }
    for (joint, &piece) in joints.iter_mut().zip(&surface.piece_of) {
        let piece = &pieces[piece as usize];
        if piece.kind == Kind::Ride {
            *joint = piece.joint;
        }
    }
    let clings = |v: u32| pieces[surface.piece_of[v as usize] as usize].kind == Kind::Cling;
    let clinging = others.iter().zip(places).filter(|(v, _)| clings(**v));
    clinging.filter_map(|(_, place)| place.0).collect()
}

/// Pieces that ride keep one joint when a bind was made symmetric: one on the plane takes the nearest joint
/// above that is its own partner.
pub(super) fn ride_as_one(
    skeleton: &Skeleton,
    surface: &Surface,
    mirror: &Mirror,
    pieces: &mut [Piece],
    joints: &mut [JointId],
) {
    let mut split = vec![false; pieces.len()];
    for (joint, &piece) in joints.iter().zip(&surface.piece_of) {
        split[piece as usize] |= pieces[piece as usize].joint.is_some_and(|of| of != *joint);
    }
    for (piece, split) in pieces.iter_mut().zip(split) {
        // A piece beside the plane whose partner leads moves as a whole, to the partner of its joint.
        if split && piece.kind == Kind::Ride {
            piece.joint = None;
        }
    }
    for v in 0..joints.len() {
        let piece = &mut pieces[surface.piece_of[v] as usize];
        if piece.kind == Kind::Ride {
            // The first vertex decides for all; on the plane they differ, and then none of a side is right.
            let of = piece.joint.get_or_insert_with(|| {
                let on_plane = mirror
                    .vertex(v)
                    .is_some_and(|partner| surface.piece_of[partner] == surface.piece_of[v]);
                let middle = on_plane
                    .then(|| central(skeleton, mirror, joints[v]))
                    .flatten();
                middle.unwrap_or(joints[v])
            });
            joints[v] = *of;
        }
    }
}

/// The joint with most say among vertices, the nearer to what lies beneath the more.
fn heaviest_vote(votes: Vec<(JointId, f64)>, body: &Body) -> Option<JointId> {
    let soft = 0.01 * body.diagonal;
    let mut says: Vec<(JointId, f64)> = Vec::new();
    for (joint, distance) in votes {
        let say = 1.0 / (distance * distance + soft * soft).max(f64::MIN_POSITIVE);
        add_to(&mut says, joint, say);
    }
    says.into_iter()
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
        .map(|entry| entry.0)
}

/// The joint of the bone nearest in a straight line; the first of equals.
pub(super) fn nearest_bone(bones: &[Bone], point: Point3<f64>) -> JointId {
    bones
        .iter()
        .map(|bone| ((bone.closest(point) - point).norm(), bone.joint))
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
        // A skeleton has joints, and at least one of them has a bone.
        .map_or(JointId(0), |entry| entry.1)
}

#[cfg(test)]
pub(super) mod tests {
    //! Simple shapes, for the tests of this room.

    use crate::rig::Surface;

    /// A closed round tube of radius 0.2 along x from 0 to 1.
    pub fn tube(rings: usize, sides: usize) -> Surface {
        let mut positions = vec![[0.0f32, 0.0, 0.0], [1.0, 0.0, 0.0]];
        for r in 0..=rings {
            for s in 0..sides {
                let round = std::f32::consts::TAU * s as f32 / sides as f32;
                let x = r as f32 / rings as f32;
                positions.push([x, 0.2 * round.cos(), 0.2 * round.sin()]);
            }
        }
        let at = |r: usize, s: usize| (2 + r * sides + s % sides) as u32;
        let mut triangles = Vec::new();
        for s in 0..sides {
            triangles.push([0, at(0, s + 1), at(0, s)]);
            triangles.push([1, at(rings, s), at(rings, s + 1)]);
            for r in 0..rings {
                triangles.push([at(r, s), at(r, s + 1), at(r + 1, s + 1)]);
                triangles.push([at(r, s), at(r + 1, s + 1), at(r + 1, s)]);
            }
        }
        Surface::weld(&positions, &triangles)
    }

    /// A box.
    pub fn beam(low: [f64; 3], high: [f64; 3]) -> Surface {
        solid(&|p| (0..3).all(|i| p[i] > low[i] && p[i] < high[i]))
    }

    /// The skin of the part of space for which `inside` says so, with faces where its value changes along an
    /// axis. Only for solids whose faces lie on planes at multiples of a half, and a hundredth beyond 0.5 and
    /// 1.
    pub fn solid(inside: &dyn Fn([f64; 3]) -> bool) -> Surface {
        let cuts = [0.0, 0.5, 0.51, 1.0, 1.01, 1.5, 2.0, 2.5, 3.0];
        let middle = |i: usize| (cuts[i] + cuts[i + 1]) / 2.0;
        let n = cuts.len() - 1;
        let cell = |at: [i64; 3]| {
            at.iter().all(|&k| (0..n as i64).contains(&k)) && inside(at.map(|k| middle(k as usize)))
        };
        let (mut positions, mut triangles) = (Vec::new(), Vec::new());
        for x in 0..n as i64 {
            for y in 0..n as i64 {
                for z in 0..n as i64 {
                    if !cell([x, y, z]) {
                        continue;
                    }
                    for axis in 0..3 {
                        for ahead in [0, 1] {
                            let mut beside = [x, y, z];
                            beside[axis] += 2 * ahead - 1;
                            if cell(beside) {
                                continue;
                            }
                            let [u, v] = [(axis + 1) % 3, (axis + 2) % 3];
                            let corner = |du: i64, dv: i64| {
                                let mut at = [x, y, z];
                                at[axis] += ahead;
                                at[u] += du;
                                at[v] += dv;
                                at.map(|k| cuts[k as usize] as f32)
                            };
                            let first = positions.len() as u32;
                            positions.extend([
                                corner(0, 0),
                                corner(1, 0),
                                corner(1, 1),
                                corner(0, 1),
                            ]);
                            let [a, b, c, d] = [first, first + 1, first + 2, first + 3];
                            triangles.extend(match ahead {
                                1 => [[a, b, c], [a, c, d]],
                                _ => [[a, c, b], [a, d, c]],
                            });
                        }
                    }
                }
            }
        }
        Surface::weld(&positions, &triangles)
    }
}
