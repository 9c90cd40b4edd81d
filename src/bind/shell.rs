//! Shells: pieces that enclose a volume together, their triangles turned outward.
//!
//! A body may be cut into panels that only touch along their borders; alone, none of them encloses
//! anything. Such pieces are one shell. Pieces that cross or lie within each other stay apart, so that
//! nothing leaks from one into the other.
//!
//! Files hold parts that are inside out. Triangles are turned alike across edges of two triangles, then
//! each patch as a whole so that most of it has the inside behind it, by the even-odd rule, which does
//! not care how triangles are wound.

use nalgebra::{Point3, Vector3};

use crate::rig::{Near, Sight, Surface};

/// Pieces with the volume that they enclose.
pub(super) struct Shell {
    /// Its pieces, in rising order.
    pub pieces: Vec<u32>,
    /// Its triangles by number, in rising order, and whether each is wound the wrong way.
    pub triangles: Vec<(usize, bool)>,
    pub sight: Sight,
}

/// Borders closer than this share of the diagonal touch: wider than what export rounds, narrower than any
/// gap that a modeller leaves on purpose between panels.
const TOUCH: f64 = 5e-4;

/// A piece joins another if at least this share of its border touches: a hem that only brushes a body at a
/// few places is no panel of it.
const LEAST_TOUCH: f64 = 0.5;

/// Triangles of a patch that vote on its winding.
const VOTERS: usize = 31;

/// How far from a triangle, as a share of the diagonal, a vote looks: more than rounding, less than the
/// thinnest limb.
const OFF_SURFACE: f64 = 1e-4;

impl Shell {
    /// The corners of one of its triangles, wound outward.
    pub fn corners(surface: &Surface, triangle: (usize, bool)) -> [Point3<f64>; 3] {
        let (number, flipped) = triangle;
        let [a, b, c] = surface.triangles[number].map(|v| surface.point(v as usize));
        if flipped { [a, c, b] } else { [a, b, c] }
    }

    /// The lowest and the highest corner of its box.
    pub fn bounds(&self, surface: &Surface) -> [Vector3<f64>; 2] {
        let corners = self
            .triangles
            .iter()
            .flat_map(|&t| Self::corners(surface, t));
        let nothing = [f64::INFINITY, f64::NEG_INFINITY].map(Vector3::repeat);
        corners.fold(nothing, |[low, high], p| {
            [low.inf(&p.coords), high.sup(&p.coords)]
        })
    }
}

/// All shells of a surface, by lowest piece. `own` are the pieces to look at.
pub(super) fn shells(surface: &Surface, own: &[bool]) -> Vec<Shell> {
    let lead = joined(surface, own);
    let mut triangles: Vec<Vec<usize>> = vec![Vec::new(); surface.pieces];
    for (number, corners) in surface.triangles.iter().enumerate() {
        let piece = surface.piece_of[corners[0] as usize] as usize;
        if own[piece] {
            triangles[lead[piece] as usize].push(number);
        }
    }
    let leads = triangles.into_iter().enumerate();
    leads
        .filter(|(_, numbers)| !numbers.is_empty())
        .map(|(piece, numbers)| {
            let sight = Sight::of(surface, numbers.iter().copied());
            Shell {
                pieces: (0..surface.pieces as u32)
                    .filter(|&p| own[p as usize] && lead[p as usize] == piece as u32)
                    .collect(),
                triangles: turned_outward(surface, numbers, &sight),
                sight,
            }
        })
        .collect()
}

/// For each piece the lowest piece of its shell.
fn joined(surface: &Surface, own: &[bool]) -> Vec<u32> {
    let mut lead: Vec<u32> = (0..surface.pieces as u32).collect();
    let mut edges: Vec<Vec<usize>> = vec![Vec::new(); surface.pieces];
    for v in 0..surface.len() {
        let piece = surface.piece_of[v] as usize;
        if surface.border[v] && own[piece] {
            edges[piece].push(v);
        }
    }
    let open: Vec<usize> = (0..surface.pieces)
        .filter(|&p| !edges[p].is_empty())
        .collect();
    if open.len() < 2 {
        return lead;
    }
    let points = &surface.positions;
    let borders = open
        .iter()
        .flat_map(|&p| edges[p].iter().map(|&v| v as u32));
    let near = Near::new(points, borders, TOUCH * surface.diagonal());
    for &piece in &open {
        let mut touched: Vec<u32> = Vec::new();
        for &v in &edges[piece] {
            let mut others: Vec<u32> = near
                .within(points, points[v])
                .map(|(n, _)| surface.piece_of[n as usize])
                .filter(|&other| other != piece as u32)
                .collect();
            others.sort_unstable();
            others.dedup();
            touched.extend(others);
        }
        touched.sort_unstable();
        for group in touched.chunk_by(|a, b| a == b) {
            if group.len() as f64 >= LEAST_TOUCH * edges[piece].len() as f64 {
                unite(&mut lead, piece as u32, group[0]);
            }
        }
    }
    (0..lead.len() as u32).map(|p| lowest(&lead, p)).collect()
}

fn lowest(lead: &[u32], mut piece: u32) -> u32 {
    while lead[piece as usize] != piece {
        piece = lead[piece as usize];
    }
    piece
}

fn unite(lead: &mut [u32], a: u32, b: u32) {
    let (a, b) = (lowest(lead, a), lowest(lead, b));
    lead[a.max(b) as usize] = a.min(b);
}

/// Finds which triangles are wound the wrong way.
fn turned_outward(surface: &Surface, numbers: Vec<usize>, sight: &Sight) -> Vec<(usize, bool)> {
    // Each edge with the places of its triangles and the way they run along it.
    let mut edges: Vec<([u32; 2], usize, bool)> = Vec::with_capacity(3 * numbers.len());
    for (place, &number) in numbers.iter().enumerate() {
        let [a, b, c] = surface.triangles[number];
        for (from, to) in [(a, b), (b, c), (c, a)] {
            edges.push(([from.min(to), from.max(to)], place, from < to));
        }
    }
    edges.sort_unstable();
    // For each triangle its neighbours, and whether they are wound alike.
    let mut beside: Vec<[Option<(usize, bool)>; 3]> = vec![[None; 3]; numbers.len()];
    for shared in edges.chunk_by(|a, b| a.0 == b.0) {
        if let [(_, s, forward), (_, t, other)] = *shared {
            for (s, t) in [(s, t), (t, s)] {
                if let Some(slot) = beside[s].iter_mut().find(|slot| slot.is_none()) {
                    *slot = Some((t, forward != other));
                }
            }
        }
    }
    let mut flipped = vec![false; numbers.len()];
    let mut seen = vec![false; numbers.len()];
    for first in 0..numbers.len() {
        if std::mem::replace(&mut seen[first], true) {
            continue;
        }
        let mut patch = vec![first];
        let mut next = 0;
        while let Some(&s) = patch.get(next) {
            next += 1;
            for &(t, alike) in beside[s].iter().flatten() {
                if !std::mem::replace(&mut seen[t], true) {
                    flipped[t] = flipped[s] == alike;
                    patch.push(t);
                }
            }
        }
        let voters = patch.iter().step_by(patch.len().div_ceil(VOTERS));
        let votes: i32 = voters
            .map(|&t| inside_out(surface, (numbers[t], flipped[t]), sight))
            .sum();
        if votes > 0 {
            patch.iter().for_each(|&t| flipped[t] = !flipped[t]);
        }
    }
    numbers.into_iter().zip(flipped).collect()
}

/// 1 if the inside lies before a triangle, −1 if behind, 0 where it cannot be told.
fn inside_out(surface: &Surface, triangle: (usize, bool), sight: &Sight) -> i32 {
    let [a, b, c] = Shell::corners(surface, triangle);
    let Some(normal) = (b - a).cross(&(c - a)).try_normalize(0.0) else {
        return 0;
    };
    let middle = Point3::from((a.coords + b.coords + c.coords) / 3.0);
    let off: Vector3<f64> = normal * (OFF_SURFACE * surface.diagonal());
    i32::from(sight.inside(middle + off)) - i32::from(sight.inside(middle - off))
}
