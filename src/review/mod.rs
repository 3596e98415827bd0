//! Shows drafts to a person, who settles them.
//!
//! A page of the person's own browser, served by this program to the same
//! machine only, unless `--network` names an address for people who sign in: no
//! outside fonts or scripts, and every page works without JavaScript; a small
//! script adds the keys and the moving light.
//!
//! Guards: another address than loopback is bound only where people sign in, and
//! with HTTPS unless `--without-https` says otherwise; the `Host` header must name
//! one of the page's own (a foreign name resolving to this machine is refused), every post carries a
//! token that only this program's own pages know, the
//! `Content-Security-Policy` lets a page load nothing but its own style,
//! script and pictures, and a connection has a time for each step ([`Patience`]).

mod door;
mod keeping;
mod pages;
mod pictures;
mod plots;
mod wire;
mod words;

use crate::catalogue::{
    Catalogue, Change, DeedKind, Draft, NUMBERED, PLACE, Queue, Role, StageRules, State, Store, event_term,
    following, of_event, with_followers,
};
use crate::geometry::{Point, Quad};
use crate::intake::IntakeRules;
use crate::trouble::{Result, Trouble};
use axum::Router;
use axum::extract::{FromRequestParts, Path, Query};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use pages::{Beside, Notice};
use pictures::{Pictures, Piece};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

pub use pictures::Opener;
pub use wire::{Patience, answer, encrypting};

/// A page's form holds some dozens of short values; more is not ours.
const LARGEST_FORM: usize = 1 << 20;

/// No page has so many fields: every term of Darwin Core, or the drafts of one
/// event, twice over.
const MOST_FIELDS: usize = 1000;

/// The terms by which the queue is narrowed, and what the page calls them.
/// Collector and determiner are those who wrote the labels.
const FACETS: [(&str, &str); 5] = [
    (PLACE, "place"),
    ("eventDate", "day"),
    ("recordedBy", "collector"),
    ("identifiedBy", "determiner"),
    ("scientificName", "name"),
];

/// A folded envelope, for the browser's tab.
const ICON: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><path d="M4 27 16 5l12 22z" fill="#fdf1d3" stroke="#2c4a80" stroke-width="2.5" stroke-linejoin="round"/><path d="M4 27 20 12" stroke="#2c4a80" stroke-width="2"/></svg>"##;

/// Takes the text of one record that a person typed (first) to a waiting draft,
/// in that person's name (second). It waits for the catalogue.
pub type Typist = Arc<dyn Fn(&str, &str) -> Result<i64> + Send + Sync>;

/// Checks drafts again after their values changed. It waits for the catalogue.
pub type Checker = Arc<dyn Fn(&[i64]) -> Result<()> + Send + Sync>;

/// How the page is served.
pub struct Options {
    /// The port on 127.0.0.1; 0 takes a free one.
    pub port: u16,
    /// Whether to open the page in the person's browser.
    pub open: bool,
    /// Who settles: written into the history of every deed.
    pub who: String,
    /// How originals are opened; [`originals`] opens them as intake does.
    pub opener: Opener,
    /// How typed text is taken in.
    pub typist: Typist,
    /// How drafts are checked again when a value was corrected.
    pub checker: Checker,
    /// Where others on the network find the page; `None`: this machine only.
    pub network: Option<Network>,
    /// Of a hundred settled drafts, how many another person reads again without
    /// seeing the first reading.
    pub second_reading: u8,
}

/// Where others on the network find the page.
#[derive(Clone, Debug)]
pub struct Network {
    /// The address of this machine that is listened at.
    pub address: IpAddr,
    /// Further host names by which the page is reached.
    pub names: Vec<String>,
    /// By what connections are encrypted.
    pub https: Option<Https>,
    /// Whether they may go without, past this machine: passphrases too.
    pub open: bool,
}

/// A certificate and its key, as PEM files.
#[derive(Clone, Debug)]
pub struct Https {
    /// The certificate, and those that vouch for it.
    pub certificate: PathBuf,
    /// Its key.
    pub key: PathBuf,
}

/// Opens originals of every kind that intake takes, within `rules`.
pub fn originals(rules: IntakeRules) -> Opener {
    Arc::new(move |path, page, room| pictures::open_original(path, page, &rules, room))
}

/// `glassine review`: the command's arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The collection folder.
    pub folder: PathBuf,
    /// Your name, written into the history of everything you decide; by default
    /// the name you are logged in with.
    #[arg(long)]
    pub who: Option<String>,
    /// The port of the page on this machine; 0 takes a free one.
    #[arg(long, default_value_t = 7411)]
    pub port: u16,
    /// Print the page's address and do not open a browser.
    #[arg(long)]
    pub no_open: bool,
    /// Let others on the network in, at this address of this machine. Only for
    /// a folder with people who sign in (see: glassine people).
    #[arg(long, value_name = "ADDRESS")]
    pub network: Option<IpAddr>,
    /// Another host name by which the page is reached, for example behind a
    /// server that adds HTTPS.
    #[arg(long = "host", value_name = "NAME", requires = "network")]
    pub hosts: Vec<String>,
    /// The certificate for HTTPS, a PEM file.
    #[arg(long, value_name = "FILE", requires_all = ["network", "key"])]
    pub certificate: Option<PathBuf>,
    /// The certificate's key, a PEM file.
    #[arg(long, value_name = "FILE", requires = "certificate")]
    pub key: Option<PathBuf>,
    /// Let others in without HTTPS: passphrases and records can be read by
    /// whoever listens on the network.
    #[arg(long, requires = "network", conflicts_with = "certificate")]
    pub without_https: bool,
    /// Of a hundred settled drafts, how many are offered to another person to
    /// be read again, blind to the first reading.
    #[arg(long, value_name = "PERCENT", default_value_t = 5, value_parser = clap::value_parser!(u8).range(0..=100))]
    pub second_reading: u8,
}

impl Args {
    /// The options that the arguments ask for, originals opened by `opener`,
    /// typed text taken in by `typist`, drafts checked again by `checker`.
    ///
    /// # Errors
    /// When no name is given and the system knows none.
    pub fn options(&self, opener: Opener, typist: Typist, checker: Checker) -> Result<Options> {
        let who = person(self.who.as_deref())?;
        let pair = self.certificate.clone().zip(self.key.clone());
        let https = pair.map(|(certificate, key)| Https { certificate, key });
        let (names, open) = (self.hosts.clone(), self.without_https);
        let network = self.network.map(|address| Network { address, names, https, open });
        let second_reading = self.second_reading;
        let open = !self.no_open;
        Ok(Options { port: self.port, open, who, opener, typist, checker, network, second_reading })
    }
}

/// Who does it: the name given, else the one the person is logged in with.
///
/// # Errors
/// When no name is given and the system knows none.
pub fn person(given: Option<&str>) -> Result<String> {
    let login = || ["USER", "LOGNAME", "USERNAME"].iter().find_map(|v| std::env::var(v).ok());
    given.map(str::to_owned).or_else(login).filter(|w| !w.trim().is_empty()).ok_or_else(|| {
        Trouble::new("your name", "is not known").hint("give it, for example: --who \"A. Vell\"")
    })
}

/// Serves the review page of `catalogue` until Ctrl-C. The address goes to
/// standard error.
///
/// # Errors
/// When the port is taken or not allowed.
pub fn serve(catalogue: &Catalogue, options: Options) -> Result<()> {
    catalogue.wait(async {
        let store = catalogue.store();
        let people = store.has_people().await?;
        let ip = options.network.as_ref().map_or(Ipv4Addr::LOCALHOST.into(), |n| n.address);
        if !ip.is_loopback() && !people {
            return Err(Trouble::new("the network", "is closed: nobody signs in to this folder")
                .hint("take people in first: glassine people FOLDER add NAME"));
        }
        let https = options.network.as_ref().and_then(|n| n.https.as_ref());
        if !ip.is_loopback() && https.is_none() && !options.network.as_ref().is_some_and(|n| n.open) {
            return Err(Trouble::new("the network", "is closed: passphrases would pass over it unencrypted")
                .hint(
                    "give a certificate with --certificate and --key; or put a server before the page that adds \
                     HTTPS (--network 127.0.0.1 --host NAME); or, where you trust everybody on it, say --without-https",
                ));
        }
        let tls = https.map(wire::encrypting).transpose()?;
        let scheme = if tls.is_some() { "https" } else { "http" };
        let address = SocketAddr::from((ip, options.port));
        let listener = tokio::net::TcpListener::bind(address).await.map_err(|e| {
            Trouble::new(format!("port {}", options.port), "cannot be used for the page")
                .cause(e)
                .hint("close the other program, or take a free port with: --port 0")
        })?;
        let address =
            listener.local_addr().map_err(|e| Trouble::new("the page", "has no address").cause(e))?;
        let open = options.open;
        let router = router(store, options, address.port());
        let url = format!("{scheme}://{address}/");
        if ip.is_loopback() {
            eprintln!("Review at {url} (this machine only). Ctrl-C ends it; nothing is lost.");
        } else {
            eprintln!("Review at {url}, for everybody who can reach this address and signs in.");
            if tls.is_none() {
                eprintln!(
                    "caution: what passes between browser and page is not encrypted, passphrases included. Use \
                     it only on a network that you trust."
                );
            }
        }
        if open && let Err(e) = open::that_detached(&url) {
            eprintln!("The browser could not be opened: open the address yourself. ({e})");
        }
        let end = async {
            // Without signals the page runs until the program is ended.
            if tokio::signal::ctrl_c().await.is_err() {
                std::future::pending::<()>().await;
            }
        };
        answer(listener, tls, router, Patience::default(), end).await;
        Ok(())
    })
}

/// What a request is answered with: the catalogue, and who asks.
#[derive(Clone)]
struct App {
    store: Arc<Store>,
    pictures: Arc<Pictures>,
    typist: Typist,
    checker: Checker,
    /// Who asks.
    who: String,
    /// What they may do.
    role: Role,
    /// What the forms of their pages carry.
    token: String,
    /// Whether people sign in to this folder.
    people: bool,
    hosts: Arc<[String]>,
    /// Whether connections are encrypted here.
    https: bool,
    second_reading: u8,
    limit: Arc<door::Limit>,
}

/// The [`App`] of a request, as [`door::guard`] made it for the person who asks.
struct With(Arc<App>);

type Shared = With;

impl<S: Send + Sync> FromRequestParts<S> for With {
    type Rejection = StatusCode;

    async fn from_request_parts(
        parts: &mut axum::http::request::Parts,
        _: &S,
    ) -> std::result::Result<Self, StatusCode> {
        parts.extensions.get::<Arc<App>>().cloned().map(With).ok_or(StatusCode::INTERNAL_SERVER_ERROR)
    }
}

/// The page's routes, for `port` of this machine.
pub fn router(store: Arc<Store>, options: Options, port: u16) -> Router {
    let mut hosts = ["127.0.0.1", "localhost", "[::1]"].map(|h| format!("{h}:{port}")).to_vec();
    if let Some(network) = &options.network {
        hosts.push(SocketAddr::from((network.address, port)).to_string());
        for name in &network.names {
            hosts.extend([name.clone(), format!("{name}:{port}")]);
        }
    }
    let app = Arc::new(App {
        store,
        pictures: Arc::new(Pictures::new(options.opener)),
        typist: options.typist,
        checker: options.checker,
        who: options.who,
        role: Role::Keeps,
        token: uuid::Uuid::new_v4().simple().to_string(),
        people: false,
        hosts: hosts.into(),
        https: options.network.as_ref().is_some_and(|n| n.https.is_some()),
        second_reading: options.second_reading,
        limit: Arc::new(door::Limit::new()),
    });
    Router::new()
        .route("/", get(queue))
        .route("/next", get(next))
        .route("/type", get(type_page).post(take_typed))
        .route("/draft/{id}", get(draft))
        .route("/draft/{id}/keep", post(keep))
        .route("/draft/{id}/settle", post(settle))
        .route("/draft/{id}/aside", post(aside))
        .route("/draft/{id}/back", post(back))
        .route("/draft/{id}/trash", post(keeping::throw_draft))
        .route("/draft/{id}/note", post(note))
        .route("/undo", post(undo))
        .route("/same/{id}/{term}", get(same).post(take_same))
        .route("/series/{id}/{term}", get(series).post(take_series))
        .route("/values/{term}", get(values))
        .route("/events", get(events))
        .route("/event", get(event).post(settle_event))
        .route("/progress", get(progress))
        .route("/records", get(records))
        .route("/plots", get(plots::plots))
        .route("/record/{id}", get(record))
        .route("/record/{id}/{deed}", post(keeping::deed))
        .route("/sign-in", get(door::sign_in_page).post(door::sign_in))
        .route("/sign-out", post(door::sign_out))
        .route("/second", get(door::second))
        .route("/second/{id}", post(door::read_again))
        .route("/places", get(keeping::places).post(keeping::make))
        .route("/place/{id}", get(keeping::place))
        .route("/due", get(keeping::due))
        .route("/trash", get(keeping::trash).post(keeping::from_trash))
        .route("/trash/empty", get(keeping::before_emptying).post(keeping::empty))
        .route("/photo/{id}/{piece}", get(photo))
        .route("/page.css", get(|| asset("text/css; charset=utf-8", include_str!("page.css"))))
        .route("/icon.svg", get(|| asset("image/svg+xml", ICON)))
        .route("/page.js", get(|| asset("text/javascript; charset=utf-8", include_str!("page.js"))))
        .fallback(|| async { nowhere() })
        .layer(tower_http::limit::RequestBodyLimitLayer::new(LARGEST_FORM))
        .layer(middleware::from_fn_with_state(app, door::guard))
}

/// What an address says of its page; an address that says nothing of the kind leads nowhere.
struct At<T>(T);

impl<T: serde::de::DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for At<T> {
    type Rejection = Failed;

    async fn from_request_parts(
        parts: &mut axum::http::request::Parts,
        state: &S,
    ) -> std::result::Result<Self, Failed> {
        match Path::<T>::from_request_parts(parts, state).await {
            Ok(Path(said)) => Ok(At(said)),
            Err(_) => Err(nowhere()),
        }
    }
}

fn nowhere() -> Failed {
    Failed(StatusCode::NOT_FOUND, Trouble::new("this address", "leads nowhere").hint("go on from the drafts"))
}

/// A trouble as a page, or as plain text for the script.
struct Failed(StatusCode, Trouble);

impl IntoResponse for Failed {
    fn into_response(self) -> Response {
        (self.0, Html(pages::failed(&self.1).into_string())).into_response()
    }
}

impl From<Trouble> for Failed {
    fn from(trouble: Trouble) -> Self {
        // Every trouble of the catalogue says which of these it is by its words
        // for the person; for the machine one code is enough.
        let code = if trouble.fact.contains("not in this catalogue") {
            StatusCode::NOT_FOUND
        } else {
            StatusCode::CONFLICT
        };
        Failed(code, trouble)
    }
}

type Answer = std::result::Result<Response, Failed>;

async fn asset(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")], text).into_response()
}

/// Which drafts the person walks through: carried in every address, so that
/// the next draft is one of the same kind.
#[derive(Clone, Debug, Default, Deserialize, serde::Serialize)]
#[serde(default)]
struct Walk {
    #[serde(skip_serializing_if = "String::is_empty")]
    state: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    doubt: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    term: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    is: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    q: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    order: String,
}

impl Walk {
    fn queue(&self) -> Queue {
        Queue {
            state: State::of(&self.state),
            doubt: Some(self.doubt.clone()).filter(|d| !d.is_empty()),
            with: (!self.term.is_empty()).then(|| (self.term.clone(), self.is.clone())),
            text: self.q.clone(),
            in_order: self.order == "in",
            free_for: None,
        }
    }

    /// The same for one person: drafts that others work on are left out.
    fn queue_for(&self, app: &App) -> Queue {
        Queue { free_for: app.people.then(|| app.who.clone()), ..self.queue() }
    }

    /// As the query of an address, without the question mark.
    fn query(&self) -> String {
        serde_urlencoded::to_string(self).unwrap_or_default()
    }

    fn of(query: &str) -> Walk {
        serde_urlencoded::from_str(query).unwrap_or_default()
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Extra {
    after: Option<i64>,
    back: Option<u8>,
    did: String,
}

async fn queue(With(app): Shared, Query(walk): Query<Walk>, Query(extra): Query<Extra>) -> Answer {
    let counts = app.store.counts().await?;
    let heads = app.store.drafts(&walk.queue(), extra.after, pages::LIST + 1).await?;
    let notice = Notice::of(&app, &extra.did).await;
    Ok(pages::queue(&app, &counts, &walk, &heads, extra.after.is_some(), notice).into_response())
}

async fn type_page(With(app): Shared) -> Answer {
    let counts = app.store.state_counts().await?;
    Ok(pages::type_in(&app, &counts, "", None).into_response())
}

/// Takes typed text in and opens its draft. Text that will not do stays on the
/// page, with the reason.
async fn take_typed(With(app): Shared, axum::Form(form): Form) -> Answer {
    posted(&app, &form)?;
    let text = form.iter().rev().find(|f| f.0 == "text").map_or("", |f| f.1.as_str()).to_owned();
    let (typist, who, given) = (app.typist.clone(), app.who.clone(), text.clone());
    let taken = tokio::task::spawn_blocking(move || typist(&given, &who)).await;
    let taken = taken.unwrap_or_else(|e| {
        Err(Trouble::new("this text", "could not be understood: a fault of this program")
            .cause(e)
            .hint("please report it with the text"))
    });
    match taken {
        Ok(draft) => Ok(Redirect::to(&format!("/draft/{draft}")).into_response()),
        Err(trouble) => {
            let counts = app.store.state_counts().await?;
            let page = pages::type_in(&app, &counts, &text, Some(&trouble));
            Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
        }
    }
}

async fn next(With(app): Shared, Query(walk): Query<Walk>, Query(extra): Query<Extra>) -> Answer {
    let next = next_for(&app, &walk, extra.after, extra.back.is_some()).await?;
    Ok(go_on(next, &walk, &extra.did))
}

/// The draft that the person goes on with. Where several work it is theirs
/// before they see it: were it only looked up, all of them would be sent to the
/// same one.
async fn next_for(app: &App, walk: &Walk, after: Option<i64>, back: bool) -> Result<Option<i64>> {
    let queue = walk.queue_for(app);
    let works = app.people && app.role >= Role::Settles && queue.state == State::Waiting;
    let mut after = after;
    // As many as may be taken by others between looking up and taking.
    for _ in 0..40 {
        let next = app.store.next_draft(&queue, after, back).await?;
        let Some(id) = next.filter(|_| works) else { return Ok(next) };
        if app.store.lease(id, &app.who).await?.is_none() {
            return Ok(next);
        }
        after = next;
    }
    app.store.next_draft(&queue, after, back).await
}

fn go_on(next: Option<i64>, walk: &Walk, did: &str) -> Response {
    let mut query = walk.query();
    if !did.is_empty() {
        query += &format!("&did={did}");
    }
    let query = query.trim_start_matches('&');
    let to = match next {
        Some(id) => format!("/draft/{id}?{query}"),
        None => format!("/?{query}"),
    };
    Redirect::to(to.trim_end_matches('?')).into_response()
}

async fn draft(
    With(app): Shared,
    At(id): At<i64>,
    Query(walk): Query<Walk>,
    Query(extra): Query<Extra>,
) -> Answer {
    let draft = app.store.draft(id).await?;
    let notice = Notice::of(&app, &extra.did).await;
    show(&app, &draft, &walk, notice, &[]).await
}

async fn show(
    app: &Arc<App>,
    draft: &Draft,
    walk: &Walk,
    notice: Option<Notice>,
    misfits: &[(String, String, String)],
) -> Answer {
    let counts = app.store.state_counts().await?;
    // Whoever looks at a waiting draft works on it, if nobody else does.
    let busy = if app.people && app.role >= Role::Settles && draft.state == State::Waiting {
        app.store.lease(draft.id, &app.who).await?
    } else {
        None
    };
    let next = app.store.next_draft(&walk.queue_for(app), Some(draft.id), false).await?;
    let next = match next {
        Some(id) => app.store.draft(id).await.ok(),
        None => None,
    };
    make_ready(app, draft, next.as_ref());
    let series = if draft.state == State::Waiting { app.store.follows(draft).await? } else { Vec::new() };
    let lies_in = app.store.containers_on(draft.reading.codes.iter().map(|c| c.text.as_str())).await?;
    let lies_in = lies_in.as_slice();
    let events = app.store.page_events(draft.id).await?;
    let joined = app.store.joined_to(draft, &events).await?;
    let past = app.store.past_doubts(draft.id).await?;
    let beside = Beside {
        lies_in,
        next: next.as_ref(),
        did: notice,
        misfits,
        series: &series,
        busy: busy.as_deref(),
        events: &events,
        joined: &joined,
        past: &past,
    };
    let page = pages::draft(app, draft, &counts, walk, beside);
    Ok(page.into_response())
}

/// How long the next draft's pictures wait: until the browser has this one's page
/// together, which on two cores they would hold up for as long as they take.
const NEXT_PICTURES: Duration = Duration::from_millis(400);

/// Makes the pictures of this draft ahead of the browser's asking, and then those
/// of the next one.
fn make_ready(app: &Arc<App>, draft: &Draft, next: Option<&Draft>) {
    let pieces = |draft: &Draft| {
        let noted = draft.parsed.entries.iter().flat_map(|e| &e.values).map(|n| &n.field);
        let boxes = draft.parsed.fields.iter().chain(noted).flat_map(|f| &f.boxes);
        std::iter::once(Piece::View).chain(boxes.map(|b| Piece::Words(rounded(*b)))).collect()
    };
    if let Some(photo) = &draft.photo {
        app.pictures.want(photo, pieces(draft));
    }
    if let Some((photo, wanted)) = next.and_then(|n| Some((n.photo.clone()?, pieces(n)))) {
        let app = app.clone();
        tokio::spawn(async move {
            tokio::time::sleep(NEXT_PICTURES).await;
            app.pictures.want(&photo, wanted);
        });
    }
}

/// What a post brings: the token, the walk, what was seen, and values.
#[derive(Debug, Default)]
struct Posted {
    walk: Walk,
    seen: Option<i64>,
    why: String,
    note: String,
    values: Vec<Change>,
    drafts: Vec<(i64, Option<i64>)>,
}

/// Reads a form after checking its token.
fn posted(app: &App, form: &[(String, String)]) -> std::result::Result<Posted, Failed> {
    // Hashes are compared, so that the time taken tells nothing.
    let token = blake3::hash(form.iter().rfind(|f| f.0 == "token").map_or("", |f| f.1.as_str()).as_bytes());
    if token != blake3::hash(app.token.as_bytes()) {
        let trouble = Trouble::new("this page", "is from before the program was started again")
            .hint("go back, load the page again and repeat the step; nothing was changed");
        return Err(Failed(StatusCode::FORBIDDEN, trouble));
    }
    if form.len() > MOST_FIELDS {
        let trouble = Trouble::new("this form", format!("has more than {MOST_FIELDS} fields"))
            .hint("go back and send less at once; nothing was changed");
        return Err(Failed(StatusCode::PAYLOAD_TOO_LARGE, trouble));
    }
    let mut posted = Posted::default();
    for (name, value) in form {
        match name.as_str() {
            "walk" => posted.walk = Walk::of(value),
            "seen" => posted.seen = value.parse().ok(),
            "why" if !value.trim().is_empty() => posted.why = value.trim().to_owned(),
            "note" => posted.note.clone_from(value),
            // A draft and the last deed on it that was shown: `12.345`.
            "draft" => {
                let (id, seen) = value.split_once('.').unwrap_or((value, ""));
                posted.drafts.extend(id.parse().ok().map(|id| (id, seen.parse().ok())));
            }
            _ => {
                if let Some(term) = name.strip_prefix("v.").filter(|t| is_term(t)) {
                    // A candidate's button comes after the field's own value.
                    posted.values.retain(|c| c.term != term);
                    posted.values.push(Change { term: term.into(), value: value.trim().into() });
                }
            }
        }
    }
    Ok(posted)
}

/// The last value that a form gives for `name`, without spaces around.
fn field<'f>(form: &'f [(String, String)], name: &str) -> &'f str {
    form.iter().rev().find(|f| f.0 == name).map_or("", |f| f.1.trim())
}

/// Whether `term` could be a Darwin Core term's name.
fn is_term(term: &str) -> bool {
    // Of an entry of a notebook page: `event 3 eventDate`.
    let term = of_event(term).map_or(term, |(_, term)| term);
    (2..=60).contains(&term.len())
        && term.starts_with(|c: char| c.is_ascii_lowercase())
        && term.chars().all(|c| c.is_ascii_alphanumeric())
        && !["state", "note"].contains(&term)
}

/// A change of an entry's date or place goes on to the entries below that carry
/// it, but for those that are changed themselves.
async fn carried_on(app: &App, draft: i64, values: Vec<Change>) -> Result<Vec<Change>> {
    if !values.iter().any(|c| of_event(&c.term).is_some()) {
        return Ok(values);
    }
    let events = app.store.page_events(draft).await?;
    // A form sends every value of an entry; one that goes on from the page before
    // and was left as it stands is not the person's.
    let stands = |c: &Change| {
        of_event(&c.term)
            .is_some_and(|(nth, term)| events.iter().any(|e| e.nth == nth && e.value(term) == c.value))
    };
    let values: Vec<Change> = values.into_iter().filter(|c| !stands(c)).collect();
    let mut all = values.clone();
    for change in &values {
        let Some((nth, term)) = of_event(&change.term) else { continue };
        let was = events.iter().find(|e| e.nth == nth).map_or("", |e| e.value(term));
        if was != change.value && ["eventDate", "locality"].contains(&term) {
            let more = with_followers(&events, nth, term, &change.value);
            all.extend(more.into_iter().filter(|c| !values.iter().any(|v| v.term == c.term)));
        }
    }
    Ok(all)
}

/// Checks drafts again after a deed on their values.
async fn check_again(app: &App, drafts: Vec<i64>) -> Result<()> {
    let checker = app.checker.clone();
    let done = tokio::task::spawn_blocking(move || checker(&drafts)).await;
    done.unwrap_or_else(|e| {
        Err(Trouble::new("the doubts", "could not be checked again: a fault of this program")
            .cause(e)
            .hint("the values are kept; please report it with the draft"))
    })
}

/// The values that do not fit their term: term, value, sentence.
fn misfits(values: &[Change]) -> Vec<(String, String, String)> {
    let misfit = |c: &Change| {
        let term = of_event(&c.term).map_or(c.term.as_str(), |(_, term)| term);
        words::misfit(term, &c.value).map(|sentence| (c.term.clone(), c.value.clone(), sentence))
    };
    values.iter().filter_map(misfit).collect()
}

/// Refuses what another person works on just now.
async fn free(app: &App, draft: i64) -> std::result::Result<(), Failed> {
    if !app.people {
        return Ok(());
    }
    match app.store.leased(draft, &app.who).await? {
        Some(who) => Err(Trouble::new(format!("draft {draft}"), format!("is being worked on by {who}"))
            .hint("go on with another one; it is free again five minutes after they leave it")
            .into()),
        None => Ok(()),
    }
}

type Form = axum::Form<Vec<(String, String)>>;

fn wants_json(headers: &HeaderMap) -> bool {
    headers
        .get(header::ACCEPT)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|accept| accept.contains("application/json"))
}

/// Keeps typed values without settling.
async fn keep(With(app): Shared, At(id): At<i64>, headers: HeaderMap, axum::Form(form): Form) -> Answer {
    let json = wants_json(&headers);
    let done = async {
        let posted = posted(&app, &form)?;
        free(&app, id).await?;
        let misfits = misfits(&posted.values);
        if !misfits.is_empty() {
            return Ok((posted, misfits));
        }
        let values = carried_on(&app, id, posted.values.clone()).await?;
        if app.store.change(id, &app.who, &values, posted.seen).await? > 0 {
            check_again(&app, vec![id]).await?;
        }
        Ok((posted, misfits))
    };
    match (done.await, json) {
        (Ok((_, misfits)), true) if !misfits.is_empty() => {
            let misfits: serde_json::Map<_, _> =
                misfits.into_iter().map(|(term, _, sentence)| (term, sentence.into())).collect();
            let body = serde_json::json!({ "misfits": misfits });
            Ok((StatusCode::UNPROCESSABLE_ENTITY, axum::Json(body)).into_response())
        }
        (Ok((posted, misfits)), false) if !misfits.is_empty() => {
            let draft = app.store.draft(id).await?;
            let mut page = show(&app, &draft, &posted.walk, None, &misfits).await?;
            *page.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            Ok(page)
        }
        (Ok(_), true) => {
            let draft = app.store.draft(id).await?;
            let mut values: serde_json::Map<_, _> = draft
                .values
                .iter()
                .map(|v| (v.term.clone(), serde_json::json!({ "value": v.value, "changed": v.changed() })))
                .collect();
            for event in app.store.page_events(id).await? {
                values.extend(event.values.iter().map(|v| {
                    let now = serde_json::json!({ "value": v.value, "from": v.told() });
                    (event_term(event.nth, &v.term), now)
                }));
            }
            let same: Vec<_> = same_elsewhere(&app, &draft).await?;
            let same: Vec<_> = same
                .into_iter()
                .map(|(term, count)| {
                    let say = pages::stands_elsewhere(&term, count);
                    serde_json::json!({ "say": say, "to": format!("/same/{id}/{term}") })
                })
                .collect();
            let doubts = pages::doubts(&draft).into_string();
            let answer =
                serde_json::json!({ "seen": draft.seen, "values": values, "same": same, "doubts": doubts });
            Ok(axum::Json(answer).into_response())
        }
        (Ok((posted, _)), false) => Ok(go_on(Some(id), &posted.walk, "")),
        (Err(Failed(code, trouble)), true) => {
            Ok((code, axum::Json(serde_json::json!({ "trouble": trouble.to_string() }))).into_response())
        }
        (Err(failed), false) => Err(failed),
    }
}

async fn settle(With(app): Shared, At(id): At<i64>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    free(&app, id).await?;
    let misfits = misfits(&posted.values);
    if !misfits.is_empty() {
        let draft = app.store.draft(id).await?;
        let mut page = show(&app, &draft, &posted.walk, None, &misfits).await?;
        *page.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
        return Ok(page);
    }
    let into = Some(field(&form, "into")).filter(|i| !i.is_empty());
    app.store.settle_into(id, &app.who, &posted.values, posted.seen, into).await?;
    let next = next_for(&app, &posted.walk, Some(id), false).await?;
    Ok(go_on(next, &posted.walk, &format!("settle.{id}")))
}

async fn aside(With(app): Shared, At(id): At<i64>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    free(&app, id).await?;
    app.store.set_aside(id, &app.who, &posted.why).await?;
    let next = next_for(&app, &posted.walk, Some(id), false).await?;
    Ok(go_on(next, &posted.walk, &format!("aside.{id}")))
}

async fn back(With(app): Shared, At(id): At<i64>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    app.store.take_back(id, &app.who).await?;
    Ok(go_on(Some(id), &posted.walk, &format!("back.{id}")))
}

async fn note(With(app): Shared, At(id): At<i64>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    free(&app, id).await?;
    app.store.note(id, &app.who, &posted.note).await?;
    Ok(go_on(Some(id), &posted.walk, &format!("note.{id}")))
}

async fn undo(With(app): Shared, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    let undone = app.store.undo(&app.who, None).await?;
    check_again(&app, undone.drafts.clone()).await?;
    let kind = match undone.kind {
        DeedKind::Settle => "unsettle",
        DeedKind::Aside => "unaside",
        _ => "undo",
    };
    // From a record's page the person goes back to it, as long as it stands.
    if let Some(lot) = field(&form, "to").strip_prefix("/record/").and_then(|l| l.parse::<i64>().ok())
        && app.store.record(lot).await.is_ok()
    {
        return Ok(Redirect::to(&format!("/record/{lot}")).into_response());
    }
    let to = undone.drafts.first().copied();
    Ok(go_on(to, &posted.walk, &format!("{kind}.{}", to.unwrap_or_default())))
}

/// The most drafts offered or settled at once: what a person can look over.
const AT_ONCE: u32 = 60;

/// For each value of `draft` that a person gave: how many waiting drafts have
/// the same words with another value.
async fn same_elsewhere(app: &App, draft: &Draft) -> Result<Vec<(String, usize)>> {
    let mut found = Vec::new();
    for value in draft.values.iter().filter(|v| v.changed()) {
        let same = app.store.same_words(draft, &value.term, &value.value, AT_ONCE).await?;
        if !same.is_empty() {
            found.push((value.term.clone(), same.len()));
        }
    }
    Ok(found)
}

/// Where the words of a changed value stand too: shown with their crops, taken
/// or left one by one.
async fn same(With(app): Shared, At((id, term)): At<(i64, String)>, Query(walk): Query<Walk>) -> Answer {
    let draft = app.store.draft(id).await?;
    let value = draft.values.iter().find(|v| v.term == term);
    let value = value.ok_or_else(|| Trouble::new(format!("draft {id}"), format!("has no {term}")))?;
    let same = app.store.same_words(&draft, &term, &value.value, AT_ONCE).await?;
    let counts = app.store.state_counts().await?;
    Ok(pages::same(&app, &counts, &walk, &draft, value, &same).into_response())
}

async fn take_same(With(app): Shared, At((id, term)): At<(i64, String)>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    let draft = app.store.draft(id).await?;
    let value = draft.values.iter().find(|v| v.term == term).map_or("", |v| v.value.as_str());
    // Only what was shown and still stands there is changed.
    let offered = app.store.same_words(&draft, &term, value, AT_ONCE).await?;
    let change = Change { term: term.clone(), value: value.into() };
    let chosen: Vec<_> = offered
        .iter()
        .filter(|s| posted.drafts.iter().any(|d| d.0 == s.draft))
        .map(|s| (s.draft, vec![change.clone()]))
        .collect();
    let why = format!("the same words as in {}", draft.name);
    app.store.change_each(&chosen, &app.who, &why, None).await?;
    check_again(&app, chosen.iter().map(|c| c.0).collect()).await?;
    // Back to where the person was: this draft, or the next one if it is done.
    let to = match draft.state {
        State::Settled => next_for(&app, &posted.walk, Some(id), false).await?,
        _ => Some(id),
    };
    Ok(go_on(to, &posted.walk, &format!("same.{id}.{}", chosen.len())))
}

/// The drafts after this one with the numbers that would follow.
async fn series(With(app): Shared, At((id, term)): At<(i64, String)>) -> Answer {
    let draft = app.store.draft(id).await?;
    let from = numbered(&draft, &term)?;
    let run = app.store.series(id, &term, &from, AT_ONCE).await?;
    let counts = app.store.state_counts().await?;
    Ok(pages::series(&app, &counts, &draft, &term, &from, &run).into_response())
}

fn numbered(draft: &Draft, term: &str) -> Result<String> {
    let value = draft.values.iter().find(|v| v.term == term && NUMBERED.contains(&term));
    value.map(|v| v.value.clone()).filter(|v| !v.is_empty()).ok_or_else(|| {
        Trouble::new(format!("draft {}", draft.id), format!("has no number in {term} to go on from"))
            .hint("give it its number first")
    })
}

async fn take_series(With(app): Shared, At((id, term)): At<(i64, String)>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    let draft = app.store.draft(id).await?;
    let from = numbered(&draft, &term)?;
    let run = app.store.series(id, &term, &from, AT_ONCE).await?;
    // Only what was shown and still waits is numbered, in the order shown.
    let chosen: Vec<i64> =
        run.iter().map(|n| n.head.id).filter(|d| posted.drafts.iter().any(|p| p.0 == *d)).collect();
    let mut changes = Vec::with_capacity(chosen.len());
    let mut number = from;
    for draft in chosen {
        number = following(&number).ok_or_else(|| {
            Trouble::new(number.clone(), "is no number that another could follow")
                .hint("give the draft a number that ends in digits")
        })?;
        changes.push((draft, vec![Change { term: term.clone(), value: number.clone() }]));
    }
    let why = format!("numbered after {}", draft.name);
    app.store.change_each(&changes, &app.who, &why, None).await?;
    check_again(&app, changes.iter().map(|c| c.0).collect()).await?;
    Ok(go_on(Some(id), &posted.walk, &format!("series.{id}.{}", changes.len())))
}

/// The values of a term among the drafts, to choose one of them.
async fn values(With(app): Shared, At(term): At<String>, Query(walk): Query<Walk>) -> Answer {
    let values = app.store.values_of(&term, State::of(&walk.state), 300).await?;
    let counts = app.store.state_counts().await?;
    Ok(pages::values(&app, &counts, &walk, &term, &values).into_response())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Which {
    day: String,
    place: String,
    by: String,
    did: String,
}

async fn events(With(app): Shared, Query(which): Query<Which>) -> Answer {
    let events = app.store.events(200).await?;
    let counts = app.store.state_counts().await?;
    let notice = Notice::of(&app, &which.did).await;
    Ok(pages::events(&app, &counts, &events, notice).into_response())
}

/// The drafts of one day and place, to be settled as one event.
async fn event(With(app): Shared, Query(which): Query<Which>) -> Answer {
    let ids = app.store.event(&which.day, &which.place, &which.by, AT_ONCE).await?;
    let mut drafts = Vec::with_capacity(ids.len());
    for id in ids {
        drafts.push(app.store.draft(id).await?);
    }
    let counts = app.store.state_counts().await?;
    let shown = boxes_shown(&app, &drafts).await?;
    let containers = app.store.containers(None).await?;
    let which = [&which.day, &which.place, &which.by].map(String::as_str);
    Ok(pages::event(&app, &counts, which, &drafts, &shown, &containers).into_response())
}

/// The container of each draft whose photograph shows the code of one, and of
/// one only.
async fn boxes_shown(app: &App, drafts: &[Draft]) -> Result<BTreeMap<i64, String>> {
    let mut shown = BTreeMap::new();
    for draft in drafts {
        let codes = draft.reading.codes.iter().map(|c| c.text.as_str());
        if let [one] = app.store.containers_on(codes).await?.as_slice() {
            shown.insert(draft.id, one.code.clone());
        }
    }
    Ok(shown)
}

async fn settle_event(With(app): Shared, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    let drafts: Vec<_> = posted.drafts.into_iter().take(AT_ONCE as usize).collect();
    let mut shown = BTreeMap::new();
    if field(&form, "by-code") == "1" {
        let mut whole = Vec::with_capacity(drafts.len());
        for (id, _) in &drafts {
            whole.push(app.store.draft(*id).await?);
        }
        shown = boxes_shown(&app, &whole).await?;
    }
    let others = Some(field(&form, "into")).filter(|i| !i.is_empty());
    let into = |draft: i64| shown.get(&draft).cloned().or_else(|| others.map(str::to_owned));
    let lots = app.store.settle_each(&drafts, &app.who, "settled as one event", into).await?;
    let first = drafts.first().map_or(0, |d| d.0);
    Ok(Redirect::to(&format!("/events?did=event.{first}.{}", lots.len())).into_response())
}

async fn progress(With(app): Shared) -> Answer {
    let progress = app.store.progress().await?;
    let agreement = app.store.agreement().await?;
    let counts = app.store.state_counts().await?;
    Ok(pages::progress(&app, &counts, &progress, &agreement).into_response())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Find {
    q: String,
    before: Option<i64>,
}

async fn records(With(app): Shared, Query(find): Query<Find>) -> Answer {
    let heads = if find.q.trim().is_empty() {
        app.store.newest(find.before, pages::LIST + 1).await?
    } else {
        app.store.search(&find.q, 200).await?
    };
    let counts = app.store.state_counts().await?;
    Ok(pages::records(&app, &counts, &find.q, &heads).into_response())
}

async fn record(With(app): Shared, At(id): At<i64>) -> Answer {
    let record = app.store.record(id).await?;
    let counts = app.store.state_counts().await?;
    let containers = app.store.containers(None).await?;
    let stages = app.store.stages_of(id).await?;
    let rules = StageRules::load(Some(&app.store.folder().config()))?;
    Ok(pages::record(&app, &counts, &record, &containers, (&stages, &rules)).into_response())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Where {
    at: String,
}

/// Pictures of a photograph: `view.jpg`, `small.jpg`, `words.jpg?at=` eight
/// numbers (the corners), `part.jpg?at=` four (left, top, width, height).
async fn photo(With(app): Shared, At((id, piece)): At<(i64, String)>, Query(wanted): Query<Where>) -> Answer {
    let numbers: Vec<f32> = wanted.at.split(',').filter_map(|n| n.parse().ok()).collect();
    let piece = match (piece.as_str(), numbers.as_slice()) {
        ("view.jpg", _) => Some(Piece::View),
        ("small.jpg", _) => Some(Piece::Small),
        ("words.jpg", [a, b, c, d, e, f, g, h]) => {
            let [a, b, c, d] = [(a, b), (c, d), (e, f), (g, h)].map(|(x, y)| Point::new(*x, *y));
            Some(Piece::Words(Quad([a, b, c, d]))).filter(|_| numbers.iter().all(|n| n.abs() < 1e6))
        }
        ("part.jpg", [x, y, w, h]) => Some(Piece::Part([x, y, w, h].map(|n| n.max(0.0) as u32))),
        _ => None,
    };
    let Some(piece) = piece else {
        return Err(Failed(StatusCode::NOT_FOUND, Trouble::new("this picture", "is not one of the page's")));
    };
    let photo = app.store.photo(id).await?;
    let made = app.pictures.jpeg(&photo, piece).await;
    let jpeg = made.map_err(|t| Failed(StatusCode::UNPROCESSABLE_ENTITY, t))?;
    let headers = [(header::CONTENT_TYPE, "image/jpeg"), (header::CACHE_CONTROL, "private, max-age=86400")];
    Ok((headers, jpeg.to_vec()).into_response())
}

/// A quad to whole pixels, as addresses give it.
fn rounded(quad: Quad) -> Quad {
    Quad(quad.0.map(|p| Point::new(p.x.round(), p.y.round())))
}
