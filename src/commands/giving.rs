//! Commands that give the data back on paper and in files.

use super::{Sink, count};
use clap::Args;
use glassine::catalogue::{Catalogue, Record};
use glassine::checking::CheckRules;
use glassine::out;
use glassine::trouble::{Result, Trouble};
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
        Trouble::new(format!("`{part}`"), "is no number of a lot and no range of them")
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
    let say = || format!("`{text}` is neither a number nor LOT=NUMBER, for example 12=3");
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

fn save(path: &Path, bytes: &[u8]) -> Result<()> {
    let mut to = Sink::open(path)?;
    to.write_all(bytes).map_err(|e| {
        Trouble::file(path, "cannot be written").cause(e).hint("check the free space and the permissions")
    })?;
    to.close()
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
