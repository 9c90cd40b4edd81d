//! Pictures: what `tanyard picture` and `bake --picture` draw, on real characters.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use tanyard::picture::{Shot, Studio, Style, Subject, ramp};
use tanyard::units::parse_bytes;

use crate::asset_kit::{arm, unused_skin};
use crate::bake::{QUICK, folder, put};
use crate::farm::{FEW, bake_folder, put_arm};
use crate::files::{demos, refused, tanyard, tanyard_ok, word};

/// Pixels, row after row.
struct Pixels {
    size: [u32; 2],
    bytes: Vec<u8>,
}

/// Reads a picture with a decoder of its own standing.
fn pixels(png: &[u8]) -> Pixels {
    let mut reader = png::Decoder::new(std::io::Cursor::new(png))
        .read_info()
        .expect("a PNG file");
    let mut bytes = vec![0; reader.output_buffer_size().expect("of some size")];
    let info = reader.next_frame(&mut bytes).expect("whole");
    assert_eq!(info.color_type, png::ColorType::Rgb);
    assert!(reader.info().srgb.is_some(), "it says that it is sRGB");
    Pixels {
        size: [info.width, info.height],
        bytes,
    }
}

/// How much two pictures differ: the mean of all channels' differences, and the share of pixels with a difference
/// above 32 of 255 in a channel.
fn difference(a: &Pixels, b: &Pixels) -> (f64, f64) {
    assert_eq!(a.size, b.size);
    let off = |(a, b): (&u8, &u8)| f64::from(a.abs_diff(*b));
    let sum: f64 = a.bytes.iter().zip(&b.bytes).map(off).sum();
    let pairs = a.bytes.chunks_exact(3).zip(b.bytes.chunks_exact(3));
    let many = pairs.filter(|(a, b)| a.iter().zip(*b).any(|(a, b)| a.abs_diff(*b) > 32));
    let count = a.bytes.len() as f64;
    (sum / count, many.count() as f64 * 3.0 / count)
}

/// Rounding differs from machine to machine in the last bits of f32. A sample at an edge may then show the other
/// side: a ninth of a pixel's contrast, at a few pixels. The same figures are a digit off at most, in a heading.
const MEAN: f64 = 0.05;
const SHARE: f64 = 0.0005;

#[test]
fn pictures_are_those_that_are_kept() {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/kept/picture");
    let made = folder();
    let (newt, baked) = (&demos()[2], made.path().join("newt.glb"));
    let recipe = put(made.path(), "quick.toml", QUICK);
    let with = ["--recipe", word(&recipe)];
    tanyard_ok(&[&["bake", word(newt), "-o", word(&baked), "-q"], &with[..]].concat());
    let show = "difference,regions,influences,pieces,outliers";
    let draw = [
        "picture",
        word(&baked),
        "--source",
        word(newt),
        "--show",
        show,
        "--joint",
        "tail_4",
        "--worst",
        "1",
        "--size",
        "640x400",
        "-o",
        word(made.path()),
    ];
    tanyard_ok(&[&draw[..], &with[..]].concat());
    let names = [
        "worst-1",
        "bind",
        "regions",
        "influences",
        "pieces",
        "outliers",
        "weights-tail_4",
    ];
    for name in names {
        let file = format!("newt.{name}.png");
        let drawn = fs::read(made.path().join(&file)).expect("drawn");
        let path = kept.join(&file);
        if std::env::var_os("TANYARD_REMAKE").is_some() {
            fs::create_dir_all(&kept).expect("a folder");
            fs::write(&path, &drawn).expect("written");
        }
        let old = fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let (mean, share) = difference(&pixels(&drawn), &pixels(&old));
        assert!(mean <= MEAN && share <= SHARE, "{file}: {mean}, {share}");
    }
    // Others would say so too late.
    let (a, b) = (kept.join("newt.bind.png"), kept.join("newt.worst-1.png"));
    let read = |path: PathBuf| pixels(&fs::read(path).expect("kept"));
    let (mean, share) = difference(&read(a), &read(b));
    assert!(
        mean > 10.0 * MEAN && share > 10.0 * SHARE,
        "the tolerance tells pictures apart: {mean}, {share}"
    );
}

#[test]
fn pictures_are_the_same_bytes_on_any_number_of_threads() {
    let made = folder();
    let recipe = put(made.path(), "quick.toml", QUICK);
    let draw = |threads: &str| {
        let to = made.path().join(threads);
        tanyard_ok(&[
            "picture",
            word(&demos()[1]),
            "--recipe",
            word(&recipe),
            "--show",
            "difference,regions",
            "--size",
            "960x540",
            "--threads",
            threads,
            "-o",
            word(&to),
        ]);
        let mut files: Vec<_> = fs::read_dir(&to)
            .expect("made")
            .map(|e| e.expect("listed").path())
            .collect();
        files.sort();
        assert_eq!(files.len(), 5);
        let name = |path: &PathBuf| path.file_name().expect("a file").to_owned();
        files
            .iter()
            .map(|file| (name(file), blake3::hash(&fs::read(file).expect("whole"))))
            .collect::<Vec<_>>()
    };
    let one = draw("1");
    assert_eq!(draw("2"), one);
    assert_eq!(draw("5"), one);
}

/// A box bent one way as reference, another as baked.
fn shot() -> (Vec<[f32; 3]>, Vec<[u32; 3]>, Shot) {
    let (kit_points, triangles) = column();
    let bent = |by: f32| {
        // One corner is off by most: rounding must not choose among equals.
        let bend = |&[x, y, z]: &[f32; 3]| [x + by * y * y * (1.0 + 0.1 * x + 0.1 * z), y, z];
        kit_points.iter().map(bend).collect::<Vec<_>>()
    };
    let shot = Shot {
        name: "worst-1".into(),
        pose: "bent".into(),
        held_out: Some(true),
        reference: bent(0.2),
        baked: bent(0.17),
    };
    (kit_points, triangles, shot)
}

/// A column along y, closed at both ends, alike from no two sides.
fn column() -> (Vec<[f32; 3]>, Vec<[u32; 3]>) {
    let mut points = Vec::new();
    for ring in 0..=8 {
        let y = ring as f32 / 4.0;
        for [x, z] in [[-0.3, -0.2], [-0.36, 0.21], [0.31, 0.26], [0.22, -0.17]] {
            points.push([x, y, z]);
        }
    }
    let mut triangles = Vec::new();
    for ring in 0..8u32 {
        for side in 0..4 {
            let (a, b) = (4 * ring + side, 4 * ring + (side + 1) % 4);
            triangles.extend([[a, b, a + 4], [b, b + 4, a + 4]]);
        }
    }
    triangles.extend([[0, 3, 1], [1, 3, 2], [32, 33, 35], [33, 34, 35]]);
    (points, triangles)
}

fn diagonal(points: &[[f32; 3]]) -> f64 {
    let extent = |i: usize| {
        let values = points.iter().map(|p| f64::from(p[i]));
        values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min)
    };
    (0..3).map(|i| extent(i).powi(2)).sum::<f64>().sqrt()
}

/// The same character in centimetres, lying on its side, and mirrored by its root: what is drawn is the same.
#[test]
fn pictures_know_nothing_of_scale_and_axes() {
    let (points, triangles, shot) = shot();
    let draw = |points: &[[f32; 3]], triangles: &[[u32; 3]], to_scene, scale: f64, shot: &Shot| {
        let diagonal = diagonal(points);
        let studio = Studio {
            name: "column".into(),
            subject: Subject::new(points, triangles, to_scene, diagonal),
            unit: diagonal / 100.0 * scale,
            style: Style {
                size: [600, 400],
                ..Style::default()
            },
        };
        pixels(&studio.difference(shot).png)
    };
    let plain = draw(
        &points,
        &triangles,
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        1.0,
        &shot,
    );
    // Mesh space (x, y, z) for scene (x, z, −y), a hundred times as large; and one with x turned over, for which
    // triangles run the other way.
    type Map = fn(&[f32; 3]) -> [f32; 3];
    let other: [(Map, [[f64; 3]; 3], bool); 2] = [
        (
            |p| [100.0 * p[0], -100.0 * p[2], 100.0 * p[1]],
            [[0.01, 0.0, 0.0], [0.0, 0.0, 0.01], [0.0, -0.01, 0.0]],
            false,
        ),
        (
            |p| [-p[0], p[1], p[2]],
            [[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            true,
        ),
    ];
    for (map, to_scene, turned) in other {
        let moved = |points: &[[f32; 3]]| points.iter().map(map).collect::<Vec<_>>();
        let shot = Shot {
            reference: moved(&shot.reference),
            baked: moved(&shot.baked),
            ..shot.clone()
        };
        let turn = |&[a, b, c]: &[u32; 3]| if turned { [a, c, b] } else { [a, b, c] };
        let triangles: Vec<[u32; 3]> = triangles.iter().map(turn).collect();
        let scale = if turned { 1.0 } else { 0.01 };
        let drawn = draw(&moved(&points), &triangles, to_scene, scale, &shot);
        let (mean, share) = difference(&plain, &drawn);
        assert!(mean <= MEAN && share <= SHARE, "{mean}, {share}");
    }
}

/// The greatest difference, in the last colour of the ramp, is seen: the picture has its colour where a shape that
/// is right has none.
#[test]
fn what_is_wrong_shows_in_its_colour() {
    let (points, triangles, shot) = shot();
    let diagonal = diagonal(&points);
    let studio = Studio {
        name: "column".into(),
        subject: Subject::new(
            &points,
            &triangles,
            [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            diagonal,
        ),
        unit: diagonal / 100.0,
        style: Style {
            size: [600, 400],
            ..Style::default()
        },
    };
    let dark = |still: &[u8]| {
        let pixels = pixels(still);
        let [r, g, b] = ramp(1.0);
        // The legend has it too, below.
        let above = pixels.size[1] as usize * 3 / 4 * pixels.size[0] as usize * 3;
        let near = |p: &[u8]| p[0] <= r && p[1] <= g && p[2] <= b && p[2] > p[1];
        pixels.bytes[..above]
            .chunks_exact(3)
            .filter(|p| near(p))
            .count()
    };
    let still = studio.difference(&shot);
    assert!(dark(&still.png) > 200, "{}", dark(&still.png));
    // A corner of the tip is off by 0.03·2²·(1 + 0.1·(0.31 + 0.26)).
    let expected = 100.0 * 0.03 * 4.0 * 1.057 / diagonal;
    assert!(
        still
            .description
            .contains(&format!("greatest {expected:.2} %")),
        "{}",
        still.description
    );
    let right = Shot {
        reference: shot.baked.clone(),
        ..shot
    };
    assert_eq!(dark(&studio.difference(&right).png), 0);
}

#[test]
fn a_bake_draws_what_it_wrote() {
    let place = folder();
    let recipe = put(place.path(), "quick.toml", QUICK);
    let input = &demos()[0];
    let (output, stills) = (place.path().join("out.glb"), place.path().join("stills"));
    tanyard_ok(&[
        "bake",
        word(input),
        "-o",
        word(&output),
        "--recipe",
        word(&recipe),
        "--picture",
        word(&stills),
        "-q",
    ]);
    let again = place.path().join("again");
    tanyard_ok(&[
        "picture",
        word(&output),
        "--source",
        word(input),
        "--recipe",
        word(&recipe),
        "-o",
        word(&again),
        "-q",
    ]);
    for name in ["bind", "worst-1", "worst-2", "worst-3"] {
        let [a, b] = [(&stills, name), (&again, name)].map(|(folder, name)| {
            let file = match folder == &stills {
                true => format!("bog_ox.{name}.png"),
                false => format!("out.{name}.png"),
            };
            fs::read(folder.join(file)).expect("drawn")
        });
        // The weights in the file are those that were drawn, to the bit.
        assert!(a == b, "{name}");
    }
}

/// What a bake with pictures says that it needs is enough.
#[test]
fn drawing_stays_within_memory() {
    let place = folder();
    let at = |name: &str| place.path().join(name);
    let recipe = put(place.path(), "quick.toml", QUICK);
    let (output, report, stills) = (at("out.glb"), at("report.json"), at("stills"));
    let run = |memory: &str| {
        tanyard(&[
            "bake",
            word(&demos()[1]),
            "-o",
            word(&output),
            "--recipe",
            word(&recipe),
            "--picture",
            word(&stills),
            "--memory",
            memory,
            "--report",
            word(&report),
            "--threads",
            "1",
            "-q",
        ])
    };
    let error = String::from_utf8_lossy(&run("40M").stderr).into_owned();
    let needed = error
        .split("needs about ")
        .nth(1)
        .and_then(|rest| rest.split(" of memory").next());
    let needed = needed.unwrap_or_else(|| panic!("{error}")).replace(' ', "");
    assert!(!stills.join("marsh_tanner.bind.png").exists());
    // The figure is rounded to a digit after the point: a little more than half of that may lack.
    let bytes = parse_bytes(&needed).expect("a size") + (1 << 17);
    let end = run(&bytes.to_string());
    assert!(
        end.status.success(),
        "{}",
        String::from_utf8_lossy(&end.stderr)
    );
    let text = fs::read_to_string(&report).expect("written");
    let report: Value = serde_json::from_str(&text).expect("JSON");
    let peak = report["run"]["peak_memory_bytes"]
        .as_u64()
        .expect("Linux tells");
    assert!(peak <= bytes, "{peak} of {bytes}");
}

#[test]
fn pictures_of_a_folder_lie_as_its_files_do_and_are_drawn_again_when_nothing_is_baked() {
    let place = folder();
    let (from, to, stills) = (
        place.path().join("in"),
        place.path().join("out"),
        place.path().join("stills"),
    );
    put_arm(&from.join("a.glb"), 1);
    put_arm(&from.join("deep/b.glb"), 2);
    put(&from, "tanyard.toml", FEW);
    let run = || bake_folder(&from, &to, &["--picture", word(&stills)]);
    run();
    let files = [
        "a.glb.worst-1.png",
        "a.glb.bind.png",
        "deep/b.glb.worst-1.png",
        "deep/b.glb.bind.png",
    ];
    let first = files.map(|file| fs::read(stills.join(file)).expect(file));
    fs::remove_dir_all(&stills).expect("there");
    let (code, report, _) = run();
    assert_eq!(code, 0);
    assert_eq!(report["run"]["counts"]["unchanged"], 2);
    assert!(files.map(|file| fs::read(stills.join(file)).expect(file)) == first);
}

#[test]
fn what_cannot_be_drawn_is_refused() {
    let place = folder();
    let at = |name: &str| place.path().join(name);
    let (bound, unbound) = (
        put(place.path(), "bound.glb", arm().glb()),
        put(place.path(), "unbound.glb", unused_skin().glb()),
    );
    let recipe = put(place.path(), "few.toml", FEW);
    let with = |words: &[&str]| {
        let mut all = vec!["picture", words[0], "--recipe", word(&recipe)];
        all.extend(&words[1..]);
        let code = if words.contains(&"3") { 3 } else { 2 };
        all.retain(|w| *w != "3");
        refused(&all, code)
    };
    let stills = at("stills");
    let to = ["-o", word(&stills)];
    let cases: [(&[&str], &[&str]); 6] = [
        (&["--joint", "elbw"], &["--joint", "elbw", "a joint of"]),
        (
            &["--pose", "nonsense"],
            &["--pose", "nonsense", "tanyard poses"],
        ),
        (&["--skin", "7"], &["--skin", "one of"]),
        (&["--size", "10x10"], &["WIDTHxHEIGHT", "480x240"]),
        (&["--top", "0"], &["above 0"]),
        (&["--show", "nonsense"], &["difference", "regions"]),
    ];
    for (words, said) in cases {
        let error = with(&[&[word(&bound)], words, &to].concat());
        for text in said {
            assert!(error.contains(text), "{words:?}: {error}");
        }
    }
    let many = at("many.png");
    let error = with(&[word(&bound), "-o", word(&many)]);
    assert!(error.contains("one picture for one file"), "{error}");
    assert!(!many.exists());
    let error = with(&[word(&unbound), "3", "-o", word(&stills)]);
    assert!(
        error.contains("unbound.glb") && error.contains("weights"),
        "{error}"
    );
    // Without weights, the bind can be shown all the same.
    tanyard_ok(&[
        "picture",
        word(&unbound),
        "--show",
        "regions,pieces",
        "-o",
        word(&stills),
        "-q",
    ]);
    let error = with(&["nowhere.glb", "3", "-o", word(&stills)]);
    assert!(error.contains("nowhere.glb"), "{error}");
    // In the way.
    let file = put(place.path(), "file", "x");
    let error = with(&[word(&bound), "3", "-o", word(&file)]);
    assert!(error.contains("file"), "{error}");
    assert_eq!(fs::read(&file).expect("there"), b"x");
}
