//! Checks of the whole, through the public interface.
//!
//! Sample characters are found through `TANYARD_ASSETS`; tests that need them say so and pass over
//! them when it is not set. Demo characters are in `demo-data`.

mod against;
mod architecture;
#[path = "../asset_kit/mod.rs"]
mod asset_kit;
mod bake;
mod batch;
mod binds;
mod carry;
mod chaos;
mod clip;
mod compare;
mod farm;
mod figures;
mod files;
mod hard;
mod helper_recovery;
mod helpers;
mod inspect;
mod layers;
mod limits;
mod motion;
mod moves;
mod only;
mod page;
mod picture;
mod pieces;
mod plain;
mod properties;
mod quadratic;
mod recipes;
mod recovery;
mod refusals;
mod report;
mod report_forms;
mod report_merge;
mod sample_report;
mod shapes;
mod shells;
mod symmetry;
mod targets;
mod terminal;
