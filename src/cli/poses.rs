//! `tanyard poses`.

use super::args::PosesArgs;
use super::bake::request;
use super::output::show;
use crate::asset::{self, ClipPlace, RangeClip};
use crate::error::{Error, Fault};
use crate::job::{self, SkinPoses};
use crate::pose::file;
use crate::recipe::Recipes;
use crate::report::{Role, Text};
use crate::rig::PoseSequence;

pub(super) fn run(args: &PosesArgs) -> Result<(), Error> {
    let as_clip = super::require_ending(&args.output, &["json", "glb", "gltf"])? != "json";
    asset::check_target(&args.output)?;
    let recipes = Recipes::new(args.common.recipe.as_deref())?;
    let (request, recipe) = request(&args.input, &args.common, &recipes)?;
    super::keep_apart(&args.output, &[Some(&args.input), recipe.as_deref()])?;
    let threads = args.common.running.threads.map(Into::into);
    let poses = super::on_threads(threads, || job::poses(&request))?;
    let named = |(index, set): &(usize, &SkinPoses)| {
        args.skin
            .as_ref()
            .is_none_or(|skin| set.character.name == *skin || index.to_string() == *skin)
    };
    let Some((
        _,
        SkinPoses {
            character,
            poses: set,
            notes,
        },
    )) = poses.sets.iter().enumerate().find(named)
    else {
        let names: Vec<&str> = poses
            .sets
            .iter()
            .map(|set| set.character.name.as_str())
            .collect();
        let found = format!("{:?}", args.skin.as_deref().unwrap_or(""));
        let fault = Fault::new(
            &args.input,
            "--skin",
            format!("one of {}", names.join(", ")),
            found,
        );
        return Err(Error::Setting(vec![fault]));
    };
    let list = if args.held_out {
        &set.held_out
    } else {
        &set.fit
    };
    let mut notes = notes.clone();
    if as_clip {
        let (shown, note) = job::shown(list);
        notes.extend(note);
        let clip = RangeClip {
            skeleton: &character.skeleton,
            skin: &character.name,
            poses: &shown,
        };
        let document = asset::with_range_clips(&poses.document, &[clip], ClipPlace::First)?;
        asset::save(&document, &args.output)?;
    } else {
        let json = file::to_json(list, &character.skeleton).to_string() + "\n";
        asset::write_atomically(&args.output, json.as_bytes())?;
    }
    if !args.common.running.quiet {
        let others = poses.sets.len() - 1;
        let note = if others > 0 {
            format!(" (of {}; other skins: {others})", character.name)
        } else {
            String::new()
        };
        let mut text = Text::default();
        let output = args.output.display().to_string();
        text.verdict(None, &output, &format!("{} poses{note}", list.len()));
        for note in notes {
            text.labelled("  ", Role::Doubt, "note:", &note);
        }
        show(&text)?;
    }
    Ok(())
}
