//! Left and right alike: which vertices are solved together, and what their programs look like.
//!
//! Weights are symmetric if the partner of a vertex has the vertex's weights on the partners of its joints,
//! and a vertex on the plane has the same weight on both joints of a pair. The best symmetric weights are
//! those of smaller programs of the same kind:
//!
//! - **Two partners** share one program, the sum of both: with P the exchange of partner joints,
//!   `wᵀ(G_v + P·G_u·Pᵀ)w`, and so for the hold and for the edges around both. The first of the two is
//!   solved, the other one is its image, copied: so the result is symmetric to the bit.
//! - **On the plane** a pair of joints is one variable, its weight shared evenly. It counts as two joints.
//! - **All others** are solved as if there were no symmetry.
//!
//! **Limits.** A vertex takes part only if all its candidates have partners, and those of its partner are
//! the same joints mirrored, within the reach of the layers there: beyond it no pose is evaluated, and a
//! matrix would say nothing. On the plane one candidate must be its own partner: 255 and 65,535 are odd, and
//! cannot be shared by pairs alone. What cannot take part loses its partner ([`symmetric_candidates`]).

use std::borrow::Cow;

use super::quadratic::{Quadratic, Vector};
use super::subset::{SINGLE, Sizes};
use super::{Candidates, MAX_CANDIDATES};
use crate::rig::{JointId, Mirror};

/// How a vertex is solved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// By itself.
    Alone,
    /// Together with its partner, which is its image.
    First(usize),
    /// Not at all: its partner is.
    Image(usize),
    /// On the plane.
    Central,
}

/// How a vertex is solved; without a mirror each by itself.
pub(super) fn role(mirror: Option<&Mirror>, v: usize) -> Role {
    match mirror.and_then(|mirror| mirror.vertex(v)) {
        None => Role::Alone,
        Some(partner) if partner == v => Role::Central,
        Some(partner) if partner > v => Role::First(partner),
        Some(partner) => Role::Image(partner),
    }
}

/// For each of `ids` the place of its partner among `others`, `None` where it is not among them.
pub(super) fn partner_places(
    mirror: &Mirror,
    ids: &[JointId],
    others: &[JointId],
) -> [Option<usize>; MAX_CANDIDATES] {
    let mut places = [None; MAX_CANDIDATES];
    for (place, &id) in places.iter_mut().zip(ids) {
        *place = mirror
            .joint(id)
            .and_then(|partner| others.binary_search(&partner).ok());
    }
    places
}

/// The variables of a program: joints, or groups of joints that share a weight evenly.
#[derive(Clone, Copy, Debug)]
pub(super) struct Groups {
    count: usize,
    /// The group of each candidate.
    of: [usize; MAX_CANDIDATES],
    /// The joints of each group.
    pub sizes: Sizes,
}

impl Groups {
    /// Each candidate by itself.
    pub fn single(candidates: usize) -> Self {
        Self {
            count: candidates,
            of: std::array::from_fn(|i| i),
            sizes: SINGLE,
        }
    }

    /// Pairs of candidates; `places` are those of partners.
    pub fn pairs(candidates: usize, places: &[Option<usize>; MAX_CANDIDATES]) -> Self {
        let mut groups = Self {
            count: 0,
            of: [0; MAX_CANDIDATES],
            sizes: SINGLE,
        };
        for i in 0..candidates {
            match places[i] {
                Some(partner) if partner < i => {
                    groups.of[i] = groups.of[partner];
                    groups.sizes[groups.of[i]] = 2;
                }
                _ => {
                    groups.of[i] = groups.count;
                    groups.count += 1;
                }
            }
        }
        groups
    }

    /// A program over candidates as one over groups.
    pub fn gather(&self, form: &Quadratic) -> Quadratic {
        form.grouped(self.count, &self.of, &self.sizes)
    }

    /// Weights of groups, spread over candidates.
    pub fn spread(&self, of_groups: &Vector, candidates: usize) -> Vector {
        let mut w = [0.0; MAX_CANDIDATES];
        for i in 0..candidates {
            w[i] = of_groups[self.of[i]] / f64::from(self.sizes[self.of[i]]);
        }
        w
    }

    /// Weights of candidates, summed over groups.
    pub fn sums(&self, w: &Vector, candidates: usize) -> Vector {
        let mut sums = [0.0; MAX_CANDIDATES];
        for i in 0..candidates {
            sums[self.of[i]] += w[i];
        }
        sums
    }

    /// The group of a candidate.
    pub fn of(&self, candidate: usize) -> usize {
        self.of[candidate]
    }
}

/// Candidates that are each other's mirror image at partners; elsewhere those of [`Candidates::new`]. A
/// vertex that cannot take part loses its partner in `mirror`.
pub fn symmetric_candidates<'a>(
    row: impl Fn(usize) -> &'a [(JointId, f32)],
    least_mass: f32,
    mirror: &mut Mirror,
) -> Candidates {
    let mut rows: Vec<Cow<'a, [(JointId, f32)]>> = Vec::with_capacity(mirror.vertices.len());
    for v in 0..mirror.vertices.len() {
        let own = Cow::Borrowed(row(v));
        rows.push(match role(Some(mirror), v) {
            Role::Alone => own,
            // Made with the first of the two; every joint has a partner.
            Role::Image(first) => rows[first]
                .iter()
                .filter_map(|&(id, mass)| Some((mirror.joint(id)?, mass)))
                .collect(),
            Role::First(_) | Role::Central => {
                let partner = mirror.vertices[v] as usize;
                match common(mirror, row(v), row(partner), least_mass, partner == v) {
                    Some(common) => Cow::Owned(common),
                    None => {
                        mirror.part(v);
                        own
                    }
                }
            }
        });
    }
    Candidates::new(rows.iter().map(AsRef::as_ref), least_mass)
}

/// The joints that may carry weight at a vertex and, mirrored, at its partner, heaviest first, by the
/// greater of both masses; `None` if the two cannot be alike.
fn common(
    mirror: &Mirror,
    own: &[(JointId, f32)],
    other: &[(JointId, f32)],
    least_mass: f32,
    is_central: bool,
) -> Option<Vec<(JointId, f32)>> {
    let mass_in = |row: &[(JointId, f32)], id: JointId| {
        row.iter().find(|entry| entry.0 == id).map(|entry| entry.1)
    };
    let own_ids = Candidates::kept(own, least_mass)
        .iter()
        .map(|entry| entry.0);
    let other_ids = Candidates::kept(other, least_mass)
        .iter()
        .map(|entry| mirror.joint(entry.0))
        .collect::<Option<Vec<_>>>()?;
    let mut rows: Vec<(JointId, f32)> = Vec::new();
    for id in own_ids.chain(other_ids.iter().copied()) {
        let partner = mirror.joint(id)?;
        // What reaches only one of the two cannot be told from the others at the other one.
        if let (Some(a), Some(b)) = (mass_in(own, id), mass_in(other, partner))
            && mass_in(&rows, id).is_none()
        {
            rows.push((id, a.max(b)));
        }
    }
    // Without what either moves with most there is nothing to be alike in.
    let heaviest = [own.first()?.0, *other_ids.first()?];
    if heaviest.iter().any(|&id| mass_in(&rows, id).is_none()) {
        return None;
    }
    // Pairs have equal masses on the plane: they stay together.
    let pair = |id: JointId| mirror.joint(id).map_or(id, |partner| partner.min(id));
    rows.sort_by(|a, b| {
        b.1.total_cmp(&a.1)
            .then((pair(a.0), a.0).cmp(&(pair(b.0), b.0)))
    });
    if !is_central {
        return Some(rows);
    }
    // The heaviest joint that is its own partner must not be cut off, nor half of a pair be left.
    let single = rows
        .iter()
        .position(|entry| mirror.joint(entry.0) == Some(entry.0))?;
    let mut central = vec![rows.remove(single)];
    for group in rows.chunk_by(|a, b| pair(a.0) == pair(b.0)) {
        if central.len() + group.len() <= MAX_CANDIDATES {
            central.extend(group);
        }
    }
    Some(central)
}
