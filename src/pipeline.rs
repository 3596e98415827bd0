//! Chains the rooms from a photograph to a draft, over many photographs at
//! once, and checks drafts again when values or tables change. What is understood or
//! doubted is decided in the rooms.
//!
//! Every worker has its own eyes (line finder and reader), takes the next file,
//! and hands what it found to the one place that writes it down. A file that
//! fails is reported and the others go on; when the run is stopped, workers
//! finish the photograph they have in hand.
//!
//! What a person types goes the same way from reading on ([`typed`]).

use crate::catalogue::{Catalogue, Side, State};
use crate::checking::{self, CheckRules, Context, Doubt};
use crate::cleanup::{self, CleanupRules};
use crate::intake::{self, IntakeRules, Photo};
use crate::layout::{self, LayoutRules, LineFinder, NeuralFinder};
use crate::parsing::{self, Parsed};
use crate::reading::learned::Learned;
use crate::reading::{self, NeuralReader, Reader, Reading, ReadingRules, TesseractReader};
use crate::review::{Checker, Typist};
use crate::runtime::models_folder;
use crate::steps::Steps;
use crate::trouble::{Result, Trouble, caught, shown};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant, SystemTime};

/// Which engine reads.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Engine {
    /// The neural reader: our own model where it is installed.
    #[default]
    Neural,
    /// The neural reader with the general PP-OCRv6 small model.
    General,
    /// Tesseract.
    Tesseract,
}

/// The rules of all rooms.
pub struct Rules {
    /// Intake.
    pub intake: IntakeRules,
    /// Cleanup.
    pub cleanup: CleanupRules,
    /// Layout.
    pub layout: LayoutRules,
    /// Reading.
    pub reading: ReadingRules,
    /// Parsing.
    pub parsing: parsing::Rules,
    /// Checking.
    pub checking: CheckRules,
}

impl Rules {
    /// The built-in tables, overlaid by those of `folder` (a collection folder's
    /// `config/`).
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        Ok(Rules {
            intake: IntakeRules::load(folder)?,
            cleanup: CleanupRules::load(folder)?,
            layout: LayoutRules::load(folder)?,
            reading: ReadingRules::load(folder)?,
            parsing: parsing::Rules::load(folder)?,
            checking: CheckRules::load(folder)?,
        })
    }
}

/// What a worker sees and reads with.
pub struct Eyes {
    finder: Box<dyn LineFinder>,
    reader: Box<dyn Reader>,
}

impl Eyes {
    /// Loads the line finder and the reader `engine`; `languages` (as Tesseract
    /// names them) matters to Tesseract alone, `learned` (what the reader learned
    /// of a collector's hand) to our own reader alone.
    ///
    /// # Errors
    /// Names the model that is missing.
    pub fn load(engine: Engine, languages: &str, rules: &Rules, learned: Option<&Learned>) -> Result<Self> {
        let models = models_folder()?;
        // One thread each: with a photograph a worker, more would only wait for
        // one another.
        let finder = NeuralFinder::load(&models, 1, rules.layout)?;
        let reader: Box<dyn Reader> = match engine {
            Engine::Neural => Box::new(NeuralReader::load_learned(&models, 1, rules.reading, learned)?),
            Engine::General => Box::new(NeuralReader::load_general(&models, 1, rules.reading)?),
            Engine::Tesseract => Box::new(TesseractReader::new(languages)?),
        };
        Ok(Eyes { finder: Box::new(finder), reader })
    }

    /// The name of the reader's model.
    pub fn name(&self) -> &str {
        self.reader.name()
    }

    /// The signs of our trade that the reader cannot produce.
    pub fn lacking(&self) -> Vec<char> {
        reading::lacking(&*self.reader)
    }

    /// Reads one photograph. Adds the time each room took to `times`, and saves
    /// intermediate pictures where `steps` asks for it.
    ///
    /// # Errors
    /// Where a network fails or a picture cannot be saved.
    pub fn read(
        &mut self,
        photo: Photo,
        rules: &Rules,
        steps: Option<&Steps>,
        times: &mut Times,
    ) -> Result<Reading> {
        let Photo { facts, pixels } = photo;
        let clean = times.cleanup.of(|| cleanup::clean(pixels, &rules.cleanup));
        let page = times.layout.of(|| layout::look(&clean, &mut *self.finder, &rules.layout))?;
        if let Some(steps) = steps {
            steps.keep(&facts, &clean, &page)?;
        }
        times.reading.of(|| reading::read(&facts, &clean, &page, &mut *self.reader, &rules.reading))
    }
}

/// A clock for one room.
#[derive(Clone, Copy, Debug, Default)]
pub struct Clock(pub Duration);

impl Clock {
    /// Runs `work` and adds the time it took.
    pub fn of<T>(&mut self, work: impl FnOnce() -> T) -> T {
        let start = Instant::now();
        let done = work();
        self.0 += start.elapsed();
        done
    }
}

/// The time spent in each room.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs)]
pub struct Times {
    pub intake: Clock,
    pub cleanup: Clock,
    pub layout: Clock,
    pub reading: Clock,
    pub parsing: Clock,
}

impl Times {
    /// Adds another worker's times.
    pub fn add(&mut self, other: &Times) {
        let pairs = [
            (&mut self.intake, other.intake),
            (&mut self.cleanup, other.cleanup),
            (&mut self.layout, other.layout),
            (&mut self.reading, other.reading),
            (&mut self.parsing, other.parsing),
        ];
        for (mine, theirs) in pairs {
            mine.0 += theirs.0;
        }
    }
}

/// What was made of one photograph.
pub struct Made {
    /// The file it is of, its bytes still in memory so that they can be kept.
    pub file: Arc<intake::File>,
    /// What was read.
    pub reading: Reading,
    /// Its perceptual hash, to find pictures that are nearly the same.
    pub likeness: intake::Likeness,
}

/// Understands and checks one reading.
pub fn understand(reading: &Reading, rules: &Rules, context: &Context) -> (Parsed, Vec<Doubt>) {
    let parsed = parsing::parse(reading, &rules.parsing);
    let doubts = checking::check(&parsed, reading, context, &rules.checking);
    (parsed, doubts)
}

/// What became of a record that a person typed.
#[derive(Clone, Debug)]
pub struct TypedIn {
    /// Its draft.
    pub draft: i64,
    /// Whether the draft is new: the same record of the same file, typed in
    /// before, makes no second one.
    pub new: bool,
    /// What was understood.
    pub parsed: Parsed,
    /// The reasons to look.
    pub doubts: Vec<Doubt>,
    /// The name of another draft without a photograph whose words are the same.
    pub alike: Option<String>,
}

/// Takes the text of one record that `who` typed, now, all the way to a waiting
/// draft without a photograph. `name` says where it came from.
///
/// # Errors
/// The catalogue's own.
pub fn typed(catalogue: &Catalogue, rules: &Rules, name: &str, text: &str, who: &str) -> Result<TypedIn> {
    let reading = Reading::typed(name, text, who, jiff::Timestamp::now());
    // No photograph's hash: every draft that is there is a neighbour.
    let known = catalogue.known("none", None);
    let context = Context::of(&known, &rules.parsing);
    let (parsed, doubts) = understand(&reading, rules, &context);
    let alike = catalogue.typed_alike(&reading.text())?;
    if let Some((draft, _)) = alike.iter().find(|a| a.1 == name) {
        return Ok(TypedIn { draft: *draft, new: false, parsed, doubts, alike: None });
    }
    let entered = catalogue.enter_draft(&reading, &parsed, &doubts)?;
    catalogue.doubt_joined(entered.draft, &rules.checking)?;
    let alike = alike.into_iter().next().map(|a| a.1);
    Ok(TypedIn { draft: entered.draft, new: true, parsed, doubts, alike })
}

/// What is typed now, for people: the time of this place.
pub fn typed_name() -> String {
    let now = jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::system());
    format!("typed {}", now.strftime("%Y-%m-%d %H:%M:%S"))
}

/// How the review page takes typed text in: with the tables of the collection
/// folder as they are now.
pub fn typist(catalogue: &Catalogue) -> Typist {
    let catalogue = catalogue.clone();
    Arc::new(move |text, who| {
        let rules = Rules::load(Some(&catalogue.folder().config()))?;
        let text = intake::typed_text(text, &rules.intake.typed)?;
        Ok(typed(&catalogue, &rules, &typed_name(), &text, who)?.draft)
    })
}

/// Checks drafts again after their values changed, a page with the page after that
/// goes on with its date or place: doubts that no longer hold leave the list, new
/// ones come in. Settled drafts are left as they are.
///
/// # Errors
/// The catalogue's own.
pub fn check_again(catalogue: &Catalogue, rules: &Rules, drafts: &[i64]) -> Result<()> {
    let mut todo: Vec<i64> = drafts.to_vec();
    let mut done = 0;
    while let Some(id) = todo.get(done).copied() {
        done += 1;
        let draft = catalogue.draft(id)?;
        let events = catalogue.page_events(id)?;
        if draft.state != State::Settled {
            let parsed = draft.understood_now(&events);
            let known = catalogue.known_beside(id);
            let context = Context::of(&known, &rules.parsing);
            let doubts = checking::check(&parsed, &draft.reading, &context, &rules.checking);
            catalogue.hold_doubts(id, &doubts)?;
            catalogue.doubt_joined(id, &rules.checking)?;
        }
        // The page after may go on with what stands here.
        if !events.is_empty()
            && let Some(after) = catalogue.page_beside(id, Side::After)?
            && !todo.contains(&after)
            && catalogue.page_events(after)?.iter().any(|e| e.values.iter().any(|v| v.before.is_some()))
        {
            todo.push(after);
        }
    }
    Ok(())
}

/// How the review page checks drafts again: with the tables of the collection
/// folder, read anew when one of them changed.
pub fn checker(catalogue: &Catalogue) -> Checker {
    let catalogue = catalogue.clone();
    let kept: Mutex<Option<(Option<SystemTime>, Arc<Rules>)>> = Mutex::new(None);
    Arc::new(move |drafts| {
        let config = catalogue.folder().config();
        let changed = newest(&config);
        let mut kept = kept.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let rules = match &*kept {
            Some((then, rules)) if *then == changed => rules.clone(),
            _ => {
                let rules = Arc::new(Rules::load(Some(&config))?);
                *kept = Some((changed, rules.clone()));
                rules
            }
        };
        drop(kept);
        check_again(&catalogue, &rules, drafts)
    })
}

/// When the last of a folder's files changed; a removed one changes the folder.
fn newest(folder: &Path) -> Option<SystemTime> {
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|f| f.path());
    let times = files.chain([folder.to_owned()]).filter_map(|f| f.metadata().ok()?.modified().ok());
    times.max()
}

/// What a run over photographs reports, one for each file or page.
pub enum Event {
    /// A file begins: its place in the list.
    Begun(usize),
    /// A photograph of the file was read.
    Read(usize, Box<Made>),
    /// The file, or one of its photographs, cannot be used.
    Failed(Trouble),
    /// Something worth a word about a file that is read all the same.
    Remark(String),
    /// The file is done.
    Done(usize),
    /// A worker ends, with its times.
    Times(Box<Times>),
}

/// How a run works.
pub struct Run<'a> {
    /// The files, in order.
    pub files: &'a [PathBuf],
    /// The rules.
    pub rules: &'a Rules,
    /// How many workers, each a thread with its own eyes.
    pub workers: usize,
    /// Set from outside to stop after the photographs in hand.
    pub stop: &'a AtomicBool,
    /// Where to save intermediate pictures.
    pub steps: Option<&'a Steps>,
    /// Whether a photograph (hash, page) is to be read at all; the catalogue
    /// says no to those it has.
    pub wanted: &'a (dyn Fn(&str, Option<u32>) -> bool + Sync),
}

impl Run<'_> {
    /// Reads all files with eyes made by `eyes`, one pair a worker, and gives
    /// every event to `on` in this thread.
    ///
    /// # Errors
    /// Where the eyes cannot be loaded, or `on` fails; then workers stop.
    pub fn go(
        &self,
        eyes: impl Fn() -> Result<Eyes> + Sync,
        mut on: impl FnMut(Event) -> Result<()>,
    ) -> Result<()> {
        let next = AtomicUsize::new(0);
        // A short queue: a slow writer must not let readings pile up.
        let (sender, receiver) = mpsc::sync_channel(4);
        std::thread::scope(|scope| {
            let mut handles = Vec::new();
            for _ in 0..self.workers.min(self.files.len()).max(1) {
                let (sender, next, eyes) = (sender.clone(), &next, &eyes);
                handles.push(scope.spawn(move || self.work(eyes()?, next, &sender)));
            }
            drop(sender);
            let mut failed = None;
            for event in receiver {
                if failed.is_none()
                    && let Err(trouble) = on(event)
                {
                    self.stop.store(true, Ordering::Relaxed);
                    failed = Some(trouble);
                }
            }
            for handle in handles {
                if let Err(trouble) = handle.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)) {
                    failed = failed.or(Some(trouble));
                }
            }
            failed.map_or(Ok(()), Err)
        })
    }

    fn work(&self, mut eyes: Eyes, next: &AtomicUsize, sender: &mpsc::SyncSender<Event>) -> Result<()> {
        let mut times = Times::default();
        // Sending fails only when the receiving side has gone; then stop.
        while !self.stop.load(Ordering::Relaxed) {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(path) = self.files.get(at) else { break };
            if sender.send(Event::Begun(at)).is_err() {
                break;
            }
            if let Err(trouble) = self.file(at, path, &mut eyes, &mut times, sender)
                && sender.send(Event::Failed(trouble)).is_err()
            {
                break;
            }
            if sender.send(Event::Done(at)).is_err() {
                break;
            }
        }
        // The receiver may have gone; the times are then of no use either.
        let _ = sender.send(Event::Times(Box::new(times)));
        Ok(())
    }

    fn file(
        &self,
        at: usize,
        path: &Path,
        eyes: &mut Eyes,
        times: &mut Times,
        sender: &mpsc::SyncSender<Event>,
    ) -> Result<()> {
        let file = times.intake.of(|| intake::load(path, &self.rules.intake))?;
        self.photos(at, Arc::new(file), eyes, times, &mut |event| sender.send(event).is_ok());
        Ok(())
    }

    /// Reads the photographs of one file that is in memory and gives `each` what
    /// came of every one, until it says no; `at` is the file's place, for the
    /// events.
    pub fn photos(
        &self,
        at: usize,
        file: Arc<intake::File>,
        eyes: &mut Eyes,
        times: &mut Times,
        each: &mut dyn FnMut(Event) -> bool,
    ) {
        let path = &file.path;
        let several = matches!(file.kind, intake::Kind::Pdf | intake::Kind::Tiff);
        if !several && !(self.wanted)(&file.hash, None) {
            return;
        }
        for remark in &file.remarks {
            if !each(Event::Remark(remark.to_string())) {
                return;
            }
        }
        let mut photos = file.photos(&self.rules.intake);
        while let Some(photo) = times.intake.of(|| photos.next()) {
            let made = photo.and_then(|photo| {
                if several && !(self.wanted)(&file.hash, photo.facts.page) {
                    return Ok(None);
                }
                let page = photo.facts.page.map_or(String::new(), |p| format!(", page {p}"));
                let made = caught(|| {
                    let likeness = intake::Likeness::of(&photo.pixels);
                    let reading = eyes.read(photo, self.rules, self.steps, times)?;
                    Ok(Some(Made { file: file.clone(), reading, likeness }))
                });
                // A picture no room was made for must not end the run.
                made.unwrap_or_else(|| {
                    Err(Trouble::new(
                        format!("{}{page}", shown(path)),
                        "could not be read: a fault of this program",
                    )
                    .hint("add it once more by itself; if that fails too, please report it with the picture"))
                })
            });
            let on = match made {
                Ok(Some(made)) => each(Event::Read(at, Box::new(made))),
                Ok(None) => continue,
                Err(trouble) => each(Event::Failed(trouble)),
            };
            if !on || self.stop.load(Ordering::Relaxed) {
                break;
            }
        }
    }
}
