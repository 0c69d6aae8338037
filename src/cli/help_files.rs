//! Shell completions and manual pages, made from the definitions in [`super::flags`].

use std::io;
use std::path::Path;

use acinus::disk;
use acinus::given::not_written;
use clap::{Command, CommandFactory as _};

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
    let failed = |e: std::io::Error| {
        Error::Failed(format!("cannot write to {}: {}", args.dir.display(), not_written(&e)))
    };
    disk::make_folder(&args.dir).map_err(failed)?;
    super::clear_leftovers(&args.dir);
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    write_pages(&command, &args.dir).map_err(failed)?;
    tell(&format!("Manual pages written to {}", args.dir.display()));
    Ok(Ending::AllDone)
}

fn write_pages(command: &Command, dir: &Path) -> io::Result<()> {
    command
        .get_subcommands()
        .filter(|s| !s.is_hide_set())
        .try_for_each(|below| write_pages(below, dir))?;
    let man = clap_mangen::Man::new(command.clone());
    let mut page = Vec::new();
    man.render(&mut page)?;
    disk::write_whole(&dir.join(man.get_filename()), &page)
}
