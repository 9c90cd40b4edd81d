//! The triangles that a skin moves (glTF 2.0 §3.7.2): raw vertices, corners, and where each comes from.

use nalgebra::{Matrix4, Point3};
use serde_json::Value;

use super::accessor::{Accessor, Component};
use super::document::Document;
use super::extensions;
use super::json::{At, keep};
use crate::error::Fault;
use crate::rig::Part;

/// Raw vertices and triangles of one character; beyond that, 32-bit numbers and memory run out.
pub(super) const MOST_VERTICES: usize = 1 << 26;
const MOST_TRIANGLES: usize = 1 << 27;

/// No real vertex has more than sixteen sets of four joints.
const MOST_SETS: usize = 16;

/// Scalar attributes of its own that a primitive may have.
const MOST_MASKS: usize = 64;

/// Values of such attributes that a character may have in all, 4 bytes each.
const MOST_MASK_VALUES: usize = 1 << 26;

/// A mesh in the place where a skin moves it.
#[derive(Clone, Debug)]
pub(super) struct MeshUse {
    pub mesh: usize,
    /// The nodes that show it there.
    pub nodes: Vec<usize>,
    /// Whether the mesh stands in another place too, so that this place needs a mesh object of its own.
    pub copy: bool,
    /// Mesh coordinates to the mesh space of the skin.
    pub space: Matrix4<f64>,
}

/// Where the raw vertices of a part come from.
#[derive(Clone, Debug)]
pub(super) struct Stretch {
    /// Number of the mesh use.
    pub mesh_use: usize,
    /// Its `POSITION` accessor.
    pub position: usize,
    /// The primitives of the mesh that use it.
    pub primitives: Vec<Primitive>,
}

/// A primitive that draws triangles.
#[derive(Clone, Debug)]
pub(super) struct Primitive {
    /// Its number in the mesh.
    pub index: usize,
    /// Its triangles in the geometry.
    pub triangles: std::ops::Range<usize>,
    /// Accessors of its `JOINTS_n` and `WEIGHTS_n`.
    pub sets: Vec<(usize, usize)>,
}

/// Everything that a skin moves; `parts[i].materials` lack their vertices still, which are welded ones:
/// `parts[i].materials[j]` is that of `stretches[i].primitives[j]`.
#[derive(Default)]
pub(super) struct Geometry {
    pub raw: Vec<[f32; 3]>,
    pub triangles: Vec<[u32; 3]>,
    pub stretches: Vec<Stretch>,
    pub parts: Vec<Part>,
    pub notes: Vec<String>,
    mask_values: usize,
}

impl Geometry {
    /// Reads the meshes; all faults go to the list.
    pub fn read(document: &Document, uses: &[MeshUse], faults: &mut Vec<Fault>) -> Self {
        let mut geometry = Self::default();
        for (number, mesh_use) in uses.iter().enumerate() {
            let mesh = document.item("meshes", mesh_use.mesh);
            let begin = geometry.stretches.len();
            let primitives = keep(mesh.get("primitives").items(), faults).unwrap_or_default();
            for (index, primitive) in primitives.iter().enumerate() {
                let added = geometry.add(document, (number, mesh_use), (index, primitive), begin);
                if let Err(fault) = added {
                    faults.push(fault);
                }
            }
        }
        geometry
    }

    fn add(
        &mut self,
        document: &Document,
        (number, mesh_use): (usize, &MeshUse),
        (index, at): (usize, &At),
        first_stretch: usize,
    ) -> Result<(), Fault> {
        let mode_at = at.get("mode");
        let mode = mode_at.integer_or(4, "a mode, 0 to 6")?;
        match mode {
            0..=3 => {
                self.notes.push(format!(
                    "{} draws points or lines: it is left as it is, weights included",
                    at.path
                ));
                return Ok(());
            }
            4..=6 => {}
            _ => return Err(mode_at.fault("a mode, 0 to 6")),
        }
        for name in extensions::PRIMITIVE_COMPRESSION {
            let compressed = at.get("extensions").entry(name);
            if !compressed.is_missing() {
                return Err(compressed
                    .found("plain geometry", "compressed geometry")
                    .remedy(extensions::SAVE_PLAIN));
            }
        }
        let attributes = at.get("attributes");
        let position_at = attributes.entry("POSITION");
        let position = position_at.index(document.count("accessors"), "accessors")?;
        let found = self.stretches[first_stretch..]
            .iter()
            .position(|stretch| stretch.position == position);
        let stretch = match found {
            Some(i) => first_stretch + i,
            None => {
                self.add_vertices(document, number, mesh_use, position, &position_at)
                    .map_err(|fault| fault.within(&position_at.path))?;
                self.stretches.len() - 1
            }
        };
        let range = self.parts[stretch].raw.clone();
        let triangles = self
            .add_triangles(document, at, mode, range.clone())
            .map_err(|fault| fault.within(&at.get("indices").path))?;
        let sets = sets(document, &attributes)?;
        let masks = masks(document, &attributes, range.len())?;
        let part = &mut self.parts[stretch];
        for (name, values) in masks {
            if part.masks.iter().all(|(known, _)| *known != name) {
                self.mask_values += values.len();
                if self.mask_values > MOST_MASK_VALUES {
                    let expected =
                        format!("at most {MOST_MASK_VALUES} values of scalar attributes");
                    return Err(attributes.found(expected, "more"));
                }
                part.masks.push((name, values));
            }
        }
        part.materials.push((material(document, at)?, Vec::new()));
        self.stretches[stretch].primitives.push(Primitive {
            index,
            triangles,
            sets,
        });
        Ok(())
    }

    fn add_vertices(
        &mut self,
        document: &Document,
        number: usize,
        mesh_use: &MeshUse,
        position: usize,
        position_at: &At,
    ) -> Result<(), Fault> {
        use Component::{F32, I8, I16, U8, U16};
        let accessor = Accessor::open(document, position)?;
        accessor.require("VEC3", &[F32, I8, U8, I16, U16], "positions")?;
        let begin = self.raw.len();
        if accessor.count > MOST_VERTICES - begin {
            return Err(position_at.found(
                format!("a character of at most {MOST_VERTICES} vertices"),
                format!("{} and more", begin + accessor.count),
            ));
        }
        let numbers = accessor.floats()?;
        let moved = mesh_use.space != Matrix4::identity();
        self.raw.reserve(accessor.count);
        for (v, p) in numbers.chunks_exact(3).enumerate() {
            let mut position = [p[0], p[1], p[2]];
            if moved {
                let scene = mesh_use
                    .space
                    .transform_point(&Point3::from(position.map(f64::from)));
                position = scene.coords.map(|x| x as f32).into();
                if !position.iter().all(|x| x.is_finite()) {
                    return Err(accessor.at.found(
                        "positions that stay finite when their node moves them",
                        format!("element {v}, which overflows"),
                    ));
                }
            }
            self.raw.push(position);
        }
        self.stretches.push(Stretch {
            mesh_use: number,
            position,
            primitives: Vec::new(),
        });
        let mesh = document.item("meshes", mesh_use.mesh);
        self.parts.push(Part {
            mesh: mesh
                .name()
                .map_or_else(|| format!("#{}", mesh_use.mesh), str::to_owned),
            materials: Vec::new(),
            raw: begin..self.raw.len(),
            masks: Vec::new(),
        });
        Ok(())
    }

    fn add_triangles(
        &mut self,
        document: &Document,
        at: &At,
        mode: u64,
        vertices: std::ops::Range<usize>,
    ) -> Result<std::ops::Range<usize>, Fault> {
        let indices = indices(document, &at.get("indices"), vertices.len())?;
        let begin = self.triangles.len();
        let count = if mode == 4 {
            indices.len() / 3
        } else {
            indices.len().saturating_sub(2)
        };
        if count > MOST_TRIANGLES - begin {
            return Err(at.found(
                format!("a character of at most {MOST_TRIANGLES} triangles"),
                "more",
            ));
        }
        if mode == 4 && indices.len() % 3 != 0 {
            self.notes.push(format!(
                "{} has {} corners, no multiple of 3: the last ones draw nothing",
                at.path,
                indices.len()
            ));
        }
        // `MOST_VERTICES` keeps raw vertices far below 2³².
        let first = vertices.start as u32;
        let corner = |i: usize| first + indices[i];
        self.triangles.extend((0..count).map(|t| match mode {
            4 => [corner(3 * t), corner(3 * t + 1), corner(3 * t + 2)],
            // §3.7.2.1: every other triangle of a strip is turned over.
            5 => [corner(t), corner(t + 1 + t % 2), corner(t + 2 - t % 2)],
            _ => [corner(t + 1), corner(t + 2), corner(0)],
        }));
        Ok(begin..self.triangles.len())
    }
}

fn indices(document: &Document, at: &At, vertices: usize) -> Result<Vec<u32>, Fault> {
    let Some(index) = at.index_or_none(document.count("accessors"), "accessors")? else {
        return Ok((0..vertices as u32).collect());
    };
    let accessor = Accessor::open(document, index)?;
    accessor.require(
        "SCALAR",
        &[Component::U8, Component::U16, Component::U32],
        "indices",
    )?;
    let restart = match accessor.component {
        Component::U8 => u32::from(u8::MAX),
        Component::U16 => u32::from(u16::MAX),
        _ => u32::MAX,
    };
    let indices = accessor.integers()?;
    let wrong = indices
        .iter()
        .position(|&v| v == restart || v as usize >= vertices);
    match wrong {
        Some(i) => Err(at
            .found(
                format!("vertex numbers below {vertices}, and no restart value"),
                format!("{} at place {i} of accessors[{index}]", indices[i]),
            )
            .remedy("export the file again")),
        None => Ok(indices),
    }
}

/// The joint and weight accessors of a primitive, set by set.
fn sets(document: &Document, attributes: &At) -> Result<Vec<(usize, usize)>, Fault> {
    let accessors = document.count("accessors");
    let mut numbers: Vec<(u64, [bool; 2])> = Vec::new();
    for key in attributes.members()?.into_iter().flat_map(|map| map.keys()) {
        if let Some((kind, n)) = set_of(key) {
            match numbers.iter_mut().find(|(known, _)| *known == n) {
                Some((_, has)) => has[kind] = true,
                None => numbers.push((n, [kind == 0, kind == 1])),
            }
        }
    }
    numbers.sort_unstable();
    if numbers.len() > MOST_SETS {
        return Err(attributes.found(
            format!("at most {MOST_SETS} sets of joints"),
            numbers.len().to_string(),
        ));
    }
    numbers
        .into_iter()
        .map(|(n, _)| {
            let joints = attributes.entry(&format!("JOINTS_{n}"));
            let weights = attributes.entry(&format!("WEIGHTS_{n}"));
            Ok((
                joints.index(accessors, "accessors")?,
                weights.index(accessors, "accessors")?,
            ))
        })
        .collect()
}

/// `JOINTS_n` as (0, n), `WEIGHTS_n` as (1, n); `None` for any other attribute.
pub(super) fn set_of(attribute: &str) -> Option<(usize, u64)> {
    let (kind, digits) = match attribute.strip_prefix("JOINTS_") {
        Some(digits) => (0, digits),
        None => (1, attribute.strip_prefix("WEIGHTS_")?),
    };
    let n: u64 = digits.parse().ok()?;
    // `+1` and `01` parse too, but are other names.
    (n.to_string() == digits).then_some((kind, n))
}

fn masks(
    document: &Document,
    attributes: &At,
    vertices: usize,
) -> Result<Vec<(String, Vec<f32>)>, Fault> {
    let mut masks = Vec::new();
    for key in attributes.members()?.into_iter().flat_map(|map| map.keys()) {
        if !key.starts_with('_') {
            continue;
        }
        let at = attributes.entry(key);
        let accessor = Accessor::open(
            document,
            at.index(document.count("accessors"), "accessors")?,
        )?;
        if accessor.kind != "SCALAR" {
            continue;
        }
        same_count(&accessor, vertices, &at)?;
        if masks.len() == MOST_MASKS {
            return Err(attributes.found(format!("at most {MOST_MASKS} scalar attributes"), "more"));
        }
        masks.push((key.clone(), accessor.floats()?));
    }
    Ok(masks)
}

/// Every attribute has as many elements as there are positions (§3.7.2.1).
pub(super) fn same_count(accessor: &Accessor, vertices: usize, at: &At) -> Result<(), Fault> {
    if accessor.count == vertices {
        Ok(())
    } else {
        Err(at.found(
            format!("an accessor of {vertices} elements, one a position"),
            accessor.count.to_string(),
        ))
    }
}

fn material(document: &Document, at: &At) -> Result<String, Fault> {
    let at = at.get("material");
    if matches!(at.value, Value::Null) {
        return Ok(String::new());
    }
    let index = at.index(document.count("materials"), "materials")?;
    let material = document.item("materials", index);
    Ok(material
        .name()
        .map_or_else(|| format!("#{index}"), str::to_owned))
}
