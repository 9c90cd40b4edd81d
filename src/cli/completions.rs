//! `tanyard completions`.

use clap::CommandFactory;

use super::args::{Cli, CompletionsArgs};
use super::output::print;
use crate::error::Error;

pub(super) fn run(args: &CompletionsArgs) -> Result<(), Error> {
    let mut command = Cli::command();
    let name = command.get_name().to_owned();
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut command, name, &mut script);
    // It is made of words and descriptions, all of them in Unicode.
    print(&String::from_utf8_lossy(&script))
}
