//! Islands: patches of a joint's weight that its main region does not touch.
//!
//! Components of the vertices with any weight on a joint, within each piece of the surface. The component
//! with the most weight (by area) is the main region; another is an island if some vertex of it has more
//! than [`ISLAND_WEIGHT`] and it holds less than [`LARGEST_ISLAND`] of the main region. Limits: a joint
//! that is meant to move a small place besides gives an island. Pieces are not held against each other: a
//! buckle is no island of the belt.

use super::{JointId, Surface, Weights};

/// A patch whose weight stays below this moves by less than a twentieth of what its joint does: that is
/// seldom seen, and 8-bit files are full of such remainders.
const ISLAND_WEIGHT: f32 = 0.05;

/// A patch with more than this share of the weight of the main region is meant: the front and the back of
/// a strap around the chest.
const LARGEST_ISLAND: f64 = 0.5;

/// The islands of each of the first `joints` joints, joint after joint: their vertices with more than a
/// twentieth of their weight on it, in rising order.
pub fn islands(surface: &Surface, weights: &Weights, joints: usize) -> Vec<(JointId, Vec<u32>)> {
    // The vertices of each joint with their weights.
    let mut of_joint: Vec<Vec<(u32, f32)>> = vec![Vec::new(); joints];
    for v in 0..weights.len() {
        for (id, weight) in weights.of(v) {
            of_joint[id.index()].push((v as u32, weight));
        }
    }
    // For each vertex the weight of the joint at hand while it waits to be reached, else 0.
    let mut waiting = vec![0.0f32; surface.len()];
    let mut islands: Vec<(JointId, Vec<u32>)> = Vec::new();
    for id in (0..joints).map(|j| JointId(j as u16)) {
        let own = &of_joint[id.index()];
        for &(v, weight) in own {
            waiting[v as usize] = weight;
        }
        // Of each component its piece, its weight by area, and its vertices that count.
        let mut components: Vec<(u32, f64, Vec<u32>)> = Vec::new();
        for &(seed, _) in own {
            if waiting[seed as usize] == 0.0 {
                continue;
            }
            let (mut mass, mut heavy, mut reached) = (0.0, Vec::new(), Vec::new());
            let mut reach = |v: u32, waiting: &mut [f32]| {
                let weight = std::mem::take(&mut waiting[v as usize]);
                mass += f64::from(weight) * surface.areas[v as usize];
                if weight > ISLAND_WEIGHT {
                    heavy.push(v);
                }
                weight > 0.0
            };
            reach(seed, &mut waiting);
            reached.push(seed);
            let mut begin = 0;
            while begin < reached.len() {
                let end = reached.len();
                surface
                    .rings
                    .reach_from(&mut reached, begin, |n| reach(n, &mut waiting));
                begin = end;
            }
            heavy.sort_unstable();
            components.push((surface.piece_of[seed as usize], mass, heavy));
        }
        // The main region of each piece first.
        components.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)));
        let mut main = (u32::MAX, 0.0);
        for (piece, mass, heavy) in components {
            if piece != main.0 {
                main = (piece, mass);
            } else if mass < LARGEST_ISLAND * main.1 && !heavy.is_empty() {
                islands.push((id, heavy));
            }
        }
    }
    islands
}
