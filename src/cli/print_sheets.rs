//! `acinus marks` and `acinus slip`.

use std::path::Path;

use acinus::print::{self, Format, PrintError, Slips};

use super::flags::{self, MarksArgs, SlipArgs};
use super::{Ending, Error};

/// Writes the sheet of tiles.
pub fn marks(args: &MarksArgs) -> Result<Ending, Error> {
    write(&args.out, |format| print::marks(args.tray, paper(args.paper), format))
}

/// Writes the sheets of slips.
pub fn slip(args: &SlipArgs) -> Result<Ending, Error> {
    let slips = Slips::new(&args.load, &args.lot, *args.trays.start(), *args.trays.end());
    write(&args.out, |format| slips?.print(paper(args.paper), format))
}

/// The library's paper.
pub fn paper(paper: flags::Paper) -> print::Paper {
    match paper {
        flags::Paper::A4 => print::Paper::A4,
        flags::Paper::Letter => print::Paper::Letter,
    }
}

fn write(
    out: &Path,
    sheet: impl FnOnce(Format) -> Result<Vec<u8>, PrintError>,
) -> Result<Ending, Error> {
    let bytes = Format::of(out).and_then(sheet)?;
    super::write(out, &bytes)?;
    super::tell(&format!("Written to {}. Print it at 100 % and measure its ruler.", out.display()));
    Ok(Ending::AllDone)
}
