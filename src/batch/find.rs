//! Characters in a folder.

use std::path::{Path, PathBuf};

use ignore::WalkBuilder;
use ignore::gitignore::{Gitignore, GitignoreBuilder};

use super::cache::LOCAL;
use crate::error::{Error, Fault};

/// A file of patterns in a folder, as in `.gitignore`: what they match below it is passed over.
pub const IGNORE_FILE: &str = ".tanyardignore";

/// Which files of a folder are meant. Patterns are written as in `.gitignore`, from the folder on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Search {
    /// Only files that one of these matches; all where there is none.
    pub only: Vec<String>,
    /// No files that one of these matches, nor folders.
    pub skip: Vec<String>,
    /// Whether links to folders are followed.
    pub follow_links: bool,
}

/// What a folder holds.
#[derive(Debug, Default)]
pub struct Found {
    /// Files that end in `.glb` or `.gltf`, as paths from the folder; ordered.
    pub files: Vec<PathBuf>,
    /// What could not be looked into, as paths from the folder, and why.
    pub unreadable: Vec<(PathBuf, String)>,
    /// Links to folders that were not followed.
    pub links: Vec<PathBuf>,
}

/// Looks for characters in a folder and below, but not in `except`, nor where another run has its results, nor in
/// anything whose name begins with a dot. A link to a file is a file; links to folders are followed only if asked.
///
/// # Errors
/// A pattern that is none, or a folder that cannot be read at all.
pub fn find(root: &Path, search: &Search, except: &Path) -> Result<Found, Error> {
    std::fs::read_dir(root)
        .map_err(|error| Fault::new(root, "", "a folder that can be read", error.to_string()))?;
    let only = matcher(root, "--only", &search.only)?;
    let skip = matcher(root, "--skip", &search.skip)?;
    let meant = |relative: &Path| {
        let hit = |matcher: &Gitignore| {
            matcher
                .matched_path_or_any_parents(relative, false)
                .is_ignore()
        };
        (only.is_empty() || hit(&only)) && !hit(&skip)
    };
    let meant_folder =
        |relative: &Path| !skip.matched_path_or_any_parents(relative, true).is_ignore();
    let except = except.canonicalize().ok();
    let walk = WalkBuilder::new(root)
        .standard_filters(false)
        .hidden(true)
        .follow_links(search.follow_links)
        .add_custom_ignore_filename(IGNORE_FILE)
        .filter_entry(move |entry| {
            let is_folder = entry.file_type().is_some_and(|kind| kind.is_dir());
            let is_excepted = || except.is_some() && entry.path().canonicalize().ok() == except;
            !is_folder || !(is_excepted() || holds_results(entry.depth(), entry.path()))
        })
        .build();
    let mut found = Found::default();
    for entry in walk {
        let entry = match entry {
            Ok(entry) => entry,
            Err(error) => {
                found.unreadable.push(place_of(root, &error));
                continue;
            }
        };
        if let Some(error) = entry.error() {
            // A pattern of an ignore file that is none: what it was to keep out may come in.
            found.unreadable.push(place_of(root, error));
        }
        let relative = from(root, entry.path());
        let is_link = entry.path_is_symlink();
        if !meant(&relative) {
            continue;
        }
        if is_link && !search.follow_links && entry.path().is_dir() {
            found.links.push(relative);
        } else if is_character(&relative) && !entry.path().is_dir() {
            found.files.push(relative);
        }
    }
    // What is skipped need not be readable.
    found
        .unreadable
        .retain(|(relative, _)| meant_folder(relative));
    found.files.sort_unstable();
    found.links.sort_unstable();
    found.unreadable.sort_unstable();
    Ok(found)
}

fn matcher(root: &Path, word: &str, patterns: &[String]) -> Result<Gitignore, Error> {
    let wrong = |error: &ignore::Error| {
        let fault = Fault::new(root, word, "patterns of file names", error.to_string());
        Error::Setting(vec![fault])
    };
    // Relative to the folder, as the paths that it is asked about.
    let mut builder = GitignoreBuilder::new("");
    for pattern in patterns {
        // As in an ignore file it would be no pattern, and the run over everything.
        if pattern.trim().is_empty() || pattern.starts_with('#') {
            let fault = Fault::new(
                root,
                word,
                "a pattern of file names",
                format!("'{pattern}'"),
            );
            return Err(Error::Setting(vec![fault]));
        }
        builder
            .add_line(None, pattern)
            .map_err(|error| wrong(&error))?;
    }
    builder.build().map_err(|error| wrong(&error))
}

/// Whether a folder below the first holds the results of another run: those are no inputs.
fn holds_results(depth: usize, folder: &Path) -> bool {
    depth > 0 && folder.join(LOCAL).is_dir()
}

/// Whether the name ends as those of characters do.
fn is_character(path: &Path) -> bool {
    let ending = path.extension();
    ending.is_some_and(|e| e.eq_ignore_ascii_case("glb") || e.eq_ignore_ascii_case("gltf"))
}

fn from(root: &Path, path: &Path) -> PathBuf {
    path.strip_prefix(root).unwrap_or(path).to_owned()
}

/// Where an error of the walk is, and what it says.
fn place_of(root: &Path, error: &ignore::Error) -> (PathBuf, String) {
    match error {
        ignore::Error::WithPath { path, err } => (from(root, path), err.to_string()),
        ignore::Error::WithDepth { err, .. } | ignore::Error::WithLineNumber { err, .. } => {
            place_of(root, err)
        }
        ignore::Error::Loop { child, .. } => (from(root, child), error.to_string()),
        ignore::Error::Partial(errors) if errors.len() == 1 => place_of(root, &errors[0]),
        _ => (PathBuf::new(), error.to_string()),
    }
}
