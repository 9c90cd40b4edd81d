//! Small pieces of the surface that come apart: split between limbs, or bent where they look rigid.
//!
//! Limits: whether a piece should be rigid is guessed from its size alone. The largest piece is never
//! judged. Weights count by vertices, not by area: pieces are small and even.

use super::influences::figure;
use super::subject::{Subject, difference, each_once, worst};
use super::{Finding, Kind};
use crate::rig::{JointId, Weights};

/// A piece whose box has at most this share of the character's diagonal is small: a pouch, a shoe, not a
/// strap across the chest or a coat.
const SMALL: f64 = 0.15;

/// One of at most this share looks rigid: a buckle, an eye, a tooth. Some nine centimetres on a person.
const RIGID: f64 = 0.04;

/// Joints that carry less than this share of a piece do not count: remainders of smoothing.
const LEAST_SHARE: f64 = 0.1;

/// Joints more steps apart than this belong to different limbs: from an upper arm over clavicle and chest
/// to the spine are three.
const MOST_STEPS: usize = 3;

/// A vertex with more than this share of its weight off the mean of its piece goes its own way.
const BENT: f64 = 0.25;

pub(super) fn findings(subject: &Subject, weights: &Weights) -> Vec<Finding> {
    let surface = subject.surface;
    let mut pieces: Vec<Vec<u32>> = vec![Vec::new(); surface.pieces];
    for (v, &piece) in surface.piece_of.iter().enumerate() {
        pieces[piece as usize].push(v as u32);
    }
    let largest = pieces.iter().map(Vec::len).max().unwrap_or(0);
    let (mut split, mut bent) = (Vec::new(), Vec::new());
    // The first of the largest is the body.
    let body = pieces.iter().position(|piece| piece.len() == largest);
    for (number, piece) in pieces.iter().enumerate() {
        // Vertices without triangles are pieces of one.
        if Some(number) == body || piece.len() < 3 {
            continue;
        }
        let size = extent(subject, piece) / surface.diagonal();
        // No number where the diagonal is zero.
        if size > SMALL || size.is_nan() {
            continue;
        }
        let mean = mean(weights, piece);
        if let Some(pair) = far_pair(subject, &mean) {
            split.push((number, pair.to_vec()));
        } else if size <= RIGID {
            let off = |&v: &u32| {
                let row: Vec<(JointId, f64)> = weights
                    .of(v as usize)
                    .map(|(id, w)| (id, f64::from(w)))
                    .collect();
                difference(&row, &mean).0
            };
            let most = piece.iter().map(off).fold(0.0, f64::max);
            if most > BENT {
                let joints = mean.iter().filter(|e| e.1 >= LEAST_SHARE).map(|e| e.0);
                bent.push((most, number, each_once(joints)));
            }
        }
    }
    let mut findings = Vec::new();
    if !split.is_empty() {
        let mut finding = subject.finding(
            Kind::SplitPieces,
            split.iter().map(|(number, _)| pieces[*number].len()).sum(),
            format!(
                "{} on joints of different limbs: moving one stretches them.",
                hang(split.len())
            ),
            "Bind each piece to the joint that it belongs to.",
        );
        finding.joints = subject.names(each_once(split.iter().flat_map(|one| one.1.clone())));
        let by_size = split
            .iter()
            .enumerate()
            .map(|(i, one)| (pieces[one.0].len() as f64, i));
        for (_, i) in worst(by_size.collect()) {
            let (number, joints) = &split[i];
            finding.places.push(subject.patch(&pieces[*number], joints));
        }
        findings.push(finding);
    }
    if !bent.is_empty() {
        let most = bent.iter().map(|one| one.0).fold(0.0, f64::max);
        let mut finding = subject.finding(
            Kind::BentPieces,
            bent.iter().map(|one| pieces[one.1].len()).sum(),
            format!(
                "Pieces as small as a buckle do not move as one: weights within them differ by up to {}.",
                figure(most)
            ),
            "If they are rigid, give all vertices of each the same weights.",
        );
        finding.joints = subject.names(each_once(bent.iter().flat_map(|one| one.2.clone())));
        let by_gap = bent.iter().enumerate().map(|(i, one)| (one.0, i));
        for (gap, i) in worst(by_gap.collect()) {
            let (_, number, joints) = &bent[i];
            let mut place = subject.patch(&pieces[*number], joints);
            place.weight = Some(gap);
            finding.places.push(place);
        }
        findings.push(finding);
    }
    findings
}

fn hang(pieces: usize) -> String {
    if pieces == 1 {
        "A small piece hangs".to_owned()
    } else {
        format!("{pieces} small pieces hang")
    }
}

/// The diagonal of the box of some vertices.
fn extent(subject: &Subject, vertices: &[u32]) -> f64 {
    let along = |axis: usize| {
        let all = vertices
            .iter()
            .map(|&v| subject.surface.positions[v as usize][axis]);
        let (low, high) = all.fold((f32::INFINITY, f32::NEG_INFINITY), |(low, high), x| {
            (low.min(x), high.max(x))
        });
        (f64::from(high) - f64::from(low)).powi(2)
    };
    (0..3).map(along).sum::<f64>().sqrt()
}

/// The mean of the weights of some vertices, in the order of joints.
fn mean(weights: &Weights, vertices: &[u32]) -> Vec<(JointId, f64)> {
    let mut all: Vec<(JointId, f64)> = vertices
        .iter()
        .flat_map(|&v| weights.of(v as usize))
        .map(|(id, w)| (id, f64::from(w) / vertices.len() as f64))
        .collect();
    // Stable: values of one joint are summed in the order of vertices.
    all.sort_by_key(|e| e.0);
    all.dedup_by(|next, first| {
        let same = next.0 == first.0;
        if same {
            first.1 += next.1;
        }
        same
    });
    all
}

/// The two joints of a piece that lie farthest apart, if that is too far.
fn far_pair(subject: &Subject, mean: &[(JointId, f64)]) -> Option<[JointId; 2]> {
    let joints: Vec<JointId> = mean
        .iter()
        .filter(|e| e.1 >= LEAST_SHARE)
        .map(|e| e.0)
        .collect();
    let mut farthest = (MOST_STEPS, None);
    for (place, &a) in joints.iter().enumerate() {
        for &b in &joints[place + 1..] {
            let steps = subject.steps(a, b).unwrap_or(usize::MAX);
            if steps > farthest.0 {
                farthest = (steps, Some([a, b]));
            }
        }
    }
    farthest.1
}
