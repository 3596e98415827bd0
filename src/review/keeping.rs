//! Where records are kept and what becomes of them, on the page: the same deeds
//! as the terminal's commands.

use super::pages::{day, hidden, layout, small};
use super::{Answer, App, At, Failed, Form, Shared, Walk, With, field, posted, words};
use crate::catalogue::{
    Change, Container, Contents, Kept, Mount, QueueCounts, Record, Removal, Role, Stage, StageRules, Staged,
    TERM_ORDER, Thing, Trashed, ended,
};
use crate::trouble::{Trouble, count};
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect};
use maud::{Markup, html};

/// The most records a container's page lists.
const MOST: u32 = 500;

/// The most photographs that are named before the trash is emptied.
const LISTED: usize = 100;

/// Puts away, mounts, determines, changes, splits, merges or throws away a
/// record.
pub(super) async fn deed(
    With(app): Shared,
    At((id, deed)): At<(i64, String)>,
    axum::Form(form): Form,
) -> Answer {
    posted(&app, &form)?;
    let get = |name: &str| field(&form, name);
    let (store, who) = (&app.store, app.who.as_str());
    match deed.as_str() {
        "put" => {
            let into = Some(get("into")).filter(|i| !i.is_empty());
            store.put(&[Thing::Lot(id)], into, who, get("why")).await?;
        }
        "mount" => {
            let mounts: Vec<Mount> = get("numbers")
                .lines()
                .map(|l| l.split_once(',').unwrap_or((l, "")))
                .filter(|l| !l.0.trim().is_empty())
                .map(|(number, sex)| Mount { number: number.trim().into(), sex: sex.trim().into() })
                .collect();
            store.mount(id, &mounts, who, "").await?;
        }
        "determine" => {
            if let Some(sentence) = words::misfit("dateIdentified", get("day")) {
                let trouble = Trouble::new("the determination", sentence.trim_end_matches('.'));
                return Err(Failed(StatusCode::UNPROCESSABLE_ENTITY, trouble));
            }
            let specimen = get("specimen").parse().ok();
            let thing = specimen.map_or(Thing::Lot(id), Thing::Specimen);
            store.determine(thing, get("name"), get("by"), get("day"), who).await?;
        }
        "change" => {
            let term = get("term");
            if !super::is_term(term) {
                return Err(Failed(
                    StatusCode::UNPROCESSABLE_ENTITY,
                    Trouble::new(format!("“{term}”"), "is no field of a record")
                        .hint("choose one of the list"),
                ));
            }
            if let Some(sentence) = words::misfit(term, get("value")) {
                let trouble = Trouble::new(words::name(term), sentence.trim_end_matches('.'));
                return Err(Failed(StatusCode::UNPROCESSABLE_ENTITY, trouble));
            }
            let changes = [Change { term: term.into(), value: get("value").into() }];
            store.change_record(id, who, &changes, get("why"), get("seen").parse().ok()).await?;
        }
        "stage" => {
            let until = Some(get("until")).filter(|u| !u.is_empty());
            let until = until.map(|u| {
                u.parse().map_err(|_| {
                    let trouble = Trouble::new(format!("“{u}”"), "is no day").hint("write it as 2027-03-01");
                    Failed(StatusCode::UNPROCESSABLE_ENTITY, trouble)
                })
            });
            let stage = Stage {
                name: get("stage").into(),
                whom: get("to").into(),
                until: until.transpose()?,
                since: jiff::Timestamp::now(),
            };
            let rules = StageRules::load(Some(&store.folder().config()))?;
            let thing = get("specimen").parse().ok().map_or(Thing::Lot(id), Thing::Specimen);
            store.set_stage(&[thing], &stage, &rules, who, get("why")).await?;
        }
        "split" => {
            let specimens: Vec<i64> =
                form.iter().filter(|f| f.0 == "specimen").filter_map(|f| f.1.parse().ok()).collect();
            let change = |term: &str, value: &str| Change { term: term.into(), value: value.into() };
            let mut changes = Vec::new();
            for (name, term) in [("count", "individualCount"), ("sex", "sex"), ("name", "scientificName")] {
                if !get(name).is_empty() {
                    changes.push(change(term, get(name)));
                }
            }
            if specimens.is_empty() && changes.is_empty() {
                let trouble = Trouble::new("the part", "is not said")
                    .hint("say how many go, which specimens, or what is different of them");
                return Err(Failed(StatusCode::UNPROCESSABLE_ENTITY, trouble));
            }
            let part = store.split(id, &specimens, &changes, who, get("why")).await?;
            return Ok(Redirect::to(&format!("/record/{part}")).into_response());
        }
        "merge" => {
            let words = get("others").split([',', ' ', ';']).filter(|w| !w.is_empty());
            let others: std::result::Result<Vec<i64>, _> = words.map(str::parse).collect();
            let others = others.map_err(|_| {
                let trouble = Trouble::new(format!("“{}”", get("others")), "is not numbers of records")
                    .hint("write them as 14, 15");
                Failed(StatusCode::UNPROCESSABLE_ENTITY, trouble)
            })?;
            store.merge(id, &others, who, get("why")).await?;
        }
        "trash" => {
            store.throw_away(Thing::Lot(id), who, get("why")).await?;
        }
        _ => {
            return Err(Failed(
                StatusCode::NOT_FOUND,
                Trouble::new("this address", "leads nowhere").hint("go on from the drafts"),
            ));
        }
    }
    Ok(Redirect::to(&format!("/record/{id}")).into_response())
}

pub(super) async fn places(With(app): Shared) -> Answer {
    let containers = app.store.containers(None).await?;
    let counts = app.store.state_counts().await?;
    let trash = app.store.trash_count().await?;
    Ok(places_page(&app, &counts, &containers, trash).into_response())
}

pub(super) async fn make(With(app): Shared, axum::Form(form): Form) -> Answer {
    posted(&app, &form)?;
    let get = |name: &str| field(&form, name);
    let inside = Some(get("inside")).filter(|i| !i.is_empty());
    app.store.make_container(get("code"), get("kind"), inside, &app.who).await?;
    Ok(Redirect::to("/places").into_response())
}

pub(super) async fn place(With(app): Shared, At(id): At<i64>) -> Answer {
    let containers = app.store.containers(None).await?;
    let this = containers.iter().find(|c| c.id == id).ok_or_else(|| {
        Failed(StatusCode::NOT_FOUND, Trouble::new(format!("container {id}"), "is not in this catalogue"))
    })?;
    let held = app.store.contents(id, MOST).await?;
    let chain = app.store.whereabouts(Thing::Container(id)).await?.chain;
    let counts = app.store.state_counts().await?;
    Ok(place_page(&app, &counts, this, &chain, &held).into_response())
}

/// Which day a list of what is due is for.
#[derive(Default, serde::Deserialize)]
pub(super) struct ByDay {
    #[serde(default)]
    on: String,
}

/// What is due, as the command `due` lists it.
pub(super) async fn due(With(app): Shared, Query(by): Query<ByDay>) -> Answer {
    let on = by.on.trim();
    let day: Option<jiff::civil::Date> = match on {
        "" => None,
        text => Some(text.parse().map_err(|_| {
            let trouble = Trouble::new(format!("“{text}”"), "is no day").hint("write it as 2027-03-01");
            Failed(StatusCode::UNPROCESSABLE_ENTITY, trouble)
        })?),
    };
    let rules = StageRules::load(Some(&app.store.folder().config()))?;
    let now = day.map_or(Ok(jiff::Timestamp::now()), ended)?;
    let due = app.store.due(&rules, now).await?;
    let oldest = app.store.oldest_in_coolers(&rules).await?;
    let counts = app.store.state_counts().await?;
    Ok(due_page(&app, &counts, day, &due, &oldest, &rules).into_response())
}

pub(super) async fn trash(With(app): Shared) -> Answer {
    let trash = app.store.trash().await?;
    let counts = app.store.state_counts().await?;
    let removal = app.store.removal().await?;
    Ok(trash_page(&app, &counts, &trash, &removal).into_response())
}

/// Takes one thing out of the trash.
pub(super) async fn from_trash(With(app): Shared, axum::Form(form): Form) -> Answer {
    posted(&app, &form)?;
    let thing = app.store.thing(field(&form, "thing")).await?;
    app.store.take_out(thing, &app.who).await?;
    Ok(Redirect::to("/trash").into_response())
}

/// Asks once more before the trash is emptied, with all that would go.
pub(super) async fn before_emptying(With(app): Shared) -> Answer {
    let removal = app.store.removal().await?;
    let counts = app.store.state_counts().await?;
    Ok(emptying_page(&app, &counts, &removal).into_response())
}

/// Empties the trash of what was shown on the page before.
pub(super) async fn empty(With(app): Shared, axum::Form(form): Form) -> Answer {
    posted(&app, &form)?;
    if field(&form, "sure") != "yes" {
        return Ok(Redirect::to("/trash/empty").into_response());
    }
    app.store.empty_trash(&app.who, Some(field(&form, "seal"))).await?;
    Ok(Redirect::to("/trash").into_response())
}

/// Throws a draft away.
pub(super) async fn throw_draft(With(app): Shared, At(id): At<i64>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    super::free(&app, id).await?;
    app.store.throw_away(Thing::Draft(id), &app.who, &posted.why).await?;
    let next = super::next_for(&app, &posted.walk, Some(id), false).await?;
    Ok(super::go_on(next, &posted.walk, &format!("trash.{id}")))
}

/// The cards of a record: place, names, specimens, parts, and the trash.
pub(super) fn about(
    app: &App,
    record: &Record,
    containers: &[Container],
    (stages, rules): (&[Staged], &StageRules),
) -> Markup {
    let stands = record.fate.is_empty();
    let to = |deed: &str| format!("/record/{}/{deed}", record.lot);
    html! {
        div.cards {
            section.card {
                h2 { "Kept in" }
                @if record.kept_in.is_empty() { p.soft { "Nobody has said where it is." } }
                @else { p.way { (record.kept_in.join(", in ")) } }
                @if stands {
                    @if containers.is_empty() {
                        p { a href="/places" { "Name boxes and drawers first" } }
                    } @else {
                        form method="post" action=(to("put")) {
                            (hidden(app, &Walk::default(), None))
                            label for="into" { "Put it into" }
                            select #into name="into" {
                                option value="" { "no container" }
                                @for c in containers {
                                    option value=(c.code) selected[record.kept_in.first() == Some(&c.code)] { (c.code) }
                                }
                            }
                            button { "Put" }
                        }
                    }
                }
            }
            section.card {
                h2 { "Names, oldest first" }
                ol { @for d in &record.determinations {
                    li { i { (d.name) }
                        @if !d.by.is_empty() { ", " (d.by) } @if !d.day.is_empty() { ", " (d.day) }
                        @if let Some(s) = d.specimen.and_then(|s| record.specimens.iter().find(|r| r.id == s)) {
                            span.soft { " (specimen " (s.number) ")" } }
                    }
                } }
                @if stands {
                    details { summary { "Determine it anew" }
                        form method="post" action=(to("determine")) {
                            (hidden(app, &Walk::default(), None))
                            label for="d-name" { "Name" } input #d-name name="name" required maxlength="300";
                            label for="d-by" { "by" } input #d-by name="by" maxlength="200";
                            label for="d-day" { "on" } input #d-day name="day" placeholder="2026-03-01" maxlength="40";
                            @if !record.specimens.is_empty() {
                                label for="d-of" { "of" }
                                select #d-of name="specimen" {
                                    option value="" { "the whole lot" }
                                    @for s in &record.specimens { option value=(s.id) { "specimen " (s.number) } }
                                }
                            }
                            button { "Determine" }
                        }
                    }
                }
            }
            section.card {
                h2 { "Specimens" }
                @if record.specimens.is_empty() { p.soft { "None has a number of its own yet." } }
                ul { @for s in &record.specimens {
                    li { (s.number) @if !s.sex.is_empty() { ", " (s.sex) }
                        @if !s.kept_in.is_empty() { span.soft { ", in " (s.kept_in) } } }
                } }
                @if stands {
                    details { summary { "Mounted: give numbers" }
                        form method="post" action=(to("mount")) {
                            (hidden(app, &Walk::default(), None))
                            label for="numbers" { "One number a line; a sex may follow after a comma" }
                            textarea #numbers name="numbers" rows="4" required placeholder="TVMS 00413, female" {}
                            button { "Give these numbers" }
                        }
                    }
                }
            }
            section.card {
                h2 { "Stages" }
                @if stages.is_empty() { p.soft { "None was said." } }
                ul { @for s in stages {
                    @let rule = rules.stage.get(&s.stage.name);
                    @let late = s.stage.due(rules).is_some_and(|d| d <= jiff::Timestamp::now());
                    li {
                        b { (rule.map_or(s.stage.name.as_str(), |r| r.word.as_str())) }
                        @if !s.stage.whom.is_empty() { " to " (s.stage.whom) }
                        @if let Some(until) = s.stage.until { " until " (until) }
                        span.soft { " since " (day(&s.stage.since.to_string()))
                            @if let Some((_, number)) = &s.specimen { ", specimen " (number) } }
                        @if let Some(rule) = rule.filter(|_| late) {
                            p.doubtline { "Due: " (rule.due) "." }
                            @if !rule.note.is_empty() { p.soft { (rule.note) } }
                        }
                    }
                } }
                @if stands {
                    details { summary { "Say its stage" }
                        form method="post" action=(to("stage")) {
                            (hidden(app, &Walk::default(), None))
                            label for="st-is" { "It is now" }
                            select #st-is name="stage" { @for (name, rule) in rules.in_order() { option value=(name) { (rule.word) } } }
                            @if !record.specimens.is_empty() {
                                label for="st-of" { "of" }
                                select #st-of name="specimen" {
                                    option value="" { "the whole lot" }
                                    @for s in &record.specimens { option value=(s.id) { "specimen " (s.number) } }
                                }
                            }
                            label for="st-to" { "lent to" } input #st-to name="to" maxlength="200";
                            label for="st-until" { "until" } input #st-until name="until" placeholder="2027-03-01" maxlength="10";
                            button { "Say so" }
                        }
                    }
                }
            }
            @if stands || record.part_of.is_some() || !record.parts.is_empty() || !record.merged.is_empty() {
                section.card {
                    h2 { "Parts" }
                    @if let Some(whole) = record.part_of { p { "Split off " a href={ "/record/" (whole) } { "record " (whole) } } }
                    @for part in &record.parts { p { "Split off it: " a href={ "/record/" (part) } { "record " (part) } } }
                    @for other in &record.merged { p { "Merged into it: " a href={ "/record/" (other) } { "record " (other) } } }
                    @if stands { (parting(app, record)) }
                }
            }
            @if stands && record.draft.is_none() {
                section.card {
                    h2 { "Change a value" }
                    form method="post" action=(to("change")) {
                        (hidden(app, &Walk::default(), None))
                        label.hidden for="c-term" { "Field" }
                        select #c-term name="term" { @for term in TERM_ORDER { option value=(term) { (words::name(term)) } } }
                        label.hidden for="c-value" { "Value" } input #c-value name="value" maxlength="2000";
                        button { "Change" }
                    }
                }
            }
            @if stands {
                section.card {
                    h2 { "Not wanted" }
                    details { summary { "Throw it away" }
                        form method="post" action=(to("trash")) {
                            (hidden(app, &Walk::default(), None))
                            label for="t-why" { "Why" } input #t-why name="why" required maxlength="400";
                            button { "Into the trash" }
                        }
                        p.soft { "It stays in the trash, with all it says, until you take it out." }
                    }
                }
            }
        }
    }
}

/// The forms that split a part off a record, and that merge others into it.
fn parting(app: &App, record: &Record) -> Markup {
    let to = |deed: &str| format!("/record/{}/{deed}", record.lot);
    html! {
        details { summary { "Split a part off" }
            form method="post" action=(to("split")) {
                (hidden(app, &Walk::default(), None))
                @for s in &record.specimens {
                    label { input type="checkbox" name="specimen" value=(s.id); " specimen " (s.number) }
                }
                label for="sp-count" { "How many go" } input #sp-count name="count" inputmode="numeric" maxlength="6";
                label for="sp-name" { "Their name, where another" } input #sp-name name="name" maxlength="300";
                label for="sp-sex" { "Their sex, where another" } input #sp-sex name="sex" maxlength="40";
                label for="sp-why" { "Why" } input #sp-why name="why" maxlength="400";
                button { "Split them off" }
            }
            p.soft { "The part is a record of its own with the same values and photograph. One undo joins them again." }
        }
        details { summary { "Merge others into it" }
            form method="post" action=(to("merge")) {
                (hidden(app, &Walk::default(), None))
                label for="m-others" { "Records, by number" } input #m-others name="others" required maxlength="400" placeholder="14, 15";
                label for="m-why" { "Why" } input #m-why name="why" maxlength="400";
                button { "Merge them" }
            }
            p.soft { "What this record lacks is taken from them; they stay as they were. One undo parts them again." }
        }
    }
}

fn places_page(app: &App, counts: &QueueCounts, containers: &[Container], trash: i64) -> Markup {
    let body = html! {
        section.page {
            h1 { "Containers" }
            p.soft { "Boxes, drawers, cabinets, coolers: whatever holds lots, specimens or others of its kind." }
            ol.rows {
                @for c in containers {
                    li { a.row.plainrow href={ "/place/" (c.id) } {
                        span.what { span.line { b { (c.code) } span.soft { (c.kind) }
                            @if !c.inside.is_empty() { span.soft { "in " (c.inside) } } } }
                        span.count { (held(c)) }
                    } }
                }
            }
            div.cards { section.card {
                h2 { "A new container" }
                form method="post" action="/places" {
                    (hidden(app, &Walk::default(), None))
                    label for="code" { "Code, as written on it" } input #code name="code" required maxlength="100" placeholder="Drawer 7";
                    label for="kind" { "What it is" } input #kind name="kind" list="kinds" maxlength="60" placeholder="drawer";
                    datalist #kinds { @for k in ["box", "drawer", "cabinet", "cooler", "room", "store box"] { option value=(k) {} } }
                    @if !containers.is_empty() {
                        label for="inside" { "in" }
                        select #inside name="inside" { option value="" { "nothing" } @for c in containers { option value=(c.code) { (c.code) } } }
                    }
                    button { "Make it" }
                }
            } }
            p.beyond { a href="/trash" { "The trash" @if trash > 0 { " (" (trash) ")" } } }
        }
    };
    layout("Containers", "places", Some(counts), Some(app), body)
}

fn held(c: &Container) -> String {
    let some = |n: i64, what: &str| (n > 0).then(|| count(n, what));
    let parts: Vec<String> =
        [some(c.containers, "container"), some(c.lots, "lot"), some(c.specimens, "specimen")]
            .into_iter()
            .flatten()
            .collect();
    if parts.is_empty() { "empty".into() } else { parts.join(", ") }
}

fn place_page(
    app: &App,
    counts: &QueueCounts,
    this: &Container,
    chain: &[String],
    held: &Contents,
) -> Markup {
    let body = html! {
        section.page {
            h1 { (this.code) }
            p.soft { (this.kind) @if !chain.is_empty() { ", in " (chain.join(", in ")) } }
            @if held.containers.is_empty() && held.lots.is_empty() && held.specimens.is_empty() {
                div.nothing { p { "It is empty." } }
            }
            ol.rows {
                @for c in &held.containers {
                    li { a.row.plainrow href={ "/place/" (c.id) } { span.what { b { (c.code) } span.soft { (c.kind) } } } }
                }
                @for head in &held.lots {
                    li { a.row href={ "/record/" (head.lot) } {
                        (small(head.photo))
                        span.what { span.line { @for (_, v) in head.values.iter().take(4) { span { (v) } } } }
                        span.soft.file { (day(&head.settled)) }
                    } }
                }
                @for (number, lot) in &held.specimens {
                    li { a.row.plainrow href={ "/record/" (lot) } { span.what { "specimen " (number) } span.soft { "of record " (lot) } } }
                }
            }
            @if held.lots.len() >= MOST as usize { p.soft { "The first " (MOST) " are shown; the terminal lists all: " code { "glassine contents FOLDER \"" (this.code) "\"" } } }
        }
    };
    layout(&this.code, "places", Some(counts), Some(app), body)
}

fn due_page(
    app: &App,
    counts: &QueueCounts,
    on: Option<jiff::civil::Date>,
    due: &[(jiff::Timestamp, Staged)],
    oldest: &[Kept],
    rules: &StageRules,
) -> Markup {
    let rule = |staged: &Staged| rules.stage.get(&staged.stage.name);
    let mut notes: Vec<&str> =
        due.iter().filter_map(|d| rule(&d.1)).map(|r| r.note.as_str()).filter(|n| !n.is_empty()).collect();
    notes.sort_unstable();
    notes.dedup();
    let body = html! {
        section.page {
            h1 { @match on { Some(day) => { "Due by the end of " (day) } None => "Due now" } }
            form.ahead method="get" action="/due" {
                label for="on" { "Due by the end of" }
                input #on name="on" type="date" value=(on.map_or(String::new(), |d| d.to_string()));
                button { "Look ahead" }
            }
            @if due.is_empty() { div.nothing { p { "Nothing is due." } } }
            ol.rows {
                @for (when, staged) in due {
                    li { a.row.plainrow href={ "/record/" (staged.lot) } {
                        span.what {
                            span.line {
                                b { @if staged.species.is_empty() { "no name" } @else { (staged.species) } }
                                @if let Some((_, number)) = &staged.specimen { span { "specimen " (number) } }
                                span.soft { "record " (staged.lot) }
                            }
                            span {
                                (rule(staged).map_or(staged.stage.name.as_str(), |r| r.word.as_str()))
                                @if !staged.stage.whom.is_empty() { " to " (staged.stage.whom) }
                                " since " (day(&staged.stage.since.to_string())) ": "
                                (rule(staged).map_or("see to it", |r| r.due.as_str()))
                            }
                        }
                        span.soft.file { "due " (day(&when.to_string())) }
                    } }
                }
            }
            @if !notes.is_empty() {
                h2 { "Heed" }
                ul.notes { @for note in notes { li { (note) } } }
            }
            @if !oldest.is_empty() {
                h2 { "In the cooler, the oldest first" }
                ol.rows {
                    @for kept in oldest {
                        li { a.row href={ "/record/" (kept.head.lot) } {
                            (small(kept.head.photo))
                            span.what { span.line { b { (kept.head.value("scientificName")) } span { "record " (kept.head.lot) } }
                                span.soft { "in " (kept.kept_in) } }
                            span.soft.file { @if kept.since.is_empty() { "day not known" } @else { (kept.since) } }
                        } }
                    }
                }
            }
            p.soft { "Stages are said on a record's page or with " code { "glassine stage FOLDER 12 relaxing" }
                "; how long each takes and what to heed is in " code { "config/stages.toml" } "." }
        }
    };
    layout("Due", "due", Some(counts), Some(app), body)
}

fn trash_page(app: &App, counts: &QueueCounts, trash: &[Trashed], removal: &Removal) -> Markup {
    let keeps = app.role >= Role::Keeps;
    let body = html! {
        section.page {
            h1 { "Trash" }
            p.soft { "Nothing leaves it by itself. What is in it is not found and not written out; all it says stays." }
            @if trash.is_empty() { div.nothing { p { "It is empty." } } }
            ol.rows {
                @for t in trash {
                    @let (to, thing) = match t.thing {
                        Thing::Draft(id) => (format!("/draft/{id}"), format!("draft {id}")),
                        Thing::Lot(id) | Thing::Specimen(id) | Thing::Container(id) => (format!("/record/{id}"), format!("record {id}")),
                    };
                    li { div.row {
                        (small(t.photo))
                        span.what {
                            b { a href=(to) { (t.what) } }
                            span { (t.why) }
                            span.soft { (t.by) ", " (day(&t.since))
                                @if let Some((at, by)) = &t.gone { "; photograph removed on " (day(at)) @if !by.is_empty() { " by " (by) } } }
                        }
                        @if keeps {
                            form method="post" action="/trash" {
                                (hidden(app, &Walk::default(), None))
                                input type="hidden" name="thing" value=(thing);
                                button aria-label={ "Take it out: " (t.what) } { "Take it out" }
                            }
                        }
                    } }
                }
            }
            @if !keeps { p.soft { "Taking out and emptying are for those who look after the folder." } }
            @else if removal.files > 0 {
                h2 { "Empty it" }
                p { (files(removal)) " on this disk " @if removal.files == 1 { "is" } @else { "are" } " shown by nothing else." }
                p { a.button href="/trash/empty" { "See what would be removed" } }
            } @else if !trash.is_empty() { p.soft { "There are no photographs of it to remove." } }
        }
    };
    layout("Trash", "places", Some(counts), Some(app), body)
}

/// How many files, and how large: `3 photographs (12.5 MiB)`.
fn files(removal: &Removal) -> String {
    format!("{} ({:.1} MiB)", count(removal.files, "photograph"), removal.bytes as f64 / 1_048_576.0)
}

fn emptying_page(app: &App, counts: &QueueCounts, removal: &Removal) -> Markup {
    let body = html! {
        section.page {
            h1 { "Empty the trash" }
            @if app.role < Role::Keeps { p { "This is for those who look after the folder. " a href="/trash" { "Back to the trash" } } }
            @else if removal.files == 0 { p { "There is nothing to remove. " a href="/trash" { "Back to the trash" } } }
            @else {
                p { b { (files(removal)) } " will be removed from this folder for good. No undo brings them back; a backup may." }
                p { "What was read on them, every value and the whole history stay." }
                ul { @for name in removal.names.iter().take(LISTED) { li { (name) } } }
                @if removal.names.len() > LISTED { p { "and " (removal.names.len() - LISTED) " more." } }
                form method="post" action="/trash/empty" {
                    (hidden(app, &Walk::default(), None))
                    input type="hidden" name="seal" value=(removal.seal);
                    p { label { input type="checkbox" name="sure" value="yes" required; " Yes, remove " (files(removal)) " for good" } }
                    div.bar {
                        button { "Empty the trash" }
                        a.button.first href="/trash" { "Leave everything" }
                    }
                }
            }
        }
    };
    layout("Empty the trash", "places", Some(counts), Some(app), body)
}
