//! Vertices whose heaviest joint is far while an unrelated one is near: caught by the wrong limb.
//!
//! A joint's bones are the segments to its children, or its origin where it has none. Limits: judged only
//! where neither joint stands above the other, so that a skirt on the hips passes though the thighs are
//! nearer, and long hair on the head though the shoulders are. Distances are straight lines.

use nalgebra::Vector3;
use rayon::prelude::*;

use super::subject::{Subject, each_once, worst};
use super::{Finding, Kind};
use crate::rig::{JointId, Weights};

/// How much farther the heaviest joint must be, as a share of the diagonal: more than a limb is thick.
const FARTHER: f64 = 0.15;

pub(super) fn far_joints(subject: &Subject, weights: &Weights) -> Option<Finding> {
    let skeleton = subject.skeleton;
    let children = skeleton.children();
    let bones: Vec<(JointId, Vector3<f64>, Vector3<f64>)> = skeleton
        .ids()
        .filter(|id| subject.used[id.index()])
        .flat_map(|id| {
            let from = skeleton.origin(id);
            let own = &children[id.index()];
            let ends = own.iter().map(|&child| skeleton.origin(child));
            let point = own.is_empty().then_some(from);
            ends.chain(point)
                .map(move |to| (id, from, to))
                .collect::<Vec<_>>()
        })
        .collect();
    let limit = FARTHER * subject.surface.diagonal();
    let judge = |v: usize| {
        let (heaviest, _) = weights.of(v).next()?;
        let point = Vector3::from(subject.surface.positions[v].map(f64::from));
        let (mut own, mut nearest) = (f64::INFINITY, (f64::INFINITY, heaviest));
        for &(id, from, to) in &bones {
            let distance = distance(point, from, to);
            if id == heaviest {
                own = own.min(distance);
            }
            if distance < nearest.0 {
                nearest = (distance, id);
            }
        }
        let gap = own - nearest.0;
        let far = gap > limit && !subject.related(heaviest, nearest.1);
        far.then_some((gap, (v as u32, heaviest, nearest.1)))
    };
    let far: Vec<(f64, (u32, JointId, JointId))> = (0..subject.surface.len())
        .into_par_iter()
        .filter_map(judge)
        .collect();
    let joints = each_once(far.iter().map(|(_, (_, heaviest, _))| *heaviest));
    let count = far.len();
    let worst = worst(far);
    let what = format!(
        "The heaviest joint of these vertices is farther than another limb, by up to {:.0} % of the size.",
        100.0 * worst.first()?.0 / subject.surface.diagonal()
    );
    let remedy =
        "Bind them to the limb that they lie on (each place names both: bound, then nearest).";
    let mut finding = subject.finding(Kind::FarJoints, count, what, remedy);
    finding.joints = subject.names(joints);
    for (_, (v, heaviest, nearest)) in worst {
        finding.places.push(subject.place(v, &[heaviest, nearest]));
    }
    Some(finding)
}

fn distance(point: Vector3<f64>, from: Vector3<f64>, to: Vector3<f64>) -> f64 {
    let along = to - from;
    let squared = along.norm_squared();
    let share = if squared > 0.0 {
        ((point - from).dot(&along) / squared).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (point - from - along * share).norm()
}
