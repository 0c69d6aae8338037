//! The `acinus` program: parses the command line, runs it, and turns the ending into an exit code.

use std::process::ExitCode;

use clap::Parser as _;

mod cli;

fn main() -> ExitCode {
    let cli = cli::flags::Cli::parse();
    match cli::run(&cli) {
        Ok(cli::Ending::AllDone) => ExitCode::SUCCESS,
        Ok(cli::Ending::SomeLeftOut) => ExitCode::from(1),
        Err(error) if error.is_broken_pipe() => ExitCode::SUCCESS,
        Err(error) => {
            cli::complain(&error);
            ExitCode::from(error.code())
        }
    }
}
