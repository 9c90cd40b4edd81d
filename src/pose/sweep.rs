//! Sweeps: one joint at a time, about one axis at a time.

use super::ranges::{Ranges, from_degrees};
use crate::rig::{Pose, Skeleton};

/// Angles below this are bind, in degrees.
const LEAST_ANGLE: f64 = 0.5;

/// The sweep poses of all joints that bend the surface, joint after joint.
pub fn sweep(skeleton: &Skeleton, bends: &[bool], ranges: &Ranges, steps: usize) -> Vec<Pose> {
    let mut poses = Vec::new();
    for id in skeleton.ids().filter(|id| bends[id.index()]) {
        for (axis, letter) in ['x', 'y', 'z'].into_iter().enumerate() {
            for limit in ranges.of(id)[axis] {
                for step in 1..=steps {
                    let angle = limit * step as f64 / steps as f64;
                    if angle.abs() < LEAST_ANGLE {
                        continue;
                    }
                    let mut vector = [0.0; 3];
                    vector[axis] = angle;
                    let name = format!("sweep {} {letter} {angle:+.0}", skeleton.joint(id).name);
                    poses.push(Pose::new(name, [(id, from_degrees(vector))]));
                }
            }
        }
    }
    poses
}
