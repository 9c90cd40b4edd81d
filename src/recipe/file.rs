//! A recipe file: settings, and overrides of them for some of the characters in its folder.
//!
//! `[[character]]` holds `path`, globs relative to the folder of the file, and any sections of a recipe.
//! Those that match a character are laid over the settings of the file in the order in which they are
//! written: tables key by key, lists and plain values replaced whole.

use std::fs;
use std::io::ErrorKind;
use std::path::{Component, Path, PathBuf};

use globset::{GlobBuilder, GlobMatcher};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::text::{self, Placed, Text, lay_over};
use super::{Recipe, all};
use crate::error::{Error, Fault, read_text};

/// What a recipe is called that is found without being named.
pub const FILE_NAME: &str = "tanyard.toml";

/// A larger file is no recipe: one may have been given in place of a character.
const MOST_BYTES: u64 = 1 << 20;

/// The key of the overrides, and in each that of its globs.
const CHARACTER: &str = "character";
const PATH: &str = "path";

/// A recipe file, read and checked, with all that it says of single characters.
#[derive(Clone, Debug)]
pub struct RecipeFile {
    path: PathBuf,
    folder: PathBuf,
    text: String,
    base: Recipe,
    overrides: Vec<Override>,
}

/// A `[[character]]`.
#[derive(Clone, Debug)]
struct Override {
    /// As they are written.
    written: Vec<String>,
    globs: Vec<GlobMatcher>,
    /// The recipe of a character that no other override matches.
    recipe: Recipe,
}

impl RecipeFile {
    /// Reads and checks a file, with every override in it.
    ///
    /// # Errors
    /// [`Error::Setting`] with every fault: line, part, what was expected, what was found, and the nearest
    /// right name.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let setting = |fault| Error::Setting(vec![fault]);
        if let Ok(there) = fs::metadata(path)
            && there.is_file()
            && there.len() > MOST_BYTES
        {
            let found = format!("a file of {} bytes", there.len());
            return Err(setting(Fault::new(
                path,
                "",
                "a recipe of at most 1 MiB",
                found,
            )));
        }
        let text = read_text(path, "recipe").map_err(setting)?;
        Self::parse(path, text)
    }

    /// Reads and checks a text as if it were that of a file.
    ///
    /// # Errors
    /// As for [`RecipeFile::read`].
    pub fn parse(path: &Path, text: impl Into<String>) -> Result<Self, Error> {
        let owned = text.into();
        let text = Text::new(path, &owned);
        let folder = cleaned(path)
            .and_then(|path| Some(path.parent()?.to_owned()))
            .unwrap_or_default();
        let mut tree = text.tree()?;
        let (characters, mut faults) = characters(&text, &mut tree);
        let base = match text.settings(&tree, "", &[CHARACTER]) {
            Ok(recipe) => {
                faults.extend(placed(&text, &recipe, &tree));
                Some(recipe)
            }
            Err(found) => {
                faults.extend(found);
                None
            }
        };
        let mut overrides = Vec::new();
        for character in characters {
            let below = base.as_ref().map(|recipe| (recipe, &tree));
            match Override::new(&text, below, character) {
                Ok(one) => overrides.extend(one),
                Err(found) => faults.extend(found),
            }
        }
        let (Some(base), true) = (base, faults.is_empty()) else {
            return Err(all(faults));
        };
        for one in &mut overrides {
            complete_paths(&mut one.recipe, &folder);
        }
        let mut file = Self {
            path: path.to_owned(),
            folder,
            text: owned,
            base,
            overrides,
        };
        complete_paths(&mut file.base, &file.folder);
        Ok(file)
    }

    /// The nearest `tanyard.toml` for a character: that of its folder, else of the folder above, and so on.
    /// The path is taken as it is given; no links are resolved.
    pub fn find(input: &Path) -> Option<PathBuf> {
        cleaned(input)?.ancestors().skip(1).find_map(in_folder)
    }

    /// Where it was read from.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The recipe of a character. The path of a `limits.baseline` begins at the file's folder no more: it is
    /// complete.
    ///
    /// # Errors
    /// [`Error::Setting`] if several overrides match that go with the file each, but not with each other.
    pub fn of(&self, input: &Path) -> Result<Recipe, Error> {
        match &self.matching(input)[..] {
            [] => Ok(self.base.clone()),
            [one] => Ok(self.overrides[*one].recipe.clone()),
            several => self.laid_over(several),
        }
    }

    /// The recipe where several overrides match.
    fn laid_over(&self, matching: &[usize]) -> Result<Recipe, Error> {
        let text = Text::new(&self.path, &self.text);
        let tables = self.layers(&text, matching)?;
        let mut laid = DeTable::new();
        for table in &tables {
            lay_over(&mut laid, table);
        }
        let mut recipe = text.settings(&laid, "", &[]).map_err(all)?;
        let together: Vec<String> = matching.iter().map(|index| name(*index)).collect();
        let faults = placed(&text, &recipe, &laid).map(|(at, mut fault)| {
            fault.part = format!("{}, with {}", fault.part, together.join(" and "));
            (at, fault)
        });
        let faults: Vec<Placed> = faults.collect();
        if !faults.is_empty() {
            return Err(all(faults));
        }
        complete_paths(&mut recipe, &self.folder);
        Ok(recipe)
    }

    /// The tables that make the recipe of a character, lowest first: the file's own, then overrides.
    pub(super) fn layers<'t>(
        &self,
        text: &Text<'t>,
        matching: &[usize],
    ) -> Result<Vec<DeTable<'t>>, Error> {
        // It was read once before: nothing is wrong with it.
        let mut tree = text.tree()?;
        let (characters, _) = characters(text, &mut tree);
        let overrides = characters
            .into_iter()
            .filter(|character| matching.contains(&character.index))
            .map(|mut character| {
                character.table.remove(PATH);
                character.table
            });
        Ok(std::iter::once(tree).chain(overrides).collect())
    }

    /// The overrides that match a character.
    pub(super) fn matching(&self, input: &Path) -> Vec<usize> {
        let cleaned = cleaned(input);
        let Some(relative) = cleaned
            .as_ref()
            .and_then(|input| input.strip_prefix(&self.folder).ok())
        else {
            return Vec::new();
        };
        let matches = |one: &Override| one.globs.iter().any(|glob| glob.is_match(relative));
        (0..self.overrides.len())
            .filter(|index| matches(&self.overrides[*index]))
            .collect()
    }

    /// The globs of an override, as they are written.
    pub(super) fn globs(&self, index: usize) -> &[String] {
        &self.overrides[index].written
    }

    pub(super) fn text(&self) -> &str {
        &self.text
    }
}

/// Lets the paths in a recipe, which begin at the folder of its file, begin at the root.
fn complete_paths(recipe: &mut Recipe, folder: &Path) {
    if let Some(baseline) = &mut recipe.limits.baseline {
        // An absolute path stays as it is.
        *baseline = folder.join(&baseline);
    }
}

impl Override {
    /// Reads one; none if what it is laid over has faults already.
    fn new<'t>(
        text: &Text<'t>,
        below: Option<(&Recipe, &DeTable<'t>)>,
        mut character: Character<'t>,
    ) -> Result<Option<Self>, Vec<Placed>> {
        let name = name(character.index);
        let within = format!("{name}.");
        let mut faults = Vec::new();
        let globs = globs(text, &mut character).unwrap_or_else(|found| {
            faults.extend(found);
            Vec::new()
        });
        let table = character.table;
        // By itself first, so that faults are those of its own text.
        if let Err(found) = text.settings(&table, &within, &[PATH]) {
            faults.extend(found);
            return Err(faults);
        }
        let Some((base, tree)) = below else {
            return if faults.is_empty() {
                Ok(None)
            } else {
                Err(faults)
            };
        };
        let mut laid = tree.clone();
        lay_over(&mut laid, &table);
        let recipe = text.settings(&laid, &within, &[PATH])?;
        let known = base.faults(text.path);
        for fault in recipe.faults(text.path) {
            let own = text::place(&table, &fault.part).filter(|place| place.whole);
            if let Some(place) = own {
                faults.push(text.place(
                    place.at,
                    Fault {
                        part: format!("{within}{}", fault.part),
                        ..fault
                    },
                ));
            } else if !known.contains(&fault) {
                let at = text::place(&laid, &fault.part).map_or(character.at, |place| place.at);
                faults.push(text.place(
                    at,
                    Fault {
                        part: format!("{}, with {name}", fault.part),
                        ..fault
                    },
                ));
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        let (written, globs) = globs.into_iter().unzip();
        Ok(Some(Self {
            written,
            globs,
            recipe,
        }))
    }
}

/// A `[[character]]` as it is written: its number, where it begins, and what it holds.
struct Character<'t> {
    index: usize,
    at: usize,
    table: DeTable<'t>,
}

/// What faults call an override.
fn name(index: usize) -> String {
    format!("{CHARACTER}[{index}]")
}

/// What is wrong with the values of a recipe, with the places that a table gives.
fn placed(text: &Text, recipe: &Recipe, table: &DeTable) -> impl Iterator<Item = Placed> {
    recipe.faults(text.path).into_iter().map(|fault| {
        let at = text::place(table, &fault.part).map_or(0, |place| place.at);
        text.place(at, fault)
    })
}

/// Takes the overrides out of the tree of a file; what is none is a fault.
fn characters<'t>(text: &Text<'t>, tree: &mut DeTable<'t>) -> (Vec<Character<'t>>, Vec<Placed>) {
    let (mut characters, mut faults) = (Vec::new(), Vec::new());
    let Some((key, value)) = tree.remove_entry(CHARACTER) else {
        return (characters, faults);
    };
    let DeValue::Array(list) = value.into_inner() else {
        let at = key.span().start;
        faults.push(text.fault(at, CHARACTER, "[[character]]", "no list of tables"));
        return (characters, faults);
    };
    for (index, element) in list.into_iter().enumerate() {
        let at = element.span().start;
        match element.into_inner() {
            DeValue::Table(table) => characters.push(Character { index, at, table }),
            _ => faults.push(text.fault(at, &name(index), "[[character]]", "no table")),
        }
    }
    (characters, faults)
}

/// Takes the globs out of an override: as they are written, and compiled.
fn globs<'t>(
    text: &Text<'t>,
    character: &mut Character<'t>,
) -> Result<Vec<(String, GlobMatcher)>, Vec<Placed>> {
    let part = format!("{}.{PATH}", name(character.index));
    let wrong = |at, found: &str| {
        let expected = "a glob such as \"crowd/**\", or a list of globs";
        text.fault(at, &part, expected, found)
    };
    let Some((key, value)) = character.table.remove_entry(PATH) else {
        return Err(vec![wrong(character.at, "none")]);
    };
    let at = key.span().start;
    let list = match value.into_inner() {
        DeValue::Array(list) if list.is_empty() => return Err(vec![wrong(at, "an empty list")]),
        DeValue::Array(list) => list.into_iter().collect(),
        one => vec![Spanned::new(at..at, one)],
    };
    let (mut globs, mut faults) = (Vec::new(), Vec::new());
    for element in list {
        let at = element.span().start;
        let DeValue::String(glob) = element.into_inner() else {
            faults.push(wrong(at, "something else"));
            continue;
        };
        match compile(&glob) {
            Ok(matcher) => globs.push((glob.into_owned(), matcher)),
            Err(reason) => {
                let expected = "a glob beneath the folder of the recipe";
                faults.push(text.fault(at, &part, expected, format!("{glob:?} ({reason})")));
            }
        }
    }
    if faults.is_empty() {
        Ok(globs)
    } else {
        Err(faults)
    }
}

/// Compiles a glob over paths, alike on all systems: `/` separates folders, `\` takes the next character as
/// it is.
fn compile(glob: &str) -> Result<GlobMatcher, String> {
    let never = "no character has such a path";
    if glob.is_empty() || glob.starts_with('/') || glob.ends_with('/') {
        return Err(never.to_owned());
    }
    if glob.split('/').any(|part| part == "." || part == "..") {
        return Err(never.to_owned());
    }
    GlobBuilder::new(glob)
        .literal_separator(true)
        .backslash_escape(true)
        .build()
        .map(|glob| glob.compile_matcher())
        .map_err(|error| error.kind().to_string())
}

/// `tanyard.toml` of a folder. Whatever has that name counts, so that a fault says what it is.
pub(super) fn in_folder(folder: &Path) -> Option<PathBuf> {
    let path = folder.join(FILE_NAME);
    let absent = |error: &std::io::Error| {
        matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory)
    };
    match fs::symlink_metadata(&path) {
        Err(error) if absent(&error) => None,
        _ => Some(path),
    }
}

/// An absolute path without `.` and `..`, by its words alone: no links are resolved.
pub(super) fn cleaned(path: &Path) -> Option<PathBuf> {
    let absolute = std::path::absolute(path).ok()?;
    let mut cleaned = PathBuf::new();
    for component in absolute.components() {
        match component {
            Component::ParentDir => {
                cleaned.pop();
            }
            Component::CurDir => {}
            other => cleaned.push(other),
        }
    }
    Some(cleaned)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    const FOLDER: &str = if cfg!(windows) { "C:\\set" } else { "/set" };

    fn file(text: &str) -> Result<RecipeFile, Error> {
        RecipeFile::parse(&Path::new(FOLDER).join("tanyard.toml"), text)
    }

    fn recipe(file: &RecipeFile, input: &str) -> Recipe {
        file.of(&Path::new(FOLDER).join(input)).expect("a recipe")
    }

    fn faults(text: &str) -> Vec<Fault> {
        match file(text) {
            Err(Error::Setting(faults)) => faults,
            other => panic!("{other:?} in place of faults"),
        }
    }

    #[test]
    fn overrides_apply_in_the_order_of_writing() {
        let file = file(
            "[fit]\ninfluences = 5\nprune = 0.1\n[bind]\nwin = [\"a\", \"b\"]\n[limits.inspect]\nerror = 0\n\
             [[character]]\npath = \"crowd/**\"\nfit.influences = 2\nbind.win = [\"c\"]\n\
             limits.inspect.warning = 3\n\
             [[character]]\npath = [\"*/b.glb\", \"x\"]\nfit.influences = 3\n[[character.layer]]\nkind = \"mush\"\n",
        )
        .expect("a recipe");
        let [base, crowd, both] = ["a.glb", "crowd/a.glb", "crowd/b.glb"].map(|p| recipe(&file, p));
        let of = |r: &Recipe| {
            (
                r.fit.influences,
                r.fit.prune,
                r.bind.win.len(),
                r.layer.len(),
            )
        };
        assert_eq!(of(&base), (5, 0.1, 2, 2));
        assert_eq!(of(&crowd), (2, 0.1, 1, 2));
        assert_eq!(of(&both), (3, 0.1, 1, 1));
        let inspect = |r: &Recipe| r.limits.inspect.keys().cloned().collect::<Vec<_>>();
        assert_eq!(inspect(&base), ["error"]);
        assert_eq!(inspect(&both), ["error", "warning"]);
    }

    #[test]
    fn globs_begin_at_the_folder_and_keep_to_folders() {
        let matched = |glob: &str, input: &str| {
            let text = format!("[[character]]\npath = '{glob}'\nfit.influences = 1\n");
            recipe(&file(&text).expect("a recipe"), input)
                .fit
                .influences
                == 1
        };
        for (glob, input, matches) in [
            ("*.glb", "a.glb", true),
            ("*.glb", "x/a.glb", false),
            ("**/*.glb", "a.glb", true),
            ("x/**", "x/y/a.glb", true),
            ("x/**", "xx/a.glb", false),
            ("x/?/a.glb", "x/y/a.glb", true),
            ("x?a.glb", "x/a.glb", false),
            ("{x,y}/[ab].glb", "y/b.glb", true),
            ("x/a.glb", "z/../x/./a.glb", true),
            ("a.GLB", "a.glb", false),
            ("**", "../other/a.glb", false),
            (r"\*.glb", "a.glb", false),
        ] {
            assert_eq!(matched(glob, input), matches, "{glob} and {input}");
        }
    }

    #[test]
    fn every_override_is_checked_when_the_file_is_read() {
        let faults = faults(
            "[bind]\nbase = \"heat\"\n\
             [[character]]\nfit.influence = 2\n\
             [[character]]\npath = [\"../a\", \"a[\", 3]\nfit.influences = 2.5\n\
             [[character]]\npath = \"a\"\nfit.influences = 9\nlimits.inspect.eror = 0\n\
             [[character]]\npath = \"a\"\nbind.way = \"keep\"\n\
             [[character]]\npath = []\npth = 3\n[[character.layer]]\nkind = \"mush\"\nanchor = 0.1\n",
        );
        let faults: Vec<String> = faults
            .iter()
            .map(|fault| format!("{}: found {}; {}", fault.part, fault.found, fault.remedy))
            .collect();
        let expected = [
            "line 2: bind.base, with character[3]: found another way; ",
            "line 3: character[0].path: found none; ",
            "line 4: character[0].fit.influence: found 'influence'; the nearest is 'influences'",
            "line 6: character[1].path: found \"../a\"",
            "line 6: character[1].path: found \"a[\" (unclosed",
            "line 6: character[1].path: found something else; ",
            "line 7: character[1].fit.influences: found 2.5; ",
            "line 10: character[2].fit.influences: found 9; ",
            "line 11: character[2].limits.inspect.eror: found 'eror'; the nearest is 'error'",
            "line 16: character[4].path: found an empty list; ",
            "line 17: character[4].pth: found 'pth'; the nearest is 'path'",
        ];
        assert_eq!(faults.len(), expected.len(), "{faults:#?}");
        for (fault, expected) in faults.iter().zip(expected) {
            assert!(
                fault.starts_with(expected),
                "{fault} in place of {expected}"
            );
        }
    }

    #[test]
    fn character_must_be_a_list_of_tables() {
        for text in [
            "character = 3\n",
            "[character]\npath = \"a\"\n",
            "character = [3]\n",
        ] {
            let faults = faults(text);
            assert_eq!(faults.len(), 1, "{faults:?}");
            assert!(
                faults[0].part.starts_with("line 1: character"),
                "{faults:?}"
            );
        }
    }

    #[test]
    fn overrides_that_contradict_each_other_are_refused_where_they_meet() {
        let file = file(
            "[[character]]\npath = \"a/**\"\nbind.base = \"heat\"\n\
             [[character]]\npath = \"**/b.glb\"\nbind.way = \"keep\"\n",
        )
        .expect("each is right by itself");
        assert_eq!(
            recipe(&file, "a/c.glb").bind.base,
            crate::recipe::Base::Heat
        );
        let error = file
            .of(&Path::new(FOLDER).join("a/b.glb"))
            .expect_err("both match");
        let text = error.to_string();
        assert!(
            text.contains("line 3: bind.base, with character[0] and character[1]"),
            "{text}"
        );
    }

    #[test]
    fn baseline_begins_at_the_folder_of_the_recipe() {
        let file = file(
            "[limits]\nbaseline = \"old/last.json\"\n[[character]]\npath = \"a\"\nfit.influences = 2\n\
             [[character]]\npath = \"{a,b}\"\nlimits.baseline = \"new.json\"\n",
        )
        .expect("a recipe");
        for (input, baseline) in [("c", "old/last.json"), ("b", "new.json"), ("a", "new.json")] {
            let complete = Path::new(FOLDER).join(baseline);
            assert_eq!(
                recipe(&file, input).limits.baseline,
                Some(complete),
                "{input}"
            );
        }
    }

    #[test]
    fn starter_is_the_default_however_it_is_read() {
        use crate::recipe::STARTER;
        let uncommented = |line: &str| match line.strip_prefix('#') {
            Some(setting) if !setting.is_empty() && !setting.starts_with(' ') => setting.to_owned(),
            _ => line.to_owned(),
        };
        let settings: String = STARTER
            .lines()
            .map(|line| uncommented(line) + "\n")
            .collect();
        assert!(settings.lines().filter(|line| line.contains(" = ")).count() > 40);
        for text in [STARTER, &settings] {
            let file = file(text).expect("the starter is a recipe");
            assert_eq!(recipe(&file, "a.glb"), Recipe::default());
        }
    }

    /// Settings and examples of the starter together: each key of the schema is among them.
    #[test]
    fn starter_has_every_key_of_the_schema() {
        use crate::recipe::{STARTER, json_schema};
        let uncommented = |line: &str| match line.strip_prefix('#') {
            Some(example) if example.starts_with("  ") => example.to_owned(),
            Some(setting) if !setting.starts_with(' ') => setting.to_owned(),
            _ => line.to_owned(),
        };
        let text: String = STARTER
            .lines()
            .map(|line| uncommented(line) + "\n")
            .collect();
        let there = file(&text)
            .map(|file| file.text)
            .expect("all of the starter is a recipe");
        let there: toml::Table = there.parse().expect("TOML");
        let schema: serde_json::Value = serde_json::from_str(&json_schema()).expect("JSON");
        // Keys by the table that they are of: some tables occur in several places.
        let (mut seen, mut all) = (BTreeSet::new(), BTreeSet::new());
        let mut open = vec![("file", &schema, vec![toml::Value::Table(there)])];
        while let Some((table, part, values)) = open.pop() {
            let (table, part) = match part["$ref"].as_str() {
                Some(name) => {
                    let name = name.trim_start_matches("#/$defs/");
                    (name, &schema["$defs"][name])
                }
                None => (table, part),
            };
            if part["type"] == "array" {
                let inner = values.iter().filter_map(toml::Value::as_array);
                open.push((table, &part["items"], inner.flatten().cloned().collect()));
            }
            for (key, part) in part["properties"].as_object().into_iter().flatten() {
                let inner = values.iter().filter_map(|value| value.get(key));
                let inner: Vec<toml::Value> = inner.cloned().collect();
                all.insert((table, key));
                if !inner.is_empty() {
                    seen.insert((table, key));
                }
                open.push((key, part, inner));
            }
        }
        let missing: Vec<_> = all.difference(&seen).collect();
        // An override has the sections of the file again; one or two do as an example.
        let missing: Vec<_> = missing
            .iter()
            .filter(|(table, key)| *table != "character" || *key == "path")
            .collect();
        assert!(
            missing.is_empty() && all.len() > 70,
            "{missing:?} of {}",
            all.len()
        );
    }
}
