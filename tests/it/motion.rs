//! The view in motion: its data, read by the form that `src/page/motion.rs` describes.

use std::fs;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;
use tanyard::page::{Album, Motion, MotionPose, html};
use tanyard::report::RunEnd;

use crate::bake::{QUICK, folder, put};
use crate::files::{demos, tanyard_ok, word};
use crate::sample_report::{baked, report};

/// The data of the first view of a page.
fn data(page: &str) -> Value {
    let (_, rest) = page
        .split_once("<script class=\"motion-data\" type=\"application/json\">")
        .expect("a view");
    let (text, _) = rest.split_once("</script>").expect("an end");
    serde_json::from_str(text).expect("JSON")
}

fn bytes(value: &Value) -> Vec<u8> {
    STANDARD
        .decode(value.as_str().expect("text"))
        .expect("Base64")
}

fn u16s(value: &Value) -> Vec<u16> {
    let bytes = bytes(value);
    bytes
        .chunks_exact(2)
        .map(|b| u16::from_le_bytes([b[0], b[1]]))
        .collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// A page of the sample report with a motion.
fn page_with(motion: Motion) -> String {
    let report = report(vec![baked("strip.glb", 0.1)], RunEnd::Complete, None);
    let file = report.files[0].name.clone();
    html(
        &report,
        &[Album {
            file,
            character: 0,
            stills: Vec::new(),
            motion: Some(motion),
        }],
    )
}

/// A strip of that many vertices on four joints, and poses that differ from vertex to vertex.
fn strip(vertices: usize, poses: usize) -> Motion {
    let at = |v: usize| [v as f32 * 0.01, (v % 7) as f32 * 0.3, (v % 5) as f32 * 0.2];
    let positions: Vec<[f32; 3]> = (0..vertices).map(at).collect();
    let pose = |pose: usize| {
        let bend = |scale: f32| {
            let moved = |(v, p): (usize, &[f32; 3])| {
                let off = scale * ((v * (pose + 3)) % 101) as f32 / 101.0;
                [p[0], p[1] + off, p[2] - 0.3 * off]
            };
            positions.iter().enumerate().map(moved).collect::<Vec<_>>()
        };
        MotionPose {
            name: format!("pose {pose} </script><b>\u{202e}"),
            held_out: (pose > 0).then_some(true),
            matrices: vec![[1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0]; 60],
            reference: bend(0.02),
            baked: bend(0.0),
        }
    };
    Motion {
        triangles: (0..2 * vertices as u32)
            .map(|t| {
                [
                    t / 2,
                    (t / 2 + 1) % vertices as u32,
                    (t / 2 + 2) % vertices as u32,
                ]
            })
            .collect(),
        joints: 60,
        weights: vec![vec![(3, 0.5), (1, 0.3), (59, 0.15), (0, 0.05)]; vertices],
        to_scene: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        diagonal: 2.5,
        unit: 0.025,
        poses: (0..poses).map(pose).collect(),
        positions,
    }
}

#[test]
fn twenty_thousand_vertices_take_less_than_five_megabytes() {
    // As many poses as a page has: bind and fifteen.
    let page = page_with(strip(20_000, 16));
    assert!(page.len() < 5_000_000 - STILLS, "{}", page.len());
}

/// The stills of such a character, as Base64: seven of 1280 × 640, at most 190 kB each on the demo characters.
const STILLS: usize = 7 * 190_000 * 4 / 3;

#[test]
fn data_come_back_within_the_steps_that_are_stated() {
    let motion = strip(500, 4);
    let page = page_with(motion.clone());
    let data = data(&page);
    assert_eq!(
        (number(&data["vertices"]), number(&data["triangles"])),
        (500.0, 1000.0)
    );
    let places = u16s(&data["positions"]);
    for (v, position) in motion.positions.iter().enumerate() {
        for i in 0..3 {
            let step = number(&data["step"][i]);
            let back = number(&data["low"][i]) + step * f64::from(places[3 * v + i]);
            // Half a step, and the rounding of f32.
            assert!(
                (back - f64::from(position[i])).abs() <= 0.5 * step + 1e-6,
                "vertex {v}"
            );
        }
    }
    let corners = u16s(&data["corners"]);
    assert!(
        corners
            .iter()
            .map(|&c| u32::from(c))
            .eq(motion.triangles.as_flattened().iter().copied())
    );
    let (joints, weights) = (u16s(&data["weight_joints"]), u16s(&data["weights"]));
    assert_eq!(number(&data["slots"]), 4.0);
    for (entry, &(joint, weight)) in motion.weights.iter().flatten().enumerate() {
        assert_eq!(joints[entry], joint);
        assert!((f32::from(weights[entry]) / 65_535.0 - weight).abs() <= 1.0 / 131_000.0);
    }
    for (pose, back) in motion
        .poses
        .iter()
        .zip(data["poses"].as_array().expect("a list"))
    {
        assert_eq!(back["name"], pose.name.as_str());
        assert_eq!(back["held_out"].as_bool(), pose.held_out);
        let most = number(&back["off_most"]);
        let mut squares = 0.0;
        let offs = bytes(&back["off"]);
        for (entry, off) in offs.iter().map(|&byte| f64::from(byte as i8)).enumerate() {
            let (v, i) = (entry / 3, entry % 3);
            let is = f64::from(pose.reference[v][i] - pose.baked[v][i]);
            let read = off * off.abs() / (127.0 * 127.0) * most;
            let allowed = (is.abs() * most).sqrt() / 127.0 + most / (127.0 * 127.0);
            assert!((read - is).abs() <= allowed, "vertex {v}: {read} for {is}");
            squares += is * is;
        }
        let rms = 100.0 * (squares / 500.0).sqrt() / 2.5;
        assert!((number(&back["rms_percent"]) - rms).abs() < 1e-9);
        let matrices = bytes(&back["matrices"]);
        assert_eq!(matrices.len(), 60 * 12 * 4);
    }
    let ramp = bytes(&data["ramp"]);
    assert_eq!(ramp[..3], tanyard::picture::ramp(0.0));
    assert_eq!(ramp[765..], tanyard::picture::ramp(1.0));
}

#[test]
fn names_do_not_end_the_script() {
    let page = page_with(strip(9, 2));
    // Once for each script of the page, and none of a pose's name.
    assert!(!page.contains("</script><b>"));
    assert_eq!(
        data(&page)["poses"][1]["name"],
        "pose 1 </script><b>\u{202e}"
    );
}

/// What is played is what was baked: the weights and matrices of the page give the positions that the baked file has.
#[test]
fn the_page_of_one_file_plays_what_was_baked() {
    let place = folder();
    let (output, page) = (place.path().join("out.glb"), place.path().join("page.html"));
    let recipe = put(place.path(), "quick.toml", QUICK);
    tanyard_ok(&[
        "bake",
        word(&demos()[0]),
        "-o",
        word(&output),
        "--recipe",
        word(&recipe),
        "--page",
        word(&page),
        "-q",
    ]);
    let data = data(&fs::read_to_string(&page).expect("written"));
    let poses = data["poses"].as_array().expect("a list");
    assert_eq!((poses[0]["name"].as_str(), poses.len()), (Some("bind"), 9));
    assert_eq!(
        number(&poses[0]["rms_percent"]),
        0.0,
        "bind differs nowhere"
    );
    let rms: Vec<f64> = poses[1..]
        .iter()
        .map(|pose| number(&pose["rms_percent"]))
        .collect();
    assert!(rms.is_sorted_by(|a, b| a >= b), "worst first: {rms:?}");
    // Over all poses, the root mean square is that of the table.
    let report = tanyard_ok(&[
        "bake",
        word(&demos()[0]),
        "-o",
        word(&output),
        "--recipe",
        word(&recipe),
        "--report",
        "-",
    ]);
    let line: Value = serde_json::from_str(report.lines().next().expect("a line")).expect("JSON");
    let whole =
        number(&line["file"]["characters"][0]["errors"]["baked"]["held_out"]["rms_percent"]);
    let mean = (rms.iter().map(|r| r * r).sum::<f64>() / rms.len() as f64).sqrt();
    // Positions in f32, a few units in the last place of the size.
    assert!((mean - whole).abs() < 1e-4, "{mean} for {whole}");
}
