//! `inspect`: from a file to findings.

use std::path::Path;

use super::work::surface_report;
use crate::asset::{self, Document};
use crate::error::{Error, Fault};
use crate::inspect::{self, Limit, Skin};
use crate::recipe::Recipe;
use crate::report::{Exceeded, Inspection, SkinInspection};

/// An engine that takes as many joints a vertex as the recipe gives.
pub(super) fn options(recipe: &Recipe) -> inspect::Options {
    inspect::Options {
        influences: recipe.fit.influences,
    }
}

/// Says what is wrong with the skins that a file has, and which limits they exceed.
///
/// # Errors
/// A file that cannot be read, or that has no skin.
pub fn inspect(
    input: &Path,
    options: &inspect::Options,
    limits: &[Limit],
) -> Result<Inspection, Error> {
    let document = Document::open(input)?;
    if document.json().get("skins").is_none() {
        let fault = Fault::new(input, "skins", "a skin to inspect", "none")
            .remedy("bind the mesh first: tanyard bake --skeleton");
        return Err(fault.into());
    }
    let loaded = asset::characters(&document, None)?;
    let raw = loaded
        .iter()
        .map(|one| asset::raw_weights(&document, one))
        .collect::<Result<Vec<_>, _>>()?;
    let skins: Vec<Skin> = loaded
        .iter()
        .zip(&raw)
        .map(|(one, raw)| Skin {
            character: &one.character,
            raw: raw.as_ref(),
        })
        .collect();
    let findings = inspect::inspect(&skins, options);
    let mut exceeded = Vec::new();
    for (skin, findings) in skins.iter().zip(&findings) {
        exceeded.extend(limits.iter().filter_map(|limit| {
            let excess = limit.excess(findings)?;
            Some(Exceeded::new(&skin.character.name, limit, &excess))
        }));
    }
    let skins = skins.iter().zip(&loaded).zip(findings);
    let skins = skins.map(|((skin, loaded), findings)| SkinInspection {
        name: skin.character.name.clone(),
        surface: surface_report(skin.character),
        joints: skin.character.skeleton.joints().len(),
        influences: skin.raw.map(inspect::influences).unwrap_or_default(),
        findings,
        notes: loaded.notes.clone(),
    });
    Ok(Inspection::new(input.to_owned(), skins.collect(), exceeded))
}
