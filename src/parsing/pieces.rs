//! Cuts very long text into pieces, so that the time to look through it grows with
//! its length: those who look for dates or coordinates hold everything they find
//! against everything else. No label and no page of a notebook is so long; a cell of
//! a damaged table can be a megabyte.

use std::ops::Range;

/// The longest piece, in bytes: a page of a notebook is 3000 or so.
const LONGEST: usize = 4096;

/// Something found in a text, which knows where it stands.
pub(super) trait Placed {
    /// Its places in bytes and in characters.
    fn places(&mut self) -> (&mut Range<usize>, &mut Range<usize>);
}

/// What `find` finds in the pieces of `text`, with places in the whole of it.
pub(super) fn over<T: Placed>(text: &str, find: impl Fn(&str) -> Vec<T>) -> Vec<T> {
    let mut found = Vec::new();
    for piece in pieces(text) {
        let mut here = find(piece.text);
        here.iter_mut().for_each(|one| piece.shift(one));
        found.append(&mut here);
    }
    found
}

/// A piece of a text and where it stands in it.
struct Piece<'t> {
    text: &'t str,
    byte: usize,
    char: usize,
}

impl Piece<'_> {
    /// Puts places in the piece into those of the whole text.
    fn shift(&self, one: &mut impl Placed) {
        let (bytes, chars) = one.places();
        *bytes = bytes.start + self.byte..bytes.end + self.byte;
        *chars = chars.start + self.char..chars.end + self.char;
    }
}

/// The pieces of `text`: itself, unless it is longer than a piece may be. It is cut
/// behind the last space that fits; what stands across a cut is not found.
fn pieces(text: &str) -> impl Iterator<Item = Piece<'_>> {
    let (mut byte, mut char) = (0, 0);
    std::iter::from_fn(move || {
        let rest = &text[byte..];
        if rest.is_empty() && byte > 0 {
            return None;
        }
        let fits = rest.floor_char_boundary(LONGEST);
        let cut = if fits == rest.len() {
            fits
        } else {
            rest[..fits].rfind(char::is_whitespace).map_or(fits, |at| rest.ceil_char_boundary(at + 1))
        };
        let piece = Piece { text: &rest[..cut], byte, char };
        if cut == 0 {
            return None;
        }
        byte += cut;
        char += piece.text.chars().count();
        Some(piece)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    impl Placed for (Range<usize>, Range<usize>) {
        fn places(&mut self) -> (&mut Range<usize>, &mut Range<usize>) {
            (&mut self.0, &mut self.1)
        }
    }

    #[test]
    fn the_pieces_are_the_text_and_stand_where_they_say() {
        for text in ["", "14.vii.93", &"é".repeat(20_000), &"14. vii. 93, ♂ ".repeat(4000)] {
            let mut whole = String::new();
            for piece in pieces(text) {
                assert!(piece.text.len() <= LONGEST);
                let mut start = (0..0, 0..0);
                piece.shift(&mut start);
                assert_eq!((start.0.start, start.1.start), (whole.len(), whole.chars().count()));
                whole.push_str(piece.text);
            }
            assert_eq!(whole, text);
        }
    }
}
