//! What happens, told to every open page at once: server-sent events.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::extract::State;
use axum::response::IntoResponse;
use axum::response::sse::{Event as Sent, KeepAlive, Sse};
use futures_util::stream;
use serde_json::{Value, json};
use tokio::sync::broadcast;

use super::Bench;
use super::fault::Fault;
use crate::ledger::chain::Entry;
use crate::ledger::event::Event;
use crate::ledger::{Ledger, LedgerError};
use crate::report::dossier::said;

/// How many events wait for a page that reads slowly; one that is further behind is told to fetch
/// everything anew.
const WAITING: usize = 256;
/// How often the ledger is looked at for what other programs wrote.
const LOOK: Duration = Duration::from_millis(700);

/// Where events are told.
pub struct Events {
    to: broadcast::Sender<(&'static str, String)>,
    told: AtomicU64,
}

impl Events {
    /// None told yet but what is in the ledger already.
    pub fn new(entries: u64) -> Events {
        Events { to: broadcast::channel(WAITING).0, told: AtomicU64::new(entries) }
    }

    /// Tells all pages something.
    pub fn tell(&self, name: &'static str, data: &Value) {
        // Nobody may be listening.
        let _ = self.to.send((name, data.to_string()));
    }

    /// Tells what was said to the ledger since it was looked at last.
    pub fn tell_new(&self, ledger: &Ledger) -> Result<(), LedgerError> {
        let before = self.told.load(Ordering::Acquire);
        let entries = ledger.entries(before)?;
        let Some(last) = entries.last().map(|e| e.seq) else { return Ok(()) };
        if self.told.compare_exchange(before, last, Ordering::AcqRel, Ordering::Acquire).is_err() {
            return Ok(());
        }
        let changes: Vec<Value> = entries.iter().filter_map(|e| change(ledger, e)).collect();
        self.tell("ledger", &json!({"entries": last, "changes": changes}));
        Ok(())
    }
}

/// An entry as the page is told of it; none where a running review hides it.
pub fn change(ledger: &Ledger, entry: &Entry) -> Option<Value> {
    let event = entry.event().ok()?;
    if matches!(event, Event::PartyJudged(_)) {
        return None;
    }
    let load = event.load();
    let (lot, tray) = event.lot_and_tray();
    let id = match (load, lot, tray) {
        (Some(load), Some(lot), Some(tray)) => ledger.tray(load, lot, tray).ok().flatten(),
        _ => None,
    };
    Some(json!({
        "load": load, "lot": lot, "tray": tray, "tray_id": id, "entry": entry.seq, "at": entry.at,
        "who": entry.who, "why": entry.why, "kind": entry.kind, "words": said(&event)
    }))
}

/// Looks again and again for what other programs say to the ledger.
pub async fn watch(bench: Arc<Bench>) {
    loop {
        tokio::time::sleep(LOOK).await;
        let own = Arc::clone(&bench);
        let looked = tokio::task::spawn_blocking(move || own.events.tell_new(&own.ledger()));
        // A ledger that cannot be read just now is told by the next request that needs it.
        let _ = looked.await;
    }
}

/// `GET /api/events`.
pub async fn stream(State(bench): State<Arc<Bench>>) -> Result<impl IntoResponse, Fault> {
    let from = bench.events.to.subscribe();
    let entries = bench.events.told.load(Ordering::Acquire);
    let hello = Sent::default().event("hello").data(json!({"entries": entries}).to_string());
    let rest = stream::unfold(from, |mut from| async move {
        match from.recv().await {
            Ok((name, data)) => {
                Some((Ok::<_, Infallible>(Sent::default().event(name).data(data)), from))
            }
            Err(broadcast::error::RecvError::Lagged(_)) => {
                Some((Ok(Sent::default().event("hello").data("{\"entries\":0}")), from))
            }
            Err(broadcast::error::RecvError::Closed) => None,
        }
    });
    let all = futures_util::StreamExt::chain(stream::iter([Ok(hello)]), rest);
    Ok(Sse::new(all).keep_alive(KeepAlive::new().interval(Duration::from_secs(15))))
}
