//! The command: words to calls, outcomes to exit codes. No logic of the job.

mod args;
mod bake;
mod poses;
mod progress;

use std::process::ExitCode;

use clap::Parser;

use crate::error::Error;
use crate::recipe::Recipe;

pub use args::{Cli, Command};

/// Runs the command line of the process.
pub fn run() -> ExitCode {
    // Clap exits with 2 on wrong words, with 0 on --help and --version.
    let cli = Cli::parse();
    let outcome = match &cli.command {
        Command::Bake(args) => bake::run(args),
        Command::Poses(args) => poses::run(args),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            for line in error.to_string().lines() {
                eprintln!("tanyard: {line}");
            }
            ExitCode::from(exit_code(&error))
        }
    }
}

/// 2: the command or the recipe is wrong; 3: an input could not be processed; 130: interrupted.
fn exit_code(error: &Error) -> u8 {
    match error {
        Error::Setting(_) => 2,
        Error::Input(_) | Error::Output { .. } | Error::Memory { .. } => 3,
        Error::Interrupted => 130,
    }
}

/// The recipe of a command: the file's, or the default.
fn recipe(path: Option<&std::path::Path>) -> Result<Recipe, Error> {
    let Some(path) = path else {
        return Ok(Recipe::default());
    };
    let text = std::fs::read_to_string(path).map_err(|error| {
        Error::Setting(vec![crate::error::Fault::new(
            path,
            "",
            "a readable recipe",
            error.to_string(),
        )])
    })?;
    Recipe::parse(path, &text)
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
        Err(error) => Err(Error::Setting(vec![crate::error::Fault::new(
            std::path::Path::new("--threads"),
            "",
            "a number of threads that the system gives",
            error.to_string(),
        )])),
    }
}
