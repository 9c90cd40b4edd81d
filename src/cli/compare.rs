//! `tanyard compare`.

use std::path::PathBuf;
use std::process::ExitCode;

use super::args::CompareArgs;
use super::bake::{deliver, is_standard_output, print};
use super::progress::Progress;
use crate::asset;
use crate::error::Error;
use crate::job::{self, CompareRequest};
use crate::recipe::Recipes;
use crate::report::{Comparison, Verdict, comparison_table};

/// The new file is worse.
const WORSE: u8 = 1;

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
    let comparison = two_files(args)?;
    if let Some(path) = report {
        deliver(path, &comparison.to_json())?;
    }
    if !args.running.quiet && report.is_none_or(|path| !is_standard_output(path)) {
        print(&comparison_table(&comparison))?;
    }
    Ok(outcome(&comparison))
}

/// Compares the skins of two files.
fn two_files(args: &CompareArgs) -> Result<Comparison, Error> {
    let recipes = Recipes::new(args.recipe.as_deref())?;
    let request = CompareRequest {
        old: args.old.clone(),
        new: args.new.clone(),
        source: args.source.clone(),
        skeleton: args.skeleton.clone(),
        recipe: recipes
            .of(args.source.as_ref().unwrap_or(&args.new))?
            .recipe,
        memory: args.memory,
        least_percent: args.band,
    };
    let threads = args.running.threads.map(Into::into);
    let progress = Progress::of_job(args.running.quiet);
    let comparison = super::on_threads(threads, || job::compare(&request, &*progress));
    progress.finish()?;
    comparison
}

/// The exit code; what is worse is said where errors are.
fn outcome(comparison: &Comparison) -> ExitCode {
    for skin in &comparison.skins {
        if skin.verdict == Verdict::Worse {
            eprintln!("tanyard: {}", skin.named_line());
        }
    }
    match comparison.verdict {
        Verdict::Worse => ExitCode::from(WORSE),
        Verdict::Better | Verdict::Same => ExitCode::SUCCESS,
    }
}
