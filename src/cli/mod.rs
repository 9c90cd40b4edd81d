//! The command: words to calls, outcomes to exit codes. No logic of the job.

mod args;
mod bake;
mod compare;
mod inspect;
mod poses;
mod progress;
mod recipe;
mod report;

use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use clap::Parser;

use crate::error::{Error, Fault, clean};
use crate::report::Outcome;

pub use args::{Cli, Command};

/// Runs the command line of the process.
pub fn run() -> ExitCode {
    // Clap exits with 2 on wrong words, with 0 on --help and --version.
    let cli = Cli::parse();
    let outcome = match &cli.command {
        Command::Bake(args) => bake::run(args),
        Command::Poses(args) => poses::run(args).map(|()| ExitCode::SUCCESS),
        Command::Inspect(args) => inspect::run(args),
        Command::Recipe(args) => recipe::run(args),
        Command::Report(args) => report::run(args),
        Command::Compare(args) => compare::run(args),
    };
    match outcome {
        Ok(code) => code,
        Err(error) => {
            for line in error.to_string().lines() {
                tell(&format!("tanyard: {line}"));
            }
            ExitCode::from(Outcome::from(&error).code())
        }
    }
}

/// A line on standard error, for whoever reads along. Work does not depend on them: a pipe that they closed,
/// or a disk that is full, ends nothing (`eprintln!` would panic).
fn tell(line: &str) {
    // In one piece, so that lines of several processes do not mix.
    _ = std::io::stderr().write_all(format!("{}\n", clean(line)).as_bytes());
}

/// Checks how a target's name ends, and gives the ending.
fn require_ending<'a>(path: &Path, endings: &[&'a str]) -> Result<&'a str, Error> {
    let ending = path
        .extension()
        .and_then(|ending| ending.to_str())
        .unwrap_or("");
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

/// Refuses to write over a file that the run reads or writes besides.
fn keep_apart(target: &Path, others: &[Option<&Path>]) -> Result<(), Error> {
    match others
        .iter()
        .flatten()
        .find(|other| same_file(target, other))
    {
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

/// Whether two paths lead to one file, links followed; the file itself may not be there yet.
fn same_file(a: &Path, b: &Path) -> bool {
    let resolved = |path: &Path| {
        std::fs::canonicalize(path).ok().or_else(|| {
            let folder = path
                .parent()
                .filter(|parent| !parent.as_os_str().is_empty())
                .unwrap_or(Path::new("."));
            Some(std::fs::canonicalize(folder).ok()?.join(path.file_name()?))
        })
    };
    matches!((resolved(a), resolved(b)), (Some(a), Some(b)) if a == b)
}

/// Runs work on that many threads.
fn on_threads<T: Send>(
    threads: Option<usize>,
    work: impl FnOnce() -> Result<T, Error> + Send,
) -> Result<T, Error> {
    let Some(threads) = threads else {
        return work();
    };
    match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
        Ok(pool) => pool.install(work),
        Err(error) => Err(Error::Setting(vec![Fault::new(
            Path::new("--threads"),
            "",
            "a number of threads that the system gives",
            error.to_string(),
        )])),
    }
}
