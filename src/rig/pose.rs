//! Poses and clips: what joints do away from bind.

use std::borrow::Cow;

use nalgebra::UnitQuaternion;

use super::JointId;

/// Joint rotations away from bind.
#[derive(Clone, Debug, PartialEq)]
pub struct Pose {
    /// What a report calls it.
    pub name: String,
    /// How much it counts in the fit; positive.
    pub weight: f64,
    /// The joints that leave bind, in rising order, each once. A rotation Q acts in the joint's own
    /// bind frame: `local = T_bind · R_bind · Q · S_bind`.
    pub rotations: Vec<(JointId, UnitQuaternion<f64>)>,
}

impl Pose {
    /// A pose of weight 1; rotations may come in any order. Joints that stay at bind are left out.
    pub fn new(
        name: impl Into<String>,
        mut rotations: Vec<(JointId, UnitQuaternion<f64>)>,
    ) -> Self {
        rotations.retain(|(_, rotation)| rotation.imag() != nalgebra::Vector3::zeros());
        rotations.sort_by_key(|&(id, _)| id);
        Self {
            name: name.into(),
            weight: 1.0,
            rotations,
        }
    }
}

/// Poses in a fixed order, made when asked for: memory need not grow with their number.
pub trait PoseSequence: Sync {
    /// How many there are.
    fn len(&self) -> usize;

    /// The pose at a place below [`PoseSequence::len`].
    fn get(&self, index: usize) -> Cow<'_, Pose>;

    /// Whether there are none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// All of them, in order.
    fn iter(&self) -> impl Iterator<Item = Cow<'_, Pose>>
    where
        Self: Sized,
    {
        (0..self.len()).map(|index| self.get(index))
    }
}

impl PoseSequence for Vec<Pose> {
    fn len(&self) -> usize {
        self.as_slice().len()
    }

    fn get(&self, index: usize) -> Cow<'_, Pose> {
        Cow::Borrowed(&self[index])
    }
}

/// An animation of the file, as rotations away from bind at evenly spaced times.
#[derive(Clone, Debug)]
pub struct Clip {
    /// Its name in the file, or `#<index>` if it has none.
    pub name: String,
    /// In rising time.
    pub frames: Vec<Frame>,
}

/// One moment of a clip.
#[derive(Clone, Debug)]
pub struct Frame {
    /// In seconds.
    pub time: f64,
    /// For each joint of the skeleton, its rotation in its own bind frame (see [`Pose::rotations`]).
    pub rotations: Vec<UnitQuaternion<f64>>,
}
