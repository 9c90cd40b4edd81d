//! A character held against its limits.

use std::cmp::Ordering;

use super::Limits;
use crate::inspect;
use crate::report::{
    CharacterReport, Exceeded, LimitReport, Percent, Verdict, WorstVertex, change_percent,
};

/// A figure held against a limit, before it has a name.
struct Judged {
    /// `None` where there was none to measure.
    found: Option<f64>,
    /// Where, or why there is none.
    place: String,
    /// Whether the want of a figure is as bad as too high a one.
    must: bool,
}

impl Limits {
    /// Holds a character against every limit that is set, and against an earlier result if it was compared with one.
    /// `before` is the same character in the baseline.
    pub fn judge(
        &self,
        character: &CharacterReport,
        before: Option<&CharacterReport>,
    ) -> Vec<LimitReport> {
        let mut limits = Vec::new();
        let mut hold = |name: &str, most: Option<f64>, figure: &dyn Fn() -> Judged| {
            let Some(most) = most else { return };
            let Judged { found, place, must } = figure();
            limits.push(LimitReport {
                limit: name.to_owned(),
                most,
                found,
                place,
                // What is no number is above everything.
                exceeded: found.map_or(must, |found| {
                    found.partial_cmp(&most).is_none_or(Ordering::is_gt)
                }),
            });
        };
        let errors = Measured::of(character);
        let percent = |figure: fn(&Percent) -> f64| errors.judged(figure, Some(1.0));
        let units = character.surface.diagonal_units / 100.0;
        hold("rms_percent", self.rms_percent, &|| {
            percent(|e| e.rms_percent)
        });
        hold("p99_percent", self.p99_percent, &|| {
            percent(|e| e.p99_percent)
        });
        hold("max_percent", self.max_percent, &|| {
            percent(|e| e.max_percent)
        });
        let in_units = |figure: fn(&Percent) -> f64| errors.judged(figure, Some(units));
        hold("rms_units", self.rms_units, &|| in_units(|e| e.rms_percent));
        hold("p99_units", self.p99_units, &|| in_units(|e| e.p99_percent));
        hold("max_units", self.max_units, &|| in_units(|e| e.max_percent));
        let pixels = self.pixels_per_unit(character).map(|pixels| pixels * units);
        let in_pixels = |figure: fn(&Percent) -> f64| errors.judged(figure, pixels);
        hold("rms_pixels", self.rms_pixels, &|| {
            in_pixels(|e| e.rms_percent)
        });
        hold("p99_pixels", self.p99_pixels, &|| {
            in_pixels(|e| e.p99_percent)
        });
        hold("max_pixels", self.max_pixels, &|| {
            in_pixels(|e| e.max_percent)
        });
        hold("above_floor_percent", self.above_floor_percent, &|| {
            above_floor(character)
        });
        hold("mean_influences", self.mean_influences, &|| Judged {
            found: character.mean_influences(),
            place: String::new(),
            must: true,
        });
        hold("outliers", self.outliers.map(|most| most as f64), &|| {
            Judged {
                found: Some(character.outliers as f64),
                place: String::new(),
                must: true,
            }
        });
        hold(
            "above_baseline_percent",
            self.above_baseline_percent,
            &|| above_baseline(character, before),
        );
        for (kind, &most) in &self.inspect {
            hold(&format!("inspect.{kind}"), Some(most as f64), &|| {
                findings(character, kind)
            });
        }
        limits.extend(regression(character));
        limits
    }

    /// Whether findings of `inspect` are needed to judge.
    pub fn asks_for_findings(&self) -> bool {
        !self.inspect.is_empty()
    }

    /// Pixels on screen of one unit of the scene at the character's distance.
    ///
    /// A pinhole camera with focal length f (in pixels) shows a length l across its axis at distance d as
    /// f·l/d pixels. The character's height h shows as `height_pixels` = f·h/d, so that f/d need not be known.
    /// What is nearer to the camera than the middle of the character shows larger by that share of d.
    fn pixels_per_unit(&self, character: &CharacterReport) -> Option<f64> {
        let height = character.surface.height_units;
        self.height_pixels
            .filter(|_| height > 0.0)
            .map(|pixels| pixels / height)
    }
}

/// An earlier result as a limit: a bake may not be worse, but for noise, unless the earlier one was kept.
fn regression(character: &CharacterReport) -> Option<LimitReport> {
    let against = character.against.as_ref()?;
    let change = against.change?;
    let rms = |errors: Option<Percent>| errors.map_or(0.0, |errors| errors.rms_percent);
    Some(LimitReport {
        limit: "against".to_owned(),
        // The verdict has decided by the exact one.
        most: (100.0 * change.band_percent.unwrap_or(0.0)).round() / 100.0,
        found: change.rms_change_percent,
        place: format!(
            "change of the rms in percent: {1:.4} % of size, {2:.4} % in {0}",
            against.file,
            rms(against.new),
            rms(against.old)
        ),
        exceeded: against.verdict == Verdict::Worse && !against.kept,
    })
}

/// The error figures that limits are held against, and where they show.
struct Measured<'a> {
    errors: Option<Percent>,
    worst: Option<&'a WorstVertex>,
    held_out: bool,
}

impl<'a> Measured<'a> {
    fn of(character: &'a CharacterReport) -> Self {
        let baked = &character.errors.baked;
        let held_out = baked.held_out.is_some();
        Self {
            errors: baked.held_out_or_fit(),
            worst: character
                .worst
                .iter()
                .find(|worst| worst.held_out == held_out),
            held_out,
        }
    }

    fn judged(&self, figure: fn(&Percent) -> f64, unit: Option<f64>) -> Judged {
        let Some(errors) = &self.errors else {
            // Nothing to go wrong.
            return Judged {
                found: None,
                place: "no pose bends this surface".to_owned(),
                must: false,
            };
        };
        let Some(unit) = unit else {
            return Judged {
                found: None,
                place: "the character has no height".to_owned(),
                must: true,
            };
        };
        let poses = if self.held_out {
            "held-out poses"
        } else {
            "poses of the fit"
        };
        let place = match self.worst {
            Some(worst) => format!(
                "on {poses}, worst at {} vertex {} ({}) in {}",
                worst.mesh,
                worst.vertex,
                worst.joints.join(", "),
                worst.pose
            ),
            None => format!("on {poses}"),
        };
        Judged {
            found: Some(figure(errors) * unit),
            place,
            must: true,
        }
    }
}

/// How far the poses of the fit lie above the floor, in percent of it.
fn above_floor(character: &CharacterReport) -> Judged {
    let place = "on poses of the fit".to_owned();
    let (baked, floor) = (character.errors.baked.fit, character.errors.floor.fit);
    let (Some(baked), Some(floor)) = (baked, floor) else {
        return Judged {
            found: None,
            place,
            must: false,
        };
    };
    let (baked, floor) = (baked.rms_percent, floor.rms_percent);
    let found = change_percent(floor, baked);
    let place = match found {
        Some(_) => place,
        None => format!("{place}, where the floor is 0"),
    };
    Judged {
        found,
        place,
        must: true,
    }
}

/// How far the rms error lies above that of the baseline, in percent of it.
fn above_baseline(character: &CharacterReport, before: Option<&CharacterReport>) -> Judged {
    let rms = |c: &CharacterReport| Measured::of(c).errors.map(|errors| errors.rms_percent);
    let absent = |place: &str| Judged {
        found: None,
        place: place.to_owned(),
        must: false,
    };
    let Some(before) = before else {
        return absent("not in the baseline");
    };
    let (Some(old), Some(new)) = (rms(before), rms(character)) else {
        return absent("without error figures here or in the baseline");
    };
    let mut place = format!("{new:.4} % after {old:.4} %");
    if before.poses != character.poses {
        place += ", on other poses: the figures are not of one measure";
    }
    Judged {
        found: change_percent(old, new),
        place,
        must: true,
    }
}

/// How much there is of a kind of findings.
fn findings(character: &CharacterReport, kind: &str) -> Judged {
    let absent = |place: String| Judged {
        found: None,
        place,
        must: true,
    };
    // The most is held elsewhere.
    let limit: inspect::Limit = match format!("{kind}=0").parse() {
        Ok(limit) => limit,
        Err(reason) => return absent(reason),
    };
    let Some(findings) = &character.findings else {
        return absent("the file was not inspected".to_owned());
    };
    match limit.excess(findings) {
        Some(excess) => Judged {
            found: Some(excess.found as f64),
            place: Exceeded::new(&character.name, &limit, &excess).place,
            must: true,
        },
        None => Judged {
            found: Some(0.0),
            place: String::new(),
            must: true,
        },
    }
}
