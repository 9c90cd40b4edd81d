//! `tanyard bake`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use super::args::{BakeArgs, Common, Delivery};
use super::output::{
    complain, complain_of, deliver, is_standard_output, print, print_one, remark, show,
};
use super::picture;
use super::progress::Progress;
use crate::asset;
use crate::batch::{self, Baselines, Cache, Item, Options, Ran, Search, Tree};
use crate::error::{Error, Fault};
use crate::job::{self, Against, GivenTargets, Request};
use crate::page::{self, Album};
use crate::recipe::{Found, Recipes};
use crate::report::{self, Line, Outcome, PlannedFile, Report};

pub(super) fn run(args: &BakeArgs) -> Result<ExitCode, Error> {
    let is_folder = args.input.is_dir();
    let recipes = Recipes::new(args.common.recipe.as_deref())?;
    check_cache(args)?;
    let items = items(args, &recipes, is_folder)?;
    let options = options(args, is_folder);
    if args.dry_run {
        return dry_run(args, &items, &options, is_folder);
    }
    if let Some(output) = args.output.as_ref().filter(|_| is_folder) {
        // Reports may go there too.
        asset::make_folder(output)?;
    }
    let run = Run {
        delivery: &args.delivery,
        quiet: args.common.running.quiet,
        is_folder,
        reads: &[args.poses.as_deref(), args.targets.as_deref()],
    };
    run.go(items, options)
}

/// What the commands have in common that bake.
pub(super) struct Run<'a> {
    pub delivery: &'a Delivery,
    pub quiet: bool,
    pub is_folder: bool,
    /// Files that are read besides.
    pub reads: &'a [Option<&'a Path>],
}

impl Run<'_> {
    /// Bakes, and tells of it.
    pub fn go(&self, mut items: Vec<Item>, options: Options) -> Result<ExitCode, Error> {
        let (delivery, is_folder) = (self.delivery, self.is_folder);
        picture::ask_for(delivery, is_folder, &mut items);
        if let Some(folder) = &delivery.picture {
            asset::make_folder(folder)?;
        }
        let targets = [
            &delivery.report,
            &delivery.junit,
            &delivery.markdown,
            &delivery.page,
        ];
        let targets = targets.into_iter().filter_map(Option::as_deref);
        let (printed, targets): (Vec<&Path>, Vec<&Path>) =
            targets.partition(|path| is_standard_output(path));
        print_one(printed.len(), "name files for the others")?;
        self.check_targets(&items, &targets)?;
        let progress = Progress::of_run(self.quiet, is_folder, delivery.report.as_deref());
        let run = batch::run(items, options, Arc::clone(&progress) as _);
        progress.finish()?;
        let Ran {
            report,
            albums,
            pictures,
        } = run?;
        deliver_all(delivery, self.quiet, &report, &albums)?;
        // Of a folder, lines have told of each file as it was finished.
        let is_told = is_folder && !self.quiet;
        for line in complaints(&report, !is_told) {
            complain(&line);
        }
        let mut outcome = report.outcome();
        if let Err(error) = &pictures
            && outcome != Outcome::Interrupted
        {
            // Results are there all the same.
            complain_of(error);
            outcome = outcome.max(Outcome::from(error));
        }
        if outcome == Outcome::Interrupted {
            // Jobs that did not stop in time end with the process, but not while they write.
            asset::between_writes(|| std::process::exit(outcome.code().into()));
        }
        Ok(ExitCode::from(outcome.code()))
    }

    /// Refuses reports that cannot be written, or that would take the place of what the run reads or writes
    /// besides. The input may be written over, in place.
    fn check_targets(&self, items: &[Item], targets: &[&Path]) -> Result<(), Error> {
        for (place, target) in targets.iter().enumerate() {
            asset::check_target(target)?;
            for other in &targets[place + 1..] {
                super::keep_apart(target, &[Some(other)])?;
            }
            for item in items {
                let (input, recipe) = (Some(item.input.as_path()), item.recipe.as_deref());
                // A report that takes its place would be what the next one is held against, however bad.
                let baseline = item.work.as_ref().ok();
                let baseline = baseline.and_then(|work| work.recipe.limits.baseline.as_deref());
                let others = [input, Some(&item.output), recipe, baseline];
                super::keep_apart(target, &others)?;
                super::keep_apart(target, self.reads)?;
                keep_apart_from_parts(target, &item.input, &item.output)?;
            }
        }
        for item in items {
            super::keep_apart(&item.output, &[item.recipe.as_deref()])?;
            super::keep_apart(&item.output, self.reads)?;
        }
        Ok(())
    }
}

/// What there is to do.
fn items(args: &BakeArgs, recipes: &Recipes, is_folder: bool) -> Result<Vec<Item>, Error> {
    let folder_words = [
        ("--only", !args.only.is_empty()),
        ("--skip", !args.skip.is_empty()),
        ("--follow-links", args.follow_links),
        ("--stop-early", args.stop_early),
        ("--shard", args.shard.is_some()),
    ];
    if let (false, Some((word, _))) = (is_folder, folder_words.iter().find(|(_, given)| *given)) {
        let fault = Fault::new(
            &args.input,
            *word,
            "a folder of characters",
            "a single file",
        );
        return Err(Error::Setting(vec![fault]));
    }
    if let (true, Some(_)) = (is_folder, &args.targets) {
        let expected = "a single file: target shapes are those of one character";
        let fault = Fault::new(&args.input, "--targets", expected, "a folder");
        return Err(Error::Setting(vec![fault]));
    }
    if let Some(against) = &args.against {
        let is_there = if is_folder {
            against.is_dir()
        } else {
            against.is_file()
        };
        // The first run into a place finds nothing there; anything else is a slip.
        if !is_there && (against.exists() || Some(against) != args.output.as_ref()) {
            let expected = if is_folder {
                "a folder of results"
            } else {
                "a result"
            };
            let found = if against.exists() {
                "something else"
            } else {
                "nothing"
            };
            let fault = Fault::new(against, "--against", expected, found);
            return Err(Error::Setting(vec![fault]));
        }
    }
    let baselines = Baselines::default();
    let make = |name: String, input: PathBuf, output| {
        let work = request(&input, &args.common, recipes);
        let (work, recipe) = match work {
            Ok((mut request, file)) => {
                request.poses.clone_from(&args.poses);
                request.targets = args.targets.as_ref().map(|shapes| GivenTargets {
                    shapes: shapes.clone(),
                    clip: (args.targets_clip.clone()).map(|name| (name, args.targets_rate)),
                    hold_out: args.hold_out.map_or(0, |every| every as usize),
                });
                request.memory = args.memory;
                if let Some(influences) = args.influences {
                    request.recipe.fit.influences = usize::from(influences);
                }
                if let Some(helpers) = args.helpers {
                    request.recipe.helpers.count = Some(usize::from(helpers));
                }
                request.recipe.write.clip |= args.clip;
                if is_folder {
                    request.beside = asset::Beside::Replaced;
                }
                request.against = args.against.as_ref().map(|path| Against {
                    file: match input.strip_prefix(&args.input) {
                        Ok(relative) if is_folder => path.join(relative),
                        _ => path.clone(),
                    },
                    keep_better: args.keep_better,
                    least_percent: args.band,
                });
                (Ok(request), file)
            }
            Err(error) => (Err(error), None),
        };
        Item::new(name, input, output, recipe, work, &baselines)
    };
    let output = args.output.clone();
    if !is_folder {
        // A plan has no output.
        let output = output.unwrap_or_else(|| args.input.clone());
        if args.output.is_some() {
            let ending = super::require_ending(&output, &["glb", "gltf"]);
            if ending.is_err() {
                // A folder whose name has a slip looks like one file that goes to a folder.
                std::fs::metadata(&args.input).map_err(|error| {
                    let expected = "a character or a folder that can be read";
                    Fault::new(&args.input, "", expected, error.to_string())
                })?;
            }
            ending?;
        }
        let name = args.input.file_name().unwrap_or_default();
        let item = make(
            name.to_string_lossy().into_owned(),
            args.input.clone(),
            output,
        );
        // One file alone: what is wrong with its recipe is wrong with the command.
        if let Err(error) = &item.work {
            return Err(error.clone());
        }
        return Ok(vec![item]);
    }
    let search = Search {
        only: args.only.clone(),
        skip: args.skip.clone(),
        follow_links: args.follow_links,
    };
    // A plan without output has nothing to pass over.
    let output = output.unwrap_or_else(|| args.input.join(batch::LOCAL));
    let tree = Tree::mirror(&args.input, &output, &search, &make)?;
    if !args.common.running.quiet {
        for link in &tree.links {
            let link = args.input.join(link);
            remark(&format!(
                "{}: a link to a folder, passed over; --follow-links follows it",
                link.display()
            ));
        }
        if let Some(first) = tree.orphans.first() {
            remark(&format!(
                "{}: {} results there have no input any more, the first {}; they stay",
                output.display(),
                tree.orphans.len(),
                first.display()
            ));
        }
    }
    if tree.items.is_empty() {
        let expected = "characters (.glb or .gltf) in it or below";
        let fault = Fault::new(&args.input, "", expected, "none")
            .remedy("check --only, --skip and .tanyardignore");
        return Err(fault.into());
    }
    Ok(tree.items)
}

fn options(args: &BakeArgs, is_folder: bool) -> Options {
    let shared = args.cache.clone().map(Cache::Shared);
    let local = args.output.as_ref().filter(|_| is_folder);
    let local = || local.map(|output| Cache::Local(output.join(batch::LOCAL)));
    Options {
        threads: args.common.running.threads.map(Into::into),
        memory: args.memory,
        cache: shared.or_else(local),
        again: args.again,
        stop_early: args.stop_early,
        shard: args.shard,
    }
}

/// Refuses what is there and cannot become a folder; a cache that fails later only costs time.
fn check_cache(args: &BakeArgs) -> Result<(), Error> {
    match &args.cache {
        Some(cache) if cache.exists() && !cache.is_dir() => {
            let fault = Fault::new(cache, "", "a folder for the cache", "something else");
            Err(Error::Setting(vec![fault]))
        }
        _ => Ok(()),
    }
}

fn dry_run(
    args: &BakeArgs,
    items: &[Item],
    options: &Options,
    is_folder: bool,
) -> Result<ExitCode, Error> {
    let mut end = Outcome::Well;
    let text = match items {
        [item] if !is_folder => {
            let request = item.work.as_ref().map_err(Error::clone)?;
            let plans = super::on_threads(options.threads, || job::plan(request))?;
            let recipe = item.recipe.as_ref().map(|path| path.display().to_string());
            report::plan_table(&item.name, recipe.as_deref(), &plans)
        }
        _ => {
            let files = batch::plan(items.to_vec(), options)?;
            let outcomes = files.iter().map(PlannedFile::outcome);
            end = outcomes.max().unwrap_or(Outcome::Well);
            report::plans_table(&files)
        }
    };
    if !args.common.running.quiet {
        show(&text)?;
    }
    Ok(ExitCode::from(end.code()))
}

/// Refuses to write over a buffer or an image of a character, or over its copy beside the result. They lie in
/// folders of their documents or below: what lies elsewhere, or is not there, is none.
fn keep_apart_from_parts(target: &Path, input: &Path, output: &Path) -> Result<(), Error> {
    let Ok(real) = target.canonicalize() else {
        return Ok(());
    };
    let folders = [input, output].map(asset::folder_of);
    let is_below = |folder: &&Path| folder.canonicalize().is_ok_and(|f| real.starts_with(f));
    for folder in folders.iter().filter(|folder| is_below(folder)) {
        let parts = asset::beside(input);
        let parts: Vec<_> = parts.iter().map(|part| folder.join(part)).collect();
        let parts: Vec<Option<&Path>> = parts.iter().map(|part| Some(part.as_path())).collect();
        super::keep_apart(target, &parts)?;
    }
    Ok(())
}

/// Writes and prints what the run came to: whatever keeps one form from its place, the others get theirs.
fn deliver_all(
    args: &Delivery,
    quiet: bool,
    report: &Report,
    albums: &[Album],
) -> Result<(), Error> {
    // A form on standard output takes the place of the table.
    let mut printed = quiet;
    let mut ends = Vec::new();
    if let Some(path) = &args.report {
        printed |= is_standard_output(path);
        ends.push(match is_standard_output(path) {
            true => print(&Line::of_run(&report.run)),
            false => deliver(path, &report.to_json()),
        });
    }
    if let Some(path) = &args.page {
        ends.push(deliver(path, &page::html(report, albums)));
        printed |= is_standard_output(path);
    }
    for (path, text) in [
        (&args.junit, report::junit as fn(&Report) -> String),
        (&args.markdown, report::markdown),
    ] {
        if let Some(path) = path {
            ends.push(deliver(path, &text(report)));
            printed |= is_standard_output(path);
        }
    }
    if !printed {
        let mut text = report::table(report);
        if args.verbose {
            text.push(&report::timings(report));
        }
        ends.push(show(&text));
    }
    ends.into_iter().collect()
}

/// What went wrong, for standard error.
fn complaints(report: &Report, with_files: bool) -> Vec<String> {
    let mut lines = Vec::new();
    for file in report.files.iter().filter(|_| with_files) {
        lines.extend(file.faults.iter().cloned());
        lines.extend(file.exceeded_lines());
    }
    if report.outcome() == Outcome::Interrupted {
        lines.push(Error::Interrupted.to_string());
    }
    lines
}

/// A request from what the commands that move joints take, and the recipe file that it comes from.
pub(super) fn request(
    input: &Path,
    common: &Common,
    recipes: &Recipes,
) -> Result<(Request, Option<PathBuf>), Error> {
    let Found { recipe, file } = recipes.of(input)?;
    let mut request = Request::new(input, recipe);
    request.skeleton.clone_from(&common.skeleton);
    Ok((request, file))
}
