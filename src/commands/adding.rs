//! Taking in: photographs, records that were written before, and typed labels.

use super::{count, ending, in_short, over};
use crate::ReadingArgs;
use crate::progress::Progress;
use clap::Args;
use glassine::catalogue::{Catalogue, Queue, State};
use glassine::checking::{self, Context};
use glassine::parsing::Parsed;
use glassine::pipeline::{self, Engine, Rules, understand};
use glassine::reading::Reading;
use glassine::review::person;
use glassine::trouble::{Result, Trouble, shown};
use glassine::{intake, out, parsing};
use std::collections::BTreeSet;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

#[derive(Args, Debug)]
pub struct AddArgs {
    /// The collection folder.
    folder: PathBuf,
    /// Photographs, or folders of them.
    #[arg(required_unless_present_any = ["records", "typed"])]
    photos: Vec<PathBuf>,
    /// Take in records that were typed or written out before, as drafts: a
    /// .csv, .tsv or .jsonl file with Darwin Core terms, or a Darwin Core
    /// Archive; may be given several times.
    #[arg(long, value_name = "FILE")]
    records: Vec<PathBuf>,
    /// Take a column of these records for a Darwin Core term, for example
    /// `eventDate=Date collected`; may be given several times. It is remembered
    /// for the next table with the same columns; `eventDate=` forgets.
    #[arg(long = "column", value_name = "TERM=COLUMN", requires = "records")]
    columns: Vec<String>,
    /// Type label texts in, without photographs: at the terminal, from standard
    /// input, or from a text file (--typed=labels.txt). An empty line ends a
    /// record, a line of hyphens begins another label of the same one.
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true, default_missing_value = "-")]
    typed: Vec<PathBuf>,
    /// Your name, kept with what you type in; by default the name you are
    /// logged in with.
    #[arg(long)]
    who: Option<String>,
    #[command(flatten)]
    reading: ReadingArgs,
}

/// Adds photographs, records and typed text, whatever is named.
pub fn add(args: &AddArgs) -> Result<ExitCode> {
    let mut code = ExitCode::SUCCESS;
    let mut then = |next: ExitCode| {
        if next != ExitCode::SUCCESS {
            code = next;
        }
    };
    if !args.records.is_empty() {
        then(add_records(&args.folder, &args.records, &args.columns)?);
    }
    if !args.typed.is_empty() {
        then(add_typed(&args.folder, &args.typed, &person(args.who.as_deref())?)?);
    }
    if !args.photos.is_empty() {
        then(add_photos(&args.folder, &args.photos, &args.reading)?);
    }
    Ok(code)
}

fn add_photos(folder: &Path, photos: &[PathBuf], args: &ReadingArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    let config = catalogue.folder().config();
    let rules = Rules::load(Some(&config))?;
    let wanted = |hash: &str, page: Option<u32>| !matches!(catalogue.has_photo(hash, page), Ok(Some(_)));
    let (mut new, mut doubtful) = (0usize, 0usize);
    let learned = match args.engine {
        Engine::Neural => super::learning::in_use(catalogue.folder()),
        _ => None,
    };
    let outcome = over(photos, args, &rules, learned.as_ref(), &wanted, |made, progress| {
        let facts = &made.reading.photo;
        let (is_new, parsed, doubts) =
            enter(&catalogue, &rules, &made.file, &made.reading, &made.likeness, progress)?;
        new += usize::from(is_new);
        doubtful += usize::from(is_new && !doubts.is_empty());
        progress.line(&format!("{}: {}", facts.called(), in_short(&parsed, doubts.len())));
        Ok(())
    })?;
    outcome.report(args);
    let counts = catalogue.counts()?;
    eprintln!(
        "{}, {doubtful} with doubts; {} passed over as already there; {} wait to be settled.",
        count(new, "new draft"),
        outcome.passed(),
        counts.waiting
    );
    Ok(outcome.code())
}

/// Keeps a photograph that was read, and enters its draft; says whether the
/// draft is new.
pub(super) fn enter(
    catalogue: &Catalogue,
    rules: &Rules,
    file: &intake::File,
    reading: &Reading,
    likeness: &intake::Likeness,
    progress: &Progress,
) -> Result<(bool, Parsed, Vec<checking::Doubt>)> {
    let facts = &reading.photo;
    let near = catalogue.near_duplicates(likeness, rules.intake.likeness.bits, &facts.hash)?;
    catalogue.keep_photo(&file.bytes, file.kind.extensions()[0], facts, Some(likeness))?;
    let known = catalogue.known(&facts.hash, facts.page);
    let context = Context::of(&known, &rules.parsing);
    let (parsed, doubts) = understand(reading, rules, &context);
    let entered = catalogue.enter_draft(reading, &parsed, &doubts)?;
    if entered.new {
        catalogue.doubt_joined(entered.draft, &rules.checking)?;
        // A page goes on with the date and place of the one before, and the one
        // after with its.
        if !parsed.entries.is_empty() {
            pipeline::check_again(catalogue, rules, &[entered.draft])?;
        }
    }
    if let Some(near) = near.first() {
        progress.say(&format!(
            "note: {} looks nearly the same as {}; both are kept, settle one and set the other aside",
            facts.called(),
            near.name
        ));
    }
    Ok((entered.new, parsed, doubts))
}

/// What became of typed records.
#[derive(Default)]
struct Typing {
    new: usize,
    doubtful: usize,
    passed: usize,
    failed: usize,
    unread: usize,
}

fn add_typed(folder: &Path, files: &[PathBuf], who: &str) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    let rules = Rules::load(Some(&catalogue.folder().config()))?;
    let mut done = Typing::default();
    for file in files {
        if file == Path::new("-") {
            let stdin = std::io::stdin();
            let name = pipeline::typed_name();
            let ask = stdin.is_terminal();
            if ask {
                eprintln!(
                    "Type a label line by line, as it stands. An empty line ends the record; a line -- begins \
                     another label of the same one. Ctrl-D on an empty line ends it all."
                );
            }
            take_typed(&catalogue, &rules, stdin.lock(), &name, who, ask, &mut done)?;
            continue;
        }
        match std::fs::File::open(file) {
            Ok(opened) => {
                let name = shown(file.file_name().unwrap_or_default());
                let reader = std::io::BufReader::new(opened);
                take_typed(&catalogue, &rules, reader, &name, who, false, &mut done)?;
            }
            Err(e) => {
                let trouble = Trouble::file(file, "cannot be opened").cause(e);
                eprintln!("error: {}", trouble.hint("check the name and the permissions"));
                done.unread += 1;
            }
        }
    }
    eprintln!(
        "{} typed in by {who}, {} with doubts; {} passed over as already there; {}{} could not be used.",
        count(done.new, "new draft"),
        done.doubtful,
        done.passed,
        count(done.failed, "record"),
        if done.unread > 0 { format!(" and {}", count(done.unread, "whole file")) } else { String::new() }
    );
    Ok(ending(false, done.failed + done.unread, done.new + done.passed))
}

/// Takes the records of one source in, each as soon as it is whole.
fn take_typed(
    catalogue: &Catalogue,
    rules: &Rules,
    reader: impl std::io::BufRead,
    name: &str,
    who: &str,
    ask: bool,
    done: &mut Typing,
) -> Result<()> {
    let mut records = intake::TypedRecords::new(reader, name, &rules.intake.typed);
    let mut prompt = |nth: usize, first: bool| {
        if ask {
            if first {
                eprint!("record {nth}> ")
            } else {
                eprint!("{:1$}> ", "", format!("record {nth}").len())
            }
        }
    };
    while let Some(record) = records.next_record(&mut prompt) {
        let record = match record {
            Ok(record) => record,
            Err(trouble) => {
                eprintln!("error: {trouble}");
                done.failed += 1;
                continue;
            }
        };
        let name = format!("{name}, record {}", record.nth);
        let taken = pipeline::typed(catalogue, rules, &name, &record.text, who)?;
        if !taken.new {
            done.passed += 1;
            continue;
        }
        done.new += 1;
        done.doubtful += usize::from(!taken.doubts.is_empty());
        eprintln!("{name}: draft {}, {}", taken.draft, in_short(&taken.parsed, taken.doubts.len()));
        if ask {
            for field in taken.parsed.fields.iter().filter(|f| !f.value.is_empty()) {
                eprintln!("  {:26} {}", field.term, field.value);
            }
            for doubt in &taken.doubts {
                eprintln!("  ? {}", doubt.sentence);
            }
        }
        if let Some(alike) = &taken.alike {
            eprintln!(
                "note: {name} has the words of {alike}; both are kept, settle one and set the other aside"
            );
        }
    }
    if ask {
        eprintln!();
    }
    Ok(())
}

fn add_records(folder: &Path, files: &[PathBuf], columns: &[String]) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    let rules = Rules::load(Some(&catalogue.folder().config()))?;
    let mut columns = intake::Columns::new(columns, Some(&catalogue.folder().config()))?;
    // What is here already, whether it was settled here or taken in before.
    let mut here: BTreeSet<String> = BTreeSet::new();
    out::Source::from(&catalogue).pieces(
        |records| {
            let mut here = Vec::new();
            for record in records {
                let (record, rows) = record?;
                here.push(format!("urn:uuid:{}", record.uuid));
                here.extend(rows.into_iter().filter_map(|mut row| row.remove("occurrenceID")));
            }
            Ok(here)
        },
        |of| {
            here.extend(of);
            Ok(())
        },
    )?;
    let known = catalogue.known("", None);
    let (mut new, mut doubtful, mut passed, mut failed, mut unread) = (0, 0, 0, 0, 0);
    for file in files {
        let given = match intake::records(file, &rules.intake.records, &columns) {
            Ok(given) => given,
            Err(trouble) => {
                eprintln!("error: {trouble}");
                unread += 1;
                continue;
            }
        };
        let name = shown(file.file_name().unwrap_or_default());
        if given.columns.remembered {
            eprintln!("{name}: columns as last time: {}", given.columns.in_words());
        }
        if columns.remember(&given.columns)? {
            eprintln!("{name}: columns remembered for tables like it: {}", given.columns.in_words());
        }
        for trouble in &given.troubles {
            eprintln!("error: {trouble}");
        }
        failed += given.troubles.len();
        for record in given.records {
            if let Some(id) = record.values.get("occurrenceID") {
                let waits = |state| {
                    let queue =
                        Queue { state, with: Some(("occurrenceID".into(), id.clone())), ..Queue::default() };
                    catalogue.drafts(&queue, 1).map(|d| !d.is_empty())
                };
                if !here.insert(id.clone()) || waits(State::Waiting)? || waits(State::Aside)? {
                    passed += 1;
                    continue;
                }
            }
            let (reading, parsed) = parsing::given(&record.name, &record.values);
            let context = Context::of(&known, &rules.parsing);
            let doubts = checking::check(&parsed, &reading, &context, &rules.checking);
            let entered = catalogue.enter_draft(&reading, &parsed, &doubts)?;
            catalogue.doubt_joined(entered.draft, &rules.checking)?;
            new += 1;
            doubtful += usize::from(!doubts.is_empty());
        }
    }
    eprintln!(
        "{} from records, {doubtful} with doubts; {passed} passed over as already there; {}{} could not be used.",
        count(new, "new draft"),
        count(failed, "row"),
        if unread > 0 { format!(" and {}", count(unread, "whole file")) } else { String::new() }
    );
    Ok(ending(false, failed + unread, new + passed))
}
