//! Cameras: where they stand, and how much they see. Projection is parallel, so that lengths compare anywhere
//! in a picture.

use rayon::prelude::*;

use super::model::{Model, cross, dot, minus, plus, unit};
use super::raster;

/// A direction to look from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Unit vectors of the scene: to the right in the picture, up in it, and toward the camera.
    pub(super) axes: [[f32; 3]; 3],
}

/// A camera, and what part of its view fills an area of pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct View {
    pub camera: Camera,
    /// What is in the middle, along the camera's first two axes.
    pub middle: [f32; 2],
    /// Pixels a unit.
    pub scale: f32,
    /// Pixels.
    pub size: [usize; 2],
}

/// The share of an area that stays free around what it shows, on each side.
const MARGIN: f32 = 0.05;

/// Directions that are tried: so many around, at each of these heights above the horizon, in degrees.
const AROUND: usize = 16;
const HEIGHTS: [f32; 3] = [12.0, -18.0, 42.0];

/// What is seen is tried at this many pixels across.
const TRIAL: usize = 128;

/// A place is seen if nothing is nearer to the camera by more than this; in sizes of the subject. A pixel of the
/// trial on a slope of 45° and more.
const BEHIND: f32 = 0.012;

/// What the worst place counts against all others together.
const WORST_SHARE: f32 = 2.0;

/// How much more of the error a view must show to be taken in place of one that is nearer to the front.
const FRONT_BONUS: f32 = 0.06;

impl Camera {
    /// Looks from this far round (degrees, 0 is the front, 90 the character's left) and this high above the horizon
    /// (degrees, within ±89).
    pub fn new(around: f32, height: f32) -> Self {
        let (sin, cos) = around.to_radians().sin_cos();
        let (rise, level) = height.clamp(-89.0, 89.0).to_radians().sin_cos();
        let toward = [sin * level, rise, cos * level];
        let right = unit(cross([0.0, 1.0, 0.0], toward));
        Self {
            axes: [right, cross(toward, right), toward],
        }
    }

    /// Where a point lies along the axes of the camera.
    pub(super) fn see(&self, point: [f32; 3]) -> [f32; 3] {
        self.axes.map(|axis| dot(axis, point))
    }

    /// The camera that sees most of what weighs on the vertices of a model, faced squarely.
    pub(super) fn facing(model: &Model, weights: &[f32]) -> Self {
        let tried: Vec<(Self, f32)> = HEIGHTS
            .iter()
            .flat_map(|&height| (0..AROUND).map(move |step| (step, height)))
            .map(|(step, height)| (360.0 * step as f32 / AROUND as f32, height))
            .map(|(around, height)| (Self::new(around, height), around))
            .collect();
        // A few vertices carry nearly all of the squares: the others are only time.
        let mut heavy: Vec<usize> = (0..weights.len()).filter(|&v| weights[v] > 0.0).collect();
        heavy.sort_by(|&a, &b| weights[b].total_cmp(&weights[a]).then(a.cmp(&b)));
        heavy.truncate(MOST_PLACES);
        let normals = vertex_normals(model);
        let scores: Vec<f32> = tried
            .par_iter()
            .map(|&(camera, around)| {
                let shown = camera.shown(model, &heavy, &normals);
                let all = heavy.iter().map(|&v| weights[v].sqrt());
                let seen: f32 = all.clone().zip(&shown).map(|(w, s)| w * s).sum();
                let share = seen / all.clone().sum::<f32>().max(f32::MIN_POSITIVE);
                // The worst place comes first, however much else is to be seen; where it hides in a fold, the next.
                let most = heavy.first().map_or(1.0, |&v| weights[v].sqrt());
                let each = all.zip(&shown).map(|(w, s)| w / most * s);
                let worst = each.fold(0.0, f32::max);
                let front = around.to_radians().cos();
                (WORST_SHARE * worst + share) * (1.0 + FRONT_BONUS * front)
            })
            .collect();
        // The first of equals, which is the front.
        let best = (0..tried.len())
            .rev()
            .max_by(|&a, &b| scores[a].total_cmp(&scores[b]));
        best.map_or(Self::new(0.0, HEIGHTS[0]), |best| tried[best].0)
    }

    /// For each of some vertices how squarely it faces the camera, from 0 to 1; 0 if it is hidden.
    fn shown(&self, model: &Model, vertices: &[usize], normals: &[[f32; 3]]) -> Vec<f32> {
        let view = View::framing(*self, [TRIAL, TRIAL], &[model]);
        let depths = raster::depths(model, &view);
        let shown = vertices.iter().map(|&v| {
            let [x, y, depth] = view.pixel(model.positions[v]);
            let is_within = |x: f32| x >= 0.0 && x < TRIAL as f32;
            if !is_within(x) || !is_within(y) {
                return 0.0;
            }
            let nearest = depths[y as usize * TRIAL + x as usize];
            if depth + BEHIND < nearest {
                return 0.0;
            }
            dot(normals[v], self.axes[2]).max(0.0)
        });
        shown.collect()
    }
}

/// Places that a camera is chosen by.
const MOST_PLACES: usize = 256;

/// A normal for each vertex: the mean of its corners'.
fn vertex_normals(model: &Model) -> Vec<[f32; 3]> {
    let mut normals = vec![[0.0; 3]; model.positions.len()];
    for (triangle, corners) in model.triangles.iter().zip(model.normal_of) {
        for (&v, &corner) in triangle.iter().zip(corners) {
            let sum = &mut normals[v as usize];
            *sum = plus(*sum, model.normals[corner as usize]);
        }
    }
    normals.into_iter().map(unit).collect()
}

impl View {
    /// Shows all of some models, as large as they fit.
    pub fn framing(camera: Camera, size: [usize; 2], models: &[&Model]) -> Self {
        let mut low = [f32::INFINITY; 2];
        let mut high = [f32::NEG_INFINITY; 2];
        for model in models {
            for &v in model.used {
                let [x, y, _] = camera.see(model.positions[v as usize]);
                if x.is_finite() && y.is_finite() {
                    low = [low[0].min(x), low[1].min(y)];
                    high = [high[0].max(x), high[1].max(y)];
                }
            }
        }
        if low[0] > high[0] {
            (low, high) = ([-0.5; 2], [0.5; 2]);
        }
        let middle = [(low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0];
        let room = 1.0 - 2.0 * MARGIN;
        let fits = |i: usize| room * size[i] as f32 / (high[i] - low[i]).max(1e-6);
        Self {
            camera,
            middle,
            scale: fits(0).min(fits(1)),
            size,
        }
    }

    /// Shows what lies within `reach` of a point.
    pub fn close(camera: Camera, size: [usize; 2], point: [f32; 3], reach: f32) -> Self {
        let [x, y, _] = camera.see(point);
        Self {
            camera,
            middle: [x, y],
            scale: size[0].min(size[1]) as f32 / (2.0 * reach),
            size,
        }
    }

    /// Where a point comes to lie: in pixels from the top left, and its depth (more is nearer).
    pub fn pixel(&self, point: [f32; 3]) -> [f32; 3] {
        let [x, y, depth] = self.camera.see(point);
        [
            self.size[0] as f32 / 2.0 + (x - self.middle[0]) * self.scale,
            self.size[1] as f32 / 2.0 - (y - self.middle[1]) * self.scale,
            depth,
        ]
    }
}

/// The distance of two points.
pub(super) fn distance(a: [f32; 3], b: [f32; 3]) -> f32 {
    let d = minus(a, b);
    dot(d, d).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::model::Subject;

    /// A bump on the front of a plate, and another behind a screen at the back, in a scene of triangles.
    fn scene() -> (Vec<[f32; 3]>, Vec<[u32; 3]>) {
        let quad = |z: f32, half: f32, turned: bool| {
            let corners = [
                [-half, -half, z],
                [half, -half, z],
                [half, half, z],
                [-half, half, z],
            ];
            let order: [[u32; 3]; 2] = match turned {
                false => [[0, 1, 2], [0, 2, 3]],
                true => [[0, 2, 1], [0, 3, 2]],
            };
            (corners, order)
        };
        let (mut points, mut triangles) = (Vec::new(), Vec::new());
        for (z, half, turned) in [(0.1, 1.0, false), (-0.1, 1.0, true), (-0.3, 1.4, true)] {
            let (corners, order) = quad(z, half, turned);
            let first = points.len() as u32;
            points.extend(corners);
            triangles.extend(order.map(|t| t.map(|v| v + first)));
        }
        (points, triangles)
    }

    #[test]
    fn the_worst_place_faces_the_camera() {
        let (points, triangles) = scene();
        let one = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let subject = Subject::new(&points, &triangles, one, 3.0);
        let model = subject.at_bind();
        let facing = |heavy: usize| {
            let mut weights = vec![0.0; points.len()];
            weights[heavy] = 1.0;
            Camera::facing(&model, &weights).axes[2]
        };
        // The plate's front, and the back of the screen: squarely but for the height of the camera.
        assert!(facing(0)[2] > 0.9, "{:?}", facing(0));
        assert!(facing(8)[2] < -0.9, "{:?}", facing(8));
    }

    #[test]
    fn a_place_behind_a_screen_gives_way_to_the_next_that_shows() {
        let (points, triangles) = scene();
        let one = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let subject = Subject::new(&points, &triangles, one, 3.0);
        let mut weights = vec![0.0; points.len()];
        // The plate's back is the worst, but the screen hides it from wherever it faces the camera.
        weights[4] = 1.0;
        weights[1] = 0.5;
        let camera = Camera::facing(&subject.at_bind(), &weights);
        assert!(camera.axes[2][2] > 0.9, "{:?}", camera.axes[2]);
    }

    /// Where the axes of a view come to lie, by the formulas of a parallel projection: x to the right, y up, and
    /// pixels from the top left.
    #[test]
    fn the_front_faces_plus_z_and_its_left_is_plus_x() {
        let view = |camera| View {
            camera,
            middle: [0.0; 2],
            scale: 10.0,
            size: [100, 60],
        };
        let near = |[x, y, z]: [f32; 3], [a, b, c]: [f32; 3]| {
            (x - a).abs() < 1e-4 && (y - b).abs() < 1e-4 && (z - c).abs() < 1e-4
        };
        let front = view(Camera::new(0.0, 0.0));
        assert!(near(front.pixel([1.0, 2.0, 3.0]), [60.0, 10.0, 3.0]));
        let left = view(Camera::new(90.0, 0.0));
        assert!(near(left.pixel([1.0, 2.0, 3.0]), [20.0, 10.0, 1.0]));
        let above = view(Camera::new(0.0, 30.0));
        // y·cos 30° − z·sin 30° up, y·sin 30° + z·cos 30° toward.
        let (sin, cos) = (0.5f32, 0.75f32.sqrt());
        let up = 2.0 * cos - 3.0 * sin;
        assert!(near(
            above.pixel([1.0, 2.0, 3.0]),
            [60.0, 30.0 - 10.0 * up, 2.0 * sin + 3.0 * cos]
        ));
    }
}
