//! The yard page's files, at `/yard/`. They are made by `sync-server/yard/build.sh` and read once,
//! when the hub starts. A phone that loaded them needs the hub no more to open the page.
//!
//! They are the same for everybody and hold no records, so they need no token.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::{env, fs, io};

use axum::Router;
use axum::body::Bytes;
use axum::extract::Path as Named;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::get;

/// Nothing but the hub's own files runs, and nothing else is spoken to.
const POLICY: &str = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; \
     img-src 'self' blob: data:; connect-src 'self'; worker-src 'self'; manifest-src 'self'; \
     base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// What is said where the files are not there.
const HOW_TO_MAKE: &str = "the yard page is not made: run sync-server/yard/build.sh and start the hub \
                           again, or name the folder with --yard";

/// The page's files, by name.
#[derive(Debug, Clone, Default)]
pub struct Yard(Option<Arc<BTreeMap<String, File>>>);

#[derive(Debug)]
struct File {
    kind: &'static str,
    tag: HeaderValue,
    plain: Bytes,
    gzipped: Option<Bytes>,
}

impl Yard {
    /// Reads the files of a folder; without one, those beside this program, if they are there.
    ///
    /// # Errors
    /// The folder was named and cannot be read, or holds no page.
    pub fn read(named: Option<&Path>) -> io::Result<Self> {
        if let Some(folder) = named {
            let files = files(folder)?;
            if !files.contains_key("index.html") {
                return Err(io::Error::new(
                    io::ErrorKind::NotFound,
                    "no index.html is in it",
                ));
            }
            return Ok(Self(Some(Arc::new(files))));
        }
        let found = usual().into_iter().find_map(|folder| files(&folder).ok());
        let whole = found.filter(|files| files.contains_key("index.html"));
        Ok(Self(whole.map(Arc::new)))
    }

    /// Returns what to do to have the page, where it is not there.
    #[must_use]
    pub fn lacks(&self) -> Option<&'static str> {
        self.0.is_none().then_some(HOW_TO_MAKE)
    }

    /// Returns the routes under which the page is served.
    pub(crate) fn routes<S: Clone + Send + Sync + 'static>(&self) -> Router<S> {
        let (all, one) = (self.clone(), self.clone());
        Router::new()
            .route("/yard", get(|| async { Redirect::permanent("/yard/") }))
            .route(
                "/yard/",
                get(move |headers: HeaderMap| async move { all.serve("index.html", &headers) }),
            )
            .route(
                "/yard/{file}",
                get(
                    move |Named(name): Named<String>, headers: HeaderMap| async move {
                        one.serve(&name, &headers)
                    },
                ),
            )
    }

    fn serve(&self, name: &str, headers: &HeaderMap) -> Response {
        let Some(files) = &self.0 else {
            let page = format!("<!doctype html><title>Headwalk</title><p>{HOW_TO_MAKE}.");
            return (StatusCode::NOT_FOUND, Html(page)).into_response();
        };
        let Some(file) = files.get(name) else {
            return StatusCode::NOT_FOUND.into_response();
        };
        let has = |name: HeaderName, wanted: &str| {
            let value = headers.get(name).and_then(|value| value.to_str().ok());
            value.is_some_and(|value| value.contains(wanted))
        };
        let told = [
            (header::ETAG, file.tag.clone()),
            // Always asked for anew: the page itself keeps what it needs without the hub.
            (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
            (header::VARY, HeaderValue::from_static("accept-encoding")),
        ];
        if headers.get(header::IF_NONE_MATCH) == Some(&file.tag) {
            return (StatusCode::NOT_MODIFIED, told).into_response();
        }
        let policy = [
            (header::CONTENT_TYPE, HeaderValue::from_static(file.kind)),
            (
                header::CONTENT_SECURITY_POLICY,
                HeaderValue::from_static(POLICY),
            ),
            (
                header::X_CONTENT_TYPE_OPTIONS,
                HeaderValue::from_static("nosniff"),
            ),
            (
                header::REFERRER_POLICY,
                HeaderValue::from_static("no-referrer"),
            ),
        ];
        match &file.gzipped {
            Some(gzipped) if has(header::ACCEPT_ENCODING, "gzip") => {
                let coding = [(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"))];
                (told, policy, coding, gzipped.clone()).into_response()
            }
            _ => (told, policy, file.plain.clone()).into_response(),
        }
    }
}

/// Where the files are looked for: beside this program, and beside its folder as a build leaves it.
fn usual() -> Vec<PathBuf> {
    let program = env::current_exe().ok();
    let folder = program.as_deref().and_then(Path::parent);
    let folders = [folder, folder.and_then(Path::parent)];
    folders
        .into_iter()
        .flatten()
        .map(|folder| folder.join("yard"))
        .collect()
}

fn files(folder: &Path) -> io::Result<BTreeMap<String, File>> {
    let mut files = BTreeMap::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
            continue;
        };
        let Some(kind) = kind(name) else {
            continue; // compressed twins come with their files; nothing else is the page's
        };
        let plain = Bytes::from(fs::read(&path)?);
        let gzipped = fs::read(folder.join(format!("{name}.gz")))
            .ok()
            .map(Bytes::from);
        let tag = format!("\"{}\"", blake3::hash(&plain).to_hex());
        let tag = HeaderValue::from_str(&tag).expect("a digest is letters and digits");
        files.insert(
            name.to_owned(),
            File {
                kind,
                tag,
                plain,
                gzipped,
            },
        );
    }
    Ok(files)
}

fn kind(name: &str) -> Option<&'static str> {
    Some(match name.rsplit_once('.')?.1 {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "wasm" => "application/wasm",
        "svg" => "image/svg+xml",
        "webmanifest" => "application/manifest+json",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn page() -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("index.html"), "<title>yard</title>").unwrap();
        fs::write(folder.path().join("core.wasm"), "long").unwrap();
        fs::write(folder.path().join("core.wasm.gz"), "short").unwrap();
        fs::write(folder.path().join("notes.txt"), "not served").unwrap();
        folder
    }

    fn asked(name: &'static str, value: &str) -> HeaderMap {
        let mut headers = HeaderMap::new();
        headers.insert(name, HeaderValue::from_str(value).unwrap());
        headers
    }

    #[test]
    fn a_browser_gets_the_short_form_and_asks_for_nothing_twice() {
        let folder = page();
        let yard = Yard::read(Some(folder.path())).unwrap();
        let first = yard.serve("core.wasm", &asked("accept-encoding", "gzip, br"));
        assert_eq!(first.headers()[header::CONTENT_ENCODING], "gzip");
        assert_eq!(first.headers()[header::CONTENT_TYPE], "application/wasm");
        let tag = first.headers()[header::ETAG].to_str().unwrap().to_owned();
        let again = yard.serve("core.wasm", &asked("if-none-match", &tag));
        assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
        let plain = yard.serve("core.wasm", &HeaderMap::new());
        assert_eq!(plain.headers().get(header::CONTENT_ENCODING), None);
    }

    #[test]
    fn nothing_but_the_pages_own_files_is_served() {
        let folder = page();
        let yard = Yard::read(Some(folder.path())).unwrap();
        for name in ["notes.txt", "core.wasm.gz", "../index.html", ""] {
            assert_eq!(
                yard.serve(name, &HeaderMap::new()).status(),
                StatusCode::NOT_FOUND,
                "{name}"
            );
        }
    }

    #[test]
    fn a_hub_without_the_page_says_how_to_make_it() {
        let yard = Yard::default();
        assert!(yard.lacks().is_some_and(|how| how.contains("build.sh")));
        assert_eq!(
            yard.serve("index.html", &HeaderMap::new()).status(),
            StatusCode::NOT_FOUND
        );
        let empty = tempfile::tempdir().unwrap();
        assert!(Yard::read(Some(empty.path())).is_err());
    }
}
