//! A finished picture.

/// A picture, with what a page needs to show it to everybody.
#[derive(Clone, Debug, PartialEq)]
pub struct Still {
    /// Ends its file's name, such as `worst-1`.
    pub name: String,
    /// What it shows, in a few words.
    pub title: String,
    /// What there is to see, in a sentence, for those who do not see it.
    pub description: String,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// A PNG file.
    pub png: Vec<u8>,
}
