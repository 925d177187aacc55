//! A dose of water as people measure it: whole litres or gallons, whole minutes of the site's hose.
//!
//! Must never decide how much to give: `pile::dose` does.

use pile::dose::rounded;
use pile::units::{Litres, LitresPerMinute};

use crate::model::Display;
use crate::recipe::LITRES_PER_GALLON;

/// A dose in figures and words that say the same.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    /// The amount that the words name.
    pub litres: Litres,
    /// Minutes of the hose, rounded up, where the hose is known.
    pub minutes: Option<f64>,
    /// `38 L (3 min of the hose)`.
    pub words: String,
}

/// Says a dose in the site's units.
pub fn said(litres: Litres, hose: Option<LitresPerMinute>, display: Display) -> Said {
    let unit = unit(display);
    let amount = rounded(litres.0 / unit.0, unit);
    let litres = Litres(amount * unit.0);
    // A tenth of a second is no minute more.
    let whole = |hose: &LitresPerMinute| (litres.0 / hose.0 - 0.001).ceil().max(1.0);
    let minutes = hose.filter(|hose| hose.0 > 0.0).as_ref().map(whole).filter(|minutes| minutes.is_finite());
    let hose = minutes.map_or_else(String::new, |minutes| format!(" ({minutes:.0} min of the hose)"));
    Said { litres, minutes, words: format!("{}{hose}", measured(amount, display)) }
}

/// An estimate with its range: `about 170 L (0-440 L)`.
pub fn range(low: Litres, value: Litres, high: Litres, display: Display) -> String {
    let unit = unit(display);
    let [low, value, high] = [low, value, high].map(|litres| rounded(litres.0 / unit.0, unit));
    let low = measured(low, display);
    let low = low.split(' ').next().unwrap_or_default();
    format!("about {} ({low}-{})", measured(value, display), measured(high, display))
}

fn unit(display: Display) -> Litres {
    match display {
        Display::Metric => Litres(1.0),
        Display::Us => Litres(LITRES_PER_GALLON),
    }
}

fn measured(amount: f64, display: Display) -> String {
    let decimals = usize::from(amount.fract() != 0.0);
    let sign = match display {
        Display::Metric => "L",
        Display::Us => "gal",
    };
    format!("{amount:.decimals$} {sign}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dose_is_said_as_it_is_measured() {
        let hose = Some(LitresPerMinute(18.0));
        for (litres, hose, display, words, minutes) in [
            (37.5, hose, Display::Metric, "38 L (3 min of the hose)", Some(3.0)),
            (5.0, hose, Display::Metric, "5 L (1 min of the hose)", Some(1.0)),
            (36.0, hose, Display::Metric, "36 L (2 min of the hose)", Some(2.0)),
            (170.4, None, Display::Metric, "170 L", None),
            (37.5, hose, Display::Us, "10 gal (3 min of the hose)", Some(3.0)),
            (5.0, None, Display::Us, "1.5 gal", None),
        ] {
            let got = said(Litres(litres), hose, display);
            assert_eq!((got.words.as_str(), got.minutes), (words, minutes));
        }
        assert_eq!(range(Litres(0.0), Litres(170.4), Litres(438.0), Display::Metric), "about 170 L (0-440 L)");
        assert_eq!(range(Litres(0.0), Litres(170.4), Litres(438.0), Display::Us), "about 45 gal (0-120 gal)");
    }
}
