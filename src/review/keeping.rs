//! Where records are kept and what becomes of them, on the page: the same deeds
//! as the terminal's commands.

use super::pages::{day, hidden, layout, small};
use super::{Answer, App, At, Failed, Form, Shared, Walk, With, field, posted, words};
use crate::catalogue::{
    Change, Container, Contents, Kept, Mount, QueueCounts, Record, Stage, StageRules, Staged, TERM_ORDER,
    Thing, Trashed, ended,
};
use crate::trouble::Trouble;
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect};
use maud::{Markup, html};

/// The most records a container's page lists.
const MOST: u32 = 500;

/// Puts away, mounts, determines, changes or throws away a record.
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
                return Err(Failed(StatusCode::UNPROCESSABLE_ENTITY, Trouble::new("the field", "is none")));
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
        "trash" => {
            store.throw_away(Thing::Lot(id), who, get("why")).await?;
        }
        _ => return Err(Failed(StatusCode::NOT_FOUND, Trouble::new("this address", "leads nowhere"))),
    }
    Ok(Redirect::to(&format!("/record/{id}")).into_response())
}

pub(super) async fn places(With(app): Shared) -> Answer {
    let containers = app.store.containers(None).await?;
    let counts = app.store.state_counts().await?;
    Ok(places_page(&app, &counts, &containers).into_response())
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
    Ok(trash_page(&app, &counts, &trash).into_response())
}

/// Takes one thing out of the trash. Emptying it is the terminal's: it cannot
/// be undone.
pub(super) async fn from_trash(With(app): Shared, axum::Form(form): Form) -> Answer {
    posted(&app, &form)?;
    let thing = app.store.thing(field(&form, "thing")).await?;
    app.store.take_out(thing, &app.who).await?;
    Ok(Redirect::to("/trash").into_response())
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
            @if record.part_of.is_some() || !record.parts.is_empty() || !record.merged.is_empty() {
                section.card {
                    h2 { "Parts" }
                    @if let Some(whole) = record.part_of { p { "Split off " a href={ "/record/" (whole) } { "record " (whole) } } }
                    @for part in &record.parts { p { "Split off it: " a href={ "/record/" (part) } { "record " (part) } } }
                    @for other in &record.merged { p { "Merged into it: " a href={ "/record/" (other) } { "record " (other) } } }
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

fn places_page(app: &App, counts: &QueueCounts, containers: &[Container]) -> Markup {
    let body = html! {
        section.page {
            h1 { "Places" }
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
                h2 { "A new one" }
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
            p { a href="/trash" { "The trash" } }
        }
    };
    layout("Places", "places", Some(counts), Some(app), body)
}

fn held(c: &Container) -> String {
    let some = |n: i64, what: &str| (n > 0).then(|| format!("{n} {what}{}", if n == 1 { "" } else { "s" }));
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

fn trash_page(app: &App, counts: &QueueCounts, trash: &[Trashed]) -> Markup {
    let body = html! {
        section.page {
            h1 { "Trash" }
            p.soft { "Nothing leaves it by itself. To remove the photographs of what is in it: "
                code { "glassine trash FOLDER --empty" } "; readings, values and history stay even then." }
            @if trash.is_empty() { div.nothing { p { "It is empty." } } }
            ol.rows {
                @for t in trash {
                    li { div.row.plainrow {
                        span.what { b { (t.what) } span.soft { (t.by) ", " (day(&t.since)) ": " (t.why) } }
                        form method="post" action="/trash" {
                            (hidden(app, &Walk::default(), None))
                            input type="hidden" name="thing" value=(match t.thing {
                                Thing::Draft(id) => format!("draft {id}"),
                                Thing::Lot(id) | Thing::Specimen(id) | Thing::Container(id) => format!("record {id}"),
                            });
                            button { "Take it out" }
                        }
                    } }
                }
            }
        }
    };
    layout("Trash", "places", Some(counts), Some(app), body)
}
