//! Gives the program a hash of its own source, so that results of other code are told apart though the version
//! is the same.

use std::fs;
use std::path::{Path, PathBuf};

fn main() -> std::io::Result<()> {
    let mut files = vec![PathBuf::from("Cargo.lock")];
    collect(Path::new("src"), &mut files)?;
    files.sort();
    // FNV-1a, 64 bits (Fowler, Noll, Vo; RFC 9923): the same on every machine.
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    for file in &files {
        println!("cargo::rerun-if-changed={}", file.display());
        // A package without its lock file is built all the same.
        let bytes = fs::read(file).unwrap_or_default();
        // Line ends differ by system and setting, and mean nothing.
        for byte in bytes.into_iter().filter(|&byte| byte != b'\r') {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }
    println!("cargo::rerun-if-changed=src");
    println!("cargo::rustc-env=TANYARD_SOURCE={hash:016x}");
    Ok(())
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            collect(&path, files)?;
        } else {
            files.push(path);
        }
    }
    Ok(())
}
