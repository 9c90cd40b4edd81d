//! Parts of how a joint turns, and products of them.

use nalgebra::UnitQuaternion;

/// What the parts are called in JSON, in the order of [`parts`].
pub(super) const NAMES: [&str; PARTS] = ["x", "y", "z", "xx", "yy", "zz", "xy", "xz", "yz", "tan2"];

/// How many there are.
pub(super) const PARTS: usize = 10;

/// How many of them come first that are along an axis, and change sign with the angle.
const ODD: usize = 3;

/// The place of the part that knows no axis.
const TAN2: usize = 9;

/// tan² (θ/2) is softened by this much, and ends at one over it. So half of a twist is followed to a quarter of a degree
/// up to 120° either way, and 1/cos (θ/2) to a thousandth; of the twist half this number, and twice, leave five times as much.
const SOFT: f64 = 0.1;

/// The squared length of a quaternion below which it says nothing about a rotation.
const LEAST_SQUARE: f64 = 1e-12;

/// One part of one driver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Factor {
    /// Its place in the list of drivers.
    pub driver: usize,
    /// Its place in [`NAMES`].
    pub part: usize,
}

/// A part, or a product of two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Term {
    pub first: Factor,
    pub second: Option<Factor>,
}

/// The parts of a rotation: none is above ten, and all are zero at bind and where there is no rotation. The quaternion
/// may have any length: engines hold them in 32 bits.
pub(super) fn parts(q: &UnitQuaternion<f64>) -> [f64; PARTS] {
    let (w, [x, y, z]) = (q.w, [q.i, q.j, q.k]);
    let square = w * w + x * x + y * y + z * z;
    if !(square > LEAST_SQUARE && square.is_finite()) {
        return [0.0; PARTS];
    }
    let scale = 2.0 / square;
    let twice = |a: f64, b: f64| scale * (a * b);
    let (xx, yy, zz) = (twice(x, x), twice(y, y), twice(z, z));
    let inside = (xx + yy + zz) / 2.0;
    let odd = [twice(w, x), twice(w, y), twice(w, z)];
    let mixed = [twice(x, y), twice(x, z), twice(y, z)];
    [
        odd[0],
        odd[1],
        odd[2],
        xx,
        yy,
        zz,
        mixed[0],
        mixed[1],
        mixed[2],
        inside / (w * w / square + SOFT),
    ]
}

impl Term {
    /// Its value, given the parts of each driver.
    pub fn value<'a>(&self, parts: impl Fn(usize) -> &'a [f64; PARTS]) -> f64 {
        let of = |factor: Factor| parts(factor.driver)[factor.part];
        of(self.first) * self.second.map_or(1.0, of)
    }

    /// Its factors.
    pub fn factors(&self) -> impl Iterator<Item = Factor> {
        std::iter::once(self.first).chain(self.second)
    }

    /// The terms that come with a driver of this number, behind those of the drivers below it.
    pub fn of_driver(driver: usize) -> Vec<Self> {
        let factor = |part| Factor { driver, part };
        let own = (0..TAN2).map(|part| Self {
            first: factor(part),
            second: None,
        });
        let curved = (0..TAN2).map(|part| Self {
            first: factor(part),
            second: Some(factor(TAN2)),
        });
        let mut terms: Vec<Self> = own.chain(curved).collect();
        for earlier in 0..driver {
            for one in 0..ODD {
                terms.extend((0..ODD).map(|other| Self {
                    first: Factor {
                        driver: earlier,
                        part: one,
                    },
                    second: Some(factor(other)),
                }));
            }
        }
        terms
    }
}
