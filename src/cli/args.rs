//! The words of the command line.

use std::path::PathBuf;

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand};

use crate::job::Show;
use crate::picture::Side;
use crate::shapes::Form;

/// Bakes corrective deformers into skin weights that every engine runs.
///
/// Takes a character in glTF, binds each vertex to one joint, moves every joint through its range, lets
/// the reference layers (an edge relax, then a delta mush) show how the character should bend, and fits
/// skin weights of a few joints a vertex that come closest. Everything else in the file stays as it is
/// (a mesh that was not bound yet gets a skin).
#[derive(Debug, Parser)]
#[command(name = "tanyard", version, max_term_width = 80, after_help = EXIT_CODES)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Colours in text for people: auto, always or never
    ///
    /// With auto, the default, on terminals that take them. NO_COLOR, CLICOLOR and CLICOLOR_FORCE are obeyed. Data and
    /// files never have any.
    // Obeyed before anything is parsed, see `output::choose_colours`.
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto", value_parser = ["auto", "always", "never"], hide_possible_values = true, hide_default_value = true, overrides_with = "color")]
    pub color: String,
}

const EXIT_CODES: &str = "Exit codes: 0 all is well; 1 a limit was exceeded, or the new file of a comparison is worse; 2 the command or the recipe is wrong; 3 an input could not be \
processed; 130 interrupted. A file is written whole or not at all.";

/// The subcommands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Fit skin weights, of every skin of a file, and write them into a copy of it
    Bake(BakeArgs),
    /// Carry weights to another mesh: to an LOD, from a cage, to clothes
    Carry(CarryArgs),
    /// Write the pose set that a bake would use, as data or as a clip
    Poses(PosesArgs),
    /// Write the target shapes of a bake, to look at, sculpt on and feed back
    Shapes(ShapesArgs),
    /// Draw poses as the layers have them, as baked, and the difference; or weights, regions, pieces
    Picture(PictureArgs),
    /// Say what is wrong with the skin that a file has
    Inspect(InspectArgs),
    /// Print a recipe to start from, check recipes, or show what holds for a character
    Recipe(RecipeArgs),
    /// Join reports of bakes, or show one
    Report(ReportArgs),
    /// Say which of two files is closer to the reference layers, where, and by how much
    Compare(CompareArgs),
    /// Print a script that completes words in a shell
    Completions(CompletionsArgs),
    /// Print the manual page, or write all of them into a folder
    Man(ManArgs),
}

const BAKE_EXAMPLES: &str = "\
Examples:
  tanyard bake hero.glb -o hero.baked.glb
      Bind, pose, deform, fit, write; print how good the result is.
  tanyard bake hero.glb -o hero.baked.glb --dry-run
      Say what would be done and what memory it needs.
  tanyard bake crowd.glb -o crowd.baked.glb --influences 2 --report crowd.json
      At most two joints a vertex; the figures as JSON as well.
  tanyard bake hero.glb -o hero.baked.glb --helpers 16
      With up to sixteen joints more, which carry what weights alone cannot.
  tanyard bake hero.glb -o hero.glb --recipe close.toml
      In place: the old file stays until the new one is complete.
  tanyard bake hero.glb -o hero.baked.glb --page hero.html --picture stills
      A page that shows what the bake did, and the worst poses as pictures.
  tanyard bake characters/ -o baked/ --report night.json --junit night.xml
      Every character of a folder, each by the nearest tanyard.toml; what has
      not changed is not done again.
  tanyard bake characters/ -o baked/ --against baked/ --keep-better
      No character gets worse by more than noise: what was better stays.
  tanyard bake hero.glb -o hero.look.glb --clip
      With a clip that shows the poses of the fit, for any viewer.
  tanyard bake hero.glb -o hero.baked.glb --targets sim/ --targets-clip walk
      From shapes that a simulation made of a clip, not from layers.
  tanyard bake characters/ -o baked/ --shard 3/8 --cache /farm/tanyard
      The third of eight parts, on one of eight machines that share a cache.";

/// Words of `tanyard bake`.
#[derive(Debug, Args)]
#[command(after_long_help = BAKE_EXAMPLES)]
pub struct BakeArgs {
    /// The character (.glb or .gltf), or a folder of them, at any depth
    pub input: PathBuf,
    /// Where to write: a .glb or .gltf file, or a folder for a folder
    ///
    /// A file may be the input itself; the old one stays until the new one is complete. A folder gets the same tree
    /// as the input.
    #[arg(short, long, value_name = "PATH", required_unless_present = "dry_run")]
    pub output: Option<PathBuf>,
    /// Joints a vertex at most [default: the recipe's, else 4]
    #[arg(short = 'k', long, value_name = "K", value_parser = clap::value_parser!(u8).range(1..=8))]
    pub influences: Option<u8>,
    /// Helper joints that a skin gets, at most [default: the recipe's]
    ///
    /// Joints that carry what no weights on the others can reach; without a recipe for them there are none. 0 adds none.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(0..=256))]
    pub helpers: Option<u16>,
    /// Add a clip that shows the poses of the fit
    ///
    /// Whatever the recipe says. A clip of an earlier run makes way.
    #[arg(long)]
    pub clip: bool,
    /// A pose file in place of the poses of the fit
    ///
    /// Held-out poses still come from the recipe.
    #[arg(long, value_name = "FILE")]
    pub poses: Option<PathBuf>,
    /// Target shapes from elsewhere, in place of the layers
    ///
    /// A folder of OBJ files, a NumPy array (.npy) of poses, vertices and 3, or a .glb or .gltf file with a morph target
    /// a pose. Their poses are those of --poses, of --targets-clip, or of poses.json in the same folder.
    #[arg(long, value_name = "SHAPES", help_heading = TARGETS)]
    pub targets: Option<PathBuf>,
    /// The clip of the character's file whose frames the shapes are
    #[arg(long, value_name = "NAME", requires = "targets", conflicts_with = "poses", help_heading = TARGETS)]
    pub targets_clip: Option<String>,
    /// Frames a second of that clip
    #[arg(long, value_name = "FPS", default_value = "30", value_parser = rate, requires = "targets_clip", help_heading = TARGETS)]
    pub targets_rate: f64,
    /// Keep every Nth shape for measuring alone
    ///
    /// Without it figures are of poses that the fit saw.
    #[arg(long, value_name = "N", requires = "targets", value_parser = clap::value_parser!(u32).range(2..), help_heading = TARGETS)]
    pub hold_out: Option<u32>,
    /// What a run can tell of itself.
    #[command(flatten)]
    pub delivery: Delivery,
    /// Say what would be done and what memory it needs; write nothing
    #[arg(long, conflicts_with_all = ["report", "junit", "markdown", "page", "picture"])]
    pub dry_run: bool,
    /// Memory that may be used, such as 512M or 2G
    ///
    /// Files wait for each other, fewer poses run side by side, and what needs more fails before it starts
    /// [default for folders: three quarters of what is free].
    #[arg(long, value_name = "SIZE", value_parser = crate::units::parse_bytes)]
    pub memory: Option<u64>,
    /// A folder that keeps results, for runs and machines to share
    ///
    /// The same input and recipe are baked once [default for folders: .tanyard in the folder of the results].
    #[arg(long, value_name = "FOLDER")]
    pub cache: Option<PathBuf>,
    /// Bake everything, also what has not changed
    #[arg(long)]
    pub again: bool,
    /// Only files that match, such as crowd/ or hero_*.glb
    ///
    /// Written as in .gitignore; may be repeated.
    #[arg(long, value_name = "GLOB", help_heading = FOLDERS)]
    pub only: Vec<String>,
    /// No files or folders that match
    ///
    /// Written as in .gitignore; may be repeated. A file .tanyardignore does the same.
    #[arg(long, value_name = "GLOB", help_heading = FOLDERS)]
    pub skip: Vec<String>,
    /// Follow links to folders too (links to files are files)
    #[arg(long, help_heading = FOLDERS)]
    pub follow_links: bool,
    /// Start no other file after the first that fails
    #[arg(long, help_heading = FOLDERS)]
    pub stop_early: bool,
    /// Only the third part of eight, say
    ///
    /// All parts together are the whole, on any machines.
    #[arg(long, value_name = "N/COUNT", help_heading = FOLDERS)]
    pub shard: Option<crate::batch::Shard>,
    /// An earlier result that each bake is held against
    ///
    /// A folder of them, for a folder. Over the same held-out poses; exit code 1 if a bake is worse. May be the output
    /// itself.
    #[arg(long, value_name = "PATH", help_heading = EARLIER)]
    pub against: Option<PathBuf>,
    /// Where the earlier result is better, it takes the place of the new one
    #[arg(long, requires = "against", help_heading = EARLIER)]
    pub keep_better: bool,
    /// The least change of the rms error that counts, in percent
    ///
    /// Of the old error; twice its standard error counts where that is more.
    #[arg(long, value_name = "PERCENT", default_value = "1", value_parser = percent, requires = "against", help_heading = EARLIER)]
    pub band: f64,
    /// What the commands that move joints take.
    #[command(flatten)]
    pub common: Common,
}

/// What a run can tell of itself.
#[derive(Debug, Args)]
pub struct Delivery {
    /// Write the report as JSON; - for lines of JSON on standard output
    ///
    /// With - a line is printed for each file as it is finished, and one for the run.
    #[arg(long, value_name = "FILE", help_heading = REPORTS)]
    pub report: Option<PathBuf>,
    /// Write it as JUnit XML, as CI shows it; - for standard output
    ///
    /// On standard output it takes the place of the table.
    #[arg(long, value_name = "FILE", help_heading = REPORTS)]
    pub junit: Option<PathBuf>,
    /// Write a summary in Markdown; - for standard output
    ///
    /// For a comment on a pull request, say. On standard output it takes the place of the table.
    #[arg(long, value_name = "FILE", help_heading = REPORTS)]
    pub markdown: Option<PathBuf>,
    /// Write the run as one HTML page with stills and charts
    ///
    /// It opens from disk, needs nothing else, and is there to look through and sort.
    #[arg(long, value_name = "FILE", help_heading = REPORTS)]
    pub page: Option<PathBuf>,
    /// Draw the bind pose and the worst held-out poses into this folder
    ///
    /// As `tanyard picture` does: three poses, each as PNG.
    #[arg(long, value_name = "FOLDER", help_heading = REPORTS)]
    pub picture: Option<PathBuf>,
    /// Print timings and peak memory as well
    #[arg(short, long, conflicts_with = "quiet")]
    pub verbose: bool,
}

const CARRY_EXAMPLES: &str = "\
Examples:
  tanyard carry hero.baked.glb hero_lod1.glb --source hero.glb -o lod1.glb
      An LOD that keeps the look: its vertices follow the target surface of the
      hero through the pose set, and are fitted to it.
  tanyard carry body.glb jacket.glb -o jacket.baked.glb --influences 2
      Clothes that follow the body, with two joints a vertex at most.
  tanyard carry hero.glb --from body --to 'body_lod*' -o hero.lods.glb
      Both in one file, by the names of their nodes or meshes.
  tanyard carry cage.glb mesh.glb -o mesh.skinned.glb --no-refit
      The weights of the closest places, as they are.";

/// Words of `tanyard carry`.
#[derive(Debug, Args)]
#[command(after_long_help = CARRY_EXAMPLES)]
pub struct CarryArgs {
    /// The file of the surface that has weights: .glb or .gltf
    pub from: PathBuf,
    /// The file of the surface that gets them [default: the same]
    pub to: Option<PathBuf>,
    /// Where to write the second file with its weights
    ///
    /// It may be that file itself; the old one stays until the new one is complete.
    #[arg(short, long, value_name = "FILE")]
    pub output: PathBuf,
    /// The character before baking [default: the first file itself]
    ///
    /// It gives bind, layers and poses.
    #[arg(long, value_name = "FILE")]
    pub source: Option<PathBuf>,
    /// The meshes that give weights, by a name or pattern
    ///
    /// Of nodes or meshes [default: all that do not get any].
    #[arg(long = "from", value_name = "NODE")]
    pub from_meshes: Option<String>,
    /// The meshes that get weights, by a name or pattern
    ///
    /// Of nodes or meshes [default: all that do not give any].
    #[arg(long = "to", value_name = "NODE")]
    pub to_meshes: Option<String>,
    /// Take the weights of the closest places, and do not fit
    #[arg(long)]
    pub no_refit: bool,
    /// Joints a vertex at most [default: the recipe's, else 4]
    #[arg(short = 'k', long, value_name = "K", value_parser = clap::value_parser!(u8).range(1..=8))]
    pub influences: Option<u8>,
    /// A pose file in place of the poses of the fit
    ///
    /// Held-out poses still come from the recipe.
    #[arg(long, value_name = "FILE")]
    pub poses: Option<PathBuf>,
    /// Memory that may be used, such as 512M or 2G
    #[arg(long, value_name = "SIZE", value_parser = crate::units::parse_bytes)]
    pub memory: Option<u64>,
    /// What a run can tell of itself.
    #[command(flatten)]
    pub delivery: Delivery,
    /// What the commands that move joints take.
    #[command(flatten)]
    pub common: Common,
}

/// Headings of the help.
const FOLDERS: &str = "Folders";
const TARGETS: &str = "Target shapes";
const REPORTS: &str = "Reports";
const LOOKS: &str = "Looks";
const EARLIER: &str = "Earlier results";

const POSES_EXAMPLES: &str = "\
Examples:
  tanyard poses hero.glb -o poses.json
      The poses that a bake would fit to, to edit and give back with --poses.
  tanyard poses hero.glb -o range.glb
      The character going through them, as a clip that any glTF viewer plays.";

/// Words of `tanyard poses`.
#[derive(Debug, Args)]
#[command(after_long_help = POSES_EXAMPLES)]
pub struct PosesArgs {
    /// The character: .glb or .gltf
    pub input: PathBuf,
    /// Where to write: .json for data, .glb or .gltf for a clip
    #[arg(short, long, value_name = "FILE")]
    pub output: PathBuf,
    /// The held-out poses in place of those of the fit
    #[arg(long)]
    pub held_out: bool,
    /// The skin, by name or number [default: the first]
    #[arg(long, value_name = "SKIN")]
    pub skin: Option<String>,
    /// What the commands that move joints take.
    #[command(flatten)]
    pub common: Common,
}

const SHAPES_EXAMPLES: &str = "\
Examples:
  tanyard shapes hero.glb -o hero.shapes
      An OBJ file a pose, the bind shape, and the poses they belong to.
  tanyard shapes hero.glb -o hero.shapes --form npy,glb
      As one NumPy array, and as a mesh with a morph target a pose.

`tanyard bake hero.glb -o hero.baked.glb --targets hero.shapes` bakes from
them, sculpted on or not.";

/// Words of `tanyard shapes`.
#[derive(Debug, Args)]
#[command(after_long_help = SHAPES_EXAMPLES)]
pub struct ShapesArgs {
    /// The character: .glb or .gltf
    pub input: PathBuf,
    /// Where to write: a folder that is new, or empty
    #[arg(short, long, value_name = "FOLDER")]
    pub output: PathBuf,
    /// The form of the shapes; several with commas [default: obj]
    #[arg(long, value_name = "FORM", value_delimiter = ',', value_parser = one_of(&Form::ALL))]
    pub form: Vec<Form>,
    /// The shapes of held-out poses in place of those of the fit
    #[arg(long)]
    pub held_out: bool,
    /// A pose file in place of the poses of the fit
    #[arg(long, value_name = "FILE", conflicts_with = "held_out")]
    pub poses: Option<PathBuf>,
    /// Memory that may be used, such as 512M or 2G
    #[arg(long, value_name = "SIZE", value_parser = crate::units::parse_bytes)]
    pub memory: Option<u64>,
    /// What the commands that move joints take.
    #[command(flatten)]
    pub common: Common,
}

const PICTURE_EXAMPLES: &str = "\
Examples:
  tanyard picture hero.baked.glb --source hero.glb -o stills
      Bind pose and the three worst held-out poses: the layers' shape, the
      baked one, the difference.
  tanyard picture hero.baked.glb --source hero.glb --close -o stills
      The surroundings of the worst places.
  tanyard picture hero.glb --show regions,pieces -o stills
      The rigid bind and what each piece does, before any bake.
  tanyard picture hero.baked.glb --joint hips --joint spine -o stills
      The weights of two joints.
  tanyard picture hero.baked.glb --show influences -o influences.png
      One picture, in a file of that name.

Without --source the file is its own: the layers start from its heaviest
joints, which differ a little from the bind that it was baked from. Give the
source where you have it.";

/// Words of `tanyard picture`.
#[derive(Debug, Args)]
#[command(after_long_help = PICTURE_EXAMPLES)]
pub struct PictureArgs {
    /// The file whose weights are shown: .glb or .gltf
    pub input: PathBuf,
    /// The character before baking [default: the file itself]
    ///
    /// It gives bind, layers and poses.
    #[arg(long, value_name = "FILE")]
    pub source: Option<PathBuf>,
    /// A folder, or a .png file for one picture [default: .]
    #[arg(short, long, value_name = "PATH")]
    pub output: Option<PathBuf>,
    /// What to show; several with commas [default: difference]
    #[arg(long, value_name = "WHAT", value_delimiter = ',', value_parser = one_of(&Show::ALL))]
    pub show: Vec<Show>,
    /// Show the weights of this joint; may be repeated
    #[arg(long, value_name = "NAME")]
    pub joint: Vec<String>,
    /// Show this pose in place of the worst; may be repeated
    ///
    /// `tanyard poses` lists names.
    #[arg(long, value_name = "NAME")]
    pub pose: Vec<String>,
    /// How many of the worst held-out poses to show, beside the bind pose
    #[arg(long, value_name = "COUNT", default_value_t = 3, value_parser = clap::value_parser!(u8).range(0..=64))]
    pub worst: u8,
    /// Look from this side, not from where the worst place is seen
    #[arg(long, value_name = "SIDE", value_parser = one_of(&Side::ALL), help_heading = LOOKS)]
    pub from: Option<Side>,
    /// Show the surroundings of the worst place, not the whole
    #[arg(long, help_heading = LOOKS)]
    pub close: bool,
    /// The error that gets the last colour, in percent of the size
    ///
    /// The same for all characters that are compared.
    #[arg(long, value_name = "PERCENT", default_value_t = crate::picture::TOP_PERCENT, value_parser = top, help_heading = LOOKS)]
    pub top: f64,
    /// Width and height in pixels
    #[arg(long, value_name = "WxH", default_value = "1920x1080", help_heading = LOOKS)]
    pub size: Size,
    /// The skin, by name or number, if the file has several [default: all]
    #[arg(long, value_name = "SKIN")]
    pub skin: Option<String>,
    /// What the commands that move joints take.
    #[command(flatten)]
    pub common: Common,
}

/// A word of a list that has, for each value, its name and what it means.
fn one_of<T: Clone + Send + Sync + 'static>(
    all: &'static [(T, &'static str, &'static str)],
) -> impl TypedValueParser<Value = T> {
    let words = all
        .iter()
        .map(|(_, name, what)| PossibleValue::new(*name).help(*what));
    PossibleValuesParser::new(words).try_map(|word| {
        let found = all.iter().find(|(_, name, _)| *name == word);
        found.map(|(value, ..)| value.clone()).ok_or("no such word")
    })
}

/// The size of a picture, in pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size(pub [u32; 2]);

impl std::str::FromStr for Size {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let [least_width, least_height] = crate::picture::LEAST_SIZE;
        let parsed = text
            .split_once(['x', 'X'])
            .and_then(|(width, height)| Some([width.parse().ok()?, height.parse().ok()?]));
        match parsed {
            Some([width, height])
                if (least_width..=MOST_PIXELS).contains(&width)
                    && (least_height..=MOST_PIXELS).contains(&height) =>
            {
                Ok(Self([width, height]))
            }
            _ => Err(format!(
                "'{text}' is not a size: write WIDTHxHEIGHT in pixels, from {least_width}x{least_height} to \
                 {MOST_PIXELS}x{MOST_PIXELS}"
            )),
        }
    }
}

/// The longest side of a picture.
const MOST_PIXELS: u32 = 8192;

/// An error that a ramp can end at.
fn top(text: &str) -> Result<f64, String> {
    match percent(text) {
        Ok(top) if top > 0.0 => Ok(top),
        _ => Err(format!(
            "'{text}' is not a percentage above 0 and up to 100"
        )),
    }
}

const INSPECT_EXAMPLES: &str = "\
Examples:
  tanyard inspect hero.glb
      Sums, seams, islands, bind matrices and more: what is wrong, where, and what to do.
  tanyard inspect hero.glb --influences 2 --report hero.json
      Held against an engine of two joints a vertex; the findings as JSON as well.
  tanyard inspect hero.glb --limit error=0 --limit islands=50
      For a build: exit code 1 if there is any error, or if islands have more than 50 vertices.

Limits: any, error, warning and note count findings; a kind (docs/inspect.md has
all of them) counts its vertices or joints. Each skin is held against them by
itself.";

/// Words of `tanyard inspect`.
#[derive(Debug, Args)]
#[command(after_long_help = INSPECT_EXAMPLES)]
pub struct InspectArgs {
    /// The character: .glb or .gltf
    pub input: PathBuf,
    /// Joints a vertex that the engine takes
    #[arg(short = 'k', long, value_name = "K", default_value_t = 4, value_parser = clap::value_parser!(u8).range(1..=64))]
    pub influences: u8,
    /// Write the findings as JSON; - for standard output
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Exit with 1 if there is more of it than that; may be repeated
    #[arg(long = "limit", value_name = "KIND=COUNT")]
    pub limits: Vec<crate::inspect::Limit>,
    /// What every command takes.
    #[command(flatten)]
    pub running: Running,
}

const RECIPE_EXAMPLES: &str = "\
Examples:
  tanyard recipe -o tanyard.toml
      A recipe to start from: every key with its meaning, range and default.
  tanyard recipe --check characters
      Check every tanyard.toml in that folder and below it; exit code 2 if one is wrong.
  tanyard recipe --show characters/crowd/baker.glb
      The settings that a bake of it would use, each with the line that it is from.
  tanyard recipe --schema > recipe.schema.json
      For editors that complete and check by a schema.

The recipe of a character is the tanyard.toml in its folder, else in the folder
above, and so on; --recipe FILE is one for all.";

const RECIPE_USAGE: &str = "tanyard recipe [-o <FILE>]
       tanyard recipe --check [PATH]...
       tanyard recipe --show <FILE> [--recipe <FILE>]
       tanyard recipe --schema";

/// Words of `tanyard recipe`.
#[derive(Debug, Args)]
#[command(after_long_help = RECIPE_EXAMPLES, override_usage = RECIPE_USAGE)]
pub struct RecipeArgs {
    /// Check recipes
    ///
    /// Each PATH is one, or a folder beneath which every tanyard.toml is one.
    #[arg(long, conflicts_with_all = ["schema", "show", "output", "recipe"])]
    pub check: bool,
    /// What to check [default: the current folder]
    #[arg(value_name = "PATH", requires = "check")]
    pub paths: Vec<PathBuf>,
    /// Print the JSON Schema of recipes
    #[arg(long, conflicts_with_all = ["show", "output", "recipe"])]
    pub schema: bool,
    /// Print the settings that hold for a character, and where each is from
    #[arg(long, value_name = "FILE", conflicts_with = "output")]
    pub show: Option<PathBuf>,
    /// With --show: settings, as TOML, in place of the nearest tanyard.toml
    #[arg(long, value_name = "FILE", requires = "show")]
    pub recipe: Option<PathBuf>,
    /// Write the recipe to start from to a file that is not there yet
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// Words of `tanyard report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// What to do with reports.
    #[command(subcommand)]
    pub command: ReportCommand,
}

/// What to do with reports.
#[derive(Debug, Subcommand)]
pub enum ReportCommand {
    /// Make one report of several, as JSON, JUnit XML and Markdown
    Merge(MergeArgs),
    /// Print the table of a report
    Show(ShowArgs),
}

const MERGE_EXAMPLES: &str = "\
Examples:
  tanyard report merge part-*.json -o crowd.json --junit crowd.xml
      The parts of a run over three machines, say, made one.
  tanyard report merge crowd.jsonl --markdown crowd.md -o crowd.json
      Lines that a run printed, also of a run that was cut off, as a report and
      as a comment.

Exits as the runs did, with the greatest code; with 3 also if a part is missing
(1/3 and 3/3 without 2/3).";

/// Words of `tanyard report merge`.
#[derive(Debug, Args)]
#[command(after_long_help = MERGE_EXAMPLES)]
pub struct MergeArgs {
    /// Reports of bakes: JSON documents, or JSON Lines
    #[arg(required = true, value_name = "PART")]
    pub parts: Vec<PathBuf>,
    /// Write the report as JSON there; - for standard output [default: -]
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Write it as JUnit XML as well; - for standard output
    #[arg(long, value_name = "FILE")]
    pub junit: Option<PathBuf>,
    /// Write a summary as Markdown as well; - for standard output
    #[arg(long, value_name = "FILE")]
    pub markdown: Option<PathBuf>,
    /// Print errors only
    #[arg(short, long)]
    pub quiet: bool,
}

/// Words of `tanyard report show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// A report of a bake: a JSON document, or JSON Lines
    pub report: PathBuf,
}

const COMPARE_EXAMPLES: &str = "\
Examples:
  tanyard compare old/hero.glb new/hero.glb --source hero.glb
      Two bakes of one character, both held against the layers on the character
      before baking.
  tanyard compare k2.glb k4.glb --source hero.glb --recipe my.toml --band 5
      With the recipe's bind, layers and poses; changes below 5 % count as the same.
  tanyard compare last-night/ baked/ --source characters/ --report change.json
      Every file that both folders have; exit code 1 if one is worse.
  tanyard compare last-night.json tonight.json
      The figures of two reports, as they stand: no pose is run, and only --band
      tells noise from change.
  tanyard compare old.glb new.glb --report change.json -q
      For a build: exit code 1 if the new file is worse. Each is held against
      the layers on its own heaviest joints, which differ a little from bake to
      bake: give the source where you have it.";

/// Words of `tanyard compare`.
#[derive(Debug, Args)]
#[command(after_long_help = COMPARE_EXAMPLES)]
pub struct CompareArgs {
    /// What is held against: a baked file, a folder of them, or a report
    ///
    /// A .glb or .gltf with weights, a folder of such files, or a report of a bake (.json, .jsonl).
    pub old: PathBuf,
    /// What is judged: the same kind of thing
    pub new: PathBuf,
    /// The character before baking; for folders, the folder of them
    ///
    /// It gives bind, layers and poses for both [default: each file is held against the layers on its own heaviest
    /// joints].
    #[arg(long, value_name = "PATH")]
    pub source: Option<PathBuf>,
    /// Settings of bind, layers and poses, as TOML (docs/recipes.md)
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// The root of the joint tree (name or #index), for a source without skin
    #[arg(long, value_name = "NODE", requires = "source")]
    pub skeleton: Option<String>,
    /// The least change of the rms error that counts, in percent
    ///
    /// Of the old error; twice its standard error counts where that is more.
    #[arg(long, value_name = "PERCENT", default_value = "1", value_parser = percent)]
    pub band: f64,
    /// Write the comparison as JSON; - for standard output
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Memory that may be used, such as 512M or 2G
    ///
    /// Fewer poses run side by side, and where that is not enough nothing starts.
    #[arg(long, value_name = "SIZE", value_parser = crate::units::parse_bytes)]
    pub memory: Option<u64>,
    /// What every command takes.
    #[command(flatten)]
    pub running: Running,
}

const COMPLETIONS_EXAMPLES: &str = "\
Examples:
  tanyard completions bash > ~/.local/share/bash-completion/completions/tanyard
      For one user. The package bash-completion reads that folder.
  tanyard completions zsh > ~/.zfunc/_tanyard
      With fpath+=(~/.zfunc) before compinit in ~/.zshrc.
  tanyard completions fish > ~/.config/fish/completions/tanyard.fish
  tanyard completions elvish > ~/.config/elvish/lib/tanyard.elv
      With use tanyard in ~/.config/elvish/rc.elv.
  tanyard completions powershell >> $PROFILE";

/// Words of `tanyard completions`.
#[derive(Debug, Args)]
#[command(after_long_help = COMPLETIONS_EXAMPLES)]
pub struct CompletionsArgs {
    /// The shell
    pub shell: clap_complete::Shell,
}

const MAN_EXAMPLES: &str = "\
Examples:
  tanyard man | man -l -
      The page of the command itself, to read.
  tanyard man -o ~/.local/share/man/man1
      All pages, for one user: man tanyard-bake. For all, in a folder man1 that
      manpath names, such as /usr/local/share/man/man1.";

/// Words of `tanyard man`.
#[derive(Debug, Args)]
#[command(after_long_help = MAN_EXAMPLES)]
pub struct ManArgs {
    /// Write a page for each command into that folder
    ///
    /// tanyard.1, tanyard-bake.1 and so on; pages of that name are replaced.
    #[arg(short, long, value_name = "FOLDER")]
    pub output: Option<PathBuf>,
}

/// A share of something in percent.
fn percent(text: &str) -> Result<f64, String> {
    match text.trim_end_matches('%').trim().parse() {
        Ok(percent) if (0.0..=100.0).contains(&percent) => Ok(percent),
        _ => Err(format!(
            "'{text}' is not a percentage: write a number from 0 to 100"
        )),
    }
}

/// Frames a second.
fn rate(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(rate) if (1e-3..=1e4).contains(&rate) => Ok(rate),
        _ => Err(format!(
            "'{text}' is no rate: write frames a second, from 0.001 to 10000"
        )),
    }
}

/// What the commands that move joints take.
#[derive(Debug, Args)]
pub struct Common {
    /// Settings, as TOML [default: the nearest tanyard.toml]
    ///
    /// The nearest is sought from the character's folder upward.
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// The root of the joint tree (name or #index), for a file without skin
    #[arg(long, value_name = "NODE")]
    pub skeleton: Option<String>,
    /// What every command takes.
    #[command(flatten)]
    pub running: Running,
}

/// What every command takes.
#[derive(Debug, Args)]
pub struct Running {
    /// Threads [default: all processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub threads: Option<u16>,
    /// Print errors only
    #[arg(short, long)]
    pub quiet: bool,
}

#[cfg(test)]
mod tests {
    use clap::{Command, CommandFactory, Parser};

    use super::Cli;

    /// Every command with its words, the program itself first.
    fn all() -> Vec<(String, Command)> {
        fn add(name: &str, command: &Command, found: &mut Vec<(String, Command)>) {
            found.push((name.to_owned(), command.clone()));
            for below in command.get_subcommands() {
                add(&format!("{name} {}", below.get_name()), below, found);
            }
        }
        let mut command = Cli::command();
        command.build();
        let mut found = Vec::new();
        add("tanyard", &command, &mut found);
        found.retain(|(name, _)| !name.contains(" help"));
        found
    }

    #[test]
    fn definition_is_sound() {
        Cli::command().debug_assert();
    }

    #[test]
    fn help_fits_a_terminal() {
        for (name, command) in all() {
            let short = command.clone().render_help().to_string();
            let long = command.clone().render_long_help().to_string();
            for line in short.lines().chain(long.lines()) {
                assert!(line.chars().count() <= 80, "{name}: {line}");
            }
            // An option a line or two, and all on two screens.
            let lines = short.lines().count();
            assert!(lines <= 64, "{name} -h has {lines} lines");
            let words = command.get_opts().chain(command.get_positionals());
            for word in words {
                let help = word.get_help().map(ToString::to_string).unwrap_or_default();
                let columns = help.chars().count();
                assert!(
                    columns <= 70,
                    "{name} {}: {columns} columns: {help}",
                    word.get_id()
                );
            }
        }
    }

    #[test]
    fn every_example_can_be_given() {
        let mut examples = 0;
        for (name, command) in all() {
            let texts = [command.get_after_long_help(), command.get_after_help()];
            let texts: Vec<String> = texts
                .into_iter()
                .flatten()
                .map(ToString::to_string)
                .collect();
            let lines: Vec<&str> = texts
                .iter()
                .flat_map(|text| text.lines())
                .filter(|line| line.starts_with("  tanyard "))
                .collect();
            for line in &lines {
                // Up to what the shell takes for itself.
                let words = line.split_whitespace();
                let words = words.take_while(|word| ![">", ">>", "|"].contains(word));
                let parsed = Cli::try_parse_from(words);
                assert!(parsed.is_ok(), "{line}: {}", parsed.unwrap_err());
                let of = format!("  {name} ");
                assert!(
                    format!("{line} ").starts_with(&of),
                    "{line} is no example of {name}"
                );
            }
            examples += lines.len();
            let is_leaf = command.get_subcommands().next().is_none();
            // A report is shown in one way.
            let needs = is_leaf && name != "tanyard report show";
            assert!(!needs || !lines.is_empty(), "{name} --help has no example");
        }
        assert!(examples > 20, "only {examples} were found");
    }
}
