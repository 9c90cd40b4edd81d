//! `tanyard report`.

use std::path::Path;
use std::process::ExitCode;

use super::args::{MergeArgs, ReportArgs, ReportCommand, ShowArgs};
use super::output::{self, complain, deliver, is_standard_output, print_one, remark};
use crate::asset;
use crate::error::Error;
use crate::report::{self, Merged};

/// Missing parts that are named; a run may have thousands.
const MOST_NAMED: usize = 20;

pub(super) fn run(args: &ReportArgs) -> Result<ExitCode, Error> {
    match &args.command {
        ReportCommand::Merge(args) => merge(args),
        ReportCommand::Show(args) => show(args),
    }
}

fn merge(args: &MergeArgs) -> Result<ExitCode, Error> {
    let output = args.output.as_deref().unwrap_or(Path::new("-"));
    let targets = [
        Some(output),
        args.junit.as_deref(),
        args.markdown.as_deref(),
    ];
    check_targets(args, &targets)?;
    let merged = report::merge(&args.parts)?;
    let report = &merged.report;
    deliver(output, &report.to_json())?;
    if let Some(path) = &args.junit {
        deliver(path, &report::junit(report))?;
    }
    if let Some(path) = &args.markdown {
        deliver(path, &report::markdown(report))?;
    }
    if !args.quiet {
        say_notes(&merged);
        if targets
            .iter()
            .flatten()
            .any(|path| is_standard_output(path))
        {
            let mark = report.outcome().mark();
            let say = if mark.is_some() { complain } else { remark };
            say(&report.verdict());
        } else {
            output::show(&report::table(report))?;
        }
    }
    let missing = &merged.missing;
    for shard in missing.iter().take(MOST_NAMED) {
        complain(&format!("part {shard} is missing"));
    }
    if missing.len() > MOST_NAMED {
        let more = missing.len() - MOST_NAMED;
        complain(&format!("and {more} more parts"));
    }
    Ok(ExitCode::from(merged.outcome().code()))
}

/// Every target its own, none of the parts, and one at most on standard output.
fn check_targets(args: &MergeArgs, targets: &[Option<&Path>]) -> Result<(), Error> {
    let (printed, files): (Vec<&Path>, Vec<&Path>) = targets
        .iter()
        .flatten()
        .partition(|path| is_standard_output(path));
    print_one(printed.len(), "name a file for the JSON with --output")?;
    for (at, path) in files.iter().enumerate() {
        asset::check_target(path)?;
        let others = args.parts.iter().map(AsRef::as_ref);
        let others: Vec<Option<&Path>> = others
            .chain(files[..at].iter().copied())
            .map(Some)
            .collect();
        super::keep_apart(path, &others)?;
    }
    Ok(())
}

fn show(args: &ShowArgs) -> Result<ExitCode, Error> {
    let merged = report::merge(std::slice::from_ref(&args.report))?;
    say_notes(&merged);
    output::show(&report::table(&merged.report))?;
    Ok(ExitCode::SUCCESS)
}

fn say_notes(merged: &Merged) {
    for note in &merged.notes {
        remark(&format!("note: {note}"));
    }
}
