//! Cuts very long text into pieces, so that the time to look through it grows with
//! its length: those who look for dates or coordinates hold everything they find
//! against everything else. No label and no page of a notebook is so long; a cell of
//! a damaged table can be a megabyte.

use std::ops::Range;

/// The longest piece, in bytes: a page of a notebook is 3000 or so.
const LONGEST: usize = 4096;

/// A piece of a text and where it stands in it.
pub(super) struct Piece<'t> {
    pub text: &'t str,
    byte: usize,
    char: usize,
}

impl Piece<'_> {
    /// Puts places in the piece into those of the whole text.
    pub fn shift(&self, bytes: &mut Range<usize>, chars: &mut Range<usize>) {
        *bytes = bytes.start + self.byte..bytes.end + self.byte;
        *chars = chars.start + self.char..chars.end + self.char;
    }
}

/// The pieces of `text`: itself, unless it is longer than a piece may be. It is cut
/// behind the last space that fits; what stands across a cut is not found.
pub(super) fn pieces(text: &str) -> impl Iterator<Item = Piece<'_>> {
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

    #[test]
    fn the_pieces_are_the_text_and_stand_where_they_say() {
        for text in ["", "14.vii.93", &"é".repeat(20_000), &"14. vii. 93, ♂ ".repeat(4000)] {
            let mut whole = String::new();
            for piece in pieces(text) {
                assert!(piece.text.len() <= LONGEST);
                let (mut bytes, mut chars) = (0..0, 0..0);
                piece.shift(&mut bytes, &mut chars);
                assert_eq!((bytes.start, chars.start), (whole.len(), whole.chars().count()));
                whole.push_str(piece.text);
            }
            assert_eq!(whole, text);
        }
    }
}
