//! The document: the packet's data set as a tagged PDF/A-3a and PDF/UA-1 file with the data attached.
//!
//! Values reach the template only as JSON that it reads, never as source: `#` or `*` in a name is text. The pages
//! depend on the data, on this crate and on the version of the typesetting program, and on nothing else.

use sha2::{Digest as _, Sha256};
use typst::diag::{FileError, FileResult, SourceDiagnostic, Warned};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt as _, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards};

use crate::data::PacketData;
use crate::glyph::{Showing, Trust};
use crate::view::{plan_files, view};

/// Raised whenever the same data give other bytes: template, wording, cautions, bag. A test holds it to the bytes.
pub const DOCUMENT_VERSION: &str = "2";

/// The families of the bundled fonts that the template uses, text first.
const FAMILIES: [&str; 2] = ["Libertinus Serif", "DejaVu Sans Mono"];
const TEMPLATE: &str = include_str!("document.typ");
/// Layouts kept for the next document; beyond that, memory would grow with every packet.
const CACHE_AGE_MAX: usize = 3;

/// Why no document came about.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the document cannot be set: {0}")]
pub struct DocumentError(String);

/// Which program sets the document, as the bag names it.
#[must_use]
pub fn software() -> String {
    format!("crossfoot-packet {DOCUMENT_VERSION} (typst {})", typst::utils::version().raw())
}

/// The document of data that have been checked ([`PacketData::check`]): a PDF file.
///
/// # Errors
/// [`DocumentError`] where the typesetting program refuses; no data are known that make it do so.
pub fn render(data: &PacketData) -> Result<Vec<u8>, DocumentError> {
    let finding = data.to_bytes().map_err(|e| DocumentError(e.to_string()))?;
    let hash = hex::encode(Sha256::digest(&finding));
    let fonts = fonts();
    let attached = [
        ("finding.json", Bytes::new(finding)),
        ("measurement.json", Bytes::from_string(data.measurement.document.clone())),
    ];
    let mut set = Err(DocumentError(String::new()));
    // Shaping can miss a glyph for characters that each have one, for instance a mark on a foreign letter.
    for trust in [Trust::Coverage, Trust::Latin] {
        let mut showing = Showing::new(&fonts, trust);
        let view = view(data, &hash, &mut showing).map_err(|e| DocumentError(e.to_string()))?;
        let plans = plan_files(data, &mut showing);
        let plans = plans.into_iter().map(|plan| (plan.name, Bytes::from_string(plan.svg)));
        let files: Vec<(String, Bytes)> =
            attached.iter().map(|(name, bytes)| ((*name).to_owned(), bytes.clone())).chain(plans).collect();
        let pages = Pages::new(&fonts, view, &files)?;
        set = pages.pdf(&hash);
        comemo::evict(CACHE_AGE_MAX);
        if set.is_ok() {
            break;
        }
    }
    set
}

/// The bundled fonts that the template uses.
pub(crate) fn fonts() -> Vec<Font> {
    let wanted = |font: &Font| FAMILIES.contains(&font.info().family.as_str());
    typst_assets::fonts().flat_map(|data| Font::iter(Bytes::new(data))).filter(wanted).collect()
}

/// What the typesetting program may see: the template, the fonts, three files and the plans. No clock, no folder.
struct Pages {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    template: Source,
    files: Vec<(FileId, Bytes)>,
}

impl Pages {
    fn new(fonts: &[Font], view: Vec<u8>, attached: &[(String, Bytes)]) -> Result<Pages, DocumentError> {
        let mut files = vec![(file_id("view.json")?, Bytes::new(view))];
        for (name, bytes) in attached {
            files.push((file_id(name)?, bytes.clone()));
        }
        Ok(Pages {
            library: LazyHash::new(Library::default()),
            book: LazyHash::new(FontBook::from_fonts(fonts)),
            fonts: fonts.to_vec(),
            template: Source::new(file_id("document.typ")?, TEMPLATE.to_owned()),
            files,
        })
    }

    fn pdf(&self, ident: &str) -> Result<Vec<u8>, DocumentError> {
        let Warned { output, warnings: _ } = typst::compile::<PagedDocument>(self);
        let document = output.map_err(|errors| self.error(&errors))?;
        let standards = PdfStandards::new(&[PdfStandard::A_3a, PdfStandard::Ua_1])
            .map_err(|e| DocumentError(e.message().to_string()))?;
        let options = PdfOptions {
            ident: Smart::Custom(ident.to_owned()),
            creator: Smart::Custom(Some("crossfoot".to_owned())),
            timestamp: None,
            standards,
            ..PdfOptions::default()
        };
        typst_pdf::pdf(&document, &options).map_err(|errors| self.error(&errors))
    }

    /// What the program complained of, with the lines of the template.
    fn error(&self, errors: &[SourceDiagnostic]) -> DocumentError {
        use typst::WorldExt as _;
        let line = |error: &SourceDiagnostic| {
            let start = self.range(error.span)?.start;
            Some(self.template.text().get(..start)?.lines().count())
        };
        let told = |error: &SourceDiagnostic| match line(error) {
            Some(line) => format!("line {line} of the template: {}", error.message),
            None => error.message.to_string(),
        };
        DocumentError(errors.iter().map(told).collect::<Vec<_>>().join("; "))
    }
}

fn file_id(name: &str) -> Result<FileId, DocumentError> {
    let path = VirtualPath::new(name).map_err(|e| DocumentError(format!("{name}: {e:?}")))?;
    Ok(FileId::new(RootedPath::new(VirtualRoot::Project, path)))
}

impl World for Pages {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.template.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.template.id() { Ok(self.template.clone()) } else { Err(FileError::AccessDenied) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        let known = self.files.iter().find(|(known, _)| *known == id);
        known.map(|(_, bytes)| bytes.clone()).ok_or(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fonts_of_the_template_are_bundled() {
        let fonts = fonts();
        for family in FAMILIES {
            assert!(fonts.iter().any(|font| font.info().family == family), "{family}");
            assert!(TEMPLATE.contains(&format!("\"{family}\"")), "{family} is not in the template");
        }
    }

    #[test]
    fn the_template_can_open_no_other_file() {
        let pages = Pages::new(&[], Vec::new(), &[]).unwrap();
        assert!(pages.file(file_id("secrets.json").unwrap()).is_err());
        assert!(pages.source(file_id("other.typ").unwrap()).is_err());
        assert!(pages.today(None).is_none());
    }
}
