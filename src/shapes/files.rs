//! Shapes of any form behind one door.

use std::fs::Metadata;
use std::path::{Path, PathBuf};

use super::npy::Array;
use super::obj::Folder;
use crate::asset::Morphs;
use crate::error::{Error, Fault};

/// Shapes of the same vertices, one a pose, in files.
#[derive(Debug)]
pub struct ShapeFiles {
    path: PathBuf,
    form: Form,
}

#[derive(Debug)]
enum Form {
    Obj(Folder),
    Npy(Array),
    Gltf(Box<Morphs>),
}

impl ShapeFiles {
    /// Looks at what is there: a folder of OBJ files, else a NumPy array or a glTF file, told by the ending of the
    /// name. Reads the first shape of a folder, and the base shape of a glTF file.
    ///
    /// # Errors
    /// [`Error::Input`]: no shapes, numbered files with gaps, a file that is not what it should be.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let ending = path.extension().unwrap_or_default().to_ascii_lowercase();
        let form = match ending.to_str() {
            _ if path.is_dir() => Form::Obj(Folder::open(path)?),
            Some("npy") => Form::Npy(Array::open(path)?),
            Some("glb" | "gltf") => Form::Gltf(Box::new(Morphs::open(path)?)),
            _ => {
                let expected = "a folder of OBJ files, or a .npy, .glb or .gltf file";
                let found = match path.exists() {
                    true => "something else",
                    false => "nothing",
                };
                return Err(Fault::new(path, "", expected, found).into());
            }
        };
        Ok(Self {
            path: path.to_owned(),
            form,
        })
    }

    /// Where they are.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// How many shapes there are; at least one.
    pub fn len(&self) -> usize {
        match &self.form {
            Form::Obj(folder) => folder.len(),
            Form::Npy(array) => array.len(),
            Form::Gltf(morphs) => morphs.names().len(),
        }
    }

    /// Never.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The number of vertices of each shape.
    pub fn vertices(&self) -> usize {
        match &self.form {
            Form::Obj(folder) => folder.vertices(),
            Form::Npy(array) => array.vertices(),
            Form::Gltf(morphs) => morphs.vertices(),
        }
    }

    /// What a shape is called there.
    pub fn name(&self, index: usize) -> String {
        match &self.form {
            Form::Obj(folder) => folder.name(index),
            Form::Npy(_) => format!("shape {index}"),
            Form::Gltf(morphs) => morphs.names()[index].clone(),
        }
    }

    /// The bind shape, if there is one: `bind.obj`, `NAME.bind.npy`, the base of the morph targets.
    ///
    /// # Errors
    /// As of [`ShapeFiles::read`].
    pub fn bind(&self) -> Result<Option<Vec<[f32; 3]>>, Error> {
        let bind = match &self.form {
            Form::Obj(folder) => folder.bind()?,
            Form::Npy(array) => array.bind()?,
            Form::Gltf(morphs) => Some(morphs.base()),
        };
        if let Some(bind) = &bind {
            check_finite(bind).map_err(|wrong| self.not_finite("the bind shape", &wrong))?;
        }
        Ok(bind)
    }

    /// Reads a shape in place of what the list holds: positions in the scene. May be called from several threads.
    ///
    /// # Errors
    /// [`Error::Input`]: the file cannot be read, has another number of vertices, or a coordinate is no finite
    /// number.
    pub fn read(&self, index: usize, shape: &mut Vec<[f32; 3]>) -> Result<(), Error> {
        match &self.form {
            Form::Obj(folder) => folder.read(index, shape)?,
            Form::Npy(array) => array.read(index, shape)?,
            Form::Gltf(morphs) => morphs.read(index, shape)?,
        }
        check_finite(shape).map_err(|wrong| {
            let shape = match &self.form {
                Form::Npy(_) => self.name(index),
                _ => format!("shape {index} ({})", self.name(index)),
            };
            self.not_finite(&shape, &wrong)
        })?;
        Ok(())
    }

    /// An upper estimate of the bytes that all this takes, with so many shapes being read at once.
    pub fn bytes(&self, at_once: usize) -> usize {
        let shape = self.vertices() * size_of::<[f32; 3]>();
        match &self.form {
            Form::Obj(folder) => folder.bytes() + at_once * (shape + super::obj::READING_BYTES),
            // The bytes of a row are at most twice as many as those of the shape.
            Form::Npy(_) => at_once * 3 * shape,
            Form::Gltf(morphs) => morphs.bytes() + at_once * 3 * shape,
        }
    }

    /// Whether coordinates are rounded as text.
    pub(super) fn is_text(&self) -> bool {
        matches!(self.form, Form::Obj(_))
    }

    /// What would tell these shapes' vertices by their place at bind.
    pub(super) fn bind_remedy(&self) -> String {
        match &self.form {
            Form::Obj(_) => "put the bind shape beside them as bind.obj".to_owned(),
            Form::Npy(array) => format!("put the bind shape beside it as {}", array.bind_name()),
            Form::Gltf(_) => "export the bind shape as the base of the morph targets".to_owned(),
        }
    }

    fn not_finite(&self, shape: &str, (vertex, position): &(usize, [f32; 3])) -> Fault {
        let [x, y, z] = position;
        let part = format!("{shape}, vertex {vertex}");
        let fault = Fault::new(&self.path, part, "finite numbers", format!("{x}, {y}, {z}"));
        fault.remedy("write the shape again where it comes from")
    }
}

/// The first vertex that is nowhere.
fn check_finite(shape: &[[f32; 3]]) -> Result<(), (usize, [f32; 3])> {
    let is_nowhere = |p: &[f32; 3]| !p.iter().all(|x| x.is_finite());
    match shape.iter().position(is_nowhere) {
        Some(vertex) => Err((vertex, shape[vertex])),
        None => Ok(()),
    }
}

/// What a path leads to, if that is a plain file: a pipe may never end.
pub(super) fn plain(path: &Path) -> Result<Metadata, Fault> {
    let fault = |found: String| {
        Fault::new(path, "", "a file that can be read", found)
            .remedy("every shape must stay where it is until the work is done")
    };
    let metadata = std::fs::metadata(path).map_err(|error| fault(error.to_string()))?;
    match metadata.is_file() {
        true => Ok(metadata),
        false => Err(fault("something that is no plain file".to_owned())),
    }
}
