//! Limits: figures that a shipped character must meet, `[limits]` of a recipe.

use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

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
    pub inspect: BTreeMap<String, usize>,
    /// A report of an earlier run; a relative path begins at the recipe's folder.
    pub baseline: Option<PathBuf>,
    /// How far the rms error may lie above that of the same character in the baseline, in percent of it.
    pub above_baseline_percent: Option<f64>,
}
