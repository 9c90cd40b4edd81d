//! The flesh of a character: the shells that joints may lie in, with their volumes.

use nalgebra::{Point3, Vector3};

use super::shell::{Shell, shells};
use super::volume::Volume;
use crate::rig::{Sight, Skeleton, Surface};

/// What joints are judged by, and what bones spread through.
pub(super) struct Body {
    pub diagonal: f64,
    pub fleshes: Vec<Flesh>,
    /// Over all pieces that are looked at.
    sight: Sight,
    /// For each triangle whether its piece has a border.
    open: Vec<bool>,
}

/// A shell with its inside.
pub(super) struct Flesh {
    pub shell: Shell,
    pub volume: Volume,
}

/// Cells across the thinnest limbs: fewer lose the way round a bend.
const CELLS_ACROSS: f64 = 4.0;

/// Limbs thinner than at nine tenths of the surface count as the thinnest.
const THIN_SHARE: f64 = 0.1;

/// Triangles that thickness is measured at.
const SAMPLES: usize = 500;

/// An end joint nearer to the skin than this share of the way across the limb lies upon it.
const LEAST_DEPTH: f64 = 0.1;

/// Joints farther than this share of the diagonal from any cloth do not lie on it.
const ON_CLOTH: f64 = 0.01;

impl Body {
    /// Takes the pieces to look at, and fills the shells that any joint lies in or near.
    pub fn new(skeleton: &Skeleton, surface: &Surface, own: &[bool]) -> Self {
        let is_own = |corners: &[u32; 3]| own[surface.piece_of[corners[0] as usize] as usize];
        let mut has_border = vec![false; surface.pieces];
        for v in 0..surface.len() {
            has_border[surface.piece_of[v] as usize] |= surface.border[v];
        }
        let numbers = (0..surface.triangles.len()).filter(|&t| is_own(&surface.triangles[t]));
        let fleshes = shells(surface, own)
            .into_iter()
            .filter(|shell| holds_joint(skeleton, surface, shell))
            .map(|shell| {
                let step = thickness(surface, &shell) / CELLS_ACROSS;
                let volume = Volume::new(surface, &shell, step);
                Flesh { shell, volume }
            })
            .collect();
        Self {
            diagonal: surface.diagonal(),
            fleshes,
            sight: Sight::of(surface, numbers),
            open: surface
                .triangles
                .iter()
                .map(|corners| has_border[surface.piece_of[corners[0] as usize] as usize])
                .collect(),
        }
    }

    /// The volumes.
    pub fn volumes(&self) -> impl Iterator<Item = &Volume> {
        self.fleshes.iter().map(|flesh| &flesh.volume)
    }

    /// Whether a point lies inside any shell.
    pub fn is_inside(&self, point: Point3<f64>) -> bool {
        self.volumes().any(|volume| volume.holds(point))
    }

    /// Whether the end of a limb has flesh: it lies well within a shell that its parent lies in too (a hand
    /// that hangs before a coat is not inside it), in any if the parent lies in none, or upon cloth. What lies
    /// just beneath the skin, such as a grip in a palm, has none, unless it `may_be_shallow`.
    pub fn is_of_flesh(
        &self,
        end: Point3<f64>,
        parent: Option<Point3<f64>>,
        may_be_shallow: bool,
    ) -> bool {
        let parent = parent.filter(|&parent| self.is_inside(parent));
        self.fleshes.iter().any(|flesh| {
            flesh.volume.holds(end)
                && parent.is_none_or(|parent| flesh.volume.holds(parent))
                && (may_be_shallow || is_deep(&flesh.shell, end))
        }) || self.sight.closest(end).is_some_and(|closest| {
            self.open[closest.triangle] && closest.distance <= ON_CLOTH * self.diagonal
        })
    }

    /// How far flesh goes on from a point along a direction of length one, by steps of a cell; the farthest
    /// of all shells.
    pub fn depth(&self, from: Point3<f64>, way: Vector3<f64>) -> f64 {
        let depth = |volume: &Volume| {
            let inside = |k: &usize| volume.holds(from + way * (volume.step * *k as f64));
            let steps = (0..).take_while(inside).last().unwrap_or(0);
            volume.step * steps as f64
        };
        self.volumes().map(depth).fold(0.0, f64::max)
    }
}

/// Whether a point is not much nearer to the surface than to what lies across.
fn is_deep(shell: &Shell, point: Point3<f64>) -> bool {
    let Some(closest) = shell.sight.closest(point) else {
        return false;
    };
    let away = (point - closest.place).try_normalize(0.0);
    let across = away.and_then(|away| shell.sight.exit(point, away));
    across.is_some_and(|across| closest.distance >= LEAST_DEPTH * (closest.distance + across))
}

/// Whether any joint lies in the box of a shell.
fn holds_joint(skeleton: &Skeleton, surface: &Surface, shell: &Shell) -> bool {
    let [low, high] = shell.bounds(surface);
    skeleton.ids().any(|id| {
        let at = skeleton.origin(id);
        (0..3).all(|i| low[i] <= at[i] && at[i] <= high[i])
    })
}

/// How thick the thinnest limbs of a shell are.
fn thickness(surface: &Surface, shell: &Shell) -> f64 {
    let step = shell.triangles.len().div_ceil(SAMPLES).max(1);
    let mut depths: Vec<f64> = shell
        .triangles
        .iter()
        .step_by(step)
        .filter_map(|&triangle| {
            let [a, b, c] = Shell::corners(surface, triangle);
            let inward = -(b - a).cross(&(c - a)).try_normalize(0.0)?;
            let middle = Point3::from((a.coords + b.coords + c.coords) / 3.0);
            // Off the triangle itself.
            let begin = middle + inward * (1e-6 * surface.diagonal());
            shell.sight.exit(begin, inward)
        })
        .collect();
    depths.sort_by(f64::total_cmp);
    let thin = (depths.len() as f64 * THIN_SHARE) as usize;
    depths.get(thin).copied().unwrap_or(surface.diagonal())
}
