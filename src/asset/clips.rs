//! The animations of a file (glTF 2.0 §3.11, Appendix C), sampled as joints away from bind.

use nalgebra::{Matrix4, Quaternion, UnitQuaternion, Vector3};

use super::accessor::{Accessor, Component};
use super::channels::Path;
use super::document::Document;
use super::helpers;
use super::json::At;
use super::nodes::{Nodes, Trs};
use super::range_clip::is_range_clip;
use super::skins;
use crate::error::{Error, Fault};
use crate::rig::{Clip, Frame, JointId, Move, Skeleton};

/// Frames of one animation: half an hour at 60 a second.
const MOST_FRAMES: usize = 100_000;

/// Moves of all clips together, 80 bytes each.
const MOST_MOVES: usize = 6_000_000;

/// Numbers in the keys of one animation, 4 bytes each.
const MOST_KEY_NUMBERS: usize = 1 << 26;

/// Slides below this share of the skeleton's size, and scales as near to one, are rounding of the file.
const LEAST_SLIDE: f64 = 1e-4;
const LEAST_SCALE: f64 = 1e-3;

/// A joint that shears more than this is worth a note.
const SHEAR: f64 = 1e-2;

/// Clips, each with the number of its animation in the file.
pub type NumberedClips = Vec<(usize, Clip)>;

/// Reads every animation that moves joints of the skeleton, sampled at `frames_per_second` over its
/// key range, both ends included. Times are in seconds from its first key on. A joint that shears, which no pose can
/// say, is noted and stands unsheared.
///
/// An animation whose samplers are broken is left out with a note, and so is a range of motion that this program
/// wrote: what it shows was made up, and poses made of it would be more of the same.
///
/// # Errors
/// [`Error::Input`] for a broken hierarchy, or an accessor that is not there.
pub fn clips(
    document: &Document,
    skeleton: &Skeleton,
    frames_per_second: f64,
) -> Result<(Vec<Clip>, Vec<String>), Error> {
    let (clips, notes) = read(document, skeleton, Moments::Every(frames_per_second))?;
    Ok((clips.into_iter().map(|(_, clip)| clip).collect(), notes))
}

/// The same animations at their own key times, each with its number in the file. Times are those of the file: in
/// seconds, not from the first key on, and 32-bit floats write them exactly. They strictly rise, every key of a track
/// that moves the skeleton has its frame, and no gap is longer than `longest_gap` seconds (but for the rounding of its
/// ends to such floats). Where a step begins, the last moment before it has a frame too, so that straight lines from
/// frame to frame step as well.
///
/// # Errors
/// As [`clips`].
pub fn clips_at_keys(
    document: &Document,
    skeleton: &Skeleton,
    longest_gap: f64,
) -> Result<(NumberedClips, Vec<String>), Error> {
    read(document, skeleton, Moments::AtKeys(longest_gap))
}

/// When the frames of a clip are.
#[derive(Clone, Copy)]
enum Moments {
    /// So many in a second, from the first key on.
    Every(f64),
    /// At the keys, and between keys that are farther apart than so many seconds.
    AtKeys(f64),
}

fn read(
    document: &Document,
    skeleton: &Skeleton,
    moments: Moments,
) -> Result<(NumberedClips, Vec<String>), Error> {
    let nodes = Nodes::of_skeleton(document, skeleton)?;
    let (what, number) = match moments {
        Moments::Every(rate) => ("frames per second", rate),
        Moments::AtKeys(gap) => ("seconds between frames", gap),
    };
    if !(number > 0.0 && number.is_finite()) {
        let fault = Fault::new(&document.path, what, "more than 0", number.to_string());
        return Err(Error::Setting(vec![fault]));
    }
    let helpers = helpers::of(document, skeleton).into_iter();
    let helpers: Vec<JointId> = helpers.map(|helper| helper.0).collect();
    let stage = Stage::new(&nodes, skeleton, &helpers);
    let (mut clips, mut notes, mut faults) = (Vec::new(), Vec::new(), Vec::new());
    let mut moves_left = MOST_MOVES;
    for index in 0..document.count("animations") {
        let at = document.item("animations", index);
        let name = at.name().map_or_else(|| format!("#{index}"), str::to_owned);
        if is_range_clip(&name) {
            notes.push(format!(
                "clip {name:?} is left out: it is a range of motion that tanyard wrote"
            ));
            continue;
        }
        match tracks(document, &at, &stage, &name, &mut notes) {
            Ok(tracks) if tracks.is_empty() => {}
            Ok(tracks) => {
                let most = MOST_FRAMES.min(moves_left / skeleton.joints().len());
                if most < 2 {
                    notes.push(format!(
                        "clip {name:?} is left out: the clips before it fill the memory"
                    ));
                    continue;
                }
                let clip = stage.sample(name, &tracks, moments, most, &mut notes);
                moves_left -= clip.frames.len() * skeleton.joints().len();
                clips.push((index, clip));
            }
            Err(Broken::Clip(fault)) => notes.push(format!("clip {name:?} is left out: {fault}")),
            Err(Broken::File(fault)) => faults.push(fault),
        }
    }
    if faults.is_empty() {
        Ok((clips, notes))
    } else {
        Err(Error::Input(faults))
    }
}

/// What is broken: one animation, or the file.
enum Broken {
    Clip(Fault),
    File(Fault),
}

/// The keys of one node's translation, rotation or scale.
struct Track {
    node: usize,
    path: Path,
    mode: Mode,
    times: Vec<f32>,
    /// Three or four numbers a key; three times as many for cubic splines.
    values: Vec<f32>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Mode {
    Step,
    Linear,
    Cubic,
}

fn tracks(
    document: &Document,
    animation: &At,
    stage: &Stage,
    name: &str,
    notes: &mut Vec<String>,
) -> Result<Vec<Track>, Broken> {
    let mut tracks = Vec::new();
    let (mut skipped, mut numbers) = (0, 0usize);
    let samplers = animation.get("samplers").items().map_err(Broken::Clip)?;
    for channel in animation.get("channels").items().map_err(Broken::Clip)? {
        let target = channel.get("target");
        let path = target.get("path").text();
        let Some(moved) = path.and_then(Path::named) else {
            skipped += usize::from(path != Some("weights"));
            continue;
        };
        let node = target
            .get("node")
            .index_or_none(document.count("nodes"), "nodes")
            .map_err(Broken::File)?;
        // Channels without a node are left to extensions (§3.11).
        let Some(node) = node.filter(|&node| stage.moves[node]) else {
            continue;
        };
        let sampler = channel
            .get("sampler")
            .index(samplers.len(), "samplers of the animation")
            .map_err(Broken::Clip)?;
        let track = track(document, &samplers[sampler], node, moved)?;
        numbers += track.times.len() + track.values.len();
        if numbers > MOST_KEY_NUMBERS {
            let fault = animation.found(
                format!("keys of at most {MOST_KEY_NUMBERS} numbers"),
                "more",
            );
            return Err(Broken::Clip(fault));
        }
        tracks.push(track);
    }
    if skipped > 0 {
        notes.push(format!(
            "clip {name:?} has {skipped} channels that move no node: left out"
        ));
    }
    Ok(tracks)
}

fn track(document: &Document, sampler: &At, node: usize, path: Path) -> Result<Track, Broken> {
    let mode_at = sampler.get("interpolation");
    let mode = match mode_at.text() {
        None if mode_at.is_missing() => Mode::Linear,
        Some("LINEAR") => Mode::Linear,
        Some("STEP") => Mode::Step,
        Some("CUBICSPLINE") => Mode::Cubic,
        _ => {
            let fault = mode_at.fault("LINEAR, STEP or CUBICSPLINE");
            return Err(Broken::Clip(fault));
        }
    };
    let open = |key: &str| {
        let index = sampler
            .get(key)
            .index(document.count("accessors"), "accessors")
            .map_err(Broken::File)?;
        Accessor::open(document, index).map_err(Broken::File)
    };
    let (input, output) = (open("input")?, open("output")?);
    let read = || {
        use Component::{F32, I8, I16, U8, U16};
        input.require("SCALAR", &[F32], "key times")?;
        let components = match path {
            Path::Rotation => &[F32, I8, U8, I16, U16][..],
            Path::Translation | Path::Scale => &[F32][..],
        };
        output.require(path.kind(), components, "key values")?;
        let each = if mode == Mode::Cubic { 3 } else { 1 };
        if output.count != each * input.count {
            return Err(output.at.get("count").fault(format!(
                "{} values, {each} for each of {} keys",
                each * input.count,
                input.count
            )));
        }
        let times = input.floats()?;
        if times.windows(2).any(|pair| pair[1] < pair[0]) {
            return Err(input.at.found("rising key times", "falling ones"));
        }
        Ok((times, output.floats()?))
    };
    let (times, values) = read().map_err(Broken::Clip)?;
    Ok(Track {
        node,
        path,
        mode,
        times,
        values,
    })
}

impl Track {
    /// The value at that time; before the first key that of the first, after the last that of the last.
    fn at(&self, time: f64) -> [f64; 4] {
        let after = self.times.partition_point(|&t| f64::from(t) <= time);
        if after == 0 || after == self.times.len() {
            return self.key(after.saturating_sub(1), 1);
        }
        let (a, b) = (after - 1, after);
        let (start, end) = (f64::from(self.times[a]), f64::from(self.times[b]));
        let (from, to) = (self.key(a, 1), self.key(b, 1));
        let u = (time - start) / (end - start);
        match self.mode {
            Mode::Step => from,
            Mode::Linear if self.path == Path::Rotation => slerp(from, to, u),
            Mode::Linear => std::array::from_fn(|i| from[i] + (to[i] - from[i]) * u),
            Mode::Cubic => {
                // Appendix C.5: Hermite, tangents a second.
                let (out, into) = (self.key(a, 2), self.key(b, 0));
                let (u2, u3, span) = (u * u, u * u * u, end - start);
                std::array::from_fn(|i| {
                    (2.0 * u3 - 3.0 * u2 + 1.0) * from[i]
                        + span * (u3 - 2.0 * u2 + u) * out[i]
                        + (3.0 * u2 - 2.0 * u3) * to[i]
                        + span * (u3 - u2) * into[i]
                })
            }
        }
    }

    /// The numbers of a key; `part` tells the tangents (0, 2) of a cubic spline from its value (1).
    fn key(&self, key: usize, part: usize) -> [f64; 4] {
        let width = self.path.width();
        let place = match self.mode {
            Mode::Cubic => 3 * key + part,
            Mode::Step | Mode::Linear => key,
        };
        let mut numbers = [0.0; 4];
        for (number, &value) in numbers
            .iter_mut()
            .zip(&self.values[place * width..][..width])
        {
            *number = f64::from(value);
        }
        numbers
    }
}

/// Appendix C.4: along the shorter way.
fn slerp(a: [f64; 4], b: [f64; 4], u: f64) -> [f64; 4] {
    let dot: f64 = a.iter().zip(&b).map(|(x, y)| x * y).sum();
    let sign = if dot < 0.0 { -1.0 } else { 1.0 };
    let angle = dot.abs().min(1.0).acos();
    // So close that the straight way is the same to rounding, and the division below would not be.
    let (s, t) = if angle < 1e-6 {
        (1.0 - u, u)
    } else {
        (
            ((1.0 - u) * angle).sin() / angle.sin(),
            (u * angle).sin() / angle.sin(),
        )
    };
    std::array::from_fn(|i| s * a[i] + t * sign * b[i])
}

/// The skeleton in its file, ready to be moved.
struct Stage<'a> {
    nodes: &'a Nodes,
    skeleton: &'a Skeleton,
    is_joint: Vec<bool>,
    /// Nodes that are joints or above one, parents first.
    order: Vec<usize>,
    moves: Vec<bool>,
    /// The scene to mesh space, as the file displays the first root joint.
    unplace: Matrix4<f64>,
    /// The least slide of each joint, in its own units.
    least_slide: Vec<f64>,
}

impl<'a> Stage<'a> {
    /// `helpers` are joints that an earlier bake added: they slide as little as they do on purpose.
    fn new(nodes: &'a Nodes, skeleton: &'a Skeleton, helpers: &[JointId]) -> Self {
        let is_joint = skins::marked(nodes, skeleton);
        let mut moves = is_joint.clone();
        for &i in nodes.order.iter().rev() {
            if let (true, Some(parent)) = (moves[i], nodes.nodes[i].parent) {
                moves[parent] = true;
            }
        }
        let least = LEAST_SLIDE * skeleton.size();
        let least_slide = |id: JointId| match helpers.contains(&id) {
            true => 0.0,
            false => least / skeleton.slide_unit(id),
        };
        Self {
            nodes,
            skeleton,
            is_joint,
            order: nodes.order.iter().copied().filter(|&i| moves[i]).collect(),
            moves,
            unplace: skins::placement(nodes, skeleton)
                .try_inverse()
                .unwrap_or_else(Matrix4::identity),
            least_slide: skeleton.ids().map(least_slide).collect(),
        }
    }

    fn sample(
        &self,
        name: String,
        tracks: &[Track],
        moments: Moments,
        most: usize,
        notes: &mut Vec<String>,
    ) -> Clip {
        let (start, times, cut) = match moments {
            Moments::Every(rate) => evenly(tracks, rate, most),
            Moments::AtKeys(longest_gap) => at_keys(tracks, longest_gap, most),
        };
        notes.extend(cut.map(|span| {
            format!("clip {name:?} lasts {span:.0} s: only its first {most} frames are used")
        }));
        let mut state = State::new(self);
        let frames = times.into_iter().map(|time| {
            state.pose(tracks, start + time);
            Frame {
                time,
                moves: (self.skeleton.ids())
                    .map(|id| state.moved(id.index()))
                    .collect(),
            }
        });
        let frames = frames.collect();
        notes.extend(state.notes(&name));
        Clip { name, frames }
    }
}

/// What times count from, the times of frames, and how long the clip is if these are not all of it; in seconds.
type Times = (f64, Vec<f64>, Option<f64>);

/// `rate` in a second, from the first key to the last.
fn evenly(tracks: &[Track], rate: f64, most: usize) -> Times {
    let times = || {
        tracks
            .iter()
            .flat_map(|track| &track.times)
            .map(|&t| f64::from(t))
    };
    let first = times().fold(f64::INFINITY, f64::min);
    let last = times().fold(f64::NEG_INFINITY, f64::max);
    let span = last - first;
    // A step that ends within rounding of the last key is the last key.
    let whole = (span * rate * (1.0 + 1e-9)).floor();
    let is_cut = whole >= most as f64;
    let mut count = if is_cut { most } else { whole as usize + 1 };
    let exact_end = (whole / rate - span).abs() <= 1e-6 * span.max(1.0 / rate);
    if !is_cut && !exact_end && count < most {
        count += 1;
    }
    let times = (0..count).map(|i| (i as f64 / rate).min(span));
    (first, times.collect(), is_cut.then_some(span))
}

/// At every key, just before steps, and between keys that are too far apart.
fn at_keys(tracks: &[Track], longest_gap: f64, most: usize) -> Times {
    let mut keys: Vec<f32> = tracks
        .iter()
        .flat_map(|track| &track.times)
        .copied()
        .collect();
    for track in tracks.iter().filter(|track| track.mode == Mode::Step) {
        let steps = (1..track.times.len()).filter(|&key| {
            track.times[key - 1] < track.times[key] && track.key(key - 1, 1) != track.key(key, 1)
        });
        keys.extend(steps.map(|key| track.times[key].next_down()));
    }
    keys.sort_unstable_by(f32::total_cmp);
    let mut times: Vec<f64> = Vec::new();
    let (first, last) = match (keys.first(), keys.last()) {
        (Some(&first), Some(&last)) => (f64::from(first), f64::from(last)),
        _ => return (0.0, times, None),
    };
    for key in keys.into_iter().map(f64::from) {
        let before = times.last().copied().unwrap_or(key);
        let gap = key - before;
        // Two keys written at their distance are so much farther apart at most.
        let rounding = f64::from(f32::EPSILON) * key.abs().max(before.abs());
        let parts = ((gap - rounding) / longest_gap).ceil();
        let mut part = 1.0;
        while part < parts && times.len() <= most {
            let between = f64::from((before + gap * part / parts) as f32);
            push_rising(&mut times, between.min(key));
            part += 1.0;
        }
        push_rising(&mut times, key);
        if times.len() > most {
            times.truncate(most);
            return (0.0, times, Some(last - first));
        }
    }
    (0.0, times, None)
}

/// What rounding makes equal is one moment.
fn push_rising(times: &mut Vec<f64>, time: f64) {
    if times.last().is_none_or(|&last| time > last) {
        times.push(time);
    }
}

/// The nodes at one moment.
struct State<'a> {
    stage: &'a Stage<'a>,
    locals: Vec<Matrix4<f64>>,
    /// Parts of animated nodes, by number.
    animated: Vec<(usize, Trs)>,
    slot: Vec<Option<usize>>,
    relative: Vec<Matrix4<f64>>,
    sheared: Vec<bool>,
    collapsed: Vec<bool>,
}

impl<'a> State<'a> {
    fn new(stage: &'a Stage<'a>) -> Self {
        let nodes = &stage.nodes.nodes;
        Self {
            stage,
            locals: nodes.iter().map(|node| node.local).collect(),
            animated: Vec::new(),
            slot: vec![None; nodes.len()],
            relative: vec![Matrix4::identity(); nodes.len()],
            sheared: vec![false; stage.skeleton.joints().len()],
            collapsed: vec![false; stage.skeleton.joints().len()],
        }
    }

    fn pose(&mut self, tracks: &[Track], time: f64) {
        for track in tracks {
            let slot = *self.slot[track.node].get_or_insert_with(|| {
                let own = self.stage.nodes.nodes[track.node].parts.unwrap_or(Trs {
                    // §3.5.3 forbids a matrix here: what the matrix said is overruled.
                    translation: self.locals[track.node].fixed_view::<3, 1>(0, 3).into(),
                    rotation: UnitQuaternion::identity(),
                    scale: Vector3::repeat(1.0),
                });
                self.animated.push((track.node, own));
                self.animated.len() - 1
            });
            let parts = &mut self.animated[slot].1;
            let [x, y, z, w] = track.at(time);
            match track.path {
                Path::Translation => parts.translation = Vector3::new(x, y, z),
                Path::Scale => parts.scale = Vector3::new(x, y, z),
                Path::Rotation => {
                    // Splines may pass through zero: the rotation before stands then.
                    if let Some(q) = UnitQuaternion::try_new(Quaternion::new(w, x, y, z), 1e-9) {
                        parts.rotation = q;
                    }
                }
            }
        }
        for (node, parts) in &self.animated {
            self.locals[*node] = parts.matrix();
        }
        for &i in &self.stage.order {
            self.relative[i] = match self.stage.nodes.nodes[i].parent {
                Some(parent) if !self.stage.is_joint[parent] => {
                    self.relative[parent] * self.locals[i]
                }
                _ => self.locals[i],
            };
        }
    }

    /// How the joint stands in its own bind frame.
    fn moved(&mut self, index: usize) -> Move {
        let joint = &self.stage.skeleton.joints()[index];
        let local = match joint.parent {
            Some(_) => self.relative[joint.node],
            None => self.stage.unplace * self.relative[joint.node],
        };
        let Some((mut found, shear)) = joint.bind_local.moved_to(&local) else {
            self.collapsed[index] = true;
            return Move::still();
        };
        self.sheared[index] |= shear > SHEAR * found.scale.amax();
        if found.translation.norm() <= self.stage.least_slide[index] {
            found.translation = Vector3::zeros();
        }
        if (found.scale - Vector3::repeat(1.0)).amax() <= LEAST_SCALE {
            found.scale = Vector3::repeat(1.0);
        }
        found
    }

    fn notes(&self, clip: &str) -> Vec<String> {
        let name = |j: usize| &self.stage.skeleton.joints()[j].name;
        let mut notes = Vec::new();
        let sheared = self.sheared.iter().filter(|&&yes| yes).count();
        if let Some(first) = self.sheared.iter().position(|&yes| yes) {
            notes.push(format!(
                "clip {clip:?} shears {sheared} joints ({:?} first): poses have them without it",
                name(first)
            ));
        }
        let collapsed = self.collapsed.iter().filter(|&&yes| yes).count();
        if let Some(first) = self.collapsed.iter().position(|&yes| yes) {
            notes.push(format!(
                "clip {clip:?} scales {collapsed} joints to nothing or mirrors them ({:?} first): kept at bind there",
                name(first)
            ));
        }
        notes
    }
}
