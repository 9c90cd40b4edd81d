//! Reports made by hand: several files, every status, exceeded limits, and names that mean harm.

use tanyard::report::{
    CharacterReport, Errors, ErrorsBy, FaultKind, FileReport, FileStatus, FitReport, JointError,
    LimitReport, OnPoses, Percent, PoseError, PosesReport, Report, RunEnd, SkeletonReport,
    SurfaceReport, SymmetryReport, Timings, Units, Whole, WorstVertex,
};

/// What breaks tables, ends elements, colours terminals, cannot be said in XML, and calls users.
pub const NASTY: &str =
    "<b>|]]>&amp;\u{1b}[31m\r\n名前\u{fffe} @all www.example.org *_`[x](y)\\\"'";

pub fn percent(rms: f64) -> Percent {
    Percent {
        rms_percent: rms,
        p99_percent: 4.0 * rms,
        max_percent: 16.0 * rms,
    }
}

fn both<T: Copy>(figure: T) -> OnPoses<T> {
    OnPoses {
        fit: Some(figure),
        held_out: Some(figure),
    }
}

/// Errors over two joints and so many poses, each worse than the last, and twice of them with rigid weights.
pub fn errors_by(rms: f64, poses: usize) -> ErrorsBy {
    let in_pose = |index: usize| rms * (index + 1) as f64 / 8.0;
    let joint = |name: &str, vertices, rms| JointError {
        joint: name.to_owned(),
        vertices,
        rms_percent: rms,
        max_percent: 16.0 * rms,
        rigid_rms_percent: 2.0 * rms,
    };
    let joints = vec![
        joint("hips", 40, 0.5 * rms),
        joint("forearm_l", 60, 1.25 * rms),
    ];
    let sets = [1.0, 2.0].map(|factor| (0..poses).map(|p| factor * in_pose(p)).collect());
    ErrorsBy::new(true, joints, sets, |index| PoseError {
        pose: format!("blend {index}"),
        index,
        rms_percent: in_pose(index),
        max_percent: 16.0 * in_pose(index),
        rigid_rms_percent: 2.0 * in_pose(index),
    })
}

/// A character whose weights have this error, and twice of it with rigid ones.
pub fn character(name: &str, rms: f64) -> CharacterReport {
    CharacterReport {
        name: name.to_owned(),
        surface: SurfaceReport {
            raw_vertices: 120,
            welded_vertices: 100,
            triangles: 180,
            pieces: 1,
            diagonal_units: 2.0,
            height_units: 1.75,
        },
        skeleton: SkeletonReport { joints: 20 },
        carried: None,
        helpers: None,
        idle_joints: Vec::new(),
        pieces: Vec::new(),
        mend: None,
        poses: PosesReport {
            fit: 64,
            held_out: 16,
        },
        errors: Errors {
            rigid: both(percent(2.0 * rms)),
            naive: both(percent(1.5 * rms)),
            baked: both(percent(rms)),
            floor: both(percent(0.75 * rms)),
            baked_units: both(Units {
                rms_units: 0.02 * rms,
                p99_units: 0.08 * rms,
                max_units: 0.32 * rms,
            }),
        },
        errors_by: Some(errors_by(rms, 16)),
        worst: vec![WorstVertex {
            mesh: "Body".to_owned(),
            vertex: 812,
            position: [0.5, 1.25, -0.25],
            pose: "blend 14".to_owned(),
            held_out: true,
            joints: vec!["forearm_l".to_owned(), "upper_arm_l".to_owned()],
            error_percent: 16.0 * rms,
        }],
        outliers: 0,
        influences: vec![25, 50, 0, 25],
        symmetry: SymmetryReport {
            asked: "off".to_owned(),
            ..SymmetryReport::default()
        },
        fit: FitReport {
            kkt_residual: 1e-16,
            unproved_vertices: 0,
            unidentified_joints: Vec::new(),
            unidentified_vertices: 0,
            sweeps: 0,
            last_change: 0.0,
        },
        timings: Timings::default(),
        warnings: Vec::new(),
        against: None,
        findings: None,
        limits: Vec::new(),
    }
}

/// A limit of 2 on the greatest error in pixels.
pub fn limit(found: Option<f64>) -> LimitReport {
    LimitReport {
        limit: "max_pixels".to_owned(),
        most: 2.0,
        found,
        place: "at Body vertex 812 in blend 14".to_owned(),
        exceeded: found.is_none_or(|found| found > 2.0),
    }
}

pub fn file(input: &str, status: FileStatus, characters: Vec<CharacterReport>) -> FileReport {
    FileReport {
        name: input.to_owned(),
        input: input.to_owned(),
        output: format!("out/{input}"),
        recipe: Some("tanyard.toml".to_owned()),
        settings: Some("[fit]\ninfluences = 4\n".to_owned()),
        status,
        faults: Vec::new(),
        fault_kind: None,
        characters,
        wall_s: 1.5,
    }
}

/// A file with one character.
pub fn baked(input: &str, rms: f64) -> FileReport {
    file(input, FileStatus::Baked, vec![character("body", rms)])
}

pub fn failed(input: &str, kind: FaultKind, faults: &[&str]) -> FileReport {
    let faults = faults.iter().map(|fault| (*fault).to_owned()).collect();
    FileReport {
        settings: (kind != FaultKind::Setting).then(|| "[fit]\ninfluences = 4\n".to_owned()),
        faults,
        fault_kind: Some(kind),
        ..file(input, FileStatus::Failed, Vec::new())
    }
}

/// A report without what differs from run to run.
pub fn report(files: Vec<FileReport>, end: RunEnd, shard: Option<&str>) -> Report {
    let part = shard.map(|shard| {
        let whole = Whole {
            files: 8,
            hash: "00112233445566aa".to_owned(),
        };
        (shard.to_owned(), whole)
    });
    let mut report = Report::new(files, end, part, 12.5);
    report.run.peak_memory_bytes = Some(64 << 20);
    report
}

/// A run in which everything happens.
pub fn eventful() -> Report {
    let mut twins = vec![character("body", 0.25), character("body", 0.125)];
    twins[1].limits = vec![limit(Some(3.2)), limit(None), limit(Some(1.0))];
    let mut unseen = character("body", 0.5);
    unseen.errors.baked.held_out = None;
    unseen.errors.rigid.held_out = None;
    unseen.errors_by.as_mut().expect("it has errors").held_out = false;
    let mut still = character("crate", 0.0);
    still.errors.baked = OnPoses {
        fit: None,
        held_out: None,
    };
    still.errors_by = None;
    still.worst.clear();
    still.influences.clear();
    let mut nasty = character(NASTY, 1.0);
    nasty.worst[0].mesh = NASTY.to_owned();
    nasty.worst[0].pose = NASTY.to_owned();
    nasty.worst[0].joints = vec![NASTY.to_owned(); 4];
    let by = nasty.errors_by.as_mut().expect("it has errors");
    by.joints[0].joint = NASTY.to_owned();
    by.worst_poses[0].pose = NASTY.to_owned();
    nasty.warnings = vec![NASTY.to_owned()];
    nasty.limits = vec![LimitReport {
        limit: NASTY.to_owned(),
        place: NASTY.to_owned(),
        ..limit(Some(2.000_001))
    }];
    let endless = "x".repeat(10_000);
    let nasty_input = format!("nasty/{NASTY}.glb");
    let nasty_fault = format!("{nasty_input}: meshes[0]: expected {NASTY}, found {endless}");
    let files = vec![
        baked("crowd/a.glb", 0.081),
        file("crowd/b.glb", FileStatus::Baked, twins),
        failed(
            "crowd/c.glb",
            FaultKind::Input,
            &[
                "crowd/c.glb: meshes[0]: expected a skin, found none; give --skeleton",
                "crowd/c.glb: meshes[1]: expected positions, found none",
            ],
        ),
        failed(
            "crowd/d.glb",
            FaultKind::Setting,
            &["tanyard.toml: line 3: expected influences from 1 to 8, found 9"],
        ),
        file("crowd/e.glb", FileStatus::Left, Vec::new()),
        file("heroes/f.glb", FileStatus::Unchanged, vec![unseen]),
        file("heroes/g.glb", FileStatus::Restored, vec![still]),
        file("h.glb", FileStatus::Baked, Vec::new()),
        baked("C:\\art\\i.glb", 0.0625),
        file(&nasty_input, FileStatus::Baked, vec![nasty]),
        failed(
            &format!("{nasty_input}2"),
            FaultKind::Memory,
            &[nasty_fault.as_str(); 7],
        ),
        file(
            &format!("nasty/{endless}.glb"),
            FileStatus::Baked,
            vec![character(&endless, 0.03125)],
        ),
    ];
    let mut report = report(files, RunEnd::Interrupted, None);
    report.tool.version = "0.0.0".to_owned();
    report
}

/// A report as it is printed while the run goes on.
pub fn lines(report: &Report) -> String {
    let files = report.files.iter().map(tanyard::report::Line::of_file);
    files.collect::<String>() + &tanyard::report::Line::of_run(&report.run)
}
