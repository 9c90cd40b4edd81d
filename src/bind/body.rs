//! The flesh of a character: the shells that joints may lie in, with their volumes.

use nalgebra::{Point3, Vector3};

use super::shell::{Shell, shells};
use super::sight::Sight;
use super::volume::Volume;
use crate::rig::{Skeleton, Surface};

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
        self.volumes().any(|volume| {
            volume
                .cell_at(point)
                .is_some_and(|cell| volume.is_inside(cell))
        })
    }

    /// Whether a point lies inside, or upon cloth that encloses nothing.
    pub fn is_near_flesh(&self, point: Point3<f64>) -> bool {
        self.is_inside(point)
            || self.sight.closest(point).is_some_and(|closest| {
                self.open[closest.triangle] && closest.distance <= ON_CLOTH * self.diagonal
            })
    }
}

/// Whether any joint lies in the box of a shell.
fn holds_joint(skeleton: &Skeleton, surface: &Surface, shell: &Shell) -> bool {
    let corners = || {
        shell
            .triangles
            .iter()
            .flat_map(|&t| Shell::corners(surface, t))
    };
    let low = corners().fold(Vector3::repeat(f64::INFINITY), |low, p| low.inf(&p.coords));
    let high = corners().fold(Vector3::repeat(f64::NEG_INFINITY), |high, p| {
        high.sup(&p.coords)
    });
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
