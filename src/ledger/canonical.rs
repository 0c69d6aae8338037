//! The one way in which an entry is written before it is hashed.
//!
//! JSON with objects' keys in order of their code points, no white space, and no number but whole
//! ones from −2⁶³ to 2⁶³−1; everything else that is a number is a decimal string. Strings escape
//! only what JSON demands (`"`, `\` and control characters, those as `\b \f \n \r \t` or `\u00xx` in
//! lower case); all other characters stand as UTF-8. It is what Python's `json.dumps(value,
//! sort_keys=True, separators=(",", ":"), ensure_ascii=False)` writes. Fixed for ever: a change
//! would make every ledger look tampered with.

use serde_json::Value;

use crate::terms::Decimal;

/// A value that the canonical form has no way to write.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0} is no whole number; the ledger keeps whole numbers and decimal strings only")]
pub struct NotCanonical(String);

/// A value in its canonical form.
///
/// # Errors
/// When it holds a number that is not a whole one of 64 bits.
pub fn canonical(value: &Value) -> Result<String, NotCanonical> {
    let mut text = String::new();
    write(value, &mut text)?;
    Ok(text)
}

/// A string in its canonical form, quotes included.
pub fn canonical_string(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    write_string(text, &mut out);
    out
}

fn write(value: &Value, out: &mut String) -> Result<(), NotCanonical> {
    match value {
        Value::Null => out.push_str("null"),
        Value::Bool(true) => out.push_str("true"),
        Value::Bool(false) => out.push_str("false"),
        Value::Number(n) => match n.as_i64() {
            Some(whole) if !n.is_f64() => out.push_str(&whole.to_string()),
            _ => return Err(NotCanonical(n.to_string())),
        },
        Value::String(s) => write_string(s, out),
        Value::Array(items) => {
            out.push('[');
            for (i, item) in items.iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write(item, out)?;
            }
            out.push(']');
        }
        Value::Object(map) => {
            // Sorted here, whatever order the map keeps.
            let mut keys: Vec<&String> = map.keys().collect();
            keys.sort();
            out.push('{');
            for (i, key) in keys.into_iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write_string(key, out);
                out.push(':');
                write(&map[key.as_str()], out)?;
            }
            out.push('}');
        }
    }
    Ok(())
}

fn write_string(text: &str, out: &mut String) {
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\u{8}' => out.push_str("\\b"),
            '\u{c}' => out.push_str("\\f"),
            '\n' => out.push_str("\\n"),
            '\r' => out.push_str("\\r"),
            '\t' => out.push_str("\\t"),
            c if c < ' ' => out.push_str(&format!("\\u{:04x}", c as u32)),
            c => out.push(c),
        }
    }
    out.push('"');
}

/// The same value with every number that is not whole as a decimal string of at most nine places
/// (half-even), so that figures can be recorded. What is not finite JSON has written as null.
pub fn without_floats(value: Value) -> Value {
    match value {
        Value::Number(n) if n.as_i64().is_none() || n.is_f64() => n
            .as_f64()
            .and_then(Decimal::from_measured)
            .map_or(Value::Null, |d| Value::String(d.to_string())),
        Value::Array(items) => Value::Array(items.into_iter().map(without_floats).collect()),
        Value::Object(map) => {
            Value::Object(map.into_iter().map(|(k, v)| (k, without_floats(v))).collect())
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn keys_are_sorted_and_nothing_is_added() {
        let value = json!({"b": [1, -2, null, true], "a": {"z": "x", "é": "", "Z": false}});
        assert_eq!(
            canonical(&value).unwrap(),
            r#"{"a":{"Z":false,"z":"x","é":""},"b":[1,-2,null,true]}"#
        );
    }

    #[test]
    fn fractions_are_refused_and_made_decimal_strings() {
        for bad in [json!(0.5), json!(1.0), json!(u64::MAX), json!({"a": [1e300]})] {
            assert!(canonical(&bad).is_err(), "{bad}");
        }
        let recorded = without_floats(json!({"share": 0.1234567891234, "n": 3, "x": 2.0}));
        assert_eq!(canonical(&recorded).unwrap(), r#"{"n":3,"share":"0.123456789","x":"2"}"#);
        assert_eq!(canonical(&json!(i64::MIN)).unwrap(), "-9223372036854775808");
    }

    /// tests/data/ledger/canonical.json was written by Python's json module (see its `made_by`).
    #[test]
    fn agrees_with_python() {
        let cases: Value =
            serde_json::from_str(include_str!("../../tests/data/ledger/canonical.json")).unwrap();
        let cases = cases["cases"].as_array().unwrap();
        assert!(cases.len() >= 8);
        for case in cases {
            assert_eq!(canonical(&case["value"]).unwrap(), case["canonical"].as_str().unwrap());
        }
    }
}
