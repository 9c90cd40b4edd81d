//! `tanyard man`.

use std::path::Path;

use clap::{Command, CommandFactory};
use clap_mangen::Man;

use super::args::{Cli, ManArgs};
use super::output::{print, show};
use crate::asset;
use crate::error::{Error, Fault};
use crate::report::Text;

pub(super) fn run(args: &ManArgs) -> Result<(), Error> {
    let mut command = Cli::command().disable_help_subcommand(true);
    // Names of pages and lines of usage follow from it.
    command.build();
    let Some(folder) = &args.output else {
        return print(&page(command)?.1);
    };
    if !folder.is_dir() {
        let fault = Fault::new(folder, "", "a folder that is there", "none");
        return Err(Error::Setting(vec![fault.remedy("make it first")]));
    }
    let pages = write_all(&command, folder)?;
    let mut text = Text::default();
    text.verdict(
        None,
        &folder.display().to_string(),
        &format!("{pages} pages"),
    );
    show(&text)
}

/// Writes the page of a command and of all below it; gives their number.
fn write_all(command: &Command, folder: &Path) -> Result<usize, Error> {
    let (name, text) = page(command.clone())?;
    asset::write_atomically(&folder.join(name), text.as_bytes())?;
    let mut pages = 1;
    for below in command
        .get_subcommands()
        .filter(|below| !below.is_hide_set())
    {
        pages += write_all(below, folder)?;
    }
    Ok(pages)
}

/// A page, with the name of its file.
fn page(command: Command) -> Result<(String, String), Error> {
    let source = format!("tanyard {}", env!("CARGO_PKG_VERSION"));
    let manual = Man::new(command).source(source);
    let mut page = Vec::new();
    // A list of bytes takes all that is written to it.
    manual.render(&mut page).map_err(|error| Error::Output {
        path: manual.get_filename().into(),
        reason: error.to_string(),
    })?;
    let page = String::from_utf8_lossy(&page).into_owned();
    Ok((manual.get_filename(), with_headings(page)))
}

/// What help has behind all else, under the headings that manual pages know it by.
fn with_headings(page: String) -> String {
    const EXTRA: &str = ".SH EXTRA\n";
    let Some((before, extra)) = page.split_once(EXTRA) else {
        return page;
    };
    if let Some(examples) = extra.strip_prefix("Examples:\n") {
        // Their lines stay as they are.
        let end = examples.find("\n.SH ").map_or(examples.len(), |at| at + 1);
        let (examples, after) = examples.split_at(end);
        format!("{before}.SH EXAMPLES\n.nf\n{examples}.fi\n{after}")
    } else if let Some(codes) = extra.strip_prefix("Exit codes: ") {
        format!("{before}.SH EXIT STATUS\n{codes}")
    } else {
        page
    }
}
