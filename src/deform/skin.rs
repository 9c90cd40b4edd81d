//! Skinning: linear blend and dual quaternion.
//!
//! Dual quaternions: Kavan, Collins, Žára, O'Sullivan 2008, *Geometric skinning with approximate dual
//! quaternion blending*, ACM TOG 27(4), §4 (DLB). They hold rigid motion only: scale and shear of
//! joint matrices are dropped, which matters only if bind matrices hold non-uniform scale.

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;
use nalgebra::{Matrix3, Quaternion, UnitQuaternion, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::rig::{Block, LANES, Point, Weights, polar};

/// How base weights move the surface.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Skinning {
    /// Linear blend skinning.
    #[default]
    Linear,
    /// Dual quaternion skinning. With one joint a vertex both are the same.
    DualQuaternion,
}

/// Weights laid out for skinning a list of vertices.
#[derive(Clone, Debug, Default)]
pub struct Skin {
    starts: Vec<u32>,
    joints: Vec<u16>,
    values: Vec<f32>,
}

impl Skin {
    /// The weights of these vertices, in this order.
    pub fn new(weights: &Weights, vertices: impl Iterator<Item = usize>) -> Self {
        let mut skin = Self {
            starts: vec![0],
            ..Self::default()
        };
        for vertex in vertices {
            for (joint, value) in weights.of(vertex) {
                skin.joints.push(joint.0);
                skin.values.push(value);
            }
            skin.starts.push(skin.joints.len() as u32);
        }
        skin
    }

    /// Entries of one vertex: joints and their weights.
    pub fn of(&self, slot: usize) -> (&[u16], &[f32]) {
        let range = self.starts[slot] as usize..self.starts[slot + 1] as usize;
        (&self.joints[range.clone()], &self.values[range])
    }

    /// The linear blend of one vertex.
    #[inline(always)]
    pub fn linear(&self, block: &Block, slot: usize, rest: [f32; 3]) -> Point {
        let (joints, values) = self.of(slot);
        if let [joint] = *joints {
            // A single weight is one by the invariant of `Weights`.
            return block.transform(usize::from(joint), rest);
        }
        let mut sum = Point::ZERO;
        for (&joint, &value) in joints.iter().zip(values) {
            let point = block.transform(usize::from(joint), rest);
            for l in 0..LANES {
                sum.x[l] += value * point.x[l];
                sum.y[l] += value * point.y[l];
                sum.z[l] += value * point.z[l];
            }
        }
        sum
    }

    /// Skins every vertex into `out`.
    pub fn apply(&self, skinning: Skinning, block: &Block, rest: &[[f32; 3]], out: &mut [Point]) {
        match skinning {
            Skinning::Linear => linear(self, block, rest, out),
            Skinning::DualQuaternion => {
                let motions: Vec<_> = (0..LANES)
                    .map(|lane| RigidMotions::new(block, lane))
                    .collect();
                for (slot, (point, &rest)) in out.iter_mut().zip(rest).enumerate() {
                    let (joints, values) = self.of(slot);
                    for (lane, motions) in motions.iter().enumerate() {
                        let [x, y, z] = motions.blend(joints, values, rest);
                        (point.x[lane], point.y[lane], point.z[lane]) = (x, y, z);
                    }
                }
            }
        }
    }
}

#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn linear(skin: &Skin, block: &Block, rest: &[[f32; 3]], out: &mut [Point]) {
    for (slot, (point, &rest)) in out.iter_mut().zip(rest).enumerate() {
        *point = skin.linear(block, slot, rest);
    }
}

/// Unit dual quaternions of all joints in one pose.
struct RigidMotions(Vec<(Quaternion<f64>, Quaternion<f64>)>);

impl RigidMotions {
    fn new(block: &Block, lane: usize) -> Self {
        let motions = (0..)
            .map_while(|joint| block.get(joint))
            .map(|m| {
                let at = |i: usize| f64::from(m[i][lane]);
                let linear = Matrix3::new(
                    at(0),
                    at(1),
                    at(2),
                    at(4),
                    at(5),
                    at(6),
                    at(8),
                    at(9),
                    at(10),
                );
                let real = polar(&linear)
                    .map_or_else(UnitQuaternion::identity, |(r, _)| r)
                    .into_inner();
                let shift = Quaternion::from_imag(Vector3::new(at(3), at(7), at(11)));
                (real, shift * real * 0.5)
            })
            .collect();
        Self(motions)
    }

    fn blend(&self, joints: &[u16], values: &[f32], rest: [f32; 3]) -> [f32; 3] {
        let pivot = self.0[usize::from(joints[0])].0;
        let zero = Quaternion::new(0.0, 0.0, 0.0, 0.0);
        let (mut real, mut dual) = (zero, zero);
        for (&joint, &value) in joints.iter().zip(values) {
            let (r, d) = self.0[usize::from(joint)];
            // Antipodes are one rotation: take the one on the pivot's side.
            let value = f64::from(value) * if r.dot(&pivot) < 0.0 { -1.0 } else { 1.0 };
            real += r * value;
            dual += d * value;
        }
        let norm = real.norm();
        let (real, dual) = (real / norm, dual / norm);
        let rest = Vector3::from(rest.map(f64::from));
        let moved =
            UnitQuaternion::new_unchecked(real) * rest + (dual * real.conjugate()).imag() * 2.0;
        [moved.x as f32, moved.y as f32, moved.z as f32]
    }
}
