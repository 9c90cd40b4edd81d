//! `tanyard carry`.

use std::path::Path;
use std::process::ExitCode;

use super::args::CarryArgs;
use super::bake::{Run, request};
use crate::batch::{Baselines, Item, Options};
use crate::error::Error;
use crate::job::Carry;
use crate::recipe::Recipes;

pub(super) fn run(args: &CarryArgs) -> Result<ExitCode, Error> {
    super::require_ending(&args.output, &["glb", "gltf"])?;
    let to = args.to.as_ref().unwrap_or(&args.from);
    let source = args.source.as_ref().unwrap_or(&args.from);
    let recipes = Recipes::new(args.common.recipe.as_deref())?;
    let (mut request, recipe) = request(source, &args.common, &recipes)?;
    request.input.clone_from(to);
    request.poses.clone_from(&args.poses);
    request.memory = args.memory;
    if let Some(influences) = args.influences {
        request.recipe.fit.influences = usize::from(influences);
    }
    // Poses are those of the other surface, and are shown there.
    request.recipe.write.clip = false;
    request.carry = Some(Carry {
        from: args.from.clone(),
        source: args.source.clone(),
        from_meshes: args.from_meshes.clone(),
        to_meshes: args.to_meshes.clone(),
        refit: !args.no_refit,
    });
    let name = to.file_name().unwrap_or_default();
    let item = Item::new(
        name.to_string_lossy().into_owned(),
        to.clone(),
        args.output.clone(),
        recipe,
        Ok(request),
        &Baselines::default(),
    );
    // One file alone: what is wrong with its recipe is wrong with the command.
    if let Err(error) = &item.work {
        return Err(error.clone());
    }
    let from = (to != &args.from).then_some(args.from.as_path());
    let reads: [Option<&Path>; 3] = [from, args.source.as_deref(), args.poses.as_deref()];
    let run = Run {
        delivery: &args.delivery,
        quiet: args.common.running.quiet,
        is_folder: false,
        reads: &reads,
    };
    let options = Options {
        threads: args.common.running.threads.map(Into::into),
        memory: args.memory,
        ..Options::default()
    };
    run.go(vec![item], options)
}
