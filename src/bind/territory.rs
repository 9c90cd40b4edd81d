//! Which bone each cell of a volume is nearest to, by the way through it.
//!
//! Dionne & de Lasa 2013, *Geodesic voxel binding for production character meshes*, spread distances from
//! bones cell by cell, which overrates ways that run aslant by up to a tenth. Here a cell knows the last
//! place where its way bends, and measures straight from there: any-angle search, with sight checked when
//! a cell is settled (Nash, Koenig, Tovey 2010, *Lazy Theta\**). Where a bone is in sight the distance to
//! it is exact; round a bend it is too long by at most about a cell for each bend.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use nalgebra::Point3;

use super::bones::Bone;
use super::volume::{Cell, Volume};

/// For each cell its bone and the way to it.
pub(super) struct Territory<'a> {
    volume: &'a Volume,
    bones: &'a [Bone],
    bend_cost: f64,
    ways: Vec<Way>,
    /// Whether a bone passes the cell.
    seeds: Vec<bool>,
}

#[derive(Clone, Copy)]
struct Way {
    distance: f32,
    bone: u32,
    /// The cell where the way bends last, or `DIRECT`.
    bend: Cell,
    /// Whether it is known to be straight from there.
    sure: bool,
}

const DIRECT: Cell = Cell::MAX;
const NOWHERE: Way = Way {
    distance: f32::INFINITY,
    bone: u32::MAX,
    bend: DIRECT,
    sure: false,
};

/// The share of a bone that lies in a volume at least: joints are often put near the skin, and bones leave the
/// body for a while, but not for most of their length.
const LEAST_INSIDE: f64 = 0.4;

/// In a bind a bone in sight is worth more than one as near round a corner: sight alone decides in Baran &
/// Popović 2007, distance alone in Dionne & de Lasa 2013. Of 1, 1.5, 2 and 4, two agreed best with known
/// binds (docs/binding.md).
pub(super) const BEND_COST: f64 = 2.0;

/// Cells of a bone are looked for at this share of a cell along it.
const SEED_STEP: f64 = 0.5;

/// Bytes that a volume and a territory in it take together: cells, votes, ways, seeds, what is settled, and
/// the queue, which holds a fraction of the cells.
pub(super) fn working_bytes(volume: &Volume) -> usize {
    volume.len() * (2 + size_of::<Way>() + 2 + 8)
}

impl<'a> Territory<'a> {
    /// Spreads from all bones at once; what lies beyond a bend of the way counts `bend_cost` times. Of bones
    /// equally near the first counts.
    pub fn new(volume: &'a Volume, bones: &'a [Bone], bend_cost: f64) -> Self {
        let mut territory = Self {
            volume,
            bones,
            bend_cost,
            ways: vec![NOWHERE; volume.len()],
            seeds: vec![false; volume.len()],
        };
        let mut waiting = BinaryHeap::new();
        for (number, bone) in bones
            .iter()
            .enumerate()
            .filter(|(_, bone)| lies_in(volume, bone))
        {
            for cell in cells_of(volume, bone) {
                territory.seeds[cell as usize] = true;
                territory.offer(cell, number as u32, DIRECT, &mut waiting);
            }
        }
        let mut settled = vec![false; volume.len()];
        while let Some(Reverse((distance, cell))) = waiting.pop() {
            let way = territory.ways[cell as usize];
            if settled[cell as usize] || distance != way.distance.to_bits() {
                continue;
            }
            if !way.sure && !territory.is_straight(cell, way) {
                // A way that was hoped to be straight is not: it bends at a settled cell beside.
                let mut best = NOWHERE;
                volume.around(cell, |beside| {
                    if settled[beside as usize] {
                        let bone = territory.ways[beside as usize].bone;
                        let distance = territory.length(cell, bone, beside);
                        let other = Way {
                            distance,
                            bone,
                            bend: beside,
                            sure: true,
                        };
                        if is_shorter(other, best) {
                            best = other;
                        }
                    }
                });
                territory.ways[cell as usize] = best;
                // The cell that offered the way is settled and beside it, unless the bone itself passes
                // here: then there is none, and the cell waits for another.
                if best.distance.is_finite() {
                    waiting.push(Reverse((best.distance.to_bits(), cell)));
                }
                continue;
            }
            settled[cell as usize] = true;
            volume.around(cell, |beside| {
                if !settled[beside as usize] {
                    territory.offer(beside, way.bone, way.bend, &mut waiting);
                }
            });
        }
        territory
    }

    /// Offers a cell a way that bends there last.
    fn offer(
        &mut self,
        cell: Cell,
        bone: u32,
        bend: Cell,
        waiting: &mut BinaryHeap<Reverse<(u32, Cell)>>,
    ) {
        let way = Way {
            distance: self.length(cell, bone, bend),
            bone,
            bend,
            sure: false,
        };
        if is_shorter(way, self.ways[cell as usize]) {
            self.ways[cell as usize] = way;
            // Bits of positive numbers rise with them.
            waiting.push(Reverse((way.distance.to_bits(), cell)));
        }
    }

    fn length(&self, cell: Cell, bone: u32, bend: Cell) -> f32 {
        self.length_from(self.volume.middle(cell), bone, bend) as f32
    }

    fn length_from(&self, point: Point3<f64>, bone: u32, bend: Cell) -> f64 {
        if bend == DIRECT {
            (self.bones[bone as usize].closest(point) - point).norm()
        } else {
            let bent = (self.volume.middle(bend) - point).norm();
            f64::from(self.ways[bend as usize].distance) + bent * self.bend_cost
        }
    }

    /// Whether the way from its last bend stays inside.
    fn is_straight(&self, cell: Cell, way: Way) -> bool {
        let middle = self.volume.middle(cell);
        let from = if way.bend == DIRECT {
            self.bones[way.bone as usize].closest(middle)
        } else {
            self.volume.middle(way.bend)
        };
        // Where a bone passes, its closest point may lie in the next cell, and that one outside.
        let passes = self.seeds[cell as usize] && (from - middle).norm() <= self.volume.step;
        passes || self.volume.in_sight(from, middle)
    }

    /// The bone that a cell belongs to, if any way leads to it.
    pub fn bone(&self, cell: Cell) -> Option<usize> {
        let way = self.ways[cell as usize];
        way.distance.is_finite().then_some(way.bone as usize)
    }

    /// The bone nearest to a point by way of a cell that it sees, and its distance.
    pub fn by_way_of(&self, point: Point3<f64>, cell: Cell) -> Option<(f64, usize)> {
        let bone = self.bone(cell)?;
        let way = self.ways[cell as usize];
        Some((self.length_from(point, way.bone, way.bend), bone))
    }
}

/// Ties go to the first bone.
fn is_shorter(a: Way, b: Way) -> bool {
    (a.distance, a.bone, a.bend) < (b.distance, b.bone, b.bend)
}

/// The inside cells that a bone passes.
fn cells_of<'a>(volume: &'a Volume, bone: &'a Bone) -> impl Iterator<Item = Cell> + 'a {
    let steps = steps_along(volume, bone);
    let cells = (0..=steps).filter_map(move |k| cell_along(volume, bone, k, steps));
    cells.filter(|&cell| volume.is_inside(cell))
}

/// Whether a bone lies in a volume and does not only graze it: a thumb that touches the coat is not inside it.
fn lies_in(volume: &Volume, bone: &Bone) -> bool {
    let steps = steps_along(volume, bone);
    cells_of(volume, bone).count() as f64 >= LEAST_INSIDE * (steps + 1) as f64
}

fn steps_along(volume: &Volume, bone: &Bone) -> usize {
    let length = (bone.to - bone.from).norm();
    (length / (SEED_STEP * volume.step)).ceil().max(1.0) as usize
}

fn cell_along(volume: &Volume, bone: &Bone, k: usize, steps: usize) -> Option<Cell> {
    volume.cell_at(bone.from + (bone.to - bone.from) * (k as f64 / steps as f64))
}

#[cfg(test)]
mod tests {
    //! Distances against ways that are known exactly: in a straight tube, a box, and a bent tube.

    use nalgebra::Vector3;

    use super::*;
    use crate::bind::pieces::tests::{beam, solid};
    use crate::bind::shell::shells;
    use crate::rig::{JointId, Surface};

    fn volume(surface: &Surface, step: f64) -> Volume {
        let shell = shells(surface, &vec![true; surface.pieces]).remove(0);
        Volume::new(surface, &shell, step)
    }

    fn point_bone(at: [f64; 3]) -> Bone {
        Bone::point(JointId(0), Point3::from(at))
    }

    /// Checks every cell; gives the greatest error in cells.
    fn compare(volume: &Volume, bone: Bone, exact: impl Fn(Point3<f64>) -> f64) -> f64 {
        let bones = [bone];
        let territory = Territory::new(volume, &bones, 1.0);
        let (mut worst, mut inside) = (0.0f64, 0);
        for cell in (0..volume.len() as Cell).filter(|&cell| volume.is_inside(cell)) {
            let middle = volume.middle(cell);
            let (distance, _) = territory.by_way_of(middle, cell).expect("a way");
            worst = worst.max((distance - exact(middle)).abs() / volume.step);
            inside += 1;
        }
        assert!(inside > 1000, "{inside} cells");
        worst
    }

    #[test]
    fn in_a_box_the_way_is_straight() {
        let surface = beam([0.0, 0.0, 0.0], [3.0, 1.0, 1.0]);
        let volume = volume(&surface, 0.06);
        let bone = point_bone([0.2, 0.3, 0.7]);
        let worst = compare(&volume, bone, |p| (p - bone.from).norm());
        // Distances are kept as f32.
        assert!(worst < 1e-4, "{worst} cells");
    }

    #[test]
    fn round_a_corner_the_way_bends_there() {
        // An L of two bars: along x, then along y. The way from one end to the other touches the inner edge
        // (1, 1, z): with both ends known it unfolds into one plane.
        let surface = solid(&|p| {
            (p[2] > 0.0 && p[2] < 1.0)
                && ((p[0] > 0.0 && p[0] < 3.0 && p[1] > 0.0 && p[1] < 1.0)
                    || (p[0] > 0.0 && p[0] < 1.0 && p[1] > 0.0 && p[1] < 3.0))
        });
        let volume = volume(&surface, 0.06);
        let bone = point_bone([2.6, 0.4, 0.5]);
        let exact = |p: Point3<f64>| {
            let (from, to) = (bone.from, p);
            let corner = |q: Point3<f64>| (q.x - 1.0).hypot(q.y - 1.0);
            // In sight if the corner lies to the right of the line.
            let way: Vector3<f64> = to - from;
            let side = way.x * (1.0 - from.y) - way.y * (1.0 - from.x);
            if to.y <= 1.0 || side <= 0.0 {
                way.norm()
            } else {
                (corner(from) + corner(to)).hypot(way.z)
            }
        };
        let worst = compare(&volume, bone, exact);
        // Cells keep off the corner by half a cell, and the bend lies in the middle of one.
        println!("round a corner: {worst:.2} cells too far at most");
        assert!(worst < 2.0, "{worst} cells");
    }

    #[test]
    fn in_a_round_tube_the_nearest_point_of_a_bone_along_it_counts() {
        let surface = crate::bind::pieces::tests::tube(40, 32);
        let volume = volume(&surface, 0.02);
        let bone = Bone {
            joint: JointId(0),
            from: Point3::new(0.1, 0.0, 0.0),
            to: Point3::new(0.9, 0.0, 0.0),
        };
        let worst = compare(&volume, bone, |p| (bone.closest(p) - p).norm());
        assert!(worst < 1e-4, "{worst} cells");
    }

    #[test]
    fn a_gap_thinner_than_a_cell_parts_what_lies_beside_it() {
        // Two bars joined at one end, a hundredth apart: from tip to tip the way leads round by the joint.
        let gap = 0.01;
        let surface = solid(&|p| {
            (p[2] > 0.0 && p[2] < 0.5)
                && (p[0] > 0.0 && p[0] < 3.0 && p[1] > 0.0 && p[1] < 1.0 + gap)
                && !(p[0] > 0.5 && p[1] > 0.5 && p[1] < 0.5 + gap)
        });
        let volume = volume(&surface, 0.06);
        let bones = [point_bone([2.8, 0.25, 0.25])];
        let territory = Territory::new(&volume, &bones, 1.0);
        let across = volume
            .cell_at(Point3::new(2.8, 0.76, 0.25))
            .expect("in the grid");
        let (distance, _) = territory
            .by_way_of(volume.middle(across), across)
            .expect("a way");
        assert!(
            distance > 4.0,
            "{distance}: straight across it is half a unit"
        );
    }
}
