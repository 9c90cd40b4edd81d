//! The progress bar on a terminal, and Ctrl-C.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use indicatif::{ProgressBar, ProgressStyle};

use crate::job::{Stage, Watch};

/// How long a job may take to stop by itself.
const GRACE: std::time::Duration = std::time::Duration::from_millis(500);

static INTERRUPTED: AtomicBool = AtomicBool::new(false);

/// Shows progress on standard error if that is a terminal, and listens for interrupts.
pub struct Progress {
    bar: Option<ProgressBar>,
    shown: Mutex<Option<(String, Stage)>>,
}

impl Progress {
    /// Starts listening; a quiet one shows nothing.
    pub fn start(quiet: bool) -> Self {
        // A handler can only be missing if one is set already: then interrupts end the process at once,
        // and since files are renamed into place when complete, nothing is lost.
        _ = ctrlc::set_handler(|| {
            INTERRUPTED.store(true, Ordering::SeqCst);
            // The job looks at the flag between blocks of poses and before it writes; where a stage
            // takes longer, end it here.
            std::thread::sleep(GRACE);
            crate::asset::between_writes(|| {
                eprintln!("tanyard: {}", crate::error::Error::Interrupted);
                std::process::exit(130)
            })
        });
        let visible = !quiet && std::io::stderr().is_terminal();
        let bar = visible.then(|| {
            let style = ProgressStyle::with_template("{prefix} {wide_bar} {pos}/{len} {eta}");
            // The template is a constant; the default serves if it ever does not parse.
            ProgressBar::no_length()
                .with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
        });
        Self {
            bar,
            shown: Mutex::new(None),
        }
    }

    /// Takes the bar off the screen.
    pub fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

impl Watch for Progress {
    fn progress(&self, character: &str, stage: Stage, done: usize, total: usize) {
        let Some(bar) = &self.bar else { return };
        let mut shown = self
            .shown
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        if shown
            .as_ref()
            .is_none_or(|(c, s)| c != character || *s != stage)
        {
            let doing = match stage {
                Stage::Gather => "gathering poses",
                Stage::Solve => "solving",
                Stage::Measure => "measuring",
            };
            bar.set_prefix(format!("{character}: {doing}"));
            *shown = Some((character.to_owned(), stage));
        }
        bar.set_length(total as u64);
        bar.set_position(done as u64);
    }

    fn interrupted(&self) -> bool {
        INTERRUPTED.load(Ordering::SeqCst)
    }
}
