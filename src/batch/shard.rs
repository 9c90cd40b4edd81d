//! Work parted among machines that do not know of each other.
//!
//! Rendezvous hashing (Thaler and Ravishankar 1998, "Using name-based mappings to increase hit rates") with
//! bounded loads (the bound is that of Mirrokni, Thorup and Zadimoghaddam 2018, "Consistent hashing with
//! bounded loads"): each file goes to the shard that its name likes best of those that are not full. All
//! machines come to the same parts, and a file that comes or goes moves few others.

use std::fmt;
use std::str::FromStr;

/// One part of the work: the `number`th of `count`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shard {
    /// From 1.
    pub number: u32,
    /// At least 1.
    pub count: u32,
}

/// A shard takes at most this many times its fair share, unless one file alone is more.
const FULL: f64 = 1.05;

/// More shards than any farm has machines for.
const MOST: u32 = 10_000;

impl Shard {
    /// Which of the files are its own. `files` are names and costs.
    pub fn own(self, files: &[(&str, u64)]) -> Vec<bool> {
        let shards = part(files, self.count);
        shards
            .into_iter()
            .map(|shard| shard == self.number)
            .collect()
    }
}

/// The shard of each file, from 1.
fn part(files: &[(&str, u64)], count: u32) -> Vec<u32> {
    let total: u64 = files.iter().map(|&(_, cost)| cost.max(1)).sum();
    let full = FULL * total as f64 / f64::from(count);
    let mut order: Vec<usize> = (0..files.len()).collect();
    // Large ones first: small ones fill what is left.
    order.sort_by(|&a, &b| files[b].1.cmp(&files[a].1).then(files[a].0.cmp(files[b].0)));
    let mut loads = vec![0u64; count as usize];
    let mut shards = vec![1; files.len()];
    for file in order {
        let (name, cost) = (files[file].0, files[file].1.max(1));
        let fits = |shard: &u32| (loads[*shard as usize - 1] + cost) as f64 <= full;
        let liked = (1..=count)
            .filter(fits)
            .max_by_key(|&shard| liking(name, shard));
        // Where it fits nowhere: where there is least.
        let least = || (1..=count).min_by_key(|&shard| loads[shard as usize - 1]);
        let shard = liked.or_else(least).unwrap_or(1);
        loads[shard as usize - 1] += cost;
        shards[file] = shard;
    }
    shards
}

/// A hash of names and costs: machines that see the same files have the same.
pub(super) fn hash(files: &[(&str, u64)]) -> String {
    let mut sorted = files.to_vec();
    sorted.sort_unstable();
    let mut hasher = blake3::Hasher::new();
    for (name, cost) in sorted {
        // Each with its length before it, so that no two lists give the same bytes.
        hasher.update(&(name.len() as u64).to_le_bytes());
        hasher.update(name.as_bytes());
        hasher.update(&cost.to_le_bytes());
    }
    hasher.finalize().to_hex()[..16].to_owned()
}

/// How much a name likes a shard: the same on every machine.
fn liking(name: &str, shard: u32) -> [u8; 32] {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&shard.to_le_bytes());
    hasher.update(name.as_bytes());
    *hasher.finalize().as_bytes()
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("'{text}' is no shard: write 3/8 for the third of eight");
        let (number, count) = text.split_once('/').ok_or_else(wrong)?;
        let number: u32 = number.parse().map_err(|_| wrong())?;
        let count: u32 = count.parse().map_err(|_| wrong())?;
        if (1..=count).contains(&number) && count <= MOST {
            Ok(Self { number, count })
        } else {
            Err(format!(
                "'{text}' is no shard: the first number is 1 to the second, which is at most {MOST}"
            ))
        }
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folk(count: usize) -> Vec<(String, u64)> {
        (0..count)
            .map(|i| (format!("crowd/{i}.glb"), 1000 + (i as u64 * 37 % 100) * 40))
            .collect()
    }

    fn borrowed(files: &[(String, u64)]) -> Vec<(&str, u64)> {
        files
            .iter()
            .map(|(name, cost)| (&name[..], *cost))
            .collect()
    }

    #[test]
    fn every_file_has_one_shard_and_loads_are_even() {
        let files = folk(500);
        let files = borrowed(&files);
        let fair = files.iter().map(|file| file.1).sum::<u64>() as f64 / 8.0;
        let mut taken = vec![0; files.len()];
        for number in 1..=8 {
            let own = Shard { number, count: 8 }.own(&files);
            let load: u64 = files
                .iter()
                .zip(&own)
                .filter(|(_, own)| **own)
                .map(|(f, _)| f.1)
                .sum();
            assert!((load as f64) <= FULL * fair, "{number}: {load} of {fair}");
            for (taken, own) in taken.iter_mut().zip(own) {
                *taken += usize::from(own);
            }
        }
        assert!(taken.iter().all(|&taken| taken == 1));
    }

    #[test]
    fn a_new_file_moves_few_others() {
        let files = folk(500);
        let mut more = files.clone();
        more.push(("crowd/new.glb".to_owned(), 2500));
        let (before, after) = (part(&borrowed(&files), 8), part(&borrowed(&more), 8));
        let moved = before.iter().zip(&after).filter(|(a, b)| a != b).count();
        // Only where shards are about full; without bounded loads it would be none, by order of size nearly all.
        assert!(moved < 50, "{moved} of 500 moved");
    }

    #[test]
    fn order_does_not_count_and_more_shards_than_files_leave_some_empty() {
        let files = folk(5);
        let mut turned = files.clone();
        turned.reverse();
        let mut there = part(&borrowed(&turned), 12);
        there.reverse();
        assert_eq!(part(&borrowed(&files), 12), there);
        assert!(
            Shard {
                number: 1,
                count: 3
            }
            .own(&[])
            .is_empty()
        );
    }

    #[test]
    fn words_are_read_as_written() {
        assert_eq!(
            "3/8".parse(),
            Ok(Shard {
                number: 3,
                count: 8
            })
        );
        for wrong in ["", "3", "0/8", "9/8", "-1/2", "1/0", "a/b", "1/20000"] {
            assert!(wrong.parse::<Shard>().is_err(), "{wrong}");
        }
    }
}
