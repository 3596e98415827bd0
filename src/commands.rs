//! What each command does: chains rooms, and prints.

pub mod adding;
pub mod backlog;
pub mod events;
pub mod giving;
pub mod keeping;
pub mod learning;

use crate::ReadingArgs;
use crate::output::{Output, line};
use crate::progress::Progress;
use glassine::catalogue::{Catalogue, Queue, State};
use glassine::checking::{self, Alone, Context};
use glassine::intake::{self, IntakeRules};
use glassine::out;
use glassine::parsing::{self, Parsed};
use glassine::pipeline::{Event, Eyes, Rules, Run, Times, understand};
use glassine::reading::Reading;
use glassine::reading::learned::Learned;
use glassine::steps::Steps;
use glassine::trouble::{Result, Trouble, count, shown};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// How a command ends that took on many things: `failed` of them could not be
/// used, `done` could.
fn ending(stopped: bool, failed: usize, done: usize) -> ExitCode {
    match (stopped, failed, done) {
        (true, ..) => STOPPED.into(),
        (_, 0, _) => ExitCode::SUCCESS,
        (_, _, 0) => ExitCode::FAILURE,
        _ => SOME_FAILED.into(),
    }
}

/// Done, but some files could not be used.
const SOME_FAILED: u8 = 3;
/// Stopped by Ctrl-C: 128 and the signal's number, as shells have it.
const STOPPED: u8 = 130;

pub fn new(folder: &Path) -> Result<ExitCode> {
    Catalogue::create(folder)?;
    eprintln!("Made the collection folder {}.", folder.display());
    eprintln!("Add photographs with: glassine add {} PHOTOS…", folder.display());
    Ok(ExitCode::SUCCESS)
}

/// A flag that Ctrl-C sets, saying `what` is done before the end; a second one
/// ends the program at once, by which nothing settled is lost.
fn stopping(what: &'static str) -> Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let seen = stop.clone();
    let handler = move || {
        if seen.swap(true, Ordering::Relaxed) {
            std::process::exit(STOPPED.into());
        }
        eprintln!("Stopping after {what} in hand; Ctrl-C again stops at once.");
    };
    ctrlc::set_handler(handler).map_err(|e| Trouble::new("Ctrl-C", "cannot be listened for").cause(e))?;
    Ok(stop)
}

pub fn read(
    photos: &[PathBuf],
    drafts: Option<&Path>,
    readings: Option<&Path>,
    config: Option<&Path>,
    args: &ReadingArgs,
) -> Result<ExitCode> {
    let rules = Rules::load(config)?;
    let mut to = drafts.map(Sink::open).transpose()?;
    let mut keep = readings.map(Sink::open).transpose()?;
    let context = Context::of(&Alone, &rules.parsing);
    // Drafts are written in the order of the photographs, whichever worker is
    // first: those that come early wait here.
    let outcome = over(photos, args, &rules, None, &|_, _| true, |made, progress| {
        if let Some(keep) = &mut keep {
            out::drafts::reading(&made.reading, keep)?;
        }
        let (parsed, doubts) = understand(&made.reading, &rules, &context);
        match &mut to {
            Some(to) => out::drafts::line(&made.reading, &parsed, to)?,
            None => print_reading(&made.reading, &parsed, &doubts)?,
        }
        progress.line(&format!("{}: {}", made.reading.photo.called(), in_short(&parsed, doubts.len())));
        Ok(())
    })?;
    for sink in [to, keep].into_iter().flatten() {
        sink.close()?;
    }
    outcome.report(args);
    Ok(outcome.code())
}

/// What came of a run over photographs.
struct Outcome {
    files: usize,
    read: usize,
    /// How many of the files could not be used.
    failed: usize,
    /// How many of the paths given lead to no file.
    missing: usize,
    stopped: bool,
    times: Times,
}

impl Outcome {
    fn report(&self, args: &ReadingArgs) {
        if self.stopped {
            eprintln!("Stopped. What was read is kept; the next run goes on from here.");
        }
        let unused = self.failed + self.missing;
        if unused > 0 {
            let others = if self.read > 0 { "; the others were read" } else { "" };
            eprintln!("{} could not be used (see above){others}.", count(unused, "file"));
        }
        if args.timings && self.read > 0 {
            let each = |clock: glassine::pipeline::Clock| clock.0.as_secs_f64() / self.read as f64;
            eprintln!("seconds a photograph (of one worker), over {}:", count(self.read, "photograph"));
            let rooms = [
                ("intake", self.times.intake),
                ("cleanup", self.times.cleanup),
                ("layout", self.times.layout),
                ("reading", self.times.reading),
                ("parsing and checking", self.times.parsing),
            ];
            for (room, clock) in rooms {
                eprintln!("  {room:22} {:.3}", each(clock));
            }
        }
    }

    /// How many files were passed over as read before.
    fn passed(&self) -> usize {
        self.files.saturating_sub(self.read + self.failed)
    }

    fn code(&self) -> ExitCode {
        ending(self.stopped, self.failed + self.missing, self.read + self.passed())
    }
}

/// The photographs that `paths` lead to.
fn found(paths: &[PathBuf]) -> Result<intake::Found> {
    let found = intake::find(paths);
    if found.files.is_empty() && found.troubles.is_empty() {
        return Err(Trouble::new("photographs", "none were found")
            .hint("name JPEG, PNG, TIFF, WebP, HEIC or PDF files, or folders that hold them"));
    }
    Ok(found)
}

/// Reads `photos` with as many workers as asked for and gives each reading to
/// `each` in the order of the files.
fn over(
    photos: &[PathBuf],
    args: &ReadingArgs,
    rules: &Rules,
    learned: Option<&Learned>,
    wanted: &(dyn Fn(&str, Option<u32>) -> bool + Sync),
    mut each: impl FnMut(&glassine::pipeline::Made, &Progress) -> Result<()>,
) -> Result<Outcome> {
    let found = found(photos)?;
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let steps = args.keep_steps.as_deref().map(Steps::new).transpose()?;
    let stop = stopping("the photographs")?;
    let progress = Progress::new(found.files.len());
    let mut outcome = Outcome {
        files: found.files.len(),
        read: 0,
        failed: 0,
        missing: found.troubles.len(),
        stopped: false,
        times: Times::default(),
    };
    for trouble in &found.troubles {
        progress.trouble(trouble);
    }
    if found.files.is_empty() {
        progress.end();
        return Ok(outcome);
    }
    let said = Mutex::new(false);
    let eyes = || {
        let eyes = Eyes::load(args.engine, &args.languages, rules, learned)?;
        let lacking = eyes.lacking();
        let mut said = said.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if !*said && !lacking.is_empty() {
            let signs: String = lacking.iter().flat_map(|c| [*c, ' ']).collect();
            progress.say(&format!(
                "note: the reader {} cannot produce {}; put them in when you settle",
                eyes.name(),
                signs.trim_end()
            ));
        }
        *said = true;
        Ok(eyes)
    };
    let run = Run {
        files: &found.files,
        rules,
        workers: args.workers.unwrap_or(cores),
        stop: &stop,
        steps: steps.as_ref(),
        wanted,
    };
    let mut waiting: BTreeMap<usize, (Vec<glassine::pipeline::Made>, bool)> = BTreeMap::new();
    let mut next = 0;
    run.go(eyes, |event| {
        match event {
            Event::Begun(at) => {
                progress.begin(&shown(found.files[at].file_name().unwrap_or_default()));
            }
            Event::Remark(text) => progress.say(&format!("note: {text}")),
            Event::Read(at, made) => {
                outcome.read += 1;
                waiting.entry(at).or_default().0.push(*made);
            }
            Event::Failed(trouble) => {
                outcome.failed += 1;
                progress.trouble(&trouble);
            }
            Event::Done(at) => {
                progress.done();
                waiting.entry(at).or_default().1 = true;
            }
            Event::Times(times) => outcome.times.add(&times),
        }
        // Hand on what has come in order: whole files, the pages of the one in
        // turn as they come.
        while let Some((made, done)) = waiting.get_mut(&next) {
            let done = *done;
            for made in made.drain(..) {
                outcome.times.parsing.of(|| each(&made, &progress))?;
            }
            if !done {
                break;
            }
            waiting.remove(&next);
            next += 1;
        }
        Ok(())
    })?;
    progress.end();
    outcome.stopped = stop.load(Ordering::Relaxed);
    Ok(outcome)
}

pub fn parse(text: &Path, drafts: Option<&Path>, config: Option<&Path>) -> Result<ExitCode> {
    let rules = parsing::Rules::load(config)?;
    let checks = checking::CheckRules::load(config)?;
    let context = Context::of(&Alone, &rules);
    let mut content = String::new();
    let read = if text == Path::new("-") {
        std::io::stdin().read_to_string(&mut content)
    } else {
        File::open(text).and_then(|mut file| file.read_to_string(&mut content))
    };
    read.map_err(|e| {
        Trouble::file(text, "cannot be read as text").cause(e).hint("name a text file in UTF-8")
    })?;
    let readings: Vec<Reading> = if text.extension().is_some_and(|e| e == "jsonl") || is_table(&content) {
        content
            .lines()
            .enumerate()
            .filter(|(_, line)| !line.trim().is_empty())
            .map(|(i, line)| {
                let wrong = |fact: &str| {
                    Trouble::new(format!("{}, line {}", text.display(), i + 1), fact)
                        .hint("each line is an object with `image` (a name) and `text`")
                };
                let object: serde_json::Value =
                    serde_json::from_str(line).map_err(|e| wrong("is not JSON").cause(e))?;
                // A table of texts may have a column of that name too.
                if object.get("labels").is_some() && object.get("text").is_none() {
                    return serde_json::from_value(object)
                        .map_err(|e| wrong("is no reading of this version").cause(e));
                }
                let string = |key: &str| object[key].as_str().ok_or_else(|| wrong("lacks a text"));
                Ok(Reading::from_text(string("image")?, string("text")?))
            })
            .collect::<Result<_>>()?
    } else {
        vec![Reading::from_text(&text.file_name().unwrap_or_default().to_string_lossy(), &content)]
    };
    let mut to = drafts.map(Sink::open).transpose()?;
    for reading in &readings {
        let parsed = parsing::parse(reading, &rules);
        let doubts = checking::check(&parsed, reading, &context, &checks);
        match &mut to {
            Some(to) => out::drafts::line(reading, &parsed, to)?,
            None => print_reading(reading, &parsed, &doubts)?,
        }
    }
    if let Some(to) = to {
        to.close()?;
    }
    Ok(ExitCode::SUCCESS)
}

pub fn check(args: &checking::batch::BatchOptions) -> Result<ExitCode> {
    let stop = stopping("the rows")?;
    let summary = checking::batch::run_until(args, &stop, &mut Output)?;
    // An answer is written, whatever is damaged.
    Ok(ending(summary.stopped, usize::from(summary.damaged > 0), 1))
}

pub fn review(args: &glassine::review::Args) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let rules = IntakeRules::load(Some(&catalogue.folder().config()))?;
    let opener = glassine::review::originals(rules);
    let typist = glassine::pipeline::typist(&catalogue);
    let checker = glassine::pipeline::checker(&catalogue);
    glassine::review::serve(&catalogue, args.options(opener, typist, checker)?)?;
    Ok(ExitCode::SUCCESS)
}

pub fn list(folder: &Path, settled: bool) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    let mut rows = Vec::new();
    if !settled {
        let queue = Queue { state: State::Waiting, in_order: true, ..Queue::default() };
        for draft in catalogue.drafts(&queue, u32::MAX)? {
            rows.push(row(&draft.name, &draft.values));
            rows.last_mut().expect("just pushed").extend([draft.doubts.to_string(), draft.doubt]);
        }
        print_table(
            "Drafts that wait",
            &["photograph", "name", "date", "place", "collector", "doubts", "the first doubt"],
            &rows,
        )?;
        line!("")?;
        rows.clear();
    }
    let mut after = 0;
    loop {
        let page = catalogue.list(after, 1000)?;
        let Some(last) = page.last() else { break };
        after = last.lot;
        rows.extend(page.iter().map(|r| row(&r.lot.to_string(), &r.values)));
    }
    print_table("Settled records", &["lot", "name", "date", "place", "collector"], &rows)?;
    Ok(ExitCode::SUCCESS)
}

pub fn find(folder: &Path, words: &str) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    // The number on a label for the pin names its lot.
    let rules = out::LabelRules::load(Some(&catalogue.folder().config()))?;
    let of_label = out::lot_of_number(words, &rules);
    let found = match of_label.map(|lot| catalogue.list(lot - 1, 1)).transpose()? {
        Some(heads) if heads.first().map(|h| h.lot) == of_label => heads,
        _ => catalogue.search(words, 200)?,
    };
    let rows: Vec<Vec<String>> = found.iter().map(|r| row(&r.lot.to_string(), &r.values)).collect();
    print_table("Settled records", &["lot", "name", "date", "place", "collector"], &rows)?;
    Ok(ExitCode::SUCCESS)
}

pub fn backup(folder: &Path, to: &Path) -> Result<ExitCode> {
    let done = Catalogue::open(folder)?.backup(to)?;
    eprintln!(
        "Backup in {}: {} copied, {} there already; the catalogue is whole.",
        to.display(),
        count(done.copied as usize, "photograph"),
        done.kept
    );
    Ok(ExitCode::SUCCESS)
}

pub fn verify(folder: &Path) -> Result<ExitCode> {
    let checked = Catalogue::open(folder)?.verify(|_, _| {})?;
    for trouble in &checked.troubles {
        eprintln!("error: {trouble}");
    }
    eprintln!(
        "Looked at {}, {}, {} and {} of history: {}.",
        count(checked.photos as usize, "photograph"),
        count(checked.drafts as usize, "draft"),
        count(checked.records as usize, "record"),
        count(checked.deeds as usize, "deed"),
        if checked.troubles.is_empty() {
            "all is well".into()
        } else {
            count(checked.troubles.len(), "trouble")
        }
    );
    Ok(if checked.troubles.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

pub fn manual(command: clap::Command, folder: &Path) -> Result<ExitCode> {
    let wrong = |e: std::io::Error| {
        Trouble::file(folder, "cannot be written to").cause(e).hint("name a folder you may write to")
    };
    std::fs::create_dir_all(folder).map_err(wrong)?;
    clap_mangen::generate_to(command, folder).map_err(wrong)?;
    Ok(ExitCode::SUCCESS)
}

/// A file that appears whole or not at all, or standard output.
enum Sink {
    Out(Output),
    File(BufWriter<tempfile::NamedTempFile>, PathBuf),
}

impl Sink {
    fn open(path: &Path) -> Result<Sink> {
        if path == Path::new("-") {
            return Ok(Sink::Out(Output));
        }
        let file = glassine::files::beside(path).map_err(|e| {
            Trouble::file(path, "cannot be written").cause(e).hint("name a folder you may write to")
        })?;
        Ok(Sink::File(BufWriter::new(file), path.into()))
    }

    fn close(mut self) -> Result<()> {
        let wrong = |path: &Path, e: std::io::Error| {
            Trouble::file(path, "cannot be written").cause(e).hint("check the free space and the permissions")
        };
        self.flush().map_err(|e| wrong(Path::new("standard output"), e))?;
        if let Sink::File(file, path) = self {
            let file = file.into_inner().map_err(|e| wrong(&path, e.into_error()))?;
            glassine::files::finish(file, &path).map_err(|e| wrong(&path, e))?;
        }
        Ok(())
    }
}

impl Write for Sink {
    fn write(&mut self, data: &[u8]) -> std::io::Result<usize> {
        match self {
            Sink::Out(out) => out.write(data),
            Sink::File(file, _) => file.write(data),
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        match self {
            Sink::Out(out) => out.flush(),
            Sink::File(file, _) => file.flush(),
        }
    }
}

fn in_short(parsed: &Parsed, doubts: usize) -> String {
    let found = match parsed.entries.len() {
        0 => count(parsed.fields.len(), "field"),
        1 => "notebook page, 1 entry".into(),
        n => format!("notebook page, {n} entries"),
    };
    format!("{found}, {}", count(doubts, "doubt"))
}

fn print_reading(reading: &Reading, parsed: &Parsed, doubts: &[checking::Doubt]) -> Result<()> {
    line!("{}", reading.photo.called())?;
    for line in reading.text().lines() {
        line!("  | {line}")?;
    }
    for field in &parsed.fields {
        line!("  {:26} {}  ({:.0} %)", field.term, field.value, field.confidence * 100.0)?;
    }
    for (nth, entry) in (1..).zip(&parsed.entries) {
        line!("  entry {nth}")?;
        for n in &entry.values {
            line!("    {:24} {}  ({})", n.field.term, n.field.value, n.origin.word())?;
        }
    }
    for doubt in doubts {
        line!("  ? {}", doubt.sentence)?;
    }
    line!("")
}

/// Whether the first line is a reading, or an object with a text: a table of them,
/// whatever the file is called.
fn is_table(content: &str) -> bool {
    let first = content.lines().find(|line| !line.trim().is_empty()).filter(|line| line.starts_with('{'));
    let object: Option<serde_json::Value> = first.and_then(|line| serde_json::from_str(line).ok());
    object.is_some_and(|o| ["labels", "text"].iter().any(|key| o.get(key).is_some()))
}

fn row(name: &str, values: &[(String, String)]) -> Vec<String> {
    let value = |term: &str| values.iter().find(|v| v.0 == term).map_or("", |v| v.1.as_str());
    let words = ["locality", "verbatimLocality"].map(value).into_iter().find(|w| !w.is_empty()).unwrap_or("");
    let place = [words, value("county"), value("stateProvince")];
    // The words of the place often name the county already.
    let mut parts: Vec<&str> = Vec::new();
    for p in place.into_iter().filter(|p| !p.is_empty()) {
        if !parts.iter().any(|q| q.contains(p)) {
            parts.push(p);
        }
    }
    let place = parts;
    vec![
        name.into(),
        value("scientificName").into(),
        value("eventDate").into(),
        place.join(", "),
        value("recordedBy").into(),
    ]
}

/// Prints rows in columns, each at most 36 characters wide but the last.
fn print_table(title: &str, head: &[&str], rows: &[Vec<String>]) -> Result<()> {
    line!("{title}: {}", rows.len())?;
    if rows.is_empty() {
        return Ok(());
    }
    let last = head.len() - 1;
    let wide: Vec<usize> = (0..head.len())
        .map(|i| rows.iter().map(|r| short(&r[i]).width()).fold(head[i].width(), usize::max))
        .collect();
    let line = |cells: &[String]| {
        let mut text = String::new();
        for (i, cell) in cells.iter().enumerate() {
            if i == last {
                text.push_str(cell);
            } else {
                let cell = short(cell);
                text.push_str(&cell);
                text.push_str(&" ".repeat(wide[i].saturating_sub(cell.width()) + 2));
            }
        }
        line!("{}", text.trim_end())
    };
    line(&head.iter().map(|h| (*h).to_string()).collect::<Vec<_>>())?;
    rows.iter().try_for_each(|r| line(r))
}

/// A cell of a table, cut to the columns of a terminal that it may take.
fn short(text: &str) -> Cow<'_, str> {
    const MOST: usize = 36;
    if text.width() <= MOST {
        return text.into();
    }
    let mut cut = String::new();
    for ch in text.chars() {
        if cut.width() + ch.width().unwrap_or(0) >= MOST {
            break;
        }
        cut.push(ch);
    }
    (cut + "…").into()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two columns a sign: Unicode Standard Annex 11, East Asian wide.
    #[test]
    fn a_cell_takes_no_more_columns_than_it_may() {
        assert_eq!(short("Skerrow Moss"), "Skerrow Moss");
        let accents = "e\u{301}".repeat(36);
        assert_eq!(short(&accents), accents);
        let cut = short(&"山".repeat(36)).into_owned();
        assert_eq!((cut.chars().count(), cut.width()), (18, 35));
    }
}
