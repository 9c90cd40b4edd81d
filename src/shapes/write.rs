//! Shapes out, one after the other, in the forms that [`super::ShapeFiles`] reads.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{npy, obj};
use crate::asset::before_bin;
use crate::error::Error;

/// A form of shape files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// A folder of OBJ files.
    Obj,
    /// A NumPy array, and one of the bind shape.
    Npy,
    /// A mesh in glTF with a morph target a pose.
    Glb,
}

impl Form {
    /// All of them, with their names and what they are.
    pub const ALL: [(Self, &'static str, &'static str); 3] = [
        (Self::Obj, "obj", "a folder of OBJ files"),
        (Self::Npy, "npy", "a NumPy array, and one of the bind shape"),
        (Self::Glb, "glb", "one mesh with a morph target a pose"),
    ];

    /// What to give back of a folder that it was written into.
    pub fn place(self, folder: &Path) -> PathBuf {
        match self {
            Self::Obj => folder.to_owned(),
            Self::Npy => folder.join(ARRAY),
            Self::Glb => folder.join(MORPHS),
        }
    }
}

const ARRAY: &str = "shapes.npy";
const BIND_ARRAY: &str = "shapes.bind.npy";
const MORPHS: &str = "shapes.glb";

/// The bind shape, and how its vertices hang together.
#[derive(Clone, Debug, PartialEq)]
pub struct Mesh {
    /// In the scene.
    pub positions: Vec<[f32; 3]>,
    /// Numbers of positions.
    pub triangles: Vec<[u32; 3]>,
}

/// Writes shapes into a folder.
#[derive(Debug)]
pub struct ShapeWriter {
    folder: PathBuf,
    way: Way,
}

#[derive(Debug)]
enum Way {
    Obj {
        /// The lines of faces, the same in every file.
        faces: String,
        digits: usize,
        count: usize,
    },
    Npy(BufWriter<File>),
    Glb(Box<Glb>),
}

/// A GLB whose bytes go to a file of no name until its JSON is known.
#[derive(Debug)]
struct Glb {
    bytes: BufWriter<File>,
    length: u64,
    base: Vec<[f32; 3]>,
    names: Vec<String>,
    views: Vec<Value>,
    accessors: Vec<Value>,
}

impl ShapeWriter {
    /// Begins to write so many shapes of a mesh.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn new(folder: &Path, form: Form, mesh: &Mesh, shapes: usize) -> Result<Self, Error> {
        let way = match form {
            Form::Obj => {
                let faces = mesh.triangles.iter().map(|t| {
                    let [a, b, c] = t.map(|v| v + 1);
                    format!("f {a} {b} {c}\n")
                });
                let faces = faces.collect();
                write_obj(&folder.join(obj::BIND), &mesh.positions, &faces)?;
                let digits = shapes.to_string().len().max(4);
                Way::Obj {
                    faces,
                    digits,
                    count: 0,
                }
            }
            Form::Npy => {
                let vertices = mesh.positions.len();
                let path = folder.join(BIND_ARRAY);
                let mut bind = create(&path)?;
                let whole = [npy::head(&[vertices, 3]), bytes_of(&mesh.positions)].concat();
                let written = bind.write_all(&whole).and_then(|()| bind.flush());
                written.map_err(|error| failed(&path, &error))?;
                let path = folder.join(ARRAY);
                let mut array = create(&path)?;
                let head = array.write_all(&npy::head(&[shapes, vertices, 3]));
                head.map_err(|error| failed(&path, &error))?;
                Way::Npy(array)
            }
            Form::Glb => Way::Glb(Box::new(Glb::new(folder, mesh, shapes)?)),
        };
        Ok(Self {
            folder: folder.to_owned(),
            way,
        })
    }

    /// Writes the next shape.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn put(&mut self, name: &str, shape: &[[f32; 3]]) -> Result<(), Error> {
        match &mut self.way {
            Way::Obj {
                faces,
                digits,
                count,
            } => {
                *count += 1;
                let file = format!("{:0digits$} {}.obj", *count, plain_name(name));
                write_obj(&self.folder.join(file), shape, faces)
            }
            Way::Npy(array) => {
                let written = array.write_all(&bytes_of(shape));
                written.map_err(|error| failed(&self.folder.join(ARRAY), &error))
            }
            Way::Glb(glb) => {
                let moves: Vec<[f32; 3]> = (shape.iter().zip(&glb.base))
                    .map(|(p, q)| std::array::from_fn(|i| p[i] - q[i]))
                    .collect();
                glb.names.push(name.to_owned());
                let written = glb.put_points(&moves);
                written.map_err(|error| failed(&self.folder.join(MORPHS), &error))
            }
        }
    }

    /// Completes what was written.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn finish(self) -> Result<(), Error> {
        match self.way {
            Way::Obj { .. } => Ok(()),
            Way::Npy(mut array) => {
                let path = self.folder.join(ARRAY);
                array.flush().map_err(|error| failed(&path, &error))
            }
            Way::Glb(glb) => glb.finish(&self.folder.join(MORPHS)),
        }
    }
}

/// What the numbers of §5.1 and §5.11 of glTF 2.0 mean.
const FLOAT: u32 = 5126;
const UNSIGNED_INT: u32 = 5125;
const ARRAY_BUFFER: u32 = 34962;
const ELEMENT_ARRAY_BUFFER: u32 = 34963;

const TOO_LONG: &str = "a GLB file holds 4 GiB at most; write the form npy or obj";

impl Glb {
    fn new(folder: &Path, mesh: &Mesh, shapes: usize) -> Result<Self, Error> {
        let path = folder.join(MORPHS);
        let points = (shapes as u64 + 1) * bytes_of(&mesh.positions).len() as u64;
        if points > u64::from(u32::MAX) {
            return Err(failed(&path, &std::io::Error::other(TOO_LONG)));
        }
        let why = |error: std::io::Error| failed(&path, &error);
        let mut glb = Self {
            bytes: BufWriter::new(tempfile::tempfile_in(folder).map_err(why)?),
            length: 0,
            base: mesh.positions.clone(),
            names: Vec::new(),
            views: Vec::new(),
            accessors: Vec::new(),
        };
        glb.put_points(&mesh.positions).map_err(why)?;
        let corners: Vec<u8> = (mesh.triangles.as_flattened().iter())
            .flat_map(|v| v.to_le_bytes())
            .collect();
        if !corners.is_empty() {
            glb.put_view(&corners, ELEMENT_ARRAY_BUFFER).map_err(why)?;
            glb.accessors.push(json!({
                "bufferView": 1, "componentType": UNSIGNED_INT, "count": 3 * mesh.triangles.len(), "type": "SCALAR",
            }));
        }
        Ok(glb)
    }

    fn put_view(&mut self, bytes: &[u8], target: u32) -> std::io::Result<()> {
        self.bytes.write_all(bytes)?;
        // Numbers are of four bytes: every view begins at a multiple of that.
        self.views.push(json!({
            "buffer": 0, "byteOffset": self.length, "byteLength": bytes.len(), "target": target,
        }));
        self.length += bytes.len() as u64;
        Ok(())
    }

    /// Positions or displacements: §3.7.2.1 and §3.7.2.2 ask for the bounds of both.
    fn put_points(&mut self, points: &[[f32; 3]]) -> std::io::Result<()> {
        let (mut low, mut high) = ([f32::INFINITY; 3], [f32::NEG_INFINITY; 3]);
        for point in points {
            low = std::array::from_fn(|i| low[i].min(point[i]));
            high = std::array::from_fn(|i| high[i].max(point[i]));
        }
        self.put_view(&bytes_of(points), ARRAY_BUFFER)?;
        self.accessors.push(json!({
            "bufferView": self.views.len() - 1, "componentType": FLOAT, "count": points.len(), "type": "VEC3",
            "min": low, "max": high,
        }));
        Ok(())
    }

    fn finish(self, path: &Path) -> Result<(), Error> {
        let why = |error: std::io::Error| failed(path, &error);
        let mut bytes = self
            .bytes
            .into_inner()
            .map_err(|error| why(error.into_error()))?;
        let first = self.accessors.len() - self.names.len();
        let targets: Vec<Value> = (first..self.accessors.len())
            .map(|accessor| json!({ "POSITION": accessor }))
            .collect();
        let mut primitive = json!({ "attributes": { "POSITION": 0 }, "targets": targets });
        if first == 2 {
            primitive["indices"] = json!(1);
        }
        let document = json!({
            "asset": { "version": "2.0", "generator": concat!("tanyard ", env!("CARGO_PKG_VERSION")) },
            "scene": 0,
            "scenes": [{ "nodes": [0] }],
            "nodes": [{ "name": "shapes", "mesh": 0 }],
            "meshes": [{
                "name": "shapes", "primitives": [primitive], "extras": { "targetNames": self.names },
            }],
            "accessors": self.accessors,
            "bufferViews": self.views,
            "buffers": [{ "byteLength": self.length }],
        });
        let head = before_bin(&document.to_string(), self.length)
            .ok_or_else(|| why(std::io::Error::other(TOO_LONG)))?;
        let mut file = create(path)?;
        let mut put = || {
            file.write_all(&head)?;
            bytes.rewind()?;
            let copied = std::io::copy(&mut Read::by_ref(&mut bytes), &mut file)?;
            file.flush()?;
            match copied == self.length {
                true => Ok(()),
                false => Err(std::io::Error::other("a temporary file came back shorter")),
            }
        };
        put().map_err(why)
    }
}

fn write_obj(path: &Path, shape: &[[f32; 3]], faces: &String) -> Result<(), Error> {
    let mut file = create(path)?;
    let mut put = || {
        for [x, y, z] in shape {
            writeln!(file, "v {x} {y} {z}")?;
        }
        file.write_all(faces.as_bytes())?;
        file.flush()
    };
    put().map_err(|error| failed(path, &error))
}

fn create(path: &Path) -> Result<BufWriter<File>, Error> {
    let file = File::create(path).map_err(|error| failed(path, &error))?;
    Ok(BufWriter::new(file))
}

fn failed(path: &Path, error: &std::io::Error) -> Error {
    Error::Output {
        path: path.to_owned(),
        reason: error.to_string(),
    }
}

fn bytes_of(points: &[[f32; 3]]) -> Vec<u8> {
    let numbers = points.as_flattened().iter();
    numbers.flat_map(|x| x.to_le_bytes()).collect()
}

/// A name that every system takes as a part of a file's.
fn plain_name(name: &str) -> String {
    const LONGEST: usize = 60;
    let plain = |c: char| match c {
        _ if c.is_alphanumeric() || "+-_.() ".contains(c) => c,
        _ => '_',
    };
    let name: String = name.chars().take(LONGEST).map(plain).collect();
    // Some systems drop blanks and dots at an end.
    name.trim_matches([' ', '.']).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_poses_become_names_of_files() {
        assert_eq!(plain_name("sweep a/b x +60"), "sweep a_b x +60");
        assert_eq!(plain_name("../..\\é:\u{7}\n. "), "_.._é___");
        assert_eq!(plain_name(&"x".repeat(500)).len(), 60);
        assert_eq!(plain_name(""), "");
    }
}
