//! Seeded chance: the same numbers from the same seed on every platform.
//!
//! Must never take entropy from outside, nor use a transcendental function other than `libm`'s.
//!
//! The generator is splitmix64 (Steele, Lea and Flood 2014; constants from memory, checked by the reference outputs in
//! the tests). It is not meant to be secret or to pass every statistical test, only to be small and repeatable.

/// A stream of pseudo-random numbers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chance {
    state: u64,
}

impl Chance {
    /// The stream that belongs to `seed`.
    pub const fn new(seed: u64) -> Chance {
        Chance { state: seed }
    }

    /// Element `index` of stream `stream` of `seed`, without stepping through those before it.
    pub const fn at(seed: u64, stream: u64, index: i64) -> Chance {
        let seed = mix(seed ^ mix(stream.wrapping_add(GAMMA)));
        Chance { state: mix(seed ^ mix((index as u64).wrapping_mul(GAMMA))) }
    }

    /// The next 64 bits.
    pub const fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GAMMA);
        mix(self.state)
    }

    /// The next number from 0 (included) to 1 (excluded), evenly spread.
    pub fn fraction(&mut self) -> f64 {
        // 53 bits are all that a double can hold of it.
        (self.bits() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// The next number of a normal distribution with mean 0 and standard deviation 1 (Box and Muller 1958, from memory).
    pub fn normal(&mut self) -> f64 {
        // 1 - fraction lies above zero, so that the logarithm exists.
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.fraction()));
        radius * libm::cos(2.0 * core::f64::consts::PI * self.fraction())
    }
}

const GAMMA: u64 = 0x9e37_79b9_7f4a_7c15;

const fn mix(z: u64) -> u64 {
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_is_splitmix64() {
        // The first outputs for seed 1234567 that are commonly published with the algorithm, from memory.
        let mut chance = Chance::new(1_234_567);
        for want in [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423] {
            assert_eq!(chance.bits(), want);
        }
    }

    #[test]
    fn normal_numbers_have_mean_nought_and_deviation_one() {
        let mut chance = Chance::new(7);
        let drawn: Vec<f64> = (0..20_000).map(|_| chance.normal()).collect();
        let mean = drawn.iter().sum::<f64>() / 2e4;
        let variance = drawn.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 2e4;
        // Four standard errors: 4/sqrt(20000) = 0.028, and sqrt(2) times that for the variance.
        assert!(mean.abs() < 0.028, "{mean}");
        assert!((variance - 1.0).abs() < 0.04, "{variance}");
    }

    #[test]
    fn neighbouring_elements_and_streams_are_unlike() {
        let draw = |seed, stream, index| Chance::at(seed, stream, index).bits();
        assert_eq!(draw(1, 2, 3), draw(1, 2, 3), "the same place gives the same number");
        let all = [draw(1, 2, 3), draw(1, 2, 4), draw(1, 2, -3), draw(1, 3, 3), draw(2, 2, 3)];
        for (i, a) in all.iter().enumerate() {
            for b in &all[i + 1..] {
                assert!((a ^ b).count_ones() > 10, "{a:x} and {b:x} are nearly the same");
            }
        }
    }
}
