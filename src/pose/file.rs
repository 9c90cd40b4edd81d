//! The pose file: JSON, the same in and out.
//!
//! ```json
//! {"poses":[{"name":"speak","weight":1,"joints":{
//!   "upper_arm_l":[0,0,0.38,0.92],
//!   "jaw":{"rotation":[0.17,0,0,0.98],"translation":[0,0,0.01],"scale":[1,1.1,1]}}}]}
//! ```
//!
//! Each quaternion [x, y, z, w] is a rotation Q in the joint's own bind frame, each translation D along the axes of
//! that frame, in the units in which the parent places the joint, each scale K along the axes of the turned frame:
//! `local = T·R·(D·Q·K)·S`. Parts and joints that are not named stay at bind.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use serde_json::{Map, Value, json};

use crate::error::{Error, Fault, in_short};
use crate::rig::{JointId, Move, Pose, PoseSequence, Skeleton};

/// A quaternion shorter than this gives no direction.
const LEAST_NORM: f64 = 1e-6;

/// Translations reach at most this far, and scales lie between one over it and itself: numbers of 32 bits hold what
/// comes of them.
const MOST_TRANSLATION: f64 = 1e9;
const MOST_SCALE: f64 = 1e3;

/// Writes poses as a pose file.
pub fn to_json(poses: &impl PoseSequence, skeleton: &Skeleton) -> Value {
    let poses: Vec<Value> = poses
        .iter()
        .map(|pose| {
            let named =
                |(id, own): &(JointId, Move)| (skeleton.joint(*id).name.clone(), write(own));
            let joints: Map<String, Value> = pose.moves.iter().map(named).collect();
            json!({ "name": pose.name, "weight": pose.weight, "joints": joints })
        })
        .collect();
    json!({ "poses": poses })
}

/// Reads a pose file for the skins of one file: for each skeleton the poses of its own joints. Every
/// joint must belong to one of them at least. `path` is named in faults.
///
/// # Errors
/// [`Error::Input`] with every fault found.
pub fn parse(path: &Path, text: &str, skeletons: &[&Skeleton]) -> Result<Vec<Vec<Pose>>, Error> {
    let fault = |part: &str, expected: &str, found: String| Fault::new(path, part, expected, found);
    // Some editors put a byte order mark first.
    let text = text.trim_start_matches('\u{feff}');
    let value: Value = serde_json::from_str(text).map_err(|error| {
        fault("", "JSON", error.to_string())
            .remedy("see docs/formats.md for the form of a pose file")
    })?;
    let Some(list) = value
        .get("poses")
        .and_then(Value::as_array)
        .filter(|list| !list.is_empty())
    else {
        return Err(fault(
            "poses",
            "a list of at least one pose",
            in_short(value.get("poses")),
        )
        .into());
    };
    // The first of a name, as `Skeleton::find` has it.
    let ids: Vec<HashMap<&str, JointId>> = skeletons
        .iter()
        .map(|skeleton| {
            let named = |id| (skeleton.joint(id).name.as_str(), id);
            skeleton.ids().rev().map(named).collect()
        })
        .collect();
    let mut faults = Vec::new();
    let mut unknown = HashSet::new();
    let mut poses = vec![Vec::new(); skeletons.len()];
    for (index, entry) in list.iter().enumerate() {
        let at = |field: &str| format!("poses[{index}]{field}");
        let Some(object) = entry.as_object() else {
            faults.push(fault(&at(""), "an object", in_short(Some(entry))));
            continue;
        };
        for key in object
            .keys()
            .filter(|key| !["name", "weight", "joints"].contains(&key.as_str()))
        {
            faults.push(fault(
                &at(&format!(".{key}")),
                "name, weight or joints",
                format!("{key:?}"),
            ));
        }
        let name = match object.get("name") {
            None => format!("pose {index}"),
            Some(Value::String(name)) => name.clone(),
            other => {
                faults.push(fault(&at(".name"), "a string", in_short(other)));
                continue;
            }
        };
        let weight = match object.get("weight") {
            None => Some(1.0),
            Some(weight) => weight.as_f64().filter(|w| super::WEIGHTS.contains(w)),
        };
        let Some(weight) = weight else {
            faults.push(fault(
                &at(".weight"),
                "a number from 0.000001 to 1000000",
                in_short(object.get("weight")),
            ));
            continue;
        };
        let Some(joints) = object.get("joints").and_then(Value::as_object) else {
            faults.push(fault(
                &at(".joints"),
                "an object of joints",
                in_short(object.get("joints")),
            ));
            continue;
        };
        let mut moves = vec![Vec::new(); skeletons.len()];
        for (joint, value) in joints {
            let part = || at(&format!(".joints[{joint:?}]"));
            let own = match read(value) {
                Ok(own) => own,
                Err(slips) => {
                    faults.extend(slips.into_iter().map(|(key, expected, value)| {
                        fault(&(part() + &key), expected, in_short(Some(value)))
                    }));
                    continue;
                }
            };
            let mut known = false;
            for (ids, moves) in ids.iter().zip(&mut moves) {
                if let Some(&id) = ids.get(joint.as_str()) {
                    moves.push((id, own));
                    known = true;
                }
            }
            // Once each: the pose file of another skeleton names none of these joints in every pose.
            if !known && unknown.insert(joint) {
                faults.push(unknown_joint(path, &part(), joint, skeletons));
            }
        }
        for (own, moves) in poses.iter_mut().zip(moves) {
            own.push(Pose {
                weight,
                ..Pose::new(name.clone(), moves)
            });
        }
    }
    if faults.is_empty() {
        Ok(poses)
    } else {
        Err(Error::Input(faults))
    }
}

fn unknown_joint(path: &Path, part: &str, joint: &str, skeletons: &[&Skeleton]) -> Fault {
    let nearest = skeletons
        .iter()
        .flat_map(|skeleton| skeleton.joints())
        .map(|known| &known.name)
        .min_by_key(|name| (strsim::damerau_levenshtein(name, joint), *name));
    let remedy = nearest.map_or(String::new(), |name| {
        format!("the nearest name is {name:?}")
    });
    Fault::new(
        path,
        part,
        "the name of a joint of the skin",
        format!("{joint:?}"),
    )
    .remedy(remedy)
}

/// A joint's move: a rotation alone as a list, more as an object of the parts that differ from bind.
fn write(own: &Move) -> Value {
    let q = own.rotation;
    let rotation = json!([q.i, q.j, q.k, q.w]);
    if !own.slides() && !own.scales() {
        return rotation;
    }
    let mut parts = json!({ "rotation": rotation });
    if own.slides() {
        parts["translation"] = json!(own.translation.as_slice());
    }
    if own.scales() {
        parts["scale"] = json!(own.scale.as_slice());
    }
    parts
}

/// A part of a move that cannot be used: its key, what was expected, what is there.
type Slip<'a> = (String, &'static str, &'a Value);

fn read(value: &Value) -> Result<Move, Vec<Slip<'_>>> {
    const ROTATION: &str = "a rotation [x, y, z, w] of four finite numbers, not all zero";
    let mut own = Move::still();
    let Some(parts) = value.as_object() else {
        let expected = "a rotation [x, y, z, w] of four finite numbers, not all zero, or an object of rotation, \
                        translation and scale";
        let rotation = quaternion(value).ok_or_else(|| vec![(String::new(), expected, value)])?;
        return Ok(Move::from(rotation));
    };
    let mut slips = Vec::new();
    for (key, value) in parts {
        let mut slip = |expected| slips.push((format!(".{key}"), expected, value));
        match key.as_str() {
            "rotation" => match quaternion(value) {
                Some(rotation) => own.rotation = rotation,
                None => slip(ROTATION),
            },
            "translation" => match vector(value).filter(|t| t.amax() <= MOST_TRANSLATION) {
                Some(translation) => own.translation = translation,
                None => slip("a translation [x, y, z] of three numbers up to 1000000000"),
            },
            "scale" => match vector(value).filter(is_scale) {
                Some(scale) => own.scale = scale,
                None => slip("a scale [x, y, z] of three numbers from 0.001 to 1000"),
            },
            _ => slip("rotation, translation or scale"),
        }
    }
    if slips.is_empty() {
        Ok(own)
    } else {
        Err(slips)
    }
}

fn is_scale(scale: &Vector3<f64>) -> bool {
    let usual = 1.0 / MOST_SCALE..=MOST_SCALE;
    scale.iter().all(|x| usual.contains(x))
}

fn quaternion(value: &Value) -> Option<UnitQuaternion<f64>> {
    let [x, y, z, w] = numbers(value)?;
    UnitQuaternion::try_new(Quaternion::new(w, x, y, z), LEAST_NORM)
}

fn vector(value: &Value) -> Option<Vector3<f64>> {
    numbers(value).map(Vector3::from)
}

fn numbers<const N: usize>(value: &Value) -> Option<[f64; N]> {
    let list = value.as_array().filter(|list| list.len() == N)?;
    let mut numbers = [0.0; N];
    for (number, value) in numbers.iter_mut().zip(list) {
        *number = value.as_f64().filter(|x| x.is_finite())?;
    }
    Some(numbers)
}
