//! What benchmarks work on: a bent tube, made in code.

// Each benchmark uses a part of it.
#![allow(dead_code)]

use std::f64::consts::TAU;

use nalgebra::{Translation3, UnitQuaternion, Vector3};
use tanyard::deform::{LayerKind, LayerOptions, MushOptions, RelaxOptions, Skinning, Stack};
use tanyard::rig::{Block, JointId, JointSpec, LANES, Pose, Skeleton, Surface, Weights};

/// A tube of about as many vertices as asked for, each bound to the nearest joint behind it.
pub struct Tube {
    /// Vertices as a file has them, with copies along a seam of the texture.
    pub raw: Vec<[f32; 3]>,
    pub triangles: Vec<[u32; 3]>,
    pub surface: Surface,
    pub skeleton: Skeleton,
    pub base: Weights,
}

const RADIUS: f64 = 0.4;
const LENGTH: f64 = 8.0;

impl Tube {
    /// A tube of nearly square faces, with joints along it about `rings_a_joint` rings of vertices apart.
    pub fn new(vertices: usize, rings_a_joint: usize) -> Self {
        let around = (vertices as f64 * TAU * RADIUS / LENGTH).sqrt().round() as usize;
        let rings = vertices / around;
        let joints = rings.div_ceil(rings_a_joint);
        let mut raw = Vec::new();
        for ring in 0..rings {
            for step in 0..=around {
                let angle = TAU * ((step % around) as f64 / around as f64);
                let x = LENGTH * ring as f64 / (rings - 1) as f64;
                // Uneven, so that there is detail to smooth.
                let radius = RADIUS * (1.0 + 0.05 * (3.0 * angle + 9.0 * x).sin());
                raw.push([x, radius * angle.cos(), radius * angle.sin()].map(|x| x as f32));
            }
        }
        let at = |ring: usize, step: usize| (ring * (around + 1) + step) as u32;
        let faces = (0..rings - 1).flat_map(|ring| (0..around).map(move |step| (ring, step)));
        let triangles: Vec<[u32; 3]> = faces
            .flat_map(|(ring, step)| {
                let [a, b] = [at(ring, step), at(ring, step + 1)];
                let [c, d] = [at(ring + 1, step), at(ring + 1, step + 1)];
                [[a, b, c], [b, d, c]]
            })
            .collect();
        let surface = Surface::weld(&raw, &triangles);
        let apart = LENGTH / joints as f64;
        let specs = (0..joints)
            .map(|joint| JointSpec {
                name: format!("joint_{joint}"),
                node: joint,
                parent: joint.checked_sub(1),
                inverse_bind: Translation3::new(-apart * joint as f64, 0.0, 0.0).to_homogeneous(),
            })
            .collect();
        let bind: Vec<JointId> = surface
            .positions
            .iter()
            .map(|p| JointId(((f64::from(p[0]) / apart) as usize).min(joints - 1) as u16))
            .collect();
        Self {
            raw,
            triangles,
            surface,
            skeleton: Skeleton::new(specs).expect("a chain is a skeleton"),
            base: Weights::rigid(&bind),
        }
    }

    /// As many poses as a block holds; each turns every joint but the first a little.
    pub fn poses(&self) -> Vec<Pose> {
        let joints = self.skeleton.joints().len();
        (0..LANES)
            .map(|pose| {
                let turn = |joint: usize| {
                    let phase = (pose * joints + joint) as f64;
                    let axis = Vector3::new(phase.sin(), (2.0 * phase).cos(), (3.0 * phase).sin());
                    UnitQuaternion::from_scaled_axis(axis * (2.0 / joints as f64))
                };
                let turns = (1..joints).map(|joint| (JointId(joint as u16), turn(joint)));
                Pose::new(format!("pose {pose}"), turns)
            })
            .collect()
    }

    /// The poses as a block.
    pub fn block(&self, stack: &Stack) -> Block {
        let poses = self.poses();
        let poses: Vec<&Pose> = poses.iter().collect();
        Block::new(&self.skeleton, &poses, stack.centre)
    }

    /// The stack of some layers on the tube.
    pub fn stack(&self, layers: &[LayerOptions]) -> Stack {
        Stack::new(&self.surface, self.base.clone(), Skinning::Linear, layers)
    }
}

/// A mush with the settings of a recipe that says nothing else.
pub fn mush(rounds: usize) -> LayerOptions {
    everywhere(LayerKind::Mush(MushOptions {
        rounds,
        pull: 0.5,
        detail: 1.0,
        border: Default::default(),
    }))
}

/// A relax with the settings of a recipe that says nothing else. One of no rounds does nothing, but a
/// mush after it runs its rounds in the pose: a single mush has a way without.
pub fn relax(rounds: usize) -> LayerOptions {
    everywhere(LayerKind::Relax(RelaxOptions {
        rounds,
        stretch: 0.5,
        squash: 0.5,
        anchor: 0.1,
    }))
}

fn everywhere(kind: LayerKind) -> LayerOptions {
    LayerOptions {
        kind,
        blend: 1.0,
        mask: None,
    }
}
