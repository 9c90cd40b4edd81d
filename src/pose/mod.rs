//! Pose sets: what the fit sees, and held-out poses that only measure.
//!
//! - *sweep*: each joint alone about the axes of its bind frame, over its range;
//! - *blend*: all joints at once, from a low-discrepancy sequence;
//! - *clip*: frames of the file's animations, thinned to those that differ;
//! - *held-out*: blends with another seed.
//!
//! Only joints that bend the surface move: turning a joint that has all weight below it, or none,
//! moves the whole rigidly or nothing.

mod blend;
mod clip;
pub mod file;
mod halton;
mod ranges;
mod sweep;

use std::borrow::Cow;
use std::ops::Range;
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::rig::{Clip, JointId, Move, Pose, PoseSequence, Skeleton, Weights};
use blend::Blends;

pub use ranges::{AxisRanges, RangeRule, Ranges, matcher};

/// What a pose set is made of. Angles are in degrees.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
#[schemars(rename = "PosesSettings")]
pub struct Options {
    /// Angles on each side of bind in a sweep: 2 gives half the range and the range.
    pub sweep_steps: usize,
    /// Range about each axis, on each side of bind, of joints that no rule and no clip covers.
    pub range: f64,
    /// Ranges by joint name; the first rule that matches a joint holds. `[[poses.ranges]]`
    pub ranges: Vec<RangeRule>,
    /// Whether joints without a rule take their range from the file's clips.
    pub ranges_from_clips: bool,
    /// How far a range from clips is widened on each side, as a share of its width.
    pub clip_margin: f64,
    /// The number of blends.
    pub blends: usize,
    /// The share of each joint's range that blends use.
    pub blend_share: f64,
    /// Whether frames of the file's clips are poses too.
    pub clips: bool,
    /// A frame is a pose of its own if some joint turns this far from every frame kept before it.
    pub clip_step: f64,
    /// Frames kept of one clip, at most.
    pub clip_frames: usize,
    /// The number of held-out poses.
    pub held_out: usize,
    /// What blends and held-out poses are drawn from; another seed gives other poses.
    pub seed: u64,
    /// Weight of a sweep pose in the fit.
    pub sweep_weight: f64,
    /// Weight of a blend in the fit.
    pub blend_weight: f64,
    /// Weight of a clip's frame in the fit.
    pub clip_weight: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            sweep_steps: 2,
            range: 60.0,
            ranges: Vec::new(),
            ranges_from_clips: true,
            clip_margin: 0.25,
            blends: 64,
            blend_share: 2.0 / 3.0,
            clips: true,
            clip_step: 10.0,
            clip_frames: 64,
            held_out: 64,
            seed: 0,
            sweep_weight: 1.0,
            blend_weight: 1.0,
            clip_weight: 1.0,
        }
    }
}

/// Weights of poses lie in this range: sums of their squares stay far from the limits of numbers.
pub const WEIGHTS: std::ops::RangeInclusive<f64> = 1e-6..=1e6;

/// Clips are sampled at this rate: above what a pose set can use of any motion.
pub const CLIP_FRAMES_PER_SECOND: f64 = 30.0;

/// Poses for the fit, and poses that it never sees.
#[derive(Clone, Debug)]
pub struct PoseSet {
    /// What the fit sees.
    pub fit: Poses,
    /// What only measures.
    pub held_out: Poses,
    /// For each joint whether turning it bends the surface: some weight lies below it, some elsewhere.
    pub bends: Vec<bool>,
}

impl PoseSet {
    /// The poses that tell most of the weights: those held out (`true`), or those of the fit if none are.
    pub fn held_out_or_fit(&self) -> (&Poses, bool) {
        if self.held_out.is_empty() {
            (&self.fit, false)
        } else {
            (&self.held_out, true)
        }
    }
}

/// Poses that are listed, then blends that are made when asked for.
#[derive(Clone, Debug)]
pub struct Poses {
    listed: Vec<Pose>,
    /// For each clip those of them that are its frames.
    of_clips: Vec<Range<usize>>,
    blends: Option<Blends>,
    added: Option<Added>,
}

/// Moves of joints that were added to the skeleton of a pose set.
#[derive(Clone, Debug)]
struct Added {
    /// The first of the joints.
    first: usize,
    /// For each pose the moves of all of them.
    moves: Arc<Vec<Vec<Move>>>,
}

impl Added {
    fn onto(&self, index: usize, pose: &Pose) -> Pose {
        let added = self.moves[index].iter().enumerate();
        let added = added.map(|(place, &own)| (JointId((self.first + place) as u16), own));
        Pose {
            weight: pose.weight,
            shape: pose.shape,
            ..Pose::new(pose.name.clone(), pose.moves.iter().copied().chain(added))
        }
    }
}

/// What blends are drawn for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stream {
    Fit,
    HeldOut,
}

impl PoseSequence for Poses {
    fn len(&self) -> usize {
        self.listed.len() + self.blends.as_ref().map_or(0, Blends::len)
    }

    fn get(&self, index: usize) -> Cow<'_, Pose> {
        let pose = match (&self.blends, index.checked_sub(self.listed.len())) {
            (Some(blends), Some(blend)) => Cow::Owned(blends.get(blend)),
            _ => Cow::Borrowed(&self.listed[index]),
        };
        match &self.added {
            Some(added) => Cow::Owned(added.onto(index, &pose)),
            None => pose,
        }
    }
}

impl From<Vec<Pose>> for Poses {
    fn from(listed: Vec<Pose>) -> Self {
        Self {
            listed,
            of_clips: Vec::new(),
            blends: None,
            added: None,
        }
    }
}

impl Poses {
    /// Those that are listed, which come before blends; only these may slide or scale joints.
    pub fn listed(&self) -> &[Pose] {
        &self.listed
    }

    /// The first of them, at most so many.
    pub fn first(&self, most: usize) -> Vec<Pose> {
        let count = self.len().min(most);
        (0..count).map(|at| self.get(at).into_owned()).collect()
    }

    /// The same poses with moves of joints from the `first` on, which the skeleton did not have: those of each pose.
    pub fn with_added(&self, first: usize, moves: Vec<Vec<Move>>) -> Self {
        Self {
            added: Some(Added {
                first,
                moves: Arc::new(moves),
            }),
            ..self.clone()
        }
    }

    /// The same with another number of blends, if there are any.
    pub fn with_blends(&self, count: usize) -> Self {
        let blends = self.blends.as_ref();
        Self {
            blends: blends.map(|blends| blends.with_count(count)),
            ..self.clone()
        }
    }

    /// The same with frames of clips that count for that share of all, if there are any; each clip for as much as any
    /// other.
    pub fn with_clips_counting(&self, share: f64) -> Self {
        let sum = |range: &Range<usize>| -> f64 {
            let poses = self.listed[range.clone()].iter();
            poses.map(|pose| pose.weight).sum()
        };
        let clips = self.of_clips.iter().filter(|range| !range.is_empty());
        let clips: Vec<(&Range<usize>, f64)> = clips.map(|range| (range, sum(range))).collect();
        let all: f64 = self.iter().map(|pose| pose.weight).sum();
        let others = all - clips.iter().map(|clip| clip.1).sum::<f64>();
        let whole = match others > 0.0 {
            true => share / (1.0 - share) * others,
            false => all,
        };
        let mut poses = self.clone();
        for (range, own) in &clips {
            for pose in &mut poses.listed[(*range).clone()] {
                pose.weight *= whole / (clips.len() as f64 * own);
            }
        }
        poses
    }

    /// The same without such moves.
    pub fn without_added(&self) -> Self {
        Self {
            added: None,
            ..self.clone()
        }
    }

    /// Bytes that the poses take; blends take none of their own.
    pub fn bytes(&self) -> usize {
        let added = self.added.iter().flat_map(|added| added.moves.iter());
        let added: usize = added.map(|moves| size_of::<Move>() * moves.len()).sum();
        let listed = self.listed.iter();
        let listed: usize = listed
            .map(|pose| 100 + size_of::<(JointId, Move)>() * pose.moves.len())
            .sum();
        listed + added
    }
}

impl PoseSet {
    /// Poses that others have chosen; `base` are the weights that the stack starts from.
    pub fn of(skeleton: &Skeleton, base: &Weights, fit: Vec<Pose>, held_out: Vec<Pose>) -> Self {
        Self {
            fit: fit.into(),
            held_out: held_out.into(),
            bends: bending_joints(skeleton, base),
        }
    }
}

/// Makes the pose set of a character; `base` are the weights that its stack starts from.
pub fn pose_set(skeleton: &Skeleton, base: &Weights, clips: &[Clip], options: &Options) -> PoseSet {
    let bends = bending_joints(skeleton, base);
    let ranges = Ranges::new(skeleton, clips, options);
    let weighed = |poses: Vec<Pose>, weight: f64| -> Vec<Pose> {
        match weight > 0.0 {
            true => poses
                .into_iter()
                .map(|pose| Pose { weight, ..pose })
                .collect(),
            false => Vec::new(),
        }
    };
    let sweep = sweep::sweep(skeleton, &bends, &ranges, options.sweep_steps);
    let mut listed = weighed(sweep, options.sweep_weight);
    let mut of_clips = Vec::new();
    if options.clips {
        for frames in clip::frames(skeleton, &bends, clips, options) {
            let first = listed.len();
            listed.extend(weighed(frames, options.clip_weight));
            of_clips.push(first..listed.len());
        }
    }
    let blends = |stream| Some(Blends::new(skeleton, &bends, &ranges, options, stream));
    let (fit, held_out) = (blends(Stream::Fit), blends(Stream::HeldOut));
    PoseSet {
        fit: Poses {
            listed,
            of_clips,
            blends: fit,
            added: None,
        },
        held_out: Poses {
            listed: Vec::new(),
            of_clips: Vec::new(),
            blends: held_out,
            added: None,
        },
        bends,
    }
}

/// The joints that bend the surface when they turn: some weight below them, and some elsewhere.
fn bending_joints(skeleton: &Skeleton, base: &Weights) -> Vec<bool> {
    let mut used = vec![false; skeleton.joints().len()];
    for v in 0..base.len() {
        for (joint, _) in base.of(v) {
            used[joint.index()] = true;
        }
    }
    skeleton
        .ids()
        .map(|id| {
            let below = skeleton.subtree(id);
            let weighted = |inside: bool| (0..used.len()).any(|j| used[j] && below[j] == inside);
            weighted(true) && weighted(false)
        })
        .collect()
}
