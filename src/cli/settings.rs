//! From raw flags to checked settings: everything that touches the disk or ties flags together
//! happens here once, before the first photograph is opened.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};

use acinus::classify::Fruit;
use acinus::colour::patches::MeasuredPatches;
use acinus::given::not_written;
use acinus::load::{LotSettings, SorterRates, WithoutSlip};
use acinus::pipeline;
use acinus::profile::Profile;
use acinus::report::{Output, Outputs};

use super::Error;
use super::flags::{self, AssessArgs, Format, MachineArgs, ReadingArgs};
use super::read::Reader;

/// Everything an `assess` run needs to know.
pub struct RunSettings {
    /// Photographs, in the order given.
    pub photos: Vec<PathBuf>,
    /// Where outputs go; exists.
    pub out: PathBuf,
    /// Which outputs.
    pub outputs: Outputs,
    /// What to print.
    pub format: Format,
    /// How photographs are read.
    pub reader: Reader,
    /// How lots are assessed.
    pub lot: LotSettings,
    /// What to do with photographs without a slip.
    pub without_slip: WithoutSlip,
    /// Whether to tell how long stages took.
    pub timings: bool,
}

impl RunSettings {
    /// Checks the flags of `assess`.
    pub fn from_args(args: &AssessArgs) -> Result<Self, Error> {
        let photos = photos(&args.photos)?;
        refuse_same_stems(&photos)?;
        let mut outputs: Outputs = args.write.iter().map(|&o| output(o)).collect();
        if args.labels {
            outputs.insert(Output::Labels);
        }
        let rates = SorterRates::default();
        let lot = LotSettings {
            load_tonnes: args.load.load_tonnes,
            sorter: SorterRates {
                removal_rate: args.load.removal_rate.unwrap_or(rates.removal_rate),
                false_reject_rate: args.load.false_reject_rate.unwrap_or(rates.false_reject_rate),
            },
            ..LotSettings::default()
        };
        let without_slip =
            if args.load.one_load { WithoutSlip::OneLoad } else { WithoutSlip::Apart };
        let reader = reader(&args.reading, args.force)?;
        set_threads(&args.machine)?;
        make_folder(&args.out)?;
        Ok(RunSettings {
            photos,
            out: args.out.clone(),
            outputs,
            format: args.format,
            reader,
            lot,
            without_slip,
            timings: args.machine.timings,
        })
    }
}

/// How photographs are read, checked; the profile is loaded here, once.
pub fn reader(args: &ReadingArgs, force: bool) -> Result<Reader, Error> {
    let profile = match &args.profile {
        Some(path) => Profile::read(path),
        None => Profile::built_in(),
    };
    let mut settings = pipeline::Settings { force, ..Default::default() };
    settings.marks.tray_mm = args.tray;
    settings.marks.px_per_mm = args.px_per_mm;
    settings.marks.camera_height_mm = args.camera_height;
    if let Some(path) = &args.patches {
        let measured = MeasuredPatches::read(path).map_err(|e| Error::Usage(e.to_string()))?;
        settings.patches = Some(measured);
    }
    settings.classify.fruit = args.fruit.map(|f| match f {
        flags::Fruit::Black => Fruit::Black,
        flags::Fruit::White => Fruit::White,
    });
    Ok(Reader { profile: profile.map_err(|e| Error::Usage(e.to_string()))?, settings })
}

fn output(output: flags::Output) -> Output {
    match output {
        flags::Output::Csv => Output::Csv,
        flags::Output::Json => Output::Json,
        flags::Output::Labels => Output::Labels,
        flags::Output::Overlay => Output::Overlay,
        flags::Output::Report => Output::Report,
    }
}

/// The photographs meant: files as given, and for a folder every picture directly in it, in order
/// of name, without truth and this program's own outputs.
pub fn photos(given: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    let mut all = Vec::new();
    for path in given {
        if !path.is_dir() {
            // A file that is missing is told photograph by photograph, so that the rest go on.
            all.push(path.clone());
            continue;
        }
        let entries = fs::read_dir(path).map_err(|e| {
            Error::Usage(format!("{}: the folder cannot be listed: {e}", path.display()))
        })?;
        let mut found: Vec<PathBuf> = entries
            .filter_map(|entry| entry.ok().map(|e| e.path()))
            .filter(|p| p.is_file() && is_photograph(p))
            .collect();
        if found.is_empty() {
            return Err(Error::Usage(format!(
                "{}: the folder holds no photograph (.jpg, .jpeg, .png, .tif, .tiff)",
                path.display()
            )));
        }
        found.sort();
        all.append(&mut found);
    }
    Ok(all)
}

fn is_photograph(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
    let picture = [".jpg", ".jpeg", ".png", ".tif", ".tiff"].iter().any(|e| name.ends_with(e));
    let ours = [".ids.png", ".labels.png", ".overlay.jpg", ".blown-out.jpg"]
        .iter()
        .any(|e| name.ends_with(e));
    picture && !ours && !name.starts_with('.')
}

/// Outputs are named after the photograph's stem, so two of the same stem would overwrite each
/// other. Stems that differ only in case do so too, on many file systems.
fn refuse_same_stems(photos: &[PathBuf]) -> Result<(), Error> {
    let mut seen: HashMap<String, &Path> = HashMap::new();
    for photo in photos {
        let stem = photo.file_stem().unwrap_or_default().to_string_lossy().to_lowercase();
        if let Some(first) = seen.insert(stem, photo) {
            return Err(Error::Usage(format!(
                "{} and {} have the same name and would write the same files; rename one, or \
                 assess them into different folders",
                first.display(),
                photo.display()
            )));
        }
    }
    Ok(())
}

/// Makes the folder that `--out` names, and clears away what a run that was cut off left in it.
pub fn make_folder(path: &Path) -> Result<(), Error> {
    use std::io::ErrorKind::{
        AlreadyExists, InvalidFilename, InvalidInput, NotADirectory, NotFound, PermissionDenied,
        ReadOnlyFilesystem,
    };
    acinus::disk::make_folder(path).map_err(|e| {
        let why = not_written(&e);
        let words = format!("--out {}: the folder cannot be made: {why}", path.display());
        match e.kind() {
            // Another name would do.
            AlreadyExists | InvalidFilename | InvalidInput | NotADirectory | NotFound
            | PermissionDenied | ReadOnlyFilesystem => Error::Usage(words),
            _ => Error::Failed(words),
        }
    })?;
    super::clear_leftovers(path);
    Ok(())
}

/// Sizes the pool of worker threads.
pub fn set_threads(machine: &MachineArgs) -> Result<(), Error> {
    let Some(threads) = machine.threads else { return Ok(()) };
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads.into())
        .build_global()
        .map_err(|e| Error::Usage(format!("--threads {threads}: {e}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_stands_for_its_pictures_without_truth_and_outputs() {
        let dir = tempfile::tempdir().expect("dir");
        for name in [
            "b.JPG",
            "a.jpg",
            "a.ids.png",
            "a.json",
            "a.overlay.jpg",
            "a.labels.png",
            "c.tiff",
            ".d.jpg",
        ] {
            fs::write(dir.path().join(name), b"").expect("write");
        }
        let found = photos(&[dir.path().to_owned()]).expect("photographs");
        let names: Vec<_> = found.iter().filter_map(|p| p.file_name()?.to_str()).collect();
        assert_eq!(names, ["a.jpg", "b.JPG", "c.tiff"]);
    }

    #[test]
    fn an_empty_folder_is_wrong_usage_and_a_missing_file_is_not() {
        let dir = tempfile::tempdir().expect("dir");
        assert!(matches!(photos(&[dir.path().to_owned()]), Err(Error::Usage(_))));
        let missing = dir.path().join("missing.jpg");
        assert_eq!(photos(std::slice::from_ref(&missing)).expect("kept"), vec![missing]);
    }

    #[test]
    fn the_same_stem_is_refused_whatever_folder_ending_or_case() {
        let paths = |names: &[&str]| names.iter().map(PathBuf::from).collect::<Vec<_>>();
        assert!(refuse_same_stems(&paths(&["a/x.jpg", "b/y.jpg"])).is_ok());
        for pair in
            [["a/x.jpg", "b/x.jpg"], ["x.jpg", "x.png"], ["X.jpg", "x.jpg"], ["x.jpg", "x.jpg"]]
        {
            let error = refuse_same_stems(&paths(&pair)).expect_err("same stem").to_string();
            assert!(error.contains(pair[0]) && error.contains(pair[1]), "{error}");
        }
    }
}
