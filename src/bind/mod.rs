//! Rigid binds: one joint a vertex.
//!
//! The stack starts from a rigid bind, because mush on weights that are smooth already has lost the
//! volume that it was to keep (common practice; no source).

mod bones;
mod keep;
mod nearest;
mod sight;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use bones::{Bone, carriers};
pub use keep::keep;
pub use nearest::nearest;

/// How vertices get their joint.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// The nearest bone segment, those in sight first.
    Nearest,
    /// The heaviest joint that the file has already.
    Keep,
}
