//! The report as JUnit XML, the form in which build servers read tests.
//!
//! One suite a folder of inputs, one case a file and skin: viewers fold suites and count in them, and a list
//! of five hundred cases in one suite is no list to read. Suites come from paths, so that the parts of a
//! sharded run, joined, look as one run does. Cases are named by file and skin alone: a server follows
//! them from build to build. Several exceeded limits are one `failure` with a line for each, since readers
//! show the first element of a case, and this crate's model has one.

use std::collections::BTreeMap;
use std::time::Duration;

use quick_junit::{NonSuccessKind, TestCase, TestCaseStatus, TestSuite};

use super::words::{self, cut};
use super::{CharacterReport, FileReport, FileStatus, Report, terminal};

/// Names of suites and cases are cut to this many characters: some servers keep no more.
const LONGEST_NAME: usize = 200;

/// Lines within a case are cut to this many characters.
const LONGEST_LINE: usize = 2000;

/// The report as JUnit XML, with a line end.
pub fn junit(report: &Report) -> String {
    let mut folders: BTreeMap<&str, Vec<TestCase>> = BTreeMap::new();
    for file in &report.files {
        let (folder, name) = split(&file.name);
        let cases = cases(file, name);
        folders.entry(folder).or_default().extend(cases);
    }
    let mut xml = quick_junit::Report::new("tanyard");
    xml.time = time(report.run.wall_s);
    for (folder, cases) in folders {
        xml.add_test_suite(suite(folder, cases));
    }
    // Writing to memory cannot fail.
    let text = xml.to_string().unwrap_or_default();
    // The schema that most readers follow has no such attribute on the root; its name, before it, is ours.
    text.replacen(&format!(" skipped=\"{}\"", xml.skipped), "", 1)
}

/// The folder of a path, and the name within it, with the separators of any system.
fn split(path: &str) -> (&str, &str) {
    match path.rfind(['/', '\\']) {
        Some(0) => path.split_at(1),
        Some(at) => (&path[..at], &path[at + 1..]),
        None => (".", path),
    }
}

fn suite(folder: &str, cases: Vec<TestCase>) -> TestSuite {
    let name = cut(folder, LONGEST_NAME);
    let mut suite = TestSuite::new(name.as_str());
    let times = cases.iter().filter_map(|case| case.time);
    suite.time = Some(times.fold(Duration::ZERO, Duration::saturating_add));
    // Readers take cases of one name for one case.
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for mut case in cases {
        let times = seen.entry(case.name.as_str().to_owned()).or_default();
        *times += 1;
        if *times > 1 {
            case.name = format!("{} ({times})", case.name.as_str()).into();
        }
        case.set_classname(name.as_str());
        suite.add_test_case(case);
    }
    suite
}

/// One case a skin; one for a file without.
fn cases(file: &FileReport, name: &str) -> Vec<TestCase> {
    let parts = file.characters.len().max(1);
    let time = time(file.wall_s / parts as f64);
    let case = |name: &str, status: TestCaseStatus, output: &str| {
        let mut case = TestCase::new(cut(name, LONGEST_NAME), status);
        case.time = time;
        if !output.is_empty() {
            case.set_system_out(cut(output, LONGEST_LINE));
        }
        case
    };
    match file.status {
        FileStatus::Failed => vec![case(name, failed(file), "")],
        FileStatus::Left => {
            let mut status = TestCaseStatus::skipped();
            status.set_message("left: it had no turn");
            vec![case(name, status, "")]
        }
        _ if file.characters.is_empty() => vec![case(name, TestCaseStatus::success(), "no skins")],
        FileStatus::Baked | FileStatus::Unchanged | FileStatus::Restored => file
            .characters
            .iter()
            .map(|character| {
                let name = format!("{name}, {}", character.name);
                case(
                    &name,
                    limits(file, character),
                    &terminal::verdict(character),
                )
            })
            .collect(),
    }
}

/// All faults of a file.
fn failed(file: &FileReport) -> TestCaseStatus {
    let faults = words::faults(file).collect();
    let kind = file.fault_kind.map_or("failed", |kind| kind.name());
    non_success(NonSuccessKind::Error, kind, faults)
}

/// All limits that a character exceeds.
fn limits(file: &FileReport, character: &CharacterReport) -> TestCaseStatus {
    let name = words::named(file, character);
    let lines: Vec<String> = words::exceeded_limits(character)
        .map(|limit| limit.line(&name))
        .collect();
    if lines.is_empty() {
        return TestCaseStatus::success();
    }
    non_success(NonSuccessKind::Failure, "limit", lines)
}

/// With the first line as its message, and all of them as text.
fn non_success(kind: NonSuccessKind, ty: &str, lines: Vec<String>) -> TestCaseStatus {
    let mut status = TestCaseStatus::non_success(kind);
    status.set_type(ty);
    let lines: Vec<String> = lines.iter().map(|line| cut(line, LONGEST_LINE)).collect();
    status.set_message(match lines.as_slice() {
        [] => "no reason given".to_owned(),
        [line] => line.clone(),
        [line, more @ ..] => format!("{line} (and {} more)", more.len()),
    });
    status.set_description(lines.join("\n"));
    status
}

/// None for what is no span of time: a report that was read may say anything.
fn time(seconds: f64) -> Option<Duration> {
    Duration::try_from_secs_f64(seconds).ok()
}
