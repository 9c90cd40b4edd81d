//! Runs that are interrupted, killed, crossed by others, or that run out of room: every file is the complete
//! old one or the complete new one, and the next run comes to the same end as an undisturbed one.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::bake::{folder, put};
use crate::farm::{bake_folder, command, copy_tree, files_of, names, put_arm, said};
use crate::files::word;

/// How many runs are killed, and how many interrupted. `TANYARD_CHAOS=200,50` takes some minutes.
fn runs() -> (u32, u32) {
    let asked = std::env::var("TANYARD_CHAOS").ok();
    let asked = asked.map(|text| {
        let counts = text.split_once(',').expect("two numbers");
        let number = |text: &str| text.parse().expect("a number");
        (number(counts.0), number(counts.1))
    });
    asked.unwrap_or((24, 12))
}

type Files = BTreeMap<PathBuf, Vec<u8>>;

/// A folder of characters with the results of an old recipe and of a new one.
struct Stage {
    folder: tempfile::TempDir,
    input: PathBuf,
    recipe: PathBuf,
    old: PathBuf,
    old_files: Files,
    new_files: Files,
    /// How long an undisturbed run takes.
    whole: Duration,
}

impl Stage {
    fn new() -> Self {
        let folder = folder();
        let input = folder.path().join("in");
        for number in 0..16 {
            put_arm(&input.join(format!("{}/{number}.glb", number % 3)), number);
        }
        for number in 16..20 {
            put_arm(&input.join(format!("text/{number}.gltf")), number);
        }
        let poses = "[poses]\nsweep_steps = 4\nheld_out = 8\n";
        let before = put(
            folder.path(),
            "old.toml",
            format!("{poses}blends = 8\n[fit]\ninfluences = 1\n"),
        );
        let recipe = put(folder.path(), "new.toml", format!("{poses}blends = 1000\n"));
        let (old, new) = (folder.path().join("old"), folder.path().join("new"));
        let bake = |output: &Path, recipe: &Path| {
            let run = command(&input, output, &["-q", "--recipe", word(recipe)])
                .output()
                .expect("it runs");
            assert!(run.status.success(), "{}", said(&run));
        };
        bake(&old, &before);
        copy_tree(&old, &new);
        let clock = Instant::now();
        bake(&new, &recipe);
        let whole = clock.elapsed();
        let (old_files, new_files) = (files_of(&old), files_of(&new));
        let differ = old_files
            .iter()
            .filter(|(path, bytes)| new_files.get(*path) != Some(bytes))
            .count();
        assert!(
            differ >= 20,
            "only {differ} results differ between the recipes"
        );
        Self {
            folder,
            input,
            recipe,
            old,
            old_files,
            new_files,
            whole,
        }
    }

    fn start(&self, output: &Path) -> std::process::Child {
        let mut command = command(&self.input, output, &["-q", "--recipe", word(&self.recipe)]);
        command
            .stderr(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("it starts")
    }

    /// A moment within a run, and a little after; the same for the same number.
    fn moment(&self, number: u32) -> Duration {
        // The golden ratio's multiples are spread evenly (Weyl 1916).
        self.whole
            .mul_f64(1.1 * (f64::from(number) * 0.618_033_988_749_894_9).fract())
    }

    /// Nothing is half done: documents are old or new, with the files that they refer to.
    fn check_whole(&self, output: &Path) -> usize {
        let there = files_of(output);
        let mut renewed = 0;
        for path in self.old_files.keys().filter(|path| is_document(path)) {
            let bytes = there
                .get(path)
                .unwrap_or_else(|| panic!("{} is gone", path.display()));
            let (old, new) = (&self.old_files[path], &self.new_files[path]);
            assert!(
                bytes == old || bytes == new,
                "{} is neither old nor new",
                path.display()
            );
            let which = if bytes == new {
                &self.new_files
            } else {
                &self.old_files
            };
            renewed += usize::from(bytes == new);
            if path.extension().is_some_and(|ending| ending == "gltf") {
                let stem = path.with_extension("");
                let sides = which
                    .iter()
                    .filter(|(side, _)| !is_document(side) && starts(side, &stem));
                for (side, bytes) in sides {
                    assert_eq!(
                        there.get(side),
                        Some(bytes),
                        "{} of {}",
                        side.display(),
                        path.display()
                    );
                }
            }
        }
        renewed
    }

    /// The next run comes to the same end as an undisturbed one, without litter.
    fn check_resumed(&self, output: &Path) {
        let run = command(&self.input, output, &["-q", "--recipe", word(&self.recipe)])
            .output()
            .expect("it runs");
        assert!(run.status.success(), "{}", said(&run));
        let there = files_of(output);
        let names = |files: &Files| files.keys().cloned().collect::<Vec<_>>();
        assert_eq!(names(&there), names(&self.new_files));
        assert!(
            there == self.new_files,
            "other bytes than an undisturbed run"
        );
        for entry in files_of(&output.join(".tanyard")).keys() {
            assert!(
                !entry.to_string_lossy().ends_with(".part"),
                "{} is litter",
                entry.display()
            );
        }
    }
}

fn is_document(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending == "glb" || ending == "gltf")
}

fn starts(path: &Path, stem: &Path) -> bool {
    path.to_string_lossy()
        .starts_with(&*format!("{}.", stem.display()))
}

#[test]
fn killed_at_any_moment() {
    let stage = Stage::new();
    let mut partly = 0u32;
    let (runs, _) = runs();
    for number in 0..runs {
        let output = stage.folder.path().join(format!("killed_{number}"));
        copy_tree(&stage.old, &output);
        let mut child = stage.start(&output);
        sleep(stage.moment(number));
        // It may have ended already.
        let _ = child.kill();
        child.wait().expect("it ends");
        let renewed = stage.check_whole(&output);
        partly += u32::from(renewed > 0 && renewed < 20);
        stage.check_resumed(&output);
        fs::remove_dir_all(&output).expect("there");
    }
    println!("{partly} of {runs} runs were killed with some files renewed");
    assert!(
        partly > runs / 10,
        "only {partly} runs were killed midway: the moments are wrong"
    );
}

#[cfg(unix)]
#[test]
fn interrupted_at_any_moment() {
    let stage = Stage::new();
    let mut interrupted = 0;
    let (_, runs) = runs();
    for number in 0..runs {
        let output = stage.folder.path().join(format!("interrupted_{number}"));
        copy_tree(&stage.old, &output);
        let report = stage.folder.path().join("report.json");
        let _ = fs::remove_file(&report);
        let mut command = command(
            &stage.input,
            &output,
            &["-q", "--recipe", word(&stage.recipe)],
        );
        let child = command
            .args(["--report", word(&report)])
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        sleep(stage.moment(number));
        let id = child.id().to_string();
        // It may have ended already.
        let _ = Command::new("kill")
            .args(["-INT", &id])
            .stderr(Stdio::null())
            .status();
        let end = child.wait_with_output().expect("it ends");
        let renewed = stage.check_whole(&output);
        let litter = files_of(&output)
            .into_keys()
            .find(|path| path.to_string_lossy().ends_with(".part"));
        match end.status.code() {
            Some(0) => assert_eq!(renewed, 20),
            Some(130) => {
                interrupted += 1;
                assert_eq!(litter, None);
                let text = fs::read_to_string(&report).expect("a report");
                let report: serde_json::Value = serde_json::from_str(&text).expect("JSON");
                assert_eq!(report["run"]["end"], "interrupted");
                assert!(names(&report, "baked").len() <= renewed);
                assert!(said(&end).contains("interrupted"), "{}", said(&end));
            }
            // Before the command listens, the signal ends it as any other.
            None => assert_eq!(renewed, 0),
            other => panic!("{other:?}: {}", said(&end)),
        }
        stage.check_resumed(&output);
        fs::remove_dir_all(&output).expect("there");
    }
    println!("{interrupted} of {runs} runs were interrupted midway");
    assert!(
        interrupted > runs / 5,
        "only {interrupted} of {runs} runs were interrupted midway"
    );
}

#[cfg(unix)]
#[test]
fn a_run_that_waits_for_another_can_be_interrupted() {
    let folder = folder();
    let (input, output) = (folder.path().join("in"), folder.path().join("out"));
    put_arm(&input.join("a.gltf"), 1);
    put(&input, "tanyard.toml", crate::farm::FEW);
    fs::create_dir(&output).expect("new");
    // As another run holds it while it writes; one that was stopped holds it for ever.
    let other = fs::File::open(&output).expect("a folder");
    other.lock().expect("folders can be locked");
    let mut child = command(&input, &output, &["-q"])
        .stderr(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .expect("it starts");
    // Time to come to the lock; where it does not suffice, less is tested.
    sleep(Duration::from_secs(1));
    let interrupt = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(interrupt.expect("it runs").success());
    let deadline = Instant::now() + Duration::from_secs(60);
    let ended = loop {
        match child.try_wait().expect("it can be asked") {
            Some(status) => break status.code(),
            None if Instant::now() > deadline => break None,
            None => sleep(Duration::from_millis(20)),
        }
    };
    drop(other);
    _ = child.kill();
    assert_eq!(ended, Some(130));
    assert!(files_of(&output).is_empty());
}

#[test]
fn two_runs_at_once() {
    let stage = Stage::new();
    for number in 0..4 {
        let output = stage.folder.path().join(format!("twice_{number}"));
        copy_tree(&stage.old, &output);
        let (mut first, mut second) = (stage.start(&output), stage.start(&output));
        assert!(first.wait().expect("it ends").success());
        assert!(second.wait().expect("it ends").success());
        assert!(
            files_of(&output) == stage.new_files,
            "two runs at once left something else"
        );
        stage.check_resumed(&output);
    }
}

/// Runs a script as the root of a user namespace of its own, where it may mount; `None` where that is not
/// possible.
#[cfg(target_os = "linux")]
fn in_namespace(script: &str, arguments: &[&str]) -> Option<std::process::Output> {
    let run = |script: &str, arguments: &[&str]| {
        let mut command = Command::new("unshare");
        command.args([
            "--user",
            "--map-root-user",
            "--mount",
            "sh",
            "-ec",
            script,
            "sh",
        ]);
        command.args(arguments).output().ok()
    };
    let folder = folder();
    let may = run(
        "mount -t tmpfs -o size=1m tmpfs \"$1\"",
        &[word(folder.path())],
    );
    if !may.is_some_and(|output| output.status.success()) {
        println!("no user namespaces here: passed over");
        return None;
    }
    run(script, arguments)
}

#[cfg(target_os = "linux")]
#[test]
fn work_does_not_depend_on_those_who_read_along() {
    let folder = folder();
    let input = folder.path().join("in");
    for number in 0..3 {
        put_arm(&input.join(format!("{number}.glb")), number);
    }
    put(&input, "tanyard.toml", crate::farm::FEW);
    let full = || {
        fs::File::options()
            .write(true)
            .open("/dev/full")
            .expect("it is there")
    };
    let (reader, closed) = std::io::pipe().expect("a pipe");
    drop(reader);
    let ends: [(&str, Stdio); 2] = [("full", full().into()), ("closed", closed.into())];
    for (name, end) in ends {
        let output = folder.path().join(name);
        let run = command(&input, &output, &[]).stderr(end).output();
        assert_eq!(run.expect("it runs").status.code(), Some(0), "{name}");
        assert_eq!(files_of(&output).len(), 3, "{name}");
    }
    let nowhere = word(&input.join("none.glb")).to_owned();
    let refused = crate::farm::command(Path::new(&nowhere), &folder.path().join("o.glb"), &[])
        .stderr(full())
        .stdout(Stdio::null())
        .status();
    assert_eq!(refused.expect("it runs").code(), Some(3));
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_fails_what_has_no_room_and_nothing_else() {
    let folder = folder();
    let input = folder.path().join("in");
    for number in 0..6 {
        put_arm(&input.join(format!("{number}.glb")), number);
    }
    // One that is larger than the disk.
    let mut large = crate::farm::numbered_arm(9);
    large.bin.resize(600_000, 7);
    large.json["buffers"] = serde_json::json!([{ "byteLength": 600_000 }]);
    put(&input, "large.glb", large.glb());
    put(&input, "tanyard.toml", crate::farm::FEW);
    let (small, report) = (
        folder.path().join("small"),
        folder.path().join("report.json"),
    );
    fs::create_dir(&small).expect("new");
    let script = "mount -t tmpfs -o size=256k tmpfs \"$3\"\ncode=0\n\"$1\" bake \"$2\" -o \"$3/out\" --report \"$4\" || code=$?\n\
                  find \"$3\" -name '*.part' | sed 's/^/litter /'\nfind \"$3/out\" -name '*.glb' | wc -l\nexit $code";
    let words = [
        env!("CARGO_BIN_EXE_tanyard"),
        word(&input),
        word(&small),
        word(&report),
    ];
    let Some(output) = in_namespace(script, &words) else {
        return;
    };
    let (out, error) = (
        String::from_utf8_lossy(&output.stdout).into_owned(),
        said(&output),
    );
    assert_eq!(output.status.code(), Some(3), "{error}");
    assert!(
        error.contains("large.glb") && error.contains("No space left"),
        "{error}"
    );
    assert!(!out.contains("litter"), "{out}");
    assert!(out.trim_end().ends_with('6'), "{out}");
    let report: serde_json::Value =
        serde_json::from_slice(&fs::read(report).expect("a report")).expect("JSON");
    assert_eq!(names(&report, "failed"), ["large.glb"]);
}

#[cfg(target_os = "linux")]
#[test]
fn what_may_not_be_read_or_written_fails_alone() {
    let folder = folder();
    let input = folder.path().join("in");
    for number in 0..3 {
        put_arm(&input.join(format!("open/{number}.glb")), number);
        put_arm(&input.join(format!("shut/{number}.glb")), number);
    }
    put(&input, "tanyard.toml", crate::farm::FEW);
    let (output, report) = (folder.path().join("out"), folder.path().join("report.json"));
    fs::create_dir_all(output.join("shut")).expect("new");
    let script = "mount --bind \"$3/shut\" \"$3/shut\"\nmount -o remount,ro,bind \"$3/shut\"\n\
                  \"$1\" bake \"$2\" -o \"$3\" --report \"$4\"";
    let words = [
        env!("CARGO_BIN_EXE_tanyard"),
        word(&input),
        word(&output),
        word(&report),
    ];
    let Some(end) = in_namespace(script, &words) else {
        return;
    };
    assert_eq!(end.status.code(), Some(3), "{}", said(&end));
    let text = said(&end);
    assert!(
        text.contains("shut/1.glb") && text.contains("Read-only"),
        "{text}"
    );
    let report: serde_json::Value =
        serde_json::from_slice(&fs::read(report).expect("a report")).expect("JSON");
    assert_eq!(names(&report, "baked").len(), 3);
    assert_eq!(
        names(&report, "failed"),
        ["shut/0.glb", "shut/1.glb", "shut/2.glb"]
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_folder_without_permission_is_a_failure_that_names_it() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let input = folder.path().join("in");
    put_arm(&input.join("open/1.glb"), 1);
    put_arm(&input.join("shut/2.glb"), 2);
    put_arm(&input.join("3.glb"), 3);
    let mode = |path: &Path, bits: u32| {
        fs::set_permissions(path, fs::Permissions::from_mode(bits)).expect("ours");
    };
    // Root may read everything: another user runs the command, where that is possible.
    let binary = folder.path().join("tanyard");
    fs::copy(env!("CARGO_BIN_EXE_tanyard"), &binary).expect("it can be copied");
    mode(folder.path(), 0o777);
    mode(&input.join("shut"), 0);
    mode(&input.join("3.glb"), 0);
    let output = folder.path().join("out");
    let run = Command::new("setpriv")
        .args(["--reuid", "65534", "--regid", "65534", "--clear-groups"])
        .arg(&binary)
        .args(["bake", word(&input), "-o", word(&output)])
        .output();
    let end = match run {
        Ok(end) if !said(&end).contains("setpriv") => end,
        _ => {
            println!("no other user here: passed over");
            mode(&input.join("shut"), 0o755);
            return;
        }
    };
    mode(&input.join("shut"), 0o755);
    let text = said(&end);
    assert_eq!(end.status.code(), Some(3), "{text}");
    assert!(
        text.contains("shut: ") && text.contains("3.glb: ") && text.contains("ermission denied"),
        "{text}"
    );
    assert!(output.join("open/1.glb").is_file(), "{text}");
}

#[test]
fn a_file_that_vanishes_fails_alone() {
    let folder = folder();
    let input = folder.path().join("in");
    put_arm(&input.join("a.glb"), 1);
    if cfg!(unix) {
        // Found in the folder, gone when it is opened.
        std::os::unix::fs::symlink("nowhere.glb", input.join("gone.glb")).expect("a link");
    }
    let (code, report, error) = bake_folder(&input, &folder.path().join("out"), &[]);
    assert_eq!(
        (code, names(&report, "baked")),
        (3, vec!["a.glb".to_owned()])
    );
    assert!(
        error.contains("gone.glb") && error.contains("No such file"),
        "{error}"
    );
}
