//! How much memory the process holds, as the system tells it.

/// What the program takes before it reads anything: code, thread stacks, tables.
pub const PROGRAM_BYTES: u64 = 24 << 20;

/// The greatest resident size of the process so far, in bytes; `None` where the system does not tell.
///
/// Linux: `VmHWM` of `/proc/self/status` (proc(5)).
pub fn peak() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kibibytes: u64 = line.split_whitespace().next()?.parse().ok()?;
    Some(kibibytes * 1024)
}
