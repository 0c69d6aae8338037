//! `acinus workbench`.

use std::process::{Command, Stdio};

use acinus::workbench::{self, Settings};

use super::ledger_flags::WorkbenchArgs;
use super::load::{path, user};
use super::{Ending, Error, print, settings, tell};

/// Serves the page until the user ends it.
pub fn run(args: &WorkbenchArgs) -> Result<Ending, Error> {
    let reader = settings::reader(&args.reading, false)?;
    let running = workbench::start(Settings {
        ledger: path(&args.ledger)?,
        who: args.who.clone().or_else(user),
        listen: args.listen,
        port: args.port,
        profile: args.reading.profile.is_some().then_some(reader.profile),
        reading: reader.settings,
    })
    .map_err(|e| Error::Failed(e.to_string()))?;
    running.found().iter().for_each(|line| tell(line));
    print(format!("{}\n", running.url()).as_bytes())?;
    if running.token().is_some() {
        tell(
            "Visitors need the token in this address. It travels as plain text: whoever can listen in \
             on this network can read it and all that is shown and sent. Use a network you trust.",
        );
    }
    // An address with a token is not handed to another program: what programs are started with can
    // be read by everyone on this machine.
    if running.token().is_some() {
        tell(
            "Open the address yourself: it is not given to a browser, for others could read it there.",
        );
    } else if !args.no_browser && !open_browser(&running.url()) {
        tell("No browser could be opened: open the address yourself.");
    }
    tell("The workbench is served until you press Ctrl-C.");
    running.wait();
    Ok(Ending::AllDone)
}

/// Asks the system to open an address; whether it took it on.
fn open_browser(url: &str) -> bool {
    let mut command = if cfg!(windows) {
        let mut command = Command::new("explorer");
        command.arg(url);
        command
    } else {
        let mut command = Command::new(if cfg!(target_os = "macos") { "open" } else { "xdg-open" });
        command.arg(url);
        command
    };
    let quiet = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    quiet.spawn().is_ok()
}
