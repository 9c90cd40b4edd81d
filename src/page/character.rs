//! All that is known of one character.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};

use super::charts::Bars;
use super::table::Entry;
use super::{Album, LONGEST_TEXT, motion};
use crate::picture::Still;
use crate::report::words::{self, Shown};
use crate::report::{
    BeforeAfter, CharacterReport, FileReport, HelperClip, HelperJoint, HelpersReport, OnPoses,
    Percent, PieceKind, Timings, WorstVertex,
};

/// Pieces listed one by one: a file may have thousands.
const MOST_PIECES: usize = 100;

/// A section that folds; it stands open if it is the only one.
pub(super) fn section(entry: &Entry, open: bool) -> Markup {
    html! {
        details.character open[open] {
            summary {
                h3 { bdi { (entry.name) } }
                (entry.standing.shown(entry.file.status))
                @if let Some(shown) = entry.shown { span.brief { (brief(shown)) } }
            }
            // A link to what is inside opens what is around it.
            div.inside id=(entry.id) tabindex="-1" {
                (faults(entry.file))
                @if let Some(c) = entry.character { (all(entry, c)) }
                @else if entry.file.faults.is_empty() {
                    p { "There is nothing to show of this file: it has no skins, or had no turn." }
                }
                (files(entry.file))
            }
        }
    }
}

pub(super) fn brief(shown: Shown) -> String {
    format!(
        "{:.3} % rms on {}, {}",
        shown.baked.rms_percent,
        words::poses(shown.held_out),
        words::against_rigid(shown.gain)
    )
}

fn faults(file: &FileReport) -> Markup {
    let faults: Vec<String> = words::faults(file).collect();
    html! {
        @if !faults.is_empty() {
            section.faults {
                h4 { "Why it failed" }
                ul { @for fault in &faults { li { bdi { (fault) } } } }
            }
        }
    }
}

/// Paths, as in the report.
fn files(file: &FileReport) -> Markup {
    let recipe = file.recipe.as_deref().unwrap_or("none: the defaults");
    html! {
        section {
            h4 { "Files" }
            dl.pairs {
                @for (what, path) in [("input", &*file.input), ("output", &*file.output), ("recipe", recipe)] {
                    dt { (what) } dd { bdi { (words::cut(path, LONGEST_TEXT)) } }
                }
            }
            @if let Some(settings) = &file.settings {
                details.settings {
                    summary { "Settings in effect" }
                    pre tabindex="0" { @for line in settings.lines() { (words::clean(line)) "\n" } }
                }
            }
        }
    }
}

fn all(entry: &Entry, c: &CharacterReport) -> Markup {
    let id = &entry.id;
    html! {
        (limits(c))
        (notes(c))
        @if let Some(album) = entry.album { (shown(id, album)) }
        section {
            h4 { "Error" }
            div.charts { (errors(id, c)) (greatest(id, c)) (by_joint(id, c)) (by_pose(id, c)) }
            (error_table(c))
            (worst(c))
        }
        (helpers(id, c))
        section {
            h4 { "Weights, pieces and time" }
            div.charts { (influences(id, c)) (timings(id, &c.timings)) }
            (sizes(c))
            (mend(c))
            (pieces(c))
        }
    }
}

/// The view in motion, and stills. The first of these stands in for the view until it runs.
fn shown(id: &str, album: &Album) -> Markup {
    let mut stills = album.stills.iter().enumerate();
    let list = format!("{id}-stills");
    html! {
        @if let Some(motion) = &album.motion {
            section {
                h4 { "In motion" }
                @let first = stills.next().map(|(i, still)| picture(id, i, still));
                (motion::markup(motion, first, &list, &format!("{id}-motion")))
            }
        }
        @if !album.stills.is_empty() {
            section.stills id=(list) {
                h4 { "Stills" }
                div { @for (i, still) in stills { (picture(id, i, still)) } }
            }
        }
    }
}

fn picture(id: &str, place: usize, still: &Still) -> Markup {
    // The table shows the first as a small one, from here.
    let name = (place == 0).then(|| format!("{id}-still"));
    html! {
        figure.large[place == 0] {
            img id=[name] width=(still.width) height=(still.height) alt=(words::cut(&still.description, LONGEST_TEXT))
                src={ "data:image/png;base64," (STANDARD.encode(&still.png)) };
            figcaption { span { (words::cut(&still.title, LONGEST_TEXT)) } }
        }
    }
}

fn limits(c: &CharacterReport) -> Markup {
    html! {
        @if !c.limits.is_empty() {
            section {
                h4 { "Limits" }
                div.scroll tabindex="0" role="region" aria-label="Limits" { table {
                    thead { tr {
                        th scope="col" { "limit" } th scope="col" { "verdict" }
                        th.n scope="col" { "found" } th.n scope="col" { "most" } th scope="col" { "place" }
                    } }
                    tbody { @for limit in &c.limits { tr.exceeded[limit.exceeded] {
                        th scope="row" { bdi { (words::cut(&limit.limit, LONGEST_TEXT)) } }
                        td { @if limit.exceeded { strong { "✕ above" } } @else { "✓ met" } }
                        td.n { (limit.found.map_or("not measured".to_owned(), |found| words::figure(found, limit.most))) }
                        td.n { (words::figure(limit.most, limit.most)) }
                        td { bdi { (words::cut(&limit.place, LONGEST_TEXT)) } }
                    } } }
                } }
            }
        }
    }
}

fn notes(c: &CharacterReport) -> Markup {
    html! {
        @if !c.warnings.is_empty() {
            section {
                h4 { "Notes" }
                ul { @for warning in &c.warnings { li { bdi { (words::cut(warning, LONGEST_NOTE)) } } } }
            }
        }
    }
}

/// Notes are sentences with names in them.
const LONGEST_NOTE: usize = 1000;

const BOTH: [&str; 2] = ["held-out poses", "fit poses"];

/// The four sets of weights.
fn stages(c: &CharacterReport) -> [(&'static str, OnPoses<Percent>); 4] {
    let e = &c.errors;
    [
        ("rigid", e.rigid),
        ("naive", e.naive),
        ("baked", e.baked),
        ("floor", e.floor),
    ]
}

fn errors(id: &str, c: &CharacterReport) -> Markup {
    by_stage(
        format!("{id}-rms"),
        "Root mean square error by stage",
        "The floor is the least that is possible on fit poses alone; on held-out poses it is no bound. \
         The fit saw the fit poses: the held-out ones tell how it does in other motion.",
        c,
        |percent| percent.rms_percent,
    )
}

fn greatest(id: &str, c: &CharacterReport) -> Markup {
    by_stage(
        format!("{id}-max"),
        "Greatest error by stage",
        "One vertex in one pose. The fit lowers the sum of squares, so a greatest error may rise while \
         the root mean square falls.",
        c,
        |percent| percent.max_percent,
    )
}

fn by_stage(
    id: String,
    title: &str,
    note: &str,
    c: &CharacterReport,
    figure: fn(Percent) -> f64,
) -> Markup {
    let row = |(name, on): (&str, OnPoses<Percent>)| {
        (
            name.to_owned(),
            vec![on.held_out.map(figure), on.fit.map(figure)],
        )
    };
    Bars {
        id,
        title,
        unit: "% of size",
        row: "weights",
        series: &BOTH,
        rows: stages(c).map(row).into(),
        digits: 3,
        note,
    }
    .shown()
}

fn error_table(c: &CharacterReport) -> Markup {
    let caption = format!(
        "Errors by stage, % of size; {} fit poses, {} held-out poses",
        c.poses.fit, c.poses.held_out
    );
    figures_of("Errors by stage", &caption, &stages(c))
}

/// A table of error figures, a row a set of weights.
fn figures_of(label: &str, caption: &str, rows: &[(&str, OnPoses<Percent>)]) -> Markup {
    let figures = |on: Option<Percent>| {
        html! { @match on {
            Some(p) => { @for figure in [p.rms_percent, p.p99_percent, p.max_percent] { td.n { (format!("{figure:.3}")) } } }
            None => { @for _ in 0..3 { td.n { "–" } } }
        } }
    };
    html! {
        div.scroll tabindex="0" role="region" aria-label=(label) { table {
            caption { (caption) }
            thead {
                tr { th rowspan="2" scope="col" { "weights" } th.n colspan="3" scope="colgroup" { "held-out poses" } th.n colspan="3" scope="colgroup" { "fit poses" } }
                tr { @for _ in 0..2 { @for name in ["rms", "p99", "max"] { th.n scope="col" { (name) } } } }
            }
            tbody { @for (name, on) in rows { tr { th scope="row" { (name) } (figures(on.held_out)) (figures(on.fit)) } } }
        } }
    }
}

/// Joints that the bake added: what they bring, where each hangs, what moves it.
fn helpers(id: &str, c: &CharacterReport) -> Markup {
    let Some(helpers) = &c.helpers else {
        return html! {};
    };
    let mut rows = vec![
        ("without helpers", helpers.without),
        ("with, as written", c.errors.baked),
    ];
    if helpers.driven {
        rows.push(("with the motion that fits each pose best", helpers.fitted));
    }
    rows.push(("floor without helpers", helpers.floor_without));
    rows.push(("floor with helpers", c.errors.floor));
    let clip = |clip: &HelperClip| {
        let figures = vec![Some(clip.without.rms_percent), Some(clip.with.rms_percent)];
        (words::cut(&clip.clip, LONGEST_TEXT), figures)
    };
    html! {
        section {
            h4 { "Helper joints" }
            @for line in words::helpers(c) { p { bdi { (line) } } }
            (figures_of("Errors without and with helper joints", "Errors without and with helper joints, % of size", &rows))
            @if !helpers.clips.is_empty() {
                div.charts { (Bars {
                    id: format!("{id}-clips"),
                    title: "Root mean square error by clip, at its keys and between",
                    unit: "% of size",
                    row: "clip",
                    series: &["without helpers", "with helpers"],
                    rows: helpers.clips.iter().take(MOST_BARS).map(clip).collect(),
                    digits: 3,
                    note: "As an engine plays the clip, helpers by their keys; the first clips, at most 15.",
                }.shown()) }
                (helper_clips(&helpers.clips))
            }
            (helper_joints(helpers))
        }
    }
}

fn helper_clips(clips: &[HelperClip]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Clips with keys for helper joints" { table {
            caption { "Clips with keys for helper joints; errors in % of size. A helper may turn faster than the joints that it hangs between: the last column says how many times as fast at most." }
            thead {
                tr {
                    th rowspan="2" scope="col" { "clip" } th.n rowspan="2" scope="col" { "frames" } th.n rowspan="2" scope="col" { "keys" }
                    th.n colspan="3" scope="colgroup" { "without helpers" } th.n colspan="3" scope="colgroup" { "with helpers" } th.n rowspan="2" scope="col" { "turn, times" }
                }
                tr { @for _ in 0..2 { @for name in ["rms", "p99", "max"] { th.n scope="col" { (name) } } } }
            }
            tbody { @for clip in clips { tr {
                th scope="row" { bdi { (words::short(&clip.clip)) } } td.n { (clip.frames) } td.n { (clip.keys) }
                @for p in [clip.without, clip.with] { @for figure in [p.rms_percent, p.p99_percent, p.max_percent] { td.n { (format!("{figure:.3}")) } } }
                td.n { (clip.turn_ratio.map_or("–".to_owned(), |ratio| format!("{ratio:.2}"))) }
            } } }
        } }
    }
}

fn helper_joints(helpers: &HelpersReport) -> Markup {
    let drivers = |helper: &HelperJoint| match (helpers.driven, helper.drivers.is_empty()) {
        (false, _) => "nothing but clips".to_owned(),
        (true, true) => "none: it stands still".to_owned(),
        (true, false) => words::some_of(&helper.drivers),
    };
    let partner = |helper: &HelperJoint| match &helper.partner {
        Some(other) if *other == helper.joint => "itself".to_owned(),
        Some(other) => words::short(other),
        None => "–".to_owned(),
    };
    html! {
        details.figures {
            summary { (words::counting(helpers.joints.len(), "helper joint")) ", one by one" }
            div.scroll tabindex="0" role="region" aria-label="Helper joints" { table {
                caption { "Joints that the bake added, in the order of the skin" }
                thead { tr {
                    th scope="col" { "joint" } th scope="col" { "parent" } th scope="col" { "partner across the plane" }
                    th.n scope="col" { "vertices" } th scope="col" { "driven by" }
                } }
                tbody { @for helper in &helpers.joints { tr {
                    th scope="row" { bdi { (words::short(&helper.joint)) } }
                    td { bdi { (words::short(&helper.parent)) } }
                    td { bdi { (partner(helper)) } }
                    td.n { (helper.vertices) }
                    td { bdi { (drivers(helper)) } }
                } } }
            } }
        }
    }
}

fn worst(c: &CharacterReport) -> Markup {
    let joints = |worst: &WorstVertex| {
        let joints: Vec<String> = worst
            .joints
            .iter()
            .map(|joint| words::short(joint))
            .collect();
        joints.join(", ")
    };
    html! {
        @if !c.worst.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="Vertices with the greatest errors" { table {
                caption { "Vertices with the greatest errors of the baked weights, no two of them neighbours" }
                thead { tr {
                    th.n scope="col" { "error, % of size" } th scope="col" { "mesh" } th.n scope="col" { "vertex" }
                    th scope="col" { "pose" } th scope="col" { "set" } th scope="col" { "joints, heaviest first" } th scope="col" { "bind position" }
                } }
                tbody { @for worst in &c.worst { tr {
                    td.n { (format!("{:.3}", worst.error_percent)) }
                    td { bdi { (words::short(&worst.mesh)) } }
                    td.n { (worst.vertex) }
                    td { bdi { (words::short(&worst.pose)) } }
                    td { (if worst.held_out { "held out" } else { "fit" }) }
                    td { bdi { (joints(worst)) } }
                    td { (worst.position.map(|x| format!("{x:.3}")).join(", ")) }
                } } }
            } }
        }
    }
}

/// Joints, or poses, of a chart.
const MOST_BARS: usize = 15;

/// The joints whose vertices are farthest off.
fn by_joint(id: &str, c: &CharacterReport) -> Markup {
    let Some(by) = &c.errors_by else {
        return html! {};
    };
    let joints = by.joints.iter().take(MOST_BARS);
    let rows = joints.map(|joint| {
        let figures = vec![Some(joint.rms_percent), Some(joint.rigid_rms_percent)];
        (words::cut(&joint.joint, LONGEST_TEXT), figures)
    });
    Bars {
        id: format!("{id}-joints"),
        title: match by.held_out {
            true => "Root mean square error by joint, on held-out poses",
            false => "Root mean square error by joint, on fit poses",
        },
        unit: "% of size",
        row: "joint",
        series: &["baked", "rigid"],
        rows: rows.collect(),
        digits: 3,
        note: "Of the vertices that the rigid bind gives to each; the worst joints first, at most 15.",
    }
    .shown()
}

/// The poses in which the weights are farthest off, and how the others do.
fn by_pose(id: &str, c: &CharacterReport) -> Markup {
    let Some(by) = &c.errors_by else {
        return html! {};
    };
    let poses = by.worst_poses.iter().take(MOST_BARS);
    let rows = poses.map(|pose| {
        let figures = vec![Some(pose.rms_percent), Some(pose.rigid_rms_percent)];
        (words::cut(&pose.pose, LONGEST_TEXT), figures)
    });
    let quantiles = &by.rms_percent_quantiles;
    let kind = if by.held_out { "held-out" } else { "fit" };
    html! {
        (Bars {
            id: format!("{id}-poses"),
            title: match by.held_out {
                true => "Root mean square error by pose, the worst held-out poses",
                false => "Root mean square error by pose, the worst fit poses",
            },
            unit: "% of size",
            row: "pose",
            series: &["baked", "rigid"],
            rows: rows.collect(),
            digits: 3,
            note: "",
        }.shown())
        @if let (Some(least), Some(middle)) = (quantiles.first(), quantiles.get(quantiles.len() / 2)) {
            p.note { "Of all " (kind) " poses, the best has " (format!("{least:.3}")) " % and half have at most "
                (format!("{middle:.3}")) " %." }
        }
    }
}

fn influences(id: &str, c: &CharacterReport) -> Markup {
    let row =
        |(i, count): (usize, &usize)| (words::counting(i + 1, "joint"), vec![Some(*count as f64)]);
    Bars {
        id: format!("{id}-influences"),
        title: "Vertices by the joints that they use",
        unit: "welded vertices",
        row: "joints",
        series: &["vertices"],
        rows: c.influences.iter().enumerate().map(row).collect(),
        digits: 0,
        note: "",
    }
    .shown()
}

/// Stages with their wall times.
fn times(t: &Timings) -> [(&'static str, f64); 6] {
    [
        ("read", t.read_s),
        ("prepare", t.prepare_s),
        ("gather", t.gather_s),
        ("solve", t.solve_s),
        ("measure", t.measure_s),
        ("write", t.write_s),
    ]
}

/// What a skin took by itself: reading and writing are of all skins of a file together.
pub(super) fn own_time(t: &Timings) -> f64 {
    times(t)[1..5].iter().map(|(_, s)| s).sum()
}

fn timings(id: &str, t: &Timings) -> Markup {
    Bars {
        id: format!("{id}-timings"),
        title: "Wall time by stage",
        unit: "seconds",
        row: "stage",
        series: &["seconds"],
        rows: times(t)
            .map(|(name, s)| (name.to_owned(), vec![Some(s)]))
            .into(),
        digits: 2,
        note: "Reading and writing are of all skins of the file together.",
    }
    .shown()
}

fn sizes(c: &CharacterReport) -> Markup {
    let s = &c.surface;
    let mean = c.mean_influences();
    html! {
        dl.pairs {
            dt { "surface" }
            dd { (s.raw_vertices) " vertices (" (s.welded_vertices) " welded), " (s.triangles) " triangles, " (s.pieces) " pieces" }
            dt { "size (diagonal)" } dd { (format!("{:.4} units", s.diagonal_units)) }
            dt { "height in the scene" } dd { (format!("{:.4} units", s.height_units)) }
            dt { "joints" } dd { (c.skeleton.joints) @if let Some(mean) = mean { (format!(", {mean:.2} a vertex")) } }
            @if !c.idle_joints.is_empty() {
                dt { "joints without vertices" }
                dd { ul { @for idle in &c.idle_joints { li { bdi { (words::short(&idle.joint)) } ": " (words::cut(&idle.reason, LONGEST_TEXT)) } } } }
            }
            dt { "outliers" } dd { "vertices with weights that stand out from their neighbours': " (c.outliers) }
            @if let Some(carried) = &c.carried {
                dt { "weights" } dd { (words::cut(&words::carried(carried), LONGEST_TEXT)) }
            }
            dt { "symmetry" } dd { (symmetry(c)) }
        }
    }
}

fn symmetry(c: &CharacterReport) -> String {
    let s = &c.symmetry;
    match (&s.axis, s.paired_vertices, s.unpaired_vertices) {
        (Some(axis), Some(paired), Some(unpaired)) => {
            format!("across {axis}: {paired} vertices have a partner, {unpaired} have none")
        }
        _ if s.asked == "off" => "not asked for".to_owned(),
        _ => "none found".to_owned(),
    }
}

fn mend(c: &CharacterReport) -> Markup {
    let row = |what: &'static str, count: BeforeAfter| {
        html! { tr { th scope="row" { (what) } td.n { (count.before) } td.n { (count.after) } } }
    };
    html! {
        @if let Some(m) = c.mend.as_ref().filter(|mend| mend.found()) {
            div.scroll tabindex="0" role="region" aria-label="What stood out after the fit" { table {
                caption { "What stood out after the fit, before and after mending (" (m.vertices) " vertices were solved again)" }
                thead { tr { th scope="col" { "what" } th.n scope="col" { "before" } th.n scope="col" { "after" } } }
                tbody {
                    (row("patches of weight apart from a joint's main region", m.islands))
                    (row("vertices that stand out from their neighbours", m.outliers))
                    (row("torn edges, fit poses", m.torn_edges_fit))
                    (row("torn edges, held-out poses", m.torn_edges_held_out))
                }
            } }
        }
    }
}

fn pieces(c: &CharacterReport) -> Markup {
    let count = |kind| c.pieces.iter().filter(|piece| piece.kind == kind).count();
    let (own, ride, cling) = (
        count(PieceKind::Own),
        count(PieceKind::Ride),
        count(PieceKind::Cling),
    );
    html! {
        @if c.pieces.len() > 1 {
            details.figures {
                summary { "Pieces: " (own) " bend by themselves, " (ride) " ride on a joint, " (cling) " cling to what is beneath" }
                div.scroll tabindex="0" role="region" aria-label="Pieces" { table {
                    caption { "Pieces" @if c.pieces.len() > MOST_PIECES { "; the first " (MOST_PIECES) " of " (c.pieces.len()) ", the report as JSON has all" } }
                    thead { tr {
                        th.n scope="col" { "piece" } th scope="col" { "mesh" } th scope="col" { "does" } th.n scope="col" { "vertices" }
                        th.n scope="col" { "extent, % of size" } th scope="col" { "joint" } th scope="col" { "why" }
                    } }
                    tbody { @for piece in c.pieces.iter().take(MOST_PIECES) { tr {
                        td.n { (piece.number) } td { bdi { (words::short(&piece.mesh)) } } td { (does(piece.kind)) } td.n { (piece.vertices) }
                        td.n { (format!("{:.2}", piece.extent_percent)) }
                        td { @if let Some(joint) = &piece.joint { bdi { (words::short(joint)) } } }
                        td { (words::cut(&piece.reason, LONGEST_TEXT)) }
                    } } }
                } }
            }
        }
    }
}

fn does(kind: PieceKind) -> &'static str {
    match kind {
        PieceKind::Own => "bends by itself",
        PieceKind::Ride => "rides on a joint",
        PieceKind::Cling => "clings to what is beneath",
    }
}
