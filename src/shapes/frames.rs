//! Names of numbered files: their natural order, and the numbers that are missing.

use std::cmp::Ordering;

/// The order that people expect: runs of digits by their value, letters whatever their case. Ties go by bytes.
pub(super) fn natural(a: &str, b: &str) -> Ordering {
    let (mut left, mut right) = (a, b);
    loop {
        let (x, y) = (split(left), split(right));
        let order = match (x, y) {
            (None, None) => return a.cmp(b),
            (None, Some(_)) => return Ordering::Less,
            (Some(_), None) => return Ordering::Greater,
            (Some((Piece::Number(x), _)), Some((Piece::Number(y), _))) => compare_numbers(x, y),
            (Some((Piece::Letter(x), _)), Some((Piece::Letter(y), _))) => {
                x.to_lowercase().cmp(y.to_lowercase())
            }
            // Digits come before letters, as in ASCII.
            (Some((Piece::Number(_), _)), _) => Ordering::Less,
            (_, Some((Piece::Number(_), _))) => Ordering::Greater,
        };
        if order.is_ne() {
            return order;
        }
        if let (Some((_, x)), Some((_, y))) = (x, y) {
            (left, right) = (x, y);
        }
    }
}

#[derive(Clone, Copy)]
enum Piece<'a> {
    Number(&'a str),
    Letter(char),
}

/// The first run of digits or the first letter, and the rest.
fn split(text: &str) -> Option<(Piece<'_>, &str)> {
    let first = text.chars().next()?;
    let digits = text.len() - text.trim_start_matches(|c: char| c.is_ascii_digit()).len();
    Some(match digits {
        0 => (Piece::Letter(first), &text[first.len_utf8()..]),
        _ => (Piece::Number(&text[..digits]), &text[digits..]),
    })
}

/// Runs of digits of any length, by their value.
fn compare_numbers(a: &str, b: &str) -> Ordering {
    let (a, b) = (a.trim_start_matches('0'), b.trim_start_matches('0'));
    a.len().cmp(&b.len()).then_with(|| a.cmp(b))
}

/// What is wrong with the numbers of names.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Flaw<'a> {
    /// These are missing in a run that goes from the first number to the second.
    Missing(Vec<u64>, [u64; 2]),
    /// Two names have one number.
    Twice(&'a str, &'a str),
}

/// Holds names (without endings) against a run of numbers: all that begin with digits, or that differ by one
/// run of digits alone. Numbers may go in steps. Names that are no such run have no flaw; nor has a run of which
/// more is missing than there is: it is none.
pub(super) fn flaw<'a>(names: &[&'a str]) -> Option<Flaw<'a>> {
    let leading = |name: &'a str| {
        let end = name.len() - name.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        (end > 0).then(|| ("", &name[..end], ""))
    };
    let common = |(a, b): (
        &mut dyn Iterator<Item = char>,
        &mut dyn Iterator<Item = char>,
    )| {
        let same = a.zip(b).take_while(|(a, b)| a == b);
        same.map(|(a, _)| a.len_utf8()).sum::<usize>()
    };
    // What all of them begin and end with, without digits next to where they differ.
    let digit = |c: char| c.is_ascii_digit();
    let first = *names.first()?;
    let start = names
        .iter()
        .map(|name| common((&mut first.chars(), &mut name.chars())));
    let start = first[..start.min()?].trim_end_matches(digit).len();
    let end = names
        .iter()
        .map(|name| common((&mut first.chars().rev(), &mut name.chars().rev())));
    let end = end.min()?.min(first.len() - start);
    let end = first[first.len() - end..].trim_start_matches(digit).len();
    let differing = |name: &'a str| {
        let (before, rest) = name.split_at(start);
        let (number, after) = rest.split_at(rest.len().checked_sub(end)?);
        (!number.is_empty()).then_some((before, number, after))
    };
    let parts: Option<Vec<_>> = names.iter().map(|name| leading(name)).collect();
    let parts = parts.or_else(|| names.iter().map(|name| differing(name)).collect())?;
    let (before, _, after) = *parts.first()?;
    if parts.iter().any(|part| (part.0, part.2) != (before, after)) {
        return None;
    }
    let numbers: Option<Vec<u64>> = parts.iter().map(|part| part.1.parse().ok()).collect();
    let mut numbered: Vec<(u64, &str)> = numbers?.into_iter().zip(names.iter().copied()).collect();
    numbered.sort_unstable();
    let twice = numbered.windows(2).find(|pair| pair[0].0 == pair[1].0);
    if let Some([(_, a), (_, b)]) = twice {
        return Some(Flaw::Twice(a, b));
    }
    let gaps = numbered.windows(2).map(|pair| pair[1].0 - pair[0].0);
    let step = gaps.fold(0, greatest_common_divisor);
    let (first, last) = (numbered.first()?.0, numbered.last()?.0);
    if step == 0 || (last - first) / step >= 2 * names.len() as u64 {
        return None;
    }
    let mut there = numbered.iter().map(|numbered| numbered.0).peekable();
    let run = (first..=last).step_by(usize::try_from(step).ok()?);
    let missing: Vec<u64> = run.filter(|n| there.next_if_eq(n).is_none()).collect();
    (!missing.is_empty()).then_some(Flaw::Missing(missing, [first, last]))
}

fn greatest_common_divisor(a: u64, b: u64) -> u64 {
    match b {
        0 => a,
        _ => greatest_common_divisor(b, a % b),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_count_by_value_and_case_does_not() {
        let mut names = vec![
            "frame10",
            "Frame2",
            "frame1",
            "frame",
            "frame02b",
            "frame0002",
        ];
        names.sort_by(|a, b| natural(a, b));
        assert_eq!(
            names,
            [
                "frame",
                "frame1",
                "Frame2",
                "frame0002",
                "frame02b",
                "frame10"
            ]
        );
        // Longer than any machine number.
        let (low, high) = ("9".repeat(40), format!("1{}", "0".repeat(40)));
        assert_eq!(natural(&low, &high), Ordering::Less);
    }

    #[test]
    fn gaps_in_a_run_are_named_and_steps_are_none() {
        let missing = |names: &[&str]| match flaw(names) {
            Some(Flaw::Missing(missing, _)) => missing,
            other => panic!("{other:?}"),
        };
        assert_eq!(missing(&["walk.0001", "walk.0002", "walk.0004"]), [3]);
        assert_eq!(missing(&["8 a", "10 b", "9 c", "12 1"]), [11]);
        assert_eq!(missing(&["f10v2", "f20v2", "f40v2"]), [30]);
        for fine in [
            &["walk.0010", "walk.0020", "walk.0030"][..],
            &["reach", "bow"],
            &["reach 1", "bow 3", "bow 4"],
            // No run, but numbers of their own.
            &["shot 3", "shot 17", "shot 90"],
            &["one7"],
            &[],
        ] {
            assert_eq!(flaw(fine), None, "{fine:?}");
        }
        assert_eq!(flaw(&["f1", "f2", "f01"]), Some(Flaw::Twice("f01", "f1")));
    }
}
