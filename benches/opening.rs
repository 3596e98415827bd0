//! How long the first opening of an old catalogue takes: the first version's, with
//! many settled lots, brought up through every later migration.
//!
//!     cargo bench --bench opening -- [LOTS]
//!
//! 100,000 by default.

mod common;

use common::{Dice, connect, enter_drafts, settle_all};
use glassine::catalogue::Catalogue;
use sqlx::Connection;
use std::path::Path;
use std::time::Instant;

fn main() {
    let lots: usize = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(100_000);
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("moths");
    for part in ["photos", "config"] {
        std::fs::create_dir_all(folder.join(part)).unwrap();
    }
    let database = folder.join("catalogue.db");
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/catalogue-1/catalogue.db");
    std::fs::copy(sample, &database).unwrap();
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let mut db = connect(&database).await;
        sqlx::query("BEGIN").execute(&mut db).await.unwrap();
        enter_drafts(&mut db, 0..lots, &mut Dice(0x9E37_79B9_7F4A_7C15), |_| None).await;
        settle_all(&mut db).await;
        sqlx::query("COMMIT").execute(&mut db).await.unwrap();
        db.close().await.unwrap();
    });
    println!("{lots} lots, {:.2} GB", std::fs::metadata(&database).unwrap().len() as f64 / 1e9);
    for which in ["first opening", "second opening"] {
        let began = Instant::now();
        let catalogue = Catalogue::open(&folder).unwrap();
        println!("{which}: {:.2} s", began.elapsed().as_secs_f64());
        assert!(catalogue.counts().unwrap().records >= lots as i64);
    }
}
