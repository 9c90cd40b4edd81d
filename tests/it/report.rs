//! The report as others read it: its published schema, and its form on the wire.

use std::fs;
use std::path::Path;

use serde_json::Value;

/// Holds a published schema to the one that the code makes.
pub fn assert_published(name: &str, made: &str) {
    assert_kept(&format!("docs/{name}"), made);
}

/// Holds a file of the repository to what the code makes.
pub fn assert_kept(name: &str, made: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
    if std::env::var_os("TANYARD_REMAKE").is_some() {
        fs::write(&path, made).expect("the repository can be written");
        return;
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    // Not assert_eq, which would print both.
    if kept == made {
        return;
    }
    let differ = kept.lines().zip(made.lines()).position(|(a, b)| a != b);
    let line = differ.unwrap_or_else(|| kept.lines().count().min(made.lines().count()));
    panic!(
        "{name} is out of date from line {}, where the code makes {:?}: run the tests with TANYARD_REMAKE=1",
        line + 1,
        made.lines().nth(line).unwrap_or_default()
    );
}

#[test]
fn published_schema_is_that_of_the_report() {
    assert_published("report.schema.json", &tanyard::report::json_schema());
    assert_published("report-line.schema.json", &tanyard::report::line_schema());
}

/// Every field that a script may rely on, named again here: a change in the struct must be one here.
pub fn check_fields(report: &Value) {
    assert_eq!(report["schema"], "tanyard-report/3");
    assert_eq!(report["tool"]["name"], "tanyard");
    assert_eq!(report["tool"]["version"], env!("CARGO_PKG_VERSION"));
    let run = &report["run"];
    assert!(run["wall_s"].is_f64() && run["peak_memory_bytes"].is_u64());
    assert_eq!(run["end"], "complete");
    assert_eq!(
        (&run["counts"]["files"], &run["counts"]["baked"]),
        (&1.into(), &1.into())
    );
    let files = report["files"].as_array().expect("a list");
    assert_eq!(files.len(), 1);
    let file = &files[0];
    assert!(file["input"].is_string() && file["output"].is_string() && file["wall_s"].is_f64());
    assert!(
        file["settings"]
            .as_str()
            .is_some_and(|text| text.contains("[fit]"))
    );
    assert_eq!(file["status"], "baked");
    assert_eq!(file["faults"], Value::Array(Vec::new()));
    assert_eq!(file["fault_kind"], Value::Null);
    let characters = file["characters"].as_array().expect("a list");
    assert!(!characters.is_empty());
    for c in characters {
        assert!(c["name"].is_string());
        assert!(c["surface"]["height_units"].is_f64() && c["limits"].is_array());
        for path in [
            "/surface/raw_vertices",
            "/surface/welded_vertices",
            "/surface/triangles",
            "/surface/pieces",
            "/skeleton/joints",
            "/poses/fit",
            "/poses/held_out",
            "/fit/unidentified_vertices",
        ] {
            assert!(c.pointer(path).is_some_and(Value::is_u64), "{path}");
        }
        for set in ["rigid", "naive", "baked", "floor"] {
            for poses in ["fit", "held_out"] {
                for figure in ["rms_percent", "p99_percent", "max_percent"] {
                    let path = format!("/errors/{set}/{poses}/{figure}");
                    assert!(c.pointer(&path).is_some_and(Value::is_f64), "{path}");
                }
            }
        }
        assert!(
            c.pointer("/errors/baked_units/held_out/rms_units")
                .is_some_and(Value::is_f64)
        );
        let by = &c["errors_by"];
        assert_eq!(by["held_out"], true);
        for (list, name, number) in [
            ("joints", "joint", "vertices"),
            ("worst_poses", "pose", "index"),
        ] {
            for one in by[list].as_array().expect("a list") {
                assert!(one[name].is_string() && one[number].is_u64(), "{list}");
                for figure in ["rms_percent", "max_percent", "rigid_rms_percent"] {
                    assert!(one[figure].is_f64(), "{list} {figure}");
                }
            }
        }
        for quantiles in ["rms_percent_quantiles", "rigid_rms_percent_quantiles"] {
            let quantiles = by[quantiles].as_array().expect("a list");
            assert!(quantiles.len() == 21 && quantiles.iter().all(Value::is_f64));
        }
        let worst = &c["worst"][0];
        for field in ["mesh", "pose"] {
            assert!(worst[field].is_string(), "{field}");
        }
        assert!(worst["joints"].is_array() && worst["error_percent"].is_f64());
        let influences: u64 = c["influences"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(Value::as_u64)
            .sum();
        assert_eq!(
            influences,
            c["surface"]["welded_vertices"].as_u64().expect("a number")
        );
        let symmetry = c["symmetry"].as_object().expect("an object");
        assert!(symmetry["asked"].is_string());
        let is_symmetric = symmetry["axis"].is_string();
        for figure in ["paired_vertices", "plane_vertices", "unpaired_vertices"] {
            assert_eq!(symmetry[figure].is_u64(), is_symmetric, "{figure}");
        }
        for figure in ["position_units", "mirror_error"] {
            assert_eq!(symmetry[figure].is_f64(), is_symmetric, "{figure}");
        }
        for list in ["unpaired_pieces", "unpaired_joints", "misnamed_joints"] {
            assert!(symmetry[list].is_array(), "{list}");
        }
        assert!(c["fit"]["kkt_residual"].is_f64() && c["fit"]["unidentified_joints"].is_array());
        for stage in [
            "read_s",
            "prepare_s",
            "gather_s",
            "solve_s",
            "measure_s",
            "write_s",
        ] {
            assert!(c["timings"][stage].is_f64(), "{stage}");
        }
        assert!(c["warnings"].is_array());
    }
}
