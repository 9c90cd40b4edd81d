//! A value of the document together with the path that leads to it, so that every fault can name it.

use std::path::Path;

use serde_json::{Map, Value};

use crate::error::Fault;

static MISSING: Value = Value::Null;

/// A JSON value, the file it stands in and its path there. A missing member is `null`.
#[derive(Clone, Debug)]
pub(super) struct At<'a> {
    pub file: &'a Path,
    pub path: String,
    pub value: &'a Value,
}

impl<'a> At<'a> {
    pub fn root(file: &'a Path, value: &'a Value) -> Self {
        Self {
            file,
            path: String::new(),
            value,
        }
    }

    /// The member of that name, for the names that the standard gives.
    pub fn get(&self, key: &str) -> Self {
        let path = if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        };
        self.step(path, self.value.get(key))
    }

    /// The member of that name, for names that the file chooses (attributes, extensions).
    pub fn entry(&self, key: &str) -> Self {
        self.step(format!("{}[{key:?}]", self.path), self.value.get(key))
    }

    /// The element of that number.
    pub fn at(&self, index: usize) -> Self {
        self.step(format!("{}[{index}]", self.path), self.value.get(index))
    }

    fn step(&self, path: String, value: Option<&'a Value>) -> Self {
        Self {
            file: self.file,
            path,
            value: value.unwrap_or(&MISSING),
        }
    }

    pub fn is_missing(&self) -> bool {
        self.value.is_null()
    }

    /// A fault at this value, with what stands there as what was found.
    pub fn fault(&self, expected: impl Into<String>) -> Fault {
        self.found(expected, describe(self.value))
    }

    /// A fault at this value.
    pub fn found(&self, expected: impl Into<String>, found: impl Into<String>) -> Fault {
        Fault::new(self.file, self.path.clone(), expected, found)
    }

    pub fn text(&self) -> Option<&'a str> {
        self.value.as_str()
    }

    /// The name of an object of the document; `None` if it has none or an empty one.
    pub fn name(&self) -> Option<&'a str> {
        self.value
            .get("name")
            .and_then(Value::as_str)
            .filter(|name| !name.is_empty())
    }

    /// The elements; none if the member is missing.
    pub fn items(&self) -> Result<Vec<Self>, Fault> {
        match self.value {
            Value::Null => Ok(Vec::new()),
            Value::Array(items) => Ok((0..items.len()).map(|i| self.at(i)).collect()),
            _ => Err(self.fault("an array")),
        }
    }

    /// The members; none if the object is missing.
    pub fn members(&self) -> Result<Option<&'a Map<String, Value>>, Fault> {
        match self.value {
            Value::Null => Ok(None),
            Value::Object(map) => Ok(Some(map)),
            _ => Err(self.fault("an object")),
        }
    }

    pub fn integer(&self, expected: &str) -> Result<u64, Fault> {
        whole(self.value).ok_or_else(|| self.fault(expected))
    }

    /// An integer that may be missing.
    pub fn integer_or(&self, default: u64, expected: &str) -> Result<u64, Fault> {
        if self.is_missing() {
            Ok(default)
        } else {
            self.integer(expected)
        }
    }

    /// A size or an offset as the machine counts.
    pub fn size_or(&self, default: usize, expected: &str) -> Result<usize, Fault> {
        let size = self.integer_or(default as u64, expected)?;
        usize::try_from(size).map_err(|_| self.fault(expected))
    }

    /// A number below `count`, the count of that top-level array.
    pub fn index(&self, count: usize, array: &str) -> Result<usize, Fault> {
        let expected = || match count {
            0 => format!("an index into {array}, of which the file has none"),
            _ => format!("an index into {array}, 0 to {}", count - 1),
        };
        let index = whole(self.value).and_then(|index| usize::try_from(index).ok());
        index
            .filter(|&index| index < count)
            .ok_or_else(|| self.fault(expected()))
    }

    /// The same, `None` if the member is missing.
    pub fn index_or_none(&self, count: usize, array: &str) -> Result<Option<usize>, Fault> {
        if self.is_missing() {
            Ok(None)
        } else {
            self.index(count, array).map(Some)
        }
    }

    /// Exactly `N` numbers; `None` if the member is missing.
    pub fn numbers<const N: usize>(&self) -> Result<Option<[f64; N]>, Fault> {
        if self.is_missing() {
            return Ok(None);
        }
        let wrong = || self.fault(format!("{N} finite numbers"));
        let items = self.value.as_array().ok_or_else(wrong)?;
        if items.len() != N {
            return Err(self.found(format!("{N} numbers"), format!("{} values", items.len())));
        }
        let mut numbers = [0.0; N];
        for (number, item) in numbers.iter_mut().zip(items) {
            *number = item.as_f64().filter(|x| x.is_finite()).ok_or_else(wrong)?;
        }
        Ok(Some(numbers))
    }
}

/// A non-negative integer, also if written as `4.0`: JSON knows one kind of number only.
pub(super) fn whole(value: &Value) -> Option<u64> {
    const EXACT: f64 = 9_007_199_254_740_992.0;
    value.as_u64().or_else(|| {
        let number = value.as_f64()?;
        (number.fract() == 0.0 && (0.0..EXACT).contains(&number)).then_some(number as u64)
    })
}

/// A value in a few words, however large it is.
pub(super) fn describe(value: &Value) -> String {
    const LONGEST: usize = 60;
    match value {
        Value::Null => "nothing".to_owned(),
        Value::Array(items) => format!("an array of {}", items.len()),
        Value::Object(_) => "an object".to_owned(),
        Value::String(text) if text.chars().count() > LONGEST => {
            format!("{:?}...", text.chars().take(LONGEST).collect::<String>())
        }
        other => other.to_string(),
    }
}

/// The value of a result; its fault goes to the list.
pub(super) fn keep<T>(result: Result<T, Fault>, faults: &mut Vec<Fault>) -> Option<T> {
    result.map_err(|fault| faults.push(fault)).ok()
}
