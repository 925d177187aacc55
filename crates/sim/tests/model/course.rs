//! Runs a bin for some days under a watering policy and answers questions about the course of it.
//!
//! Must never judge: the tests do.

use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use sim::{Air, Bin, BinSetup, Blower, Layer, Weather};

/// How the bin is watered.
#[derive(Clone, Copy)]
pub(crate) enum Watering {
    Never,
    /// Each day up to this moisture.
    DailyTo(f64),
    /// Once to a moisture, when the core falls below a temperature after its first three days.
    OnceTo {
        moisture: f64,
        below: f64,
    },
}

/// How the air is given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Airing {
    /// Spread evenly over time.
    Averaged,
    /// In the steps in which the blower runs.
    Pulsed,
}

/// Everything that decides a course.
#[derive(Clone)]
pub(crate) struct Case {
    pub(crate) setup: BinSetup,
    pub(crate) blower: Blower,
    pub(crate) airing: Airing,
    pub(crate) ambient: f64,
    pub(crate) watering: Watering,
    pub(crate) step: Span,
    pub(crate) days: i64,
}

/// The textbook bin in a mild spring, never watered.
pub(crate) fn typical() -> Case {
    Case {
        setup: BinSetup::typical(),
        blower: Blower::typical(Timestamp::from_millis(0)),
        airing: Airing::Pulsed,
        ambient: 12.5,
        watering: Watering::Never,
        step: Span::minutes(5),
        days: 45,
    }
}

pub(crate) struct Sample {
    pub(crate) hours: f64,
    temperatures: [f64; 3],
    moistures: [f64; 3],
    oxygens: [f64; 3],
    volume: f64,
}

/// What a bin did.
pub(crate) struct Course {
    pub(crate) samples: Vec<Sample>,
    pub(crate) watered_at_hours: Option<f64>,
    pub(crate) watered_litres: f64,
    pub(crate) evaporated_kg: f64,
}

fn sample(bin: &Bin, hours: f64) -> Sample {
    Sample {
        hours,
        temperatures: Layer::ALL.map(|layer| bin.temperature(layer).0),
        moistures: Layer::ALL.map(|layer| bin.moisture_fraction(layer)),
        oxygens: Layer::ALL.map(|layer| bin.oxygen_fraction(layer)),
        volume: bin.volume_fraction(),
    }
}

impl Case {
    pub(crate) fn run(&self) -> Course {
        let mut bin = Bin::new(self.setup).unwrap();
        let weather = Weather::still(Celsius(self.ambient));
        let mut course = Course {
            samples: vec![sample(&bin, 0.0)],
            watered_at_hours: None,
            watered_litres: 0.0,
            evaporated_kg: 0.0,
        };
        let (mut now, end) = (Timestamp::from_millis(0), Timestamp::from_millis(0) + Span::days(self.days));
        while now < end {
            let next = now + self.step;
            let air = match self.airing {
                Airing::Pulsed => self.blower.air(now, next),
                Airing::Averaged => {
                    let half_hour = self.blower.air(now, now + Span::minutes(30));
                    let share = self.step.as_minutes() / 30.0;
                    Air { blower_seconds_on: half_hour.blower_seconds_on * share, ..half_hour }
                }
            };
            course.evaporated_kg += bin.advance(self.step, air, weather).unwrap().evaporated_kg;
            now = next;
            let hours = now.since(Timestamp::from_millis(0)).as_hours();
            course.samples.push(sample(&bin, hours));
            let target = match self.watering {
                Watering::Never => None,
                Watering::DailyTo(moisture) => (hours % 24.0 == 0.0).then_some(moisture),
                Watering::OnceTo { moisture, below } => {
                    let due = hours > 72.0 && bin.temperature(Layer::Core).0 < below;
                    (due && course.watered_at_hours.is_none()).then_some(moisture)
                }
            };
            if let Some(moisture) = target {
                let litres = bin.litres_to_moisture(moisture).unwrap();
                bin.water(litres, Celsius(self.ambient.max(1.0))).unwrap();
                course.watered_at_hours = Some(hours);
                course.watered_litres += litres.0;
            }
        }
        course
    }
}

impl Course {
    /// Hours from loading until the layer first reaches `celsius`, interpolated.
    pub(crate) fn reached(&self, layer: Layer, celsius: f64) -> Option<f64> {
        self.samples.windows(2).find(|w| w[1].temperatures[layer as usize] >= celsius).map(|w| {
            let (a, b) = (w[0].temperatures[layer as usize], w[1].temperatures[layer as usize]);
            w[0].hours + (w[1].hours - w[0].hours) * (celsius - a) / (b - a)
        })
    }

    /// Days for which the layer was at `celsius` or above.
    pub(crate) fn days_at_or_above(&self, layer: Layer, celsius: f64) -> f64 {
        let hot = self.samples.windows(2).filter(|w| w[1].temperatures[layer as usize] >= celsius);
        hot.map(|w| w[1].hours - w[0].hours).sum::<f64>() / 24.0
    }

    /// Days from loading until the layer last falls through `celsius`, interpolated.
    pub(crate) fn fell_through(&self, layer: Layer, celsius: f64) -> Option<f64> {
        let temperature = |sample: &Sample| sample.temperatures[layer as usize];
        let last = self.samples.windows(2).rfind(|w| temperature(&w[0]) >= celsius && temperature(&w[1]) < celsius);
        last.map(|w| {
            let (a, b) = (temperature(&w[0]), temperature(&w[1]));
            (w[0].hours + (w[1].hours - w[0].hours) * (a - celsius) / (a - b)) / 24.0
        })
    }

    /// The mean rate of the fall from 60 to 45 °C, K a day.
    pub(crate) fn fall_per_day(&self, layer: Layer) -> f64 {
        15.0 / (self.fell_through(layer, 45.0).unwrap() - self.fell_through(layer, 60.0).unwrap())
    }

    /// Hours from the watering until the layer is at `celsius` again.
    pub(crate) fn back_after(&self, layer: Layer, celsius: f64) -> Option<f64> {
        let watered = self.watered_at_hours.unwrap();
        let after = |sample: &&Sample| sample.hours > watered;
        let back = self.samples.iter().filter(after).find(|s| s.temperatures[layer as usize] >= celsius);
        back.map(|sample| sample.hours - watered)
    }

    pub(crate) fn at(&self, hours: f64) -> &Sample {
        self.samples.iter().find(|sample| sample.hours >= hours).unwrap()
    }

    pub(crate) fn peak(&self, layer: Layer) -> f64 {
        self.samples.iter().map(|sample| sample.temperature(layer)).fold(f64::MIN, f64::max)
    }

    /// The lowest and the highest oxygen fraction between two days.
    pub(crate) fn oxygen_range(&self, layer: Layer, from_day: f64, to_day: f64) -> (f64, f64) {
        let within = self.samples.iter().filter(|s| (from_day * 24.0..to_day * 24.0).contains(&s.hours));
        within.map(|s| s.oxygen(layer)).fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(x), high.max(x)))
    }
}

impl Sample {
    pub(crate) fn temperature(&self, layer: Layer) -> f64 {
        self.temperatures[layer as usize]
    }

    pub(crate) fn moisture(&self, layer: Layer) -> f64 {
        self.moistures[layer as usize]
    }

    pub(crate) fn oxygen(&self, layer: Layer) -> f64 {
        self.oxygens[layer as usize]
    }

    pub(crate) fn volume(&self) -> f64 {
        self.volume
    }
}
