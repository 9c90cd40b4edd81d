//! `tanyard compare`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::args::CompareArgs;
use super::output::{complain, deliver, is_standard_output, show};
use super::progress::Progress;
use crate::asset;
use crate::batch::{self, CompareFolders};
use crate::error::{Error, Fault};
use crate::job::{self, CompareRequest};
use crate::recipe::Recipes;
use crate::report::{
    self, Comparison, Comparisons, Outcome, Verdict, comparison_table, comparisons_table,
};

/// What came of it.
enum Compared {
    Files(Comparison),
    Many(Comparisons),
}

pub(super) fn run(args: &CompareArgs) -> Result<ExitCode, Error> {
    let report = args.report.as_deref();
    if let Some(path) = report.filter(|path| !is_standard_output(path)) {
        asset::check_target(path)?;
        let read = [
            Some(&args.old),
            Some(&args.new),
            args.source.as_ref(),
            args.recipe.as_ref(),
        ];
        super::keep_apart(path, &read.map(|file| file.map(PathBuf::as_path)))?;
    }
    let compared = compare(args)?;
    let (json, table) = match &compared {
        Compared::Files(one) => (one.to_json(), comparison_table(one)),
        Compared::Many(many) => (many.to_json(), comparisons_table(many)),
    };
    if let Some(path) = report {
        deliver(path, &json)?;
    }
    if !args.running.quiet && report.is_none_or(|path| !is_standard_output(path)) {
        show(&table)?;
    }
    for line in complaints(&compared) {
        complain(&line);
    }
    Ok(ExitCode::from(outcome(&compared).code()))
}

/// Two files, two folders or two reports, told by what is there and by their names.
fn compare(args: &CompareArgs) -> Result<Compared, Error> {
    let folders = [&args.old, &args.new].map(|path| path.is_dir());
    let reports = [&args.old, &args.new].map(|path| report::looks_like_report(path));
    match (folders, reports) {
        ([true, true], _) => two_folders(args).map(Compared::Many),
        ([false, false], [true, true]) => two_reports(args).map(Compared::Many),
        ([false, false], [false, false]) => two_files(args).map(Compared::Files),
        _ => {
            let expected = "two files, two folders, or two reports (.json, .jsonl)";
            let found = format!("something else than {}", args.old.display());
            Err(Error::Setting(vec![Fault::new(
                &args.new, "", expected, found,
            )]))
        }
    }
}

/// The recipe of a comparison: that of the source, else that of the file that is judged.
fn request(
    args: &CompareArgs,
    recipes: &Recipes,
    [old, new]: [&Path; 2],
    source: Option<&Path>,
) -> Result<CompareRequest, Error> {
    Ok(CompareRequest {
        old: old.to_owned(),
        new: new.to_owned(),
        source: source.map(Path::to_owned),
        skeleton: args.skeleton.clone(),
        recipe: recipes.of(source.unwrap_or(new))?.recipe,
        memory: args.memory,
        least_percent: args.band,
    })
}

fn two_files(args: &CompareArgs) -> Result<Comparison, Error> {
    let recipes = Recipes::new(args.recipe.as_deref())?;
    let request = request(
        args,
        &recipes,
        [&args.old, &args.new],
        args.source.as_deref(),
    )?;
    let threads = args.running.threads.map(Into::into);
    let progress = Progress::of_job(args.running.quiet);
    let comparison = super::on_threads(threads, || job::compare(&request, &*progress));
    progress.finish()?;
    comparison
}

fn two_folders(args: &CompareArgs) -> Result<Comparisons, Error> {
    if let Some(source) = args.source.as_ref().filter(|source| !source.is_dir()) {
        let expected = "a folder of characters, as OLD and NEW are folders";
        let fault = Fault::new(source, "--source", expected, "something else");
        return Err(Error::Setting(vec![fault]));
    }
    let recipes = Recipes::new(args.recipe.as_deref())?;
    let folders = CompareFolders {
        old: args.old.clone(),
        new: args.new.clone(),
        source: args.source.clone(),
        least_percent: args.band,
        memory: args.memory,
    };
    let make = |pair: [&Path; 2], source: Option<&Path>| request(args, &recipes, pair, source);
    let threads = args.running.threads.map(Into::into);
    // Many at once have no one bar.
    let progress = Progress::of_job(true);
    super::on_threads(threads, || {
        batch::compare_folders(&folders, &make, &*progress)
    })
}

fn two_reports(args: &CompareArgs) -> Result<Comparisons, Error> {
    for (given, word) in [
        (args.source.is_some(), "--source"),
        (args.recipe.is_some(), "--recipe"),
    ] {
        if given {
            let found = "two reports, whose figures are compared as they stand";
            let fault = Fault::new(&args.old, word, "two files or two folders", found);
            return Err(Error::Setting(vec![fault]));
        }
    }
    let read = |path: &PathBuf| report::merge(std::slice::from_ref(path));
    let (old, new) = (read(&args.old)?, read(&args.new)?);
    let names = [&args.old, &args.new].map(|path| path.display().to_string());
    Ok(Comparisons::of_reports(
        names,
        &old.report,
        &new.report,
        args.band,
    ))
}

/// What is worse, and what could not be compared, for standard error.
fn complaints(compared: &Compared) -> Vec<String> {
    match compared {
        Compared::Files(one) => {
            let worse = one
                .skins
                .iter()
                .filter(|skin| skin.verdict == Verdict::Worse);
            worse.map(|skin| skin.named_line()).collect()
        }
        Compared::Many(many) => {
            let files = many.files.iter();
            files
                .flat_map(|file| file.faults.iter().cloned().chain(file.worse_lines()))
                .collect()
        }
    }
}

fn outcome(compared: &Compared) -> Outcome {
    let (verdict, failed) = match compared {
        Compared::Files(one) => (one.verdict, false),
        Compared::Many(many) => (many.verdict, many.has_failed()),
    };
    match (failed, verdict) {
        (true, _) => Outcome::Failed,
        (false, Verdict::Worse) => Outcome::Exceeded,
        (false, Verdict::Better | Verdict::Same) => Outcome::Well,
    }
}
