//! Makes the demo characters: three skinned creatures of a marsh settlement, as binary glTF.
//!
//! `cargo run --release --example make_characters -- demo-data`
//!
//! Every file is made from formulas alone; the same options give the same bytes.

mod atlas;
mod field;
mod glb;
mod kit;
mod mesh;
mod newt;
mod ox;
mod pieces;
mod rig;
mod skin;
mod tanner;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;

use glb::Character;
use mesh::Mesh;

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
    /// Only this character: marsh_tanner, bog_ox or mire_eel_newt.
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
    let makers: [(&str, Maker); 3] = [
        ("marsh_tanner", tanner::make),
        ("bog_ox", ox::make),
        ("mire_eel_newt", newt::make),
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
