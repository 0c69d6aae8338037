//! Run by Cargo before the build: lists the files of the workbench's page, so that all of them are
//! taken into the program.

use std::io::Write as _;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR")?).join("src/workbench/page");
    writeln!(std::io::stdout(), "cargo::rerun-if-changed={}", folder.display())?;
    let mut names: Vec<String> = Vec::new();
    for entry in std::fs::read_dir(&folder)? {
        let path = entry?.path();
        if path.is_file() {
            names.extend(path.file_name().map(|n| n.to_string_lossy().into_owned()));
        }
    }
    names.sort();
    let mut list = String::from("[\n");
    for name in names.iter().filter(|n| !n.starts_with('.')) {
        let path = folder.join(name);
        list.push_str(&format!("    ({name:?}, include_bytes!({path:?}) as &[u8]),\n"));
    }
    list.push_str("]\n");
    std::fs::write(PathBuf::from(std::env::var("OUT_DIR")?).join("page.rs"), list)?;
    Ok(())
}
