//! `tanyard inspect`.

use std::process::ExitCode;

use super::args::InspectArgs;
use super::output::{complain, deliver, is_standard_output, show};
use crate::asset;
use crate::error::Error;
use crate::inspect::Options;
use crate::job;
use crate::report::{Outcome, inspection_table};

pub(super) fn run(args: &InspectArgs) -> Result<ExitCode, Error> {
    let report = args.report.as_deref();
    let file = report.filter(|path| !is_standard_output(path));
    if let Some(path) = file {
        asset::check_target(path)?;
        super::keep_apart(path, &[Some(&args.input)])?;
    }
    let options = Options {
        influences: args.influences.into(),
    };
    let threads = args.running.threads.map(Into::into);
    let inspection = super::on_threads(threads, || {
        job::inspect(&args.input, &options, &args.limits)
    })?;
    if let Some(path) = report {
        deliver(path, &inspection.to_json())?;
    }
    if !args.running.quiet && report.is_none_or(|path| !is_standard_output(path)) {
        show(&inspection_table(&inspection))?;
    }
    for exceeded in &inspection.exceeded {
        complain(&exceeded.line());
    }
    Ok(if inspection.exceeded.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(Outcome::Exceeded.code())
    })
}
