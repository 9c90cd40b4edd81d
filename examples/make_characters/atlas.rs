//! The texture (bands of hide, cloth, leather ...), the unwrap of the body into the bands, and the
//! splitting of vertices at the seams.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use crate::field::V3;
use crate::mesh::{Mesh, unit};
use crate::pieces::Piece;
use crate::skin::Bind;

/// Number of bands in the texture; each runs the full width, so that U may repeat.
pub const BANDS: usize = 8;
const WIDTH: usize = 128;
const ROWS: usize = 32;

/// Looks of one band.
#[derive(Clone, Copy)]
pub struct Paint {
    pub base: [u8; 3],
    pub accent: [u8; 3],
    pub style: Style,
}

/// Pattern of a band.
#[derive(Clone, Copy, PartialEq)]
pub enum Style {
    /// Soft blotches.
    Mottle,
    /// Crossing threads.
    Weave,
    /// Blotches and pores.
    Hide,
    /// Strands along V.
    Fur,
    /// Round dark spots.
    Spots,
    /// Rings from a pupil outward.
    Eye,
}

/// Repeatable noise: a hash of lattice points, periodic in X with period `period`.
fn lattice(x: i64, y: i64, period: i64) -> f64 {
    let x = x.rem_euclid(period);
    let mut h = (x as u64)
        .wrapping_mul(0x9E37_79B9_7F4A_7C15)
        .wrapping_add((y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F));
    h ^= h >> 29;
    h = h.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    h ^= h >> 32;
    (h & 0xFFFF) as f64 / 65535.0
}

fn noise(x: f64, y: f64, period: i64) -> f64 {
    let (ix, iy) = (x.floor() as i64, y.floor() as i64);
    let s = |t: f64| t * t * (3.0 - 2.0 * t);
    let (fx, fy) = (s(x - x.floor()), s(y - y.floor()));
    let l = |dx, dy| lattice(ix + dx, iy + dy, period);
    let a = l(0, 0) + (l(1, 0) - l(0, 0)) * fx;
    let b = l(0, 1) + (l(1, 1) - l(0, 1)) * fx;
    a + (b - a) * fy
}

/// Paints the bands into a PNG.
pub fn texture(paints: &[Paint; BANDS]) -> Result<Vec<u8>, String> {
    let mut data = Vec::with_capacity(WIDTH * ROWS * BANDS * 3);
    for (band, paint) in paints.iter().enumerate() {
        for row in 0..ROWS {
            for x in 0..WIDTH {
                let u = x as f64 / WIDTH as f64;
                let w = row as f64 / ROWS as f64;
                let y = row as f64 / 4.0 + band as f64 * 97.0;
                let soft = noise(u * 16.0, y * 0.5, 16) * 0.6 + noise(u * 32.0, y, 32) * 0.4;
                let fine = lattice(x as i64, (row + 1000 * band) as i64, WIDTH as i64);
                let mix = match paint.style {
                    Style::Mottle => soft * 0.9,
                    Style::Weave => {
                        let a = if (x + row) % 2 == 0 { 0.1 } else { 0.45 };
                        a + soft * 0.45
                    }
                    Style::Hide => soft * 0.7 + if fine > 0.93 { 0.3 } else { 0.0 },
                    Style::Spots => {
                        let dot = noise(
                            u * 22.0 + 0.3,
                            row as f64 * 22.0 / 128.0 + band as f64 * 31.0,
                            22,
                        );
                        if dot > 0.66 { 1.0 } else { soft * 0.5 }
                    }
                    Style::Fur => noise(u * 64.0, y * 0.4, 64) * 0.7 + soft * 0.3,
                    Style::Eye => {
                        let from_front = (w - 0.06) / 0.88;
                        if from_front < 0.075 {
                            2.0
                        } else if from_front < 0.165 {
                            1.0
                        } else {
                            0.0
                        }
                    }
                };
                for k in 0..3 {
                    let (b, a) = (paint.base[k] as f64, paint.accent[k] as f64);
                    let c = if mix > 1.5 { 12.0 } else { b + (a - b) * mix };
                    // Few levels compress better.
                    data.push(((c / 6.0).round() * 6.0).clamp(0.0, 255.0) as u8);
                }
            }
        }
    }
    let mut out = Vec::new();
    let mut enc = png::Encoder::new(&mut out, WIDTH as u32, (ROWS * BANDS) as u32);
    enc.set_color(png::ColorType::Rgb);
    enc.set_depth(png::BitDepth::Eight);
    enc.set_compression(png::Compression::High);
    let mut w = enc.write_header().map_err(|e| e.to_string())?;
    w.write_image_data(&data).map_err(|e| e.to_string())?;
    w.finish().map_err(|e| e.to_string())?;
    Ok(out)
}

/// Places a coordinate of the unit square in a band, away from the neighbours' rows.
fn in_band(uv: [f64; 2], band: usize) -> [f32; 2] {
    let w = 0.06 + 0.88 * uv[1].clamp(0.0, 1.0);
    [uv[0] as f32, ((band as f64 + w) / BANDS as f64) as f32]
}

/// A cylinder around which a part of the body is unrolled.
#[derive(Clone, Copy)]
pub struct Roll {
    pub from: V3,
    pub to: V3,
    /// Direction opposite the seam.
    pub face: V3,
    /// Girth there, roughly: says how often the texture goes around.
    pub around: f64,
    /// How much thinner sideways than along `face`: evens out the unwrap of fins.
    pub flat: f64,
}

/// Unrolls the body: `zone` gives roll and band of each triangle; `tile` is the wished width of one
/// texture repeat.
pub fn unroll(
    mesh: &Mesh,
    rolls: &[Roll],
    tile: f64,
    zone: &dyn Fn(usize) -> (usize, usize),
) -> Vec<[[f32; 2]; 3]> {
    (0..mesh.tris.len())
        .map(|t| {
            let (roll, band) = zone(t);
            let r = &rolls[roll];
            let axis = unit(r.to - r.from);
            let face = unit(r.face - axis * axis.dot(&r.face));
            let side = axis.cross(&face);
            let len = (r.to - r.from).norm();
            let mut uv = mesh.tris[t].map(|i| {
                let q = mesh.pos[i as usize] - r.from;
                let a = (q.dot(&side) * r.flat).atan2(q.dot(&face)) / TAU + 0.5;
                [a, q.dot(&axis) / len]
            });
            let hi = uv.iter().map(|c| c[0]).fold(f64::MIN, f64::max);
            for c in &mut uv {
                if hi - c[0] > 0.5 {
                    c[0] += 1.0;
                }
            }
            let turns = (r.around / tile).round().max(1.0);
            // A band is flat: V runs to and fro in it so that the texels stay square.
            let wide = r.around / turns * ROWS as f64 / WIDTH as f64;
            uv.map(|[a, w]| {
                let w = (w * len / wide).rem_euclid(2.0);
                in_band([a * turns, 1.0 - (w - 1.0).abs()], band)
            })
        })
        .collect()
}

/// Ready-to-write vertex arrays.
#[derive(Default)]
pub struct Part {
    pub pos: Vec<[f32; 3]>,
    pub normal: Vec<[f32; 3]>,
    pub uv: Vec<[f32; 2]>,
    pub bind: Vec<Bind>,
    pub index: Vec<u32>,
}

impl Part {
    /// Adds a mesh; a vertex is split where its corners differ in texture place or normal.
    pub fn add(
        &mut self,
        mesh: &Mesh,
        uv: &[[[f32; 2]; 3]],
        normals: &[[V3; 3]],
        bind: &dyn Fn(usize) -> Bind,
    ) {
        let mut seen: BTreeMap<(u32, [u32; 2], [i32; 3]), u32> = BTreeMap::new();
        let binds: Vec<Bind> = (0..mesh.pos.len()).map(bind).collect();
        for (t, tri) in mesh.tris.iter().enumerate() {
            for k in 0..3 {
                let n = normals[t][k];
                let nk = [n.x, n.y, n.z].map(|c| (c * 512.0).round() as i32);
                let key = (tri[k], uv[t][k].map(f32::to_bits), nk);
                let id = *seen.entry(key).or_insert_with(|| {
                    let p = mesh.pos[tri[k] as usize];
                    self.pos.push([p.x as f32, p.y as f32, p.z as f32]);
                    self.normal.push([n.x as f32, n.y as f32, n.z as f32]);
                    self.uv.push(uv[t][k]);
                    self.bind.push(binds[tri[k] as usize].clone());
                    self.pos.len() as u32 - 1
                });
                self.index.push(id);
            }
        }
    }

    /// Adds a separate piece with creased normals.
    pub fn add_piece(&mut self, piece: &Piece, band: usize, bind: &dyn Fn(V3) -> Bind) {
        let uv: Vec<[[f32; 2]; 3]> = piece
            .uv
            .iter()
            .map(|t| t.map(|c| in_band(c, band)))
            .collect();
        let normals = creased(&piece.mesh, 0.6);
        self.add(&piece.mesh, &uv, &normals, &|i| bind(piece.mesh.pos[i]));
    }
}

/// The same normal at all corners of a vertex.
pub fn spread(mesh: &Mesh, normals: &[V3]) -> Vec<[V3; 3]> {
    mesh.tris
        .iter()
        .map(|t| t.map(|i| normals[i as usize]))
        .collect()
}

/// Corner normals: faces whose normals agree by the cosine `limit` are smoothed together.
pub fn creased(mesh: &Mesh, limit: f64) -> Vec<[V3; 3]> {
    let faces: Vec<V3> = (0..mesh.tris.len()).map(|t| mesh.face_normal(t)).collect();
    let mut fans = vec![Vec::new(); mesh.pos.len()];
    for (t, tri) in mesh.tris.iter().enumerate() {
        for &i in tri {
            fans[i as usize].push(t);
        }
    }
    mesh.tris
        .iter()
        .enumerate()
        .map(|(t, tri)| {
            let mine = unit(faces[t]);
            tri.map(|i| {
                let sum: V3 = fans[i as usize]
                    .iter()
                    .filter(|&&u| unit(faces[u]).dot(&mine) > limit)
                    .map(|&u| faces[u])
                    .sum();
                unit(sum)
            })
        })
        .collect()
}
