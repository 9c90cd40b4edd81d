//! With the file's own linear blend as the target, the fit must give the file's weights back, on every
//! vertex whose weights the poses determine.

use tanyard::deform::{Skinning, Stack};
use tanyard::fit;
use tanyard::pose::{Options, pose_set};
use tanyard::rig::{Character, Weights};

use crate::files;
use crate::shapes::gather;

/// Motion that tells weights apart must exceed this, in percent of the diagonal, root mean square over
/// poses, for a change of weight of one: a thousand times the f32 rounding of a position (1e-5 %), so
/// that an error of a thousandth in a weight stands out from rounding.
const TELLING_PERCENT: f64 = 1e-2;

/// Fits to linear blending of the file's own weights and compares.
fn recovered(character: &Character, weights: &Weights) -> (usize, usize, f32) {
    let poses = pose_set(&character.skeleton, weights, &[], &Options::default());
    let stack = Stack::new(&character.surface, weights.clone(), Skinning::Linear, &[]);
    let gram = gather(&stack, &character.skeleton, &character.surface, &poses.fit);
    let options = fit::Options {
        influences: weights.most_influences(),
        smoothness: 0.0,
        hold_percent: 1e-4,
        prune: 0.0,
        steps: 1 << 24,
    };
    // The hold pulls toward a rigid bind, not toward the answer.
    let hold = Weights::rigid(&tanyard::bind::keep(weights));
    let fitted = fit::solve(&gram, &character.surface, &hold, None, None, &options);
    let (mut determined, mut worst) = (0, 0.0f32);
    for v in (0..weights.len()).filter(|&v| gram.determined(v, TELLING_PERCENT)) {
        determined += 1;
        for id in character.skeleton.ids() {
            let of = |w: &Weights| {
                w.of(v)
                    .find(|entry| entry.0 == id)
                    .map_or(0.0, |entry| entry.1)
            };
            worst = worst.max((of(weights) - of(&fitted.weights)).abs());
        }
    }
    (determined, weights.len(), worst)
}

#[test]
fn shipped_weights_come_back() {
    let mut ran = 0;
    for path in files::assets().into_iter().chain(files::demos()) {
        let document = tanyard::asset::Document::open(&path).expect("a sample file opens");
        for loaded in tanyard::asset::characters(&document, None).expect("a sample file has skins")
        {
            let Some(weights) = &loaded.character.weights else {
                continue;
            };
            let (determined, all, worst) = recovered(&loaded.character, weights);
            println!(
                "{}: {determined} of {all} vertices determined, worst {worst:.1e}",
                path.display()
            );
            assert!(
                worst < 1e-3,
                "{}: a weight is off by {worst}",
                path.display()
            );
            // Most of a character is told apart by turning its joints; else the check says nothing.
            assert!(
                determined * 10 >= all * 9,
                "{}: only {determined} of {all}",
                path.display()
            );
            ran += 1;
        }
    }
    assert!(ran >= 1, "no character with weights was found");
}
