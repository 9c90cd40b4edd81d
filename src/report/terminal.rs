//! The report as a table that fits 80 columns, and as a line a file for the log of a build.

use std::fmt::Write;

use super::words::{self, Row, Shown, clean, column, wrapped};
use super::{
    BeforeAfter, CharacterReport, FileReport, FileStatus, Percent, PieceKind, Plan, Report,
    SymmetryReport, influences, sizes,
};

/// Rows of a table of several files, and of the lists below it.
const MOST_ROWS: usize = 20;

/// Exceeded limits, or faults, of one file that a line of the log says.
const MOST_IN_LINE: usize = 3;

/// The whole report: of one file all its figures, of several a row a character.
pub fn table(report: &Report) -> String {
    match report.files.as_slice() {
        [file] => one(file),
        files => several(report, files),
    }
}

// Several files ------------------------------------------------------------------------------------

fn several(report: &Report, files: &[FileReport]) -> String {
    let rows = words::worst_first(files);
    let mut out = String::new();
    // Writing to a String cannot fail.
    let mut line = |text: String| _ = writeln!(out, "{text}");
    if !rows.is_empty() {
        line(format!(
            "  {:<42}{:>18}{:>9}{:>9}",
            "", "error, % of size", "below", "joints a"
        ));
        line(format!(
            "  {:<42}{:>9}{:>9}{:>9}{:>9}",
            "worst first, on held-out poses", "rms", "max", "rigid", "vertex"
        ));
    }
    for row in rows.iter().take(MOST_ROWS) {
        line(character_row(row));
    }
    if rows.len() > MOST_ROWS {
        line(format!("  and {} more", rows.len() - MOST_ROWS));
    }
    let in_fit = |row: &Row| row.shown.is_some_and(|shown| !shown.held_out);
    if rows.iter().take(MOST_ROWS).any(in_fit) {
        line("  * on poses of the fit; none are held out".to_owned());
    }
    let failed = files
        .iter()
        .filter(|file| file.status == FileStatus::Failed)
        .map(|file| format!("{}: {}", clean(&file.name), first_faults(file)));
    out += &list("failed", failed.collect());
    out += &list(
        "above a limit",
        files.iter().flat_map(words::exceeded).collect(),
    );
    if !out.is_empty() {
        out.push('\n');
    }
    out + &wrapped("", "  ", &report.verdict())
}

fn character_row(row: &Row) -> String {
    let joints = row.character.mean_influences();
    let joints = joints.map_or("-".to_owned(), |mean| format!("{mean:.2}"));
    let (rms, max, gain) = match row.shown {
        Some(Shown {
            held_out,
            baked,
            gain,
        }) => {
            let mark = if held_out { "" } else { "*" };
            (
                narrow(baked.rms_percent) + mark,
                narrow(baked.max_percent),
                // The least is what a narrow column takes: it is a loss beyond words by then.
                format!("{:.0} %", gain.max(-9999.0)),
            )
        }
        None => ("-".to_owned(), "-".to_owned(), "-".to_owned()),
    };
    let name = column(&row.name(), 41);
    format!("  {name} {rms:>9}{max:>9}{gain:>9}{joints:>9}")
}

/// A figure in at most eight columns.
fn narrow(value: f64) -> String {
    if value.abs() < 1000.0 {
        format!("{value:.3}")
    } else {
        format!("{value:.1e}")
    }
}

/// A heading and some lines, and how many more there are; nothing if there are none.
fn list(heading: &str, lines: Vec<String>) -> String {
    if lines.is_empty() {
        return String::new();
    }
    let mut out = format!("\n  {heading}\n");
    for text in lines.iter().take(MOST_ROWS) {
        out += &wrapped("    ", "      ", text);
    }
    if lines.len() > MOST_ROWS {
        // Writing to a String cannot fail.
        _ = writeln!(out, "    and {} more", lines.len() - MOST_ROWS);
    }
    out
}

/// The first fault of a file, and how many more there are.
fn first_faults(file: &FileReport) -> String {
    let mut faults = words::faults(file);
    let first = faults
        .next()
        .unwrap_or_else(|| "no reason given".to_owned());
    match faults.count() {
        0 => first,
        more => format!("{first} (and {})", words::counting(more, "more fault")),
    }
}

/// The line of a build's log that says what became of a file, as it is finished; without a line end.
pub fn log_line(file: &FileReport, done: usize, total: usize) -> String {
    let digits = total.to_string().len();
    let status = match file.status {
        FileStatus::Failed => "FAILED",
        other => words::status(other),
    };
    let what = match file.status {
        FileStatus::Failed => format!(": {}", first_faults(file)),
        FileStatus::Left => String::new(),
        FileStatus::Baked | FileStatus::Unchanged | FileStatus::Restored => {
            format!(": {}", worst_of(file))
        }
    };
    let mut limits = file.characters.iter().flat_map(|character| {
        words::exceeded_limits(character).map(|limit| limit.line(&words::short(&character.name)))
    });
    let shown: Vec<String> = limits.by_ref().take(MOST_IN_LINE).collect();
    let mut above = String::new();
    if !shown.is_empty() {
        above = format!("; ABOVE A LIMIT: {}", shown.join("; "));
    }
    match limits.count() {
        0 => {}
        more => above += &format!("; and {more} more"),
    }
    format!(
        "[{done:>digits$}/{total}] {status} {}{what}{above}",
        clean(&file.name)
    )
}

/// The figures of a file's worst character.
fn worst_of(file: &FileReport) -> String {
    let rows = words::worst_first(std::slice::from_ref(file));
    let Some(worst) = rows.first() else {
        return "no skins".to_owned();
    };
    let figures = match worst.shown {
        Some(shown) => format!(
            "{:.3} % rms {}, {:.0} % below rigid",
            shown.baked.rms_percent,
            poses(shown.held_out),
            shown.gain
        ),
        None => "no pose bends this surface".to_owned(),
    };
    match rows.len() {
        1 => figures,
        skins => format!(
            "{figures} (worst of {skins} skins: {})",
            words::short(&worst.character.name)
        ),
    }
}

fn poses(held_out: bool) -> &'static str {
    if held_out { "held-out" } else { "fit" }
}

// One file -----------------------------------------------------------------------------------------

fn one(file: &FileReport) -> String {
    let characters: Vec<String> = file.characters.iter().map(character).collect();
    let mut out = characters.join("\n");
    let input = clean(&file.name);
    let output = clean(&file.output);
    // Writing to a String cannot fail.
    _ = match file.status {
        FileStatus::Baked => Ok(()),
        FileStatus::Unchanged => writeln!(out, "{output}: unchanged, up to date already"),
        FileStatus::Restored => writeln!(out, "{output}: restored from the cache"),
        FileStatus::Failed => writeln!(out, "{input}: failed"),
        FileStatus::Left => writeln!(out, "{input}: left without a turn"),
    };
    for fault in words::faults(file) {
        _ = writeln!(out, "  {fault}");
    }
    out
}

fn character(c: &CharacterReport) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let mut line = |text: String| _ = writeln!(out, "{}", clean(&text));
    line(verdict(c));
    line(format!("  {}", sizes(&c.surface, c.skeleton.joints)));
    line(format!(
        "  {} poses in the fit, {} held out",
        c.poses.fit, c.poses.held_out
    ));
    line(format!("  {}", symmetry(&c.symmetry)));
    line(String::new());
    line("  error, % of size    fit poses               held-out poses".to_owned());
    line("                      rms     p99     max     rms     p99     max".to_owned());
    for (name, errors) in [
        ("rigid", &c.errors.rigid),
        ("naive", &c.errors.naive),
        ("baked", &c.errors.baked),
        ("floor", &c.errors.floor),
    ] {
        line(format!(
            "  {name:<14}{}{}",
            figures(errors.fit),
            figures(errors.held_out)
        ));
    }
    line(String::new());
    line(format!("  joints a vertex: {}", influences(&c.influences)));
    if let Some(worst) = c.worst.first() {
        line(format!(
            "  worst: {:.3} % at {} vertex {} ({}) in {}",
            worst.error_percent,
            worst.mesh,
            worst.vertex,
            worst.joints.join(", "),
            worst.pose
        ));
    }
    if !c.fit.unidentified_joints.is_empty() {
        line(format!(
            "  joints that no pose tells apart from others: {}",
            some_of(&c.fit.unidentified_joints)
        ));
    }
    let of_kind = |kind| c.pieces.iter().filter(|piece| piece.kind == kind).count();
    if c.pieces.len() > 1 {
        line(format!(
            "  pieces: {} own, {} ride on a joint, {} cling to what is beneath",
            of_kind(PieceKind::Own),
            of_kind(PieceKind::Ride),
            of_kind(PieceKind::Cling)
        ));
    }
    if !c.idle_joints.is_empty() {
        let names: Vec<&String> = c.idle_joints.iter().map(|idle| &idle.joint).collect();
        line(format!(
            "  joints without a body of their own: {}",
            some_of(&names)
        ));
    }
    if let Some(mend) = c.mend.as_ref().filter(|mend| mend.found()) {
        let pair = |pair: BeforeAfter| format!("{} -> {}", pair.before, pair.after);
        line(format!(
            "  mended {} vertices: islands {}, outliers {}, torn edges {}",
            mend.vertices,
            pair(mend.islands),
            pair(mend.outliers),
            pair(mend.torn_edges_fit)
        ));
    }
    for warning in &c.warnings {
        line(format!("  note: {warning}"));
    }
    for limit in words::exceeded_limits(c) {
        line(format!(
            "  above a limit: {}",
            limit.line(&words::short(&c.name))
        ));
    }
    out
}

/// The first few names, and how many more there are.
fn some_of<T: AsRef<str>>(names: &[T]) -> String {
    const SHOWN: usize = 6;
    let shown: Vec<&str> = names.iter().take(SHOWN).map(AsRef::as_ref).collect();
    let more = match names.len().saturating_sub(SHOWN) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("{}{more}", shown.join(", "))
}

fn symmetry(found: &SymmetryReport) -> String {
    let count = |count: Option<usize>| count.unwrap_or(0);
    match &found.axis {
        Some(axis) => format!(
            "symmetric across {axis}: {} vertices paired, {} on the plane, {} without partner",
            count(found.paired_vertices),
            count(found.plane_vertices),
            count(found.unpaired_vertices),
        ),
        None if found.asked == "off" => "symmetry: off".to_owned(),
        None => "symmetry: none found".to_owned(),
    }
}

/// One line that says how good the result is, and what to change if it is not.
pub(super) fn verdict(c: &CharacterReport) -> String {
    let Some(shown) = Shown::of(c) else {
        return format!("{}: baked; no pose bends this surface", c.name);
    };
    let line = format!(
        "{}: {:.3} % rms on {} poses, {:.0} % below rigid",
        c.name,
        shown.baked.rms_percent,
        poses(shown.held_out),
        shown.gain
    );
    // The floor is a bound on the poses of the fit only.
    match (c.errors.baked.fit, c.errors.floor.fit) {
        (Some(baked), Some(floor)) if floor.rms_percent > 0.0 => {
            let above = 100.0 * (baked.rms_percent / floor.rms_percent - 1.0);
            format!("{line}; {above:.1} % above the floor on fit poses")
        }
        _ => line,
    }
}

fn figures(figures: Option<Percent>) -> String {
    match figures {
        Some(f) => format!(
            "{:>8.3}{:>8.3}{:>8.3}",
            f.rms_percent, f.p99_percent, f.max_percent
        ),
        None => format!("{:>8}{:>8}{:>8}", "-", "-", "-"),
    }
}

/// What bakes would do.
pub fn plan_table(plans: &[Plan]) -> String {
    let mut out = String::new();
    for plan in plans {
        let layers = if plan.layers.is_empty() {
            "none".to_owned()
        } else {
            plan.layers.join(", then ")
        };
        // Writing to a String cannot fail.
        _ = writeln!(
            out,
            "{}: would bake\n  {}\n  bind: {}\n  layers: {layers}\n  {} poses in the fit, {} held out\n  {}\n  \
             memory: about {}",
            plan.name,
            sizes(&plan.surface, plan.joints),
            plan.bind,
            plan.poses.fit,
            plan.poses.held_out,
            symmetry(&plan.symmetry),
            crate::units::bytes(plan.memory_bytes),
        );
        for warning in &plan.warnings {
            _ = writeln!(out, "  note: {warning}");
        }
    }
    out
}

/// Where time went, and memory.
pub fn timings(report: &Report) -> String {
    let mut out = String::new();
    for c in report.files.iter().flat_map(|file| &file.characters) {
        let t = &c.timings;
        // Writing to a String cannot fail.
        _ = writeln!(
            out,
            "  {}: read {:.3} s, prepare {:.3} s, gather {:.3} s, solve {:.3} s, measure {:.3} s, write {:.3} s\n  \
             KKT residual {:.1e}, {} vertices left open by the poses",
            clean(&c.name),
            t.read_s,
            t.prepare_s,
            t.gather_s,
            t.solve_s,
            t.measure_s,
            t.write_s,
            c.fit.kkt_residual,
            c.fit.unidentified_vertices
        );
    }
    let memory = report.run.peak_memory_bytes;
    let memory = memory.map_or("unknown".to_owned(), crate::units::bytes);
    _ = writeln!(
        out,
        "  {:.3} s in all, peak memory {memory}",
        report.run.wall_s
    );
    out
}
