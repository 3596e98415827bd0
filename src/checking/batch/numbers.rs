//! Which catalogue numbers a table gives twice. A number belongs to a collection
//! of an institution (Darwin Core, `catalogNumber`: "unique identifier … within
//! the data set or collection"), so that the three are compared together.
//!
//! Kept are 64 bits of a number and its first row, 13 bytes in a table that
//! doubles as it grows; of 3.6 million numbers some two have the same 64 bits with
//! a likelihood of 1 in 2.8 million. Threads take turns in the order of the rows, so
//! that the row named first is always the same.

use foldhash::quality::FixedState;
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::hash::{BuildHasher, BuildHasherDefault, Hasher};
use std::sync::{Condvar, Mutex, PoisonError};

/// Takes the bits of a hash as they are.
#[derive(Default)]
struct AsIs(u64);

impl Hasher for AsIs {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        if let Ok(bits) = bytes.try_into() {
            self.0 = u64::from_le_bytes(bits);
        }
    }
}

#[derive(Default)]
struct Seen {
    turn: u64,
    /// Bytes in place of numbers: no padding between them.
    first: HashMap<[u8; 8], [u8; 4], BuildHasherDefault<AsIs>>,
    full: bool,
}

/// The numbers of a table so far.
pub(super) struct Numbers {
    seen: Mutex<Seen>,
    next: Condvar,
    most: usize,
}

impl Numbers {
    /// Keeps at most `most` different numbers.
    pub(super) fn new(most: usize) -> Self {
        Numbers { seen: Mutex::default(), next: Condvar::new(), most }
    }

    /// Makes room for the numbers of about so many rows, as far as they are kept:
    /// a table that grows is gone over again each time.
    pub(super) fn expect(&self, rows: u64) {
        let rows = usize::try_from(rows).unwrap_or(usize::MAX).min(self.most);
        self.seen.lock().unwrap_or_else(PoisonError::into_inner).first.reserve(rows);
    }

    /// Takes the rows of one part of the table, counted from 0, and gives those
    /// whose number was there before: row and first row. Waits until all parts
    /// before it were taken; every part must be given, once.
    pub(super) fn take(&self, part: u64, rows: &[(u64, u64)]) -> Vec<(u64, u64)> {
        let mut twice = Vec::new();
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        while seen.turn != part {
            seen = self.next.wait(seen).unwrap_or_else(PoisonError::into_inner);
        }
        for &(row, bits) in rows {
            let Ok(number) = u32::try_from(row) else {
                seen.full = true;
                continue;
            };
            let room = seen.first.len() < self.most;
            match seen.first.entry(bits.to_le_bytes()) {
                Entry::Occupied(first) => twice.push((row, u32::from_le_bytes(*first.get()).into())),
                Entry::Vacant(place) if room => {
                    place.insert(number.to_le_bytes());
                }
                Entry::Vacant(_) => seen.full = true,
            }
        }
        seen.turn += 1;
        drop(seen);
        self.next.notify_all();
        twice
    }

    /// How many different numbers were kept, where there were more.
    pub(super) fn only(&self) -> Option<usize> {
        let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen.full.then_some(seen.first.len())
    }
}

/// The bits of a number within its collection; `None` where there is no number.
pub(super) fn bits(institution: &[u8], collection: &[u8], number: &[u8]) -> Option<u64> {
    let number = number.trim_ascii();
    if number.is_empty() {
        return None;
    }
    let mut hasher = FixedState::with_seed(0).build_hasher();
    for part in [institution, collection, number] {
        hasher.write(part.trim_ascii());
        hasher.write_u8(0xFF);
    }
    Some(hasher.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_taken_in_the_order_of_the_rows() {
        let numbers = Numbers::new(3);
        let found = std::thread::scope(|scope| {
            let late = scope.spawn(|| numbers.take(1, &[(5, 7), (6, 9), (7, 1)]));
            std::thread::sleep(std::time::Duration::from_millis(20));
            assert_eq!(numbers.take(0, &[(2, 7), (3, 8), (4, 7)]), [(4, 2)]);
            late.join().unwrap()
        });
        assert_eq!(found, [(5, 2)]);
        assert_eq!(numbers.only(), Some(3));
        assert_eq!(numbers.take(2, &[(8, 9), (9, 1)]), [(8, 6)]);
    }

    #[test]
    fn numbers_of_two_collections_are_two() {
        assert_eq!(bits(b"TVM", b"moths", b" 12 "), bits(b"TVM ", b"moths", b"12"));
        assert_ne!(bits(b"TVM", b"moths", b"12"), bits(b"TVM", b"flies", b"12"));
        assert_ne!(bits(b"a", b"b", b"1"), bits(b"ab", b"", b"1"));
        assert_eq!(bits(b"TVM", b"", b" "), None);
    }
}
