//! Target shapes in files, one a pose: a folder of OBJ files, a NumPy array, or morph targets in glTF.
//!
//! Read one at a time ([`ShapeFiles`]) and written one after the other ([`ShapeWriter`]), so that memory hardly
//! grows with their number. Positions are those of the scene, as any viewer shows the character's file. [`Places`]
//! says which vertex of a shape is which of a character. Everything a file says is checked before it is believed.

mod feed;
mod files;
mod frames;
mod npy;
mod obj;
mod places;
mod write;

pub use feed::Feed;
pub use files::ShapeFiles;
pub use places::{Matched, Places};
pub use write::{Form, Mesh, ShapeWriter};
