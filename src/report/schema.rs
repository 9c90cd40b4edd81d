//! The JSON Schemas of the reports, from the same structs.

use schemars::generate::SchemaSettings;

use super::{Comparison, Comparisons, Inspection, Line, Report};

/// The schema of [`Report`] (draft 2020-12) as indented JSON, with a line end.
pub fn json_schema() -> String {
    schema_of::<Report>()
}

/// The same of [`Line`].
pub fn line_schema() -> String {
    schema_of::<Line>()
}

/// The same of [`Inspection`].
pub fn inspection_schema() -> String {
    schema_of::<Inspection>()
}

/// The same of [`Comparison`].
pub fn comparison_schema() -> String {
    schema_of::<Comparison>()
}

/// The same of [`Comparisons`].
pub fn comparisons_schema() -> String {
    schema_of::<Comparisons>()
}

fn schema_of<T: schemars::JsonSchema>() -> String {
    let schema = SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<T>();
    // A schema is a plain JSON value.
    serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
}
