//! Limits: figures that a shipped character must meet, `[limits]` of a recipe.

mod judge;

use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::inspect::What;

/// The most that passes of each figure; what is left out is not limited. Error figures are those of the
/// baked weights on held-out poses, or on the poses of the fit where none are held out.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Root mean square error, in percent of the diagonal.
    pub rms_percent: Option<f64>,
    /// The error that 99 in 100 are below, in percent of the diagonal.
    pub p99_percent: Option<f64>,
    /// The greatest error, in percent of the diagonal.
    pub max_percent: Option<f64>,
    /// Root mean square error, in units of the scene.
    pub rms_units: Option<f64>,
    /// The error that 99 in 100 are below, in units of the scene.
    pub p99_units: Option<f64>,
    /// The greatest error, in units of the scene.
    pub max_units: Option<f64>,
    /// Root mean square error, in pixels of a character `height_pixels` high.
    pub rms_pixels: Option<f64>,
    /// The error that 99 in 100 are below, in pixels of a character `height_pixels` high.
    pub p99_pixels: Option<f64>,
    /// The greatest error, in pixels of a character `height_pixels` high.
    pub max_pixels: Option<f64>,
    /// How high the character stands on screen, in pixels: from its lowest point in bind pose to its highest.
    pub height_pixels: Option<f64>,
    /// How far the rms error on poses of the fit lies above the floor, in percent of the floor.
    pub above_floor_percent: Option<f64>,
    /// Mean number of joints a vertex.
    pub mean_influences: Option<f64>,
    /// Vertices whose weights stand out from their neighbours' after mending.
    pub outliers: Option<usize>,
    /// Findings of `inspect` in the written file: a kind, a severity or `any`, and the most of it that passes.
    #[schemars(extend("propertyNames" = {"enum": What::names().collect::<Vec<_>>()}))]
    pub inspect: BTreeMap<String, usize>,
    /// A report of an earlier run; a relative path begins at the recipe's folder.
    pub baseline: Option<PathBuf>,
    /// How far the rms error may lie above that of the same character in the baseline, in percent of it.
    pub above_baseline_percent: Option<f64>,
}

/// One thing wrong with limits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Slip {
    /// The key.
    pub key: String,
    /// What should have been there.
    pub expected: String,
    /// What is there.
    pub found: String,
    /// Names that `found` may have been meant for.
    pub names: Vec<&'static str>,
}

impl Limits {
    /// What is wrong with values, by themselves and beside each other.
    pub fn slips(&self) -> Vec<Slip> {
        let mut slips = Vec::new();
        let mut slip = |key: &str, expected: &str, found: String| {
            slips.push(Slip {
                key: key.to_owned(),
                expected: expected.to_owned(),
                found,
                names: Vec::new(),
            });
        };
        for (key, value) in [
            ("rms_percent", self.rms_percent),
            ("p99_percent", self.p99_percent),
            ("max_percent", self.max_percent),
            ("rms_units", self.rms_units),
            ("p99_units", self.p99_units),
            ("max_units", self.max_units),
            ("rms_pixels", self.rms_pixels),
            ("p99_pixels", self.p99_pixels),
            ("max_pixels", self.max_pixels),
            ("height_pixels", self.height_pixels),
        ] {
            if let Some(value) = value.filter(|value| !(*value > 0.0 && value.is_finite())) {
                slip(key, "a number above 0", value.to_string());
            }
        }
        // Here 0 says something: no worse at all.
        for (key, value) in [
            ("above_floor_percent", self.above_floor_percent),
            ("above_baseline_percent", self.above_baseline_percent),
        ] {
            if let Some(value) = value.filter(|value| !(*value >= 0.0 && value.is_finite())) {
                slip(key, "a number, 0 or more", value.to_string());
            }
        }
        if let Some(mean) = self
            .mean_influences
            .filter(|mean| !(1.0..=8.0).contains(mean))
        {
            slip("mean_influences", "1 to 8", mean.to_string());
        }
        let pixels = [
            ("rms_pixels", self.rms_pixels),
            ("p99_pixels", self.p99_pixels),
            ("max_pixels", self.max_pixels),
        ];
        let limited = pixels.iter().find(|(_, value)| value.is_some());
        match (limited, self.height_pixels) {
            (Some((key, _)), None) => slip(key, "height_pixels beside it", "none".to_owned()),
            (None, Some(_)) => slip(
                "height_pixels",
                "rms_pixels, p99_pixels or max_pixels beside it",
                "none of them".to_owned(),
            ),
            _ => {}
        }
        if self.above_baseline_percent.is_some() && self.baseline.is_none() {
            let found = "none".to_owned();
            slip("above_baseline_percent", "baseline beside it", found);
        }
        if self
            .baseline
            .as_ref()
            .is_some_and(|path| path.as_os_str().is_empty())
        {
            slip("baseline", "the path of a report", "\"\"".to_owned());
        }
        for name in self
            .inspect
            .keys()
            .filter(|name| name.parse::<What>().is_err())
        {
            let names: Vec<&str> = What::names().collect();
            slips.push(Slip {
                key: format!("inspect.{name}"),
                expected: format!("one of {}", names.join(", ")),
                found: format!("'{name}'"),
                names,
            });
        }
        slips
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slips(change: impl FnOnce(&mut Limits)) -> Vec<String> {
        let mut limits = Limits::default();
        change(&mut limits);
        limits.slips().into_iter().map(|slip| slip.key).collect()
    }

    #[test]
    fn no_limits_and_sound_ones_pass() {
        assert!(slips(|_| ()).is_empty());
        let sound = slips(|limits| {
            limits.rms_percent = Some(0.2);
            limits.p99_pixels = Some(1.0);
            limits.height_pixels = Some(400.0);
            limits.above_floor_percent = Some(0.0);
            limits.mean_influences = Some(8.0);
            limits.outliers = Some(0);
            limits.baseline = Some("last.json".into());
            limits.above_baseline_percent = Some(0.0);
            limits.inspect = [("error", 0), ("torn_seams", 3), ("any", 9)]
                .map(|(name, most)| (name.to_owned(), most))
                .into();
        });
        assert!(sound.is_empty(), "{sound:?}");
    }

    #[test]
    fn lengths_are_above_zero_and_finite() {
        for value in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(slips(|l| l.rms_percent = Some(value)), ["rms_percent"]);
            assert_eq!(slips(|l| l.max_units = Some(value)), ["max_units"]);
        }
        for value in [-1.0, f64::NAN, f64::INFINITY] {
            let keys = slips(|l| l.above_floor_percent = Some(value));
            assert_eq!(keys, ["above_floor_percent"]);
        }
        for value in [0.9, 8.1, f64::NAN] {
            let keys = slips(|l| l.mean_influences = Some(value));
            assert_eq!(keys, ["mean_influences"]);
        }
    }

    #[test]
    fn keys_that_need_each_other_are_asked_for() {
        assert_eq!(slips(|l| l.p99_pixels = Some(1.0)), ["p99_pixels"]);
        assert_eq!(slips(|l| l.height_pixels = Some(1.0)), ["height_pixels"]);
        let keys = slips(|l| l.above_baseline_percent = Some(1.0));
        assert_eq!(keys, ["above_baseline_percent"]);
        assert_eq!(slips(|l| l.baseline = Some("".into())), ["baseline"]);
    }

    #[test]
    fn findings_are_those_of_inspect() {
        let keys = slips(|l| {
            l.inspect.insert("torn_seam".to_owned(), 0);
            l.inspect.insert("warning".to_owned(), 0);
        });
        assert_eq!(keys, ["inspect.torn_seam"]);
    }
}
