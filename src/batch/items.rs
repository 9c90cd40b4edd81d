//! What a run has to do: one item a file.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use super::find::{Found, Search, find};
use crate::error::{Error, Fault};
use crate::job::Request;
use crate::report::{self, CharacterReport, FaultKind, FileReport, FileStatus, Report};

/// A file to bake.
#[derive(Clone, Debug)]
pub struct Item {
    /// The input as a path from the folder of the run, with `/`; of a single file its name. Text that is no
    /// Unicode is replaced.
    pub name: String,
    /// The file to read.
    pub input: PathBuf,
    /// The file to write.
    pub output: PathBuf,
    /// The recipe file; `None` for the defaults.
    pub recipe: Option<PathBuf>,
    /// What to do, or why it cannot be done.
    pub work: Result<Request, Error>,
    /// The report that figures are held against, if the recipe limits the change.
    pub baseline: Option<Arc<Report>>,
    /// How the names of the pictures begin that the request asks for, with their folder.
    pub stills: Option<PathBuf>,
}

/// The characters of a folder.
#[derive(Debug, Default)]
pub struct Tree {
    /// In order of their names. Places that cannot be looked into are items that fail.
    pub items: Vec<Item>,
    /// Links to folders that were not followed, as paths from the folder.
    pub links: Vec<PathBuf>,
    /// Characters in the folder of the results that no input gives any more, as paths from there; none where
    /// only some inputs are meant.
    pub orphans: Vec<PathBuf>,
}

/// How an item ended.
pub(super) enum Ending {
    Baked(Vec<CharacterReport>),
    Unchanged(Vec<CharacterReport>),
    Restored(Vec<CharacterReport>),
    Failed(Error),
    Left,
}

/// Reports that limits name, each read once.
#[derive(Debug, Default)]
pub struct Baselines(Mutex<HashMap<PathBuf, Result<Arc<Report>, Error>>>);

/// The report that a recipe's limits name, if they do.
fn baseline(request: &Request, baselines: &Baselines) -> Result<Option<Arc<Report>>, Error> {
    let Some(path) = &request.recipe.limits.baseline else {
        return Ok(None);
    };
    let mut known = baselines.0.lock().unwrap_or_else(PoisonError::into_inner);
    let read = || {
        let merged = report::merge(std::slice::from_ref(path));
        merged
            .map(|merged| Arc::new(merged.report))
            .map_err(|error| match error {
                // The recipe names it: without it the recipe asks for what there is not.
                Error::Input(faults) => Error::Setting(faults),
                other => other,
            })
    };
    known
        .entry(path.clone())
        .or_insert_with(read)
        .clone()
        .map(Some)
}

impl Tree {
    /// Finds the characters of a folder, and gives each the same place in the folder of the results. `item`
    /// makes an item of a name, an input and an output.
    ///
    /// # Errors
    /// A folder or patterns that cannot be used at all; or results that would take the inputs' places.
    pub fn mirror(
        root: &Path,
        results: &Path,
        search: &Search,
        item: &dyn Fn(String, PathBuf, PathBuf) -> Item,
    ) -> Result<Self, Error> {
        let real = |path: &Path| path.canonicalize().ok();
        if real(root).is_some_and(|root| real(results) == Some(root)) {
            let fault = Fault::new(
                results,
                "",
                "a folder of results apart from the inputs",
                "the folder of the inputs",
            );
            let remedy =
                "name another folder, which may lie within it: baked files would be baked again";
            return Err(Error::Setting(vec![fault.remedy(remedy)]));
        }
        if results.exists() && !results.is_dir() {
            let fault = Fault::new(results, "", "a folder for the results", "something else");
            return Err(Error::Setting(vec![fault]));
        }
        let Found {
            files,
            unreadable,
            links,
        } = find(root, search, results)?;
        let make = |relative: &Path| {
            item(
                name_of(relative),
                root.join(relative),
                results.join(relative),
            )
        };
        let mut items: Vec<Item> = files.iter().map(|file| make(file)).collect();
        let inputs: HashSet<PathBuf> = items.iter().filter_map(|item| real(&item.input)).collect();
        for item in &mut items {
            // Only through links can a result be an input.
            if real(&item.output).is_some_and(|output| inputs.contains(&output)) {
                let found = "a link to an input of this run";
                let fault = Fault::new(&item.output, "", "a target of its own", found);
                item.work = Err(Error::Setting(vec![fault.remedy("remove the link")]));
            }
        }
        let mut places: HashMap<PathBuf, Vec<usize>> = HashMap::new();
        for (index, item) in items.iter().enumerate() {
            if let Some(place) = real(&item.output) {
                places.entry(place).or_default().push(index);
            }
        }
        for shared in places.values().filter(|shared| shared.len() > 1) {
            // Through links as well: the last would win, and nobody knows which that is.
            for (at, &index) in shared.iter().enumerate() {
                let other = &items[shared[usize::from(at == 0)]].output;
                let found = format!("that of {}", other.display());
                let fault = Fault::new(&items[index].output, "", "a target of its own", found);
                items[index].work = Err(Error::Setting(vec![fault.remedy("remove the link")]));
            }
        }
        items.extend(unreadable.into_iter().map(|(relative, reason)| {
            let mut item = make(&relative);
            let expected = "a place that can be looked into";
            item.work = Err(Fault::new(&item.input, "", expected, reason).into());
            item
        }));
        items.sort_by(|a, b| a.name.cmp(&b.name));
        let mut orphans = Vec::new();
        if search.only.is_empty() && search.skip.is_empty() && results.is_dir() {
            // What cannot be looked into there is told when something is to be written.
            orphans =
                find(results, &Search::default(), root).map_or(Vec::new(), |found| found.files);
            let wanted: HashSet<&Path> = files.iter().map(AsRef::as_ref).collect();
            orphans.retain(|orphan| !wanted.contains(orphan.as_path()));
        }
        Ok(Self {
            items,
            links,
            orphans,
        })
    }
}

/// A relative path with `/` on all systems.
pub(super) fn name_of(relative: &Path) -> String {
    let parts = relative
        .components()
        .map(|part| part.as_os_str().to_string_lossy());
    let parts: Vec<_> = parts.collect();
    parts.join("/")
}

impl Item {
    /// An item; the baseline that its limits name is read here.
    pub fn new(
        name: String,
        input: PathBuf,
        output: PathBuf,
        recipe: Option<PathBuf>,
        work: Result<Request, Error>,
        baselines: &Baselines,
    ) -> Self {
        let baseline = match &work {
            Ok(request) => baseline(request, baselines),
            Err(_) => Ok(None),
        };
        let (work, baseline) = match baseline {
            Ok(baseline) => (work, baseline),
            Err(error) => (Err(error), None),
        };
        Self {
            name,
            input,
            output,
            recipe,
            work,
            baseline,
            stills: None,
        }
    }

    /// Its report before it had a turn.
    pub(super) fn left(&self) -> FileReport {
        self.report(Ending::Left, Duration::ZERO)
    }

    /// Its report.
    pub(super) fn report(&self, outcome: Ending, wall: Duration) -> FileReport {
        let (status, characters, fault) = match outcome {
            Ending::Baked(characters) => (FileStatus::Baked, characters, None),
            Ending::Unchanged(characters) => (FileStatus::Unchanged, characters, None),
            Ending::Restored(characters) => (FileStatus::Restored, characters, None),
            Ending::Failed(Error::Interrupted) | Ending::Left => {
                (FileStatus::Left, Vec::new(), None)
            }
            Ending::Failed(error) => (FileStatus::Failed, Vec::new(), Some(error)),
        };
        let faults = fault.as_ref().map(Error::to_string).unwrap_or_default();
        FileReport {
            name: self.name.clone(),
            input: self.input.display().to_string(),
            output: self.output.display().to_string(),
            recipe: self.recipe.as_ref().map(|path| path.display().to_string()),
            settings: self.work.as_ref().ok().and_then(Request::settings),
            status,
            faults: faults.lines().map(str::to_owned).collect(),
            fault_kind: fault.as_ref().and_then(FaultKind::of),
            characters: characters.into_iter().map(|c| self.judged(c)).collect(),
            wall_s: wall.as_secs_f64(),
        }
    }

    /// A character held against the limits of its recipe.
    fn judged(&self, mut character: CharacterReport) -> CharacterReport {
        if let Ok(request) = &self.work {
            let before = self.baseline.as_ref().map(|report| {
                let file = report.files.iter().find(|file| file.name == self.name)?;
                let mut characters = file.characters.iter();
                characters.find(|before| before.name == character.name)
            });
            if before == Some(None) {
                let note = "not in the baseline: its change is not limited";
                character.warnings.push(note.to_owned());
            }
            let before = before.flatten();
            let lod = character.carried.as_ref().and_then(|carried| carried.lod);
            let limits = request.recipe.limits_of(lod);
            character.limits = limits.judge(&character, before);
        }
        character
    }
}
