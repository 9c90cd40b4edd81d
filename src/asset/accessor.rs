//! One small checked decoder for accessors (glTF 2.0 §3.6.2): bounds, types, strides and counts are
//! held against the bytes that are there before anything is allocated.

use std::borrow::Cow;
use std::ops::Range;

use super::document::{Buffer, Document, Source};
use super::extensions;
use super::json::At;
use crate::error::Fault;

/// An accessor without bytes is all zeros, so its count costs memory that no file pays for: at most
/// this many elements, more vertices than any one primitive of a character has.
const MOST_ZEROS: usize = 1 << 24;

/// The longest stride that the standard allows (§5.11).
const LONGEST_STRIDE: usize = 252;

/// The type of one number (§3.6.2.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Component {
    I8,
    U8,
    I16,
    U16,
    U32,
    F32,
}

impl Component {
    pub fn code(self) -> u32 {
        match self {
            Self::I8 => 5120,
            Self::U8 => 5121,
            Self::I16 => 5122,
            Self::U16 => 5123,
            Self::U32 => 5125,
            Self::F32 => 5126,
        }
    }

    fn from_code(code: u64) -> Option<Self> {
        [
            Self::I8,
            Self::U8,
            Self::I16,
            Self::U16,
            Self::U32,
            Self::F32,
        ]
        .into_iter()
        .find(|component| u64::from(component.code()) == code)
    }

    pub fn size(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::U32 | Self::F32 => 4,
        }
    }
}

/// An accessor whose bytes are known to be there.
#[derive(Debug)]
pub(super) struct Accessor<'a> {
    pub at: At<'a>,
    pub count: usize,
    pub component: Component,
    /// `SCALAR`, `VEC3` and so on.
    pub kind: &'a str,
    pub width: usize,
    pub normalized: bool,
    base: Option<Strided<'a>>,
    sparse: Option<Sparse<'a>>,
}

#[derive(Debug)]
struct Strided<'a> {
    /// From the first element on.
    bytes: Cow<'a, [u8]>,
    stride: usize,
}

#[derive(Debug)]
struct Sparse<'a> {
    count: usize,
    index_size: usize,
    indices: Cow<'a, [u8]>,
    values: Cow<'a, [u8]>,
    at: At<'a>,
}

impl<'a> Accessor<'a> {
    /// Checks the accessor of that number.
    pub fn open(document: &'a Document, index: usize) -> Result<Self, Fault> {
        let at = document.item("accessors", index);
        let code = at.get("componentType");
        let component = Component::from_code(code.integer("a component type")?)
            .ok_or_else(|| code.fault("a component type of the standard, 5120 to 5126"))?;
        let kind_at = at.get("type");
        let kind = kind_at.text().unwrap_or("");
        let width = match kind {
            "SCALAR" => 1,
            "VEC2" => 2,
            "VEC3" => 3,
            "VEC4" => 4,
            // Matrices of small integers have padded columns; nothing here reads any.
            "MAT4" if component == Component::F32 => 16,
            "MAT3" if component == Component::F32 => 9,
            "MAT2" if component == Component::F32 => 4,
            _ => return Err(kind_at.fault("SCALAR, VEC2, VEC3, VEC4, or a matrix of floats")),
        };
        let count_at = at.get("count");
        let count = count_at.size_or(0, "a count of elements")?;
        if count == 0 {
            return Err(count_at.fault("at least 1 element"));
        }
        let normalized = match at.get("normalized").value {
            serde_json::Value::Null => false,
            serde_json::Value::Bool(yes) => *yes,
            _ => return Err(at.get("normalized").fault("true or false")),
        };
        let element = component.size() * width;
        let base = match at
            .get("bufferView")
            .index_or_none(document.count("bufferViews"), "bufferViews")?
        {
            Some(view) => Some(strided(document, &at, view, count, element)?),
            None if count > MOST_ZEROS => {
                return Err(count_at.found(
                    format!("at most {MOST_ZEROS} elements where no buffer view backs them"),
                    count.to_string(),
                ));
            }
            None => None,
        };
        let sparse = sparse(document, &at.get("sparse"), count, element)?;
        Ok(Self {
            at,
            count,
            component,
            kind,
            width,
            normalized,
            base,
            sparse,
        })
    }

    /// Refuses any other type than those named.
    pub fn require(
        &self,
        kind: &str,
        components: &[Component],
        purpose: &str,
    ) -> Result<(), Fault> {
        if self.kind != kind {
            return Err(self.at.get("type").fault(format!("{kind} for {purpose}")));
        }
        if !components.contains(&self.component) {
            let codes: Vec<String> = components.iter().map(|c| c.code().to_string()).collect();
            let expected = format!("{} for {purpose}", codes.join(" or "));
            return Err(self.at.get("componentType").fault(expected));
        }
        Ok(())
    }

    /// All numbers as integers, element after element; negative ones as 0, floats by their bits.
    pub fn integers(&self) -> Result<Vec<u32>, Fault> {
        match self.component {
            Component::I8 => self.decode(|b| u32::try_from(i8::from_le_bytes(b)).unwrap_or(0)),
            Component::U8 => self.decode(|b| u32::from(u8::from_le_bytes(b))),
            Component::I16 => self.decode(|b| u32::try_from(i16::from_le_bytes(b)).unwrap_or(0)),
            Component::U16 => self.decode(|b| u32::from(u16::from_le_bytes(b))),
            Component::U32 | Component::F32 => self.decode(u32::from_le_bytes),
        }
    }

    /// All numbers as floats, element after element; normalised integers by the rule of §3.6.2.2.
    /// A number that is not finite is a fault.
    pub fn floats(&self) -> Result<Vec<f32>, Fault> {
        self.floats_as(self.normalized)
    }

    /// The same with the `normalized` flag overruled.
    pub fn floats_as(&self, normalized: bool) -> Result<Vec<f32>, Fault> {
        // The least integers lie a little below −1.
        let scale = |value: f32, full: f32| match normalized {
            true => (value / full).max(-1.0),
            false => value,
        };
        let numbers = match self.component {
            Component::I8 => self.decode(|b| scale(i8::from_le_bytes(b).into(), 127.0)),
            Component::U8 => self.decode(|b| scale(u8::from_le_bytes(b).into(), 255.0)),
            Component::I16 => self.decode(|b| scale(i16::from_le_bytes(b).into(), 32767.0)),
            Component::U16 => self.decode(|b| scale(u16::from_le_bytes(b).into(), 65535.0)),
            Component::U32 => self.decode(|b| scale(u32::from_le_bytes(b) as f32, u32::MAX as f32)),
            Component::F32 => self.decode(f32::from_le_bytes),
        }?;
        match numbers.iter().position(|x| !x.is_finite()) {
            Some(i) => {
                let (element, found) = (i / self.width, numbers[i].to_string());
                let fault = self
                    .at
                    .found("finite numbers", format!("{found} at element {element}"));
                Err(fault.remedy("export the file again, or mend the data"))
            }
            None => Ok(numbers),
        }
    }

    /// All numbers as they lie in the file, element after element, without gaps.
    pub fn bytes(&self) -> Result<Vec<u8>, Fault> {
        Ok(match self.component.size() {
            1 => self.decode(u8::from_le_bytes)?,
            2 => self.decode(|b: [u8; 2]| b)?.into_flattened(),
            _ => self.decode(|b: [u8; 4]| b)?.into_flattened(),
        })
    }

    /// All numbers, of `SIZE` bytes each.
    fn decode<const SIZE: usize, T: Copy + Default>(
        &self,
        read: impl Fn([u8; SIZE]) -> T,
    ) -> Result<Vec<T>, Fault> {
        let element = SIZE * self.width;
        // `open` proved that this many elements are backed by bytes, or few.
        let mut numbers = vec![T::default(); self.count * self.width];
        let put = |numbers: &mut [T], bytes: &[u8]| {
            for (number, bytes) in numbers.iter_mut().zip(bytes.as_chunks().0) {
                *number = read(*bytes);
            }
        };
        match &self.base {
            // Most accessors are tightly packed: one run.
            Some(base) if base.stride == element => put(&mut numbers, &base.bytes),
            Some(base) => {
                let rows = numbers.chunks_exact_mut(self.width);
                rows.zip(base.bytes.chunks(base.stride))
                    .for_each(|(row, bytes)| put(row, bytes));
            }
            None => {}
        }
        if let Some(sparse) = &self.sparse {
            let mut least = 0;
            for i in 0..sparse.count {
                let mut word = [0; 4];
                word[..sparse.index_size]
                    .copy_from_slice(&sparse.indices[i * sparse.index_size..][..sparse.index_size]);
                let row = u32::from_le_bytes(word) as usize;
                if row < least || row >= self.count {
                    return Err(sparse.at.get("indices").found(
                        format!("strictly rising element numbers below {}", self.count),
                        format!("{row} at place {i}"),
                    ));
                }
                least = row + 1;
                let row = &mut numbers[row * self.width..][..self.width];
                put(row, &sparse.values[i * element..]);
            }
        }
        Ok(numbers)
    }
}

fn strided<'a>(
    document: &'a Document,
    at: &At<'a>,
    view: usize,
    count: usize,
    element: usize,
) -> Result<Strided<'a>, Fault> {
    let bytes = View::open(document, view)?;
    let view_at = document.item("bufferViews", view);
    let stride_at = view_at.get("byteStride");
    let stride = stride_at.size_or(element, "a stride in bytes")?;
    if stride < element || (stride > LONGEST_STRIDE && !stride_at.is_missing()) {
        return Err(stride_at.fault(format!("{element} to {LONGEST_STRIDE} bytes")));
    }
    let offset_at = at.get("byteOffset");
    let offset = offset_at.size_or(0, "an offset in bytes")?;
    let end = (count - 1)
        .checked_mul(stride)
        .and_then(|span| span.checked_add(element))
        .and_then(|span| span.checked_add(offset));
    match end {
        Some(end) if end <= bytes.len() => Ok(Strided {
            bytes: bytes.read(offset..end)?,
            stride,
        }),
        _ => Err(at
            .found(
                format!(
                    "elements that lie within the {} bytes of bufferViews[{view}]",
                    bytes.len()
                ),
                format!("{count} of {element} bytes, {stride} apart, from byte {offset}"),
            )
            .remedy("the file is damaged: export it again")),
    }
}

fn sparse<'a>(
    document: &'a Document,
    at: &At<'a>,
    elements: usize,
    element: usize,
) -> Result<Option<Sparse<'a>>, Fault> {
    if at.is_missing() {
        return Ok(None);
    }
    let count_at = at.get("count");
    let count = count_at.size_or(0, "a count of elements")?;
    if count == 0 || count > elements {
        return Err(count_at.fault(format!("1 to {elements} replaced elements")));
    }
    let (indices_at, values_at) = (at.get("indices"), at.get("values"));
    let code = indices_at.get("componentType");
    let index_size = match Component::from_code(code.integer("a component type")?) {
        Some(c @ (Component::U8 | Component::U16 | Component::U32)) => c.size(),
        _ => return Err(code.fault("5121, 5123 or 5125 for indices")),
    };
    let part = |at: &At<'a>, size: usize| -> Result<Cow<'a, [u8]>, Fault> {
        let view = at
            .get("bufferView")
            .index(document.count("bufferViews"), "bufferViews")?;
        let bytes = View::open(document, view)?;
        let offset = at.get("byteOffset").size_or(0, "an offset in bytes")?;
        let end = count
            .checked_mul(size)
            .and_then(|span| span.checked_add(offset));
        match end {
            Some(end) if end <= bytes.len() => bytes.read(offset..end),
            _ => Err(at.found(
                format!(
                    "data within the {} bytes of bufferViews[{view}]",
                    bytes.len()
                ),
                format!("{count} of {size} bytes from byte {offset}"),
            )),
        }
    };
    Ok(Some(Sparse {
        count,
        index_size,
        indices: part(&indices_at, index_size)?,
        values: part(&values_at, element)?,
        at: at.clone(),
    }))
}

/// A buffer view (§3.6.1.2) whose bytes are known to be there.
pub(super) struct View<'a> {
    at: At<'a>,
    buffer: &'a Buffer,
    range: Range<usize>,
}

impl<'a> View<'a> {
    /// Checks the view of that number.
    pub fn open(document: &'a Document, view: usize) -> Result<Self, Fault> {
        let at = document.item("bufferViews", view);
        for name in extensions::VIEW_COMPRESSION {
            let compressed = at.get("extensions").entry(name);
            if !compressed.is_missing() {
                return Err(compressed
                    .found("plain bytes", "compressed ones")
                    .remedy(extensions::SAVE_PLAIN));
            }
        }
        let buffer_at = at.get("buffer");
        let index = buffer_at.index(document.count("buffers"), "buffers")?;
        let buffer = &document.buffers[index];
        if buffer.source == Source::Absent {
            return Err(buffer_at
                .found(
                    "a buffer with bytes",
                    format!("buffers[{index}] without any"),
                )
                .remedy("export the file again with its buffers"));
        }
        let (offset_at, length_at) = (at.get("byteOffset"), at.get("byteLength"));
        let offset = offset_at.size_or(0, "an offset in bytes")?;
        let length = length_at.size_or(0, "a length in bytes")?;
        match offset.checked_add(length) {
            Some(end) if end <= buffer.len() => Ok(Self {
                at,
                buffer,
                range: offset..end,
            }),
            _ => Err(at
                .found(
                    format!(
                        "a stretch within the {} bytes of buffers[{index}]",
                        buffer.len()
                    ),
                    format!("{length} bytes from byte {offset}"),
                )
                .remedy("the file is damaged: export it again")),
        }
    }

    /// How many bytes it has.
    pub fn len(&self) -> usize {
        self.range.len()
    }

    /// Some of its bytes; the range lies within it.
    pub fn read(&self, range: Range<usize>) -> Result<Cow<'a, [u8]>, Fault> {
        let range = self.range.start + range.start..self.range.start + range.end;
        match &self.buffer.source {
            Source::OnDisk(extent) => extent
                .read(range)
                .map(Cow::Owned)
                .map_err(|error| self.at.found("bytes that can be read", error.to_string())),
            _ => Ok(Cow::Borrowed(&self.buffer.bytes[range])),
        }
    }
}
