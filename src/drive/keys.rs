//! Motion as keys.
//!
//! The place that strays most becomes a key, and so on in both halves (Ramer 1972, *An iterative procedure for the
//! polygonal approximation of plane curves*; Douglas & Peucker 1973), which keeps corners. Then keys that are not needed
//! any more are taken out, until each that is left is needed. That is not always the least number.

use nalgebra::UnitQuaternion;

use crate::rig::Move;

/// Motions are split at every so many first: else the worst motion would take the square of their number.
const BLOCK: usize = 1024;

/// Two keys whose quaternions are this near to square are half a turn apart, give or take four degrees: with numbers of
/// 32 bits it is open which way an engine goes between them.
const HALF_TURN: f64 = 0.035;

/// The slerp of two rotations that are nearer than this is either of them.
const SAME: f64 = 1e-12;

/// Places of the keys to keep, so that linear keys (translations blended, rotations by slerp, as glTF's LINEAR) stray
/// from the motion by at most `tolerance` at points within `radius` of the helper's origin, at all the times given.
/// First and last stay. Lengths are in the units of [`Move::translation`]; scales do not count.
///
/// Where times do not rise, or numbers are not finite, all places around are kept.
pub fn keys(times: &[f64], motions: &[Move], radius: f64, tolerance: f64) -> Vec<usize> {
    let count = times.len().min(motions.len());
    let Some(last) = count.checked_sub(1) else {
        return Vec::new();
    };
    let track = Track {
        times,
        motions,
        radius,
        tolerance,
    };
    let mut kept = vec![false; count];
    kept[last] = true;
    let mut open: Vec<(usize, usize)> = Vec::new();
    for from in (0..last).step_by(BLOCK) {
        kept[from] = true;
        open.push((from, (from + BLOCK).min(last)));
    }
    kept[0] = true;
    while let Some((from, to)) = open.pop() {
        if let Some(at) = track.worst(from, to) {
            kept[at] = true;
            open.extend([(from, at), (at, to)]);
        }
    }
    let mut places: Vec<usize> = (0..count).filter(|&at| kept[at]).collect();
    loop {
        let before = places.len();
        let mut needed: Vec<usize> = Vec::with_capacity(before);
        for (at, &place) in places.iter().enumerate() {
            let around = needed.last().zip(places.get(at + 1));
            if around.is_none_or(|(&from, &to)| !track.holds(from, to)) {
                needed.push(place);
            }
        }
        places = needed;
        if places.len() == before {
            return places;
        }
    }
}

/// The motion that linear keys at some places show at all the times given.
pub fn shown(times: &[f64], motions: &[Move], keys: &[usize]) -> Vec<Move> {
    let mut all = Vec::with_capacity(times.len());
    let mut next = 0;
    for (at, &time) in times.iter().enumerate() {
        while next + 1 < keys.len() && keys[next] < at {
            next += 1;
        }
        let to = keys.get(next).map_or(at, |&key| key.max(at));
        let from = if to == at || next == 0 {
            to
        } else {
            keys[next - 1]
        };
        let share = match times[to] - times[from] {
            span if span > 0.0 => (time - times[from]) / span,
            _ => 0.0,
        };
        let (start, end) = (&motions[from], &motions[to]);
        let rotation = between(&start.rotation, &end.rotation, share);
        all.push(Move {
            translation: start.translation.lerp(&end.translation, share),
            ..Move::from(rotation.unwrap_or(start.rotation))
        });
    }
    all
}

struct Track<'a> {
    times: &'a [f64],
    motions: &'a [Move],
    radius: f64,
    tolerance: f64,
}

impl Track<'_> {
    /// Whether keys at two places hold all between.
    fn holds(&self, from: usize, to: usize) -> bool {
        (from + 1..to).all(|at| self.is_close(self.strays(from, at, to)))
    }

    /// The place between two keys that strays most, if any strays too far; that in the middle where it is open how far.
    fn worst(&self, from: usize, to: usize) -> Option<usize> {
        let strays = (from + 1..to).map(|at| (self.strays(from, at, to), at));
        let (far, at) = strays.reduce(|a, b| if b.0 > a.0 { b } else { a })?;
        let middle = usize::midpoint(from, to);
        (!self.is_close(far)).then_some(if far.is_finite() { at } else { middle })
    }

    /// False also where the tolerance is not a number.
    fn is_close(&self, far: f64) -> bool {
        far <= self.tolerance
    }

    /// How far points within the radius are, at most, from where they should be: infinite where that is open.
    fn strays(&self, from: usize, at: usize, to: usize) -> f64 {
        let (start, end) = (&self.motions[from], &self.motions[to]);
        let share = (self.times[at] - self.times[from]) / (self.times[to] - self.times[from]);
        let Some(rotation) = between(&start.rotation, &end.rotation, share) else {
            return f64::INFINITY;
        };
        let translation = start.translation.lerp(&end.translation, share);
        let own = &self.motions[at];
        // A rotation by φ moves a point by 2 sin (φ/2) of its distance from the axis.
        let turn = (rotation.inverse() * own.rotation).imag().norm();
        let far = (translation - own.translation).norm() + 2.0 * turn * self.radius;
        let inside = share > 0.0 && share < 1.0;
        if inside && !far.is_nan() {
            far
        } else {
            f64::INFINITY
        }
    }
}

fn between(
    from: &UnitQuaternion<f64>,
    to: &UnitQuaternion<f64>,
    share: f64,
) -> Option<UnitQuaternion<f64>> {
    let cosine = from.coords.dot(&to.coords).abs();
    if cosine <= HALF_TURN {
        return None;
    }
    Some(from.try_slerp(to, share, SAME).unwrap_or(*from))
}

#[cfg(test)]
mod tests {
    use nalgebra::{Quaternion, Vector3};
    use proptest::prelude::*;

    use super::*;

    fn at(turn: [f64; 3], slide: [f64; 3]) -> Move {
        Move {
            translation: slide.into(),
            ..Move::from(UnitQuaternion::from_scaled_axis(Vector3::from(turn)))
        }
    }

    /// A motion that turns and slides, with a stop in it.
    fn waves(count: usize) -> (Vec<f64>, Vec<Move>) {
        let times: Vec<f64> = (0..count).map(|k| 0.5 + k as f64 / 30.0).collect();
        let motions = times.iter().map(|&t| {
            let t = if t < 2.0 { t } else { (t - 0.7).max(2.0) };
            at(
                [t.sin(), 0.4 * (2.3 * t).cos(), 0.2],
                [0.3 * (1.7 * t).sin(), 0.1 * t, 0.0],
            )
        });
        let motions = motions.collect();
        (times, motions)
    }

    /// What an engine shows between keys, by the formula of the standard (glTF 2.0, appendix C.4), where a point goes.
    fn shown(
        times: &[f64],
        motions: &[Move],
        keys: &[usize],
        time: f64,
        point: Vector3<f64>,
    ) -> Vector3<f64> {
        let next = keys
            .iter()
            .position(|&k| times[k] >= time)
            .unwrap_or(keys.len() - 1)
            .max(1);
        let (from, to) = (keys[next - 1], keys[next]);
        let t = (time - times[from]) / (times[to] - times[from]);
        let (a, b) = (motions[from].rotation.coords, motions[to].rotation.coords);
        let d = a.dot(&b);
        let angle = d.abs().min(1.0).acos();
        let blended = if angle < 1e-9 {
            a
        } else {
            a * ((1.0 - t) * angle).sin() / angle.sin()
                + b * d.signum() * (t * angle).sin() / angle.sin()
        };
        let rotation = UnitQuaternion::new_normalize(Quaternion::from(blended));
        rotation * point + motions[from].translation * (1.0 - t) + motions[to].translation * t
    }

    /// The farthest that points on a sphere stray at many times between first and last, the motion itself being linear
    /// between the times given.
    fn strays(times: &[f64], motions: &[Move], keys: &[usize], radius: f64) -> f64 {
        let all: Vec<usize> = (0..times.len()).collect();
        let (first, last) = (times[0], times[times.len() - 1]);
        let steps = 7 * times.len();
        let mut worst: f64 = 0.0;
        for k in 0..=steps {
            let time = first + (last - first) * k as f64 / steps as f64;
            for n in 0..60 {
                // Points spread evenly, by the golden angle.
                let z = 1.0 - (2.0 * f64::from(n) + 1.0) / 60.0;
                let (sin, cos) = (2.399_963 * f64::from(n)).sin_cos();
                let flat = (1.0 - z * z).sqrt();
                let point = Vector3::new(flat * cos, flat * sin, z) * radius;
                let due = shown(times, motions, &all, time, point);
                worst = worst.max((shown(times, motions, keys, time, point) - due).norm());
            }
        }
        worst
    }

    #[test]
    fn keys_stray_by_no_more_than_the_tolerance_also_between_times() {
        let (times, motions) = waves(150);
        let mut counts = Vec::new();
        for tolerance in [0.1, 0.01, 0.001] {
            let kept = keys(&times, &motions, 0.4, tolerance);
            assert_eq!((kept[0], kept[kept.len() - 1]), (0, 149));
            assert!(kept.is_sorted_by(|a, b| a < b));
            let far = strays(&times, &motions, &kept, 0.4);
            // The library sees the times given; between two of them both motions are linear, and turn by at most a
            // degree and a half a frame about axes that differ: 1e-5 of the radius.
            assert!(far <= tolerance + 1e-5, "{far} with {tolerance}");
            // It uses what it is given.
            assert!(far > 0.5 * tolerance, "{far} with {tolerance}");
            counts.push(kept.len());
        }
        assert!(
            counts[0] < counts[1] && counts[1] < counts[2] && counts[2] < 150,
            "{counts:?}"
        );
    }

    #[test]
    fn what_stands_still_or_goes_evenly_has_two_keys() {
        let times: Vec<f64> = (0..5000)
            .map(|k| f64::from(k) * f64::from(k) + 0.5)
            .collect();
        let still = vec![at([0.3, 0.0, 0.0], [1.0, 2.0, 3.0]); 5000];
        assert_eq!(keys(&times, &still, 1.0, 1e-9), [0, 4999]);
        let evenly: Vec<Move> = times
            .iter()
            .map(|t| at([0.0, 1e-7 * t, 0.0], [1e-6 * t, 0.0, 1.0]))
            .collect();
        // Quaternions have sixteen digits.
        assert_eq!(keys(&times, &evenly, 1.0, 1e-9), [0, 4999]);
        // The same rotations with other signs.
        let mixed: Vec<Move> = evenly
            .iter()
            .enumerate()
            .map(|(k, own)| Move {
                rotation: UnitQuaternion::new_unchecked(
                    own.rotation.into_inner() * [1.0, -1.0][k % 2],
                ),
                ..*own
            })
            .collect();
        assert_eq!(keys(&times, &mixed, 1.0, 1e-9), [0, 4999]);
    }

    #[test]
    fn a_corner_keeps_its_key() {
        let times: Vec<f64> = (0..60).map(f64::from).collect();
        let corner = |k: &f64| at([0.0; 3], [k.min(20.0), 0.0, 0.0]);
        let motions: Vec<Move> = times.iter().map(corner).collect();
        assert_eq!(keys(&times, &motions, 1.0, 0.01), [0, 20, 59]);
        let corner = |k: &f64| at([0.02 * k.max(33.0), 0.0, 0.0], [0.0; 3]);
        let motions: Vec<Move> = times.iter().map(corner).collect();
        assert_eq!(keys(&times, &motions, 1.0, 0.001), [0, 33, 59]);
        // Turns count by the radius.
        assert_eq!(keys(&times, &motions, 0.001, 0.001), [0, 59]);
    }

    #[test]
    fn half_a_turn_is_never_left_to_the_way_an_engine_goes() {
        let times: Vec<f64> = (0..=40).map(f64::from).collect();
        let motions: Vec<Move> = times
            .iter()
            .map(|k| at([0.0, 0.0, k * std::f64::consts::PI / 20.0], [0.0; 3]))
            .collect();
        // A whole turn, evenly: two keys would be no motion at all, three would be half turns.
        let kept = keys(&times, &motions, 1.0, 1e-6);
        assert_eq!(kept, [0, 10, 20, 30, 40]);
    }

    #[test]
    fn what_is_no_motion_keeps_its_keys() {
        assert!(keys(&[], &[], 1.0, 0.1).is_empty());
        assert_eq!(keys(&[2.0], &[Move::still()], 1.0, 0.1), [0]);
        assert_eq!(
            keys(&[2.0, 3.0, 4.0], &[Move::still(); 2], 1.0, 0.1),
            [0, 1]
        );
        let still = [Move::still(); 5];
        assert_eq!(keys(&[0.0, 1.0, 1.0, 1.0, 2.0], &still, 1.0, 0.1), [0, 4]);
        assert_eq!(keys(&[0.0, 2.0, 1.0, 3.0, 4.0], &still, 1.0, 0.1), [0, 4]);
        assert_eq!(keys(&[0.0, 5.0, 1.0], &still[..3], 1.0, 0.1), [0, 1, 2]);
        let all: Vec<usize> = (0..5).collect();
        assert_eq!(keys(&[7.0; 5], &still, 1.0, 0.1), all);
        assert_eq!(keys(&[f64::NAN; 5], &still, 1.0, 0.1), all);
        assert_eq!(keys(&[0.0, 1.0, 2.0, 3.0, 4.0], &still, 1.0, f64::NAN), all);
        let nan = [at([0.0; 3], [f64::NAN; 3]); 5];
        assert_eq!(keys(&[0.0, 1.0, 2.0, 3.0, 4.0], &nan, 1.0, 0.1), all);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

        /// Every key is needed, and there are at most twice the least number and one, by trying all sets.
        #[test]
        fn small_motions_have_few_keys(
            values in prop::collection::vec((-4i8..=4, -4i8..=4), 2..10),
        ) {
            let times: Vec<f64> = (0..values.len()).map(|k| k as f64).collect();
            let motions: Vec<Move> = values
                .iter()
                .map(|&(a, b)| at([0.2 * f64::from(a), 0.0, 0.0], [0.0, f64::from(b), 0.0]))
                .collect();
            let (radius, tolerance) = (1.0, 1.0);
            let track = Track { times: &times, motions: &motions, radius, tolerance };
            let holds = |places: &[usize]| places.windows(2).all(|pair| track.holds(pair[0], pair[1]));
            let kept = keys(&times, &motions, radius, tolerance);
            prop_assert!(holds(&kept));
            for gone in 1..kept.len().saturating_sub(1) {
                let mut less = kept.clone();
                less.remove(gone);
                prop_assert!(!holds(&less), "{:?} without {}", kept, gone);
            }
            let last = values.len() - 1;
            let least = (0u32..1 << (last - 1))
                .map(|set| {
                    let inner = (1..last).filter(|k| set >> (k - 1) & 1 == 1);
                    std::iter::once(0).chain(inner).chain([last]).collect::<Vec<_>>()
                })
                .filter(|places| holds(places))
                .map(|places| places.len())
                .min();
            prop_assert!(kept.len() <= 2 * least.unwrap_or(0) + 1, "{:?} of {:?}", kept, least);
        }
    }
}
