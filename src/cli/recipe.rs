//! `tanyard recipe`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use walkdir::WalkDir;

use super::args::RecipeArgs;
use super::output::{complain, print, show};
use crate::asset;
use crate::error::{Error, Fault};
use crate::recipe::{self, FILE_NAME, RecipeFile, Recipes, STARTER};
use crate::report::{Outcome, Text};

pub(super) fn run(args: &RecipeArgs) -> Result<ExitCode, Error> {
    if args.check {
        return check(&args.paths);
    }
    if args.schema {
        print(&recipe::json_schema())?;
    } else if let Some(character) = &args.show {
        print(&settings_of(character, args.recipe.as_deref())?)?;
    } else if let Some(output) = &args.output {
        write_starter(output)?;
    } else {
        print(STARTER)?;
    }
    Ok(ExitCode::SUCCESS)
}

fn settings_of(character: &Path, recipe: Option<&Path>) -> Result<String, Error> {
    // A slip in the name would show settings that hold for nothing.
    if let Err(error) = std::fs::metadata(character) {
        return Err(Fault::new(character, "", "a character", error.to_string()).into());
    }
    Recipes::new(recipe)?.show(character)
}

fn write_starter(output: &Path) -> Result<(), Error> {
    if std::fs::symlink_metadata(output).is_ok() {
        let fault = Fault::new(
            output,
            "",
            "a name that is not taken",
            "something of that name",
        );
        let fault = fault.remedy("remove it first, or give another name");
        return Err(Error::Setting(vec![fault]));
    }
    asset::write_new(output, STARTER.as_bytes())
}

/// Prints a line for each recipe, and every fault: here nothing is left out.
fn check(paths: &[PathBuf]) -> Result<ExitCode, Error> {
    let here = [PathBuf::from(".")];
    let paths = if paths.is_empty() { &here } else { paths };
    let (mut checked, mut unread) = (Vec::new(), Vec::new());
    for path in paths {
        let (recipes, faults) = recipes(path);
        unread.extend(faults);
        for recipe in recipes {
            let faults = match RecipeFile::read(&recipe) {
                Ok(_) => Vec::new(),
                Err(Error::Setting(faults) | Error::Input(faults)) => faults,
                Err(other) => return Err(other),
            };
            checked.push((recipe, faults));
        }
    }
    let bad = checked
        .iter()
        .filter(|(_, faults)| !faults.is_empty())
        .count();
    let is_good = bad == 0 && unread.is_empty();
    let mut text = Text::default();
    let mark = Outcome::Setting.mark().filter(|_| !is_good);
    if let [(recipe, faults)] = &checked[..] {
        text.verdict(mark, &recipe.display().to_string(), &verdict(faults));
    } else {
        text.head(
            mark,
            &format!(
                "{} recipes: {} good, {bad} not",
                checked.len(),
                checked.len() - bad
            ),
        );
        for (recipe, faults) in &checked {
            text.wrapped("  ", &format!("{}: {}", recipe.display(), verdict(faults)));
        }
    }
    show(&text)?;
    for fault in unread
        .iter()
        .chain(checked.iter().flat_map(|(_, faults)| faults))
    {
        complain(&fault.to_string());
    }
    Ok(if is_good {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(Outcome::Setting.code())
    })
}

fn verdict(faults: &[Fault]) -> String {
    match faults.len() {
        0 => "good".to_owned(),
        1 => "1 fault".to_owned(),
        several => format!("{several} faults"),
    }
}

/// The recipes that a path means, in the order of their names, and what keeps more from being found.
fn recipes(path: &Path) -> (Vec<PathBuf>, Vec<Fault>) {
    if !path.is_dir() {
        return (vec![path.to_owned()], Vec::new());
    }
    let (mut recipes, mut faults) = (Vec::new(), Vec::new());
    for entry in WalkDir::new(path).sort_by_file_name() {
        match entry {
            Ok(entry) if entry.file_name() == FILE_NAME => recipes.push(entry.into_path()),
            Ok(_) => {}
            Err(error) => {
                let file = error.path().unwrap_or(path).to_owned();
                let found = error.to_string();
                faults.push(Fault::new(&file, "", "a folder to look into", found));
            }
        }
    }
    if recipes.is_empty() && faults.is_empty() {
        let expected = format!("a {FILE_NAME} in it, or in a folder below");
        faults.push(Fault::new(path, "", expected, "none"));
    }
    (recipes, faults)
}
