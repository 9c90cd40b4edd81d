//! Bakes a stack of corrective deformers into sparse skin weights, over open glTF.
//!
//! Data runs one way; each stage takes plain data and gives plain data, and [`job`] is the only place
//! where they meet:
//!
//! ```text
//! glTF ─ asset ─▶ Character ─ bind ─▶ one joint a vertex ─┐
//!                     │                                   ├─ deform ─▶ target shapes ─ fit ─▶ weights ─ asset ─▶ glTF
//!                     └────── pose ─▶ poses ──────────────┘       (streamed, never stored)       │
//!                                                                                      measure ─▶ report
//! ```
//!
//! To bake from a program, call [`job::bake`].

#![warn(missing_docs)]

pub mod asset;
pub mod batch;
pub mod bind;
pub mod carry;
pub mod cli;
pub mod deform;
pub mod drive;
pub mod error;
pub mod fit;
pub mod inspect;
pub mod job;
pub mod limits;
pub mod measure;
pub mod memory;
pub mod page;
pub mod picture;
pub mod pose;
pub mod recipe;
pub mod report;
pub mod rig;
pub mod shapes;
pub mod units;
