//! Words to lines of glyphs, in the fonts that are built in.
//!
//! Must never ask for a font of the machine, nor lose a letter between the words and the glyphs.

use std::borrow::Cow;
use std::sync::Arc;

use parley::fontique::{Blob, Collection, CollectionOptions, SourceCache};
use parley::style::{FontFamily, FontFamilyName, FontFeatures, FontWeight, OverflowWrap, StyleProperty};
use parley::{FontContext, Layout, LayoutContext};

use crate::element::{Look, PAGE_COUNT, PAGE_NUMBER, Part};
use crate::fault::PressError;
use crate::letters::Letters;

/// Fonts that are built in; their licences stand beside them.
pub(crate) const FONTS: [(&str, &[u8]); 3] = [
    ("inter-regular", include_bytes!("../assets/inter-regular.otf")),
    ("inter-bold", include_bytes!("../assets/inter-bold.otf")),
    ("noto-sans-mono", include_bytes!("../assets/noto-sans-mono.ttf")),
];
/// As they name themselves.
pub(crate) const TEXT_FAMILY: &str = "Inter";
pub(crate) const EQUAL_FAMILY: &str = "Noto Sans Mono";
/// Height of a capital of the text face in sizes of the letters, as the font says; lines are measured by it.
pub(crate) const CAPITAL: f32 = 0.727;
/// Width of any letter of the face of equal letters.
pub(crate) const EQUAL_WIDTH: f32 = 0.6;
/// Figures of one width; a small l and a large I that cannot be taken for each other, nor for a one.
const FEATURES: &str = "\"tnum\", \"cv05\", \"cv08\"";
/// A word wider than this may be broken anywhere when columns share a page: hashes, addresses. In sizes of the letters.
const WORD_WIDEST: f32 = 14.0;

/// Words that know their glyphs, broken into lines.
#[derive(Debug)]
pub(crate) struct Shaped {
    pub(crate) words: String,
    /// The grey of each piece is its brush.
    pub(crate) layout: Layout<u8>,
}

/// The narrowest and the widest that something becomes: at all places where it may break, and at none.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Extent {
    pub(crate) least: f32,
    pub(crate) most: f32,
}

/// The fonts, and what the shaper remembers between two texts.
pub(crate) struct Setter {
    fonts: FontContext,
    shaper: LayoutContext<u8>,
    pub(crate) letters: Letters,
    /// The number of the page and of all pages, where they are known: in heads and feet.
    pub(crate) numbers: Option<(usize, usize)>,
}

impl Setter {
    pub(crate) fn new(letters: Letters) -> Result<Setter, PressError> {
        let mut collection = Collection::new(CollectionOptions { shared: false, system_fonts: false });
        for (name, bytes) in FONTS {
            if collection.register_fonts(Blob::new(Arc::new(bytes)), None).is_empty() {
                return Err(PressError::Font(name));
            }
        }
        let fonts = FontContext { collection, source_cache: SourceCache::default() };
        Ok(Setter { fonts, shaper: LayoutContext::new(), letters, numbers: None })
    }

    /// Glyphs of `parts`, not yet broken into lines.
    fn shape(&mut self, parts: &[Part], look: Look) -> Shaped {
        let fit: Vec<String> = parts.iter().map(|part| self.fit(&part.words)).collect();
        let words = fit.concat();
        let mut builder = self.shaper.ranged_builder(&mut self.fonts, &words, 1.0, false);
        builder.push_default(StyleProperty::OverflowWrap(OverflowWrap::BreakWord));
        let mut from = 0;
        for (part, fit) in parts.iter().zip(&fit) {
            let look = part.look.within(look);
            let range = from..from + fit.len();
            from = range.end;
            if range.is_empty() {
                continue;
            }
            let equal = look.equal == Some(true);
            let families = if equal { [EQUAL_FAMILY, TEXT_FAMILY] } else { [TEXT_FAMILY, EQUAL_FAMILY] };
            let families = families.map(|family| FontFamilyName::Named(Cow::Borrowed(family))).to_vec();
            builder.push(StyleProperty::FontFamily(FontFamily::List(Cow::Owned(families))), range.clone());
            builder.push(StyleProperty::FontSize(look.points()), range.clone());
            let weight = if look.strong == Some(true) { FontWeight::BOLD } else { FontWeight::NORMAL };
            builder.push(StyleProperty::FontWeight(weight), range.clone());
            builder.push(StyleProperty::Brush(look.grey.unwrap_or(0)), range.clone());
            if !equal {
                builder.push(StyleProperty::FontFeatures(FontFeatures::Source(Cow::Borrowed(FEATURES))), range);
            }
        }
        let layout = builder.build(&words);
        Shaped { words, layout }
    }

    /// Words made fit to be set: numbers of pages filled in, and no letter that no font has.
    fn fit(&mut self, words: &str) -> String {
        match self.numbers {
            Some((number, count)) if words.contains([PAGE_NUMBER, PAGE_COUNT]) => {
                let words = words.replace(PAGE_NUMBER, &number.to_string());
                self.letters.settle(&words.replace(PAGE_COUNT, &count.to_string()))
            }
            _ => self.letters.settle(words),
        }
    }

    /// `parts` in lines no wider than `width`.
    pub(crate) fn set(&mut self, parts: &[Part], look: Look, width: f32) -> Shaped {
        let mut shaped = self.shape(parts, look);
        shaped.layout.break_all_lines(Some(width.max(1.0)));
        shaped
    }

    pub(crate) fn extent(&mut self, parts: &[Part], look: Look) -> Extent {
        let shaped = self.shape(parts, look);
        let widths = shaped.layout.calculate_content_widths();
        // A hair more, so that what was measured fits into the same width.
        Extent { least: widths.min.min(WORD_WIDEST * look.points()) + 0.01, most: widths.max + 0.01 }
    }
}
