//! What the program is linked with, against `.ci/deny.toml`: licences, sources, crates that must not
//! come in, versions that are there twice. `cargo deny` says the same in the long run; this takes no
//! time and needs no network.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use serde_json::Value;

const INDEX: &str = "registry+https://github.com/rust-lang/crates.io-index";

fn own(name: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(name)).unwrap()
}

fn rules() -> toml::Table {
    own(".ci/deny.toml").parse().unwrap()
}

fn list(rules: &toml::Table, part: &str, key: &str) -> BTreeSet<String> {
    let words = rules[part][key].as_array().unwrap();
    words.iter().map(|w| w.as_str().unwrap().to_owned()).collect()
}

/// Name, version and source of every crate that could be linked on any system.
fn locked() -> Vec<(String, String, Option<String>)> {
    let lock: toml::Table = own("Cargo.lock").parse().unwrap();
    let text = |p: &toml::Value, key: &str| p.get(key).map(|v| v.as_str().unwrap().to_owned());
    let all = lock["package"].as_array().unwrap().iter();
    all.map(|p| (text(p, "name").unwrap(), text(p, "version").unwrap(), text(p, "source")))
        .collect()
}

/// The crates of this system with what each says of its licence.
fn licences() -> Vec<(String, Option<String>)> {
    let compiler = Command::new("rustc").arg("-vV").output().unwrap();
    let words = String::from_utf8(compiler.stdout).unwrap();
    let host = words.lines().find_map(|l| l.strip_prefix("host: ")).unwrap().to_owned();
    let args = ["metadata", "--locked", "--offline", "--format-version", "1", "--filter-platform"];
    let output = Command::new(env!("CARGO"))
        .args(args)
        .arg(host)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = found["packages"].as_array().unwrap().iter();
    packages
        .map(|p| {
            let name =
                format!("{}@{}", p["name"].as_str().unwrap(), p["version"].as_str().unwrap());
            (name, p["license"].as_str().map(str::to_owned))
        })
        .collect()
}

/// Whether an SPDX expression (SPDX 2.3, annex D; with `/` for OR as crates of old write it) can be met
/// with the allowed licences alone.
fn is_met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    let met = any_of(&words, &mut at, allowed);
    assert_eq!(at, words.len(), "{expression} is no SPDX expression");
    met
}

fn any_of(words: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = all_of(words, at, allowed);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        met |= all_of(words, at, allowed);
    }
    met
}

fn all_of(words: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = one(words, at, allowed);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        met &= one(words, at, allowed);
    }
    met
}

fn one(words: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let word = words[*at];
    *at += 1;
    if word == "(" {
        let met = any_of(words, at, allowed);
        assert_eq!(words.get(*at), Some(&")"));
        *at += 1;
        return met;
    }
    if words.get(*at) == Some(&"WITH") {
        let whole = format!("{word} WITH {}", words[*at + 1]);
        *at += 2;
        return allowed.contains(&whole);
    }
    allowed.contains(word)
}

#[test]
fn every_licence_is_allowed() {
    let allowed = list(&rules(), "licenses", "allow");
    let all = licences();
    assert!(all.len() > 300, "{} crates", all.len());
    for (name, licence) in &all {
        let licence = licence.as_deref().unwrap_or_else(|| panic!("{name} names no licence"));
        assert!(is_met(licence, &allowed), "{name} is under {licence}: see .ci/deny.toml");
    }
    assert!(!allowed.iter().any(|l| l.contains("GPL")), "{allowed:?}");
}

#[test]
fn expressions_are_read_as_they_bind() {
    let allowed: BTreeSet<String> = ["MIT", "ISC", "A WITH e"].map(str::to_owned).into();
    for (expression, met) in [
        ("MIT", true),
        ("GPL-3.0", false),
        ("GPL-3.0 OR MIT", true),
        ("GPL-3.0/MIT", true),
        ("MIT AND GPL-3.0", false),
        ("MIT OR GPL-3.0 AND GPL-2.0", true),
        ("(MIT OR GPL-3.0) AND ISC", true),
        ("(MIT OR ISC) AND GPL-3.0", false),
        ("A WITH e", true),
        ("A", false),
    ] {
        assert_eq!(is_met(expression, &allowed), met, "{expression}");
    }
}

#[test]
fn everything_comes_from_one_registry_and_nothing_banned_is_in() {
    let rules = rules();
    let banned = list(&rules, "bans", "deny");
    let registries = list(&rules, "sources", "allow-registry");
    assert!(registries.iter().eq([INDEX.trim_start_matches("registry+")].iter()));
    for (name, version, source) in locked() {
        match source.as_deref() {
            None => assert_eq!(name, "acinus", "a crate of our own"),
            Some(source) => assert_eq!(source, INDEX, "{name} {version}"),
        }
        assert!(!banned.contains(&name), "{name} must not come in");
    }
}

#[test]
fn what_is_there_twice_is_known() {
    let skipped = list(&rules(), "bans", "skip");
    let mut versions: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (name, version, _) in locked() {
        versions.entry(name).or_default().push(version);
    }
    let named: BTreeSet<String> =
        versions.iter().flat_map(|(n, all)| all.iter().map(move |v| format!("{n}@{v}"))).collect();
    for old in &skipped {
        assert!(named.contains(old), "{old} is gone: take its line out of .ci/deny.toml");
    }
    for (name, all) in &versions {
        let counted: Vec<_> =
            all.iter().filter(|v| !skipped.contains(&format!("{name}@{v}"))).collect();
        assert_eq!(counted.len(), 1, "{name} is there as {all:?}: see .ci/deny.toml");
    }
}
