//! Who refers to which accessor and buffer view: what nobody refers to may be written anew.
//!
//! An extension or `extras` that this crate does not know may refer to anything by number: every
//! whole number in them counts as a reference to the accessor and the buffer view of that number.

use serde_json::Value;

use super::extensions;
use super::helpers::HELPER;
use super::json::whole;

/// Which objects something in the JSON refers to.
pub(super) struct References {
    pub accessors: Vec<bool>,
    pub views: Vec<bool>,
    /// Whether an unknown extension may refer to bytes of a buffer directly.
    pub opaque_buffers: bool,
}

impl References {
    pub fn of(json: &Value) -> Self {
        let count = |array: &str| {
            json.get(array)
                .and_then(Value::as_array)
                .map_or(0, Vec::len)
        };
        let mut references = Self {
            accessors: vec![false; count("accessors")],
            views: vec![false; count("bufferViews")],
            opaque_buffers: false,
        };
        references.known(json);
        references.unknown(json);
        references
    }

    fn known(&mut self, json: &Value) {
        for primitive in all(json, "meshes").flat_map(|mesh| all(mesh, "primitives")) {
            self.accessor(primitive.get("indices"));
            let targets = all(primitive, "targets");
            for attributes in primitive.get("attributes").into_iter().chain(targets) {
                for (_, index) in attributes.as_object().into_iter().flatten() {
                    self.accessor(Some(index));
                }
            }
        }
        for sampler in all(json, "animations").flat_map(|animation| all(animation, "samplers")) {
            self.accessor(sampler.get("input"));
            self.accessor(sampler.get("output"));
        }
        for skin in all(json, "skins") {
            self.accessor(skin.get("inverseBindMatrices"));
        }
        for accessor in all(json, "accessors") {
            self.view(accessor.get("bufferView"));
            for part in ["indices", "values"] {
                self.view(accessor.pointer(&format!("/sparse/{part}/bufferView")));
            }
        }
        for image in all(json, "images") {
            self.view(image.get("bufferView"));
        }
    }

    fn accessor(&mut self, index: Option<&Value>) {
        mark(&mut self.accessors, index.and_then(whole));
    }

    fn view(&mut self, index: Option<&Value>) {
        mark(&mut self.views, index.and_then(whole));
    }

    /// Looks for extensions and extras, at any depth.
    fn unknown(&mut self, value: &Value) {
        match value {
            Value::Object(map) => {
                for (key, value) in map {
                    match (key.as_str(), value) {
                        ("extras", Value::Object(extras)) => {
                            // Our own says nothing of accessors and views.
                            let others = extras.iter().filter(|(key, _)| *key != HELPER);
                            others.for_each(|(key, value)| self.pin_member(key, value));
                        }
                        ("extras", extras) => self.pin(extras),
                        ("extensions", Value::Object(found)) => {
                            for (name, extension) in found {
                                if extensions::is_harmless(name) {
                                    self.unknown(extension);
                                } else {
                                    self.pin(extension);
                                }
                            }
                        }
                        _ => self.unknown(value),
                    }
                }
            }
            Value::Array(items) => items.iter().for_each(|item| self.unknown(item)),
            _ => {}
        }
    }

    fn pin(&mut self, value: &Value) {
        match value {
            Value::Number(_) => {
                mark(&mut self.accessors, whole(value));
                mark(&mut self.views, whole(value));
            }
            // JSON pointers such as `/accessors/7`.
            Value::String(text) => {
                let mut steps = text.split('/');
                while let Some(step) = steps.next() {
                    let marks = match step {
                        "accessors" => &mut self.accessors,
                        "bufferViews" => &mut self.views,
                        _ => continue,
                    };
                    mark(marks, steps.next().and_then(|number| number.parse().ok()));
                }
            }
            Value::Array(items) => items.iter().for_each(|item| self.pin(item)),
            Value::Object(map) => {
                map.iter()
                    .for_each(|(key, value)| self.pin_member(key, value));
            }
            Value::Null | Value::Bool(_) => {}
        }
    }

    fn pin_member(&mut self, key: &str, value: &Value) {
        self.opaque_buffers |= key == "buffer";
        self.pin(value);
    }
}

fn all<'a>(value: &'a Value, array: &str) -> impl Iterator<Item = &'a Value> {
    value
        .get(array)
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
}

fn mark(marks: &mut [bool], index: Option<u64>) {
    let slot = index
        .and_then(|index| usize::try_from(index).ok())
        .and_then(|index| marks.get_mut(index));
    if let Some(mark) = slot {
        *mark = true;
    }
}
