//! All that the typesetter may see: one template, one file of data, the pictures and fonts handed to it, one date.
//!
//! Must never answer a request from outside itself: no file, no package, no font of the machine.

use typst::diag::{FileError, FileResult, PackageError, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Dict, Duration, Value};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook, FontFamily, FontList, TextElem};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World, WorldExt};

use crate::fault::{Fault, Place, PressError};
use crate::letters::Letters;
use crate::{Job, Template};

/// Fonts that are built in; their licences stand beside them.
const FONTS: [(&str, &[u8]); 3] = [
    ("inter-regular", include_bytes!("../assets/inter-regular.otf")),
    ("inter-bold", include_bytes!("../assets/inter-bold.otf")),
    ("noto-sans-mono", include_bytes!("../assets/noto-sans-mono.ttf")),
];
/// As they name themselves, the first choice first.
const FAMILIES: [&str; 2] = ["Inter", "Noto Sans Mono"];
/// The typesetter remembers every path it ever met, so there are only these two, whatever files are called outside.
const TEMPLATE_PATH: &str = "template.typ";
const DATA_PATH: &str = "data.json";
/// A line of a message is cut here, in characters.
const LINE_LONGEST: usize = 120;

/// The table that a job is set on.
pub(crate) struct Desk {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    template_name: String,
    template: Source,
    data_id: FileId,
    data: Bytes,
    today: jiff::Timestamp,
    letters: Letters,
}

impl Desk {
    /// Lays out what `job` brings.
    pub(crate) fn new(job: &Job<'_>, today: jiff::Timestamp) -> Result<Desk, PressError> {
        let fonts = FONTS
            .iter()
            .map(|(name, bytes)| Font::new(Bytes::new(*bytes), 0).ok_or(PressError::Font(name)))
            .collect::<Result<Vec<_>, _>>()?;
        let mut letters = Letters::of(&fonts);

        let data = serde_json::from_slice(job.data).map_err(|fault| PressError::Data(fault.to_string()))?;
        let data = letters.settle_json(data).to_string();
        let pictures: Dict = job
            .pictures
            .iter()
            .map(|(name, bytes)| {
                // A picture in words (SVG) may carry names too; others are left as they are.
                let bytes = match std::str::from_utf8(bytes) {
                    Ok(words) => Bytes::from_string(letters.settle(words)),
                    Err(_) => Bytes::new(bytes.clone()),
                };
                (name.as_str().into(), Value::Bytes(bytes))
            })
            .collect();
        let inputs: Dict = [("pictures".into(), Value::Dict(pictures))].into_iter().collect();

        let mut library = Library::builder().with_inputs(inputs).build();
        // The typesetter's own first choice is not built in, and a picture in words would lose them for want of it.
        let families = FAMILIES.iter().map(|family| FontFamily::new(family)).collect();
        library.styles.set(TextElem::font, FontList(families));

        let Template { name, text } = job.template;
        Ok(Desk {
            library: LazyHash::new(library),
            book: LazyHash::new(FontBook::from_fonts(&fonts)),
            fonts,
            template_name: name.to_owned(),
            template: Source::new(path(TEMPLATE_PATH), text.to_owned()),
            data_id: path(DATA_PATH),
            data: Bytes::from_string(data),
            today,
            letters,
        })
    }

    /// Letters of the job that no font has.
    pub(crate) fn missing_letters(&self) -> Vec<Fault> {
        self.letters.warning().into_iter().collect()
    }

    /// What the typesetter says, with its place in the words of the caller.
    pub(crate) fn fault(&self, found: &SourceDiagnostic) -> Fault {
        let place = self.place(found).or_else(|| {
            // The place may be inside the typesetter: then that of the call which led there.
            found.trace.iter().find_map(|step| {
                let range = self.range(step.span)?;
                self.place_at(step.span.id()?, range.start)
            })
        });
        let remedies = found.hints.iter().map(|hint| hint.v.to_string()).collect();
        Fault { place, message: found.message.to_string(), remedies }
    }

    fn place(&self, found: &SourceDiagnostic) -> Option<Place> {
        let range = self.range(found.span)?;
        self.place_at(found.span.id()?, range.start)
    }

    fn place_at(&self, id: FileId, byte: usize) -> Option<Place> {
        let (file, text) = match id {
            _ if id == self.template.id() => (self.template_name.clone(), self.template.text()),
            _ if id == self.data_id => (DATA_PATH.to_owned(), self.data.as_str().ok()?),
            _ => return None,
        };
        let before = text.get(..byte)?;
        let start = before.rfind('\n').map_or(0, |at| at + 1);
        let line: String = text.get(start..)?.lines().next().unwrap_or_default().chars().take(LINE_LONGEST).collect();
        Some(Place {
            file,
            line: before.matches('\n').count() + 1,
            column: text.get(start..byte)?.chars().count() + 1,
            text: line,
        })
    }

    /// Why there is no such file, told to somebody who writes a template.
    fn refuse(id: FileId) -> FileError {
        match id.root() {
            VirtualRoot::Package(_) => FileError::Package(PackageError::Other(Some(
                "a template cannot bring in packages; copy what it needs from them into it".into(),
            ))),
            VirtualRoot::Project => FileError::Other(Some(
                "a template cannot open files; it has data.json, and the pictures of the document in sys.inputs.pictures"
                    .into(),
            )),
        }
    }
}

impl World for Desk {
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
        if id == self.template.id() { Ok(self.template.clone()) } else { Err(Desk::refuse(id)) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == self.data_id { Ok(self.data.clone()) } else { Err(Desk::refuse(id)) }
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    fn today(&self, offset: Option<Duration>) -> Option<Datetime> {
        let seconds = offset.map_or(0.0, |offset| offset.seconds());
        let there = self.today.checked_add(jiff::SignedDuration::try_from_secs_f64(seconds).ok()?).ok()?;
        let date = jiff::tz::TimeZone::UTC.to_datetime(there).date();
        Datetime::from_ymd(date.year().into(), date.month().try_into().ok()?, date.day().try_into().ok()?)
    }
}

fn path(name: &str) -> FileId {
    let path = VirtualPath::new(name).expect("both names are plain");
    RootedPath::new(VirtualRoot::Project, path).intern()
}
