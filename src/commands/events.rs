//! The command that lists the entries of notebook pages.

use super::print_table;
use crate::output::{self, Output};
use glassine::catalogue::{Catalogue, EVENT_TERMS, Joined, PageEvent};
use glassine::checking::notebook::Beside;
use glassine::files;
use glassine::out;
use glassine::trouble::{Result, Trouble, shown};
use std::io::Write;
use std::path::Path;

pub fn events(folder: &Path, csv: Option<&Path>) -> Result<()> {
    let catalogue = Catalogue::open(folder)?;
    let mut rows = Vec::new();
    let mut all: Vec<PageEvent> = Vec::new();
    for page in catalogue.pages()? {
        let joined = catalogue.joined(page)?;
        for event in catalogue.page_events(page)? {
            let mine: Vec<&Joined> = joined.iter().filter(|j| j.event.nth == event.nth).collect();
            rows.push(row(&event, &mine));
            all.push(event);
        }
    }
    if let Some(to) = csv {
        let mut text = Vec::new();
        out::events_csv(&all, &mut text)?;
        let failed =
            |e| Trouble::file(to, "cannot be written").cause(e).hint("check the folder and its permissions");
        if to.as_os_str() == "-" {
            Output.write_all(&text).map_err(output::failed)?;
        } else {
            files::write(to, &text).map_err(failed)?;
            eprintln!("{}: {} events", shown(to), all.len());
        }
        return Ok(());
    }
    let head = ["page", "entry", "number", "date", "place", "name", "envelopes", "doubts"];
    print_table("Entries of notebook pages", &head, &rows)?;
    if all.iter().flat_map(|e| &e.values).any(|v| v.before.is_some()) {
        eprintln!("before: goes on from the page before; --csv names page and entry");
    }
    Ok(())
}

fn row(event: &PageEvent, joined: &[&Joined]) -> Vec<String> {
    let mut row = vec![event.page.clone(), event.nth.to_string()];
    row.extend(EVENT_TERMS.iter().map(|term| {
        let value = event.values.iter().find(|v| v.term == *term);
        match value {
            Some(v) if v.value.is_empty() => String::new(),
            Some(v) if v.from() == "read" => v.value.clone(),
            // Short, so that it is not cut off; `--csv` names the page before.
            Some(v) => format!("{} ({})", v.value, v.from()),
            None => String::new(),
        }
    }));
    let envelope = |j: &&Joined| {
        let says = |b: Beside| j.compared.iter().any(|c| c.beside == b);
        let sign = match (says(Beside::Differs), says(Beside::Offered)) {
            (true, _) => "!",
            (false, true) => "+",
            _ => "=",
        };
        let what = j.envelope.lot.map_or(format!("draft {}", j.envelope.draft), |l| format!("record {l}"));
        format!("{sign} {what}")
    };
    row.push(joined.iter().map(envelope).collect::<Vec<_>>().join(", "));
    row.push(event.doubts.len().to_string());
    row
}
