//! Kills a process in the middle of its work, again and again, and looks
//! whether anything settled is lost or anything is repeated.
//!
//! `GLASSINE_KILLS` sets how often (30 unless told): CI's run is short, 1,000
//! is the long one.

mod common;
#[path = "../benches/common/mod.rs"]
mod generated;

use glassine::catalogue::{Catalogue, Mount, State, Thing};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

const FOLDER: &str = "GLASSINE_TEST_VICTIM_FOLDER";
const PHOTOGRAPHS: usize = 40;

/// The process that is killed: takes photographs in, settles, undoes and backs
/// up, and says so after each step that is done.
#[test]
#[ignore = "started by the test below, as the process it kills"]
fn victim() {
    let folder = std::env::var(FOLDER).expect("only the test below starts this one");
    let folder = Path::new(&folder);
    let catalogue = Catalogue::open(folder).unwrap();
    for n in 0..PHOTOGRAPHS {
        let id = common::take_in(&catalogue, n);
        println!("in {n} {id}");
        if catalogue.draft(id).unwrap().state == State::Waiting {
            let seen = catalogue.draft(id).unwrap().seen;
            catalogue.settle(id, "M. Orrin", &[], seen).unwrap();
            if n % 5 == 4 {
                catalogue.undo("M. Orrin").unwrap();
                let seen = catalogue.draft(id).unwrap().seen;
                catalogue.settle(id, "M. Orrin", &[], seen).unwrap();
            }
        }
        println!("settled {n} {id}");
        let lot = catalogue.draft(id).unwrap().lot.unwrap();
        let store = catalogue.store();
        catalogue.wait(async {
            if store.containers(None).await.unwrap().is_empty() {
                store.make_container("Box 1", "box", None, "M. Orrin").await.unwrap();
            }
            store.put(&[Thing::Lot(lot)], Some("Box 1"), "M. Orrin", "").await.unwrap();
            if n % 4 == 1 && store.record(lot).await.unwrap().specimens.is_empty() {
                let mounts = ["a", "b"].map(|l| Mount { number: format!("TVMS {n}{l}"), sex: String::new() });
                store.mount(lot, &mounts, "M. Orrin", "").await.unwrap();
            }
        });
        println!("put {n} {id}");
        if n % 8 == 7 {
            catalogue.backup(&folder.with_extension("backup")).unwrap();
            println!("backup {n} 0");
        }
    }
    println!("finished 0 0");
}

#[test]
fn killed_at_any_moment_nothing_settled_is_lost_and_nothing_repeated() {
    let kills: u32 = std::env::var("GLASSINE_KILLS").ok().and_then(|k| k.parse().ok()).unwrap_or(30);
    let place = tempfile::tempdir().unwrap();
    let mut random = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().subsec_nanos().max(1);
    println!("seed {random}");
    let (mut round, mut killed, mut finished) = (0, 0, 0);
    while killed < kills {
        let folder = place.path().join(format!("moths-{round}"));
        drop(Catalogue::create(&folder).unwrap());
        let mut settled = BTreeMap::new();
        loop {
            // Marsaglia's xorshift, enough to choose a moment.
            random ^= random << 13;
            random ^= random >> 17;
            random ^= random << 5;
            let moment = Duration::from_millis(u64::from(random % 400));
            let (done, said) = run_for(&folder, if killed < kills { Some(moment) } else { None });
            for (n, id) in said {
                assert_eq!(*settled.entry(n).or_insert(id), id, "photograph {n} has a second draft");
            }
            look(&folder, &settled);
            if done {
                finished += 1;
                break;
            }
            killed += 1;
        }
        let catalogue = Catalogue::open(&folder).unwrap();
        let counts = catalogue.counts().unwrap();
        assert_eq!((counts.settled, counts.waiting), (PHOTOGRAPHS as i64, 0));
        assert_eq!(catalogue.list(0, 1000).unwrap().len(), PHOTOGRAPHS);
        for record in catalogue.records().map(Result::unwrap) {
            assert_eq!(record.kept_in, ["Box 1"], "record {} is not put away", record.lot);
            let mounted = if record.lot % 4 == 2 { 2 } else { 0 };
            assert_eq!(record.specimens.len(), mounted, "record {} has its specimens once", record.lot);
        }
        // The last backup is whole, whatever was killed while it was made.
        let backup = Catalogue::open(&folder.with_extension("backup")).unwrap();
        assert!(backup.verify(|_, _| {}).unwrap().troubles.is_empty());
        round += 1;
    }
    println!("killed {killed} times, {finished} folders finished");
}

/// The first opening of an old catalogue by this program, cut short: a migration is
/// there whole or not at all, and the next opening goes on with it.
#[test]
fn an_old_catalogue_whose_bringing_up_is_killed_opens_all_the_same() {
    const LOTS: usize = 2000;
    let rounds = std::env::var("GLASSINE_KILLS").ok().and_then(|k| k.parse().ok()).unwrap_or(30_u32) / 5;
    let place = tempfile::tempdir().unwrap();
    let old = place.path().join("old.db");
    std::fs::copy(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/catalogue-1/catalogue.db"), &old)
        .unwrap();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let mut db = generated::connect(&old).await;
        generated::enter_drafts(&mut db, 0..LOTS, &mut generated::Dice(77), |_| None).await;
        generated::settle_all(&mut db).await;
        sqlx::Connection::close(db).await.unwrap();
    });
    // As often as not at a moment of the bringing up itself.
    let mut takes = Duration::from_millis(300);
    let mut random = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().subsec_nanos().max(1);
    println!("seed {random}");
    let mut at = BTreeMap::<i64, u32>::new();
    for round in 0..rounds {
        let folder = place.path().join(format!("moths-{round}"));
        for part in ["photos", "config"] {
            std::fs::create_dir_all(folder.join(part)).unwrap();
        }
        std::fs::copy(&old, folder.join("catalogue.db")).unwrap();
        for _ in 0..3 {
            random ^= random << 13;
            random ^= random >> 17;
            random ^= random << 5;
            let mut child = Command::new(env!("CARGO_BIN_EXE_glassine"))
                .arg("trash")
                .arg(&folder)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            std::thread::sleep(takes.mul_f64(f64::from(random % 1000) / 1000.0));
            let _ = child.kill();
            child.wait().unwrap();
            *at.entry(version(&folder)).or_default() += 1;
        }
        let began = Instant::now();
        let catalogue = Catalogue::open(&folder).unwrap();
        takes = takes.max(began.elapsed());
        // Two of its own, one of them set aside.
        assert_eq!(catalogue.counts().unwrap().records, LOTS as i64 + 1);
        let checked = catalogue.verify(|_, _| {}).unwrap();
        // Its two photographs lie elsewhere.
        let troubles: Vec<_> = checked.troubles.iter().filter(|t| t.fact != "cannot be read").collect();
        assert!(troubles.is_empty(), "{troubles:?}");
        drop(catalogue);
        std::fs::remove_dir_all(&folder).unwrap();
    }
    println!("killed at versions {at:?}");
}

/// The last migration that a catalogue has.
fn version(folder: &Path) -> i64 {
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let mut db = generated::connect(&folder.join("catalogue.db")).await;
        sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations").fetch_one(&mut db).await.unwrap()
    })
}

/// Runs the victim until it ends or `moment` after its first step; whether it
/// finished, and what it said it had settled.
fn run_for(folder: &Path, moment: Option<Duration>) -> (bool, Vec<(usize, i64)>) {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "victim", "--ignored", "--nocapture"])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = child.stdout.take().unwrap();
    let reader = std::thread::spawn(move || {
        let mut text = String::new();
        out.read_to_string(&mut text).unwrap();
        text
    });
    if let Some(moment) = moment {
        let end = Instant::now() + moment;
        while Instant::now() < end && child.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        let _ = child.kill();
    }
    let mut error = String::new();
    child.stderr.take().unwrap().read_to_string(&mut error).unwrap();
    child.wait().unwrap();
    let text = reader.join().unwrap();
    assert!(!text.contains("FAILED"), "{text}\n{error}");
    let said = text.lines().filter_map(|line| {
        let mut words = line.split(' ').skip_while(|w| *w != "settled").skip(1);
        Some((words.next()?.parse().ok()?, words.next()?.parse().ok()?))
    });
    (text.contains("finished"), said.collect())
}

/// Everything that was said to be settled is, and the folder holds together.
fn look(folder: &Path, settled: &BTreeMap<usize, i64>) {
    let catalogue = Catalogue::open(folder).unwrap();
    for (n, id) in settled {
        let draft = catalogue.draft(*id).unwrap();
        assert_eq!(draft.state, State::Settled, "photograph {n} was settled and is not");
        assert!(draft.lot.is_some(), "photograph {n} has no record");
    }
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
}
