//! Two parties.

use serde_json::Value;

use super::Bench;
use super::fault::Fault;
use crate::ledger::Ledger;
use crate::ledger::record::LoadRecord;

/// The load's last review by both parties.
pub fn last_of(_record: &LoadRecord, _ledger: &Ledger, _bench: &Bench) -> Result<Value, Fault> {
    Ok(Value::Null)
}

/// What of it is sealed at the close.
pub fn sealed(_ledger: &Ledger, _load: &str) -> Result<Option<Value>, Fault> {
    Ok(None)
}
