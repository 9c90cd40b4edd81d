//! Morph targets (glTF 2.0 §3.7.2.2) as whole shapes, read one at a time.

use std::path::Path;

use nalgebra::{Matrix4, Point3};

use super::accessor::{Accessor, Component};
use super::document::Document;
use super::geometry::MOST_VERTICES;
use super::json::At;
use super::nodes::Nodes;
use super::skins::{self, Skin};
use crate::error::{Error, Fault};

/// The morph targets of the one mesh of a file that has some. Their bytes stay on disk.
#[derive(Debug)]
pub struct Morphs {
    document: Document,
    stretches: Vec<Stretch>,
    names: Vec<String>,
    /// Positions of the base shape, in the mesh's own coordinates.
    base: Vec<[f32; 3]>,
    /// From there to the scene.
    space: Matrix4<f64>,
    json_bytes: usize,
}

/// Vertices that primitives share.
#[derive(Debug)]
struct Stretch {
    position: usize,
    vertices: std::ops::Range<usize>,
    /// The accessor of each target's displacements; `None` for a target that moves nothing there.
    targets: Vec<Option<usize>>,
}

/// A value of the JSON takes about so many times its text.
const TREE: usize = 60;

impl Morphs {
    /// Finds the mesh with morph targets.
    ///
    /// # Errors
    /// [`Error::Input`] with what is wrong; also if several nodes show such a mesh, or none.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let document = Document::open_lean(path)?;
        let nodes = Nodes::read(&document)?;
        let has_targets = |mesh: usize| -> Result<bool, Fault> {
            let primitives = document.item("meshes", mesh).get("primitives").items()?;
            let with = |at: &At| Ok(!at.get("targets").items()?.is_empty());
            let with: Vec<bool> = primitives.iter().map(with).collect::<Result<_, Fault>>()?;
            Ok(with.contains(&true))
        };
        let mut found = Vec::new();
        for (index, node) in nodes.nodes.iter().enumerate() {
            if let Some(mesh) = node.mesh
                && has_targets(mesh)?
            {
                found.push((index, mesh));
            }
        }
        let (node, mesh) = match found[..] {
            [one] => one,
            [] => {
                let expected = "a mesh with morph targets, one a pose";
                let fault = Fault::new(path, "meshes", expected, "none");
                return Err(fault
                    .remedy("export the shapes as morph targets, one a pose")
                    .into());
            }
            [(first, _), (second, _), ..] => {
                let found = format!(
                    "{} of them, the first {} and {}",
                    found.len(),
                    nodes.label(first),
                    nodes.label(second)
                );
                let fault = Fault::new(path, "nodes", "one node with morph targets", found);
                return Err(fault
                    .remedy("export one mesh with all of the character's vertices")
                    .into());
            }
        };
        let at = document.item("meshes", mesh);
        let (stretches, base) = stretches(&document, &at)?;
        let space = match nodes.nodes[node].skin {
            None => nodes.nodes[node].world,
            // §3.7.3.3: the node of a skinned mesh does not place it, its joints do.
            Some(skin) => placement(&document, &nodes, skin)?,
        };
        // Every stretch has as many: `stretches` saw to it.
        let count = stretches.first().map_or(0, |stretch| stretch.targets.len());
        let given = at.get("extras").get("targetNames");
        let name = |target: usize| {
            let name = given.at(target).text().filter(|name| !name.is_empty());
            name.map_or_else(|| format!("target {target}"), str::to_owned)
        };
        let names = (0..count).map(name).collect();
        let json_bytes = TREE * document.json().to_string().len();
        Ok(Self {
            stretches,
            names,
            base,
            space,
            json_bytes,
            document,
        })
    }

    /// A name for each target: those of `extras.targetNames`, where there are.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The number of vertices.
    pub fn vertices(&self) -> usize {
        self.base.len()
    }

    /// An upper estimate of the bytes that this takes, with one target of it being read.
    pub fn bytes(&self) -> usize {
        self.json_bytes + 4 * size_of::<[f32; 3]>() * self.base.len()
    }

    /// The base shape, in the scene.
    pub fn base(&self) -> Vec<[f32; 3]> {
        self.base.iter().map(|p| self.place(*p)).collect()
    }

    /// Reads the shape with one target in full, in the scene.
    ///
    /// # Errors
    /// A fault of its accessors, or of the file that is no longer what it was.
    pub fn read(&self, target: usize, shape: &mut Vec<[f32; 3]>) -> Result<(), Fault> {
        use Component::{F32, I8, I16};
        shape.clear();
        shape.extend_from_slice(&self.base);
        for stretch in &self.stretches {
            let Some(accessor) = stretch.targets[target] else {
                continue;
            };
            let accessor = Accessor::open(&self.document, accessor)?;
            accessor.require("VEC3", &[F32, I8, I16], "displacements of positions")?;
            if accessor.count != stretch.vertices.len() {
                let expected = format!("{} elements, one a position", stretch.vertices.len());
                let count = accessor.at.get("count");
                return Err(count.found(expected, accessor.count.to_string()));
            }
            let moves = accessor.floats()?;
            let shape = &mut shape[stretch.vertices.clone()];
            for (point, moves) in shape.iter_mut().zip(moves.as_chunks::<3>().0) {
                *point = std::array::from_fn(|i| point[i] + moves[i]);
            }
        }
        for point in shape {
            *point = self.place(*point);
        }
        Ok(())
    }

    fn place(&self, point: [f32; 3]) -> [f32; 3] {
        let placed = self
            .space
            .transform_point(&Point3::from(point.map(f64::from)));
        placed.coords.map(|x| x as f32).into()
    }
}

/// The vertices of a mesh, one stretch a `POSITION`, and its targets.
fn stretches(document: &Document, mesh: &At) -> Result<(Vec<Stretch>, Vec<[f32; 3]>), Error> {
    use Component::{F32, I8, I16, U8, U16};
    let accessors = document.count("accessors");
    let (mut stretches, mut base): (Vec<Stretch>, Vec<[f32; 3]>) = (Vec::new(), Vec::new());
    for primitive in mesh.get("primitives").items()? {
        let position_at = primitive.get("attributes").entry("POSITION");
        let position = position_at.index(accessors, "accessors")?;
        let targets_at = primitive.get("targets");
        let mut targets = Vec::new();
        for target in targets_at.items()? {
            let displaced = target.entry("POSITION");
            targets.push(displaced.index_or_none(accessors, "accessors")?);
        }
        if let Some(first) = stretches.first()
            && first.targets.len() != targets.len()
        {
            let expected = format!(
                "{} targets, as the first primitive has them",
                first.targets.len()
            );
            return Err(targets_at.found(expected, targets.len().to_string()).into());
        }
        if stretches.iter().any(|known| known.position == position) {
            continue;
        }
        let accessor = Accessor::open(document, position)?;
        accessor.require("VEC3", &[F32, I8, U8, I16, U16], "positions")?;
        let begin = base.len();
        if accessor.count > MOST_VERTICES - begin {
            let expected = format!("a mesh of at most {MOST_VERTICES} vertices");
            return Err(position_at.found(expected, "more").into());
        }
        base.extend_from_slice(accessor.floats()?.as_chunks::<3>().0);
        stretches.push(Stretch {
            position,
            vertices: begin..base.len(),
            targets,
        });
    }
    Ok((stretches, base))
}

/// Mesh space to the scene, for a mesh that a skin moves.
fn placement(document: &Document, nodes: &Nodes, skin: usize) -> Result<Matrix4<f64>, Error> {
    let skin = Skin::read(document, skin).map_err(Error::Input)?;
    // Without matrices every bind transform is the identity (§3.7.3.1).
    let unit = || vec![Matrix4::identity(); skin.joints.len()];
    let inverse_bind = skin.inverse_bind.clone().unwrap_or_else(unit);
    let skeleton = skin.skeleton(document, nodes, &inverse_bind)?;
    Ok(skins::placement(nodes, &skeleton))
}
