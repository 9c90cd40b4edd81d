//! Helper joints: `[helpers]`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Checks, matches};
use crate::fit::helpers::HelperOptions;
use crate::rig::Skeleton;

/// Joints that the bake adds, to carry what weights on the given ones lose: `[helpers]`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct HelperSettings {
    /// Helper joints that a skin gets, at most; none by default, or 64 where `error` asks for some.
    pub count: Option<usize>,
    /// No more are added once the root mean square error on the poses of the fit is this, in percent of the diagonal.
    pub error: Option<f64>,
    /// Where their motion goes: `clips`, `driven`.
    pub motion: Vec<HelperMotion>,
    /// Keys of clips are left out where the motion strays by less than this many percent of the diagonal.
    pub tolerance: f64,
    /// Budgets of regions: `[[helpers.region]]`.
    pub region: Vec<RegionSettings>,
}

/// Where the motion of helper joints goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HelperMotion {
    /// Into every clip of the file, as keys.
    Clips,
    /// Beside the file and in it, as a function of the rotations of other joints.
    Driven,
}

impl HelperMotion {
    /// The word of the recipe.
    pub fn name(self) -> &'static str {
        match self {
            Self::Clips => "clips",
            Self::Driven => "driven",
        }
    }
}

/// A part of the body that has a budget of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RegionSettings {
    /// Patterns for the names of its joints.
    pub joints: Vec<String>,
    /// Helper joints there, at most.
    pub count: usize,
}

impl Default for HelperSettings {
    fn default() -> Self {
        Self {
            count: None,
            error: None,
            motion: vec![HelperMotion::Clips],
            tolerance: 0.01,
            region: Vec::new(),
        }
    }
}

/// Helper joints of one skin: far more than engines would want to move.
const MOST: usize = 256;

/// Where only an error is given.
const MOST_FOR_ERROR: usize = 64;

impl HelperSettings {
    /// Helper joints at most.
    pub fn most(&self) -> usize {
        let for_error = self.error.map_or(0, |_| MOST_FOR_ERROR);
        self.count.unwrap_or(for_error)
    }

    /// Whether their motion goes there.
    pub fn goes(&self, motion: HelperMotion) -> bool {
        self.motion.contains(&motion)
    }

    /// What is asked of the fit for a skeleton.
    ///
    /// # Errors
    /// The part of the recipe that names no joint in it, and a sentence.
    pub fn options(&self, skeleton: &Skeleton) -> Result<HelperOptions, (String, String)> {
        let mut regions = Vec::new();
        for (index, region) in self.region.iter().enumerate() {
            let is_named = |name: &str| region.joints.iter().any(|pattern| matches(pattern, name));
            let joints: Vec<bool> = (skeleton.joints().iter())
                .map(|joint| is_named(&joint.name))
                .collect();
            if !joints.contains(&true) {
                let part = format!("helpers.region[{index}].joints");
                return Err((part, format!("no joint is named like {:?}", region.joints)));
            }
            regions.push((region.count, joints));
        }
        Ok(HelperOptions {
            count: self.most(),
            error_percent: self.error,
            regions,
        })
    }

    pub(super) fn check(&self, checks: &mut Checks) {
        let mut check = |good: bool, part: &str, expected: &str, found: String| {
            checks.check(good, &format!("helpers.{part}"), expected, found);
        };
        check(
            self.most() <= MOST,
            "count",
            "0 to 256",
            self.most().to_string(),
        );
        if let Some(error) = self.error {
            check(
                error > 0.0 && error <= 100.0,
                "error",
                "above 0 and at most 100",
                error.to_string(),
            );
        }
        check(
            (0.0..=10.0).contains(&self.tolerance),
            "tolerance",
            "0 to 10",
            self.tolerance.to_string(),
        );
        let twice = self.motion.len() > 1 && self.motion[0] == self.motion[1];
        check(
            (1..=2).contains(&self.motion.len()) && !twice,
            "motion",
            "\"clips\", \"driven\" or both",
            format!("{} of them", self.motion.len()),
        );
        for (index, region) in self.region.iter().enumerate() {
            let part = format!("region[{index}].joints");
            let found = region.joints.len().to_string();
            check(
                !region.joints.is_empty(),
                &part,
                "at least one pattern",
                found,
            );
        }
        for (index, region) in self.region.iter().enumerate() {
            checks.patterns(&format!("helpers.region[{index}].joints"), &region.joints);
        }
    }
}
