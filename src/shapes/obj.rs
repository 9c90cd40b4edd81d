//! A folder of OBJ files, one a shape. Of each only the lines that begin with `v` are read.
//!
//! After the "Object Files (.obj)" text of 1995: elements are lines, `\` at the end of one joins the next to it,
//! numbers stand apart by blanks. A fourth number (a weight that only curves use) and colours after it are passed
//! over. Vertices of all objects of a file count on, in the order of their lines.

use std::ffi::OsString;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use super::files::plain;
use super::frames::{Flaw, flaw, natural};
use crate::error::{Error, Fault};

/// The bind shape.
pub(super) const BIND: &str = "bind.obj";

/// The longest line that is looked at; a vertex takes below a hundred bytes, a polygon of ten thousand corners less
/// than this.
const LONGEST_LINE: usize = 1 << 20;

/// Bytes that go through at once.
const CHUNK: usize = 1 << 16;

/// Bytes that reading a file takes besides the shape.
pub(super) const READING_BYTES: usize = CHUNK + LONGEST_LINE;

/// Vertices of a shape, at most: as of a character.
const MOST_VERTICES: usize = 1 << 26;

/// The OBJ files of a folder, in natural order of their names.
#[derive(Debug)]
pub(super) struct Folder {
    path: PathBuf,
    names: Vec<OsString>,
    bind: Option<OsString>,
    vertices: usize,
}

impl Folder {
    /// Lists the folder and reads its first shape.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let unreadable = |error: std::io::Error| {
            Fault::new(path, "", "a folder that can be read", error.to_string())
        };
        let mut names = Vec::new();
        let mut bind = None;
        for entry in std::fs::read_dir(path).map_err(unreadable)? {
            let name = entry.map_err(unreadable)?.file_name();
            let is_obj = Path::new(&name)
                .extension()
                .is_some_and(|ending| ending.eq_ignore_ascii_case("obj"));
            match name.eq_ignore_ascii_case(BIND) {
                true => bind = Some(name),
                false if is_obj => names.push(name),
                false => {}
            }
        }
        names.sort_by(|a, b| {
            natural(&a.to_string_lossy(), &b.to_string_lossy()).then_with(|| a.cmp(b))
        });
        let mut folder = Self {
            path: path.to_owned(),
            names,
            bind,
            vertices: 0,
        };
        if folder.names.is_empty() {
            let found = match folder.bind {
                Some(_) => "the bind shape alone",
                None => "none",
            };
            let fault = Fault::new(path, "", "OBJ files, one a pose", found);
            return Err(fault.into());
        }
        folder.check_numbers()?;
        let mut first = Vec::new();
        let file = folder.path.join(&folder.names[0]);
        folder.vertices = read(&file, &mut first, usize::MAX)?;
        if folder.vertices == 0 {
            let fault = Fault::new(&file, "", "lines of vertices (v x y z)", "none");
            return Err(fault.into());
        }
        Ok(folder)
    }

    /// Refuses a numbered run with gaps: each shape after one would go to the pose of another.
    fn check_numbers(&self) -> Result<(), Fault> {
        const NAMED: usize = 8;
        let names: Vec<_> = self.names.iter().map(stem).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        match flaw(&names) {
            None => Ok(()),
            Some(Flaw::Missing(missing, [first, last])) => {
                let listed: Vec<String> = missing.iter().take(NAMED).map(u64::to_string).collect();
                let more = match missing.len().saturating_sub(NAMED) {
                    0 => String::new(),
                    more => format!(" and {more} more"),
                };
                let expected = format!("files of all numbers from {first} to {last}");
                let found = format!("none of {}{more}", listed.join(", "));
                let fault = Fault::new(&self.path, "", expected, found);
                Err(fault.remedy("export the missing frames, or number the files without gaps"))
            }
            Some(Flaw::Twice(a, b)) => {
                let expected = "one file of each number";
                let found = format!("{a}.obj and {b}.obj");
                Err(Fault::new(&self.path, "", expected, found))
            }
        }
    }

    pub fn len(&self) -> usize {
        self.names.len()
    }

    pub fn vertices(&self) -> usize {
        self.vertices
    }

    pub fn name(&self, index: usize) -> String {
        stem(&self.names[index])
    }

    pub fn bytes(&self) -> usize {
        let name = |name: &OsString| name.len() + size_of::<OsString>();
        self.names.iter().map(name).sum()
    }

    pub fn bind(&self) -> Result<Option<Vec<[f32; 3]>>, Fault> {
        let Some(name) = &self.bind else {
            return Ok(None);
        };
        let mut shape = Vec::new();
        self.read_file(&self.path.join(name), &mut shape)?;
        Ok(Some(shape))
    }

    pub fn read(&self, index: usize, shape: &mut Vec<[f32; 3]>) -> Result<(), Fault> {
        self.read_file(&self.path.join(&self.names[index]), shape)
    }

    fn read_file(&self, file: &Path, shape: &mut Vec<[f32; 3]>) -> Result<(), Fault> {
        let vertices = read(file, shape, self.vertices)?;
        if vertices == self.vertices {
            return Ok(());
        }
        let expected = format!("{} vertices, as in {}.obj", self.vertices, self.name(0));
        let fault = Fault::new(file, "", expected, vertices.to_string());
        Err(fault.remedy("export every frame of the same mesh"))
    }
}

/// A file's name without its ending.
fn stem(name: &OsString) -> String {
    let stem = Path::new(name).file_stem().unwrap_or(name);
    stem.to_string_lossy().into_owned()
}

/// Reads the vertices of a file, in place of what the list holds: the first `most`. Gives the number of all.
fn read(file: &Path, shape: &mut Vec<[f32; 3]>, most: usize) -> Result<usize, Fault> {
    plain(file)?;
    let unreadable =
        |error: std::io::Error| Fault::new(file, "", "a file that can be read", error.to_string());
    let mut source =
        BufReader::with_capacity(CHUNK, std::fs::File::open(file).map_err(unreadable)?);
    shape.clear();
    let (mut line, mut number, mut count) = (Vec::new(), 0, 0);
    loop {
        line.clear();
        let begin = number + 1;
        while next_line(&mut source, &mut line).map_err(unreadable)? {
            number += 1;
            // Joined only where it counts: a comment may well end in a backslash.
            if !(is_vertex(&line) && line.ends_with(b"\\")) {
                break;
            }
            line.pop();
            line.push(b' ');
        }
        if number < begin {
            return Ok(count);
        }
        if line.len() >= LONGEST_LINE {
            let expected = format!("lines below {LONGEST_LINE} bytes");
            let fault = Fault::new(file, format!("line {begin}"), expected, "a longer one");
            return Err(fault.remedy("export the shape as OBJ text, with triangles or quads"));
        }
        if is_vertex(&line) {
            count += 1;
            if count > MOST_VERTICES {
                let expected = format!("at most {MOST_VERTICES} vertices");
                return Err(Fault::new(file, "", expected, "more"));
            }
            let point = point(&line).map_err(|found| {
                let part = format!("line {begin}");
                Fault::new(file, part, "a vertex of three numbers (v x y z)", found)
            })?;
            if count <= most {
                shape.push(point);
            }
        }
    }
}

/// Appends the next line without its end; `false` at the end of the file. Stops at the longest.
fn next_line(source: &mut impl BufRead, line: &mut Vec<u8>) -> std::io::Result<bool> {
    let room = LONGEST_LINE.saturating_sub(line.len()) as u64;
    let read = source.take(room).read_until(b'\n', line)?;
    while line.last().is_some_and(|b| b"\r\n".contains(b)) {
        line.pop();
    }
    Ok(read > 0)
}

/// Whether a line is a vertex: `v` that stands alone.
fn is_vertex(line: &[u8]) -> bool {
    let line = line.trim_ascii_start();
    matches!(line, [b'v', next, ..] if next.is_ascii_whitespace() || *next == b'\\') || line == b"v"
}

/// The first three numbers of a vertex.
fn point(line: &[u8]) -> Result<[f32; 3], String> {
    let words = line
        .split(u8::is_ascii_whitespace)
        .filter(|word| !word.is_empty());
    let mut words = words.skip(1);
    let mut point = [0.0; 3];
    for (place, number) in point.iter_mut().enumerate() {
        let Some(word) = words.next() else {
            return Err(format!("{place} numbers"));
        };
        let parsed = std::str::from_utf8(word)
            .ok()
            .and_then(|word| word.parse().ok());
        *number = parsed.ok_or_else(|| format!("{:?}", String::from_utf8_lossy(word)))?;
    }
    Ok(point)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &[u8]) -> Result<Vec<[f32; 3]>, Fault> {
        let file = tempfile::NamedTempFile::new().expect("a temporary file");
        std::fs::write(file.path(), text).expect("it can be written");
        let mut shape = Vec::new();
        read(file.path(), &mut shape, usize::MAX)?;
        Ok(shape)
    }

    #[test]
    fn vertices_are_read_as_exporters_write_them() {
        let text = b"# C:\\work\\\nmtllib a.mtl\r\no a\r\n  v 1 2 3\r\nv\t4.5e0\t-5E-1\t+.5 1.0\nvn 0 0 1\nvt 0 0\n\
            v 7 8 9 0.1 0.2 0.3 # a comment\nv 1 \\\n 2 \\\r\n 3\nf 1 2 3\nvp 1\nv 10 11 12";
        let expected = [
            [1.0, 2.0, 3.0],
            [4.5, -0.5, 0.5],
            [7.0, 8.0, 9.0],
            [1.0, 2.0, 3.0],
            [10.0, 11.0, 12.0],
        ];
        assert_eq!(read_text(text).expect("plain OBJ"), expected);
    }

    #[test]
    fn what_is_no_vertex_is_named_by_its_line() {
        for (text, line, found) in [
            (&b"v 1 2 3\n\nv 1 2\n"[..], "line 3", "2 numbers"),
            (b"v 1,5 2 3", "line 1", "\"1,5\""),
            (b"v 1 \\\n2 x\n", "line 1", "\"x\""),
            (b"v", "line 1", "0 numbers"),
            (b"v 1 2 \xff", "line 1", "\u{fffd}"),
        ] {
            let fault = read_text(text).expect_err("no vertex");
            assert_eq!(fault.part, line);
            assert!(fault.found.contains(found), "{}", fault.found);
        }
        // A file that is no text at all.
        let fault = read_text(&vec![b'x'; LONGEST_LINE + 5]).expect_err("no line");
        assert_eq!(fault.part, "line 1");
    }
}
