//! Does the judge count time as each criterion asks, and never take for heat what is not known?
//!
//! Must never test a figure without its reason.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[allow(dead_code, missing_docs, unreachable_pub, reason = "shared by several tests, each uses a part")]
mod pile;

use ::pile::time::{Span, Timestamp};
use ::pile::units::{Celsius, Metres};
use ::pile::window::Point;
use pile::*;
use site::entry::EntryKind;
use site::judge::{History, Outcome, judge, never_across};
use site::model::{Display, Position};

use Outcome::{CannotTell, Met, NotMet, Running};

const THREE_DAYS: &str = "hold: { celsius_min: 55, days: 3, counting: consecutive }";

#[test]
fn time_is_counted_as_each_criterion_says() {
    let consecutive = THREE_DAYS;
    let unspecified = "hold: { celsius_min: 55, days: 3 }";
    let cumulative = "hold: { celsius_min: 55, hours: 72, counting: cumulative }";
    let contiguous = "hold: { celsius_min: 55, days: 3, counting: as-contiguous, interruption_hours_max: 24 }";
    for (lines, readings, want, met_after, why) in [
        (consecutive, "60*72", Met, Some(72.0), "exactly three days"),
        (consecutive, "60*71.5 50*1", NotMet, None, "half an hour short"),
        (consecutive, "60*71 50*2 60*71", NotMet, None, "142 hot hours, but not in a row"),
        (consecutive, "60*40 50*2 60*75", Met, None, "the second run is long enough"),
        (unspecified, "60*40 50*2 60*40", NotMet, None, "where the text does not say, the stricter reading holds"),
        (cumulative, "60*40 50*200 60*40", Met, None, "all hot hours together"),
        (cumulative, "60*40 50*2 60*20", NotMet, None, "sixty hours are not 72"),
        (contiguous, "60*40 50*20 60*40", Met, None, "an interruption of 20 h is left out of the count"),
        (contiguous, "60*40 50*30 60*40", NotMet, None, "one of 30 h begins it again"),
        (consecutive, "50*10 60*80", Met, None, "a slow start costs nothing"),
    ] {
        let judgement = judge(&own(lines), &core(readings));
        assert_eq!(judgement.result, want, "{readings} by {lines}: {why}: {}", judgement.because);
        if let Some(hours) = met_after {
            assert_eq!(judgement.met_at, Some(at(hours)), "{why}");
        }
    }
}

#[test]
fn nothing_is_rounded_before_it_is_compared() {
    let at_least = THREE_DAYS;
    let above = "hold: { celsius_above: 55, days: 3, counting: consecutive }";
    let fahrenheit = "hold: { fahrenheit_min: 131, days: 3, counting: consecutive }";
    let days = |value: f64, hours: f64| {
        let step = Span::minutes(10);
        let mut points = Vec::new();
        let mut now = START;
        while now <= at(hours) {
            points.push(Point { at: now, value });
            now = now + step;
        }
        history(vec![probe("core", Position::Core, points)])
    };
    let from_f = |f: f64| Celsius::from_fahrenheit(f).0;
    for (lines, value, hours, want, why) in [
        (at_least, 55.0, 72.0, Met, "55 itself counts where it says `at least`"),
        (above, 55.0, 72.0, NotMet, "and does not where it says `above`"),
        (above, 55.000_001, 72.0, Met, "a millionth above is above"),
        (at_least, 54.999_999, 72.0, NotMet, "a millionth below is below, though it rounds to 55.0"),
        (at_least, from_f(131.0), 72.0, Met, "131 °F is 55 °C exactly"),
        (at_least, from_f(130.9), 72.0, NotMet, "130.9 °F is not"),
        (fahrenheit, 55.0, 72.0, Met, "and the other way round"),
        (fahrenheit, 54.99, 72.0, NotMet, "which is 130.98 °F"),
        (at_least, 60.0, 71.99, NotMet, "71 h 50 min of readings are not 72 h"),
    ] {
        let judgement = judge(&own(lines), &days(value, hours));
        assert_eq!(judgement.result, want, "{value} °C for {hours} h by {lines}: {why}: {}", judgement.because);
    }
    // Three days are 72 hours also where the clocks change in between.
    let mut summer = days(60.0, 72.0);
    summer.zone = site::zone::Zone::named("Europe/Dublin").unwrap();
    let shift = Timestamp::from_millis(1_774_656_000_000).since(START); // Saturday 2026-03-28 00:00 UTC; clocks change on Sunday.
    for probe in &mut summer.probes {
        for point in &mut probe.readings {
            point.at = point.at + shift;
        }
    }
    (summer.from, summer.until) = (summer.from + shift, summer.until + shift);
    let judgement = judge(&own(at_least), &summer);
    assert_eq!((judgement.hours_counted, judgement.hours_needed), (72.0, 72.0));
    assert_eq!(judgement.met_at, Some(summer.until), "72 hours, not three days of the calendar");
    // Below the limit by less than a millisecond of hot time: the crossing is not rounded either.
    let judgement = judge(&own(at_least), &core("60*71.999 50*1"));
    assert_eq!(judgement.result, NotMet);
}

#[test]
fn a_strict_limit_is_broken_by_one_reading_on_it() {
    let above = own("hold: { celsius_above: 40, hours: 10, counting: consecutive }");
    let mut one = core("45*12");
    let place = one.probes[0].readings.len() / 2;
    one.probes[0].readings[place].value = 40.0;
    let judgement = judge(&above, &one);
    assert_eq!(judgement.result, NotMet, "one reading of exactly 40.0 among those of 45");
    assert!(judgement.because.contains("probe core read 40.0 °C at 2026-03-09 06:00 +00:00"), "{}", judgement.because);
    let at_least = own("hold: { celsius_min: 40, hours: 10, counting: consecutive }");
    assert_eq!(judge(&at_least, &one).result, Met, "where 40 itself counts it breaks nothing");
}

#[test]
fn all_parts_means_the_coldest_probe_at_the_same_time() {
    let asp = criterion("us503-pfrp-asp");
    for (base, core, want, why) in [
        ("60*72", "60*72", Met, "both at once"),
        ("60*72 50*72", "50*72 60*72", NotMet, "each in its own hours is not all parts at once"),
        ("54*80", "70*80", NotMet, "a mean of 62 says nothing of the base"),
        ("60*40 54*2 60*40", "60*82", NotMet, "one probe cooled for two hours"),
        ("55*72", "70*72", Met, "the coldest on its limit"),
    ] {
        let judgement = judge(&asp, &both(base, core));
        assert_eq!(judgement.result, want, "{base} and {core}: {why}: {}", judgement.because);
    }
}

#[test]
fn only_probes_in_the_pile_count_and_exhaust_only_where_the_text_says_so() {
    let with = |position: Position, shorthand: &str| probe("other", position, series(shorthand));
    for position in [Position::Exhaust, Position::Plenum, Position::Cover, Position::Ambient, Position::Room] {
        let mut cold = core("60*72");
        cold.probes.push(with(position, "20*72"));
        assert_eq!(judge(&own(THREE_DAYS), &cold).result, Met, "{position:?} is not the pile, however cold");
        let hot = history(vec![with(position, "70*72")]);
        assert_eq!(judge(&own(THREE_DAYS), &hot).result, CannotTell, "{position:?} is not the pile, however hot");
    }
    // France, with suction: the temperature on record is that of the air drawn out.
    let french = own(&format!("{THREE_DAYS}\nexhaust: with-suction"));
    for (suction, want, why) in [
        (true, Met, "the text says so, where air is drawn down"),
        (false, CannotTell, "it does not say so where air is blown up"),
    ] {
        let mut exhaust = history(vec![with(Position::Exhaust, "60*72")]);
        exhaust.facts.suction = suction;
        assert_eq!(judge(&french, &exhaust).result, want, "{why}");
    }
}

#[test]
fn time_above_the_ceiling_of_a_band_does_not_count() {
    // 7 CFR 205.203(c)(2): 131 to 170 °F. 170 °F is 76 and two thirds °C.
    let organic = |base: &str, core: &str| {
        let mut history = both(base, core);
        history.facts.carbon_to_nitrogen = Some(28.0);
        judge(&criterion("nop-invessel-asp"), &history)
    };
    for (base, core, want, why) in [
        ("76.66666666666667*72", "60*72", Met, "the ceiling itself counts"),
        ("76.66*72", "60*72", Met, "169.988 °F"),
        ("76.7*72", "60*72", NotMet, "170.06 °F is beyond it"),
        ("60*72", "80*72", NotMet, "the hottest probe tests the ceiling, the coldest the floor"),
        ("60*40 80*2 60*40", "60*82", NotMet, "hours above the ceiling break the run"),
        ("60*40 80*2 60*80", "60*122", Met, "afterwards it is long enough"),
    ] {
        let judgement = organic(base, core);
        assert_eq!(judgement.result, want, "{base} and {core}: {why}: {}", judgement.because);
    }
    let judgement = organic("60*40 76.72*2 60*40", "60*82");
    assert!(
        judgement.because.contains("read 76.7 °C") && judgement.because.contains("76.667 °C does not count"),
        "{}",
        judgement.because
    );
}

#[test]
fn of_parallel_criteria_any_one_suffices_and_each_counts_on_its_own() {
    let of = |id: &str, shorthand: &str| judge(&criterion(id), &both(shorthand, shorthand));
    for (shorthand, want, by, why) in [
        ("66*120", Met, "eu1009-cmc3-65", "five days at 66"),
        ("70*72", Met, "eu1009-cmc3-70", "three days at 70"),
        ("69.9*72", NotMet, "", "69.9 is not 70, and three days are not five"),
        ("66*72", NotMet, "", "hours at 66 never count for 70"),
        ("61*168", Met, "eu1009-cmc3-60", "a week at 61"),
        ("56*336", Met, "eu1009-cmc3-55", "two weeks at 56"),
        ("54.9*400", NotMet, "", "nothing"),
        ("66*60 61*108", Met, "eu1009-cmc3-60", "hours at 66 count for 60"),
    ] {
        let judgement = of("eu1009-cmc3", shorthand);
        assert_eq!(judgement.result, want, "{shorthand}: {why}: {}", judgement.because);
        assert_eq!(judgement.parts.len(), 4);
        if want == Met {
            let first = judgement.parts.iter().filter(|p| p.result == Met).min_by_key(|p| p.met_at).unwrap();
            assert_eq!((first.criterion.as_str(), first.met_at), (by, judgement.met_at), "{why}");
        }
    }
    let by_66 = of("eu1009-cmc3", "66*336");
    let results: Vec<_> = by_66.parts.iter().map(|p| (p.criterion.as_str(), p.result)).collect();
    let want = [("eu1009-cmc3-70", NotMet), ("eu1009-cmc3-65", Met), ("eu1009-cmc3-60", Met), ("eu1009-cmc3-55", Met)];
    assert_eq!(results, want, "hours at 66 °C count for 65, 60 and 55, never for 70");
}

#[test]
fn pairs_must_both_hold_in_the_same_time() {
    // Class B: 40 °C for five days, and more than 55 °C for four hours in the same five days.
    let psrp = criterion("us503-psrp-compost");
    for (shorthand, want, why) in [
        ("45*50 56*5 45*65", Met, "five days with four hours above 55 in them"),
        ("45*120", NotMet, "no peak"),
        ("45*50 55*5 45*65", NotMet, "55 itself does not exceed 55"),
        ("56*5 39*2 45*120", NotMet, "the peak lies before the five days"),
        ("45*50 56*3.5 45*66.5", NotMet, "three and a half hours"),
    ] {
        let judgement = judge(&psrp, &both(shorthand, shorthand));
        assert_eq!(judgement.result, want, "{shorthand}: {why}: {}", judgement.because);
    }
    // Vector attraction, option 5: above 40 °C for 14 days, and a mean above 45 °C over the same 14 days.
    let pair = own("hold: { celsius_above: 40, days: 14 }\nmean_celsius_above: 45");
    for (shorthand, want, why) in [
        ("46*336", Met, "floor and mean"),
        ("44*336", NotMet, "the mean is too low"),
        ("41*168 51*168", Met, "a mean of 46 over the same 14 days"),
        ("45*336", NotMet, "a mean of 45 itself is not above 45"),
        ("41*168 48.9*168", NotMet, "one just below 45"),
        ("41*336 60*336", Met, "a later 14 days have it"),
        ("46*300 40*1 46*300", NotMet, "40 itself is not above 40, and breaks it"),
    ] {
        let judgement = judge(&pair, &core(shorthand));
        assert_eq!(judgement.result, want, "{shorthand}: {why}: {}", judgement.because);
    }
    let mut cool = both("44*336", "60*336");
    cool.entries.clear();
    let pair = own(
        "hold: { celsius_above: 40, days: 14 }\nmean_celsius_above: 45\nzones: [{ position: base }, { position: core }]",
    );
    assert_eq!(judge(&pair, &cool).result, NotMet, "the mean of the cool part is what counts, not that of all probes");
}

#[test]
fn gaps_prove_nothing() {
    // Two hours are bridged.
    for (base, core, over, want, why) in [
        ("60*40 ?*1.5 60*40", "60*81.5", true, Met, "a gap within the tolerance is bridged"),
        ("60*40 ?*3 60*40", "60*83", true, CannotTell, "three silent hours could have been hot or cold"),
        ("60*40 ?*3 60*80", "60*123", true, Met, "what follows is long enough by itself"),
        ("60*40 ?*3 60*20", "60*63", true, NotMet, "even with the silent hours it is too short"),
        ("60*40 ?*3 60*40", "60*41 50*1 60*41", true, NotMet, "the other probe proves that it was cold"),
        ("60*40 ?*3 60*20", "60*63", false, Running, "it goes on, and the silent hours alone would not decide"),
        ("60*40 ?*3 60*40", "60*83", false, CannotTell, "with them it would be met"),
    ] {
        let mut history = both(base, core);
        history.over = over;
        let judgement = judge(&criterion("us503-pfrp-asp"), &history);
        assert_eq!(judgement.result, want, "{base} and {core}: {why}: {}", judgement.because);
    }
    let judgement = judge(&criterion("us503-pfrp-asp"), &both("60*40 ?*3 60*40", "60*83"));
    let want = "probe base has no reading that counts between 2026-03-10 15:50 +00:00 and 2026-03-10 19:00 +00:00 (3 h 10 min; at most 2 h is bridged)";
    assert!(judgement.because.contains(want), "{}", judgement.because);
    assert_eq!(judgement.coverage_fraction, Some(1.0 - (3.0 + 1.0 / 6.0) / 83.0));
    // One cold reading in the middle of silence is enough to break a run, even with hope.
    let mut lone = core("60*40 ?*8 60*40");
    lone.probes[0].readings.push(Point { at: at(44.0), value: 50.0 });
    lone.probes[0].readings.sort_by_key(|p| p.at);
    assert_eq!(judge(&own(THREE_DAYS), &lone).result, NotMet);
    let mut lone_hot = lone.clone();
    for point in &mut lone_hot.probes[0].readings {
        point.value = point.value.max(60.0);
    }
    assert_eq!(judge(&own(THREE_DAYS), &lone_hot).result, CannotTell, "one hot reading proves nothing of the rest");
}

#[test]
fn a_criterion_has_a_gap_limit_and_a_reading_frequency_of_its_own() {
    let hand = |minutes: i64, shorthand: &str| {
        let mut upper = probe("upper", Position::Upper, every(shorthand, minutes));
        upper.depth = Some(Metres(0.6));
        let mut history = history(vec![upper]);
        history.facts.cover = Some(Metres(0.2));
        history
    };
    for (id, minutes, shorthand, want, why) in [
        ("ca-asp", 24 * 60, "60*96", Met, "one hand reading a day is lawful in California"),
        ("ca-asp", 40 * 60, "60*120", CannotTell, "one in 40 hours is not"),
    ] {
        let judgement = judge(&criterion(id), &hand(minutes, shorthand));
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
    let daily = history(vec![probe("core", Position::Core, every("60*96", 24 * 60))]);
    assert_eq!(judge(&own(THREE_DAYS), &daily).result, CannotTell, "elsewhere a day is a gap");
    let often = own(&format!("{THREE_DAYS}\ngap_minutes_max: 600\nreadings_per_day_min: 4"));
    for (hours, want, why) in [(6, Met, "four a day"), (8, CannotTell, "three a day, and four are asked for")] {
        let some = history(vec![probe("core", Position::Core, every("60*96", hours * 60))]);
        let judgement = judge(&often, &some);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
}

#[test]
fn turnings_count_only_where_and_when_the_criterion_says() {
    // 15 days with five turnings inside them, and a pile that does not cool when it is turned.
    let windrow = own("hold: { celsius_min: 55, days: 15, counting: consecutive }\nturnings: { min: 5, when: hot }");
    let hot = "50*24 60*400";
    for (turnings, want, why) in [
        (&[72.0, 144.0, 216.0, 288.0, 360.0][..], Met, "five inside the hot time"),
        (&[12.0, 144.0, 216.0, 288.0, 360.0], NotMet, "one lies before it"),
        (&[72.0, 144.0, 216.0, 288.0], NotMet, "four are not five"),
        (&[72.0, 144.0, 216.0, 288.0, 420.0], Met, "the run may be longer than 15 days, until the fifth"),
    ] {
        let judgement = judge(&windrow, &turned(core(hot), turnings));
        assert_eq!(judgement.result, want, "{turnings:?}: {why}: {}", judgement.because);
        if want == Met {
            assert_eq!(
                judgement.met_at,
                Some(at(turnings[4]).max(judgement.met_at.unwrap())),
                "not before the fifth turning"
            );
        }
    }
    // France: three turnings at least three days apart, wherever in the process.
    let apart = own(
        "hold: { celsius_min: 55, hours: 72, counting: cumulative }\nturnings: { min: 3, apart_days_min: 3, when: process }",
    );
    for (turnings, want, why) in [
        (&[24.0, 96.0, 168.0][..], Met, "three days apart exactly"),
        (&[24.0, 95.0, 168.0], NotMet, "71 hours after the first does not count; two are left"),
        (&[24.0, 95.0, 168.0, 240.0], Met, "a fourth makes up for it"),
    ] {
        let judgement = judge(&apart, &turned(core("60*300"), turnings));
        assert_eq!(judgement.result, want, "{turnings:?}: {why}: {}", judgement.because);
    }
}

#[test]
fn a_recovery_window_after_a_turning_is_off_unless_granted_and_always_told() {
    let lines = |recovery: &str| {
        own(&format!(
            "hold: {{ celsius_min: 55, days: 3, counting: consecutive }}\nturnings: {{ min: 1, when: hot{recovery} }}"
        ))
    };
    let (off, granted) = (lines(""), lines(", recovery_hours_max: 6"));
    let dip = "60*40 45*4 60*40";
    for (criterion, readings, turnings, want, why) in [
        (&off, dip, &[39.9][..], NotMet, "the rule gives no allowance"),
        (&granted, dip, &[39.9], Met, "the permit gives six hours"),
        (&granted, "60*40 45*8 60*40", &[39.9], NotMet, "eight hours are more than six"),
        (&granted, dip, &[20.0], NotMet, "the turning was 20 hours before"),
        (&granted, "60*30 45*4 60*50", &[60.0], NotMet, "cooling before a turning is no recovery"),
        (&granted, "60*40 45*4 60*28", &[39.9], NotMet, "hours of recovery are not counted: 68 of 72"),
        (&granted, "60*40 ?*4 60*40", &[39.9], Met, "probes pulled out for the turning, back within the window"),
    ] {
        let judgement = judge(criterion, &turned(core(readings), turnings));
        assert_eq!(judgement.result, want, "{readings}: {why}: {}", judgement.because);
    }
    let daily = own(
        "hold: { celsius_min: 55, days: 3, counting: consecutive }\nturnings: { min: 1, when: hot, recovery_hours_max: 6 }\ngap_minutes_max: 2160",
    );
    let cooled_before = turned(core("60*30 45*4 60*50"), &[33.0]);
    assert_eq!(judge(&daily, &cooled_before).result, NotMet, "nor where readings may lie a day apart");
    let judgement = judge(&granted, &turned(core(dip), &[39.9]));
    assert!(judgement.because.contains("by the recovery window of 6 h after a turning"), "{}", judgement.because);
    let from_permit = off.with_recovery(Span::hours(6));
    assert_eq!(judge(&from_permit, &turned(core(dip), &[39.9])).result, Met, "typed in from the permit");
    // A real windrow cools at each turning: by 40 CFR 503 alone it is not met.
    let sluggish = "60*70 45*3 60*70 45*3 60*70 45*3 60*70 45*3 60*70 45*3 60*80";
    let turnings = [69.9, 142.9, 215.9, 288.9, 361.9];
    let mut windrow = turned(both(sluggish, sluggish), &turnings);
    windrow.facts.system = Some(site::criteria::System::Windrow);
    assert_eq!(judge(&criterion("us503-pfrp-windrow"), &windrow).result, NotMet);
    let by_permit = criterion("us503-pfrp-windrow").with_recovery(Span::hours(12));
    assert_eq!(judge(&by_permit, &windrow).result, Met);
}

#[test]
fn spells_before_turnings_and_heat_after_them() {
    // Australia: three consecutive days before each of three turnings.
    let spells = criterion("au4454-general");
    for (shorthand, turnings, want, why) in [
        ("60*230", &[73.0, 146.0, 219.0][..], Met, "three days before each"),
        ("60*230", &[50.0, 146.0, 219.0], NotMet, "two days before the first: it does not count"),
        ("60*60 45*3 60*170", &[73.0, 146.0, 219.0], NotMet, "the first spell was broken"),
        ("60*230", &[73.0, 146.0], NotMet, "two turnings"),
    ] {
        let mut windrow = turned(both(shorthand, shorthand), turnings);
        windrow.facts.system = Some(site::criteria::System::Windrow);
        let judgement = judge(&spells, &windrow);
        assert_eq!(judgement.result, want, "{turnings:?}: {why}: {}", judgement.because);
    }
    // France, forced air: 72 h in all, two weeks of age, and 50 °C for 24 h after the turning.
    for (shorthand, turnings, want, why) in [
        ("60*40 50*100 60*40 45*10 52*200", &[240.0][..], Met, "72 h in all, then 52 °C after the turning"),
        ("60*40 50*100 60*40 45*200", &[240.0], NotMet, "no heat after the turning"),
        ("60*40 50*100 60*40 52*200", &[], NotMet, "no turning"),
        ("60*80 52*80", &[90.0], NotMet, "a week is not two"),
        ("60*80 52*300", &[90.0], Met, "old enough: met at two weeks"),
    ] {
        let judgement = judge(&criterion("fr-asp"), &turned(both(shorthand, shorthand), turnings));
        assert_eq!(judgement.result, want, "{shorthand}: {why}: {}", judgement.because);
        if shorthand == "60*80 52*300" {
            assert_eq!(judgement.met_at, Some(at(336.0)));
        }
    }
}

#[test]
fn the_band_that_is_preferred_for_composting_is_not_the_limit() {
    // 54 to 60 °C is preferred (Cooperband 2002: 130 to 140 °F), and its lower end lies below 131 °F.
    let preferred = Celsius::from_fahrenheit(130.0).0;
    let mut warm = both("60*80", "60*80");
    for probe in &mut warm.probes {
        for point in &mut probe.readings {
            point.value = preferred;
        }
    }
    assert_eq!(judge(&criterion("us503-pfrp-asp"), &warm).result, NotMet);
}

#[test]
fn a_running_criterion_says_what_is_left_and_the_earliest_time() {
    let live = |shorthand: &str| History { over: false, ..core(shorthand) };
    for (shorthand, counted, earliest, why) in [
        ("60*40", 40.0, Some(72.0), "32 hours are left"),
        ("60*40 50*2", 40.0 - 1.0 / 12.0, None, "the run is broken, and a pile that cools may never be hot again"),
        ("50*10", 0.0, None, "it never was hot: nothing says that it will be"),
    ] {
        let judgement = judge(&own(THREE_DAYS), &live(shorthand));
        assert_eq!(judgement.result, Running, "{why}: {}", judgement.because);
        assert!((judgement.hours_counted - counted).abs() < 1e-9, "{why}: {}", judgement.hours_counted);
        assert_eq!(judgement.earliest_at.map(|t| t.since(START).as_hours()), earliest, "{why}");
        assert_eq!((judgement.hours_needed, judgement.met_at), (72.0, None));
    }
    let mut late = live("60*40");
    late.until = at(41.0);
    let judgement = judge(&own(THREE_DAYS), &late);
    assert_eq!(judgement.earliest_at, Some(at(72.0)), "the next reading is still due: nothing is lost yet");
    assert_eq!(judgement.hours_counted, 40.0, "and nothing is gained before it comes");
    late.until = at(80.0);
    assert_eq!(judge(&own(THREE_DAYS), &late).result, CannotTell, "40 silent hours");
    let mut empty = live("60*1");
    empty.until = empty.from;
    empty.probes[0].readings.clear();
    assert_eq!(judge(&own(THREE_DAYS), &empty).result, CannotTell, "nothing at all");
}

#[test]
fn words_name_the_reading_the_probe_the_time_and_the_limit() {
    let broken = judge(&criterion("us503-pfrp-asp"), &both("60*40 54.96*1 60*40", "61*81"));
    let want = "probe base read 54.96 °C at 2026-03-10 16:00 +00:00, where at or above 55 °C is asked for";
    assert!(broken.because.contains(want), "{}", broken.because);
    let met = judge(&criterion("us503-pfrp-asp"), &both("57.25*75", "61*75"));
    assert!(
        met.because.contains("the coldest reading was 57.2 °C of probe base at 2026-03-09 00:00 +00:00"),
        "{}",
        met.because
    );
    let mut us = both("60*40 60*1 60*40", "61*81");
    us.display = Display::Us;
    for point in &mut us.probes[0].readings[240..246] {
        point.value = Celsius::from_fahrenheit(130.9).0;
    }
    let judgement = judge(&criterion("us503-pfrp-asp"), &us);
    let want = "probe base read 130.9 °F at 2026-03-10 16:00 +00:00, where at or above 131 °F is asked for";
    assert!(judgement.because.contains(want), "{}", judgement.because);
    assert!(!judgement.because.contains("131.0") && !judgement.because.contains("55"), "{}", judgement.because);
    let watered = {
        let mut history = core("60*40 50*1 60*40");
        history.entries = vec![entry(39.0, EntryKind::Watered { minutes: Some(12.0), litres: None })];
        judge(&own(THREE_DAYS), &history)
    };
    assert!(watered.because.contains("(the log has `watered` at 2026-03-10 15:00 +00:00)"), "{}", watered.because);
    assert_eq!(never_across(71.999, 72.0), "71.999", "hours are not rounded up to those needed");
    assert_eq!(never_across(130.97, 131.0), "130.97", "nor is a temperature to its limit");
}

/// 179.8 h of one run is 179.8 in the sentence, in the table and in the JSON, and never more than was counted.
#[test]
fn hours_in_a_sentence_are_rounded_down() {
    let mut fractions = 0;
    for minutes in [7, 10, 11, 13, 17] {
        let pile = history(vec![probe("core", Position::Core, every("60*41", minutes))]);
        let judgement = judge(&own(THREE_DAYS), &History { over: false, ..pile });
        let shown = format!("{:.1}", (judgement.hours_counted * 10.0 + 1e-7).floor() / 10.0);
        assert!(judgement.because.contains(&shown), "{shown} in {}", judgement.because);
        fractions += usize::from((judgement.hours_counted * 10.0).fract() > 0.5);
    }
    assert!(fractions > 0, "one of them would have been rounded up");
}

/// Two hours a day at 65 °C for 40 days are no three days that hang together as well as they can.
#[test]
fn interruptions_are_bounded_in_their_sum() {
    let contiguous = "hold: { celsius_min: 55, days: 3, counting: as-contiguous, interruption_hours_max: 24 }";
    let daily = ["65*2 40*22"; 40].join(" ");
    let day_and_night = "60*20 50*8 60*20 50*8 60*20 50*6 60*20";
    for (readings, want, met_after, why) in [
        (daily.as_str(), NotMet, None, "two hours a day are 80 h at 65 °C, and not one day in a row"),
        ("60*30 50*10 60*20 50*13 60*30", Met, Some(95.0), "23 h of interruptions in all"),
        ("60*30 50*10 60*20 50*14.5 60*30", NotMet, None, "24 h and a half"),
        (day_and_night, Met, None, "22 h in all"),
        (
            "60*10 50*20 60*30 50*10 60*20 50*10 60*30",
            Met,
            None,
            "without the first, 20 h of interruptions hold the rest together",
        ),
        ("60*10 50*20 60*30 50*10 60*20 50*10 60*20", NotMet, None, "what is held together is 70 h"),
    ] {
        let judgement = judge(&own(contiguous), &core(readings));
        assert_eq!(judgement.result, want, "{readings}: {why}: {}", judgement.because);
        if let Some(hours) = met_after {
            let (met, about) = (judgement.met_at.unwrap(), at(hours));
            assert!(met >= about - Span::hours(1) && met <= about + Span::hours(1), "{why}: {met:?}");
        }
    }
    let judgement = judge(&own(contiguous), &core(day_and_night));
    let want = "; not counted, but not the end of it because the text asks only for as contiguous as possible (taken as 1 d in all): \
        3 interruptions, the longest 8 h from 2026-03-09 19:55 +00:00, 22 h in all";
    assert!(judgement.because.ends_with(want), "{}", judgement.because);
    assert!(!judgement.because.contains('\n'), "in one line");
}

/// What was hot to the last reading and then fell silent could have been met: that is not known, and not disproved.
#[test]
fn hot_until_it_fell_silent_is_no_failure() {
    for (hot, silent, over, want, why) in [
        (71.5, 0.5, true, CannotTell, "half an hour is missing, and half an hour is not known"),
        (71.5, 0.4, true, NotMet, "not even with all of it"),
        (71.5, 40.0, true, CannotTell, "however long the silence is"),
        (71.5, 0.5, false, Running, "the next reading is still due"),
        (71.5, 40.0, false, CannotTell, "none is due any more"),
        (72.0, 10.0, true, Met, "it was met before"),
        (31.5, 10.0, true, NotMet, "far too short"),
    ] {
        let mut pile = core(&format!("60*{hot}"));
        pile.until = at(hot + silent);
        pile.over = over;
        let judgement = judge(&own(THREE_DAYS), &pile);
        assert_eq!(judgement.result, want, "{hot} h and {silent} h silent: {why}: {}", judgement.because);
    }
    // Of a run that is over, the hours are those of the longest.
    let mut broken = core("60*60 50*2 60*5");
    broken.until = at(67.0 + 8.0);
    let judgement = judge(&own(THREE_DAYS), &broken);
    assert_eq!(judgement.result, NotMet, "13 h at best: {}", judgement.because);
    assert!((judgement.hours_counted - 60.0).abs() < 0.1, "{}", judgement.hours_counted);
    broken.probes[0].readings = series("60*60 50*2 60*5 ?*8 60*61");
    broken.until = at(136.0);
    let judgement = judge(&own(THREE_DAYS), &broken);
    assert_eq!(judgement.result, CannotTell, "{}", judgement.because);
    assert!((judgement.hours_counted - 61.0).abs() < 0.1, "{}", judgement.hours_counted);
    broken.probes[0].readings = series("60*66 ?*4 60*5");
    broken.until = at(75.0);
    let judgement = judge(&own(THREE_DAYS), &broken);
    assert_eq!(judgement.result, CannotTell, "{}", judgement.because);
    assert!((judgement.hours_counted - 66.0).abs() < 0.2, "the longest, where it is over: {}", judgement.hours_counted);
}

/// Hours in all are no promise while the pile is cold.
#[test]
fn a_cold_pile_has_no_earliest_time_however_its_hours_are_counted() {
    let cumulative = own("hold: { celsius_min: 55, hours: 72, counting: cumulative }");
    let live = |shorthand: &str| judge(&cumulative, &History { over: false, ..core(shorthand) });
    assert_eq!(live("60*40").earliest_at, Some(at(72.0)));
    let cold = live("60*40 50*10");
    assert_eq!((cold.result, cold.earliest_at), (Running, None), "{}", cold.because);
}

/// 7 CFR 205.203(c)(2)(iii): 15 days, during which time the material is turned five times; not 40 days with five turnings in them.
#[test]
fn turnings_within_the_hold_lie_in_one_span_of_its_length() {
    let windrow = own("hold: { celsius_min: 55, days: 15, counting: consecutive }\nturnings: { min: 5, when: hold }");
    let day = 24.0;
    for (days, want, met, why) in [
        (&[1.0, 4.0, 7.0, 10.0, 13.0][..], Met, Some(15.0), "within the first fifteen days"),
        (&[1.0, 9.0, 17.0, 25.0, 33.0], NotMet, None, "five in 32 days"),
        (&[1.0, 20.0, 23.0, 26.0, 29.0, 32.0], Met, Some(32.0), "the last five lie close enough"),
        (&[2.0, 5.0, 8.0, 11.0, 17.0], Met, Some(17.0), "fifteen days from the first to the fifth exactly"),
        (&[2.0, 5.0, 8.0, 11.0, 17.1], NotMet, None, "a little more"),
        (&[20.0, 23.0, 26.0, 29.0], NotMet, None, "four"),
    ] {
        let hours: Vec<f64> = days.iter().map(|d| d * day).collect();
        let judgement = judge(&windrow, &turned(core("60*960"), &hours));
        assert_eq!(
            (judgement.result, judgement.met_at),
            (want, met.map(|d| at(d * day))),
            "{days:?}: {why}: {}",
            judgement.because
        );
    }
}
