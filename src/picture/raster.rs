//! Triangles to pixels: which triangle is nearest at each sample, and light on it.
//!
//! Coverage is decided by edge functions (Pineda 1988, *A parallel algorithm for polygon rasterization*), each edge
//! from its lower vertex to its higher one, so that neighbours agree to the bit and leave no gap. Pixels have
//! [`SAMPLES`] × [`SAMPLES`] samples; triangles are lit once for each pixel that they show in. Tiles are drawn side
//! by side and know nothing of each other: pictures do not depend on threads.

use rayon::prelude::*;

use super::camera::View;
use super::canvas::{Area, Canvas};
use super::model::{Model, dot, unit};
use super::ramp::{Linear, from_bytes, linear, to_bytes};

/// Samples of a pixel in each direction.
const SAMPLES: usize = 3;

/// Pixels of a tile in each direction.
const TILE: usize = 32;

/// No triangle.
const NONE: u32 = u32::MAX;

/// What a surface is coloured by.
pub(super) enum Paint<'a> {
    /// One colour, in full light.
    Clay,
    /// A share of the ramp for each vertex.
    Ramp(&'a [f32]),
    /// A kind for each vertex; borders run between vertices. A colour for each kind.
    Kinds(&'a [u32], &'a [Linear]),
}

/// What a surface without figures is made of.
const CLAY: [u8; 3] = [201, 190, 176];

/// Light where colours are figures: so little shade that a colour is still found in the legend.
const FIGURE_SHADE: f32 = 0.36;

/// What shows at the middle of each pixel of an area.
pub(super) struct Seen {
    pub width: usize,
    /// The depth of what is nearest; more is nearer, minus infinity is nothing.
    pub depth: Vec<f32>,
    /// The triangle that is nearest.
    pub triangle: Vec<u32>,
}

impl Seen {
    /// Whether a point at this place and depth is not behind anything by more than `slack`.
    pub fn shows(&self, [x, y, depth]: [f32; 3], slack: f32) -> bool {
        if x < 0.0 || y < 0.0 || x >= self.width as f32 {
            return false;
        }
        let nearest = self.depth.get(y as usize * self.width + x as usize);
        nearest.is_some_and(|&nearest| depth + slack >= nearest)
    }
}

/// A triangle in pixels.
#[derive(Clone, Copy)]
struct Projected {
    /// Its corners: x, y, depth.
    corners: [[f64; 3]; 3],
    /// The edges across from its corners.
    edges: [Edge; 3],
    vertices: [u32; 3],
    /// Whether it runs counter-clockwise before the camera.
    is_front: bool,
}

/// An edge, from its lower vertex to its higher one, whichever triangle asks.
#[derive(Clone, Copy)]
struct Edge {
    from: [f64; 2],
    along: [f64; 2],
    /// What takes the product to a share of the triangle, with its sign.
    scale: f64,
}

impl Edge {
    /// The part of the product that a row of pixels shares.
    #[inline(always)]
    fn row(&self, y: f64) -> f64 {
        self.along[0] * (y - self.from[1])
    }

    /// The share of the corner across from it at a point.
    #[inline(always)]
    fn share(&self, row: f64, x: f64) -> f64 {
        (row - self.along[1] * (x - self.from[0])) * self.scale
    }
}

impl Projected {
    fn new(points: &[[f32; 3]], vertices: [u32; 3]) -> Option<Self> {
        let corners = vertices.map(|v| points[v as usize].map(f64::from));
        let [a, b, c] = corners;
        // Pixels run downward: what turns left before the camera is negative here.
        let area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        let sound = corners.as_flattened().iter().all(|x| x.abs() < 1e7) && area != 0.0;
        let edge = |from: usize, to: usize| {
            let (low, high, sign) = if vertices[from] < vertices[to] {
                (from, to, 1.0)
            } else {
                (to, from, -1.0)
            };
            let (p, q) = (corners[low], corners[high]);
            Edge {
                from: [p[0], p[1]],
                along: [q[0] - p[0], q[1] - p[1]],
                scale: sign / area,
            }
        };
        sound.then(|| Self {
            corners,
            edges: [edge(1, 2), edge(2, 0), edge(0, 1)],
            vertices,
            is_front: area < 0.0,
        })
    }

    /// The shares of its corners at a point of the plane; outside one is negative.
    fn shares(&self, x: f64, y: f64) -> [f64; 3] {
        self.edges.map(|edge| edge.share(edge.row(y), x))
    }

    fn depth(&self, [a, b, c]: [f64; 3]) -> f32 {
        (a * self.corners[0][2] + b * self.corners[1][2] + c * self.corners[2][2]) as f32
    }

    /// The lowest and highest coordinate in a direction.
    fn bounds(&self, direction: usize) -> [f64; 2] {
        let values = self.corners.map(|corner| corner[direction]);
        [
            values.into_iter().fold(f64::INFINITY, f64::min),
            values.into_iter().fold(f64::NEG_INFINITY, f64::max),
        ]
    }

    /// The samples (of a grid of that many a pixel, offset by `start`) in a direction that its bounds hold, within
    /// `count`.
    fn samples(&self, direction: usize, start: f64, density: f64, count: usize) -> [usize; 2] {
        let [low, high] = self
            .bounds(direction)
            .map(|at| (at - start) * density - 0.5);
        let first = low.ceil().max(0.0) as usize;
        let end = (high.floor() + 1.0).clamp(0.0, count as f64) as usize;
        [first, end]
    }
}

/// The nearest triangle at each sample of a square.
struct Samples {
    density: f64,
    /// From one to the next, in pixels.
    step: f64,
    width: usize,
    height: usize,
    /// Pixels from the left and top of the area.
    start: [f64; 2],
    depth: Vec<f32>,
    triangle: Vec<u32>,
}

impl Samples {
    fn new(start: [usize; 2], size: [usize; 2], per_pixel: usize) -> Self {
        let (width, height) = (size[0] * per_pixel, size[1] * per_pixel);
        Self {
            density: per_pixel as f64,
            step: 1.0 / per_pixel as f64,
            width,
            height,
            start: start.map(|at| at as f64),
            depth: vec![f32::NEG_INFINITY; width * height],
            triangle: vec![NONE; width * height],
        }
    }

    /// Where a sample lies, in pixels.
    fn place(&self, sample: usize, direction: usize) -> f64 {
        self.start[direction] + (sample as f64 + 0.5) * self.step
    }

    fn cover(&mut self, number: u32, triangle: &Projected) {
        let [left, right] = triangle.samples(0, self.start[0], self.density, self.width);
        let [top, bottom] = triangle.samples(1, self.start[1], self.density, self.height);
        let [a, b, c] = triangle.edges;
        for row in top..bottom {
            let y = self.place(row, 1);
            let rows = [a.row(y), b.row(y), c.row(y)];
            for column in left..right {
                let x = self.place(column, 0);
                let shares = [
                    a.share(rows[0], x),
                    b.share(rows[1], x),
                    c.share(rows[2], x),
                ];
                if shares[0] < 0.0 || shares[1] < 0.0 || shares[2] < 0.0 {
                    continue;
                }
                let depth = triangle.depth(shares);
                let at = row * self.width + column;
                // Of equals the first.
                if depth > self.depth[at] {
                    self.depth[at] = depth;
                    self.triangle[at] = number;
                }
            }
        }
    }
}

/// The triangles of a model in the pixels of a view.
fn project(model: &Model, view: &View) -> Vec<Option<Projected>> {
    let points: Vec<[f32; 3]> = model.positions.iter().map(|&p| view.pixel(p)).collect();
    let triangles = model.triangles.iter();
    triangles
        .map(|&vertices| Projected::new(&points, vertices))
        .collect()
}

/// The depth of what is nearest at the middle of each pixel of a view.
pub(super) fn depths(model: &Model, view: &View) -> Vec<f32> {
    let mut samples = Samples::new([0, 0], view.size, 1);
    for (number, triangle) in project(model, view).iter().enumerate() {
        if let Some(triangle) = triangle {
            samples.cover(number as u32, triangle);
        }
    }
    samples.depth
}

/// Draws a model into an area that has the size of the view, over what is there.
pub(super) fn draw(
    canvas: &mut Canvas,
    area: Area,
    model: &Model,
    view: &View,
    paint: &Paint,
) -> Seen {
    debug_assert_eq!(view.size, [area.width, area.height]);
    let triangles = project(model, view);
    let (across, down) = (area.width.div_ceil(TILE), area.height.div_ceil(TILE));
    let mut tiles: Vec<Vec<u32>> = vec![Vec::new(); across * down];
    for (number, triangle) in triangles.iter().enumerate() {
        let Some(triangle) = triangle else { continue };
        let reach = |direction: usize, count: usize| {
            let [low, high] = triangle.bounds(direction).map(|at| at / TILE as f64);
            let end = (high.floor() + 1.0).clamp(0.0, count as f64) as usize;
            (low.floor().max(0.0) as usize).min(end)..end
        };
        for row in reach(1, down) {
            for column in reach(0, across) {
                tiles[row * across + column].push(number as u32);
            }
        }
    }
    let ground = &*canvas;
    let drawn: Vec<Tile> = tiles
        .par_iter()
        .enumerate()
        .map(|(tile, numbers)| {
            let start = [tile % across * TILE, tile / across * TILE];
            let size = [
                TILE.min(area.width - start[0]),
                TILE.min(area.height - start[1]),
            ];
            let mut samples = Samples::new(start, size, SAMPLES);
            for &number in numbers {
                if let Some(triangle) = &triangles[number as usize] {
                    samples.cover(number, triangle);
                }
            }
            Tile::lit(
                &samples,
                start,
                size,
                |x, y| ground.pixels[(area.y + y) * ground.width + area.x + x],
                |number, x, y| {
                    let triangle = triangles[number as usize].as_ref()?;
                    Some(light(model, view, paint, number as usize, triangle, x, y))
                },
            )
        })
        .collect();
    let mut seen = Seen {
        width: area.width,
        depth: vec![f32::NEG_INFINITY; area.width * area.height],
        triangle: vec![NONE; area.width * area.height],
    };
    for tile in drawn {
        for row in 0..tile.size[1] {
            let from = row * tile.size[0]..(row + 1) * tile.size[0];
            let at = (tile.start[1] + row) * area.width + tile.start[0];
            seen.depth[at..at + tile.size[0]].copy_from_slice(&tile.depth[from.clone()]);
            seen.triangle[at..at + tile.size[0]].copy_from_slice(&tile.triangle[from.clone()]);
            let at = (area.y + tile.start[1] + row) * canvas.width + area.x + tile.start[0];
            canvas.pixels[at..at + tile.size[0]].copy_from_slice(&tile.pixels[from]);
        }
    }
    seen
}

/// A finished tile.
struct Tile {
    start: [usize; 2],
    size: [usize; 2],
    pixels: Vec<[u8; 3]>,
    depth: Vec<f32>,
    triangle: Vec<u32>,
}

impl Tile {
    /// Lights what the samples show.
    fn lit(
        samples: &Samples,
        start: [usize; 2],
        size: [usize; 2],
        ground: impl Fn(usize, usize) -> [u8; 3],
        light: impl Fn(u32, f64, f64) -> Option<Linear>,
    ) -> Self {
        let mut tile = Self {
            start,
            size,
            pixels: Vec::with_capacity(size[0] * size[1]),
            depth: Vec::with_capacity(size[0] * size[1]),
            triangle: Vec::with_capacity(size[0] * size[1]),
        };
        for y in 0..size[1] {
            for x in 0..size[0] {
                let sample = |i: usize| {
                    let (row, column) = (y * SAMPLES + i / SAMPLES, x * SAMPLES + i % SAMPLES);
                    row * samples.width + column
                };
                let middle = sample(SAMPLES * SAMPLES / 2);
                tile.depth.push(samples.depth[middle]);
                tile.triangle.push(samples.triangle[middle]);
                let ground = ground(start[0] + x, start[1] + y);
                let numbers: [u32; SAMPLES * SAMPLES] =
                    std::array::from_fn(|i| samples.triangle[sample(i)]);
                tile.pixels.push(if numbers == [NONE; SAMPLES * SAMPLES] {
                    ground
                } else {
                    to_bytes(mix(&numbers, samples, [x, y], from_bytes(ground), &light))
                });
            }
        }
        tile
    }
}

/// The colour of a pixel whose samples show these triangles.
fn mix(
    numbers: &[u32; SAMPLES * SAMPLES],
    samples: &Samples,
    [x, y]: [usize; 2],
    ground: Linear,
    light: &impl Fn(u32, f64, f64) -> Option<Linear>,
) -> Linear {
    let mut sum = [0.0f32; 3];
    for (i, &number) in numbers.iter().enumerate() {
        if numbers[..i].contains(&number) {
            continue;
        }
        let (mut count, mut px, mut py) = (0.0, 0.0, 0.0);
        for (k, _) in numbers.iter().enumerate().filter(|(_, n)| **n == number) {
            count += 1.0;
            px += samples.place(x * SAMPLES + k % SAMPLES, 0);
            py += samples.place(y * SAMPLES + k / SAMPLES, 1);
        }
        let colour = match number {
            NONE => ground,
            number => light(number, px / count, py / count).unwrap_or(ground),
        };
        for channel in 0..3 {
            sum[channel] += colour[channel] * count as f32;
        }
    }
    sum.map(|channel| channel / (SAMPLES * SAMPLES) as f32)
}

/// The colour of a triangle at a point of the picture.
fn light(
    model: &Model,
    view: &View,
    paint: &Paint,
    number: usize,
    triangle: &Projected,
    x: f64,
    y: f64,
) -> Linear {
    // The middle of the samples lies inside but for rounding.
    let shares = triangle
        .shares(x, y)
        .map(|share| share.clamp(0.0, 1.0) as f32);
    let normals = model.normal_of[number].map(|n| model.normals[n as usize]);
    let mut normal: [f32; 3] =
        std::array::from_fn(|i| (0..3).map(|c| shares[c] * normals[c][i]).sum());
    normal = view.camera.see(unit(normal));
    let is_back = triangle.is_front == model.is_mirrored;
    if is_back {
        normal = normal.map(|x| -x);
    }
    let shade = shade(normal);
    let back = if is_back { BACK } else { 1.0 };
    let figure = 1.0 - FIGURE_SHADE * (1.0 - shade.min(1.0));
    match paint {
        Paint::Clay => from_bytes(CLAY).map(|channel| channel * shade * back),
        Paint::Ramp(values) => {
            let value = (0..3)
                .map(|c| shares[c] * values[triangle.vertices[c] as usize])
                .sum();
            linear(value).map(|channel| channel * figure * back)
        }
        Paint::Kinds(kinds, colours) => {
            let nearest = (0..3).fold(0, |best, c| if shares[c] > shares[best] { c } else { best });
            let kind = kinds[triangle.vertices[nearest] as usize];
            colours[kind as usize].map(|channel| channel * figure * back)
        }
    }
}

/// Insides, where a surface is open, are darker than outsides.
const BACK: f32 = 0.55;

/// Soft light on a surface with this normal along the camera's axes: a large lamp above the left shoulder of the
/// camera, whose light reaches round (half the surface beyond its horizon), a little from the sky, and less where
/// the surface turns away.
fn shade(normal: [f32; 3]) -> f32 {
    const LAMP: [f32; 3] = [-0.43, 0.56, 0.708];
    const WRAP: f32 = 0.45;
    let lamp = ((dot(normal, LAMP) + WRAP) / (1.0 + WRAP)).max(0.0);
    let sky = 0.5 + 0.5 * normal[1];
    let edge = 0.72 + 0.28 * normal[2].clamp(0.0, 1.0);
    (0.12 + 0.40 * lamp + 0.44 * lamp * lamp + 0.18 * sky) * edge
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::camera::Camera;
    use crate::picture::model::Subject;

    const IDENTITY: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

    /// A sphere of radius one as a grid of rings and sectors.
    fn sphere(rings: usize, sectors: usize) -> (Vec<[f32; 3]>, Vec<[u32; 3]>) {
        let mut points = vec![[0.0, 1.0, 0.0]];
        for ring in 1..rings {
            let (sin, cos) = (std::f32::consts::PI * ring as f32 / rings as f32).sin_cos();
            for sector in 0..sectors {
                let (s, c) = (std::f32::consts::TAU * sector as f32 / sectors as f32).sin_cos();
                points.push([sin * s, cos, sin * c]);
            }
        }
        points.push([0.0, -1.0, 0.0]);
        let at = |ring: usize, sector: usize| (1 + (ring - 1) * sectors + sector % sectors) as u32;
        let last = points.len() as u32 - 1;
        let mut triangles = Vec::new();
        for sector in 0..sectors {
            triangles.push([0, at(1, sector), at(1, sector + 1)]);
            triangles.push([last, at(rings - 1, sector + 1), at(rings - 1, sector)]);
            for ring in 1..rings - 1 {
                let (a, b) = (at(ring, sector), at(ring, sector + 1));
                let (c, d) = (at(ring + 1, sector), at(ring + 1, sector + 1));
                triangles.extend([[a, c, b], [b, c, d]]);
            }
        }
        (points, triangles)
    }

    fn view(camera: Camera, size: [usize; 2], scale: f32) -> View {
        View {
            camera,
            middle: [0.0; 2],
            scale,
            size,
        }
    }

    fn drawn(subject: &Subject, view: &View, paint: &Paint) -> (Canvas, Seen) {
        let mut canvas = Canvas::new(view.size[0], view.size[1], [0; 3]);
        let area = Area {
            x: 0,
            y: 0,
            width: view.size[0],
            height: view.size[1],
        };
        let seen = draw(&mut canvas, area, &subject.at_bind(), view, paint);
        (canvas, seen)
    }

    /// The rim, depths and light of a sphere against the formulas of its parallel projection: a disc of radius r,
    /// z = √(r² − x² − y²), the normal (x, y, z)/r.
    #[test]
    fn a_sphere_is_a_lit_disc() {
        let (points, triangles) = sphere(96, 192);
        let subject = Subject::new(&points, &triangles, IDENTITY, 1.0);
        let (size, scale) = (200, 80.0f32);
        let view = view(Camera::new(37.0, 21.0), [size, size], scale);
        let (canvas, seen) = drawn(&subject, &view, &Paint::Clay);
        // Chords of 96 rings lie within 1 − cos(π/192) of the sphere.
        let chord = 1.0 - (std::f32::consts::PI / 192.0).cos();
        let mut inside = 0;
        for y in 0..size {
            for x in 0..size {
                let place = [
                    (x as f32 + 0.5 - 100.0) / scale,
                    (100.0 - y as f32 - 0.5) / scale,
                ];
                let away = place[0].hypot(place[1]);
                let pixel = y * size + x;
                let shows = seen.triangle[pixel] != NONE;
                if away < 1.0 - 2.0 * chord {
                    assert!(shows, "{x}, {y}");
                    inside += 1;
                } else if away > 1.0 {
                    assert!(!shows, "{x}, {y}");
                }
                if away > 0.97 {
                    continue;
                }
                let z = (1.0 - away * away).sqrt();
                // A chord's error along the view, where the surface slopes.
                let slack = 2.0 * chord / z + 1e-5;
                assert!((seen.depth[pixel] - z).abs() < slack, "{x}, {y}");
                let wanted = from_bytes(CLAY).map(|c| c * shade([place[0], place[1], z]));
                let [is, should] = [canvas.pixels[pixel], to_bytes(wanted)];
                for channel in 0..3 {
                    // Normals between vertices are off by a hundredth of the grid's step: two of 255 levels.
                    let off = i16::from(is[channel]) - i16::from(should[channel]);
                    assert!(off.abs() <= 2, "{x}, {y}: {is:?} for {should:?}");
                }
            }
        }
        assert!(inside > 19_000, "{inside} pixels");
    }

    /// The silhouette of a box seen along a direction (a, b, c) of unit length has the area of its three shown
    /// faces: |a| + |b| + |c| for edges of length one. Soft edges hold it to a small part of a pixel of rim.
    #[test]
    fn a_box_covers_the_area_of_its_shown_faces() {
        let points: Vec<[f32; 3]> = (0..8)
            .map(|i| [i & 1, i >> 1 & 1, i >> 2 & 1].map(|bit| bit as f32 - 0.5))
            .collect();
        let triangles: Vec<[u32; 3]> = [
            [0, 2, 3, 1],
            [4, 5, 7, 6],
            [0, 1, 5, 4],
            [2, 6, 7, 3],
            [0, 4, 6, 2],
            [1, 3, 7, 5],
        ]
        .iter()
        .flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]])
        .collect();
        let subject = Subject::new(&points, &triangles, IDENTITY, 1.0);
        for (around, height) in [(0.0, 0.0), (33.0, 24.0), (-120.0, -50.0), (45.0, 35.264)] {
            let camera = Camera::new(around, height);
            let scale = 100.0f32;
            let view = view(camera, [240, 240], scale);
            // White in all light: coverage is what a pixel of linear light holds.
            let seen = drawn(&subject, &view, &Paint::Kinds(&[0; 8], &[[1.0; 3]])).1;
            let mut samples = Samples::new([0, 0], view.size, SAMPLES);
            for (number, triangle) in project(&subject.at_bind(), &view).iter().enumerate() {
                if let Some(triangle) = triangle {
                    samples.cover(number as u32, triangle);
                }
            }
            let covered = samples.triangle.iter().filter(|t| **t != NONE).count();
            let area = covered as f32 / (SAMPLES * SAMPLES) as f32 / (scale * scale);
            let expected: f32 = camera.axes[2].iter().map(|x| x.abs()).sum();
            // The rim is some four lengths; each crosses 300 samples, whose rounding evens out to a few.
            assert!((area - expected).abs() < 0.006, "{area} for {expected}");
            // The nearest corner is at half of |a| + |b| + |c|.
            let nearest = seen.depth.iter().copied().fold(f32::MIN, f32::max);
            assert!(
                (nearest - expected / 2.0).abs() < 0.02,
                "{nearest} for {expected}"
            );
        }
    }

    /// Neighbours leave no gap and no doubt: a fan about a point, seen squarely, covers its square whole.
    #[test]
    fn triangles_that_share_edges_leave_no_gap() {
        let count = 37;
        let mut points = vec![[0.013, -0.021, 0.0]];
        for i in 0..count {
            let (sin, cos) = (std::f32::consts::TAU * i as f32 / count as f32).sin_cos();
            points.push([3.0 * cos, 3.0 * sin, 0.0]);
        }
        let triangles: Vec<[u32; 3]> = (0..count)
            .map(|i| [0, 1 + i, 1 + (i + 1) % count])
            .collect();
        let subject = Subject::new(&points, &triangles, IDENTITY, 1.0);
        let view = view(Camera::new(0.0, 0.0), [97, 61], 31.7);
        let mut samples = Samples::new([0, 0], view.size, SAMPLES);
        for (number, triangle) in project(&subject.at_bind(), &view).iter().enumerate() {
            if let Some(triangle) = triangle {
                samples.cover(number as u32, triangle);
            }
        }
        assert!(samples.triangle.iter().all(|t| *t != NONE));
    }

    #[test]
    fn pictures_do_not_depend_on_threads() {
        let (points, triangles) = sphere(40, 80);
        let subject = Subject::new(&points, &triangles, IDENTITY, 2.0);
        let view = view(Camera::new(10.0, 20.0), [150, 110], 60.0);
        let shares: Vec<f32> = points.iter().map(|p| p[1].abs()).collect();
        let pictures = [1, 2, 5].map(|threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            let pool = pool.expect("threads");
            pool.install(|| drawn(&subject, &view, &Paint::Ramp(&shares)).0.to_png())
        });
        assert!(pictures.iter().all(|picture| *picture == pictures[0]));
    }

    #[test]
    fn what_is_no_number_is_left_out() {
        let (mut points, triangles) = sphere(8, 16);
        points[3] = [f32::NAN, f32::INFINITY, 1e30];
        let subject = Subject::new(&points, &triangles, IDENTITY, f64::NAN);
        let view = View::framing(Camera::new(0.0, 0.0), [40, 40], &[&subject.at_bind()]);
        drawn(&subject, &view, &Paint::Clay);
    }
}
