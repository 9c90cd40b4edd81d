//! Vertices that follow a place of the surface.

/// A vertex that follows the place beneath it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cling {
    /// The welded vertex.
    pub vertex: u32,
    /// The welded vertices of the triangle beneath; none of them clings.
    pub corners: [u32; 3],
    /// How much each counts at the place closest to the vertex: not negative, together one.
    pub shares: [f64; 3],
}
