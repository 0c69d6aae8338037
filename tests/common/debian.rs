//! Programs of Debian that tests hold ours against.

use std::process::Command;

/// A program of Debian's; its absence fails the test by name.
pub fn debian(program: &str, package: &str, args: &[&str]) -> Vec<u8> {
    let ended = Command::new(program)
        .args(args)
        .output()
        .unwrap_or_else(|e| panic!("{program}: {e}; install it: apt-get install {package}"));
    let said = String::from_utf8_lossy(&ended.stderr);
    // zbarimg ends with 4 when it finds nothing.
    let nothing = program == "zbarimg" && ended.status.code() == Some(4);
    assert!(ended.status.success() || nothing, "{program} {args:?}: {said}");
    ended.stdout
}
