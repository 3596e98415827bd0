//! Commands that give the data back on paper and in files.

use super::{Sink, count, ending};
use clap::Args;
use glassine::catalogue::{Catalogue, Record, StageRules, Thing};
use glassine::checking::CheckRules;
use glassine::trouble::{Result, Trouble};
use glassine::{out, parsing};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Which settled lots.
#[derive(Args, Debug)]
pub struct Choice {
    /// Only these lots, by number: 3,7-12. Without it and --find, all settled
    /// lots.
    #[arg(long, value_name = "NUMBERS")]
    lots: Option<String>,
    /// Only lots in which these words stand, as the command find has them.
    #[arg(long, value_name = "WORDS")]
    find: Option<String>,
}

impl Choice {
    /// The chosen records, in the order of their numbers.
    fn records(&self, catalogue: &Catalogue) -> Result<Vec<Record>> {
        let found: Option<BTreeSet<i64>> = match &self.find {
            None => None,
            Some(words) => Some(catalogue.search(words, u32::MAX)?.iter().map(|h| h.lot).collect()),
        };
        let records: Vec<Record> = match &self.lots {
            Some(text) => numbers(text)?
                .into_iter()
                .filter(|lot| found.as_ref().is_none_or(|f| f.contains(lot)))
                .map(|lot| catalogue.record(lot))
                .collect::<Result<_>>()?,
            None => match &found {
                Some(found) => found.iter().map(|lot| catalogue.record(*lot)).collect::<Result<_>>()?,
                None => catalogue.records().collect::<Result<_>>()?,
            },
        };
        if records.is_empty() {
            return Err(Trouble::new("lots", "none is chosen")
                .hint("settle drafts first (glassine review FOLDER), or choose by other numbers or words"));
        }
        Ok(records)
    }
}

/// The numbers of a list such as `3,7-12`, in order, none twice.
fn numbers(text: &str) -> Result<BTreeSet<i64>> {
    let wrong = |part: &str| {
        Trouble::new(format!("“{part}”"), "is no number of a lot and no range of them")
            .hint("write numbers parted by commas, and ranges with a hyphen: 3,7-12")
    };
    let mut lots = BTreeSet::new();
    for part in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let number = |t: &str| t.trim().parse::<i64>().ok().filter(|n| *n > 0).ok_or_else(|| wrong(part));
        let (first, last) = (number(first)?, number(last)?);
        if last < first || last - first > 1_000_000 {
            return Err(wrong(part));
        }
        lots.extend(first..=last);
    }
    if lots.is_empty() { Err(wrong(text)) } else { Ok(lots) }
}

/// How many animals were mounted: one number for all, or LOT=N for one.
#[derive(Clone, Copy, Debug)]
struct MountedOf {
    lot: Option<i64>,
    animals: usize,
}

fn mounted_of(text: &str) -> std::result::Result<MountedOf, String> {
    let say = || format!("“{text}” is neither a number nor LOT=NUMBER, for example 12=3");
    let (lot, animals) = match text.split_once('=') {
        Some((lot, animals)) => (Some(lot.trim().parse().map_err(|_| say())?), animals),
        None => (None, text),
    };
    let animals = animals.trim().parse().ok().filter(|n| (1..=999).contains(n)).ok_or_else(say)?;
    Ok(MountedOf { lot, animals })
}

#[derive(Args, Debug)]
pub struct LabelsArgs {
    /// The collection folder.
    folder: PathBuf,
    #[command(flatten)]
    choice: Choice,
    /// How many animals of each lot were mounted: a number for all, or
    /// LOT=NUMBER for one lot; may be given several times. By default as many
    /// as have a number of their own, at least 1.
    #[arg(long, value_name = "N", value_parser = mounted_of)]
    mounted: Vec<MountedOf>,
    /// Labels for containers in place of labels for the pin: all of them, or
    /// those named: --containers "Drawer 7" --containers "Box 3".
    #[arg(long, value_name = "CODE", num_args = 0..=1, require_equals = false, default_missing_value = "",
          conflicts_with_all = ["lots", "find", "mounted", "first"])]
    containers: Vec<String>,
    /// Print on a container's label what lies in it now, by stage and name.
    #[arg(long, requires = "containers")]
    contents: bool,
    /// The place in the lot of the first animal, from 1: where some of a lot
    /// were mounted before, go on after them.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=9999))]
    first: u32,
    /// Write the PDF here; `-` is standard output.
    #[arg(long, value_name = "FILE", default_value = "labels.pdf")]
    to: PathBuf,
}

pub fn labels(args: &LabelsArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let config = catalogue.folder().config();
    let rules = out::LabelRules::load(Some(&config))?;
    if !args.containers.is_empty() {
        return container_labels(args, &catalogue, &rules);
    }
    let records = args.choice.records(&catalogue)?;
    let all = args.mounted.iter().rev().find(|m| m.lot.is_none()).map(|m| m.animals);
    for of in &args.mounted {
        if let Some(lot) = of.lot.filter(|lot| !records.iter().any(|r| r.lot == *lot)) {
            return Err(Trouble::new(
                format!("--mounted {lot}={}", of.animals),
                "names a lot that is not chosen",
            )
            .hint("choose it with --lots or --find, or leave it out"));
        }
    }
    let mounted: Vec<out::Mounted> = records
        .into_iter()
        .map(|record| {
            let own = args.mounted.iter().rev().find(|m| m.lot == Some(record.lot)).map(|m| m.animals);
            let animals = own.or(all).unwrap_or(record.specimens.len().max(1));
            out::Mounted { record, animals, first: args.first as usize }
        })
        .collect();
    let made = out::labels(&mounted, &rules)?;
    save(&args.to, &made.pdf)?;
    remind(mounted.iter().map(|m| &m.record), &config)?;
    eprintln!(
        "{} of {} on {} to {}. Print at 100 % (no fitting to the page) and hold a ruler to the bar of 50 mm before you cut.",
        count(made.places.len(), "label"),
        count(mounted.len(), "lot"),
        count(made.sheets, "sheet"),
        args.to.display()
    );
    Ok(ExitCode::SUCCESS)
}

fn container_labels(args: &LabelsArgs, catalogue: &Catalogue, rules: &out::LabelRules) -> Result<ExitCode> {
    let store = catalogue.store();
    let mut containers = catalogue.wait(store.containers(None))?;
    let named: Vec<&String> = args.containers.iter().filter(|c| !c.is_empty()).collect();
    if !named.is_empty() {
        let mut wanted = BTreeSet::new();
        for code in named {
            let Thing::Container(id) = catalogue.wait(store.thing(&format!("container {code}")))? else {
                return Err(Trouble::new(code, "is no container").hint(super::keeping::NAMED));
            };
            wanted.insert(id);
        }
        containers.retain(|c| wanted.contains(&c.id));
    }
    if containers.is_empty() {
        return Err(Trouble::new("containers", "there are none yet")
            .hint("make one first: glassine container FOLDER \"Drawer 7\" --kind drawer"));
    }
    let stages = StageRules::load(Some(&catalogue.folder().config()))?;
    let mut labels = Vec::with_capacity(containers.len());
    for container in containers {
        let held =
            if args.contents { Some(catalogue.wait(store.held_in(container.id, &stages))?) } else { None };
        labels.push((container, held));
    }
    let made = out::container_labels(&labels, rules)?;
    save(&args.to, &made.pdf)?;
    eprintln!(
        "{} for containers on {} to {}. Print at 100 % (no fitting to the page) and hold a ruler to the bar of 50 mm before you cut.",
        count(made.places.len(), "label"),
        count(made.sheets, "sheet"),
        args.to.display()
    );
    Ok(ExitCode::SUCCESS)
}

/// Says once what the labels of the chosen lots call care for.
fn remind<'a>(records: impl Iterator<Item = &'a Record>, config: &Path) -> Result<()> {
    let rules = CheckRules::load(Some(config))?;
    let mut said: Vec<(String, Vec<i64>)> = Vec::new();
    for record in records {
        let mut text = format!("{}\n{}", record.verbatim_label, record.note);
        for value in &record.values {
            text.push('\n');
            text.push_str(&value.value);
        }
        for caution in rules.cautions.iter().filter(|c| c.words.is_match(&text)) {
            match said.iter_mut().find(|s| s.0 == caution.sentence) {
                Some((_, lots)) => lots.push(record.lot),
                None => said.push((caution.sentence.clone(), vec![record.lot])),
            }
        }
    }
    for (sentence, lots) in said {
        let list: Vec<String> = lots.iter().take(10).map(i64::to_string).collect();
        let more = if lots.len() > 10 { format!(" and {} more", lots.len() - 10) } else { String::new() };
        eprintln!("caution: lot {}{more}: {sentence}", list.join(", "));
    }
    Ok(())
}

#[derive(Args, Debug)]
pub struct WriteArgs {
    /// The collection folder.
    folder: PathBuf,
    /// Write CSV here; `-` is standard output.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write JSON Lines here; `-` is standard output.
    #[arg(long, value_name = "FILE")]
    jsonl: Option<PathBuf>,
    /// Write a Darwin Core Archive here: occurrences, every name given,
    /// photographs, and what config/dataset.toml says of the collection.
    #[arg(long, value_name = "FILE.zip")]
    archive: Option<PathBuf>,
    /// Write GeoJSON here (RFC 7946), a point a record; `-` is standard output.
    #[arg(long, value_name = "FILE")]
    geojson: Option<PathBuf>,
    /// Write Parquet here.
    #[arg(long, value_name = "FILE")]
    parquet: Option<PathBuf>,
    /// Write what was read of each settled record's photograph, with the place
    /// of every word, as ALTO 4 into this folder, a file a lot.
    #[arg(long, value_name = "FOLDER")]
    alto: Option<PathBuf>,
    /// The same as PAGE XML.
    #[arg(long, value_name = "FOLDER")]
    page: Option<PathBuf>,
    /// Put records of the taxa and places of config/sensitive.toml into a grid
    /// of this size and withhold what gives the place away: 0.1deg or 10km.
    #[arg(long, value_name = "SIZE")]
    coarsen: Option<out::CellSize>,
    /// Coarsen every record, not only the sensitive ones.
    #[arg(long, requires = "coarsen")]
    coarsen_all: bool,
}

pub fn write(args: &WriteArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let config = catalogue.folder().config();
    let coarsening = coarsening(args.coarsen, args.coarsen_all, &config)?;
    let from = out::Source { catalogue: &catalogue, coarsening: coarsening.as_ref() };
    type Writer<'w> = &'w dyn Fn(&mut Sink) -> Result<u64>;
    let archive = |to: &mut Sink| out::archive(from, &out::DatasetRules::load(Some(&config))?, today(), to);
    let files: [(&Option<PathBuf>, Writer); 5] = [
        (&args.csv, &|to| out::csv(from, to)),
        (&args.jsonl, &|to| out::jsonl(from, to)),
        (&args.archive, &archive),
        (&args.geojson, &|to| out::geojson(from, to)),
        (&args.parquet, &|to| out::parquet(from, to)),
    ];
    let mut any = false;
    for (path, writer) in files {
        let Some(path) = path else { continue };
        any = true;
        let mut to = Sink::open(path)?;
        let rows = writer(&mut to)?;
        to.close()?;
        eprintln!("{} to {}.", count(rows as usize, "record"), path.display());
    }
    for (folder, form) in [(&args.alto, Form::Alto), (&args.page, Form::Page)] {
        let Some(folder) = folder else { continue };
        any = true;
        readings(from, folder, form)?;
    }
    if !any {
        return Err(Trouble::new("write", "no file is named").hint(
            "say where to: --csv FILE, --jsonl FILE, --archive FILE.zip and others (glassine write --help); \
             - is standard output",
        ));
    }
    exactly_or_not(from, args.coarsen, &config)?;
    Ok(ExitCode::SUCCESS)
}

/// A form of readings with the place of every word.
#[derive(Clone, Copy)]
enum Form {
    Alto,
    Page,
}

/// Writes the reading of every settled record's photograph into `folder`.
fn readings(from: out::Source, folder: &Path, form: Form) -> Result<()> {
    std::fs::create_dir_all(folder).map_err(|e| {
        Trouble::file(folder, "cannot be made").cause(e).hint("name a folder you may write to")
    })?;
    let (mut written, mut without, mut withheld) = (0, 0, 0);
    from.each(|record, _| {
        let exact = out::Source::from(from.catalogue).rows(record);
        if from.coarsening.is_some_and(|c| exact.iter().any(|r| c.concerns(r))) {
            withheld += 1;
            return Ok(());
        }
        let (Some(draft), Some(_)) = (record.draft, &record.photo) else {
            without += 1;
            return Ok(());
        };
        let reading = from.catalogue.draft(draft)?.reading;
        let bytes = match form {
            Form::Alto => out::alto(&reading)?,
            Form::Page => out::page_xml(&reading, jiff::Timestamp::now())?,
        };
        save(&folder.join(format!("lot-{:05}.xml", record.lot)), &bytes)?;
        written += 1;
        Ok(())
    })?;
    let mut said = format!("{} to {}", count(written, "reading"), folder.display());
    if without > 0 {
        said.push_str(&format!("; {} without a photograph left out", count(without, "record")));
    }
    if withheld > 0 {
        said.push_str(&format!(
            "; {} of sensitive records withheld, since the label tells the place",
            count(withheld, "reading")
        ));
    }
    eprintln!("{said}.");
    Ok(())
}

/// Today, in UTC.
fn today() -> jiff::civil::Date {
    jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date()
}

fn coarsening(size: Option<out::CellSize>, all: bool, config: &Path) -> Result<Option<out::Coarsening>> {
    size.map(|size| out::Coarsening::new(size, out::SensitiveRules::load(Some(config))?, all)).transpose()
}

/// Says how many records of sensitive taxa and places went out, and how.
fn exactly_or_not(from: out::Source, size: Option<out::CellSize>, config: &Path) -> Result<()> {
    let rules = out::SensitiveRules::load(Some(config))?;
    let listed = !(rules.taxa.is_empty() && rules.places.is_empty());
    let all = from.coarsening.is_some();
    if !listed && !all {
        return Ok(());
    }
    let by_list = out::Coarsening::new(out::CellSize::Degrees(0.1), rules, !listed)?;
    let judge = from.coarsening.unwrap_or(&by_list);
    let exact = out::Source::from(from.catalogue);
    let mut concerned = 0;
    exact.pieces(
        |records| {
            let of = |rows: Vec<out::Row>| rows.iter().filter(|r| judge.concerns(r)).count();
            records.map(|record| Ok(of(record?.1))).sum()
        },
        |of: usize| {
            concerned += of;
            Ok(())
        },
    )?;
    match size {
        Some(size) => eprintln!("{} went out in a grid of {size} cells.", count(concerned, "record")),
        None if concerned > 0 => eprintln!(
            "caution: {} of sensitive taxa or places (config/sensitive.toml) went out with the exact place; \
             --coarsen 0.1deg coarsens them. Heed your permit and the owner of the land before you pass them on.",
            count(concerned, "record")
        ),
        None => {}
    }
    Ok(())
}

fn save(path: &Path, bytes: &[u8]) -> Result<()> {
    let mut to = Sink::open(path)?;
    to.write_all(bytes).map_err(|e| {
        Trouble::file(path, "cannot be written").cause(e).hint("check the free space and the permissions")
    })?;
    to.close()
}

#[derive(Args, Debug)]
pub struct EnvelopesArgs {
    /// The collection folder: its config/envelopes.toml says the measures.
    folder: PathBuf,
    /// The number of the first envelope; go on where the last print ended, so
    /// that no number comes twice.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    from: u32,
    /// How many envelopes.
    #[arg(long, value_name = "N", default_value_t = 40, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    count: u32,
    /// Write the PDF here; `-` is standard output.
    #[arg(long, value_name = "FILE", default_value = "envelopes.pdf")]
    to: PathBuf,
}

pub fn envelopes(args: &EnvelopesArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let rules = out::EnvelopeRules::load(Some(&catalogue.folder().config()))?;
    let made = out::envelopes(args.from, args.count, &rules)?;
    let last = args.from.saturating_add(args.count - 1);
    // A number that a settled lot has already would find two lots.
    let taken: Vec<&str> = made
        .places
        .iter()
        .map(|p| p.0.as_str())
        .filter(|code| {
            let found = catalogue.search(&format!("\"{code}\""), 50).unwrap_or_default();
            found.iter().any(|head| head.value("catalogNumber") == *code)
        })
        .collect();
    if let Some(code) = taken.first() {
        let more = if taken.len() > 1 { format!(" and {} more", taken.len() - 1) } else { String::new() };
        return Err(Trouble::new(format!("number {code}{more}"), "is in the catalogue already").hint(
            "begin after the highest number in use: --from N, or begin a new run in config/envelopes.toml",
        ));
    }
    save(&args.to, &made.pdf)?;
    eprintln!(
        "{} ({} to {}) on {} to {}. Print at 100 %; the next print begins with --from {}.",
        count(made.places.len(), "envelope"),
        out::envelope_code(&rules.run, args.from),
        out::envelope_code(&rules.run, last),
        count(made.sheets, "sheet"),
        args.to.display(),
        u64::from(last) + 1
    );
    Ok(ExitCode::SUCCESS)
}

/// Coarsening of reports and plots.
#[derive(Args, Debug)]
struct CoarsenArgs {
    /// Coarsen records of the taxa and places of config/sensitive.toml to a
    /// grid of this size: 0.1deg or 10km.
    #[arg(long, value_name = "SIZE")]
    coarsen: Option<out::CellSize>,
    /// Coarsen every record, not only the sensitive ones.
    #[arg(long, requires = "coarsen")]
    coarsen_all: bool,
}

#[derive(Args, Debug)]
pub struct ReportArgs {
    /// The collection folder.
    folder: PathBuf,
    #[command(flatten)]
    choice: Choice,
    /// The title of the report.
    #[arg(long, value_name = "TEXT", default_value = "Collecting report")]
    title: String,
    /// For whom it is.
    #[arg(long = "for", value_name = "TEXT")]
    whom: Option<String>,
    /// The number of the permit.
    #[arg(long, value_name = "TEXT")]
    permit: Option<String>,
    /// Only lots collected on this day or later, for example 2026-01-01.
    #[arg(long, value_name = "DAY")]
    since: Option<jiff::civil::Date>,
    /// Only lots collected on this day or earlier.
    #[arg(long, value_name = "DAY")]
    until: Option<jiff::civil::Date>,
    /// The sheet.
    #[arg(long, value_enum, default_value_t = PaperArg::A4)]
    paper: PaperArg,
    #[command(flatten)]
    coarsen: CoarsenArgs,
    /// Write the PDF here; `-` is standard output.
    #[arg(long, value_name = "FILE", default_value = "report.pdf")]
    to: PathBuf,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum PaperArg {
    /// 210 by 297 mm.
    A4,
    /// 215.9 by 279.4 mm.
    Letter,
}

pub fn report(args: &ReportArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let config = catalogue.folder().config();
    let coarsening = coarsening(args.coarsen.coarsen, args.coarsen.coarsen_all, &config)?;
    let from = out::Source { catalogue: &catalogue, coarsening: coarsening.as_ref() };
    let mut records = args.choice.records(&catalogue)?;
    let (mut collectors, mut undated) = (BTreeSet::new(), 0);
    if args.since.is_some() || args.until.is_some() {
        records.retain(|record| {
            let Some((first, last)) = parsing::dates::days_of(record.value("eventDate")) else {
                undated += 1;
                return false;
            };
            args.since.is_none_or(|day| first >= day) && args.until.is_none_or(|day| last <= day)
        });
        if records.is_empty() {
            return Err(Trouble::new("the report", "has no lot between these days")
                .hint("choose other days with --since and --until"));
        }
    }
    for record in &records {
        collectors
            .extend(record.value("recordedBy").split(" | ").filter(|p| !p.is_empty()).map(String::from));
    }
    let lots: Vec<Vec<out::Row>> = records.iter().map(|r| from.rows(r)).collect();
    let lines = out::report_lines(lots.iter().map(Vec::as_slice));
    let mut head = Vec::new();
    head.extend(args.whom.as_ref().map(|w| format!("For: {w}")));
    head.extend(args.permit.as_ref().map(|p| format!("Permit: {p}")));
    let day = |d: &jiff::civil::Date| out::label_date(&d.to_string());
    match (&args.since, &args.until) {
        (Some(since), Some(until)) => head.push(format!("Collected from {} to {}", day(since), day(until))),
        (Some(since), None) => head.push(format!("Collected since {}", day(since))),
        (None, Some(until)) => head.push(format!("Collected until {}", day(until))),
        (None, None) => {}
    }
    if !collectors.is_empty() {
        head.push(format!("Collected by {}", collectors.into_iter().collect::<Vec<_>>().join(", ")));
    }
    if let Some(size) = args.coarsen.coarsen {
        head.push(format!(
            "Places of sensitive records are given by a {size} grid or by their larger units only."
        ));
    }
    head.push(format!(
        "Printed {}. A dash under Animals: their number is not known of every lot.",
        day(&today())
    ));
    let paper = match args.paper {
        PaperArg::A4 => out::Paper::A4,
        PaperArg::Letter => out::Paper::Letter,
    };
    let head = out::ReportHead { title: args.title.clone(), lines: head, paper };
    save(&args.to, &out::report(&head, &lines)?)?;
    remind(records.iter(), &config)?;
    if undated > 0 {
        eprintln!("note: {} left out, since no day of theirs can be told.", count(undated, "lot"));
    }
    eprintln!(
        "{} of {} to {}. What a permit asks for is said in the permit: check it before you send the report.",
        count(lines.len(), "line"),
        count(records.len(), "lot"),
        args.to.display()
    );
    Ok(ExitCode::SUCCESS)
}

#[derive(Args, Debug)]
pub struct PlotsArgs {
    /// The collection folder.
    folder: PathBuf,
    #[command(flatten)]
    choice: Choice,
    /// The title of the plots; by default the words looked for.
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    #[command(flatten)]
    coarsen: CoarsenArgs,
    /// Write flight-time.svg, flight-elevation.svg and map.svg into this folder.
    #[arg(long, value_name = "FOLDER", default_value = "plots")]
    to: PathBuf,
}

pub fn plots(args: &PlotsArgs) -> Result<ExitCode> {
    let catalogue = Catalogue::open(&args.folder)?;
    let config = catalogue.folder().config();
    let coarsening = coarsening(args.coarsen.coarsen, args.coarsen.coarsen_all, &config)?;
    let from = out::Source { catalogue: &catalogue, coarsening: coarsening.as_ref() };
    let points: Vec<out::PlotPoint> = args
        .choice
        .records(&catalogue)?
        .iter()
        .filter_map(|r| from.rows(r).first().map(out::PlotPoint::of))
        .collect();
    std::fs::create_dir_all(&args.to).map_err(|e| {
        Trouble::file(&args.to, "cannot be made").cause(e).hint("name a folder you may write to")
    })?;
    let title = args.title.as_ref().or(args.choice.find.as_ref()).map_or("All settled lots", String::as_str);
    type Plot = fn(&str, &[out::PlotPoint]) -> Result<String>;
    let plots: [(&str, Plot); 3] = [
        ("flight-time.svg", out::flight_time),
        ("flight-elevation.svg", out::flight_elevation),
        ("map.svg", out::map),
    ];
    let mut drawn = 0;
    for (file, plot) in plots {
        match plot(title, &points) {
            Ok(svg) => {
                save(&args.to.join(file), svg.as_bytes())?;
                drawn += 1;
            }
            Err(trouble) => eprintln!("error: {file}: {trouble}"),
        }
    }
    eprintln!("{} of {} to {}.", count(drawn, "plot"), count(points.len(), "lot"), args.to.display());
    Ok(ending(false, 3 - drawn, drawn))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lots_are_named_by_number_and_range() {
        assert_eq!(numbers("3,7-9, 7").unwrap().into_iter().collect::<Vec<_>>(), [3, 7, 8, 9]);
        for wrong in ["", "x", "3-", "9-7", "0", "1-99999999"] {
            let error = numbers(wrong).unwrap_err().to_string();
            assert!(error.contains("3,7-12"), "{error}");
        }
    }

    #[test]
    fn the_number_mounted_is_for_all_or_for_one_lot() {
        assert_eq!(mounted_of("4").unwrap().animals, 4);
        let one = mounted_of("12=3").unwrap();
        assert_eq!((one.lot, one.animals), (Some(12), 3));
        for wrong in ["", "0", "12=", "=3", "many", "12=0"] {
            assert!(mounted_of(wrong).is_err(), "{wrong}");
        }
    }
}
