//! `tanyard picture`, and what `bake` draws.

use std::path::{Path, PathBuf};

use super::args::{Delivery, PictureArgs};
use super::bake::request;
use super::output::show;
use super::progress::Progress;
use crate::asset;
use crate::batch::Item;
use crate::error::{Error, Fault};
use crate::job::{self, Drawn, Draws, Show, Views};
use crate::picture::Style;
use crate::recipe::Recipes;
use crate::report::{Role, Text};

pub(super) fn run(args: &PictureArgs) -> Result<(), Error> {
    let source = args.source.as_ref().unwrap_or(&args.input);
    let recipes = Recipes::new(args.common.recipe.as_deref())?;
    let (mut source, recipe) = request(source, &args.common, &recipes)?;
    let folder = args.output.as_deref().unwrap_or(Path::new("."));
    let single = super::ending(folder) == Some("png");
    if single {
        asset::check_target(folder)?;
        let read = [Some(&args.input), args.source.as_ref(), recipe.as_ref()];
        super::keep_apart(folder, &read.map(|file| file.map(PathBuf::as_path)))?;
    }
    source.draws.pictures = Some(views(args));
    let threads = args.common.running.threads.map(Into::into);
    let progress = Progress::of_job(args.common.running.quiet);
    let drawn = super::on_threads(threads, || job::drawings(&source, &args.input, &*progress));
    progress.finish()?;
    let drawn = chosen(args, drawn?.pictures)?;
    let written = if single {
        let mut stills = drawn.iter().flat_map(|drawn| &drawn.stills);
        match (stills.next(), stills.count()) {
            (Some(still), 0) => {
                asset::write_atomically(folder, &still.png)?;
                vec![folder.to_owned()]
            }
            (_, more) => {
                let found = format!("{} of them", more + 1);
                let fault = Fault::new(folder, "", "one picture for one file", found)
                    .remedy("name a folder, or ask for one picture, as with --pose or --show");
                return Err(Error::Setting(vec![fault]));
            }
        }
    } else {
        let stem = args.input.file_stem().unwrap_or_default();
        job::write_stills(&folder.join(stem), &drawn)?
    };
    if !args.common.running.quiet {
        let mut text = Text::default();
        for path in &written {
            text.plain(&path.display().to_string());
        }
        for note in drawn.iter().flat_map(|drawn| &drawn.notes) {
            text.labelled("  ", Role::Doubt, "note:", note);
        }
        show(&text)?;
    }
    Ok(())
}

/// Asks for what a bake is to draw of each item, and where.
pub(super) fn ask_for(delivery: &Delivery, is_folder: bool, items: &mut [Item]) {
    let draws = Draws {
        pictures: delivery.picture.as_ref().map(|_| Views::default()),
        page: delivery
            .page
            .as_ref()
            .map(|_| on_page(is_folder, items.len())),
    };
    for item in items {
        if let Ok(request) = &mut item.work {
            request.draws.clone_from(&draws);
        }
        // In a tree, two names may differ by their ending alone.
        let name = match is_folder {
            true => Path::new(&item.name),
            false => Path::new(item.input.file_stem().unwrap_or_default()),
        };
        item.stills = delivery.picture.as_ref().map(|folder| folder.join(name));
    }
}

/// What a page shows of each of so many files.
fn on_page(is_folder: bool, files: usize) -> Views {
    let of_size = |size| Style {
        size,
        ..Style::default()
    };
    match files {
        _ if !is_folder => Views {
            shows: vec![
                Show::Difference,
                Show::Regions,
                Show::Influences,
                Show::Outliers,
                Show::Pieces,
            ],
            style: of_size([1280, 640]),
            motion: PLAYED,
            ..Views::default()
        },
        // A page has to be opened, and mailed: of many characters it shows less of each.
        ..=MANY => Views {
            shows: vec![Show::Difference, Show::Regions],
            worst: 2,
            bind: false,
            style: of_size([960, 480]),
            ..Views::default()
        },
        _ => Views {
            worst: 1,
            bind: false,
            style: of_size([800, 400]),
            ..Views::default()
        },
    }
}

/// Poses to play on the page of one file: some 60 kB for 20,000 vertices each.
const PLAYED: usize = 15;

/// So many characters have several stills each on a page.
const MANY: usize = 60;

/// The skin asked for, or all.
fn chosen(args: &PictureArgs, drawn: Vec<Drawn>) -> Result<Vec<Drawn>, Error> {
    let Some(skin) = &args.skin else {
        return Ok(drawn);
    };
    let names: Vec<String> = drawn.iter().map(|one| one.name.clone()).collect();
    let is_it = |one: &Drawn| one.name == *skin || one.skin.to_string() == *skin;
    match drawn.into_iter().find(is_it) {
        Some(one) => Ok(vec![one]),
        None => {
            let expected = format!("one of {}", names.join(", "));
            let fault = Fault::new(&args.input, "--skin", expected, format!("{skin:?}"));
            Err(Error::Setting(vec![fault]))
        }
    }
}

fn views(args: &PictureArgs) -> Views {
    let mut shows = args.show.clone();
    shows.extend(args.joint.iter().cloned().map(Show::Weights));
    if shows.is_empty() || !args.pose.is_empty() && !shows.contains(&Show::Difference) {
        shows.insert(0, Show::Difference);
    }
    Views {
        shows,
        worst: args.worst.into(),
        bind: true,
        poses: args.pose.clone(),
        style: Style {
            size: args.size.0,
            top_percent: args.top,
            from: args.from,
            close: args.close,
        },
        motion: 0,
    }
}
