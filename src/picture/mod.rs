//! Stills of characters, drawn without a graphics card or a display.
//!
//! A [`Studio`] draws the stills of one skin; each is a [`Still`], a PNG file with what a page needs to show it to
//! everybody. Pictures depend on nothing but what they show: the same skin gives the same bytes on any number of
//! threads.

mod camera;
mod canvas;
mod model;
mod ramp;
mod raster;
mod sheet;
mod still;
mod stills;

pub use model::Subject;
pub use ramp::ramp;
pub use sheet::LEAST_SIZE;
pub use still::Still;
pub use stills::{Kinds, Shot, Side, Studio, Style, TOP_PERCENT};
