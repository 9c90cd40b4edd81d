//! From an implicit surface to a well-shaped triangle mesh of a chosen size.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BinaryHeap};

use fast_surface_nets::ndshape::RuntimeShape;
use fast_surface_nets::{SurfaceNetsBuffer, surface_nets};

use crate::field::{V3, gradient, project, v};

/// Triangles over shared points.
#[derive(Clone, Default)]
pub struct Mesh {
    pub pos: Vec<V3>,
    pub tris: Vec<[u32; 3]>,
}

/// What to polygonise: the function, its box, the wished relative edge length at a place, and the
/// thinnest gap that must stay open.
pub struct Source<'a> {
    pub f: &'a dyn Fn(V3) -> f64,
    pub lo: V3,
    pub hi: V3,
    pub size: &'a dyn Fn(V3) -> f64,
    pub gap: f64,
}

impl Mesh {
    fn corners(&self, t: usize) -> [V3; 3] {
        self.tris[t].map(|i| self.pos[i as usize])
    }

    /// Area-weighted face normal (twice the area long).
    pub fn face_normal(&self, t: usize) -> V3 {
        let [a, b, c] = self.corners(t);
        (b - a).cross(&(c - a))
    }

    /// Middle of a triangle.
    pub fn centroid(&self, t: usize) -> V3 {
        let [a, b, c] = self.corners(t);
        (a + b + c) / 3.0
    }

    /// Unit vertex normals, weighted by corner angle.
    pub fn normals(&self) -> Vec<V3> {
        let mut out = vec![V3::zeros(); self.pos.len()];
        for t in 0..self.tris.len() {
            let n = unit(self.face_normal(t));
            let c = self.corners(t);
            for k in 0..3 {
                let a = c[(k + 1) % 3] - c[k];
                let b = c[(k + 2) % 3] - c[k];
                out[self.tris[t][k] as usize] += n * a.angle(&b);
            }
        }
        out.into_iter().map(unit).collect()
    }

    /// Appends another mesh.
    pub fn append(&mut self, other: &Mesh) {
        let base = self.pos.len() as u32;
        self.pos.extend_from_slice(&other.pos);
        self.tris
            .extend(other.tris.iter().map(|t| t.map(|i| i + base)));
    }

    /// Euler number, and the number of edges that do not have exactly two faces.
    pub fn topology(&self) -> (i64, usize) {
        let mut edges: BTreeMap<(u32, u32), u32> = BTreeMap::new();
        for t in &self.tris {
            for k in 0..3 {
                let (a, b) = (t[k], t[(k + 1) % 3]);
                *edges.entry((a.min(b), a.max(b))).or_default() += 1;
            }
        }
        let bad = edges.values().filter(|&&n| n != 2).count();
        let euler = self.pos.len() as i64 - edges.len() as i64 + self.tris.len() as i64;
        (euler, bad)
    }
}

/// Unit vector, or up when there is no direction.
pub fn unit(a: V3) -> V3 {
    a.try_normalize(1e-12).unwrap_or_else(|| v(0.0, 1.0, 0.0))
}

/// Surface nets over a uniform grid of step `h`; far blocks are not sampled.
pub fn polygonise(f: &dyn Fn(V3) -> f64, lo: V3, hi: V3, h: f64) -> Mesh {
    const BLOCK: usize = 8;
    let n: [usize; 3] = std::array::from_fn(|i| ((hi[i] - lo[i]) / h).ceil() as usize + 3);
    let lo = lo - v(h, h, h);
    let mut grid = vec![0f32; n[0] * n[1] * n[2]];
    let radius = h * BLOCK as f64 * 3f64.sqrt() / 2.0;
    for bz in (0..n[2]).step_by(BLOCK) {
        for by in (0..n[1]).step_by(BLOCK) {
            for bx in (0..n[0]).step_by(BLOCK) {
                let mid = v(bx as f64, by as f64, bz as f64).add_scalar(BLOCK as f64 / 2.0);
                let dm = f(lo + mid * h);
                let far = dm.abs() > 1.5 * radius;
                for z in bz..(bz + BLOCK).min(n[2]) {
                    for y in by..(by + BLOCK).min(n[1]) {
                        for x in bx..(bx + BLOCK).min(n[0]) {
                            let p = lo + v(x as f64, y as f64, z as f64) * h;
                            let d = if far { dm } else { f(p) };
                            grid[x + n[0] * (y + n[1] * z)] = d as f32;
                        }
                    }
                }
            }
        }
    }
    part_pinches(&mut grid, n, h as f32 * 1e-3);
    let dims = n.map(|k| k as u32);
    let mut out = SurfaceNetsBuffer::default();
    surface_nets(
        &grid,
        &RuntimeShape::<u32, 3>::new(dims),
        [0; 3],
        dims.map(|k| k - 1),
        &mut out,
    );
    Mesh {
        pos: out
            .positions
            .iter()
            .map(|p| lo + v(p[0] as f64, p[1] as f64, p[2] as f64) * h)
            .collect(),
        tris: out
            .indices
            .chunks_exact(3)
            .map(|c| [c[0], c[1], c[2]])
            .collect(),
    }
}

/// Surface nets puts one vertex in each cell; where two sheets meet in one cell the mesh would be
/// pinched. Such cells lose their weakest inner corner until one sheet is left.
fn part_pinches(grid: &mut [f32], n: [usize; 3], outside: f32) {
    let stride = [1, n[0], n[0] * n[1]];
    let corner: [usize; 8] = std::array::from_fn(|c| {
        (0..3)
            .map(|k| if c >> k & 1 == 1 { stride[k] } else { 0 })
            .sum()
    });
    // For each sign pattern: are inner and outer corners both in one piece?
    let sound: Vec<bool> = (0..256usize)
        .map(|mask| whole(mask) && whole(!mask & 255))
        .collect();
    loop {
        let mut changed = false;
        for z in 0..n[2] - 1 {
            for y in 0..n[1] - 1 {
                for x in 0..n[0] - 1 {
                    let base = x + stride[1] * y + stride[2] * z;
                    let mask =
                        (0..8).fold(0, |m, c| m | usize::from(grid[base + corner[c]] < 0.0) << c);
                    if sound[mask] {
                        continue;
                    }
                    let weakest = (0..8)
                        .map(|c| base + corner[c])
                        .filter(|&i| grid[i] < 0.0)
                        .max_by(|&a, &b| grid[a].total_cmp(&grid[b]));
                    if let Some(i) = weakest {
                        grid[i] = outside;
                        changed = true;
                    }
                }
            }
        }
        if !changed {
            break;
        }
    }
}

/// Do the set corners of a cube hang together along its edges?
fn whole(mask: usize) -> bool {
    let mut seen = mask & mask.wrapping_neg();
    loop {
        let grown = (0..8).filter(|c| seen >> c & 1 == 1).fold(seen, |s, c| {
            s | ((1 << (c ^ 1)) | (1 << (c ^ 2)) | (1 << (c ^ 4))) & mask
        });
        if grown == seen {
            return seen == mask;
        }
        seen = grown;
    }
}

/// Polygonises `src` with about `count` vertices; no edge is wished shorter than `floor`
/// unless the count asks for it everywhere. Returns the mesh and the final edge length function's
/// scale (edge = scale * size, at least the floor).
pub fn build(src: &Source, count: usize, floor: f64) -> (Mesh, Sizing) {
    let span = (src.hi - src.lo).max();
    let rough = polygonise(src.f, src.lo, src.hi, span / 160.0);
    // Edge length for the wished count, from the area weighed by the sizing.
    let mut sizing = Sizing {
        scale: span / 60.0,
        floor,
    };
    let areas: Vec<(f64, f64)> = (0..rough.tris.len())
        .map(|t| {
            (
                rough.face_normal(t).norm() / 2.0,
                (src.size)(rough.centroid(t)),
            )
        })
        .collect();
    for _ in 0..30 {
        let sum: f64 = areas
            .iter()
            .map(|(a, s)| a / (0.866 * sizing.edge(*s).powi(2)))
            .sum();
        sizing.scale *= (sum / count as f64).sqrt();
    }
    let finest = areas
        .iter()
        .map(|(_, s)| sizing.edge(*s))
        .fold(f64::MAX, f64::min);
    // Two cells in a gap keep its sides apart.
    let step = (finest * fine_share(count)).min(src.gap / 2.0);
    let fine = polygonise(src.f, src.lo, src.hi, step);
    let mut work = Work::new(fine, src, sizing);
    let cap = finest;
    while work.live > count {
        let goal = count.max((work.live as f64 * 0.62) as usize);
        let before = work.live;
        work.collapse(goal);
        // Early rounds leave the shape to later ones: most vertices go anyway.
        if goal < count * 3 {
            work.flip();
            work.relax(2, cap);
        }
        if work.live == before {
            break;
        }
    }
    for _ in 0..4 {
        work.flip();
        work.relax(2, cap);
    }
    let mut mesh = work.finish();
    for p in &mut mesh.pos {
        *p = project(src.f, *p, 0.0, 4, cap);
    }
    (mesh, sizing)
}

/// Grid step relative to the finest edge: small meshes need a finer grid to part thin gaps.
fn fine_share(count: usize) -> f64 {
    if count < 20_000 { 0.6 } else { 0.85 }
}

/// Edge lengths: relative size times scale, bounded below.
#[derive(Clone, Copy)]
pub struct Sizing {
    pub scale: f64,
    pub floor: f64,
}

impl Sizing {
    /// Wished edge length where the relative size is `s`.
    pub fn edge(&self, s: f64) -> f64 {
        (self.scale * s).max(self.floor.min(self.scale))
    }
}

/// A mesh under change, with vertex-to-triangle lists.
struct Work<'a> {
    mesh: Mesh,
    dead: Vec<bool>,
    fans: Vec<Vec<u32>>,
    edge: Vec<f64>,
    live: usize,
    src: &'a Source<'a>,
    sizing: Sizing,
}

/// An edge waiting for its collapse; the shortest comes first.
struct Waiting {
    cost: f64,
    ends: [u32; 2],
    stamps: [u32; 2],
}

impl PartialEq for Waiting {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Waiting {}
impl PartialOrd for Waiting {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Waiting {
    fn cmp(&self, other: &Self) -> Ordering {
        other
            .cost
            .total_cmp(&self.cost)
            .then(other.ends.cmp(&self.ends))
    }
}

impl<'a> Work<'a> {
    fn new(mesh: Mesh, src: &'a Source<'a>, sizing: Sizing) -> Self {
        let mut fans = vec![Vec::new(); mesh.pos.len()];
        for (t, tri) in mesh.tris.iter().enumerate() {
            for &i in tri {
                fans[i as usize].push(t as u32);
            }
        }
        let edge = mesh
            .pos
            .iter()
            .map(|p| sizing.edge((src.size)(*p)))
            .collect();
        Work {
            dead: vec![false; mesh.tris.len()],
            live: mesh.pos.len(),
            mesh,
            fans,
            edge,
            src,
            sizing,
        }
    }

    /// Sorted neighbours of a vertex.
    fn ring(&self, a: u32) -> Vec<u32> {
        let mut out: Vec<u32> = self.fans[a as usize]
            .iter()
            .flat_map(|&t| self.mesh.tris[t as usize])
            .filter(|&i| i != a)
            .collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    fn cost(&self, a: u32, b: u32) -> f64 {
        let len = (self.mesh.pos[a as usize] - self.mesh.pos[b as usize]).norm();
        2.0 * len / (self.edge[a as usize] + self.edge[b as usize])
    }

    /// Collapses the relatively shortest edges until `goal` vertices are left.
    fn collapse(&mut self, goal: usize) {
        let mut stamps = vec![0u32; self.mesh.pos.len()];
        let mut heap = BinaryHeap::new();
        for (t, tri) in self.mesh.tris.iter().enumerate() {
            if self.dead[t] {
                continue;
            }
            for k in 0..3 {
                let (a, b) = (tri[k], tri[(k + 1) % 3]);
                if a < b {
                    heap.push(Waiting {
                        cost: self.cost(a, b),
                        ends: [a, b],
                        stamps: [0, 0],
                    });
                }
            }
        }
        while self.live > goal {
            let Some(e) = heap.pop() else { break };
            let [a, b] = e.ends;
            if stamps[a as usize] != e.stamps[0] || stamps[b as usize] != e.stamps[1] {
                continue;
            }
            if self.try_collapse(a, b) {
                stamps[a as usize] += 1;
                stamps[b as usize] = u32::MAX;
                for n in self.ring(a) {
                    let ends = [a.min(n), a.max(n)];
                    heap.push(Waiting {
                        cost: self.cost(a, n),
                        ends,
                        stamps: ends.map(|i| stamps[i as usize]),
                    });
                }
            }
        }
    }

    /// Merges `b` into `a` unless that would pinch or fold the surface.
    fn try_collapse(&mut self, a: u32, b: u32) -> bool {
        let ra = self.ring(a);
        let rb = self.ring(b);
        let shared: Vec<u32> = ra
            .iter()
            .copied()
            .filter(|i| rb.binary_search(i).is_ok())
            .collect();
        if shared.len() != 2 || ra.len() + rb.len() > 16 {
            return false;
        }
        // A vertex of valence 3 next to the edge would lose its last proper fan.
        if shared.iter().any(|&s| self.fans[s as usize].len() <= 3) {
            return false;
        }
        let mid = (self.mesh.pos[a as usize] + self.mesh.pos[b as usize]) / 2.0;
        let p = project(self.src.f, mid, 0.0, 1, self.edge[a as usize]);
        for (&me, &other) in [(&a, &b), (&b, &a)] {
            for &t in &self.fans[me as usize] {
                let tri = self.mesh.tris[t as usize];
                if tri.contains(&other) {
                    continue;
                }
                let old = unit(self.mesh.face_normal(t as usize));
                let c = tri.map(|i| {
                    if i == me {
                        p
                    } else {
                        self.mesh.pos[i as usize]
                    }
                });
                let new = (c[1] - c[0]).cross(&(c[2] - c[0]));
                if new.dot(&old) < 0.5 * new.norm() || new.norm() < 1e-14 {
                    return false;
                }
            }
        }
        self.mesh.pos[a as usize] = p;
        self.edge[a as usize] = self.sizing.edge((self.src.size)(p));
        for t in std::mem::take(&mut self.fans[b as usize]) {
            let tri = self.mesh.tris[t as usize];
            if tri.contains(&a) {
                self.dead[t as usize] = true;
                for i in tri {
                    self.fans[i as usize].retain(|&x| x != t);
                }
            } else {
                self.mesh.tris[t as usize] = tri.map(|i| if i == b { a } else { i });
                self.fans[a as usize].push(t);
            }
        }
        self.live -= 1;
        true
    }

    /// Flips edges where that brings the valences nearer to six, on nearly flat ground.
    fn flip(&mut self) {
        for t in 0..self.mesh.tris.len() {
            for k in 0..3 {
                if self.dead[t] {
                    break;
                }
                let tri = self.mesh.tris[t];
                let (a, b, c) = (tri[k], tri[(k + 1) % 3], tri[(k + 2) % 3]);
                if a > b {
                    continue;
                }
                self.try_flip(t as u32, [a, b, c]);
            }
        }
    }

    fn try_flip(&mut self, t: u32, [a, b, c]: [u32; 3]) {
        let mates: Vec<u32> = self.fans[a as usize]
            .iter()
            .copied()
            .filter(|&u| u != t && self.mesh.tris[u as usize].contains(&b))
            .collect();
        let [u] = mates[..] else { return };
        let Some(d) = self.mesh.tris[u as usize]
            .into_iter()
            .find(|&i| i != a && i != b)
        else {
            return;
        };
        let val = |i: u32, by: i64| (self.fans[i as usize].len() as i64 + by - 6).pow(2);
        let before = val(a, 0) + val(b, 0) + val(c, 0) + val(d, 0);
        let after = val(a, -1) + val(b, -1) + val(c, 1) + val(d, 1);
        if after >= before || self.fans[a as usize].len() < 4 || self.fans[b as usize].len() < 4 {
            return;
        }
        if self.ring(c).binary_search(&d).is_ok() {
            return;
        }
        let p = |i: u32| self.mesh.pos[i as usize];
        let n1 = unit(self.mesh.face_normal(t as usize));
        let n2 = unit(self.mesh.face_normal(u as usize));
        let m1 = (p(d) - p(a)).cross(&(p(c) - p(a)));
        let m2 = (p(b) - p(d)).cross(&(p(c) - p(d)));
        let avg = unit(n1 + n2);
        let bad = |m: V3| m.dot(&avg) < 0.75 * m.norm() || m.norm() < 1e-14;
        if n1.dot(&n2) < 0.8 || bad(m1) || bad(m2) {
            return;
        }
        self.mesh.tris[t as usize] = [a, d, c];
        self.mesh.tris[u as usize] = [d, b, c];
        self.fans[a as usize].retain(|&x| x != u);
        self.fans[b as usize].retain(|&x| x != t);
        self.fans[c as usize].push(u);
        self.fans[d as usize].push(t);
    }

    /// Slides vertices along the surface towards the middle of their neighbours.
    fn relax(&mut self, rounds: usize, cap: f64) {
        for _ in 0..rounds {
            let mut next = self.mesh.pos.clone();
            for (i, slot) in next.iter_mut().enumerate() {
                if self.fans[i].is_empty() {
                    continue;
                }
                let p = self.mesh.pos[i];
                let mut n = V3::zeros();
                let mut mid = V3::zeros();
                let mut sum = 0.0;
                for &t in &self.fans[i] {
                    let fnormal = self.mesh.face_normal(t as usize);
                    // Weigh by the relative area so that the sizing is kept.
                    let w = fnormal.norm() / self.edge[i].powi(2) + 0.05;
                    n += fnormal;
                    mid += self.mesh.centroid(t as usize) * w;
                    sum += w;
                }
                let n = unit(n);
                let go = mid / sum - p;
                let go = go - n * n.dot(&go);
                *slot = project(self.src.f, p + go * 0.8, 0.0, 1, cap);
            }
            self.mesh.pos = next;
        }
    }

    /// Drops the dead and renumbers.
    fn finish(self) -> Mesh {
        let mut map = vec![u32::MAX; self.mesh.pos.len()];
        let mut out = Mesh::default();
        for (t, tri) in self.mesh.tris.iter().enumerate() {
            if self.dead[t] {
                continue;
            }
            out.tris.push(tri.map(|i| {
                let slot = &mut map[i as usize];
                if *slot == u32::MAX {
                    *slot = out.pos.len() as u32;
                    out.pos.push(self.mesh.pos[i as usize]);
                }
                *slot
            }));
        }
        out
    }
}

/// A plane that parts two materials of one surface, on the places where `on` holds.
pub struct Cut<'a> {
    pub at: V3,
    pub normal: V3,
    pub on: &'a dyn Fn(V3) -> bool,
    /// A vertex moves onto the plane only where the surface meets it, not where it passes by.
    pub strict: bool,
}

/// Makes mesh edges run along the plane: near vertices are snapped, crossing edges are split.
pub fn cut(mesh: &mut Mesh, f: &dyn Fn(V3) -> f64, plane: &Cut, near: &dyn Fn(V3) -> f64) {
    let n = unit(plane.normal);
    let mut g = vec![f64::NAN; mesh.pos.len()];
    for (i, p) in mesh.pos.iter_mut().enumerate() {
        if !(plane.on)(*p) {
            continue;
        }
        let reach = near(*p) * 0.4;
        let mut d = n.dot(&(*p - plane.at));
        if d.abs() < reach {
            let mut q = *p;
            for _ in 0..6 {
                q -= n * n.dot(&(q - plane.at));
                q = project(f, q, 0.0, 1, reach);
            }
            let missed = n.dot(&(q - plane.at)).abs().max(f(q).abs());
            let met = !plane.strict || missed < reach * 0.02;
            if (q - *p).norm() < reach * 2.0 && met {
                *p = q;
                d = 0.0;
            }
        }
        g[i] = d;
    }
    let mut added: BTreeMap<(u32, u32), u32> = BTreeMap::new();
    let mut tris = Vec::with_capacity(mesh.tris.len());
    for tri in std::mem::take(&mut mesh.tris) {
        let mut mids = [None; 3];
        for k in 0..3 {
            let (a, b) = (tri[k], tri[(k + 1) % 3]);
            let (ga, gb) = (g[a as usize], g[b as usize]);
            if ga * gb < 0.0 {
                let key = (a.min(b), a.max(b));
                let id = *added.entry(key).or_insert_with(|| {
                    let (pa, pb) = (mesh.pos[a as usize], mesh.pos[b as usize]);
                    let p = pa + (pb - pa) * (ga / (ga - gb));
                    mesh.pos.push(project(f, p, 0.0, 2, near(p)));
                    mesh.pos.len() as u32 - 1
                });
                mids[k] = Some(id);
            }
        }
        // Rotate so that the split edges come first.
        let turn = match mids {
            [None, Some(_), _] => 1,
            [None, None, Some(_)] => 2,
            [Some(_), None, Some(_)] => 2,
            _ => 0,
        };
        let t: [u32; 3] = std::array::from_fn(|k| tri[(k + turn) % 3]);
        let m: [Option<u32>; 3] = std::array::from_fn(|k| mids[(k + turn) % 3]);
        match (m[0], m[1]) {
            (Some(x), Some(y)) => {
                tris.extend([[x, t[1], y], [t[0], x, y], [t[0], y, t[2]]]);
            }
            (Some(x), None) => tris.extend([[t[0], x, t[2]], [x, t[1], t[2]]]),
            _ => tris.push(tri),
        }
    }
    mesh.tris = tris;
}

/// Keeps the half of X >= 0 of a mesh that has been cut there, and reflects it: exactly symmetric. Gives
/// the twin of every vertex too; those on the plane are their own.
pub fn reflect(mesh: &Mesh) -> (Mesh, Vec<u32>) {
    let kept: Vec<[u32; 3]> = (0..mesh.tris.len())
        .filter(|&t| mesh.centroid(t).x > 0.0)
        .map(|t| mesh.tris[t])
        .collect();
    // What the other half uses too lies on the plane.
    let mut right = vec![false; mesh.pos.len()];
    for (t, tri) in mesh.tris.iter().enumerate() {
        if mesh.centroid(t).x <= 0.0 {
            tri.iter().for_each(|&i| right[i as usize] = true);
        }
    }
    let mut ids: BTreeMap<u32, [u32; 2]> = BTreeMap::new();
    let mut out = Mesh::default();
    let mut twin = Vec::new();
    for &i in kept.iter().flatten() {
        ids.entry(i).or_insert_with(|| {
            let p = mesh.pos[i as usize];
            let me = out.pos.len() as u32;
            if right[i as usize] {
                out.pos.push(v(0.0, p.y, p.z));
                twin.push(me);
                return [me, me];
            }
            out.pos.extend([p, v(-p.x, p.y, p.z)]);
            twin.extend([me + 1, me]);
            [me, me + 1]
        });
    }
    for tri in &kept {
        let [a, b, c] = tri.map(|i| ids[&i]);
        out.tris.push([a[0], b[0], c[0]]);
        out.tris.push([a[1], c[1], b[1]]);
    }
    (out, twin)
}

/// Vertex normals from the field where it is smooth, from the mesh at creases.
pub fn field_normals(mesh: &Mesh, f: &dyn Fn(V3) -> f64, e: f64) -> Vec<V3> {
    let mut out = mesh.normals();
    for (n, p) in out.iter_mut().zip(&mesh.pos) {
        let g = unit(gradient(f, *p, e));
        if g.dot(n) > 0.93 {
            *n = g;
        }
    }
    out
}
