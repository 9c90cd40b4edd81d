//! A NumPy array of shapes: [poses, vertices, 3].
//!
//! After "A Simple File Format for NumPy Arrays" (NEP 1, and the description in `numpy.lib.format`), versions 1.0,
//! 2.0 and 3.0: a magic string, a version, the length of a header, the header (a Python dictionary of `descr`,
//! `fortran_order` and `shape`), then the numbers and nothing else.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::files::plain;
use crate::error::{Error, Fault};

const MAGIC: &[u8] = b"\x93NUMPY";

/// A header says three things; writers pad it to some hundred bytes.
const LONGEST_HEADER: usize = 1 << 16;

/// An array in a file, its header read.
#[derive(Debug)]
pub(super) struct Array {
    path: PathBuf,
    start: u64,
    number: Number,
    poses: usize,
    vertices: usize,
}

/// How a number is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Number {
    /// Bytes: 4 or 8.
    size: usize,
    big_endian: bool,
}

impl Array {
    /// Reads the header of an array of shapes, and holds the length of the file against it.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let (array, shape) = Self::of_shape(path, |shape| match *shape {
            [poses, vertices, 3] => Some((poses, vertices)),
            _ => None,
        })?;
        let (poses, vertices) = shape;
        if poses == 0 || vertices == 0 {
            let found = format!("({poses}, {vertices}, 3)");
            return Err(
                Fault::new(path, "shape", "at least one pose and one vertex", found).into(),
            );
        }
        Ok(array)
    }

    /// Reads the header; `fit` gives poses and vertices of a shape that will do.
    fn of_shape(
        path: &Path,
        fit: impl Fn(&[usize]) -> Option<(usize, usize)>,
    ) -> Result<(Self, (usize, usize)), Fault> {
        let length = plain(path)?.len();
        let fault =
            |part: &str, expected: &str, found: String| Fault::new(path, part, expected, found);
        let cut = |error: std::io::Error| fault("", "a NumPy array (.npy)", error.to_string());
        let mut file = File::open(path).map_err(cut)?;
        let mut head = [0; 8];
        file.read_exact(&mut head).map_err(cut)?;
        if !head.starts_with(MAGIC) {
            let remedy = "write it with numpy.save";
            return Err(
                fault("", "a NumPy array (.npy)", "something else".to_owned()).remedy(remedy),
            );
        }
        let (size, start) = match head[6] {
            1 => {
                let mut size = [0; 2];
                file.read_exact(&mut size).map_err(cut)?;
                (u32::from(u16::from_le_bytes(size)), 10)
            }
            2 | 3 => {
                let mut size = [0; 4];
                file.read_exact(&mut size).map_err(cut)?;
                (u32::from_le_bytes(size), 12)
            }
            other => {
                let found = format!("version {other}.{}", head[7]);
                return Err(fault("", "format version 1.0, 2.0 or 3.0", found));
            }
        };
        if size as usize > LONGEST_HEADER {
            let expected = format!("a header of at most {LONGEST_HEADER} bytes");
            return Err(fault("header", &expected, size.to_string()));
        }
        let mut header = vec![0; size as usize];
        file.read_exact(&mut header).map_err(cut)?;
        let header = String::from_utf8_lossy(&header);
        let found = || header.trim().chars().take(80).collect::<String>();
        let expected = "a dictionary of descr, fortran_order and shape";
        let Header {
            descr,
            fortran_order,
            shape,
        } = Header::parse(&header).ok_or_else(|| fault("header", expected, found()))?;
        let number = Number::parse(&descr).ok_or_else(|| {
            fault(
                "descr",
                "floats of 4 or 8 bytes (<f4, <f8, >f4, >f8)",
                format!("{descr:?}"),
            )
            .remedy("save array.astype(\"<f4\")")
        })?;
        let (poses, vertices) = fit(&shape).ok_or_else(|| {
            let shown: Vec<String> = shape.iter().map(usize::to_string).collect();
            fault(
                "shape",
                "(poses, vertices, 3)",
                format!("({})", shown.join(", ")),
            )
        })?;
        // Of one row the orders are the same.
        if fortran_order && poses * vertices > 1 {
            let found = "Fortran order".to_owned();
            return Err(
                fault("fortran_order", "C order (one pose after the other)", found)
                    .remedy("save numpy.ascontiguousarray(array)"),
            );
        }
        let start = start + u64::from(size);
        let numbers = (poses as u64)
            .checked_mul(vertices as u64)
            .and_then(|points| points.checked_mul(3 * number.size as u64))
            .and_then(|bytes| bytes.checked_add(start));
        if numbers != Some(length) {
            let expected = match numbers {
                Some(bytes) => format!("{bytes} bytes, as its header says"),
                None => "a header of a possible size".to_owned(),
            };
            return Err(fault("", &expected, format!("{length} bytes"))
                .remedy("the file is damaged, or still being written: save it again"));
        }
        let array = Self {
            path: path.to_owned(),
            start,
            number,
            poses,
            vertices,
        };
        Ok((array, (poses, vertices)))
    }

    pub fn len(&self) -> usize {
        self.poses
    }

    pub fn vertices(&self) -> usize {
        self.vertices
    }

    pub fn read(&self, index: usize, shape: &mut Vec<[f32; 3]>) -> Result<(), Fault> {
        let unreadable = |error: std::io::Error| {
            let part = format!("shape {index}");
            Fault::new(
                &self.path,
                part,
                "an array that stays as it is",
                error.to_string(),
            )
        };
        plain(&self.path)?;
        let mut file = File::open(&self.path).map_err(unreadable)?;
        // The length of the file was held against both.
        let row = 3 * self.number.size * self.vertices;
        let offset = self.start + index as u64 * row as u64;
        file.seek(SeekFrom::Start(offset)).map_err(unreadable)?;
        let mut bytes = vec![0; row];
        file.read_exact(&mut bytes).map_err(unreadable)?;
        shape.clear();
        shape.reserve_exact(self.vertices);
        let points = bytes.chunks_exact(3 * self.number.size);
        shape.extend(points.map(|point| {
            let mut numbers = point.chunks_exact(self.number.size);
            std::array::from_fn(|_| numbers.next().map_or(0.0, |bytes| self.number.read(bytes)))
        }));
        Ok(())
    }

    /// The name of the file that would hold the bind shape.
    pub fn bind_name(&self) -> String {
        let stem = self.path.file_stem().unwrap_or_default();
        format!("{}.bind.npy", stem.to_string_lossy())
    }

    pub fn bind(&self) -> Result<Option<Vec<[f32; 3]>>, Fault> {
        let path = self.path.with_extension("bind.npy");
        if !path.exists() {
            return Ok(None);
        }
        let (array, (_, vertices)) = Self::of_shape(&path, |shape| match *shape {
            [vertices, 3] | [1, vertices, 3] => Some((1, vertices)),
            _ => None,
        })?;
        if vertices != self.vertices {
            let expected = format!("{} vertices, as the shapes have them", self.vertices);
            return Err(Fault::new(&path, "shape", expected, vertices.to_string()));
        }
        let mut shape = Vec::new();
        array.read(0, &mut shape)?;
        Ok(Some(shape))
    }
}

impl Number {
    fn parse(descr: &str) -> Option<Self> {
        let size = match descr.get(1..)? {
            "f4" => 4,
            "f8" => 8,
            _ => return None,
        };
        let big_endian = match descr.as_bytes()[0] {
            b'<' => false,
            b'>' => true,
            _ => return None,
        };
        Some(Self { size, big_endian })
    }

    fn read(self, bytes: &[u8]) -> f32 {
        let mut word = [0; 8];
        // Whichever order it comes in, the lowest byte is to be first.
        let word_bytes = &mut word[..self.size];
        word_bytes.copy_from_slice(bytes);
        if self.big_endian {
            word_bytes.reverse();
        }
        match self.size {
            4 => f32::from_le_bytes([word[0], word[1], word[2], word[3]]),
            _ => f64::from_le_bytes(word) as f32,
        }
    }
}

/// What the header of an array says.
#[derive(Debug, PartialEq, Eq)]
struct Header {
    descr: String,
    fortran_order: bool,
    shape: Vec<usize>,
}

impl Header {
    /// Reads the dictionary: its three keys in any order, each once, and no others.
    fn parse(text: &str) -> Option<Self> {
        let (mut descr, mut fortran_order, mut shape) = (None, None, None);
        let mut rest = text.trim().strip_prefix('{')?.trim_start();
        while !rest.starts_with('}') {
            let (key, after) = quoted(rest)?;
            let value = after.trim_start().strip_prefix(':')?.trim_start();
            rest = match key {
                "descr" if descr.is_none() => {
                    let (text, after) = quoted(value)?;
                    descr = Some(text.to_owned());
                    after
                }
                "fortran_order" if fortran_order.is_none() => {
                    let after = value.strip_prefix("True");
                    fortran_order = Some(after.is_some());
                    after.or_else(|| value.strip_prefix("False"))?
                }
                "shape" if shape.is_none() => {
                    let (inside, after) = value.strip_prefix('(')?.split_once(')')?;
                    let numbers = inside
                        .split(',')
                        .map(|number| number.trim().trim_end_matches('L'));
                    let numbers = numbers.filter(|number| !number.is_empty());
                    shape = Some(
                        numbers
                            .map(|number| number.parse().ok())
                            .collect::<Option<_>>()?,
                    );
                    after
                }
                _ => return None,
            }
            .trim_start();
            rest = match rest.strip_prefix(',') {
                Some(after) => after.trim_start(),
                None if rest.starts_with('}') => rest,
                None => return None,
            };
        }
        (rest.trim() == "}").then_some(())?;
        Some(Self {
            descr: descr?,
            fortran_order: fortran_order?,
            shape: shape?,
        })
    }
}

/// A text in quotes, and what comes after it.
fn quoted(text: &str) -> Option<(&str, &str)> {
    let quote = text.chars().next().filter(|c| "'\"".contains(*c))?;
    text[1..].split_once(quote)
}

/// The start of a file of format 1.0 with floats of 4 bytes, the lowest first: everything but the numbers. As NumPy
/// does, so long that numbers begin at a multiple of 64.
pub(super) fn head(shape: &[usize]) -> Vec<u8> {
    let shown: Vec<String> = shape.iter().map(|n| format!("{n},")).collect();
    let mut header = format!(
        "{{'descr': '<f4', 'fortran_order': False, 'shape': ({}), }}",
        shown.join(" ")
    );
    let before = MAGIC.len() + 4;
    let padding = (before + header.len() + 1).next_multiple_of(64) - (before + header.len() + 1);
    header.extend(std::iter::repeat_n(' ', padding));
    header.push('\n');
    let mut head = [MAGIC, &[1, 0]].concat();
    // Some hundred bytes.
    head.extend((header.len() as u16).to_le_bytes());
    head.extend(header.bytes());
    head
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_are_read_as_any_writer_orders_them() {
        let expected = Header {
            descr: ">f8".to_owned(),
            fortran_order: false,
            shape: vec![2, 5, 3],
        };
        for text in [
            "{'descr': '>f8', 'fortran_order': False, 'shape': (2, 5, 3), }   \n",
            "{\"shape\":(2L,5L,3L),\"fortran_order\":False,\"descr\":\">f8\"}",
        ] {
            assert_eq!(Header::parse(text).as_ref(), Some(&expected), "{text}");
        }
        for text in [
            "",
            "{",
            "{'descr': '>f8', 'fortran_order': False, 'shape': (2, 5, 3)",
            "{'descr': '>f8', 'fortran_order': False}",
            "{'descr': [('x', '<f4')], 'fortran_order': False, 'shape': (2,)}",
            "{'descr': '>f8', 'fortran_order': False, 'shape': (2, -5, 3)}",
            "{'descr': '>f8', 'descr': '>f8', 'fortran_order': False, 'shape': (2, 5, 3)}",
            "{'descr': '>f8', 'fortran_order': False, 'shape': (2, 5, 3)} + x",
            "{'descr': '>f8' 'fortran_order': False, 'shape': (2, 5, 3)}",
        ] {
            assert_eq!(Header::parse(text), None, "{text}");
        }
    }

    #[test]
    fn a_head_can_be_read_back() {
        let head = head(&[7, 11, 3]);
        assert_eq!(head.len() % 64, 0);
        let text = std::str::from_utf8(&head[10..]).expect("ASCII");
        let header = Header::parse(text).expect("a header");
        assert_eq!(
            (header.descr.as_str(), &header.shape[..]),
            ("<f4", &[7, 11, 3][..])
        );
    }
}
