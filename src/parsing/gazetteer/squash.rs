// Names as keys. Shared by the gazetteer and `build.rs`, which includes this
// file, so that both squash alike.

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// The letters and digits of `name`, lower case, without accents, spaces or
/// points: `Sta. Bárb.` is `stabarb`. Spaces go because readers lose and invent
/// them.
pub fn squash(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    for c in name.nfkd().filter(|c| !is_combining_mark(*c)) {
        match c {
            'ß' => out.push_str("ss"),
            'æ' | 'Æ' => out.push_str("ae"),
            'œ' | 'Œ' => out.push_str("oe"),
            'ø' | 'Ø' => out.push('o'),
            'ł' | 'Ł' => out.push('l'),
            'đ' | 'Đ' | 'ð' | 'Ð' => out.push('d'),
            'þ' | 'Þ' => out.push_str("th"),
            'ı' => out.push('i'),
            c if c.is_alphanumeric() => out.extend(c.to_lowercase()),
            _ => {}
        }
    }
    out
}

/// The key of `name` with `code` in an automaton.
#[allow(dead_code)]
pub fn key(name: &str, code: &str) -> Vec<u8> {
    [squash(name).as_bytes(), &[1], code.as_bytes()].concat()
}

/// Degrees to one number: hundredths, shifted to be positive.
#[allow(dead_code)]
pub fn pack(lat: f64, lon: f64) -> u64 {
    let hundredths = |degrees: f64, shift: f64| ((degrees + shift) * 100.0).round() as u64;
    (hundredths(lat, 90.0) << 16) | hundredths(lon, 180.0)
}

/// The reverse of [`pack`]: latitude and longitude in degrees.
#[allow(dead_code)]
pub fn unpack(at: u64) -> (f64, f64) {
    ((at >> 16) as f64 / 100.0 - 90.0, (at & 0xffff) as f64 / 100.0 - 180.0)
}
