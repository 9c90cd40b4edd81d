//! The region of each joint on the surface: patches cut off from it; and vertices without triangles.
//!
//! Islands are those of [`crate::rig::islands`].

use super::subject::{Subject, each_once, worst};
use super::{Finding, Kind};
use crate::rig::{Weights, islands as islands_of};

pub(super) fn islands(subject: &Subject, weights: &Weights) -> Option<Finding> {
    let surface = subject.surface;
    let islands = islands_of(surface, weights, subject.skeleton.joints().len());
    if islands.is_empty() {
        return None;
    }
    let mut vertices: Vec<u32> = islands.iter().flat_map(|island| island.1.clone()).collect();
    vertices.sort_unstable();
    vertices.dedup();
    let what = format!(
        "Patches of weight lie apart from the main region of their joint ({}): they jump when it moves.",
        islands.len()
    );
    let remedy = "Take the weight off these patches, or smooth the weights around them.";
    let mut finding = subject.finding(Kind::Islands, vertices.len(), what, remedy);
    finding.joints = subject.names(each_once(islands.iter().map(|island| island.0)));
    let by_size = islands
        .iter()
        .enumerate()
        .map(|(i, island)| (island.1.len() as f64, i));
    for (_, i) in worst(by_size.collect()) {
        finding
            .places
            .push(subject.patch(&islands[i].1, &[islands[i].0]));
    }
    Some(finding)
}

pub(super) fn stray_vertices(subject: &Subject) -> Option<Finding> {
    let rings = &subject.surface.rings;
    let stray: Vec<u32> = (0..subject.surface.len() as u32)
        .filter(|&v| rings.of(v as usize).is_empty())
        .collect();
    if stray.is_empty() {
        return None;
    }
    let mut finding = subject.finding(
        Kind::StrayVertices,
        stray.len(),
        "Vertices belong to no triangle: nothing shows them, and they enlarge bounding boxes."
            .to_owned(),
        "Remove them from the mesh.",
    );
    let all = stray.iter().map(|&v| (0.0, v)).collect();
    finding.places = worst(all)
        .iter()
        .map(|&(_, v)| subject.place(v, &[]))
        .collect();
    Some(finding)
}
