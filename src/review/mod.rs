//! Shows drafts to a person, who settles them.
