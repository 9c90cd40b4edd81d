//! Runs over folders: what is found, what becomes of each file, what is not done again, what machines share.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::bake::{folder, put};
use crate::farm::{FEW, bake_folder, command, files_of, names, put_arm, said};
use crate::files::{refused, tanyard, tanyard_ok, word};

/// A tree with nine good characters and one broken file.
fn settlement(root: &Path) -> PathBuf {
    let input = root.join("in");
    for number in 0..6 {
        put_arm(&input.join(format!("crowd/arm_{number}.glb")), number);
    }
    put_arm(&input.join("heroes/a.gltf"), 6);
    put_arm(&input.join("heroes/b.gltf"), 7);
    put_arm(&input.join("lone.glb"), 8);
    put(&input, "tanyard.toml", FEW);
    put(&input.join("crowd"), "broken.glb", "junk");
    input
}

#[test]
fn a_folder_is_mirrored_and_one_bad_file_stops_no_other() {
    let folder = folder();
    let (input, output) = (settlement(folder.path()), folder.path().join("new/out"));
    let (code, report, error) = bake_folder(&input, &output, &[]);
    assert_eq!(code, 3, "{error}");
    assert_eq!(names(&report, "failed"), ["crowd/broken.glb"]);
    assert_eq!(names(&report, "baked").len(), 9);
    assert_eq!(report["run"]["counts"]["failed"], 1);
    assert_eq!(report["run"]["end"], "complete");
    assert!(
        error.contains("crowd/broken.glb") && error.contains("export"),
        "{error}"
    );
    // As each by itself.
    let alone = folder.path().join("alone.glb");
    tanyard_ok(&["bake", word(&input.join("lone.glb")), "-o", word(&alone)]);
    assert_eq!(
        fs::read(&alone).expect("baked"),
        fs::read(output.join("lone.glb")).expect("baked")
    );
    let made = files_of(&output);
    let endings = |ending: &str| made.keys().filter(|path| path.ends_with(ending)).count();
    assert_eq!(
        (endings("a.gltf"), endings("a.buffer")),
        (1, 1),
        "{:?}",
        made.keys()
    );
    // Stopped early, what has no turn is left.
    let (code, report, _) = bake_folder(
        &input,
        &folder.path().join("early"),
        &["--stop-early", "--threads", "1"],
    );
    assert_eq!((code, &report["run"]["end"]), (3, &"stopped".into()));
    let counts = &report["run"]["counts"];
    assert_eq!(counts["files"], 10);
    let sum: u64 = ["baked", "failed", "left"]
        .iter()
        .map(|key| counts[key].as_u64().expect("a count"))
        .sum();
    assert_eq!(sum, 10);
}

#[test]
fn what_has_not_changed_is_not_done_again() {
    let folder = folder();
    let (input, output) = (settlement(folder.path()), folder.path().join("out"));
    fs::remove_file(input.join("crowd/broken.glb")).expect("there");
    let run = |extra: &[&str]| {
        let (code, report, error) = bake_folder(&input, &output, extra);
        assert_eq!(code, 0, "{error}");
        (
            names(&report, "baked"),
            names(&report, "unchanged").len(),
            error,
            report,
        )
    };
    let (first, _, _, report) = run(&[]);
    assert_eq!(first.len(), 9);
    let before = files_of(&output);
    let (baked, unchanged, _, again) = run(&[]);
    assert_eq!((baked.len(), unchanged), (0, 9));
    assert_eq!(before, files_of(&output));
    // The figures are those of the bake.
    let characters = |report: &Value| -> Vec<Value> {
        let files = report["files"].as_array().expect("a list").iter();
        files.map(|file| file["characters"].clone()).collect()
    };
    assert_eq!(characters(&report), characters(&again));
    // Time says nothing, content does.
    let now = fs::OpenOptions::new()
        .append(true)
        .open(input.join("lone.glb"));
    now.and_then(|file| file.set_modified(std::time::SystemTime::now()))
        .expect("it can be touched");
    assert_eq!(run(&[]).0, [""; 0]);
    put_arm(&input.join("lone.glb"), 99);
    assert_eq!(run(&[]).0, ["lone.glb"]);
    // So does the content of a file beside.
    let buffer = input.join("heroes/a.buffer");
    let mut bytes = fs::read(&buffer).expect("there");
    bytes[12] ^= 1;
    fs::write(&buffer, &bytes).expect("it can be written");
    assert_eq!(run(&[]).0, ["heroes/a.gltf"]);
    // Results that were changed or removed are made anew.
    put(&output.join("crowd"), "arm_1.glb", "scribble");
    fs::remove_file(output.join("crowd/arm_2.glb")).expect("there");
    assert_eq!(run(&[]).0, ["crowd/arm_1.glb", "crowd/arm_2.glb"]);
    // Another recipe is other work; limits are none.
    put(
        &input,
        "tanyard.toml",
        format!("{FEW}[limits]\nmax_percent = 90\n"),
    );
    assert_eq!(run(&[]).0, [""; 0]);
    put(
        &input.join("heroes"),
        "tanyard.toml",
        format!("{FEW}[fit]\ninfluences = 1\n"),
    );
    assert_eq!(run(&[]).0, ["heroes/a.gltf", "heroes/b.gltf"]);
    assert_eq!(run(&["-k", "2"]).0.len(), 9);
    assert_eq!(run(&["-k", "2", "--again"]).0.len(), 9);
    // A damaged entry is noticed.
    let mut entries = Vec::new();
    for outer in fs::read_dir(output.join(".tanyard"))
        .expect("a cache")
        .flatten()
    {
        entries.extend(
            fs::read_dir(outer.path())
                .expect("a folder")
                .flatten()
                .map(|e| e.path()),
        );
    }
    let entry = &entries[0];
    let mut bytes = fs::read(entry).expect("an entry");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(entry, &bytes).expect("it can be written");
    let (baked, _, error, _) = run(&["-k", "2"]);
    assert_eq!(baked.len(), 1, "{error}");
    assert!(error.contains("damaged entry"), "{error}");
    fs::write(&entries[1], "").expect("it can be written");
    assert_eq!(run(&["-k", "2"]).0.len(), 1);
}

#[test]
fn a_shared_cache_gives_results_to_other_folders() {
    let folder = folder();
    let (input, cache) = (settlement(folder.path()), folder.path().join("cache"));
    fs::remove_file(input.join("crowd/broken.glb")).expect("there");
    let (here, there) = (folder.path().join("here"), folder.path().join("there"));
    let with = ["--cache", word(&cache)];
    assert_eq!(
        names(&bake_folder(&input, &here, &with).1, "baked").len(),
        9
    );
    let plan = [
        "bake",
        word(&input),
        "-o",
        word(&there),
        "--dry-run",
        with[0],
        with[1],
    ];
    let plan = tanyard_ok(&plan);
    assert_eq!(
        plan.matches("would come from the cache (recipe").count(),
        9,
        "{plan}"
    );
    let (code, report, error) = bake_folder(&input, &there, &with);
    assert_eq!((code, names(&report, "restored").len()), (0, 9), "{error}");
    assert_eq!(files_of(&here), files_of(&there));
    assert!(!there.join(".tanyard").exists());
    // One flipped bit anywhere in the bytes: that one is baked.
    fs::remove_dir_all(&there).expect("there");
    let entries = files_of(&cache);
    let (entry, mut bytes) = entries.into_iter().next().expect("an entry");
    let last = bytes.len() - 1;
    bytes[last] ^= 0x80;
    fs::write(cache.join(entry), bytes).expect("it can be written");
    let (code, report, error) = bake_folder(&input, &there, &with);
    assert_eq!(
        (
            code,
            names(&report, "restored").len(),
            names(&report, "baked").len()
        ),
        (0, 8, 1)
    );
    assert!(error.contains("damaged entry"), "{error}");
    assert_eq!(files_of(&here), files_of(&there));
    // One file alone is kept and found as well.
    let alone = folder.path().join("alone").join("lone.glb");
    fs::create_dir(alone.parent().expect("a folder")).expect("new");
    let lone = input.join("lone.glb");
    tanyard_ok(&[
        "bake",
        word(&lone),
        "-o",
        word(&alone),
        "--cache",
        word(&cache),
    ]);
    assert_eq!(
        fs::read(alone).expect("restored"),
        fs::read(here.join("lone.glb")).expect("baked")
    );
}

#[test]
fn files_beside_are_renewed_whatever_is_there() {
    let folder = folder();
    let (input, output) = (folder.path().join("in"), folder.path().join("out"));
    put_arm(&input.join("a.gltf"), 1);
    put(&input, "tanyard.toml", FEW);
    let cache = folder.path().join("cache");
    let statuses = |extra: &[&str]| {
        let (code, report, error) = bake_folder(&input, &output, extra);
        assert_eq!(code, 0, "{error}");
        report["files"][0]["status"].as_str().map(str::to_owned)
    };
    let with = ["--cache", word(&cache)];
    let buffer = input.join("a.buffer");
    let before = fs::read(&buffer).expect("there");
    let mut after = before.clone();
    after[12] ^= 1;
    assert_eq!(statuses(&with).as_deref(), Some("baked"));
    let first = files_of(&output);
    let side = |files: &std::collections::BTreeMap<PathBuf, Vec<u8>>| {
        let mut sides = files
            .keys()
            .filter(|path| path.extension().is_some_and(|e| e == "bin"));
        sides.next().expect("a side file").clone()
    };
    fs::write(&buffer, &after).expect("it can be written");
    let narrow = ["--cache", word(&cache), "-k", "1"];
    assert_eq!(statuses(&narrow).as_deref(), Some("baked"));
    assert_ne!(side(&files_of(&output)), side(&first));
    // Back again, from the cache: the buffer beside is that of yesterday, no side file is left over.
    fs::write(&buffer, &before).expect("it can be written");
    assert_eq!(statuses(&with).as_deref(), Some("restored"));
    assert_eq!(files_of(&output), first);
    // A side file that was cut off is made anew, from the cache or without one.
    for (extra, status) in [(&with[..], "restored"), (&["--again"], "baked")] {
        fs::write(output.join(side(&first)), "cut").expect("it can be written");
        assert_eq!(statuses(extra).as_deref(), Some(status));
        assert_eq!(files_of(&output), first);
    }
}

#[test]
fn odd_names_links_and_ignored_files() {
    let folder = folder();
    let input = folder.path().join("in");
    let long = "l".repeat(240) + ".glb";
    let odd = [
        " a b .glb",
        "Grüße 🦌/魚.glb",
        "x#y?%20&'\".glb",
        "[a-z]*.glb",
        &long,
        "UPPER.GLB",
        "-o.glb",
    ];
    for (number, name) in odd.iter().enumerate() {
        put_arm(&input.join(name), number);
    }
    for hidden in [
        ".git/a.glb",
        ".hidden.glb",
        "old/a.glb",
        "draft_1.glb",
        "notes.txt",
    ] {
        put_arm(&input.join(hidden), 0);
    }
    put(&input, ".tanyardignore", "old/\ndraft_*\n");
    put(&input, "tanyard.toml", FEW);
    let elsewhere = folder.path().join("elsewhere");
    put_arm(&elsewhere.join("far.glb"), 50);
    let mut expected: Vec<String> = odd.iter().map(|name| (*name).to_owned()).collect();
    if cfg!(unix) {
        let link =
            |to: &Path, at: &str| std::os::unix::fs::symlink(to, input.join(at)).expect("a link");
        link(&elsewhere.join("far.glb"), "link_out.glb");
        link(Path::new("UPPER.GLB"), "link_in.glb");
        link(&elsewhere, "folder_out");
        link(&input, "circle");
        expected.extend(["link_out.glb", "link_in.glb"].map(str::to_owned));
    }
    expected.sort();
    let output = folder.path().join("out");
    let (code, report, error) = bake_folder(&input, &output, &[]);
    assert_eq!(
        (code, names(&report, "baked")),
        (0, expected.clone()),
        "{error}"
    );
    assert_eq!(files_of(&output).len(), expected.len());
    if cfg!(unix) {
        assert!(
            error.contains("folder_out: a link to a folder, passed over"),
            "{error}"
        );
        // Followed, the circle is a place that cannot be looked into, and nothing is done twice.
        let (code, report, error) = bake_folder(&input, &output, &["--follow-links"]);
        assert_eq!(
            (code, names(&report, "failed")),
            (3, vec!["circle".to_owned()]),
            "{error}"
        );
        assert_eq!(names(&report, "baked"), ["folder_out/far.glb"]);
        // A result that is a link to an input would take its place.
        let target = output.join("UPPER.GLB");
        fs::remove_file(&target).expect("there");
        let before = fs::read(input.join("UPPER.GLB")).expect("there");
        std::os::unix::fs::symlink(input.join("UPPER.GLB"), &target).expect("a link");
        let (code, report, error) = bake_folder(&input, &output, &[]);
        assert_eq!(
            (code, names(&report, "failed")),
            (2, vec!["UPPER.GLB".to_owned()]),
            "{error}"
        );
        assert_eq!(before, fs::read(input.join("UPPER.GLB")).expect("there"));
        // So would one that is a link to another result.
        fs::remove_file(&target).expect("there");
        std::os::unix::fs::symlink(" a b .glb", &target).expect("a link");
        let (code, report, error) = bake_folder(&input, &output, &[]);
        assert_eq!(
            (code, names(&report, "failed")),
            (2, [" a b .glb", "UPPER.GLB"].map(str::to_owned).to_vec()),
            "{error}"
        );
    }
    let only = bake_folder(
        &input,
        &folder.path().join("few"),
        &["--only", "*a*", "--skip", "link_*"],
    );
    assert_eq!(names(&only.1, "baked"), [" a b .glb", "[a-z]*.glb"]);
}

#[cfg(unix)]
#[test]
fn names_that_a_terminal_would_obey_stay_in_their_line() {
    let folder = folder();
    let input = folder.path().join("in");
    let odd = ["bad\u{1b}[31m\nname.glb", "good\u{1b}[31m\n.glb"];
    fs::create_dir(&input).expect("new");
    put(&input, odd[0], "junk");
    put_arm(&input.join(odd[1]), 1);
    put(&input, "tanyard.toml", FEW);
    let output = folder.path().join("out");
    let (code, report, error) = bake_folder(&input, &output, &[]);
    assert_eq!(code, 3);
    assert_eq!(
        report["files"][0]["faults"].as_array().map(Vec::len),
        Some(1)
    );
    assert_eq!(names(&report, "baked"), [odd[1]]);
    // A line a file.
    assert_eq!(error.lines().count(), 2, "{error}");
    let dry = tanyard_ok(&["bake", word(&input), "--dry-run"]);
    // Beneath the verdict; what does not fit goes on further in.
    let beneath = |line: &&str| line.starts_with("  ") && !line.starts_with("   ");
    assert_eq!(dry.lines().filter(beneath).count(), 2, "{dry}");
    assert!(!(error + &dry).contains('\u{1b}'));
}

#[test]
fn a_folder_takes_no_place_that_is_not_its_own() {
    let folder = folder();
    let input = settlement(folder.path());
    let text = refused(&["bake", word(&input), "-o", word(&input)], 2);
    assert!(text.contains("apart from the inputs"), "{text}");
    let file = put(folder.path(), "file", "");
    refused(&["bake", word(&input), "-o", word(&file)], 2);
    refused(&["bake", word(&input)], 2);
    let empty = folder.path().join("empty");
    fs::create_dir(&empty).expect("new");
    let text = refused(
        &["bake", word(&empty), "-o", word(&file.with_extension("d"))],
        3,
    );
    assert!(text.contains("characters"), "{text}");
    let of_folder = |words: &[&str]| {
        refused(
            &[&["bake", word(&input), "-o", word(&empty)], words].concat(),
            2,
        )
    };
    let lone = input.join("lone.glb");
    let output = folder.path().join("o.glb");
    for words in [&["--shard", "1/2"][..], &["--only", "x"], &["--stop-early"]] {
        let mut all = vec!["bake", word(&lone), "-o", word(&output)];
        all.extend(words);
        let text = refused(&all, 2);
        assert!(text.contains("a folder of characters"), "{text}");
    }
    for shard in ["0/3", "4/3", "x"] {
        of_folder(&["--shard", shard]);
    }
    for pattern in ["", " ", "#x"] {
        let text = of_folder(&["--only", pattern]);
        assert!(text.contains("--only: expected a pattern"), "{text}");
    }
    // A slip in the folder's name is no matter of the output.
    let text = refused(&["bake", word(&input.join("x")), "-o", word(&empty)], 3);
    assert!(text.contains("a folder that can be read"), "{text}");
    // A cache is a folder.
    let text = of_folder(&["--cache", word(&file)]);
    assert!(text.contains("a folder for the cache"), "{text}");
    // One form on standard output at most.
    let text = of_folder(&["--report", "-", "--junit", "-"]);
    assert!(text.contains("one form of the report"), "{text}");
    // A report in the place of an input.
    let text = of_folder(&["--report", word(&lone)]);
    assert!(text.contains("a target of its own"), "{text}");
    // Or in that of a part of one.
    let buffer = input.join("heroes/a.buffer");
    let before = fs::read(&buffer).expect("there");
    let text = of_folder(&["--report", word(&buffer)]);
    assert!(text.contains("a target of its own"), "{text}");
    assert_eq!(fs::read(&buffer).expect("there"), before);
    // Results within the inputs are no inputs.
    let within = input.join("baked");
    let first = bake_folder(&input, &within, &[]);
    assert_eq!(names(&first.1, "baked").len(), 9);
    let second = bake_folder(&input, &within, &[]);
    assert_eq!(names(&second.1, "unchanged").len(), 9);
}

#[test]
fn shards_give_together_what_one_run_gives() {
    let folder = folder();
    let input = settlement(folder.path());
    let (whole, parts) = (folder.path().join("whole"), folder.path().join("parts"));
    let one = folder.path().join("one.json");
    let with = |output: &Path, report: &Path, extra: &[&str]| {
        let mut command = command(&input, output, &["-q", "--report", word(report)]);
        command.args(extra).output().expect("it runs")
    };
    with(&whole, &one, &[]);
    let mut reports = Vec::new();
    for number in 1..=4 {
        let report = folder.path().join(format!("{number}.json"));
        let output = with(&parts, &report, &["--shard", &format!("{number}/4")]);
        assert!(
            [0, 3].contains(&output.status.code().expect("an end")),
            "{}",
            said(&output)
        );
        reports.push(report);
    }
    assert_eq!(files_of(&whole), files_of(&parts));
    let merged = folder.path().join("merged.json");
    let mut words = vec!["report", "merge"];
    words.extend(reports.iter().map(|path| word(path)));
    words.extend(["-o", word(&merged)]);
    assert_eq!(tanyard(&words).status.code(), Some(3), "one file failed");
    let timeless = |path: &Path| {
        let text = fs::read_to_string(path).expect("a report");
        let text = text.replace("parts", "whole");
        let mut report: Value = serde_json::from_str(&text).expect("JSON");
        report["run"]["wall_s"] = Value::Null;
        report["run"]["peak_memory_bytes"] = Value::Null;
        for file in report["files"].as_array_mut().expect("a list") {
            file["wall_s"] = Value::Null;
            for character in file["characters"].as_array_mut().expect("a list") {
                character["timings"] = Value::Null;
            }
        }
        report
    };
    assert_eq!(timeless(&one), timeless(&merged));
}

#[test]
fn claims_of_many_vertices_are_not_believed() {
    let folder = folder();
    let input = folder.path().join("in");
    for number in 0..6 {
        put_arm(&input.join(format!("arm_{number}.glb")), number);
    }
    put(&input, "tanyard.toml", FEW);
    let claim = serde_json::json!({
        "asset": { "version": "2.0" },
        "accessors": [{ "count": u64::MAX }],
        "meshes": [{ "primitives": [{ "attributes": { "POSITION": 0 } }] }],
    });
    for name in ["x.gltf", "y.gltf"] {
        put(&input, name, claim.to_string());
    }
    let output = folder.path().join("out");
    let mut baked = Vec::new();
    for shard in ["1/2", "2/2"] {
        let (_, report, error) = bake_folder(&input, &output, &["--shard", shard]);
        let part = names(&report, "baked").len();
        // Believed, either would be all the work of one shard, and names alone would part the rest.
        assert!((2..=4).contains(&part), "{part}: {error}");
        baked.push(part);
    }
    assert_eq!(baked.iter().sum::<usize>(), 6);
}

#[test]
fn parts_of_other_lists_make_no_whole() {
    let folder = folder();
    let input = settlement(folder.path());
    let at = |name: &str| folder.path().join(name);
    let part = |number: &str, report: &Path| {
        let words = ["-q", "--shard", number, "--report", word(report)];
        command(&input, &at("out"), &words)
            .output()
            .expect("it runs");
    };
    let (first, second) = (at("1.json"), at("2.json"));
    part("1/2", &first);
    // A file comes between the starts: the second part may have it, and the first may have had another.
    put_arm(&input.join("crowd/late.glb"), 77);
    part("2/2", &second);
    let error = refused(&["report", "merge", word(&first), word(&second)], 3);
    assert!(
        error.contains("run.whole") && error.contains("run all parts again"),
        "{error}"
    );
    part("1/2", &first);
    let whole = tanyard(&["report", "merge", word(&first), word(&second)]);
    let report: Value = serde_json::from_slice(&whole.stdout).expect("a report");
    assert_eq!(report["run"]["counts"]["files"], 11);
}

#[test]
fn results_are_no_inputs_and_those_without_input_are_told() {
    let folder = folder();
    let input = settlement(folder.path());
    fs::remove_file(input.join("crowd/broken.glb")).expect("there");
    // Of an earlier run, into the inputs; later ones go elsewhere.
    let (within, output) = (input.join("baked"), folder.path().join("out"));
    assert_eq!(
        names(&bake_folder(&input, &within, &[]).1, "baked").len(),
        9
    );
    let report = output.join("night.json");
    let run = || {
        let words = ["--report", word(&report)];
        command(&input, &output, &words).output().expect("it runs")
    };
    let first = run();
    assert_eq!(first.status.code(), Some(0), "{}", said(&first));
    let text = fs::read_to_string(&report).expect("a report in the folder of the results");
    let made: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(names(&made, "baked").len(), 9);
    assert!(!said(&first).contains("no input"), "{}", said(&first));
    fs::remove_file(input.join("lone.glb")).expect("there");
    let second = said(&run());
    assert!(
        second.contains("1 results there have no input any more, the first lone.glb"),
        "{second}"
    );
    assert!(output.join("lone.glb").is_file());
    // A plan says what is wrong, and ends as the run would.
    put(
        &input.join("heroes"),
        "tanyard.toml",
        "[fit]\ninfluence = 3\n",
    );
    let plan = tanyard(&["bake", word(&input), "-o", word(&output), "--dry-run"]);
    assert_eq!(plan.status.code(), Some(2));
}

#[test]
fn memory_is_shared_out() {
    let folder = folder();
    let input = settlement(folder.path());
    fs::remove_file(input.join("crowd/broken.glb")).expect("there");
    // Enough for one at a time.
    let (code, report, error) = bake_folder(
        &input,
        &folder.path().join("a"),
        &["--memory", "90M", "--threads", "4"],
    );
    assert_eq!((code, names(&report, "baked").len()), (0, 9), "{error}");
    let peak = report["run"]["peak_memory_bytes"]
        .as_u64()
        .expect("Linux tells");
    assert!(peak < 90 << 20, "{peak}");
    // Jobs that follow each other on several threads: what one freed is not kept beside what the next takes.
    let demos = folder.path().join("demos");
    fs::create_dir(&demos).expect("new");
    for (number, demo) in crate::files::demos().iter().cycle().take(6).enumerate() {
        fs::copy(demo, demos.join(format!("{number}.glb"))).expect("a demo is there");
    }
    put(&demos, "tanyard.toml", crate::bake::QUICK);
    let words = ["--memory", "110M", "--threads", "2"];
    let (code, report, error) = bake_folder(&demos, &folder.path().join("d"), &words);
    assert_eq!((code, names(&report, "baked").len()), (0, 6), "{error}");
    let peak = report["run"]["peak_memory_bytes"]
        .as_u64()
        .expect("Linux tells");
    assert!(peak <= 110 << 20, "{peak}");
    // Less than the guess, but enough: they run alone.
    let (code, _, error) = bake_folder(&input, &folder.path().join("b"), &["--memory", "30M"]);
    assert_eq!(code, 0, "{error}");
    // Less than it takes.
    let (code, report, error) = bake_folder(&input, &folder.path().join("c"), &["--memory", "1M"]);
    assert_eq!((code, names(&report, "failed").len()), (3, 9));
    assert!(
        error.contains("needs about") && error.contains("--memory"),
        "{error}"
    );
    assert!(files_of(&folder.path().join("c")).is_empty());
}

#[test]
fn broken_recipes_fail_their_own_files_only() {
    let folder = folder();
    let input = settlement(folder.path());
    fs::remove_file(input.join("crowd/broken.glb")).expect("there");
    put(
        &input.join("heroes"),
        "tanyard.toml",
        "[fit]\ninfluence = 3\n",
    );
    let (code, report, error) = bake_folder(&input, &folder.path().join("out"), &[]);
    assert_eq!(code, 2, "{error}");
    assert_eq!(names(&report, "failed"), ["heroes/a.gltf", "heroes/b.gltf"]);
    assert_eq!(names(&report, "baked").len(), 7);
    assert!(error.contains("'influences'"), "{error}");
}

#[test]
fn ten_thousand_files() {
    let folder = folder();
    let input = folder.path().join("in");
    fs::create_dir_all(&input).expect("new");
    for number in 0..10_000 {
        let name = format!("{number:05}");
        match number % 250 {
            0 => put_arm(&input.join(name + ".glb"), number),
            1 => drop(put(&input, &(name + ".glb"), "junk")),
            _ => drop(put(&input, &(name + ".txt"), "")),
        }
    }
    put(&input, "tanyard.toml", FEW);
    let output = folder.path().join("out");
    let (code, report, _) = bake_folder(&input, &output, &[]);
    assert_eq!(code, 3);
    assert_eq!(
        (
            names(&report, "baked").len(),
            names(&report, "failed").len()
        ),
        (40, 40)
    );
    let (_, report, _) = bake_folder(&input, &output, &[]);
    assert_eq!(
        (
            names(&report, "unchanged").len(),
            names(&report, "failed").len()
        ),
        (40, 40)
    );
}

#[test]
fn lines_of_json_are_printed_as_files_are_finished() {
    let folder = folder();
    let input = settlement(folder.path());
    let output = command(&input, &folder.path().join("out"), &["--report", "-"])
        .output()
        .expect("it runs");
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    assert_eq!(lines.len(), 11);
    assert!(
        lines[..10]
            .iter()
            .all(|line| line["file"].is_object() && line["run"].is_null())
    );
    assert_eq!(lines[10]["run"]["counts"]["files"], 10);
    assert!(
        lines
            .iter()
            .all(|line| line["schema"] == "tanyard-report/3")
    );
}
