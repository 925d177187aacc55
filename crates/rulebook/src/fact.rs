//! A number that may be unknown, with what it measures: the currency of rules.
//!
//! Must never let an unknown take part in a comparison, nor add up things that do not add up.

use std::cmp::Ordering;

use rhai::{Dynamic, EvalAltResult, ImmutableString, Position};
use site::quantity::{Quantity, Unit};

/// What a number measures, in the unit in which rules count it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    /// A bare number.
    Number,
    /// A temperature, °C.
    Temperature,
    /// A difference of temperatures, K.
    TemperatureChange,
    /// A rate of temperature change, K/d.
    TemperatureRate,
    /// A part of a whole, 0 to 1.
    Share,
    /// A length of time, s.
    Time,
    /// A volume of water, L.
    Volume,
    /// Another quantity in its canonical unit.
    Amount(Unit),
    /// A rate of change of another quantity, its canonical unit a day.
    AmountRate(Unit),
}

/// A number that may be unknown.
#[derive(Clone, Debug)]
pub(crate) struct Fact {
    pub(crate) kind: Kind,
    /// The number, or why there is none.
    pub(crate) value: Result<f64, ImmutableString>,
    /// The confidence bounds of a slope.
    pub(crate) bounds: Option<Bounds>,
}

/// Confidence bounds (95 %) of a slope, and the number of points behind it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bounds {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) points: usize,
}

/// Why an operation gave nothing.
#[derive(Clone, Debug)]
pub(crate) enum Trouble {
    /// Something needed is unknown: the judgement ends as "cannot tell".
    Unknown(ImmutableString),
    /// The rule asks for something senseless: a fault.
    Wrong(String),
    /// The rule used up its steps.
    TooMuch,
}

/// The token by which the host recognises a judgement that ended on an unknown. Scripts cannot make or catch it.
#[derive(Clone, Debug)]
pub(crate) struct Unknowable(pub(crate) ImmutableString);

impl From<Trouble> for Box<EvalAltResult> {
    fn from(trouble: Trouble) -> Self {
        match trouble {
            Trouble::Unknown(why) => EvalAltResult::ErrorTerminated(Dynamic::from(Unknowable(why)), Position::NONE),
            Trouble::Wrong(what) => EvalAltResult::ErrorRuntime(what.into(), Position::NONE),
            Trouble::TooMuch => EvalAltResult::ErrorTooManyOperations(Position::NONE),
        }
        .into()
    }
}

impl Kind {
    /// The kind of a quantity's values.
    pub(crate) fn of(quantity: Quantity) -> Kind {
        match quantity.unit() {
            Unit::Celsius => Kind::Temperature,
            Unit::Second => Kind::Time,
            unit => Kind::Amount(unit),
        }
    }

    /// The kind of a difference of two such values.
    pub(crate) fn change(self) -> Kind {
        if self == Kind::Temperature { Kind::TemperatureChange } else { self }
    }

    /// The kind of a slope of such values.
    pub(crate) fn rate(self) -> Kind {
        match self {
            Kind::Temperature => Kind::TemperatureRate,
            Kind::Amount(unit) => Kind::AmountRate(unit),
            _ => Kind::Number,
        }
    }

    fn said(self) -> &'static str {
        match self {
            Kind::Number => "a bare number",
            Kind::Temperature => "a temperature",
            Kind::TemperatureChange => "a difference of temperatures",
            Kind::TemperatureRate => "a rate of temperature change",
            Kind::Share => "a share",
            Kind::Time => "a length of time",
            Kind::Volume => "a volume of water",
            Kind::Amount(unit) => unit.sign(),
            Kind::AmountRate(_) => "a rate of change",
        }
    }
}

impl Fact {
    pub(crate) fn known(kind: Kind, value: f64) -> Fact {
        Fact { kind, value: Ok(value), bounds: None }
    }

    pub(crate) fn unknown(kind: Kind, why: impl Into<ImmutableString>) -> Fact {
        Fact { kind, value: Err(why.into()), bounds: None }
    }

    /// The fact in a value of the script language: a fact, or a plain number.
    pub(crate) fn from_dynamic(value: &Dynamic) -> Option<Fact> {
        if let Some(fact) = value.read_lock::<Fact>() {
            return Some(fact.clone());
        }
        let number = value.as_int().map(|n| n as f64).or_else(|_| value.as_float()).ok()?;
        Some(Fact::known(Kind::Number, number))
    }

    pub(crate) fn number(&self) -> Result<f64, Trouble> {
        self.value.clone().map_err(Trouble::Unknown)
    }

    pub(crate) fn bound(&self, pick: fn(&Bounds) -> f64) -> Fact {
        match (&self.value, &self.bounds) {
            (Ok(_), Some(bounds)) => Fact::known(self.kind, pick(bounds)),
            (Ok(_), None) => Fact::unknown(self.kind, "only a slope has bounds"),
            (Err(why), _) => Fact::unknown(self.kind, why.clone()),
        }
    }

    pub(crate) fn negated(&self) -> Fact {
        Fact {
            kind: self.kind,
            value: self.value.clone().map(|v| -v),
            bounds: self.bounds.map(|b| Bounds { low: -b.high, high: -b.low, points: b.points }),
        }
    }

    /// The magnitude; a slope's bounds are not carried over.
    pub(crate) fn magnitude(&self) -> Fact {
        Fact { kind: self.kind, value: self.value.clone().map(f64::abs), bounds: None }
    }

    pub(crate) fn plus(&self, other: &Fact) -> Result<Fact, Trouble> {
        let kind = match (self.kind, other.kind) {
            (Kind::Temperature, Kind::Temperature) => {
                return wrong("two temperatures cannot be added; take their difference");
            }
            (Kind::Temperature, Kind::TemperatureChange) | (Kind::TemperatureChange, Kind::Temperature) => {
                Kind::Temperature
            }
            (a, b) => same_kind(a, b, "added")?,
        };
        combined(kind, self, other, |a, b| a + b)
    }

    pub(crate) fn minus(&self, other: &Fact) -> Result<Fact, Trouble> {
        let kind = match (self.kind, other.kind) {
            (Kind::Temperature, Kind::Temperature) => Kind::TemperatureChange,
            (Kind::Temperature, Kind::TemperatureChange) => Kind::Temperature,
            (a, b) => same_kind(a, b, "subtracted")?,
        };
        combined(kind, self, other, |a, b| a - b)
    }

    pub(crate) fn times(&self, other: &Fact) -> Result<Fact, Trouble> {
        let kind = match (self.kind, other.kind) {
            (Kind::Temperature, _) | (_, Kind::Temperature) => {
                return wrong("a temperature cannot be multiplied: its zero is arbitrary");
            }
            (Kind::TemperatureRate, Kind::Time) | (Kind::Time, Kind::TemperatureRate) => {
                return combined(Kind::TemperatureChange, self, other, |a, b| a * b / DAY_SECONDS);
            }
            (Kind::Number | Kind::Share, kind) | (kind, Kind::Number | Kind::Share) => kind,
            (a, b) => return wrong(&format!("{} and {} cannot be multiplied", a.said(), b.said())),
        };
        combined(kind, self, other, |a, b| a * b)
    }

    pub(crate) fn over(&self, other: &Fact) -> Result<Fact, Trouble> {
        if other.value == Ok(0.0) && self.value.is_ok() {
            return wrong("division by zero; check the divisor first");
        }
        let kind = match (self.kind, other.kind) {
            (Kind::Temperature, _) | (_, Kind::Temperature) => {
                return wrong("a temperature cannot be divided: its zero is arbitrary");
            }
            (Kind::TemperatureChange, Kind::Time) => {
                return combined(Kind::TemperatureRate, self, other, |a, b| a / b * DAY_SECONDS);
            }
            (a, b) if a == b => Kind::Number,
            (kind, Kind::Number | Kind::Share) => kind,
            (a, b) => return wrong(&format!("{} cannot be divided by {}", a.said(), b.said())),
        };
        combined(kind, self, other, |a, b| a / b)
    }

    /// Compares; an unknown on either side ends the judgement.
    pub(crate) fn compared(&self, other: &Fact) -> Result<Ordering, Trouble> {
        same_kind(self.kind, other.kind, "compared")?;
        let (a, b) = (self.number()?, other.number()?);
        match a.partial_cmp(&b) {
            Some(order) if a.is_finite() && b.is_finite() => Ok(order),
            _ => wrong("a number that is infinite or none cannot be compared; check the sum that led to it"),
        }
    }
}

const DAY_SECONDS: f64 = 86_400.0;

fn wrong<T>(what: &str) -> Result<T, Trouble> {
    Err(Trouble::Wrong(what.into()))
}

/// The kind that both are, a bare number taking the other's unit; lengths of time have too many units for that.
fn same_kind(a: Kind, b: Kind, verb: &str) -> Result<Kind, Trouble> {
    match (a, b) {
        (a, b) if a == b => Ok(a),
        (Kind::Time, Kind::Number) | (Kind::Number, Kind::Time) => {
            wrong(&format!("a length of time and a bare number cannot be {verb}; write 24.hours or 30.minutes"))
        }
        (Kind::Number, kind) | (kind, Kind::Number) => Ok(kind),
        (a, b) => wrong(&format!("{} and {} cannot be {verb}", a.said(), b.said())),
    }
}

fn combined(kind: Kind, a: &Fact, b: &Fact, work: fn(f64, f64) -> f64) -> Result<Fact, Trouble> {
    match (&a.value, &b.value) {
        (Err(why), _) | (_, Err(why)) => Ok(Fact::unknown(kind, why.clone())),
        (Ok(a), Ok(b)) => {
            let value = work(*a, *b);
            if value.is_finite() {
                Ok(Fact::known(kind, value))
            } else {
                wrong("the sum is beyond what a number can hold")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_carried_through_sums_or_refused() {
        let (c, k, r, t, n) =
            (Kind::Temperature, Kind::TemperatureChange, Kind::TemperatureRate, Kind::Time, Kind::Number);
        type Work = fn(&Fact, &Fact) -> Result<Fact, Trouble>;
        let rows: [(Kind, Work, Kind, Option<Kind>, &str); 13] = [
            (c, Fact::minus, c, Some(k), "a difference of temperatures is no temperature"),
            (c, Fact::plus, k, Some(c), "warmer by some kelvin"),
            (c, Fact::plus, c, None, "the sum of two temperatures means nothing"),
            (c, Fact::plus, n, Some(c), "a bare number takes the unit beside it"),
            (c, Fact::times, n, None, "twice 20 °C means nothing"),
            (k, Fact::times, n, Some(k), "twice 20 K does"),
            (r, Fact::times, t, Some(k), "a rate over a time"),
            (k, Fact::over, t, Some(r), "and back"),
            (t, Fact::plus, n, None, "hours or seconds?"),
            (t, Fact::over, t, Some(n), "a ratio"),
            (c, Fact::over, n, None, "half of 20 °C means nothing"),
            (t, Fact::minus, c, None, "unlike things"),
            (Kind::Share, Fact::times, t, Some(t), "a share of a time"),
        ];
        for (a, work, b, want, why) in rows {
            let got = work(&Fact::known(a, 20.0), &Fact::known(b, 2.0));
            assert_eq!(got.ok().map(|f| f.kind), want, "{why}");
        }
    }

    #[test]
    fn an_unknown_spoils_sums_and_ends_comparisons() {
        let (some, none) = (Fact::known(Kind::Temperature, 20.0), Fact::unknown(Kind::Temperature, "silent"));
        assert!(matches!(some.minus(&none), Ok(Fact { value: Err(_), .. })));
        assert!(matches!(some.compared(&none), Err(Trouble::Unknown(why)) if why == "silent"));
        assert!(matches!(none.over(&Fact::known(Kind::Number, 0.0)), Ok(_) | Err(_)));
        assert!(matches!(Fact::known(Kind::Number, 1.0).over(&Fact::known(Kind::Number, 0.0)), Err(Trouble::Wrong(_))));
        assert!(matches!(Fact::known(Kind::Number, f64::NAN).compared(&some), Err(Trouble::Wrong(_))));
    }
}
