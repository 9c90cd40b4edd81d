//! A skin in motion, as reference and as baked: its data within a page, and the controls of the view.
//!
//! The data are a JSON object in a script element. Numbers beside it are little-endian bytes in Base64 (RFC 4648):
//!
//! | field | holds |
//! | --- | --- |
//! | `vertices`, `triangles`, `joints` | counts |
//! | `low`, `step` | a coordinate is `low + step · n`, with `n` from `positions`, in mesh space |
//! | `positions` | u16 × 3 a vertex: bind positions, exact to half a step (1/131,070 of the box) |
//! | `corners` | u16 × 3 a triangle, u32 if there are more than 65,536 vertices |
//! | `slots`, `weight_joints`, `weights` | for each vertex so many places of joints (u16), then weights (u16, of 65,535) |
//! | `to_scene`, `diagonal`, `unit` | rows to scene directions; the size in mesh space; scene units in a percent of it |
//! | `ramp`, `top_percent` | u8 × 3 of sRGB for 256 steps of an error, from 0 to the top |
//! | `poses[].name`, `.held_out`, `.rms_percent` | what it is |
//! | `poses[].matrices` | f32 × 12 a joint: the rows of the matrix that moves its bind positions |
//! | `poses[].off`, `.off_most` | i8 × 3 a vertex: the reference less the baked position is n · abs(n) / 127² · `off_most`. Small differences have fine steps: one of m is exact to √(m · `off_most`) / 127 and a step of 1/127² more |

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, PreEscaped, html};
use serde::Serialize;

use crate::picture::{TOP_PERCENT, ramp};

/// The look of views.
pub(super) const STYLE: &str = include_str!("motion.css");

/// Sets every view of a page going.
pub(super) const SCRIPT: &str = include_str!("motion.js");

/// A skin with poses to play. Positions are of mesh space.
#[derive(Clone, Debug, PartialEq)]
pub struct Motion {
    /// Bind positions of welded vertices.
    pub positions: Vec<[f32; 3]>,
    /// Triangles of welded vertices, counter-clockwise from outside.
    pub triangles: Vec<[u32; 3]>,
    /// The number of joints that weights may name.
    pub joints: usize,
    /// For each vertex the joints and their weights, heaviest first.
    pub weights: Vec<Vec<(u16, f32)>>,
    /// The rows take directions and lengths of mesh space to the scene: +Y is up, +Z is to the front.
    pub to_scene: [[f64; 3]; 3],
    /// The size that errors are a percentage of, in mesh space: the diagonal of the bind bounding box.
    pub diagonal: f64,
    /// Units of the scene in a percent of it.
    pub unit: f64,
    /// Poses to play; the first is bind.
    pub poses: Vec<MotionPose>,
}

/// A pose.
#[derive(Clone, Debug, PartialEq)]
pub struct MotionPose {
    /// What the report calls it.
    pub name: String,
    /// Whether the fit never saw it; `None` for bind.
    pub held_out: Option<bool>,
    /// For each joint the matrix that moves its bind positions, row after row.
    pub matrices: Vec<[f32; 12]>,
    /// Where the reference has each vertex.
    pub reference: Vec<[f32; 3]>,
    /// Where the weights have it.
    pub baked: Vec<[f32; 3]>,
}

#[derive(Serialize)]
struct Data<'a> {
    vertices: usize,
    triangles: usize,
    joints: usize,
    low: [f32; 3],
    step: [f32; 3],
    positions: String,
    corners: String,
    slots: usize,
    weight_joints: String,
    weights: String,
    to_scene: [[f64; 3]; 3],
    diagonal: f64,
    unit: f64,
    ramp: String,
    top_percent: f64,
    poses: Vec<PoseData<'a>>,
}

#[derive(Serialize)]
struct PoseData<'a> {
    name: &'a str,
    held_out: Option<bool>,
    rms_percent: f64,
    matrices: String,
    off: String,
    off_most: f32,
}

/// The view of a skin: `still` in its place, which the script moves to the element `stills` when it shows more.
pub(super) fn markup(motion: &Motion, still: Option<Markup>, stills: &str, id: &str) -> Markup {
    let label = |what: &str| format!("{id}-{what}");
    html! {
        div.motion id=(id) data-stills=(stills) {
            div.motion-still {
                @if let Some(still) = still { (still) }
                p.motion-why { "The view in motion needs scripts and WebGL 2. Here is a still of the worst pose." }
            }
            div.motion-live hidden {
                div.motion-frame {
                div.motion-names aria-hidden="true" {}
                canvas.motion-canvas tabindex="0" role="img" aria-label="The character in bind pose"
                    aria-describedby=(label("keys")) {}
                }
                div.motion-legend aria-hidden="true" { span.motion-bar {} span.motion-marks {} }
                p.motion-say aria-live="polite" {}
                div.motion-controls {
                    button.motion-back type="button" { "Previous pose" }
                    button.motion-play type="button" aria-pressed="false" { "Play" }
                    button.motion-next type="button" { "Next pose" }
                    label.motion-wide for=(label("slider")) { "Pose " }
                    input.motion-slider type="range" min="0" max=(motion.poses.len().saturating_sub(1)) step="1"
                        value="0" id=(label("slider"));
                    label for=(label("name")) { "Go to " }
                    select.motion-name id=(label("name")) {
                        @for (place, pose) in motion.poses.iter().enumerate() {
                            option value=(place) { (pose.name) }
                        }
                    }
                    fieldset.motion-ways {
                        legend { "Show" }
                        @for (way, text) in [("all", "All three"), ("reference", "Reference"), ("baked", "Baked"),
                            ("difference", "Difference")] {
                            label { input type="radio" name=(label("way")) value=(way) checked[way == "all"]; " " (text) }
                        }
                    }
                    button.motion-reset type="button" { "Reset view" }
                }
                p.motion-keys id=(label("keys")) {
                    "Drag to turn, pinch to zoom. With the picture in focus: arrow keys turn, + and - or the wheel \
                     zoom, Home resets."
                }
            }
            script.motion-data type="application/json" { (PreEscaped(json(motion))) }
        }
    }
}

/// The data as JSON that no HTML is found in.
fn json(motion: &Motion) -> String {
    // Only maps with keys that are not strings, or failing Serialize impls, can fail: there are none.
    let text = serde_json::to_string(&data(motion)).unwrap_or_default();
    // Within strings alone can it occur.
    text.replace('<', "\\u003c")
}

fn data(motion: &Motion) -> Data<'_> {
    let vertices = motion.positions.len();
    let extent = |i: usize| {
        let values = motion.positions.iter().map(|p| p[i]);
        let low = values.clone().fold(f32::INFINITY, f32::min);
        let high = values.fold(f32::NEG_INFINITY, f32::max);
        if low <= high { (low, high) } else { (0.0, 0.0) }
    };
    let low: [f32; 3] = std::array::from_fn(|i| extent(i).0);
    let step: [f32; 3] = std::array::from_fn(|i| (extent(i).1 - low[i]) / STEPS);
    let place = |value: f32, i: usize| match step[i] > 0.0 {
        true => ((value - low[i]) / step[i]).round().clamp(0.0, STEPS) as u16,
        false => 0,
    };
    let positions = motion.positions.iter();
    let positions = positions.flat_map(|p| (0..3).flat_map(move |i| place(p[i], i).to_le_bytes()));
    let corners = motion.triangles.as_flattened().iter();
    let corners: Vec<u8> = if vertices <= 1 << 16 {
        corners.flat_map(|&v| (v as u16).to_le_bytes()).collect()
    } else {
        corners.flat_map(|&v| v.to_le_bytes()).collect()
    };
    let slots = motion.weights.iter().map(Vec::len).max().unwrap_or(1);
    let entries = || {
        motion.weights.iter().flat_map(move |row| {
            (0..slots).map(move |slot| row.get(slot).copied().unwrap_or((0, 0.0)))
        })
    };
    let colours = (0..=u8::MAX).flat_map(|i| ramp(f32::from(i) / 255.0));
    Data {
        vertices,
        triangles: motion.triangles.len(),
        joints: motion.joints,
        low,
        step,
        positions: text(positions),
        corners: STANDARD.encode(corners),
        slots,
        weight_joints: text(entries().flat_map(|(joint, _)| joint.to_le_bytes())),
        weights: text(
            entries().flat_map(|(_, weight)| ((weight * STEPS).round() as u16).to_le_bytes()),
        ),
        to_scene: motion.to_scene,
        diagonal: motion.diagonal,
        unit: motion.unit,
        ramp: text(colours),
        top_percent: TOP_PERCENT,
        poses: motion
            .poses
            .iter()
            .map(|pose| pose_data(pose, motion.diagonal))
            .collect(),
    }
}

/// The greatest of u16.
const STEPS: f32 = 65_535.0;

fn pose_data(pose: &MotionPose, diagonal: f64) -> PoseData<'_> {
    let off = || {
        let pairs = pose.reference.iter().zip(&pose.baked);
        pairs.flat_map(|(r, b)| (0..3).map(move |i| r[i] - b[i]))
    };
    let greatest = off().fold(0.0f32, |most, x| most.max(x.abs()));
    let place = |x: f32| match greatest > 0.0 {
        true => ((x.abs() / greatest).sqrt().copysign(x) * f32::from(i8::MAX)).round() as i8,
        false => 0,
    };
    let squares: f64 = off().map(|x| f64::from(x).powi(2)).sum();
    let rms = (squares / pose.reference.len().max(1) as f64).sqrt();
    PoseData {
        name: &pose.name,
        held_out: pose.held_out,
        rms_percent: if diagonal > 0.0 {
            100.0 * rms / diagonal
        } else {
            0.0
        },
        matrices: text(pose.matrices.iter().flatten().flat_map(|x| x.to_le_bytes())),
        off: text(off().flat_map(|x| place(x).to_le_bytes())),
        off_most: greatest,
    }
}

fn text(bytes: impl Iterator<Item = u8>) -> String {
    STANDARD.encode(bytes.collect::<Vec<u8>>())
}
