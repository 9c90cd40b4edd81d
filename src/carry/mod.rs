//! Weights carried from one surface to another: from a cage to the mesh, from a mesh to its LOD, from a body to its
//! clothes.
//!
//! A vertex takes the weights of the closest place whose normal agrees with its own, within reach; patches that this
//! brings apart from their joint's main region are taken for wrong. What finds no place is filled smoothly from what
//! did: after Abdrashitov, Raichstat, Monsen & Hill 2023, *Robust skin weights transfer via weight inpainting*, §3.

mod align;
mod fill;

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::rig::{Cling, Closest, JointId, Sight, Surface, Weights, add_to, islands};

pub use align::similarity;
pub use fill::fill;

/// What counts as a match.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Places farther than this share of the diagonal are none: 0.05 as in the paper, §3.1.
    pub reach: f64,
    /// Normals that differ by more than this many degrees do not agree. The paper's 30° is for clothes on the body
    /// that they were cut for; the edges of a coarse LOD turn more.
    pub turn: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            reach: 0.05,
            turn: 60.0,
        }
    }
}

/// A vertex's joints with their weights, heaviest first.
pub type Row = Vec<(JointId, f64)>;

/// What vertices of a surface found on another.
#[derive(Clone, Debug, PartialEq)]
pub struct Matches {
    /// The place of each vertex, `None` where there is none that agrees.
    pub places: Vec<Option<Cling>>,
    /// Pieces no vertex of which found a place that agrees: they have the closest ones all the same.
    pub forced: Vec<usize>,
}

/// For each vertex of `to` its place on `from`, whose `weights` say what belongs together. Both lie in one space.
pub fn matches(from: &Surface, weights: &Weights, to: &Surface, options: &Options) -> Matches {
    let sight = Sight::new(from);
    let (normals, own_normals) = (from.normals(), to.normals());
    let least = options.turn.to_radians().cos();
    let normal = |triangle: usize, shares: [f64; 3]| -> Vector3<f64> {
        let corners = from.triangles[triangle].iter().zip(shares);
        corners.map(|(&c, share)| normals[c as usize] * share).sum()
    };
    let reach = options.reach * from.diagonal();
    let touch = from.weld_tolerance();
    let place = |vertex: usize, closest: Closest| Cling {
        vertex: vertex as u32,
        corners: from.triangles[closest.triangle],
        shares: closest.shares,
    };
    let found: Vec<Option<(Cling, f64)>> = (0..to.len())
        .into_par_iter()
        .map(|v| {
            let own = own_normals[v];
            let within = |reach: f64, least: f64| {
                sight.closest_where(to.point(v), reach, |triangle, shares| {
                    let other = normal(triangle, shares);
                    // A vertex without area has no normal to disagree.
                    own == Vector3::zeros() || own.dot(&other) >= least * other.norm()
                })
            };
            // What lies on the surface is there, though normals along a sharp edge differ by much: those of the
            // other side of a sheet are opposite.
            let found = within(touch, 0.0)
                .or_else(|| within(reach, least))
                .or_else(|| within(touch, -1.0))?;
            Some((place(v, found), found.distance))
        })
        .collect();
    let mut places: Vec<Option<Cling>> = found.iter().map(|f| f.map(|(cling, _)| cling)).collect();
    // Whatever weights are like where a vertex lies on the surface, they are its own.
    let on_it = |v: usize| found[v].is_some_and(|(_, distance)| distance <= touch);
    let rows: Vec<Row> = places.iter().map(|place| row(weights, place)).collect();
    let joints = (rows.iter().flatten().map(|entry| entry.0.index() + 1)).max();
    for (_, vertices) in islands(to, &to_weights(&rows), joints.unwrap_or(0)) {
        for v in vertices
            .into_iter()
            .map(|v| v as usize)
            .filter(|&v| !on_it(v))
        {
            places[v] = None;
        }
    }
    let mut has_place = vec![false; to.pieces];
    for (v, place) in places.iter().enumerate() {
        has_place[to.piece_of[v] as usize] |= place.is_some();
    }
    let forced: Vec<usize> = (0..to.pieces).filter(|&piece| !has_place[piece]).collect();
    if !forced.is_empty() {
        places.par_iter_mut().enumerate().for_each(|(v, slot)| {
            if !has_place[to.piece_of[v] as usize] {
                let closest = sight.closest(to.point(v));
                *slot = closest.map(|closest| place(v, closest));
            }
        });
    }
    Matches { places, forced }
}

/// The weights at each place; none where there is no place.
pub fn rows(weights: &Weights, places: &[Option<Cling>]) -> Vec<Row> {
    places.iter().map(|place| row(weights, place)).collect()
}

fn row(weights: &Weights, place: &Option<Cling>) -> Row {
    let mut row = Row::new();
    let corners = place
        .iter()
        .flat_map(|p| p.corners.into_iter().zip(p.shares));
    for (corner, share) in corners.filter(|corner| corner.1 > 0.0) {
        for (joint, weight) in weights.of(corner as usize) {
            add_to(&mut row, joint, share * f64::from(weight));
        }
    }
    sort(&mut row);
    row
}

/// Heaviest first, ties lower joint first.
pub fn sort(row: &mut Row) {
    row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
}

/// The heaviest `influences` of each row as weights in whole `steps`, which sum to all of them; a row without weight
/// gets joint 0.
pub fn capped(rows: &[Row], influences: usize, steps: u32) -> Weights {
    let mut entries = Vec::with_capacity(rows.len() * influences);
    for row in rows {
        let kept = &row[..row.len().min(influences)];
        let sum: f64 = kept.iter().map(|entry| entry.1).sum();
        let scaled = |entry: &(JointId, f64)| entry.1 / sum * f64::from(steps);
        let mut counts: Vec<u32> = kept.iter().map(|e| scaled(e).floor() as u32).collect();
        // Steps that are left go where rounding down took most; too many only by rounding of the sum.
        let mut order: Vec<usize> = (0..kept.len()).collect();
        order.sort_by(|&a, &b| {
            let lost = |i: usize| scaled(&kept[i]) - f64::from(counts[i]);
            lost(b).total_cmp(&lost(a)).then(a.cmp(&b))
        });
        let total: u32 = counts.iter().sum();
        for &i in order
            .iter()
            .cycle()
            .take(steps.saturating_sub(total) as usize)
        {
            counts[i] += 1;
        }
        let entry = |k: usize| match (kept.get(k), counts.get(k)) {
            (Some(entry), Some(&count)) => (entry.0, count as f32 / steps as f32),
            _ if k == 0 => (JointId(0), 1.0),
            _ => (JointId(0), 0.0),
        };
        entries.extend((0..influences).map(entry));
    }
    Weights::new(influences, entries)
}

/// Rows as they are: they need not sum to one.
fn to_weights(rows: &[Row]) -> Weights {
    let slots = rows.iter().map(Vec::len).max().unwrap_or(0).max(1);
    let entry = |row: &Row, k: usize| {
        let entry = row.get(k).map(|&(joint, weight)| (joint, weight as f32));
        entry.unwrap_or((JointId(0), 0.0))
    };
    let entries = rows
        .iter()
        .flat_map(|row| (0..slots).map(move |k| entry(row, k)));
    Weights::new(slots, entries.collect())
}
