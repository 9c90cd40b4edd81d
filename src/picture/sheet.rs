//! The layout of a still: a heading, three panels side by side, a legend.

use noto_sans_mono_bitmap::{FontWeight, RasterHeight};

use super::camera::View;
use super::canvas::{Align, Area, Canvas, Colour, Letters};
use super::model::Model;
use super::ramp::{Linear, ramp, to_bytes};
use super::raster::{self, Paint, Seen};

/// What pictures are drawn on, and with.
const PAPER: Colour = [250, 249, 246];
pub(super) const INK: Colour = [38, 34, 42];
const FAINT: Colour = [104, 98, 106];
const LINE: Colour = [214, 209, 201];
pub(super) const RIM: Colour = [252, 251, 249];

/// The least size that a sheet is laid out for, in pixels.
pub const LEAST_SIZE: [u32; 2] = [480, 240];

/// Sheets narrower than this, in pixels, have a foot of three lines.
const NARROW: usize = 1200;

/// A sheet in the making.
pub(super) struct Sheet {
    canvas: Canvas,
    small: Letters,
    margin: usize,
    /// Where panels begin and end.
    top: usize,
    bottom: usize,
    panels: usize,
    /// Whether panels lie below each other, as long low subjects want them; else side by side.
    stacked: bool,
}

/// What explains the colours of a sheet.
pub(super) enum Legend {
    /// The ramp, from 0 to its top: marks at shares of it, and what the whole is of.
    Ramp {
        caption: String,
        marks: Vec<(f32, String)>,
    },
    /// Colours with their meanings.
    Keys(Vec<(Linear, String)>),
}

impl Sheet {
    /// An empty sheet of at least [`LEAST_SIZE`].
    pub fn new(size: [u32; 2], panels: usize, heading: &str, remark: &str) -> Self {
        let [width, height] = [0, 1].map(|i| size[i].max(LEAST_SIZE[i]) as usize);
        let (large, small) = match (height, width) {
            (900.., 1600..) => (RasterHeight::Size32, RasterHeight::Size24),
            (600.., 1000..) => (RasterHeight::Size24, RasterHeight::Size20),
            (480.., 800..) => (RasterHeight::Size20, RasterHeight::Size16),
            _ => (RasterHeight::Size16, RasterHeight::Size16),
        };
        let large = Letters {
            height: large,
            weight: FontWeight::Bold,
            colour: INK,
        };
        let small = Letters {
            height: small,
            weight: FontWeight::Regular,
            colour: FAINT,
        };
        let margin = width / 64;
        let mut sheet = Self {
            canvas: Canvas::new(width, height, PAPER),
            small,
            margin,
            top: 0,
            bottom: 0,
            panels,
            stacked: false,
        };
        let room = width - 2 * margin;
        let mut y = margin / 2 + 2;
        let heading = large.cut(heading, room);
        let left = margin as f32;
        sheet.write(left, y, &heading, large, Align::Left);
        // Beside the heading if there is room, else below it.
        let gap = 2 * small.line();
        if large.width(&heading) + gap + small.width(remark) <= room {
            let lower = y + large.line() - small.line();
            let right = (width - margin) as f32;
            sheet.write(right, lower, remark, small, Align::Right);
            y += large.line();
        } else {
            y += large.line();
            let remark = small.cut(remark, room);
            sheet.write(left, y, &remark, small, Align::Left);
            y += small.line();
        }
        sheet.top = y + margin / 2;
        // Narrow sheets have a third line.
        let lines = if width < NARROW { 4 } else { 3 };
        sheet.bottom = height - margin / 2 - lines * small.line();
        sheet
    }

    fn write(&mut self, x: f32, y: usize, text: &str, letters: Letters, align: Align) {
        self.canvas.write(x, y as f32, text, letters, align);
    }

    /// Lays panels side by side or below each other, whichever shows more; `scale` tells how large a panel of a size
    /// in pixels shows what is to be drawn.
    pub fn settle(&mut self, scale: impl Fn([usize; 2]) -> f32) {
        let [beside, below] = [false, true].map(|stacked| {
            self.stacked = stacked;
            scale(self.panel())
        });
        self.stacked = below > beside;
    }

    /// The part of the sheet that a panel has, with its title.
    fn room(&self, panel: usize) -> Area {
        let share = |of: usize, panel: usize| panel * of / self.panels;
        let height = self.bottom.saturating_sub(self.top);
        if self.stacked {
            let y = self.top + share(height, panel);
            Area {
                x: 0,
                y,
                width: self.canvas.width,
                height: self.top + share(height, panel + 1) - y,
            }
        } else {
            let x = share(self.canvas.width, panel);
            Area {
                x,
                y: self.top,
                width: share(self.canvas.width, panel + 1) - x,
                height,
            }
        }
    }

    /// Where the model of a panel goes.
    fn area(&self, panel: usize) -> Area {
        let room = self.room(panel);
        let title = self.small.line() + 4;
        let [width, height] = self.panel();
        Area {
            x: room.x + 1,
            y: room.y + title,
            width,
            height,
        }
    }

    /// The size of what panels show, in pixels; that of all of a sheet.
    pub fn panel(&self) -> [usize; 2] {
        let rooms = (0..self.panels).map(|panel| self.room(panel));
        // They differ by a pixel at most.
        let (width, height) = rooms.fold((usize::MAX, usize::MAX), |(width, height), room| {
            (width.min(room.width), height.min(room.height))
        });
        let title = self.small.line() + 4;
        [
            width.saturating_sub(2).max(16),
            height.saturating_sub(title + 2).max(16),
        ]
    }

    /// Draws a model in a panel.
    pub fn draw(
        &mut self,
        panel: usize,
        title: &str,
        model: &Model,
        view: &View,
        paint: &Paint,
    ) -> Seen {
        let (room, area) = (self.room(panel), self.area(panel));
        if panel > 0 {
            let line = match self.stacked {
                true => Area { height: 1, ..room },
                false => Area { width: 1, ..room },
            };
            self.canvas.fill(line, LINE);
        }
        let letters = Letters {
            colour: INK,
            ..self.small
        };
        let title = letters.cut(title, room.width);
        if self.stacked {
            let (left, y) = (self.margin as f32, room.y + 4);
            self.write(left, y, &title, letters, Align::Left);
        } else {
            let middle = room.x as f32 + room.width as f32 / 2.0;
            self.write(middle, room.y, &title, letters, Align::Middle);
        }
        raster::draw(&mut self.canvas, area, model, view, paint)
    }

    /// A ring about a place of a panel, in pixels from its corner.
    pub fn ring(&mut self, panel: usize, at: [f32; 2]) {
        let (place, unit) = (self.place(panel, at), self.unit());
        self.canvas.ring(place, 10.0 * unit, 15.0 * unit, RIM);
        self.canvas.ring(place, 11.2 * unit, 13.8 * unit, INK);
    }

    /// A dot at a place of a panel.
    pub fn dot(&mut self, panel: usize, at: [f32; 2], colour: Linear) {
        let (place, unit) = (self.place(panel, at), self.unit());
        self.canvas.ring(place, 0.0, 6.5 * unit, RIM);
        self.canvas.ring(place, 0.0, 4.6 * unit, to_bytes(colour));
    }

    /// Writes names on a panel, each in the middle of its place; those that would overlap are left out.
    pub fn names(&mut self, panel: usize, names: &[([f32; 2], &str)]) {
        let letters = Letters {
            colour: INK,
            weight: FontWeight::Bold,
            height: match self.small.height {
                RasterHeight::Size24 => RasterHeight::Size20,
                _ => RasterHeight::Size16,
            },
        };
        let area = self.area(panel);
        let mut taken: Vec<[f32; 4]> = Vec::new();
        for &(at, name) in names {
            let [x, y] = self.place(panel, at);
            let name = letters.cut(name, area.width / 2);
            let half = letters.width(&name) as f32 / 2.0 + 3.0;
            let top = y - letters.line() as f32 / 2.0;
            let spot = [x - half, top, x + half, top + letters.line() as f32];
            let is_within = spot[0] >= area.x as f32
                && spot[2] <= (area.x + area.width) as f32
                && spot[1] >= area.y as f32
                && spot[3] <= (area.y + area.height) as f32;
            let overlaps = |other: &[f32; 4]| {
                spot[0] < other[2] && other[0] < spot[2] && spot[1] < other[3] && other[1] < spot[3]
            };
            if is_within && !taken.iter().any(overlaps) {
                taken.push(spot);
                self.canvas.write_rimmed(x, top, &name, letters, RIM);
            }
        }
    }

    /// Explains the colours, at the right of the foot, and says something at its left.
    pub fn foot(&mut self, note: &str, legend: &Legend) {
        let line = self.small.line();
        let y = self.bottom + line / 2;
        let right = self.canvas.width - self.margin;
        let start = match legend {
            Legend::Ramp { caption, marks } => self.ramp(y, right, caption, marks),
            Legend::Keys(keys) => self.keys(y, right, keys),
        };
        let room = start.saturating_sub(2 * self.margin);
        let left = self.margin as f32;
        for (row, text) in wrapped(note, self.small, room).iter().take(3).enumerate() {
            self.write(left, y + row * line, text, self.small, Align::Left);
        }
    }

    /// Draws the ramp; gives where it begins.
    fn ramp(&mut self, y: usize, right: usize, caption: &str, marks: &[(f32, String)]) -> usize {
        let line = self.small.line();
        let widest = marks.iter().map(|(_, text)| self.small.width(text)).max();
        let caption_width = self.small.width(caption);
        let most = self.canvas.width - 2 * self.margin;
        let end = right - self.small.width("000") / 2;
        let width = (marks.len() * (widest.unwrap_or(0) + self.small.width("  ")))
            .max(self.canvas.width * 3 / 10)
            .min(most);
        let start = end.saturating_sub(width);
        for x in start..end {
            let share = (x - start) as f32 / (width.max(2) - 1) as f32;
            let bar = Area {
                x,
                y: y + line / 8,
                width: 1,
                height: line * 5 / 8,
            };
            self.canvas.fill(bar, ramp(share));
        }
        for (share, text) in marks {
            let x = start as f32 + share * (width.max(1) - 1) as f32;
            let mark = Area {
                x: x as usize,
                y: y + line * 6 / 8,
                width: 1,
                height: line / 4,
            };
            self.canvas.fill(mark, FAINT);
            let half = self.small.width(text) as f32 / 2.0;
            let x = x.clamp(half, self.canvas.width as f32 - half);
            self.write(x, y + line, text, self.small, Align::Middle);
        }
        // Beside the ramp if there is room, so that the foot keeps two lines.
        let gap = self.small.width("0");
        if self.canvas.width < NARROW {
            self.write(end as f32, y + 2 * line, caption, self.small, Align::Right);
            start.min(end.saturating_sub(caption_width))
        } else if caption_width + gap < start.saturating_sub(self.margin) {
            let x = (start - gap) as f32;
            self.write(x, y, caption, self.small, Align::Right);
            start - gap - caption_width
        } else {
            start
        }
    }

    /// Draws keys in rows of columns; gives where they begin.
    fn keys(&mut self, y: usize, right: usize, keys: &[(Linear, String)]) -> usize {
        let line = self.small.line();
        let box_width = line;
        let widest = keys.iter().map(|(_, text)| self.small.width(text)).max();
        let cell = widest.unwrap_or(0) + box_width + 2 * self.small.width("0");
        let rows = 2;
        let columns = keys.len().div_ceil(rows).max(1);
        let fit = ((right - self.margin) / cell.max(1)).max(1);
        let columns = columns.min(fit);
        let start = right.saturating_sub(columns * cell);
        for (i, (colour, text)) in keys.iter().take(rows * columns).enumerate() {
            let (x, y) = (start + i % columns * cell, y + i / columns * (line + 2));
            let patch = Area {
                x,
                y: y + line / 6,
                width: box_width,
                height: line * 2 / 3,
            };
            self.canvas.fill(patch, to_bytes(*colour));
            let x = (x + box_width) as f32 + self.small.width("0") as f32 / 2.0;
            self.write(x, y, text, self.small, Align::Left);
        }
        start
    }

    /// The finished picture.
    pub fn into_canvas(self) -> Canvas {
        self.canvas
    }

    fn place(&self, panel: usize, [x, y]: [f32; 2]) -> [f32; 2] {
        let area = self.area(panel);
        [area.x as f32 + x, area.y as f32 + y]
    }

    /// What a pixel of a sheet of 1080 rows measures here.
    fn unit(&self) -> f32 {
        (self.canvas.height as f32 / 1080.0).max(0.5)
    }
}

/// A text in lines of at most that many pixels.
fn wrapped(text: &str, letters: Letters, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line)
                if letters.width(line) + letters.width(word) + letters.width(" ") <= width =>
            {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(letters.cut(word, width)),
        }
    }
    lines
}
