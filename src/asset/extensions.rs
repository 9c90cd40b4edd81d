//! Which extensions change what geometry, skins or buffers mean, and which may refer to them.

/// Extensions that may be *required* without changing what this crate reads or writes: they
/// concern surface looks, lights, meta data, visibility, or what animations point at.
/// `KHR_mesh_quantization` only allows component types that the accessor reader knows.
const HARMLESS: &[&str] = &[
    "KHR_mesh_quantization",
    "KHR_animation_pointer",
    "KHR_lights_punctual",
    "KHR_node_hoverability",
    "KHR_node_selectability",
    "KHR_node_visibility",
    "KHR_xmp",
    "KHR_xmp_json_ld",
    "EXT_lights_ies",
    "EXT_lights_image_based",
    "MSFT_texture_dds",
];

/// The same by how they begin.
const HARMLESS_FAMILIES: &[&str] = &[
    "KHR_materials_",
    "KHR_texture_",
    "EXT_materials_",
    "EXT_texture_",
];

/// Geometry of this primitive is compressed; its accessors hold no bytes, or stale ones.
pub(super) const PRIMITIVE_COMPRESSION: &[&str] = &["KHR_draco_mesh_compression"];

/// Bytes of this buffer view are compressed.
pub(super) const VIEW_COMPRESSION: &[&str] =
    &["EXT_meshopt_compression", "KHR_meshopt_compression"];

/// What to do about compressed input.
pub(super) const SAVE_PLAIN: &str =
    "export or convert the file without compression, bake, and compress the result";

/// Whether the extension says nothing about accessors, buffer views, buffers, skins or geometry.
pub(super) fn is_harmless(name: &str) -> bool {
    HARMLESS.contains(&name)
        || HARMLESS_FAMILIES
            .iter()
            .any(|family| name.starts_with(family))
}

/// What to do if the extension is required, yet unknown here.
pub(super) fn remedy(name: &str) -> String {
    if PRIMITIVE_COMPRESSION.contains(&name) || VIEW_COMPRESSION.contains(&name) {
        SAVE_PLAIN.to_owned()
    } else {
        format!(
            "export the file without {name}: with it, geometry or skins may mean something else"
        )
    }
}
