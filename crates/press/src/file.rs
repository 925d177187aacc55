//! Pages to a file: PDF/A-2a and PDF/UA-1, tagged, with an outline.
//!
//! Must never make a file that is neither, nor put anything into it that the pages do not show.

use std::collections::BTreeMap;

use jiff::civil;
use krilla::color::luma;
use krilla::configure::{Accessibility, Archival, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::error::KrillaError;
use krilla::geom::{PathBuilder, Point, Rect, Transform};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::tagging::{Artifact, ArtifactType, BBox, ContentTag, SpanTag, TagKind};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

use crate::Job;
use crate::element::Page;
use crate::fault::{Fault, PressError};
use crate::pages::Placed;
use crate::picture::Drawing;
use crate::piece::{Mark, Piece, What};
use crate::tags::Tags;
use crate::text::Shaped;

/// What the file says it was made with.
const CREATOR: &str = "hypocaust";

/// A page with what stands above and below its text.
pub(crate) struct Leaf {
    pub(crate) head: Piece,
    pub(crate) text: Vec<Placed>,
    pub(crate) foot: Piece,
}

/// Draws marks and remembers what they say.
struct Printer<'a> {
    drawings: &'a BTreeMap<String, Drawing>,
    tags: Tags,
    fonts: BTreeMap<u64, Font>,
    /// Headings with their level, page and place.
    listed: Vec<(u8, String, usize, Point)>,
}

/// The file of these leaves.
pub(crate) fn made(
    job: &Job<'_>,
    date: civil::DateTime,
    page: &Page,
    leaves: &[Leaf],
    tags: Tags,
    drawings: &BTreeMap<String, Drawing>,
) -> Result<Vec<u8>, PressError> {
    let configuration = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A2_A)
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|error| PressError::Standards(format!("{error:?}")))?;
    let settings = SerializeSettings { configuration, no_device_cs: true, ..SerializeSettings::default() };
    let mut document = Document::new_with(settings);
    let mut printer = Printer { drawings, tags, fonts: BTreeMap::new(), listed: Vec::new() };
    let high = page.height - page.margins.top - page.margins.bottom;
    for (number, leaf) in leaves.iter().enumerate() {
        let settings = PageSettings::from_wh(page.width, page.height)
            .ok_or_else(|| PressError::Standards("a page has no size".to_owned()))?;
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        let left = page.margins.left;
        let head = page.margins.top - page.head_gap - leaf.head.height;
        printer.silent(&mut surface, &leaf.head.marks, left, head, ArtifactType::Header)?;
        for placed in &leaf.text {
            printer.piece(&mut surface, &placed.piece, left, page.margins.top + placed.y, number)?;
        }
        let foot = page.margins.top + high + page.foot_gap;
        printer.silent(&mut surface, &leaf.foot.marks, left, foot, ArtifactType::Footer)?;
        surface.finish();
        sheet.finish();
    }
    document.set_outline(outline(&printer.listed, job.title));
    let language = language(job.language);
    document.set_tag_tree(printer.tags.tree(language));
    document.set_metadata(
        Metadata::new()
            .title(told(job.title))
            .authors(page.author.iter().map(|author| told(author)).collect())
            .creator(CREATOR.to_owned())
            .language(language.to_owned())
            .document_id(format!("{}\n{}", job.title, job.made_at.as_millis()))
            .creation_date(instant(date)),
    );
    let mut pdf = document.finish().map_err(|error| refused(&error))?;
    without_suspects(&mut pdf);
    Ok(pdf)
}

/// Blanks the entry that says that no tag is suspect: that is what its absence says (ISO 32000-1, table 321), and some readers take the
/// entry for a fault. Nothing else moves, so that every offset in the file stays true.
fn without_suspects(pdf: &mut [u8]) {
    const MARKED: &[u8] = b"/MarkInfo<</Marked true/Suspects false>>";
    const BLANK: &[u8] = b"/MarkInfo<</Marked true               >>";
    // The catalogue stands at the end of the file; words of the document are packed.
    if let Some(at) = pdf.windows(MARKED.len()).rposition(|bytes| bytes == MARKED)
        && let Some(place) = pdf.get_mut(at..at + MARKED.len())
    {
        place.copy_from_slice(BLANK);
    }
}

/// The tag of a language, if it has the form of one (BCP 47, RFC 5646 section 2.1); otherwise English.
fn language(tag: &str) -> &str {
    let part = |part: &str| (1..=8).contains(&part.len()) && part.bytes().all(|letter| letter.is_ascii_alphanumeric());
    let first = tag.split('-').next().unwrap_or_default();
    let named = (2..=8).contains(&first.len()) && first.bytes().all(|letter| letter.is_ascii_alphabetic());
    if named && tag.split('-').all(part) { tag } else { "en" }
}

fn instant(date: civil::DateTime) -> DateTime {
    let part = |n: i8| u8::try_from(n).unwrap_or(0);
    DateTime::new(u16::try_from(date.year()).unwrap_or(0))
        .month(part(date.month()))
        .day(part(date.day()))
        .hour(part(date.hour()))
        .minute(part(date.minute()))
        .second(part(date.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0)
}

/// Words as XML can carry them (Extensible Markup Language 1.0, production 2).
fn told(words: &str) -> String {
    words.chars().map(|c| if c.is_control() || matches!(c, '\u{FFFE}' | '\u{FFFF}') { ' ' } else { c }).collect()
}

/// What the writer of the file refuses: by then it is no longer a matter of the template.
fn refused(error: &KrillaError) -> PressError {
    let fault = |message: String| Fault {
        place: None,
        message: format!("the file would not be PDF/A-2a and PDF/UA-1: {message}"),
        remedies: vec!["please report it, with the template".to_owned()],
    };
    let faults = match error {
        KrillaError::Validation(errors) => errors.iter().map(|(error, _)| fault(format!("{error:?}"))).collect(),
        KrillaError::Image(..) | KrillaError::SixteenBitImage(..) => vec![Fault {
            place: None,
            message: format!("a PNG of the document cannot be read: {error}"),
            remedies: vec!["make the picture anew".to_owned()],
        }],
        other => vec![fault(other.to_string())],
    };
    PressError::Refused { faults }
}

/// Headings as a tree; a document without any is listed by its title.
fn outline(listed: &[(u8, String, usize, Point)], title: &str) -> Outline {
    let mut outline = Outline::new();
    let mut open: Vec<(u8, OutlineNode)> = Vec::new();
    let close = |open: &mut Vec<(u8, OutlineNode)>, outline: &mut Outline| {
        let Some((_, node)) = open.pop() else { return };
        match open.last_mut() {
            Some((_, parent)) => parent.push_child(node),
            None => outline.push_child(node),
        }
    };
    for (level, words, page, at) in listed {
        while open.last().is_some_and(|(above, _)| above >= level) {
            close(&mut open, &mut outline);
        }
        open.push((*level, OutlineNode::new(words.clone(), XyzDestination::new(*page, *at))));
    }
    if listed.is_empty() {
        open.push((1, OutlineNode::new(title.to_owned(), XyzDestination::new(0, Point::from_xy(0.0, 0.0)))));
    }
    while !open.is_empty() {
        close(&mut open, &mut outline);
    }
    outline
}

impl Printer<'_> {
    fn piece(
        &mut self,
        surface: &mut Surface<'_>,
        piece: &Piece,
        x: f32,
        y: f32,
        page: usize,
    ) -> Result<(), PressError> {
        for listed in &piece.listed {
            self.listed.push((listed.level, listed.words.clone(), page, Point::from_xy(x, y + listed.y)));
        }
        for marks in piece.marks.chunk_by(|one, next| one.group == Tags::NOWHERE && next.group == Tags::NOWHERE) {
            if marks[0].group == Tags::NOWHERE {
                self.silent(surface, marks, x, y, ArtifactType::Other)?;
                continue;
            }
            for mark in marks {
                self.said(surface, mark, x + mark.x, y + mark.y, page)?;
            }
        }
        Ok(())
    }

    /// A mark that is read aloud.
    fn said(&mut self, surface: &mut Surface<'_>, mark: &Mark, x: f32, y: f32, page: usize) -> Result<(), PressError> {
        let tag = match mark.what {
            What::Words { .. } => ContentTag::Span(SpanTag::empty()),
            _ => ContentTag::Other,
        };
        let leaf = surface.start_tagged(tag);
        self.mark(surface, mark, x, y)?;
        surface.end_tagged();
        self.tags.leaf(mark.group, leaf);
        if let What::Picture { width, height, .. } = mark.what
            && let (Some(TagKind::Figure(figure)), Some(rect)) =
                (self.tags.kind_mut(mark.group), Rect::from_xywh(x, y, width, height))
        {
            figure.set_bbox(Some(BBox::new(page, rect)));
        }
        Ok(())
    }

    /// Marks that are not read aloud.
    fn silent(
        &mut self,
        surface: &mut Surface<'_>,
        marks: &[Mark],
        x: f32,
        y: f32,
        kind: ArtifactType,
    ) -> Result<(), PressError> {
        surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(kind)));
        for mark in marks {
            self.mark(surface, mark, x + mark.x, y + mark.y)?;
        }
        surface.end_tagged();
        Ok(())
    }

    fn mark(&mut self, surface: &mut Surface<'_>, mark: &Mark, x: f32, y: f32) -> Result<(), PressError> {
        match &mark.what {
            What::Words { shaped, line } => self.words(surface, shaped, *line, x, y),
            What::Ink { width, height, grey } => {
                ink(surface, *grey);
                if let Some(rect) = Rect::from_xywh(x, y, *width, *height) {
                    let mut path = PathBuilder::new();
                    path.push_rect(rect);
                    if let Some(path) = path.finish() {
                        surface.draw_path(&path);
                    }
                }
                Ok(())
            }
            What::Picture { name, width, height } => {
                if let Some(drawing) = self.drawings.get(name) {
                    surface.push_transform(&Transform::from_translate(x, y));
                    drawing.draw(surface, *width, *height);
                    surface.pop();
                }
                Ok(())
            }
            What::Nothing => Ok(()),
        }
    }

    fn words(
        &mut self,
        surface: &mut Surface<'_>,
        shaped: &Shaped,
        line: usize,
        x: f32,
        y: f32,
    ) -> Result<(), PressError> {
        let Some(line) = shaped.layout.get(line) else { return Ok(()) };
        let mut x = x;
        for run in line.runs() {
            let (data, id) = run.font().data.clone().into_raw_parts();
            let font = match self.fonts.get(&id) {
                Some(font) => font.clone(),
                None => {
                    let font = Font::new(data.into(), run.font().index).ok_or(PressError::Font("of a document"))?;
                    self.fonts.insert(id, font.clone());
                    font
                }
            };
            let size = run.font_size();
            let mut glyphs: Vec<KrillaGlyph> = Vec::new();
            let mut grey = None;
            let mut from = x;
            for cluster in run.visual_clusters() {
                let range = cluster.text_range();
                if cluster.is_ligature_continuation() {
                    // It has no glyph of its own: those of the one before stand for it too.
                    let begins = glyphs.last().map(|glyph| glyph.text_range.start);
                    let before = glyphs.iter_mut().rev();
                    before.take_while(|glyph| Some(glyph.text_range.start) == begins).for_each(|glyph| {
                        glyph.text_range.end = range.end;
                    });
                    continue;
                }
                if shaped.words.get(range.clone()).is_some_and(|letters| letters.contains('\n')) {
                    continue;
                }
                for glyph in cluster.glyphs() {
                    let its = shaped.layout.styles().get(glyph.style_index()).map_or(0, |style| style.brush);
                    if grey.is_some_and(|grey| grey != its) {
                        draw(surface, &mut glyphs, &font, shaped, size, (from, y), grey.unwrap_or(0));
                        from = x;
                    }
                    grey = Some(its);
                    let em = |length: f32| length / size;
                    glyphs.push(KrillaGlyph::new(
                        GlyphId::new(glyph.id),
                        em(glyph.advance),
                        em(glyph.x),
                        // The shaper counts downwards, the file upwards.
                        -em(glyph.y),
                        0.0,
                        range.clone(),
                        None,
                    ));
                    x += glyph.advance;
                }
            }
            draw(surface, &mut glyphs, &font, shaped, size, (from, y), grey.unwrap_or(0));
        }
        Ok(())
    }
}

fn draw(
    surface: &mut Surface<'_>,
    glyphs: &mut Vec<KrillaGlyph>,
    font: &Font,
    shaped: &Shaped,
    size: f32,
    at: (f32, f32),
    grey: u8,
) {
    if !glyphs.is_empty() {
        ink(surface, grey);
        surface.draw_glyphs(Point::from_xy(at.0, at.1), glyphs, font.clone(), &shaped.words, size, false);
        glyphs.clear();
    }
}

fn ink(surface: &mut Surface<'_>, grey: u8) {
    surface.set_stroke(None);
    surface.set_fill(Some(Fill {
        paint: luma::Color::new(grey).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }));
}
