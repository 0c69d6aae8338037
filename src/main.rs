//! The `acinus` program: parses the command line, runs it, and turns the ending into an exit code.

use std::process::ExitCode;

use acinus::guard;
use clap::Parser as _;

mod cli;

fn main() -> ExitCode {
    // What nothing was made for is told in one line, whichever thread it happens on.
    guard::mute_all();
    let cli = cli::flags::Cli::parse();
    match guard::caught(|| cli::run(&cli)).unwrap_or_else(|fault| Err(fault.into())) {
        Ok(cli::Ending::AllDone) => ExitCode::SUCCESS,
        Ok(cli::Ending::SomeLeftOut) => ExitCode::from(1),
        Err(error) if error.is_broken_pipe() => ExitCode::SUCCESS,
        Err(error) => {
            cli::complain(&error);
            ExitCode::from(error.code())
        }
    }
}
