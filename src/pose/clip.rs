//! Clip poses: frames of the file's animations, thinned to those that differ.

use nalgebra::UnitQuaternion;

use super::Options;
use crate::rig::{Clip, Pose, Skeleton};

/// The frames of all clips that differ from each other and from bind.
pub fn frames(skeleton: &Skeleton, bends: &[bool], clips: &[Clip], options: &Options) -> Vec<Pose> {
    let bind = vec![UnitQuaternion::identity(); skeleton.joints().len()];
    let apart = |a: &[UnitQuaternion<f64>], b: &[UnitQuaternion<f64>]| {
        let turns = a.iter().zip(b).zip(bends).filter(|(_, bends)| **bends);
        turns.map(|((p, q), _)| p.angle_to(q)).fold(0.0, f64::max) >= options.clip_step.to_radians()
    };
    let mut kept: Vec<&[UnitQuaternion<f64>]> = vec![&bind];
    let mut poses = Vec::new();
    for clip in clips {
        let mut own = Vec::new();
        for frame in &clip.frames {
            if kept.iter().all(|other| apart(other, &frame.rotations)) {
                kept.push(&frame.rotations);
                own.push(frame);
            }
        }
        // Evenly spaced among those that differ, if they are too many.
        let count = own.len().min(options.clip_frames);
        poses.extend((0..count).map(|i| {
            let frame = own[i * own.len() / count];
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
