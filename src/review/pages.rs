//! The pages themselves. Everything that comes from a label, a file's name or
//! a person goes through maud's escaping; nothing is pasted into script or
//! style.

use super::words::{OFFERED, kind, misfit, name, state, sureness, symbology};
use super::{App, Walk, rounded};
use crate::catalogue::{
    Agreement, Container, Deed, DeedKind, Draft, DraftHead, DraftValue, Event, EventValue, Follows, Joined,
    KeptPhoto, Numbered, PageEvent, Progress, QueueCounts, Record, RecordHead, Role, Same, StageRules,
    Staged, State, event_id, event_term, term_rank, words_of,
};
use crate::checking::Doubt;
use crate::checking::notebook::Beside as Compare;
use crate::geometry::Quad;
use crate::trouble::Trouble;
use maud::{DOCTYPE, Markup, html};
use std::collections::BTreeMap;

/// Lines a list shows at once.
pub(super) const LIST: u32 = 40;

/// Doubts at least this weighty ask for a second press before settling; below
/// it is a remark. From 0 (every remark asks) to 1 (nothing asks).
const OPEN_DOUBT: f32 = 0.2;

/// What the last deed did, said at the top of the next page.
pub(super) struct Notice {
    text: String,
    draft: Option<(i64, String)>,
    undo: bool,
    /// Where words of a changed value stand too: what to say, and where to.
    same: Vec<(String, String)>,
}

impl Notice {
    /// The notice of an address's `did`: a deed, its draft, and for several
    /// drafts how many, for example `settle.12` or `same.12.4`.
    pub(super) async fn of(app: &App, did: &str) -> Option<Notice> {
        let mut parts = did.split('.');
        let (what, id) = (parts.next()?, parts.next()?.parse().ok()?);
        let many: usize = parts.next().and_then(|m| m.parse().ok()).unwrap_or(0);
        let drafts = if many == 1 { "draft" } else { "drafts" };
        let mut undo = true;
        let text = match what {
            "settle" => "Settled".to_owned(),
            "aside" => "Set aside".to_owned(),
            "back" => "Back in the queue:".to_owned(),
            "trash" => "In the trash:".to_owned(),
            "note" => "Note kept with".to_owned(),
            "same" if many == 0 => return None,
            "same" => format!("{many} {drafts} changed like"),
            "series" if many == 0 => return None,
            "series" => format!("{many} {drafts} numbered after"),
            "event" if many == 0 => return None,
            "event" => format!("{many} {drafts} settled as one event, beginning with"),
            other => {
                undo = false;
                match other {
                    "unsettle" => "No longer settled:".to_owned(),
                    "unaside" => "No longer aside:".to_owned(),
                    "undo" => "Undone:".to_owned(),
                    _ => return None,
                }
            }
        };
        let draft = app.store.draft(id).await.ok()?;
        let mut same = Vec::new();
        if what == "settle" {
            for (term, count) in super::same_elsewhere(app, &draft).await.ok()? {
                same.push((stands_elsewhere(&term, count), format!("/same/{id}/{term}")));
            }
        }
        Some(Notice { text, draft: Some((draft.id, draft.name)), undo, same })
    }
}

/// Says that words stand in other drafts too.
pub(super) fn stands_elsewhere(term: &str, count: usize) -> String {
    let drafts = if count == 1 { "draft" } else { "drafts" };
    format!("{}: the same words stand in {count} more {drafts}", name(term))
}

pub(super) fn layout(
    title: &str,
    place: &str,
    counts: Option<&QueueCounts>,
    app: Option<&App>,
    body: Markup,
) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · Glassine" }
                link rel="icon" type="image/svg+xml" href="/icon.svg";
                link rel="stylesheet" href="/page.css";
                script src="/page.js" defer {}
            }
            body data-place=(place) {
                a.skip href="#main" { "Skip to the content" }
                header.top {
                    a.mark href="/" { "Glassine" }
                    nav aria-label="Pages" {
                        a href="/" aria-current=[["queue", "draft", "type"].contains(&place).then_some("page")] {
                            "Drafts"
                            @if let Some(c) = counts { span.count { (c.waiting) } }
                        }
                        a href="/events" aria-current=[(place == "events").then_some("page")] { "Events" }
                        a href="/records" aria-current=[(place == "records").then_some("page")] {
                            "Records"
                            @if let Some(c) = counts { span.count { (c.records) } }
                        }
                        a href="/places" aria-current=[(place == "places").then_some("page")] { "Containers" }
                        a href="/due" aria-current=[(place == "due").then_some("page")] { "Due" }
                        a href="/progress" aria-current=[(place == "progress").then_some("page")] { "Progress" }
                    }
                    @if let Some(c) = counts {
                        @let all = c.waiting + c.aside + c.settled;
                        @if all > 0 {
                            div.far title={ (c.settled) " of " (all) " settled" } {
                                progress max=(all) value=(c.settled) aria-label={ (c.settled) " of " (all) " settled" } {}
                            }
                        }
                    }
                    @if let Some(app) = app.filter(|a| !a.who.is_empty()) {
                        @if app.people {
                            form.who method="post" action="/sign-out" {
                                input type="hidden" name="token" value=(app.token);
                                (app.who) " " button.plain { "Sign out" }
                            }
                        } @else { span.who { (app.who) } }
                    }
                    button.plain type="button" data-do="keys" { kbd { "?" } " Keys" }
                }
                main #main { (body) }
                (keys())
            }
        }
    }
}

/// A trouble as a page of its own, in the words of the terminal.
pub(super) fn failed(trouble: &Trouble) -> Markup {
    layout(
        "Not done",
        "failed",
        None,
        None,
        html! {
            section.failed role="alert" {
                h1 { "Not done" }
                p { (trouble.subject) ": " (trouble.fact) "." }
                @if let Some(cause) = &trouble.cause { p.soft { (cause) } }
                @if !trouble.hint.is_empty() { p { "Next: " (trouble.hint) "." } }
                p { a href="/" { "Back to the drafts" } }
            }
        },
    )
}

fn keys() -> Markup {
    let rows: &[(&str, &[(&str, &str)])] = &[
        (
            "Fields",
            &[
                ("↓ j", "next field"),
                ("↑ k", "field before"),
                ("1 – 9", "take a candidate"),
                ("Enter e", "type a value; Enter keeps it, Esc leaves it as it was"),
                ("x", "empty the value"),
            ],
        ),
        (
            "Draft",
            &[
                ("s", "settle and go on"),
                ("a", "set aside, with a reason"),
                ("n", "write a note"),
                ("u", "undo your last deed, today's or older"),
                ("o", "the same words elsewhere: look"),
                ("→ ]", "next draft"),
                ("← [", "draft before"),
            ],
        ),
        (
            "Photograph",
            &[
                ("z", "the writing, the field's words, or all of it"),
                ("+ −", "nearer, farther"),
                ("r", "turn by a quarter"),
                ("b", "brighter, darker"),
                ("i", "more ink"),
            ],
        ),
        (
            "Lists",
            &[
                ("↓ ↑", "move"),
                ("space", "choose or leave one"),
                ("t", "take, number or settle those chosen"),
            ],
        ),
        (
            "Anywhere",
            &[
                ("/", "search"),
                ("d", "drafts"),
                ("t", "type in a label without a photograph"),
                ("v", "events"),
                ("l", "list of records"),
                ("g", "containers: boxes and drawers"),
                ("p", "progress"),
                ("?", "this card"),
            ],
        ),
    ];
    html! {
        // Itself in focus when it opens, so that it is read from its beginning.
        dialog #keys aria-labelledby="keys-title" tabindex="-1" autofocus {
            h2 #keys-title { "Keys" }
            div.keygroups {
                @for (group, keys) in rows {
                    section {
                        h3 { (group) }
                        dl {
                            @for (key, what) in *keys {
                                div {
                                    dt { @for k in key.split(' ') { kbd { (k) } " " } }
                                    dd { (what) }
                                }
                            }
                        }
                    }
                }
            }
            form method="dialog" {
                label { input #single type="checkbox" checked; " Single keys work (switch off if you dictate or they get in your way)" }
                button { "Close" }
            }
        }
    }
}

pub(super) fn hidden(app: &App, walk: &Walk, seen: Option<i64>) -> Markup {
    html! {
        input type="hidden" name="token" value=(app.token);
        input type="hidden" name="walk" value=(walk.query());
        @if let Some(seen) = seen { input type="hidden" name="seen" value=(seen); }
    }
}

fn notice(app: &App, notice: Option<&Notice>, walk: &Walk) -> Markup {
    html! {
        @if let Some(n) = notice {
            div.notice role="status" {
                span {
                    (n.text) " "
                    @if let Some((id, name)) = &n.draft { a href={ "/draft/" (id) } { (name) } }
                }
                @for (text, to) in &n.same {
                    a.button.offer href={ (to) "?" (walk.query()) } { kbd { "o" } " " (text) }
                }
                @if n.undo {
                    form method="post" action="/undo" {
                        (hidden(app, walk, None))
                        button.plain { kbd { "u" } " Undo" }
                    }
                }
            }
        }
    }
}

fn with(walk: &Walk, change: impl FnOnce(&mut Walk)) -> String {
    let mut walk = walk.clone();
    change(&mut walk);
    let query = walk.query();
    if query.is_empty() { "/".into() } else { format!("/?{query}") }
}

/// The queue.
pub(super) fn queue(
    app: &App,
    counts: &QueueCounts,
    walk: &Walk,
    heads: &[DraftHead],
    later: bool,
    did: Option<Notice>,
) -> Markup {
    let shown = State::of(&walk.state);
    let states = [
        (State::Waiting, "", counts.waiting),
        (State::Aside, "aside", counts.aside),
        (State::Settled, "settled", counts.settled),
    ];
    let more = heads.len() > LIST as usize;
    let heads = &heads[..heads.len().min(LIST as usize)];
    let body = html! {
        (notice(app, did.as_ref(), walk))
        div.queue {
            aside.filters aria-label="Which drafts" {
                div {
                    h2 { "Show" }
                    ul {
                        @for (s, word, count) in states {
                            li { a href=(with(&Walk::default(), |w| w.state = word.into()))
                                aria-current=[(s == shown).then_some("true")] {
                                span { (state(s)) } span.count { (count) }
                            } }
                        }
                    }
                }
                @if shown == State::Waiting && counts.waiting > 0 {
                    div {
                        h2 { "Doubts" }
                        ul {
                            li { a href=(with(walk, |w| w.doubt.clear())) aria-current=[walk.doubt.is_empty().then_some("true")] {
                                span { "with or without" } span.count { (counts.waiting) }
                            } }
                            li { a href=(with(walk, |w| w.doubt = "any".into())) aria-current=[(walk.doubt == "any").then_some("true")] {
                                span { "with a doubt" } span.count { (counts.waiting - counts.clean) }
                            } }
                            li { a href=(with(walk, |w| w.doubt = "none".into())) aria-current=[(walk.doubt == "none").then_some("true")] {
                                span { "without a doubt" } span.count { (counts.clean) }
                            } }
                            @for (k, count) in &counts.doubts {
                                li { a href=(with(walk, |w| w.doubt.clone_from(k))) aria-current=[(walk.doubt == *k).then_some("true")] {
                                    span { (kind(k)) } span.count { (count) }
                                } }
                            }
                        }
                    }
                }
                @if counts.waiting + counts.aside + counts.settled > 0 {
                    div {
                        h2 { "Only one" }
                        ul {
                            @for (term, word) in super::FACETS {
                                li { a href={ "/values/" (term) "?" (walk.query()) } aria-current=[(walk.term == term).then_some("true")] { (word) } }
                            }
                        }
                    }
                }
                div {
                    h2 { "Order" }
                    ul {
                        li { a href=(with(walk, |w| w.order.clear())) aria-current=[(walk.order != "in").then_some("true")] { "most doubtful first" } }
                        li { a href=(with(walk, |w| w.order = "in".into())) aria-current=[(walk.order == "in").then_some("true")] { "as they came in" } }
                    }
                }
            }
            section.list aria-label="Drafts" {
                form.search role="search" action="/" {
                    @if !walk.state.is_empty() { input type="hidden" name="state" value=(walk.state); }
                    @if !walk.doubt.is_empty() { input type="hidden" name="doubt" value=(walk.doubt); }
                    @if !walk.term.is_empty() {
                        input type="hidden" name="term" value=(walk.term);
                        input type="hidden" name="is" value=(walk.is);
                    }
                    @if !walk.order.is_empty() { input type="hidden" name="order" value=(walk.order); }
                    label.hidden for="q" { "Words on the labels" }
                    input #q type="search" name="q" value=(walk.q) placeholder="Words on the labels" autocomplete="off";
                    button { "Search" }
                    @if shown == State::Waiting { a.button href="/type" { kbd { "t" } " Type in" } }
                    @if shown == State::Waiting && !heads.is_empty() {
                        a.button.first href={ "/draft/" (heads[0].id) "?" (walk.query()) } { "Begin" }
                    }
                }
                @if !walk.term.is_empty() {
                    p.chip { (name(&walk.term)) ": " (walk.is) " "
                        a href=(with(walk, |w| { w.term.clear(); w.is.clear(); })) { "show all" } }
                }
                @if heads.is_empty() { (nothing(counts, walk, later)) }
                ol.rows {
                    @for head in heads { (row(head, walk)) }
                }
                @if more {
                    @let last = heads.last().map_or(0, |h| h.id);
                    @let query = walk.query();
                    a.button.more href={ "/?" (query) @if !query.is_empty() { "&" } "after=" (last) } { "More" }
                }
            }
        }
    };
    layout("Drafts", "queue", Some(counts), Some(app), body)
}

fn nothing(counts: &QueueCounts, walk: &Walk, later: bool) -> Markup {
    let filtered = !walk.q.is_empty() || !walk.doubt.is_empty() || !walk.term.is_empty();
    html! {
        div.nothing {
            @if later { p { "No more drafts." } }
            @else if filtered { p { "No draft fits. " a href="/" { "Show all that wait" } } }
            @else if State::of(&walk.state) == State::Aside { p { "Nothing is set aside." } }
            @else if counts.settled > 0 {
                p.big { "Everything is settled." }
                p { a href="/records" { "Look at the " (counts.records) " records" } }
            }
            @else {
                p.big { "No drafts yet." }
                p { "Add photographs in a terminal: " code { "glassine add FOLDER PHOTOS" } }
                p { "or " a href="/type" { "type in a label that has no photograph" } }
            }
        }
    }
}

fn row(head: &DraftHead, walk: &Walk) -> Markup {
    let value = |term: &str| head.values.iter().find(|v| v.0 == term).map(|v| v.1.as_str());
    html! {
        li {
            a.row href={ "/draft/" (head.id) "?" (walk.query()) } {
                (small(head.photo))
                span.what {
                    span.line {
                        @if head.entries > 0 { b { "Notebook page" } span { (head.entries) @if head.entries == 1 { " entry" } @else { " entries" } } }
                        @else { b { (value("scientificName").unwrap_or("no name yet")) } }
                        @if let Some(date) = value("eventDate") { span { (date) } }
                        @if let Some(place) = place(value) { span { (place) } }
                        @if let Some(who) = value("recordedBy") { span.soft { (who) } }
                    }
                    @if head.doubts > 0 {
                        span.doubtline { (head.doubt)
                            @if head.doubts > 1 { " " span.soft { "and " (head.doubts - 1) " more" } } }
                    }
                    @if !head.note.is_empty() { span.noteline { "Note: " (head.note) } }
                }
                span.soft.file { (head.name) }
            }
        }
    }
}

/// Where it is from, as closely as is known, of what `value` gives for a term.
fn place<'v>(value: impl Fn(&str) -> Option<&'v str>) -> Option<&'v str> {
    ["locality", "verbatimLocality", "county", "stateProvince"].into_iter().find_map(value)
}

pub(super) fn small(photo: Option<i64>) -> Markup {
    html! {
        span.small {
            @if let Some(photo) = photo { img src={ "/photo/" (photo) "/small.jpg" } alt="" loading="lazy"; }
        }
    }
}

/// What a draft's page shows beside the draft itself.
pub(super) struct Beside<'a> {
    /// The containers whose codes are on the photograph.
    pub(super) lies_in: &'a [Container],
    /// The draft that comes after it.
    pub(super) next: Option<&'a Draft>,
    /// What was done last.
    pub(super) did: Option<Notice>,
    /// Typed values that do not fit: term, value, sentence.
    pub(super) misfits: &'a [(String, String, String)],
    /// Numbers that would follow.
    pub(super) series: &'a [Follows],
    /// Who else works on it.
    pub(super) busy: Option<&'a str>,
    /// Its entries, where it is a notebook page.
    pub(super) events: &'a [PageEvent],
    /// What its field numbers join: envelopes to the entries of a page, entries
    /// to an envelope.
    pub(super) joined: &'a [Joined],
    /// Doubts that no longer hold, and since when.
    pub(super) past: &'a [(String, String)],
}

/// Whether a person gave a value that a doubt is about, and it is not about that
/// value itself.
fn answered(draft: &Draft, doubt: &Doubt) -> bool {
    let changed = |term: &String| draft.values.iter().any(|v| v.term == *term && v.changed());
    doubt.terms.iter().any(changed) && !draft.anew.contains(&doubt.sentence)
}

/// One draft.
pub(super) fn draft(
    app: &App,
    draft: &Draft,
    counts: &QueueCounts,
    walk: &Walk,
    beside: Beside<'_>,
) -> Markup {
    let Beside { lies_in, next, did, misfits, series, busy, events, joined, past } = beside;
    let open = draft.doubts.iter().filter(|d| d.weight >= OPEN_DOUBT && !answered(draft, d)).count();
    let fields = if events.is_empty() { fields(draft) } else { Vec::new() };
    let start = start(draft, &fields);
    let query = walk.query();
    let body = html! {
        (notice(app, did.as_ref(), walk))
        // Fetched ahead by the script, once this draft is seen whole.
        @let ahead = next.and_then(|d| d.photo.as_ref()).map(|p| format!("/photo/{}/view.jpg", p.id));
        div.desk data-draft=(draft.id) data-state=(draft.state.word()) data-ahead=[ahead] {
            section.sight aria-label={ @if draft.photo.is_some() { "Photograph" } @else { "Words" } } {
                (photograph(draft, events))
                @if draft.photo.is_some() { div.tools role="toolbar" aria-label="Photograph" {
                    button type="button" data-do="look" { kbd { "z" } " " span.looking { "Writing" } }
                    button type="button" data-do="nearer" aria-label="Nearer" { kbd { "+" } }
                    button type="button" data-do="farther" aria-label="Farther" { kbd { "−" } }
                    button type="button" data-do="turn" { kbd { "r" } " Turn" }
                    button type="button" data-do="bright" { kbd { "b" } " Light" }
                    button type="button" data-do="ink" { kbd { "i" } " Ink" }
                    span.soft.file { (draft.name) }
                } } @else {
                    div.tools {
                        a.button href="/type" { kbd { "t" } " Type in another" }
                        span.soft.file { (draft.name) }
                    }
                }
            }
            section.record aria-label="Draft" {
                @if let Some(busy) = busy { p.standing { b { (busy) } " works on this draft: look, and go on with another one." } }
                @if draft.state != State::Waiting { (standing(app, draft, walk)) }
                @if !draft.note.is_empty() { p.kept-note { b { "Note" } " " (draft.note) } }
                (doubts(draft))
                form #fields method="post" action={ "/draft/" (draft.id) "/keep" } autocomplete="off" {
                    (hidden(app, walk, Some(draft.seen.unwrap_or(0))))
                    button.hidden { "Keep what I typed" }
                    div.fields {
                        @for (i, value) in fields.iter().enumerate() {
                            @let part = Part::of(draft, value);
                            @if i > 0 && part != Part::of(draft, &fields[i - 1]) { div.group { (part.heading()) } }
                            (field(draft, value, *value.term == *start, misfits, series))
                        }
                    }
                    @if draft.state != State::Settled && !lies_in.is_empty() {
                        div.add.lies {
                            label for="into" { "A code on the photograph says where it lies" }
                            select #into name="into" {
                                @for c in lies_in { option value=(c.code) { "put it into " (c.code) } }
                                option value="" selected[lies_in.len() > 1] { "do not put it away" }
                            }
                        }
                    }
                    @if events.is_empty() { div.add {
                        label for="add" { "Add a field" }
                        select #add data-do="add" {
                            option value="" { "choose" }
                            @for term in crate::catalogue::TERM_ORDER.iter().filter(|t| !fields.iter().any(|f| f.term == **t)) {
                                option value=(term) { (name(term)) }
                            }
                        }
                    } }
                }
                @if events.is_empty() { (noted_elsewhere(app, draft, walk, joined)) }
                @else { (entries(app, draft, walk, events, joined)) }
                (rest(draft, past))
            }
            footer.deeds aria-label="Decide" {
                @if draft.state == State::Settled {
                    button form="fields" { kbd { "s" } " Keep changes" }
                    @if let Some(lot) = draft.lot { a.button href={ "/record/" (lot) } { "Its record" } }
                } @else if !draft.trashed {
                    button.first #settle form="fields" formaction={ "/draft/" (draft.id) "/settle" } data-open=(open) {
                        kbd { "s" } " Settle" @if open > 0 { span.open { " with " (open) @if open == 1 { " doubt" } @else { " doubts" } } }
                    }
                }
                @if draft.state == State::Waiting {
                    details #aside {
                        summary { kbd { "a" } " Set aside" }
                        form method="post" action={ "/draft/" (draft.id) "/aside" } {
                            (hidden(app, walk, None))
                            p { "Why?" }
                            @for (i, why) in ["It cannot be read", "The specimen is needed", "Photograph it again", "It is no label"].iter().enumerate() {
                                button name="why" value=(why) { kbd { (i + 1) } " " (why) }
                            }
                            label for="why" { "Another reason" }
                            input #why name="why" maxlength="400";
                            button { "Set aside" }
                        }
                    }
                }
                details #note {
                    summary { kbd { "n" } " Note" }
                    form method="post" action={ "/draft/" (draft.id) "/note" } {
                        (hidden(app, walk, None))
                        label for="notetext" { "Note, kept with the draft" }
                        textarea #notetext name="note" rows="3" maxlength="4000" { (draft.note) }
                        button { "Keep the note" }
                    }
                }
                form #undo method="post" action="/undo" {
                    (hidden(app, walk, None))
                    button { kbd { "u" } " Undo" }
                }
                span.gap {}
                a.button #before href={ "/next?" (query) "&back=1&after=" (draft.id) } { kbd { "←" } " Before" }
                a.button #next href={ "/next?" (query) "&after=" (draft.id) } { "Next " kbd { "→" } }
            }
            p #say.hidden role="status" aria-live="polite" {}
        }
    };
    layout(&draft.name, "draft", Some(counts), Some(app), body)
}

/// The doubts of a draft, those of values that a person gave marked as answered.
pub(super) fn doubts(draft: &Draft) -> Markup {
    html! {
        ul.doubts #doubts aria-label="Doubts" hidden[draft.doubts.is_empty()] {
            @for doubt in &draft.doubts {
                li.doubt .answered[answered(draft, doubt)] .remark[doubt.weight < OPEN_DOUBT]
                    data-terms=(doubt.terms.join(" ")) data-entry=[entry_of(&doubt.sentence)] {
                    button type="button" data-do="doubt" { (doubt.sentence) }
                }
            }
        }
    }
}

/// The entry of a notebook page that a doubt is about: its sentence begins with it.
fn entry_of(sentence: &str) -> Option<u32> {
    sentence.strip_prefix("Entry ")?.split([' ', ':']).next()?.parse().ok()
}

/// The entries of a notebook page, each with the envelopes of its field number.
fn entries(app: &App, draft: &Draft, walk: &Walk, events: &[PageEvent], joined: &[Joined]) -> Markup {
    // Where the eye is first wanted.
    let first = draft.doubts.iter().find_map(|d| entry_of(&d.sentence)).unwrap_or(1);
    html! {
        section.notebook aria-label="Entries" {
            h2 { "Entries of this page" }
            p.soft { "A date or place that you change goes on to the entries below that carry it." }
            @for e in events {
                form.entry #{ "entry-" (e.nth) } method="post" action={ "/draft/" (draft.id) "/keep" } autocomplete="off" {
                    (hidden(app, walk, Some(draft.seen.unwrap_or(0))))
                    @for (i, v) in e.values.iter().enumerate() {
                        @let id = format!("e{}-{}", e.nth, v.term);
                        div.noted data-start[i == 0 && e.nth == first] data-from=(v.from()) data-term=(event_term(e.nth, &v.term)) tabindex="-1" role="group"
                            aria-label={ "Entry " (e.nth) ", " (name(&v.term)) } {
                            @match &v.before {
                                Some(b) => @if let Some(photo) = &b.photo { (crops(photo, &b.boxes, &b.value)) },
                                None => @if let Some(photo) = &draft.photo { (crops(photo, v.boxes(), &v.value)) },
                            }
                            label for=(id) { (name(&v.term)) }
                            input #(id) name={ "v." (event_term(e.nth, &v.term)) } value=(v.value) spellcheck="false" maxlength="2000" data-was=(v.value);
                            @match &v.before {
                                Some(b) => {
                                    span.soft.from { "inherited from " a href={ "/draft/" (b.draft) "#entry-" (b.nth) } { (b.page) ", entry " (b.nth) } }
                                },
                                None => span.soft.from { @if !v.value.is_empty() { (v.from()) } },
                            }
                            @if let Some(n) = &v.noted { @if !n.field.note.is_empty() { span.soft { " " (n.field.note) } } }
                            p.wrong {}
                        }
                    }
                    p.soft { q { (e.text) } }
                    @for doubt in &e.doubts { p.wrong { (doubt) } }
                    button { "Keep entry " (e.nth) }
                }
                @for j in joined.iter().filter(|j| j.event.nth == e.nth) { (side_by_side(j, &j.envelope.name, j.envelope.draft)) }
            }
        }
    }
}

/// What notebook pages say of the field number of an envelope; what it lacks can
/// be taken.
fn noted_elsewhere(app: &App, draft: &Draft, walk: &Walk, joined: &[Joined]) -> Markup {
    html! {
        @if !joined.is_empty() {
            section.notebook aria-label="In the notebook" {
                h2 { "In the notebook" }
                @for j in joined {
                    (side_by_side(j, &j.event.page, j.event.draft))
                    form.entry method="post" action={ "/draft/" (draft.id) "/keep" } {
                        (hidden(app, walk, Some(draft.seen.unwrap_or(0))))
                        @for c in j.compared.iter().filter(|c| matches!(c.beside, Compare::Offered | Compare::Differs)) {
                            button name={ "v." (c.theirs) } value=(c.noted) { "Take " (name(c.theirs)) ": " (c.noted) }
                        }
                        @let id = event_id(&j.event.uuid);
                        @if !draft.values.iter().any(|v| v.term == "eventID" && v.value == id) {
                            button name="v.eventID" value=(id) { "It is of this entry" }
                        }
                    }
                }
            }
        }
    }
}

/// An entry and an envelope of one field number, term by term, with the words of
/// both where they disagree.
fn side_by_side(j: &Joined, other: &str, draft: i64) -> Markup {
    html! {
        div.joined {
            p { b { (j.event.value("fieldNumber")) } " " a href={ "/draft/" (draft) } { (other) } }
            ul {
                @for c in &j.compared {
                    li.wrong[c.beside == Compare::Differs] {
                        (name(c.term)) ": "
                        @match c.beside {
                            Compare::Same => { (c.noted) " " span.soft { "on both" } },
                            Compare::Offered => { (c.noted) " " span.soft { "in the notebook only" } },
                            Compare::Lacking => { (c.has) " " span.soft { "on the envelope only" } },
                            Compare::Differs => {
                                "“" (c.noted) "” in the notebook, “" (c.has) "” on the envelope"
                                @let noted = j.event.values.iter().find(|v| v.term == c.term);
                                @if let (Some(photo), Some(v)) = (&j.event.photo, noted) { (crops(photo, v.boxes(), &c.noted)) }
                                @if let Some(photo) = &j.envelope.photo { (crops(photo, j.envelope.boxes(c.theirs), &c.has)) }
                            },
                        }
                    }
                }
            }
        }
    }
}

fn standing(app: &App, draft: &Draft, walk: &Walk) -> Markup {
    let thrown = |d: &&Deed| d.changes.iter().any(|c| c.0 == "in the trash" && !c.2.is_empty());
    let deed = draft.history.iter().rev().filter(|d| !d.undone).find(|d| match draft.state {
        State::Settled => d.kind == DeedKind::Settle,
        _ if draft.trashed => thrown(d),
        _ => d.kind == DeedKind::Aside,
    });
    html! {
        div.standing {
            p {
                b { @if draft.state == State::Settled { "Settled" } @else if draft.trashed { "In the trash" } @else { "Set aside" } }
                @if let Some(deed) = deed {
                    " by " (deed.who) " on " (day(&deed.at))
                    @if !deed.why.is_empty() { ": " (deed.why) }
                }
                @if draft.state == State::Settled { ". What you change is written into its record." }
            }
            @if draft.trashed {
                @if app.role >= Role::Keeps {
                    form method="post" action="/trash" {
                        (hidden(app, walk, None))
                        input type="hidden" name="thing" value={ "draft " (draft.id) };
                        button { "Take it out of the trash" }
                    }
                }
            } @else if draft.state == State::Aside {
                form method="post" action={ "/draft/" (draft.id) "/back" } {
                    (hidden(app, walk, None))
                    button { "Back into the queue" }
                }
                @if app.role >= Role::Keeps {
                    details {
                        summary { "Throw it away" }
                        form.throw method="post" action={ "/draft/" (draft.id) "/trash" } {
                            (hidden(app, walk, None))
                            label for="t-why" { "Why" }
                            input #t-why name="why" required maxlength="400";
                            button { "Into the trash" }
                        }
                        p.soft { "It stays in the trash, with all it says, until you take it out." }
                    }
                }
            }
        }
    }
}

/// The draft's fields, with those that most records have even where nothing
/// was read for them.
fn fields(draft: &Draft) -> Vec<DraftValue> {
    let mut fields = draft.values.clone();
    for term in OFFERED {
        if !fields.iter().any(|f| f.term == term) {
            fields.push(DraftValue { term: term.into(), read: None, value: String::new() });
        }
    }
    fields.sort_by(|a, b| {
        let place = |f: &DraftValue| match Part::of(draft, f) {
            // The place, however it came, stands where places stand.
            Part::Read if f.term == "verbatimLocality" => (Part::Read, term_rank("locality")),
            part => (part, term_rank(&f.term)),
        };
        place(a).cmp(&place(b)).then(a.term.cmp(&b.term))
    });
    fields
}

/// The parts of a draft's list of fields: what was read or typed first, since
/// it is what the eye compares; then what is still empty, in little room; then
/// the words as written, which are seldom touched.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Part {
    Read,
    Bare,
    Written,
}

impl Part {
    fn of(draft: &Draft, field: &DraftValue) -> Part {
        // The words are the place until somebody gives it in other words.
        let placed = || draft.values.iter().any(|v| v.term == "locality" && !v.value.is_empty());
        match &field.read {
            Some(_) if field.term == "verbatimLocality" && !placed() => Part::Read,
            _ if field.term.starts_with("verbatim") => Part::Written,
            // The name leads, read or not.
            None if field.value.is_empty() && field.term != "scientificName" => Part::Bare,
            _ => Part::Read,
        }
    }

    fn heading(self) -> &'static str {
        match self {
            Part::Read => "",
            Part::Bare => "Still empty",
            Part::Written => "As written",
        }
    }
}

/// Where the person's eye is first wanted: the weightiest doubt's field, else the
/// least certain value, else what is remarked on, else the first field.
fn start(draft: &Draft, fields: &[DraftValue]) -> String {
    let doubted = |remarks: bool| {
        let doubts = draft.doubts.iter().filter(move |d| (d.weight < OPEN_DOUBT) == remarks);
        doubts.flat_map(|d| &d.terms).find(|t| fields.iter().any(|f| f.term == **t && !f.changed()))
    };
    let least = || {
        fields
            .iter()
            .filter(|f| !f.changed())
            .filter_map(|f| f.read.as_ref().map(|r| (r.confidence, &f.term)))
            .filter(|f| f.0 < 0.8)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|f| f.1)
    };
    doubted(false)
        .or_else(least)
        .or_else(|| doubted(true))
        .or(fields.first().map(|f| &f.term))
        .cloned()
        .unwrap_or_default()
}

fn field(
    draft: &Draft,
    value: &DraftValue,
    start: bool,
    misfits: &[(String, String, String)],
    series: &[Follows],
) -> Markup {
    let term = value.term.as_str();
    let typed = misfits.iter().find(|m| m.0 == term);
    let shown = typed.map_or(value.value.as_str(), |t| t.1.as_str());
    let wrong = typed.map(|t| t.2.clone()).or_else(|| misfit(term, shown));
    let doubted = draft.doubts.iter().any(|d| d.terms.iter().any(|t| t == term)) && !value.changed();
    let id = format!("v-{term}");
    let part = Part::of(draft, value);
    html! {
        div.field #{ "f-" (term) } .doubted[doubted] .changed[value.changed()] .empty[shown.is_empty()]
            .bare[part == Part::Bare] .written[part == Part::Written]
            data-term=(term) data-start[start] tabindex="-1" role="group" aria-label=(name(term)) {
            @if let (Some(photo), Some(read)) = (&draft.photo, &value.read) { (crops(photo, &read.boxes, &read.verbatim)) }
            div.face {
                label for=(id) { (name(term)) }
                input #(id) name={ "v." (term) } value=(shown) spellcheck="false" autocomplete="off" maxlength="2000"
                    data-was=(value.value) aria-describedby={ "s-" (term) } aria-invalid=[wrong.is_some().then_some("true")];
                span.sure #{ "s-" (term) } {
                    @if value.changed() { span.yours { "yours" } }
                    @else if let Some(read) = &value.read {
                        @if !value.value.is_empty() {
                            span class={ "c" ((read.confidence.clamp(0.0, 0.999) * 5.0) as u8) } { (sureness(read.confidence)) }
                            " " span.number { (format!("{:.2}", read.confidence)) }
                        } @else { span.c0 { "not sure" } }
                    }
                }
            }
            p.wrong { @if let Some(wrong) = wrong { (wrong) } }
            div.more {
                @if let Some(read) = &value.read {
                    p.asread {
                        @if read.verbatim.is_empty() { "Not written on the label." }
                        @else { @if draft.photo.is_some() { "As read: " } @else { "As typed: " } q { (read.verbatim) } }
                        @if !read.note.is_empty() { " " span.soft { (read.note) } }
                    }

                    @if value.changed() && !read.value.is_empty() {
                        p.soft { "Understood as: " (read.value) }
                    }
                } @else { p.soft { "Nothing was read for this field." } }
                @let read: &[crate::parsing::Candidate] = value.read.as_ref().map_or(&[], |r| &r.candidates);
                @let follows = series.iter().find(|f| f.term == term && f.value != value.value);
                @if !read.is_empty() || follows.is_some() {
                    ol.candidates {
                        @for (i, c) in read.iter().take(8).enumerate() {
                            li {
                                button name={ "v." (term) } value=(c.value) data-do="take" {
                                    kbd { (i + 1) } " " (c.value) " "
                                    span.soft { (format!("{:.2}", c.confidence)) @if !c.why.is_empty() { " · " (c.why) } }
                                }
                            }
                        }
                        @if let Some(f) = follows {
                            li {
                                button name={ "v." (term) } value=(f.value) data-do="take" {
                                    kbd { (read.len().min(8) + 1) } " " (f.value) " "
                                    span.soft { "follows " (f.name) }
                                }
                            }
                        }
                    }
                }
                @if draft.state == State::Waiting && crate::catalogue::NUMBERED.contains(&term) && !value.value.is_empty() {
                    p { a href={ "/series/" (draft.id) "/" (term) } { "Number the drafts that follow" } }
                }
                p.soft.term { (term) }
            }
        }
    }
}

fn at(quad: &Quad) -> String {
    rounded(*quad).0.map(|p| format!("{},{}", p.x, p.y)).join(",")
}

pub(super) fn crops(photo: &KeptPhoto, boxes: &[Quad], alt: &str) -> Markup {
    html! {
        @if !boxes.is_empty() {
            div.crops {
                @for quad in boxes {
                    img src={ "/photo/" (photo.id) "/words.jpg?at=" (at(quad)) } alt={ "The words " (alt) } loading="lazy";
                }
            }
        }
    }
}

fn photograph(draft: &Draft, events: &[PageEvent]) -> Markup {
    let Some(photo) = &draft.photo else { return wording(draft) };
    let noted: Vec<(String, &EventValue)> =
        events.iter().flat_map(|e| e.values.iter().map(|v| (event_term(e.nth, &v.term), v))).collect();
    let used = |quad: &Quad| {
        draft.parsed.fields.iter().any(|f| f.boxes.contains(quad))
            || noted.iter().any(|n| n.1.boxes().contains(quad))
    };
    html! {
        svg #photo viewBox={ "0 0 " (photo.width) " " (photo.height) } role="img" aria-label={ "Photograph " (draft.name) }
            data-photo=(photo.id) data-width=(photo.width) data-height=(photo.height) {
            g #turned {
                image href={ "/photo/" (photo.id) "/view.jpg" } width=(photo.width) height=(photo.height) preserveAspectRatio="none" {}
                g #near {}
                @for line in draft.reading.labels.iter().flat_map(|l| &l.lines).filter(|l| !used(&l.quad)) {
                    polygon.line points=(points(&line.quad)) { title { (line.text()) } }
                }
                @for field in &draft.parsed.fields {
                    @for quad in &field.boxes {
                        polygon.box data-term=(field.term) points=(points(quad)) { title { (name(&field.term)) ": " (field.verbatim) } }
                    }
                }
                @for (term, value) in &noted {
                    @for quad in value.boxes() {
                        polygon.box data-term=(term) points=(points(quad)) { title { (name(&value.term)) ": " (value.value) } }
                    }
                }
            }
        }
    }
}

/// The words of a draft without a photograph, each marked with the fields that
/// rest on it.
fn wording(draft: &Draft) -> Markup {
    let typed = draft.reading.labels.iter().flat_map(|l| &l.lines).find_map(|l| l.typed_by());
    html! {
        div.nophoto {
            p.soft {
                @if let Some((who, at)) = typed { "Typed in by " (who) " on " (day(at)) ", without a photograph." }
                @else { "Without a photograph, from " (draft.name) "." }
            }
            @if draft.reading.labels.is_empty() { p.soft { "The text of its label was not given." } }
            div #wording {
                @for (l, label) in draft.reading.labels.iter().enumerate() {
                    div.label {
                        @for (n, line) in label.lines.iter().enumerate() {
                            p { (marked(draft, l, n, &line.text())) }
                        }
                    }
                }
            }
        }
    }
}

/// One typed line, cut where the words of a field begin or end.
fn marked(draft: &Draft, label: usize, line: usize, text: &str) -> Markup {
    let chars: Vec<char> = text.chars().collect();
    let mut spans: Vec<(usize, usize, &str)> = Vec::new();
    for field in &draft.parsed.fields {
        let here = field.spans.iter().filter(|s| (s.label, s.line) == (label, line));
        spans.extend(here.map(|s| (s.start, s.end.min(chars.len()), field.term.as_str())));
    }
    let mut cuts: Vec<usize> = spans.iter().flat_map(|s| [s.0, s.1]).chain([0, chars.len()]).collect();
    cuts.retain(|c| *c <= chars.len());
    cuts.sort_unstable();
    cuts.dedup();
    html! {
        @for cut in cuts.windows(2) {
            @let words: String = chars[cut[0]..cut[1]].iter().collect();
            @let terms: Vec<&str> = spans.iter().filter(|s| s.0 <= cut[0] && cut[1] <= s.1).map(|s| s.2).collect();
            @if terms.is_empty() { (words) }
            @else {
                @let names: Vec<&str> = terms.iter().map(|t| name(t)).collect();
                span.words data-term=(terms.join(" ")) title=(names.join(", ")) { (words) }
            }
        }
    }
}

/// The page on which a label without a photograph is typed in.
pub(super) fn type_in(app: &App, counts: &QueueCounts, text: &str, wrong: Option<&Trouble>) -> Markup {
    let body = html! {
        section.page.typing {
            h1 { "Type in a label" }
            p.soft { "The words as they stand on it, line by line, mistakes too; an empty line between the labels of one pin. They are \
                understood and checked like what is read from a photograph, and wait as a draft in your name." }
            form method="post" action="/type" {
                (hidden(app, &Walk::default(), None))
                label.hidden for="text" { "The text of its labels" }
                textarea #text name="text" rows="12" required autofocus spellcheck="false" autocomplete="off"
                    placeholder="Tarn Valley, Alder Ghyll\n12.vii.1993, at light\nleg. A. Vell" { (text) }
                @if let Some(wrong) = wrong {
                    p.wrong role="alert" { (wrong.subject) ": " (wrong.fact) "." @if !wrong.hint.is_empty() { " Next: " (wrong.hint) "." } }
                }
                div.bar { button.first { kbd { "Ctrl" } kbd { "Enter" } " Make its draft" } }
            }
        }
    };
    layout("Type in", "type", Some(counts), Some(app), body)
}

fn points(quad: &Quad) -> String {
    quad.0.map(|p| format!("{:.1},{:.1}", p.x, p.y)).join(" ")
}

/// What was read besides the fields, and the history.
fn rest(draft: &Draft, past: &[(String, String)]) -> Markup {
    html! {
        @if !draft.parsed.leftovers.is_empty() {
            section.leftovers {
                h2 { "No field for these words" }
                ul { @for left in &draft.parsed.leftovers { li { q { (left.text) } } } }
            }
        }
        details.reading {
            summary { "Everything as read" }
            @for label in &draft.reading.labels {
                pre { @for line in &label.lines { (line.text()) "\n" } }
            }
            @for code in &draft.reading.codes { p { "Code: " (code.text) " " span.soft { (symbology(&code.symbology)) } } }
        }
        @if !draft.history.is_empty() {
            details.past {
                summary { "History" }
                (history(&draft.history))
                @if !past.is_empty() {
                    h2 { "Doubts that no longer hold" }
                    ul.history { @for (sentence, gone) in past { li { span.when { (minute(gone)) } " " (sentence) } } }
                }
            }
        }
    }
}

fn history(deeds: &[Deed]) -> Markup {
    html! {
        ol.history {
            @for deed in deeds.iter().rev() {
                li .undone[deed.undone] {
                    span.when { (minute(&deed.at)) } " " b { (deed.who) } " "
                    (match deed.kind {
                        DeedKind::Change => "changed",
                        DeedKind::Settle => "settled it",
                        DeedKind::Aside => "set it aside",
                        DeedKind::Back => "put it back",
                        DeedKind::Note => "wrote a note",
                        DeedKind::Undo => "undid a deed",
                    })
                    @if deed.undone { " " span.soft { "(undone later)" } }
                    @if !deed.why.is_empty() { ": " (deed.why) }
                    @let changes: Vec<_> = deed.changes.iter().filter(|c| c.0 != "state").collect();
                    @if !changes.is_empty() {
                        ul {
                            @for (term, was, now) in changes {
                                li { (name(term)) ": "
                                    @if !was.is_empty() { del { (was) } " → " }
                                    @if now.is_empty() { i { "empty" } } @else { ins { (now) } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Where the words of a changed value stand too.
pub(super) fn same(
    app: &App,
    counts: &QueueCounts,
    walk: &Walk,
    draft: &Draft,
    value: &DraftValue,
    same: &[Same],
) -> Markup {
    let term = value.term.as_str();
    let read = words_of(draft, term);
    let body = html! {
        section.page {
            h1 { (name(term)) ": the same words elsewhere" }
            div.asone {
                @if let (Some(photo), Some(read)) = (&draft.photo, read) { (crops(photo, &read.boxes, &read.verbatim)) }
                p { "As read: " q { (read.map_or("", |r| r.verbatim.as_str())) } ". You gave "
                    @if value.value.is_empty() { i { "no value" } } @else { b { (value.value) } }
                    " in " a href={ "/draft/" (draft.id) } { (draft.name) } "." }
            }
            @if same.is_empty() {
                div.nothing { p { "They stand nowhere else, or have that value already." }
                    p { a href={ "/draft/" (draft.id) "?" (walk.query()) } { "Back to the draft" } } }
            } @else {
                form #choose method="post" action={ "/same/" (draft.id) "/" (term) } {
                    (hidden(app, walk, None))
                    ol.rows {
                        @for s in same {
                            li {
                                label.row.choice {
                                    input type="checkbox" name="draft" value={ (s.draft) "." } checked;
                                    span.what {
                                        @if let Some(photo) = &s.photo { (crops(photo, &s.boxes, &s.verbatim)) }
                                        span { "now " @if s.value.is_empty() { i { "empty" } } @else { del { (s.value) } } " → " ins { (value.value) } }
                                    }
                                    span.soft.file { (s.name) }
                                }
                            }
                        }
                    }
                    div.bar {
                        button.first { kbd { "t" } " Take the value where chosen" }
                        a.button href={ "/draft/" (draft.id) "?" (walk.query()) } { "Leave them all" }
                        span.soft { kbd { "space" } " chooses or leaves one, " kbd { "↓" } " " kbd { "↑" } " move. One undo takes all back." }
                    }
                }
            }
        }
    };
    layout("The same words", "choose", Some(counts), Some(app), body)
}

/// Consecutive numbers for the drafts that follow one, to be looked over.
pub(super) fn series(
    app: &App,
    counts: &QueueCounts,
    draft: &Draft,
    term: &str,
    from: &str,
    run: &[Numbered],
) -> Markup {
    let body = html! {
        section.page {
            h1 { (name(term)) ": number the drafts that follow" }
            p { "From " b { (from) } " in " a href={ "/draft/" (draft.id) } { (draft.name) }
                ", in the order the photographs came in. Leave out what is not of the series: the numbers close up." }
            @if run.is_empty() {
                div.nothing { p { "No draft that waits came in after this one." }
                    p { a href={ "/draft/" (draft.id) } { "Back to the draft" } } }
            } @else {
                form #choose method="post" action={ "/series/" (draft.id) "/" (term) } {
                    (hidden(app, &Walk::default(), None))
                    ol.rows {
                        @for n in run {
                            li {
                                label.row.choice {
                                    // What has a number of its own is not chosen for the person.
                                    input type="checkbox" name="draft" value={ (n.head.id) "." } checked[n.value.is_empty() || n.value == n.offered];
                                    span.what {
                                        span.line {
                                            @for (t, v) in n.head.values.iter().take(3) { span.pair { span.soft { (name(t)) } " " (v) } }
                                        }
                                        span { @if n.value.is_empty() { "no number" } @else { "now " (n.value) }
                                            " → " ins.offered { (n.offered) } }
                                    }
                                    (small(n.head.photo))
                                }
                            }
                        }
                    }
                    div.bar {
                        button.first { kbd { "t" } " Number those chosen" }
                        a.button href={ "/draft/" (draft.id) } { "Leave them all" }
                        span.soft { kbd { "space" } " chooses or leaves one. One undo takes all back." }
                    }
                }
            }
        }
    };
    layout("Consecutive numbers", "choose", Some(counts), Some(app), body)
}

/// The values of one term among drafts, to choose one of them.
pub(super) fn values(
    app: &App,
    counts: &QueueCounts,
    walk: &Walk,
    term: &str,
    values: &[(String, i64)],
) -> Markup {
    let body = html! {
        section.page {
            h1 { (name(term)) }
            p.soft { "Of the drafts that are " (state(State::of(&walk.state))) ", the most frequent first." }
            @if values.is_empty() { div.nothing { p { "None has a value for it." } } }
            ol.rows {
                @for (value, count) in values {
                    li { a.row.plainrow href=(with(walk, |w| { w.term = term.into(); w.is.clone_from(value); })) {
                        span.what { b { (value) } }
                        span.count { (count) @if *count == 1 { " draft" } @else { " drafts" } }
                    } }
                }
            }
        }
    };
    layout(name(term), "queue", Some(counts), Some(app), body)
}

/// Days and places with several waiting drafts.
pub(super) fn events(app: &App, counts: &QueueCounts, events: &[Event], did: Option<Notice>) -> Markup {
    let body = html! {
        (notice(app, did.as_ref(), &Walk::default()))
        section.page {
            h1 { "Events" }
            p.soft { "Drafts of one day, place and collector, to be looked over and settled together." }
            @if events.is_empty() { div.nothing { p { "No two waiting drafts share day, place and collector." } } }
            ol.rows {
                @for e in events {
                    @let query = serde_urlencoded::to_string([("day", &e.day), ("place", &e.place), ("by", &e.collector)]).unwrap_or_default();
                    li { a.row.plainrow href={ "/event?" (query) } {
                        span.what {
                            span.line { b { (e.place) } span { (e.day) } span.soft { (e.collector) } }
                            @if e.doubted > 0 { span.doubtline { (e.doubted) " with a doubt" } }
                        }
                        span.count { (e.waiting) " drafts" }
                    } }
                }
            }
        }
    };
    layout("Events", "events", Some(counts), Some(app), body)
}

/// The drafts of one event.
pub(super) fn event(
    app: &App,
    counts: &QueueCounts,
    [day, place, by]: [&str; 3],
    drafts: &[Draft],
    shown: &BTreeMap<i64, String>,
    containers: &[Container],
) -> Markup {
    // What all of them share stands above.
    let shared = ["eventDate", "locality", "recordedBy"];
    let tells = |v: &&DraftValue| {
        let written = v.term == "verbatimLocality" && v.value == place;
        !v.value.is_empty() && !written && !shared.contains(&v.term.as_str())
    };
    let body = html! {
        section.page {
            h1 { (place) }
            p { (day) @if !by.is_empty() { ", " (by) } }
            @if drafts.is_empty() { div.nothing { p { "No draft of this event waits. " a href="/events" { "To the events" } } } }
            @else {
                form #choose method="post" action="/event" {
                    (hidden(app, &Walk::default(), None))
                    ol.rows {
                        @for draft in drafts {
                            @let open = draft.doubts.iter().any(|d| d.weight >= OPEN_DOUBT);
                            li {
                                label.row.choice {
                                    input type="checkbox" name="draft" value={ (draft.id) "." (draft.seen.unwrap_or(0)) } checked[!open];
                                    span.what {
                                        span.line {
                                            @for v in draft.values.iter().filter(tells) {
                                                @let confidence = v.read.as_ref().map_or(1.0, |r| r.confidence);
                                                span.pair { span.soft { (name(&v.term)) } " "
                                                    span .unsure[!v.changed() && confidence < 0.8] { (v.value) } }
                                            }
                                        }
                                        @if let Some(code) = shown.get(&draft.id) { span.line { span.soft { "its photograph shows the label of " } (code) } }
                                        @for doubt in &draft.doubts { span.doubtline { (doubt.sentence) } }
                                        @if let Some(photo) = &draft.photo {
                                            @for v in draft.values.iter().filter(|v| v.term == "scientificName") {
                                                @if let Some(read) = &v.read { (crops(photo, &read.boxes, &read.verbatim)) }
                                            }
                                        }
                                    }
                                    a.button href={ "/draft/" (draft.id) } { "Look" }
                                }
                            }
                        }
                    }
                    @if !containers.is_empty() {
                        div.add.lies {
                            @if !shown.is_empty() {
                                label { input type="checkbox" name="by-code" value="1" checked; " Put each into what its photograph shows the label of (" (shown.len()) " of " (drafts.len()) ")" }
                            }
                            label for="into" { @if shown.is_empty() { "Put all of them into" } @else { "Put the others into" } }
                            select #into name="into" {
                                option value="" { "nothing: do not put them away" }
                                @for c in containers { option value=(c.code) { (c.code) @if !c.inside.is_empty() { ", in " (c.inside) } } }
                            }
                        }
                    }
                    div.bar {
                        button.first { kbd { "t" } " Settle those chosen" }
                        span.soft { kbd { "space" } " chooses or leaves one, " kbd { "↓" } " " kbd { "↑" } " move. Drafts with a doubt are not chosen for you. One undo takes all back." }
                    }
                }
            }
        }
    };
    layout(place, "choose", Some(counts), Some(app), body)
}

/// How the work goes.
pub(super) fn progress(
    app: &App,
    counts: &QueueCounts,
    progress: &Progress,
    agreement: &[Agreement],
) -> Markup {
    let all = counts.waiting + counts.aside + counts.settled;
    let share = |part: i64, whole: i64| 100.0 * part as f64 / whole.max(1) as f64;
    let left = progress.seconds.map(|s| s * counts.waiting as f64);
    let today = jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
    let body = html! {
        section.page {
            h1 { "Progress" }
            dl.figures {
                div { dt { "settled" } dd { (counts.settled) " of " (all) } }
                div { dt { "wait" } dd { (counts.waiting) } }
                div { dt { "aside" } dd { (counts.aside) } }
                div { dt { "a record takes" } dd { @if let Some(s) = progress.seconds { (format!("{s:.1} s")) } @else { "not known yet" } } }
                div { dt { "work left at this pace" } dd { @if let Some(left) = left { (span_of(left)) } @else { "not known yet" } } }
                @if counts.waiting > 0 {
                    div { dt { "done about" } dd { @if let Some(end) = progress.ends(counts.waiting, today) { (end.strftime("%-d %B %Y")) } @else { "not known yet" } } }
                }
            }
            @if let Some((pace, days)) = progress.pace(today).filter(|_| counts.waiting > 0) {
                p.soft { "The day is foreseen by " (format!("{pace:.1}")) " records a day, "
                    @if days == 1 { "as many as were settled today." } @else { "as in the last " (days) " days, free ones counted in." } }
            }
            @if !progress.days.is_empty() {
                h2 { "Settled by day" }
                (by_day(&progress.days))
            }
            @if !agreement.is_empty() {
                h2 { "How well two readers agree" }
                table {
                    thead { tr { th scope="col" { "Field" } th scope="col" { "Read twice" } th scope="col" { "The same" } th scope="col" { "Cohen's kappa" } } }
                    tbody { @for a in agreement { tr {
                        th scope="row" { (name(&a.term)) }
                        td { (a.records) }
                        td { (format!("{:.1} %", 100.0 * a.same)) }
                        td { @if let Some(kappa) = a.kappa { (format!("{kappa:.2}")) } @else { "not defined: always one value" } }
                    } } }
                }
                p.soft { "Of a random sample read again by another person, who did not see the first reading. Kappa is the agreement beyond chance: 1 is full, 0 is chance. "
                    a href="/second" { "Read one again" } }
            }
            @if !progress.fields.is_empty() {
                h2 { "What the machine understood as you settled it" }
                table {
                    thead { tr { th scope="col" { "Field" } th scope="col" { "Understood" } th scope="col" { "Right" } th scope="col" { "Last 100 records" } th scope="col" { "Over time" } } }
                    tbody {
                        @for (term, understood, stands) in &progress.fields {
                            tr {
                                th scope="row" { (name(term)) }
                                td { (understood) }
                                td { (format!("{:.1} %", share(*stands, *understood))) }
                                td { @if let Some(l) = progress.lately.iter().find(|l| l.0 == *term) { (format!("{:.1} %", share(l.2, l.1))) " of " (l.1) } }
                                td { (over_time(progress.over_time.get(term).map_or(&[], Vec::as_slice))) }
                            }
                        }
                    }
                }
                @if agreement.is_empty() && app.people {
                    p { a href="/second" { "Read a record again" } ", to see how well two readers agree." }
                }
                p.soft { "Counted over the last 20,000 settled records with a photograph: a value is right where you left it as it was understood. Over time: the same in up to ten groups of records, the oldest on the left; the line above is 100 %." }
            }
        }
    };
    layout("Progress", "progress", Some(counts), Some(app), body)
}

/// A line of the shares that stood in each group of records, oldest first, from 0
/// to 100 per cent.
fn over_time(groups: &[(i64, i64)]) -> Markup {
    let points: Vec<(usize, f64)> = (0..)
        .zip(groups)
        .filter(|(_, g)| g.0 > 0)
        .map(|(i, g)| (i, 100.0 * g.1 as f64 / g.0 as f64))
        .collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return html! {} };
    let line: Vec<String> =
        points.iter().map(|(i, p)| format!("{},{:.1}", 6 + 12 * i, 26.0 - p * 0.22)).collect();
    html! {
        @if points.len() > 1 {
            svg.trend viewBox={ "0 0 " (12 * groups.len()) " 30" } role="img"
                aria-label={ "From " (format!("{:.0}", first.1)) " to " (format!("{:.0}", last.1)) " per cent in " (points.len()) " groups of records" } {
                line x1="0" x2=(12 * groups.len()) y1="4" y2="4" {}
                polyline points=(line.join(" ")) {}
                @for ((_, p), at) in points.iter().zip(&line) {
                    @let (x, y) = at.split_once(',').unwrap_or_default();
                    circle cx=(x) cy=(y) r="2" { title { (format!("{p:.1} %")) } }
                }
            }
        } @else { span.soft { "too few records yet" } }
    }
}

/// A span of seconds in the largest fitting unit of work; a working day has
/// six hours at the page (this page's own assumption, said beside it).
fn span_of(seconds: f64) -> String {
    match seconds {
        s if s < 1.5 => "1 second".into(),
        s if s < 90.0 => format!("{s:.0} seconds"),
        s if s < 5400.0 => format!("{:.0} minutes", s / 60.0),
        s if s < 12.0 * 3600.0 => format!("{:.1} hours", s / 3600.0),
        s => format!("{:.1} hours, {:.0} days of six hours", s / 3600.0, s / 21600.0),
    }
}

/// A bar for each of the last days on which records were settled.
fn by_day(days: &[(String, String, i64)]) -> Markup {
    let mut totals: Vec<(&str, i64)> = Vec::new();
    for (day, _, count) in days {
        match totals.last_mut() {
            Some(last) if last.0 == day => last.1 += count,
            _ => totals.push((day, *count)),
        }
    }
    let totals = &totals[totals.len().saturating_sub(30)..];
    let most = totals.iter().map(|t| t.1).max().unwrap_or(1).max(1);
    let width = 34 * totals.len().max(6);
    html! {
        svg.days viewBox={ "0 0 " (width) " 150" } role="img" aria-label={ "Records settled by day, at most " (most) " on one day" } {
            @for (i, (day, count)) in totals.iter().enumerate() {
                @let height = (110.0 * *count as f64 / most as f64).max(1.0);
                @let x = 34 * i + 4;
                rect x=(x) y=(format!("{:.1}", 125.0 - height)) width="26" height=(format!("{height:.1}")) rx="3" { title { (day) ": " (count) } }
                text x=(x + 13) y=(format!("{:.1}", 120.0 - height)) text-anchor="middle" { (count) }
                text.soft x=(x + 13) y="142" text-anchor="middle" { (day.get(8..).unwrap_or("")) "." (day.get(5..7).unwrap_or("")) }
            }
        }
    }
}

/// The field in which words are looked for among the records.
pub(super) fn find_form(action: &str, q: &str) -> Markup {
    html! {
        form.search role="search" action=(action) {
            label.hidden for="q" { "Search the records" }
            input #q type="search" name="q" value=(q) placeholder="Name, place, person, number, any word" autocomplete="off";
            button { "Search" }
        }
    }
}

/// The address of a page of the records that `q` finds.
pub(super) fn finding(path: &str, q: &str) -> String {
    let query = serde_urlencoded::to_string([("q", q)]).unwrap_or_default();
    if q.is_empty() { path.to_owned() } else { format!("{path}?{query}") }
}

/// The settled records.
pub(super) fn records(app: &App, counts: &QueueCounts, q: &str, heads: &[RecordHead]) -> Markup {
    let listing = q.trim().is_empty();
    let more = listing && heads.len() > LIST as usize;
    let heads = if listing { &heads[..heads.len().min(LIST as usize)] } else { heads };
    let body = html! {
        section.list.records aria-label="Records" {
            (find_form("/records", q))
            @if !heads.is_empty() {
                p { a href=(finding("/plots", q)) { "Flight time and map" } }
            }
            @if heads.is_empty() {
                div.nothing {
                    @if listing { p.big { "No records yet." } p { "Settled drafts are listed here. " a href="/" { "To the drafts" } } }
                    @else { p { "Nothing found for “" (q) "”, nor for words spelt nearly so." } }
                }
            }
            ol.rows {
                @for head in heads {
                    li {
                        a.row href={ "/record/" (head.lot) } {
                            (small(head.photo))
                            span.what {
                                span.line {
                                    b { @if head.value("scientificName").is_empty() { "no name" } @else { (head.value("scientificName")) } }
                                    span { (head.value("eventDate")) }
                                    span { (place(|t| Some(head.value(t)).filter(|v| !v.is_empty())).unwrap_or_default()) }
                                    span.soft { (head.value("recordedBy")) }
                                }
                                span.soft { (head.value("catalogNumber")) }
                            }
                            span.soft.file { (head.settled_by) ", " (day(&head.settled)) }
                        }
                    }
                }
            }
            @if more {
                a.button.more href={ "/records?before=" (heads.last().map_or(0, |h| h.lot)) } { "More" }
            }
        }
    };
    layout("Records", "records", Some(counts), Some(app), body)
}

/// One settled record.
pub(super) fn record(
    app: &App,
    counts: &QueueCounts,
    record: &Record,
    containers: &[Container],
    stages: (&[Staged], &StageRules),
) -> Markup {
    let title = match (record.value("scientificName"), record.value("catalogNumber")) {
        ("", "") => format!("Record {}", record.lot),
        (name, "") => name.to_owned(),
        ("", number) => number.to_owned(),
        (name, number) => format!("{name}, {number}"),
    };
    let body = html! {
        article.one {
            header {
                h1 { (title) }
                p.soft { "Settled by " (record.settled_by) " on " (day(&record.settled)) }
                @if let Some(draft) = record.draft.filter(|_| record.fate.is_empty()) {
                    a.button href={ "/draft/" (draft) "?state=settled" } { kbd { "e" } " Change it" }
                }
                form #undo method="post" action="/undo" {
                    (hidden(app, &Walk::default(), None))
                    input type="hidden" name="to" value={ "/record/" (record.lot) };
                    button.plain { kbd { "u" } " Undo your last deed" }
                }
            }
            @if !record.fate.is_empty() { p.standing { "This record does not stand any more: it was " (record.fate) ". All it said is kept." } }
            div.two {
                @if let Some(photo) = &record.photo {
                    figure {
                        img src={ "/photo/" (photo.id) "/view.jpg" } alt={ "Photograph " (photo.name) };
                        figcaption.soft { (photo.name) }
                    }
                }
                table {
                    caption.hidden { "Values" }
                    thead { tr { th scope="col" { "Field" } th scope="col" { "Value" } th scope="col" { "As read" } } }
                    tbody {
                        @for v in &record.values {
                            tr {
                                th scope="row" { (name(&v.term)) }
                                td { (v.value) @if v.origin != "read" { " " span.yours { @if v.origin == "changed" { "changed" } @else { "typed" } } } }
                                td.soft { (v.verbatim) }
                            }
                        }
                    }
                }
            }
            @if !record.note.is_empty() { p.kept-note { b { "Note" } " " (record.note) } }
            (super::keeping::about(app, record, containers, stages))
            section { h2 { "History" } (history(&record.history)) }
            p.soft { "Lasting identifier: " code { "urn:uuid:" (record.uuid) } }
        }
    };
    layout(&title, "record", Some(counts), Some(app), body)
}

/// The day of an RFC 3339 time, in the person's own time zone.
pub(super) fn day(at: &str) -> String {
    local(at, "%-d %B %Y")
}

fn minute(at: &str) -> String {
    local(at, "%Y-%m-%d %H:%M")
}

fn local(at: &str, form: &str) -> String {
    at.parse::<jiff::Timestamp>()
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime(form).to_string())
        .unwrap_or_else(|_| at.to_owned())
}
