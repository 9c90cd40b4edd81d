//! The JSON Schema of the report, from the same struct.

use schemars::generate::SchemaSettings;

use super::Report;

/// The schema (draft 2020-12) as indented JSON, with a line end.
pub fn json_schema() -> String {
    let schema = SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<Report>();
    // A schema is a plain JSON value.
    serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
}
