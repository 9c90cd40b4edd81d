//! What is wrong with a skin that is already in a file: findings, each with its places and a remedy.
//!
//! Sums, caps, repeated joints and seams are judged on the rows as the file has them ([`RawWeights`]);
//! what concerns the surface (islands, pieces, symmetry, far joints) on the welded weights, as a bake
//! reads them. Nothing is posed: a finding says what stands out in bind pose. Weights that are negative
//! or not finite, and joints beyond the skin, never come here: reading refuses such files.

mod binds;
mod far;
mod finding;
mod influences;
mod limit;
mod pieces;
mod regions;
mod seams;
mod subject;
mod symmetry;

pub use finding::{Finding, Kind, Place, Severity, Unit};
pub use limit::{Excess, Limit, What};

use crate::rig::{Character, RawWeights};
use subject::Subject;

/// What to hold a skin against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Joints a vertex that the engine takes.
    pub influences: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self { influences: 4 }
    }
}

/// A skin with its weights as the file has them, `None` if it has none.
#[derive(Clone, Copy, Debug)]
pub struct Skin<'a> {
    /// The skin.
    pub character: &'a Character,
    /// See [`RawWeights`].
    pub raw: Option<&'a RawWeights>,
}

/// The findings of every skin of a file: errors first, then warnings, then notes.
pub fn inspect(skins: &[Skin], options: &Options) -> Vec<Vec<Finding>> {
    let one = |(number, skin): (usize, &Skin)| {
        let subject = Subject::new(skin.character);
        let mut findings = Vec::new();
        match skin.raw {
            Some(raw) => {
                findings.extend(influences::findings(&subject, raw, options));
                findings.extend(seams::torn(&subject, raw));
            }
            None => findings.push(influences::unbound(&subject)),
        }
        if let Some(weights) = &skin.character.weights {
            findings.extend(regions::islands(&subject, weights));
            findings.extend(pieces::findings(&subject, weights));
            findings.extend(far::far_joints(&subject, weights));
            findings.extend(symmetry::asymmetry(&subject, weights));
            findings.extend(influences::unused_joints(&subject));
        }
        findings.extend(binds::findings(&subject));
        findings.extend(binds::disagreement(&subject, skins, number));
        findings.extend(regions::stray_vertices(&subject));
        findings.sort_by_key(|finding| (finding.severity, finding.kind));
        findings
    };
    skins.iter().enumerate().map(one).collect()
}

/// How many raw vertices have weight on 1, 2, 3 … joints.
pub fn influences(raw: &RawWeights) -> Vec<usize> {
    influences::histogram(raw)
}
