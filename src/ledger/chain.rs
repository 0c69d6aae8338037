//! Entries and how each is tied to the one before.
//!
//! An entry's hash is the SHA-256 of the canonical form ([`super::canonical`]) of
//! `{"at":…,"body":…,"form":1,"kind":…,"previous":…,"seq":…,"who":…,"why":…}`. `previous` is the hash
//! of the entry before, 64 zeros for the first, so that the last hash stands for all entries.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::archive::sha256_hex;
use super::canonical::{canonical, canonical_string};
use super::event::Event;

/// Form of the hashed text.
pub const FORM: u32 = 1;

/// What the first entry has for the hash of the one before.
pub const NO_ENTRY: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its number, from 1 without gaps.
    pub seq: u64,
    /// Form of the hashed text; [`FORM`].
    pub form: u32,
    /// When, universal time, as in `2026-09-18T07:42:10Z`.
    pub at: String,
    /// Who.
    pub who: String,
    /// Why, where it changes what was said before.
    pub why: Option<String>,
    /// What kind of thing was said.
    pub kind: String,
    /// What was said, canonical.
    pub body: String,
    /// Hash of the entry before.
    pub previous: String,
    /// Its own hash.
    pub hash: String,
}

/// Where a chain ends: what the other party keeps.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Number of entries.
    pub entries: u64,
    /// Hash of the last.
    pub hash: String,
}

/// What is wrong with an entry by itself.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum EntryFault {
    /// Form of a newer program.
    #[error("it is of form {0}, which this program does not know")]
    Form(u32),
    /// The body is not what this program would have written.
    #[error("its body is not in the canonical form")]
    NotCanonical,
    /// The hash is not that of the entry.
    #[error("its hash does not fit its words: something in it was changed")]
    Hash,
    /// It does not follow the one before.
    #[error("it does not follow the entry before it: entries were changed, cut out or put in")]
    Broken,
    /// Nothing that can be said.
    #[error("it says nothing this program understands: {0}")]
    Unknown(String),
}

impl Entry {
    /// The next entry of a chain.
    ///
    /// # Errors
    /// When the event holds something that has no canonical form.
    pub fn next(
        head: Option<&Head>,
        at: String,
        who: String,
        why: Option<String>,
        event: &Event,
    ) -> Result<Entry, EntryFault> {
        let unknown = |why: String| EntryFault::Unknown(why);
        let mut value = serde_json::to_value(event).map_err(|e| unknown(e.to_string()))?;
        let kind = match value.get("kind") {
            Some(Value::String(kind)) => kind.clone(),
            _ => return Err(unknown("no kind".into())),
        };
        let body = value.get_mut("body").map(Value::take).unwrap_or(Value::Null);
        let body = canonical(&body).map_err(|e| unknown(e.to_string()))?;
        let mut entry = Entry {
            seq: head.map_or(0, |h| h.entries) + 1,
            form: FORM,
            at,
            who,
            why,
            kind,
            body,
            previous: head.map_or_else(|| NO_ENTRY.to_owned(), |h| h.hash.clone()),
            hash: String::new(),
        };
        entry.hash = sha256_hex(entry.hashed_text().as_bytes());
        Ok(entry)
    }

    /// The text that is hashed. Its keys stand in order already.
    pub fn hashed_text(&self) -> String {
        let word = canonical_string;
        format!(
            r#"{{"at":{},"body":{},"form":{},"kind":{},"previous":{},"seq":{},"who":{},"why":{}}}"#,
            word(&self.at),
            self.body,
            self.form,
            word(&self.kind),
            word(&self.previous),
            self.seq,
            word(&self.who),
            self.why.as_deref().map_or_else(|| "null".to_owned(), word),
        )
    }

    /// Checks the entry by itself and against where the chain stood before it.
    ///
    /// # Errors
    /// The first fault.
    pub fn check(&self, before: Option<&Head>) -> Result<Event, EntryFault> {
        if self.form != FORM {
            return Err(EntryFault::Form(self.form));
        }
        let body: Value = serde_json::from_str(&self.body).map_err(|_| EntryFault::NotCanonical)?;
        if canonical(&body).ok().as_deref() != Some(self.body.as_str()) {
            return Err(EntryFault::NotCanonical);
        }
        if sha256_hex(self.hashed_text().as_bytes()) != self.hash {
            return Err(EntryFault::Hash);
        }
        let follows = match before {
            None => self.seq == 1 && self.previous == NO_ENTRY,
            Some(head) => self.seq == head.entries + 1 && self.previous == head.hash,
        };
        if !follows {
            return Err(EntryFault::Broken);
        }
        self.event_of(body)
    }

    /// What was said.
    ///
    /// # Errors
    /// When it is nothing that this program understands.
    pub fn event(&self) -> Result<Event, EntryFault> {
        self.event_of(serde_json::from_str(&self.body).map_err(|_| EntryFault::NotCanonical)?)
    }

    fn event_of(&self, body: Value) -> Result<Event, EntryFault> {
        let value = serde_json::json!({"kind": self.kind, "body": body});
        serde_json::from_value(value).map_err(|e| EntryFault::Unknown(e.to_string()))
    }

    /// Where the chain stands after it.
    pub fn head(&self) -> Head {
        Head { entries: self.seq, hash: self.hash.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::event::{LedgerBegun, LoadOpened};

    fn first() -> Entry {
        let event = Event::LedgerBegun(LedgerBegun { program: "acinus 0.1.0".into() });
        Entry::next(None, "2026-09-18T05:00:00Z".into(), "lab".into(), None, &event).unwrap()
    }

    #[test]
    fn a_chain_follows_and_shows_every_change() {
        let one = first();
        let event = Event::LoadOpened(LoadOpened {
            load: "HV-0417".into(),
            grower: "Höfer".into(),
            ..LoadOpened::default()
        });
        let head = one.head();
        let two = Entry::next(Some(&head), one.at.clone(), "lab".into(), Some("x".into()), &event)
            .unwrap();
        assert_eq!(one.check(None), one.event());
        assert_eq!(two.check(Some(&head)), Ok(event));
        assert_eq!(two.check(None), Err(EntryFault::Broken));
        let change = |f: fn(&mut Entry)| {
            let mut other = two.clone();
            f(&mut other);
            other.check(Some(&head)).unwrap_err()
        };
        for fault in [
            change(|e| e.at.replace_range(0..4, "2025")),
            change(|e| e.who.push('x')),
            change(|e| e.why = None),
            change(|e| e.kind = "lot-described".into()),
            change(|e| e.body = e.body.replace("0417", "0418")),
            change(|e| e.hash.replace_range(0..1, "x")),
            change(|e| e.seq = 3),
            change(|e| e.previous.replace_range(0..1, "x")),
        ] {
            assert_eq!(fault, EntryFault::Hash);
        }
        assert_eq!(change(|e| e.form = 2), EntryFault::Form(2));
        assert_eq!(change(|e| e.body.push(' ')), EntryFault::NotCanonical);
    }
}
