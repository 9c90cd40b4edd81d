//! Tanyard.
pub mod asset;
pub mod deform;
pub mod error;
pub mod fit;
pub mod rig;
pub mod units;
