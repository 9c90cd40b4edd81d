//! Tanyard.
pub mod asset;
pub mod error;
pub mod rig;
pub mod units;
