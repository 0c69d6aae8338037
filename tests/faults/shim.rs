//! Runs the program over `shim.c`.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use acinus::stats::SplitMix64;
use image::{Rgb, RgbImage};

/// The library that stands between; built once, by the compiler that SQLite needs anyway.
pub fn library() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faults/shim.c");
        let to = Path::new(env!("CARGO_TARGET_TMPDIR")).join("shim.so");
        // Two runs at once must not load each other's half-written library.
        let own = to.with_extension(format!("{}.so", std::process::id()));
        let built = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-Wall", "-o"])
            .args([&own, &source])
            .arg("-ldl")
            .output()
            .expect("cc, which builds SQLite too");
        assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
        fs::rename(own, &to).expect("the library in its place");
        to
    })
}

/// A folder in memory where the system has one: what is flushed is counted, not waited for.
pub fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let dir = match memory.is_dir() {
        true => tempfile::tempdir_in(memory).or_else(|_| tempfile::tempdir()),
        false => tempfile::tempdir(),
    };
    dir.expect("temporary folder")
}

/// The program, at home in a folder.
pub fn program(home: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_acinus"));
    command.args(args).current_dir(home).env("USER", "lab").env("RAYON_NUM_THREADS", "2");
    command.env("HOME", home).env("XDG_DATA_HOME", home);
    command
}

/// The same over the shim: its `at`-th call does `what` (`count`: nothing).
pub fn faulty(home: &Path, log: &Path, what: &str, at: usize, args: &[&str]) -> Command {
    let mut command = program(home, args);
    command.env("LD_PRELOAD", library()).env("FAULT_UNDER", home).env("FAULT_LOG", log);
    command.env("FAULT_DO", what).env("FAULT_AT", at.to_string());
    command
}

/// Calls that the shim counted: name and path below the folder.
pub fn calls(log: &Path, home: &Path) -> Vec<(String, String)> {
    let text = fs::read_to_string(log).unwrap_or_default();
    let call = |line: &str| {
        let mut words = line.splitn(3, ' ').skip(1);
        let name = words.next()?.to_owned();
        let path = words.next()?.strip_prefix(home.to_str()?)?.trim_start_matches('/');
        Some((name, path.to_owned()))
    };
    text.lines().filter_map(call).collect()
}

/// Runs the program without faults; it must do what it is asked.
#[track_caller]
pub fn must(home: &Path, args: &[&str]) -> Output {
    let output = program(home, args).output().expect("the program starts");
    assert_eq!(output.status.code(), Some(0), "{args:?}: {}", err(&output));
    output
}

/// What it said beside its results.
pub fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// All files below a folder, by their path in it.
pub fn files(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(&next).into_iter().flatten().flatten() {
            match entry.path() {
                path if path.is_dir() => open.push(path),
                path => {
                    let own = path.strip_prefix(folder).expect("below it");
                    found.push(own.to_str().expect("UTF-8").to_owned());
                }
            }
        }
    }
    found.sort();
    found
}

/// Copies a folder with all that is in it.
pub fn copy(from: &Path, to: &Path) {
    for name in files(from) {
        let target = to.join(&name);
        fs::create_dir_all(target.parent().expect("a folder")).expect("folder");
        fs::copy(from.join(&name), target).expect("copy");
    }
}

/// Whether a file is one that was not finished.
pub fn is_part(name: &str) -> bool {
    name.rsplit('/').next().is_some_and(|n| n.starts_with(".acinus-") && n.ends_with(".part"))
}

/// A tiny tray: dark discs on grey, told apart by `seed`.
pub fn draw(path: &Path, seed: u64) {
    let mut random = SplitMix64::new(seed);
    let mut picture = RgbImage::from_pixel(260, 200, Rgb([188, 190, 189]));
    for (row, col) in [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2)] {
        let (x, y) = (40.0 + 80.0 * f64::from(col), 40.0 + 80.0 * f64::from(row));
        let (x, y) = (x + 20.0 * random.uniform(), y + 20.0 * random.uniform());
        let r = 12.0 + 4.0 * random.uniform();
        for (px, py, pixel) in picture.enumerate_pixels_mut() {
            if (f64::from(px) - x).hypot(f64::from(py) - y) < r {
                *pixel = Rgb([52, 40, 62]);
            }
        }
    }
    picture.save(path).expect("picture");
}
