//! glTF in and out: the lossless [`Document`], [`characters`] and [`clips`] read from it, weights,
//! pose clips and helper joints written into it, and files replaced whole or not at all.
//!
//! Everything a file says is checked before it is believed. What this crate does not know is kept.
//! Section numbers (§) are those of the glTF 2.0 specification.

mod accessor;
mod atomic;
mod borrow;
mod channels;
mod clips;
mod container;
mod document;
mod extensions;
mod geometry;
mod helpers;
mod json;
mod litter;
mod morphs;
mod nodes;
mod old_weights;
mod outline;
mod patch;
mod range_clip;
mod read;
mod references;
mod resources;
mod save;
mod skins;
mod unbound;
mod write;

pub use atomic::{
    DraftFolder, between_writes, check_target, make_folder, write_atomically, write_lightly,
    write_new,
};
pub use borrow::with_skeleton_of;
pub use clips::{NumberedClips, clips, clips_at_keys};
pub use container::before_bin;
pub use document::{Document, reading_bytes};
pub use helpers::{NewJoint, NewTrack, with_joints, with_tracks};
pub use litter::{Beside, clear_litter, helpers_beside};
pub use morphs::Morphs;
pub use outline::{Outline, beside, fingerprint, hash_of, outline};
pub use range_clip::{ClipPlace, RangeClip, with_range_clips};
pub use read::{Loaded, Target, characters, part_of, raw_weights};
pub use resources::folder_of;
pub use save::{Written, put_together, save, save_beside};
pub use write::{NewWeights, WeightFormat, steps_beside_kept, with_weights};
