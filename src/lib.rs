//! Glassine turns photographs of specimen envelopes, pin labels, drawer labels
//! and field-notebook pages into catalogue records that a person has settled.
//!
//! A photograph walks through the rooms of this crate in one direction:
//!
//! ```text
//! intake ─ cleanup ─ layout ─ reading ─ parsing ─ checking ─▶ drafts
//!                                                               │ review (a person)
//!                              out ◀─ catalogue ◀───────────────┘
//! ```
//!
//! Each room takes plain types from the room before it and gives plain types to
//! the next; none looks back. [`pipeline`] only chains them. What was read
//! (text, boxes, confidence, engine) and what is understood from it (values,
//! candidates) are kept apart: interpreting never overwrites reading.

pub mod backlog;
pub mod catalogue;
pub mod checking;
pub mod cleanup;
pub mod codes;
pub mod files;
pub mod geometry;
pub mod intake;
pub mod layout;
pub mod learning;
pub mod out;
pub mod parsing;
pub mod pipeline;
pub mod reading;
pub mod review;
pub mod runtime;
pub mod settings;
pub mod steps;
pub mod trouble;
