//! Where layers run: a region with what every layer needs to know of it.

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;

use super::region::Region;
use crate::rig::{Block, LANES, Lane, Point, Rings};

/// A region of the surface; all lists follow its order of vertices.
#[derive(Clone, Debug)]
pub(super) struct Place {
    pub region: Region,
    pub rings: Rings,
    /// Bind positions about the centre.
    pub rest: Vec<[f32; 3]>,
    /// The heaviest base joint of each vertex.
    pub own: Vec<u16>,
    pub seams: Seams,
}

/// Buffers of one thread, used again for every block.
#[derive(Debug, Default)]
pub(super) struct Workspace {
    /// The posed shape.
    pub shape: Vec<Point>,
    pub spare: [Vec<Point>; 3],
}

/// Pairs of neighbours with different base joints.
#[derive(Clone, Debug, Default)]
pub(super) struct Seams {
    /// Pairs of joints: the neighbour's, the vertex's own.
    joints: Vec<(u16, u16)>,
    crossings: Vec<Crossing>,
}

#[derive(Clone, Copy, Debug)]
struct Crossing {
    /// Place of the vertex in the region.
    vertex: u32,
    /// Place of the neighbour among the seam vertices of the whole surface.
    neighbour: u32,
    /// Which pair of joints.
    joints: u32,
    /// One over the size of the vertex's ring.
    share: f32,
}

/// The vertices that have a neighbour of another base joint, in rising order.
pub(super) fn seam_vertices(rings: &Rings, own: &[u16]) -> Vec<u32> {
    (0..rings.len())
        .filter(|&v| rings.of(v).iter().any(|&n| own[n as usize] != own[v]))
        .map(|v| v as u32)
        .collect()
}

impl Seams {
    /// The seams between moving bodies in a region; `rings`, `own` and `seam_vertices` are those of the
    /// whole surface.
    pub fn new(region: &Region, rings: &Rings, own: &[u16], seam_vertices: &[u32]) -> Self {
        let mut seams = Self::default();
        // Seeds come first, and only they have neighbours of another body.
        for (place, &v) in region.vertices[..region.nearer_than(1)].iter().enumerate() {
            let ring = rings.of(v as usize);
            for &n in ring {
                let pair = (own[n as usize], own[v as usize]);
                let body = |joint: u16| region.bodies[usize::from(joint)];
                if body(pair.0) == body(pair.1) {
                    continue;
                }
                let joints = seams
                    .joints
                    .iter()
                    .position(|&known| known == pair)
                    .unwrap_or_else(|| {
                        seams.joints.push(pair);
                        seams.joints.len() - 1
                    });
                seams.crossings.push(Crossing {
                    vertex: place as u32,
                    // Both ends of a crossing are seam vertices, and the list is sorted.
                    neighbour: seam_vertices.partition_point(|&s| s < n) as u32,
                    joints: joints as u32,
                    share: 1.0 / ring.len() as f32,
                });
            }
        }
        seams
    }

    /// For each pair of joints the difference of their matrices, row after row.
    pub fn differences(&self, block: &Block) -> Vec<[Lane; 12]> {
        let zero = [[0.0; LANES]; 12];
        self.joints
            .iter()
            .map(|&(theirs, own)| {
                let (a, b) = (block.get(usize::from(theirs)), block.get(usize::from(own)));
                let (a, b) = (a.unwrap_or(&zero), b.unwrap_or(&zero));
                std::array::from_fn(|entry| std::array::from_fn(|l| a[entry][l] - b[entry][l]))
            })
            .collect()
    }

    /// What each vertex's mean gains because neighbours follow another joint: adds `mean` times the
    /// difference of the joints, at the neighbour's place at bind, over the size of the ring.
    pub fn add_sources(
        &self,
        mean: f32,
        differences: &[[Lane; 12]],
        held: &[bool],
        seam_rest: &[[f32; 3]],
        departures: &mut [Point],
    ) {
        add_sources(
            &self.crossings,
            mean,
            differences,
            held,
            seam_rest,
            departures,
        );
    }
}

#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn add_sources(
    crossings: &[Crossing],
    mean: f32,
    differences: &[[Lane; 12]],
    held: &[bool],
    seam_rest: &[[f32; 3]],
    departures: &mut [Point],
) {
    for crossing in crossings {
        if held[crossing.vertex as usize] {
            continue;
        }
        let [x, y, z] = seam_rest[crossing.neighbour as usize];
        let m = &differences[crossing.joints as usize];
        let out = &mut departures[crossing.vertex as usize];
        let share = mean * crossing.share;
        for l in 0..LANES {
            out.x[l] += share * (m[0][l] * x + m[1][l] * y + m[2][l] * z + m[3][l]);
            out.y[l] += share * (m[4][l] * x + m[5][l] * y + m[6][l] * z + m[7][l]);
            out.z[l] += share * (m[8][l] * x + m[9][l] * y + m[10][l] * z + m[11][l]);
        }
    }
}
