//! The air around the bins: the year, the day and seeded weather.
//!
//! Must never depend on anything but the instant, the climate and its seed: the same instant has the same weather,
//! whatever was asked before.

use pile::humid_air;
use pile::time::Timestamp;
use pile::units::{Celsius, Metres, Pascals};

use crate::chance::Chance;

/// The air around a bin at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Air temperature.
    pub ambient: Celsius,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
    /// Air pressure.
    pub pressure: Pascals,
}

impl Weather {
    /// Still weather at sea level with a humidity of 0.7, for calculations that want none.
    pub const fn still(ambient: Celsius) -> Weather {
        Weather { ambient, humidity: 0.7, pressure: Pascals(101_325.0) }
    }
}

/// A site's climate: a sinus for the year, one for the day, and weather that wanders around them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Climate {
    /// Mean temperature of the year.
    pub mean: Celsius,
    /// Half the difference between the warmest and the coldest time of the year, K; negative south of the equator.
    pub year_kelvin: f64,
    /// Day of the year (0 is the first of January) on which the year is coldest, or warmest if `year_kelvin` is negative.
    pub coldest_day: f64,
    /// Half the difference between the warmest and the coldest hour of a day, K.
    pub day_kelvin: f64,
    /// UTC hour of the day at which it is warmest.
    pub warmest_hour: f64,
    /// Standard deviation of the weather around both, K; most of it changes over days, a third over hours.
    pub weather_kelvin: f64,
    /// How far the dew point lies below the day's mean temperature, K; it wanders by half of that.
    pub dew_point_depression_kelvin: f64,
    /// Elevation of the site, which sets the mean pressure.
    pub elevation: Metres,
    /// Standard deviation of the pressure, Pa.
    pub pressure_pascals: f64,
    /// The seed of the weather.
    pub seed: u64,
}

const DAY_HOURS: f64 = 24.0;
const YEAR_DAYS: f64 = 365.2425;
const TURN: f64 = 2.0 * core::f64::consts::PI;

impl Climate {
    /// A temperate lowland climate: 10 °C in the mean, 0 to 20 °C over the year (common practice, no source).
    pub const fn temperate(seed: u64) -> Climate {
        Climate {
            mean: Celsius(10.0),
            year_kelvin: 9.0,
            coldest_day: 20.0,
            day_kelvin: 4.0,
            warmest_hour: 14.0,
            weather_kelvin: 3.0,
            dew_point_depression_kelvin: 4.0,
            elevation: Metres(100.0),
            pressure_pascals: 800.0,
            seed,
        }
    }

    /// The weather at an instant.
    pub fn weather(&self, at: Timestamp) -> Weather {
        let hours = at.as_millis() as f64 / 3.6e6;
        let days = hours / DAY_HOURS;
        let season = -self.year_kelvin * libm::cos(TURN * (days - self.coldest_day) / YEAR_DAYS);
        let fronts = 0.94 * self.weather_kelvin * self.wander(FRONTS, hours, 60.0);
        let gusts = 0.34 * self.weather_kelvin * self.wander(GUSTS, hours, 5.0);
        let daily = self.day_kelvin * libm::cos(TURN * (hours - self.warmest_hour) / DAY_HOURS);
        let day_mean = self.mean.0 + season + fronts;
        let ambient = Celsius(day_mean + daily + gusts);
        let depression = self.dew_point_depression_kelvin * (1.0 + 0.5 * self.wander(DEW, hours, 30.0));
        let dew_point = Celsius(day_mean - depression.max(0.0));
        let vapour = |t| humid_air::saturation_pressure(t).map(|p| p.0);
        let humidity = match (vapour(dew_point), vapour(ambient)) {
            (Ok(dew), Ok(air)) if air > 0.0 => (dew / air).min(1.0),
            // Only a climate outside -100 to 200 °C gets here; its bin then refuses the temperature by name.
            _ => 1.0,
        };
        // No pressure at an elevation out of range either; its bin refuses that pressure by name.
        let mean_pressure = humid_air::pressure_at(self.elevation).map_or(f64::NAN, |p| p.0);
        let pressure = Pascals(mean_pressure + self.pressure_pascals * self.wander(PRESSURE, hours, 48.0));
        Weather { ambient, humidity, pressure }
    }

    /// A smooth curve through one normal number every `hours_apart`, standard deviation near 1, bounded by 2.5.
    fn wander(&self, stream: u64, hours: f64, hours_apart: f64) -> f64 {
        let place = hours / hours_apart;
        let before = place.floor();
        let share = place - before;
        let knot = |index: f64| Chance::at(self.seed, stream, index as i64).normal().clamp(-2.5, 2.5);
        let weight = share * share * (3.0 - 2.0 * share);
        let (a, b) = (1.0 - weight, weight);
        // Divided by the length of the weights, so that the middle between two knots wanders as far as a knot does.
        ((a * knot(before) + b * knot(before + 1.0)) / libm::sqrt(a * a + b * b)).clamp(-2.5, 2.5)
    }
}

const FRONTS: u64 = 1;
const GUSTS: u64 = 2;
const DEW: u64 = 3;
const PRESSURE: u64 = 4;

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn mean(climate: &Climate, days: core::ops::Range<i64>, hours: &[i64]) -> f64 {
        let mut values = Vec::new();
        for day in days {
            for hour in hours {
                values.push(climate.weather(Timestamp::from_millis((day * 24 + hour) * 3_600_000)).ambient.0);
            }
        }
        values.iter().sum::<f64>() / values.len() as f64
    }

    #[test]
    fn the_year_and_the_day_show() {
        let climate = Climate::temperate(1);
        // Twenty years, so that the weather averages out.
        let average = |first: i64, hours: &[i64]| {
            (0..20)
                .map(|year| mean(&climate, (year * 1461 / 4 + first)..(year * 1461 / 4 + first + 20), hours))
                .sum::<f64>()
                / 20.0
        };
        let (winter, summer) = (average(10, &[2, 8, 14, 20]), average(193, &[2, 8, 14, 20]));
        assert!((winter - 1.0).abs() < 1.0, "January {winter}");
        assert!((summer - 19.0).abs() < 1.0, "July {summer}");
        let (night, noon) = (average(100, &[2]), average(100, &[14]));
        assert!((noon - night - 8.0).abs() < 0.7, "night {night}, noon {noon}");
    }

    #[test]
    fn weather_is_a_smooth_function_of_seed_and_instant() {
        let climate = Climate::temperate(42);
        let at = |minute: i64| climate.weather(Timestamp::from_millis(1_700_000_000_000 + minute * 60_000));
        assert_eq!(at(0), at(0));
        assert_ne!(at(0), Climate::temperate(43).weather(Timestamp::from_millis(1_700_000_000_000)));
        let mut humid = Vec::new();
        for minute in 0..60 * 24 * 30 {
            let (now, next) = (at(minute), at(minute + 1));
            assert!((now.ambient.0 - next.ambient.0).abs() < 0.1, "a jump at minute {minute}");
            assert!((0.05..=1.0).contains(&now.humidity), "humidity {}", now.humidity);
            assert!((97_000.0..104_000.0).contains(&now.pressure.0), "pressure {}", now.pressure.0);
            humid.push(now.humidity);
        }
        let mean = humid.iter().sum::<f64>() / humid.len() as f64;
        assert!((0.6..0.9).contains(&mean), "mean humidity {mean}");
    }

    #[test]
    fn the_same_numbers_on_every_platform() {
        // Taken from this code on x86-64 Linux: another platform must give the same bits.
        let weather = Climate::temperate(42).weather(Timestamp::from_millis(1_700_000_000_000));
        let want = Weather {
            ambient: Celsius(3.2889896422819884),
            humidity: 0.8818993278522821,
            pressure: Pascals(102129.43294424526),
        };
        assert_eq!(weather, want);
    }
}
