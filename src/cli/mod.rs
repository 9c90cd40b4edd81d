//! The command: words to calls, outcomes to exit codes. No logic of the job.

mod args;
mod bake;
mod carry;
mod compare;
mod completions;
mod inspect;
mod man;
mod output;
mod picture;
mod poses;
mod progress;
mod recipe;
mod report;
mod shapes;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Parser;

use crate::asset;
use crate::batch;
use crate::error::{Error, Fault};
use crate::report::Outcome;
use output::complain_of;

pub use args::{Cli, Command};

/// Runs the command line of the process.
pub fn run() -> ExitCode {
    output::choose_colours(std::env::args_os());
    // Clap exits with 2 on wrong words, with 0 on --help and --version.
    let cli = Cli::parse();
    let outcome = match &cli.command {
        Command::Bake(args) => bake::run(args),
        Command::Carry(args) => carry::run(args),
        Command::Poses(args) => poses::run(args).map(|()| ExitCode::SUCCESS),
        Command::Shapes(args) => shapes::run(args).map(|()| ExitCode::SUCCESS),
        Command::Picture(args) => picture::run(args).map(|()| ExitCode::SUCCESS),
        Command::Inspect(args) => inspect::run(args),
        Command::Recipe(args) => recipe::run(args),
        Command::Report(args) => report::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Completions(args) => completions::run(args).map(|()| ExitCode::SUCCESS),
        Command::Man(args) => man::run(args).map(|()| ExitCode::SUCCESS),
    };
    match outcome {
        Ok(code) => code,
        Err(error) => {
            complain_of(&error);
            ExitCode::from(Outcome::from(&error).code())
        }
    }
}

/// Checks how a target's name ends, and gives the ending.
fn require_ending<'a>(path: &Path, endings: &[&'a str]) -> Result<&'a str, Error> {
    let ending = ending(path).unwrap_or("");
    endings
        .iter()
        .copied()
        .find(|known| known.eq_ignore_ascii_case(ending))
        .ok_or_else(|| {
            let fault = Fault::new(
                path,
                "",
                format!("a name that ends in .{}", endings.join(" or .")),
                if ending.is_empty() {
                    "none of them".to_owned()
                } else {
                    format!(".{ending}")
                },
            );
            Error::Setting(vec![fault])
        })
}

/// How a name ends, as it is written.
fn ending(path: &Path) -> Option<&str> {
    path.extension()?.to_str()
}

/// Refuses to write over a file that the run reads or writes besides.
fn keep_apart(target: &Path, others: &[Option<&Path>]) -> Result<(), Error> {
    let place = resolved(target);
    let is_there = |other: &&&Path| place.is_some() && resolved(other) == place;
    match others.iter().flatten().find(is_there) {
        Some(other) => {
            let found = format!("that of {}", other.display());
            Err(Error::Setting(vec![Fault::new(
                target,
                "",
                "a target of its own",
                found,
            )]))
        }
        None => Ok(()),
    }
}

/// The file that a path leads to, links followed; the file itself may not be there yet.
fn resolved(path: &Path) -> Option<PathBuf> {
    std::fs::canonicalize(path).ok().or_else(|| {
        let folder = asset::folder_of(path);
        Some(std::fs::canonicalize(folder).ok()?.join(path.file_name()?))
    })
}

/// Runs work on that many threads.
fn on_threads<T: Send>(
    threads: Option<usize>,
    work: impl FnOnce() -> Result<T, Error> + Send,
) -> Result<T, Error> {
    match threads {
        Some(_) => batch::pool(threads)?.install(work),
        None => work(),
    }
}
