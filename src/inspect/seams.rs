//! Seams that tear: copies of one welded vertex with different weights.
//!
//! Limits: every copy is held against the first one, so two later ones may lie up to twice as far apart.
//! Parts that touch at single vertices only count as copies too, as they do for a bake. Rows without
//! weight are passed over: they are a finding of their own.

use super::influences::{figure, merge};
use super::subject::{Subject, difference, each_once, worst};
use super::{Finding, Kind};
use crate::rig::{JointId, RawWeights};

/// Share of the weight that lies on other joints. The crack is at most this share of the way between
/// where the joints take the vertex: a millimetre in a metre. Far above the rounding of f32 sums, below
/// one step of 8-bit weights.
const TORN: f64 = 1e-3;

pub(super) fn torn(subject: &Subject, raw: &RawWeights) -> Option<Finding> {
    let welded = &subject.surface.welded;
    let rows: Vec<(u32, &[(JointId, f64)])> =
        raw.rows().filter(|(_, row)| !row.is_empty()).collect();
    let mut first: Vec<Option<usize>> = vec![None; subject.surface.len()];
    let mut torn: Vec<Option<(f64, u32, JointId)>> = vec![None; subject.surface.len()];
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for (number, &(vertex, row)) in rows.iter().enumerate() {
        let v = welded[vertex as usize] as usize;
        let Some(other) = first[v] else {
            first[v] = Some(number);
            continue;
        };
        if rows[other].1 == row {
            continue;
        }
        share(row, &mut a);
        share(rows[other].1, &mut b);
        let (gap, joint) = difference(&a, &b);
        if gap > torn[v].map_or(TORN, |known| known.0) {
            torn[v] = Some((gap, vertex, joint));
        }
    }
    let torn: Vec<(f64, (u32, JointId))> = torn
        .into_iter()
        .flatten()
        .map(|(gap, vertex, joint)| (gap, (vertex, joint)))
        .collect();
    let count = torn.len();
    let joints = each_once(torn.iter().map(|(_, (_, joint))| *joint));
    let worst = worst(torn);
    let what = format!(
        "Copies of one vertex have different weights, by up to {}: a crack opens when posed.",
        figure(worst.first()?.0)
    );
    let remedy = "Give all vertices at one position the same weights.";
    let mut finding = subject.finding(Kind::TornSeams, count, what, remedy);
    finding.joints = subject.names(joints);
    for (gap, (vertex, joint)) in worst {
        let mut place = subject.raw_place(vertex, &[joint]);
        place.weight = Some(gap);
        finding.places.push(place);
    }
    Some(finding)
}

/// A row with each joint once and a sum of one.
fn share(row: &[(JointId, f64)], merged: &mut Vec<(JointId, f64)>) {
    merge(row, merged);
    let sum: f64 = merged.iter().map(|e| e.1).sum();
    for entry in merged {
        entry.1 /= sum;
    }
}
