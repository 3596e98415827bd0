//! The review page in headless Chromium, with real key presses.
//!
//! Needs `chromedriver` and a Chromium (`apt-get install chromium-driver`);
//! without them the test says so and does nothing.

mod common;
#[path = "../benches/common/mod.rs"]
mod generated;

use common::{facts, folder, png, take_in};
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
        self.client_with(width, height, false).await
    }

    async fn client_with(&self, width: u32, height: u32, dark: bool) -> Client {
        // 0: the person likes it dark; 1: light.
        let scheme = format!("--blink-settings=preferredColorScheme={}", u8::from(!dark));
        let options = serde_json::json!({
            "args": [
                "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--disable-dev-shm-usage", "--hide-scrollbars", scheme, format!("--window-size={width},{height}"),
                format!("--user-data-dir={}", self.profile.path().join(format!("{width}{dark}")).display()),
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
const TAB: &str = "\u{E004}";
const SPACE: &str = " ";

/// Counts the keys that go down on the page, over all its pages, and keeps when
/// the last one did.
const COUNTING: &str = "sessionStorage.setItem('keys', 0);
    if (!window.counting) addEventListener('keydown', () => {
        sessionStorage.setItem('keys', 1 + +sessionStorage.getItem('keys'));
        sessionStorage.setItem('at', performance.timeOrigin + performance.now());
    }, true);
    window.counting = true";

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
    until(browser, "document.querySelector('.field.now, .noted.now')").await;
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
        checker: glassine::pipeline::checker(catalogue),
        network: None,
        second_reading: 100,
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

        // Candidate 2 goes against the envelopes numbered before and after: that is
        // said at once, and settled as it stands by a second s.
        press(&browser, "2").await;
        until(
            &browser,
            "document.querySelector('#f-eventDate.changed') && document.querySelector('.doubt:not(.answered)').textContent.includes('runs backwards')",
        )
        .await;
        press(&browser, "ss").await;
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
        until(&browser, "(c => c.scrollHeight <= c.clientHeight)(document.querySelector('#keys'))").await;
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
        let looks = |at: &str| format!("document.querySelector('.looking').textContent === '{at}'");
        press(&browser, "z").await;
        // They fill more than half of the photograph's width: its whole width is shown.
        until(&browser, &format!("{} && {width} === 900", looks("Words"))).await;
        press(&browser, "zi").await;
        until(
            &browser,
            &format!("{} && {width} === 900 && document.querySelector('#photo.ink')", looks("Whole")),
        )
        .await;
        // Nearer and farther, turned, more ink and light: each by its key alone.
        press(&browser, "+").await;
        until(&browser, &format!("{width} < 700")).await;
        press(&browser, "-").await;
        until(&browser, &format!("{width} === 900")).await;
        let look = "(c => document.querySelector('#photo').matches(c) && getComputedStyle(document.querySelector('#photo image')).filter)";
        let mut seen = std::collections::BTreeSet::new();
        for (key, class) in
            [("i", ".ink2"), ("i", ":not(.ink, .ink2)"), ("b", ".bright"), ("b", ".dim"), ("b", ":not(.bright, .dim)")]
        {
            press(&browser, key).await;
            until(&browser, &format!("{look}('{class}')")).await;
            let filter = browser.execute(&format!("return {look}('{class}')"), vec![]).await.unwrap();
            seen.insert(filter.as_str().unwrap().to_owned());
        }
        assert_eq!(seen.len(), 4, "each looks otherwise: {seen:?}");
        let turned = "document.querySelector('#turned').getAttribute('transform')";
        for by in [90, 180, 270, 360] {
            press(&browser, "r").await;
            until(&browser, &format!("({turned} || '').startsWith('rotate({} ')", by % 360)).await;
        }

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
    let (id, paths) = everything(&catalogue);
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        for (width, height) in [(1366, 768), (820, 1180)] {
            let browser = driver.client(width, height).await;
            for path in paths.iter().chain([&format!("/draft/{id}")]) {
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

/// Of the goal: a clean record is settled with at most three key presses. The
/// time is from the key to the next draft loaded with its photograph, by the
/// browser's own clock; three seconds are allowed here, since other tests run
/// beside it, and the goal's tenth of a second where `GLASSINE_PAGE_DRAFTS` says how
/// many more drafts wait (generated).
#[test]
fn clean_records_are_settled_one_after_another_with_one_key_each_and_the_next_is_there_at_once() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    let asked = std::env::var("GLASSINE_PAGE_DRAFTS").ok().and_then(|n| n.parse().ok());
    let (more, allowed) = asked.map_or((0, 3000.0), |more| (more, 100.0));
    // Every third has a doubt: the others.
    let clean: Vec<usize> = (0..30).filter(|n| n % 3 != 2).collect();
    let ids: Vec<i64> = clean.iter().map(|n| take_in(&catalogue, *n)).collect();
    let store = catalogue.store();
    catalogue.wait(async {
        let mut db = generated::connect(&catalogue.folder().database()).await;
        sqlx::query("BEGIN").execute(&mut db).await.unwrap();
        generated::enter_drafts(&mut db, 0..more, &mut generated::Dice(77), |_| None).await;
        sqlx::query("COMMIT").execute(&mut db).await.unwrap();
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[0])).await.unwrap();
        at_draft(&browser, ids[0]).await;
        let mut took = Vec::new();
        let mut keys = 0;
        for pair in ids.windows(2) {
            until(&browser, "document.querySelector('#photo image').getBBox().width === 900").await;
            browser.execute(COUNTING, vec![]).await.unwrap();
            // Nobody settles without a look.
            tokio::time::sleep(Duration::from_millis(500)).await;
            press(&browser, "s").await;
            // Asking takes time too: not while it is measured.
            tokio::time::sleep(Duration::from_millis(300)).await;
            at_draft(&browser, pair[1]).await;
            let pressed = browser.execute("return +sessionStorage.getItem('keys')", vec![]).await.unwrap();
            keys = keys.max(pressed.as_i64().unwrap());
            // When the next page had all it shows, by the page's own mark.
            let ended = "return performance.timeOrigin + performance.getEntriesByName('shown').at(-1).startTime
                - sessionStorage.getItem('at')";
            until(
                &browser,
                "performance.timeOrigin + (performance.getEntriesByName('shown').at(-1)?.startTime ?? 0)
                 > +sessionStorage.getItem('at')",
            )
            .await;
            took.push(browser.execute(ended, vec![]).await.unwrap().as_f64().unwrap());
            assert_eq!(store.draft(pair[0]).await.unwrap().state, State::Settled);
        }
        took.sort_by(f64::total_cmp);
        let median = took[took.len() / 2];
        println!(
            "settled to the next page loaded, {more} more waiting: median {median:.0} ms, slowest {:.0} ms of {}",
            took[took.len() - 1],
            took.len()
        );
        assert_eq!(keys, 1, "one key settles a clean record");
        assert!(median <= allowed, "{took:?}");
        browser.close().await.unwrap();
    });
}

#[test]
fn the_next_draft_comes_in_place_of_this_one_and_the_way_back_is_kept() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    // Clean ones; every third has a doubt.
    let ids: Vec<i64> = [0, 1, 3].iter().map(|n| take_in(&catalogue, *n)).collect();
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        let of_page =
            async |script: &str| browser.execute(&format!("return {script}"), vec![]).await.unwrap();
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[0])).await.unwrap();
        at_draft(&browser, ids[0]).await;
        browser.execute("window.same = 'page'", vec![]).await.unwrap();
        // A second press on the way settles nothing more.
        press(&browser, "ss").await;
        at_draft(&browser, ids[1]).await;
        until(&browser, "document.querySelector('.notice').textContent.includes('Settled')").await;
        assert_eq!(of_page("window.same").await, "page");
        let name = store.draft(ids[1]).await.unwrap().name;
        assert!(of_page("document.title").await.as_str().unwrap().starts_with(&name));
        assert_eq!(store.draft(ids[1]).await.unwrap().state, State::Waiting);
        // The header counts anew, and the focus is on a field of the new draft.
        assert_eq!(of_page("document.querySelector('header .count').textContent").await, "2");
        assert_eq!(of_page("!!document.activeElement.closest('.desk')").await, true);
        press(&browser, "]").await;
        at_draft(&browser, ids[2]).await;
        press(&browser, "[").await;
        at_draft(&browser, ids[1]).await;
        assert_eq!(of_page("window.same").await, "page");
        // The browser's own way back goes through all of them.
        for (id, state) in [(ids[2], "waiting"), (ids[1], "waiting"), (ids[0], "settled")] {
            browser.back().await.unwrap();
            at_draft(&browser, id).await;
            assert_eq!(of_page("document.querySelector('.desk').dataset.state").await, state);
        }
        // A program that does not answer loses nothing of what is seen.
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[1])).await.unwrap();
        at_draft(&browser, ids[1]).await;
        browser.execute("window.fetch = () => Promise.reject(new TypeError('gone'))", vec![]).await.unwrap();
        press(&browser, "s").await;
        until(&browser, "document.querySelector('.toast')?.textContent.includes('does not answer')").await;
        at_draft(&browser, ids[1]).await;
        assert_eq!(store.draft(ids[1]).await.unwrap().state, State::Waiting);
        browser.close().await.unwrap();
    });
}

/// WCAG 2.2, 2.1.1: all of it by keyboard.
#[test]
fn the_trash_is_looked_through_and_emptied_by_keyboard() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    let ids: Vec<i64> = (0..2).map(|n| take_in(&catalogue, n)).collect();
    let file = catalogue.draft(ids[0]).unwrap().photo.unwrap().file;
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        let focus = async |script: &str| {
            browser.execute(&format!("document.querySelector({script}).focus(); return 0"), vec![]).await.unwrap();
        };
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[0])).await.unwrap();
        at_draft(&browser, ids[0]).await;
        press(&browser, "a4").await;
        at_draft(&browser, ids[1]).await;
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[0])).await.unwrap();
        at_draft(&browser, ids[0]).await;
        focus("'.standing details summary'").await;
        press(&browser, &format!("{ENTER}{TAB}no label at all{ENTER}")).await;
        until(&browser, "document.querySelector('.notice').textContent.includes('In the trash')").await;
        browser.goto(&format!("http://127.0.0.1:{port}/trash")).await.unwrap();
        until(&browser, "document.querySelector('.rows').textContent.includes('no label at all')").await;
        focus("'a[href=\"/trash/empty\"]'").await;
        press(&browser, ENTER).await;
        until(&browser, "document.querySelector('input[name=sure]')").await;
        // Without the yes the browser itself holds it back.
        focus("'.bar button'").await;
        press(&browser, ENTER).await;
        tokio::time::sleep(Duration::from_millis(300)).await;
        assert!(file.exists());
        focus("'input[name=sure]'").await;
        press(&browser, &format!("{SPACE}{TAB}{ENTER}")).await;
        until(&browser, "document.querySelector('.rows') && document.querySelector('.rows').textContent.includes('photograph removed')")
            .await;
        assert!(!file.exists());
        // And undone is the throwing away all the same; the photograph stays gone.
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[1])).await.unwrap();
        at_draft(&browser, ids[1]).await;
        press(&browser, "u").await;
        at_draft(&browser, ids[0]).await;
        assert_eq!(store.draft(ids[0]).await.unwrap().state, State::Aside);
        browser.close().await.unwrap();
    });
}

/// A notebook page: its entries are walked, typed into and settled by keyboard
/// like fields; the words of the active value are lit.
#[test]
fn the_entries_of_a_notebook_page_are_worked_by_keyboard_too() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    let id = page_in(&catalogue);
    let envelope = take_in(&catalogue, 0);
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{id}")).await.unwrap();
        until(&browser, "document.querySelector('.noted.now')").await;
        let events = store.page_events(id).await.unwrap();
        assert!(events.len() >= 3, "{events:?}");
        let date = |nth: usize| events[nth].value("eventDate").to_owned();
        assert_eq!((date(0), date(1)), ("1968-06-03".into(), "1968-06-03".into()));
        // Down to the date of the first entry: its words are lit in the photograph.
        for _ in 0..8 {
            if browser.execute("return document.activeElement.dataset.term", vec![]).await.unwrap()
                == "event 1 eventDate"
            {
                break;
            }
            press(&browser, DOWN).await;
        }
        until(&browser, "document.activeElement.dataset.term === 'event 1 eventDate'").await;
        until(&browser, "document.querySelector('#photo .box.lit').dataset.term === 'event 1 eventDate'")
            .await;
        press(&browser, "e").await;
        until(&browser, "document.activeElement.matches('.noted input')").await;
        press(&browser, &format!("soon{ENTER}")).await;
        until(&browser, "document.querySelector('.noted.now .wrong').textContent.includes('1993-07-12')")
            .await;
        press(&browser, &format!("{ESCAPE}e1968-06-02{ENTER}")).await;
        // It goes on to the entry below that carries it, on the page too.
        until(&browser, "document.querySelector('[name=\"v.event 2 eventDate\"]').value === '1968-06-02'")
            .await;
        let now = store.page_events(id).await.unwrap();
        assert_eq!((now[0].value("eventDate"), now[1].value("eventDate")), ("1968-06-02", "1968-06-02"));
        // What is typed and not yet kept is kept with the settling.
        press(&browser, DOWN).await;
        press(&browser, "e").await;
        until(&browser, "document.activeElement.matches('.noted input')").await;
        let term = browser.execute("return document.activeElement.name.slice(2)", vec![]).await.unwrap();
        press(&browser, "Alder Ghyll, top").await;
        let settle = browser.find(Locator::Css("#settle")).await.unwrap();
        settle.click().await.unwrap();
        let armed = browser.execute("return !!document.querySelector('.toast')", vec![]).await.unwrap();
        if armed == true {
            settle.click().await.unwrap();
        }
        at_draft(&browser, envelope).await;
        assert_eq!(store.draft(id).await.unwrap().state, State::Settled);
        let (nth, what) = glassine::catalogue::of_event(term.as_str().unwrap()).unwrap();
        let now = store.page_events(id).await.unwrap();
        assert_eq!(now[nth as usize - 1].value(what), "Alder Ghyll, top");
        browser.close().await.unwrap();
    });
}

#[test]
fn a_correction_is_offered_where_the_same_words_stand_and_one_undo_takes_it_back() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    // Three of one place as read, and one of another.
    let ids: Vec<i64> = [0, 4, 8, 1].iter().map(|n| take_in(&catalogue, *n)).collect();
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        let place = async |id: i64| {
            let draft = store.draft(id).await.unwrap();
            draft.values.iter().find(|v| v.term == "locality").unwrap().value.clone()
        };
        browser.goto(&format!("http://127.0.0.1:{port}/draft/{}", ids[0])).await.unwrap();
        at_draft(&browser, ids[0]).await;
        browser.execute("document.querySelector('#f-locality').focus(); return 0", vec![]).await.unwrap();
        press(&browser, "e").await;
        until(&browser, "document.activeElement.id === 'v-locality'").await;
        press(&browser, &format!("Tarn Head, west{ENTER}")).await;
        until(&browser, "document.querySelector('.offers') && document.querySelector('.offers').textContent.includes('2 more drafts')").await;
        press(&browser, "o").await;
        // Each with its own words cut out of its own photograph.
        until(&browser, "document.body.dataset.place === 'choose' && document.querySelectorAll('.choice .crops img').length === 2")
            .await;
        until(&browser, "[...document.querySelectorAll('.choice .crops img')].every(i => i.naturalHeight > 20)").await;
        // The first one is left out, the rest taken.
        until(&browser, "document.activeElement.type === 'checkbox'").await;
        let left = browser.execute("return parseInt(document.activeElement.value)", vec![]).await.unwrap();
        press(&browser, &format!("{SPACE}t")).await;
        at_draft(&browser, ids[0]).await;
        let left = left.as_i64().unwrap();
        let taken = ids[1] + ids[2] - left;
        assert_eq!((place(left).await, place(taken).await), ("Tarn Head".into(), "Tarn Head, west".into()));
        press(&browser, "u").await;
        until(&browser, "document.querySelector('.notice') && document.querySelector('.notice').textContent.includes('Undone')").await;
        assert_eq!(place(taken).await, "Tarn Head");
        assert_eq!(place(ids[0]).await, "Tarn Head, west", "the correction itself stands");
        browser.close().await.unwrap();
    });
}

#[test]
fn the_envelopes_of_one_day_and_place_are_settled_as_one_event_by_keyboard() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    // One day and place, and another place.
    let ids: Vec<i64> = [0, 112, 1].iter().map(|n| take_in(&catalogue, *n)).collect();
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        browser.goto(&format!("http://127.0.0.1:{port}/")).await.unwrap();
        until(&browser, "document.activeElement.classList.contains('row')").await;
        press(&browser, "v").await;
        until(&browser, "document.body.dataset.place === 'events' && document.activeElement.classList.contains('row')").await;
        press(&browser, ENTER).await;
        until(&browser, "document.querySelectorAll('.choice input:checked').length === 2").await;
        press(&browser, "t").await;
        until(&browser, "document.querySelector('.notice') && document.querySelector('.notice').textContent.includes('2 drafts settled as one event')").await;
        let states = async || {
            let mut all = Vec::new();
            for id in &ids {
                all.push(store.draft(*id).await.unwrap().state);
            }
            all
        };
        assert_eq!(states().await, [State::Settled, State::Settled, State::Waiting]);
        press(&browser, "u").await;
        until(&browser, "document.querySelector('.desk')").await;
        assert_eq!(states().await, [State::Waiting; 3], "one undo takes both back");
        browser.close().await.unwrap();
    });
}

/// Everything a page needs comes from its own address, and nothing of it is held
/// back by the policy that it sends (CSP level 3, 5.3: a violation is an event).
#[test]
fn the_pages_load_nothing_from_elsewhere_and_break_no_policy() {
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 2);
    let lot = catalogue.settle(take_in(&catalogue, 0), "M. Orrin", &[], None).unwrap();
    let page = page_in(&catalogue);
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let browser = driver.client(1366, 768).await;
        for path in [
            "/".to_owned(), format!("/draft/{id}"), format!("/draft/{page}"), "/events".into(), "/records".into(), "/plots".into(),
            format!("/record/{lot}"), "/places".into(), "/due".into(), "/progress".into(), "/trash".into(), "/type".into(),
        ] {
            browser.goto(&format!("http://127.0.0.1:{port}{path}")).await.unwrap();
            until(&browser, "document.readyState === 'complete'").await;
            let foreign = browser
                .execute(
                    "return performance.getEntriesByType('resource').map(e => e.name)
                        .filter(n => !n.startsWith(location.origin + '/'))",
                    vec![],
                )
                .await
                .unwrap();
            assert_eq!(foreign, serde_json::json!([]), "{path}");
            // Nothing inline: a policy as strict as this would not run it.
            let inline = browser
                .execute(
                    "return [...document.querySelectorAll('style, [style], script:not([src])')].length
                        + [...document.querySelectorAll('*')].flatMap(e => [...e.attributes]).filter(a => a.name.startsWith('on')).length",
                    vec![],
                )
                .await
                .unwrap();
            assert_eq!(inline, 0, "{path}");
            // The script ran to its end: the card of keys opens.
            press(&browser, "?").await;
            if path != "/type" {
                until(&browser, "document.querySelector('#keys').open").await;
            }
        }
        // And a script from elsewhere, or inline, would not run.
        let held = browser
            .execute_async(
                "const done = arguments[0];
                 addEventListener('securitypolicyviolation', e => done(e.effectiveDirective));
                 const s = document.createElement('script');
                 s.textContent = '1';
                 document.body.append(s);",
                vec![],
            )
            .await
            .unwrap();
        assert_eq!(held, "script-src-elem");
        browser.close().await.unwrap();
    });
}

/// A catalogue with something on every page: the draft with a doubt, and the
/// addresses of all pages.
fn everything(catalogue: &Catalogue) -> (i64, Vec<String>) {
    use glassine::catalogue::{Change, Thing};
    let id = take_in(catalogue, 2);
    let lot = catalogue.settle(take_in(catalogue, 0), "M. Orrin", &[], None).unwrap();
    let thrown = catalogue.settle(take_in(catalogue, 1), "M. Orrin", &[], None).unwrap();
    let page = page_in(catalogue);
    let aside = take_in(catalogue, 3);
    catalogue.set_aside(aside, "M. Orrin", "blurred").unwrap();
    // Two of one day and place, as the settled one has them; its words are corrected
    // in another of them.
    let [corrected, other] = [4, 116].map(|n| take_in(catalogue, n));
    take_in(catalogue, 8);
    let change = Change { term: "locality".into(), value: "Tarn Head, west".into() };
    catalogue.change(corrected, "M. Orrin", &[change], None).unwrap();
    let settled = catalogue.settle(take_in(catalogue, 112), "M. Orrin", &[], None).unwrap();
    let store = catalogue.store();
    catalogue.wait(async {
        store.throw_away(Thing::Lot(thrown), "M. Orrin", "twice").await.unwrap();
        store.make_container("Drawer 7", "drawer", None, "M. Orrin").await.unwrap();
    });
    let paths = [
        "/",
        "/?state=aside",
        "/?doubt=none&q=nothing",
        &format!("/draft/{id}"),
        &format!("/draft/{page}"),
        &format!("/draft/{aside}"),
        &format!("/draft/{other}?did=settle.{id}"),
        &format!("/same/{corrected}/locality"),
        &format!("/series/{id}/recordNumber"),
        "/events",
        "/event?day=1993-07-02&place=Tarn+Head&by=A.+Vell",
        "/values/locality",
        "/records",
        "/records?q=tarn",
        "/plots",
        &format!("/record/{lot}"),
        &format!("/record/{settled}"),
        &format!("/record/{thrown}"),
        "/places",
        "/place/1",
        "/due",
        "/progress",
        "/trash",
        "/trash/empty",
        "/type",
        "/draft/999",
    ];
    (id, paths.map(str::to_owned).to_vec())
}

/// What axe-core finds on the page that the browser is at.
async fn found_by(browser: &Client, axe: &str, path: &str) -> Vec<String> {
    until(browser, "document.readyState === 'complete'").await;
    browser.execute(axe, vec![]).await.unwrap();
    let wrong = browser
        .execute_async(
            "const done = arguments[0];
             const tags = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'];
             axe.run(document, { runOnly: { type: 'tag', values: tags } }).then(r => done(
                 r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.html.slice(0, 160) + ' ' + n.failureSummary))))",
            vec![],
        )
        .await
        .unwrap();
    // What the bar of deeds covers just now is scrolled to.
    let said = wrong.as_array().unwrap().iter().filter_map(|o| o.as_str());
    said.filter(|o| !o.contains("partially obscured")).map(|o| format!("{path}: {o}")).collect()
}

/// Looked through by axe-core (4.12.1, by `tests/fetch.sh`) for what of WCAG 2.2 A
/// and AA a program can find; `GLASSINE_AXE` names another `axe.min.js`.
#[test]
fn an_outside_checker_finds_nothing_against_wcag_light_or_dark() {
    let ours = || concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fetched/axe.min.js").to_owned();
    let axe = std::env::var("GLASSINE_AXE").unwrap_or_else(|_| ours());
    let Ok(axe) = std::fs::read_to_string(&axe) else {
        println!("skipped: {axe} is not there; fetch it with tests/fetch.sh");
        return;
    };
    let Some(driver) = Driver::start() else { return };
    let (_place, catalogue) = folder();
    let (_, paths) = everything(&catalogue);
    let store = catalogue.store();
    catalogue.wait(async {
        let port = serve(&catalogue).await;
        let url = |path: &str| format!("http://127.0.0.1:{port}{path}");
        let mut found = Vec::new();
        let mut looks = Vec::new();
        for (width, height, dark) in
            [(1366, 768, false), (1366, 768, true), (1024, 768, false), (820, 1180, true)]
        {
            let browser = driver.client_with(width, height, dark).await;
            for path in &paths {
                browser.goto(&url(path)).await.unwrap();
                let is_dark = browser
                    .execute("return matchMedia('(prefers-color-scheme: dark)').matches", vec![])
                    .await
                    .unwrap();
                assert_eq!(is_dark, dark);
                found.extend(found_by(&browser, &axe, &format!("{path} at {width}, dark {dark}")).await);
            }
            looks.push(browser);
        }
        // Those that only people who sign in see; what another settled is read again.
        for name in ["M. Orrin", "A. Vell"] {
            store.set_person(name, glassine::catalogue::Role::Keeps, "moth lamp sugar rain").await.unwrap();
        }
        for (n, browser) in looks.into_iter().enumerate() {
            browser.goto(&url("/second")).await.unwrap();
            until(&browser, "location.pathname === '/sign-in'").await;
            found.extend(found_by(&browser, &axe, "/sign-in").await);
            browser.find(Locator::Css("[name=name]")).await.unwrap().send_keys("A. Vell").await.unwrap();
            let typed = format!("moth lamp sugar rain{ENTER}");
            browser.find(Locator::Css("[name=passphrase]")).await.unwrap().send_keys(&typed).await.unwrap();
            until(&browser, "location.pathname === '/'").await;
            for path in ["/second", "/", "/progress"] {
                browser.goto(&url(path)).await.unwrap();
                if path == "/second" {
                    until(&browser, "document.querySelector('form[action^=\"/second/\"]')").await;
                }
                found.extend(found_by(&browser, &axe, path).await);
                let wide = "return document.documentElement.scrollWidth - window.innerWidth";
                let wide = browser.execute(wide, vec![]).await.unwrap();
                assert!(wide.as_f64().unwrap() <= 0.0, "{path} is {wide} px too wide for a person's name");
            }
            if n == 0 {
                // One is read, so that the others' progress has an agreement to show.
                browser.goto(&url("/second")).await.unwrap();
                browser.find(Locator::Css("main form button")).await.unwrap().click().await.unwrap();
                until(&browser, "document.readyState === 'complete'").await;
                browser.goto(&url("/progress")).await.unwrap();
                until(&browser, "document.querySelector('main').textContent.includes('kappa')").await;
            }
            browser.close().await.unwrap();
        }
        assert!(found.is_empty(), "{}", found.join("\n\n"));
    });
}

/// A page of a notebook with a drawn photograph, its lines understood as a page.
fn page_in(catalogue: &Catalogue) -> i64 {
    let bytes = png(40);
    let facts = facts(40, &bytes);
    catalogue.keep_photo(&bytes, "png", &facts, None).unwrap();
    let text = "3 June 1968.  Skerrow Moss\nM.V. lamp, warm\nH68-41  Noctua pronuba  6\n\
                H68-42  Apamea crenata\n4 June.  Dunmere Bog\nH68-44  Papestra biren";
    let mut reading = glassine::reading::Reading::from_text("page.png", text);
    reading.photo = facts;
    for label in &mut reading.labels {
        for (n, line) in label.lines.iter_mut().enumerate() {
            let top = 85.0 + n as f32 * 80.0;
            line.quad = glassine::geometry::Quad::upright(80.0, top, 720.0, top + 46.0);
        }
    }
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/config");
    let rules = glassine::pipeline::Rules::load(Some(&config)).unwrap();
    let known = catalogue.known("none", None);
    let context = glassine::checking::Context {
        neighbours: &known,
        dates: &rules.parsing.dates,
        gazetteer: Some(&rules.parsing.gazetteer),
    };
    let (parsed, doubts) = glassine::pipeline::understand(&reading, &rules, &context);
    assert!(!parsed.entries.is_empty(), "it is a notebook page");
    catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft
}
