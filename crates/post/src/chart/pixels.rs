//! Packs pixels as a PNG with a palette.
//!
//! Must never give more bytes than a mail should carry.

use resvg::tiny_skia;

use super::{ChartError, LARGEST_PNG};

/// Packs the pixels with a palette: a third of the bytes of full colours.
///
/// Edges are blends of ink and paper; so few steps of each blend are kept that all colours fit into the palette, and fewer still where
/// many noisy lines would make the picture too large.
pub(super) fn packed(pixels: &tiny_skia::Pixmap) -> Result<Vec<u8>, ChartError> {
    let mut smallest = usize::MAX;
    for steps in [16, 8, 6, 4, 3] {
        let (palette, indices) = indexed(pixels, steps);
        if palette.len() > 256 {
            continue;
        }
        let png = encoded(pixels, palette, &indices).map_err(|e| ChartError::Pixels(e.to_string()))?;
        if png.len() <= LARGEST_PNG {
            return Ok(png);
        }
        smallest = smallest.min(png.len());
    }
    Err(ChartError::TooLarge(smallest))
}

fn encoded(pixels: &tiny_skia::Pixmap, palette: Vec<[u8; 3]>, indices: &[u8]) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, pixels.width(), pixels.height());
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(palette.concat());
    encoder.set_compression(png::Compression::High);
    // Neighbouring indices are unrelated numbers, so predicting one from the other only adds noise.
    encoder.set_filter(png::Filter::NoFilter);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(indices)?;
    writer.finish()?;
    Ok(out)
}

/// The colours in order of first appearance, each channel in so many steps, and for each pixel the place of its colour.
fn indexed(pixels: &tiny_skia::Pixmap, steps: u32) -> (Vec<[u8; 3]>, Vec<u8>) {
    let step_of = |channel: u8| -> u8 {
        let step = (u32::from(channel) * (steps - 1) + 127) / 255;
        (step * 255 / (steps - 1)) as u8
    };
    let mut places = std::collections::BTreeMap::new();
    let mut palette = Vec::new();
    let indices = pixels
        .pixels()
        .iter()
        .map(|pixel| {
            // The paper is opaque, so premultiplied channels are the channels.
            let colour = [pixel.red(), pixel.green(), pixel.blue()].map(step_of);
            *places.entry(colour).or_insert_with(|| {
                palette.push(colour);
                // More than 256 colours are discarded by the caller.
                (palette.len() - 1) as u8
            })
        })
        .collect();
    (palette, indices)
}
