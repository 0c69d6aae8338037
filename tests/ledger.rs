//! The ledger under the real program: killed at random points, written by two at once.

#![allow(clippy::print_stdout)] // Measured figures are there to be read.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use acinus::ledger::Ledger;
use acinus::ledger::event::Delivery;
use acinus::stats::SplitMix64;
use image::{Rgb, RgbImage};

#[path = "common/orchard.rs"]
mod orchard;

struct Cellar {
    dir: tempfile::TempDir,
}

impl Cellar {
    fn new() -> Cellar {
        // In memory where the system has a folder for that: a kill does not test whether the disk
        // was flushed, and forty flushes a run would take most of the time.
        let memory = Path::new("/dev/shm");
        let dir = match memory.is_dir() {
            true => tempfile::tempdir_in(memory).or_else(|_| tempfile::tempdir()),
            false => tempfile::tempdir(),
        };
        Cellar { dir: dir.expect("temporary folder") }
    }

    fn ledger(&self) -> PathBuf {
        self.dir.path().join("cellar.sqlite")
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_acinus"));
        command.args(args).args(["--ledger", "cellar.sqlite"]).current_dir(self.dir.path());
        command.env("USER", "lab").stdout(Stdio::null()).stderr(Stdio::null());
        command
    }

    fn run(&self, args: &[&str]) -> Output {
        let mut command = self.command(args);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).output().expect("the program starts")
    }

    fn must(&self, args: &[&str]) {
        let output = self.run(args);
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    }

    fn start(&self, args: &[&str]) -> Child {
        self.command(args).spawn().expect("the program starts")
    }

    /// A tiny tray: dark discs on grey, told apart by `seed`.
    fn draw(&self, name: &str, seed: u64) {
        let mut random = SplitMix64::new(seed);
        let mut picture = RgbImage::from_pixel(260, 200, Rgb([188, 190, 189]));
        for row in 0..2 {
            for col in 0..3 {
                let (x, y) = (40.0 + 80.0 * f64::from(col), 40.0 + 80.0 * f64::from(row));
                let (x, y) = (x + 20.0 * random.uniform(), y + 20.0 * random.uniform());
                let r = 12.0 + 4.0 * random.uniform();
                for (px, py, pixel) in picture.enumerate_pixels_mut() {
                    if (f64::from(px) - x).hypot(f64::from(py) - y) < r {
                        *pixel = Rgb([52, 40, 62]);
                    }
                }
            }
        }
        picture.save(self.dir.path().join(name)).expect("picture");
    }

    /// The ledger as it stands must be whole: every entry, every table, every kept file.
    fn check(&self) -> Vec<(u32, usize)> {
        if !self.ledger().exists() {
            return Vec::new();
        }
        let ledger = Ledger::open(&self.ledger()).expect("the ledger opens");
        let found = ledger.verify(None).expect("the ledger can be read");
        assert_eq!(found.faults, [], "after a kill");
        let loads = ledger.loads().expect("loads");
        let trays = |load: &str| -> Vec<(u32, usize)> {
            let record = ledger.load(load).expect("load");
            let trays = record.lots.iter().flat_map(|l| &l.trays);
            trays.map(|t| (t.tray, t.objects.len())).collect()
        };
        loads.iter().flat_map(|l| trays(&l.load)).collect()
    }
}

const NEW: [&str; 5] = ["load", "new", "K", "--grower", "Hill Vineyard"];

fn add(names: &[String]) -> Vec<&str> {
    let flags =
        ["--load", "K", "--lot", "UNSORTED", "--number", "1", "--px-per-mm", "2", "--force"];
    ["load", "add"].into_iter().chain(names.iter().map(String::as_str)).chain(flags).collect()
}

/// 200 kills at random points; a run is killed again and again on what it left, then let to its end.
#[test]
fn killed_at_any_moment_the_ledger_is_whole_and_the_batch_can_be_run_again() {
    let names: Vec<String> = (1..=5).map(|i| format!("tray{i}.png")).collect();
    let mut random = SplitMix64::new(20_260_918);
    let cellar = Cellar::new();
    (0..5).for_each(|i| cellar.draw(&names[i as usize], i));
    cellar.must(&NEW);
    let start = Instant::now();
    cellar.must(&add(&names));
    let whole_run = start.elapsed();
    let wanted = cellar.check();
    assert_eq!(wanted.len(), 5);
    assert!(wanted.iter().all(|t| t.1 >= 5), "{wanted:?}");

    let (mut kills, mut midway, mut struck) = (0, 0, 0);
    // How long a run takes depends on what else the machine does: after a kill that came too late the
    // next ones come sooner. One reach for beginning a ledger, one for a batch.
    let mut reach = [1.0_f64; 2];
    while kills < 200 {
        std::fs::remove_file(cellar.ledger()).expect("a new ledger");
        std::fs::remove_dir_all(cellar.ledger().with_extension("archive")).ok();
        let mut before = 0;
        for round in 0..20 {
            // The first is killed while the ledger is begun.
            let args = if round == 0 { NEW.to_vec() } else { add(&names) };
            // What is recorded already is passed over: the rest takes so much less.
            let left = whole_run.mul_f64((5 - before) as f64 / 5.0);
            let longest = if round == 0 { Duration::from_millis(20) } else { left };
            let mut child = cellar.start(&args);
            let reach = &mut reach[usize::from(round > 0)];
            std::thread::sleep(longest.mul_f64(*reach * random.uniform()));
            let alive = child.try_wait().expect("state").is_none();
            struck += usize::from(alive);
            *reach = if alive { (*reach * 1.05).min(1.5) } else { *reach * 0.9 };
            child.kill().ok();
            child.wait().expect("the program ends");
            kills += 1;
            let trays = cellar.check();
            assert!(trays.iter().all(|t| wanted.contains(t)), "half a tray: {trays:?}");
            assert!(trays.len() >= before, "a tray was lost");
            midway += usize::from((1..5).contains(&trays.len()));
            before = trays.len();
            if round == 0 && !cellar.run(&NEW).status.success() {
                // It had been opened before the kill.
                cellar.check();
            }
            if before == 5 {
                break;
            }
        }
        cellar.must(&add(&names));
        assert_eq!(cellar.check(), wanted, "run again to its end");
        cellar.must(&add(&names));
        assert_eq!(cellar.check(), wanted, "and once more");
    }
    println!("{kills} kills, {struck} of a running program, {midway} left some trays of five");
    assert!(struck > 100 && midway > 10, "the kills must strike: {struck}, {midway}");
}

/// The same with photographs of full size.
#[test]
fn killed_over_real_photographs() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    let photos: Vec<String> = ["black-unsorted-1.jpg", "black-unsorted-2.jpg", "bad-blurred.jpg"]
        .iter()
        .map(|n| dir.join(n).display().to_string())
        .collect();
    let args: Vec<&str> =
        ["load", "add"].into_iter().chain(photos.iter().map(String::as_str)).collect();
    let cellar = Cellar::new();
    cellar.must(&["load", "new", "HV-0417", "--grower", "Hill Vineyard"]);
    let mut random = SplitMix64::new(7);
    for _ in 0..3 {
        let mut child = cellar.start(&args);
        std::thread::sleep(Duration::from_millis(200 + random.below(1200)));
        child.kill().ok();
        child.wait().expect("the program ends");
        cellar.check();
    }
    let output = cellar.run(&args);
    assert_eq!(output.status.code(), Some(1), "one photograph is refused");
    let trays = cellar.check();
    assert_eq!(trays.iter().map(|t| t.0).collect::<Vec<_>>(), [1, 2]);
    let entries = Ledger::open(&cellar.ledger()).expect("ledger").head().expect("head").entries;
    cellar.run(&args);
    let again = Ledger::open(&cellar.ledger()).expect("ledger").head().expect("head").entries;
    assert_eq!(entries, again, "nothing is recorded twice, the refused one neither");
}

#[test]
fn two_programs_at_once_record_every_tray_once() {
    let cellar = Cellar::new();
    let names: Vec<String> = (1..=12).map(|i| format!("tray{i}.png")).collect();
    (0..12).for_each(|i| cellar.draw(&names[i as usize], i));
    cellar.must(&NEW);
    // Both record trays 1 to 8 and the second four more.
    let (mut one, mut two) = (cellar.start(&add(&names[..8])), cellar.start(&add(&names)));
    assert!(one.wait().expect("end").success() && two.wait().expect("end").success());
    let trays = cellar.check();
    assert_eq!(trays.iter().map(|t| t.0).collect::<Vec<_>>(), (1..=12).collect::<Vec<_>>());
}

/// What this thread has spent on a processor; on a machine shared with others the clock says more.
fn on_processor() -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanoseconds = told.split(' ').next().and_then(|n| n.parse().ok());
    Duration::from_nanos(nanoseconds.unwrap_or(0))
}

/// Prints how long loads of a ledger with 200,000 objects take to open; see docs/ledger.md.
#[test]
#[ignore = "measures, for docs/ledger.md"]
fn long_opening_loads_of_a_large_ledger() {
    use acinus::ledger::Signed;
    use acinus::ledger::event::{Event, LoadOpened, PhotoKept, TrayRecorded};
    use acinus::ledger::object::{FIELD_NAMES, FIELDS, RecordedObject};
    let by = Signed { who: "lab", why: None };
    let tray = |load: &str, number: u32, random: &mut SplitMix64| {
        let object = |object| {
            let mut values: [Option<i64>; FIELDS] =
                std::array::from_fn(|_| Some(1 + random.below(2_000_000) as i64));
            values[..4].copy_from_slice(&[Some(970_000), Some(10_000), Some(10_000), Some(10_000)]);
            let class = acinus::classify::Class::ALL[random.below(4) as usize];
            RecordedObject { object, class: Some(class), values }
        };
        let objects = (1..=170).map(object).collect();
        let sha256 = format!("{:016x}{:016x}{:032x}", random.next_u64(), random.next_u64(), 0);
        Event::TrayRecorded(TrayRecorded {
            load: load.into(),
            lot: "UNSORTED".into(),
            tray: number,
            bin: Some(number.to_string()),
            photo: PhotoKept { sha256, bytes: 1, name: "t.jpg".into(), taken: None },
            outlines: None,
            fruit: "black".into(),
            profile: "built-in".into(),
            program: "test".into(),
            scale_mpx_per_mm: 7780,
            forced: false,
            retake: false,
            told: Vec::new(),
            fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
            objects,
        })
    };
    for (loads, trays) in [(100, 12), (1, 1200)] {
        let cellar = Cellar::new();
        let mut random = SplitMix64::new(1);
        let mut ledger = Ledger::open_or_begin(&cellar.ledger()).expect("ledger");
        let start = Instant::now();
        for l in 0..loads {
            let load = format!("L{l}");
            let grower = "Hill Vineyard".to_owned();
            let opened = LoadOpened { load: load.clone(), grower, ..LoadOpened::default() };
            let mut events = vec![Event::LoadOpened(opened)];
            events.extend((1..=trays).map(|n| tray(&load, n, &mut random)));
            ledger.say(&events, by).expect("said");
        }
        let written = start.elapsed();
        drop(ledger);
        let size = std::fs::metadata(cellar.ledger()).expect("file").len();
        let (mut worst_file, mut worst_load, mut worst_figures) =
            <(Duration, Duration, Duration)>::default();
        let mut worst_processor = Duration::ZERO;
        for l in 0..loads {
            let start = Instant::now();
            let ledger = Ledger::open(&cellar.ledger()).expect("ledger");
            let file = start.elapsed();
            let busy = on_processor();
            let record = ledger.load(&format!("L{l}")).expect("load");
            let read = start.elapsed() - file;
            worst_processor = worst_processor.max(on_processor() - busy);
            assert_eq!(record.lots[0].trays.len(), trays as usize);
            acinus::dossier::of_load(&ledger, &format!("L{l}")).expect("dossier");
            worst_figures = worst_figures.max(start.elapsed() - file - read);
            worst_file = worst_file.max(file);
            worst_load = worst_load.max(read);
        }
        let ledger = Ledger::open(&cellar.ledger()).expect("ledger");
        let start = Instant::now();
        ledger.loads().expect("list");
        let list = start.elapsed();
        let start = Instant::now();
        let found = ledger.verify(None).expect("verified");
        println!(
            "{loads} loads of {trays} trays, {} objects, {} MB: written in {written:.1?}; the slowest: \
             file opened {worst_file:.1?}, load read {worst_load:.1?} ({worst_processor:.1?} of it on the processor), read again with all figures \
             {worst_figures:.1?}; list {list:.1?}; verified in {:.1?} ({} rows)",
            loads * trays * 170,
            size / 1_000_000,
            start.elapsed(),
            found.rows
        );
    }
}

/// How long it takes to open a load of a ledger that holds 5,000 trays of 200 objects
/// (docs/performance.md). `ACINUS_TRAYS` asks for another number of trays.
#[test]
#[ignore = "prints times"]
fn long_a_load_is_opened_in_a_large_ledger() {
    let cellar = Cellar::new();
    let trays: u32 = std::env::var("ACINUS_TRAYS").map_or(5000, |n| n.parse().expect("a number"));
    let mut ledger = Ledger::open_or_begin(&cellar.ledger()).expect("a ledger");
    let loads: Vec<String> = (0..trays / 5).map(|k| format!("LG-{k:04}")).collect();
    for (k, load) in loads.iter().enumerate() {
        orchard::open(&mut ledger, load, "Lower slope", Delivery::default(), None);
        for number in 1..=5 {
            let photo = orchard::photo(&ledger, &[], &format!("{load}-{number}.jpg"));
            let of = (load.as_str(), "UNSORTED", number);
            orchard::tray(&mut ledger, photo, of, "1", (200, 0.1 + 0.02 * (k % 5) as f64));
        }
    }
    drop(ledger);
    let size = std::fs::metadata(cellar.ledger()).expect("its size").len();
    println!("{trays} trays, {} loads, {:.0} MB", loads.len(), size as f64 / 1e6);
    let median = |name: &str, work: &dyn Fn(&str)| {
        let mut seconds: Vec<f64> = (0..9)
            .map(|k| {
                let start = Instant::now();
                work(&loads[(k * 7919) % loads.len()]);
                start.elapsed().as_secs_f64()
            })
            .collect();
        seconds.sort_by(f64::total_cmp);
        println!("{name}: median {:.1} ms, most {:.1} ms", seconds[4] * 1e3, seconds[8] * 1e3);
    };
    median("ledger and a load opened", &|load| {
        let ledger = Ledger::open(&cellar.ledger()).expect("the ledger");
        let dossier = acinus::dossier::of_load(&ledger, load).expect("the load");
        assert_eq!(dossier.lots[0].taken.len(), 5);
    });
    let ledger = Ledger::open(&cellar.ledger()).expect("the ledger");
    median("a load opened", &|load| {
        let dossier = acinus::dossier::of_load(&ledger, load).expect("the load");
        assert_eq!(dossier.lots[0].taken.len(), 5);
    });
    median("all loads listed", &|_| {
        assert_eq!(ledger.loads().expect("the loads").len(), loads.len());
    });
    median("`acinus load show`, the whole program", &|load| {
        let shown = cellar.run(&["load", "show", load]);
        assert_eq!(shown.status.code(), Some(0));
    });
}
