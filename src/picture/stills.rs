//! What stills show: a pose three ways, or the bind pose coloured by what the fit works with.

use super::camera::{Camera, View, distance};
use super::model::{Model, Subject};
use super::ramp::{HUE_COUNT, Linear, hue, linear, mark};
use super::raster::{Paint, Seen};
use super::sheet::{Legend, Sheet};
use super::still::Still;

/// Draws the stills of one skin.
#[derive(Clone, Debug)]
pub struct Studio<'a> {
    /// The skin's name.
    pub name: String,
    /// Its surface.
    pub subject: Subject<'a>,
    /// Units of the scene in a percent of its size.
    pub unit: f64,
    /// How to draw.
    pub style: Style,
}

/// How stills are drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    /// Width and height in pixels, at least [`super::LEAST_SIZE`].
    pub size: [u32; 2],
    /// The error that gets the last colour of the ramp, in percent of the subject's size. The same for all
    /// characters, so that their pictures compare.
    pub top_percent: f64,
    /// Where to look from; by default where the worst place, or most of what is shown, faces the camera.
    pub from: Option<Side>,
    /// Whether to show the surroundings of the worst place in place of the whole.
    pub close: bool,
}

/// The top of the ramp of errors: one percent of the size is plain to see in a game.
pub const TOP_PERCENT: f64 = 1.0;

impl Default for Style {
    fn default() -> Self {
        Self {
            size: [1920, 1080],
            top_percent: TOP_PERCENT,
            from: None,
            close: false,
        }
    }
}

/// A side of a character, as the character has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Toward +Z of the scene.
    Front,
    /// Toward −Z.
    Back,
    /// Toward +X.
    Left,
    /// Toward −X.
    Right,
    /// From high above the front.
    Above,
    /// From below the front.
    Below,
}

impl Side {
    /// Each with its name, and what it is.
    pub const ALL: [(Self, &'static str, &'static str); 6] = [
        (Self::Front, "front", "Its front"),
        (Self::Back, "back", "Its back"),
        (Self::Left, "left", "Its left"),
        (Self::Right, "right", "Its right"),
        (Self::Above, "above", "From high above"),
        (Self::Below, "below", "From below"),
    ];

    fn camera(self) -> Camera {
        match self {
            Self::Front => Camera::new(0.0, LEVEL),
            Self::Back => Camera::new(180.0, LEVEL),
            Self::Left => Camera::new(90.0, LEVEL),
            Self::Right => Camera::new(-90.0, LEVEL),
            Self::Above => Camera::new(0.0, 80.0),
            Self::Below => Camera::new(0.0, -70.0),
        }
    }
}

/// Cameras stand a little above the horizon: forms read better, in degrees.
const LEVEL: f32 = 8.0;

/// How far a close view reaches from the worst place, in sizes of the subject.
const CLOSE: f32 = 0.14;

/// A subject is long if it measures this much more from front to back than across and up.
const LONG: f32 = 1.4;

/// A mark of a place shows if nothing is nearer to the camera by more than this, in sizes of the subject.
const MARK_SLACK: f32 = 0.01;

/// A pose as the reference has it and as baked.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// Ends the still's name.
    pub name: String,
    /// What the report calls the pose.
    pub pose: String,
    /// Whether the fit never saw it; `None` for the bind pose.
    pub held_out: Option<bool>,
    /// Where the reference has each welded vertex, in mesh space.
    pub reference: Vec<[f32; 3]>,
    /// Where the baked weights have it.
    pub baked: Vec<[f32; 3]>,
}

/// A vertex's joints, as counted and coloured.
#[derive(Clone, Debug, PartialEq)]
pub struct Kinds {
    /// The kind of each welded vertex.
    pub of: Vec<u32>,
    /// Each kind in words.
    pub names: Vec<String>,
}

/// The rank of a kind in its colour.
const OTHER: [f32; 3] = [0.62, 0.58, 0.53];

impl Studio<'_> {
    /// A pose three ways: the reference, the baked weights, and how far apart they are.
    pub fn difference(&self, shot: &Shot) -> Still {
        let [reference, baked] =
            [&shot.reference, &shot.baked].map(|positions| self.subject.posed(positions));
        // In percent of the size.
        let errors: Vec<f32> = reference
            .positions
            .iter()
            .zip(&baked.positions)
            .map(|(&a, &b)| 100.0 * distance(a, b))
            .collect();
        let squares: f64 = errors.iter().map(|&e| f64::from(e).powi(2)).sum();
        let rms = (squares / errors.len().max(1) as f64).sqrt();
        let (worst, greatest) = greatest(&errors);
        let is_off = greatest >= LEAST_SHOWN;
        let weights: Vec<f32> = errors.iter().map(|e| e * e).collect();
        let camera = self.camera(&baked, &weights, is_off);
        let poses = match shot.held_out {
            None => "bind pose",
            Some(true) => "held-out pose",
            Some(false) => "pose of the fit",
        };
        let heading = match shot.held_out {
            None => format!("{}: bind pose", self.name),
            Some(_) => format!("{}: {}", self.name, shot.pose),
        };
        let figures = format!(
            "rms {rms:.3} %, greatest {greatest:.2} % of size ({} units)",
            digits(f64::from(greatest) * self.unit)
        );
        let mut sheet = Sheet::new(self.style.size, 3, &heading, &format!("{poses}: {figures}"));
        let view = |size: [usize; 2]| match (self.style.close && is_off, worst) {
            (true, Some(worst)) => View::close(camera, size, baked.positions[worst], CLOSE),
            _ => View::framing(camera, size, &[&reference, &baked]),
        };
        sheet.settle(|size| view(size).scale);
        let view = view(sheet.panel());
        let top = self.style.top_percent as f32;
        let shares: Vec<f32> = errors.iter().map(|e| e / top).collect();
        sheet.draw(0, "reference", &reference, &view, &Paint::Clay);
        sheet.draw(1, "baked", &baked, &view, &Paint::Clay);
        let seen = sheet.draw(2, "difference", &baked, &view, &Paint::Ramp(&shares));
        let mut note = "Reference: the layers. Baked: the weights.".to_owned();
        let marked = is_off.then(|| {
            let mut order: Vec<usize> = (0..errors.len()).collect();
            order.sort_by(|&a, &b| errors[b].total_cmp(&errors[a]).then(a.cmp(&b)));
            let at = |v: usize| (v, view.pixel(baked.positions[v]));
            let mut places = order.into_iter().map(at);
            places.find(|&(_, at)| seen.shows(at, MARK_SLACK))
        });
        match marked.flatten() {
            Some((v, at)) => {
                sheet.ring(2, [at[0], at[1]]);
                note += &match Some(v) == worst {
                    true => " Ring: the greatest difference.".to_owned(),
                    false => format!(
                        " Ring: the greatest that shows, {:.2} %; a greater is in a fold.",
                        errors[v]
                    ),
                };
            }
            None => note += " No difference to be seen.",
        }
        sheet.foot(&note, &self.error_legend());
        self.still(
            &shot.name,
            match shot.held_out {
                None => "Bind pose".to_owned(),
                Some(_) => format!("{} ({poses})", shot.pose),
            },
            format!(
                "{} in the {poses} {}: reference, baked and difference side by side; {figures}.",
                self.name, shot.pose
            ),
            sheet,
        )
    }

    /// How many joints each vertex has weight on.
    pub fn influences(&self, counts: &[usize], cap: usize) -> Still {
        let most = counts.iter().copied().max().unwrap_or(1).max(cap).max(2);
        let colours: Vec<Linear> = (1..=most)
            .map(|count| linear(0.02 + 0.9 * (count - 1) as f32 / (most - 1) as f32))
            .collect();
        let kinds: Vec<u32> = counts
            .iter()
            .map(|count| count.max(&1) - 1)
            .map(|k| k as u32)
            .collect();
        let keys = colours.iter().enumerate().map(|(kind, &colour)| {
            let count = kinds.iter().filter(|k| **k == kind as u32).count();
            let share = 100.0 * count as f64 / kinds.len().max(1) as f64;
            (colour, format!("{} ({share:.0} %)", kind + 1))
        });
        let keys = keys.collect();
        let mean = counts.iter().sum::<usize>() as f64 / counts.len().max(1) as f64;
        let heading = format!("{}: joints a vertex", self.name);
        let mut sheet = Sheet::new(
            self.style.size,
            3,
            &heading,
            &format!("{mean:.2} on average"),
        );
        let model = self.subject.at_bind();
        let paint = Paint::Kinds(&kinds, &colours);
        self.round(&mut sheet, &model, &paint, None, |_, _, _, _| {});
        sheet.foot(
            "Joints with weight, and their share of all vertices.",
            &Legend::Keys(keys),
        );
        self.still(
            "influences",
            "Joints a vertex".to_owned(),
            format!("{} in bind pose, coloured by how many joints move each vertex; {mean:.2} on average.", self.name),
            sheet,
        )
    }

    /// Which joint has each vertex in the rigid bind; joints side by side have different colours.
    pub fn regions(&self, regions: &Kinds) -> Still {
        let colour_of =
            neighbour_colours(&regions.of, regions.names.len(), &self.subject.at_bind());
        let colours: Vec<Linear> = colour_of.iter().map(|&number| hue(number)).collect();
        let mut used = regions.of.clone();
        used.sort_unstable();
        used.dedup();
        let remark = format!(
            "{} of {} joints have vertices",
            used.len(),
            regions.names.len()
        );
        let heading = format!("{}: the rigid bind", self.name);
        let mut sheet = Sheet::new(self.style.size, 3, &heading, &remark);
        let model = self.subject.at_bind();
        let paint = Paint::Kinds(&regions.of, &colours);
        self.round(&mut sheet, &model, &paint, None, |sheet, panel, _, seen| {
            let places = middles(seen, &model, &regions.of, regions.names.len());
            let names: Vec<([f32; 2], &str)> = places
                .iter()
                .map(|&(kind, at)| (at, regions.names[kind].as_str()))
                .collect();
            sheet.names(panel, &names);
        });
        let note = "Each vertex starts on one joint. Colours only part neighbours; they come again elsewhere. \
                    Names where there is room.";
        sheet.foot(note, &Legend::Keys(Vec::new()));
        self.still(
            "regions",
            "Rigid bind".to_owned(),
            format!(
                "{} in bind pose, coloured by the joint that each vertex starts on; {remark}.",
                self.name
            ),
            sheet,
        )
    }

    /// What each connected piece does.
    pub fn pieces(&self, pieces: &Kinds, counts: &[usize]) -> Still {
        let colours: Vec<Linear> = (0..pieces.names.len())
            .map(|kind| match kind {
                0 => OTHER,
                kind => hue(kind - 1),
            })
            .collect();
        let keys = colours.iter().zip(&pieces.names).zip(counts);
        let keys = keys.map(|((&colour, name), count)| (colour, format!("{name}: {count}")));
        let keys = keys.collect();
        let all: usize = counts.iter().sum();
        let heading = format!("{}: pieces", self.name);
        let mut sheet = Sheet::new(
            self.style.size,
            3,
            &heading,
            &format!("{all} connected pieces"),
        );
        let model = self.subject.at_bind();
        let paint = Paint::Kinds(&pieces.of, &colours);
        let weights: Vec<f32> = pieces
            .of
            .iter()
            .map(|&kind| f32::from(u8::from(kind > 0)))
            .collect();
        self.round(&mut sheet, &model, &paint, Some(&weights), |_, _, _, _| {});
        let note =
            "own: bends by itself. ride: moves with one joint. cling: follows what is beneath.";
        sheet.foot(note, &Legend::Keys(keys));
        self.still(
            "pieces",
            "Pieces".to_owned(),
            format!(
                "{} in bind pose, coloured by what each of its {all} pieces does.",
                self.name
            ),
            sheet,
        )
    }

    /// Vertices whose weights stand out from their neighbours'.
    pub fn outliers(&self, vertices: &[usize]) -> Still {
        let remark = match vertices.len() {
            0 => "none".to_owned(),
            1 => "1 vertex".to_owned(),
            many => format!("{many} vertices"),
        };
        let heading = format!("{}: weights that stand out", self.name);
        let mut sheet = Sheet::new(self.style.size, 3, &heading, &remark);
        let model = self.subject.at_bind();
        let mut weights = vec![0.0; model.positions.len()];
        vertices.iter().for_each(|&v| weights[v] = 1.0);
        let mark = mark();
        self.round(
            &mut sheet,
            &model,
            &Paint::Clay,
            Some(&weights),
            |sheet, panel, view, seen| {
                for &v in vertices {
                    let at = view.pixel(model.positions[v]);
                    if seen.shows(at, MARK_SLACK) {
                        sheet.dot(panel, [at[0], at[1]], mark);
                    }
                }
            },
        );
        let keys = vec![(mark, "stands out from its neighbours".to_owned())];
        sheet.foot(
            "Dots: vertices whose weights are unlike all their neighbours'.",
            &Legend::Keys(keys),
        );
        self.still(
            "outliers",
            "Weights that stand out".to_owned(),
            format!(
                "{} in bind pose, with dots at vertices whose weights stand out: {remark}.",
                self.name
            ),
            sheet,
        )
    }

    /// The weight of one joint on each vertex, 0 to 1.
    pub fn weights(&self, joint: &str, values: &[f32]) -> Still {
        let with = values.iter().filter(|&&value| value > 0.0).count();
        let remark = format!("on {with} of {} vertices", values.len());
        let heading = format!("{}: weights of {joint}", self.name);
        let mut sheet = Sheet::new(self.style.size, 3, &heading, &remark);
        let model = self.subject.at_bind();
        self.round(
            &mut sheet,
            &model,
            &Paint::Ramp(values),
            Some(values),
            |_, _, _, _| {},
        );
        let marks = (0..=4).map(|i| (i as f32 / 4.0, format!("{:.2}", i as f32 / 4.0)));
        let legend = Legend::Ramp {
            caption: "weight".to_owned(),
            marks: marks.collect(),
        };
        sheet.foot("The joint's share of each vertex, in bind pose.", &legend);
        self.still(
            &format!("weights-{}", plain(joint)),
            format!("Weights of {joint}"),
            format!(
                "{} in bind pose, coloured by the weight of {joint}, {remark}.",
                self.name
            ),
            sheet,
        )
    }

    /// The bind pose from three sides, the middle one where most of `weights` shows, if there are any.
    fn round(
        &self,
        sheet: &mut Sheet,
        model: &Model,
        paint: &Paint,
        weights: Option<&[f32]>,
        mut then: impl FnMut(&mut Sheet, usize, &View, &Seen),
    ) {
        let sides = |side: Side, name: &'static str| (side.camera(), name);
        let extent = self.subject.extent();
        let is_long = extent[2] > LONG * extent[0].max(extent[1]);
        let middle = match (self.style.from, weights) {
            (Some(side), _) => {
                let name = Side::ALL.iter().find(|(known, ..)| *known == side);
                sides(side, name.map_or("", |(_, name, _)| name))
            }
            (None, Some(weights)) if weights.iter().any(|&w| w > 0.0) => {
                (Camera::facing(model, weights), "facing most of it")
            }
            _ if is_long => (Camera::new(90.0, 70.0), "above"),
            _ => sides(Side::Left, "its left"),
        };
        // What is long from front to back shows little there.
        let (left, right) = match is_long {
            true => (
                sides(Side::Left, "its left"),
                sides(Side::Right, "its right"),
            ),
            false => (sides(Side::Front, "front"), sides(Side::Back, "back")),
        };
        let views = [left, middle, right];
        let view = |camera: Camera, size| View::framing(camera, size, &[model]);
        let scales = |size| views.map(|(camera, _)| view(camera, size).scale);
        sheet.settle(|size| scales(size).into_iter().fold(f32::INFINITY, f32::min));
        for (panel, (camera, title)) in views.into_iter().enumerate() {
            let view = view(camera, sheet.panel());
            let seen = sheet.draw(panel, title, model, &view, paint);
            then(sheet, panel, &view, &seen);
        }
    }

    fn camera(&self, model: &Model, weights: &[f32], is_off: bool) -> Camera {
        match self.style.from {
            Some(side) => side.camera(),
            None if is_off => Camera::facing(model, weights),
            None => Camera::new(22.5, LEVEL),
        }
    }

    /// The ramp of errors, with marks in units of the scene.
    fn error_legend(&self) -> Legend {
        let top = self.style.top_percent * self.unit;
        let step = round_step(top / 4.0);
        let marks = (0..).map(|i| f64::from(i) * step);
        let marks = marks.take_while(|mark| *mark <= top * (1.0 + 1e-9));
        Legend::Ramp {
            caption: format!("units; end: {} % of size", digits(self.style.top_percent)),
            marks: marks
                .map(|mark| ((mark / top) as f32, digits(mark)))
                .collect(),
        }
    }

    fn still(&self, name: &str, title: String, description: String, sheet: Sheet) -> Still {
        let canvas = sheet.into_canvas();
        Still {
            name: name.to_owned(),
            title,
            description,
            width: canvas.width as u32,
            height: canvas.height as u32,
            png: canvas.to_png(),
        }
    }
}

/// Errors below this are rounding, in percent of the size.
const LEAST_SHOWN: f32 = 1e-3;

/// The greatest of some figures and its place.
fn greatest(values: &[f32]) -> (Option<usize>, f32) {
    let place = (0..values.len())
        .rev()
        .max_by(|&a, &b| values[a].total_cmp(&values[b]));
    (place, place.map_or(0.0, |place| values[place]))
}

/// The least of 1, 2, 2.5 and 5 times a power of ten that is not below a positive number.
fn round_step(least: f64) -> f64 {
    if !(least.is_finite() && least > 0.0) {
        return 1.0;
    }
    let power = 10f64.powf(least.log10().floor());
    let steps = [1.0, 2.0, 2.5, 5.0, 10.0].map(|step| step * power);
    let fits = |step: &f64| *step >= least * (1.0 - 1e-9);
    steps.into_iter().find(fits).unwrap_or(10.0 * power)
}

/// A figure with three digits that count.
fn digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_owned();
    }
    let magnitude = value.abs().log10().floor() as i32;
    if !(-4..6).contains(&magnitude) {
        return format!("{value:.2e}");
    }
    let decimals = (2 - magnitude).max(0) as usize;
    let text = format!("{value:.decimals$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// A name with letters that every file system takes.
fn plain(name: &str) -> String {
    let is_plain = |letter: char| letter.is_alphanumeric() || "-_.".contains(letter);
    let plain = name
        .chars()
        .map(|letter| if is_plain(letter) { letter } else { '_' });
    plain.take(60).collect()
}

/// A colour number for each kind, so that kinds that share an edge differ where the colours suffice: the busiest
/// first, each the first that no neighbour has.
fn neighbour_colours(of: &[u32], kinds: usize, model: &Model) -> Vec<usize> {
    let mut pairs: Vec<[u32; 2]> = Vec::new();
    for triangle in model.triangles {
        for (a, b) in [(0, 1), (1, 2), (2, 0)] {
            let (a, b) = (of[triangle[a] as usize], of[triangle[b] as usize]);
            if a != b {
                pairs.extend([[a, b], [b, a]]);
            }
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    let around = |kind: u32| {
        let start = pairs.partition_point(|pair| pair[0] < kind);
        let end = pairs.partition_point(|pair| pair[0] <= kind);
        pairs[start..end].iter().map(|pair| pair[1] as usize)
    };
    let mut order: Vec<u32> = (0..kinds as u32).collect();
    order.sort_by_key(|&kind| (usize::MAX - around(kind).len(), kind));
    let mut colours = vec![usize::MAX; kinds];
    for kind in order {
        let taken: Vec<usize> = around(kind).map(|other| colours[other]).collect();
        // Begin elsewhere for each, or all would be of the first two or three.
        let tried = (0..HUE_COUNT).map(|step| (kind as usize + step) % HUE_COUNT);
        let free = tried.clone().find(|colour| !taken.contains(colour));
        colours[kind as usize] = free.unwrap_or(kind as usize % HUE_COUNT);
    }
    colours
}

/// The least share of a panel's pixels that a kind must show in to be named.
const NAMED_SHARE: f32 = 1.0 / 900.0;

/// Where kinds show: for each the pixel of its own that is nearest to the middle of them; most pixels first.
fn middles(seen: &Seen, model: &Model, of: &[u32], kinds: usize) -> Vec<(usize, [f32; 2])> {
    let kind_at = |pixel: usize| {
        let triangle = model.triangles.get(seen.triangle[pixel] as usize)?;
        // Kinds are those of vertices; the first stands for its triangle.
        Some(of[triangle[0] as usize] as usize)
    };
    let place = |pixel: usize| [(pixel % seen.width) as f32, (pixel / seen.width) as f32];
    let mut sums = vec![(0usize, [0.0f64; 2]); kinds];
    for pixel in 0..seen.triangle.len() {
        if let Some(kind) = kind_at(pixel) {
            let at = place(pixel);
            sums[kind].0 += 1;
            (0..2).for_each(|i| sums[kind].1[i] += f64::from(at[i]));
        }
    }
    let mut best = vec![(f32::INFINITY, [0.0f32; 2]); kinds];
    for pixel in 0..seen.triangle.len() {
        if let Some(kind) = kind_at(pixel) {
            let (at, (count, sum)) = (place(pixel), sums[kind]);
            let middle = sum.map(|s| (s / count as f64) as f32);
            let away = (at[0] - middle[0]).hypot(at[1] - middle[1]);
            if away < best[kind].0 {
                best[kind] = (away, at);
            }
        }
    }
    let least = (NAMED_SHARE * seen.triangle.len() as f32) as usize;
    let mut shown: Vec<usize> = (0..kinds).filter(|&kind| sums[kind].0 > least).collect();
    shown.sort_by_key(|&kind| (usize::MAX - sums[kind].0, kind));
    shown.into_iter().map(|kind| (kind, best[kind].1)).collect()
}
