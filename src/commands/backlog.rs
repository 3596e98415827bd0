//! `glassine send`, `work`, `fetch` and `backlog`: many machines at one backlog.

use super::adding::enter;
use super::{count, ending, found, in_short, stopping};
use crate::ReadingArgs;
use crate::output::line;
use crate::progress::Progress;
use glassine::backlog::{Backlog, Read, State, Taken};
use glassine::catalogue::Catalogue;
use glassine::intake::{self, IntakeRules, Likeness};
use glassine::pipeline::{Event, Eyes, Rules, Run, Times};
use glassine::reading::Reading;
use glassine::trouble::{Result, Trouble};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

/// Where the backlog is.
#[derive(clap::Args, Debug)]
pub struct Place {
    /// The queue: postgres://USER@HOST/DATABASE, or sqlite:FILE on one machine.
    #[arg(long, value_name = "ADDRESS", env = "GLASSINE_QUEUE", hide_env_values = true)]
    queue: String,
    /// Where the files lie: a folder, or s3://BUCKET/FOLDER.
    #[arg(long, value_name = "ADDRESS", env = "GLASSINE_DEPOT")]
    depot: String,
}

impl Place {
    fn open(&self) -> Result<Backlog> {
        Backlog::open(&self.queue, &self.depot)
    }
}

/// The commands.
#[derive(clap::Subcommand, Debug)]
pub enum Command {
    /// Send photographs to a backlog that several machines read.
    Send {
        /// Photographs, or folders of them.
        #[arg(required = true)]
        photos: Vec<PathBuf>,
        #[command(flatten)]
        place: Place,
    },
    /// Read photographs of a backlog, one after the other, until stopped.
    ///
    /// Any number of machines may work at once: no photograph is read by two.
    /// What a worker took and did not bring back within its lease goes to
    /// another. Ctrl-C gives back what is in hand.
    Work {
        #[command(flatten)]
        place: Place,
        /// End when no photograph waits and none is with another worker, who may
        /// not bring it back.
        #[arg(long)]
        until_empty: bool,
        /// Seconds within which a page must be read before the photograph goes
        /// to another worker.
        #[arg(long, value_name = "SECONDS", default_value_t = 600, value_parser = clap::value_parser!(u64).range(1..=86_400))]
        lease: u64,
        /// Use the tables of this folder beside the built-in ones.
        #[arg(long, value_name = "FOLDER")]
        config: Option<PathBuf>,
        #[command(flatten)]
        reading: ReadingArgs,
    },
    /// Fetch what was read from a backlog into a collection folder, as drafts.
    Fetch {
        /// The collection folder.
        folder: PathBuf,
        #[command(flatten)]
        place: Place,
    },
    /// Show how far a backlog is, and what could not be read.
    Backlog {
        #[command(flatten)]
        place: Place,
        /// Let photographs that could not be read wait again.
        #[arg(long)]
        retry: bool,
    },
}

pub fn run(command: &Command) -> Result<ExitCode> {
    match command {
        Command::Send { photos, place } => send(photos, place),
        Command::Work { place, until_empty, lease, config, reading } => {
            work(place, *until_empty, Duration::from_secs(*lease), config.as_deref(), reading)
        }
        Command::Fetch { folder, place } => fetch(folder, place),
        Command::Backlog { place, retry } => show(place, *retry),
    }
}

fn send(photos: &[PathBuf], place: &Place) -> Result<ExitCode> {
    let rules = IntakeRules::load(None)?;
    let found = found(photos)?;
    let stop = stopping("the photograph")?;
    let backlog = place.open()?;
    let progress = Progress::new(found.files.len());
    found.troubles.iter().for_each(|trouble| progress.trouble(trouble));
    let (mut new, mut there, mut failed) = (0, 0, found.troubles.len());
    for path in found.files.iter().take_while(|_| !stop.load(Ordering::Relaxed)) {
        let sent = intake::load(path, &rules).and_then(|file| {
            progress.begin(&file.name);
            backlog.send(&file.name, file.bytes, &file.hash)
        });
        match sent {
            Ok(true) => new += 1,
            Ok(false) => there += 1,
            Err(trouble) => {
                failed += 1;
                progress.trouble(&trouble);
            }
        }
        progress.done();
    }
    progress.end();
    eprintln!("{} sent; {there} there already; {failed} could not be used.", count(new, "photograph"));
    Ok(ending(stop.load(Ordering::Relaxed), failed, new + there))
}

/// A name no other worker has: for people the machine's, then chance.
fn worker_name() -> String {
    let host = std::fs::read_to_string("/etc/hostname").unwrap_or_default();
    let host = if host.trim().is_empty() { "worker" } else { host.trim() };
    format!("{host} {} {}", std::process::id(), uuid::Uuid::new_v4().simple())
}

fn work(
    place: &Place,
    until_empty: bool,
    lease: Duration,
    config: Option<&Path>,
    args: &ReadingArgs,
) -> Result<ExitCode> {
    let rules = Rules::load(config)?;
    let stop = stopping("the pages")?;
    let backlog = place.open()?;
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let (read, failed) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let name = worker_name();
    let one = |number: usize| -> Result<()> {
        let name = format!("{name} {number}");
        let mut eyes = Eyes::load(args.engine, &args.languages, &rules, None)?;
        while !stop.load(Ordering::Relaxed) {
            let Some(taken) = backlog.wait(backlog.queue.take(&name, lease))? else {
                if until_empty && backlog.wait(backlog.queue.counts())?.taken == 0 {
                    break;
                }
                // Looked at every half second, so that Ctrl-C is soon heard.
                for _ in 0..4 {
                    if !stop.load(Ordering::Relaxed) {
                        std::thread::sleep(Duration::from_millis(500));
                    }
                }
                continue;
            };
            let whole = one_photograph(&backlog, &rules, &name, lease, &taken, &mut eyes, &stop)?;
            if whole { &read } else { &failed }.fetch_add(1, Ordering::Relaxed);
        }
        Ok(())
    };
    std::thread::scope(|scope| {
        let one = &one;
        let workers = 0..args.workers.unwrap_or(cores).max(1);
        let workers: Vec<_> = workers.map(|n| scope.spawn(move || one(n))).collect();
        let mut outcome = Ok(());
        for worker in workers {
            if let Err(trouble) = worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)) {
                stop.store(true, Ordering::Relaxed);
                outcome = Err(trouble);
            }
        }
        outcome
    })?;
    let (read, failed) = (read.into_inner(), failed.into_inner());
    eprintln!("{} read; {failed} not, or not wholly.", count(read, "photograph"));
    Ok(ending(stop.load(Ordering::Relaxed), failed, read))
}

/// Reads one photograph and brings it back; says whether all of it was read.
fn one_photograph(
    backlog: &Backlog,
    rules: &Rules,
    worker: &str,
    lease: Duration,
    taken: &Taken,
    eyes: &mut Eyes,
    stop: &AtomicBool,
) -> Result<bool> {
    let Taken { hash, name } = taken;
    let file = backlog.wait(backlog.depot.get(hash)).and_then(|bytes| intake::file(Path::new(name), bytes));
    let (mut pages, mut problems) = (Vec::new(), Vec::new());
    let (mut ours, mut several) = (true, false);
    match file {
        Err(trouble) => problems.push(trouble.to_string()),
        Ok(file) => {
            let run = Run { files: &[], rules, workers: 1, stop, steps: None, wanted: &|_, _| true };
            let mut lost = None;
            run.photos(0, Arc::new(file), eyes, &mut Times::default(), &mut |event| {
                match event {
                    Event::Read(_, made) => {
                        several |= made.reading.photo.page.is_some();
                        match serde_json::to_string(&made.reading) {
                            Ok(reading) => pages.push(Read { reading, likeness: made.likeness.to_string() }),
                            Err(e) => problems.push(e.to_string()),
                        }
                    }
                    Event::Failed(trouble) => problems.push(trouble.to_string()),
                    _ => {}
                }
                match backlog.wait(backlog.queue.prolong(worker, hash, lease)) {
                    Ok(still) => ours = still,
                    Err(trouble) => lost = Some(trouble),
                }
                ours && lost.is_none()
            });
            if let Some(trouble) = lost {
                return Err(trouble);
            }
            // Stopped between two pages: the rest would be missing.
            if stop.load(Ordering::Relaxed) && (several || pages.is_empty()) {
                backlog.wait(backlog.queue.give_back(worker, hash))?;
                eprintln!("{name}: given back");
                return Ok(true);
            }
        }
    }
    for problem in &problems {
        eprintln!("error: {problem}");
    }
    if ours {
        ours = backlog.wait(backlog.queue.bring(worker, hash, &pages, &problems.join("\n")))?;
    }
    match ours {
        true => eprintln!("{name}: {}", count(pages.len(), "page")),
        false => eprintln!("note: {name} took longer than its lease; another worker has it"),
    }
    Ok(problems.is_empty())
}

fn fetch(folder: &Path, place: &Place) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    let rules = Rules::load(Some(&catalogue.folder().config()))?;
    let stop = stopping("the photograph")?;
    let backlog = place.open()?;
    let waiting = backlog.wait(backlog.queue.list(State::Read))?;
    let progress = Progress::new(waiting.len());
    let (mut new, mut failed) = (0usize, 0usize);
    for photograph in waiting.iter().take_while(|_| !stop.load(Ordering::Relaxed)) {
        progress.begin(&photograph.name);
        let mut one = || -> Result<()> {
            let hash = &photograph.hash;
            let bytes = backlog.wait(backlog.depot.get(hash))?;
            let file = intake::file(Path::new(&photograph.name), bytes)?;
            for page in backlog.wait(backlog.queue.pages(hash))? {
                let strange = || {
                    Trouble::new(&photograph.name, "has a reading in the queue that this version cannot take")
                        .hint("fetch it with the version of the program that read it")
                };
                let reading: Reading = serde_json::from_str(&page.reading).map_err(|e| strange().cause(e))?;
                let likeness: Likeness = page.likeness.parse().map_err(|_| strange())?;
                let (is_new, parsed, doubts) =
                    enter(&catalogue, &rules, &file, &reading, &likeness, &progress)?;
                new += usize::from(is_new);
                progress.line(&format!("{}: {}", reading.photo.called(), in_short(&parsed, doubts.len())));
            }
            // The drafts are in the catalogue; should this not be noted, the next
            // run finds them there.
            backlog.wait(backlog.queue.fetched(hash))
        };
        if let Err(trouble) = one() {
            failed += 1;
            progress.trouble(&trouble);
        }
        if !photograph.problem.is_empty() {
            progress.say(&format!("note: {}: {}", photograph.name, photograph.problem));
        }
        progress.done();
    }
    progress.end();
    let counts = backlog.wait(backlog.queue.counts())?;
    eprintln!(
        "{}; {failed} could not be fetched; {} in the backlog not read yet.",
        count(new, "new draft"),
        counts.waiting + counts.taken
    );
    Ok(ending(stop.load(Ordering::Relaxed), failed, new))
}

fn show(place: &Place, retry: bool) -> Result<ExitCode> {
    let backlog = place.open()?;
    if retry {
        let again = backlog.wait(backlog.queue.retry())?;
        eprintln!("{again} wait again.");
    }
    let c = backlog.wait(backlog.queue.counts())?;
    for (what, n) in [
        ("waiting", c.waiting),
        ("with a worker", c.taken),
        ("read, to be fetched", c.read),
        ("fetched", c.fetched),
        ("could not be read", c.failed),
    ] {
        line!("{what:<20} {n:>10}")?;
    }
    for failed in backlog.wait(backlog.queue.list(State::Failed))? {
        line!("  {}: {}", failed.name, failed.problem)?;
    }
    Ok(ExitCode::SUCCESS)
}
