//! The command line: flags in, exit codes out. It holds no logic of its own; every figure comes
//! from the library.
//!
//! [`flags`] says what exists, [`settings`] checks it once before the first photograph is opened,
//! and each command has a module that calls the library and prints.

mod assess;
mod check;
pub mod flags;
mod help_files;
mod ledger;
pub mod ledger_flags;
mod load;
mod plan;
mod print_sheets;
mod progress;
mod read;
mod score;
mod season;
mod settings;
mod sheet;
pub mod sheet_flags;
mod streams;
pub mod streams_flags;
mod terms;
mod train;
mod validate;
mod workbench;

use std::io::{self, Write as _};
use std::path::Path;

use acinus::disk;
use acinus::given::{self, not_written, one_line};
use acinus::print::PrintError;
use acinus::report::files::write_atomically;
use flags::{Cli, Command};

/// How a run ended, when it could be run at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// Everything was done.
    AllDone,
    /// Some photographs were refused or failed; the rest was done.
    SomeLeftOut,
}

/// Why a run could not be carried through.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The call was wrong; nothing was done.
    #[error("{0}")]
    Usage(String),
    /// Something failed on the way.
    #[error("{0}")]
    Failed(String),
    /// Several things are wrong with one file, each told in a line of its own.
    #[error("{}", .0.join("; "))]
    Faults(Vec<String>),
    /// The program itself failed.
    #[error(transparent)]
    Fault(#[from] acinus::guard::Fault),
    /// The ledger did not do it.
    #[error(transparent)]
    Ledger(#[from] acinus::ledger::LedgerError),
    /// An output could not be written.
    #[error(transparent)]
    Report(#[from] acinus::report::Error),
    /// The terminal or pipe could not be written to.
    #[error("cannot print: {}", not_written(.0))]
    Print(#[from] io::Error),
}

impl Error {
    /// The exit code: 2 for a wrong call, else 1.
    pub fn code(&self) -> u8 {
        match self {
            Error::Usage(_) => 2,
            Error::Failed(_)
            | Error::Faults(_)
            | Error::Fault(_)
            | Error::Ledger(_)
            | Error::Report(_)
            | Error::Print(_) => 1,
        }
    }

    /// A reader that went away (`acinus ... | head`) is no failure.
    pub fn is_broken_pipe(&self) -> bool {
        matches!(self, Error::Print(e) if e.kind() == io::ErrorKind::BrokenPipe)
    }
}

impl From<acinus::sheet::SheetError> for Error {
    fn from(error: acinus::sheet::SheetError) -> Self {
        Error::Failed(error.to_string())
    }
}

impl From<PrintError> for Error {
    fn from(error: PrintError) -> Self {
        match error {
            PrintError::Typeset { .. } => Error::Failed(error.to_string()),
            wrong => Error::Usage(wrong.to_string()),
        }
    }
}

/// Runs one command.
pub fn run(cli: &Cli) -> Result<Ending, Error> {
    match &cli.command {
        Command::Assess(args) => assess::run(args),
        Command::Check(args) => check::run(args),
        Command::Marks(args) => print_sheets::marks(args),
        Command::Slip(args) => print_sheets::slip(args),
        Command::Score(args) => score::run(args),
        Command::Train(args) => train::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Load(args) => load::run(&args.command),
        Command::Ledger(args) => ledger::run(&args.command),
        Command::Workbench(args) => workbench::run(args),
        Command::Terms(args) => terms::run(&args.command),
        Command::Streams(args) => streams::streams(args),
        Command::Compare(args) => streams::compare_lots(args),
        Command::WhatIf(args) => streams::what_if(args),
        Command::Season(args) => season::run(args),
        Command::Sheet(args) => sheet::run(args),
        Command::Validate(args) => validate::run(args),
        Command::Completions(args) => help_files::completions(args),
        Command::Man(args) => help_files::man(args),
    }
}

/// Prints bytes to standard output.
fn print(bytes: &[u8]) -> Result<(), Error> {
    let mut out = io::stdout().lock();
    out.write_all(bytes)?;
    out.flush()?;
    Ok(())
}

/// Prints a text of several lines; whatever else in it would move a terminal's cursor is written out.
fn print_text(text: &str) -> Result<(), Error> {
    let lines: Vec<_> = text.split('\n').map(one_line).collect();
    print(lines.join("\n").as_bytes())
}

/// Tells the user something beside the results, in one line whatever names are in it.
fn tell(line: &str) {
    // A closed standard error leaves nobody to tell.
    let _ = writeln!(io::stderr().lock(), "{}", one_line(line));
}

/// Writes a file that the user named, whole or not at all; clears away what a run that was cut off left
/// beside it.
fn write(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    clear_leftovers(disk::folder_of(path));
    Ok(write_atomically(path, bytes)?)
}

/// The bytes of a file that the user names.
fn bytes_of(file: &Path, kind: given::Kind) -> Result<Vec<u8>, Error> {
    given::read(file, kind)
        .map_err(|e| Error::Usage(format!("{}: cannot be read: {e}", file.display())))
}

/// Clears away unfinished files of runs that were cut off, and says so.
fn clear_leftovers(folder: &Path) {
    match disk::clear_leftovers(folder) {
        Ok(0) => {}
        Ok(n) => tell(&cut_off(folder, n)),
        Err(e) => tell(&format!(
            "{}: what an earlier run left unfinished cannot be removed: {e}",
            folder.display()
        )),
    }
}

/// That unfinished files were there.
fn cut_off(folder: &Path, files: usize) -> String {
    let place = folder.display();
    format!("{place}: an earlier run was cut off; unfinished files removed: {files}")
}

/// Says on standard error why a run ended early.
pub fn complain(error: &Error) {
    match error {
        Error::Faults(all) => all.iter().for_each(|fault| tell(&format!("acinus: {fault}"))),
        error => tell(&format!("acinus: {error}")),
    }
    if matches!(error, Error::Usage(_)) {
        tell("For help, try `acinus help`.");
    }
}
