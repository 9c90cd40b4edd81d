//! Error figures against a plain count over every vertex and pose.

use std::ops::ControlFlow;

use tanyard::deform::{LayerKind, Skinning, Stack, Stream};
use tanyard::measure::Tallies;
use tanyard::rig::{Pose, Weights};

use crate::layers::{MUSH, layer};
use crate::plain;
use crate::shapes::{limb, poses, rigid, turn};

#[test]
fn rms_p99_max_and_worst_are_those_of_all_vertices_and_poses() {
    let character = limb();
    let base = rigid(&character);
    let mut set = poses(&character);
    // Sweeps, of which most vertices see nothing, and bind, of which none does.
    set.extend(
        character
            .skeleton
            .ids()
            .map(|id| Pose::new("sweep", vec![(id, turn(30.0, 0.0, 50.0))])),
    );
    set.push(Pose::new("bind", vec![]));
    let layers = [layer(LayerKind::Mush(MUSH))];
    let stack = Stack::new(&character.surface, base.clone(), Skinning::Linear, &layers);
    let capped: Weights = stack.spread().capped(2);
    let diagonal = character.surface.diagonal();
    let sets = [&base, &capped];
    let mut tallies = Tallies::new(&sets, diagonal, set.len());
    let end: ControlFlow<()> =
        Stream::new(&stack, &character.skeleton, &set).run(2, |shapes, _| {
            tallies.add(stack.rest(), shapes);
            ControlFlow::Continue(())
        });
    assert!(end.is_continue());

    for (index, weights) in sets.into_iter().enumerate() {
        let mut errors: Vec<(f64, usize, usize)> = Vec::new();
        for (p, pose) in set.iter().enumerate() {
            let target = plain::posed(&character, &base, &layers, pose);
            // Weights by themselves are a base without layers.
            let moved = plain::posed(&character, weights, &[], pose);
            for (v, (target, moved)) in target.iter().zip(&moved).enumerate() {
                errors.push((100.0 * (moved - target).norm() / diagonal, v, p));
            }
        }
        errors.sort_by(|a, b| a.0.total_cmp(&b.0));
        let rms = (errors.iter().map(|e| e.0 * e.0).sum::<f64>() / errors.len() as f64).sqrt();
        // Ninety-nine in a hundred are at or below it.
        let p99 = errors[(errors.len() * 99).div_ceil(100) - 1].0;
        let (max, vertex, pose) = errors[errors.len() - 1];
        let figures = tallies.figures(index);
        // f32 positions: some 1e-5 percent, against figures of a tenth and more.
        assert!(
            (figures.rms / rms - 1.0).abs() < 1e-4,
            "{} for {rms}",
            figures.rms
        );
        assert!(
            (figures.max / max - 1.0).abs() < 1e-4,
            "{} for {max}",
            figures.max
        );
        // Bins are 0.4 % wide and rounded up.
        assert!(
            figures.p99 >= p99 * 0.9999 && figures.p99 <= p99 * 1.005,
            "{} for {p99}",
            figures.p99
        );
        let worst = tallies.worst(index, &character.surface.rings, 3);
        assert_eq!((worst[0].vertex, worst[0].pose), (vertex, pose));
        assert!(worst[0].error_percent >= worst[1].error_percent);
        let ring = character.surface.rings.of(vertex);
        assert!(
            worst[1..]
                .iter()
                .all(|w| !ring.contains(&(w.vertex as u32)))
        );
    }
}
