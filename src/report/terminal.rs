//! The report as a table that fits 80 columns.

use std::fmt::Write;

use super::{
    BeforeAfter, CharacterReport, OnPoses, Percent, PieceKind, Plan, Report, SymmetryReport,
    influences, sizes,
};

/// The whole report.
pub fn table(report: &Report) -> String {
    let characters = report.files.iter().flat_map(|file| &file.characters);
    characters.map(character).collect::<Vec<_>>().join("\n")
}

fn character(c: &CharacterReport) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let mut line = |text: String| _ = writeln!(out, "{text}");
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
fn verdict(c: &CharacterReport) -> String {
    let best = |errors: &OnPoses<Percent>| errors.held_out.or(errors.fit).map(|e| e.rms_percent);
    let seen = if c.errors.baked.held_out.is_some() {
        "held-out"
    } else {
        "fit"
    };
    let (Some(baked), Some(rigid)) = (best(&c.errors.baked), best(&c.errors.rigid)) else {
        return format!("{}: baked; no pose bends this surface", c.name);
    };
    let gain = if rigid > 0.0 {
        100.0 * (1.0 - baked / rigid)
    } else {
        0.0
    };
    let line = format!(
        "{}: {baked:.3} % rms on {seen} poses, {gain:.0} % below rigid",
        c.name
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
