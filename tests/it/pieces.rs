//! Pieces in a bake: what clings stays on the body, what rides keeps its shape, and pairs of joints stay
//! apart.

use tanyard::asset::{Document, characters};
use tanyard::bind::Kind;
use tanyard::job::{self, Request};
use tanyard::recipe::Recipe;
use tanyard::rig::{Block, Character, Point, PoseSequence, Weights};

use crate::binds::{bound, only_character};
use crate::files::{demos, hard_demos};
use crate::symmetry::Silent;

fn baked(path: &std::path::Path, recipe: &str) -> (job::Bake, Character) {
    let folder = tempfile::tempdir().expect("a folder");
    let output = folder.path().join("out.glb");
    let recipe = Recipe::parse(std::path::Path::new("r"), recipe).expect("a recipe");
    let request = Request::new(path, recipe);
    let report = job::bake(&request, &output, &Silent).expect("a demo bakes");
    let document = Document::open(&output).expect("it opens");
    let mut loaded = characters(&document, None).expect("it has a skin");
    (report, loaded.remove(0).character)
}

fn posed(weights: &Weights, block: &Block, rest: &[[f32; 3]], v: usize) -> Point {
    let mut sum = Point::ZERO;
    for (joint, weight) in weights.of(v) {
        let moved = block.transform(joint.index(), rest[v]);
        for l in 0..tanyard::rig::LANES {
            sum.x[l] += weight * moved.x[l];
            sum.y[l] += weight * moved.y[l];
            sum.z[l] += weight * moved.z[l];
        }
    }
    sum
}

fn distance(a: [f32; 3], b: [f32; 3]) -> f64 {
    (0..3)
        .map(|i| (f64::from(a[i]) - f64::from(b[i])).powi(2))
        .sum::<f64>()
        .sqrt()
}

/// In 200 held-out poses, with the weights as written. Goals of the design: one percent of the diagonal, and
/// 1e-5 of an edge.
#[test]
fn straps_stay_on_the_body_and_buckles_keep_their_shape() {
    let cutter = hard_demos()
        .into_iter()
        .find(|path| path.ends_with("reed_cutter.glb"));
    let tanner = demos()
        .into_iter()
        .find(|path| path.ends_with("marsh_tanner.glb"));
    for path in [cutter, tanner].into_iter().flatten() {
        let source = only_character(&path);
        let (_, character) = baked(&path, "[fit]\nsymmetry = \"off\"\n");
        let weights = character.weights.as_ref().expect("baked");
        let way = match source.weights {
            Some(_) => tanyard::bind::Way::Keep,
            None => tanyard::bind::Way::Through,
        };
        let bound = bound(&source, way);
        let surface = &source.surface;
        let centre = surface.centre();
        let rest: Vec<[f32; 3]> = surface
            .positions
            .iter()
            .map(|p| std::array::from_fn(|i| (f64::from(p[i]) - centre[i]) as f32))
            .collect();
        let options = tanyard::pose::Options {
            held_out: 200,
            ..Default::default()
        };
        let base = Weights::rigid(&bound.joints);
        let poses = tanyard::pose::pose_set(&source.skeleton, &base, &[], &options).held_out;
        let poses: Vec<_> = (0..poses.len())
            .map(|p| poses.get(p).into_owned())
            .collect();
        let (mut farthest, mut squares, mut count, mut stretched) = (0.0f64, 0.0, 0usize, 0.0f64);
        let kind = |v: usize| bound.pieces[source.surface.piece_of[v] as usize].kind;
        for some in poses.chunks(tanyard::rig::LANES) {
            let block = Block::new(&source.skeleton, &some.iter().collect::<Vec<_>>(), centre);
            for cling in &bound.clings {
                let v = cling.vertex as usize;
                let beneath = |at: &dyn Fn(usize) -> [f32; 3]| -> [f32; 3] {
                    let corners = cling.corners.map(|c| at(c as usize));
                    std::array::from_fn(|i| {
                        (0..3).map(|k| cling.shares[k] as f32 * corners[k][i]).sum()
                    })
                };
                let at_bind = distance(rest[v], beneath(&|c| rest[c]));
                let here = posed(weights, &block, &rest, v);
                let corners = cling
                    .corners
                    .map(|c| posed(weights, &block, &rest, c as usize));
                for lane in 0..some.len() {
                    let place = beneath(&|c| {
                        let k = cling.corners.iter().position(|&w| w as usize == c);
                        corners[k.expect("a corner")].lane(lane)
                    });
                    let off = (distance(here.lane(lane), place) - at_bind).abs();
                    farthest = farthest.max(off);
                    squares += off * off;
                    count += 1;
                }
            }
            for (a, b) in surface
                .rings
                .edges()
                .filter(|&(a, _)| kind(a) == Kind::Ride)
            {
                let length = distance(rest[a], rest[b]);
                let ends = [a, b].map(|v| posed(weights, &block, &rest, v));
                for lane in 0..some.len() {
                    let now = distance(ends[0].lane(lane), ends[1].lane(lane));
                    // f32 positions of the size of the character: an edge loses that much.
                    let rounding = 4.0 * f64::from(f32::EPSILON) * surface.diagonal();
                    stretched = stretched.max(((now - length).abs() - rounding).max(0.0) / length);
                }
            }
        }
        let percent = |length: f64| 100.0 * length / surface.diagonal();
        println!(
            "{}: clinging vertices off by rms {:.3} %, at most {:.3} % of the diagonal; riding edges by {stretched:.1e}",
            path.display(),
            percent((squares / count as f64).sqrt()),
            percent(farthest)
        );
        assert!(stretched <= 1e-5, "{stretched}");
        assert!(
            percent((squares / count as f64).sqrt()) <= 0.25,
            "what is reached today"
        );
        for v in (0..surface.len()).filter(|&v| kind(v) == Kind::Ride) {
            assert_eq!(weights.of(v).count(), 1, "vertex {v} rides");
        }
    }
}

#[test]
fn pairs_that_never_meet_share_no_vertex() {
    let path = hard_demos()
        .into_iter()
        .find(|path| path.ends_with("bank_otter.glb"));
    let path = path.expect("a demo");
    let meet = |character: &Character| {
        let weights = character.weights.as_ref().expect("baked");
        let [a, b] = ["thigh_l", "hips"].map(|name| character.skeleton.find(name));
        (0..weights.len())
            .filter(|&v| {
                let has = |joint| weights.of(v).any(|entry| Some(entry.0) == joint);
                has(a) && has(b)
            })
            .count()
    };
    let (_, free) = baked(&path, "");
    assert!(meet(&free) > 0);
    let (_, apart) = baked(&path, "[bind]\nnever = [[\"thigh_*\", \"hips\"]]\n");
    assert_eq!(meet(&apart), 0);
}

#[test]
fn mending_leaves_no_more_than_it_found_and_little_error() {
    // Two that have much to mend, and one with symmetry; the others are as quick to try by hand.
    let some = ["marsh_tanner.glb", "eel_catcher.glb", "reed_cutter.glb"];
    let all = demos().into_iter().chain(hard_demos());
    for path in all.filter(|path| some.iter().any(|name| path.ends_with(name))) {
        let rms = |report: &job::Bake| {
            let errors = &report.characters[0].errors;
            errors.baked.held_out.expect("held-out poses").rms_percent
        };
        let (plain, _) = baked(&path, "[fit]\nmend = false\n");
        let (report, _) = baked(&path, "");
        let mend = report.characters[0].mend.as_ref().expect("mended");
        println!(
            "{}: {mend:?}, rms {:.4} after {:.4}",
            path.display(),
            rms(&report),
            rms(&plain)
        );
        for pair in [mend.islands, mend.outliers, mend.torn_edges_fit] {
            assert!(pair.after <= pair.before);
        }
        // The goal is one percent on the poses of the fit; held-out poses differ a little from those.
        assert!(rms(&report) <= 1.02 * rms(&plain), "{}", path.display());
    }
}

#[test]
fn bridges_join_pieces_that_nearly_touch() {
    // Two strips of squares, a hundredth apart along their long side.
    let strip = |y: f32| (0..6).flat_map(move |k| [[k as f32, y, 0.0], [k as f32, y + 1.0, 0.0]]);
    let positions: Vec<[f32; 3]> = strip(0.0).chain(strip(1.01)).collect();
    let triangles: Vec<[u32; 3]> = [0, 12]
        .iter()
        .flat_map(|&first| (0..5).map(move |k| first + 2 * k))
        .flat_map(|a| [[a, a + 2, a + 1], [a + 1, a + 2, a + 3]])
        .collect();
    let surface = tanyard::rig::Surface::weld(&positions, &triangles);
    let across = |surface: &tanyard::rig::Surface| {
        let edges = surface.rings.edges();
        edges
            .filter(|&(a, b)| surface.piece_of[a] != surface.piece_of[b])
            .count()
    };
    assert_eq!((surface.pieces, across(&surface)), (2, 0));
    assert_eq!(across(&surface.bridged(0.02, &[true, true])), 6);
    assert_eq!(across(&surface.bridged(0.005, &[true, true])), 0);
    assert_eq!(across(&surface.bridged(0.02, &[true, false])), 0);
}
