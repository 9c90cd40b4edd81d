//! Limits on findings, for builds that must not go on with a bad skin.

use std::str::FromStr;

use super::{Finding, Kind, Severity};

/// How much of something a skin may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limit {
    /// What is limited.
    pub what: What,
    /// The most that passes.
    pub most: usize,
}

/// What a limit is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// Findings of any kind.
    Any,
    /// Findings of one severity.
    Severity(Severity),
    /// What one kind of finding counts: vertices, or joints.
    Kind(Kind),
}

/// A limit that was exceeded.
#[derive(Clone, Debug, PartialEq)]
pub struct Excess<'a> {
    /// The figure.
    pub found: usize,
    /// The finding with it; the first of several.
    pub first: &'a Finding,
}

impl What {
    /// All there is.
    fn all() -> impl Iterator<Item = Self> {
        let severities = Severity::ALL.map(Self::Severity);
        let kinds = Kind::ALL.iter().copied().map(Self::Kind);
        std::iter::once(Self::Any).chain(severities).chain(kinds)
    }

    /// Every name that there is.
    pub fn names() -> impl Iterator<Item = &'static str> {
        Self::all().map(Self::name)
    }

    /// As the command line names it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Any => "any",
            Self::Severity(severity) => severity.name(),
            Self::Kind(kind) => kind.name(),
        }
    }
}

impl Limit {
    /// What the findings of one skin have too much of.
    pub fn excess<'a>(&self, findings: &'a [Finding]) -> Option<Excess<'a>> {
        let limited: Vec<&Finding> = findings
            .iter()
            .filter(|finding| match self.what {
                What::Any => true,
                What::Severity(severity) => finding.severity == severity,
                What::Kind(kind) => finding.kind == kind,
            })
            .collect();
        let found = match self.what {
            What::Kind(_) => limited.iter().map(|finding| finding.count).sum(),
            _ => limited.len(),
        };
        let first = *limited.first()?;
        (found > self.most).then_some(Excess { found, first })
    }
}

impl FromStr for Limit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, most) = text.split_once('=').ok_or("expected KIND=COUNT")?;
        let most = most
            .parse()
            .map_err(|_| format!("{most:?} is no count: a whole number, 0 or more"))?;
        Ok(Self {
            what: name.parse()?,
            most,
        })
    }
}

impl FromStr for What {
    type Err = String;

    fn from_str(name: &str) -> Result<Self, String> {
        Self::all().find(|what| what.name() == name).ok_or_else(|| {
            let names: Vec<&str> = Self::names().collect();
            format!("{name:?} is none of {}", names.join(", "))
        })
    }
}
