//! `tanyard report`: several reports made one, and one shown.

use std::path::{Path, PathBuf};

use tanyard::error::Error;
use tanyard::report::{
    Counts, FaultKind, FileReport, FileStatus, Line, Merged, Report, RunEnd, merge,
};

use crate::bake::{folder, put};
use crate::files::{tanyard, word};
use crate::sample_report::{baked, eventful, failed, file, limit, lines, report};

/// Writes each text to a file and joins them.
fn merged_texts(texts: &[&[u8]]) -> Result<Merged, Error> {
    let folder = folder();
    let paths: Vec<PathBuf> = texts
        .iter()
        .enumerate()
        .map(|(at, text)| put(folder.path(), &format!("part-{at}"), text))
        .collect();
    merge(&paths)
}

fn merged(reports: &[Report]) -> Merged {
    let texts: Vec<String> = reports.iter().map(Report::to_json).collect();
    let texts: Vec<&[u8]> = texts.iter().map(String::as_bytes).collect();
    merged_texts(&texts).expect("reports that agree")
}

fn refused(texts: &[&[u8]]) -> String {
    let error = merged_texts(texts).expect_err("it must be refused");
    assert!(matches!(error, Error::Input(_)), "{error:?}");
    error.to_string()
}

fn part(files: &[&str], shard: Option<&str>) -> Report {
    let files = files.iter().map(|input| baked(input, 0.1)).collect();
    report(files, RunEnd::Complete, shard)
}

fn left(input: &str) -> FileReport {
    file(input, FileStatus::Left, Vec::new())
}

fn inputs(merged: &Merged) -> Vec<&str> {
    merged
        .report
        .files
        .iter()
        .map(|file| file.input.as_str())
        .collect()
}

#[test]
fn all_parts_of_a_sharded_run_make_a_whole() {
    let mut second = part(&["b", "e"], Some("2/3"));
    second.run.wall_s = 99.0;
    second.run.peak_memory_bytes = None;
    let whole = merged(&[
        part(&["c", "f"], Some("3/3")),
        second,
        part(&["a", "d"], Some("1/3")),
    ]);
    assert_eq!(inputs(&whole), ["a", "b", "c", "d", "e", "f"]);
    let run = &whole.report.run;
    assert_eq!((run.shard.as_deref(), run.end), (None, RunEnd::Complete));
    assert_eq!((run.wall_s, run.peak_memory_bytes), (99.0, Some(64 << 20)));
    let counts = Counts {
        files: 6,
        baked: 6,
        ..Counts::default()
    };
    assert_eq!(run.counts, counts);
    assert!(whole.missing.is_empty() && whole.notes.is_empty());
    assert_eq!(whole.outcome().code(), 0);
}

#[test]
fn missing_parts_are_named_and_may_come_later() {
    let some = merged(&[part(&["a"], Some("1/4")), part(&["c"], Some("3/4"))]);
    assert_eq!(some.missing, ["2/4", "4/4"]);
    assert_eq!(some.report.run.shard.as_deref(), Some("1/4, 3/4"));
    assert_eq!(some.outcome().code(), 3);
    let rest = merged(&[part(&["b"], Some("2/4")), part(&["d"], Some("4/4"))]);
    let whole = merged(&[some.report, rest.report]);
    assert_eq!(whole.report.run.shard, None);
    assert_eq!(inputs(&whole), ["a", "b", "c", "d"]);
    assert!(whole.missing.is_empty());
    // Parts of another run say nothing about those of this one.
    let mixed = merged(&[part(&["a"], Some("1/2")), part(&["b"], Some("2/3"))]);
    assert_eq!(mixed.missing, ["2/2", "1/3", "3/3"]);
    for wrong in ["0/3", "4/3", "1/99999", "x", "1/2,2/2", "-1/2", ""] {
        let text = part(&["a"], Some(wrong)).to_json();
        let error = refused(&[text.as_bytes()]);
        assert!(
            error.contains("run.shard: expected a part such as 3/8"),
            "{error}"
        );
    }
}

#[test]
fn a_file_that_was_left_takes_what_another_part_made_of_it() {
    let stopped = report(
        vec![failed("a", FaultKind::Input, &["x"]), left("b"), left("c")],
        RunEnd::Stopped,
        None,
    );
    let mut above = baked("b", 0.1);
    above.characters[0].limits = vec![limit(Some(3.0))];
    let again = report(vec![above, left("c")], RunEnd::Complete, None);
    for order in [[&stopped, &again], [&again, &stopped]] {
        let whole = merged(&order.map(Clone::clone));
        let statuses: Vec<FileStatus> = whole.report.files.iter().map(|file| file.status).collect();
        assert_eq!(
            statuses,
            [FileStatus::Failed, FileStatus::Baked, FileStatus::Left]
        );
        assert_eq!(whole.report.run.end, RunEnd::Stopped);
        assert_eq!(whole.report.run.counts.exceeded, 1);
        assert_eq!(whole.outcome().code(), 3);
    }
}

#[test]
fn one_report_twice_is_one_and_two_that_differ_are_a_fault() {
    let once = eventful();
    let twice = merged(&[once.clone(), once.clone()]);
    assert_eq!(twice.report.files, once.files);
    let a = report(
        vec![baked("x.glb", 0.1), baked("y.glb", 0.1)],
        RunEnd::Complete,
        None,
    );
    let b = report(
        vec![baked("x.glb", 0.2), baked("y.glb", 0.2)],
        RunEnd::Complete,
        None,
    );
    let error = refused(&[a.to_json().as_bytes(), b.to_json().as_bytes()]);
    let lines: Vec<&str> = error.lines().collect();
    assert_eq!(lines.len(), 2, "{error}");
    for (line, input) in lines.iter().zip(["x.glb", "y.glb"]) {
        assert!(
            line.contains(&format!("part-1: files, {input}: expected what ")),
            "{line}"
        );
        assert!(
            line.contains("part-0 says of this file, found something else"),
            "{line}"
        );
    }
    // Two paths that read alike as text, in one run: two files.
    let alike = report(
        vec![baked("x", 0.1), baked("x", 0.2)],
        RunEnd::Complete,
        None,
    );
    assert_eq!(
        merged(&[alike.clone(), alike.clone()]).report.files,
        alike.files
    );
}

#[test]
fn documents_and_lines_are_told_by_what_is_in_them() {
    let report = eventful();
    let document = report.to_json();
    let compact = serde_json::to_string(&report).expect("JSON");
    let lines = lines(&report);
    let marked = format!("\u{feff}\n{lines}\n\n");
    for text in [&document, &compact, &lines, &marked] {
        let read = merged_texts(&[text.as_bytes()]).expect("a report");
        assert_eq!(read.report.files, report.files);
        assert_eq!(read.report.run, report.run);
        assert!(read.notes.is_empty(), "{:?}", read.notes);
    }
    // Several streams in one file, as a build that appends to it leaves them.
    let (a, b) = (part(&["a"], Some("1/2")), part(&["b"], Some("2/2")));
    let both = crate::sample_report::lines(&a) + &crate::sample_report::lines(&b);
    let read = merged_texts(&[both.as_bytes()]).expect("two streams");
    assert_eq!(
        (inputs(&read), read.report.run.shard.as_deref()),
        (vec!["a", "b"], None)
    );
}

#[test]
fn a_stream_cut_anywhere_is_an_interrupted_run() {
    let mut report = report(
        vec![baked("a", 0.1), baked("b", 0.2), baked("名", 0.3)],
        RunEnd::Complete,
        None,
    );
    report.files[0].faults = vec!["é\n\"\\".to_owned()];
    let text = lines(&report);
    let whole = text.trim_end().len();
    let begun = "{\"schema\":\"tanyard-report/3\",\"file\":".len();
    let files: Vec<usize> = text.match_indices('\n').map(|(at, _)| at).collect();
    let folder = folder();
    // Every place in the first line, then around each line's end and in the line of the run.
    let near = |end: usize| files.iter().any(|at| at.abs_diff(end) < 4);
    for end in (begun..=whole).filter(|&end| end < files[0] || end > files[2] || near(end)) {
        let path = put(folder.path(), "cut.jsonl", &text.as_bytes()[..end]);
        let read = merge(&[path]).unwrap_or_else(|error| panic!("{end}: {error}"));
        let complete = files[..3].iter().filter(|at| **at <= end).count();
        assert_eq!(read.report.files.len(), complete, "{end}");
        let expected = if end == whole {
            RunEnd::Complete
        } else {
            RunEnd::Interrupted
        };
        assert_eq!(read.report.run.end, expected, "{end}");
        let is_clean = files.contains(&end) || files.contains(&(end - 1));
        let notes = if end == whole {
            0
        } else if is_clean {
            1
        } else {
            2
        };
        assert_eq!(read.notes.len(), notes, "{end}: {:?}", read.notes);
        assert_eq!(read.outcome().code(), if end == whole { 0 } else { 130 });
    }
    let document = report.to_json();
    for end in (0..document.trim_end().len()).step_by(13) {
        let Some(text) = document.get(..end) else {
            continue;
        };
        refused(&[text.as_bytes()]);
    }
}

#[test]
fn what_is_no_report_is_refused_with_the_reason() {
    let good = part(&["a"], None).to_json();
    let line = Line::of_run(&part(&[], None).run);
    let neither = "{\"schema\":\"tanyard-report/3\",\"file\":null,\"run\":null}";
    let changed = |from: &str, to: &str| {
        assert!(good.contains(from), "{from}");
        good.replacen(from, to, 1)
    };
    for (text, reason) in [
        (String::new(), "found an empty file"),
        ("\n \n".to_owned(), "found an empty file"),
        (
            changed("report/3", "report/2"),
            "schema: expected tanyard-report/3, found tanyard-report/2",
        ),
        (changed("report/3", "inspect/1"), "found tanyard-inspect/1"),
        (
            "{\"files\": []}".to_owned(),
            "schema: expected tanyard-report/3, found none",
        ),
        (
            "[1, 2".to_owned(),
            "line 1: expected a report of tanyard bake",
        ),
        ("7".to_owned(), "invalid type"),
        ("null".to_owned(), "invalid type"),
        (changed("\"wall_s\"", "\"wall\""), "unknown field"),
        (
            changed("\"status\": \"baked\"", "\"status\": \"cooked\""),
            "unknown variant",
        ),
        (
            neither.to_owned(),
            "expected a file or a run, found neither",
        ),
        (line.clone() + "oops\n" + &line, "line 2: expected"),
        ("[".repeat(100_000), "EOF while parsing a list"),
        (good.clone() + "}", "expected value"),
    ] {
        let error = refused(&[text.as_bytes()]);
        assert!(error.contains(reason), "{reason}: {error}");
    }
    let error = refused(&[&[0xff, 0xfe, b'{', 0]]);
    assert!(
        error.contains("byte 0: expected a report as UTF-8 text, found 0xff"),
        "{error}"
    );
    let error = refused(&[good.as_bytes(), b"", b"[]"]);
    assert_eq!(error.lines().count(), 2, "every fault is told: {error}");
}

#[test]
fn folders_files_of_gigabytes_and_nothing_at_all_are_refused() {
    let folder = folder();
    let great = folder.path().join("great.json");
    let file = std::fs::File::create(&great).expect("a file");
    // Sparse: it takes no room.
    file.set_len(3 << 30).expect("a great file");
    for (path, reason) in [
        (folder.path(), "found something that is no plain file"),
        (
            great.as_path(),
            "expected a report of at most 256.0 MiB, found 3.0 GiB",
        ),
        (Path::new("nowhere.json"), "expected a readable report"),
    ] {
        let error = merge(&[path.to_owned()]).expect_err("it must be refused");
        assert!(error.to_string().contains(reason), "{error}");
    }
}

// The command --------------------------------------------------------------------------------------

#[test]
fn merge_writes_every_form_and_exits_as_the_runs_did() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    let mut second = part(&["b"], Some("2/2"));
    second.files[0].characters[0].limits = vec![limit(Some(3.0))];
    let first = put(folder.path(), "1.json", part(&["a"], Some("1/2")).to_json());
    let second = put(folder.path(), "2.jsonl", lines(&second));
    let (json, xml, md) = (at("all.json"), at("all.xml"), at("all.md"));
    let output = tanyard(&[
        "report",
        "merge",
        word(&first),
        word(&second),
        "-o",
        word(&json),
        "--junit",
        word(&xml),
        "--markdown",
        word(&md),
    ]);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let shown = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        shown.starts_with("ABOVE A LIMIT: 2 files: 2 baked, 1 above a limit\n"),
        "{shown}"
    );
    let read = |path: &Path| std::fs::read_to_string(path).expect("it was written");
    let report: Report = serde_json::from_str(&read(&json)).expect("a report");
    assert_eq!(report.run.counts.exceeded, 1);
    assert!(read(&xml).contains("<failure message=\"b, body: max_pixels = 3, limit 2"));
    assert!(read(&md).starts_with("**2 files: 2 baked, 1 above a limit**\n"));

    let output = tanyard(&["report", "merge", word(&first)]);
    assert_eq!(output.status.code(), Some(3));
    let report: Report = serde_json::from_slice(&output.stdout).expect("a report alone");
    assert_eq!(report.run.shard.as_deref(), Some("1/2"));
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        errors.contains("tanyard: part 2/2 is missing\n"),
        "{errors}"
    );

    let output = tanyard(&[
        "report",
        "merge",
        "--quiet",
        word(&json),
        "--markdown",
        "-",
        "-o",
        word(&at("b")),
    ]);
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(String::from_utf8_lossy(&output.stdout), read(&md));
    assert!(output.stderr.is_empty(), "{output:?}");
}

#[test]
fn merge_refuses_targets_that_are_parts_or_each_other() {
    let folder = folder();
    let text = part(&["a"], None).to_json();
    let input = put(folder.path(), "a.json", &text);
    let other = folder.path().join("b");
    for words in [
        vec!["-o", word(&input)],
        vec!["--junit", word(&input)],
        vec!["-o", word(&other), "--markdown", word(&other)],
        vec!["--markdown", "-"],
        vec!["-o", word(&other), "--markdown", "-", "--junit", "-"],
    ] {
        let mut all = vec!["report", "merge", word(&input)];
        all.extend(words);
        let output = tanyard(&all);
        assert_eq!(output.status.code(), Some(2), "{all:?}: {output:?}");
        assert!(output.stdout.is_empty());
    }
    assert!(!other.exists());
    assert_eq!(std::fs::read_to_string(&input).expect("untouched"), text);
}

#[test]
fn show_prints_the_table_of_a_report() {
    let folder = folder();
    let report = eventful();
    let path = put(folder.path(), "a.jsonl", lines(&report));
    let output = tanyard(&["report", "show", word(&path)]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "showing is no failure: {output:?}"
    );
    let shown = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(shown, tanyard::report::table(&report).to_string());
    let output = tanyard(&["report", "show", word(folder.path())]);
    assert_eq!(output.status.code(), Some(3), "{output:?}");
}
