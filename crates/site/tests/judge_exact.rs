//! Does the judge say of random series what a second account says that was written apart from it, in exact fractions?
//!
//! Must never share a line of arithmetic with the judge: here every instant is a whole number of a unit that all crossings are multiples of,
//! and the pile is looked at instant by instant and not probe by probe.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[allow(dead_code, missing_docs, unreachable_pub, reason = "shared by several tests, each uses a part")]
mod pile;

use ::pile::time::{Span, Timestamp};
use ::pile::window::Point;
use pile::*;
use site::judge::{History, Judgement, Outcome, ProbeHistory, judge};
use site::model::Position;

/// Units in a millisecond: a line between two readings that differ by up to 30 tenths crosses a tenth on a whole one.
const UNIT: i128 = 2_329_089_562_800;
const SECOND: i64 = 1_000;

/// Random numbers from a seed that is printed with what fails.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: i64) -> i64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let x = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((x ^ (x >> 31)) % n as u64) as i64
    }

    fn within(&mut self, least: i64, most: i64) -> i64 {
        least + self.below(most - least + 1)
    }
}

/// One probe at a place for a time, in milliseconds after the beginning; values in tenths of a degree.
#[derive(Clone, Debug)]
struct Stay {
    from: i64,
    until: i64,
    readings: Vec<(i64, i64)>,
}

type Place = Vec<Stay>;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Counting {
    Consecutive,
    Cumulative,
    Contiguous(i64),
}

#[derive(Clone, Debug)]
struct Case {
    places: Vec<Place>,
    until: i64,
    over: bool,
    gap: i64,
    needed: i64,
    strict: bool,
    ceiling: Option<i64>,
    counting: Counting,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Seen {
    Good,
    Bad,
    Nothing,
}

/// The account that is held against the judge.
impl Case {
    /// How the pile is at an instant, in units.
    fn seen(&self, at: i128) -> Seen {
        let mut all = Seen::Good;
        for place in &self.places {
            let readings = || place.iter().flat_map(|stay| stay.readings.iter());
            let last = readings().filter(|(t, _)| i128::from(*t) * UNIT <= at).max_by_key(|(t, _)| *t);
            let next = readings().filter(|(t, _)| i128::from(*t) * UNIT >= at).min_by_key(|(t, _)| *t);
            let here = match (last, next) {
                // At an instant between readings a probe that is there says nothing of a value; on one it does.
                (Some((a, va)), Some((b, vb))) if b - a <= self.gap => {
                    let whole = i128::from(b - a).max(1);
                    let since = at - i128::from(*a) * UNIT;
                    let value = i128::from(*va) * whole * UNIT + i128::from(vb - va) * since;
                    let of = |limit: i64| i128::from(limit) * whole * UNIT;
                    let warm = if self.strict { value > of(550) } else { value >= of(550) };
                    if warm && self.ceiling.is_none_or(|c| value <= of(c)) { Seen::Good } else { Seen::Bad }
                }
                _ => Seen::Nothing,
            };
            all = match (all, here) {
                (Seen::Bad, _) | (_, Seen::Bad) => Seen::Bad,
                (Seen::Nothing, _) | (_, Seen::Nothing) => Seen::Nothing,
                _ => Seen::Good,
            };
        }
        all
    }

    /// Every instant at which something can change, in units.
    fn turns(&self) -> Vec<i128> {
        let mut all = vec![0, i128::from(self.until) * UNIT];
        for place in &self.places {
            let mut readings: Vec<(i64, i64)> = place.iter().flat_map(|stay| stay.readings.clone()).collect();
            readings.sort();
            all.extend(readings.iter().map(|(t, _)| i128::from(*t) * UNIT));
            for pair in readings.windows(2) {
                let ((a, va), (b, vb)) = (pair[0], pair[1]);
                for limit in [Some(550), self.ceiling].into_iter().flatten() {
                    if (va - limit) * (vb - limit) < 0 {
                        let share =
                            i128::from(b - a) * UNIT * i128::from((limit - va).abs()) / i128::from((vb - va).abs());
                        all.push(i128::from(a) * UNIT + share);
                    }
                }
            }
        }
        all.retain(|t| (0..=i128::from(self.until) * UNIT).contains(t));
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Stretches that count, and those that do not, in order; an instant on which a run breaks has no length.
    fn line(&self) -> Vec<(i128, i128, Seen)> {
        let turns = self.turns();
        let mut line = Vec::new();
        for (index, at) in turns.iter().enumerate() {
            let read =
                self.places.iter().flatten().flat_map(|s| &s.readings).any(|(t, _)| i128::from(*t) * UNIT == *at);
            if read && self.seen(*at) == Seen::Bad {
                line.push((*at, *at, Seen::Bad));
            }
            if let Some(next) = turns.get(index + 1) {
                // Two crossings lie many units apart, so that the middle lies between them.
                line.push((*at, *next, self.seen((at + next) / 2)));
            }
        }
        if !self.over {
            // A silence at the end within the gap: the next reading is still due.
            let silent = line.iter().rev().take_while(|(.., seen)| *seen == Seen::Nothing).count();
            let from = line.len() - silent;
            if silent > 0 && line[line.len() - 1].1 - line[from].0 <= i128::from(self.gap) * UNIT {
                line.truncate(from);
            }
        }
        line
    }

    /// When it was met, in units, and the longest time that counts together.
    fn held(&self, line: &[(i128, i128, Seen)], hopeful: bool) -> (Option<i128>, i128) {
        let needed = i128::from(self.needed) * UNIT;
        let good = |seen: Seen| seen == Seen::Good || (hopeful && seen == Seen::Nothing);
        let (mut met, mut longest) = (None, 0);
        for first in 0..line.len() {
            let (mut counted, mut paused) = (0, 0);
            for (start, end, seen) in &line[first..] {
                if good(*seen) {
                    if counted < needed && counted + end - start >= needed {
                        let at = start + needed - counted;
                        met = Some(met.map_or(at, |met: i128| met.min(at)));
                    }
                    counted += end - start;
                    longest = longest.max(counted);
                    continue;
                }
                paused += end - start;
                match self.counting {
                    Counting::Consecutive => break,
                    Counting::Contiguous(most) if paused > i128::from(most) * UNIT => break,
                    _ => {}
                }
            }
        }
        (met, longest)
    }

    fn judged(&self) -> (Outcome, Option<i64>, i128) {
        let line = self.line();
        let (met, longest) = self.held(&line, false);
        let silent = line.iter().any(|(.., seen)| *seen == Seen::Nothing);
        let whole = |at: i128| i64::try_from((at + UNIT - 1).div_euclid(UNIT)).unwrap();
        let outcome = match met {
            Some(_) => Outcome::Met,
            None if silent && self.held(&line, true).0.is_some() => Outcome::CannotTell,
            None if self.over => Outcome::NotMet,
            None => Outcome::Running,
        };
        (outcome, met.map(whole), longest)
    }

    fn history(&self) -> History {
        let mut probes: Vec<ProbeHistory> = Vec::new();
        for (place, position) in self.places.iter().zip([Position::Base, Position::Core, Position::Upper]) {
            for (index, stay) in place.iter().enumerate() {
                let readings = stay.readings.iter().map(|(t, v)| Point { at: ms(*t), value: *v as f64 / 10.0 });
                let mut one = probe(&format!("{}-{index}", position.key()), position, readings.collect());
                let others = place.iter().enumerate().filter(|(other, _)| *other != index);
                for (_, other) in others {
                    for (from, until) in [(0, stay.from), (stay.until, self.until)] {
                        let both = (other.from.max(from), other.until.min(until));
                        if both.0 < both.1 {
                            one.elsewhere.push((ms(both.0), ms(both.1)));
                        }
                    }
                }
                probes.push(one);
            }
        }
        History { until: ms(self.until), over: self.over, ..history(probes) }
    }

    fn by_judge(&self) -> Judgement {
        let places = ["base", "core", "upper"].iter().take(self.places.len());
        let zones: Vec<String> = places.map(|p| format!("{{ position: {p} }}")).collect();
        let floor = if self.strict { "celsius_above" } else { "celsius_min" };
        let ceiling = self.ceiling.map_or_else(String::new, |c| format!(", celsius_max: {}", c as f64 / 10.0));
        let counting = match self.counting {
            Counting::Consecutive => "consecutive".to_owned(),
            Counting::Cumulative => "cumulative".to_owned(),
            Counting::Contiguous(most) => {
                format!("as-contiguous, interruption_hours_max: {}", most as f64 / 3_600_000.0)
            }
        };
        let lines = format!(
            "hold: {{ {floor}: 55{ceiling}, hours: {}, counting: {counting} }}\ngap_minutes_max: {}\nzones: [{}]",
            self.needed as f64 / 3_600_000.0,
            self.gap / 60_000,
            zones.join(", ")
        );
        judge(&own(&lines), &self.history())
    }
}

fn ms(after: i64) -> Timestamp {
    START + Span::millis(after)
}

/// A place with one probe or several, one after the other.
fn place(dice: &mut Dice, until: i64, gap: i64, calm: bool) -> Place {
    let mut stays = Vec::new();
    let (mut now, mut value) = (0, dice.within(545, 560));
    while now < until {
        let swap = dice.below(3) == 0;
        let leaves = if swap { (now + dice.within(60, 900) * SECOND).min(until) } else { until + 1 };
        let mut readings = Vec::new();
        // A probe is silent for a while when it comes, as often as not.
        let mut at = now + dice.below(2) * dice.below(gap);
        while at < leaves && at <= until {
            readings.push((at, value));
            value = (value + dice.within(if calm { -3 } else { -12 }, if calm { 4 } else { 13 })).clamp(545, 568);
            at += match dice.below(12) {
                0 => gap,
                1 => gap + dice.within(1, 400) * SECOND,
                _ => dice.within(7, 60) * SECOND + dice.below(7),
            };
        }
        stays.push(Stay { from: now, until: leaves, readings });
        now = leaves + if dice.below(4) == 0 { dice.within(1, 300) * SECOND } else { 0 };
    }
    stays.retain(|stay| !stay.readings.is_empty());
    stays
}

fn case(dice: &mut Dice) -> Case {
    let gap = dice.within(1, 4) * 60 * SECOND;
    let until = dice.within(1_200, 4_000) * SECOND;
    let counting = match dice.below(3) {
        0 => Counting::Consecutive,
        1 => Counting::Cumulative,
        _ => Counting::Contiguous(dice.below(12) * 36 * SECOND),
    };
    let calm = dice.below(3) > 0;
    Case {
        places: (0..dice.within(1, 3)).map(|_| place(dice, until, gap, calm)).collect(),
        until,
        over: dice.below(2) == 0,
        gap,
        needed: dice.within(1, 12) * 90 * SECOND,
        strict: dice.below(3) == 0,
        ceiling: (dice.below(4) == 0).then_some(563),
        counting,
    }
}

#[test]
fn random_series_are_judged_as_a_second_account_judges_them() {
    let mut seen = [0; 4];
    let (mut tested, mut swapped) = (0, 0);
    for seed in 0..4_000 {
        let case = case(&mut Dice(seed));
        if case.places.iter().any(Vec::is_empty) {
            continue;
        }
        let (outcome, met_at, longest) = case.judged();
        let judgement = case.by_judge();
        let what = format!("seed {seed}: {case:?}: {}", judgement.because);
        assert_eq!(judgement.result, outcome, "{what}");
        assert_eq!(judgement.met_at, met_at.map(ms), "{what}");
        if outcome == Outcome::NotMet {
            let hours = longest as f64 / UNIT as f64 / 3.6e6;
            assert!((judgement.hours_counted - hours).abs() < 1e-9, "{what}: {} h, {hours} h", judgement.hours_counted);
            assert!(judgement.hours_counted < judgement.hours_needed, "{what}");
        }
        seen[outcome as usize] += 1;
        swapped += usize::from(outcome == Outcome::Met && case.places.iter().any(|place| place.len() > 1));
        tested += 1;
    }
    assert!(tested > 3_000 && seen.iter().all(|n| *n > 150) && swapped > 300, "{tested}, {seen:?}, {swapped} swapped");
}

/// Three readings a minute, each pair of which crosses the limit on a seventh: all of it comes to the hours asked for, to the instant.
#[test]
fn crossings_on_sevenths_come_to_exactly_the_hours_asked_for() {
    // From 51 to 58 °C in a second, three sevenths of which are hot; and back: six sevenths of each two seconds.
    for (pairs, want, why) in
        [(10_500_i64, Outcome::Met, "to the instant"), (10_499, Outcome::NotMet, "six sevenths of a second short")]
    {
        let (mut points, mut at) = (Vec::new(), 0);
        for _ in 0..pairs {
            points.extend([(at, 51.0), (at + SECOND, 58.0)]);
            at += 2 * SECOND;
        }
        points.push((at, 51.0));
        let readings = points.into_iter().map(|(at, value)| Point { at: ms(at), value }).collect();
        let criterion = own("hold: { celsius_min: 55, hours: 2.5, counting: cumulative }");
        let judgement = judge(&criterion, &history(vec![probe("core", Position::Core, readings)]));
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
        // The last hot part ends four sevenths of a second before the last reading.
        let last = Span::millis(at - SECOND + 3 * SECOND / 7 + 1);
        assert_eq!(judgement.met_at, (want == Outcome::Met).then(|| START + last), "{why}");
    }
}

/// The mean over the time before, looked at in every millisecond.
#[test]
fn a_mean_is_met_in_the_first_millisecond_in_which_it_is_high_enough() {
    let length = 36 * SECOND;
    let criterion = own("hold: { celsius_min: 40, hours: 0.01 }\nmean_celsius_above: 45\ngap_minutes_max: 1");
    let (mut met, mut between) = (0, 0);
    for seed in 0..60 {
        let mut dice = Dice(seed);
        let series: Vec<Vec<(i64, i64)>> = (0..dice.within(1, 2))
            .map(|_| {
                let (mut readings, mut at, mut value) = (Vec::new(), 0, dice.within(405, 450));
                while at <= 120 * SECOND {
                    readings.push((at, value));
                    at += dice.within(1, 20) * SECOND;
                    let most = if dice.below(2) == 0 { 455 } else { 520 };
                    value = dice.within(405, most);
                }
                readings
            })
            .collect();
        let last = series.iter().map(|s| s[s.len() - 1].0).min().unwrap();
        let series: Vec<Vec<(i64, i64)>> =
            series.into_iter().map(|s| s.into_iter().filter(|(t, _)| *t <= last).collect()).collect();
        let end = series.iter().map(|s| s[s.len() - 1].0).min().unwrap();
        // Twice the area, times all lengths between two readings (a whole number of seconds up to 20).
        let common = 232_792_560 * i128::from(SECOND);
        let area = |readings: &[(i64, i64)], at: i64| -> i128 {
            let mut sum = 0;
            for pair in readings.windows(2) {
                let ((a, va), (b, vb)) = (pair[0], pair[1]);
                let until = i128::from(at.min(b) - a);
                if until > 0 {
                    let (length, rise) = (i128::from(b - a), i128::from(vb - va));
                    sum += 2 * i128::from(va) * until * common + rise * until * until * (common / length);
                }
            }
            sum
        };
        let high = |readings: &[(i64, i64)], at: i64| {
            area(readings, at) - area(readings, at - length) > 2 * 450 * i128::from(length) * common
        };
        let first = (length..=end).find(|at| series.iter().all(|readings| high(readings, *at)));
        let probes = series.iter().enumerate().map(|(index, readings)| {
            let points = readings.iter().map(|(at, value)| Point { at: ms(*at), value: *value as f64 / 10.0 });
            probe(&format!("core-{index}"), Position::Core, points.collect())
        });
        let mut pile = history(probes.collect());
        pile.until = ms(end);
        let judgement = judge(&criterion, &pile);
        assert_eq!(judgement.met_at, first.map(ms), "seed {seed}: {series:?}: {}", judgement.because);
        met += usize::from(first.is_some());
        between += usize::from(first.is_some_and(|at| series.iter().flatten().all(|(t, _)| *t != at)));
    }
    assert!(met > 20 && between > 10, "{met} met, {between} between readings");
}
