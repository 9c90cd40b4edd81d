//! How a run ended for those who started it: the one rule of exit codes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{FileReport, FileStatus, Report, RunEnd};
use crate::error::Error;

/// How a run ended, the worse the greater.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// All is well.
    Well,
    /// A limit was exceeded.
    Exceeded,
    /// The command or a recipe is wrong.
    Setting,
    /// An input could not be processed, or an output not be written.
    Failed,
    /// The user interrupted.
    Interrupted,
}

/// What the faults of a failed file are about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// The command or the recipe.
    Setting,
    /// A file that was read.
    Input,
    /// A file that was to be written.
    Output,
    /// Memory.
    Memory,
}

impl Outcome {
    /// The exit code.
    pub fn code(self) -> u8 {
        match self {
            Self::Well => 0,
            Self::Exceeded => 1,
            Self::Setting => 2,
            Self::Failed => 3,
            Self::Interrupted => 130,
        }
    }

    /// What the first line of a text begins with, unless all is well.
    pub fn mark(self) -> Option<&'static str> {
        match self {
            Self::Well => None,
            Self::Exceeded => Some("ABOVE A LIMIT"),
            Self::Setting | Self::Failed => Some("FAILED"),
            Self::Interrupted => Some("INTERRUPTED"),
        }
    }
}

impl FaultKind {
    /// What an error is about; an interrupt is about no file.
    pub fn of(error: &Error) -> Option<Self> {
        match error {
            Error::Setting(_) => Some(Self::Setting),
            Error::Input(_) => Some(Self::Input),
            Error::Output { .. } => Some(Self::Output),
            Error::Memory { .. } => Some(Self::Memory),
            Error::Interrupted => None,
        }
    }

    /// Its name, as in JSON.
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Setting => "setting",
            Self::Input => "input",
            Self::Output => "output",
            Self::Memory => "memory",
        }
    }

    fn outcome(self) -> Outcome {
        match self {
            Self::Setting => Outcome::Setting,
            Self::Input | Self::Output | Self::Memory => Outcome::Failed,
        }
    }
}

impl From<&Error> for Outcome {
    fn from(error: &Error) -> Self {
        FaultKind::of(error).map_or(Self::Interrupted, FaultKind::outcome)
    }
}

impl FileReport {
    /// How it ended for this file alone. One without turn says nothing: the end of its run does.
    pub fn outcome(&self) -> Outcome {
        if self.status == FileStatus::Failed {
            self.fault_kind.map_or(Outcome::Failed, FaultKind::outcome)
        } else if self.exceeded() {
            Outcome::Exceeded
        } else {
            Outcome::Well
        }
    }
}

impl Report {
    /// The worst of all files and of the run's end.
    pub fn outcome(&self) -> Outcome {
        let end = match self.run.end {
            RunEnd::Interrupted => Outcome::Interrupted,
            // What stopped it is one of its files.
            RunEnd::Complete | RunEnd::Stopped => Outcome::Well,
        };
        let files = self.files.iter().map(FileReport::outcome);
        files.max().map_or(end, |worst| worst.max(end))
    }
}
