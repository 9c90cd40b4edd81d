//! Bar charts as inline SVG, each with its figures as a table.
//!
//! Bars start at 0 and have their figure at the end: lengths compare, and no colour has to be told from another.

use maud::{Markup, PreEscaped, html};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// A chart of bars that lie beside each other.
pub(super) struct Bars<'a> {
    /// Unique on the page.
    pub(super) id: String,
    /// What it shows, and of which poses.
    pub(super) title: &'a str,
    /// What the figures are in.
    pub(super) unit: &'a str,
    /// What a row is.
    pub(super) row: &'a str,
    /// What each figure of a row is: one or two.
    pub(super) series: &'a [&'a str],
    /// A name and as many figures as there are series.
    pub(super) rows: Vec<(String, Vec<Option<f64>>)>,
    /// Digits after the point.
    pub(super) digits: usize,
    /// What could be misread.
    pub(super) note: &'a str,
}

/// Plotters writes these; the page's own colours, light or dark, take their place.
const COLOURS: [(RGBColor, &str, &str); 5] = [
    (RGBColor(1, 1, 1), "\"#010101\"", "\"var(--bar-1)\""),
    (RGBColor(1, 1, 2), "\"#010102\"", "\"var(--bar-2)\""),
    (RGBColor(1, 1, 3), "\"#010103\"", "\"var(--text)\""),
    (RGBColor(1, 1, 4), "\"#010104\"", "\"var(--line)\""),
    (RGBColor(1, 1, 5), "\"#010105\"", "\"var(--bar-3)\""),
];
const TEXT: RGBColor = COLOURS[2].0;
const LINE: RGBColor = COLOURS[3].0;
/// Bars that are of no set of poses.
const ALONE: RGBColor = COLOURS[4].0;

/// Pixels, where there is room for the whole width.
const WIDTH: u32 = 480;
const BAR: u32 = 15;
const GAP: u32 = 9;
const FOOT: u32 = 26;
/// What a figure at the end of a bar takes.
const FIGURE: u32 = 62;
/// Plotters takes more than the height of letters.
const LETTERS: f64 = 15.0;

/// Names of rows are cut to this many characters.
const LONGEST: usize = 22;

/// Figures beyond these make no chart: the table has them.
const MOST: f64 = 1e12;
/// The least end of an axis: shorter ones have no ticks that can be written.
const LEAST: f64 = 1e-6;

impl Bars<'_> {
    /// The chart, what could be misread, and the figures.
    pub(super) fn shown(&self) -> Markup {
        html! {
            figure.chart {
                figcaption {
                    strong { (self.title) } ", " (self.unit)
                    @if self.series.len() > 1 {
                        span.key { @for (i, name) in self.series.iter().enumerate() {
                            span { span.swatch.{ "s" (i + 1) } {} (name) }
                        } }
                    }
                }
                @match self.drawn() {
                    Some(drawn) => (PreEscaped(drawn)),
                    None => p.note { "No chart: no figures that one could show." },
                }
                @if !self.note.is_empty() { p.note { (self.note) } }
                details.figures {
                    summary { "Figures: " (self.title) }
                    (self.table())
                }
            }
        }
    }

    fn table(&self) -> Markup {
        html! {
            div.scroll tabindex="0" role="region" aria-label={ "Figures: " (self.title) } {
                table {
                    caption { (self.title) ", " (self.unit) }
                    thead { tr {
                        th scope="col" { (self.row) }
                        @for name in self.series { th.n scope="col" { (name) } }
                    } }
                    tbody { @for (name, figures) in &self.rows { tr {
                        th scope="row" { bdi { (name) } }
                        @for figure in figures { td.n { (self.figure(*figure)) } }
                    } } }
                }
            }
        }
    }

    fn figure(&self, figure: Option<f64>) -> String {
        figure.map_or("–".to_owned(), |figure| {
            format!("{figure:.*}", self.digits)
        })
    }

    /// An `svg` element with title and description; none if there is nothing to draw.
    fn drawn(&self) -> Option<String> {
        let figures = || {
            self.rows
                .iter()
                .flat_map(|(_, figures)| figures.iter().flatten())
        };
        if figures().next().is_none() || !figures().all(|f| (0.0..MOST).contains(f)) {
            return None;
        }
        let most = figures().copied().fold(LEAST, f64::max);
        let height = self.rows.len() as u32 * self.row_height() + FOOT;
        let mut svg = String::new();
        // Writing to a String does not fail; a chart that did would leave its table.
        self.draw(&mut svg, most, height).ok()?;
        for (_, written, shown) in COLOURS {
            svg = svg.replace(written, shown);
        }
        let body = &svg[svg.find('>')? + 1..];
        let (title, about) = (format!("{}-title", self.id), format!("{}-about", self.id));
        let head = html! {
            title id=(title) { (self.title) ", " (self.unit) }
            desc id=(about) { (self.said()) }
        };
        Some(format!(
            "<svg role=\"img\" aria-labelledby=\"{title} {about}\" width=\"{WIDTH}\" height=\"{height}\" \
             viewBox=\"0 0 {WIDTH} {height}\">{}{body}",
            head.into_string()
        ))
    }

    /// The first few figures in words, for those who do not see the bars.
    fn said(&self) -> String {
        const FEW: usize = 6;
        let row = |(name, figures): &(String, Vec<Option<f64>>)| {
            let each = self.series.iter().zip(figures);
            let each: Vec<String> = each
                .map(|(series, figure)| format!("{series} {}", self.figure(*figure)))
                .collect();
            format!("{name}: {}", each.join(", "))
        };
        let rows: Vec<String> = self.rows.iter().take(FEW).map(row).collect();
        let more = match self.rows.len().saturating_sub(FEW) {
            0 => String::new(),
            more => format!("; and {more} more in the table"),
        };
        format!("Bars. {}{more}.", rows.join("; "))
    }

    fn row_height(&self) -> u32 {
        self.series.len() as u32 * BAR + GAP
    }

    fn draw(
        &self,
        svg: &mut String,
        most: f64,
        height: u32,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let area = SVGBackend::with_string(svg, (WIDTH, height)).into_drawing_area();
        let names: Vec<String> = self.rows.iter().map(|(name, _)| brief(name)).collect();
        let longest = names.iter().map(|name| name.chars().count()).max();
        // Letters are about half as wide as they are high.
        let names_width = 7 * longest.unwrap_or(0) as u32 + 10;
        let letters = |colour| TextStyle::from(("sans-serif", LETTERS).into_font()).color(colour);
        let mut chart = ChartBuilder::on(&area)
            .margin_left(names_width)
            .margin_right(FIGURE)
            .x_label_area_size(FOOT)
            .build_cartesian_2d(0.0..most, 0.0..self.rows.len() as f64)?;
        chart
            .configure_mesh()
            .disable_y_mesh()
            .disable_y_axis()
            .x_labels(5)
            .x_max_light_lines(0)
            .x_label_formatter(&|x| ((x * 1e6).round() / 1e6).to_string())
            .bold_line_style(LINE)
            .axis_style(LINE)
            .label_style(letters(&TEXT))
            .draw()?;
        let end = Pos::new(HPos::Right, VPos::Center);
        let start = Pos::new(HPos::Left, VPos::Center);
        let scale = f64::from(WIDTH - names_width - FIGURE) / most;
        for (i, (name, (_, figures))) in names.iter().zip(&self.rows).enumerate() {
            let top = i as u32 * self.row_height() + GAP / 2;
            let middle = top + self.series.len() as u32 * BAR / 2;
            let at = (names_width as i32 - 6, middle as i32);
            area.draw(&Text::new(name.as_str(), at, letters(&TEXT).pos(end)))?;
            for (series, figure) in figures.iter().enumerate() {
                let top = (top + series as u32 * BAR) as i32;
                let Some(figure) = figure else { continue };
                let left = names_width as i32;
                let right = left + (figure * scale).round() as i32;
                let bar = [(left, top), (right, top + BAR as i32 - 2)];
                let colour = if self.series.len() > 1 {
                    COLOURS[series.min(1)].0
                } else {
                    ALONE
                };
                area.draw(&Rectangle::new(bar, colour.filled()))?;
                let text = self.figure(Some(*figure));
                let at = (right + 5, top + BAR as i32 / 2);
                area.draw(&Text::new(text, at, letters(&TEXT).pos(start)))?;
            }
        }
        area.present()?;
        Ok(())
    }
}

/// The end of a name tells names apart that begin alike.
fn brief(name: &str) -> String {
    let count = name.chars().count();
    if count <= LONGEST {
        return name.to_owned();
    }
    let cut: String = name.chars().skip(count - LONGEST + 1).collect();
    format!("…{cut}")
}
