//! `acinus season`.

use std::path::Path;

use acinus::report::files::write_atomically;
use acinus::report::{json, season as words, season_plots};
use acinus::season::{self, SeasonSettings, parquet, table};

use super::flags::Format;
use super::load::open;
use super::sheet_flags::{By, SeasonArgs};
use super::{Ending, Error, print, print_text, settings};

/// Puts the ledger's loads side by side.
pub fn run(args: &SeasonArgs) -> Result<Ending, Error> {
    for folder in [&args.out, &args.parquet].into_iter().flatten() {
        settings::make_folder(folder)?;
    }
    let ledger = open(&args.ledger)?;
    let by = match args.by {
        By::Grower => season::By::Grower,
        By::Block => season::By::Block,
        By::Variety => season::By::Variety,
        By::Week => season::By::Week,
    };
    let found = season::of_ledger(&ledger, &SeasonSettings { by, ..SeasonSettings::default() })?;
    let loads = table::loads(&found);
    if let Some(folder) = &args.out {
        write_page(folder, &found)?;
        write_atomically(&folder.join("loads.csv"), &loads.csv()?)?;
    }
    if let Some(folder) = &args.parquet {
        let objects = table::objects(&ledger, &found)?;
        for (name, table) in [("objects", &objects), ("loads", &loads)] {
            let bytes = parquet::bytes(table, name)?;
            write_atomically(&folder.join(format!("{name}.parquet")), &bytes)?;
            write_atomically(&folder.join(format!("{name}.csv")), &table.csv()?)?;
        }
    }
    match args.format {
        Format::Json => print(&json::to_bytes(&found)?)?,
        Format::Text => print_text(&words::text(&found))?,
    }
    Ok(Ending::AllDone)
}

fn write_page(folder: &Path, found: &season::Season) -> Result<(), Error> {
    let plots = season_plots::plots(found)?;
    for plot in &plots {
        let svg = acinus::report::stream_plots::file(&plot.svg);
        write_atomically(&folder.join(format!("{}.svg", plot.name)), svg.as_bytes())?;
        write_atomically(&folder.join(format!("{}.png", plot.name)), &plot.png)?;
    }
    write_atomically(&folder.join("season.html"), &words::page(found, &plots)?)?;
    write_atomically(&folder.join("season.json"), &json::to_bytes(found)?)?;
    Ok(())
}
