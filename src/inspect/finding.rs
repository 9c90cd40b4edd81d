//! One thing that is wrong, and where.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How bad a finding is.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Breaks the standard, or shows as a defect.
    Error,
    /// Probably a defect.
    Warning,
    /// Good to know.
    Note,
}

impl Severity {
    /// All of them, the worst first.
    pub const ALL: [Self; 3] = [Self::Error, Self::Warning, Self::Note];

    /// As reports and limits name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Note => "note",
        }
    }
}

/// What a finding counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Vertices as the file splits them.
    RawVertices,
    /// Vertices welded by position.
    WeldedVertices,
    /// Joints.
    Joints,
    /// The skin as a whole.
    Skins,
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident $name:literal $severity:ident $unit:ident;)*) => {
        /// The kinds of findings. Each has one severity and counts one thing.
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
        )]
        #[serde(rename_all = "snake_case")]
        pub enum Kind { $($(#[$doc])* $kind,)* }

        impl Kind {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$kind),*];

            /// As reports and limits name it.
            pub fn name(self) -> &'static str {
                match self { $(Self::$kind => $name),* }
            }

            /// How bad it is.
            pub fn severity(self) -> Severity {
                match self { $(Self::$kind => Severity::$severity),* }
            }

            /// What it counts.
            pub fn unit(self) -> Unit {
                match self { $(Self::$kind => Unit::$unit),* }
            }
        }
    };
}

kinds! {
    /// Weights of a vertex do not sum to one.
    Sums "sums" Error RawVertices;
    /// A vertex has no weight at all.
    Weightless "weightless" Error RawVertices;
    /// Integer weights are not marked as normalized.
    NotNormalized "not_normalized" Error RawVertices;
    /// A vertex names one joint twice with weight.
    DuplicateJoints "duplicate_joints" Error RawVertices;
    /// Copies of one vertex have different weights.
    TornSeams "torn_seams" Error WeldedVertices;
    /// More joints a vertex than asked for.
    Cap "cap" Warning RawVertices;
    /// A patch of a joint's weight that the joint's main region does not touch.
    Islands "islands" Warning WeldedVertices;
    /// A small piece hangs on joints far apart in the hierarchy.
    SplitPieces "split_pieces" Warning WeldedVertices;
    /// A very small piece does not move as one.
    BentPieces "bent_pieces" Warning WeldedVertices;
    /// The heaviest joint of a vertex is much farther than an unrelated one.
    FarJoints "far_joints" Warning WeldedVertices;
    /// Weights are not those of the mirrored partner.
    Asymmetry "asymmetry" Warning WeldedVertices;
    /// A joint with weight stands far outside the mesh in bind pose.
    BindFar "bind_far" Warning Joints;
    /// A bind matrix scales by axis, or shears.
    BindScale "bind_scale" Warning Joints;
    /// A bind matrix mirrors.
    BindMirror "bind_mirror" Warning Joints;
    /// Two skins bind shared joints in different poses.
    BindDisagreement "bind_disagreement" Warning Joints;
    /// The nodes stand in another pose than bind.
    SavedPose "saved_pose" Note Skins;
    /// A joint has no weight, nor has any below it.
    UnusedJoints "unused_joints" Note Joints;
    /// A vertex belongs to no triangle.
    StrayVertices "stray_vertices" Note WeldedVertices;
    /// The mesh is not bound.
    Unbound "unbound" Note Skins;
}

/// One kind of thing that is wrong with a skin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// What kind.
    pub kind: Kind,
    /// How bad it is.
    pub severity: Severity,
    /// How many of `unit` it concerns.
    pub count: usize,
    /// What is counted.
    pub unit: Unit,
    /// One sentence: what is wrong.
    pub what: String,
    /// One sentence: what to do.
    pub remedy: String,
    /// The joints that it concerns, in the order of the skin.
    pub joints: Vec<String>,
    /// Where, the worst first, ten at most; none where it concerns joints only.
    pub places: Vec<Place>,
}

/// A vertex that a finding concerns, or the first one of a patch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// The mesh it belongs to.
    pub mesh: String,
    /// Its number within the mesh part (its `POSITION` accessor); the first copy of a welded vertex.
    pub vertex: usize,
    /// Its bind position in mesh space.
    pub position: [f32; 3],
    /// The joints in question.
    pub joints: Vec<String>,
    /// How much weight is wrong there, as a share of one; null where that is no question of weight.
    pub weight: Option<f64>,
    /// Welded vertices of the patch or piece; null for a single vertex.
    pub patch_vertices: Option<usize>,
    /// Area of the patch or piece, in percent of the surface; null for a single vertex.
    pub patch_area_percent: Option<f64>,
}
