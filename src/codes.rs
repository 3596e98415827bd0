//! The code on a container's printed label.
//!
//! Its text is `IN.` and the container's number in the catalogue with at least
//! five figures: `IN.00007`. The sign is fixed, so that labels printed once are
//! read for ever; no number of an animal, lot or envelope is written so (a
//! lot's has its letter before the figures, an envelope's a hyphen).

const SIGN: &str = "IN.";

/// The text of the code on the label of container `id`.
pub fn of_container(id: i64) -> String {
    format!("{SIGN}{id:05}")
}

/// The number of the container that a code names; `None` for any other text.
pub fn container(text: &str) -> Option<i64> {
    let figures = text.trim().strip_prefix(SIGN)?;
    let sound = figures.len() >= 5 && figures.bytes().all(|b| b.is_ascii_digit());
    figures.parse().ok().filter(|id| sound && *id > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_containers_own_code_names_it() {
        assert_eq!(of_container(7), "IN.00007");
        for id in [1, 99_999, 1_234_567] {
            assert_eq!(container(&of_container(id)), Some(id));
        }
        for other in [
            "",
            "IN.",
            "IN.7",
            "IN.00000",
            "IN-00007",
            "L00007-1",
            "E-00007",
            "IN.0000x",
            "IN.99999999999999999999",
        ] {
            assert_eq!(container(other), None, "{other}");
        }
    }
}
