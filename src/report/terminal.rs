//! The report as a table that fits 80 columns, and as a line a file for the log of a build.

use super::text::{Role, Text, column, narrow};
use super::words::{self, Row, Shown, short, some_of};
use super::{
    BeforeAfter, CharacterReport, FileReport, FileStatus, Outcome, Percent, PieceKind, Plan,
    Planned, PlannedFile, Report, SymmetryReport, influences, sizes,
};

/// Rows of a table of several files, and of the lists below it.
const MOST_ROWS: usize = 20;

/// Exceeded limits, or faults, of one file that a line of the log says.
const MOST_IN_LINE: usize = 3;

/// The whole report: of one file all its figures, of several a row a character. What became of it is the first
/// line.
pub fn table(report: &Report) -> Text {
    match report.files.as_slice() {
        [file] => one(report, file),
        files => several(report, files),
    }
}

// Several files ------------------------------------------------------------------------------------

fn several(report: &Report, files: &[FileReport]) -> Text {
    let rows = words::worst_first(files);
    let mut out = Text::default();
    out.head(report.outcome().mark(), &report.counted());
    list(
        &mut out,
        "failed",
        files
            .iter()
            .filter(|file| file.status == FileStatus::Failed)
            .map(|file| format!("{}: {}", file.name, first_faults(file)))
            .collect(),
    );
    let above = files.iter().flat_map(words::exceeded).collect();
    list(&mut out, "above a limit", above);
    if !rows.is_empty() {
        out.blank();
        out.plain(&format!(
            "  {:<42}{:>18}{:>9}{:>9}",
            "", "error, % of size", "below", "joints a"
        ));
        out.plain(&format!(
            "  {:<42}{:>9}{:>9}{:>9}{:>9}",
            "worst first, on held-out poses", "rms", "max", "rigid", "vertex"
        ));
    }
    for row in rows.iter().take(MOST_ROWS) {
        character_row(&mut out, row);
    }
    if rows.len() > MOST_ROWS {
        out.plain(&format!("  and {} more", rows.len() - MOST_ROWS));
    }
    let in_fit = |row: &Row| row.shown.is_some_and(|shown| !shown.held_out);
    if rows.iter().take(MOST_ROWS).any(in_fit) {
        out.plain("  * on poses of the fit; none are held out");
    }
    if let Some(note) = words::note_of_fitted_motion(&rows[..rows.len().min(MOST_ROWS)]) {
        out.wrapped("  ", note);
    }
    out
}

fn character_row(out: &mut Text, row: &Row) {
    let joints = row.character.mean_influences();
    let joints = joints.map_or("-".to_owned(), |mean| format!("{mean:.2}"));
    let (rms, max, gain, role) = match row.shown {
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
                (gain < 0.0).then_some(Role::Bad),
            )
        }
        None => ("-".to_owned(), "-".to_owned(), "-".to_owned(), None),
    };
    let name = column(&row.name(), 41);
    out.line(&[
        (None, &format!("  {name} {rms:>9}{max:>9}")),
        (role, &format!("{gain:>9}")),
        (None, &format!("{joints:>9}")),
    ]);
}

/// A heading and some lines, and how many more there are; nothing if there are none.
fn list(out: &mut Text, heading: &str, lines: Vec<String>) {
    if lines.is_empty() {
        return;
    }
    out.blank();
    out.line(&[(None, "  "), (Some(Role::Bad), heading)]);
    for text in lines.iter().take(MOST_ROWS) {
        out.wrapped("    ", text);
    }
    if lines.len() > MOST_ROWS {
        out.plain(&format!("    and {} more", lines.len() - MOST_ROWS));
    }
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

/// The line of a build's log that says what became of a file, as it is finished.
pub fn log_line(file: &FileReport, done: usize, total: usize) -> Text {
    let digits = total.to_string().len();
    let (status, role) = match file.status {
        FileStatus::Failed => ("FAILED", Some(Role::Bad)),
        other => (words::status(other), None),
    };
    let what = match file.status {
        FileStatus::Failed => format!(": {}", first_faults(file)),
        FileStatus::Left => String::new(),
        FileStatus::Baked | FileStatus::Unchanged | FileStatus::Restored => {
            format!(": {}", worst_of(file))
        }
    };
    let mut limits = file.characters.iter().flat_map(|character| {
        words::exceeded_limits(character).map(|limit| limit.line(&short(&character.name)))
    });
    let shown: Vec<String> = limits.by_ref().take(MOST_IN_LINE).collect();
    let more = match limits.count() {
        0 => String::new(),
        more => format!("; and {more} more"),
    };
    let (gap, above, colon) = match shown.is_empty() {
        true => ("", "", ""),
        false => ("; ", "ABOVE A LIMIT", ": "),
    };
    let mut out = Text::default();
    out.line(&[
        (None, &format!("[{done:>digits$}/{total}] ")),
        (role, status),
        (None, &format!(" {}{what}{gap}", file.name)),
        (Some(Role::Bad), above),
        (None, &format!("{colon}{}{more}", shown.join("; "))),
    ]);
    out
}

/// The figures of a file's worst character.
fn worst_of(file: &FileReport) -> String {
    let rows = words::worst_first(std::slice::from_ref(file));
    let Some(worst) = rows.first() else {
        return "no skins".to_owned();
    };
    let figures = match worst.shown {
        Some(shown) => format!(
            "{} % rms {}, {}",
            narrow(shown.baked.rms_percent),
            if shown.held_out { "held-out" } else { "fit" },
            words::against_rigid(shown.gain)
        ),
        None => "no pose bends this surface".to_owned(),
    };
    match rows.len() {
        1 => figures,
        skins => format!(
            "{figures} (worst of {skins} skins: {})",
            short(&worst.character.name)
        ),
    }
}

// One file -----------------------------------------------------------------------------------------

fn one(report: &Report, file: &FileReport) -> Text {
    let mark = report.outcome().mark();
    let mut out = Text::default();
    match (file.status, file.characters.as_slice()) {
        (FileStatus::Failed, _) => {
            let faults = words::counting(file.faults.len(), "fault");
            out.verdict(mark, &file.name, &faults);
        }
        (FileStatus::Left, _) => out.verdict(mark, &file.name, "left without a turn"),
        (_, [c]) => out.verdict(mark, &c.name, &headline(c)),
        (_, _) => out.verdict(mark, &file.name, &worst_of(file)),
    }
    match file.status {
        FileStatus::Unchanged => {
            out.wrapped(
                "  ",
                &format!("unchanged: {} is up to date already", file.output),
            );
        }
        FileStatus::Restored => {
            out.wrapped(
                "  ",
                &format!("restored: {} is from the cache", file.output),
            );
        }
        FileStatus::Baked | FileStatus::Failed | FileStatus::Left => {}
    }
    for fault in words::faults(file) {
        out.wrapped("  ", &fault);
    }
    for c in &file.characters {
        if file.characters.len() > 1 {
            out.blank();
            let is_above = words::exceeded_limits(c).next().is_some();
            let mark = Outcome::Exceeded.mark().filter(|_| is_above);
            out.verdict(mark, &c.name, &headline(c));
        }
        character(&mut out, c);
    }
    out
}

fn character(out: &mut Text, c: &CharacterReport) {
    for limit in words::exceeded_limits(c) {
        out.labelled(
            "  ",
            Role::Bad,
            "above a limit:",
            &limit.line(&short(&c.name)),
        );
    }
    if let Some(floor) = above_floor(c) {
        out.wrapped("  ", &floor);
    }
    out.wrapped("  ", &sizes(&c.surface, c.skeleton.joints));
    if let Some(carried) = &c.carried {
        out.wrapped("  ", &words::carried(carried));
    }
    out.plain(&format!(
        "  {} poses in the fit, {} held out",
        c.poses.fit, c.poses.held_out
    ));
    out.wrapped("  ", &symmetry(&c.symmetry));
    for line in words::helpers(c) {
        out.wrapped("  ", &line);
    }
    out.blank();
    out.plain("  error, % of size    fit poses               held-out poses");
    out.plain("                      rms     p99     max     rms     p99     max");
    for (name, errors) in [
        ("rigid", &c.errors.rigid),
        ("naive", &c.errors.naive),
        ("baked", &c.errors.baked),
        ("floor", &c.errors.floor),
    ] {
        out.plain(&format!(
            "  {name:<14}{}{}",
            figures(errors.fit),
            figures(errors.held_out)
        ));
    }
    out.blank();
    out.wrapped(
        "  ",
        &format!("joints a vertex: {}", influences(&c.influences)),
    );
    if let Some(worst) = c.worst.first() {
        out.wrapped(
            "  ",
            &format!(
                "worst: {:.3} % at {}",
                worst.error_percent,
                words::place(worst)
            ),
        );
    }
    if !c.fit.unidentified_joints.is_empty() {
        let names = some_of(&c.fit.unidentified_joints);
        out.wrapped(
            "  ",
            &format!("joints that no pose tells apart from others: {names}"),
        );
    }
    let of_kind = |kind| c.pieces.iter().filter(|piece| piece.kind == kind).count();
    if c.pieces.len() > 1 {
        out.wrapped(
            "  ",
            &format!(
                "pieces: {} own, {} ride on a joint, {} cling to what is beneath",
                of_kind(PieceKind::Own),
                of_kind(PieceKind::Ride),
                of_kind(PieceKind::Cling)
            ),
        );
    }
    if !c.idle_joints.is_empty() {
        let names: Vec<&String> = c.idle_joints.iter().map(|idle| &idle.joint).collect();
        let names = some_of(&names);
        out.wrapped(
            "  ",
            &format!("joints without a body of their own: {names}"),
        );
    }
    if let Some(mend) = c.mend.as_ref().filter(|mend| mend.found()) {
        let pair = |pair: BeforeAfter| format!("{} -> {}", pair.before, pair.after);
        out.wrapped(
            "  ",
            &format!(
                "mended {} vertices: islands {}, outliers {}, torn edges {}",
                mend.vertices,
                pair(mend.islands),
                pair(mend.outliers),
                pair(mend.torn_edges_fit)
            ),
        );
    }
    for warning in &c.warnings {
        out.labelled("  ", Role::Doubt, "note:", warning);
    }
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

/// How good the result is, in words that fit one line behind a name.
fn headline(c: &CharacterReport) -> String {
    match Shown::of(c) {
        Some(shown) => format!(
            "{} % rms on {}, {}",
            narrow(shown.baked.rms_percent),
            words::poses(shown.held_out),
            words::against_rigid(shown.gain)
        ),
        None => "baked; no pose bends this surface".to_owned(),
    }
}

/// How much more joints a vertex could bring. The floor is a bound on the poses of the fit only.
fn above_floor(c: &CharacterReport) -> Option<String> {
    let (baked, floor) = (c.errors.baked.fit?, c.errors.floor.fit?);
    let above = 100.0 * (baked.rms_percent / floor.rms_percent - 1.0);
    (floor.rms_percent > 0.0).then(|| format!("{above:.1} % above the floor on fit poses"))
}

/// One line that says how good the result is, and what to change if it is not.
pub(super) fn verdict(c: &CharacterReport) -> String {
    let mut said = vec![headline(c)];
    said.extend(above_floor(c));
    said.extend(words::helpers(c));
    format!("{}: {}", c.name, said.join("; "))
}

fn figures(figures: Option<Percent>) -> String {
    let figure = |figure: fn(&Percent) -> f64| {
        let shown = figures.as_ref().map(|figures| narrow(figure(figures)));
        format!("{:>8}", shown.unwrap_or_else(|| "-".to_owned()))
    };
    figure(|f| f.rms_percent) + &figure(|f| f.p99_percent) + &figure(|f| f.max_percent)
}

// Plans --------------------------------------------------------------------------------------------

/// What a bake of one file would do.
pub fn plan_table(name: &str, recipe: Option<&str>, plans: &[Plan]) -> Text {
    let mut out = Text::default();
    let recipe = format!("recipe: {}", recipe.unwrap_or("defaults"));
    if plans.len() != 1 {
        let skins = words::counting(plans.len(), "skin");
        out.verdict(None, name, &format!("would bake {skins}"));
        out.wrapped("  ", &recipe);
    }
    for plan in plans {
        if plans.len() > 1 {
            out.blank();
        }
        let layers = match plan.layers.is_empty() {
            true => "none".to_owned(),
            false => plan.layers.join(", then "),
        };
        out.verdict(None, &plan.name, "would bake");
        if plans.len() == 1 {
            out.wrapped("  ", &recipe);
        }
        out.wrapped("  ", &sizes(&plan.surface, plan.joints));
        out.wrapped("  ", &format!("bind: {}", plan.bind));
        out.wrapped("  ", &format!("layers: {layers}"));
        out.wrapped(
            "  ",
            &format!(
                "{} poses in the fit, {} held out",
                plan.poses.fit, plan.poses.held_out
            ),
        );
        out.wrapped("  ", &symmetry(&plan.symmetry));
        let memory = crate::units::bytes(plan.memory_bytes);
        out.wrapped("  ", &format!("memory: about {memory}"));
        for warning in &plan.warnings {
            out.labelled("  ", Role::Doubt, "note:", warning);
        }
    }
    out
}

/// What a bake of a folder would do, a line a file.
pub fn plans_table(files: &[PlannedFile]) -> Text {
    let of = |is: fn(&Planned) -> bool| files.iter().filter(|file| is(&file.what)).count();
    let counts = words::counted(
        files.len(),
        &[
            (
                of(|what| matches!(what, Planned::Bake { .. })),
                "would bake",
            ),
            (
                of(|what| *what == Planned::Kept),
                "would come from the cache",
            ),
            (of(|what| *what == Planned::Unchanged), "unchanged"),
            (
                of(|what| matches!(what, Planned::Failed { .. })),
                "would fail",
            ),
        ],
    );
    let outcomes = files.iter().map(PlannedFile::outcome);
    let worst = outcomes.max().unwrap_or(Outcome::Well);
    let mut out = Text::default();
    out.head(worst.mark(), &counts);
    for file in files {
        let what = match &file.what {
            Planned::Bake { memory_bytes } => {
                format!("would bake, about {}", crate::units::bytes(*memory_bytes))
            }
            Planned::Kept => "would come from the cache".to_owned(),
            Planned::Unchanged => "unchanged".to_owned(),
            Planned::Failed { faults, .. } => {
                out.labelled(
                    "  ",
                    Role::Bad,
                    "FAILED:",
                    &format!("{}: {faults}", file.name),
                );
                continue;
            }
        };
        let recipe = file.recipe.as_deref().unwrap_or("defaults");
        out.wrapped("  ", &format!("{}: {what} (recipe: {recipe})", file.name));
    }
    out
}

// Runs ---------------------------------------------------------------------------------------------

/// Where time went, and memory.
pub fn timings(report: &Report) -> Text {
    let mut out = Text::default();
    for c in report.files.iter().flat_map(|file| &file.characters) {
        let t = &c.timings;
        out.wrapped(
            "  ",
            &format!(
                "{}: read {:.3} s, prepare {:.3} s, gather {:.3} s, solve {:.3} s, measure {:.3} s, write {:.3} s",
                c.name, t.read_s, t.prepare_s, t.gather_s, t.solve_s, t.measure_s, t.write_s,
            ),
        );
        out.wrapped(
            "  ",
            &format!(
                "KKT residual {:.1e}, {} vertices left open by the poses",
                c.fit.kkt_residual, c.fit.unidentified_vertices
            ),
        );
    }
    let memory = report.run.peak_memory_bytes;
    let memory = memory.map_or("unknown".to_owned(), crate::units::bytes);
    out.wrapped(
        "  ",
        &format!("{:.3} s in all, peak memory {memory}", report.run.wall_s),
    );
    out
}
