//! Small characters whose right answers are known by hand.

use std::ops::ControlFlow;

use nalgebra::{Translation3, UnitQuaternion, Vector3};
use tanyard::deform::{Stack, Stream};
use tanyard::fit::{Candidates, Gram};
use tanyard::rig::{Character, JointSpec, Pose, PoseSequence, Skeleton, Surface, Weights};

/// Joints along x, each the parent of the next, at the given places, with a tilt each so that bind
/// frames are not the identity.
pub fn chain(places: &[f64]) -> Skeleton {
    let specs = places
        .iter()
        .enumerate()
        .map(|(j, &x)| {
            let tilt = UnitQuaternion::from_euler_angles(0.3 * j as f64, -0.2, 0.1 * j as f64);
            let world = Translation3::new(x, 0.0, 0.0).to_homogeneous() * tilt.to_homogeneous();
            JointSpec {
                name: format!("joint_{j}"),
                node: j,
                parent: j.checked_sub(1),
                inverse_bind: world.try_inverse().expect("a rigid matrix has an inverse"),
            }
        })
        .collect();
    Skeleton::new(specs).expect("a chain is a skeleton")
}

/// A capped tube along x from 0 to `length`, with a little unevenness so that no ring is regular.
pub fn tube(length: f32, radius: f32, rings: usize, around: usize) -> Surface {
    let mut positions = Vec::new();
    for ring in 0..=rings {
        for step in 0..around {
            let angle =
                (step as f32 + 0.3 * (ring % 3) as f32) / around as f32 * std::f32::consts::TAU;
            let uneven = 1.0 + 0.1 * (5.0 * angle + ring as f32).sin();
            let x = length * ring as f32 / rings as f32;
            positions.push([
                x,
                radius * uneven * angle.cos(),
                radius * uneven * angle.sin(),
            ]);
        }
    }
    let (first, last) = (positions.len() as u32, positions.len() as u32 + 1);
    positions.push([-radius * 0.5, 0.0, 0.0]);
    positions.push([length + radius * 0.5, 0.0, 0.0]);
    let at = |ring: usize, step: usize| (ring * around + step % around) as u32;
    let mut triangles = Vec::new();
    for step in 0..around {
        for ring in 0..rings {
            let [a, b, c, d] = [
                at(ring, step),
                at(ring, step + 1),
                at(ring + 1, step),
                at(ring + 1, step + 1),
            ];
            triangles.extend([[a, b, c], [b, d, c]]);
        }
        triangles.push([first, at(0, step + 1), at(0, step)]);
        triangles.push([last, at(rings, step), at(rings, step + 1)]);
    }
    Surface::weld(&positions, &triangles)
}

/// A tube of length 4 with joints at 0, 1, 2 and 3.
pub fn limb() -> Character {
    Character {
        name: "limb".to_owned(),
        skeleton: chain(&[0.0, 1.0, 2.0, 3.0]),
        surface: tube(4.0, 0.3, 32, 10),
        weights: None,
        parts: Vec::new(),
        scene_scale: 1.0,
        placement: nalgebra::Matrix4::identity(),
        saved_pose: None,
    }
}

/// The limb bound by distance along it.
pub fn rigid(character: &Character) -> Weights {
    let ids: Vec<_> = character.skeleton.ids().collect();
    let bind: Vec<_> = character
        .surface
        .positions
        .iter()
        .map(|p| ids[(p[0].max(0.0) as usize).min(ids.len() - 1)])
        .collect();
    Weights::rigid(&bind)
}

/// A rotation vector in degrees as a rotation.
pub fn turn(x: f64, y: f64, z: f64) -> UnitQuaternion<f64> {
    UnitQuaternion::from_scaled_axis(Vector3::new(x, y, z).map(f64::to_radians))
}

/// The Gram matrices of a pose set, over the candidates that the stack brings.
pub fn gather(
    stack: &Stack,
    skeleton: &Skeleton,
    surface: &Surface,
    poses: &impl PoseSequence,
) -> Gram {
    let spread = stack.spread();
    let rows = (0..surface.len()).map(|v| spread.of(v));
    let mut gram = Gram::new(Candidates::new(rows, 1e-4), surface.diagonal());
    fold(&mut gram, stack, skeleton, poses);
    gram
}

/// Folds a pose set into Gram matrices.
pub fn fold(gram: &mut Gram, stack: &Stack, skeleton: &Skeleton, poses: &impl PoseSequence) {
    let end: ControlFlow<()> = Stream::new(stack, skeleton, poses).run(2, |shapes, _| {
        gram.add(stack.rest(), shapes);
        ControlFlow::Continue(())
    });
    assert!(end.is_continue());
    gram.count(poses.iter().map(|pose| pose.weight).sum());
}

/// A handful of poses that bend the limb hard and twist it.
pub fn poses(character: &Character) -> Vec<Pose> {
    let ids: Vec<_> = character.skeleton.ids().collect();
    (0..11)
        .map(|p| {
            let rotations = ids[1..].iter().enumerate().map(|(j, &id)| {
                let phase = (p * 3 + j * 5) as f64;
                (
                    id,
                    turn(
                        50.0 * phase.sin(),
                        40.0 * (1.3 * phase).cos(),
                        60.0 * (0.7 * phase).sin(),
                    ),
                )
            });
            Pose::new(format!("pose {p}"), rotations)
        })
        .collect()
}
