//! The motion of helper joints: as a function of the rotations of a few other joints, and as keys.
//!
//! A [`Driver`] is a regression on bounded terms of how other joints turn, after Mukai 2015, *Building helper bone
//! rigs from examples*, I3D (low-order regression, from memory). It differs in its terms, which are continuous over all
//! rotations and blind to the sign of quaternions; in the choice of the joints that drive, by forward selection; and
//! in a bound on what it gives. docs/helpers.md writes down the function and its form as JSON, from which an engine
//! needs nothing else.
//!
//! With Q = (w, x, y, z) the rotation of a joint away from bind, θ its angle and n its axis, the parts of a joint are
//!
//! - `x`, `y`, `z`: 2w·(x, y, z) = sin θ · n;
//! - `xx`, `yy`, `zz`, `xy`, `xz`, `yz`: 2·(x², y², …) = (1 − cos θ) · n nᵀ;
//! - `tan2`: (x² + y² + z²) / (w² + 1/10) = tan² (θ/2), softened so that it ends at ten.
//!
//! All are quotients of squares and products of two components, so −Q gives what Q gives, and half a turn is a place like
//! any other. All are zero at bind, and there is no constant: a helper rests exactly at bind. Terms are the nine first,
//! these times `tan2`, and `x`, `y`, `z` of one joint times those of another. The family thus has sin θ / (w² + 1/10),
//! which is nearly θ far beyond a right angle, where polynomials of sine and cosine (1 − cos θ in place of `tan2`) bend
//! back: half of a twist up to 120° either way is followed to a quarter of a degree, in place of eight.
//!
//! Limits: a motion in which two joints show only together, and neither of them alone, finds no driver. Frames
//! of clips that hardly differ vouch for each other, so that less is smoothed away than should be.

mod fit;
mod json;
mod keys;
mod ridge;
mod terms;

use nalgebra::{UnitQuaternion, Vector3};

use crate::rig::{JointId, Move, Pose};
use terms::Term;

pub use fit::{Options, Samples, fit};
pub use json::FORM;
pub use keys::{keys, shown};

/// How every joint of a skeleton turns in each of some poses: one table for all helpers of a character.
#[derive(Clone, Debug)]
pub struct Rotations {
    joints: usize,
    all: Vec<UnitQuaternion<f64>>,
}

impl Rotations {
    /// No poses yet, of so many joints.
    pub fn new(joints: usize) -> Self {
        Self {
            joints,
            all: Vec::new(),
        }
    }

    /// Adds a pose; what it says of joints beyond those of the table is passed over.
    pub fn push(&mut self, pose: &Pose) {
        let first = self.all.len();
        self.all
            .resize(first + self.joints, UnitQuaternion::identity());
        for (id, own) in &pose.moves {
            if id.index() < self.joints {
                self.all[first + id.index()] = own.rotation;
            }
        }
    }

    /// How many poses there are.
    pub fn len(&self) -> usize {
        self.all.len().checked_div(self.joints).unwrap_or(0)
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// How a joint turns away from bind in a pose; both must be there.
    pub fn of(&self, pose: usize, joint: JointId) -> UnitQuaternion<f64> {
        self.all[pose * self.joints + joint.index()]
    }
}

/// The motion of one helper joint as a function of the rotations of other joints.
#[derive(Clone, Debug, PartialEq)]
pub struct Driver {
    drivers: Vec<JointId>,
    rows: Vec<Row>,
    /// The rotation's angle stays at or below this, in radians.
    most_angle: f64,
    /// The translation stays between these, axis by axis.
    least: Vector3<f64>,
    greatest: Vector3<f64>,
}

/// What one term adds.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    term: Term,
    /// To the rotation vector, in radians.
    rotation: Vector3<f64>,
    /// To the translation.
    translation: Vector3<f64>,
}

impl Driver {
    /// One that leaves its helper at bind.
    pub fn still() -> Self {
        Self {
            drivers: Vec::new(),
            rows: Vec::new(),
            most_angle: 0.0,
            least: Vector3::zeros(),
            greatest: Vector3::zeros(),
        }
    }

    /// Whether it leaves its helper at bind whatever the pose.
    pub fn is_still(&self) -> bool {
        self.rows.is_empty()
    }

    /// How the helper moves, given how each driver turns away from bind ([`Move::rotation`]). A rotation that is none
    /// (of length zero, or not finite) counts as bind.
    pub fn motion(&self, rotations: &dyn Fn(JointId) -> UnitQuaternion<f64>) -> Move {
        let parts: Vec<_> = self
            .drivers
            .iter()
            .map(|&id| terms::parts(&rotations(id)))
            .collect();
        let (mut rotation, mut translation) = (Vector3::zeros(), Vector3::zeros());
        for row in &self.rows {
            let value = row.term.value(|driver| &parts[driver]);
            rotation += row.rotation * value;
            translation += row.translation * value;
        }
        let angle: f64 = rotation.norm();
        if angle > self.most_angle {
            rotation *= self.most_angle / angle;
        }
        Move {
            translation: translation.sup(&self.least).inf(&self.greatest),
            ..Move::from(UnitQuaternion::from_scaled_axis(rotation))
        }
    }

    /// The joints that it needs to know, those that say most first.
    pub fn drivers(&self) -> impl Iterator<Item = JointId> {
        self.drivers.iter().copied()
    }

    /// How many terms it has.
    pub fn terms(&self) -> usize {
        self.rows.len()
    }
}

#[cfg(test)]
mod tests;
