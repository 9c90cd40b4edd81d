//! Pixels, letters and plain shapes on them.

use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};

/// A colour in bytes of sRGB.
pub(super) type Colour = [u8; 3];

/// A picture in the making; row after row from the top.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Canvas {
    pub width: usize,
    pub height: usize,
    pub pixels: Vec<Colour>,
}

/// A part of a canvas, in pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Area {
    pub x: usize,
    pub y: usize,
    pub width: usize,
    pub height: usize,
}

/// How letters look.
#[derive(Clone, Copy, Debug)]
pub(super) struct Letters {
    pub height: RasterHeight,
    pub weight: FontWeight,
    pub colour: Colour,
}

/// Where letters stand about their place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Align {
    Left,
    Middle,
    Right,
}

/// What stands for a letter that the font lacks.
const STAND_IN: char = '?';

impl Letters {
    /// The width of a text, in pixels.
    pub fn width(self, text: &str) -> usize {
        text.chars().count() * get_raster_width(self.weight, self.height)
    }

    /// The height of a line, in pixels.
    pub fn line(self) -> usize {
        self.height.val()
    }

    /// The text, or its beginning with a mark if it is wider than that.
    pub fn cut(self, text: &str, width: usize) -> String {
        let room = width / get_raster_width(self.weight, self.height);
        if text.chars().count() <= room {
            return text.to_owned();
        }
        let shown: String = text.chars().take(room.saturating_sub(2)).collect();
        shown + ".."
    }
}

impl Canvas {
    pub fn new(width: usize, height: usize, colour: Colour) -> Self {
        Self {
            width,
            height,
            pixels: vec![colour; width * height],
        }
    }

    /// Lays a colour over a pixel; beyond the edges nothing happens.
    pub fn lay(&mut self, x: isize, y: isize, colour: Colour, share: f32) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else {
            return;
        };
        if x >= self.width || y >= self.height || share <= 0.0 {
            return;
        }
        let pixel = &mut self.pixels[y * self.width + x];
        for (channel, new) in pixel.iter_mut().zip(colour) {
            let old = f32::from(*channel);
            *channel = (old + share.min(1.0) * (f32::from(new) - old)).round() as u8;
        }
    }

    pub fn fill(&mut self, area: Area, colour: Colour) {
        for y in area.y..(area.y + area.height).min(self.height) {
            for x in area.x..(area.x + area.width).min(self.width) {
                self.pixels[y * self.width + x] = colour;
            }
        }
    }

    /// Writes a line, its top at `y`.
    pub fn write(&mut self, x: f32, y: f32, text: &str, letters: Letters, align: Align) {
        let width = letters.width(text) as f32;
        let left = match align {
            Align::Left => x,
            Align::Middle => x - width / 2.0,
            Align::Right => x - width,
        };
        let (mut left, top) = (left.round() as isize, y.round() as isize);
        let step = get_raster_width(letters.weight, letters.height) as isize;
        for letter in text.chars() {
            let raster = |letter| get_raster(letter, letters.weight, letters.height);
            if let Some(raster) = raster(letter).or_else(|| raster(STAND_IN)) {
                for (row, line) in raster.raster().iter().enumerate() {
                    for (column, &ink) in line.iter().enumerate() {
                        let share = f32::from(ink) / 255.0;
                        self.lay(
                            left + column as isize,
                            top + row as isize,
                            letters.colour,
                            share,
                        );
                    }
                }
            }
            left += step;
        }
    }

    /// Writes a line with a rim of another colour, to be read on any ground.
    pub fn write_rimmed(&mut self, x: f32, y: f32, text: &str, letters: Letters, rim: Colour) {
        let around = Letters {
            colour: rim,
            ..letters
        };
        for (dx, dy) in [
            (-1.5, 0.0),
            (1.5, 0.0),
            (0.0, -1.5),
            (0.0, 1.5),
            (-1.0, -1.0),
            (1.0, 1.0),
            (-1.0, 1.0),
            (1.0, -1.0),
        ] {
            self.write(x + dx, y + dy, text, around, Align::Middle);
        }
        self.write(x, y, text, letters, Align::Middle);
    }

    /// A disc or, with `inner` above zero, a ring; edges are soft.
    pub fn ring(&mut self, [x, y]: [f32; 2], inner: f32, outer: f32, colour: Colour) {
        let reach = outer.ceil() as isize + 1;
        let (cx, cy) = (x.floor() as isize, y.floor() as isize);
        for py in cy - reach..=cy + reach {
            for px in cx - reach..=cx + reach {
                let distance = (px as f32 + 0.5 - x).hypot(py as f32 + 0.5 - y);
                let share = (outer - distance + 0.5).clamp(0.0, 1.0)
                    * (distance - inner + 0.5).clamp(0.0, 1.0);
                self.lay(px, py, colour, share);
            }
        }
    }

    /// The picture as a PNG file (ISO/IEC 15948) in sRGB.
    pub fn to_png(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, self.width as u32, self.height as u32);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
        encoder.set_compression(png::Compression::Balanced);
        // Writing to memory does not fail, and the size is that of the header.
        let written = encoder
            .write_header()
            .and_then(|mut writer| writer.write_image_data(self.pixels.as_flattened()));
        debug_assert!(written.is_ok(), "{written:?}");
        bytes
    }
}
