//! `tanyard recipe`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use walkdir::WalkDir;

use super::args::RecipeArgs;
use super::output::{print, tell};
use crate::asset;
use crate::error::{Error, Fault};
use crate::recipe::{self, FILE_NAME, RecipeFile, Recipes, STARTER};
use crate::report::Outcome;

pub(super) fn run(args: &RecipeArgs) -> Result<ExitCode, Error> {
    if args.check {
        return check(&args.paths);
    }
    if args.schema {
        print(&recipe::json_schema())?;
    } else if let Some(character) = &args.show {
        print(&show(character, args.recipe.as_deref())?)?;
    } else if let Some(output) = &args.output {
        write_starter(output)?;
    } else {
        print(STARTER)?;
    }
    Ok(ExitCode::SUCCESS)
}

fn show(character: &Path, recipe: Option<&Path>) -> Result<String, Error> {
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
    let mut faults = Vec::new();
    for path in paths {
        let (recipes, unread) = recipes(path);
        for recipe in recipes {
            let found = match RecipeFile::read(&recipe) {
                Ok(_) => Vec::new(),
                Err(Error::Setting(faults) | Error::Input(faults)) => faults,
                Err(other) => return Err(other),
            };
            let verdict = match found.len() {
                0 => "good".to_owned(),
                1 => "1 fault".to_owned(),
                several => format!("{several} faults"),
            };
            print(&format!("{}: {verdict}\n", recipe.display()))?;
            for fault in &found {
                tell(&format!("tanyard: {fault}"));
            }
            faults.extend(found);
        }
        for fault in &unread {
            tell(&format!("tanyard: {fault}"));
        }
        faults.extend(unread);
    }
    Ok(if faults.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(Outcome::Setting.code())
    })
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
