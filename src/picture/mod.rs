//! Stills of characters, drawn without a graphics card or a display.

mod still;

pub use still::Still;
