//! The pose file: JSON, the same in and out.
//!
//! ```json
//! {"poses":[{"name":"reach","weight":1,"joints":{"upper_arm_l":[0,0,0.38,0.92]}}]}
//! ```
//!
//! Each quaternion [x, y, z, w] is a rotation Q in the joint's own bind frame: `local = T·R·Q·S`.
//! Joints that are not named stay at bind.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use nalgebra::{Quaternion, UnitQuaternion};
use serde_json::{Map, Value, json};

use crate::error::{Error, Fault};
use crate::rig::{JointId, Pose, PoseSequence, Skeleton};

/// A quaternion shorter than this gives no direction.
const LEAST_NORM: f64 = 1e-6;

/// Writes poses as a pose file.
pub fn to_json(poses: &impl PoseSequence, skeleton: &Skeleton) -> Value {
    let poses: Vec<Value> = poses
        .iter()
        .map(|pose| {
            let joints: Map<String, Value> = pose
                .rotations
                .iter()
                .map(|(id, q)| {
                    (
                        skeleton.joint(*id).name.clone(),
                        json!([q.i, q.j, q.k, q.w]),
                    )
                })
                .collect();
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
            describe(value.get("poses")),
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
            faults.push(fault(&at(""), "an object", describe(Some(entry))));
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
                faults.push(fault(&at(".name"), "a string", describe(other)));
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
                describe(object.get("weight")),
            ));
            continue;
        };
        let Some(joints) = object.get("joints").and_then(Value::as_object) else {
            faults.push(fault(
                &at(".joints"),
                "an object of joint rotations",
                describe(object.get("joints")),
            ));
            continue;
        };
        let mut rotations = vec![Vec::new(); skeletons.len()];
        for (joint, value) in joints {
            let part = || at(&format!(".joints[{joint:?}]"));
            let Some(rotation) = quaternion(value) else {
                let expected = "a rotation [x, y, z, w] of four finite numbers, not all zero";
                faults.push(fault(&part(), expected, describe(Some(value))));
                continue;
            };
            let mut known = false;
            for (ids, rotations) in ids.iter().zip(&mut rotations) {
                if let Some(&id) = ids.get(joint.as_str()) {
                    rotations.push((id, rotation));
                    known = true;
                }
            }
            // Once each: the pose file of another skeleton names none of these joints in every pose.
            if !known && unknown.insert(joint) {
                faults.push(unknown_joint(path, &part(), joint, skeletons));
            }
        }
        for (own, rotations) in poses.iter_mut().zip(rotations) {
            own.push(Pose {
                weight,
                ..Pose::new(name.clone(), rotations)
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

fn quaternion(value: &Value) -> Option<UnitQuaternion<f64>> {
    let list = value.as_array().filter(|list| list.len() == 4)?;
    let mut numbers = [0.0; 4];
    for (number, value) in numbers.iter_mut().zip(list) {
        *number = value.as_f64().filter(|x| x.is_finite())?;
    }
    let [x, y, z, w] = numbers;
    UnitQuaternion::try_new(Quaternion::new(w, x, y, z), LEAST_NORM)
}

fn describe(value: Option<&Value>) -> String {
    let Some(value) = value else {
        return "nothing".to_owned();
    };
    let mut text = value.to_string();
    if text.chars().count() > 60 {
        text = text.chars().take(57).collect::<String>() + "...";
    }
    text
}
