//! Gives the data back: CSV, JSON Lines, labels, archives.
