//! Words to lines of glyphs, in the fonts that are built in.
//!
//! Must never ask for a font of the machine, nor lose a letter between the words and the glyphs.

use std::borrow::Cow;
use std::sync::Arc;

use parley::fontique::{Blob, Collection, CollectionOptions, SourceCache};
use parley::style::{FontFamily, FontFamilyName, FontFeatures, FontWeight, OverflowWrap, StyleProperty};
use parley::{FontContext, Layout, LayoutContext};

use crate::element::{Look, Number, Part};
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
/// Bytes of words that are shaped in one go: the shaper counts them in sixteen bits.
const PORTION_LONGEST: usize = 60_000;
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

    /// Glyphs of `parts`, not yet broken into lines; a text that is very long comes in several.
    fn shape(&mut self, parts: &[Part], look: Look) -> Vec<Shaped> {
        let fit = parts.iter().map(|part| (self.fit(part), part.look.within(look))).collect();
        portions(fit).iter().map(|portion| self.shape_portion(portion)).collect()
    }

    fn shape_portion(&mut self, parts: &[(String, Look)]) -> Shaped {
        let words: String = parts.iter().map(|(words, _)| words.as_str()).collect();
        let mut builder = self.shaper.ranged_builder(&mut self.fonts, &words, 1.0, false);
        builder.push_default(StyleProperty::OverflowWrap(OverflowWrap::BreakWord));
        let mut from = 0;
        for (part, look) in parts {
            let range = from..from + part.len();
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
    fn fit(&mut self, part: &Part) -> String {
        match (part.number, self.numbers) {
            (None, _) => self.letters.settle(&part.words, false),
            (Some(Number::Page), Some((page, _))) => page.to_string(),
            (Some(Number::Pages), Some((_, pages))) => pages.to_string(),
            // How wide it becomes must be known before pages are.
            (Some(_), None) => "000".to_owned(),
        }
    }

    /// `parts` in lines no wider than `width`.
    pub(crate) fn set(&mut self, parts: &[Part], look: Look, width: f32) -> Vec<Shaped> {
        let mut shaped = self.shape(parts, look);
        for portion in &mut shaped {
            portion.layout.break_all_lines(Some(width.max(1.0)));
        }
        shaped
    }

    pub(crate) fn extent(&mut self, parts: &[Part], look: Look) -> Extent {
        let mut extent = Extent::default();
        for portion in self.shape(parts, look) {
            let widths = portion.layout.calculate_content_widths();
            // A hair more, so that what was measured fits into the same width.
            let least = widths.min.min(WORD_WIDEST * look.points()) + 0.01;
            extent = Extent { least: extent.least.max(least), most: extent.most.max(widths.max + 0.01) };
        }
        extent
    }
}

/// Words in portions that the shaper can count, each of which ends between two words if it can.
fn portions(parts: Vec<(String, Look)>) -> Vec<Vec<(String, Look)>> {
    let mut portions = vec![Vec::new()];
    let mut long = 0;
    for (words, look) in parts {
        let mut words = words.as_str();
        while long + words.len() > PORTION_LONGEST {
            let mut room = words.floor_char_boundary(PORTION_LONGEST - long);
            // No mark is parted from its letter.
            while room > 0 && words[room..].starts_with(|c| ('\u{300}'..='\u{36F}').contains(&c)) {
                room = words.floor_char_boundary(room - 1);
            }
            let (now, later) = words.split_at(words[..room].rfind([' ', '\n']).map_or(room, |at| at + 1));
            // A portion begins a line anyway.
            let now = now.strip_suffix('\n').unwrap_or(now);
            portions.last_mut().expect("there is always one").push((now.to_owned(), look));
            portions.push(Vec::new());
            (long, words) = (0, later);
        }
        long += words.len();
        portions.last_mut().expect("there is always one").push((words.to_owned(), look));
    }
    portions
}
