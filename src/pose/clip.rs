//! Clip poses: frames of the file's animations, thinned to those that differ.

use nalgebra::UnitQuaternion;

use super::Options;
use crate::rig::{Clip, Frame, Pose, Skeleton};

/// Frames of one clip that are compared with each other, at most: over a minute at 30 a second.
const MOST_FRAMES_COMPARED: usize = 2000;

/// The frames of all clips that differ from each other and from bind.
pub fn frames(skeleton: &Skeleton, bends: &[bool], clips: &[Clip], options: &Options) -> Vec<Pose> {
    let bind = vec![UnitQuaternion::identity(); skeleton.joints().len()];
    // Two rotations are an angle apart if their quaternions' product has at most its half cosine.
    let half_cosine = (options.clip_step.to_radians() / 2.0).cos();
    let apart = |a: &[UnitQuaternion<f64>], b: &[UnitQuaternion<f64>]| {
        let mut pairs = a.iter().zip(b).zip(bends).filter(|(_, bends)| **bends);
        pairs.any(|((p, q), _)| p.coords.dot(&q.coords).abs() <= half_cosine)
    };
    let mut kept: Vec<&[UnitQuaternion<f64>]> = vec![&bind];
    let mut poses = Vec::new();
    for clip in clips {
        // Long clips are looked at more coarsely: every frame is compared with every one kept.
        let stride = clip.frames.len().div_ceil(MOST_FRAMES_COMPARED).max(1);
        let mut own: Vec<&Frame> = Vec::new();
        for frame in clip.frames.iter().step_by(stride) {
            let new = |other: &[UnitQuaternion<f64>]| apart(other, &frame.rotations);
            if kept.iter().all(|other| new(other)) && own.iter().all(|other| new(&other.rotations))
            {
                own.push(frame);
            }
        }
        // Evenly spaced among those that differ, if they are too many.
        let count = own.len().min(options.clip_frames);
        let taken: Vec<&Frame> = (0..count).map(|i| own[i * own.len() / count]).collect();
        kept.extend(taken.iter().map(|frame| frame.rotations.as_slice()));
        poses.extend(taken.into_iter().map(|frame| {
            let rotations = skeleton
                .ids()
                .filter(|id| bends[id.index()])
                .map(|id| (id, frame.rotations[id.index()]))
                .collect();
            Pose::new(format!("clip {} {:.2} s", clip.name, frame.time), rotations)
        }));
    }
    poses
}
