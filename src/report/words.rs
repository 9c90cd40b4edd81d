//! What the forms of the report share: which figures speak for a character, and text made fit to be shown.

pub(crate) use crate::error::clean;

use super::text::narrow;
use super::{
    CarryReport, CharacterReport, Counts, FileReport, FileStatus, HelperClip, HelpersReport,
    LimitReport, Percent, Report, RunEnd, WorstVertex,
};

/// Names in tables are cut to this many characters.
const LONGEST_NAME: usize = 32;

/// Faults are cut to this many characters: each part of one has 300 at most.
const LONGEST_FAULT: usize = 1000;

/// Places in words are cut to this many characters.
pub(super) const LONGEST_PLACE: usize = 300;

// Figures ------------------------------------------------------------------------------------------

/// The figures that speak for a character: on held-out poses, or on those of the fit if none are held out.
#[derive(Clone, Copy)]
pub(crate) struct Shown {
    pub(crate) held_out: bool,
    pub(crate) baked: Percent,
    /// How far the rms error is below that of the rigid weights, in percent of it.
    pub(crate) gain: f64,
}

impl Shown {
    /// None if no pose bends the surface.
    pub(super) fn of(c: &CharacterReport) -> Option<Self> {
        let baked = c.errors.baked.held_out_or_fit()?;
        let rigid = c.errors.rigid.held_out_or_fit()?.rms_percent;
        let gain = if rigid > 0.0 {
            100.0 * (1.0 - baked.rms_percent / rigid)
        } else {
            0.0
        };
        Some(Self {
            held_out: c.errors.baked.held_out.is_some(),
            baked,
            gain,
        })
    }
}

/// A character with its file.
pub(crate) struct Row<'a> {
    pub(crate) file: &'a FileReport,
    pub(crate) character: &'a CharacterReport,
    pub(crate) shown: Option<Shown>,
}

/// All characters, the greatest rms error first; those without figures last.
pub(crate) fn worst_first(files: &[FileReport]) -> Vec<Row<'_>> {
    let rows = files.iter().flat_map(|file| {
        file.characters.iter().map(move |character| Row {
            file,
            character,
            shown: Shown::of(character),
        })
    });
    let mut rows: Vec<Row> = rows.collect();
    let rms = |row: &Row| row.shown.map_or(-1.0, |shown| shown.baked.rms_percent);
    rows.sort_by(|a, b| rms(b).total_cmp(&rms(a)));
    rows
}

impl Row<'_> {
    /// The file; with the skin if it has several.
    pub(crate) fn name(&self) -> String {
        if self.file.characters.len() > 1 {
            named(self.file, self.character)
        } else {
            self.file.name.clone()
        }
    }
}

/// A character as lines outside of tables name it.
pub(crate) fn named(file: &FileReport, character: &CharacterReport) -> String {
    format!("{}, {}", file.name, short(&character.name))
}

/// Where an error is greatest.
pub(crate) fn place(worst: &WorstVertex) -> String {
    let joints: Vec<String> = worst.joints.iter().map(|joint| short(joint)).collect();
    format!(
        "{} vertex {} ({}) in {}",
        short(&worst.mesh),
        worst.vertex,
        joints.join(", "),
        short(&worst.pose)
    )
}

/// Every limit that a file exceeds, as lines.
pub(super) fn exceeded(file: &FileReport) -> impl Iterator<Item = String> {
    file.characters.iter().flat_map(move |character| {
        exceeded_limits(character).map(move |limit| limit.line(&named(file, character)))
    })
}

/// How far below the rigid weights an error is, or above; `gain` is in percent of theirs.
pub(crate) fn against_rigid(gain: f64) -> String {
    match gain {
        gain if gain.round() >= 0.0 => format!("{gain:.0} % below rigid"),
        // Where the base hardly errs at all, a figure says nothing.
        gain if gain > -1000.0 => format!("{:.0} % above rigid", -gain),
        _ => "far above rigid".to_owned(),
    }
}

/// Where weights come from, and what found no place there.
pub(crate) fn carried(carried: &CarryReport) -> String {
    let mut text = format!(
        "follows {} of {}; {}; {} filled from those around",
        carried.from,
        carried.file,
        match carried.fitted {
            true => "naive: its weights at the closest places, before the fit",
            false => "with its weights at the closest places: no fit",
        },
        match carried.filled_vertices {
            0 => "no vertex".to_owned(),
            1 => "1 vertex".to_owned(),
            count => format!("{count} vertices"),
        }
    );
    if carried.forced_pieces > 0 {
        let pieces = counting(carried.forced_pieces, "piece");
        text += &format!("; {pieces} without any place that agrees took the closest ones");
    }
    if !carried.missing_joints.is_empty() {
        let names: Vec<&String> = carried.missing_joints.iter().collect();
        text += &format!(
            "; it lacks {}: {}",
            counting(names.len(), "joint"),
            some_of(&names)
        );
    }
    text
}

/// What helper joints bring to a character, and where an engine shows it: sentences, the figures first; none without
/// helpers.
pub(crate) fn helpers(c: &CharacterReport) -> Vec<String> {
    let (Some(helpers), Some(shown)) = (&c.helpers, Shown::of(c)) else {
        return Vec::new();
    };
    let rms = |percent: Option<Percent>| {
        percent.map_or("-".to_owned(), |percent| narrow(percent.rms_percent))
    };
    let mut lines = vec![format!(
        "{}: {} % rms on {}, {} % without",
        counting(helpers.joints.len(), "helper joint"),
        rms(Some(shown.baked)),
        poses(shown.held_out),
        rms(helpers.without.held_out_or_fit())
    )];
    lines.push(match helpers.driven {
        true => format!(
            "helpers move as other joints drive them; with the motion that fits each pose best it would be {} %",
            rms(helpers.fitted.held_out_or_fit())
        ),
        false => fitted_motion(helpers).to_owned(),
    });
    let worst =
        |a: &&HelperClip, b: &&HelperClip| a.with.rms_percent.total_cmp(&b.with.rms_percent);
    if let Some(clip) = helpers.clips.iter().max_by(worst) {
        lines.push(format!(
            "{} with keys for helpers, the worst {}: {} % rms, {} % without",
            counting(helpers.clips.len(), "clip"),
            short(&clip.clip),
            rms(Some(clip.with)),
            rms(Some(clip.without))
        ));
    }
    lines
}

/// Where the motion is to be seen that figures of helpers are with, if nothing drives them.
fn fitted_motion(helpers: &HelpersReport) -> &'static str {
    match helpers.clips.is_empty() {
        false => {
            "that is with the motion that fits each pose best: engines show it in the clips alone; elsewhere helpers \
             stand still against their parents"
        }
        true => {
            "that is with the motion that fits each pose best, but no clip has it: in an engine helpers stand still \
             against their parents"
        }
    }
}

/// What tables of several characters say below, if figures in them are with motion that engines show in clips alone.
pub(super) fn note_of_fitted_motion(rows: &[Row]) -> Option<&'static str> {
    let is_fitted =
        |row: &Row| (row.character.helpers.as_ref()).is_some_and(|helpers| !helpers.driven);
    rows.iter().any(is_fitted).then_some(
        "of characters with helper joints that nothing drives, figures are with the motion that fits each pose best; \
         engines show it in clips alone",
    )
}

/// The set of poses that figures are of.
pub(crate) fn poses(held_out: bool) -> &'static str {
    if held_out {
        "held-out poses"
    } else {
        "fit poses"
    }
}

/// The limits that a character exceeds.
pub(crate) fn exceeded_limits(c: &CharacterReport) -> impl Iterator<Item = &LimitReport> {
    c.limits.iter().filter(|limit| limit.exceeded)
}

/// A figure in four digits, or in as many more as show on which side of the limit it is.
pub(crate) fn figure(value: f64, limit: f64) -> String {
    /// Digits that tell any two numbers apart.
    const ALL: usize = 17;
    let plain = value == 0.0 || (1e-4..1e15).contains(&value.abs());
    let in_digits = |digits: usize| {
        let exact = format!("{value:.*e}", digits - 1);
        let rounded: f64 = exact.parse().unwrap_or(value);
        let text = if plain {
            rounded.to_string()
        } else {
            format!("{rounded:e}")
        };
        (rounded, text)
    };
    let side = |value: f64| value.partial_cmp(&limit);
    (4..ALL)
        .map(in_digits)
        .find(|(rounded, _)| side(*rounded) == side(value))
        .map_or_else(|| in_digits(ALL).1, |(_, text)| text)
}

// Sentences ----------------------------------------------------------------------------------------

impl Report {
    /// One line that says how many files ended how; if not all is well, that first.
    pub fn verdict(&self) -> String {
        let mark = self.outcome().mark();
        let mark = mark.map_or(String::new(), |mark| format!("{mark}: "));
        mark + &self.counted()
    }

    /// The verdict without its mark.
    pub(super) fn counted(&self) -> String {
        let shard = self.run.shard.as_deref();
        let shard = shard.map(|shard| format!("; only part {}", cut(shard, LONGEST_PLACE)));
        let what = match self.run.end {
            // The mark says so.
            RunEnd::Interrupted => counts_of(&self.run.counts),
            RunEnd::Complete | RunEnd::Stopped => ended(self),
        };
        what + &shard.unwrap_or_default()
    }
}

/// The verdict without what the report says in words of its own.
pub(super) fn ended(report: &Report) -> String {
    let end = match report.run.end {
        RunEnd::Complete => "",
        RunEnd::Stopped => "; stopped at the first failure",
        RunEnd::Interrupted => "; interrupted",
    };
    counts_of(&report.run.counts) + end
}

fn counts_of(counts: &Counts) -> String {
    let all = [
        (counts.baked, "baked"),
        (counts.unchanged, "unchanged"),
        (counts.restored, "restored"),
        (counts.failed, "failed"),
        (counts.left, "left"),
        (counts.exceeded, "above a limit"),
    ];
    counted(counts.files, &all)
}

/// `3 files: 2 baked, 1 failed`; what does not occur is left out.
pub(super) fn counted(files: usize, kinds: &[(usize, &str)]) -> String {
    let words: Vec<String> = kinds
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, what)| format!("{count} {what}"))
        .collect();
    let colon = if words.is_empty() { "" } else { ": " };
    format!("{}{colon}{}", counting(files, "file"), words.join(", "))
}

/// How a file ended, in a word.
pub(crate) fn status(status: FileStatus) -> &'static str {
    match status {
        FileStatus::Baked => "baked",
        FileStatus::Unchanged => "unchanged",
        FileStatus::Restored => "restored",
        FileStatus::Failed => "failed",
        FileStatus::Left => "left",
    }
}

/// `1 file`, `2 files`.
pub(crate) fn counting(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// The first few names, and how many more there are.
pub(crate) fn some_of<T: AsRef<str>>(names: &[T]) -> String {
    const SHOWN: usize = 6;
    let shown: Vec<String> = names
        .iter()
        .take(SHOWN)
        .map(|name| short(name.as_ref()))
        .collect();
    let more = match names.len().saturating_sub(SHOWN) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("{}{more}", shown.join(", "))
}

/// Faults of a file, without its name where they begin with it: whoever shows them says that first.
pub(crate) fn faults(file: &FileReport) -> impl Iterator<Item = String> {
    file.faults.iter().map(|fault| {
        let rest = fault.strip_prefix(&clean(&file.input));
        let rest = rest.and_then(|rest| rest.strip_prefix(": "));
        cut(rest.unwrap_or(fault), LONGEST_FAULT)
    })
}

// Text from files ----------------------------------------------------------------------------------

/// Clean text of at most so many characters, and a mark if it was cut.
pub(crate) fn cut(text: &str, longest: usize) -> String {
    match text.char_indices().nth(longest) {
        Some((end, _)) => clean(&text[..end]) + "...",
        None => clean(text),
    }
}

/// A name, clean and of few characters.
pub(crate) fn short(name: &str) -> String {
    cut(name, LONGEST_NAME)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_has_as_many_digits_as_tell_it_from_the_limit() {
        assert_eq!(figure(3.2, 2.0), "3.2");
        assert_eq!(figure(0.123_456, 0.1), "0.1235");
        assert_eq!(figure(2.000_001, 2.0), "2.000001");
        assert_eq!(figure(1.999_999_9, 2.0), "1.9999999");
        assert_eq!(figure(120_000.0, 5.0), "120000");
        assert_eq!(figure(0.1 + 0.2, 0.3), "0.30000000000000004");
        assert_eq!(figure(1e300, 1.0), "1e300");
        assert_eq!(figure(3e-9, 1e-9), "3e-9");
        assert_eq!(figure(f64::INFINITY, 1.0), "inf");
        assert_eq!(figure(f64::NAN, 1.0), "NaN");
    }
}
