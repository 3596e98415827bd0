//! Who may come in: hosts, sessions, roles; signing in and out; and second
//! readings, which only make sense with several people.

use super::pages::{hidden, layout};
use super::words::{OFFERED, name};
use super::{Answer, App, At, Failed, Form, Shared, Walk, With, field, posted};
use crate::catalogue::{Draft, Role, term_rank};
use crate::trouble::Trouble;
use axum::extract::{Request, State as Held};
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use governor::{Quota, RateLimiter};
use maud::{Markup, html};
use std::num::NonZeroU32;
use std::sync::Arc;

/// Signing in may be tried this often in a minute for each name: enough for a
/// slip or two, too little for guessing (common practice).
const TRIES: NonZeroU32 = NonZeroU32::new(5).expect("five is not zero");

/// How many names the limit remembers before it forgets those at rest.
const NAMES: usize = 10_000;

/// The session cookie's name.
const COOKIE: &str = "glassine";

/// How often signing in may be tried, by name.
pub(super) struct Limit {
    names: governor::DefaultKeyedRateLimiter<String>,
    /// One passphrase is looked at after the other: each takes 19 MiB, and any name,
    /// known or not, makes one.
    hashing: tokio::sync::Semaphore,
}

impl Limit {
    pub(super) fn new() -> Limit {
        Limit { names: RateLimiter::keyed(Quota::per_minute(TRIES)), hashing: tokio::sync::Semaphore::new(1) }
    }

    fn allows(&self, name: &str) -> bool {
        if self.names.len() > NAMES {
            self.names.retain_recent();
        }
        // The beginning is enough to tell names apart, and bounds what is remembered.
        self.names.check_key(&name.to_lowercase().chars().take(100).collect()).is_ok()
    }
}

fn cookie(request: &axum::http::HeaderMap) -> Option<String> {
    request
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .find_map(|c| c.trim().strip_prefix(COOKIE)?.strip_prefix('=').map(str::to_owned))
}

/// Whether all that say where the request goes say that it goes here: two hosts,
/// or another one in the address, are a way past a server before this one.
fn here(base: &App, request: &Request) -> bool {
    let named = request.headers().get_all(header::HOST).iter().map(|v| v.to_str().unwrap_or(""));
    let mut hosts = named.chain(request.uri().authority().map(|a| a.as_str())).peekable();
    hosts.peek().is_some() && hosts.all(|host| base.hosts.iter().any(|h| h == host))
}

/// Refuses requests that are not the page's own or not allowed to the person,
/// says who asks, and sends the headers that keep the page to itself.
pub(super) async fn guard(Held(base): Held<Arc<App>>, mut request: Request, next: Next) -> Response {
    let sent = request.headers().clone();
    let header = |name: &str| sent.get(name).and_then(|v| v.to_str().ok());
    let here = here(&base, &request);
    let ours = |origin: &str| {
        origin.split_once("://").is_some_and(|(scheme, host)| {
            ["http", "https"].contains(&scheme) && base.hosts.iter().any(|h| h == host)
        })
    };
    let post = request.method() == Method::POST;
    let foreign_page = post
        && (header("sec-fetch-site").is_some_and(|s| s != "same-origin")
            || header("origin").is_some_and(|o| !ours(o)));
    let path = request.uri().path().to_owned();
    let mut response = if !here {
        let trouble = Trouble::new("this page", "is for this machine only").hint(
            "open the address that `glassine review` printed; other names of the machine are given with --host",
        );
        Failed(StatusCode::MISDIRECTED_REQUEST, trouble).into_response()
    } else if foreign_page {
        let trouble = Trouble::new("this request", "came from another page")
            .hint("go to the page itself and do it there; nothing was changed");
        Failed(StatusCode::FORBIDDEN, trouble).into_response()
    } else {
        match asking(&base, &sent, &path, post).await {
            Ok(app) => {
                request.extensions_mut().insert(Arc::new(app));
                next.run(request).await
            }
            Err(response) => response,
        }
    };
    let headers = response.headers_mut();
    for (name, value) in [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; \
             form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        // With "no-referrer" a browser sends `Origin: null` with the page's own
        // forms, and they could not be told from another page's.
        (header::REFERRER_POLICY, "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

/// The app for the person who asks, or the answer that turns them away.
async fn asking(
    base: &App,
    headers: &axum::http::HeaderMap,
    path: &str,
    post: bool,
) -> Result<App, Response> {
    let failed = |t: Trouble| Failed::from(t).into_response();
    let mut app = base.clone();
    if !base.store.has_people().await.map_err(failed)? {
        return Ok(app);
    }
    app.people = true;
    let open = ["/sign-in", "/page.css", "/page.js", "/icon.svg"].contains(&path);
    let session = match cookie(headers) {
        Some(cookie) => base.store.session(&cookie).await.map_err(failed)?,
        None => None,
    };
    match session {
        Some(session) => {
            app.who = session.name;
            app.role = session.role;
            app.token = session.token;
        }
        None if open => {
            app.who = String::new();
            app.role = Role::Reads;
            return Ok(app);
        }
        None if post => {
            let trouble = Trouble::new("you", "are not signed in, or no longer")
                .hint("sign in again in another tab, then repeat the step; nothing was changed");
            return Err(Failed(StatusCode::UNAUTHORIZED, trouble).into_response());
        }
        None => return Err(Redirect::to("/sign-in").into_response()),
    }
    let needed = match path {
        _ if !post => Role::Reads,
        "/sign-in" | "/sign-out" => Role::Reads,
        path if path == "/trash" || path.starts_with("/trash/") || path.ends_with("/trash") => Role::Keeps,
        _ => Role::Settles,
    };
    if app.role < needed {
        let what = if needed == Role::Keeps { "look after the folder" } else { "settle" };
        let trouble = Trouble::new(&app.who, format!("may not do this: it is for those who {what}"))
            .hint("ask whoever looks after the folder; nothing was changed");
        return Err(Failed(StatusCode::FORBIDDEN, trouble).into_response());
    }
    Ok(app)
}

pub(super) async fn sign_in_page(With(app): Shared) -> Answer {
    if !app.people || !app.who.is_empty() {
        return Ok(Redirect::to("/").into_response());
    }
    Ok(door(&app, "", "").into_response())
}

/// Signs in. No token guards this form: nobody is signed in yet, and the
/// origin was looked at.
pub(super) async fn sign_in(
    With(app): Shared,
    headers: axum::http::HeaderMap,
    axum::Form(form): Form,
) -> Answer {
    let (name, passphrase) = (field(&form, "name"), form.iter().find(|f| f.0 == "passphrase"));
    let passphrase = passphrase.map_or("", |p| p.1.as_str());
    if !app.limit.allows(name) {
        let page = door(&app, name, "Tried too often. Wait a minute, then try once more.");
        return Ok((StatusCode::TOO_MANY_REQUESTS, page).into_response());
    }
    // Never closed, so always given.
    let turn = app.limit.hashing.acquire().await;
    let signed = app.store.sign_in(name, passphrase).await?;
    drop(turn);
    match signed {
        Some(cookie) => {
            // Without an age it goes when the browser is closed; the session
            // itself expires after a working day.
            // Where the page came by HTTPS, here or from a server before this one,
            // it goes back by nothing else.
            let origin = headers.get(header::ORIGIN).and_then(|o| o.to_str().ok()).unwrap_or("");
            let secure = if app.https || origin.starts_with("https://") { "; Secure" } else { "" };
            let set = format!("{COOKIE}={cookie}; Path=/; HttpOnly; SameSite=Strict{secure}");
            Ok(([(header::SET_COOKIE, set)], Redirect::to("/")).into_response())
        }
        None => {
            let page = door(&app, name, "Name and passphrase do not fit.");
            Ok((StatusCode::UNAUTHORIZED, page).into_response())
        }
    }
}

pub(super) async fn sign_out(
    With(app): Shared,
    headers: axum::http::HeaderMap,
    axum::Form(form): Form,
) -> Answer {
    posted(&app, &form)?;
    if let Some(cookie) = cookie(&headers) {
        app.store.sign_out(&cookie).await?;
    }
    let gone = format!("{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
    Ok(([(header::SET_COOKIE, gone)], Redirect::to("/sign-in")).into_response())
}

fn door(app: &App, typed: &str, wrong: &str) -> Markup {
    let body = html! {
        section.failed {
            h1 { "Sign in" }
            @if !wrong.is_empty() { p.wrong role="alert" { (wrong) } }
            form.facet method="post" action="/sign-in" {
                label for="name" { "Name" }
                input #name name="name" value=(typed) required autocomplete="username" autofocus;
                label for="passphrase" { "Passphrase" }
                input #passphrase name="passphrase" type="password" required autocomplete="current-password";
                button.first { "Sign in" }
            }
        }
    };
    layout("Sign in", "door", None, Some(app), body)
}

/// A record to be read again by somebody who did not settle it: the photograph
/// and what the machine made of it, as the first reader had it.
pub(super) async fn second(With(app): Shared) -> Answer {
    let counts = app.store.state_counts().await?;
    let wanted = app.store.second_wanted(&app.who, app.second_reading).await?;
    let body = match wanted {
        Some(id) => again(&app, &app.store.draft(id).await?),
        None => html! {
            section.page {
                h1 { "Second reading" }
                div.nothing { p { "No record of the sample waits for your second reading." } }
            }
        },
    };
    Ok(layout("Second reading", "progress", Some(&counts), Some(&app), body).into_response())
}

fn again(app: &App, draft: &Draft) -> Markup {
    let read = &draft.parsed.fields;
    let mut terms: Vec<&str> = read.iter().map(|f| f.term.as_str()).collect();
    terms.extend(OFFERED.iter().filter(|o| !read.iter().any(|f| f.term == **o)));
    terms.sort_by_key(|t| (term_rank(t), *t));
    html! {
        article.one {
            header { h1 { "Second reading" }
                p.soft { (draft.name) ". You do not see what the first reader settled. Read it for yourself; the two are compared field by field." } }
            div.two {
                @if let Some(photo) = &draft.photo {
                    figure { img src={ "/photo/" (photo.id) "/view.jpg" } alt={ "Photograph " (draft.name) }; }
                } @else { pre { (draft.reading.text()) } }
                form method="post" action={ "/second/" (draft.id) } autocomplete="off" {
                    (hidden(app, &Walk::default(), None))
                    ol.fields {
                        @for term in terms {
                            @let value = draft.parsed.field(term).map_or("", |f| f.value.as_str());
                            li.field { div.face {
                                label for={ "v-" (term) } { (name(term)) }
                                input #{ "v-" (term) } name={ "v." (term) } value=(value) maxlength="2000";
                            } }
                        }
                    }
                    p {} button.first { "Keep my reading" }
                }
            }
        }
    }
}

pub(super) async fn read_again(With(app): Shared, At(id): At<i64>, axum::Form(form): Form) -> Answer {
    let posted = posted(&app, &form)?;
    let values: Vec<(String, String)> = posted.values.into_iter().map(|c| (c.term, c.value)).collect();
    app.store.read_again(id, &app.who, &values).await?;
    Ok(Redirect::to("/second").into_response())
}
