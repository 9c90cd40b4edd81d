//! `through`: the bone nearest by the way through the body's volume.
//!
//! After Dionne & de Lasa 2013, *Geodesic voxel binding for production character meshes*: whatever lies
//! across a gap is far, however near it looks. Each shell is filled by itself, so that holes, crossing
//! parts and pieces that are inside out do no harm.
//!
//! A vertex looks for cells that it sees from its own side of the surface. Where there are none (parts
//! thinner than a cell) joints spread along the surface from vertices that have one; a piece that no bone
//! passes takes them from the surface beneath it.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use super::body::{Body, Flesh};
use super::bones::Bone;
use super::territory::{BEND_COST, Territory};
use crate::rig::{JointId, Surface};

/// A vertex's joint with the distance to its bone.
pub(super) type Found = (f64, JointId);

/// Cells on each side of a vertex's own that it looks at.
const LOOK: i64 = 2;

/// Cells in sight that a vertex asks: the nearest of them may lie on the wrong side of a border.
const ASKED: usize = 6;

/// For each vertex its joint and how far the bone is, through the volume; `None` where no way leads.
pub(super) fn through(surface: &Surface, body: &Body, bones: &[Bone]) -> Vec<Option<Found>> {
    let mut found = vec![None; surface.len()];
    for flesh in &body.fleshes {
        let territory = Territory::new(&flesh.volume, bones, BEND_COST);
        let vertices = vertices_of(surface, flesh);
        let results: Vec<Option<Found>> = vertices
            .par_iter()
            .map(|&v| ask(surface, flesh, &territory, bones, v))
            .collect();
        for (&v, result) in vertices.iter().zip(results) {
            found[v] = result;
        }
    }
    spread(surface, &mut found);
    found
}

fn vertices_of(surface: &Surface, flesh: &Flesh) -> Vec<usize> {
    let is_its = |v: &usize| {
        let pieces = &flesh.shell.pieces;
        pieces.binary_search(&surface.piece_of[*v]).is_ok()
    };
    (0..surface.len()).filter(is_its).collect()
}

fn ask(
    surface: &Surface,
    flesh: &Flesh,
    territory: &Territory,
    bones: &[Bone],
    v: usize,
) -> Option<Found> {
    let point = surface.point(v);
    let seen = |&cell: &u32| {
        territory.bone(cell).is_some()
            && !flesh.shell.sight.blocked(flesh.volume.middle(cell), point)
    };
    let near = flesh.volume.inside_near(point, LOOK);
    near.into_iter()
        .filter(seen)
        .take(ASKED)
        .filter_map(|cell| territory.by_way_of(point, cell))
        .map(|(distance, bone)| (distance, bones[bone].joint))
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
}

/// Spreads joints along the surface to vertices without one, nearest first.
fn spread(surface: &Surface, found: &mut [Option<Found>]) {
    let mut waiting = BinaryHeap::new();
    let offer = |v: usize, (distance, joint): Found, waiting: &mut BinaryHeap<_>| {
        for &n in surface.rings.of(v) {
            let farther = distance + (surface.point(v) - surface.point(n as usize)).norm();
            // Bits of positive numbers rise with them.
            waiting.push(Reverse((farther.to_bits(), joint, n)));
        }
    };
    for v in 0..found.len() {
        let lacks = |&n: &u32| found[n as usize].is_none();
        if let Some(own) = found[v].filter(|_| surface.rings.of(v).iter().any(lacks)) {
            offer(v, own, &mut waiting);
        }
    }
    while let Some(Reverse((bits, joint, v))) = waiting.pop() {
        let v = v as usize;
        if found[v].is_none() {
            let own = (f64::from_bits(bits), joint);
            found[v] = Some(own);
            offer(v, own, &mut waiting);
        }
    }
}
