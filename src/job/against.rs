//! A bake held against an earlier result, in the same run.

use std::path::{Path, PathBuf};

use super::compare::{self, Pairing};
use super::onto::{self, Of};
use super::work::Work;
use super::worn::Worn;
use super::{Request, Watch};
use crate::asset::{self, Document, Loaded};
use crate::error::Error;
use crate::measure::Verdict;
use crate::report::{AgainstReport, SkinComparison};
use crate::rig::{Character, Weights};

/// Which earlier result to hold a bake against, and what follows.
#[derive(Clone, Debug, PartialEq)]
pub struct Against {
    /// The file; where there is none, the bake is the first of its kind.
    pub file: PathBuf,
    /// Whether the earlier result takes the place of a worse one.
    pub keep_better: bool,
    /// Changes of the rms below this never count, in percent of the old.
    pub least_percent: f64,
}

/// An earlier result that was read.
pub(super) struct Earlier<'a> {
    against: &'a Against,
    pub document: Document,
    skins: Vec<Loaded>,
    pairing: Pairing,
}

impl<'a> Earlier<'a> {
    /// Reads the earlier result of a request, if it asks for one and there is one.
    ///
    /// # Errors
    /// A sentence about a file that cannot be held against: the bake goes on without.
    pub fn open(request: &'a Request, skins: &[Loaded]) -> Result<Option<Self>, String> {
        let Some(against) = &request.against else {
            return Ok(None);
        };
        if !against.file.exists() {
            return Ok(None);
        }
        let why = |error: Error| not_held(&against.file, &error.to_string());
        let document = Document::open(&against.file).map_err(why)?;
        let old = asset::characters(&document, None).map_err(why)?;
        let pairing = Pairing::new((&request.input, skins), (&against.file, &old));
        Ok(Some(Self {
            against,
            document,
            skins: old,
            pairing,
        }))
    }

    /// An upper estimate of what reading it took, in bytes.
    pub fn reading_bytes(&self) -> u64 {
        asset::reading_bytes(&self.against.file)
    }

    /// Holds the new weights of a skin against the old ones, over the held-out poses of the bake.
    ///
    /// # Errors
    /// An interrupt. What has no counterpart is a sentence: the bake goes on without.
    pub fn hold(
        &self,
        work: &Work,
        input: &Path,
        skin: usize,
        weights: &Weights,
        width: usize,
        watch: &dyn Watch,
    ) -> Result<Result<AgainstReport, String>, Error> {
        let file = &self.against.file;
        let Some(partner) = self.pairing.partners[skin] else {
            return Ok(Err(not_held(file, "it has no such skin")));
        };
        let worn = Worn::of(&self.skins[partner]);
        // Helpers of the two are not the same, whatever their names are.
        let plain = work.first_helper.map(|first| Character {
            skeleton: work.character.skeleton.first(first),
            ..work.character.clone()
        });
        let plain = plain.as_ref().unwrap_or(work.character);
        let wearing = worn.as_ref().and_then(|worn| worn.on(plain));
        let reference = wearing.as_ref().map_or(plain, |wearing| &wearing.character);
        let old = match onto::read(
            Of::new(file, &self.skins[partner].character),
            Of::new(input, reference),
        ) {
            Ok(old) => old,
            Err(faults) => {
                let first = faults.first().map(ToString::to_string);
                return Ok(Err(not_held(file, &first.unwrap_or_default())));
            }
        };
        let least = self.against.least_percent;
        let theirs = match (&wearing, work.first_helper) {
            (None, None) => None,
            (wearing, _) => {
                let mut theirs = work.clone();
                theirs.character = plain;
                theirs.first_helper = None;
                for poses in [&mut theirs.poses.fit, &mut theirs.poses.held_out] {
                    *poses = poses.without_added();
                }
                Some(match wearing {
                    Some(wearing) => wearing.dress(theirs, &old.weights, (width, watch))?,
                    None => theirs,
                })
            }
        };
        let pair = [
            (theirs.as_ref().unwrap_or(work), &old.weights),
            (work, weights),
        ];
        let SkinComparison {
            verdict,
            old,
            new,
            change,
            ..
        } = compare::against(pair, input, least, width, watch)?;
        Ok(Ok(AgainstReport {
            file: file.display().to_string(),
            verdict,
            old,
            new,
            change,
            kept: false,
        }))
    }

    /// Whether the earlier result is to take the place of the new one.
    pub fn is_to_stay<'r>(&self, mut held: impl Iterator<Item = &'r AgainstReport>) -> bool {
        self.against.keep_better && held.any(|held| held.verdict == Verdict::Worse)
    }
}

fn not_held(file: &Path, reason: &str) -> String {
    format!("not held against {}: {reason}", file.display())
}
