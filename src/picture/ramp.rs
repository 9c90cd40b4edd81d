//! Colours: one even ramp for figures, a set of hues for kinds.
//!
//! The ramp runs from pale hide to deep violet. It is laid through OKLab (Ottosson 2020, *A perceptual color
//! space for image processing*) and paced evenly along its way, with lightness that falls all the way: so equal
//! steps look equal, and order shows without hue, to readers who see two primaries only or a grey print
//! (the criteria of Nuñez, Anderton & Renslow 2018, *Optimizing colormaps with consideration for color vision
//! deficiency*, PLoS ONE 13). The tests hold it to them by the dichromat matrices of Machado, Oliveira & Fernandes
//! 2009, the outside checks by CAM02-UCS.
//!
//! The hues are those of Okabe & Ito 2008 (*Color universal design*), a third of the way to white.

use std::sync::LazyLock;

/// A colour in linear light, 0 to 1.
pub(super) type Linear = [f32; 3];

/// Steps of the ramp's table: finer than the eight bits of a picture.
const STEPS: usize = 1024;

/// Where the ramp passes: lightness, chroma and hue (degrees) in OKLab.
const ANCHORS: [[f64; 3]; 5] = [
    [0.925, 0.025, 95.0],
    [0.79, 0.105, 78.0],
    [0.63, 0.15, 45.0],
    [0.45, 0.145, 5.0],
    [0.26, 0.105, -55.0],
];

/// Okabe & Ito 2008, without black and grey: orange, sky blue, bluish green, yellow, blue, vermillion, reddish
/// purple; from memory.
const HUES: [[u8; 3]; 7] = [
    [230, 159, 0],
    [86, 180, 233],
    [0, 158, 115],
    [240, 228, 66],
    [0, 114, 178],
    [213, 94, 0],
    [204, 121, 167],
];

/// The share of white in the hues: surfaces stay calm.
const WHITE: f32 = 0.35;

static TABLE: LazyLock<Vec<Linear>> = LazyLock::new(table);

/// The colour of a figure as a share of the ramp's top; beyond the ends it stays that of the ends.
pub fn ramp(share: f32) -> [u8; 3] {
    to_bytes(linear(share))
}

/// As [`ramp`], in linear light.
pub(super) fn linear(share: f32) -> Linear {
    let place = share.clamp(0.0, 1.0) * (STEPS - 1) as f32;
    // What is no number has no place: it is drawn as the worst.
    let place = if place.is_finite() {
        place.round() as usize
    } else {
        STEPS - 1
    };
    TABLE[place]
}

/// The colour of the kind of that number; after seven they come again.
pub(super) fn hue(number: usize) -> Linear {
    from_bytes(HUES[number % HUES.len()]).map(|channel| channel + WHITE * (1.0 - channel))
}

/// A hue in full, for small marks.
pub(super) fn mark() -> Linear {
    from_bytes(HUES[5])
}

/// How many kinds have a colour of their own.
pub(super) const HUE_COUNT: usize = HUES.len();

/// The table of the ramp: points through OKLab at even distances.
fn table() -> Vec<Linear> {
    let points: Vec<[f64; 3]> = ANCHORS
        .iter()
        .map(|&[lightness, chroma, hue]| {
            let (sin, cos) = hue.to_radians().sin_cos();
            [lightness, chroma * cos, chroma * sin]
        })
        .collect();
    const FINE: usize = 8 * STEPS;
    let way: Vec<[f64; 3]> = (0..=FINE)
        .map(|i| through(&points, i as f64 / FINE as f64))
        .collect();
    let mut length = vec![0.0];
    for pair in way.windows(2) {
        let step: f64 = (0..3).map(|i| (pair[1][i] - pair[0][i]).powi(2)).sum();
        length.push(length[length.len() - 1] + step.sqrt());
    }
    let whole = length[FINE];
    (0..STEPS)
        .map(|step| {
            let wanted = whole * step as f64 / (STEPS - 1) as f64;
            let after = length.partition_point(|&l| l < wanted).clamp(1, FINE);
            let share = (wanted - length[after - 1]) / (length[after] - length[after - 1]);
            let (a, b) = (way[after - 1], way[after]);
            oklab_to_linear(std::array::from_fn(|i| a[i] + share * (b[i] - a[i])))
        })
        .collect()
}

/// A smooth curve through points (uniform Catmull–Rom, ends extended straight), at a share of its way.
fn through(points: &[[f64; 3]], share: f64) -> [f64; 3] {
    let last = points.len() - 1;
    let place = (share * last as f64).min(last as f64 - 1e-9);
    let (i, f) = (place as usize, place.fract());
    let at = |k: isize| -> [f64; 3] {
        let k = i as isize + k;
        match usize::try_from(k) {
            Err(_) => std::array::from_fn(|c| 2.0 * points[0][c] - points[1][c]),
            Ok(k) if k > last => {
                std::array::from_fn(|c| 2.0 * points[last][c] - points[last - 1][c])
            }
            Ok(k) => points[k],
        }
    };
    let (a, b, c, d) = (at(-1), at(0), at(1), at(2));
    std::array::from_fn(|k| {
        0.5 * (2.0 * b[k]
            + (c[k] - a[k]) * f
            + (2.0 * a[k] - 5.0 * b[k] + 4.0 * c[k] - d[k]) * f * f
            + (3.0 * b[k] - a[k] - 3.0 * c[k] + d[k]) * f * f * f)
    })
}

/// Ottosson 2020: OKLab to linear sRGB.
fn oklab_to_linear([lightness, a, b]: [f64; 3]) -> Linear {
    let l = (lightness + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let m = (lightness - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let s = (lightness - 0.089_484_177_5 * a - 1.291_485_548_0 * b).powi(3);
    [
        4.076_741_662_1 * l - 3.307_711_591_3 * m + 0.230_969_929_2 * s,
        -1.268_438_004_6 * l + 2.609_757_401_1 * m - 0.341_319_396_5 * s,
        -0.004_196_086_3 * l - 0.703_418_614_7 * m + 1.707_614_701_0 * s,
    ]
    .map(|channel| channel.clamp(0.0, 1.0) as f32)
}

/// Linear light to the bytes of sRGB (IEC 61966-2-1).
pub(super) fn to_bytes(colour: Linear) -> [u8; 3] {
    colour.map(|channel| {
        let channel = channel.clamp(0.0, 1.0);
        let encoded = if channel <= 0.003_130_8 {
            12.92 * channel
        } else {
            1.055 * channel.powf(1.0 / 2.4) - 0.055
        };
        (255.0 * encoded).round() as u8
    })
}

/// The bytes of sRGB to linear light.
pub(super) fn from_bytes(bytes: [u8; 3]) -> Linear {
    bytes.map(|byte| {
        let encoded = f32::from(byte) / 255.0;
        if encoded <= 0.040_45 {
            encoded / 12.92
        } else {
            ((encoded + 0.055) / 1.055).powf(2.4)
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linear sRGB to OKLab (Ottosson 2020): the way back, for checking.
    fn oklab([r, g, b]: [f64; 3]) -> [f64; 3] {
        let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        [
            0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
            1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
            0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
        ]
    }

    /// Machado, Oliveira & Fernandes 2009, severity 1; from memory, in the order protan, deutan, tritan.
    const DICHROMATS: [[[f64; 3]; 3]; 3] = [
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    ];

    fn seen(matrix: Option<[[f64; 3]; 3]>, share: f64) -> [f64; 3] {
        let colour = linear(share as f32).map(f64::from);
        oklab(match matrix {
            None => colour,
            Some(matrix) => matrix.map(|row| {
                let sum: f64 = (0..3).map(|i| row[i] * colour[i]).sum();
                sum.clamp(0.0, 1.0)
            }),
        })
    }

    #[test]
    fn equal_steps_look_equal() {
        let steps: Vec<f64> = (0..100)
            .map(|i| {
                let (a, b) = (
                    seen(None, f64::from(i) / 100.0),
                    seen(None, f64::from(i + 1) / 100.0),
                );
                (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f64>().sqrt()
            })
            .collect();
        let mean = steps.iter().sum::<f64>() / 100.0;
        // A step is ten entries of the table, each rounded to one in a thousand of the ramp; channels clip nowhere.
        for step in steps {
            assert!((step / mean - 1.0).abs() < 0.12, "{step} of {mean}");
        }
    }

    #[test]
    fn order_shows_without_hue() {
        let eyes = DICHROMATS.iter().map(|&matrix| Some(matrix));
        for eye in eyes.chain([None]) {
            for i in 0..20 {
                let (a, b) = (f64::from(i) / 20.0, f64::from(i + 1) / 20.0);
                let fall = seen(eye, a)[0] - seen(eye, b)[0];
                // Lightness falls by 0.66 in all: an even share is 0.033.
                assert!(fall > 0.01, "{eye:?} from {a} to {b}: {fall}");
            }
        }
    }

    #[test]
    fn bytes_of_srgb_come_back() {
        for byte in 0..=255 {
            assert_eq!(to_bytes(from_bytes([byte; 3])), [byte; 3]);
        }
    }

    #[test]
    fn what_is_beyond_the_ramp_has_the_colour_of_its_ends() {
        assert_eq!(ramp(-1.0), ramp(0.0));
        assert_eq!(ramp(7.0), ramp(1.0));
        assert_eq!(ramp(f32::NAN), ramp(1.0));
    }
}
