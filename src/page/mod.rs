//! A run as one HTML file that needs nothing else.

use crate::picture::Still;

mod motion;

pub use motion::{Motion, MotionPose};

/// What there is to see of a skin.
#[derive(Clone, Debug, PartialEq)]
pub struct Album {
    /// The file's name in the report.
    pub file: String,
    /// The place of the skin among the file's characters.
    pub character: usize,
    /// Pictures: the worst held-out pose comes first.
    pub stills: Vec<Still>,
    /// The skin in motion.
    pub motion: Option<Motion>,
}

/// The page of a run.
pub fn html(_report: &crate::report::Report, _albums: &[Album]) -> String {
    String::new()
}
