//! Instants and lengths between whole milliseconds, as fractions: where a line crosses a limit, and what many such pieces come to.
//!
//! Must never round a sum before it is compared, and never turn one way where a comparison is close: three days are three days also where
//! every piece of them ends on a seventh of a millisecond.

use std::cmp::Ordering;
use std::collections::BTreeMap;

/// Digits after the point to which a temperature is taken as the decimal number that it was sent as.
const DIGITS: u32 = 15;

/// The largest scaled temperature: the difference of two still fits into 63 bits.
const SCALED_MOST: f64 = 4e18;

/// Fractions of a millisecond in the quick sum: units of 2^-64 ms.
const UNITS: u32 = 64;

/// An instant: whole milliseconds after the beginning, and a proper fraction of the next one in lowest terms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Moment {
    ms: i64,
    over: u64,
    under: u64,
}

impl Moment {
    /// A whole number of milliseconds after the beginning.
    pub(super) const fn at(ms: i64) -> Moment {
        Moment { ms, over: 0, under: 1 }
    }

    /// The first whole millisecond that is not before it.
    pub(super) fn ceil(self) -> i64 {
        self.ms + i64::from(self.over > 0)
    }

    /// The same moment so many milliseconds later.
    pub(super) fn plus(self, ms: i64) -> Moment {
        Moment { ms: self.ms + ms, ..self }
    }
}

impl PartialOrd for Moment {
    fn partial_cmp(&self, other: &Moment) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Moment {
    fn cmp(&self, other: &Moment) -> Ordering {
        let cross = |a: &Moment, b: &Moment| u128::from(a.over) * u128::from(b.under);
        self.ms.cmp(&other.ms).then_with(|| cross(self, other).cmp(&cross(other, self)))
    }
}

/// The power of ten by which temperatures up to `most` are scaled to whole numbers.
pub(super) fn scale(most: f64) -> u32 {
    (0..=DIGITS).rev().find(|power| most * 10_f64.powi(*power as i32) <= SCALED_MOST).unwrap_or(0)
}

/// A temperature as a whole number of `10^-power` °C: the decimal number that it was sent as, where it has no more digits than that.
pub(super) fn scaled(value: f64, power: u32) -> i128 {
    let value = value.clamp(-SCALED_MOST, SCALED_MOST);
    for digits in 0..=power {
        // The quotient is the float nearest to the decimal number, so that it is the value if and only if that was sent.
        let ten = 10_f64.powi(digits as i32);
        let whole = (value * ten).round();
        if whole.abs() < 9e15 && whole / ten == value {
            return whole as i128 * 10_i128.pow(power - digits);
        }
    }
    let bits = value.abs().to_bits();
    let exponent = (bits >> 52) as i32 - 1_075;
    let mantissa = i128::from(bits & ((1 << 52) - 1) | (1 << 52));
    let grown = mantissa * 10_i128.pow(power);
    let size = match exponent {
        // Below 2^62, so that nothing is lost.
        0.. => grown << exponent.min(10),
        -126..0 => ((grown >> (-exponent - 1)) + 1) >> 1,
        _ => 0,
    };
    if value < 0.0 { -size } else { size }
}

/// Where a straight line from one reading to the next crosses a limit that lies between them; times are milliseconds after the beginning.
pub(super) fn crossing(from: (i64, f64), to: (i64, f64), limit: f64) -> Moment {
    let power = scale(from.1.abs().max(to.1.abs()).max(limit.abs()));
    let of = |value: f64| scaled(value, power);
    let (whole, part) = ((of(to.1) - of(from.1)).unsigned_abs(), (of(limit) - of(from.1)).unsigned_abs());
    let length = u128::from((to.0 - from.0).unsigned_abs());
    if whole == 0 || part >= whole {
        return Moment::at(if part == 0 { from.0 } else { to.0 });
    }
    // Both factors stay below 2^63 and 2^55.
    let share = part * length;
    let (ms, over) = (share / whole, share % whole);
    let common = divisor(over, whole);
    Moment {
        ms: from.0 + i64::try_from(ms).unwrap_or(0),
        over: u64::try_from(over / common).unwrap_or(0),
        under: u64::try_from(whole / common).unwrap_or(1),
    }
}

fn divisor(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a.max(1)
}

/// A length of time: a sum of whole milliseconds and fractions, exact.
#[derive(Clone, Debug, Default)]
pub(super) struct Length {
    /// Whole milliseconds.
    ms: i128,
    /// Denominators and numerators, as they came: few comparisons ever need them.
    parts: Vec<(u64, i128)>,
    /// The sum in units of 2^-64 ms, less than one unit per fraction beside the truth.
    units: i128,
    /// So many fractions were added.
    rounded: i128,
}

impl Length {
    /// So many milliseconds.
    pub(super) fn of(ms: i64) -> Length {
        let mut length = Length::default();
        length.add(Moment::at(ms), 1);
        length
    }

    /// The length of a piece.
    pub(super) fn between(start: Moment, end: Moment) -> Length {
        let mut length = Length::default();
        length.extend(start, end);
        length
    }

    /// Adds a piece.
    pub(super) fn extend(&mut self, start: Moment, end: Moment) {
        self.add(end, 1);
        self.add(start, -1);
    }

    /// Takes a piece away.
    pub(super) fn shorten(&mut self, start: Moment, end: Moment) {
        self.add(end, -1);
        self.add(start, 1);
    }

    fn add(&mut self, moment: Moment, sign: i128) {
        self.ms += sign * i128::from(moment.ms);
        self.units += sign * (i128::from(moment.ms) << UNITS);
        if moment.over > 0 {
            self.parts.push((moment.under, sign * i128::from(moment.over)));
            let units = (u128::from(moment.over) << UNITS) / u128::from(moment.under);
            self.units += sign * i128::try_from(units).unwrap_or(0);
            self.rounded += 1;
        }
    }

    /// How it compares with a whole number of milliseconds.
    pub(super) fn against(&self, ms: i64) -> Ordering {
        let distance = self.units - (i128::from(ms) << UNITS);
        if distance.abs() > self.rounded {
            return distance.cmp(&0);
        }
        // Too close for the quick sum: the fractions are brought to one denominator.
        let (mut left, mut over, mut under) = (i128::from(ms) - self.ms, vec![0_u64], vec![1_u64]);
        let mut parts: BTreeMap<u64, i128> = BTreeMap::new();
        for (denominator, numerator) in &self.parts {
            *parts.entry(*denominator).or_default() += numerator;
        }
        for (denominator, numerator) in &parts {
            let whole = i128::from(*denominator);
            left -= numerator.div_euclid(whole);
            let rest = u64::try_from(numerator.rem_euclid(whole)).unwrap_or(0);
            if rest > 0 {
                over = plus(&times(&over, *denominator), &times(&under, rest));
                under = times(&under, *denominator);
            }
        }
        match u64::try_from(left) {
            Ok(left) => larger(&over, &times(&under, left)),
            // The fractions are never negative.
            Err(_) => Ordering::Greater,
        }
    }

    /// Whether it is at least so many milliseconds.
    pub(super) fn reaches(&self, ms: i64) -> bool {
        self.against(ms) != Ordering::Less
    }

    /// The least whole number of milliseconds that is not shorter.
    pub(super) fn ceil(&self) -> i64 {
        let floor = i64::try_from(self.units >> UNITS).unwrap_or(0);
        let near = (floor - 1)..=(floor + 2);
        near.into_iter().find(|ms| self.against(*ms) != Ordering::Greater).unwrap_or(floor + 2)
    }

    /// What is left when the other is taken away.
    pub(super) fn less(mut self, other: &Length) -> Length {
        self.ms -= other.ms;
        self.units -= other.units;
        self.rounded += other.rounded;
        self.parts.extend(other.parts.iter().map(|(denominator, numerator)| (*denominator, -numerator)));
        self
    }

    /// How it compares with another.
    pub(super) fn cmp(&self, other: &Length) -> Ordering {
        self.clone().less(other).against(0)
    }

    /// In milliseconds, for words and figures, as near as a float comes.
    pub(super) fn as_millis(&self) -> f64 {
        let (whole, part) = (self.units >> UNITS, self.units & ((1 << UNITS) - 1));
        whole as f64 + part as f64 / 2_f64.powi(UNITS as i32)
    }

    /// In hours, for words and figures: never as many as `needed_ms` where it is less than that.
    pub(super) fn hours(&self, needed_ms: i64) -> f64 {
        let (hours, needed) = (self.as_millis() / 3.6e6, needed_ms as f64 / 3.6e6);
        match self.reaches(needed_ms) {
            true => hours.max(needed),
            false if hours >= needed => needed.next_down(),
            false => hours,
        }
    }
}

/// A natural number of any size, least significant part first, times a small one.
fn times(number: &[u64], factor: u64) -> Vec<u64> {
    let (mut out, mut carry) = (Vec::with_capacity(number.len() + 1), 0_u128);
    for part in number {
        let product = u128::from(*part) * u128::from(factor) + carry;
        out.push(product as u64);
        carry = product >> 64;
    }
    out.push(carry as u64);
    while out.len() > 1 && out.last() == Some(&0) {
        out.pop();
    }
    out
}

fn plus(a: &[u64], b: &[u64]) -> Vec<u64> {
    let (mut out, mut carry) = (Vec::with_capacity(a.len().max(b.len()) + 1), 0_u128);
    for index in 0..a.len().max(b.len()) {
        let of = |number: &[u64]| u128::from(number.get(index).copied().unwrap_or(0));
        let sum = of(a) + of(b) + carry;
        out.push(sum as u64);
        carry = sum >> 64;
    }
    if carry > 0 {
        out.push(carry as u64);
    }
    out
}

fn larger(a: &[u64], b: &[u64]) -> Ordering {
    let size = |number: &[u64]| number.iter().rposition(|part| *part != 0);
    size(a).cmp(&size(b)).then_with(|| {
        let top = size(a).map_or(0, |top| top + 1);
        (0..top).rev().map(|index| a[index].cmp(&b[index])).find(|order| order.is_ne()).unwrap_or(Ordering::Equal)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_crossing_is_the_fraction_that_it_is() {
        for (from, to, limit, ms, over, under, why) in [
            ((0, 51.0), (1, 58.0), 55.0, 0, 4, 7, "four sevenths of a millisecond"),
            ((0, 54.6), (700, 55.3), 55.0, 400, 0, 1, "decimal numbers are those that were sent"),
            ((10, 60.0), (20, 50.0), 55.0, 15, 0, 1, "falling, in the middle"),
            ((0, 50.0), (3, 56.0), 55.0, 2, 1, 2, "two and a half"),
            ((0, -0.0), (4, 1.0), 0.5, 2, 0, 1, "minus nothing is nothing"),
        ] {
            assert_eq!(crossing(from, to, limit), Moment { ms, over, under }, "{why}");
        }
    }

    #[test]
    fn sevenths_and_elevenths_come_to_whole_numbers() {
        let mut length = Length::default();
        for (over, under) in
            [(1, 7), (2, 7), (4, 7), (3, 11), (8, 11), (1, 1_000_000_007), (1_000_000_006, 1_000_000_007)]
        {
            assert!(!length.reaches(3));
            length.extend(Moment::at(0), Moment { ms: 0, over, under });
        }
        assert_eq!((length.against(3), length.ceil(), length.as_millis()), (Ordering::Equal, 3, 3.0));
        length.shorten(Moment::at(0), Moment { ms: 0, over: 1, under: u64::MAX });
        assert_eq!((length.against(3), length.ceil()), (Ordering::Less, 3), "by the least fraction that there is");
        assert!(length.hours(3) < 3.0 / 3.6e6);
        length.extend(Moment::at(0), Moment { ms: 0, over: 1, under: u64::MAX - 1 });
        assert_eq!((length.against(3), length.ceil()), (Ordering::Greater, 4));
    }

    #[test]
    fn any_temperature_is_scaled() {
        for (value, power, want) in [
            (54.9, 15, 54_900_000_000_000_000),
            (-0.0, 15, 0),
            (1e-300, 15, 0),
            (-54.9, 1, -549),
            (130.0 / 1.8, 15, 72_222_222_222_222_210),
            (1e300, 0, 4_000_000_000_000_000_000),
        ] {
            let got = scaled(value, power);
            assert!((got - want).abs() <= i128::from(power > 10) * 8, "{value} by {power}: {got}");
        }
        for most in [0.0, 55.0, 1e4, 1e17, f64::MAX] {
            assert!(most * 10_f64.powi(scale(most) as i32) <= SCALED_MOST || scale(most) == 0);
        }
    }
}
