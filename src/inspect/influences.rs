//! Each row of weights by itself: sums, repeated joints, the cap; and joints without weight.
//!
//! Source: glTF 2.0 §3.7.3.3. Limits: rows are judged as the file has them. A row without weight is
//! `weightless`, not off in its sum.

use super::subject::{Subject, each_once, worst};
use super::{Finding, Kind, Options};
use crate::rig::{JointId, RawWeights, SUM_TOLERANCE_PER_WEIGHT, add_to};

/// Raw vertices of one kind with how far each is off. Rows of one raw vertex follow each other and count
/// once, with the worst of them.
#[derive(Default)]
struct Off(Vec<(f64, u32)>);

impl Off {
    fn add(&mut self, raw: u32, by: f64) {
        match self.0.last_mut() {
            Some(last) if last.1 == raw => last.0 = last.0.max(by),
            _ => self.0.push((by, raw)),
        }
    }

    /// A finding of them, if there are any.
    fn finding(
        self,
        subject: &Subject,
        kind: Kind,
        joints: impl Fn(u32) -> Vec<JointId>,
        what: impl Fn(f64) -> String,
        remedy: &str,
    ) -> Option<Finding> {
        let count = self.0.len();
        let worst = worst(self.0);
        let most = worst.first()?.0;
        let mut finding = subject.finding(kind, count, what(most), remedy);
        for (by, raw) in worst {
            let mut place = subject.raw_place(raw, &joints(raw));
            place.weight = Some(by);
            finding.places.push(place);
        }
        Some(finding)
    }
}

pub(super) fn findings(subject: &Subject, raw: &RawWeights, options: &Options) -> Vec<Finding> {
    let [mut sums, mut weightless, mut twice, mut over] = [(); 4].map(|()| Off::default());
    let mut twice_joints: Vec<(u32, JointId)> = Vec::new();
    let mut most_joints = 0;
    let mut merged = Vec::new();
    for (vertex, row) in raw.rows() {
        if row.is_empty() {
            weightless.add(vertex, 1.0);
            continue;
        }
        let sum: f64 = row.iter().map(|e| e.1).sum();
        if (sum - 1.0).abs() > SUM_TOLERANCE_PER_WEIGHT * row.len() as f64 {
            sums.add(vertex, (sum - 1.0).abs());
        }
        merge(row, &mut merged);
        if merged.len() < row.len() {
            // What an engine loses that keeps the last of each joint.
            let mut lost = 0.0;
            for (place, &(id, weight)) in row.iter().enumerate() {
                if row[place + 1..].iter().any(|other| other.0 == id) {
                    lost += weight;
                    twice_joints.push((vertex, id));
                }
            }
            twice.add(vertex, lost);
        }
        most_joints = most_joints.max(merged.len());
        if merged.len() > options.influences {
            merged.sort_by(|a, b| b.1.total_cmp(&a.1));
            let beyond = merged[options.influences..].iter().map(|e| e.1);
            over.add(vertex, beyond.sum());
        }
    }
    let none = |_| Vec::new();
    let mut findings = Vec::new();
    findings.extend(sums.finding(
        subject,
        Kind::Sums,
        none,
        |most| {
            format!(
                "Weights do not sum to 1, by up to {}: the surface swells or shrinks when posed.",
                figure(most)
            )
        },
        "Divide the weights of each vertex by their sum, then round so that they still sum to 1.",
    ));
    findings.extend(weightless.finding(
        subject,
        Kind::Weightless,
        none,
        |_| {
            "Vertices have no weight at all: engines draw them at the origin, or not at all."
                .to_owned()
        },
        "Bind these vertices, or give them the weights of their neighbours.",
    ));
    findings.extend(
        twice
            .finding(
                subject,
                Kind::DuplicateJoints,
                |raw| {
                    let own = twice_joints.iter().filter(|(vertex, _)| *vertex == raw);
                    each_once(own.map(|e| e.1))
                },
                |_| {
                    "One joint has weight twice in a vertex, which the standard forbids.".to_owned()
                },
                "Add up the weights of each joint and leave one slot for it.",
            )
            .map(|finding| Finding {
                joints: subject.names(each_once(twice_joints.iter().map(|e| e.1))),
                ..finding
            }),
    );
    findings.extend(over.finding(
        subject,
        Kind::Cap,
        none,
        |most| format!(
            "Vertices have weight on more than {} joints, on up to {most_joints}: an engine that takes {} drops up to {} of the weight.",
            options.influences, options.influences, figure(most)
        ),
        "Fit again with that cap (tanyard bake -k), or raise --influences if the engine takes more.",
    ));
    if raw.not_normalized {
        findings.push(subject.finding(
            Kind::NotNormalized,
            raw.rows().count(),
            "Integer weights are not marked as normalized: engines read them as up to 255 or 65535."
                .to_owned(),
            "Set \"normalized\": true on the accessors of weights.",
        ));
    }
    findings
}

/// How many raw vertices have weight on 1, 2, 3 … joints; where several rows disagree, the first counts.
pub(super) fn histogram(raw: &RawWeights) -> Vec<usize> {
    let mut counts = Vec::new();
    let (mut last, mut merged) = (None, Vec::new());
    for (vertex, row) in raw.rows() {
        if last.replace(vertex) == Some(vertex) || row.is_empty() {
            continue;
        }
        merge(row, &mut merged);
        if counts.len() < merged.len() {
            counts.resize(merged.len(), 0);
        }
        counts[merged.len() - 1] += 1;
    }
    counts
}

pub(super) fn unbound(subject: &Subject) -> Finding {
    subject.finding(
        Kind::Unbound,
        1,
        "No vertex is bound: there are no weights to inspect.".to_owned(),
        "Bind and fit it: tanyard bake.",
    )
}

/// Joints without weight that lead to none with weight either.
pub(super) fn unused_joints(subject: &Subject) -> Option<Finding> {
    let mut needed = subject.used.clone();
    for &id in subject.skeleton.parents_first().iter().rev() {
        if let (true, Some(parent)) = (needed[id.index()], subject.skeleton.joint(id).parent) {
            needed[parent.index()] = true;
        }
    }
    let unused: Vec<JointId> = subject
        .skeleton
        .ids()
        .filter(|id| !needed[id.index()])
        .collect();
    if unused.is_empty() {
        return None;
    }
    let mut finding = subject.finding(
        Kind::UnusedJoints,
        unused.len(),
        "Joints move no vertex, and none below them does: each costs a matrix a frame.".to_owned(),
        "Leave them out of the skin unless something is attached to them.",
    );
    finding.joints = subject.names(unused);
    Some(finding)
}

/// Each joint of a row once.
pub(super) fn merge(row: &[(JointId, f64)], merged: &mut Vec<(JointId, f64)>) {
    merged.clear();
    for &(id, weight) in row {
        add_to(merged, id, weight);
    }
}

/// A share of one with two figures that count.
pub(super) fn figure(share: f64) -> String {
    if share >= 0.01 {
        format!("{share:.2}")
    } else {
        format!("{share:.1e}")
    }
}
