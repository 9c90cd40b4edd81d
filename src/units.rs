//! Sizes in bytes, as people write and read them.

/// `1536` as `1.5 KiB`.
pub fn bytes(count: u64) -> String {
    let mut value = count as f64;
    let mut unit = "B";
    for next in ["KiB", "MiB", "GiB", "TiB"] {
        if value < 1024.0 {
            break;
        }
        value /= 1024.0;
        unit = next;
    }
    if unit == "B" {
        format!("{count} B")
    } else {
        format!("{value:.1} {unit}")
    }
}

/// `512M`, `2GiB`, `1.5g` or plain bytes; units are powers of 1024.
///
/// # Errors
/// A sentence that says what is allowed.
pub fn parse_bytes(text: &str) -> Result<u64, String> {
    let wrong = || format!("'{text}' is not a size: write 512M, 2G or 1.5GiB");
    let number_end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let value: f64 = text[..number_end].parse().map_err(|_| wrong())?;
    let unit = text[number_end..].trim().to_ascii_lowercase();
    let power = match unit.trim_end_matches("ib").trim_end_matches('b') {
        "" => 0,
        "k" => 1,
        "m" => 2,
        "g" => 3,
        "t" => 4,
        _ => return Err(wrong()),
    };
    let size = value * 1024f64.powi(power);
    if size >= 1.0 && size < u64::MAX as f64 {
        Ok(size as u64)
    } else {
        Err(wrong())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_read_as_written() {
        assert_eq!(parse_bytes("512M"), Ok(512 << 20));
        assert_eq!(parse_bytes("1.5GiB"), Ok(3 << 29));
        assert_eq!(parse_bytes("100"), Ok(100));
        for wrong in ["", "G", "1.2.3M", "5 parsecs", "-1M", "0"] {
            assert!(parse_bytes(wrong).is_err(), "{wrong}");
        }
        assert_eq!(bytes(1536), "1.5 KiB");
    }
}
