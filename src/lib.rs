//! Tanyard.
pub mod asset;
pub mod bind;
pub mod deform;
pub mod error;
pub mod fit;
pub mod pose;
pub mod rig;
pub mod units;
