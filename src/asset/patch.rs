//! Replaces accessors of a document without disturbing others: freed slots are used again, so that the
//! numbers of everything else stay, and freed bytes are cut out where the buffer is the document's own.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use serde_json::{Map, Value, json};

use super::accessor::View;
use super::container::Container;
use super::document::{Buffer, Document, Source};
use super::json::whole;
use super::references::References;
use super::resources;
use crate::error::{Error, Fault};

/// Cuts begin and end at multiples of this, so that what follows keeps its alignment (§3.6.2.4: the
/// size of the largest component).
const ALIGNMENT: usize = 4;

/// A document being patched.
pub(super) struct Patch {
    document: Document,
    /// The document before; its buffers are shared, not copied.
    before: Document,
    free_accessors: BTreeSet<usize>,
    free_views: BTreeSet<usize>,
    /// Stretches of buffers that freed views held: buffer and bytes.
    freed: Vec<(usize, Range<usize>)>,
    /// New bytes, and the views that stand for stretches of them.
    fresh: Vec<u8>,
    fresh_views: Vec<(usize, usize)>,
    opaque_buffers: bool,
}

/// What the bytes of a new accessor are.
pub(super) struct NewAccessor<'a> {
    pub component: u32,
    pub kind: &'a str,
    pub count: usize,
    pub normalized: bool,
    /// Bounds, where the standard wants them.
    pub bounds: Option<[f32; 2]>,
    pub bytes: &'a [u8],
    /// Whether it holds vertex attributes.
    pub vertices: bool,
}

impl Patch {
    pub fn new(document: &Document) -> Self {
        let mut patch = Self {
            document: document.clone(),
            before: document.clone(),
            free_accessors: BTreeSet::new(),
            free_views: BTreeSet::new(),
            freed: Vec::new(),
            fresh: Vec::new(),
            fresh_views: Vec::new(),
            opaque_buffers: false,
        };
        // Slots that an earlier patch could not fill: accessors first, since they hold on to the views.
        let references = References::of(&document.json);
        patch.opaque_buffers = references.opaque_buffers;
        for (i, used) in references.accessors.iter().enumerate() {
            if !used && is_spare_accessor(document.item("accessors", i).value) {
                patch.free_accessors.insert(i);
                patch.document.json["accessors"][i] = spare_accessor(None);
            }
        }
        let references = References::of(&patch.document.json);
        for (i, used) in references.views.iter().enumerate() {
            if !used && is_spare_view(document.item("bufferViews", i).value) {
                patch.free_views.insert(i);
            }
        }
        patch
    }

    /// The JSON, to patch what is no accessor, view or buffer.
    pub fn json(&mut self) -> &mut Value {
        &mut self.document.json
    }

    pub fn document(&self) -> &Document {
        &self.document
    }

    /// Frees those of the accessors that nothing refers to any more, and their views likewise.
    pub fn release(&mut self, accessors: impl IntoIterator<Item = usize>) {
        let references = References::of(&self.document.json);
        let mut views = Vec::new();
        for index in accessors {
            if references.accessors.get(index) != Some(&false) || !self.free_accessors.insert(index)
            {
                continue;
            }
            let Some(slot) = self.document.json["accessors"].get_mut(index) else {
                continue;
            };
            let old = std::mem::replace(slot, spare_accessor(None));
            for pointer in [
                "/bufferView",
                "/sparse/indices/bufferView",
                "/sparse/values/bufferView",
            ] {
                let view = old.pointer(pointer).and_then(whole);
                views.extend(view.and_then(|view| usize::try_from(view).ok()));
            }
        }
        let references = References::of(&self.document.json);
        for view in views {
            if references.views.get(view) != Some(&false) || !self.free_views.insert(view) {
                continue;
            }
            if let Some((buffer, bytes)) = extent(&self.document, view) {
                self.freed.push((buffer, bytes));
            }
        }
    }

    /// Adds an accessor with a view of its own; gives its number.
    pub fn add(&mut self, new: &NewAccessor) -> Result<usize, Error> {
        let offset = self.fresh.len();
        self.fresh.extend(new.bytes);
        self.fresh
            .resize(self.fresh.len().next_multiple_of(ALIGNMENT), 0);
        let mut view = json!({ "buffer": 0, "byteOffset": 0, "byteLength": new.bytes.len() });
        if new.vertices {
            view["target"] = json!(34962);
        }
        let free_view = self.free_views.pop_first();
        let view = self.put("bufferViews", free_view, view)?;
        self.fresh_views.push((view, offset));

        let mut accessor = json!({ "bufferView": view, "componentType": new.component });
        if new.normalized {
            accessor["normalized"] = json!(true);
        }
        accessor["count"] = json!(new.count);
        accessor["type"] = json!(new.kind);
        if let Some([least, most]) = new.bounds {
            accessor["min"] = json!([least]);
            accessor["max"] = json!([most]);
        }
        let free = self.free_accessors.pop_first();
        self.put("accessors", free, accessor)
    }

    /// Puts an object into a slot of a top-level array, or at its end.
    pub fn put(&mut self, array: &str, slot: Option<usize>, value: Value) -> Result<usize, Error> {
        let path = self.document.path.clone();
        let items = array_of(&mut self.document.json, array)
            .ok_or_else(|| Fault::new(&path, array, "an array", "something else"))?;
        match slot.filter(|&slot| slot < items.len()) {
            Some(slot) => {
                items[slot] = value;
                Ok(slot)
            }
            None => {
                items.push(value);
                Ok(items.len() - 1)
            }
        }
    }

    /// Cuts out what is free, appends what is new, and checks that all else is as it was.
    pub fn finish(mut self) -> Result<Document, Error> {
        self.drop_free_slots()?;
        if !self.opaque_buffers {
            self.cut()?;
        }
        self.append()?;
        self.fill_free_slots();
        self.check()?;
        Ok(self.document)
    }

    /// Free slots at the end go; those between become spare objects that the next patch uses.
    fn drop_free_slots(&mut self) -> Result<(), Error> {
        for (array, free) in [
            ("accessors", &mut self.free_accessors),
            ("bufferViews", &mut self.free_views),
        ] {
            let Some(items) = self
                .document
                .json
                .get_mut(array)
                .and_then(Value::as_array_mut)
            else {
                continue;
            };
            while free.last().is_some_and(|&last| last + 1 == items.len()) {
                free.pop_last();
                items.pop();
            }
        }
        // Spare accessors stand on a spare view: some readers refuse one without a view.
        if !self.free_accessors.is_empty() && self.free_views.is_empty() {
            let view = self.put("bufferViews", None, json!({}))?;
            self.free_views.insert(view);
        }
        Ok(())
    }

    fn cut(&mut self) -> Result<(), Error> {
        let views = self.document.count("bufferViews");
        let fresh: BTreeSet<usize> = self.fresh_views.iter().map(|&(view, _)| view).collect();
        let mut live: Vec<(usize, Range<usize>)> = Vec::new();
        for view in
            (0..views).filter(|view| !fresh.contains(view) && !self.free_views.contains(view))
        {
            match extent(&self.document, view) {
                Some(found) => live.push(found),
                // A view that cannot be read may stand for anything.
                None => return Ok(()),
            }
        }
        for buffer in 0..self.document.buffers.len() {
            if !self.is_own(buffer) {
                continue;
            }
            let of_buffer = |list: &[(usize, Range<usize>)]| -> Vec<Range<usize>> {
                list.iter()
                    .filter(|(b, _)| *b == buffer)
                    .map(|(_, bytes)| bytes.clone())
                    .collect()
            };
            let cuts = cuts(of_buffer(&self.freed), of_buffer(&live));
            if cuts.is_empty() {
                continue;
            }
            let old = &self.document.buffers[buffer].bytes;
            // The only copy, if this is the home of what is new.
            let mut bytes = self.with_room(old.len());
            let mut from = 0;
            for cut in &cuts {
                bytes.extend(&old[from..cut.start]);
                from = cut.end;
            }
            bytes.extend(&old[from..]);
            self.set_bytes(buffer, bytes)?;
            for view in (0..views).filter(|view| !fresh.contains(view)) {
                // The views of `before` still stand for the old places.
                let Some((b, range)) = extent(&self.before, view) else {
                    continue;
                };
                let shift: usize = cuts
                    .iter()
                    .filter(|cut| cut.end <= range.start)
                    .map(Range::len)
                    .sum();
                if b == buffer && shift > 0 && !self.free_views.contains(&view) {
                    self.document.json["bufferViews"][view]["byteOffset"] =
                        json!(range.start - shift);
                }
            }
        }
        Ok(())
    }

    /// Whether the buffer's bytes belong to the document alone, so that they may change: those in the
    /// file itself, and side files that `save` wrote.
    fn is_own(&self, buffer: usize) -> bool {
        let buffer = &self.document.buffers[buffer];
        match &buffer.source {
            Source::Bin | Source::Data | Source::Fresh => true,
            Source::File(path) => is_side_file(path, &buffer.bytes),
            Source::Absent | Source::OnDisk(_) => false,
        }
    }

    fn append(&mut self) -> Result<(), Error> {
        if self.fresh.is_empty() {
            return Ok(());
        }
        let home = self.home()?;
        // Bytes that were cut are nobody else's yet.
        let old = std::mem::take(&mut self.document.buffers[home].bytes);
        let mut bytes = Arc::try_unwrap(old).unwrap_or_else(|shared| {
            let mut copy = self.with_room(shared.len());
            copy.extend_from_slice(&shared);
            copy
        });
        bytes.resize(bytes.len().next_multiple_of(ALIGNMENT), 0);
        let base = bytes.len();
        bytes.extend_from_slice(&self.fresh);
        self.set_bytes(home, bytes)?;
        for &(view, offset) in &self.fresh_views {
            let view = &mut self.document.json["bufferViews"][view];
            view["buffer"] = json!(home);
            view["byteOffset"] = json!(base + offset);
        }
        Ok(())
    }

    /// An empty buffer for so many old bytes, and what is new behind them.
    fn with_room(&self, old: usize) -> Vec<u8> {
        Vec::with_capacity(old + ALIGNMENT + self.fresh.len())
    }

    /// The buffer that new bytes go to; made if there is none.
    fn home(&mut self) -> Result<usize, Error> {
        let buffers = &self.document.buffers;
        let own = match self.document.container {
            Container::Glb if buffers.first().is_some_and(|b| b.source == Source::Bin) => Some(0),
            Container::Glb => buffers.iter().rposition(|b| b.source == Source::Data),
            Container::Gltf => {
                let files = buffers.iter().any(|b| matches!(b.source, Source::File(_)));
                (0..buffers.len()).rev().find(|&i| match buffers[i].source {
                    Source::Data => !files,
                    _ => self.is_own(i),
                })
            }
        };
        if let Some(own) = own {
            return Ok(own);
        }
        let source = match (self.document.container, buffers.is_empty()) {
            (Container::Glb, true) => Source::Bin,
            // A GLB whose first buffer lies elsewhere has no place for a BIN chunk.
            (Container::Glb, false) => Source::Data,
            (Container::Gltf, _) => Source::Fresh,
        };
        let home = self.put("buffers", None, json!({ "byteLength": 0 }))?;
        self.document.buffers.push(Buffer {
            bytes: Arc::default(),
            source,
        });
        Ok(home)
    }

    fn set_bytes(&mut self, buffer: usize, bytes: Vec<u8>) -> Result<(), Error> {
        let path = self.document.path.clone();
        let wrong = || Fault::new(&path, format!("buffers[{buffer}]"), "an object", "none");
        let object = self
            .document
            .json
            .get_mut("buffers")
            .and_then(|buffers| buffers.get_mut(buffer))
            .and_then(Value::as_object_mut)
            .ok_or_else(wrong)?;
        object.insert("byteLength".into(), json!(bytes.len()));
        let entry = &mut self.document.buffers[buffer];
        match &entry.source {
            Source::Data => {
                object.insert("uri".into(), json!(resources::encode_data(&bytes)));
            }
            Source::File(side) => {
                self.document.stale.push(side.clone());
                object.shift_remove("uri");
                entry.source = Source::Fresh;
            }
            Source::Bin | Source::Fresh | Source::Absent | Source::OnDisk(_) => {}
        }
        entry.bytes = Arc::new(bytes);
        Ok(())
    }

    /// Spare objects must be valid too: one byte of a buffer that has one.
    fn fill_free_slots(&mut self) {
        let buffers = &self.document.buffers;
        let holder = buffers.iter().rposition(|b| !b.bytes.is_empty());
        for &view in &self.free_views {
            if let Some(slot) = self.document.json["bufferViews"].get_mut(view) {
                *slot = json!({ "buffer": holder.unwrap_or(0), "byteLength": 1 });
            }
        }
        for &accessor in &self.free_accessors {
            let view = self.free_views.first().copied();
            if let Some(slot) = self.document.json["accessors"].get_mut(accessor) {
                *slot = spare_accessor(view);
            }
        }
    }

    /// Everything that was to stay has the bytes that it had.
    fn check(&self) -> Result<(), Error> {
        let fresh: BTreeSet<usize> = self.fresh_views.iter().map(|&(view, _)| view).collect();
        for view in 0..self.document.count("bufferViews") {
            if fresh.contains(&view) || self.free_views.contains(&view) {
                continue;
            }
            let bytes = |document| {
                let view = View::open(document, view)?;
                view.read(0..view.len())
            };
            let same = match (bytes(&self.before), bytes(&self.document)) {
                (Ok(before), Ok(after)) => before == after,
                (before, after) => before.is_err() == after.is_err(),
            };
            if !same {
                let at = self.document.item("bufferViews", view);
                return Err(at
                    .found("its bytes to stay as they were", "other bytes")
                    .remedy("this is an error of tanyard's own: please report it with the file")
                    .into());
            }
        }
        Ok(())
    }
}

fn array_of<'a>(json: &'a mut Value, array: &str) -> Option<&'a mut Vec<Value>> {
    json.as_object_mut()?
        .entry(array)
        .and_modify(|value| {
            if value.is_null() {
                *value = json!([]);
            }
        })
        .or_insert_with(|| json!([]))
        .as_array_mut()
}

/// An accessor that nobody needs, on a spare view.
fn spare_accessor(view: Option<usize>) -> Value {
    let mut spare = json!({ "componentType": 5121, "count": 1, "type": "SCALAR" });
    if let Some(view) = view {
        spare["bufferView"] = json!(view);
    }
    spare
}

fn is_spare_accessor(accessor: &Value) -> bool {
    let view = accessor.get("bufferView").and_then(whole);
    view.is_some_and(|view| *accessor == spare_accessor(Some(view as usize)))
}

fn is_spare_view(view: &Value) -> bool {
    let is = |map: &Map<String, Value>| {
        map.len() == 2 && map.contains_key("buffer") && map.get("byteLength") == Some(&json!(1))
    };
    view.as_object().is_some_and(is)
}

/// The buffer and the bytes that a view stands for, if both are there.
fn extent(document: &Document, index: usize) -> Option<(usize, Range<usize>)> {
    let view = document.json.get("bufferViews")?.get(index)?;
    let number = |key: &str| usize::try_from(whole(view.get(key)?)?).ok();
    let buffer = number("buffer")?;
    let start = match view.get("byteOffset") {
        None => 0,
        Some(_) => number("byteOffset")?,
    };
    let end = start.checked_add(number("byteLength")?)?;
    let there = document.buffers.get(buffer)?.bytes.len();
    (end <= there).then_some((buffer, start..end))
}

/// What of the freed ranges no live range touches, cut down to whole multiples of [`ALIGNMENT`].
fn cuts(mut freed: Vec<Range<usize>>, mut live: Vec<Range<usize>>) -> Vec<Range<usize>> {
    freed.sort_by_key(|range| (range.start, range.end));
    live.sort_by_key(|range| (range.start, range.end));
    let mut union: Vec<Range<usize>> = Vec::new();
    for range in freed {
        match union.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => union.push(range),
        }
    }
    let mut cuts = Vec::new();
    let mut next_live = 0;
    let mut covered = 0;
    for range in union {
        let mut start = range.start.max(covered);
        while next_live < live.len() && live[next_live].start < range.end {
            push_aligned(&mut cuts, start..live[next_live].start);
            covered = covered.max(live[next_live].end);
            start = start.max(covered);
            next_live += 1;
        }
        push_aligned(&mut cuts, start..range.end);
    }
    cuts
}

fn push_aligned(cuts: &mut Vec<Range<usize>>, range: Range<usize>) {
    let start = range.start.next_multiple_of(ALIGNMENT);
    let end = range.end / ALIGNMENT * ALIGNMENT;
    if start < end {
        cuts.push(start..end);
    }
}

/// The name that `save` gives a side file of these bytes: `<stem>.<8 hex digits of FNV-1a>.bin`.
pub(super) fn side_name(stem: &str, bytes: &[u8]) -> String {
    format!("{stem}.{:08x}.bin", fnv1a(bytes))
}

/// Whether the file has a name that only `save` gives, to these very bytes.
pub(super) fn is_side_file(path: &Path, bytes: &[u8]) -> bool {
    let name = path.file_name().and_then(|name| name.to_str());
    // Other names need no hash of all bytes.
    name.and_then(side_hash)
        .is_some_and(|hash| hash == format!("{:08x}", fnv1a(bytes)))
}

/// Whether `save` might give this name to some bytes.
pub(super) fn has_side_name(name: &str) -> bool {
    side_hash(name).is_some_and(|hash| hash.bytes().all(|b| b.is_ascii_hexdigit()))
}

/// The part of a side file's name that says its bytes.
fn side_hash(name: &str) -> Option<&str> {
    let (stem, hash) = name.strip_suffix(".bin")?.rsplit_once('.')?;
    (!stem.is_empty() && hash.len() == 8).then_some(hash)
}

/// FNV-1a, 32 bits (Fowler, Noll, Vo; RFC 9923).
fn fnv1a(bytes: &[u8]) -> u32 {
    bytes.iter().fold(0x811c_9dc5, |hash, &byte| {
        (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    type Pairs<'a> = &'a [(usize, usize)];

    fn assert_cuts(freed: Pairs, live: Pairs, expected: Pairs) {
        let ranges = |pairs: Pairs| -> Vec<Range<usize>> {
            pairs.iter().map(|&(start, end)| start..end).collect()
        };
        assert_eq!(cuts(ranges(freed), ranges(live)), ranges(expected));
    }

    #[test]
    fn cuts_spare_live_bytes_and_keep_alignment() {
        assert_cuts(&[(0, 16)], &[], &[(0, 16)]);
        assert_cuts(&[(2, 15)], &[], &[(4, 12)]);
        assert_cuts(&[(0, 40)], &[(8, 12), (9, 20)], &[(0, 8), (20, 40)]);
        assert_cuts(&[(0, 8), (8, 16)], &[(0, 40)], &[]);
        assert_cuts(
            &[(8, 16), (24, 32)],
            &[(0, 10), (30, 50)],
            &[(12, 16), (24, 28)],
        );
        // A long live range that began before the freed one.
        assert_cuts(&[(4, 8), (16, 24)], &[(0, 20)], &[(20, 24)]);
    }

    #[test]
    fn side_files_are_told_by_name_and_content() {
        let name = side_name("hero", b"abc");
        assert_eq!(name, "hero.1a47e90b.bin");
        assert!(is_side_file(Path::new(&name), b"abc"));
        assert!(!is_side_file(Path::new(&name), b"abd"));
        assert!(!is_side_file(Path::new(".1a47e90b.bin"), b"abc"));
        assert!(!is_side_file(Path::new("hero.bin"), b"abc"));
    }
}
