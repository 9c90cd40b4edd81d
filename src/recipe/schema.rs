//! The JSON Schema of recipe files, from the structs that read them.

use schemars::Schema;
use schemars::generate::SchemaSettings;
use schemars::transform::RecursiveTransform;
use serde_json::{Value, json};

use super::Recipe;

/// Changes when a recipe that was right becomes wrong, or means something else.
const ID: &str = "urn:tanyard-recipe:1";

/// The schema of a recipe file (draft 2020-12) as indented JSON, with a line end.
pub fn json_schema() -> String {
    let mut schema = SchemaSettings::draft2020_12()
        .with_transform(RecursiveTransform(without_null))
        .into_generator()
        .into_root_schema_for::<Recipe>();
    let mut sections = schema
        .get("properties")
        .and_then(Value::as_object)
        .cloned()
        .unwrap_or_default();
    let mut one = serde_json::Map::new();
    one.insert("path".to_owned(), json!({
        "description": "Which characters: a glob, or a list of globs, relative to the folder of the recipe; / separates folders.",
        "anyOf": [
            { "type": "string", "minLength": 1 },
            { "type": "array", "items": { "type": "string", "minLength": 1 }, "minItems": 1 },
        ],
    }));
    // Here what is left out is as the file has it.
    let overrides = sections.iter().map(|(name, section)| {
        let mut section = section.clone();
        if let Some(section) = section.as_object_mut() {
            section.shift_remove("default");
        }
        (name.clone(), section)
    });
    one.extend(overrides);
    sections.insert("character".to_owned(), json!({
        "description": "Settings for some characters, laid over those of the file: tables key by key, lists and plain values replaced whole. All that match apply, later ones over earlier ones.",
        "type": "array",
        "items": {
            "type": "object",
            "properties": one,
            "required": ["path"],
            "additionalProperties": false,
        },
    }));
    schema.insert("properties".to_owned(), sections.into());
    schema.insert("$id".to_owned(), ID.into());
    // A schema is a plain JSON value.
    serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
}

/// TOML has no null: what may be absent is left out, and has no default to show.
fn without_null(schema: &mut Schema) {
    let Some(object) = schema.as_object_mut() else {
        return;
    };
    if object.get("default").is_some_and(Value::is_null) {
        object.shift_remove("default");
    }
    if let Some(default) = object.get_mut("default") {
        drop_nulls(default);
    }
    if let Some(Value::Array(types)) = object.get_mut("type") {
        types.retain(|name| name != "null");
        if let [one] = &types[..] {
            let one = one.clone();
            object.insert("type".to_owned(), one);
        }
    }
    if let Some(Value::Array(choices)) = object.get_mut("anyOf") {
        choices.retain(|choice| choice["type"] != "null");
        if let [Value::Object(one)] = &choices[..] {
            let one = one.clone();
            object.shift_remove("anyOf");
            object.extend(one);
        }
    }
}

fn drop_nulls(value: &mut Value) {
    match value {
        Value::Object(object) => {
            object.retain(|_, value| !value.is_null());
            object.values_mut().for_each(drop_nulls);
        }
        Value::Array(list) => list.iter_mut().for_each(drop_nulls),
        _ => {}
    }
}
