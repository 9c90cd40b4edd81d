//! How much memory the process holds, as the system tells it.

/// What the program takes before it reads anything: code, thread stacks, tables.
pub const PROGRAM_BYTES: u64 = 24 << 20;

/// What the allocator keeps for each thread beside what jobs need, as measured.
pub const THREAD_BYTES: u64 = 6 << 20;

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

/// Bytes that the process may still take before the system runs short, or the limit of its group is reached;
/// `None` where the system does not tell.
///
/// Linux: `MemAvailable` of `/proc/meminfo` (proc(5)), and `memory.max` less `memory.current` of the control
/// group (the kernel's admin-guide/cgroup-v2).
pub fn available() -> Option<u64> {
    let info = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = info
        .lines()
        .find_map(|line| line.strip_prefix("MemAvailable:"))?;
    let kibibytes: u64 = line.split_whitespace().next()?.parse().ok()?;
    let of_group = |name: &str| -> Option<u64> {
        let group = std::fs::read_to_string("/proc/self/cgroup").ok()?;
        let path = group.lines().find_map(|line| line.strip_prefix("0::/"))?;
        let folder = std::path::Path::new("/sys/fs/cgroup").join(path);
        let text = std::fs::read_to_string(folder.join(name)).ok()?;
        text.trim().parse().ok()
    };
    let left = of_group("memory.max").zip(of_group("memory.current"));
    let left = left.map(|(most, now)| most.saturating_sub(now));
    Some((kibibytes * 1024).min(left.unwrap_or(u64::MAX)))
}

/// Gives memory that was freed back to the system: the allocator keeps it for each thread that used it, and what
/// many threads keep adds up beyond what any of them needs.
pub fn trim() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    // SAFETY: malloc_trim(3) asks for nothing, changes no live memory, and may be called from any thread.
    unsafe {
        libc::malloc_trim(0);
    }
}
