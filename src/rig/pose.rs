//! Poses and clips: what joints do away from bind.

use std::borrow::Cow;

use nalgebra::{Matrix3, Matrix4, UnitQuaternion, Vector3};

use super::JointId;

/// How a joint stands away from bind, in its own bind frame: `local = T_bind · R_bind · (D · Q · K) · S_bind`
/// with a translation D, a rotation Q and a scale K.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// Q.
    pub rotation: UnitQuaternion<f64>,
    /// D, along the axes of the bind frame, in the units in which the joint's parent is placed.
    pub translation: Vector3<f64>,
    /// K, along the axes of the turned frame; each above zero.
    pub scale: Vector3<f64>,
}

impl Move {
    /// Bind.
    pub fn still() -> Self {
        Self::from(UnitQuaternion::identity())
    }

    /// `D · Q · K`.
    pub fn matrix(&self) -> Matrix4<f64> {
        let mut linear = self.rotation.to_rotation_matrix().into_inner();
        if self.scales() {
            linear *= Matrix3::from_diagonal(&self.scale);
        }
        let mut matrix = linear.to_homogeneous();
        matrix
            .fixed_view_mut::<3, 1>(0, 3)
            .copy_from(&self.translation);
        matrix
    }

    /// Whether the joint stands at bind.
    pub fn is_still(&self) -> bool {
        self.rotation.imag() == Vector3::zeros() && !self.slides() && !self.scales()
    }

    /// Whether its origin moves.
    pub fn slides(&self) -> bool {
        self.translation != Vector3::zeros()
    }

    /// Whether it does more than move rigidly.
    pub fn scales(&self) -> bool {
        self.scale != Vector3::repeat(1.0)
    }
}

impl From<UnitQuaternion<f64>> for Move {
    fn from(rotation: UnitQuaternion<f64>) -> Self {
        Self {
            rotation,
            translation: Vector3::zeros(),
            scale: Vector3::repeat(1.0),
        }
    }
}

/// Where joints stand away from bind.
#[derive(Clone, Debug, PartialEq)]
pub struct Pose {
    /// What a report calls it.
    pub name: String,
    /// How much it counts in the fit; positive.
    pub weight: f64,
    /// The joints that leave bind, in rising order, each once.
    pub moves: Vec<(JointId, Move)>,
    /// Which of the target shapes that are given is its own; `None` where layers make the target.
    pub shape: Option<usize>,
}

impl Pose {
    /// A pose of weight 1; joints may come in any order. Those that stay at bind are left out.
    pub fn new<M: Into<Move>>(
        name: impl Into<String>,
        moves: impl IntoIterator<Item = (JointId, M)>,
    ) -> Self {
        let moves = moves.into_iter().map(|(id, m)| (id, m.into()));
        let mut moves: Vec<(JointId, Move)> = moves.filter(|(_, m)| !m.is_still()).collect();
        moves.sort_by_key(|&(id, _)| id);
        Self {
            name: name.into(),
            weight: 1.0,
            moves,
            shape: None,
        }
    }

    /// The bind pose under a name.
    pub fn bind(name: impl Into<String>) -> Self {
        Self::new::<Move>(name, [])
    }

    /// How it has a joint.
    pub fn of(&self, id: JointId) -> Option<&Move> {
        let found = self.moves.binary_search_by_key(&id, |&(id, _)| id).ok()?;
        Some(&self.moves[found].1)
    }

    /// Whether any joint slides.
    pub fn slides(&self) -> bool {
        self.moves.iter().any(|(_, m)| m.slides())
    }

    /// Whether any joint scales.
    pub fn scales(&self) -> bool {
        self.moves.iter().any(|(_, m)| m.scales())
    }

    /// The same without scales: everything moves rigidly.
    pub fn unscaled(&self) -> Self {
        let scale = Vector3::repeat(1.0);
        let moves = self.moves.iter().map(|&(id, m)| (id, Move { scale, ..m }));
        Self {
            name: self.name.clone(),
            weight: self.weight,
            moves: moves.collect(),
            shape: self.shape,
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

/// An animation of the file, as joints away from bind at evenly spaced times.
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
    /// For each joint of the skeleton how it stands.
    pub moves: Vec<Move>,
}
