//! Makes the demo characters: six creatures of a marsh settlement, as binary glTF. Three are
//! for a first look; three, without weights, are hard to bind (limbs a finger's breadth apart, close gear).
//!
//! `cargo run --release --example make_characters -- demo-data`
//!
//! Every file is made from formulas alone; the same options give the same bytes.

mod atlas;
mod catcher;
mod cutter;
mod field;
mod glb;
mod kit;
mod mesh;
mod newt;
mod otter;
mod ox;
mod person;
mod pieces;
mod rig;
mod skin;
mod tanner;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;

use atlas::Part;
use field::{Field, V3};
use glb::Character;
use mesh::Mesh;
use rig::Rig;

/// Makes the demo characters.
#[derive(Parser)]
struct Args {
    /// Folder for the files; it is made if need be.
    out_dir: PathBuf,
    /// Vertices of each body, nearly; what it wears comes on top (a tenth on large bodies, more on small
    /// ones). Without it, those of the demo characters.
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1000..=1_000_000))]
    vertices: Option<u32>,
    /// Joints of the tanner: 20 has no fingers, above 53 long bones are parted; the others have their own.
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(20..=400))]
    joints: Option<u32>,
    /// Only this character: marsh_tanner, bog_ox, mire_eel_newt, reed_cutter, eel_catcher or bank_otter.
    #[arg(long, value_name = "NAME")]
    only: Option<String>,
}

/// What the caller wants of a character.
pub struct Wish {
    pub vertices: Option<usize>,
    pub joints: Option<usize>,
}

/// Warns when a body surface is not one closed ball-like shell: then something melted together.
pub fn report(name: &str, mesh: &Mesh) {
    let (euler, open) = mesh.topology();
    if euler != 2 || open != 0 {
        eprintln!("warning: {name}: Euler number {euler}, {open} open edges");
    }
}

/// Warns where two groups meet that should not: a seam that runs too far leaves the shell ball-like. For
/// bodies whose limbs meet the rest nowhere but where they grow out of it.
pub fn report_melts(name: &str, mesh: &Mesh, field: &Field) {
    let sides = |t: &[u32; 3]| [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]];
    let melted = mesh
        .tris
        .iter()
        .flat_map(sides)
        .map(|e| e.map(|i| mesh.pos[i as usize]))
        .filter(|[a, b]| field.melted(*a, *b));
    let places: Vec<V3> = melted.map(|[a, b]| (a + b) / 2.0).collect();
    if let Some(p) = places.first() {
        let n = places.len();
        eprintln!("warning: {name}: {n} edges join what should be apart, the first at {p:?}");
    }
}

/// Warns when a part is not exactly its own mirror image: places, triangles and right joints.
pub fn report_symmetry(name: &str, part: &Part, rig: &Rig) {
    let key = |p: [f32; 3]| p.map(f32::to_bits);
    let ids: BTreeMap<[u32; 3], u32> = (0..).zip(&part.pos).map(|(i, p)| (key(*p), i)).collect();
    // Zero has one sign.
    let twin = |i: u32| {
        let [x, y, z] = part.pos[i as usize];
        ids.get(&key([if x == 0.0 { x } else { -x }, y, z]))
            .copied()
    };
    let twins: Vec<Option<u32>> = (0..part.pos.len() as u32).map(twin).collect();
    let lone = twins.iter().filter(|t| t.is_none()).count();
    let joint = |i: u32| part.bind[i as usize].right;
    let crossed = (0..part.pos.len() as u32)
        .zip(&twins)
        .filter(|(i, t)| t.is_some_and(|t| joint(t) != rig.twin(joint(*i))))
        .count();
    let turned = |t: [u32; 3]| {
        let k = (0..3).min_by_key(|&k| t[k]).unwrap_or(0);
        [t[k], t[(k + 1) % 3], t[(k + 2) % 3]]
    };
    let tris = || part.index.chunks_exact(3).map(|t| [t[0], t[1], t[2]]);
    let all: BTreeSet<[u32; 3]> = tris().map(turned).collect();
    let odd = tris()
        .filter(|t| match t.map(|i| twins[i as usize]) {
            [Some(a), Some(b), Some(c)] => !all.contains(&turned([a, c, b])),
            _ => true,
        })
        .count();
    if lone + crossed + odd > 0 {
        eprintln!(
            "warning: {name}: {lone} vertices and {odd} triangles without mirror image, \
             {crossed} right joints that are not mirrored"
        );
    }
}

/// Warns when a joint that only carries, or a target without flesh, is right for a vertex.
pub fn report_fleshless(c: &Character, names: &[&str]) {
    let binds = || {
        c.meshes
            .iter()
            .flat_map(|m| &m.parts)
            .flat_map(|(p, _)| &p.bind)
    };
    for name in names {
        let joint = c.joints.find(name);
        if joint.is_none() || binds().any(|b| Some(b.right) == joint) {
            eprintln!(
                "warning: {}: {name} should be there and own nothing",
                c.name
            );
        }
    }
}

/// One line about a finished character.
fn summary(c: &Character, bytes: usize) -> String {
    let parts = || c.meshes.iter().flat_map(|m| &m.parts);
    let raw: usize = parts().map(|(p, _)| p.pos.len()).sum();
    let tris: usize = parts().map(|(p, _)| p.index.len() / 3).sum();
    let welded: usize = parts()
        .map(|(p, _)| {
            let unique: BTreeSet<[u32; 3]> = p.pos.iter().map(|q| q.map(f32::to_bits)).collect();
            unique.len()
        })
        .sum();
    format!(
        "{}: {raw} vertices ({welded} welded), {tris} triangles, {} joints, {bytes} bytes",
        c.name,
        c.joints.bones.len()
    )
}

fn run(args: &Args) -> Result<(), String> {
    let wish = Wish {
        vertices: args.vertices.map(|n| n as usize),
        joints: args.joints.map(|n| n as usize),
    };
    type Maker = fn(&Wish) -> Result<Character, String>;
    let makers: [(&str, Maker); 6] = [
        ("marsh_tanner", tanner::make),
        ("bog_ox", ox::make),
        ("mire_eel_newt", newt::make),
        ("reed_cutter", cutter::make),
        ("eel_catcher", catcher::make),
        ("bank_otter", otter::make),
    ];
    let known = |name: &String| makers.iter().any(|(n, _)| n == name);
    if let Some(name) = args.only.as_ref().filter(|n| !known(n)) {
        let names = makers.map(|(n, _)| n).join(", ");
        return Err(format!("no character named {name}; there are: {names}"));
    }
    std::fs::create_dir_all(&args.out_dir)
        .map_err(|e| format!("{}: {e}", args.out_dir.display()))?;
    for (name, make) in makers {
        if args.only.as_deref().is_some_and(|only| only != name) {
            continue;
        }
        let character = make(&wish)?;
        let bytes = glb::write(&character);
        let path = args.out_dir.join(format!("{name}.glb"));
        std::fs::write(&path, &bytes).map_err(|e| format!("{}: {e}", path.display()))?;
        println!("{}", summary(&character, bytes.len()));
    }
    Ok(())
}

fn main() -> ExitCode {
    match run(&Args::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("make_characters: {e}");
            ExitCode::FAILURE
        }
    }
}
