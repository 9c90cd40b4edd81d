//! The report as Markdown, for a comment on a pull request or the page of a build.
//!
//! All text that comes from files stands in `<code>`, every sign that Markdown or HTML could read as its own
//! given by number: so it is shown as it is, breaks no table, and names no user to notify.

use std::fmt::Write;

use super::words::{self, Row, Shown};
use super::{FileReport, FileStatus, Report};

/// Bytes of the whole, and so characters at most: comment fields take 65,536.
const MOST_BYTES: usize = 60_000;

/// Shares of that, so that no part leaves nothing to those after it: failed files, then exceeded limits.
/// What a part does not need is left to the next.
const MOST_WITH_FAILED: usize = 20_000;
const MOST_WITH_LIMITS: usize = 38_000;

/// Bytes kept for the end of the last table.
const RESERVE: usize = 400;

/// Rows up to which a part stands open.
const MOST_OPEN: usize = 10;

/// Text is cut to this many characters.
const LONGEST_NAME: usize = 200;
const LONGEST_FAULT: usize = 400;

/// Faults shown of one file.
const MOST_FAULTS: usize = 5;

/// The report as Markdown, with a line end: the verdict, what failed, what exceeds a limit, all characters.
pub fn markdown(report: &Report) -> String {
    let mut out = format!("**{}**", words::ended(report));
    if let Some(shard) = &report.run.shard {
        // Writing to a String cannot fail.
        _ = write!(out, "; only part {}", code(shard, LONGEST_NAME));
    }
    out.push('\n');
    let failed = report
        .files
        .iter()
        .filter(|file| file.status == FileStatus::Failed);
    let failed: Vec<String> = failed.map(failure).collect();
    out += &part(
        &words::counting(failed.len(), "failed file"),
        "",
        &failed,
        MOST_WITH_FAILED.saturating_sub(out.len()),
    );
    let limits: Vec<String> = report.files.iter().flat_map(limits).collect();
    out += &part(
        &words::counting(limits.len(), "exceeded limit"),
        "| character | figure | found | limit | place |\n| --- | --- | --: | --: | --- |\n",
        &limits,
        MOST_WITH_LIMITS.saturating_sub(out.len()),
    );
    let rows = words::worst_first(&report.files);
    let in_fit = |row: &Row| row.shown.is_some_and(|shown| !shown.held_out);
    let mut note = String::new();
    if rows.iter().any(in_fit) {
        note += "\n\\* on poses of the fit; none are held out\n";
    }
    if let Some(fitted) = words::note_of_fitted_motion(&rows) {
        // Writing to a String cannot fail.
        _ = writeln!(note, "\n{fitted}");
    }
    let rows: Vec<String> = rows.iter().map(character).collect();
    out += &part(
        &format!("{}, worst first", words::counting(rows.len(), "character")),
        "| character | rms, % | max, % | below rigid | joints a vertex | worst place |\n\
         | --- | --: | --: | --: | --: | --- |\n",
        &rows,
        MOST_BYTES.saturating_sub(out.len() + note.len()),
    );
    if !rows.is_empty() {
        out += &note;
    }
    out
}

/// A heading and rows, as many as there is room for, and how many were cut; folded if they are many.
fn part(title: &str, head: &str, rows: &[String], room: usize) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let folded = rows.len() > MOST_OPEN;
    let mut out = if folded {
        format!("\n<details><summary>{title}</summary>\n\n{head}")
    } else {
        format!("\n### {title}\n\n{head}")
    };
    let mut shown = 0;
    for row in rows {
        if out.len() + row.len() + RESERVE > room {
            break;
        }
        out += row;
        shown += 1;
    }
    if shown < rows.len() {
        // Writing to a String cannot fail.
        _ = write!(
            out,
            "\nCut to fit: {} of {} are not shown here. The report as JSON has all of them.\n",
            rows.len() - shown,
            rows.len()
        );
    }
    if folded {
        out += "\n</details>\n";
    }
    out
}

fn failure(file: &FileReport) -> String {
    let faults: Vec<String> = words::faults(file).collect();
    let mut out = format!("- {}", code(&file.name, LONGEST_NAME));
    for fault in faults.iter().take(MOST_FAULTS) {
        // Two spaces: still the same point of the list.
        _ = write!(out, "<br>\n  {}", code(fault, LONGEST_FAULT));
    }
    if faults.len() > MOST_FAULTS {
        _ = write!(out, "<br>\n  and {} more", faults.len() - MOST_FAULTS);
    }
    out + "\n"
}

fn limits(file: &FileReport) -> Vec<String> {
    let of_character = |character| {
        let name = words::named(file, character);
        words::exceeded_limits(character).map(move |limit| {
            let found = limit.found.map_or("not measured".to_owned(), |found| {
                words::figure(found, limit.most)
            });
            format!(
                "| {} | {} | {found} | {} | {} |\n",
                code(&name, LONGEST_NAME),
                code(&limit.limit, LONGEST_NAME),
                words::figure(limit.most, limit.most),
                code(&limit.place, LONGEST_NAME)
            )
        })
    };
    file.characters.iter().flat_map(of_character).collect()
}

fn character(row: &Row) -> String {
    let figures = match row.shown {
        Some(Shown {
            held_out,
            baked,
            gain,
        }) => format!(
            "{:.3}{} | {:.3} | {gain:.0} %",
            baked.rms_percent,
            if held_out { "" } else { " \\*" },
            baked.max_percent
        ),
        None => "– | – | –".to_owned(),
    };
    let joints = row.character.mean_influences();
    let joints = joints.map_or("–".to_owned(), |mean| format!("{mean:.2}"));
    let worst = row
        .character
        .worst
        .first()
        .map_or(String::new(), words::place);
    format!(
        "| {} | {figures} | {joints} | {} |\n",
        code(&row.name(), LONGEST_NAME),
        code(&worst, LONGEST_NAME)
    )
}

/// Text of a file as text, whatever is in it.
fn code(text: &str, longest: usize) -> String {
    if text.is_empty() {
        return String::new();
    }
    let mut out = "<code>".to_owned();
    for c in words::cut(text, longest).chars() {
        let plain = match c {
            // What links a site without an address before it.
            '.' => !out.to_ascii_lowercase().ends_with("www"),
            ' ' | '/' | ',' | '-' | '+' | '=' | ';' | '%' => true,
            _ => c.is_alphanumeric() || !c.is_ascii(),
        };
        if plain {
            out.push(c);
        } else {
            // Writing to a String cannot fail.
            _ = write!(out, "&#{};", u32::from(c));
        }
    }
    out + "</code>"
}
