//! The inside of a shell as a grid of cells, and the ways between them.
//!
//! A cell is inside if most of six rays from its middle, both ways along each axis, come out of the shell
//! once more often than they go in. For many directions that share is the generalised winding number
//! (Jacobson, Kavan, Sorkine-Hornung 2013, *Robust inside-outside segmentation using generalized winding
//! numbers*), which holes and crossing parts hardly disturb; six directions cost no more than filling the
//! grid. Where crossings along the way between the middles of two cells lead outside and in again, the
//! way is shut: so a gap thinner than a cell still parts what lies on both sides.
//!
//! Limits: parts thinner than a cell may hold no middle of any; what is bound through the volume needs
//! another way there.

use nalgebra::{Point3, Vector3};

use super::shell::Shell;
use crate::rig::Surface;

/// A cell, by its number in the grid.
pub(super) type Cell = u32;

/// The inside of a shell.
pub(super) struct Volume {
    low: Point3<f64>,
    /// The width of a cell.
    pub step: f64,
    size: [usize; 3],
    /// For each cell bit 3 if it is inside, and bits 0 to 2 if the way to the next along x, y, z is open.
    cells: Vec<u8>,
}

/// Cells of a grid, at most: four bytes each while it is filled, so that it fits beside the smallest
/// characters.
pub(super) const MOST_CELLS: usize = 1 << 21;

/// Fewer cells along the longest axis than this show no limb.
const LEAST_CELLS_ALONG: f64 = 24.0;

/// More cells along it cannot be had, nor are they needed.
const MOST_CELLS_ALONG: f64 = 4096.0;

/// The grid starts this far, in cells, before the box of the shell, by axis: no whole number, and not the
/// same for any two, so that its planes miss what is modelled on planes of symmetry.
const START: [f64; 3] = [1.377_193, 1.411_737, 1.293_571];

const INSIDE: u8 = 8;
const OPEN: u8 = 7;

/// A crossing of a row of cells: where, in cells, and whether it leads in (1) or out (−1).
type Crossing = (f32, i8);

impl Volume {
    /// Fills a grid with cells of about that width, wider if there would be too many.
    pub fn new(surface: &Surface, shell: &Shell, step: f64) -> Self {
        let [low, high] = shell.bounds(surface);
        let span = high - low;
        let cells = |step: f64| span.map(|x| x / step + 4.0).product();
        let mut step = step
            .max(span.max() / MOST_CELLS_ALONG)
            .min(span.max() / LEAST_CELLS_ALONG);
        while cells(step) > MOST_CELLS as f64 {
            step *= 1.05;
        }
        // A shell without extent, or with one beyond all numbers, has no inside.
        let fits = step > 0.0 && cells(step).is_finite();
        let size = if fits {
            std::array::from_fn(|i| (span[i] / step).ceil() as usize + 3)
        } else {
            [0; 3]
        };
        let start = Vector3::from(START) * step;
        let mut volume = Self {
            low: Point3::from(low - start),
            step,
            size,
            cells: vec![OPEN; size.iter().product()],
        };
        let mut votes = vec![0u8; volume.cells.len()];
        if fits {
            for axis in 0..3 {
                volume.fill(surface, shell, axis, &mut votes);
            }
        }
        for (cell, votes) in volume.cells.iter_mut().zip(votes) {
            *cell |= if votes > 3 { INSIDE } else { 0 };
        }
        volume
    }

    /// Votes along the rows of one axis, and shuts ways along it.
    fn fill(&mut self, surface: &Surface, shell: &Shell, axis: usize, votes: &mut [u8]) {
        let [u, v] = [(axis + 1) % 3, (axis + 2) % 3];
        let rows = self.crossings(surface, shell, [u, v, axis]);
        let strides = self.strides();
        for (row, crossings) in rows.chunks() {
            let first = (row % self.size[u]) * strides[u] + (row / self.size[u]) * strides[v];
            let total: i32 = crossings.iter().map(|c| i32::from(c.1)).sum();
            let (mut next, mut winding) = (0, 0i32);
            for k in 0..self.size[axis] {
                let cell = first + k * strides[axis];
                while crossings.get(next).is_some_and(|c| c.0 <= k as f32) {
                    winding += i32::from(crossings[next].1);
                    next += 1;
                }
                votes[cell] += u8::from(winding > 0) + u8::from(winding - total > 0);
                let (mut ahead, mut here, mut open) = (next, winding.max(1), true);
                while let Some(c) = crossings.get(ahead).filter(|c| c.0 <= (k + 1) as f32) {
                    here += i32::from(c.1);
                    // Out, and in again later: the last crossing may lead out where the next is outside.
                    open &= here > 0;
                    ahead += 1;
                }
                if !open {
                    self.cells[cell] &= !(1 << axis);
                }
            }
        }
    }

    /// For each row along the last of the axes, where triangles cross it, in rising order.
    fn crossings(&self, surface: &Surface, shell: &Shell, axes: [usize; 3]) -> Rows {
        let [u, v, w] = axes;
        let mut found: Vec<(u32, Crossing)> = Vec::new();
        for &triangle in &shell.triangles {
            let corners = Shell::corners(surface, triangle)
                .map(|p| (p - self.low) / self.step - Vector3::repeat(0.5));
            let [a, b, c] = corners.map(|p| [p[u], p[v]]);
            let area = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]);
            if area == 0.0 {
                continue;
            }
            let range = |i: usize, axis: usize| {
                let (low, high) = (a[i].min(b[i]).min(c[i]), a[i].max(b[i]).max(c[i]));
                let last = (high.floor() as i64).min(self.size[axis] as i64 - 1);
                (low.ceil() as i64).max(0)..=last
            };
            for y in range(1, v) {
                for x in range(0, u) {
                    let p = [x as f64, y as f64];
                    let side = |q: [f64; 2], r: [f64; 2]| {
                        ((q[0] - p[0]) * (r[1] - p[1]) - (r[0] - p[0]) * (q[1] - p[1])) / area
                    };
                    let shares = [side(b, c), side(c, a), side(a, b)];
                    if shares.iter().all(|&share| share >= 0.0) {
                        let at = (0..3).map(|i| shares[i] * corners[i][w]).sum::<f64>();
                        // Wound outward, a triangle that is seen anticlockwise from the far end of the
                        // axis has its outside there.
                        let sign = if area > 0.0 { -1 } else { 1 };
                        let row = y as usize * self.size[u] + x as usize;
                        found.push((row as u32, (at as f32, sign)));
                    }
                }
            }
        }
        found.sort_unstable_by(|a, b| {
            let along = a.1.0.total_cmp(&b.1.0);
            a.0.cmp(&b.0).then(along).then(b.1.1.cmp(&a.1.1))
        });
        Rows(found)
    }

    fn strides(&self) -> [usize; 3] {
        [1, self.size[0], self.size[0] * self.size[1]]
    }

    /// The number of cells in the grid.
    pub fn len(&self) -> usize {
        self.cells.len()
    }

    /// Whether a cell is inside.
    pub fn is_inside(&self, cell: Cell) -> bool {
        self.cells[cell as usize] & INSIDE != 0
    }

    /// Whether a point lies in an inside cell.
    pub fn holds(&self, point: Point3<f64>) -> bool {
        self.cell_at(point).is_some_and(|cell| self.is_inside(cell))
    }

    /// The middle of a cell.
    pub fn middle(&self, cell: Cell) -> Point3<f64> {
        let at = self.place(cell).map(|k| k as f64 + 0.5);
        self.low + Vector3::from(at) * self.step
    }

    /// The cell at a point, if the grid goes there.
    pub fn cell_at(&self, point: Point3<f64>) -> Option<Cell> {
        let at: [i64; 3] = self.grid_place(point).map(|x| x.floor() as i64);
        self.cell(at)
    }

    /// Where a point lies, in cells.
    fn grid_place(&self, point: Point3<f64>) -> [f64; 3] {
        ((point - self.low) / self.step).into()
    }

    fn place(&self, cell: Cell) -> [i64; 3] {
        let [_, y, z] = self.strides();
        let cell = cell as usize;
        [cell % y, cell % z / y, cell / z].map(|k| k as i64)
    }

    fn cell(&self, at: [i64; 3]) -> Option<Cell> {
        let fits = (0..3).all(|i| (0..self.size[i] as i64).contains(&at[i]));
        let [_, y, z] = self.strides();
        fits.then(|| (at[0] as usize + at[1] as usize * y + at[2] as usize * z) as Cell)
    }

    /// The inside cells within a cube of that many cells on each side of a point's, nearest first.
    pub fn inside_near(&self, point: Point3<f64>, reach: i64) -> Vec<Cell> {
        let [x, y, z] = self.grid_place(point).map(|x| x.floor() as i64);
        let mut near: Vec<(f64, Cell)> = Vec::new();
        for k in z - reach..=z + reach {
            for j in y - reach..=y + reach {
                for i in x - reach..=x + reach {
                    if let Some(cell) = self.cell([i, j, k]).filter(|&cell| self.is_inside(cell)) {
                        near.push(((self.middle(cell) - point).norm_squared(), cell));
                    }
                }
            }
        }
        near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        near.into_iter().map(|entry| entry.1).collect()
    }

    /// The next cell along an axis, if it is inside and the way to it open. Cells at the rim of the grid are
    /// outside, so that an inside cell always has a next one.
    #[inline(always)]
    fn beside(&self, cell: Cell, axis: usize, ahead: bool) -> Option<Cell> {
        let stride = self.strides()[axis];
        let cell = cell as usize;
        let (lower, next) = if ahead {
            (cell, cell + stride)
        } else {
            (cell - stride, cell - stride)
        };
        let open = self.cells[lower] >> axis & 1 == 1 && self.cells[next] & INSIDE != 0;
        open.then_some(next as Cell)
    }

    /// The inside cells around one, corners included, that some way along the axes leads to.
    pub fn around(&self, cell: Cell, mut found: impl FnMut(Cell)) {
        for code in 0..27 {
            let step = [code % 3 - 1, code / 3 % 3 - 1, code / 9 - 1];
            if step != [0; 3]
                && let Some(next) = self.joined(cell, step)
            {
                found(next);
            }
        }
    }

    /// The cell a step away, if one of the ways along the axes that make up the step is open.
    fn joined(&self, cell: Cell, step: [i32; 3]) -> Option<Cell> {
        if step == [0; 3] {
            return Some(cell);
        }
        (0..3).filter(|&axis| step[axis] != 0).find_map(|axis| {
            let mut rest = step;
            rest[axis] = 0;
            let next = self.beside(cell, axis, step[axis] > 0)?;
            self.joined(next, rest)
        })
    }

    /// Whether the straight way between two points stays inside, from cell to cell (Amanatides & Woo 1987,
    /// *A fast voxel traversal algorithm*).
    pub fn in_sight(&self, from: Point3<f64>, to: Point3<f64>) -> bool {
        let (Some(mut cell), Some(end)) = (self.cell_at(from), self.cell_at(to)) else {
            return false;
        };
        if !self.is_inside(cell) || !self.is_inside(end) {
            return false;
        }
        let (a, b) = (self.grid_place(from), self.grid_place(to));
        let way: [f64; 3] = std::array::from_fn(|i| b[i] - a[i]);
        let mut ahead: [f64; 3] = std::array::from_fn(|i| {
            let edge = a[i].floor() + f64::from(u8::from(way[i] > 0.0));
            if way[i] == 0.0 {
                f64::INFINITY
            } else {
                (edge - a[i]) / way[i]
            }
        });
        let steps: i64 = (0..3)
            .map(|i| (b[i].floor() as i64 - a[i].floor() as i64).abs())
            .sum();
        for _ in 0..steps {
            let axis = (0..3)
                .min_by(|&i, &j| ahead[i].total_cmp(&ahead[j]))
                .unwrap_or(0);
            match self.beside(cell, axis, way[axis] > 0.0) {
                Some(next) => cell = next,
                None => return false,
            }
            ahead[axis] += 1.0 / way[axis].abs();
        }
        cell == end
    }
}

/// Crossings with their rows, in order.
struct Rows(Vec<(u32, Crossing)>);

impl Rows {
    /// The rows that have crossings.
    fn chunks(&self) -> impl Iterator<Item = (usize, Vec<Crossing>)> + '_ {
        let rows = self.0.chunk_by(|a, b| a.0 == b.0);
        rows.map(|row| (row[0].0 as usize, row.iter().map(|entry| entry.1).collect()))
    }
}
