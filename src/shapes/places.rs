//! Which vertex of a shape is which of a character.
//!
//! By order where the number of vertices and the shapes speak for it, else by the place at bind. A wrong order gives
//! weights that look like weights, so what cannot be told is a fault.

use nalgebra::{Matrix4, Point3};

use super::ShapeFiles;
use crate::error::{Error, Fault};
use crate::rig::{Character, Near, Point, Surface, distance};

/// The relative rounding of coordinates written with six digits, as plain printing does.
const TEXT_ROUNDING: f64 = 5e-6;

/// The absolute rounding of coordinates written with six decimals, as most exporters of text do.
const DECIMAL_ROUNDING: f64 = 5e-7;

/// Bind positions are never looked for farther off than this share of the size: there another vertex may be.
const FARTHEST: f64 = 1e-3;

/// A shape whose vertices are in order keeps most edges near their length at bind: skin bends where joints are, and
/// is carried along everywhere else. Half of all edges twice as long (or half as long) is no pose of anything. Of a
/// shuffled order edges are as long as the character is wide, times the length of an edge.
const MEDIAN_STRETCH: f64 = 2.0;

/// Nine edges in ten stretch less than this. Where only a part is out of order, the median says nothing.
const HIGH_STRETCH: f64 = 3.0;

/// Vertices that a fault names.
const NAMED: usize = 4;

/// How vertices were found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Matched {
    /// One after the other, as the file has them.
    ByOrder,
    /// One after the other, copies at seams left out.
    ByWeldedOrder,
    /// By their place in the bind shape.
    ByPosition,
}

impl Matched {
    /// In words.
    pub fn describe(self) -> &'static str {
        match self {
            Self::ByOrder => "matched by their order",
            Self::ByWeldedOrder => "matched by their order without copies at seams",
            Self::ByPosition => "matched by their place at bind",
        }
    }
}

/// For each welded vertex of a skin its place in shapes, and the way from the scene to mesh space.
#[derive(Clone, Debug)]
pub struct Places {
    of: Vec<u32>,
    to_mesh: Matrix4<f64>,
    matched: Matched,
}

impl Places {
    /// Finds the vertices of one of the skins of a file. A shape holds those of all skins, one skin after the other,
    /// or has a bind shape to tell them by.
    ///
    /// # Errors
    /// [`Error::Input`]: vertices that have no counterpart, shapes of another order or unit; or as of
    /// [`ShapeFiles::read`].
    pub fn find(files: &ShapeFiles, skins: &[&Character], skin: usize) -> Result<Self, Error> {
        let character = skins[skin];
        let placement = &character.placement;
        let to_mesh = placement.try_inverse().ok_or_else(|| {
            let expected = "a skin that the scene shows in full";
            let found = format!("{}, which a node scales to nothing", character.name);
            Fault::new(files.path(), "", expected, found)
        })?;
        let scene: Vec<[f32; 3]> = (character.surface.positions.iter())
            .map(|&at| character.in_scene(at))
            .collect();
        let search = Search {
            files,
            character,
            scene,
            reach: 2.0 * character.surface.weld_tolerance() * scale(placement),
        };
        let (of, matched) = search.run(&orders(skins, skin, files.vertices()))?;
        Ok(Self {
            of,
            to_mesh,
            matched,
        })
    }

    /// How they were found.
    pub fn matched(&self) -> Matched {
        self.matched
    }

    /// The number of welded vertices.
    pub fn len(&self) -> usize {
        self.of.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.of.is_empty()
    }

    /// Bytes that this takes.
    pub fn bytes(&self) -> usize {
        self.of.len() * size_of::<u32>()
    }

    /// Where a shape has each welded vertex, in mesh space.
    pub fn in_mesh_space<'a>(
        &'a self,
        shape: &'a [[f32; 3]],
    ) -> impl Iterator<Item = Point3<f64>> + 'a {
        let at = |&place: &u32| Point3::from(shape[place as usize].map(f64::from));
        self.of
            .iter()
            .map(at)
            .map(|p| self.to_mesh.transform_point(&p))
    }

    /// Puts a shape into one lane of the welded vertices' points, which are about `centre`.
    pub fn fill(&self, shape: &[[f32; 3]], centre: [f64; 3], lane: usize, points: &mut [Point]) {
        for (point, at) in points.iter_mut().zip(self.in_mesh_space(shape)) {
            point.x[lane] = (at.x - centre[0]) as f32;
            point.y[lane] = (at.y - centre[1]) as f32;
            point.z[lane] = (at.z - centre[2]) as f32;
        }
    }
}

/// Orders that a number of vertices may stand for: raw vertices of all skins, or welded ones.
fn orders(skins: &[&Character], skin: usize, vertices: usize) -> Vec<(Matched, Vec<u32>)> {
    let raw = |character: &Character| character.surface.welded.len();
    let welded = |character: &Character| character.surface.len();
    let sum = |skins: &[&Character], count: &dyn Fn(&Character) -> usize| {
        skins
            .iter()
            .map(|character| count(character))
            .sum::<usize>()
    };
    let surface = &skins[skin].surface;
    let mut orders = Vec::new();
    if sum(skins, &raw) == vertices {
        let before = sum(&skins[..skin], &raw) as u32;
        let copies = surface.copies();
        // Copies of a vertex stand at one place; the first speaks for them.
        let first = |v: usize| before + copies.of(v)[0];
        orders.push((Matched::ByOrder, (0..surface.len()).map(first).collect()));
    }
    if sum(skins, &welded) == vertices {
        let before = sum(&skins[..skin], &welded) as u32;
        let of = (0..surface.len() as u32).map(|v| before + v).collect();
        orders.push((Matched::ByWeldedOrder, of));
    }
    orders
}

struct Search<'a> {
    files: &'a ShapeFiles,
    character: &'a Character,
    /// Bind positions of the welded vertices, in the scene.
    scene: Vec<[f32; 3]>,
    /// How far two places of one vertex may be apart.
    reach: f64,
}

impl Search<'_> {
    fn run(mut self, orders: &[(Matched, Vec<u32>)]) -> Result<(Vec<u32>, Matched), Error> {
        match self.files.bind()? {
            Some(bind) => {
                self.reach = self.reach_in(&bind);
                let agrees = |of: &[u32]| {
                    let mut pairs = of.iter().zip(&self.scene);
                    pairs.all(|(&place, &at)| distance(bind[place as usize], at) <= self.reach)
                };
                match orders.iter().find(|(_, of)| agrees(of)) {
                    Some((matched, of)) => Ok((of.clone(), *matched)),
                    None => Ok((self.by_position(&bind)?, Matched::ByPosition)),
                }
            }
            None => self.by_order(orders),
        }
    }

    /// How far the place of a vertex in a bind shape may be off: what welding allows, and the rounding of text.
    fn reach_in(&self, bind: &[[f32; 3]]) -> f64 {
        let largest = bind
            .as_flattened()
            .iter()
            .fold(0.0f32, |most, x| most.max(x.abs()));
        let decimals = if self.files.is_text() {
            DECIMAL_ROUNDING
        } else {
            0.0
        };
        let rounding = 3f64.sqrt() * (TEXT_ROUNDING * f64::from(largest)).max(decimals);
        (self.reach + rounding).min(FARTHEST * size(&self.scene))
    }

    fn by_position(&self, bind: &[[f32; 3]]) -> Result<Vec<u32>, Fault> {
        let near = Near::new(bind, 0..bind.len() as u32, self.reach);
        let nearest = |&at: &[f32; 3]| {
            let within = near.within(bind, at);
            let nearest = within.min_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
            nearest.map(|(place, _)| place)
        };
        let found: Vec<Option<u32>> = self.scene.iter().map(nearest).collect();
        let lost: Vec<usize> = (0..found.len()).filter(|&v| found[v].is_none()).collect();
        if lost.is_empty() {
            return Ok(found.into_iter().flatten().collect());
        }
        let named: Vec<String> = lost.iter().take(NAMED).map(|&v| self.named(v)).collect();
        let expected = format!(
            "a vertex of the bind shape at each of the {} places where {} has one",
            found.len(),
            self.character.name
        );
        let dots = if lost.len() > NAMED { ", ..." } else { "" };
        let none = format!(
            "none for {} of them: {}{dots}",
            lost.len(),
            named.join(", ")
        );
        let fault = Fault::new(self.files.path(), "the bind shape", expected, none);
        let ratio = size(bind) / size(&self.scene);
        Err(fault.remedy(if !(0.5..=2.0).contains(&ratio) {
            format!(
                "it is {ratio:.3} times as large as the character: export in the units of the scene, as a viewer shows {}",
                "the character's file"
            )
        } else {
            "export the same mesh in its bind pose, in the place where a viewer shows the character's file (y is up)"
                .to_owned()
        }))
    }

    /// A vertex as a person finds it: its mesh, its number there, where it is.
    fn named(&self, welded: usize) -> String {
        let [x, y, z] = self.scene[welded];
        match self.character.first_copy(welded) {
            (mesh, own) if mesh.is_empty() => format!("vertex {own} ({x}, {y}, {z})"),
            (mesh, own) => format!("{mesh} vertex {own} ({x}, {y}, {z})"),
        }
    }

    /// Without a bind shape the lengths of edges have to tell.
    fn by_order(&self, orders: &[(Matched, Vec<u32>)]) -> Result<(Vec<u32>, Matched), Error> {
        let surface = &self.character.surface;
        if orders.is_empty() {
            let expected = format!(
                "{} vertices, as the file has them, or {}, copies at seams left out",
                surface.welded.len(),
                surface.len()
            );
            let found = format!("{} a shape", self.files.vertices());
            let fault = Fault::new(self.files.path(), "", expected, found);
            let remedy = format!(
                "export the same mesh; where vertices are split otherwise, {}",
                self.files.bind_remedy()
            );
            return Err(fault.remedy(remedy).into());
        }
        // Any pose may crumple the surface; what is in order looks so in one of three.
        let last = self.files.len() - 1;
        let mut shape = Vec::new();
        let mut first_fault = None;
        for index in [0, last / 2, last] {
            self.files.read(index, &mut shape)?;
            for (matched, of) in orders {
                match self.edges_agree(of, &shape) {
                    Ok(()) => return Ok((of.clone(), *matched)),
                    Err(fault) => _ = first_fault.get_or_insert(fault),
                }
            }
        }
        // There was an order to try.
        match first_fault {
            Some(fault) => Err(fault.into()),
            None => Ok((Vec::new(), Matched::ByOrder)),
        }
    }

    fn edges_agree(&self, of: &[u32], shape: &[[f32; 3]]) -> Result<(), Fault> {
        let surface: &Surface = &self.character.surface;
        let length = |a: usize, b: usize| distance(shape[of[a] as usize], shape[of[b] as usize]);
        let mut ratios: Vec<f64> = (surface.rings.edges())
            .map(|(a, b)| length(a, b) / distance(self.scene[a], self.scene[b]))
            .filter(|ratio| !ratio.is_nan())
            .collect();
        if ratios.is_empty() {
            return Ok(());
        }
        let median = quantile(&mut ratios, 0.5);
        let mut stretches: Vec<f64> = ratios.iter().map(|r| r.max(1.0 / r)).collect();
        let high = quantile(&mut stretches, 0.9);
        if quantile(&mut stretches, 0.5) <= MEDIAN_STRETCH && high <= HIGH_STRETCH {
            return Ok(());
        }
        let own: Vec<[f32; 3]> = of.iter().map(|&place| shape[place as usize]).collect();
        let ratio = size(&own) / size(&self.scene);
        let in_unit = (0.5..=2.0).contains(&(median / ratio));
        let expected = "edges about as long as at bind";
        let (found, remedy) = if in_unit && !(1.0 / HIGH_STRETCH..=HIGH_STRETCH).contains(&ratio) {
            let found = format!("another unit: all is {ratio:.3} times as large");
            (
                found,
                "export in the units of the scene, as a viewer shows the character's file"
                    .to_owned(),
            )
        } else {
            let found = format!(
                "another order of vertices: one edge in ten is {high:.1} times as long or as short"
            );
            (
                found,
                format!(
                    "export the vertices in the order of the character's file, or {}",
                    self.files.bind_remedy()
                ),
            )
        };
        Err(Fault::new(self.files.path(), "", expected, found).remedy(remedy))
    }
}

/// The value that this share of the others lies below.
fn quantile(values: &mut [f64], share: f64) -> f64 {
    let place = ((values.len() - 1) as f64 * share).round() as usize;
    *values.select_nth_unstable_by(place, f64::total_cmp).1
}

/// How many lengths there one length here is, at most.
fn scale(matrix: &Matrix4<f64>) -> f64 {
    matrix.fixed_view::<3, 3>(0, 0).singular_values().max()
}

/// The diagonal of the box around points.
fn size(points: &[[f32; 3]]) -> f64 {
    let (mut low, mut high) = ([f32::INFINITY; 3], [f32::NEG_INFINITY; 3]);
    for point in points {
        low = std::array::from_fn(|i| low[i].min(point[i]));
        high = std::array::from_fn(|i| high[i].max(point[i]));
    }
    match points.is_empty() {
        true => 0.0,
        false => distance(low, high),
    }
}
