//! The page's own files, inside the program.

use axum::body::Body;
use axum::extract::Path;
use axum::http::{HeaderValue, header};
use axum::response::Response;

use super::fault::Fault;

/// Name and bytes of every file in `src/workbench/page`.
static FILES: &[(&str, &[u8])] = &include!(concat!(env!("OUT_DIR"), "/page.rs"));

/// While the page is worked on, this variable names a folder to take its files from instead.
const FOLDER: &str = "ACINUS_PAGE";

/// `GET /`.
pub async fn index() -> Result<Response, Fault> {
    file("index.html")
}

/// `GET /NAME`.
pub async fn named(Path(name): Path<String>) -> Result<Response, Fault> {
    file(&name)
}

fn file(name: &str) -> Result<Response, Fault> {
    let missing = || Fault::missing("there is no such page");
    let bytes = match std::env::var_os(FOLDER) {
        None => {
            let found = FILES.iter().find(|(own, _)| *own == name).ok_or_else(missing)?;
            Body::from(found.1)
        }
        // The name asked for is compared with what lies there and is never a path itself.
        Some(folder) => {
            let mut entries = std::fs::read_dir(&folder).map_err(Fault::failed)?.flatten();
            let found = entries.find(|e| e.file_name() == name).ok_or_else(missing)?;
            Body::from(std::fs::read(found.path()).map_err(Fault::failed)?)
        }
    };
    let mut response = Response::new(bytes);
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind(name)));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    Ok(response)
}

fn kind(name: &str) -> &'static str {
    match name.rsplit_once('.').map_or("", |(_, ending)| ending) {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "ico" => "image/x-icon",
        "woff2" => "font/woff2",
        "ttf" => "font/ttf",
        "webmanifest" => "application/manifest+json",
        _ => "text/plain; charset=utf-8",
    }
}
