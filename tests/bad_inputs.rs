//! A folder of two hundred bad inputs, made by `bad/mod.rs`: none crashes the
//! program, holds it up for ten seconds or hides another, and each message names
//! the file, the fact and the next step. Also a full disk, and files that may not
//! be read.

#![cfg(unix)]

mod bad;

use bad::{Bad, Fate, JPEG, Made, make};
use glassine::checking::batch::{BatchOptions, run};
use glassine::intake::{self, IntakeRules, find};
use glassine::trouble::{Trouble, shown};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_secs(10);

fn made() -> (tempfile::TempDir, Made) {
    let root = tempfile::tempdir().unwrap();
    let made = make(root.path());
    (root, made)
}

/// The trouble names the file so that a person finds it, on one line, and says
/// what to do.
fn helps(trouble: &Trouble, path: &Path) {
    let name = shown(path.file_name().unwrap());
    assert!(trouble.subject.contains(&name), "{name} is named: {trouble}");
    assert!(!trouble.fact.is_empty() && !trouble.hint.is_empty(), "{name}: {trouble}");
    let said = trouble.to_string();
    let first = said.lines().next().unwrap();
    assert!(first.contains(&name), "{name} stands on one line: {said:?}");
    assert!(!said.contains(|c: char| c.is_control() && c != '\n' || c == '\u{202e}'), "{said:?}");
}

fn fated(bad: &Bad, troubles: &[String], used: bool) {
    let said = troubles.join("\n");
    match bad.fate {
        Fate::Refused(why) => assert!(!troubles.is_empty() && said.contains(why), "{:?}: {said}", bad.path),
        Fate::Used => assert!(used, "{:?} is used: {said}", bad.path),
        Fate::Any => assert!(used || !troubles.is_empty(), "{:?}: nothing is said", bad.path),
    }
}

fn timed<T>(path: &Path, work: impl FnOnce() -> T) -> T {
    let began = Instant::now();
    let done = work();
    // What the rules give a decoder, and a little for a busy machine.
    let took = began.elapsed();
    assert!(took < PATIENCE + Duration::from_secs(5), "{path:?} took {took:?}");
    if took > Duration::from_secs(1) {
        println!("{path:?} took {took:?}");
    }
    done
}

#[test]
fn two_hundred_and_more_are_made() {
    let (_root, made) = made();
    println!("{} photographs, {} tables", made.photos.len(), made.tables.len());
    assert!(made.count() >= 200, "{}", made.count());
}

#[test]
fn every_bad_photograph_is_named_and_every_good_one_read() {
    let (root, made) = made();
    let mut rules = IntakeRules::load(None).unwrap();
    // A few files keep a decoder busy to the end of its time.
    rules.limits.seconds = 1;
    rules.pdf.dpi = 72.0;
    let found = find(&[root.path().join("photos")]);
    for bad in &made.photos {
        let alone = find(std::slice::from_ref(&bad.path));
        let missing = found.troubles.iter().filter(|t| t.subject == shown(&bad.path));
        let mut troubles: Vec<String> = missing
            .map(|t| {
                helps(t, &bad.path);
                t.to_string()
            })
            .collect();
        let listed = found.files.contains(&bad.path);
        let folder = bad.path.is_dir();
        assert!(listed || folder || !troubles.is_empty(), "{:?} is passed over silently", bad.path);
        assert!(alone.files.len() + alone.troubles.len() > 0, "{:?}", bad.path);
        let mut used = folder && troubles.is_empty();
        if listed {
            timed(&bad.path, || {
                for photo in intake::open(&bad.path, &rules) {
                    match photo {
                        Ok(photo) => {
                            used |= photo.pixels.width() > 0;
                            assert!(!photo.facts.name.contains(char::is_control), "{:?}", photo.facts.name);
                        }
                        Err(trouble) => {
                            helps(&trouble, &bad.path);
                            troubles.push(trouble.to_string());
                        }
                    }
                }
            });
        }
        fated(bad, &troubles, used);
    }
    assert!(found.files.iter().any(|f| f.ends_with("folder.jpg/inside.jpg")), "a folder named as a picture");
}

#[test]
fn every_bad_table_is_checked_or_named_and_stays_as_it_was() {
    let (root, made) = made();
    let to = |name: &str| root.path().join(name);
    for bad in &made.tables {
        let size = bad.path.metadata().unwrap().len();
        let options = BatchOptions {
            file: bad.path.clone(),
            doubts: Some(to("doubts.csv")),
            page: Some(to("page.html")),
            amended: Some(to("amended")),
            ..BatchOptions::default()
        };
        let mut said = Vec::new();
        let outcome = timed(&bad.path, || run(&options, &mut said));
        let name = bad.path.file_name().unwrap().to_str().unwrap();
        match outcome {
            Ok(summary) => {
                let said: Vec<String> =
                    summary.damages.iter().map(|d| format!("row {}: {}", d.0, d.1)).collect();
                // A row that stands behind the bad one is looked at, too.
                if ["long-row.csv", "long-row.tsv", "endless-line.csv", "nuls-in-cells.csv"].contains(&name)
                    || name.ends_with(".jsonl")
                {
                    let good = if name.ends_with(".jsonl") { 2 } else { 1 };
                    assert!(summary.rows >= good, "{name}: {summary:?}");
                }
                let page = std::fs::read_to_string(to("page.html")).unwrap();
                assert!(!page.contains("<script>alert") && !page.contains("<img src=x"), "{name}");
                fated(bad, &said, true);
            }
            Err(trouble) => {
                helps(&trouble, &bad.path);
                fated(bad, &[trouble.to_string()], false);
            }
        }
        assert_eq!(bad.path.metadata().unwrap().len(), size);
    }
    nothing_slipped_out(root.path());
}

/// No archive wrote beside itself.
fn nothing_slipped_out(root: &Path) {
    for place in [root.join("slipped.csv"), root.join("tables/slipped.csv"), "/tmp/slipped.csv".into()] {
        assert!(!place.exists(), "{place:?}");
    }
    assert!(!root.parent().unwrap().join("slipped.csv").exists());
}

#[test]
fn a_row_behind_a_line_without_end_is_still_checked() {
    let (_root, made) = made();
    let path = &made.tables.iter().find(|t| t.path.ends_with("endless-line.csv")).unwrap().path;
    let options = BatchOptions { file: path.clone(), ..BatchOptions::default() };
    let summary = timed(path, || run(&options, &mut Vec::new())).unwrap();
    assert_eq!((summary.rows, summary.damaged), (2, 1), "{summary:?}");
    assert_eq!(summary.damages[0].0, 3);
    assert!(summary.damages[0].1.contains("longer than 1 MiB"), "{:?}", summary.damages);
    let refused =
        intake::records(path, &IntakeRules::load(None).unwrap().records, &intake::Columns::default())
            .unwrap_err()
            .to_string();
    assert!(
        refused.contains("more than the 128 MiB allowed") && refused.contains("records.file_mib"),
        "{refused}"
    );
}

#[test]
fn the_limits_of_records_are_those_of_the_folders_table() {
    let folder = tempfile::tempdir().unwrap();
    let with = |own: &str| {
        std::fs::write(folder.path().join("intake.toml"), own).unwrap();
        IntakeRules::load(Some(folder.path()))
    };
    let file = folder.path().join("old.csv");
    let long = "a".repeat(5000);
    std::fs::write(&file, format!("occurrenceID,locality\na,{long}\nb,Mere End\n")).unwrap();
    let rules = with("[records]\nrow_kib = 4\n").unwrap().records;
    let found = intake::records(&file, &rules, &intake::Columns::default()).unwrap();
    assert_eq!(found.records.len(), 1, "the row behind it is taken in");
    let said = found.troubles[0].to_string();
    assert!(said.contains("old.csv, row 2") && said.contains("4 KiB") && said.contains("hint:"), "{said}");
    let rules = with("[records]\nrow_kib = 5\n").unwrap().records;
    assert_eq!(intake::records(&file, &rules, &intake::Columns::default()).unwrap().records.len(), 2);
    let archive = folder.path().join("old.zip");
    std::fs::write(&archive, bad::swelling(3)).unwrap();
    let rules = with("[records]\nfile_mib = 2\n").unwrap().records;
    let no = intake::records(&archive, &rules, &intake::Columns::default()).unwrap_err().to_string();
    assert!(no.contains("core.csv: unpacks to more than the 2 MiB allowed"), "{no}");
    let no = with("[records]\nfile_mib = 0\n").unwrap_err().to_string();
    assert!(no.contains("records.file_mib is 0"), "{no}");
}

/// A decoder that would be busy for ever is left behind, and what comes after it
/// in the folder is read.
#[test]
fn a_file_that_keeps_its_decoder_busy_is_given_up_in_time() {
    let (_root, made) = made();
    let path = &made.photos.iter().find(|t| t.path.ends_with("forms-in-forms.pdf")).unwrap().path;
    let mut rules = IntakeRules::load(None).unwrap();
    rules.limits.seconds = 1;
    let began = Instant::now();
    let photos: Vec<_> = intake::open(path, &rules).collect();
    assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
    assert_eq!(photos.len(), 1);
    // Where the library itself bounds the forms, the page is a photograph.
    if let Err(trouble) = &photos[0] {
        helps(trouble, path);
        assert!(trouble.hint.contains("limits.seconds"), "{trouble}");
    }
}

fn glassine() -> Command {
    Command::new(env!("CARGO_BIN_EXE_glassine"))
}

/// Runs the program; it neither panics nor is killed, and ends in time.
fn sound(command: &mut Command) -> (Output, String) {
    let began = Instant::now();
    let output = command.output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code().is_some(), "killed: {said}");
    assert!(!said.contains("panicked") && !said.contains("RUST_BACKTRACE"), "{said}");
    assert!(began.elapsed() < 30 * PATIENCE, "{:?}", began.elapsed());
    (output, said)
}

fn new_folder(at: &Path) -> PathBuf {
    let moths = at.join("moths");
    let (output, said) = sound(glassine().arg("new").arg(&moths));
    assert!(output.status.success(), "{said}");
    moths
}

/// Every error is told in two lines: the file and the fact, then the next step.
fn every_error_has_a_next_step(said: &str) {
    let lines: Vec<&str> = said.lines().collect();
    for (n, line) in lines.iter().enumerate().filter(|l| l.1.starts_with("error: ")) {
        // Some libraries draw the place of the fault over a few lines.
        let next =
            lines[n + 1..].iter().take(8).find(|l| l.starts_with("hint: ") || l.starts_with("error: "));
        assert!(next.is_some_and(|l| l.starts_with("hint: ")), "{line}");
    }
}

/// Whoever writes 7 for 0.7 is told, and where.
#[test]
fn a_number_out_of_its_range_is_refused_by_file_and_key_in_every_table() {
    use glassine::checking::CheckRules;
    use glassine::out::{EnvelopeRules, LabelRules};
    use glassine::reading::ReadingRules;
    type Load = fn(&Path) -> Option<Trouble>;
    let tables: [(&str, &str, &str, Load); 9] = [
        ("intake.toml", "[pdf]\ndpi = 9", "pdf.dpi is 9", |f| IntakeRules::load(Some(f)).err()),
        ("cleanup.toml", "reach = 3.0", "reach is 3", |f| {
            glassine::cleanup::CleanupRules::load(Some(f)).err()
        }),
        ("layout.toml", "grow = 0.1", "grow is 0.1", |f| glassine::layout::LayoutRules::load(Some(f)).err()),
        ("reading.toml", "widest_line = 0", "widest_line is 0", |f| ReadingRules::load(Some(f)).err()),
        ("dates.toml", "[years]\nearliest = 3", "years.earliest is 3", |f| {
            glassine::parsing::dates::DateRules::load(Some(f)).err()
        }),
        ("notebook.toml", "run_least = 1", "run_least is 1", |f| {
            glassine::parsing::Rules::load(Some(f)).err()
        }),
        ("checks.toml", "[weights]\ndate-unread = 7.0", "weights.date-unread is 7", |f| {
            CheckRules::load(Some(f)).err()
        }),
        ("labels.toml", "[label]\nwidth = 400.0", "label.width is 400", |f| LabelRules::load(Some(f)).err()),
        ("envelopes.toml", "module = 0.0", "module is 0", |f| EnvelopeRules::load(Some(f)).err()),
    ];
    for (table, own, fact, load) in tables {
        let folder = tempfile::tempdir().unwrap();
        assert!(load(folder.path()).is_none(), "{table}: without a file of one's own");
        let file = folder.path().join(table);
        std::fs::write(&file, own).unwrap();
        let trouble = load(folder.path()).unwrap_or_else(|| panic!("{table} took {own}"));
        assert_eq!(trouble.subject, shown(&file));
        assert_eq!(trouble.fact, fact);
        assert!(trouble.hint.starts_with("give a value from "), "{trouble}");
    }
}

#[test]
fn a_path_that_leads_nowhere_is_said_once() {
    let ran = glassine().args(["read", "nowhere/tarn-head.jpg"]).output().unwrap();
    let said = String::from_utf8(ran.stderr).unwrap();
    assert_eq!(ran.status.code(), Some(1), "{said}");
    assert!(said.starts_with("error: nowhere/tarn-head.jpg: does not exist\nhint: "), "{said}");
    assert_eq!(said.matches("error: ").count(), 1, "{said}");
    assert!(said.ends_with("1 file could not be used (see above).\n"), "{said}");
}

#[test]
fn all_bad_tables_at_once_hide_none_of_the_good_rows() {
    let (root, made) = made();
    let moths = new_folder(root.path());
    let mut command = glassine();
    command.arg("add").arg(&moths);
    for bad in &made.tables {
        command.arg("--records").arg(&bad.path);
    }
    let last = root.path().join("last.csv");
    std::fs::write(&last, "occurrenceID,locality\nlast,Mere End\n").unwrap();
    let (output, said) = sound(command.arg("--records").arg(&last));
    assert_eq!(output.status.code(), Some(3), "some could not be used: {said}");
    every_error_has_a_next_step(&said);
    let catalogue = glassine::catalogue::Catalogue::open(&moths).unwrap();
    let of = |id: &str| {
        let with = Some(("occurrenceID".into(), id.into()));
        catalogue.drafts(&glassine::catalogue::Queue { with, ..Default::default() }, 9).unwrap().len()
    };
    assert_eq!((of("good"), of("last")), (1, 1), "{said}");
    let refused: Vec<&Bad> = made.tables.iter().filter(|t| matches!(t.fate, Fate::Refused(_))).collect();
    for bad in refused {
        // UTF-16 is refused by a check in words of its own, here as no UTF-8.
        let name = bad.path.file_name().unwrap().to_str().unwrap();
        assert!(said.contains(name), "{name} is named: {said}");
    }
    nothing_slipped_out(root.path());
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn all_bad_photographs_at_once_hide_none_of_the_good_ones() {
    if std::env::var_os("GLASSINE_WEATHER_SECONDS").is_none() {
        eprintln!("skipped: it takes a minute; `make weather` runs it");
        return;
    }
    let models = std::env::var_os("GLASSINE_MODELS")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("models"), PathBuf::from);
    if !models.join("fetched").is_dir() {
        eprintln!("skipped: the models are not fetched (./setup.sh)");
        return;
    }
    let (root, made) = made();
    // Five hundred pages are read for minutes; its limit has a test of its own.
    std::fs::remove_file(root.path().join("photos/5000-pages.pdf")).unwrap();
    let moths = new_folder(root.path());
    std::fs::write(moths.join("config/intake.toml"), "[limits]\nseconds = 2\n").unwrap();
    let (output, said) = sound(glassine().arg("add").arg(&moths).arg(root.path().join("photos")));
    assert_eq!(output.status.code(), Some(3), "{said}");
    every_error_has_a_next_step(&said);
    for bad in made
        .photos
        .iter()
        .filter(|b| matches!(b.fate, Fate::Refused(_)) && !b.path.ends_with("5000-pages.pdf"))
    {
        let name = shown(bad.path.file_name().unwrap());
        assert!(said.lines().any(|l| l.starts_with("error: ") && l.contains(&name)), "{name}: {said}");
    }
    let catalogue = glassine::catalogue::Catalogue::open(&moths).unwrap();
    assert!(catalogue.counts().unwrap().waiting > 20, "{said}");
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn a_pipe_and_a_folder_are_no_tables() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe.csv");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let moths = new_folder(folder.path());
    for path in [&pipe, &moths, &PathBuf::from("/dev/zero")] {
        let (output, said) = sound(glassine().arg("check").arg(path));
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains(&shown(path)) && said.contains("hint: "), "{said}");
        let (output, said) = sound(glassine().args(["add"]).arg(&moths).arg("--records").arg(path));
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains(&shown(path)) && said.contains("hint: "), "{said}");
    }
}

/// `/dev/full` is a disk without room; then a limit on the size of files stops
/// the catalogue's growing; then, where it may be mounted, a disk of 3 MiB.
#[test]
fn a_full_disk_is_said_and_what_was_kept_stays_whole() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("old.csv");
    let rows: String = (0..4000).map(|n| format!("r{n},Mere End by the old fold {n},1993-07-14\n")).collect();
    std::fs::write(&table, format!("occurrenceID,locality,eventDate\n{rows}")).unwrap();
    let text = folder.path().join("label.txt");
    std::fs::write(&text, "Tarn Head\n14.vii.93\n").unwrap();
    for output in ["--doubts", "--page", "--amended"] {
        let (status, said) = sound(glassine().arg("check").arg(&table).args([output, "/dev/full"]));
        assert_eq!(status.status.code(), Some(1), "{output}: {said}");
        assert!(said.contains("/dev/full") && said.contains("hint: "), "{output}: {said}");
    }
    let (status, said) =
        sound(glassine().arg("parse").arg("--text").arg(&text).args(["--drafts", "/dev/full"]));
    assert_eq!(status.status.code(), Some(1), "{said}");
    assert!(said.contains("/dev/full") && said.contains("hint: "), "{said}");

    let moths = new_folder(folder.path());
    let program = env!("CARGO_BIN_EXE_glassine");
    // Room for some drafts more than what is there: on a busy machine the new catalogue may
    // still stand in its write-ahead log.
    let size = |name: &str| std::fs::metadata(moths.join(name)).map_or(0, |m| m.len());
    let room = size("catalogue.db").max(size("catalogue.db-wal")) / 1024 + 250;
    let script = format!("trap '' XFSZ; ulimit -f {room}; exec \"$0\" add \"$1\" --records \"$2\"");
    let (status, said) = sound(Command::new("bash").args(["-c", &script, program]).arg(&moths).arg(&table));
    assert_eq!(status.status.code(), Some(1), "{said}");
    assert!(said.contains("moths") && said.contains("hint: "), "{said}");
    whole_after(&moths, &table, 4000);

    let disk = folder.path().join("disk");
    std::fs::create_dir(&disk).unwrap();
    let script = "mount -t tmpfs -o size=3m none \"$3\" || exit 77; \"$0\" new \"$3/m\" || exit 78; \
                  \"$0\" add \"$3/m\" --records \"$2\"; code=$?; \"$0\" verify \"$3/m\" || exit 79; exit $code";
    let mut command = Command::new("unshare");
    command.args(["-rm", "bash", "-c", script, program, "-"]).arg(&table).arg(&disk);
    match command.output() {
        Ok(output) if output.status.code() == Some(1) => {
            let said = String::from_utf8_lossy(&output.stderr);
            assert!(said.contains("hint: ") && said.contains("full"), "{said}");
            assert!(said.contains("all is well"), "{said}");
        }
        Ok(output)
            if output.status.code() != Some(0) && ![78, 79].contains(&output.status.code().unwrap_or(0)) =>
        {
            eprintln!("skipped: a small disk cannot be mounted here");
        }
        Ok(output) => panic!("{:?} {}", output.status, String::from_utf8_lossy(&output.stderr)),
        Err(e) => eprintln!("skipped: unshare: {e}"),
    }
}

/// What was taken in before the disk was full is whole, and a second run with
/// room brings the rest and nothing twice.
fn whole_after(moths: &Path, table: &Path, rows: i64) {
    let catalogue = glassine::catalogue::Catalogue::open(moths).unwrap();
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
    let before = catalogue.counts().unwrap().waiting;
    assert!(before > 0 && before < rows, "{before}");
    drop(catalogue);
    // As many as come in quickly; all of them would take a while.
    let some = table.with_file_name("some.csv");
    let text = std::fs::read_to_string(table).unwrap();
    let first: Vec<&str> = text.lines().take(before as usize + 51).collect();
    std::fs::write(&some, first.join("\n") + "\n").unwrap();
    let (output, said) = sound(glassine().arg("add").arg(moths).arg("--records").arg(&some));
    assert!(output.status.success(), "{said}");
    assert!(said.contains("50 new drafts") && said.contains(&format!("{before} passed over")), "{said}");
}

/// Runs as somebody who may not read the file: root may read everything, so that
/// as root the program runs as the user nobody (65534).
#[test]
fn a_file_that_may_not_be_read_is_named_and_the_others_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let open =
        |path: &Path, mode: u32| std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
    open(folder.path(), 0o777);
    let program = folder.path().join("glassine");
    std::fs::copy(env!("CARGO_BIN_EXE_glassine"), &program).unwrap();
    open(&program, 0o755);
    let root = std::fs::metadata("/proc/self").is_ok_and(|m| std::os::unix::fs::MetadataExt::uid(&m) == 0);
    let command = || {
        let mut command = Command::new(&program);
        if root {
            command.uid(65_534).gid(65_534);
        }
        command.current_dir("/").env("HOME", folder.path());
        command
    };
    let moths = folder.path().join("moths");
    match command().arg("new").arg(&moths).output() {
        Err(e) => {
            eprintln!("skipped: the program cannot be run as another user here: {e}");
            return;
        }
        Ok(output) => assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr)),
    }
    let (secret, good) = (folder.path().join("secret.csv"), folder.path().join("good.csv"));
    for path in [&secret, &good] {
        std::fs::write(path, "occurrenceID,locality\na,Mere End\n").unwrap();
    }
    open(&secret, 0o000);
    open(&good, 0o644);
    let (output, said) =
        sound(command().arg("add").arg(&moths).arg("--records").arg(&secret).arg("--records").arg(&good));
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("secret.csv: cannot be read") && said.contains("permission"), "{said}");
    assert!(said.contains("1 new draft"), "the other is taken in: {said}");
    let (output, said) = sound(command().arg("check").arg(&secret));
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("secret.csv") && said.contains("permissions"), "{said}");
    // A collection folder that may not be written to, and a result's folder.
    let (output, said) = sound(command().arg("check").arg(&good).args(["--page", "/proc/page.html"]));
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("/proc/page.html") && said.contains("hint: "), "{said}");
    open(&moths.join("catalogue.db"), 0o444);
    open(&moths, 0o555);
    let more = folder.path().join("more.csv");
    std::fs::write(&more, "occurrenceID,locality\nb,Mere End\n").unwrap();
    open(&more, 0o644);
    let (output, said) = sound(command().arg("add").arg(&moths).arg("--records").arg(&more));
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("moths") && said.contains("hint: "), "{said}");
    // Photographs: the folder's walk and the opening both meet them.
    let photos = folder.path().join("photos");
    std::fs::create_dir_all(photos.join("closed")).unwrap();
    std::fs::write(photos.join("secret.jpg"), JPEG).unwrap();
    open(&photos.join("secret.jpg"), 0o000);
    open(&photos.join("closed"), 0o000);
    let (_, said) =
        sound(command().arg("read").arg(&photos).env("GLASSINE_MODELS", folder.path().join("no models")));
    assert!(said.contains("closed: cannot be read") && said.contains("permission"), "{said}");
    open(&photos.join("closed"), 0o700);
    open(&moths, 0o755);
}
