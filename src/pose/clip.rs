//! Clip poses: frames of the file's animations, thinned to those that differ.

use super::Options;
use crate::rig::{Clip, Frame, JointId, Move, Pose, Skeleton};

/// Frames of one clip that are compared with each other, at most: over a minute at 30 a second.
const MOST_FRAMES_COMPARED: usize = 2000;

/// A slide by this share of the skeleton's size counts like a turn of one radian: a joint moves what hangs from it
/// about as far as if it turned on an arm of that length.
const SLIDE_PER_RADIAN: f64 = 0.1;

/// The frames of each clip that differ from each other, from those of the clips before and from bind.
pub fn frames(
    skeleton: &Skeleton,
    bends: &[bool],
    clips: &[Clip],
    options: &Options,
) -> Vec<Vec<Pose>> {
    let bind = vec![Move::still(); skeleton.joints().len()];
    let step = options.clip_step.to_radians();
    // Two rotations are an angle apart if their quaternions' product has at most its half cosine.
    let half_cosine = (step / 2.0).cos();
    let size = skeleton.size();
    let slide_unit = |id: JointId| skeleton.slide_unit(id);
    let slide_units: Vec<f64> = skeleton.ids().map(slide_unit).collect();
    let differ = |a: &Move, b: &Move, unit: f64| {
        let turned = a.rotation.coords.dot(&b.rotation.coords).abs() <= half_cosine;
        let slide = (a.translation - b.translation).norm() * unit;
        let grown = a.scale.component_div(&b.scale).map(f64::ln).amax();
        turned || (slide > 0.0 && slide >= step * SLIDE_PER_RADIAN * size) || grown > step
    };
    let apart = |a: &[Move], b: &[Move]| {
        let mut joints = (0..bends.len()).filter(|&joint| bends[joint]);
        joints.any(|joint| differ(&a[joint], &b[joint], slide_units[joint]))
    };
    let mut kept: Vec<&[Move]> = vec![&bind];
    let mut poses = Vec::new();
    for clip in clips {
        // Long clips are looked at more coarsely: every frame is compared with every one kept.
        let stride = clip.frames.len().div_ceil(MOST_FRAMES_COMPARED).max(1);
        let mut own: Vec<&Frame> = Vec::new();
        for frame in clip.frames.iter().step_by(stride) {
            let new = |other: &[Move]| apart(other, &frame.moves);
            if kept.iter().all(|other| new(other)) && own.iter().all(|other| new(&other.moves)) {
                own.push(frame);
            }
        }
        // Evenly spaced among those that differ, if they are too many.
        let count = own.len().min(options.clip_frames);
        let taken: Vec<&Frame> = (0..count).map(|i| own[i * own.len() / count]).collect();
        kept.extend(taken.iter().map(|frame| frame.moves.as_slice()));
        let own = taken.into_iter().map(|frame| {
            let moves = skeleton
                .ids()
                .filter(|id| bends[id.index()])
                .map(|id| (id, frame.moves[id.index()]));
            Pose::new(format!("clip {} {:.2} s", clip.name, frame.time), moves)
        });
        poses.push(own.collect());
    }
    poses
}
