//! The run at a glance: counts, and a row a character.

use std::collections::HashMap;

use maud::{Markup, html};

use super::character::own_time;
use super::marks::Standing;
use super::{Album, LONGEST_TEXT};
use crate::report::words::{self, Shown};
use crate::report::{CharacterReport, FileReport, Report};
use crate::units;

/// A character with all that there is of it, or a file without any.
pub(super) struct Entry<'a> {
    /// The id of its section.
    pub(super) id: String,
    pub(super) name: String,
    pub(super) file: &'a FileReport,
    pub(super) character: Option<&'a CharacterReport>,
    pub(super) shown: Option<Shown>,
    pub(super) album: Option<&'a Album>,
    pub(super) standing: Standing,
}

/// Failed files, then characters, the greatest rms error first, then files without characters.
pub(super) fn entries<'a>(report: &'a Report, albums: &'a [Album]) -> Vec<Entry<'a>> {
    let keyed = albums
        .iter()
        .map(|album| ((album.file.as_str(), album.character), album));
    let albums: HashMap<_, _> = keyed.collect();
    let mut entries: Vec<Entry> = Vec::new();
    let bare = |file: &'a FileReport| Entry {
        id: String::new(),
        name: words::cut(&file.name, LONGEST_TEXT),
        file,
        character: None,
        shown: None,
        album: None,
        standing: Standing::of(file, None),
    };
    let (failed, others): (Vec<_>, Vec<_>) = report
        .files
        .iter()
        .filter(|file| file.characters.is_empty())
        .map(bare)
        .partition(|entry| entry.standing == Standing::Failed);
    entries.extend(failed);
    for row in words::worst_first(&report.files) {
        let mut all = row.file.characters.iter();
        let place = all.position(|c| std::ptr::eq(c, row.character));
        let album = place.and_then(|place| albums.get(&(row.file.name.as_str(), place)));
        entries.push(Entry {
            id: String::new(),
            name: words::cut(&row.name(), LONGEST_TEXT),
            file: row.file,
            character: Some(row.character),
            shown: row.shown,
            album: album.copied(),
            standing: Standing::of(row.file, Some(row.character)),
        });
    }
    entries.extend(others);
    for (place, entry) in entries.iter_mut().enumerate() {
        entry.id = format!("c{}", place + 1);
    }
    entries
}

/// Counts, time and memory.
pub(super) fn run(report: &Report) -> Markup {
    let counts = &report.run.counts;
    let counts = [
        ("files", counts.files),
        ("baked", counts.baked),
        ("unchanged", counts.unchanged),
        ("restored", counts.restored),
        ("failed", counts.failed),
        ("left", counts.left),
        ("above a limit", counts.exceeded),
    ];
    html! {
        section aria-labelledby="run" {
            h2 #run { "The run" }
            dl.counts {
                @for (what, count) in counts {
                    // Zeros say something of failures and limits alone.
                    @if count > 0 || matches!(what, "failed" | "above a limit") {
                        div { dt { (what) } dd { (count) } }
                    }
                }
                div { dt { "wall time" } dd { (seconds(report.run.wall_s)) } }
                @if let Some(bytes) = report.run.peak_memory_bytes {
                    div { dt { "peak memory" } dd { (units::bytes(bytes)) } }
                }
            }
        }
    }
}

fn seconds(s: f64) -> String {
    format!("{s:.1} s")
}

/// Columns that sort, and whether by a number.
const COLUMNS: [(&str, bool); 10] = [
    ("character", false),
    ("verdict", true),
    ("rms, % of size", true),
    ("max, % of size", true),
    ("below rigid, %", true),
    ("joints a vertex", true),
    ("limits exceeded", true),
    ("notes", true),
    ("seconds", true),
    ("vertices", true),
];

/// A row a character, worst first.
pub(super) fn overview(entries: &[Entry]) -> Markup {
    let of_standing = |standing| entries.iter().filter(|e| e.standing == standing).count();
    let in_fit = entries
        .iter()
        .any(|e| e.shown.is_some_and(|shown| !shown.held_out));
    html! {
        section aria-labelledby="characters" {
            h2 #characters { "Characters" }
            form #filters role="search" aria-label="Characters shown" hidden {
                label { "Name contains " input #filter type="search" autocomplete="off" spellcheck="false" aria-keyshortcuts="/"; }
                label { "Verdict "
                    select #standing {
                        option value="" { "all (" (entries.len()) ")" }
                        @for standing in Standing::ALL {
                            @if of_standing(standing) > 0 {
                                option value=(standing.key()) { (standing.word()) " (" (of_standing(standing)) ")" }
                            }
                        }
                    }
                }
                p #shown role="status" {}
            }
            div.scroll tabindex="0" role="region" aria-label="Table of characters" {
                table #overview {
                    caption { "Worst first. Errors are on held-out poses, in percent of the size of the character."
                        @if in_fit { " * on poses of the fit: none are held out." } }
                    thead { tr {
                        @for (column, (name, number)) in COLUMNS.iter().enumerate() {
                            th scope="col" data-sort=(if *number { "number" } else { "text" }) class=[(*number && column > 1).then_some("n")] { (name) }
                        }
                    } }
                    tbody { @for entry in entries { (row(entry)) } }
                }
            }
        }
    }
}

fn row(entry: &Entry) -> Markup {
    let c = entry.character;
    let star = if entry.shown.is_some_and(|shown| !shown.held_out) {
        "*"
    } else {
        ""
    };
    let mean = c.and_then(CharacterReport::mean_influences);
    let exceeded = c.map(|c| words::exceeded_limits(c).count() as f64);
    let notes = c.map(|c| c.warnings.len() as f64);
    let vertices = c.map(|c| c.surface.welded_vertices as f64);
    // Of several characters of a file no one's share of its time is known but by their stages.
    let time = match c {
        Some(c) if entry.file.characters.len() > 1 => own_time(&c.timings),
        _ => entry.file.wall_s,
    };
    let well = entry.shown;
    html! {
        tr data-standing=(entry.standing.key()) {
            th scope="row" {
                a href={ "#" (entry.id) } {
                    @if entry.album.is_some_and(|album| !album.stills.is_empty()) {
                        span.thumb data-of={ (entry.id) "-still" } {}
                    }
                    bdi { (entry.name) }
                }
            }
            td data-v={ (entry.standing as u8) } { (entry.standing.shown(entry.file.status)) }
            (cell(well.map(|s| s.baked.rms_percent), 3, star))
            (cell(well.map(|s| s.baked.max_percent), 3, star))
            (cell(well.map(|s| s.gain), 0, star))
            (cell(mean, 2, ""))
            (cell(exceeded, 0, ""))
            (cell(notes, 0, ""))
            (cell(Some(time), 1, ""))
            (cell(vertices, 0, ""))
        }
    }
}

/// A figure that sorts by its value, or a dash where there is none.
fn cell(value: Option<f64>, digits: usize, mark: &str) -> Markup {
    html! {
        @match value {
            Some(value) => { td.n data-v=(value) { (format!("{value:.digits$}")) (mark) } }
            None => { td.n { "–" } }
        }
    }
}
