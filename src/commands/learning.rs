//! `glassine learn` and `glassine unlearn`: the reader and a collector's hand.

use super::count;
use crate::output::line;
use glassine::catalogue::{Catalogue, Draft, Folder, Queue, State};
use glassine::cleanup;
use glassine::files;
use glassine::geometry::Quad;
use glassine::intake;
use glassine::learning::training::Course;
use glassine::learning::{self, Line, School, lines};
use glassine::pipeline::Rules;
use glassine::reading::learned::Learned;
use glassine::reading::{NeuralReader, level};
use glassine::runtime::models_folder;
use glassine::trouble::{Result, Trouble};
use image::RgbImage;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// `glassine learn`: the command's arguments.
#[derive(clap::Args, Debug)]
pub struct LearnArgs {
    /// The collection folder.
    pub folder: PathBuf,
    /// Learn from these lines too: a list with tabs between its columns and a
    /// heading, of which `picture` (a file, seen from the list) and `text` are
    /// used; rows without text are passed over. They are kept in the folder for
    /// the next time.
    #[arg(long, value_name = "FILE", conflicts_with = "sheet")]
    pub lines: Option<PathBuf>,
    /// Judge by these lines, a list like that of --lines, and learn from all
    /// others; without it a quarter of them is held back. None is learned from
    /// or kept.
    #[arg(long, value_name = "FILE", conflicts_with = "sheet")]
    pub judge: Option<PathBuf>,
    /// Do not learn: cut lines of the drafts out into this new folder, with the
    /// list lines.tsv, in whose last column you type what stands there, letter by
    /// letter. Leave out what you cannot read.
    #[arg(long, value_name = "NEW-FOLDER")]
    pub sheet: Option<PathBuf>,
    /// How many lines to cut out.
    #[arg(long, value_name = "N", default_value_t = 200)]
    pub count: usize,
}

/// The learned part that reads in `folder`. Where it cannot be used, says so, and
/// the reader that ships reads.
pub fn in_use(folder: &Folder) -> Option<Learned> {
    let usable = || -> Result<Option<Learned>> {
        let Some(learned) = Learned::newest(&folder.reader())? else { return Ok(None) };
        NeuralReader::suited(&models_folder()?, &learned)?;
        Ok(Some(learned))
    };
    usable().unwrap_or_else(|trouble| {
        eprintln!("note: {trouble}");
        None
    })
}

pub fn learn(args: &LearnArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let folder = catalogue.folder().clone();
    let rules = Rules::load(Some(&folder.config()))?;
    if let Some(sheet) = &args.sheet {
        return write_sheet(&catalogue, &rules, sheet, args.count);
    }
    let models = models_folder()?;
    let mut all = settled(&catalogue, &rules)?;
    eprintln!("{} of settled drafts, their text certain.", count(all.len(), "line"));
    let kept = folder.reader().join(LINES).join(LIST);
    if let Some(list) = &args.lines {
        let (given, troubles) = lines::listed(list)?;
        troubles.iter().for_each(|t| eprintln!("error: {t}"));
        keep_lines(&folder, &given)?;
        eprintln!("{} of {}, kept in {}.", count(given.len(), "line"), list.display(), kept.display());
    }
    if kept.exists() {
        let (given, troubles) = lines::listed(&kept)?;
        troubles.iter().for_each(|t| eprintln!("error: {t}"));
        eprintln!("{} written out, from {}.", count(given.len(), "line"), kept.display());
        all.extend(given.into_iter().map(|l| l.1));
    }
    let judges = match &args.judge {
        Some(list) => {
            let (given, troubles) = lines::listed(list)?;
            troubles.iter().for_each(|t| eprintln!("error: {t}"));
            Some(given.into_iter().map(|l| l.1).collect::<Vec<_>>())
        }
        None => None,
    };
    let current = in_use(&folder);
    let day = jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::system()).date().to_string();
    let say = |text: &str| eprintln!("{text}");
    let school = School {
        models: &models,
        folder: &folder.reader(),
        rules: rules.reading,
        current: current.as_ref(),
        judges: judges.as_deref(),
        course: Course::default(),
        day: &day,
    };
    let outcome = learning::learn(&all, &school, &say)?;
    outcome.left_out.iter().for_each(|why| eprintln!("note: left out: {why}"));
    let judged = &outcome.judged;
    let (before, after) = judged.rates();
    line!(
        "Learned from {}; on {} held back ({} characters) the character error rate was {before:.3} before and is {after:.3} after.",
        count(judged.lines, "line"),
        count(judged.held, "line"),
        judged.characters
    )?;
    match &outcome.kept {
        Some(learned) => {
            line!(
                "It is better (surely so in {:.1} of 100 drawings of those lines) and reads from now on, as: {}.",
                judged.sure * 100.0,
                learned.name(&learned.told.base_name)
            )?;
            line!("To go back: glassine unlearn {}", args.folder.display())?;
        }
        None => line!(
            "That is not better by a real margin ({:.1} of 100 drawings of those lines; 95 and a twentieth fewer errors are asked for): the reader stays as it was. More lines may help.",
            judged.sure * 100.0
        )?,
    }
    Ok(ExitCode::SUCCESS)
}

pub fn unlearn(folder: &Path) -> Result<ExitCode> {
    let catalogue = Catalogue::open(folder)?;
    let reader = catalogue.folder().reader();
    match Learned::put_aside(&reader)? {
        Some(aside) => {
            eprintln!("What was learned is put aside as {}.", aside.display());
            match Learned::newest(&reader) {
                Ok(Some(learned)) => {
                    eprintln!("Now reads: {}.", learned.name(&learned.told.base_name));
                }
                _ => eprintln!("Now the reader that ships reads."),
            }
            Ok(ExitCode::SUCCESS)
        }
        None => Err(Trouble::file(folder, "has nothing learned: the reader that ships reads already")
            .hint("nothing is to be done; `glassine learn` learns from what was settled")),
    }
}

/// Where lines that a person wrote out are kept, below the folder's `reader`.
const LINES: &str = "lines";
/// The list of such lines.
const LIST: &str = "lines.tsv";

/// The lines of settled drafts whose text is certain, cut out of their
/// photographs. A photograph that cannot be opened is reported and passed over.
fn settled(catalogue: &Catalogue, rules: &Rules) -> Result<Vec<Line>> {
    let mut lines = Vec::new();
    for draft in drafts(catalogue, State::Settled)? {
        let certain = lines::certain(&draft);
        if certain.is_empty() {
            continue;
        }
        match photograph(&draft, rules) {
            Ok(Some(picture)) => lines.extend(certain.into_iter().map(|(quad, text)| Line {
                picture: level(&picture, &quad, rules.reading.line_height),
                text,
            })),
            Ok(None) => {}
            Err(trouble) => eprintln!("error: {trouble}"),
        }
    }
    Ok(lines)
}

fn drafts(catalogue: &Catalogue, state: State) -> Result<Vec<Draft>> {
    let queue = Queue { state, in_order: true, ..Queue::default() };
    catalogue.drafts(&queue, u32::MAX)?.iter().map(|head| catalogue.draft(head.id)).collect()
}

/// A draft's photograph as reading saw it: upright, in even light.
fn photograph(draft: &Draft, rules: &Rules) -> Result<Option<RgbImage>> {
    let Some(photo) = draft.photo.as_ref() else { return Ok(None) };
    let at = photo.page.map_or(0, |p| p as usize - 1);
    let opened = intake::open(&photo.file, &rules.intake).nth(at);
    let pixels = opened.unwrap_or_else(|| Err(Trouble::file(&photo.file, "has no such page")))?.pixels;
    Ok(Some(cleanup::clean(pixels, &rules.cleanup)))
}

/// Cuts lines of the drafts out into a folder with a list to be filled in.
fn write_sheet(catalogue: &Catalogue, rules: &Rules, sheet: &Path, most: usize) -> Result<ExitCode> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |e: std::io::Error| {
            Trouble::file(&path, "cannot be written")
                .cause(e)
                .hint("name a folder that can be made and written to")
        }
    };
    if sheet.exists() {
        return Err(Trouble::file(sheet, "exists already").hint("name a folder that does not exist yet"));
    }
    let mut all = drafts(catalogue, State::Settled)?;
    all.extend(drafts(catalogue, State::Waiting)?);
    // Every so many lines, so that the whole collection is seen.
    let places: Vec<(usize, Quad, String)> = all
        .iter()
        .enumerate()
        .filter(|(_, d)| d.photo.is_some())
        .flat_map(|(i, d)| {
            let lines = d.reading.labels.iter().flat_map(|l| &l.lines);
            lines.map(move |l| (i, l.quad, l.text())).filter(|l| l.1.width() >= 8.0)
        })
        .collect();
    if places.is_empty() {
        return Err(Trouble::file(
            catalogue.folder().path(),
            "holds no photograph with lines that were read",
        )
        .hint("add photographs with: glassine add FOLDER PHOTOS"));
    }
    let wanted = most.min(places.len());
    let mut by_draft: BTreeMap<usize, Vec<(Quad, String)>> = BTreeMap::new();
    for k in 0..wanted {
        let (draft, quad, text) = places[k * places.len() / wanted].clone();
        by_draft.entry(draft).or_default().push((quad, text));
    }
    std::fs::create_dir_all(sheet).map_err(failed(sheet))?;
    let list = sheet.join(LIST);
    let mut rows = String::from("picture\tphotograph\tread\ttext\n");
    let mut nth = 0;
    for (i, lines) in by_draft {
        let picture = match photograph(&all[i], rules) {
            Ok(Some(picture)) => picture,
            Ok(None) => continue,
            Err(trouble) => {
                eprintln!("error: {trouble}");
                continue;
            }
        };
        for (quad, read) in lines {
            nth += 1;
            let name = format!("{nth:04}.png");
            let path = sheet.join(&name);
            let height = (quad.height().round() as u32).clamp(rules.reading.line_height, 128);
            let saved = level(&picture, &quad, height).save(&path);
            saved.map_err(|e| failed(&path)(std::io::Error::other(e)))?;
            rows.push_str(&format!("{name}\t{}\t{}\t\n", lines::plain(&all[i].name), lines::plain(&read)));
        }
    }
    files::write(&list, rows.as_bytes()).map_err(failed(&list))?;
    eprintln!("Cut {} out into {}.", count(nth, "line"), sheet.display());
    eprintln!(
        "Type into the column `text` of {} what stands in each picture, letter by letter; leave empty what you do not read for sure. Then: glassine learn {} --lines {}",
        list.display(),
        catalogue.folder().path().display(),
        list.display()
    );
    Ok(ExitCode::SUCCESS)
}

/// Keeps lines that a person wrote out, by what their pictures show; what was
/// written of the same picture before is replaced.
fn keep_lines(folder: &Folder, given: &[(PathBuf, Line)]) -> Result<()> {
    let shelf = folder.reader().join(LINES);
    let list = shelf.join(LIST);
    let failed = |e: std::io::Error| {
        Trouble::file(&list, "cannot be written")
            .cause(e)
            .hint("check that the collection folder may be written to")
    };
    std::fs::create_dir_all(&shelf).map_err(failed)?;
    let mut rows: BTreeMap<String, String> = BTreeMap::new();
    if list.exists() {
        let (known, troubles) = lines::listed(&list)?;
        // The list is written anew: a row that cannot be read must not vanish.
        if let Some(trouble) = troubles.into_iter().next() {
            return Err(trouble);
        }
        for (path, line) in known {
            rows.insert(path.file_name().unwrap_or_default().to_string_lossy().into_owned(), line.text);
        }
    }
    for (_, line) in given {
        let hash = blake3::hash(line.picture.as_raw()).to_hex();
        let name = format!("{}.png", &hash[..20]);
        let path = shelf.join(&name);
        if !path.exists() {
            line.picture.save(&path).map_err(|e| failed(std::io::Error::other(e)))?;
        }
        rows.insert(name, line.text.clone());
    }
    let table: String = rows.iter().map(|(name, text)| format!("{name}\t{text}\n")).collect();
    files::write(&list, format!("picture\ttext\n{table}").as_bytes()).map_err(failed)
}
