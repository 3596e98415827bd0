//! The command line: declares it and chains rooms.

fn main() {}
