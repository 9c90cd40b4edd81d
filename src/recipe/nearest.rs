//! The recipes of many characters: the one that is named for all, or for each the nearest.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use super::file::{cleaned, in_folder};
use super::{Recipe, RecipeFile, show};
use crate::error::{Error, Fault};

/// Finds the recipe of each character, and reads every file once. May be asked from several threads: it
/// takes turns.
#[derive(Debug)]
pub struct Recipes {
    /// The file for all, if one was named.
    named: Option<Arc<RecipeFile>>,
    /// What was found from each folder upward.
    nearest: Mutex<BTreeMap<PathBuf, Nearest>>,
}

/// A file, none, or what is wrong with it.
type Nearest = Result<Option<Arc<RecipeFile>>, Vec<Fault>>;

/// A recipe, and where it is from.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// The settings, overrides applied.
    pub recipe: Recipe,
    /// The file; `None` if there is none and all are defaults.
    pub file: Option<PathBuf>,
}

impl Recipes {
    /// Recipes from one file for all characters, or from the nearest `tanyard.toml` of each.
    ///
    /// # Errors
    /// [`Error::Setting`] if the file named is no recipe: [`RecipeFile::read`].
    pub fn new(explicit: Option<&Path>) -> Result<Self, Error> {
        let named = explicit.map(RecipeFile::read).transpose()?;
        Ok(Self {
            named: named.map(Arc::new),
            nearest: Mutex::default(),
        })
    }

    /// The recipe of a character.
    ///
    /// # Errors
    /// [`Error::Setting`] if its file is no recipe, or overrides do not go with each other.
    pub fn of(&self, input: &Path) -> Result<Found, Error> {
        let Some(file) = self.file(input)? else {
            return Ok(Found {
                recipe: Recipe::default(),
                file: None,
            });
        };
        Ok(Found {
            recipe: file.of(input)?,
            file: Some(file.path().to_owned()),
        })
    }

    /// The recipe of a character as text: valid TOML, where a comment behind each setting says where it is
    /// from.
    ///
    /// # Errors
    /// As for [`Recipes::of`].
    pub fn show(&self, input: &Path) -> Result<String, Error> {
        show::show(self.file(input)?.as_deref(), input)
    }

    fn file(&self, input: &Path) -> Result<Option<Arc<RecipeFile>>, Error> {
        if let Some(named) = &self.named {
            return Ok(Some(Arc::clone(named)));
        }
        let cleaned = cleaned(input);
        let folder = cleaned.as_ref().and_then(|path| path.parent());
        folder.map_or(Ok(None), |folder| {
            self.nearest(folder).map_err(Error::Setting)
        })
    }

    /// The file that is nearest from a folder upward.
    fn nearest(&self, folder: &Path) -> Nearest {
        // Nothing is left half done where a thread panics: the map holds whole answers.
        let mut known = self.nearest.lock().unwrap_or_else(PoisonError::into_inner);
        let mut answer = Ok(None);
        let mut asked = Vec::new();
        for folder in folder.ancestors() {
            if let Some(nearest) = known.get(folder) {
                answer = nearest.clone();
                break;
            }
            asked.push(folder.to_owned());
            if let Some(path) = in_folder(folder) {
                answer = match RecipeFile::read(&path) {
                    Ok(file) => Ok(Some(Arc::new(file))),
                    Err(Error::Setting(faults)) => Err(faults),
                    Err(other) => Err(vec![Fault::new(&path, "", "a recipe", other.to_string())]),
                };
                break;
            }
        }
        known.extend(asked.into_iter().map(|folder| (folder, answer.clone())));
        answer
    }
}
