//! Long runs: memory stays flat.

use std::path::Path;
use std::process::Stdio;

use acinus::pipeline;
use acinus::profile::Profile;

use crate::shim::{folder, program};

/// Photographs of a soak.
const PHOTOS: usize = 2000;
/// After so many everything is warm.
const WARM: usize = 200;
/// Most that memory may grow after that, MiB: less than 50 KiB a photograph, of which the lines and figures
/// that a batch keeps for its page are the most.
const GROWTH_MIB: u64 = 64;

fn resident_mib(process: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap_or("0 kB");
    line.trim().trim_end_matches(" kB").parse::<u64>().expect("kB") / 1024
}

/// Sample photographs at a third of their size: all the work of a photograph, in less time.
fn small() -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    ["black-unsorted-1.jpg", "white-unsorted-1.jpg", "bad-blurred.jpg", "black-waste-1.jpg"]
        .iter()
        .map(|name| {
            let photo = image::open(folder.join(name)).expect("a sample");
            let (width, height) = (photo.width() / 3, photo.height() / 3);
            let small = photo.resize_exact(width, height, image::imageops::FilterType::Triangle);
            let mut bytes = std::io::Cursor::new(Vec::new());
            small.write_to(&mut bytes, image::ImageFormat::Jpeg).expect("JPEG");
            bytes.into_inner()
        })
        .collect()
}

#[test]
#[ignore = "2000 photographs"]
fn long_2000_photographs_in_one_process_leave_memory_flat() {
    let profile = Profile::built_in().expect("profile");
    let settings = pipeline::Settings { force: true, ..Default::default() };
    let photos = small();
    let (mut read, mut warm) = (0, 0);
    for i in 0..PHOTOS {
        if i == WARM {
            warm = resident_mib("self");
        }
        let done = pipeline::read_tray("soak", &photos[i % photos.len()], &profile, &settings);
        read += usize::from(done.is_ok());
        if i % 200 == 199 {
            println!("{} photographs: {} MiB", i + 1, resident_mib("self"));
        }
    }
    let end = resident_mib("self");
    println!("{PHOTOS} photographs, {read} read: {warm} MiB after {WARM}, {end} MiB at the end");
    assert!(read > PHOTOS / 2, "only {read} could be read");
    assert!(end <= warm + GROWTH_MIB, "{warm} MiB, then {end} MiB");
}

#[test]
#[ignore = "2000 photographs"]
fn long_2000_photographs_in_one_batch_leave_memory_flat() {
    let home = folder();
    let photos = small();
    let names: Vec<String> = (0..PHOTOS).map(|i| format!("p{i:04}.jpg")).collect();
    for (i, name) in names.iter().enumerate() {
        let path = home.path().join(name);
        match i < photos.len() {
            true => std::fs::write(path, &photos[i]).expect("photograph"),
            false => {
                let first = home.path().join(&names[i % photos.len()]);
                std::fs::hard_link(first, path).expect("another name");
            }
        }
    }
    let args = ["assess", ".", "--force", "--one-load", "--write", "csv", "--out", "out"];
    let mut child = program(home.path(), &args)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let out = home.path().join("out");
    let process = child.id().to_string();
    let (mut warm, mut last, mut most) = (None, 0, 0);
    while child.try_wait().expect("state").is_none() {
        let written = std::fs::read_dir(&out).map_or(0, Iterator::count);
        let now = resident_mib(&process);
        if written >= WARM {
            warm = warm.or(Some(now));
            most = most.max(now);
        }
        last = if now > 0 { now } else { last };
        std::thread::sleep(std::time::Duration::from_millis(200));
    }
    let warm = warm.expect("a run longer than its beginning");
    println!(
        "a batch of {PHOTOS}: {warm} MiB after {WARM}, {most} MiB at most, {last} MiB at the end"
    );
    assert!(last <= warm + GROWTH_MIB, "{warm} MiB, then {last} MiB");
}
