//! The readings of one series on one day, packed: columns of numbers by the codec `pco`, what is rare kept sparsely.
//!
//! Must never lose anything of a reading: what is unpacked equals what was packed, bit for bit.

use std::collections::BTreeMap;

use pco::data_types::Number;
use pco::wrapped::{FileCompressor, FileDecompressor};
use pco::{ChunkConfig, DeltaSpec, PagingSpec};
use pile::time::{Span, Timestamp};

/// What one chunk covers: a day of UTC.
pub(crate) const DAY: i64 = Span::days(1).as_millis();
/// The form of the body, its first byte. A later form gets the next number, and this one is still read.
const FORM: u8 = 1;
/// The second byte: values as they are, or as whole tenths.
const AS_FLOATS: u8 = 0;
const AS_TENTHS: u8 = 1;
/// The first byte of a column in which most numbers are 0.
const ALL_ZERO: u8 = 0;
const DENSE: u8 = 1;
const SPARSE: u8 = 2;

/// Readings of one series on one day, oldest first, by column. Times are milliseconds since 1970-01-01T00:00:00 UTC.
#[derive(Clone, Debug, Default)]
pub(crate) struct Day {
    /// When each was measured; no two at the same instant.
    pub(crate) at: Vec<i64>,
    /// The values.
    pub(crate) values: Vec<f64>,
    /// received_at less measured_at, as in the table `readings`; 0 for none.
    pub(crate) delays: Vec<i64>,
    /// As in the table `readings`; 0 for none.
    pub(crate) marks: Vec<i64>,
    /// Why a reading is not good, by its place; most have no reason.
    pub(crate) reasons: BTreeMap<usize, String>,
}

impl PartialEq for Day {
    /// Bit for bit: 0 and -0 differ.
    fn eq(&self, other: &Day) -> bool {
        let bits = |day: &Day| day.values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        self.at == other.at
            && bits(self) == bits(other)
            && self.delays == other.delays
            && self.marks == other.marks
            && self.reasons == other.reasons
    }
}

/// The day of an instant, counted from 1970-01-01.
pub(crate) fn day_of(at: i64) -> i64 {
    at.div_euclid(DAY)
}

/// The first millisecond of a day as a number. The first and the last day that have an instant reach beyond what instants can express, so
/// ends of days are compared as numbers.
pub(crate) fn first_of(day: i64) -> i64 {
    day.saturating_mul(DAY)
}

/// The first millisecond of a day, for people.
pub(crate) fn begin_of(day: i64) -> Timestamp {
    Timestamp::from_millis(first_of(day))
}

impl Day {
    /// How many readings.
    pub(crate) fn len(&self) -> usize {
        self.at.len()
    }

    /// One reading more, which is newer than all before.
    pub(crate) fn push(&mut self, at: i64, value: f64, delay: i64, marks: i64, reason: String) {
        if !reason.is_empty() {
            self.reasons.insert(self.at.len(), reason);
        }
        self.at.push(at);
        self.values.push(value);
        self.delays.push(delay);
        self.marks.push(marks);
    }

    /// The reading at a place, its reason empty where there is none.
    pub(crate) fn get(&self, n: usize) -> Option<(i64, f64, i64, i64, &str)> {
        let reason = self.reasons.get(&n).map_or("", String::as_str);
        Some((*self.at.get(n)?, *self.values.get(n)?, *self.delays.get(n)?, *self.marks.get(n)?, reason))
    }

    /// The readings that `keep` wants, by their time.
    pub(crate) fn retain(&self, keep: impl Fn(i64) -> bool) -> Day {
        let mut out = Day::default();
        for (at, value, delay, marks, reason) in (0..self.len()).filter_map(|n| self.get(n)) {
            if keep(at) {
                out.push(at, value, delay, marks, reason.to_owned());
            }
        }
        out
    }

    /// Both together, in order; of two at one instant that of `self` stays.
    pub(crate) fn merged(&self, other: &Day) -> Day {
        let mut out = Day::default();
        let (mut a, mut b) = (0, 0);
        loop {
            let (mine, theirs) = (self.get(a), other.get(b));
            let next = match (mine, theirs) {
                (Some(m), Some(t)) if t.0 < m.0 => {
                    b += 1;
                    t
                }
                (Some(m), t) => {
                    a += 1;
                    b += usize::from(t.is_some_and(|t| t.0 == m.0));
                    m
                }
                (None, Some(t)) => {
                    b += 1;
                    t
                }
                (None, None) => return out,
            };
            out.push(next.0, next.1, next.2, next.3, next.4.to_owned());
        }
    }

    /// The value at an instant.
    pub(crate) fn value_at(&self, at: i64) -> Option<f64> {
        self.at.binary_search(&at).ok().and_then(|n| self.values.get(n).copied())
    }

    /// Packs readings of the day that begins at `begin`.
    ///
    /// # Errors
    /// What the codec says, or that a reading is not of this day.
    pub(crate) fn pack(&self, begin: i64) -> Result<Vec<u8>, String> {
        let offsets: Option<Vec<u32>> =
            self.at.iter().map(|at| u32::try_from(at - begin).ok().filter(|o| i64::from(*o) < DAY)).collect();
        let offsets = offsets.ok_or("a reading is of another day")?;
        let tenths: Option<Vec<i32>> = self.values.iter().map(|value| in_tenths(*value)).collect();
        let mut body = vec![FORM, if tenths.is_some() { AS_TENTHS } else { AS_FLOATS }];
        numbers(&mut body, &offsets, &[0, 1, 2])?;
        match tenths {
            Some(tenths) => numbers(&mut body, &tenths, &[0, 1])?,
            None => numbers(&mut body, &self.values, &[0, 1])?,
        }
        mostly_zero(&mut body, &self.delays)?;
        mostly_zero(&mut body, &self.marks)?;
        let mut texts: Vec<&str> = Vec::new();
        let mut which = vec![0_i64; self.len()];
        for (n, text) in &self.reasons {
            let place = texts.iter().position(|known| known == text).unwrap_or_else(|| {
                texts.push(text);
                texts.len() - 1
            });
            if let Some(slot) = which.get_mut(*n) {
                *slot = place as i64 + 1;
            }
        }
        count(&mut body, texts.len());
        for text in texts {
            count(&mut body, text.len());
            body.extend_from_slice(text.as_bytes());
        }
        mostly_zero(&mut body, &which)?;
        Ok(body)
    }

    /// Unpacks `readings` readings of the day that begins at `begin`.
    ///
    /// # Errors
    /// What does not fit.
    pub(crate) fn unpack(begin: i64, readings: usize, body: &[u8]) -> Result<Day, String> {
        let (form, rest) = body.split_first().ok_or("it is empty")?;
        if *form != FORM {
            return Err(format!("its form is {form}, and this version knows {FORM}"));
        }
        let (values_as, rest) = rest.split_first().ok_or("it ends too early")?;
        let (offsets, rest) = read_numbers::<u32>(rest, readings)?;
        let (values, rest) = match *values_as {
            AS_TENTHS => {
                let (tenths, rest) = read_numbers::<i32>(rest, readings)?;
                (tenths.into_iter().map(|t| f64::from(t) / 10.0).collect(), rest)
            }
            AS_FLOATS => read_numbers::<f64>(rest, readings)?,
            other => return Err(format!("its values are of the kind {other}, which this version does not know")),
        };
        let (delays, rest) = read_mostly_zero(rest, readings)?;
        let (marks, rest) = read_mostly_zero(rest, readings)?;
        let (many, mut rest) = read_count(rest)?;
        let mut texts = Vec::new();
        for _ in 0..many {
            let (length, after) = read_count(rest)?;
            let (text, after) = after.split_at_checked(length).ok_or("it ends in the middle of a text")?;
            texts.push(std::str::from_utf8(text).map_err(|e| e.to_string())?);
            rest = after;
        }
        let (which, rest) = read_mostly_zero(rest, readings)?;
        if !rest.is_empty() {
            return Err(format!("{} bytes follow its end", rest.len()));
        }
        let mut reasons = BTreeMap::new();
        for (n, place) in which.iter().enumerate().filter(|(_, place)| **place != 0) {
            let text =
                usize::try_from(place - 1).ok().and_then(|place| texts.get(place)).ok_or("a reason is missing")?;
            reasons.insert(n, (*text).to_owned());
        }
        let at = offsets.into_iter().map(|offset| begin + i64::from(offset)).collect();
        Ok(Day { at, values, delays, marks, reasons })
    }
}

/// The value in whole tenths, where that loses nothing.
fn in_tenths(value: f64) -> Option<i32> {
    let tenths = (value * 10.0).round();
    let whole = (tenths.abs() <= f64::from(i32::MAX)).then_some(tenths as i32)?;
    ((f64::from(whole) / 10.0).to_bits() == value.to_bits()).then_some(whole)
}

/// Appends numbers, by the order of differences that makes them shortest.
fn numbers<T: Number>(body: &mut Vec<u8>, numbers: &[T], orders: &[usize]) -> Result<(), String> {
    if numbers.is_empty() {
        return Ok(());
    }
    let mut best: Option<Vec<u8>> = None;
    for order in orders {
        let one_page = PagingSpec::Exact(vec![numbers.len()]);
        let config =
            ChunkConfig::default().with_delta_spec(DeltaSpec::TryConsecutive(*order)).with_paging_spec(one_page);
        let packed = packed(numbers, &config).map_err(|e| e.to_string())?;
        if best.as_ref().is_none_or(|best| packed.len() < best.len()) {
            best = Some(packed);
        }
    }
    body.extend(best.unwrap_or_default());
    Ok(())
}

fn packed<T: Number>(numbers: &[T], config: &ChunkConfig) -> pco::errors::PcoResult<Vec<u8>> {
    let file = FileCompressor::default();
    let mut out = Vec::new();
    file.write_header(&mut out)?;
    let mut chunk = file.chunk_compressor(numbers, config)?;
    chunk.write_meta(&mut out)?;
    chunk.write_page(0, &mut out)?;
    Ok(out)
}

fn read_numbers<T: Number + Default>(bytes: &[u8], many: usize) -> Result<(Vec<T>, &[u8]), String> {
    if many == 0 {
        return Ok((Vec::new(), bytes));
    }
    let read = || {
        let (file, rest) = FileDecompressor::new(bytes)?;
        let (mut chunk, rest) = file.chunk_decompressor::<T, _>(rest)?;
        let mut out = vec![T::default(); many];
        let mut page = chunk.page_decompressor(rest, many)?;
        page.read(&mut out)?;
        Ok((out, page.into_src()))
    };
    read().map_err(|e: pco::errors::PcoError| e.to_string())
}

/// Appends a column that is often all 0, or 0 but for a few.
fn mostly_zero(body: &mut Vec<u8>, column: &[i64]) -> Result<(), String> {
    let (places, rare): (Vec<u32>, Vec<i64>) =
        (0_u32..).zip(column).filter(|(_, number)| **number != 0).map(|(n, number)| (n, *number)).unzip();
    if rare.is_empty() {
        body.push(ALL_ZERO);
        return Ok(());
    }
    let mut sparse = vec![SPARSE];
    count(&mut sparse, rare.len());
    numbers(&mut sparse, &places, &[0, 1])?;
    numbers(&mut sparse, &rare, &[0])?;
    let mut dense = vec![DENSE];
    numbers(&mut dense, column, &[0])?;
    body.extend(if sparse.len() < dense.len() { sparse } else { dense });
    Ok(())
}

fn read_mostly_zero(bytes: &[u8], many: usize) -> Result<(Vec<i64>, &[u8]), String> {
    let (kind, rest) = bytes.split_first().ok_or("it ends too early")?;
    match *kind {
        ALL_ZERO => Ok((vec![0; many], rest)),
        DENSE => read_numbers(rest, many),
        SPARSE => {
            let (few, rest) = read_count(rest)?;
            if few > many {
                return Err(format!("{few} of {many} readings are said to be marked"));
            }
            let (places, rest) = read_numbers::<u32>(rest, few)?;
            let (rare, rest) = read_numbers::<i64>(rest, few)?;
            let mut column = vec![0; many];
            for (place, number) in places.into_iter().zip(rare) {
                *column.get_mut(place as usize).ok_or("a mark lies beyond the last reading")? = number;
            }
            Ok((column, rest))
        }
        other => Err(format!("a column is of the kind {other}, which this version does not know")),
    }
}

/// Appends a count, seven bits a byte, the lowest first.
fn count(body: &mut Vec<u8>, mut n: usize) {
    while n >= 0x80 {
        body.push((n & 0x7f) as u8 | 0x80);
        n >>= 7;
    }
    body.push(n as u8);
}

fn read_count(bytes: &[u8]) -> Result<(usize, &[u8]), String> {
    let mut n = 0_usize;
    for (place, byte) in bytes.iter().take(5).enumerate() {
        n |= usize::from(byte & 0x7f) << (7 * place);
        if byte & 0x80 == 0 {
            return Ok((n, bytes.get(place + 1..).unwrap_or_default()));
        }
    }
    Err("a count does not end".into())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const BEGIN: i64 = 20_522 * DAY;

    fn day(rows: &[(i64, f64, i64, i64, &str)]) -> Day {
        let mut day = Day::default();
        rows.iter().for_each(|(at, v, d, m, r)| day.push(BEGIN + at, *v, *d, *m, (*r).to_owned()));
        day
    }

    #[test]
    fn what_was_packed_comes_back_bit_for_bit() {
        let many = |value: fn(i64) -> f64| -> Vec<(i64, f64, i64, i64, &'static str)> {
            (0..288).map(|n| (n * 300_000 + n * n % 977, value(n), 300 + n % 900, 0, "")).collect()
        };
        let mut marked = many(|n| 60.0 + n as f64 / 10.0);
        marked[17] = (17 * 300_000 + 300, 85.0, -5, 1, "85 °C is what a sensor says after power-on");
        marked[18].3 = 31;
        marked[200] = (200 * 300_000 + 900, 85.0, 0, 1, "85 °C is what a sensor says after power-on");
        for (rows, tenths, why) in [
            (vec![], true, "no reading at all"),
            (vec![(0, 61.5, 0, 0, "")], true, "a single one"),
            (vec![(DAY - 1, 1e300, i64::MIN, i64::MAX, "x")], false, "the ends of every range"),
            (vec![(0, 0.0, 0, 0, ""), (1, -0.0, 0, 0, "")], false, "minus nought is another double than nought"),
            (vec![(0, 0.1 + 0.2, 0, 0, ""), (1, 5e-324, 0, 0, "")], false, "no digit is rounded away"),
            (vec![(0, f64::MAX, 0, 0, ""), (1, 214_748_364.8, 0, 0, "")], false, "beyond what tenths can say"),
            (many(|n| (550 + n % 97) as f64 / 10.0), true, "a day of tenths"),
            (many(|n| (f64::from(550 + (n % 97) as i32) / 10.0 - 32.0) / 1.8), false, "degrees Fahrenheit, converted"),
            (marked, true, "rare marks and reasons"),
            (many(|n| n as f64).into_iter().map(|r| (r.0, r.1, r.2, 4, "dull")).collect(), true, "marks on each"),
        ] {
            let day = day(&rows);
            let body = day.pack(BEGIN).unwrap();
            assert!(Day::unpack(BEGIN, day.len(), &body).unwrap() == day, "{why}");
            assert_eq!(body[1] == AS_TENTHS, tenths, "{why}");
        }
        assert!(day(&[(DAY, 1.0, 0, 0, "")]).pack(BEGIN).is_err(), "a reading of the next day");
    }

    #[test]
    fn late_readings_are_merged_in_their_order_and_the_first_of_an_instant_stays() {
        let first = day(&[(1, 1.0, 0, 0, ""), (5, 5.0, 0, 1, "odd")]);
        let late = day(&[(0, 0.0, 7, 0, ""), (3, 3.0, 0, 0, ""), (5, 9.0, 0, 0, ""), (6, 6.0, 0, 2, "bad")]);
        let want = day(&[
            (0, 0.0, 7, 0, ""),
            (1, 1.0, 0, 0, ""),
            (3, 3.0, 0, 0, ""),
            (5, 5.0, 0, 1, "odd"),
            (6, 6.0, 0, 2, "bad"),
        ]);
        assert!(first.merged(&late) == want);
        assert!(Day::default().merged(&late) == late && late.merged(&Day::default()) == late);
        assert_eq!((want.value_at(BEGIN + 3), want.value_at(BEGIN + 4)), (Some(3.0), None));
        assert!(want.retain(|at| at > BEGIN + 4) == day(&[(5, 5.0, 0, 1, "odd"), (6, 6.0, 0, 2, "bad")]));
    }

    #[test]
    fn a_body_that_is_cut_off_is_refused_and_never_panics() {
        let whole = day(&(0..50).map(|n| (n * 1_000, n as f64 / 10.0, n, n % 3, "why")).collect::<Vec<_>>());
        let body = whole.pack(BEGIN).unwrap();
        for length in 0..body.len() {
            assert!(Day::unpack(BEGIN, 50, &body[..length]).is_err(), "{length} of {} bytes", body.len());
        }
        assert!(Day::unpack(BEGIN, 50, &[body.clone(), vec![0]].concat()).is_err(), "something follows");
        assert!(Day::unpack(BEGIN, 50, &[vec![9], body[1..].to_vec()].concat()).is_err(), "a later form");
    }
}
