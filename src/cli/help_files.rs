//! Shell completions and manual pages, made from the definitions in [`super::flags`].

use clap::CommandFactory as _;

use super::flags::{Cli, CompletionsArgs, ManArgs};
use super::{Ending, Error, print, tell};

/// Prints a completion script.
pub fn completions(args: &CompletionsArgs) -> Result<Ending, Error> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "acinus", &mut script);
    print(&script)?;
    Ok(Ending::AllDone)
}

/// Writes `acinus.1` and one page a command.
pub fn man(args: &ManArgs) -> Result<Ending, Error> {
    let failed = |e: std::io::Error| Error::Failed(format!("{}: {e}", args.dir.display()));
    std::fs::create_dir_all(&args.dir).map_err(failed)?;
    clap_mangen::generate_to(Cli::command(), &args.dir).map_err(failed)?;
    tell(&format!("Manual pages written to {}", args.dir.display()));
    Ok(Ending::AllDone)
}
