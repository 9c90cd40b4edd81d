//! `tanyard shapes`.

use super::args::ShapesArgs;
use super::bake::request;
use super::output::show;
use super::progress::Progress;
use crate::error::Error;
use crate::job;
use crate::recipe::Recipes;
use crate::report::{Role, Text};
use crate::shapes::Form;

pub(super) fn run(args: &ShapesArgs) -> Result<(), Error> {
    let recipes = Recipes::new(args.common.recipe.as_deref())?;
    let (mut request, _) = request(&args.input, &args.common, &recipes)?;
    request.memory = args.memory;
    request.poses.clone_from(&args.poses);
    let is_asked = |form: &Form| match args.form.is_empty() {
        true => *form == Form::Obj,
        false => args.form.contains(form),
    };
    // Each once.
    let forms = Form::ALL.iter().map(|(form, ..)| *form).filter(is_asked);
    let forms: Vec<Form> = forms.collect();
    let threads = args.common.running.threads.map(Into::into);
    let progress = Progress::of_job(args.common.running.quiet);
    let written = super::on_threads(threads, || {
        job::write_shapes(&request, &args.output, &forms, args.held_out, &*progress)
    });
    progress.finish()?;
    let written = written?;
    if !args.common.running.quiet {
        let mut text = Text::default();
        let output = args.output.display().to_string();
        text.verdict(None, &output, &format!("{} shapes", written.shapes));
        for form in forms {
            let place = form.place(&args.output).display().to_string();
            text.plain(&format!("  give them back with --targets {place}"));
        }
        for note in written.notes {
            text.labelled("  ", Role::Doubt, "note:", &note);
        }
        show(&text)?;
    }
    Ok(())
}
