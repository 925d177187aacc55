//! An invented site for reports: a week in which the clocks go forward, with heat, a gap, an alarm, loads and a laboratory.
//!
//! Must never hold a figure that could be taken for one of a real site.
#![allow(clippy::unwrap_used, dead_code, missing_docs, unreachable_pub, reason = "a test that cannot go on fails")]

use engine::alarm::{Acknowledgement, AlarmId};
use engine::notice::AlarmFigures;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, Kelvin, Kilograms, Litres, Metres};
use pile::window::Point;
use post::reports::facts::*;
use post::reports::measured;
use rulebook::header::Priority;
use site::criteria::{Criteria, Criterion};
use site::entry::{Against, Amount, Batch, BatchId, EntryId, Rest, Stage};
use site::ids::{BinId, BlowerId, ProbeId};
use site::judge::{Facts, History, ProbeHistory, judge};
use site::model::{Display, Position};
use site::zone::{IsoWeek, Zone};

const CRITERION: &str = include_str!("../../../../config/criteria/us503-pfrp-asp.yaml");
const GAP: Span = Span::hours(1);

/// Monday 23 March 2026, 06:00 in Berlin; the clocks go forward on the Sunday.
pub const FROM: Timestamp = Timestamp::from_millis(1_774_242_000_000);
/// Monday 30 March 2026, 06:00 in Berlin: 167 hours later.
pub const TO: Timestamp = Timestamp::from_millis(1_774_843_200_000);

pub fn site(display: Display) -> SiteFacts {
    SiteFacts {
        id: "hof".into(),
        name: "Hof Süd".into(),
        zone: Zone::named("Europe/Berlin").unwrap(),
        display,
        facility: Some("Kompostwerk Hof Süd, Feldweg 3, Musterstadt".into()),
        permit: Some("No. 14/2025, district authority of Musterstadt".into()),
        conditions: vec!["Condition 14 (invented): 55 °C for three days.".into()],
        responsible: None,
        software: "hypocaust 0.0.0".into(),
        readings_from: None,
    }
}

fn criterion() -> Criterion {
    let read = Criteria::read(Criteria::default(), [("us503-pfrp-asp", CRITERION, "us503-pfrp-asp.yaml")]).unwrap();
    read.selectable("us503-pfrp-asp").unwrap().clone()
}

fn bin(n: usize) -> BinId {
    BinId::new(&format!("north-{n}")).unwrap()
}

fn probe(n: usize, position: Position) -> ProbeId {
    ProbeId::new(&format!("north-{n}-{}", position.key())).unwrap()
}

/// Readings every ten minutes; the third bin crosses its limit just under three days before the week ends, others earlier or never.
fn points(n: usize, position: Position, from: Timestamp, to: Timestamp) -> Vec<Point> {
    let base = position == Position::Base;
    let mut out = Vec::new();
    let mut at = from;
    while at <= to {
        let hours = at.since(from).as_hours();
        let left = to.since(at).as_hours();
        let wave = 0.8 * (hours * 0.9).sin();
        let value = match n % 3 {
            // It heats within a day and stays hot.
            1 => 20.0 + 42.0 * (hours / 24.0).min(1.0) + wave - if base { 3.0 } else { 0.0 },
            // It stays lukewarm, ends a hair below the limit, and its base was silent for a night.
            2 if left <= 0.0 => 54.96,
            2 => 48.5 + wave,
            // It is hot for just short of three days.
            _ if left < 71.9 => 57.0 + wave,
            _ if left < 72.1 => 54.0,
            _ => 50.0 + wave,
        };
        let silent = n % 3 == 2 && base && (60.0..69.5).contains(&hours);
        if !silent {
            out.push(Point { at, value });
        }
        at = at + Span::minutes(10);
    }
    out
}

const POSITIONS: [Position; 2] = [Position::Base, Position::Core];

fn history(n: usize, from: Timestamp, until: Timestamp, over: bool, site: &SiteFacts) -> History {
    let probes = POSITIONS.iter().map(|position| ProbeHistory {
        id: probe(n, *position),
        position: *position,
        depth: Some(Metres(0.6)),
        readings: points(n, *position, from, until),
        set_aside: vec![(
            Point { at: from + Span::hours(30), value: 85.0 },
            "the value of a sensor that was just powered".into(),
        )],
        not_counted: Vec::new(),
        elsewhere: Vec::new(),
        by_hand: false,
    });
    History {
        bin: bin(n),
        batch: Some(BatchId(n as u64)),
        from,
        until,
        over,
        probes: probes.collect(),
        entries: Vec::new(),
        facts: Facts::default(),
        zone: site.zone.clone(),
        display: site.display,
    }
}

fn result(history: &History) -> ResultFacts {
    let criterion = criterion();
    ResultFacts {
        before: None,
        judgement: judge(&criterion, history),
        title: criterion.title.clone(),
        citation: criterion.citation.clone(),
        edition: criterion.edition.clone(),
        asks: criterion.asks.clone(),
        confirmed: criterion.confirmed.clone(),
        remark: criterion.standing_remark(),
        notes: criterion.notes.clone(),
        permit: Some("Condition 14: 55 °C for three days, every probe.".into()),
        retention_years: criterion.beside.retention_years,
    }
}

fn course(history: &History, result: &ResultFacts) -> Course {
    let lines = history.probes.iter().map(|p| CourseLine {
        probe: p.id.clone(),
        position: p.position,
        runs: measured::runs_of_hours(&p.readings, GAP),
    });
    Course {
        from: history.from,
        to: history.until,
        lines: lines.collect(),
        limits: vec![(Celsius(55.0), "us503-pfrp-asp".into())],
        marks: vec![(history.from + Span::hours(40), Mark::Watered), (history.from + Span::hours(90), Mark::Turned)],
        counted: result.judgement.counted.clone(),
        counted_by: "us503-pfrp-asp".into(),
        met: result.judgement.met_at,
    }
}

fn entry(id: u64, hours: i64, n: usize, words: &str, note: &str) -> EntryFacts {
    EntryFacts {
        id: EntryId(id),
        at: FROM + Span::hours(hours),
        recorded_at: FROM + Span::hours(hours) + Span::minutes(5),
        bin: bin(n),
        batch: Some(BatchId(n as u64)),
        words: words.into(),
        by: "Jana Weiß".into(),
        note: note.into(),
        corrected_by: None,
    }
}

fn said(hours: i64, comment: &str) -> Acknowledgement {
    Acknowledgement { at: FROM + Span::hours(hours), by: "Jana Weiß".into(), comment: comment.into() }
}

fn deviation(n: usize) -> Deviation {
    Deviation {
        alarm: AlarmId(4),
        occurrence: 2,
        subject: format!("bin {}", bin(n)),
        title: "Dry pile".into(),
        priority: Priority::Medium,
        raised_at: FROM + Span::hours(37),
        finding: "the core fell 6.1 K in a day while the air ran as it should".into(),
        acknowledged: Some(said(39, "hose is on its way")),
        confirmed: Some(said(41, "watered 12 min")),
        handled: vec![(FROM + Span::hours(40), "shelved, until the next morning: watering".into())],
        ended: Some((FROM + Span::hours(60), "the core rises again".into())),
    }
}

fn load(hours: i64, kilograms: f64, rejected: Option<&str>) -> LoadFacts {
    LoadFacts {
        at: FROM + Span::hours(hours),
        bin: bin(1),
        batch: Some(BatchId(1)),
        source: "Canteen".into(),
        material: "food waste".into(),
        amount: Amount::Mass(Kilograms(kilograms)),
        rejected: rejected.map(Into::into),
        by: "Jana Weiß".into(),
    }
}

fn shipment() -> ShipmentFacts {
    ShipmentFacts {
        at: FROM + Span::hours(100),
        bin: BinId::new("cure-1").unwrap(),
        batch: Some(BatchId(90)),
        to: "Garden centre".into(),
        amount: Amount::Volume(CubicMetres(3.5)),
        rest: Rest::Stays,
        by: "Jana Weiß".into(),
    }
}

fn probe_facts(n: usize, position: Position, from: Timestamp, to: Timestamp) -> ProbeFacts {
    let points = points(n, position, from, to);
    ProbeFacts {
        probe: probe(n, position),
        bin: Some(bin(n)),
        position,
        readings: points.len() as u64 + 1,
        set_aside: 1,
        coverage: measured::coverage(&points, from, to, GAP),
        gaps: measured::gaps(&points, from, to, GAP),
        check: (n == 1).then(|| CheckFacts {
            at: FROM - Span::days(178),
            against: Against::Ice,
            showed: Celsius(0.25),
            truth: Celsius(0.0),
            allowed: Kelvin(1.0),
            due: Some(TO + Span::days(2)),
            by: "Jana Weiß".into(),
        }),
    }
}

fn day_facts(n: usize, position: Position, from: Timestamp, to: Timestamp, site: &SiteFacts) -> Vec<DayFacts> {
    let days = measured::days(&points(n, position, from, to), from, to, GAP, &site.zone).into_iter();
    let facts = days.map(|d| DayFacts {
        day: d.day,
        from: d.from,
        to: d.to,
        bin: bin(n),
        batch: Some(BatchId(n as u64)),
        probe: probe(n, position),
        position,
        readings: d.readings,
        hours_heard: d.hours_heard,
        figures: d.figures,
        hours_at_or_above: d.hours_at_or_above,
    });
    facts.collect()
}

fn bin_facts(n: usize, result: &ResultFacts) -> BinFacts {
    let newest = |position: Position| Newest {
        probe: probe(n, position),
        at: TO,
        celsius: Celsius(points(n, position, FROM, TO).last().unwrap().value),
    };
    let j = &result.judgement;
    BinFacts {
        bin: bin(n),
        batch: Some(BatchId(n as u64)),
        stage: Some(Stage::OnAir),
        age: Some(TO.since(FROM)),
        coldest: Some(newest(Position::Base)),
        core: Some(newest(Position::Core)),
        clock: Some(Clock {
            criterion: j.criterion.clone(),
            result: j.result,
            hours_counted: j.hours_counted,
            hours_needed: j.hours_needed,
            at: j.met_at.or(j.earliest_at),
        }),
        coverage: measured::coverage(&points(n, Position::Base, FROM, TO), FROM, TO, GAP),
        raised: if n == 2 { vec![("Dry pile".into(), 1)] } else { Vec::new() },
        standing: Vec::new(),
    }
}

/// A week of so many bins.
pub fn week(display: Display, bins: usize) -> WeekFacts {
    let site = site(display);
    let (mut glance, mut batches, mut probes, mut days) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for n in 1..=bins {
        let history = history(n, FROM, TO, false, &site);
        let result = result(&history);
        glance.push(bin_facts(n, &result));
        let course = course(&history, &result);
        batches.push(BatchWeek {
            batch: BatchId(n as u64),
            bin: bin(n),
            hot: (FROM, None),
            course,
            results: vec![result],
        });
        for position in POSITIONS {
            probes.push(probe_facts(n, position, FROM, TO));
            days.extend(day_facts(n, position, FROM, TO, &site));
        }
    }
    let some = bins > 0;
    let when = |hours: i64| FROM + Span::hours(hours);
    WeekFacts {
        site,
        week: IsoWeek { year: 2026, week: 13 },
        from: FROM,
        to: TO,
        made_at: TO + Span::minutes(1),
        running: false,
        edition: Edition { number: 1, changes: Vec::new() },
        review: Review::Draft,
        bins: glance,
        batches,
        deviations: if some { vec![deviation(2)] } else { Vec::new() },
        loads: if some { vec![load(2, 812.0, None), load(3, 140.0, Some("plastic in it"))] } else { Vec::new() },
        moves: if some {
            vec![MoveFacts {
                at: when(90),
                batch: BatchId(90),
                what: "in bin north-9: moved to curing into bin cure-1".into(),
            }]
        } else {
            Vec::new()
        },
        shipments: if some { vec![shipment()] } else { Vec::new() },
        complaints: if some {
            vec![
                ComplaintFacts {
                    at: when(50),
                    bin: bin(2),
                    words: "smell at the gate".into(),
                    by: "Jana Weiß".into(),
                    after: vec![entry(14, 52, 2, "air changed", "ten seconds more of each pulse")],
                },
                ComplaintFacts {
                    at: when(120),
                    bin: bin(1),
                    words: "noise at night".into(),
                    by: "Jana Weiß".into(),
                    after: Vec::new(),
                },
            ]
        } else {
            Vec::new()
        },
        occurrences: if some {
            vec![
                Occurrence { at: when(70), until: Some(when(71)), what: "nobody watched: hypocaust was off".into() },
                Occurrence { at: when(100), until: None, what: "rules: dry-pile was changed".into() },
            ]
        } else {
            Vec::new()
        },
        entries: if some {
            let late = EntryFacts { recorded_at: when(90), ..entry(13, 40, 2, "watered: 12.0 min", "dry at the base") };
            vec![
                late,
                EntryFacts { corrected_by: Some(EntryId(15)), ..entry(14, 52, 2, "air changed", "ten seconds more") },
            ]
        } else {
            Vec::new()
        },
        probes,
        blowers: if some {
            let blower = |name: &str| BlowerId::new(name).unwrap();
            vec![
                BlowerFacts {
                    blower: blower("fan-1"),
                    known: Ran::Proven { ran: Span::minutes(167), heard: Span::hours(166) },
                },
                BlowerFacts { blower: blower("fan-2"), known: Ran::Scheduled(Span::minutes(100)) },
            ]
        } else {
            Vec::new()
        },
        water: if some {
            vec![WaterFacts { bin: bin(2), waterings: 2, litres: Litres(119.6), unknown: 1 }]
        } else {
            Vec::new()
        },
        alarms: AlarmFigures {
            raised: [0, u32::from(some), 0],
            in_time: (u32::from(some), u32::from(some)),
            ..AlarmFigures::default()
        },
        refused: if some { 3 } else { 0 },
        mails_given_up: 0,
        dates: vec![DateFacts { at: TO + Span::days(7), what: "the next weekly summary is due".into() }],
        days,
        checkpoint: Some(checkpoint()),
    }
}

fn checkpoint() -> CheckpointFacts {
    CheckpointFacts {
        note: "hypocaust/hof\n1234\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n— hypocaust/hof Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n".into(),
        key: "hypocaust/hof+033de0ae+AQhDrf0jXTMmVg4YAAAAAAAAAAAAAAAAAAAAAAAAAAAA".into(),
    }
}

/// A batch that was hot for long enough, with results of a laboratory of which one was taken too early.
pub fn batch(display: Display) -> BatchFacts {
    let site = site(display);
    let off = TO - Span::days(1);
    let history = history(1, FROM, off, true, &site);
    let result = result(&history);
    let batch = Batch {
        loaded_last_at: Some(FROM - Span::hours(2)),
        on_air_at: Some(FROM),
        off_air_at: Some(off),
        curing_at: Some(off),
        loaded_at: Some(Celsius(18.0)),
        ..Batch::begun(BatchId(1), bin(1), FROM - Span::hours(30))
    };
    let lab = |analyte: &str, value: f64, below: bool, unit: &str, days: i64| LabFacts {
        analyte: analyte.into(),
        value,
        below,
        unit: unit.into(),
        laboratory: "County Lab".into(),
        method: "EPA 1682".into(),
        sampled_at: FROM + Span::days(days),
        by: "Jana Weiß".into(),
    };
    let (mut probes, mut days) = (Vec::new(), Vec::new());
    for position in POSITIONS {
        probes.push(probe_facts(1, position, FROM, off));
        days.extend(day_facts(1, position, FROM, off, &site));
    }
    BatchFacts {
        course: course(&history, &result),
        stage: Stage::Curing,
        hot_bin: bin(1),
        hot: Some((FROM, Some(off))),
        to: TO,
        made_at: TO + Span::minutes(1),
        edition: Edition { number: 1, changes: Vec::new() },
        children: vec![BatchId(91)],
        loads: vec![load(-30, 812.0, None), load(-28, 140.0, Some("plastic in it"))],
        results: vec![result],
        probes,
        lab: vec![
            lab("Salmonella", 3.0, true, "MPN/4 g total solids", 7),
            lab("faecal coliform", 640.0, false, "MPN/g total solids", 2),
        ],
        contacts: vec![entry(21, 144, 1, "moved to curing into bin cure-1", "washed bucket")],
        deviations: vec![Deviation { subject: "bin north-1".into(), ended: None, confirmed: None, ..deviation(1) }],
        entries: vec![
            entry(20, 0, 1, "on air, loaded at 18.0 °C", ""),
            entry(21, 144, 1, "moved to curing into bin cure-1", "washed bucket"),
        ],
        shipments: vec![shipment()],
        water: WaterFacts { bin: bin(1), waterings: 2, litres: Litres(240.0), unknown: 0 },
        occurrences: vec![Occurrence {
            at: FROM + Span::hours(70),
            until: Some(FROM + Span::hours(71)),
            what: "nobody watched: hypocaust was off".into(),
        }],
        days,
        checkpoint: Some(checkpoint()),
        batch,
        site,
    }
}

/// A batch of which a probe was silent for a night, with nothing else on record.
pub fn batch_that_cannot_be_told(display: Display) -> BatchFacts {
    let site = site(display);
    let mut history = history(1, FROM, FROM + Span::days(4), true, &site);
    for probe in &mut history.probes {
        probe.readings.retain(|p| !(48.0..54.0).contains(&p.at.since(FROM).as_hours()));
    }
    let result = result(&history);
    BatchFacts {
        course: course(&history, &result),
        results: vec![result],
        hot: Some((FROM, Some(FROM + Span::days(4)))),
        stage: Stage::OffAir,
        children: Vec::new(),
        loads: Vec::new(),
        probes: Vec::new(),
        lab: Vec::new(),
        contacts: Vec::new(),
        deviations: Vec::new(),
        entries: Vec::new(),
        shipments: Vec::new(),
        water: WaterFacts { bin: bin(1), waterings: 0, litres: Litres(0.0), unknown: 0 },
        occurrences: Vec::new(),
        days: Vec::new(),
        checkpoint: None,
        ..batch(display)
    }
}
