//! What people see: lines of 80 columns, the verdict first, colours only where a terminal wants them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::json;
use tanyard::inspect::{Limit, Options};
use tanyard::job;
use tanyard::report::{
    ChangeReport, ChangedVertex, Comparison, Comparisons, Exceeded, FaultKind, FileComparison,
    FileReport, FileStatus, Inspection, JointComparison, Outcome, Plan, Planned, PlannedFile,
    Report, Role, RunEnd, SkinComparison, Text, UnpairedSkin, Verdict, VertexError,
    comparison_table, comparisons_table, inspection_table, log_line, plan_table, plans_table,
    table, timings,
};
use unicode_width::UnicodeWidthStr;

use crate::asset_kit::arm;
use crate::bake::{QUICK, folder, put};
use crate::farm::{FEW, put_arm};
use crate::files::{demos, tanyard, word};
use crate::sample_report::{baked, character, eventful, failed, file, limit, percent, report};

/// Sequences that colour, hide and name a terminal, and marks that turn a line.
const HOSTILE: &str = "\u{1b}[8m\u{1b}]0;title\u{7}\u{9b}2J\u{202e}\r\n";

/// Names that tables are not made for: endless, wide, of combining marks, of signs of several characters, hostile.
fn names() -> Vec<String> {
    vec![
        "x".repeat(500),
        "人物".repeat(60),
        "e\u{301}\u{302}".repeat(90),
        "👩\u{200d}👩\u{200d}👧☁\u{fe0f}🇳🇱".repeat(40),
        format!("{HOSTILE}{}", "a b".repeat(100)),
        "short".to_owned(),
        String::new(),
    ]
}

/// Lines are at most 80 columns wide, the first begins as it should, and nothing that a terminal obeys is in them
/// but roles.
fn check(what: &str, text: &Text, first: &str) {
    let plain = text.to_string();
    assert!(plain.ends_with('\n'), "{what}: {plain}");
    for line in plain.lines() {
        assert!(
            line.width() <= 80,
            "{what}: {} columns: {line}",
            line.width()
        );
    }
    assert!(plain.starts_with(first), "{what}: {plain}");
    assert!(
        plain
            .chars()
            .all(|c| c == '\n' || !(c.is_control() || c == '\u{202e}')),
        "{what}: {plain:?}"
    );
    // Without its sequences the text of a terminal is the plain one.
    let mut bare = text.painted().to_owned();
    for code in ["0", "1", "31", "32", "33"] {
        bare = bare.replace(&format!("\u{1b}[{code}m"), "");
    }
    assert_eq!(bare, plain, "{what}");
}

fn skin(name: &str, verdict: Verdict) -> SkinComparison {
    let error = || VertexError {
        rms_percent: 1e9,
        max_percent: 1e12,
        pose: Some(name.to_owned()),
        joints: vec![name.to_owned(); 9],
    };
    let place = || ChangedVertex {
        mesh: name.to_owned(),
        vertex: 67_108_864,
        position: [-12_345.678; 3],
        joint: name.to_owned(),
        old: error(),
        new: error(),
    };
    let change = Some(1e7);
    SkinComparison {
        name: name.to_owned(),
        verdict,
        same_vertices: true,
        poses: 1_000_000,
        old: Some(percent(1e6)),
        new: Some(percent(1e11)),
        change: Some(ChangeReport {
            rms_change_percent: change,
            standard_error_percent: None,
            band_percent: Some(1.0),
            better_poses: Some(1_000_000),
            worse_poses: Some(1_000_000),
        }),
        joints: vec![
            JointComparison {
                joint: name.to_owned(),
                old_vertices: 1,
                new_vertices: 67_108_864,
                old_rms_percent: Some(1e6),
                new_rms_percent: Some(1e9),
                rms_change_percent: change,
                part_percent: change,
            };
            30
        ],
        better: vec![place(); 5],
        worse: vec![place(); 5],
        notes: vec![name.to_owned()],
    }
}

fn all_of(name: &str) -> FileReport {
    let mut c = character(name, 123_456.0);
    c.worst[0].mesh = name.to_owned();
    c.worst[0].pose = name.to_owned();
    c.worst[0].joints = vec![name.to_owned(); 8];
    c.fit.unidentified_joints = vec![name.to_owned(); 8];
    c.warnings = vec![name.to_owned(); 2];
    c.influences = vec![67_108_864; 8];
    c.limits = vec![limit(Some(3.0))];
    c.limits[0].place = name.to_owned();
    c.limits[0].limit = name.to_owned();
    file(name, FileStatus::Baked, vec![c])
}

#[test]
fn every_form_fits_80_columns_whatever_the_names() {
    let run = |files: Vec<FileReport>| report(files, RunEnd::Complete, Some("1/3"));
    for name in names() {
        let one = all_of(&name);
        check("one", &table(&run(vec![one.clone()])), "ABOVE A LIMIT: ");
        let mut unchanged = one.clone();
        unchanged.status = FileStatus::Unchanged;
        let mut restored = one.clone();
        restored.status = FileStatus::Restored;
        let mut twins = one.clone();
        twins.characters.push(character(&name, 1.0));
        let bad = failed(&name, FaultKind::Input, &[&name, &name]);
        let left = file(&name, FileStatus::Left, Vec::new());
        check(
            "unchanged",
            &table(&run(vec![unchanged])),
            "ABOVE A LIMIT: ",
        );
        check("restored", &table(&run(vec![restored])), "ABOVE A LIMIT: ");
        check(
            "skins",
            &table(&run(vec![twins.clone()])),
            "ABOVE A LIMIT: ",
        );
        check("failed", &table(&run(vec![bad.clone()])), "FAILED: ");
        let mut interrupted = run(vec![left.clone()]);
        interrupted.run.end = RunEnd::Interrupted;
        check("left", &table(&interrupted), "INTERRUPTED: ");
        check("timings", &timings(&run(vec![one.clone()])), "  ");
        for file in [&one, &twins, &bad, &left] {
            let line = log_line(file, 1, 9).to_string();
            assert!(
                line.ends_with('\n') && line.matches('\n').count() == 1,
                "{line}"
            );
            assert!(!line.trim_end().chars().any(char::is_control), "{line:?}");
        }
        let several = run(vec![one, twins, bad, left]);
        check(
            "several",
            &table(&several),
            "FAILED: 4 files: 2 baked, 1 failed, 1 left, 2 above a limit",
        );

        let plan = Plan {
            name: name.clone(),
            bind: name.clone(),
            layers: vec![name.clone(); 3],
            surface: several.files[0].characters[0].surface.clone(),
            joints: 65_536,
            poses: several.files[0].characters[0].poses.clone(),
            symmetry: several.files[0].characters[0].symmetry.clone(),
            memory_bytes: u64::MAX,
            warnings: vec![name.clone()],
        };
        check(
            "plan",
            &plan_table(&name, Some(&name), std::slice::from_ref(&plan)),
            "",
        );
        let first = plan_table("a.glb", Some(&name), &[plan.clone(), plan]);
        check("plan of two", &first, "a.glb: would bake 2 skins\n");
        let planned = |what| PlannedFile {
            name: name.clone(),
            recipe: Some(name.clone()),
            what,
        };
        let broken = Planned::Failed {
            faults: name.clone(),
            outcome: Outcome::Failed,
        };
        let files = [
            planned(Planned::Kept),
            planned(Planned::Unchanged),
            planned(Planned::Bake { memory_bytes: 1 }),
            planned(broken),
        ];
        let text = plans_table(&files);
        check(
            "plans",
            &text,
            "FAILED: 4 files: 1 would bake, 1 would come from the cache, 1 unchanged, 1",
        );
        check(
            "plans",
            &plans_table(&files[..3]),
            "3 files: 1 would bake, ",
        );

        let paths = [Path::new(&name); 2];
        let unpaired = vec![UnpairedSkin {
            file: PathBuf::from(&name),
            skin: name.clone(),
        }];
        for (skins, first) in [
            (vec![skin(&name, Verdict::Better)], "better: 1.0e11 % rms"),
            (vec![skin(&name, Verdict::Worse); 2], "worse: of 2 skins"),
        ] {
            let of = |skins, notes| {
                Comparison::new(paths, Some(paths[0]), 1.0, skins, unpaired.clone(), notes)
            };
            let comparison = of(skins, vec![name.clone()]);
            check("comparison", &comparison_table(&comparison), first);
            let one = FileComparison::of(name.clone(), comparison);
            let only = [vec![name.clone(); 25], vec![name.clone()]];
            let folders = [name.clone(), name.clone()];
            let files = vec![one.clone(); 30];
            let many = Comparisons::new(
                folders.clone(),
                None,
                1.0,
                files,
                only.clone(),
                vec![name.clone()],
            );
            let word = first.split(':').next().expect("a word");
            check(
                "comparisons",
                &comparisons_table(&many),
                &format!("{word}: of 30 files"),
            );
            let files = vec![one, FileComparison::failed(name.clone(), &name)];
            let many = Comparisons::new(folders, None, 1.0, files, only, Vec::new());
            check(
                "comparisons",
                &comparisons_table(&many),
                "FAILED: of 2 files ",
            );
        }
        check(
            "message",
            &{
                let mut text = Text::default();
                text.verdict(None, &name, "12 poses");
                text.labelled("  ", Role::Doubt, "note:", &name);
                text
            },
            "",
        );
    }
    check("eventful", &table(&eventful()), "INTERRUPTED: 12 files: ");
}

/// An arm with faults of all severities, each name this one.
fn faulty(name: &str, skins: usize) -> Inspection {
    let mut kit = arm();
    kit.json["nodes"][0]["name"] = json!(name);
    kit.json["nodes"][1]["name"] = json!(format!("{name}2"));
    kit.json["meshes"][0]["name"] = json!(name);
    kit.json["skins"][0]["name"] = json!(name);
    // One vertex has a sum of three.
    let at = kit.json["bufferViews"][3]["byteOffset"]
        .as_u64()
        .expect("there") as usize;
    kit.bin[at..at + 4].copy_from_slice(&3.0f32.to_le_bytes());
    let folder = folder();
    let path = put(folder.path(), "arm.glb", kit.glb());
    let limits: Vec<Limit> = vec!["any=0".parse().expect("a limit")];
    let options = Options { influences: 1 };
    let mut inspection = job::inspect(&path, &options, &limits).expect("it can be read");
    assert!(!inspection.skins[0].findings.is_empty() && !inspection.exceeded.is_empty());
    inspection.skins[0].notes.push(name.to_owned());
    inspection.skins = vec![inspection.skins[0].clone(); skins];
    inspection
}

#[test]
fn findings_fit_80_columns_whatever_the_names() {
    for name in names() {
        check(
            "inspection",
            &inspection_table(&faulty(&name, 1)),
            "ABOVE A LIMIT: ",
        );
        let two = inspection_table(&faulty(&name, 2));
        check("inspection", &two, "ABOVE A LIMIT: arm.glb: 2 skins: ");
    }
    let mut fine = faulty("arm", 1);
    fine.exceeded = Vec::<Exceeded>::new();
    check("inspection", &inspection_table(&fine), "arm: ");
    fine.skins[0].findings.clear();
    check(
        "inspection",
        &inspection_table(&fine),
        "arm: nothing found\n",
    );
}

#[test]
fn the_verdict_is_one_line_and_says_first_what_is_not_well() {
    let first = |report: &Report| {
        let text = table(report).to_string();
        text.lines().next().unwrap_or_default().to_owned()
    };
    let run = |files: Vec<FileReport>| report(files, RunEnd::Complete, None);
    let fine = || baked("a.glb", 0.1);
    assert_eq!(
        first(&run(vec![fine()])),
        "body: 0.100 % rms on held-out poses, 50 % below rigid"
    );
    assert_eq!(
        first(&run(vec![fine(), baked("b.glb", 0.2)])),
        "2 files: 2 baked"
    );
    let mut long = fine();
    long.characters[0].name = "人".repeat(40);
    let line = first(&run(vec![long]));
    assert!(
        line.starts_with("...人") && line.ends_with("50 % below rigid"),
        "{line}"
    );
    assert!((79..=80).contains(&line.width()), "{line}");
    let mut skins = fine();
    skins.characters.push(character("cape", 2.0));
    assert_eq!(
        first(&run(vec![skins])),
        "a.glb: 2.000 % rms held-out, 50 % below rigid (worst of 2 skins: cape)"
    );
    let bare = file("h.glb", FileStatus::Baked, Vec::new());
    assert_eq!(first(&run(vec![bare])), "h.glb: no skins");
}

// Colours ------------------------------------------------------------------------------------------

/// An arm with findings, a folder of good and bad arms, and what to call on them.
struct Yard {
    folder: tempfile::TempDir,
}

impl Yard {
    fn new() -> Self {
        let folder = folder();
        let input = folder.path().join("in");
        put_arm(&input.join("a.glb"), 0);
        put(&input, "broken.glb", "junk");
        put(
            &input,
            "tanyard.toml",
            format!("{FEW}[limits]\nrms_percent = 1e-9\n"),
        );
        Self { folder }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs the command in a shell, on a terminal of its own or not; what it wrote to standard output.
    fn run(&self, terminal: bool, environment: &[(&str, &str)], words: &str) -> Option<String> {
        let line = format!("{} {words}", env!("CARGO_BIN_EXE_tanyard"));
        let mut command = match terminal {
            false => {
                let mut command = Command::new("sh");
                command.args(["-c", &line]);
                command
            }
            true => {
                let mut command = Command::new("script");
                command.args(["-qec", &line, "/dev/null"]);
                command
            }
        };
        command.current_dir(self.folder.path()).env("TERM", "xterm");
        for name in ["NO_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "CI", "COLORTERM"] {
            command.env_remove(name);
        }
        command.envs(environment.iter().copied());
        // Held open to the end: where `script` has nothing to read, it may leave before it has shown all.
        command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        let spoken = command.spawn().and_then(|mut child| {
            let _open = child.stdin.take();
            child.wait_with_output()
        });
        match spoken {
            Ok(output) => Some(String::from_utf8_lossy(&output.stdout).into_owned()),
            Err(error) => {
                println!(
                    "there is no {:?} here ({error}): passed over",
                    command.get_program()
                );
                None
            }
        }
    }
}

fn coloured(text: &str) -> bool {
    assert!(!text.is_empty());
    text.contains('\u{1b}')
}

#[test]
fn colours_are_for_terminals_that_want_them() {
    let yard = Yard::new();
    let words = "inspect in/a.glb -k 1 --limit any=0";
    /// Whether on a terminal, with what environment, with what words more; whether in colours.
    type Case<'a> = (bool, &'a [(&'a str, &'a str)], &'a str, bool);
    let cases: &[Case] = &[
        (false, &[], "", false),
        (true, &[], "", true),
        (true, &[("NO_COLOR", "1")], "", false),
        (true, &[("NO_COLOR", "0")], "", false),
        // Empty is as if it were not set: https://no-color.org.
        (true, &[("NO_COLOR", "")], "", true),
        (true, &[("CLICOLOR", "0")], "", false),
        (true, &[("TERM", "dumb")], "", false),
        (false, &[("CLICOLOR_FORCE", "1")], "", true),
        // Any value, as with NO_COLOR.
        (false, &[("CLICOLOR_FORCE", "0")], "", true),
        (false, &[("CLICOLOR_FORCE", "")], "", false),
        // The word on the command line goes before the environment.
        (true, &[], "--color never", false),
        (false, &[], "--color always", true),
        (false, &[("NO_COLOR", "1")], "--color=always", true),
        (false, &[("CLICOLOR_FORCE", "1")], "--color=never", false),
        (true, &[], "--color auto", true),
        (false, &[], "--color always --color never", false),
    ];
    for (terminal, environment, more, expected) in cases {
        // Before the command and behind it.
        for line in [format!("{words} {more}"), format!("{more} {words}")] {
            if let Some(shown) = yard.run(*terminal, environment, &line) {
                assert_eq!(
                    coloured(&shown),
                    *expected,
                    "{terminal} {environment:?} {line}: {shown}"
                );
                assert!(shown.contains("ABOVE A LIMIT:"), "{shown}");
            }
            // Help and faults of the parser obey the same.
            for wrong in ["--help", "poses 2>&1"] {
                let line = format!("{more} {wrong}");
                if let Some(shown) = yard.run(*terminal, environment, &line) {
                    assert_eq!(
                        coloured(&shown),
                        *expected,
                        "{terminal} {environment:?} {line}: {shown}"
                    );
                }
            }
        }
    }
    for wrong in ["--color", "--color=blue", "--color blue"] {
        let shown = yard
            .run(false, &[], &format!("inspect a.glb {wrong} 2>&1"))
            .unwrap_or_default();
        assert!(
            shown.contains("error:") && shown.contains("--color"),
            "{shown}"
        );
    }
}

#[test]
fn standard_output_and_standard_error_are_told_apart() {
    let yard = Yard::new();
    let words = "inspect in/a.glb -k 1 --limit any=0";
    let read = |name: &str| fs::read_to_string(yard.at(name)).expect("the shell wrote it");
    let Some(shown) = yard.run(true, &[], &format!("{words} 2>err")) else {
        return;
    };
    assert!(coloured(&shown) && !coloured(&read("err")));
    let shown = yard
        .run(true, &[], &format!("{words} >out"))
        .expect("as before");
    assert!(coloured(&shown) && !coloured(&read("out")));
    assert!(shown.contains("tanyard:"));
}

#[test]
fn without_colours_a_terminal_shows_the_same_words() {
    let yard = Yard::new();
    for words in [
        "bake in -o out --again 2>/dev/null",
        "bake in/a.glb -o a.glb 2>/dev/null",
        "bake in -o out --dry-run",
        "bake in/a.glb --dry-run",
        "inspect in/a.glb",
        "compare in/a.glb in/a.glb",
        "poses in/a.glb -o p.json",
        "recipe --check in",
    ] {
        let plain = yard.run(false, &[], words).expect("a shell");
        let forced = yard
            .run(false, &[], &format!("--color always {words}"))
            .expect("a shell");
        assert!(coloured(&forced), "{words}: {forced}");
        let bare = anstream::adapter::strip_str(&forced).to_string();
        // Runs take different times only where they are asked for.
        assert_eq!(bare, plain, "{words}");
    }
}

#[test]
fn data_and_files_have_no_colours() {
    let yard = Yard::new();
    for words in [
        "bake in -o out --report - --again",
        "bake in -o out --junit - --again",
        "bake in -o out --markdown - --again",
        "inspect in/a.glb --report -",
        "compare in/a.glb in/a.glb --report -",
        "recipe",
        "recipe --schema",
        "recipe --show in/a.glb",
    ] {
        let shown = yard.run(false, &[], &format!("--color always {words} 2>/dev/null"));
        assert!(!coloured(&shown.expect("a shell")), "{words}");
    }
    let words =
        "--color always bake in -o out --again --report r.json --junit r.xml --markdown r.md";
    let shown = yard
        .run(false, &[], &format!("{words} 2>&1"))
        .expect("a shell");
    assert!(coloured(&shown));
    for name in ["r.json", "r.xml", "r.md"] {
        let text = fs::read_to_string(yard.at(name)).expect("it was written");
        assert!(!coloured(&text), "{name}");
    }
}

#[test]
#[cfg(unix)]
fn names_of_files_bring_no_sequences_of_their_own() {
    let yard = Yard::new();
    let hostile = "\u{1b}[8m\u{1b}]0;title\u{7}x";
    let folder = yard.at(&format!("in/{hostile}"));
    put_arm(&folder.join(format!("{hostile}.glb")), 3);
    put(&folder, &format!("{hostile}bad.glb"), "junk");
    put(&folder, "tanyard.toml", "[fit]\nno_such = 1\n");
    let path = word(&folder).to_owned();
    let file = format!("{path}/{hostile}.glb");
    let out = format!("{path}/out.glb");
    let recipe = word(&put(yard.folder.path(), "r.toml", QUICK)).to_owned();
    for words in [
        vec!["bake", &path, "-o", &out],
        vec!["bake", &path, "-o", &out, "--dry-run"],
        vec!["bake", &file, "-o", &out, "--recipe", &recipe],
        vec!["bake", &file, "--dry-run", "--recipe", &recipe],
        vec!["bake", &file, "-o", &out],
        vec!["inspect", &file],
        vec!["compare", &file, &file, "--recipe", &recipe],
        vec!["compare", &path, &path, "--recipe", &recipe],
        vec!["poses", &file, "-o", &out, "--recipe", &recipe],
        vec!["recipe", "--check", &path],
        vec!["recipe", "--show", &file],
        vec!["recipe", "--show", &file, "--recipe", &recipe],
    ] {
        for colour in ["never", "always"] {
            let output = tanyard(&[&words[..], &["--color", colour]].concat());
            let both = [output.stdout, output.stderr].concat();
            let shown = String::from_utf8_lossy(&both).into_owned();
            assert!(shown.len() > 10, "{words:?}");
            let escapes = |text: &str| text.matches('\u{1b}').count();
            let ours: usize = ["0", "1", "31", "32", "33"]
                .iter()
                .map(|code| shown.matches(&format!("\u{1b}[{code}m")).count())
                .sum();
            assert_eq!(escapes(&shown), ours, "{words:?} {shown:?}");
            assert!(colour == "always" || ours == 0, "{words:?}");
            assert!(!shown.contains('\u{7}'), "{words:?} {shown:?}");
        }
    }
}

#[test]
fn a_real_bake_fits_80_columns() {
    let yard = Yard::new();
    let recipe = put(yard.folder.path(), "r.toml", QUICK);
    let input = put(
        yard.folder.path(),
        &format!("{}.glb", "鞣".repeat(30)),
        fs::read(&demos()[1]).expect("there"),
    );
    let output = yard.at(&format!("{}.glb", "☁\u{fe0f}".repeat(40)));
    let recipe = ["--recipe", word(&recipe)];
    for words in [
        vec!["bake", word(&input), "-o", word(&output), "-v"],
        vec!["bake", word(&input), "--dry-run"],
        vec!["poses", word(&input), "-o", word(&output)],
    ] {
        let shown = tanyard(&[&words[..], &recipe].concat());
        assert!(shown.status.success(), "{shown:?}");
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        assert!(shown.lines().all(|line| line.width() <= 80), "{shown}");
    }
}
