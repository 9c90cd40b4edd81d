//! `tanyard bake`.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::args::{BakeArgs, Common};
use super::progress::Progress;
use crate::asset;
use crate::error::Error;
use crate::job::{self, Request};
use crate::recipe::Recipes;
use crate::report::{self, FileReport, FileStatus, Line, Report, RunEnd};

pub(super) fn run(args: &BakeArgs) -> Result<(), Error> {
    let (mut request, recipe) = request(&args.input, &args.common)?;
    request.poses.clone_from(&args.poses);
    request.memory = args.memory;
    if let Some(influences) = args.influences {
        request.recipe.fit.influences = usize::from(influences);
    }
    let threads = args.common.running.threads.map(Into::into);
    if args.dry_run {
        let plans = super::on_threads(threads, || job::plan(&request))?;
        if !args.common.running.quiet {
            let recipe = match &recipe {
                Some(path) => path.display().to_string(),
                None => "defaults".to_owned(),
            };
            print(&format!("recipe: {recipe}\n{}", report::plan_table(&plans)))?;
        }
        return Ok(());
    }
    // Clap asks for it where --dry-run is not given.
    let Some(output) = &args.output else {
        return Ok(());
    };
    super::require_ending(output, &["glb", "gltf"])?;
    let report = args
        .report
        .as_deref()
        .filter(|path| !is_standard_output(path));
    if let Some(path) = report {
        asset::check_target(path)?;
    }
    // The input may be written over, in place; nothing else that is read, and nothing twice.
    let read = [args.poses.as_deref(), recipe.as_deref()];
    super::keep_apart(output, &[report, read[0], read[1]])?;
    if let Some(report) = report {
        super::keep_apart(report, &[Some(&args.input), read[0], read[1]])?;
    }
    let progress = Progress::start(args.common.running.quiet);
    let clock = std::time::Instant::now();
    let bake = super::on_threads(threads, || job::bake(&request, output, &progress));
    progress.finish();
    let wall_s = clock.elapsed().as_secs_f64();
    let file = FileReport {
        input: request.input.display().to_string(),
        output: output.display().to_string(),
        recipe: None,
        status: FileStatus::Baked,
        faults: Vec::new(),
        fault_kind: None,
        characters: bake?.characters,
        wall_s,
    };
    let report = Report::new(vec![file], RunEnd::Complete, None, wall_s);
    let to_standard_output = args.report.as_deref().is_some_and(is_standard_output);
    if to_standard_output {
        for file in &report.files {
            print(&Line::of_file(file))?;
        }
        print(&Line::of_run(&report.run))?;
    } else if let Some(path) = &args.report {
        deliver(path, &report.to_json())?;
    }
    if !args.common.running.quiet && !to_standard_output {
        print(&report::table(&report))?;
        if args.verbose {
            print(&timings(&report))?;
        }
    }
    Ok(())
}

/// A request from what every command takes, and the file that its recipe is from.
pub(super) fn request(input: &Path, common: &Common) -> Result<(Request, Option<PathBuf>), Error> {
    let found = Recipes::new(common.recipe.as_deref())?.of(input)?;
    let mut request = Request::new(input, found.recipe);
    request.skeleton.clone_from(&common.skeleton);
    Ok((request, found.file))
}

/// Writes a report to where the user wants it.
pub(super) fn deliver(path: &Path, json: &str) -> Result<(), Error> {
    if is_standard_output(path) {
        print(json)
    } else {
        asset::write_atomically(path, json.as_bytes())
    }
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

fn timings(report: &Report) -> String {
    let memory = report
        .run
        .peak_memory_bytes
        .map_or("unknown".to_owned(), crate::units::bytes);
    let characters = report.files.iter().flat_map(|file| &file.characters);
    characters
        .map(|c| {
            let t = &c.timings;
            format!(
                "  read {:.3} s, prepare {:.3} s, gather {:.3} s, solve {:.3} s, measure {:.3} s, write {:.3} s\n  \
                 peak memory {memory}, KKT residual {:.1e}, {} vertices left open by the poses\n",
                t.read_s, t.prepare_s, t.gather_s, t.solve_s, t.measure_s, t.write_s,
                c.fit.kkt_residual, c.fit.unidentified_vertices
            )
        })
        .collect()
}
