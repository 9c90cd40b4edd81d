//! The nouns that every other room speaks of: [`Skeleton`], [`Surface`], [`Weights`], [`Pose`],
//! [`Clip`], the [`Character`] that ties them together, its [`Mirror`], and the [`Block`]s of poses and target
//! [`Shapes`] that stages hand on.
//!
//! Plain data with its invariants. No input or output, no policy, nothing of the other rooms.

mod block;
mod character;
mod cling;
mod islands;
mod kept;
mod mirror;
mod near;
mod pose;
mod raw_weights;
mod selection;
mod sight;
mod skeleton;
mod surface;
mod weights;

pub use block::{Block, Evaluate, LANES, Lane, Point, Residuals, Shapes, Targets, product};
pub use character::{Character, Part, SavedPose};
pub use cling::Cling;
pub use islands::islands;
pub use kept::Kept;
pub use mirror::{Axis, MIRROR_TOLERANCE, Mirror};
pub use near::{Near, distance};
pub use pose::{Clip, Frame, Move, Pose, PoseSequence};
pub use raw_weights::RawWeights;
pub use selection::Selection;
pub use sight::{Closest, Sight};
pub use skeleton::{BindLocal, Joint, JointId, JointSpec, Skeleton, SkeletonFault, polar};
pub use surface::{Copies, Rings, Surface};
pub use weights::{SUM_TOLERANCE_PER_WEIGHT, WeightFault, Weights, add_to};
