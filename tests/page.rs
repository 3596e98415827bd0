//! The review page in headless Chromium, with real key presses.
//!
//! Needs `chromedriver` and a Chromium (`apt-get install chromium-driver`);
//! without them the test says so and does nothing.

mod common;

use common::{folder, take_in};
use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use fantoccini::{Client, ClientBuilder, Locator};
use glassine::catalogue::{Catalogue, State};
use glassine::intake::IntakeRules;
use glassine::review::{Options, originals, router};
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A driver, killed with the test.
struct Driver {
    child: Child,
    port: u16,
    profile: tempfile::TempDir,
}

impl Driver {
    fn start() -> Option<Driver> {
        let child =
            Command::new("chromedriver").arg("--port=0").stdout(Stdio::piped()).stderr(Stdio::null()).spawn();
        let mut child = match child {
            Ok(child) => child,
            Err(e) => {
                println!("skipped: chromedriver cannot be started ({e}); install chromium-driver");
                return None;
            }
        };
        let lines = BufReader::new(child.stdout.take()?).lines();
        let port = lines
            .map_while(Result::ok)
            .find_map(|l| l.split_once("successfully on port ")?.1.trim_end_matches('.').parse().ok())?;
        Some(Driver { child, port, profile: tempfile::tempdir().ok()? })
    }

    async fn client(&self, width: u32, height: u32) -> Client {
        let options = serde_json::json!({
            "args": [
                "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--disable-dev-shm-usage", "--hide-scrollbars", format!("--window-size={width},{height}"),
                format!("--user-data-dir={}", self.profile.path().join(format!("{width}")).display()),
            ],
        });
        let mut capabilities = serde_json::Map::new();
        capabilities.insert("goog:chromeOptions".into(), options);
        ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
            .capabilities(capabilities)
            .connect(&format!("http://127.0.0.1:{}", self.port))
            .await
            .expect("a browser")
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Presses each key of `keys` in turn, as a person's hand would.
async fn press(browser: &Client, keys: &str) {
    let mut actions = KeyActions::new("keyboard".into());
    for value in keys.chars() {
        actions = actions.then(KeyAction::Down { value }).then(KeyAction::Up { value });
    }
    browser.perform_actions(actions).await.expect("the keys are pressed");
}

const ENTER: &str = "\u{E007}";
const ESCAPE: &str = "\u{E00C}";
const DOWN: &str = "\u{E015}";

/// Waits until `script` gives true.
async fn until(browser: &Client, script: &str) {
    for _ in 0..400 {
        let script = format!("return !!({script})");
        if browser.execute(&script, vec![]).await.is_ok_and(|v| v == true) {
            return;
        }
        tokio::time::sleep(Duration::from_millis(25)).await;
    }
    let page = browser.execute("return document.body.innerText", vec![]).await.unwrap();
    panic!("never came true: {script}\nat {}\n{page}", browser.current_url().await.unwrap());
}

async fn at_draft(browser: &Client, id: i64) {
    until(
        browser,
        &format!(
            "document.readyState === 'complete' && document.querySelector('.desk[data-draft=\"{id}\"]')"
        ),
    )
    .await;
    until(browser, "document.querySelector('.field.now')").await;
}

async fn serve(catalogue: &Catalogue) -> u16 {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let options = Options {
        port,
        open: false,
        who: "M. Orrin".into(),
        opener: originals(IntakeRules::load(None).unwrap()),
        typist: glassine::pipeline::typist(catalogue),
        network: None,
        second_reading: 5,
    };
    let router = router(catalogue.store(), options, port);
    tokio::spawn(async move { axum::serve(listener, router).await });
    port
}

#[test]
fn a_person_works_through_drafts_by_keyboard() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    // In the queue's order: 2 and 5 have a doubt and come first.
    let ids: Vec<i64> = (0..6).map(|n| take_in(&catalogue, n)).collect();
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        let url = |path: &str| format!("http://127.0.0.1:{port}{path}");
        let state = async |id: i64| store.draft(id).await.unwrap().state;

        // From the queue into the most doubtful draft: one key.
        browser.goto(&url("/")).await.unwrap();
        until(&browser, "document.activeElement.classList.contains('row')").await;
        press(&browser, ENTER).await;
        at_draft(&browser, ids[2]).await;

        // The doubted field is the active one, its words lit in the photograph
        // and cut out, large, beside the value.
        until(&browser, "document.activeElement.dataset.term === 'eventDate'").await;
        until(&browser, "document.querySelector('#photo .box.lit').dataset.term === 'eventDate'").await;
        until(&browser, "document.querySelector('.field.now .crops img').naturalHeight > 60").await;
        until(&browser, "document.querySelector('#photo image').getBBox().width === 900").await;

        // An open doubt is not settled by one slip of the finger.
        press(&browser, "s").await;
        until(&browser, "document.querySelector('.toast')").await;
        assert_eq!(state(ids[2]).await, State::Waiting);

        // Candidate 2, then settle: two keys, and the next draft is there.
        press(&browser, "2").await;
        until(
            &browser,
            "document.querySelector('#f-eventDate.changed') && document.querySelector('.doubt.answered')",
        )
        .await;
        press(&browser, "s").await;
        at_draft(&browser, ids[5]).await;
        let draft = store.draft(ids[2]).await.unwrap();
        assert_eq!(draft.state, State::Settled);
        let record = store.record(draft.lot.unwrap()).await.unwrap();
        assert_eq!(record.value("eventDate"), "1893-07-01");

        // Undo leads back to it.
        press(&browser, "u").await;
        at_draft(&browser, ids[2]).await;
        assert_eq!(state(ids[2]).await, State::Waiting);
        press(&browser, "ss").await;
        at_draft(&browser, ids[5]).await;

        // Typing a value: what does not fit is said, Esc leaves it as it was,
        // Enter keeps it at once.
        press(&browser, "e").await;
        until(&browser, "document.activeElement.id === 'v-eventDate'").await;
        press(&browser, &format!("soon{ENTER}")).await;
        until(&browser, "document.querySelector('#f-eventDate .wrong').textContent.includes('1993-07-12')")
            .await;
        press(&browser, ESCAPE).await;
        until(&browser, "document.querySelector('#v-eventDate').value === '1993-07-02'").await;
        press(&browser, &format!("e1994-07-02{ENTER}")).await;
        until(&browser, "document.querySelector('#f-eventDate.changed')").await;
        let value = |v: &glassine::catalogue::DraftValue| v.term == "eventDate" && v.value == "1994-07-02";
        assert!(store.draft(ids[5]).await.unwrap().values.iter().any(value), "kept without settling");

        // The next field, emptied.
        press(&browser, &format!("{DOWN}{DOWN}")).await;
        let term = "document.activeElement.dataset.term";
        let at = browser.execute(&format!("return {term}"), vec![]).await.unwrap();
        press(&browser, "x").await;
        until(&browser, "document.activeElement.classList.contains('empty')").await;
        assert_ne!(at, "eventDate");

        // A note, then aside with reason 1.
        press(&browser, &format!("nwing torn{ENTER}")).await;
        until(&browser, "document.querySelector('.kept-note')").await;
        at_draft(&browser, ids[5]).await;
        press(&browser, "a1").await;
        at_draft(&browser, ids[0]).await;
        let draft = store.draft(ids[5]).await.unwrap();
        assert_eq!((draft.state, draft.note.as_str()), (State::Aside, "wing torn"));

        // Clean drafts: one key each.
        for (this, next) in [(ids[0], ids[1]), (ids[1], ids[3])] {
            press(&browser, "s").await;
            at_draft(&browser, next).await;
            assert_eq!(state(this).await, State::Settled, "a clean record is settled with one key");
        }

        // The card of keys, and the switch that turns single keys off.
        press(&browser, "?").await;
        until(&browser, "document.querySelector('#keys').open").await;
        browser.find(Locator::Css("#single")).await.unwrap().click().await.unwrap();
        press(&browser, ESCAPE).await;
        until(&browser, "!document.querySelector('#keys').open").await;
        press(&browser, "s").await;
        tokio::time::sleep(Duration::from_millis(300)).await;
        assert_eq!(state(ids[3]).await, State::Waiting, "single keys are off");
        browser.execute("document.querySelector('#single').click()", vec![]).await.unwrap();
        browser.find(Locator::Css("#photo .box")).await.unwrap();

        // The writing, then the field's words, then all of it.
        let width = "document.querySelector('#photo').viewBox.baseVal.width";
        until(&browser, &format!("{width} < 900 && {width} > 700")).await;
        press(&browser, "z").await;
        until(&browser, &format!("{width} < 900")).await;
        press(&browser, "zi").await;
        until(&browser, &format!("{width} === 900 && document.querySelector('#photo.ink')")).await;

        press(&browser, "s").await;
        at_draft(&browser, ids[4]).await;
        press(&browser, "s").await;
        until(&browser, "document.querySelector('.nothing')").await;
        press(&browser, "l").await;
        until(
            &browser,
            "document.body.dataset.place === 'records' && document.querySelectorAll('.row').length === 5",
        )
        .await;
        browser.close().await.unwrap();
    });
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
}

#[test]
fn the_page_fits_a_small_laptop_and_a_tablet_and_names_everything() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 2);
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        for (width, height) in [(1366, 768), (820, 1180)] {
            let browser = driver.client(width, height).await;
            for path in ["/".to_owned(), "/records".to_owned(), "/due".to_owned(), format!("/draft/{id}")] {
                browser.goto(&format!("http://127.0.0.1:{port}{path}")).await.unwrap();
                let wide = browser
                    .execute("return document.documentElement.scrollWidth - window.innerWidth", vec![])
                    .await
                    .unwrap();
                assert!(wide.as_f64().unwrap() <= 0.0, "{path} is {wide} px too wide at {width}");
                // Success criteria 4.1.2 and 1.3.1 of WCAG 2.2: a name for
                // everything that can be worked.
                let nameless = browser
                    .execute(
                        "return [...document.querySelectorAll('button, a, input:not([type=hidden]), select, textarea, summary')]
                         .filter(e => !(e.textContent.trim() || e.getAttribute('aria-label')
                             || (e.labels && e.labels.length))).map(e => e.outerHTML.slice(0, 200))",
                        vec![],
                    )
                    .await
                    .unwrap();
                assert_eq!(nameless, serde_json::json!([]), "{path}");
            }
            let seen = browser
                .execute(
                    "const r = document.querySelector('#settle').getBoundingClientRect();
                     const p = document.querySelector('#photo').getBoundingClientRect();
                     return r.top >= 0 && r.bottom <= window.innerHeight && p.height > 250",
                    vec![],
                )
                .await
                .unwrap();
            assert_eq!(seen, true, "the deeds and the photograph are seen without scrolling at {width}");
            browser.close().await.unwrap();
        }
    });
}
