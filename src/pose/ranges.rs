//! How far each joint turns about each axis of its bind frame.

use globset::GlobMatcher;
use nalgebra::UnitQuaternion;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Options;
use crate::rig::{Clip, JointId, Skeleton};

/// Lowest and highest angle about x, y and z, in degrees.
pub type AxisRanges = [[f64; 2]; 3];

/// Ranges for the joints whose name matches a pattern. An axis that is not given does not move.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RangeRule {
    /// A joint name; `*` stands for any characters, `?` for one, `{a,b}` for either.
    pub joints: String,
    /// Lowest and highest angle about the joint's x axis.
    #[serde(default)]
    pub x: [f64; 2],
    /// About its y axis.
    #[serde(default)]
    pub y: [f64; 2],
    /// About its z axis.
    #[serde(default)]
    pub z: [f64; 2],
}

/// The ranges of all joints.
#[derive(Clone, Debug)]
pub struct Ranges(Vec<AxisRanges>);

/// A joint that turns less than this in all clips has no range in them.
const LEAST_MOTION: f64 = 0.5;

/// A range from clips reaches at least this far on each side: an axis that clips leave out is still
/// tried.
const LEAST_RANGE: f64 = 15.0;

/// A range from clips reaches at most this far: beyond it a rotation vector nears its turning point.
const MOST_RANGE: f64 = 150.0;

impl Ranges {
    /// Works out the ranges: by rule, else from clips, else the default.
    pub fn new(skeleton: &Skeleton, clips: &[Clip], options: &Options) -> Self {
        let rules: Vec<(Option<GlobMatcher>, &RangeRule)> = options
            .ranges
            .iter()
            // The recipe was checked for patterns that do not parse.
            .map(|rule| (matcher(&rule.joints).ok(), rule))
            .collect();
        let range_of = |id: JointId| {
            let name = &skeleton.joint(id).name;
            let rule = rules
                .iter()
                .find(|(pattern, _)| pattern.as_ref().is_some_and(|p| p.is_match(name)));
            if let Some((_, rule)) = rule {
                return [rule.x, rule.y, rule.z];
            }
            let seen = options
                .ranges_from_clips
                .then(|| seen_in_clips(id, clips, options.clip_margin));
            seen.flatten()
                .unwrap_or([[-options.range, options.range]; 3])
        };
        Self(skeleton.ids().map(range_of).collect())
    }

    /// The ranges of one joint.
    pub fn of(&self, id: JointId) -> &AxisRanges {
        &self.0[id.index()]
    }
}

/// Compiles a name pattern.
///
/// # Errors
/// What is wrong with it.
pub fn matcher(pattern: &str) -> Result<GlobMatcher, String> {
    globset::Glob::new(pattern)
        .map(|glob| glob.compile_matcher())
        .map_err(|error| error.kind().to_string())
}

fn seen_in_clips(id: JointId, clips: &[Clip], margin: f64) -> Option<AxisRanges> {
    let mut seen = [[0.0f64; 2]; 3];
    for frame in clips.iter().flat_map(|clip| &clip.frames) {
        let turn = degrees(&frame.moves[id.index()].rotation);
        for (range, angle) in seen.iter_mut().zip(turn) {
            *range = [range[0].min(angle), range[1].max(angle)];
        }
    }
    if seen.iter().all(|[low, high]| high - low < LEAST_MOTION) {
        return None;
    }
    Some(seen.map(|[low, high]| {
        let wider = margin * (high - low);
        [
            (low - wider).clamp(-MOST_RANGE, -LEAST_RANGE),
            (high + wider).clamp(LEAST_RANGE, MOST_RANGE),
        ]
    }))
}

/// A rotation as a vector along its axis, as long as its angle in degrees (at most 180).
pub fn degrees(rotation: &UnitQuaternion<f64>) -> [f64; 3] {
    let vector = rotation.scaled_axis();
    // Antipodes are one rotation: take the shorter way.
    let vector = if vector.norm() > std::f64::consts::PI {
        UnitQuaternion::new_unchecked(-rotation.into_inner()).scaled_axis()
    } else {
        vector
    };
    [vector.x, vector.y, vector.z].map(f64::to_degrees)
}

/// The inverse of [`degrees`].
pub fn from_degrees(vector: [f64; 3]) -> UnitQuaternion<f64> {
    UnitQuaternion::from_scaled_axis(nalgebra::Vector3::from(vector.map(f64::to_radians)))
}
