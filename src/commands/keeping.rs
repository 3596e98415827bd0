//! The commands of keeping: where things are, and what becomes of records.
//!
//! A *thing* is a record's number (`12`), a specimen's catalogue number
//! (`"TVMS 00412"`) or a container's code (`"Drawer 7"`); where two fit, say
//! `"record 12"`, `"specimen 12"` or `"container 12"`.

use super::{count, ending};
use crate::output::line;
use clap::Subcommand;
use glassine::catalogue::{
    Catalogue, Change, Deed, DeedKind, Mount, Role, Stage, StageRules, Thing, Whereabouts, begins, ended,
};
use glassine::intake::{self, IntakeRules};
use glassine::review::person;
use glassine::trouble::{Result, Trouble, shown};
use glassine::{layout, out};
use std::io::IsTerminal;
use std::path::PathBuf;
use std::process::ExitCode;

/// The next step where a container is not known by what it was called.
pub const NAMED: &str = "see which there are: glassine contents FOLDER";

#[derive(Subcommand)]
pub enum Command {
    /// Make a container: a box, drawer, cabinet, cooler, anything that holds
    /// others.
    Container {
        /// The collection folder.
        folder: PathBuf,
        /// The code that is written on it, for example "Drawer 7".
        code: String,
        /// What it is, for example drawer.
        #[arg(long, default_value = "")]
        kind: String,
        /// The container it is in.
        #[arg(long = "in", value_name = "CODE")]
        inside: Option<String>,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// Put records, specimens or containers into a container.
    Put {
        /// The collection folder.
        folder: PathBuf,
        /// Records by number, specimens by catalogue number, containers by
        /// code; the codes of printed labels and envelopes too.
        #[arg(required_unless_present = "photo")]
        things: Vec<String>,
        /// The container they go into, by its code or its label's.
        #[arg(long = "in", value_name = "CODE", required_unless_present_any = ["nowhere", "photo"])]
        into: Option<String>,
        /// They are in no container any more.
        #[arg(long, conflicts_with = "into")]
        nowhere: bool,
        /// Put what has its code on this photograph into the container whose
        /// label is on it too (or that of --in); may be given several times.
        #[arg(long, value_name = "FILE", conflicts_with_all = ["nowhere", "things"])]
        photo: Vec<PathBuf>,
        /// Why, for example "on loan to A. Voss".
        #[arg(long, default_value = "")]
        why: String,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// List the entries of notebook pages, and the envelopes and pins that their
    /// field numbers join to them.
    ///
    /// Each value says whether it was read there, is inherited from above,
    /// repeated by a ditto mark, or yours. `=` means that both sides say the same,
    /// `+` that the envelope lacks it, `!` that they disagree.
    Events {
        /// The collection folder.
        folder: PathBuf,
        /// Write them here as CSV with Darwin Core terms (eventID, fieldNumber,
        /// eventDate, locality, scientificName, fieldNotes); `-` is standard
        /// output.
        #[arg(long, value_name = "FILE")]
        csv: Option<PathBuf>,
    },
    /// Say where a record, specimen or container is.
    Where {
        /// The collection folder.
        folder: PathBuf,
        /// Record, specimen or container.
        #[arg(required = true)]
        things: Vec<String>,
    },
    /// List what is in a container, or all containers.
    Contents {
        /// The collection folder.
        folder: PathBuf,
        /// The container; without it all containers are listed.
        container: Option<String>,
    },
    /// Give the animals of a record numbers of their own: an envelope with five
    /// moths is one lot and, once mounted, five specimens.
    Mount {
        /// The collection folder.
        folder: PathBuf,
        /// The record.
        record: String,
        /// One catalogue number for each animal; a sex may follow after a comma:
        /// "TVMS 00413,female".
        #[arg(required = true)]
        numbers: Vec<String>,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// Say which stage records or specimens are in: relaxing, spread, lent.
    ///
    /// The stages, how long each takes and what to heed are in
    /// config/stages.toml. Each is kept in the history; undo takes it back.
    Stage {
        /// The collection folder.
        folder: PathBuf,
        /// Records by number, specimens by catalogue number.
        #[arg(required = true)]
        things: Vec<String>,
        /// The stage, for example relaxing, pinned, spread, off-boards, lent,
        /// returned, freezing, quarantine, clear.
        #[arg(required = true)]
        stage: String,
        /// To whom, where it is lent.
        #[arg(long, value_name = "WHOM")]
        to: Option<String>,
        /// Until when: a day, for example 2027-03-01.
        #[arg(long, value_name = "DATE")]
        until: Option<jiff::civil::Date>,
        /// Since when, where it did not begin now: a day.
        #[arg(long, value_name = "DATE")]
        since: Option<jiff::civil::Date>,
        /// Why.
        #[arg(long, default_value = "")]
        why: String,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// List what is due: relaxed long enough, dry on the board, to come back
    /// from a loan, frozen or watched long enough; and what is oldest in the
    /// cooler.
    Due {
        /// The collection folder.
        folder: PathBuf,
        /// What is due by the end of this day; by default now.
        #[arg(long, value_name = "DATE")]
        on: Option<jiff::civil::Date>,
    },
    /// Determine a record or a specimen anew; the names it had stay.
    Determine {
        /// The collection folder.
        folder: PathBuf,
        /// Record or specimen.
        thing: String,
        /// The scientific name.
        name: String,
        /// Who determined it.
        #[arg(long, default_value = "")]
        by: String,
        /// When: a date, month or year.
        #[arg(long, default_value = "", value_name = "DATE")]
        on: String,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// Merge records into one. The others stay as they were and can be parted
    /// again with undo.
    Merge {
        /// The collection folder.
        folder: PathBuf,
        /// The record that remains.
        into: i64,
        /// The records that go into it.
        #[arg(required = true)]
        others: Vec<i64>,
        /// Why.
        #[arg(long, default_value = "")]
        why: String,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// Split a part off a record: it becomes a record of its own.
    Split {
        /// The collection folder.
        folder: PathBuf,
        /// The record.
        record: i64,
        /// The specimens that go, by catalogue number.
        #[arg(long, num_args = 1.., value_name = "NUMBER")]
        specimens: Vec<String>,
        /// How many animals go; as many as specimens unless told.
        #[arg(long)]
        count: Option<u32>,
        /// A value that the part has instead, for example sex=female.
        #[arg(long = "set", value_name = "TERM=VALUE")]
        set: Vec<String>,
        /// Why.
        #[arg(long, default_value = "")]
        why: String,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// Throw a record or a draft away, list the trash, take something out, or
    /// empty it.
    Trash {
        /// The collection folder.
        folder: PathBuf,
        /// The record to throw away, or "draft 12"; without it the trash is
        /// listed.
        #[arg(requires = "why")]
        thing: Option<String>,
        /// Why.
        #[arg(long)]
        why: Option<String>,
        /// Take this record, or "draft 12", out again.
        #[arg(long, value_name = "THING", conflicts_with_all = ["thing", "empty"])]
        take_out: Option<String>,
        /// Remove the photographs of what is in the trash from the disk. Its
        /// readings, values and history stay.
        #[arg(long, conflicts_with = "thing")]
        empty: bool,
        /// Your name, written into the history.
        #[arg(long)]
        who: Option<String>,
    },
    /// Print every change of a record or draft: who, when, from, to, why.
    History {
        /// The collection folder.
        folder: PathBuf,
        /// The record, or "draft 12".
        thing: String,
    },
    /// List the people who sign in to a folder, take one in, or let one go.
    ///
    /// With nobody taken in, the page belongs to the person at the machine.
    People {
        /// The collection folder.
        folder: PathBuf,
        #[command(subcommand)]
        what: Option<People>,
    },
    /// Undo your last deed, whenever it was.
    Undo {
        /// The collection folder.
        folder: PathBuf,
        /// Your name, as the history has it.
        #[arg(long)]
        who: Option<String>,
    },
}

#[derive(Subcommand)]
pub enum People {
    /// Take a person in, or give one a new passphrase and role. The passphrase
    /// is asked for, or read as one line where standard input is no terminal.
    Add {
        /// The name, as the history shall have it.
        name: String,
        /// What they may do: reads, settles, or keeps (looks after the folder).
        #[arg(long, default_value = "settles", value_parser = ["reads", "settles", "keeps"])]
        role: String,
    },
    /// End a person's access; what they did stays under their name.
    Remove {
        /// The name.
        name: String,
    },
    /// Print how well first and second readings agree, by field.
    Agreement,
}

fn passphrase(name: &str) -> Result<String> {
    let failed = |e: std::io::Error| Trouble::new("the passphrase", "could not be read").cause(e);
    if !std::io::stdin().is_terminal() {
        let mut line = String::new();
        std::io::stdin().read_line(&mut line).map_err(failed)?;
        return Ok(line.trim_end_matches(['\r', '\n']).to_owned());
    }
    let first = rpassword::prompt_password(format!("Passphrase of {name}: ")).map_err(failed)?;
    let again = rpassword::prompt_password("The same again: ").map_err(failed)?;
    if first != again {
        return Err(Trouble::new("the passphrase", "was typed in two ways").hint("type it again"));
    }
    Ok(first)
}

fn people(folder: &std::path::Path, what: Option<&People>) -> Result<()> {
    let catalogue = Catalogue::open(folder)?;
    let store = catalogue.store();
    match what {
        None => {
            let people = catalogue.wait(store.people())?;
            for p in &people {
                line!("{}  {}  since {}", p.name, p.role.word(), day(&p.added))?;
            }
            if people.is_empty() {
                eprintln!("Nobody signs in to this folder: its page belongs to the person at the machine.");
            }
        }
        Some(People::Add { name, role }) => {
            let role = match role.as_str() {
                "reads" => Role::Reads,
                "keeps" => Role::Keeps,
                _ => Role::Settles,
            };
            catalogue.wait(store.set_person(name, role, &passphrase(name)?))?;
            eprintln!("{name} may sign in now ({}).", role.word());
        }
        Some(People::Remove { name }) => {
            catalogue.wait(store.remove_person(name))?;
            eprintln!("{name} can no longer sign in; what they did stays under their name.");
        }
        Some(People::Agreement) => {
            for a in catalogue.wait(store.agreement())? {
                let kappa = a.kappa.map_or("not defined".to_owned(), |k| format!("{k:.2}"));
                line!(
                    "{}  {} read twice  {:.1} % the same  kappa {kappa}",
                    a.term,
                    a.records,
                    100.0 * a.same
                )?;
            }
        }
    }
    Ok(())
}

pub fn run(command: &Command) -> Result<ExitCode> {
    match command {
        Command::Container { folder, code, kind, inside, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            catalogue.wait(catalogue.store().make_container(code, kind, inside.as_deref(), &who))?;
            let kind = if kind.is_empty() { String::new() } else { format!(" ({kind})") };
            eprintln!("Made the container {code}{kind}.");
        }
        Command::Put { folder, things, into, nowhere: _, photo, why, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            let store = catalogue.store();
            if !photo.is_empty() {
                return put_by_photo(&catalogue, photo, into.as_deref(), &who, why);
            }
            let things = all(&catalogue, things)?;
            let deed = catalogue.wait(store.put(&things, into.as_deref(), &who, why))?;
            let done = if deed == 0 { "already there" } else { "put" };
            eprintln!("{}: {done}.", count(things.len(), "thing"));
        }
        Command::Events { folder, csv } => crate::commands::events::events(folder, csv.as_deref())?,
        Command::Where { folder, things } => {
            let catalogue = Catalogue::open(folder)?;
            let store = catalogue.store();
            for thing in all(&catalogue, things)? {
                line!("{}", in_words(&catalogue.wait(store.whereabouts(thing))?))?;
            }
        }
        Command::Contents { folder, container } => contents(&Catalogue::open(folder)?, container.as_deref())?,
        Command::Mount { folder, record, numbers, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            let store = catalogue.store();
            let lot = lot(catalogue.wait(store.thing(record))?, record)?;
            let mounts: Vec<Mount> = numbers
                .iter()
                .map(|n| n.split_once(',').unwrap_or((n, "")))
                .map(|(number, sex)| Mount { number: number.trim().into(), sex: sex.trim().into() })
                .collect();
            let made = catalogue.wait(store.mount(lot, &mounts, &who, ""))?;
            eprintln!("Record {lot} has {} more, each with its own number.", count(made.len(), "specimen"));
        }
        Command::Stage { folder, things, stage, to, until, since, why, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            let (store, rules) = (catalogue.store(), StageRules::load(Some(&catalogue.folder().config()))?);
            let things = all(&catalogue, things)?;
            let since = since.map_or(Ok(jiff::Timestamp::now()), begins)?;
            let stage = Stage {
                name: rules.named(stage)?.0.into(),
                whom: to.clone().unwrap_or_default(),
                until: *until,
                since,
            };
            let deed = catalogue.wait(store.set_stage(&things, &stage, &rules, &who, why))?;
            let rule = &rules.stage[&stage.name];
            let done = if deed == 0 { "was so already".into() } else { rule.word.clone() };
            eprintln!("{}: {done}.", count(things.len(), "thing"));
            if !rule.note.is_empty() {
                eprintln!("note: {}", rule.note);
            }
        }
        Command::Due { folder, on } => due(&Catalogue::open(folder)?, *on)?,
        Command::Determine { folder, thing, name, by, on, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            let store = catalogue.store();
            let thing = catalogue.wait(store.thing(thing))?;
            catalogue.wait(store.determine(thing, name, by, on, &who))?;
            eprintln!("Determined as {name}; the names before stay in its history.");
        }
        Command::Merge { folder, into, others, why, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            catalogue.wait(catalogue.store().merge(*into, others, &who, why))?;
            eprintln!("Merged {} into record {into}. Undo parts them again.", count(others.len(), "record"));
        }
        Command::Split { folder, record, specimens, count, set, why, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            let store = catalogue.store();
            let mut ids = Vec::new();
            for thing in all(&catalogue, specimens)? {
                let Thing::Specimen(id) = thing else {
                    return Err(Trouble::new("the split", "takes off specimens only")
                        .hint("name specimens by their catalogue numbers"));
                };
                ids.push(id);
            }
            let mut changes = Vec::new();
            for set in set {
                let (term, value) = set.split_once('=').ok_or_else(|| {
                    Trouble::new(format!("“{set}”"), "gives no value")
                        .hint("write TERM=VALUE, for example sex=female")
                })?;
                changes.push(Change { term: term.trim().into(), value: value.trim().into() });
            }
            let number = count.map(|c| Change { term: "individualCount".into(), value: c.to_string() });
            changes.extend(number);
            if ids.is_empty() && changes.is_empty() {
                return Err(Trouble::new("the split", "says nothing of the part")
                    .hint("say what goes: --specimens, --count or --set"));
            }
            let new = catalogue.wait(store.split(*record, &ids, &changes, &who, why))?;
            eprintln!("Split record {new} off record {record}. Undo joins them again.");
        }
        Command::Trash { folder, thing, why, take_out, empty, who } => {
            let catalogue = Catalogue::open(folder)?;
            let store = catalogue.store();
            if let Some(thing) = thing {
                let who = person(who.as_deref())?;
                let thing = catalogue.wait(store.thing(thing))?;
                catalogue.wait(store.throw_away(thing, &who, why.as_deref().unwrap_or_default()))?;
                eprintln!("In the trash. It stays there until you empty it; undo takes it out.");
            } else if let Some(thing) = take_out {
                let who = person(who.as_deref())?;
                let thing = catalogue.wait(store.thing(thing))?;
                catalogue.wait(store.take_out(thing, &who))?;
                eprintln!("Taken out of the trash.");
            } else if *empty {
                let emptied = catalogue.wait(store.empty_trash(&person(who.as_deref())?, None))?;
                let mib = emptied.bytes as f64 / 1_048_576.0;
                eprintln!(
                    "Removed {}, {mib:.1} MiB. What was read and done stays.",
                    count(emptied.files as usize, "photograph")
                );
            } else {
                let trash = catalogue.wait(store.trash())?;
                for t in &trash {
                    let gone = if t.gone.is_some() { "  (photograph removed)" } else { "" };
                    line!("{}  {}  by {}: {}{gone}", day(&t.since), t.what, t.by, t.why)?;
                }
                if trash.is_empty() {
                    eprintln!("The trash is empty.");
                }
            }
        }
        Command::History { folder, thing } => {
            let catalogue = Catalogue::open(folder)?;
            let store = catalogue.store();
            let history = match catalogue.wait(store.thing(thing))? {
                Thing::Lot(lot) => catalogue.record(lot)?.history,
                Thing::Draft(draft) => catalogue.draft(draft)?.history,
                _ => {
                    return Err(Trouble::new(format!("“{thing}”"), "has its history with its record")
                        .hint("give the record's number"));
                }
            };
            for deed in &history {
                print_deed(deed)?;
            }
        }
        Command::People { folder, what } => people(folder, what.as_ref())?,
        Command::Undo { folder, who } => {
            let (catalogue, who) = (Catalogue::open(folder)?, person(who.as_deref())?);
            let undone = catalogue.undo(&who)?;
            glassine::pipeline::checker(&catalogue)(&undone.drafts)?;
            let drafts: Vec<String> = undone.drafts.iter().map(i64::to_string).collect();
            let of =
                if drafts.is_empty() { String::new() } else { format!(" (draft {})", drafts.join(", ")) };
            eprintln!("Undone: {}{of}.", kind(undone.kind));
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn all(catalogue: &Catalogue, words: &[String]) -> Result<Vec<Thing>> {
    let labels = out::LabelRules::load(Some(&catalogue.folder().config()))?;
    words.iter().map(|word| named(catalogue, word, &labels)).collect()
}

/// The thing that is meant by words or by the code of a label.
fn named(catalogue: &Catalogue, words: &str, labels: &out::LabelRules) -> Result<Thing> {
    let store = catalogue.store();
    catalogue.wait(async {
        match (store.thing(words).await, out::lot_of_number(words, labels)) {
            (Err(_), Some(lot)) => store.thing(&format!("record {lot}")).await,
            (thing, _) => thing,
        }
    })
}

/// Puts what has its code on photographs into the container on them. A
/// photograph that cannot be used is said, and the next one taken.
fn put_by_photo(
    catalogue: &Catalogue,
    photos: &[PathBuf],
    into: Option<&str>,
    who: &str,
    why: &str,
) -> Result<ExitCode> {
    let config = catalogue.folder().config();
    let (intake, labels) = (IntakeRules::load(Some(&config))?, out::LabelRules::load(Some(&config))?);
    let (mut used, mut failed) = (0, 0);
    for path in photos {
        let name = shown(path.file_name().unwrap_or(path.as_os_str()));
        let codes = intake::load(path, &intake).and_then(|file| {
            let mut codes: Vec<String> = Vec::new();
            for photo in file.photos(&intake) {
                let grey = image::DynamicImage::ImageRgb8(photo?.pixels).into_luma8();
                codes.extend(layout::find_many_codes(&grey).into_iter().map(|c| c.text));
            }
            Ok(codes)
        });
        match codes.and_then(|codes| put_coded(catalogue, &name, &codes, into, &labels, who, why)) {
            Ok(unknown) => {
                used += 1;
                failed += unknown;
            }
            Err(trouble) => {
                eprintln!("error: {trouble}");
                failed += 1;
            }
        }
    }
    Ok(ending(false, failed, used))
}

/// Puts the things that `codes` of one photograph name away; gives the number of
/// codes that name nothing.
fn put_coded(
    catalogue: &Catalogue,
    name: &str,
    codes: &[String],
    into: Option<&str>,
    labels: &out::LabelRules,
    who: &str,
    why: &str,
) -> Result<usize> {
    let store = catalogue.store();
    let on_it = catalogue.wait(store.containers_on(codes.iter().map(String::as_str)))?;
    let into = match (into, on_it.as_slice()) {
        (Some(code), _) => code,
        (None, [one]) => one.code.as_str(),
        (None, []) => {
            return Err(Trouble::new(name, "shows no code of a container")
                .hint("photograph its label with it, sharp and near, or say which with --in CODE"));
        }
        (None, several) => {
            let names: Vec<&str> = several.iter().map(|c| c.code.as_str()).collect();
            return Err(Trouble::new(name, format!("shows the codes of {}", names.join(" and ")))
                .hint("say with --in CODE into which of them the rest goes"));
        }
    };
    let Thing::Container(outer) = catalogue.wait(store.thing(&format!("container {into}")))? else {
        return Err(Trouble::new(into, "is no container").hint(NAMED));
    };
    let (mut things, mut unknown) = (Vec::new(), 0);
    for code in codes {
        match named(catalogue, code, labels) {
            Ok(Thing::Container(id)) if id == outer => {}
            Ok(thing) => things.push(catalogue.wait(store.whole(thing))?),
            Err(trouble) => {
                eprintln!("error: {name}: {trouble}");
                unknown += 1;
            }
        }
    }
    if things.is_empty() {
        return Err(Trouble::new(name, "shows no code of a record, specimen or other container")
            .hint("put records away by number: glassine put FOLDER 12 --in CODE"));
    }
    let deed = catalogue.wait(store.put(&things, Some(into), who, why))?;
    let done = if deed == 0 { "already in" } else { "put into" };
    eprintln!("{name}: {} {done} {into}.", count(things.len(), "thing"));
    Ok(unknown)
}

fn lot(thing: Thing, words: &str) -> Result<i64> {
    match thing {
        Thing::Lot(lot) => Ok(lot),
        _ => Err(Trouble::new(format!("“{words}”"), "is no record").hint("give a record's number")),
    }
}

fn contents(catalogue: &Catalogue, container: Option<&str>) -> Result<()> {
    let store = catalogue.store();
    let Some(container) = container else {
        for c in catalogue.wait(store.containers(None))? {
            let inside = if c.inside.is_empty() { String::new() } else { format!(", in {}", c.inside) };
            let kind = if c.kind.is_empty() { String::new() } else { format!(" ({})", c.kind) };
            line!(
                "{}{kind}{inside}: {}, {}, {}",
                c.code,
                count(c.containers as usize, "container"),
                count(c.lots as usize, "record"),
                count(c.specimens as usize, "specimen")
            )?;
        }
        return Ok(());
    };
    let Thing::Container(id) = catalogue.wait(store.thing(&format!("container {container}")))? else {
        return Err(Trouble::new(container, "is no container").hint(NAMED));
    };
    let held = catalogue.wait(store.contents(id, u32::MAX >> 1))?;
    for c in &held.containers {
        line!("container {}", c.code)?;
    }
    for lot in &held.lots {
        let values: Vec<&str> = lot.values.iter().map(|v| v.1.as_str()).collect();
        line!("record {}  {}", lot.lot, values.join("  "))?;
    }
    for (number, lot) in &held.specimens {
        line!("specimen {number}  of record {lot}")?;
    }
    Ok(())
}

fn due(catalogue: &Catalogue, on: Option<jiff::civil::Date>) -> Result<()> {
    let store = catalogue.store();
    let rules = StageRules::load(Some(&catalogue.folder().config()))?;
    let now = match on {
        Some(day) => ended(day)?,
        None => jiff::Timestamp::now(),
    };
    let due = catalogue.wait(store.due(&rules, now))?;
    let mut notes: Vec<&str> = Vec::new();
    for (when, staged) in &due {
        let rule = rules.stage.get(&staged.stage.name);
        let word = rule.map_or(staged.stage.name.as_str(), |r| r.word.as_str());
        let to =
            if staged.stage.whom.is_empty() { String::new() } else { format!(" to {}", staged.stage.whom) };
        line!(
            "{}: {word}{to} since {}, due {}: {}",
            staged.what(),
            day(&staged.stage.since.to_string()),
            day(&when.to_string()),
            rule.map_or("see to it", |r| r.due.as_str())
        )?;
        notes.extend(rule.map(|r| r.note.as_str()).filter(|n| !n.is_empty()));
    }
    let oldest = catalogue.wait(store.oldest_in_coolers(&rules))?;
    if !oldest.is_empty() {
        line!("In the cooler, the oldest first:")?;
    }
    for kept in &oldest {
        let since = if kept.since.is_empty() { "day not known" } else { &kept.since };
        line!(
            "  record {}  {}  {since}, in {}",
            kept.head.lot,
            kept.head.value("scientificName"),
            kept.kept_in
        )?;
    }
    notes.sort_unstable();
    notes.dedup();
    for note in notes {
        eprintln!("note: {note}");
    }
    if due.is_empty() {
        eprintln!("Nothing is due.");
    }
    Ok(())
}

fn in_words(at: &Whereabouts) -> String {
    if at.chain.is_empty() {
        return format!("{}: nobody has said where it is", at.what);
    }
    let put = if at.by.is_empty() {
        String::new()
    } else {
        format!(", put there by {} on {}", at.by, day(&at.since))
    };
    format!("{}: {}{put}", at.what, at.chain.join(", in "))
}

fn print_deed(deed: &Deed) -> Result<()> {
    let why = if deed.why.is_empty() { String::new() } else { format!(" ({})", deed.why) };
    let undone = if deed.undone { ", undone later" } else { "" };
    line!("{}  {}  {}{why}{undone}", deed.at, deed.who, kind(deed.kind))?;
    for (term, was, now) in &deed.changes {
        line!("    {term}: “{was}” → “{now}”")?;
    }
    Ok(())
}

fn kind(kind: DeedKind) -> &'static str {
    match kind {
        DeedKind::Change => "changed",
        DeedKind::Settle => "settled",
        DeedKind::Aside => "set aside",
        DeedKind::Back => "put back",
        DeedKind::Note => "wrote a note",
        DeedKind::Undo => "undid a deed",
    }
}

fn day(at: &str) -> &str {
    at.get(..10).unwrap_or(at)
}
