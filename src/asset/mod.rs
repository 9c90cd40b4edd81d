//! glTF in and out.
