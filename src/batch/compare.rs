//! Two folders of results, file by file.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::find::{Search, find};
use super::items::name_of;
use crate::error::{Error, Fault};
use crate::job::{self, CompareRequest, Watch};
use crate::report::{Comparisons, FileComparison};

/// Which folders to compare, and how.
#[derive(Clone, Debug)]
pub struct CompareFolders {
    /// What is held against.
    pub old: PathBuf,
    /// What is judged.
    pub new: PathBuf,
    /// The folder of the characters before baking.
    pub source: Option<PathBuf>,
    /// Changes of the rms below this never count, in percent of the old.
    pub least_percent: f64,
    /// Bytes that the work may use: with a bound, one pair is compared after the other.
    pub memory: Option<u64>,
}

/// Makes a comparison of two files, old and new, and a source.
pub type MakeRequest<'a> =
    dyn Fn([&Path; 2], Option<&Path>) -> Result<CompareRequest, Error> + Sync + 'a;

/// Compares the files that both folders have. A pair
/// that cannot be compared stops no other.
///
/// # Errors
/// Folders that cannot be read, or that have no file in common; an interrupt.
pub fn compare_folders(
    folders: &CompareFolders,
    request: &MakeRequest,
    watch: &dyn Watch,
) -> Result<Comparisons, Error> {
    let names = |root: &Path| -> Result<BTreeSet<PathBuf>, Error> {
        let found = find(root, &Search::default(), Path::new(""))?;
        let faults: Vec<Fault> = found
            .unreadable
            .into_iter()
            .map(|(place, reason)| {
                Fault::new(
                    &root.join(place),
                    "",
                    "a place that can be looked into",
                    reason,
                )
            })
            .collect();
        match faults.is_empty() {
            true => Ok(found.files.into_iter().collect()),
            false => Err(Error::Input(faults)),
        }
    };
    let (old, new) = (names(&folders.old)?, names(&folders.new)?);
    let both: Vec<&PathBuf> = old.intersection(&new).collect();
    if both.is_empty() {
        let expected = format!("a file that {} has too", folders.old.display());
        let fault = Fault::new(&folders.new, "", expected, "none of that path");
        return Err(fault.remedy("give two folders of one tree").into());
    }
    let compare = |relative: &&PathBuf| -> Result<FileComparison, Error> {
        let name = name_of(relative);
        let source = folders.source.as_ref().map(|root| root.join(relative));
        let pair = [folders.old.join(relative), folders.new.join(relative)];
        let [old, new] = &pair;
        let compared = request([old, new], source.as_deref())
            .and_then(|request| job::compare(&request, watch));
        match compared {
            Ok(comparison) => Ok(FileComparison::of(name, comparison)),
            Err(Error::Interrupted) => Err(Error::Interrupted),
            Err(error) => Ok(FileComparison::failed(name, &error.to_string())),
        }
    };
    let files: Vec<FileComparison> = match folders.memory {
        Some(_) => both.iter().map(compare).collect::<Result<_, Error>>()?,
        None => both.par_iter().map(compare).collect::<Result<_, Error>>()?,
    };
    let shown = |path: &Path| path.display().to_string();
    let only = |a: &BTreeSet<PathBuf>, b: &BTreeSet<PathBuf>| {
        a.difference(b)
            .map(|path| name_of(path))
            .collect::<Vec<_>>()
    };
    Ok(Comparisons::new(
        [shown(&folders.old), shown(&folders.new)],
        folders.source.as_deref().map(shown),
        folders.least_percent,
        files,
        [only(&old, &new), only(&new, &old)],
        Vec::new(),
    ))
}
