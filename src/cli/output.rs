//! Where words go: standard output, standard error, and files that the user names.

use std::io::Write;
use std::path::Path;

use crate::asset;
use crate::error::{Error, Fault, clean};

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

/// Prints to standard output. A reader that has gone away is no fault; a full disk is.
pub(super) fn print(text: &str) -> Result<(), Error> {
    let mut out = std::io::stdout();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Error::Output {
            path: "standard output".into(),
            reason: error.to_string(),
        }),
        _ => Ok(()),
    }
}

/// A line on standard error, for whoever reads along. Work does not depend on them: a pipe that they closed,
/// or a disk that is full, ends nothing (`eprintln!` would panic).
pub(super) fn tell(line: &str) {
    // In one piece, so that lines of several processes do not mix.
    _ = std::io::stderr().write_all(format!("{}\n", clean(line)).as_bytes());
}

/// What went wrong, on standard error, a line a fault.
pub(super) fn tell_error(error: &Error) {
    for line in error.to_string().lines() {
        tell(&format!("tanyard: {line}"));
    }
}
