//! A recipe as text, each setting with where it is from.

use std::fmt::Write;
use std::path::Path;

use serde_json::{Map, Value};

use super::text::{self, Text};
use super::{Recipe, RecipeFile};
use crate::error::{Error, Fault};

/// The recipe of a character: from a file, or the default one.
pub(super) fn show(file: Option<&RecipeFile>, input: &Path) -> Result<String, Error> {
    let Some(file) = file else {
        let none: &dyn Fn(&str) -> String = &|_| "default".to_owned();
        let text =
            write(&Recipe::default(), Some(none)).map_err(|found| unwritable(input, found))?;
        return Ok(format!("# recipe: defaults\n{text}"));
    };
    let recipe = file.of(input)?;
    let matching = file.matching(input);
    let source = Text::new(file.path(), file.text());
    let layers = file.layers(&source, &matching)?;
    let short = file.path().file_name().unwrap_or(file.path().as_os_str());
    let short = short.to_string_lossy();
    let origin = |part: &str| {
        // A list is replaced whole: what one of its elements leaves out is default.
        let unit = part.split('[').next().unwrap_or(part);
        let there = |table, part: &str| text::place(table, part).filter(|place| place.whole);
        let Some((layer, table)) = layers
            .iter()
            .enumerate()
            .rev()
            .find(|(_, table)| there(table, unit).is_some())
        else {
            return "default".to_owned();
        };
        let Some(place) = there(table, part) else {
            return "default".to_owned();
        };
        let line = source.line(place.at);
        match layer.checked_sub(1) {
            None => format!("{short}:{line}"),
            Some(above) => {
                let globs = file.globs(matching[above]).join(", ");
                format!("{short}:{line} ([[character]] {globs})")
            }
        }
    };
    let text = write(&recipe, Some(&origin)).map_err(|found| unwritable(file.path(), found))?;
    let path = in_comment(&file.path().display().to_string());
    Ok(format!("# recipe: {path}\n{text}"))
}

fn unwritable(path: &Path, found: String) -> Error {
    Error::Setting(vec![Fault::new(path, "", "settings in Unicode", found)])
}

/// A recipe as TOML with every default, each setting with where it is from, if that is known.
///
/// # Errors
/// What is found that is no Unicode.
pub(super) fn write(
    recipe: &Recipe,
    origin: Option<&dyn Fn(&str) -> String>,
) -> Result<String, String> {
    let mut writer = Writer {
        out: String::new(),
        origin,
    };
    let (settings, mut filled) = (tree(recipe)?, recipe.clone());
    for layer in &mut filled.layer {
        *layer = layer.filled();
    }
    writer.table("", &settings, &tree(&filled)?);
    Ok(writer.out)
}

/// A recipe as a tree in the order of its fields. Through text, in which numbers are as short as they can be.
fn tree(recipe: &Recipe) -> Result<Value, String> {
    serde_json::to_string(recipe)
        .and_then(|json| serde_json::from_str(&json))
        .map_err(|error| error.to_string())
}

struct Writer<'a> {
    out: String,
    origin: Option<&'a dyn Fn(&str) -> String>,
}

impl Writer<'_> {
    /// Writes a table: plain values, then tables in it. What it leaves out and `filled` has is in use, as a
    /// default: it stands there as a comment.
    fn table(&mut self, path: &str, settings: &Value, filled: &Value) {
        let none = Map::new();
        let settings = settings.as_object().unwrap_or(&none);
        let inner = |key: &str| match path {
            "" => key.to_owned(),
            _ => format!("{path}.{key}"),
        };
        let (mut plain, mut unset) = (Vec::new(), Vec::new());
        for (key, value) in settings.iter().filter(|(_, value)| !is_table(value)) {
            match (value, &filled[key.as_str()]) {
                (Value::Null, Value::Null) => unset.push(key.as_str()),
                (Value::Null, default) => plain.push((format!("# {key}"), key, default)),
                _ => plain.push((key.clone(), key, value)),
            }
        }
        for (word, key, value) in plain {
            let origin = self.origin.map(|origin| origin(&inner(key)));
            let origin = origin.map_or(String::new(), |text| format!("  # {}", in_comment(&text)));
            // Writing to a String cannot fail.
            _ = writeln!(self.out, "{word} = {}{origin}", toml_text(value));
        }
        if !unset.is_empty() {
            _ = writeln!(self.out, "# not set: {}", unset.join(", "));
        }
        for (key, value) in settings.iter().filter(|(_, value)| is_table(value)) {
            let (path, filled) = (inner(key), &filled[key.as_str()]);
            // The header of a table has no numbers of elements in it.
            let header: String = path
                .split('.')
                .map(|step| step.split('[').next().unwrap_or(step))
                .collect::<Vec<_>>()
                .join(".");
            match value {
                Value::Array(list) => {
                    for (index, element) in list.iter().enumerate() {
                        _ = writeln!(self.out, "\n[[{header}]]");
                        self.table(&format!("{path}[{index}]"), element, &filled[index]);
                    }
                }
                _ => {
                    _ = writeln!(self.out, "\n[{header}]");
                    self.table(&path, value, filled);
                }
            }
        }
    }
}

/// Whether a value is a table or a list of tables.
fn is_table(value: &Value) -> bool {
    match value {
        Value::Object(_) => true,
        Value::Array(list) => list.first().is_some_and(Value::is_object),
        _ => false,
    }
}

/// A plain value as TOML writes it.
fn toml_text(value: &Value) -> String {
    match value {
        Value::String(text) => toml::Value::from(text.as_str()).to_string(),
        Value::Array(list) => {
            let list: Vec<String> = list.iter().map(toml_text).collect();
            format!("[{}]", list.join(", "))
        }
        // Numbers, true and false are the same in both.
        other => other.to_string(),
    }
}

/// Text for a comment, which ends at the end of the line.
fn in_comment(text: &str) -> String {
    let clean = |c: char| if c.is_control() { ' ' } else { c };
    text.chars().map(clean).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is shown reads as the same recipe, whatever is in it.
    #[test]
    fn shown_recipe_reads_as_the_same() {
        let input = Path::new("/characters/crowd/a.glb");
        for text in [
            "",
            "layer = []\n",
            crate::recipe::STARTER,
            "[bind]\nway = \"through\"\nwin = [\"a\\n\\\"b\\\\\\\\\", 'c # d']\nnever = [[\"a\", \"b\"]]\n\
             [[bind.fix]]\njoints = [\"h\"]\nonly = { pieces = [3] }\n\
             [[pieces.rule]]\nkind = \"ride\"\njoint = \"x\"\nonly = { attribute = \"_s\" }\n\
             [[layer]]\nkind = \"mush\"\npull = 0.1\nrounds = 3\nborder = \"held\"\n\
             [[layer]]\nkind = \"relax\"\nanchor = 0.3333\nonly = { joints = [\"*\"] }\n\
             [fit]\nhold = 1e-7\nsmoothness = 1e6\n[poses]\nseed = 9223372036854775807\n\
             [limits]\nbaseline = \"b.json\"\nrms_percent = 1e-9\ninspect = { any = 0 }\n\
             [[character]]\npath = [\"crowd/*\", \"x\\ty\"]\nfit.prune = 0.1\n\
             [[character.poses.ranges]]\njoints = \"j\"\ny = [-0.1, 0.3]\n",
        ] {
            let file = RecipeFile::parse(Path::new("/characters/r.toml"), text).expect("a recipe");
            let shown = show(Some(&file), input).expect("it can be shown");
            let again =
                Recipe::parse(Path::new("shown"), &shown).expect("what is shown is a recipe");
            assert_eq!(again, file.of(input).expect("it applies"), "{shown}");
            let plain = again.to_toml().expect("it can be written");
            let settings = |text: &str| -> toml::Table { toml::from_str(text).expect("TOML") };
            assert_eq!(settings(&plain), settings(&shown), "{plain}");
            assert!(!plain.contains("# default"), "{plain}");
        }
        let shown = show(None, input).expect("it can be shown");
        assert_eq!(
            Recipe::parse(input, &shown).expect("a recipe"),
            Recipe::default()
        );
    }

    #[test]
    fn each_setting_says_where_it_is_from() {
        let text = "[fit]\ninfluences = 3\nprune = 0.01\n[[layer]]\nkind = \"mush\"\n\
                    [[character]]\npath = \"crowd/**\"\nfit.influences = 2\n";
        let file = RecipeFile::parse(Path::new("/characters/r.toml"), text).expect("a recipe");
        let shown = show(Some(&file), Path::new("/characters/crowd/a.glb")).expect("shown");
        for line in [
            "influences = 2  # r.toml:8 ([[character]] crowd/**)",
            "prune = 0.01  # r.toml:3",
            "mend = true  # default",
            "kind = \"mush\"  # r.toml:5",
            "# radius = 2.5  # default",
        ] {
            assert!(
                shown.lines().any(|shown| shown == line),
                "{line} in {shown}"
            );
        }
        let shown = show(Some(&file), Path::new("/characters/a.glb")).expect("shown");
        assert!(shown.contains("influences = 3  # r.toml:2\n"), "{shown}");
    }
}
