//! How a file or character ended, as a word and a mark of its own shape: never by colour alone.

use maud::{Markup, html};

use crate::report::{CharacterReport, FileReport, FileStatus, words};

/// How it ended, the worst first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Standing {
    Failed,
    Exceeded,
    Warned,
    Left,
    Well,
}

impl Standing {
    pub(super) const ALL: [Self; 5] = [
        Self::Failed,
        Self::Exceeded,
        Self::Warned,
        Self::Left,
        Self::Well,
    ];

    pub(super) fn of(file: &FileReport, character: Option<&CharacterReport>) -> Self {
        let exceeded = character.is_some_and(|c| words::exceeded_limits(c).next().is_some());
        let warned = character.is_some_and(|c| !c.warnings.is_empty());
        match file.status {
            FileStatus::Failed => Self::Failed,
            FileStatus::Left => Self::Left,
            _ if exceeded => Self::Exceeded,
            _ if warned => Self::Warned,
            _ => Self::Well,
        }
    }

    /// What the filter calls it.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::Exceeded => "above a limit",
            Self::Warned => "with notes",
            Self::Left => "left",
            Self::Well => "without notes",
        }
    }

    /// Ends the id of its mark, and its class.
    pub(super) fn key(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::Exceeded => "exceeded",
            Self::Warned => "warned",
            Self::Left => "left",
            Self::Well => "well",
        }
    }

    /// Mark and words; `ended` says how the file ended.
    pub(super) fn shown(self, ended: FileStatus) -> Markup {
        let words = match self {
            Self::Failed | Self::Left => self.word().to_owned(),
            Self::Exceeded | Self::Warned => format!("{}, {}", words::status(ended), self.word()),
            Self::Well => words::status(ended).to_owned(),
        };
        html! {
            span.standing.(self.key()) {
                svg.mark aria-hidden="true" { use href={ "#mark-" (self.key()) }; }
                span { (words) }
            }
        }
    }
}

/// The marks, drawn once: a cross in an octagon, a triangle, a diamond, a ring, a disc.
pub(super) fn sheet() -> Markup {
    html! {
        svg.sheet aria-hidden="true" width="0" height="0" {
            symbol id="mark-failed" viewBox="0 0 16 16" {
                path fill="currentColor" fill-rule="evenodd" d="M5 1h6l4 4v6l-4 4H5l-4-4V5zM4.6 5.9 6.7 8 4.6 10.1l1.3 1.3L8 9.3l2.1 2.1 1.3-1.3L9.3 8l2.1-2.1-1.3-1.3L8 6.7 5.9 4.6z" {}
            }
            symbol id="mark-exceeded" viewBox="0 0 16 16" {
                path fill="currentColor" fill-rule="evenodd" d="M8 1l7.5 14H.5zM7.2 5.5v5h1.6v-5zm0 6.2v1.6h1.6v-1.6z" {}
            }
            symbol id="mark-warned" viewBox="0 0 16 16" {
                path fill="currentColor" d="M8 .8 15.2 8 8 15.2.8 8z" {}
            }
            symbol id="mark-left" viewBox="0 0 16 16" {
                circle cx="8" cy="8" r="5.5" fill="none" stroke="currentColor" stroke-width="2.2" {}
            }
            symbol id="mark-well" viewBox="0 0 16 16" {
                circle cx="8" cy="8" r="6.5" fill="currentColor" {}
            }
        }
    }
}
