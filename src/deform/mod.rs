//! The reference layers: what a character should look like in a pose.
//!
//! A [`Stack`] skins the base weights (rigid by default) and runs its layers in order. It works on
//! blocks of poses ([`crate::rig::Block`]) at once, vertex-major with the poses innermost, and only on the
//! part of the surface that the poses of a block can change: every layer commutes with rigid motion, so
//! a vertex far from any joint that a pose turns moves rigidly with its base joints, and its target
//! needs no evaluation. A single mush is compiled further: it needs no steps in a pose.

// Kernels run over the lanes of several arrays at once; indices say so plainest.
#![allow(clippy::needless_range_loop)]

mod cling;
mod direct;
mod filter;
mod frames;
mod layered;
mod mush;
mod place;
mod region;
mod relax;
mod rescale;
mod share;
mod skin;
mod spread;
mod stack;
mod stream;

pub use mush::{Border, MushOptions};
pub use relax::RelaxOptions;
pub use skin::{Skin, Skinning};
pub use spread::{MAX_SPREAD, Spread};
pub use stack::{
    Follower, LayerKind, LayerOptions, LocalStack, MOST_ROUNDS, Scratch, Stack, rounds_for_radius,
};
pub use stream::Stream;
