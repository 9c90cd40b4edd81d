//! Joints, their hierarchy and their bind pose.
//!
//! The bind pose is the inverse of the inverse bind matrices (glTF 2.0 §3.7.3.3), never the node
//! transforms, which hold whatever pose the file was saved in. All matrices here map into *mesh
//! space*, the space of the bind positions.

use nalgebra::{Matrix3, Matrix4, Rotation3, UnitQuaternion, Vector3};

use super::{Move, Pose};

/// Index of a joint in its skeleton: the number that `JOINTS_n` attributes hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct JointId(pub u16);

impl JointId {
    /// The same number, to index a slice with one entry a joint.
    pub fn index(self) -> usize {
        usize::from(self.0)
    }
}

/// What a skeleton is built from: one joint as a file describes it.
#[derive(Clone, Debug)]
pub struct JointSpec {
    /// The name that pose files and recipes address it by; unique within a skeleton.
    pub name: String,
    /// Index of the node in the document it came from.
    pub node: usize,
    /// The nearest ancestor that is a joint too.
    pub parent: Option<usize>,
    /// Mesh space to joint space, at bind.
    pub inverse_bind: Matrix4<f64>,
}

/// A joint with its bind pose worked out.
#[derive(Clone, Debug)]
pub struct Joint {
    /// See [`JointSpec::name`].
    pub name: String,
    /// See [`JointSpec::node`].
    pub node: usize,
    /// The nearest ancestor that is a joint too.
    pub parent: Option<JointId>,
    /// Joint space to mesh space, at bind: the inverse of the inverse bind matrix.
    pub bind_world: Matrix4<f64>,
    /// The bind transform relative to the parent joint (to mesh space for a root).
    pub bind_local: BindLocal,
    /// `bind_world · S⁻¹` and its inverse: what a move in the joint's bind frame is wrapped in.
    wrap: Matrix4<f64>,
    unwrap: Matrix4<f64>,
}

/// A bind transform as `T · R · S`. `S` is diagonal unless the hierarchy shears; every
/// invertible matrix has such a form (see [`polar`]).
#[derive(Clone, Debug, PartialEq)]
pub struct BindLocal {
    /// `T`, in scene units.
    pub translation: Vector3<f64>,
    /// `R`.
    pub rotation: UnitQuaternion<f64>,
    /// `S`.
    pub stretch: Matrix3<f64>,
}

/// A hierarchy of joints in bind pose.
#[derive(Clone, Debug)]
pub struct Skeleton {
    joints: Vec<Joint>,
    order: Vec<JointId>,
}

/// Why joints do not make a skeleton.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SkeletonFault {
    /// The bind matrix of this joint has no inverse, or holds a number that is not finite.
    #[error(
        "the inverse bind matrix of joint {0} has no inverse or holds a number that is not finite"
    )]
    Singular(usize),
    /// Following parents from this joint leads back to it.
    #[error("the parents of joint {0} form a cycle")]
    Cycle(usize),
    /// There are no joints, or more than 65,536.
    #[error("a skeleton has 1 to 65,536 joints, found {0}")]
    Count(usize),
}

/// A joint counts as unsheared below this; files hold f32, in chains of a dozen joints.
const SHEAR_TOLERANCE: f64 = 1e-3;

/// An inverse bind matrix whose rows, scaled to length one, span less than this volume cannot be
/// inverted to f32 precision.
const LEAST_ROW_VOLUME: f64 = 1e-6;

impl Skeleton {
    /// Builds a skeleton from joints in the order of the skin.
    ///
    /// # Errors
    /// [`SkeletonFault`] names the first joint that cannot be used.
    pub fn new(specs: Vec<JointSpec>) -> Result<Self, SkeletonFault> {
        if specs.is_empty() || specs.len() > usize::from(u16::MAX) + 1 {
            return Err(SkeletonFault::Count(specs.len()));
        }
        let order = parents_first(&specs)?;
        let worlds = specs
            .iter()
            .enumerate()
            .map(|(j, spec)| invert(&spec.inverse_bind).ok_or(SkeletonFault::Singular(j)))
            .collect::<Result<Vec<_>, _>>()?;
        let joints = specs
            .iter()
            .enumerate()
            .map(|(j, spec)| {
                let local = match spec.parent {
                    Some(p) => specs[p].inverse_bind * worlds[j],
                    None => worlds[j],
                };
                Joint::new(spec, worlds[j], &local).ok_or(SkeletonFault::Singular(j))
            })
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self { joints, order })
    }

    /// The same with joints behind those that there are, which their parents are among.
    ///
    /// # Errors
    /// [`SkeletonFault`] names the first joint that cannot be used.
    pub fn with_joints(&self, specs: &[JointSpec]) -> Result<Self, SkeletonFault> {
        let mut skeleton = self.clone();
        let count = self.joints.len() + specs.len();
        if count > usize::from(u16::MAX) + 1 {
            return Err(SkeletonFault::Count(count));
        }
        for spec in specs {
            let number = skeleton.joints.len();
            let fault = SkeletonFault::Singular(number);
            let world = invert(&spec.inverse_bind).ok_or(fault.clone())?;
            let local = match spec.parent.map(|parent| &skeleton.joints[parent]) {
                Some(parent) => parent.bind_world.try_inverse().ok_or(fault.clone())? * world,
                None => world,
            };
            skeleton
                .joints
                .push(Joint::new(spec, world, &local).ok_or(fault)?);
            skeleton.order.push(JointId(number as u16));
        }
        Ok(skeleton)
    }

    /// The first so many joints alone, which none of the others may be above.
    pub fn first(&self, count: usize) -> Self {
        let order = self.order.iter().filter(|id| id.index() < count);
        Self {
            joints: self.joints[..count].to_vec(),
            order: order.copied().collect(),
        }
    }

    /// The move of a joint that takes bind positions by a rigid motion of mesh space, apart from what its parent does;
    /// `None` if that has no inverse.
    pub fn rigid_move(&self, id: JointId, motion: &Matrix4<f64>) -> Option<Move> {
        let joint = self.joint(id);
        let own = joint.unwrap * motion * joint.wrap;
        let (rotation, _) = polar(&own.fixed_view::<3, 3>(0, 0).into())?;
        Some(Move {
            translation: own.fixed_view::<3, 1>(0, 3).into(),
            ..Move::from(rotation)
        })
    }

    /// The joints, in the order of the skin.
    pub fn joints(&self) -> &[Joint] {
        &self.joints
    }

    /// All joint ids, in the order of the skin.
    pub fn ids(&self) -> impl DoubleEndedIterator<Item = JointId> + use<> {
        (0..self.joints.len()).map(|j| JointId(j as u16))
    }

    /// All joint ids, each parent before its children.
    pub fn parents_first(&self) -> &[JointId] {
        &self.order
    }

    /// The joint of that id.
    pub fn joint(&self, id: JointId) -> &Joint {
        &self.joints[id.index()]
    }

    /// The joint of that name, if there is one.
    pub fn find(&self, name: &str) -> Option<JointId> {
        self.ids().find(|&id| self.joint(id).name == name)
    }

    /// Whether turning any joint moves what hangs from it rigidly. It does unless a joint stands under a
    /// scale that differs by axis: then turning it shears.
    pub fn moves_rigidly(&self) -> bool {
        self.joints.iter().all(|joint| {
            let linear: Matrix3<f64> = joint.wrap.fixed_view::<3, 3>(0, 0).into();
            let square = linear * linear.transpose();
            let mean = square.trace() / 3.0;
            (square - Matrix3::identity() * mean).norm() <= SHEAR_TOLERANCE * mean
        })
    }

    /// The mesh-space length of a slide (see [`Move::translation`]) of length one.
    pub fn slide_unit(&self, id: JointId) -> f64 {
        let linear: Matrix3<f64> = self.joint(id).wrap.fixed_view::<3, 3>(0, 0).into();
        linear.determinant().abs().cbrt()
    }

    /// The diagonal of the box around the joints' origins at bind.
    pub fn size(&self) -> f64 {
        let (mut low, mut high) = (Vector3::repeat(f64::MAX), Vector3::repeat(f64::MIN));
        for id in self.ids() {
            low = low.inf(&self.origin(id));
            high = high.sup(&self.origin(id));
        }
        (high - low).norm()
    }

    /// Where the joint's origin lies at bind, in mesh space.
    pub fn origin(&self, id: JointId) -> Vector3<f64> {
        self.joint(id).bind_world.fixed_view::<3, 1>(0, 3).into()
    }

    /// For each joint, whether it is `root` or below it.
    pub fn subtree(&self, root: JointId) -> Vec<bool> {
        let mut inside = vec![false; self.joints.len()];
        for &id in &self.order {
            let parent_inside = self.joint(id).parent.is_some_and(|p| inside[p.index()]);
            inside[id.index()] = id == root || parent_inside;
        }
        inside
    }

    /// The children of each joint, in the order of the skin.
    pub fn children(&self) -> Vec<Vec<JointId>> {
        let mut children = vec![Vec::new(); self.joints.len()];
        for id in self.ids() {
            if let Some(parent) = self.joint(id).parent {
                children[parent.index()].push(id);
            }
        }
        children
    }

    /// The skinning matrices of a pose: for each joint, bind positions to posed positions, in mesh
    /// space.
    ///
    /// With `local = T·R·M·S` (M the pose's move) the skinning matrix of a joint is that of its
    /// parent times `B·S⁻¹·M·S·B⁻¹` (B the joint's bind world matrix). A joint that the pose does
    /// not move thus has its parent's matrix to the bit, and the bind pose gives exact identities.
    pub fn skinning_matrices(&self, pose: &Pose) -> Vec<Matrix4<f64>> {
        let mut matrices = vec![Matrix4::identity(); self.joints.len()];
        let mut own = vec![None; self.joints.len()];
        for (id, own_move) in &pose.moves {
            own[id.index()] = Some(own_move);
        }
        for &id in &self.order {
            let joint = self.joint(id);
            let parent = joint.parent.map(|p| matrices[p.index()]);
            let own = own[id.index()].map(|own| joint.wrap * own.matrix() * joint.unwrap);
            matrices[id.index()] = match (parent, own) {
                (Some(parent), Some(own)) => parent * own,
                (Some(matrix), None) | (None, Some(matrix)) => matrix,
                (None, None) => Matrix4::identity(),
            };
        }
        matrices
    }
}

impl Joint {
    /// `local` is the bind transform relative to the parent; `None` if it cannot be inverted.
    fn new(spec: &JointSpec, bind_world: Matrix4<f64>, local: &Matrix4<f64>) -> Option<Self> {
        let bind_local = BindLocal::from_matrix(local)?;
        let unstretch = bind_local.stretch.try_inverse()?;
        Some(Self {
            name: spec.name.clone(),
            node: spec.node,
            // A skeleton has at most 65,536 joints.
            parent: spec.parent.map(|p| JointId(p as u16)),
            bind_world,
            wrap: bind_world * unstretch.to_homogeneous(),
            unwrap: bind_local.stretch.to_homogeneous() * spec.inverse_bind,
            bind_local,
        })
    }
}

impl BindLocal {
    /// Splits an affine matrix; `None` if it cannot be inverted.
    pub fn from_matrix(matrix: &Matrix4<f64>) -> Option<Self> {
        let (rotation, stretch) = polar(&matrix.fixed_view::<3, 3>(0, 0).into())?;
        Some(Self {
            translation: matrix.fixed_view::<3, 1>(0, 3).into(),
            rotation,
            stretch,
        })
    }

    /// `T · R · M · S` with a move M.
    pub fn matrix(&self, own: &Move) -> Matrix4<f64> {
        let turned = Move {
            rotation: self.rotation * own.rotation,
            translation: self.translation + self.rotation * own.translation,
            scale: own.scale,
        };
        turned.matrix() * self.stretch.to_homogeneous()
    }

    /// The translation and the rotation of `T · R · M · S`, of a move M without scale.
    pub fn placed(&self, own: &Move) -> (Vector3<f64>, UnitQuaternion<f64>) {
        (
            self.translation + self.rotation * own.translation,
            self.rotation * own.rotation,
        )
    }

    /// The move M of a joint whose transform relative to its parent is `T · R · M · S`, and the greatest part of
    /// its stretch that no scale along the axes has; `None` if it is mirrored or has no inverse.
    pub fn moved_to(&self, local: &Matrix4<f64>) -> Option<(Move, f64)> {
        let turned: Matrix3<f64> = local.fixed_view::<3, 3>(0, 0).into();
        let unstretched = turned * self.stretch.try_inverse()?;
        let shift: Vector3<f64> = local.fixed_view::<3, 1>(0, 3).into();
        let back = self.rotation.inverse();
        let (rotation, scale, shear) = match even(&unstretched) {
            Some((rotation, scale)) => (rotation, Vector3::repeat(scale), 0.0),
            None => {
                let (rotation, stretch) = polar(&unstretched)?;
                let scale = stretch.diagonal();
                let shear = (stretch - Matrix3::from_diagonal(&scale)).amax();
                (rotation, scale, shear)
            }
        };
        let translation = back * (shift - self.translation);
        let found = Move {
            rotation: back * rotation,
            translation,
            scale,
        };
        (scale.min() > 0.0).then_some((found, shear))
    }
}

/// A matrix whose columns are orthogonal to this share of their length squared turns and scales evenly.
const EVEN: f64 = 1e-9;

/// The polar form of a matrix that turns and scales evenly, as most do, with a scale above zero: a mere division.
fn even(linear: &Matrix3<f64>) -> Option<(UnitQuaternion<f64>, f64)> {
    let square = linear.transpose() * linear;
    let size = square.trace() / 3.0;
    let is_even = (square - Matrix3::identity() * size).amax() <= EVEN * size;
    if !(is_even && size > 0.0 && size.is_finite() && linear.determinant() > 0.0) {
        return None;
    }
    let rotation = Rotation3::from_matrix_unchecked(linear / size.sqrt());
    Some((UnitQuaternion::from_rotation_matrix(&rotation), size.sqrt()))
}

/// The polar form `M = R · S` with a proper rotation `R`, from the singular value decomposition
/// (Higham, *Functions of Matrices*, 2008, ch. 8); `None` if `M` is singular or not finite.
///
/// `S` is symmetric and positive definite; if `M` mirrors, the first column of `S` is negated.
pub fn polar(matrix: &Matrix3<f64>) -> Option<(UnitQuaternion<f64>, Matrix3<f64>)> {
    let determinant = matrix.determinant();
    if !determinant.is_finite() || determinant == 0.0 {
        return None;
    }
    let mirror = Matrix3::from_diagonal(&Vector3::new(determinant.signum(), 1.0, 1.0));
    // Bounded: on hard input the iteration gives up with `None` in place of running on.
    let svd = (matrix * mirror).try_svd(true, true, f64::EPSILON, 500)?;
    let (u, v_t) = (svd.u?, svd.v_t?);
    let stretch = v_t.transpose() * Matrix3::from_diagonal(&svd.singular_values) * v_t * mirror;
    let rotation = Rotation3::from_matrix_unchecked(u * v_t);
    Some((UnitQuaternion::from_rotation_matrix(&rotation), stretch))
}

fn invert(matrix: &Matrix4<f64>) -> Option<Matrix4<f64>> {
    if !matrix.iter().all(|x| x.is_finite()) {
        return None;
    }
    let linear: Matrix3<f64> = matrix.fixed_view::<3, 3>(0, 0).into();
    let lengths: f64 = (0..3).map(|r| linear.row(r).norm()).product();
    let volume = linear.determinant().abs();
    // NaN comes from overflow.
    if volume.is_nan() || lengths.is_nan() || volume <= LEAST_ROW_VOLUME * lengths {
        return None;
    }
    matrix.try_inverse()
}

fn parents_first(specs: &[JointSpec]) -> Result<Vec<JointId>, SkeletonFault> {
    let mut order = Vec::with_capacity(specs.len());
    let mut placed = vec![false; specs.len()];
    let mut chain = Vec::new();
    for j in 0..specs.len() {
        let mut next = Some(j);
        while let Some(k) = next.filter(|&k| !placed[k]) {
            if chain.len() == specs.len() {
                return Err(SkeletonFault::Cycle(j));
            }
            chain.push(k);
            next = specs[k].parent;
        }
        while let Some(k) = chain.pop() {
            placed[k] = true;
            order.push(JointId(k as u16));
        }
    }
    Ok(order)
}
