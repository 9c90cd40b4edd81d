//! Animations in the making (glTF 2.0 §3.11): new keys among the samplers and channels that are there.

use std::collections::hash_map::Entry;
use std::collections::{BTreeSet, HashMap};

use serde_json::{Map, Value, json};

use super::accessor::Component;
use super::json::{At, whole};
use super::patch::{NewAccessor, Patch};
use crate::error::{Error, Fault};

/// A property of a node that clips move.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Path {
    Translation,
    Rotation,
    Scale,
}

impl Path {
    /// The one of that name; `None` for morph weights and what extensions move.
    pub fn named(name: &str) -> Option<Self> {
        let all = [Self::Translation, Self::Rotation, Self::Scale];
        all.into_iter().find(|path| path.name() == name)
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Translation => "translation",
            Self::Rotation => "rotation",
            Self::Scale => "scale",
        }
    }

    /// The type of its values.
    pub fn kind(self) -> &'static str {
        match self {
            Self::Rotation => "VEC4",
            Self::Translation | Self::Scale => "VEC3",
        }
    }

    /// Numbers in one value.
    pub fn width(self) -> usize {
        match self {
            Self::Rotation => 4,
            Self::Translation | Self::Scale => 3,
        }
    }
}

/// A node and what of it a channel moves.
pub(super) type Moved = (usize, Path);

/// The samplers and channels of one animation.
#[derive(Default)]
pub(super) struct Channels {
    samplers: Vec<Value>,
    channels: Vec<Value>,
    /// Places among the samplers that stand empty; new ones take the last of these first.
    free: Vec<usize>,
    /// The channel that moves each property: §3.11 allows one.
    known: HashMap<Moved, usize>,
    /// Accessors of key times: what moves at the same moments shares them.
    inputs: HashMap<Vec<u32>, usize>,
}

impl Channels {
    /// Those of an animation of the file, ready for new keys of these properties, each of which [`Channels::push`]
    /// must bring: samplers that only their old keys need are taken out. Gives the accessors of those too.
    pub fn of_file(animation: &At, renewed: &[Moved]) -> Result<(Self, Vec<usize>), Fault> {
        let values = |key: &str| -> Result<Vec<Value>, Fault> {
            let items = animation.get(key).items()?;
            Ok(items.into_iter().map(|item| item.value.clone()).collect())
        };
        let mut made = Self {
            samplers: values("samplers")?,
            ..Self::default()
        };
        let (mut stay, mut free) = (BTreeSet::new(), BTreeSet::new());
        for channel in values("channels")? {
            let sampler = index(&channel["sampler"]);
            match moved(&channel).filter(|moved| renewed.contains(moved)) {
                Some(moved) => {
                    free.extend(sampler);
                    match made.known.entry(moved) {
                        Entry::Vacant(new) => _ = new.insert(made.channels.len()),
                        // A second one is against the standard, and would undo the new keys.
                        Entry::Occupied(_) => continue,
                    }
                }
                None => stay.extend(sampler),
            }
            made.channels.push(channel);
        }
        let free = free.difference(&stay).copied();
        // No place stays empty: each renewed property takes one.
        let free: Vec<usize> = free
            .filter(|&sampler| sampler < made.samplers.len())
            .take(renewed.len())
            .collect();
        let mut old = Vec::new();
        for &sampler in &free {
            let sampler = made.samplers[sampler].take();
            old.extend([&sampler["input"], &sampler["output"]].map(index));
        }
        made.free = free.into_iter().rev().collect();
        Ok((made, old.into_iter().flatten().collect()))
    }

    /// Adds linear keys of a property, in place of those that a channel has for it: times in seconds, strictly rising,
    /// one at least, and [`Path::width`] numbers each.
    pub fn push(
        &mut self,
        patch: &mut Patch,
        (node, path): Moved,
        times: &[f32],
        values: &[f32],
    ) -> Result<(), Error> {
        let bits = times.iter().map(|time| time.to_bits()).collect();
        let input = match self.inputs.entry(bits) {
            Entry::Occupied(known) => *known.get(),
            Entry::Vacant(new) => {
                let ends = times.first().copied().zip(times.last().copied());
                let bounds = ends.map(|(first, last)| [first, last]);
                *new.insert(add(patch, "SCALAR", times.len(), times, bounds)?)
            }
        };
        let output = add(patch, path.kind(), times.len(), values, None)?;
        let sampler = json!({ "input": input, "interpolation": "LINEAR", "output": output });
        let place = match self.free.pop() {
            Some(place) => {
                self.samplers[place] = sampler;
                place
            }
            None => {
                self.samplers.push(sampler);
                self.samplers.len() - 1
            }
        };
        match self.known.entry((node, path)) {
            Entry::Occupied(known) => self.channels[*known.get()]["sampler"] = json!(place),
            Entry::Vacant(new) => {
                new.insert(self.channels.len());
                self.channels.push(json!({
                    "sampler": place,
                    "target": { "node": node, "path": path.name() },
                }));
            }
        }
        Ok(())
    }

    /// Writes them into an animation, in place of those that stand there.
    pub fn put(&self, animation: &mut Map<String, Value>) {
        animation.insert("samplers".into(), json!(self.samplers));
        animation.insert("channels".into(), json!(self.channels));
    }
}

/// What a channel moves; `None` for anything but a property of a node.
fn moved(channel: &Value) -> Option<Moved> {
    let target = channel.get("target")?;
    let path = Path::named(target.get("path")?.as_str()?)?;
    Some((index(target.get("node")?)?, path))
}

fn index(value: &Value) -> Option<usize> {
    usize::try_from(whole(value)?).ok()
}

fn add(
    patch: &mut Patch,
    kind: &str,
    count: usize,
    numbers: &[f32],
    bounds: Option<[f32; 2]>,
) -> Result<usize, Error> {
    let bytes: Vec<u8> = numbers.iter().flat_map(|x| x.to_le_bytes()).collect();
    patch.add(&NewAccessor {
        component: Component::F32.code(),
        kind,
        count,
        normalized: false,
        bounds,
        bytes: &bytes,
        vertices: false,
    })
}
