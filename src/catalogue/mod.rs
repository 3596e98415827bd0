//! Keeps lots, specimens and their history; loses nothing.
