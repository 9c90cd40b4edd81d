//! What became of one skin.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{ChangeReport, LimitReport, Verdict};
use crate::inspect::Finding;
use crate::measure::worst_first;

/// What became of one skin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CharacterReport {
    /// The skin's name.
    pub name: String,
    /// Its surface.
    pub surface: SurfaceReport,
    /// Its joints.
    pub skeleton: SkeletonReport,
    /// Where its weights come from; null if from its own layers.
    pub carried: Option<CarryReport>,
    /// The joints that the bake added; null if none were asked for, or none pay.
    pub helpers: Option<HelpersReport>,
    /// Joints that win no vertex in the bind, and why.
    pub idle_joints: Vec<IdleJoint>,
    /// What each connected piece does, and why.
    pub pieces: Vec<PieceReport>,
    /// What stood out after the fit; null if the recipe asks for no mending.
    pub mend: Option<MendReport>,
    /// The poses used.
    pub poses: PosesReport,
    /// Error figures.
    pub errors: Errors,
    /// Errors of the baked weights by joint and by pose; null without poses.
    pub errors_by: Option<ErrorsBy>,
    /// The vertices with the greatest errors of the baked weights, no two of them neighbours.
    pub worst: Vec<WorstVertex>,
    /// Vertices whose weights, as written, stand out from their neighbours'.
    pub outliers: usize,
    /// How many welded vertices use 1, 2, 3 … joints.
    pub influences: Vec<usize>,
    /// Left and right.
    pub symmetry: SymmetryReport,
    /// How the fit ended.
    pub fit: FitReport,
    /// Wall time of each stage, in seconds.
    pub timings: Timings,
    /// What the user should know.
    pub warnings: Vec<String>,
    /// How it compares with an earlier result; null if it was held against none.
    pub against: Option<AgainstReport>,
    /// What `inspect` finds in the written file; null unless the recipe limits findings.
    pub findings: Option<Vec<Finding>>,
    /// The limits that the recipe sets, exceeded or not.
    pub limits: Vec<LimitReport>,
}

/// How weights compare with those of an earlier result, over the same held-out poses and reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AgainstReport {
    /// The earlier file.
    pub file: String,
    /// Whether the new weights are better.
    pub verdict: Verdict,
    /// The error of the earlier weights; null if no pose bends this surface.
    pub old: Option<Percent>,
    /// The error of the new weights.
    pub new: Option<Percent>,
    /// The change of the rms.
    pub change: Option<ChangeReport>,
    /// Whether the earlier file was better and took the place of the new one, as asked.
    pub kept: bool,
}

/// Where the weights of a surface come from that follows another one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CarryReport {
    /// The file that the other surface is in.
    pub file: String,
    /// The other surface.
    pub from: String,
    /// The `[[lod]]` table of the recipe that asks for it, from 0; null if the command does.
    pub lod: Option<usize>,
    /// Whether it has the weights of a fit: else those of the closest places, because the command asks for them or
    /// the fit gains less than 1 %.
    pub fitted: bool,
    /// Vertices without a place on the other surface that agrees with theirs: filled from those around.
    pub filled_vertices: usize,
    /// Pieces none of whose vertices found such a place: they follow what is closest all the same.
    pub forced_pieces: usize,
    /// Joints of the other surface that this one lacks: their weight is with the nearest joint above that it has.
    pub missing_joints: Vec<String>,
}

/// Joints that a bake added, and what they bring.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HelpersReport {
    /// The joints, in the order of the skin, behind those that it had.
    pub joints: Vec<HelperJoint>,
    /// Whether the errors of the baked weights are with motion that other joints drive: else with the motion that
    /// fits each pose best, as clips have it, also of held-out poses.
    pub driven: bool,
    /// The errors of the weights that the bake would have without helpers.
    pub without: OnPoses<Percent>,
    /// The floor without helpers.
    pub floor_without: OnPoses<Percent>,
    /// The errors of the weights as written, with the motion that fits each pose best.
    pub fitted: OnPoses<Percent>,
    /// The clips that got keys for helpers.
    pub clips: Vec<HelperClip>,
}

/// A joint that a bake added.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HelperJoint {
    /// Its name.
    pub joint: String,
    /// The joint that it hangs from.
    pub parent: String,
    /// The helper across the plane of symmetry; itself on it, null if it has none.
    pub partner: Option<String>,
    /// Welded vertices that have weight on it.
    pub vertices: usize,
    /// The joints whose rotations drive it; none if nothing but clips does.
    pub drivers: Vec<String>,
}

/// A clip with keys for helper joints, measured at all its keys and between.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HelperClip {
    /// Its name.
    pub clip: String,
    /// The frames that motion was fitted to.
    pub frames: usize,
    /// Keys of all helpers together.
    pub keys: usize,
    /// The errors of the weights that the bake would have without helpers.
    pub without: Percent,
    /// The errors of the weights as written, with helpers as keyed.
    pub with: Percent,
    /// How fast helpers turn at most against the fastest joint of those that they hang between, as a ratio; null where
    /// nothing turns.
    pub turn_ratio: Option<f64>,
}

/// A joint that wins no vertex.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct IdleJoint {
    /// Its name.
    pub joint: String,
    /// Why, as a sentence without a stop.
    pub reason: String,
}

/// A connected piece of the surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PieceReport {
    /// Its number, as recipes name it.
    pub number: usize,
    /// The mesh of its first vertex.
    pub mesh: String,
    /// What it does.
    pub kind: PieceKind,
    /// Why, as a sentence without a stop.
    pub reason: String,
    /// Its welded vertices.
    pub vertices: usize,
    /// The diagonal of its box, in percent of the character's.
    pub extent_percent: f64,
    /// Nineteen in twenty of its vertices are nearer than this to larger pieces that bend by themselves, in
    /// percent of the character's diagonal; null if there are none.
    pub distance_percent: Option<f64>,
    /// The joint that it rides on; null for other kinds.
    pub joint: Option<String>,
}

/// What a piece does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PieceKind {
    /// It bends by itself.
    Own,
    /// It moves with one joint and keeps its shape.
    Ride,
    /// It follows the surface beneath it.
    Cling,
}

/// What stood out from its neighbourhood after the fit, and what is left of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MendReport {
    /// Vertices that were solved again.
    pub vertices: usize,
    /// Patches of a joint's weight that its main region does not touch.
    pub islands: BeforeAfter,
    /// Vertices whose weights stand out from their neighbours'.
    pub outliers: BeforeAfter,
    /// Edges more than twice as long as their target, in poses of the fit; an edge counts once for each pose.
    pub torn_edges_fit: BeforeAfter,
    /// The same in held-out poses.
    pub torn_edges_held_out: BeforeAfter,
}

/// A count before and after.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BeforeAfter {
    /// Before.
    pub before: usize,
    /// After.
    pub after: usize,
}

/// Sizes of the surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SurfaceReport {
    /// Vertices as the file splits them.
    pub raw_vertices: usize,
    /// Vertices welded by position.
    pub welded_vertices: usize,
    /// Triangles.
    pub triangles: usize,
    /// Connected pieces.
    pub pieces: usize,
    /// The diagonal of the bind bounding box, in units of the scene.
    pub diagonal_units: f64,
    /// How high the character stands in the scene in bind pose, along +Y, in its units.
    pub height_units: f64,
}

/// Sizes of the skeleton.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SkeletonReport {
    /// Joints of the skin.
    pub joints: usize,
}

/// Numbers of poses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PosesReport {
    /// Poses that the fit saw.
    pub fit: usize,
    /// Poses that it never saw.
    pub held_out: usize,
}

/// Errors of four sets of weights against the reference layers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Errors {
    /// The base weights that the stack starts from (one joint a vertex, unless the recipe says
    /// otherwise), without the layers.
    pub rigid: OnPoses<Percent>,
    /// The base weights smoothed as the layers smooth, cut to the heaviest few.
    pub naive: OnPoses<Percent>,
    /// The weights as written.
    pub baked: OnPoses<Percent>,
    /// The best weights without a cap on influences, over the candidate joints of each vertex, for the
    /// poses of the fit with their weights: there, what linear blend skinning on this skeleton cannot
    /// beat. On held-out poses it is no bound, only a comparison.
    pub floor: OnPoses<Percent>,
    /// The errors of the weights as written in units of the scene.
    pub baked_units: OnPoses<Units>,
}

/// Figures on the poses that the fit saw and on those that it did not; null for an empty set.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OnPoses<T> {
    /// On the poses of the fit.
    pub fit: Option<T>,
    /// On held-out poses.
    pub held_out: Option<T>,
}

/// Distances over all welded vertices and poses, in percent of the bind bounding-box diagonal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Percent {
    /// Root mean square.
    pub rms_percent: f64,
    /// 99 in 100 are below.
    pub p99_percent: f64,
    /// The greatest.
    pub max_percent: f64,
}

/// The same distances in units of the scene.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Units {
    /// Root mean square.
    pub rms_units: f64,
    /// 99 in 100 are below.
    pub p99_units: f64,
    /// The greatest.
    pub max_units: f64,
}

/// Errors of the baked weights by joint and by pose: on held-out poses, or on those of the fit if none are held
/// out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ErrorsBy {
    /// Whether the poses are held out.
    pub held_out: bool,
    /// The joints that have vertices in the rigid bind, the greatest rms first.
    pub joints: Vec<JointError>,
    /// Up to 20 poses, the greatest rms first. Not all of them: fits on poses of clips have thousands, and reports
    /// of crowds would be nothing else. The quantiles tell of the others.
    pub worst_poses: Vec<PoseError>,
    /// The rms in single poses, of all of them in rising order: the least, what 5, 10, 15 … in 100 poses are at or
    /// below, and the greatest.
    pub rms_percent_quantiles: Vec<f64>,
    /// The same of the rigid weights, in an order of their own.
    pub rigid_rms_percent_quantiles: Vec<f64>,
}

/// Errors over the vertices that the rigid bind gives to one joint, in percent of the diagonal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JointError {
    /// The joint's name.
    pub joint: String,
    /// Its welded vertices.
    pub vertices: usize,
    /// Root mean square over these and all poses.
    pub rms_percent: f64,
    /// The greatest.
    pub max_percent: f64,
    /// The root mean square of the rigid weights.
    pub rigid_rms_percent: f64,
}

/// Errors over all vertices in one pose, in percent of the diagonal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PoseError {
    /// The pose's name.
    pub pose: String,
    /// Its place in its set, from 0.
    pub index: usize,
    /// Root mean square.
    pub rms_percent: f64,
    /// The greatest.
    pub max_percent: f64,
    /// The root mean square of the rigid weights.
    pub rigid_rms_percent: f64,
}

/// A vertex with a great error.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WorstVertex {
    /// The mesh it belongs to.
    pub mesh: String,
    /// Its first raw copy, counted within the mesh part.
    pub vertex: usize,
    /// Its bind position in mesh space.
    pub position: [f32; 3],
    /// The name of the pose.
    pub pose: String,
    /// Whether that pose is held out.
    pub held_out: bool,
    /// The joints of its weights, heaviest first.
    pub joints: Vec<String>,
    /// The distance, in percent of the diagonal.
    pub error_percent: f64,
}

/// Left and right. Without an axis there are no figures.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SymmetryReport {
    /// What the recipe asks for: `auto`, `off`, `x`, `y` or `z`.
    pub asked: String,
    /// The axis of mesh space that the plane cuts at a right angle: `x`, `y` or `z`; null if the weights
    /// were solved without symmetry.
    pub axis: Option<String>,
    /// Where it cuts the axis, in units of the scene.
    pub position_units: Option<f64>,
    /// Welded vertices with a partner on the other side: their weights are mirrored.
    pub paired_vertices: Option<usize>,
    /// Welded vertices on the plane: the joints of a pair have equal weights there.
    pub plane_vertices: Option<usize>,
    /// Welded vertices without partner, or with candidate joints without: solved as without symmetry.
    pub unpaired_vertices: Option<usize>,
    /// The pieces that those belong to.
    pub unpaired_pieces: Vec<UnpairedPiece>,
    /// Joints without partner.
    pub unpaired_joints: Vec<String>,
    /// Joints whose names pair them otherwise than their places do; the places were followed.
    pub misnamed_joints: Vec<String>,
    /// The greatest difference between partners in the weights as written; always 0.
    pub mirror_error: Option<f64>,
}

/// A piece with vertices without partner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UnpairedPiece {
    /// Its number, from 0 in the order of the file.
    pub piece: usize,
    /// Its vertices without partner.
    pub vertices: usize,
}

/// How the fit ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FitReport {
    /// The greatest residual of the optimality conditions among each vertex's chosen joints, before
    /// rounding, relative to the size of its matrix.
    pub kkt_residual: f64,
    /// Vertices whose choice of joints was not proved best within the bound on work.
    pub unproved_vertices: usize,
    /// Joints that, wherever they may carry weight, move just like another one in every pose: how weight
    /// is shared among those is left to the bind.
    pub unidentified_joints: Vec<String>,
    /// Vertices whose weights the poses leave open in part.
    pub unidentified_vertices: usize,
    /// Sweeps of the smoothness term; 0 without smoothness.
    pub sweeps: usize,
    /// The greatest change of a weight in the last sweep.
    pub last_change: f64,
}

/// Wall times in seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Timings {
    /// Reading the file (of all its skins together).
    pub read_s: f64,
    /// Binding and making poses.
    pub prepare_s: f64,
    /// Target shapes and Gram matrices.
    pub gather_s: f64,
    /// Solving for weights.
    pub solve_s: f64,
    /// Measuring errors.
    pub measure_s: f64,
    /// Writing and reading back (of all skins together).
    pub write_s: f64,
}

impl ErrorsBy {
    /// Poses listed.
    pub const MOST_POSES: usize = 20;
    /// Steps from the least to the greatest of the quantiles.
    pub const STEPS: usize = 20;

    /// Of joints and of the rms in each pose, with the baked and with the rigid weights; `pose` tells of one.
    pub fn new(
        held_out: bool,
        mut joints: Vec<JointError>,
        [baked, rigid]: [Vec<f64>; 2],
        pose: impl Fn(usize) -> PoseError,
    ) -> Self {
        // The sort is stable: what is equal stays in the order of the skeleton.
        joints.sort_by(|a, b| b.rms_percent.total_cmp(&a.rms_percent));
        let order = worst_first(&baked).into_iter();
        Self {
            held_out,
            joints,
            worst_poses: order.take(Self::MOST_POSES).map(pose).collect(),
            rms_percent_quantiles: quantiles(baked),
            rigid_rms_percent_quantiles: quantiles(rigid),
        }
    }
}

/// The figures at even steps of the order, each one that there is.
fn quantiles(mut figures: Vec<f64>) -> Vec<f64> {
    figures.sort_by(f64::total_cmp);
    let rank = |step: usize| (figures.len() * step).div_ceil(ErrorsBy::STEPS);
    (0..=ErrorsBy::STEPS)
        .filter_map(|step| figures.get(rank(step).saturating_sub(1)).copied())
        .collect()
}

impl<T> OnPoses<T> {
    /// On held-out poses, or on those of the fit if none are held out.
    pub fn held_out_or_fit(self) -> Option<T> {
        self.held_out.or(self.fit)
    }

    /// The same with every figure converted.
    pub fn map<U>(self, convert: impl Fn(T) -> U) -> OnPoses<U> {
        OnPoses {
            fit: self.fit.map(&convert),
            held_out: self.held_out.map(&convert),
        }
    }
}

impl CharacterReport {
    /// How many joints a vertex has weight on, on average; `None` without vertices.
    pub fn mean_influences(&self) -> Option<f64> {
        let vertices: usize = self.influences.iter().sum();
        let counts = self.influences.iter().enumerate();
        let joints: usize = counts.map(|(i, count)| (i + 1) * count).sum();
        (vertices > 0).then(|| joints as f64 / vertices as f64)
    }
}

impl MendReport {
    /// Whether anything stood out.
    pub fn found(&self) -> bool {
        let counts = [
            self.islands,
            self.outliers,
            self.torn_edges_fit,
            self.torn_edges_held_out,
        ];
        counts.iter().any(|count| count.before > 0)
    }
}
