//! Points near a point, by a grid of cells as wide as the reach.

use std::collections::HashMap;

/// Some points of a list, sorted into cells.
#[derive(Clone, Debug)]
pub struct Near {
    cells: HashMap<[i64; 3], Vec<u32>, foldhash::fast::RandomState>,
    reach: f64,
}

/// How far two points are apart.
pub fn distance(p: [f32; 3], q: [f32; 3]) -> f64 {
    let square = |i: usize| (f64::from(p[i]) - f64::from(q[i])).powi(2);
    (0..3).map(square).sum::<f64>().sqrt()
}

impl Near {
    /// Sorts points, given by their numbers in the list, for questions within `reach`, a length above 0.
    pub fn new(points: &[[f32; 3]], numbers: impl IntoIterator<Item = u32>, reach: f64) -> Self {
        let mut near = Self {
            cells: HashMap::default(),
            reach: reach.max(f64::MIN_POSITIVE),
        };
        for number in numbers {
            let cell = near.cell(points[number as usize]);
            near.cells.entry(cell).or_default().push(number);
        }
        near
    }

    fn cell(&self, point: [f32; 3]) -> [i64; 3] {
        point.map(|x| (f64::from(x) / self.reach).floor() as i64)
    }

    /// The points within the reach of one, with their squared distances, cell after cell; in each in the
    /// order given.
    pub fn within<'a>(
        &'a self,
        points: &'a [[f32; 3]],
        point: [f32; 3],
    ) -> impl Iterator<Item = (u32, f64)> + 'a {
        let [x, y, z] = self.cell(point);
        let around = |c: i64| c.saturating_sub(1)..=c.saturating_add(1);
        let cells = around(x)
            .flat_map(move |x| around(y).flat_map(move |y| around(z).map(move |z| [x, y, z])));
        cells
            .filter_map(|cell| self.cells.get(&cell))
            .flatten()
            .filter_map(move |&n| {
                let squared = squared_distance(points[n as usize], point);
                (squared <= self.reach * self.reach).then_some((n, squared))
            })
    }
}

fn squared_distance(p: [f32; 3], q: [f32; 3]) -> f64 {
    (0..3)
        .map(|i| (f64::from(p[i]) - f64::from(q[i])).powi(2))
        .sum()
}
