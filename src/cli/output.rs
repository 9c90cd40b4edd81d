//! Where words go: standard output, standard error, and files that the user names; and whether in colours, which only
//! text for people has, never data.

use std::ffi::OsString;
use std::io::Write;
use std::path::Path;

use anstream::{AutoStream, ColorChoice};

use crate::asset;
use crate::error::{Error, Fault};
use crate::report::{Role, Text};

/// Writes a report to where the user wants it.
pub(super) fn deliver(path: &Path, text: &str) -> Result<(), Error> {
    if is_standard_output(path) {
        print(text)
    } else {
        asset::write_atomically(path, text.as_bytes())
    }
}

/// Refuses several forms of a report on standard output.
pub(super) fn print_one(printed: usize, remedy: &str) -> Result<(), Error> {
    if printed <= 1 {
        return Ok(());
    }
    let expected = "one form of the report on standard output";
    let fault = Fault::new(Path::new("-"), "", expected, format!("{printed} of them"));
    Err(Error::Setting(vec![fault.remedy(remedy)]))
}

pub(super) fn is_standard_output(path: &Path) -> bool {
    path == Path::new("-")
}

/// Sets for the whole process whether words have colours, before anything is parsed: help and faults of the parser
/// obey too. What the word says is what the parser finds later; a wrong one is the parser's to refuse.
pub(super) fn choose_colours(words: impl Iterator<Item = OsString>) {
    let mut chosen = None;
    let mut words = words.take_while(|word| word != "--").peekable();
    while let Some(word) = words.next() {
        let text = word.to_string_lossy();
        let value = match text.strip_prefix("--color") {
            Some("") => words.peek().map(|next| next.to_string_lossy().into_owned()),
            Some(rest) => rest.strip_prefix('=').map(str::to_owned),
            None => None,
        };
        chosen = value.or(chosen);
    }
    match chosen.as_deref() {
        Some("always") => ColorChoice::Always.write_global(),
        Some("never") => ColorChoice::Never.write_global(),
        // As the terminal and the environment say: NO_COLOR, CLICOLOR, CLICOLOR_FORCE, TERM.
        _ => {}
    }
}

/// Text as standard error takes it: with colours on a terminal that wants them.
pub(super) fn for_standard_error(text: &Text) -> String {
    suited(text, AutoStream::choice(&std::io::stderr()))
}

fn suited(text: &Text, choice: ColorChoice) -> String {
    match choice {
        ColorChoice::Never => text.to_string(),
        _ => text.painted().to_owned(),
    }
}

/// Prints text for people to standard output.
pub(super) fn show(text: &Text) -> Result<(), Error> {
    print(&suited(text, AutoStream::choice(&std::io::stdout())))
}

/// Prints to standard output, as it is. A reader that has gone away is no fault; a full disk is.
pub(super) fn print(text: &str) -> Result<(), Error> {
    // Old consoles are told to obey; everywhere else this is the plain stream.
    let mut out = AutoStream::always(std::io::stdout());
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Error::Output {
            path: "standard output".into(),
            reason: error.to_string(),
        }),
        _ => Ok(()),
    }
}

/// What is wrong, in a line on standard error.
pub(super) fn complain(text: &str) {
    tell(&Text::message(Role::Bad, text));
}

/// What is good to know, in a line on standard error.
pub(super) fn remark(text: &str) {
    tell(&Text::message(Role::Doubt, text));
}

/// Lines on standard error, for whoever reads along. Work does not depend on them: a pipe that they closed,
/// or a disk that is full, ends nothing (`eprintln!` would panic).
pub(super) fn tell(text: &Text) {
    // In one piece, so that lines of several processes do not mix.
    let text = for_standard_error(text);
    _ = AutoStream::always(std::io::stderr()).write_all(text.as_bytes());
}

/// What went wrong, on standard error, a line a fault.
pub(super) fn complain_of(error: &Error) {
    error.to_string().lines().for_each(complain);
}
