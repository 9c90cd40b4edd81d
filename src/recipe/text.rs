//! The text of a recipe: a tree of values that know their lines, read into settings with every fault.

use std::cmp::Reverse;
use std::path::Path;

use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeArray, DeString, DeTable, DeValue, Deserializer};

use super::{Recipe, all};
use crate::error::{Error, Fault};

/// The keys of a recipe; a test holds them to its fields.
pub(super) const SECTIONS: [&str; 9] = [
    "bind", "pieces", "poses", "layer", "fit", "helpers", "write", "limits", "lod",
];

/// A fault, and where in the text it is.
pub(super) type Placed = (usize, Fault);

/// The text of a recipe and the file that it is from.
pub(super) struct Text<'t> {
    pub path: &'t Path,
    text: &'t str,
    /// Where each line begins.
    lines: Vec<usize>,
}

/// Where a part of a recipe stands in the text.
pub(super) struct Place {
    /// The byte at which its key begins, or that of the innermost part around it that is there.
    pub at: usize,
    /// Whether the part itself is there.
    pub whole: bool,
}

impl<'t> Text<'t> {
    pub fn new(path: &'t Path, text: &'t str) -> Self {
        let ends = text.match_indices('\n').map(|(at, _)| at + 1);
        Self {
            path,
            text,
            lines: std::iter::once(0).chain(ends).collect(),
        }
    }

    /// The line of a byte, from 1.
    pub fn line(&self, at: usize) -> usize {
        self.lines.partition_point(|begin| *begin <= at)
    }

    /// A fault of a part.
    pub fn fault(
        &self,
        at: usize,
        part: &str,
        expected: impl Into<String>,
        found: impl Into<String>,
    ) -> Placed {
        let fault = Fault::new(self.path, part, expected, found);
        self.place(at, fault)
    }

    /// A fault with its line put first.
    pub fn place(&self, at: usize, fault: Fault) -> Placed {
        let line = format!("line {}", self.line(at));
        let fault = if fault.part.is_empty() {
            Fault {
                part: line,
                ..fault
            }
        } else {
            fault.within(&line)
        };
        (at, fault)
    }

    /// Reads the text as TOML.
    pub fn tree(&self) -> Result<DeTable<'t>, Error> {
        let tree = DeTable::parse(self.text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            let found = error.message().trim().replace('\n', ", ");
            all([self.fault(at, "", "TOML", found)])
        })?;
        Ok(tree.into_inner())
    }

    /// Reads a table as settings, with the defaults for what it leaves out. Faults name their part behind
    /// `within`; `besides` are keys that the table may have had too, for the nearest right name.
    pub fn settings(
        &self,
        table: &DeTable<'t>,
        within: &str,
        besides: &[&'static str],
    ) -> Result<Recipe, Vec<Placed>> {
        let read = |table: DeTable<'t>| {
            Recipe::deserialize(Deserializer::from(Spanned::new(0..self.text.len(), table)))
        };
        let whole = match read(table.clone()) {
            Ok(recipe) => return Ok(recipe),
            Err(error) => error,
        };
        // The reader stops at the first fault. Each part read by itself shows them all.
        let mut faults = Vec::new();
        for (key, value) in table {
            if !SECTIONS.contains(&key.get_ref().as_ref()) {
                let known: Vec<&str> = besides.iter().copied().chain(SECTIONS).collect();
                let part = format!("{within}{}", key.get_ref());
                let (at, fault) = self.fault(
                    key.span().start,
                    &part,
                    format!("one of {}", known.join(", ")),
                    format!("'{}'", key.get_ref()),
                );
                faults.push((at, fault.remedy(nearest(key.get_ref(), &known))));
                continue;
            }
            for (part, at, alone) in parts(key, value) {
                if let Err(error) = read(alone) {
                    faults.push(self.toml_fault(&error, at, &format!("{within}{part}")));
                }
            }
        }
        if faults.is_empty() {
            faults.push(self.toml_fault(&whole, 0, within.trim_end_matches('.')));
        }
        Err(faults)
    }

    /// A fault from what the TOML reader says of a part that begins at a byte.
    fn toml_fault(&self, error: &toml::de::Error, at: usize, part: &str) -> Placed {
        // Of what is missing there is no span, or an empty one.
        let span = error.span().filter(|span| !span.is_empty());
        let at = span.map_or(at, |span| span.start);
        let message = error.message();
        let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
        if let (true, Some((found, known))) = (message.starts_with("unknown"), quoted.split_first())
        {
            let expected = format!("one of {}", known.join(", "));
            let (at, fault) = self.fault(at, part, expected, format!("'{found}'"));
            return (at, fault.remedy(nearest(found, known)));
        }
        if let (true, [missing]) = (message.starts_with("missing"), &quoted[..]) {
            return self.fault(at, part, format!("the key '{missing}'"), "none");
        }
        let told = message
            .strip_prefix("invalid ")
            .and_then(|told| told.split_once(' '))
            .and_then(|(_, told)| told.rsplit_once(", expected "));
        match told {
            Some((found, expected)) => {
                self.fault(at, part, expected_words(expected), found_words(found))
            }
            None => self.fault(
                at,
                part,
                "a recipe (docs/recipes.md)",
                message.trim().replace('\n', " "),
            ),
        }
    }
}

/// What the reader expects, in words of ours.
fn expected_words(expected: &str) -> String {
    match expected {
        "usize" | "u64" | "u32" => "a whole number, 0 or more",
        "f64" | "f32" => "a number",
        "a boolean" => "true or false",
        "a sequence" => "a list",
        "a map" => "a table",
        "path string" => "a path",
        _ if expected.starts_with("struct ") => "a table",
        _ => expected,
    }
    .replace("an array of length", "a list of")
}

/// What the reader found, in words of ours.
fn found_words(found: &str) -> String {
    match found {
        "sequence" => return "a list".to_owned(),
        "map" => return "a table".to_owned(),
        _ => {}
    }
    // The value says enough without its kind.
    let kinds = ["string ", "integer ", "floating point ", "boolean "];
    let value = kinds.iter().find_map(|kind| found.strip_prefix(kind));
    value.unwrap_or(found).replace('`', "")
}

/// A remedy: the name that was meant, if one of those is near.
pub(super) fn nearest(found: &str, known: &[&str]) -> String {
    /// No name is as long; and distances take time and memory.
    const LONGEST: usize = 64;
    if found.len() > LONGEST {
        return String::new();
    }
    let distance = |name: &str| strsim::damerau_levenshtein(name, found);
    known
        .iter()
        // Of two as near, the longer has more letters right.
        .min_by_key(|name| (distance(name), Reverse(name.len()), **name))
        // Half the letters wrong is another word.
        .filter(|name| distance(name) <= name.len() / 2)
        .map_or(String::new(), |name| format!("the nearest is '{name}'"))
}

/// Cuts what a section holds into parts that can be read by themselves: keys, and elements of lists. Gives
/// the name of each, where it begins, and a table that holds nothing else.
fn parts<'t>(
    key: &Spanned<DeString<'t>>,
    value: &Spanned<DeValue<'t>>,
) -> Vec<(String, usize, DeTable<'t>)> {
    let table = |value: Spanned<DeValue<'t>>| {
        let mut table = DeTable::new();
        table.insert(key.clone(), value);
        table
    };
    match value.get_ref() {
        DeValue::Table(inner) => inner
            .iter()
            .flat_map(|(key, value)| elements(key, value))
            .map(|(part, at, alone)| {
                let alone = Spanned::new(value.span(), DeValue::Table(alone));
                (format!("{}.{part}", key.get_ref()), at, table(alone))
            })
            .collect(),
        _ => elements(key, value),
    }
}

/// The elements of a list, each in a list of its own; of anything else, the whole.
fn elements<'t>(
    key: &Spanned<DeString<'t>>,
    value: &Spanned<DeValue<'t>>,
) -> Vec<(String, usize, DeTable<'t>)> {
    let table = |value: DeValue<'t>, span| {
        let mut table = DeTable::new();
        table.insert(key.clone(), Spanned::new(span, value));
        table
    };
    let DeValue::Array(list) = value.get_ref() else {
        let alone = table(value.get_ref().clone(), value.span());
        return vec![(key.get_ref().to_string(), key.span().start, alone)];
    };
    let elements = list.iter().enumerate().map(|(index, element)| {
        let mut alone = DeArray::new();
        alone.push(element.clone());
        (
            format!("{}[{index}]", key.get_ref()),
            element.span().start,
            table(DeValue::Array(alone), value.span()),
        )
    });
    elements.collect()
}

/// Lays a table over another: tables key by key, everything else replaced whole.
pub(super) fn lay_over<'t>(below: &mut DeTable<'t>, above: &DeTable<'t>) {
    for (key, value) in above {
        let name = key.get_ref().as_ref();
        if let (DeValue::Table(above), Some(DeValue::Table(below))) =
            (value.get_ref(), below.get_mut(name).map(Spanned::get_mut))
        {
            lay_over(below, above);
            continue;
        }
        // Removed first: a map keeps its old key, and with it the old place.
        below.remove(name);
        below.insert(key.clone(), value.clone());
    }
}

/// Finds a part such as `poses.ranges[1].x` in a table.
pub(super) fn place(table: &DeTable, part: &str) -> Option<Place> {
    let mut steps = part
        .split('.')
        .flat_map(|step| step.split('['))
        .map(|step| step.trim_end_matches(']'));
    let (key, value) = table.get_key_value(steps.next()?)?;
    let (mut at, mut value) = (key.span().start, value.get_ref());
    for step in steps {
        let next = match value {
            DeValue::Table(table) => table
                .get_key_value(step)
                .map(|(key, value)| (key.span().start, value)),
            DeValue::Array(list) => step
                .parse()
                .ok()
                .and_then(|index: usize| list.get(index))
                .map(|value| (value.span().start, value)),
            _ => None,
        };
        let Some((begin, inner)) = next else {
            return Some(Place { at, whole: false });
        };
        (at, value) = (begin, inner.get_ref());
    }
    Some(Place { at, whole: true })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_are_the_fields_of_a_recipe() {
        let json = serde_json::to_value(Recipe::default()).expect("a recipe is plain data");
        let fields: Vec<&String> = json.as_object().expect("a struct").keys().collect();
        assert_eq!(fields, SECTIONS.iter().collect::<Vec<_>>());
    }

    #[test]
    fn parts_are_found_at_their_lines() {
        let text = "[fit]\ninfluences = 3\n\n[[layer]]\nkind = \"mush\"\n[[layer]]\nkind = \"relax\"\n\
                    [limits.inspect]\nany = 3\n";
        let text = Text::new(Path::new("t"), text);
        let tree = text.tree().expect("TOML");
        for (part, line, whole) in [
            ("fit", 1, true),
            ("fit.influences", 2, true),
            ("fit.prune", 1, false),
            ("layer[1]", 6, true),
            ("layer[1].kind", 7, true),
            ("layer[0].pull", 4, false),
            ("limits.inspect.any", 9, true),
        ] {
            let place = place(&tree, part).expect("some of it is there");
            assert_eq!((text.line(place.at), place.whole), (line, whole), "{part}");
        }
        assert!(place(&tree, "write.weights").is_none());
    }

    #[test]
    fn tables_are_laid_over_key_by_key_and_lists_whole() {
        let below = "[fit]\ninfluences = 3\nprune = 0.1\n[bind]\nwin = [\"a\", \"b\"]\n";
        let above = "fit.influences = 2\nbind.win = [\"c\"]\nwrite.weights = \"u8\"\n";
        let mut below = DeTable::parse(below).expect("TOML").into_inner();
        lay_over(
            &mut below,
            &DeTable::parse(above).expect("TOML").into_inner(),
        );
        // What was laid over is found where it is written.
        let at = |part| super::place(&below, part).map(|place| place.at);
        assert_eq!((at("fit.influences"), at("fit.prune")), (Some(4), Some(21)));
        let text = Text::new(Path::new("t"), "");
        let Ok(recipe) = text.settings(&below, "", &[]) else {
            panic!("valid settings");
        };
        assert_eq!((recipe.fit.influences, recipe.fit.prune), (2, 0.1));
        assert_eq!(recipe.bind.win, ["c"]);
        assert_eq!(recipe.write.weights, crate::asset::WeightFormat::U8);
    }
}
