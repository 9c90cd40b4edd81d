//! Vertices whose weights are not those of their mirrored partner.
//!
//! Source: the plane and the partners of `rig::Mirror`. Limits: vertices on the plane are not judged (a
//! rigid bind has to choose a side there), nor those with weight on a joint without partner. Where no
//! plane is found, nothing is.

use super::influences::figure;
use super::subject::{Subject, difference, each_once, worst};
use super::{Finding, Kind};
use crate::rig::{Axis, JointId, Mirror, Weights};

/// Share of the weight on other joints than the partner's. A tenth shows when both sides are posed alike;
/// fits to poses that are not symmetric differ by less nearly everywhere.
const UNLIKE: f64 = 0.1;

pub(super) fn asymmetry(subject: &Subject, weights: &Weights) -> Option<Finding> {
    let mirror = Mirror::find(subject.skeleton, subject.surface, None)?;
    let row = |v: usize| weights.of(v).map(|(id, w)| (id, f64::from(w)));
    let mirrored = |v: usize| -> Option<Vec<(JointId, f64)>> {
        row(v).map(|(id, w)| Some((mirror.joint(id)?, w))).collect()
    };
    let mut unlike: Vec<(f64, (u32, JointId))> = Vec::new();
    for v in 0..weights.len() {
        let Some(partner) = mirror.vertex(v).filter(|&partner| partner != v) else {
            continue;
        };
        let Some(wanted) = mirrored(partner) else {
            continue;
        };
        let own: Vec<(JointId, f64)> = row(v).collect();
        // Rows from files sum to one but for rounding.
        let (gap, joint) = difference(&own, &wanted);
        if gap > UNLIKE {
            unlike.push((gap, (v as u32, joint)));
        }
    }
    let count = unlike.len();
    let joints = each_once(unlike.iter().map(|(_, (_, joint))| *joint));
    let worst = worst(unlike);
    let what = format!(
        "Weights do not mirror across {} = {:.3}, by up to {}: both sides bend differently.",
        match mirror.axis {
            Axis::X => 'x',
            Axis::Y => 'y',
            Axis::Z => 'z',
        },
        mirror.at,
        figure(worst.first()?.0)
    );
    let remedy = "Copy the weights of one side to the other, if both should bend alike.";
    let mut finding = subject.finding(Kind::Asymmetry, count, what, remedy);
    finding.joints = subject.names(joints);
    for (gap, (v, joint)) in worst {
        let mut place = subject.place(v, &[joint]);
        place.weight = Some(gap);
        finding.places.push(place);
    }
    Some(finding)
}
