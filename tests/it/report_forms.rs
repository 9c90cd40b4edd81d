//! The report as people and machines read it: table, log, JUnit XML, Markdown, JSON and lines.

use std::collections::BTreeSet;
use std::path::Path;

use proptest::prelude::*;
use tanyard::error::{Error, Fault};
use tanyard::report::{
    FaultKind, FileReport, FileStatus, Line, Outcome, Report, RunEnd, junit, log_line, markdown,
    table,
};

use crate::report::assert_kept;
use crate::sample_report::{NASTY, baked, character, eventful, failed, file, limit, lines, report};

/// What comment fields take, less what else may stand in one.
const MOST_CHARACTERS: usize = 60_000;

#[test]
fn every_form_of_an_eventful_run_is_the_one_that_is_kept() {
    let report = eventful();
    let log: String = report
        .files
        .iter()
        .enumerate()
        .map(|(at, file)| log_line(file, at + 1, report.files.len()).to_string())
        .collect();
    for (name, made) in [
        ("report.json", report.to_json()),
        ("report.jsonl", lines(&report)),
        ("report.xml", junit(&report)),
        ("report.md", markdown(&report)),
        ("table.txt", table(&report).to_string()),
        ("log.txt", log),
    ] {
        assert_kept(&format!("tests/it/kept/{name}"), &made);
    }
}

#[test]
fn json_and_lines_give_back_what_was_written() {
    let report = eventful();
    let read: Report = serde_json::from_str(&report.to_json()).expect("a report");
    assert_eq!(read, report);
    let lines: Vec<Line> = lines(&report)
        .lines()
        .map(|line| serde_json::from_str(line).expect("a line"))
        .collect();
    let files: Vec<FileReport> = lines.iter().filter_map(|line| line.file.clone()).collect();
    assert_eq!(files, report.files);
    assert_eq!(
        lines.last().and_then(|line| line.run.clone()),
        Some(report.run)
    );
}

// Outcome ------------------------------------------------------------------------------------------

#[test]
fn the_worst_of_files_and_end_decides_the_exit_code() {
    let fine = || baked("a.glb", 0.1);
    let mut above = baked("b.glb", 0.1);
    above.characters[0].limits = vec![limit(Some(3.0)), limit(Some(1.0))];
    let setting = || failed("c.glb", FaultKind::Setting, &["x"]);
    let memory = || failed("d.glb", FaultKind::Memory, &["x"]);
    let mut unknown = failed("e.glb", FaultKind::Setting, &["x"]);
    unknown.fault_kind = None;
    let left = || file("f.glb", FileStatus::Left, Vec::new());
    let code = |files: Vec<FileReport>, end| report(files, end, None).outcome().code();
    let complete = |files| code(files, RunEnd::Complete);
    assert_eq!(complete(Vec::new()), 0);
    assert_eq!(complete(vec![fine()]), 0);
    assert_eq!(complete(vec![above.clone(), fine()]), 1);
    assert_eq!(complete(vec![setting(), above.clone()]), 2);
    assert_eq!(complete(vec![memory(), setting()]), 3);
    assert_eq!(complete(vec![unknown]), 3);
    assert_eq!(code(vec![memory(), left()], RunEnd::Stopped), 3);
    assert_eq!(code(vec![above, left()], RunEnd::Stopped), 1);
    assert_eq!(code(vec![memory(), left()], RunEnd::Interrupted), 130);

    let fault = || vec![Fault::new(Path::new("a"), "", "b", "c")];
    let outcome = |error: Error| Outcome::from(&error).code();
    assert_eq!(outcome(Error::Setting(fault())), 2);
    assert_eq!(outcome(Error::Input(fault())), 3);
    assert_eq!(outcome(Error::Interrupted), 130);
    assert_eq!(FaultKind::of(&Error::Interrupted), None);
}

// Lines --------------------------------------------------------------------------------------------

#[test]
fn a_limit_says_figure_limit_and_place() {
    assert_eq!(
        limit(Some(3.2)).line("hero.glb, body"),
        "hero.glb, body: max_pixels = 3.2, limit 2 (at Body vertex 812 in blend 14)"
    );
    let mut nowhere = limit(None);
    nowhere.place.clear();
    assert_eq!(
        nowhere.line("hero.glb, body"),
        "hero.glb, body: max_pixels could not be measured, limit 2"
    );
}

#[test]
fn the_log_says_how_each_file_ended() {
    let log_line = |file: &FileReport, done, total| {
        let text = log_line(file, done, total).to_string();
        text.strip_suffix('\n').expect("a whole line").to_owned()
    };
    let fine = baked("crowd/a.glb", 0.081);
    assert_eq!(
        log_line(&fine, 12, 500),
        "[ 12/500] baked crowd/a.glb: 0.081 % rms held-out, 50 % below rigid"
    );
    let mut above = baked("a.glb", 0.5);
    above.characters.push(character("cape", 2.0));
    above.characters[0].limits = vec![limit(Some(2.5)); 5];
    assert_eq!(
        log_line(&above, 1, 9),
        "[1/9] baked a.glb: 2.000 % rms held-out, 50 % below rigid (worst of 2 skins: cape); ABOVE A LIMIT: \
         body: max_pixels = 2.5, limit 2 (at Body vertex 812 in blend 14); \
         body: max_pixels = 2.5, limit 2 (at Body vertex 812 in blend 14); \
         body: max_pixels = 2.5, limit 2 (at Body vertex 812 in blend 14); and 2 more"
    );
    let broken = failed(
        "a.glb",
        FaultKind::Input,
        &["a.glb: expected b, found c", "d", "e"],
    );
    assert_eq!(
        log_line(&broken, 2, 9),
        "[2/9] FAILED a.glb: expected b, found c (and 2 more faults)"
    );
    let left = file("a.glb", FileStatus::Left, Vec::new());
    assert_eq!(log_line(&left, 3, 9), "[3/9] left a.glb");
}

// Table --------------------------------------------------------------------------------------------

#[test]
fn many_characters_are_a_table_of_the_worst_in_80_columns() {
    let named = |n: usize| format!("crowd/{}/{n}.glb", "人".repeat(n % 40));
    let mut files: Vec<FileReport> = (0..30).map(|n| baked(&named(n), n as f64)).collect();
    files[3].characters[0].errors.baked = files[3].characters[0].errors.naive;
    files[29].characters[0].errors.rigid.held_out = Some(crate::sample_report::percent(1e-9));
    files[28].characters[0].errors.baked.held_out = Some(crate::sample_report::percent(1e9));
    for n in 0..25 {
        files.push(failed(
            &format!("x{n}.glb"),
            FaultKind::Input,
            &["expected a, found b"],
        ));
    }
    let table = table(&report(files, RunEnd::Complete, None)).to_string();
    let lines: Vec<&str> = table.lines().collect();
    for line in &lines {
        let columns = unicode_width::UnicodeWidthStr::width(*line);
        assert!(columns <= 80, "{columns} columns: {line}");
    }
    assert!(
        lines[27].contains("/28.glb ") && lines[28].contains("/29.glb "),
        "{table}"
    );
    assert_eq!(lines.last(), Some(&"  and 10 more"));
    assert!(lines.contains(&"    and 5 more"), "{table}");
    assert_eq!(lines[0], "FAILED: 55 files: 30 baked, 25 failed");
}

#[test]
fn one_file_without_result_is_told_by_its_faults() {
    let broken = failed("a.glb", FaultKind::Input, &["a.glb: expected b, found c"]);
    let shown = table(&report(vec![broken], RunEnd::Complete, None));
    assert_eq!(
        shown.to_string(),
        "FAILED: a.glb: 1 fault\n  expected b, found c\n"
    );
    let mut above = baked("a.glb", 0.1);
    above.status = FileStatus::Unchanged;
    above.characters[0].limits = vec![limit(Some(3.0)), limit(Some(1.0))];
    let shown = table(&report(vec![above], RunEnd::Complete, None)).to_string();
    let first: Vec<&str> = shown.lines().take(4).collect();
    assert_eq!(
        first,
        [
            "ABOVE A LIMIT: body: 0.100 % rms on held-out poses, 50 % below rigid",
            "  unchanged: out/a.glb is up to date already",
            "  above a limit: body: max_pixels = 3, limit 2 (at Body vertex 812 in blend 14)",
            "  33.3 % above the floor on fit poses",
        ]
    );
}

// JUnit --------------------------------------------------------------------------------------------

#[test]
fn junit_has_a_suite_a_folder_and_a_case_a_skin() {
    let xml = junit(&eventful());
    let read = quick_junit::Report::deserialize_from_str(&xml).expect("JUnit");
    assert_eq!((read.tests, read.failures, read.errors), (13, 2, 3));
    let folders: Vec<&str> = read
        .test_suites
        .iter()
        .map(|suite| suite.name.as_str())
        .collect();
    // One name has separators in it.
    assert_eq!(folders[..5], [".", "C:\\art", "crowd", "heroes", "nasty"]);
    assert!(folders[5].starts_with("nasty/<b>") && folders.len() == 6);
    for suite in &read.test_suites {
        let names: BTreeSet<&str> = suite
            .test_cases
            .iter()
            .map(|case| case.name.as_str())
            .collect();
        assert_eq!(names.len(), suite.test_cases.len(), "{names:?}");
    }
    let crowd = &read.test_suites[2];
    assert_eq!(
        (crowd.tests, crowd.failures, crowd.errors, crowd.skipped),
        (6, 1, 2, 1)
    );
    let twin = &crowd.test_cases[2];
    assert_eq!(twin.name.as_str(), "b.glb, body (2)");
    let quick_junit::TestCaseStatus::NonSuccess {
        description, ty, ..
    } = &twin.status
    else {
        panic!("{:?}", twin.status);
    };
    assert_eq!(ty.as_ref().map(|ty| ty.as_str()), Some("limit"));
    assert_eq!(
        description.as_ref().map(|text| text.as_str()),
        Some(
            "crowd/b.glb, body: max_pixels = 3.2, limit 2 (at Body vertex 812 in blend 14)\n\
             crowd/b.glb, body: max_pixels could not be measured, limit 2 (at Body vertex 812 in blend 14)"
        )
    );
    let of_suites: f64 = read
        .test_suites
        .iter()
        .filter_map(|s| s.time)
        .map(|t| t.as_secs_f64())
        .sum();
    // Each of twelve files took 1.5 s; the parts of a file are given in milliseconds.
    assert!((of_suites - 18.0).abs() < 0.01, "{of_suites}");
}

fn says_no_forbidden_character(xml: &str) -> bool {
    // The production `Char` of XML 1.0.
    xml.chars().all(|c| {
        matches!(c, '\t' | '\n' | '\r' | ' '..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..)
    })
}

/// A run in which every text is this one.
fn all_named(text: &str) -> Report {
    let mut c = character(text, 1.0);
    c.worst[0].mesh = text.to_owned();
    c.worst[0].joints = vec![text.to_owned()];
    c.limits = vec![limit(Some(3.0)), limit(None)];
    c.limits[0].limit = text.to_owned();
    c.limits[0].place = text.to_owned();
    let input = format!("a/{text}");
    let files = vec![
        file(&input, FileStatus::Baked, vec![c.clone(), c]),
        failed(&input, FaultKind::Output, &[text, text]),
    ];
    report(files, RunEnd::Complete, Some(text))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    #[test]
    fn any_text_gives_xml_and_markdown_of_the_same_shape(text in any::<String>()) {
        for text in [format!("{text}{NASTY}"), text] {
            let report = all_named(&text);
            let xml = junit(&report);
            prop_assert!(says_no_forbidden_character(&xml));
            let read = quick_junit::Report::deserialize_from_str(&xml);
            let read = read.map_err(|error| TestCaseError::fail(format!("{error}: {xml}")))?;
            prop_assert_eq!((read.tests, read.failures, read.errors), (3, 2, 1));
            check_markdown(&markdown(&report));
            let plain = markdown(&all_named("a"));
            // No text, no more: an empty one is left out.
            let shape = |text: &str| text.lines().count();
            prop_assert_eq!(shape(&markdown(&report)), shape(&plain));
        }
    }
}

// Markdown -----------------------------------------------------------------------------------------

/// Tables are tables, and nothing but our own tags is HTML.
fn check_markdown(text: &str) {
    assert!(text.len() <= MOST_CHARACTERS, "{} bytes", text.len());
    let mut columns = None;
    for line in text.lines() {
        let mut bare = line.to_owned();
        for ours in [
            "<code>",
            "</code>",
            "<br>",
            "<details>",
            "</details>",
            "<summary>",
            "</summary>",
        ] {
            bare = bare.replace(ours, "");
        }
        assert!(
            !bare.contains(['<', '>', '@', '`', '[', ']', '\t']),
            "{line}"
        );
        if line.starts_with('|') {
            let bars = line.matches('|').count();
            assert_eq!(*columns.get_or_insert(bars), bars, "{line}");
        } else {
            columns = None;
        }
    }
    let count = |what: &str| text.matches(what).count();
    assert_eq!(count("<code>"), count("</code>"));
    assert_eq!(count("<details>"), count("</details>"));
}

#[test]
fn markdown_of_a_great_run_fits_a_comment_and_says_what_was_cut() {
    let mut files = Vec::new();
    for n in 0..1000 {
        let mut above = baked(&format!("a/{n}{NASTY}.glb"), n as f64);
        above.characters[0].limits = vec![limit(Some(3.0)); 3];
        files.push(above);
        let faults = [NASTY.repeat(20)];
        files.push(failed(
            &format!("b/{n}.glb"),
            FaultKind::Input,
            &faults.each_ref().map(String::as_str),
        ));
    }
    let text = markdown(&report(files, RunEnd::Complete, None));
    check_markdown(&text);
    assert!(text.starts_with("**2000 files: 1000 baked, 1000 failed, 1000 above a limit**\n"));
    for (title, all) in [
        ("1000 failed files", 1000),
        ("3000 exceeded limits", 3000),
        ("1000 characters", 1000),
    ] {
        let part = text
            .split("<details><summary>")
            .find(|part| part.starts_with(title));
        let part = part.unwrap_or_else(|| panic!("{title} is missing"));
        let shown = part
            .lines()
            .filter(|line| line.starts_with("- ") || line.starts_with("| <"))
            .count();
        assert!(shown > 0, "{title}: nothing is shown");
        let cut = format!("Cut to fit: {} of {all} are not shown here.", all - shown);
        assert!(part.contains(&cut), "{title}: {cut}");
    }
    // A run that fits is whole.
    let files = (0..100)
        .map(|n| baked(&format!("{n}.glb"), n as f64))
        .collect();
    let text = markdown(&report(files, RunEnd::Complete, None));
    check_markdown(&text);
    assert!(!text.contains("Cut to fit"));
    let rows: Vec<&str> = text
        .lines()
        .filter(|line| line.starts_with("| <"))
        .collect();
    assert_eq!(rows.len(), 100);
    assert_eq!(
        rows[0],
        "| <code>99.glb</code> | 99.000 | 1584.000 | 50 % | 2.25 | <code>Body vertex 812 &#40;forearm&#95;l, \
         upper&#95;arm&#95;l&#41; in blend 14</code> |"
    );
}
