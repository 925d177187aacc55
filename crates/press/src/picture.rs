//! Pictures of a document: PNG, and SVG in the fonts that are built in.
//!
//! Must never open a file or an address that a picture names.

use std::borrow::Cow;
use std::sync::Arc;

use krilla::geom::Size;
use krilla::image::Image;
use krilla::surface::Surface;
use krilla_svg::{SurfaceExt, SvgSettings};
use usvg::fontdb::{Database, Source};
use usvg::{ImageHrefResolver, Options, Tree};

use crate::fault::{Fault, PressError};
use crate::limits::{PICTURE_BYTES, PICTURE_PIXELS};
use crate::text::{EQUAL_FAMILY, FONTS, TEXT_FAMILY};

/// A picture that was read.
pub(crate) enum Drawing {
    Pixels(Image),
    Lines(Box<Tree>),
}

/// Reads pictures with the fonts that are built in.
pub(crate) struct Reader<'a> {
    options: Options<'a>,
}

impl Reader<'_> {
    pub(crate) fn new() -> Self {
        let mut fonts = Database::new();
        for (_, bytes) in FONTS {
            fonts.load_font_source(Source::Binary(Arc::new(bytes)));
        }
        // Whatever family a picture asks for, it gets one that is here.
        fonts.set_sans_serif_family(TEXT_FAMILY);
        fonts.set_serif_family(TEXT_FAMILY);
        fonts.set_monospace_family(EQUAL_FAMILY);
        let options = Options {
            font_family: TEXT_FAMILY.to_owned(),
            fontdb: Arc::new(fonts),
            image_href_resolver: ImageHrefResolver {
                resolve_data: ImageHrefResolver::default_data_resolver(),
                resolve_string: Box::new(|_, _| None),
            },
            ..Options::default()
        };
        Reader { options }
    }

    pub(crate) fn read(&self, name: &str, bytes: &[u8]) -> Result<Drawing, PressError> {
        let refused = |what: String| PressError::Refused {
            faults: vec![Fault {
                place: None,
                message: format!("the picture `{name}` cannot be read: {what}"),
                remedies: vec!["pictures are PNG or SVG".to_owned()],
            }],
        };
        if bytes.len() > PICTURE_BYTES {
            return Err(refused(format!("its file has {} bytes, and may have {PICTURE_BYTES}", bytes.len())));
        }
        if bytes.starts_with(b"\x89PNG") {
            // Width and height stand in the first chunk (PNG, third edition, section 11.2.1). They are looked at before pixels are made.
            let number = |at: usize| Some(u64::from(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?)));
            if let Some(pixels) = number(16).zip(number(20)).map(|(width, height)| width * height)
                && pixels > PICTURE_PIXELS
            {
                return Err(refused(format!("it has {pixels} pixels, and may have {PICTURE_PIXELS}")));
            }
            return Image::from_png(bytes.to_vec().into(), false).map(Drawing::Pixels).map_err(refused);
        }
        let tree = Tree::from_data(bytes, &self.options).map_err(|error| refused(error.to_string()))?;
        Ok(Drawing::Lines(Box::new(tree)))
    }
}

/// An SVG with the letters that it names by number in their place (XML 1.0, section 4.1), but for those that are part of its form.
pub(crate) fn without_references(svg: &str) -> Cow<'_, str> {
    if !svg.contains("&#") {
        return Cow::Borrowed(svg);
    }
    let mut pieces = svg.split("&#");
    let mut plain = pieces.next().unwrap_or_default().to_owned();
    for piece in pieces {
        let named = piece.split_once(';').and_then(|(number, rest)| {
            let number = match number.strip_prefix(['x', 'X']) {
                Some(hexadecimal) => u32::from_str_radix(hexadecimal, 16),
                None => number.parse(),
            };
            Some((number.ok().filter(|number| *number > 0x7F).and_then(char::from_u32)?, rest))
        });
        match named {
            Some((letter, rest)) => {
                plain.push(letter);
                plain.push_str(rest);
            }
            None => plain.extend(["&#", piece]),
        }
    }
    Cow::Owned(plain)
}

impl Drawing {
    /// Width and height, in whatever unit.
    pub(crate) fn size(&self) -> (f32, f32) {
        match self {
            Drawing::Pixels(image) => {
                let (width, height) = image.size();
                (width.max(1) as f32, height.max(1) as f32)
            }
            Drawing::Lines(tree) => (tree.size().width(), tree.size().height()),
        }
    }

    /// Onto a surface whose origin is its upper left corner.
    pub(crate) fn draw(&self, surface: &mut Surface<'_>, width: f32, height: f32) {
        let Some(size) = Size::from_wh(width, height) else { return };
        match self {
            Drawing::Pixels(image) => surface.draw_image(image.clone(), size),
            Drawing::Lines(tree) => {
                // It draws nothing only where there is nothing to draw.
                let _drawn = surface.draw_svg(tree, size, SvgSettings::default());
            }
        }
    }
}
