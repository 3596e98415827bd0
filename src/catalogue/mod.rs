//! Keeps lots, specimens and their history; loses nothing.
//!
//! A *collection folder* holds everything: `catalogue.db` (SQLite), `photos/`
//! (the originals, named by the BLAKE3 hash of their bytes, never altered) and
//! `config/` (the user's own tables). Copying the folder while no command runs
//! on it is a backup.
//!
//! Drafts come in with [`Catalogue::keep_photo`] and
//! [`Catalogue::enter_draft`]; a person's deeds ([`Catalogue::change`],
//! [`Catalogue::settle`], [`Catalogue::set_aside`], [`Catalogue::undo`] and
//! their kin) are each one transaction with its history; [`Catalogue::search`]
//! and [`Catalogue::records`] give settled records back.
//!
//! What must hold, and how: readings and history are guarded by triggers in
//! the database; a photograph is known by its hash and page, so a second
//! intake finds the first; a photograph's file is on the disk (written beside,
//! synced, renamed) before its row is, and its row before its draft, so that a
//! crash between two steps leaves only work that the next run finds undone.

mod deeds;
mod doubts;
mod drafts;
mod events;
mod folder;
mod keeping;
mod neighbours;
mod people;
mod progress;
mod records;
mod safety;
mod same;
mod series;
mod stages;
mod store;
mod trash;

pub use deeds::{Change, Deed, DeedKind, Undone};
pub use drafts::{Draft, DraftHead, DraftValue, Entered, KeptPhoto, NearPhoto, Queue, QueueCounts, State};
pub use events::{
    Before, EVENT_TERMS, Envelope, EventValue, Joined, PageEvent, Side, event_id, event_term, of_event,
    with_followers,
};
pub use folder::Folder;
pub use keeping::{Container, Contents, Held, Mount, Thing, Whereabouts};
pub use neighbours::Known;
pub use people::{Agreement, Person, Role, Session, kappa};
pub use progress::Progress;
pub use records::{Determination, Record, RecordHead, RecordValue, Specimen};
pub use safety::{BackedUp, Checked};
pub use same::{Event, PLACE, Same, words_of};
pub use series::{Follows, NUMBERED, Numbered, following};
pub use stages::{Kept, Stage, StageRule, StageRules, Staged, begins, ended};
pub use store::{Catalogue, Store};
pub use trash::{Emptied, Removal, Trashed};

/// The columns a list of records shows, and the order in which a record's
/// fields are given everywhere: Darwin Core terms, the most telling first.
/// Other terms follow in alphabetical order.
pub const TERM_ORDER: &[&str] = &[
    "scientificName",
    "scientificNameAuthorship",
    "identificationQualifier",
    "sex",
    "lifeStage",
    "individualCount",
    "eventDate",
    "eventTime",
    "country",
    "stateProvince",
    "county",
    "municipality",
    "locality",
    "verbatimElevation",
    "minimumElevationInMeters",
    "maximumElevationInMeters",
    "verbatimCoordinates",
    "decimalLatitude",
    "decimalLongitude",
    "habitat",
    "associatedTaxa",
    "samplingProtocol",
    "recordedBy",
    "recordNumber",
    "fieldNumber",
    "identifiedBy",
    "dateIdentified",
    "catalogNumber",
    "otherCatalogNumbers",
];

/// Where `term` stands in [`TERM_ORDER`]; terms not in it come last.
pub fn term_rank(term: &str) -> usize {
    TERM_ORDER.iter().position(|t| *t == term).unwrap_or(TERM_ORDER.len())
}
