//! Drivers as JSON, for `extras` of a node and for a file beside it. docs/helpers.md says what each member means.

use std::f64::consts::PI;

use nalgebra::{UnitQuaternion, Vector3};
use serde_json::{Value, json};

use super::fit::MOST;
use super::terms::{Factor, NAMES, Term};
use super::{Driver, Row};
use crate::error::in_short;
use crate::rig::{JointId, Skeleton};

/// What the form is called.
pub const FORM: &str = "tanyard-driven/1";

/// A rotation's quaternion has length one to this: numbers of 32 bits give 1e-7.
const UNIT: f64 = 1e-5;

impl Driver {
    /// The object for `extras` of the helper's node, and for a file. `rest` is the rotation of a driver's node at bind,
    /// relative to the node above it: for a node right below that of its parent joint the rotation of
    /// [`crate::rig::Joint::bind_local`], for others (roots, joints with other nodes between) what the file has.
    pub fn to_json(
        &self,
        helper: JointId,
        skeleton: &Skeleton,
        rest: &dyn Fn(JointId) -> UnitQuaternion<f64>,
    ) -> Value {
        let joint = skeleton.joint(helper);
        let drivers: Vec<Value> = self
            .drivers
            .iter()
            .map(|&id| {
                let driver = skeleton.joint(id);
                let rest = rest(id);
                json!({ "joint": driver.name, "node": driver.node, "rest_rotation": rest.coords.as_slice() })
            })
            .collect();
        let name = |factor: Factor| json!([factor.driver, NAMES[factor.part]]);
        let terms: Vec<Vec<Value>> = self
            .rows
            .iter()
            .map(|row| row.term.factors().map(name).collect())
            .collect();
        let rows = |of: fn(&Row) -> &Vector3<f64>| -> Vec<&[f64]> {
            self.rows.iter().map(|row| of(row).as_slice()).collect()
        };
        json!({
            "form": FORM,
            "joint": joint.name,
            "node": joint.node,
            "parent": joint.parent.map(|id| &skeleton.joint(id).name),
            "rest_translation": joint.bind_local.translation.as_slice(),
            "rest_rotation": joint.bind_local.rotation.coords.as_slice(),
            "drivers": drivers,
            "terms": terms,
            "rotation": rows(|row| &row.rotation),
            "translation": rows(|row| &row.translation),
            "most_angle": self.most_angle,
            "least_translation": self.least.as_slice(),
            "greatest_translation": self.greatest.as_slice(),
        })
    }

    /// Reads what [`Driver::to_json`] wrote, to the bit. Joints go by name: nodes may have other numbers by now. Members
    /// that are not known are passed over.
    ///
    /// # Errors
    /// A sentence that names the first member that cannot be used, what was expected and what was found.
    pub fn from_json(value: &Value, skeleton: &Skeleton) -> Result<Self, String> {
        let whole = At {
            path: String::new(),
            value: Some(value),
        };
        whole.expect("an object", value.is_object())?;
        let form = whole.member("form");
        form.expect(&format!("{FORM:?}"), form.value == Some(&Value::from(FORM)))?;
        let helper = whole.joint(skeleton)?;
        let parent = whole.member("parent");
        let above = skeleton.joint(helper).parent;
        let above = above.map(|id| skeleton.joint(id).name.as_str());
        match above {
            Some(name) => parent.expect(
                &format!("{name:?}, the joint above"),
                parent.value.and_then(Value::as_str) == Some(name),
            )?,
            None => parent.expect("null", parent.value.is_some_and(Value::is_null))?,
        }
        whole.member("rest_translation").vector(MOST)?;
        whole.member("rest_rotation").rotation()?;
        let mut drivers = Vec::new();
        for driver in whole.member("drivers").list()? {
            driver.expect("an object", driver.value.is_some_and(Value::is_object))?;
            let id = driver.joint(skeleton)?;
            let is_new = id != helper && !drivers.contains(&id);
            driver
                .member("joint")
                .expect("another joint than those before and the helper", is_new)?;
            driver.member("rest_rotation").rotation()?;
            drivers.push(id);
        }
        let terms: Vec<Term> = whole
            .member("terms")
            .list()?
            .iter()
            .map(|term| term.term(drivers.len()))
            .collect::<Result<_, _>>()?;
        let vectors = |key: &str| -> Result<Vec<Vector3<f64>>, String> {
            let at = whole.member(key);
            let list = at.list()?;
            let same = list.len() == terms.len();
            at.expect(&format!("{} rows, one for each term", terms.len()), same)?;
            list.iter().map(|row| row.vector(MOST)).collect()
        };
        let (rotation, translation) = (vectors("rotation")?, vectors("translation")?);
        let most_angle = whole.member("most_angle").number(0.0, PI)?;
        let bound = |key: &str, least: f64, greatest: f64| -> Result<Vector3<f64>, String> {
            let at = whole.member(key);
            let list = at.list()?;
            at.expect("three numbers", list.len() == 3)?;
            let mut bound = Vector3::zeros();
            for (x, at) in bound.iter_mut().zip(&list) {
                *x = at.number(least, greatest)?;
            }
            Ok(bound)
        };
        let least = bound("least_translation", -2.0 * MOST, 0.0)?;
        let greatest = bound("greatest_translation", 0.0, 2.0 * MOST)?;
        let rows = terms.into_iter().zip(rotation).zip(translation);
        Ok(Self {
            drivers,
            rows: rows
                .map(|((term, rotation), translation)| Row {
                    term,
                    rotation,
                    translation,
                })
                .collect(),
            most_angle,
            least,
            greatest,
        })
    }
}

/// A value with the path that leads to it.
struct At<'a> {
    path: String,
    value: Option<&'a Value>,
}

impl<'a> At<'a> {
    fn member(&self, key: &str) -> Self {
        let path = match self.path.as_str() {
            "" => key.to_owned(),
            path => format!("{path}.{key}"),
        };
        let value = self.value.and_then(|value| value.get(key));
        Self { path, value }
    }

    fn expect(&self, expected: &str, is_so: bool) -> Result<(), String> {
        self.get(expected, is_so.then_some(()))
    }

    /// What was read of it, else a sentence.
    fn get<T>(&self, expected: &str, read: Option<T>) -> Result<T, String> {
        read.ok_or_else(|| {
            let path = match self.path.as_str() {
                "" => "the driver of a helper",
                path => path,
            };
            let found = in_short(self.value);
            format!("{path}: expected {expected}, found {found}")
        })
    }

    fn list(&self) -> Result<Vec<Self>, String> {
        let list = self.value.and_then(Value::as_array);
        let list = self.get("a list", list)?;
        let item = |(place, value)| Self {
            path: format!("{}[{place}]", self.path),
            value: Some(value),
        };
        Ok(list.iter().enumerate().map(item).collect())
    }

    fn number(&self, least: f64, greatest: f64) -> Result<f64, String> {
        let number = self.value.and_then(Value::as_f64);
        let number = number.filter(|x| (least..=greatest).contains(x));
        self.get(&format!("a number from {least} to {greatest}"), number)
    }

    fn numbers<const N: usize>(&self, most: f64) -> Option<[f64; N]> {
        let list = self.value?.as_array().filter(|list| list.len() == N)?;
        let mut numbers = [0.0; N];
        for (number, value) in numbers.iter_mut().zip(list) {
            *number = value.as_f64().filter(|x| x.abs() <= most)?;
        }
        Some(numbers)
    }

    fn vector(&self, most: f64) -> Result<Vector3<f64>, String> {
        let numbers = self.numbers::<3>(most);
        let expected = format!("three numbers from -{most} to {most}");
        self.get(&expected, numbers).map(Vector3::from)
    }

    fn rotation(&self) -> Result<(), String> {
        let is_unit =
            |q: &[f64; 4]| (q.iter().map(|x| x * x).sum::<f64>().sqrt() - 1.0).abs() <= UNIT;
        let expected = "a rotation [x, y, z, w] of length one";
        self.expect(
            expected,
            self.numbers(1.0 + UNIT).as_ref().is_some_and(is_unit),
        )
    }

    /// The joint that members `joint` and `node` tell.
    fn joint(&self, skeleton: &Skeleton) -> Result<JointId, String> {
        let (joint, node) = (self.member("joint"), self.member("node"));
        let id = joint.value.and_then(Value::as_str);
        let id = id.and_then(|name| skeleton.find(name));
        let id = joint.get("the name of a joint of the skin", id)?;
        node.expect(
            "the number of a node",
            node.value.is_some_and(Value::is_u64),
        )?;
        Ok(id)
    }

    fn term(&self, drivers: usize) -> Result<Term, String> {
        let factors = self.list()?;
        let read = |at: &Self| -> Result<Factor, String> {
            let factor = at.factor().filter(|factor| factor.driver < drivers);
            let names = NAMES.join(", ");
            let expected =
                format!("the place of one of {drivers} drivers and a part of it ({names})");
            at.get(&expected, factor)
        };
        match factors.as_slice() {
            [first] => Ok(Term {
                first: read(first)?,
                second: None,
            }),
            [first, second] => Ok(Term {
                first: read(first)?,
                second: Some(read(second)?),
            }),
            _ => self.get("one or two parts of drivers", None),
        }
    }

    fn factor(&self) -> Option<Factor> {
        let [driver, part] = self.value?.as_array()?.as_slice() else {
            return None;
        };
        let part = part.as_str()?;
        Some(Factor {
            driver: usize::try_from(driver.as_u64()?).ok()?,
            part: NAMES.iter().position(|&name| name == part)?,
        })
    }
}
