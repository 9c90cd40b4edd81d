//! A run as one HTML file that needs nothing else.

mod character;
mod charts;
mod marks;
mod motion;
mod table;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::picture::Still;
use crate::report::{Report, words};

pub use motion::{Motion, MotionPose};

/// What there is to see of a skin.
#[derive(Clone, Debug, PartialEq)]
pub struct Album {
    /// The file's name in the report.
    pub file: String,
    /// The place of the skin among the file's characters.
    pub character: usize,
    /// Pictures: the worst held-out pose comes first.
    pub stills: Vec<Still>,
    /// The skin in motion.
    pub motion: Option<Motion>,
}

/// The page of a run: one file that needs nothing else and asks for nothing.
///
/// All of it is there without scripts; those add sorting, filters and the choice of light or dark.
pub fn html(report: &Report, albums: &[Album]) -> String {
    let entries = table::entries(report, albums);
    let verdict = words::cut(&report.verdict(), LONGEST_TEXT);
    let only = entries.len() == 1;
    let moves = albums.iter().any(|album| album.motion.is_some());
    let mut figures = entries.iter().map(|e| Some((&e.name, e.shown?)));
    let worst = figures.find_map(|figures| figures);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (verdict) " – " (report.tool.name) }
                style { (PreEscaped(STYLE)) @if moves { (PreEscaped(motion::STYLE)) } }
            }
            body {
                a.skip href="#main" { "Skip to the content" }
                (marks::sheet())
                header.top {
                    p.tool { (report.tool.name) " " (words::cut(&report.tool.version, LONGEST_TEXT)) ", report of a bake" }
                    h1 { (verdict) }
                    @if let Some((name, shown)) = worst {
                        p.lead { @if !only { "Worst: " } bdi { (name) } ", " (character::brief(shown)) "." }
                    }
                    button #theme type="button" hidden { "Dark theme" }
                }
                main #main tabindex="-1" {
                    (table::run(report))
                    // A table of one row says nothing that its section does not.
                    @if entries.len() > 1 { (table::overview(&entries)) }
                    @if !entries.is_empty() {
                        section aria-labelledby="each" {
                            h2 #each { (if only { "The character" } else { "Each character" }) }
                            @for entry in &entries { (character::section(entry, only)) }
                        }
                    }
                    (reading())
                }
                // First the view, which moves the still that it takes the place of.
                @if moves { script { (PreEscaped(motion::SCRIPT)) } }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    page.into_string()
}

/// Nothing is fetched, whatever a name in the report says.
const POLICY: &str = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Text from files is cut to this many characters.
const LONGEST_TEXT: usize = 300;

/// What the words and figures mean.
fn reading() -> Markup {
    html! {
        section.reading aria-labelledby="reading" {
            h2 #reading { "How to read the figures" }
            dl {
                dt { "% of size" }
                dd { "Distances between the reference and the skinned surface, in percent of the diagonal of the character's bounding box in bind pose." }
                dt { "rms, p99, max" }
                dd { "Root mean square, the distance that 99 in 100 stay below, and the greatest, over all welded vertices and all poses of the set." }
                dt { "fit poses, held-out poses" }
                dd { "The fit saw the first and never the others. How the weights do in other motion, the held-out poses tell." }
                dt { "rigid, naive, baked, floor" }
                dd { "The base weights without layers; those smoothed as the layers smooth and cut to the heaviest few; the weights as written; the best weights without a cap on influences, for the fit poses." }
                dt { "below rigid" }
                dd { "How far the rms error of the baked weights is below that of the rigid ones, in percent of it." }
            }
        }
    }
}
