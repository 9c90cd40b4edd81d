//! Where the recipe of a character comes from, and `tanyard recipe`.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use tanyard::recipe::{Recipe, RecipeFile, Recipes, STARTER};

use crate::bake::{QUICK, folder, put};
use crate::files::{demos, refused, tanyard, tanyard_ok, word};
use crate::report::assert_published;

/// A folder with folders in it.
fn folders(names: &[&str]) -> tempfile::TempDir {
    let folder = folder();
    for name in names {
        fs::create_dir_all(folder.path().join(name)).expect("a temporary folder can be written");
    }
    folder
}

#[test]
fn published_schema_is_that_of_recipes() {
    let made = tanyard_ok(&["recipe", "--schema"]);
    assert_eq!(made, tanyard::recipe::json_schema());
    assert!(made.contains("\"$id\": \"urn:tanyard-recipe:1\"") && !made.contains("null"));
    assert_published("recipe.schema.json", &made);
}

#[test]
fn nearest_recipe_holds_and_nothing_is_merged_from_above() {
    let folder = folders(&["a/b/c", "d"]);
    let root = folder.path();
    put(root, "tanyard.toml", "[fit]\ninfluences = 2\nprune = 0.1\n");
    put(&root.join("a/b"), "tanyard.toml", "[fit]\ninfluences = 3\n");
    let recipes = Recipes::new(None).expect("nothing is read yet");
    for (input, influences, prune, file) in [
        ("x.glb", 2, 0.1, "tanyard.toml"),
        ("a/x.glb", 2, 0.1, "tanyard.toml"),
        ("a/b/x.glb", 3, 5e-4, "a/b/tanyard.toml"),
        ("a/b/c/x.glb", 3, 5e-4, "a/b/tanyard.toml"),
        ("a/b/../../d/x.glb", 2, 0.1, "tanyard.toml"),
    ] {
        let input = root.join(input);
        let found = recipes.of(&input).expect("a recipe");
        assert_eq!(found.recipe.fit.influences, influences, "{input:?}");
        assert_eq!(found.recipe.fit.prune, prune, "{input:?}");
        assert_eq!(found.file, Some(root.join(file)), "{input:?}");
        assert_eq!(RecipeFile::find(&input), found.file);
    }
}

/// The file is gone after the first answer: the others cannot come from it.
#[test]
fn each_recipe_is_read_once() {
    let folder = folders(&["a/b", "c"]);
    let file = put(folder.path(), "tanyard.toml", "[fit]\ninfluences = 2\n");
    let recipes = Arc::new(Recipes::new(None).expect("nothing is read yet"));
    let first = recipes
        .of(&folder.path().join("a/b/x.glb"))
        .expect("a recipe");
    fs::remove_file(file).expect("it is there");
    std::thread::scope(|scope| {
        for name in ["a/b/y.glb", "a/x.glb", "x.glb", "c/x.glb"] {
            let (recipes, input) = (Arc::clone(&recipes), folder.path().join(name));
            let first = &first;
            scope.spawn(move || assert_eq!(recipes.of(&input).expect("a recipe"), *first));
        }
    });
}

#[test]
#[cfg(unix)]
fn links_are_taken_as_they_stand() {
    let folder = folders(&["real", "seen"]);
    let root = folder.path();
    put(
        &root.join("real"),
        "tanyard.toml",
        "[fit]\ninfluences = 2\n",
    );
    put(
        &root.join("seen"),
        "tanyard.toml",
        "[fit]\ninfluences = 3\n",
    );
    put(&root.join("real"), "x.glb", "");
    std::os::unix::fs::symlink(root.join("real/x.glb"), root.join("seen/x.glb")).expect("a link");
    let found = Recipes::new(None)
        .expect("none read")
        .of(&root.join("seen/x.glb"));
    assert_eq!(found.expect("a recipe").recipe.fit.influences, 3);
}

#[test]
fn bake_and_poses_use_the_nearest_recipe() {
    let folder = folders(&["crowd"]);
    let root = folder.path();
    let input = root.join("crowd/newt.glb");
    fs::copy(&demos()[2], &input).expect("a demo can be copied");
    let dry = |more: &[&str]| {
        let mut words = vec!["bake", word(&input), "--dry-run"];
        words.extend(more);
        tanyard_ok(&words)
    };
    let second = |text: &str| text.lines().nth(1).unwrap_or_default().to_owned();
    assert_eq!(second(&dry(&[])), "  recipe: defaults");

    let overrides = "[[character]]\npath = \"crowd/*\"\nlayer = []\nposes.held_out = 3\n";
    let near = put(root, "tanyard.toml", format!("{QUICK}{overrides}"));
    let text = dry(&[]);
    assert_eq!(second(&text), format!("  recipe: {}", near.display()));
    assert!(
        text.contains("layers: none") && text.contains("3 held out"),
        "{text}"
    );

    // Globs of a recipe that is named begin at its own folder, and here match nothing.
    let other = put(
        &root.join("crowd"),
        "other.toml",
        format!("{QUICK}{overrides}"),
    );
    let text = dry(&["--recipe", word(&other)]);
    assert_eq!(second(&text), format!("  recipe: {}", other.display()));
    assert!(
        text.contains("layers: relax") && text.contains("8 held out"),
        "{text}"
    );

    let poses = root.join("poses.json");
    let text = tanyard_ok(&["poses", word(&input), "--held-out", "-o", word(&poses)]);
    assert!(text.contains(": 3 poses"), "{text}");

    // What is read is not written over, also where nobody named it.
    let broken = put(
        &root.join("crowd"),
        "tanyard.toml",
        "[fit]\ninfluence = 3\n",
    );
    let error = refused(&["bake", word(&input), "--dry-run"], 2);
    assert!(error.contains("line 2: fit.influence"), "{error}");
    fs::write(&broken, QUICK).expect("it can be written");
    let output = root.join("crowd/out.glb");
    let words = [
        "bake",
        word(&input),
        "-o",
        word(&output),
        "--report",
        word(&broken),
    ];
    let error = refused(&words, 2);
    assert!(error.contains("a target of its own"), "{error}");
    assert_eq!(fs::read_to_string(&broken).expect("still there"), QUICK);
}

#[test]
fn what_is_no_recipe_is_said() {
    let folder = folders(&["folder/tanyard.toml", "large", "words", "junk"]);
    let root = folder.path();
    put(
        &root.join("large"),
        "tanyard.toml",
        vec![b'#'; (1 << 20) + 1],
    );
    put(&root.join("words"), "tanyard.toml", b"[fit]\n# \xff\xfe\n");
    put(
        &root.join("junk"),
        "tanyard.toml",
        "\u{1}{{[[".repeat(1 << 17),
    );
    for (name, said) in [
        ("folder", "no plain file"),
        ("large", "at most 1 MiB, found a file of 1048577 bytes"),
        ("words", "UTF-8"),
        ("junk", "line 1: expected TOML"),
    ] {
        let input = root.join(name).join("x.glb");
        let error = refused(&["bake", word(&input), "--dry-run"], 2);
        assert!(
            error.contains(said) && error.contains("tanyard.toml"),
            "{name}: {error}"
        );
        assert!(error.len() < 2000, "{name}: {} characters", error.len());
        let file = root.join(name).join("tanyard.toml");
        let error = refused(&["recipe", "--check", word(&file)], 2);
        assert!(error.contains(said), "{name}: {error}");
    }
    let error = refused(&["recipe", "--check", word(&root.join("none.toml"))], 2);
    assert!(error.contains("none.toml"), "{error}");
}

#[test]
fn starter_is_printed_or_written_where_nothing_is() {
    assert_eq!(tanyard_ok(&["recipe"]), STARTER);
    let folder = folder();
    let file = folder.path().join("tanyard.toml");
    assert_eq!(tanyard_ok(&["recipe", "-o", word(&file)]), "");
    assert_eq!(fs::read_to_string(&file).expect("written"), STARTER);
    fs::write(&file, "mine").expect("it can be written");
    let error = refused(&["recipe", "-o", word(&file)], 2);
    assert!(error.contains("tanyard.toml"), "{error}");
    assert_eq!(fs::read_to_string(&file).expect("still there"), "mine");
}

#[test]
fn check_names_every_fault_of_every_recipe() {
    let folder = folders(&["a", "b", "c"]);
    let root = folder.path();
    put(&root.join("a"), "tanyard.toml", STARTER);
    let good = tanyard_ok(&["recipe", "--check", word(root)]);
    assert_eq!(
        good,
        format!("{}: good\n", root.join("a/tanyard.toml").display())
    );

    let many: String = (0..30).map(|n| format!("key_{n} = 1\n")).collect();
    put(&root.join("b"), "tanyard.toml", format!("[fit]\n{many}"));
    put(
        &root.join("c"),
        "tanyard.toml",
        "[limits]\nrms_pixels = 1\n",
    );
    put(&root.join("c"), "other.toml", "junk");
    let output = tanyard(&["recipe", "--check", word(root)]);
    assert_eq!(output.status.code(), Some(2));
    let verdicts = String::from_utf8_lossy(&output.stdout).replace(word(root), "");
    let sep = std::path::MAIN_SEPARATOR;
    let line = |name, verdict| format!("  {sep}{name}{sep}tanyard.toml: {verdict}\n");
    let expected = "FAILED: 3 recipes: 1 good, 2 not\n".to_owned()
        + &line("a", "good")
        + &line("b", "30 faults")
        + &line("c", "1 fault");
    assert_eq!(verdicts, expected);
    let faults = String::from_utf8_lossy(&output.stderr).into_owned();
    for n in 0..30 {
        assert!(
            faults.contains(&format!("line {}: fit.key_{n}:", n + 2)),
            "{faults}"
        );
    }
    assert!(
        faults.contains("line 2: limits.rms_pixels: expected height_pixels"),
        "{faults}"
    );

    let none = folders(&["a"]);
    let error = refused(&["recipe", "--check", word(none.path())], 2);
    assert!(error.contains("expected a tanyard.toml in it"), "{error}");
    // One good file does not make up for a folder without any.
    let good = root.join("a");
    refused(&["recipe", "--check", word(&good), word(none.path())], 2);
}

#[test]
fn show_prints_the_recipe_of_a_character_as_a_recipe() {
    let folder = folders(&["crowd"]);
    let root = folder.path();
    let input = put(&root.join("crowd"), "x.glb", "");
    let parse =
        |text: &str| Recipe::parse(Path::new("shown"), text).expect("what is shown is a recipe");
    let shown = tanyard_ok(&["recipe", "--show", word(&input)]);
    assert!(shown.starts_with("# recipe: defaults\n"), "{shown}");
    assert_eq!(parse(&shown), Recipe::default());

    let text = "[fit]\nprune = 0.01\n[limits]\nbaseline = \"last.json\"\n\
                [[character]]\npath = \"crowd/**\"\nfit.influences = 2\n";
    let near = put(root, "tanyard.toml", text);
    let shown = tanyard_ok(&["recipe", "--show", word(&input)]);
    assert!(
        shown.starts_with(&format!("# recipe: {}\n", near.display())),
        "{shown}"
    );
    assert!(
        shown.contains("influences = 2  # tanyard.toml:7 ([[character]] crowd/**)\n"),
        "{shown}"
    );
    assert!(
        shown.contains("prune = 0.01  # tanyard.toml:2\n"),
        "{shown}"
    );
    let used = Recipes::new(None)
        .expect("none read")
        .of(&input)
        .expect("a recipe");
    assert_eq!(parse(&shown), used.recipe);
    assert_eq!(used.recipe.limits.baseline, Some(root.join("last.json")));

    let other = put(root, "other.toml", "[fit]\ninfluences = 7\n");
    let shown = tanyard_ok(&["recipe", "--show", word(&input), "--recipe", word(&other)]);
    assert!(
        shown.contains("influences = 7  # other.toml:2\n"),
        "{shown}"
    );
    let error = refused(&["recipe", "--show", word(&root.join("y.glb"))], 3);
    assert!(error.contains("y.glb"), "{error}");
}

#[test]
fn words_that_do_not_go_together_are_refused() {
    for words in [
        &["--check", "--schema"][..],
        &["--check", "--show", "x"],
        &["--schema", "--show", "x"],
        &["--schema", "-o", "x"],
        &["--show", "x", "-o", "y"],
        &["--check", "-o", "y"],
        &["--recipe", "x"],
        &["--check", "--recipe", "x"],
        &["tanyard.toml"],
    ] {
        let words: Vec<&str> = ["recipe"].iter().chain(words).copied().collect();
        let error = refused(&words, 2);
        assert!(error.contains("--help"), "{words:?}: {error}");
    }
}
