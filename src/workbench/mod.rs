//! The workbench: a local web page where photographs are reviewed, corrected and agreed.
//!
//! A handler reads a request, calls the library and writes JSON: no figure is worked out here.
//! [`door`] says who may come in, [`page`] holds the page's files, [`events`] tells what happens, and
//! each of the others serves one part of the page: [`loads`], [`photos`] and the [`queue`] they wait
//! in, [`trays`] with what is kept open of them ([`shelf`]), [`flow`] (streams and what-if),
//! [`review`] (two parties), [`lessons`] (teaching). `docs/workbench-api.md` has every route.

mod door;
mod events;
mod fault;
mod flow;
mod lessons;
mod loads;
mod page;
mod photos;
mod queue;
mod review;
mod shelf;
mod trays;

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware;
use axum::routing::{get, post};

use crate::ledger::archive::Archive;
use crate::ledger::{Ledger, LedgerError, Signed};
use crate::pipeline;
use crate::profile::Profile;
use door::Door;
use events::Events;
use fault::Fault;
pub use photos::Patience;
use queue::Queue;
use shelf::Shelf;

/// What a workbench is started with.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The ledger's file; begun where it is missing.
    pub ledger: PathBuf,
    /// Name offered on the page for who says things.
    pub who: Option<String>,
    /// Address to listen at.
    pub listen: IpAddr,
    /// Port; 0 takes a free one.
    pub port: u16,
    /// Profile to read photographs with; none takes the one adopted last, else the built-in one.
    pub profile: Option<Profile>,
    /// How photographs are read.
    pub reading: pipeline::Settings,
}

/// Why a workbench could not be started.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The ledger cannot be used.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The profile cannot be used.
    #[error(transparent)]
    Profile(#[from] crate::profile::ProfileError),
    /// The address cannot be listened at.
    #[error("cannot listen at {address}: {source}; choose another with --port or --listen")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// The system gave no threads or no random numbers.
    #[error("the server cannot be started: {0}")]
    System(String),
}

/// Largest photograph taken, bytes: 64 MiB, more than a phone or camera makes of 100 megapixels.
pub const MAX_PHOTO_BYTES: usize = 64 << 20;
/// Photographs that are taken in at the same time: each is in memory whole.
const MOST_UPLOADS: usize = 4;
/// Largest other body, bytes.
const MAX_BODY_BYTES: usize = 1 << 20;

/// What all requests share.
pub(crate) struct Bench {
    door: Door,
    who: Option<String>,
    ledger: Mutex<Ledger>,
    archive: Archive,
    events: Events,
    reading: pipeline::Settings,
    profile: Mutex<Arc<Profile>>,
    queue: Queue,
    uploads: tokio::sync::Semaphore,
    patience: Patience,
    shelf: Shelf,
    seats: review::Seats,
    lessons: lessons::School,
}

/// A lock that goes on after a panic elsewhere: what it guards is whole between two changes.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Bench {
    pub(crate) fn ledger(&self) -> MutexGuard<'_, Ledger> {
        lock(&self.ledger)
    }

    /// The profile that photographs are read with now.
    pub(crate) fn profile(&self) -> Arc<Profile> {
        Arc::clone(&lock(&self.profile))
    }

    /// The profile of a name: that in use, one that was adopted, or the built-in one.
    pub(crate) fn profile_named(&self, ledger: &Ledger, name: &str) -> Result<Arc<Profile>, Fault> {
        let now = self.profile();
        if now.name == name {
            return Ok(now);
        }
        if let Some(taught) = ledger.taught()?.iter().rev().find(|t| t.profile == name) {
            return Ok(Arc::new(kept_profile(&self.archive, &taught.sha256)?));
        }
        let built_in = Profile::built_in().map_err(Fault::failed)?;
        if built_in.name == name {
            return Ok(Arc::new(built_in));
        }
        Err(Fault::cannot(
            format!("the profile {name:?} that this tray was read with is not at hand"),
            "start the workbench with it: acinus workbench --profile FILE",
        ))
    }
}

/// A profile in the archive.
fn kept_profile(archive: &Archive, sha256: &str) -> Result<Profile, Fault> {
    let bytes = archive.read(sha256)?;
    Profile::from_bytes(sha256, &bytes).map_err(Fault::failed)
}

/// Runs work that takes its time (files, figures) where it keeps no other request waiting.
pub(crate) async fn blocking<T: Send + 'static>(
    bench: &Arc<Bench>,
    work: impl FnOnce(&Bench) -> Result<T, Fault> + Send + 'static,
) -> Result<T, Fault> {
    let own = Arc::clone(bench);
    match tokio::task::spawn_blocking(move || work(&own)).await {
        Ok(result) => result,
        Err(_) => Err(Fault::failed("the work came to an unexpected end; nothing was changed")),
    }
}

/// Who says something, trimmed; a change without a name is refused by the ledger's rules.
pub(crate) fn signed<'a>(who: &'a str, why: Option<&'a str>) -> Signed<'a> {
    Signed { who: who.trim(), why: why.map(str::trim).filter(|w| !w.is_empty()) }
}

/// A running workbench.
pub struct Running {
    address: SocketAddr,
    token: Option<String>,
    runtime: Option<tokio::runtime::Runtime>,
    bench: Arc<Bench>,
    worker: Option<std::thread::JoinHandle<()>>,
    found: Vec<String>,
}

impl Running {
    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// What an earlier run that was cut off left behind and what became of it, one line each.
    pub fn found(&self) -> &[String] {
        &self.found
    }

    /// What must be shown, when it listens beyond this machine.
    pub fn token(&self) -> Option<&str> {
        self.token.as_deref()
    }

    /// What to open in a browser.
    pub fn url(&self) -> String {
        let token = self.token.as_ref().map_or(String::new(), |t| format!("?token={t}"));
        let address = match self.address.ip().is_unspecified() {
            true => SocketAddr::new(outward().unwrap_or(self.address.ip()), self.address.port()),
            false => self.address,
        };
        format!("http://{address}/{token}")
    }

    /// Waits until the user ends it (Ctrl-C).
    pub fn wait(&self) {
        if let Some(runtime) = &self.runtime {
            // Where the system tells of no signal, there is nothing to wait for.
            let _ = runtime.block_on(tokio::signal::ctrl_c());
        }
    }
}

/// This machine's address as others in its network see it: the one that it would send from. Nothing
/// is sent; the address asked about (RFC 5737) is nobody's.
fn outward() -> Option<IpAddr> {
    let socket = std::net::UdpSocket::bind((std::net::Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect(("192.0.2.1", 9)).ok()?;
    socket.local_addr().ok().map(|a| a.ip()).filter(|a| !a.is_unspecified())
}

impl Drop for Running {
    fn drop(&mut self) {
        self.bench.queue.stop();
        if let Some(worker) = self.worker.take() {
            // The photograph in hand is finished; those that wait are found again at the next start.
            let _ = worker.join();
        }
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_timeout(Duration::from_secs(2));
        }
    }
}

/// Starts a workbench: it serves until what is given back is dropped.
///
/// # Errors
/// [`Error`] when the ledger, the profile or the address cannot be used.
pub fn start(settings: Settings) -> Result<Running, Error> {
    start_with(settings, Patience::default())
}

/// The same with one's own patience for photographs that are being sent.
///
/// # Errors
/// As [`start`].
pub fn start_with(settings: Settings, patience: Patience) -> Result<Running, Error> {
    let ledger = Ledger::open_or_begin(&settings.ledger)?;
    let archive = ledger.archive().clone();
    let profile = match settings.profile {
        Some(profile) => profile,
        None => match ledger.taught()?.iter().rev().find(|t| t.adopted) {
            Some(taught) => Profile::from_bytes(&taught.profile, &archive.read(&taught.sha256)?)?,
            None => Profile::built_in()?,
        },
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(8)
        .enable_all()
        .build()
        .map_err(|e| Error::System(e.to_string()))?;
    let wanted = SocketAddr::new(settings.listen, settings.port);
    let listener = runtime
        .block_on(tokio::net::TcpListener::bind(wanted))
        .map_err(|source| Error::Listen { address: wanted, source })?;
    let address =
        listener.local_addr().map_err(|source| Error::Listen { address: wanted, source })?;
    let loopback = settings.listen.is_loopback();
    let token = match loopback {
        true => None,
        false => Some(door::token().map_err(|e| Error::System(e.to_string()))?),
    };
    let head = ledger.head()?;
    let (queue, found) = left_behind(&archive)?;
    let bench = Arc::new(Bench {
        door: Door { port: address.port(), loopback, token: token.clone() },
        who: settings.who,
        queue,
        uploads: tokio::sync::Semaphore::new(MOST_UPLOADS),
        patience,
        archive,
        ledger: Mutex::new(ledger),
        events: Events::new(head.entries),
        reading: settings.reading,
        profile: Mutex::new(Arc::new(profile)),
        shelf: Shelf::new(),
        seats: review::Seats::default(),
        lessons: lessons::School::default(),
    });
    let own = Arc::clone(&bench);
    let worker = std::thread::Builder::new()
        .name("photographs".to_owned())
        .spawn(move || queue::work(&own))
        .map_err(|e| Error::System(e.to_string()))?;
    runtime.spawn(events::watch(Arc::clone(&bench)));
    let router = router(Arc::clone(&bench));
    runtime.spawn(async move {
        // A listener that fails ends the page's connection, which the page shows.
        let _ = axum::serve(listener, router).await;
    });
    Ok(Running { address, token, runtime: Some(runtime), bench, worker: Some(worker), found })
}

/// The queue of an archive, and what to say of what an earlier run left there.
fn left_behind(archive: &Archive) -> Result<(Queue, Vec<String>), LedgerError> {
    let place = archive.folder().display();
    let cleared = archive.clear_leftovers()?;
    let (queue, unreadable) = Queue::of(archive)?;
    let mut found = Vec::new();
    if cleared > 0 {
        found.push(format!(
            "{place}: an earlier run was cut off; unfinished files removed: {cleared}"
        ));
    }
    let waiting = queue.all().len();
    if waiting > 0 {
        found.push(format!(
            "{place}: photographs that an earlier run took and did not finish: {waiting}; they are \
             worked on now"
        ));
    }
    for path in unreadable {
        found.push(format!(
            "{}: this note of a photograph cannot be read and is left alone; the photograph is kept \
             beside it, send it again",
            path.display()
        ));
    }
    Ok((queue, found))
}

fn router(bench: Arc<Bench>) -> Router {
    Router::new()
        .route("/", get(page::index))
        .route("/{name}", get(page::named))
        .route("/api/about", get(loads::about))
        .route("/api/events", get(events::stream))
        .route("/api/loads", get(loads::list).post(loads::open))
        .route("/api/terms/check", post(loads::check_terms))
        .route("/api/loads/{load}", get(loads::one))
        .route("/api/loads/{load}/delivery", post(loads::delivery))
        .route("/api/loads/{load}/terms", post(loads::terms))
        .route("/api/loads/{load}/lot", post(loads::lot))
        .route("/api/loads/{load}/plan", post(loads::plan))
        .route("/api/loads/{load}/close", post(loads::close))
        .route("/api/loads/{load}/history", get(loads::history))
        .route("/api/loads/{load}/receipt", get(loads::receipt))
        .route("/api/loads/{load}/sheet", post(loads::sheet))
        .route("/api/loads/{load}/streams", get(flow::streams))
        .route("/api/loads/{load}/compare", get(flow::compare))
        .route("/api/loads/{load}/what-if", post(flow::what_if))
        .route("/api/loads/{load}/reviews", post(review::begin))
        .route("/api/reviews/{review}", get(review::one))
        .route("/api/reviews/{review}/seat", post(review::seat))
        .route("/api/reviews/{review}/objects", get(review::objects))
        .route("/api/reviews/{review}/judge", post(review::judge))
        .route("/api/reviews/{review}/finish", post(review::finish))
        .route("/api/reviews/{review}/agreement", get(review::agreement))
        .route("/api/reviews/{review}/settle", post(review::settle))
        .route("/api/reviews/{review}/accept", post(review::accept))
        .route("/api/reviews/{review}/refuse", post(review::refuse))
        .route("/api/reviews/{review}/give-up", post(review::give_up))
        .route("/api/teach", get(lessons::one).post(lessons::begin))
        .route("/api/teach/decide", post(lessons::decide))
        .route("/api/photos/{sha256}", get(trays::photo))
        .route("/api/jobs", get(photos::jobs))
        .route("/api/jobs/{job}", get(photos::job).delete(photos::forget))
        .route("/api/jobs/{job}/again", post(photos::again))
        .route("/api/trays/{id}", get(trays::one))
        .route("/api/trays/{id}/edit", post(trays::edit))
        .route("/api/trays/{id}/crop/{object}", get(trays::one_crop))
        .route("/api/trays/{id}/sprite", get(trays::sprite))
        .layer(DefaultBodyLimit::max(MAX_BODY_BYTES))
        // A photograph's bytes are counted where they are taken in.
        .route("/api/photos", post(photos::put))
        .layer(middleware::from_fn_with_state(Arc::clone(&bench), door::pass))
        .with_state(bench)
}
