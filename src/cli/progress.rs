//! What a run shows while it goes on, and Ctrl-C.

use std::collections::BTreeMap;
use std::io::IsTerminal;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::output::{complain, for_standard_error, is_standard_output, print, tell};
use crate::batch::Listener;
use crate::error::{Error, clean};
use crate::job::{Stage, Watch};
use crate::report::{FileReport, Line, Outcome, Role, Text, log_line};

/// How long an interrupted run may take to write its reports.
const PATIENCE: Duration = Duration::from_secs(10);

/// How long one job, which has nothing to write then, may take to stop by itself.
const GRACE: Duration = Duration::from_millis(500);

static INTERRUPTED: AtomicBool = AtomicBool::new(false);

/// Shows a run on standard error: bars on a terminal, else a line for each file; and prints lines of JSON
/// where they are asked for. Listens for interrupts.
pub struct Progress {
    quiet: bool,
    /// Whether each file is told of; one alone has its table in the end.
    is_folder: bool,
    /// Whether lines of JSON go to standard output.
    lines: bool,
    bars: Option<Bars>,
    /// The first line that could not be printed.
    broken: Mutex<Option<Error>>,
}

struct Bars {
    all: MultiProgress,
    whole: ProgressBar,
    /// Those that are at a file.
    workers: Mutex<BTreeMap<usize, Worker>>,
}

impl Bars {
    fn workers(&self) -> MutexGuard<'_, BTreeMap<usize, Worker>> {
        self.workers.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The bar of a worker, and what it shows.
struct Worker {
    bar: ProgressBar,
    name: String,
    shown: Option<(String, Stage)>,
}

impl Progress {
    /// Starts listening to one job that is no run; a quiet one shows nothing.
    pub fn of_job(quiet: bool) -> Arc<Self> {
        Self::start(quiet, false, false, GRACE)
    }

    /// Starts listening to a run. `report` is where its report goes.
    pub fn of_run(quiet: bool, is_folder: bool, report: Option<&Path>) -> Arc<Self> {
        let lines = report.is_some_and(is_standard_output);
        Self::start(quiet, is_folder, lines, PATIENCE)
    }

    fn start(quiet: bool, is_folder: bool, lines: bool, patience: Duration) -> Arc<Self> {
        // A handler can only be missing if one is set already: then interrupts end the process at once,
        // and since files are renamed into place when complete, nothing is lost.
        _ = ctrlc::set_handler(move || {
            if INTERRUPTED.swap(true, Ordering::SeqCst) {
                exit_interrupted();
            }
            // The run looks at the flag, ends its jobs and writes its reports. Where one of those waits for
            // somebody, end it here.
            std::thread::spawn(move || {
                std::thread::sleep(patience);
                exit_interrupted();
            });
        });
        let visible = !quiet && std::io::stderr().is_terminal();
        let bars = visible.then(|| {
            let all = MultiProgress::new();
            let whole = ProgressBar::no_length()
                .with_style(style("{pos}/{len} files {wide_bar} {elapsed}, {eta} left"));
            Bars {
                whole: if is_folder {
                    all.add(whole)
                } else {
                    ProgressBar::hidden()
                },
                all,
                workers: Mutex::default(),
            }
        });
        Arc::new(Self {
            quiet,
            is_folder,
            lines,
            bars,
            broken: Mutex::default(),
        })
    }

    /// Takes the bars off the screen.
    ///
    /// # Errors
    /// A line that could not be printed on the way.
    pub fn finish(&self) -> Result<(), Error> {
        if let Some(bars) = &self.bars {
            // A terminal that is gone shows nothing anyway.
            _ = bars.all.clear();
            // Jobs that an interrupt left behind draw no more.
            bars.all.set_draw_target(ProgressDrawTarget::hidden());
        }
        let broken = self.broken.lock().unwrap_or_else(PoisonError::into_inner);
        broken.clone().map_or(Ok(()), Err)
    }

    /// A line on standard error, above the bars.
    fn say(&self, line: &Text) {
        match &self.bars {
            Some(bars) => _ = bars.all.println(for_standard_error(line).trim_end()),
            None => tell(line),
        }
    }
}

fn exit_interrupted() -> ! {
    crate::asset::between_writes(|| {
        complain(&Error::Interrupted.to_string());
        std::process::exit(130)
    })
}

fn style(template: &str) -> ProgressStyle {
    // The templates are constants; the default serves if one ever does not parse.
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}

impl Listener for Progress {
    fn began(&self, files: usize) {
        if let Some(bars) = &self.bars {
            bars.whole.set_length(files as u64);
        }
    }

    fn started(&self, worker: usize, name: &str) {
        let Some(bars) = &self.bars else { return };
        let bar = ProgressBar::no_length().with_style(style("  {prefix}"));
        let bar = bars.all.add(bar);
        bar.set_prefix(clean(name));
        let name = name.to_owned();
        let shown = None;
        bars.workers().insert(worker, Worker { bar, name, shown });
    }

    fn progress(&self, worker: usize, character: &str, stage: Stage, done: usize, total: usize) {
        let Some(bars) = &self.bars else { return };
        let mut workers = bars.workers();
        let Some(Worker { bar, name, shown }) = workers.get_mut(&worker) else {
            return;
        };
        if shown.is_none() {
            bar.set_style(style("  {prefix} {wide_bar} {pos}/{len}"));
        }
        if shown
            .as_ref()
            .is_none_or(|(c, s)| c != character || *s != stage)
        {
            let doing = match stage {
                Stage::Gather => "gathering poses",
                Stage::Grow => "adding helper joints",
                Stage::Solve => "solving",
                Stage::Measure => "measuring",
            };
            bar.set_prefix(clean(&format!("{name}, {character}: {doing}")));
            *shown = Some((character.to_owned(), stage));
        }
        bar.set_length(total as u64);
        bar.set_position(done as u64);
    }

    fn finished(&self, worker: Option<usize>, file: &FileReport, done: usize, total: usize) {
        if let (Some(bars), Some(number)) = (&self.bars, worker) {
            let mut workers = bars.workers();
            // The worker may be at its next file by now.
            if workers
                .get(&number)
                .is_some_and(|worker| worker.name == file.name)
                && let Some(worker) = workers.remove(&number)
            {
                worker.bar.finish_and_clear();
                bars.all.remove(&worker.bar);
            }
        }
        if let Some(bars) = &self.bars {
            bars.whole.set_position(done as u64);
        }
        // On a terminal the bars say the rest.
        let matters = self.bars.is_none() || file.outcome() != Outcome::Well;
        if self.is_folder && !self.quiet && matters {
            self.say(&log_line(file, done, total));
        }
        if self.lines
            && let Err(error) = print(&Line::of_file(file))
        {
            let mut broken = self.broken.lock().unwrap_or_else(PoisonError::into_inner);
            broken.get_or_insert(error);
        }
    }

    fn note(&self, text: &str) {
        if !self.quiet {
            self.say(&Text::message(Role::Doubt, text));
        }
    }

    fn interrupted(&self) -> bool {
        INTERRUPTED.load(Ordering::SeqCst)
    }
}

impl Watch for Progress {
    fn progress(&self, character: &str, stage: Stage, done: usize, total: usize) {
        let known = |bars: &Bars| !bars.workers().is_empty();
        if !self.bars.as_ref().is_none_or(known) {
            self.started(0, "");
        }
        Listener::progress(self, 0, character, stage, done, total);
    }

    fn interrupted(&self) -> bool {
        Listener::interrupted(self)
    }
}
