//! The page of a run, on reports made by hand: nothing is fetched, nothing breaks out, nothing is missing.

use tanyard::page::{Album, html};
use tanyard::picture::Still;
use tanyard::report::{Report, RunEnd};

use crate::sample_report::{NASTY, baked, character, eventful, file, limit, report};

/// Names that end what they stand in, fetch, or turn the direction of the line.
const HOSTILE: &str =
    "</style></script><script>alert(1)</script><img src=//x onerror=y>\"'\u{202e}url(z)";

fn still(name: &str) -> Still {
    Still {
        name: "worst-1".to_owned(),
        title: format!("title of {name}"),
        description: format!("\" onload=\"{HOSTILE} {name}"),
        width: 4,
        height: 2,
        png: name.as_bytes().to_vec(),
    }
}

fn album(file: &str, character: usize, stills: &[&str]) -> Album {
    Album {
        file: file.to_owned(),
        character,
        stills: stills.iter().map(|name| still(name)).collect(),
        motion: None,
    }
}

/// The values of an attribute, wherever it stands in a tag.
fn values<'a>(page: &'a str, attribute: &str) -> Vec<&'a str> {
    let start = format!(" {attribute}=\"");
    let rests = page.split(start.as_str()).skip(1);
    rests
        .map(|rest| rest.split('"').next().unwrap_or(""))
        .collect()
}

/// The page without the text of scripts and styles, which hold no text of the report.
fn markup(page: &str) -> String {
    let mut out = String::new();
    let mut rest = page;
    while let Some(at) = ["<script>", "<style>"]
        .iter()
        .filter_map(|tag| rest.find(tag))
        .min()
    {
        let end = if rest[at..].starts_with("<script>") {
            "</script>"
        } else {
            "</style>"
        };
        out += &rest[..at];
        let length = rest[at..].find(end).expect("every script and style ends");
        rest = &rest[at + length + end.len()..];
    }
    out + rest
}

fn hostile() -> Report {
    let mut c = character(HOSTILE, 0.5);
    c.worst[0].pose = HOSTILE.to_owned();
    c.worst[0].joints = vec![HOSTILE.to_owned()];
    c.warnings = vec![HOSTILE.to_owned()];
    let twin = character("twin", 0.25);
    let mut limited = c.clone();
    limited.limits = vec![limit(Some(3.2)), limit(None)];
    let files = vec![
        file(
            HOSTILE,
            tanyard::report::FileStatus::Baked,
            vec![limited, twin],
        ),
        baked("plain.glb", 0.125),
    ];
    report(files, RunEnd::Complete, None)
}

#[test]
fn nothing_is_fetched() {
    let albums = [album(HOSTILE, 0, &["a", "b"])];
    for page in [html(&hostile(), &albums), html(&eventful(), &[])] {
        let policy = values(&page, "content");
        assert!(
            policy[0].starts_with("default-src 'none'; img-src data:;"),
            "{policy:?}"
        );
        let markup = markup(&page);
        for word in [
            "http:", "https:", "<link", "<iframe", "<base", "<object", "srcset",
        ] {
            assert!(!markup.contains(word), "{word} in the markup");
        }
        let sources = values(&markup, "src");
        assert!(
            sources
                .iter()
                .all(|src| src.starts_with("data:image/png;base64,")),
            "{sources:?}"
        );
        let links = values(&markup, "href");
        assert!(
            links.len() > 5 && links.iter().all(|href| href.starts_with('#')),
            "{links:?}"
        );
        let code = page.len() - markup.len();
        assert!(code > 10_000, "scripts and styles are in the page");
        for style in page.split("<style>").skip(1) {
            let style = style.split("</style>").next().unwrap_or("");
            assert!(!style.contains("url(") && !style.contains("@import"));
        }
    }
}

#[test]
fn names_that_mean_harm_stay_text() {
    let page = html(&hostile(), &[album(HOSTILE, 0, &["a"])]);
    let markup = markup(&page);
    assert!(
        markup.contains("&lt;script&gt;alert(1)&lt;/script&gt;"),
        "it is shown"
    );
    assert_eq!(
        page.matches("<script>").count(),
        page.matches("</script>").count()
    );
    assert!(!page.contains("<script>alert") && !page.contains("<img src=//x"));
    assert!(!page.contains('\u{202e}'), "nothing turns the line");
    assert!(values(&markup, "onload").is_empty() && values(&markup, "onerror").is_empty());
    let page = html(&eventful(), &[]);
    assert!(!page.contains("<b>") && !page.contains('\u{1b}') && !page.contains(NASTY));
    assert!(!page.contains(&"x".repeat(1100)), "endless text is cut");
}

#[test]
fn every_character_and_figure_is_there() {
    let all = eventful();
    let page = html(&all, &[]);
    let characters: usize = all.files.iter().map(|file| file.characters.len()).sum();
    let bare = all
        .files
        .iter()
        .filter(|file| file.characters.is_empty())
        .count();
    let sections = page.matches("<details class=\"character\"").count();
    assert_eq!(sections, characters + bare);
    // The row of a character leads to its section, and ids are unique.
    let mut ids = values(&page, "id");
    for href in values(&page, "href") {
        assert!(ids.contains(&&href[1..]), "{href} leads nowhere");
    }
    ids.sort_unstable();
    let count = ids.len();
    ids.dedup();
    assert_eq!(ids.len(), count, "an id stands twice");
    for text in [
        "12 files: 6 baked, 1 unchanged",
        "expected a skin, found none; give --skeleton",
        "crowd/b.glb, body",
        ">3.2</td>",
        "not measured",
        "on poses of the fit: none are held out",
        "blend 14",
        "forearm_l, upper_arm_l",
        "0.500, 1.250, -0.250",
        "64.0 MiB",
    ] {
        assert!(page.contains(text), "{text:?} is missing");
    }
    // Failed files, then the worst character.
    let rows: Vec<&str> = page.split("<tr data-standing=\"").skip(1).collect();
    assert!(rows[0].starts_with("failed") && !rows[3].starts_with("failed"));
    assert!(rows[3].contains(">1.000<"), "{}", rows[3]);
}

#[test]
fn charts_say_unit_and_poses_and_hold_their_figures() {
    let mut c = character("body", 0.25);
    c.errors.floor.held_out = None;
    c.timings.solve_s = 1.25;
    let files = vec![file("a.glb", tanyard::report::FileStatus::Baked, vec![c])];
    let page = html(&report(files, RunEnd::Complete, None), &[]);
    let charts: Vec<&str> = page.split("<figure class=\"chart\">").skip(1).collect();
    // Errors by stage twice, by joint, by pose; influences and times.
    assert_eq!(charts.len(), 6);
    for chart in &charts {
        let chart = chart.split("</figure>").next().unwrap_or("");
        assert!(
            chart.contains("role=\"img\"") && chart.contains("<title") && chart.contains("<desc")
        );
        assert!(chart.contains("<table>") && chart.contains("var(--text)"));
        assert!(!chart.contains("#0101"), "a colour of plotters is left");
    }
    for chart in &charts[..2] {
        for text in [
            "% of size",
            "held-out poses",
            "fit poses",
            "<td class=\"n\">–</td>",
        ] {
            assert!(chart.contains(text), "{text} is missing");
        }
    }
    assert!(charts[0].contains("0.250") && charts[0].contains("on held-out poses it is no bound"));
    // Bars are as long as their figures: rigid has twice the error of the baked weights.
    let bar = |chart: &str, place: usize| -> f64 {
        let bar = chart
            .split("fill=\"var(--bar-1)\"")
            .nth(place)
            .expect("a bar");
        let tag = &bar[..bar.len()];
        let before = chart.find(tag).expect("the same text");
        let tag = chart[..before].rsplit("<rect").next().unwrap_or("");
        values(&format!(" {tag}"), "width")[0]
            .parse()
            .expect("a width")
    };
    let (rigid, baked) = (bar(charts[0], 1), bar(charts[0], 3));
    assert!(
        (rigid - 2.0 * baked).abs() <= 2.0,
        "{rigid} and {baked} pixels"
    );
}

#[test]
fn figures_beyond_reason_make_no_chart_and_no_panic() {
    for rms in [f64::NAN, f64::INFINITY, 1e300, 0.0, 1e-300] {
        let page = html(
            &report(vec![baked("a.glb", rms)], RunEnd::Complete, None),
            &[],
        );
        assert!(page.contains("Root mean square error by stage"));
    }
    let empty = html(&report(Vec::new(), RunEnd::Complete, None), &[]);
    assert!(empty.contains("0 files"));
}

#[test]
fn stills_are_embedded_once_and_belong_to_their_skin() {
    let twins = vec![character("left", 0.5), character("right", 0.25)];
    let files = vec![file("a.glb", tanyard::report::FileStatus::Baked, twins)];
    let albums = [
        album("a.glb", 1, &["of-right"]),
        album("a.glb", 0, &["of-left"]),
    ];
    let page = html(&report(files, RunEnd::Complete, None), &albums);
    // base64 of the names.
    for picture in ["b2YtcmlnaHQ=", "b2YtbGVmdA=="] {
        assert_eq!(page.matches(picture).count(), 1);
    }
    let left = page.find("id=\"c1\"").expect("the worst comes first");
    let right = page.find("id=\"c2\"").expect("the other after it");
    let at = |text: &str| page.find(text).expect("a still");
    assert!((left..right).contains(&at("title of of-left")));
    assert!(at("title of of-right") > right);
}
