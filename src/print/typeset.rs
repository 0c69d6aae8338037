//! Typst as a library: one template, the bundled fonts and one data file, nothing else. No
//! network, no file of the system, no clock, so that the same data gives the same bytes.

use std::sync::LazyLock;

use serde::Serialize;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
pub use typst::foundations::Bytes;
use typst::foundations::{Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt as _, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};
use typst_svg::SvgOptions;

use super::{Format, PrintError};
use crate::report::lettering::FONT_BYTES;

/// A page's template.
#[derive(Debug)]
pub struct Template {
    name: &'static str,
    text: &'static str,
}

/// Tiles for a tray.
pub const MARKS: Template =
    Template { name: "marks.typ", text: include_str!("../assets/print/marks.typ") };
/// Load slips.
pub const SLIPS: Template =
    Template { name: "slips.typ", text: include_str!("../assets/print/slips.typ") };

/// The agreement sheet of a load.
pub const SHEET: Template =
    Template { name: "sheet.typ", text: include_str!("../assets/print/sheet.typ") };

/// What the templates share; they import it by this name.
const COMMON: Template =
    Template { name: "common.typ", text: include_str!("../assets/print/common.typ") };

/// The name by which a template reads its data.
const DATA: &str = "data.json";

/// DejaVu Sans Condensed; licence beside the file.
const PLAIN_FONT_BYTES: &[u8] = include_bytes!("../assets/fonts/DejaVuSansCondensed.ttf");

/// The standard library and the fonts, made once.
static CASE: LazyLock<Case> = LazyLock::new(|| {
    let fonts: Vec<Font> = [PLAIN_FONT_BYTES, FONT_BYTES]
        .into_iter()
        .flat_map(|bytes| Font::iter(Bytes::new(bytes)))
        .collect();
    Case {
        library: LazyHash::new(Library::default()),
        book: LazyHash::new(FontBook::from_fonts(&fonts)),
        fonts,
    }
});

struct Case {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
}

/// Everything that one document may see.
struct Desk {
    main: Source,
    common: Source,
    files: Vec<(FileId, Bytes)>,
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &CASE.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &CASE.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        [&self.main, &self.common]
            .into_iter()
            .find(|s| s.id() == id)
            .cloned()
            .ok_or(FileError::AccessDenied)
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        let found = self.files.iter().find(|f| f.0 == id);
        found.map(|f| f.1.clone()).ok_or(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        CASE.fonts.get(index).cloned()
    }

    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        None
    }
}

/// A document set in pages.
pub struct Set {
    template: &'static str,
    document: PagedDocument,
    warnings: String,
}

/// Pours data into a template.
pub fn set<T: Serialize>(template: &Template, data: &T) -> Result<Set, PrintError> {
    set_with(template, data, &[])
}

/// Pours data into a template that also reads files: names and bytes.
pub fn set_with<T: Serialize>(
    template: &Template,
    data: &T,
    files: &[(String, Bytes)],
) -> Result<Set, PrintError> {
    let fail = |why: String| PrintError::Typeset { template: template.name, why };
    let id = |name: &str| {
        let path = VirtualPath::new(name).map_err(|e| fail(e.to_string()))?;
        Ok(RootedPath::new(VirtualRoot::Project, path).intern())
    };
    let source = |t: &Template| Ok(Source::new(id(t.name)?, t.text.to_owned()));
    let bytes = serde_json::to_vec(data).map_err(|e| fail(e.to_string()))?;
    let mut all = vec![(id(DATA)?, Bytes::new(bytes))];
    for (name, bytes) in files {
        all.push((id(name)?, bytes.clone()));
    }
    let desk = Desk { main: source(template)?, common: source(&COMMON)?, files: all };
    let set = typst::compile::<PagedDocument>(&desk);
    let document = set.output.map_err(|errors| fail(in_words(&errors)))?;
    let warnings = in_words(&set.warnings);
    // The typesetter remembers for the next keystroke of an editor; nobody types here.
    typst::comemo::evict(0);
    Ok(Set { template: template.name, document, warnings })
}

impl Set {
    /// Number of pages.
    pub fn pages(&self) -> usize {
        self.document.pages().len()
    }

    /// What the typesetter found odd in the template, in words; empty when nothing.
    pub fn warnings(&self) -> &str {
        &self.warnings
    }

    /// As a file's bytes. An SVG must have one page; `items` is told when it has not.
    pub fn write(&self, format: Format, items: usize) -> Result<Vec<u8>, PrintError> {
        match format {
            Format::Pdf => self.pdf(),
            Format::Svg => self.svg(items),
        }
    }

    fn pdf(&self) -> Result<Vec<u8>, PrintError> {
        let options = PdfOptions {
            creator: Smart::Custom(Some(concat!("acinus ", env!("CARGO_PKG_VERSION")).into())),
            ..PdfOptions::default()
        };
        self.export(&options)
    }

    /// As PDF/A-3b (ISO 19005-3), which may carry files. `ident` tells the document from all others;
    /// `at` is its date, universal time: year, month, day, hour, minute, second.
    ///
    /// # Errors
    /// [`PrintError::Typeset`] when the document cannot be archived so, or there is no such date.
    pub fn archival_pdf(&self, ident: &str, at: [u32; 6]) -> Result<Vec<u8>, PrintError> {
        let fail = |why: &str| PrintError::Typeset { template: self.template, why: why.to_owned() };
        let small = |n: u32| u8::try_from(n).map_err(|_| fail("its date is no date"));
        let [year, month, day, hour, minute, second] = at;
        let year = i32::try_from(year).map_err(|_| fail("its date is no date"))?;
        let (month, day) = (small(month)?, small(day)?);
        let (hour, minute, second) = (small(hour)?, small(minute)?, small(second)?);
        let date = Datetime::from_ymd_hms(year, month, day, hour, minute, second)
            .ok_or_else(|| fail("its date is no date"))?;
        let standards =
            PdfStandards::new(&[PdfStandard::A_3b]).map_err(|e| fail(e.message().as_ref()))?;
        self.export(&PdfOptions {
            ident: Smart::Custom(ident.to_owned()),
            creator: Smart::Custom(Some(concat!("acinus ", env!("CARGO_PKG_VERSION")).into())),
            timestamp: Some(Timestamp::new_utc(date)),
            standards,
            ..PdfOptions::default()
        })
    }

    fn export(&self, options: &PdfOptions) -> Result<Vec<u8>, PrintError> {
        typst_pdf::pdf(&self.document, options).map_err(|errors| PrintError::Typeset {
            template: self.template,
            why: in_words(&errors),
        })
    }

    fn svg(&self, slips: usize) -> Result<Vec<u8>, PrintError> {
        match self.document.pages() {
            [page] => Ok(typst_svg::svg(page, &SvgOptions::default()).into_bytes()),
            pages => Err(PrintError::OnePage { slips, pages: pages.len() }),
        }
    }
}

fn in_words(errors: &[SourceDiagnostic]) -> String {
    errors.iter().map(|e| e.message.as_str()).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_outside_can_be_read() {
        for text in [
            "#read(\"/etc/passwd\")",
            "#read(\"../Cargo.toml\")",
            "#import \"@preview/cetz:0.3.0\"",
            "#datetime.today()",
        ] {
            let error = set(&Template { name: "test.typ", text }, &()).err().expect("refused");
            assert!(matches!(error, PrintError::Typeset { .. }), "{error}");
        }
    }

    #[test]
    fn both_fonts_are_there() {
        let fonts: Vec<_> = CASE
            .fonts
            .iter()
            .map(|f| (f.info().family.as_str(), f.info().variant.weight.to_number()))
            .collect();
        assert_eq!(fonts, [("DejaVu Sans", 400), ("DejaVu Sans", 700)]);
    }

    #[test]
    fn a_font_that_is_not_there_is_told() {
        let text = "#set text(font: \"Nothing of the kind\")\nwords";
        let set = set(&Template { name: "test.typ", text }, &()).expect("set in another font");
        assert!(set.warnings().contains("unknown font family"), "{}", set.warnings());
    }
}
