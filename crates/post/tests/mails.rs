//! Whole mails as they leave: their words, headers, parts and pictures, in metric and US units.
//!
//! Must never compare less than the whole where a golden file can hold it.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;

use engine::alarm::{Acknowledgement, AlarmId, Closing, Subject};
use engine::effect::{Mail, MailId, MailState};
use engine::notice::{
    AlarmFigures, AlarmNotice, BackOnAir, BinMorning, BinWeek, Chart, ChartBlower, ChartLine, CopyNotice, FloodNotice,
    Notice, OutageNotice, RoundItem, RoundListNotice, Step, SummaryNotice,
};
use expect_test::{ExpectFile, expect_file};
use mail_parser::{Message, MessageParser, MimeHeaders, PartType};
use pile::time::{Span, Timestamp};
use pile::units::Metres;
use post::{RenderError, render};
use rulebook::header::Priority;
use site::entry::{BatchId, Stage};
use site::ids::{BinId, BlowerId};
use site::model::{
    Broker, Calls, Display, Keep, LeavesOut, LinkSecurity, Mail as MailSettings, Person, Reports, RoundList,
    RuleSettings, Site, Transport,
};
use site::zone::{Day, IsoWeek, TimeOfDay, WeeklyTime, Zone};

/// Tue 10 March 2026 07:00 in Berlin, 01:00 in Chicago.
const RAISED: Timestamp = Timestamp::from_millis(1_773_122_400_000);

fn site(display: Display) -> Site {
    let (id, name, zone) = match display {
        Display::Metric => ("hof", "Hof Süd", "Europe/Berlin"),
        Display::Us => ("creek", "Creek Farm", "America/Chicago"),
    };
    Site {
        id: id.into(),
        name: name.into(),
        zone: Zone::named(zone).unwrap(),
        display,
        elevation: Metres(210.0),
        data_folder: "data".into(),
        broker_alarm_after: Span::minutes(10),
        broker: Broker::Remote {
            host: "localhost".into(),
            port: 1883,
            security: LinkSecurity::Plain,
            login: None,
            client_id: "hypocaust".into(),
        },
        topics: Vec::new(),
        blowers: BTreeMap::new(),
        bins: BTreeMap::new(),
        probes: BTreeMap::new(),
        mail: MailSettings {
            from: format!("hypocaust@{id}.example"),
            domain: format!("{id}.example"),
            transport: Transport::Folder("mail".into()),
        },
        people: vec![
            Person {
                name: "Jana".into(),
                mail: "jana@people.example".into(),
                calls: Calls::All,
                unacknowledged: false,
                owner: false,
                leaves_out: LeavesOut::default(),
                round_list: true,
                summary: true,
                reviewed: false,
                sections: None,
                token: None,
                bins: None,
                on_duty: Vec::new(),
            },
            Person {
                name: "Søren O'Neill".into(),
                mail: "soren@people.example".into(),
                calls: Calls::All,
                unacknowledged: false,
                owner: false,
                leaves_out: LeavesOut::default(),
                round_list: false,
                summary: false,
                reviewed: false,
                sections: None,
                token: None,
                bins: None,
                on_duty: Vec::new(),
            },
        ],
        gateways: Vec::new(),
        criteria: Vec::new(),
        criteria_folder: None,
        reports: Reports::default(),
        keep: Keep::default(),
        influx: None,
        metrics: None,
        rules: RuleSettings::default(),
        sounder: None,
        heartbeat: None,
        summary: WeeklyTime { weekday: 1, hour: 7, minute: 0 },
        round_list: RoundList {
            at: TimeOfDay { hour: 6, minute: 30 },
            quiet_from: TimeOfDay { hour: 21, minute: 0 },
            reminders: Vec::new(),
        },
        settings_path: "config/site.yaml".into(),
    }
}

fn bin(id: &str) -> BinId {
    BinId::new(id).unwrap()
}

fn blower(id: &str) -> BlowerId {
    BlowerId::new(id).unwrap()
}

/// A day in which the core falls from 61 °C and the base runs dry, with a gap in the base and a watering.
fn chart() -> Chart {
    let from = RAISED - Span::hours(24);
    let line = |label: &str, value: &dyn Fn(f64) -> f64, gap: std::ops::Range<i64>| ChartLine {
        label: label.into(),
        points: (0..=144)
            .filter(|i| !gap.contains(i))
            .map(|i| (from + Span::minutes(10 * i), value(i as f64 / 6.0) as f32))
            .collect(),
        max_gap: Span::minutes(30),
    };
    Chart {
        from,
        to: RAISED,
        lines: vec![
            line("core", &|h| 61.2 - 0.31 * (h - 4.0_f64).max(0.0) - 0.2 * (h / 2.0).sin(), 0..0),
            line("base", &|h| 52.4 - 0.45 * (h - 6.0_f64).max(0.0), 60..78),
            line("upper", &|h| 58.0 - 0.22 * h, 100..145),
        ],
        marks: vec![(from + Span::hours(9), "watered 12 min".into())],
        limits: vec![60.0],
        blower: Some(ChartBlower {
            label: "blower-1".into(),
            // It stood for three hours, ran half for one, and nothing is known of another.
            hours: (0..24)
                .filter(|h| *h != 9)
                .map(|h| {
                    (
                        from + Span::hours(h),
                        [1.0, 0.0, 0.4][usize::from((14..17).contains(&h)) + 2 * usize::from(h == 17)],
                    )
                })
                .collect(),
        }),
    }
}

fn alarm(step: Step, display: Display) -> AlarmNotice {
    let us = display == Display::Us;
    let (finding, evidence, figures) = if us {
        (
            "Core 131.4 °F, down 13.3 °F in 24 h (limit 10.1 °F)",
            vec!["Fell 13.3 °F a day, 95 % range 12.8 to 13.9 °F, from 144 readings of probe p3".to_owned()],
            vec![("Fall in 24 h", "13.3 °F"), ("Limit", "10.1 °F")],
        )
    } else {
        (
            "Core 55.2 °C, down 7.4 °C in 24 h (limit 5.6 °C)",
            vec!["Fell 7.4 °C a day, 95 % range 7.1 to 7.7 °C, from 144 readings of probe p3".to_owned()],
            vec![("Fall in 24 h", "7.4 °C"), ("Limit", "5.6 °C")],
        )
    };
    // The end of an alarm carries the finding of its end, and no picture.
    let (finding, evidence, figures) = match (step, us) {
        (Step::Raise | Step::Reminder, _) => (finding, evidence, figures),
        (Step::Update, _) => ("back again: core is at its limit again", evidence, vec![]),
        (_, true) => {
            ("Core 137.1 °F, up 2.0 °F in 6 h", vec!["Rose for 6 h, from 36 readings of probe p3".to_owned()], vec![])
        }
        (_, false) => {
            ("Core 58.4 °C, up 1.1 °C in 6 h", vec!["Rose for 6 h, from 36 readings of probe p3".to_owned()], vec![])
        }
    };
    let mut evidence = evidence;
    evidence.push("Blower b1 ran as scheduled: 48 of 48 pulses in 24 h, so it is not the air".into());
    evidence.push("Last watered 3 d 2 h before, 80 L".into());
    let cleared_at = (step == Step::Clear).then_some(RAISED + Span::minutes(290));
    let at = match step {
        Step::Reminder => RAISED + Span::hours(8),
        Step::Update => RAISED + Span::hours(1),
        _ => cleared_at.unwrap_or(RAISED),
    };
    AlarmNotice {
        step,
        number: if step == Step::Raise { 0 } else { 1 },
        life: 0x1f,
        alarm: AlarmId(17),
        rule: "temperature_crash".into(),
        revision: "9b1c7a0e5d4f33aa".into(),
        subject: Subject::Bin(bin("north-2")),
        occurrence: 3,
        thread: 3,
        closing: (step == Step::Retire).then_some(Closing::Stage { batch: BatchId(4), stage: Stage::OffAir }),
        raised_finding: if us {
            "Core 131.4 °F, down 13.3 °F in 24 h (limit 10.1 °F)".into()
        } else {
            "Core 55.2 °C, down 7.4 °C in 24 h (limit 5.6 °C)".into()
        },
        stands: matches!(step, Step::Raise | Step::Update | Step::Reminder),
        thread_subject: match display {
            Display::Us => "north-2: squeeze a handful (temperature crash) [creek]".into(),
            Display::Metric => "north-2: squeeze a handful (temperature crash) [hof]".into(),
        },
        title: "Temperature crash".into(),
        priority: Priority::Medium,
        at,
        onset: RAISED - Span::minutes(140),
        raised_at: RAISED,
        cleared_at,
        acknowledged: (step == Step::Clear).then(|| Acknowledgement {
            at: RAISED + Span::minutes(22),
            by: "Jana".into(),
            comment: "hose is running".into(),
        }),
        finding: finding.into(),
        evidence,
        figures: figures.into_iter().map(|(n, v)| (n.to_owned(), v.to_owned())).collect(),
        cause: "The pile is too dry for the microbes: air is logged, so it is usually water".into(),
        consequence: "The pile cools below the temperature that kills pathogens, and its count starts again.".into(),
        response: vec![
            "Dig in a hand's depth and squeeze a handful: no drop means too dry.".into(),
            "Water it until a handful just drips, and write down the minutes.".into(),
            "If it is wet, see that the floor is not blocked.".into(),
        ],
        caution: "Material and steam can scald. Let the blower's on-time pass before you open the cover. Local codes, your permit and licensed practice decide.".into(),
        time_to_respond: Span::hours(8),
        chart: (step == Step::Raise).then(chart),
    }
}

fn week(bins: Vec<BinWeek>) -> SummaryNotice {
    // Monday 07:00 in Berlin to Monday 07:00.
    let to = Timestamp::from_millis(1_773_640_800_000);
    SummaryNotice {
        week: IsoWeek { year: 2026, week: 11 },
        life: 0x1f,
        from: to - Span::days(7),
        to,
        bins,
        threshold_celsius: 55.0,
        max_gap: Span::hours(1),
        refused: 0,
        mails_given_up: 0,
        off: Vec::new(),
        alarms: AlarmFigures::default(),
        copies_wait_for: Vec::new(),
    }
}

fn copy(amended: u32) -> CopyNotice {
    let made_at = Timestamp::from_millis(1_773_640_800_000);
    CopyNotice {
        week: IsoWeek { year: 2026, week: 11 },
        life: 0x1f,
        at: made_at + Span::hours(27),
        made_at,
        amended,
        reviewed: (amended > 0).then(|| ("Jana".into(), made_at + Span::hours(3))),
        changes: match amended {
            0 => Vec::new(),
            _ => vec![
                "north-1, batch 12: 36 readings of Tuesday came in later; hours at or above 55 °C: 71.9, were 68.4"
                    .into(),
            ],
        },
    }
}

fn good_bin(id: &str) -> BinWeek {
    BinWeek {
        bin: bin(id),
        batch: Some((BatchId(12), Span::hours(220))),
        off_air: false,
        at_or_above: Some(Span::from_seconds_f64(188.46 * 3600.0)),
        longest_run: Some(Span::from_seconds_f64(71.96 * 3600.0)),
        coverage: Some(0.9987),
        newest_core: Some((Timestamp::from_millis(1_773_640_740_000), 61.3)),
        alarms: Vec::new(),
        standing: Vec::new(),
    }
}

fn busy_week() -> SummaryNotice {
    let mut notice = week(vec![
        good_bin("north-1"),
        BinWeek {
            batch: Some((BatchId(13), Span::hours(118))),
            at_or_above: Some(Span::from_seconds_f64(41.0 * 3600.0)),
            longest_run: Some(Span::from_seconds_f64(30.25 * 3600.0)),
            coverage: Some(0.8349),
            newest_core: Some((Timestamp::from_millis(1_773_640_740_000), 54.96)),
            alarms: vec![("Temperature crash".into(), 2), ("Probe silent".into(), 1)],
            standing: vec!["Temperature crash".into()],
            ..good_bin("north-2")
        },
        BinWeek { batch: None, newest_core: None, ..good_bin("south-1") },
        BinWeek { batch: Some((BatchId(11), Span::days(33))), off_air: true, ..good_bin("south-2") },
        BinWeek {
            batch: Some((BatchId(14), Span::hours(9))),
            at_or_above: None,
            longest_run: None,
            coverage: None,
            newest_core: None,
            ..good_bin("south-3")
        },
    ]);
    notice.refused = 14;
    notice.copies_wait_for = vec!["County inspector".into(), "Buyer".into()];
    notice.mails_given_up = 1;
    notice.off = vec![
        (notice.from + Span::hours(30), notice.from + Span::minutes(30 * 60 + 185)),
        (notice.from + Span::hours(100), notice.from + Span::minutes(100 * 60 + 7)),
    ];
    notice.alarms = AlarmFigures {
        raised: [5, 2, 1],
        site_wide: vec![("Broker not reached".into(), 1)],
        in_time: (6, 8),
        median_to_acknowledge: Some(Span::minutes(47)),
        never_acknowledged: 1,
        standing: vec!["north-2 temperature crash".into()],
        chattering: vec![("north-1 probe silent".into(), 4)],
        hidden: vec!["south-2 blower off its schedule: out of service since 2026-03-12 by Jana: new motor".into()],
        mails: vec![("Jana".into(), 11, 2)],
    };
    notice
}

/// Alarms that came all at once, one of them over again.
fn flood() -> FloodNotice {
    let items = vec![
        RoundItem { priority: Priority::Medium, ..morning().standing.remove(0) },
        morning().standing.remove(1),
        RoundItem { cleared_at: Some(RAISED), ..morning().standing.remove(1) },
    ];
    FloodNotice {
        life: 0x1f,
        at: RAISED + Span::minutes(15),
        since: RAISED,
        first: Some(items[0].clone()),
        standing: 14,
        over: 1,
        items,
        goes_on: true,
    }
}

/// A morning with something to do, something in hand, something that came and went, and an empty bin.
fn morning() -> RoundListNotice {
    let item = |alarm, bin: &str, title: &str, finding: &str, response: &str| RoundItem {
        alarm: AlarmId(alarm),
        subject: Subject::Bin(self::bin(bin)),
        title: title.into(),
        priority: Priority::Low,
        onset: RAISED - Span::hours(4),
        cleared_at: None,
        acknowledged: None,
        finding: finding.into(),
        found_at: Some(RAISED - Span::minutes(10)),
        asks: true,
        response: response.into(),
        caution: String::new(),
    };
    let day = |bin: &str, days, now: f64, before| BinMorning {
        bin: self::bin(bin),
        batch: Some((BatchId(10 + days as u64), Span::days(days))),
        newest_core: Some((RAISED - Span::minutes(3), now)),
        core_a_day_before: before,
    };
    RoundListNotice {
        day: Day { year: 2026, month: 3, day: 10 },
        life: 0x1f,
        at: RAISED,
        next: RAISED + Span::days(1),
        standing: vec![
            RoundItem {
                priority: Priority::Medium,
                caution: "Steam and wet material burn. Local codes, your permit and licensed practice decide.".into(),
                ..item(17, "north-2", "Temperature crash", "fell for 8 h", "Check that air is blown.")
            },
            item(18, "north-1", "Dry pile", "3 of 5 signs of a dry pile", "Squeeze a handful from the base."),
            RoundItem {
                acknowledged: Some(Acknowledgement {
                    at: RAISED - Span::hours(2),
                    by: "Jana".into(),
                    comment: "new battery on its way".into(),
                }),
                ..item(19, "south-2", "Probe silent", "south-2-base is silent for 3 h", "Change its battery.")
            },
        ],
        over: vec![RoundItem {
            cleared_at: Some(RAISED - Span::hours(1)),
            ..item(20, "south-2", "Probe fault", "south-2-core gave no answer three times", "")
        }],
        reminders: vec!["Drain the condensate trap".into()],
        bins: vec![
            day("north-1", 12, 61.44, Some(62.1)),
            day("north-2", 19, 54.96, Some(62.4)),
            BinMorning { newest_core: Some((RAISED - Span::hours(5), 58.2)), ..day("south-2", 3, 0.0, None) },
            BinMorning { batch: None, newest_core: None, ..day("south-3", 0, 0.0, None) },
        ],
    }
}

fn outage() -> OutageNotice {
    OutageNotice {
        life: 0x1f,
        from: RAISED - Span::minutes(230),
        to: RAISED - Span::minutes(45),
        blowers: vec![
            (blower("b1"), BackOnAir::Proven { at: RAISED - Span::minutes(44) }),
            (blower("b2"), BackOnAir::NotRunning),
            (blower("b3"), BackOnAir::Silent),
            (blower("b4"), BackOnAir::Unproven),
        ],
    }
}

fn trial() -> Notice {
    Notice::Trial { by: "Jana".into(), at: RAISED, serial: 4, life: 0x1f }
}

fn to(address: &str, notice: Notice) -> Mail {
    let created_at = match &notice {
        Notice::Alarm(notice) => notice.at,
        Notice::Summary(notice) => notice.to,
        Notice::RoundList(notice) => notice.at,
        Notice::Copy(notice) => notice.at,
        Notice::Flood(notice) => notice.at,
        Notice::Outage(_) | Notice::Trial { .. } => RAISED,
    };
    Mail {
        id: MailId(1),
        to: address.into(),
        notice,
        created_at,
        state: MailState::Waiting { next_try: created_at, tries: 0, last_reply: String::new() },
    }
}

fn rendered(notice: Notice, site: &Site) -> Vec<u8> {
    let mail = to("jana@people.example", notice);
    render(&mail, site, mail.created_at + Span::seconds(3)).unwrap()
}

fn parsed(bytes: &[u8]) -> Message<'_> {
    MessageParser::default().parse(bytes).unwrap()
}

fn text_of(bytes: &[u8]) -> String {
    parsed(bytes).body_text(0).unwrap().replace("\r\n", "\n")
}

fn html_of(bytes: &[u8]) -> String {
    parsed(bytes).body_html(0).unwrap().replace("\r\n", "\n")
}

/// One header, unfolded, as it stands in the bytes.
fn header(bytes: &[u8], name: &str) -> Option<String> {
    let text = String::from_utf8(bytes.to_vec()).unwrap();
    let head = text.split("\r\n\r\n").next().unwrap().replace("\r\n ", " ").replace("\r\n\t", " ");
    let found: Vec<String> = head
        .split("\r\n")
        .filter_map(|line| line.split_once(": "))
        .filter(|(n, _)| n.eq_ignore_ascii_case(name))
        .map(|(_, value)| value.to_owned())
        .collect();
    assert!(found.len() <= 1, "{name} stands {} times", found.len());
    found.into_iter().next()
}

/// The mail with its picture taken out: the picture has tests of its own, and its bytes tell a reviewer nothing.
fn without_picture(bytes: &[u8]) -> String {
    let text = String::from_utf8(bytes.to_vec()).unwrap().replace("\r\n", "\n");
    let Some(start) = text.find("iVBORw0KGgo") else { return text };
    let end = start + text[start..].find("\n--").unwrap();
    format!("{}(picture left out){}", &text[..start], &text[end..])
}

fn every_kind(display: Display) -> Vec<(&'static str, Notice)> {
    vec![
        ("raise", Notice::Alarm(Box::new(alarm(Step::Raise, display)))),
        ("clear", Notice::Alarm(Box::new(alarm(Step::Clear, display)))),
        ("retire", Notice::Alarm(Box::new(alarm(Step::Retire, display)))),
        ("update", Notice::Alarm(Box::new(alarm(Step::Update, display)))),
        ("reminder", Notice::Alarm(Box::new(alarm(Step::Reminder, display)))),
        ("flood", Notice::Flood(Box::new(flood()))),
        ("summary", Notice::Summary(Box::new(busy_week()))),
        ("copy", Notice::Copy(Box::new(copy(0)))),
        ("amendment", Notice::Copy(Box::new(copy(2)))),
        ("round-list", Notice::RoundList(Box::new(morning()))),
        ("outage", Notice::Outage(outage())),
        ("trial", trial()),
    ]
}

#[test]
fn mails_read_as_reviewed() {
    let golden: [(Display, [ExpectFile; 12]); 2] = [
        (
            Display::Metric,
            [
                expect_file!["../../../tests/golden/mail/raise-metric.eml"],
                expect_file!["../../../tests/golden/mail/clear-metric.eml"],
                expect_file!["../../../tests/golden/mail/retire-metric.eml"],
                expect_file!["../../../tests/golden/mail/update-metric.eml"],
                expect_file!["../../../tests/golden/mail/reminder-metric.eml"],
                expect_file!["../../../tests/golden/mail/flood-metric.eml"],
                expect_file!["../../../tests/golden/mail/summary-metric.eml"],
                expect_file!["../../../tests/golden/mail/copy-metric.eml"],
                expect_file!["../../../tests/golden/mail/amendment-metric.eml"],
                expect_file!["../../../tests/golden/mail/round-list-metric.eml"],
                expect_file!["../../../tests/golden/mail/outage-metric.eml"],
                expect_file!["../../../tests/golden/mail/trial-metric.eml"],
            ],
        ),
        (
            Display::Us,
            [
                expect_file!["../../../tests/golden/mail/raise-us.eml"],
                expect_file!["../../../tests/golden/mail/clear-us.eml"],
                expect_file!["../../../tests/golden/mail/retire-us.eml"],
                expect_file!["../../../tests/golden/mail/update-us.eml"],
                expect_file!["../../../tests/golden/mail/reminder-us.eml"],
                expect_file!["../../../tests/golden/mail/flood-us.eml"],
                expect_file!["../../../tests/golden/mail/summary-us.eml"],
                expect_file!["../../../tests/golden/mail/copy-us.eml"],
                expect_file!["../../../tests/golden/mail/amendment-us.eml"],
                expect_file!["../../../tests/golden/mail/round-list-us.eml"],
                expect_file!["../../../tests/golden/mail/outage-us.eml"],
                expect_file!["../../../tests/golden/mail/trial-us.eml"],
            ],
        ),
    ];
    for (display, files) in golden {
        let site = site(display);
        for ((_, notice), file) in every_kind(display).into_iter().zip(files) {
            file.assert_eq(&without_picture(&rendered(notice, &site)));
        }
    }
}

#[test]
fn every_mail_has_the_parts_and_sizes_that_all_readers_take() {
    for display in [Display::Metric, Display::Us] {
        let site = site(display);
        for (kind, notice) in every_kind(display) {
            let bytes = rendered(notice, &site);
            assert!(bytes.is_ascii(), "{kind}");
            assert!(bytes.len() < 100_000, "{kind}: {} bytes", bytes.len());
            let text = String::from_utf8(bytes.clone()).unwrap();
            assert!(!text.replace("\r\n", "").contains(['\n', '\r']), "{kind}: lines end with CR LF alone");
            let (head, body) = text.split_once("\r\n\r\n").unwrap();
            for (what, part, limit) in [("header", head, 998), ("body", body, 76)] {
                let longest = part.split("\r\n").map(str::len).max().unwrap();
                assert!(longest <= limit, "{kind}: a {what} line of {longest} characters");
            }

            let mail = parsed(&bytes);
            let PartType::Multipart(outer) = &mail.parts[0].body else { panic!("{kind}: not multipart") };
            assert!(mail.parts[0].is_content_type("multipart", "alternative"), "{kind}");
            let [plain, related] = outer.as_slice() else { panic!("{kind}: {outer:?}") };
            let (plain, related) = (&mail.parts[*plain as usize], &mail.parts[*related as usize]);
            assert!(plain.is_content_type("text", "plain"), "{kind}");
            assert!(related.is_content_type("multipart", "related"), "{kind}");
            for part in [plain, &mail.parts[3]] {
                assert_eq!(part.content_type().unwrap().attribute("charset"), Some("utf-8"), "{kind}");
                assert_eq!(part.content_transfer_encoding(), Some("quoted-printable"), "{kind}");
            }
            assert!(mail.parts[3].is_content_type("text", "html"), "{kind}");
            let html = html_of(&bytes);
            let pictures: Vec<_> = mail.parts.iter().filter(|part| part.is_content_type("image", "png")).collect();
            let shows = html.contains("<img");
            assert_eq!(pictures.len(), usize::from(shows), "{kind}");
            assert_eq!(shows, kind == "raise", "{kind}");
            for picture in pictures {
                let id = picture.content_id().unwrap();
                assert!(
                    html.contains(&format!("src=\"cid:{id}\"")),
                    "{kind}: the page shows the picture that is there"
                );
                assert_eq!(&picture.contents()[..8], b"\x89PNG\r\n\x1a\n");
                assert!(picture.contents().len() <= 60_000);
            }
        }
    }
}

#[test]
fn pages_fetch_nothing_and_can_be_read_aloud() {
    for (kind, notice) in every_kind(Display::Metric) {
        let html = html_of(&rendered(notice, &site(Display::Metric)));
        for (wanted, why) in [
            ("<html lang=\"en\">", "a reading voice needs the language"),
            ("name=\"viewport\"", "a telephone needs the width"),
            ("<title>", "a page has a title"),
            ("background:#fff;color:#111", "dark on white"),
        ] {
            assert!(html.contains(wanted), "{kind}: {why}");
        }
        for foreign in ["http:", "https:", "//", "url(", "@import", "<script", "<link"] {
            assert!(!html.contains(foreign), "{kind} holds {foreign}");
        }
        assert_eq!(
            html.matches("<img").count(),
            html.matches("alt=\"Line chart of temperatures. core: 55.1 °C at the end").count(),
            "{kind}"
        );
        assert_eq!(
            html.matches("<th").count() - html.matches("<thead").count(),
            html.matches("<th scope=").count(),
            "{kind}"
        );
    }
}

/// The page without its markup must say nothing that the plain text does not.
#[test]
fn the_plain_text_is_complete_by_itself() {
    for (kind, notice) in every_kind(Display::Metric) {
        let bytes = rendered(notice, &site(Display::Metric));
        let (text, html) = (text_of(&bytes), html_of(&bytes));
        let html = html.replace('\u{a0}', " ");
        let body = html.split("<main>").nth(1).unwrap();
        let mut pieces = Vec::new();
        for piece in body.split('<').skip(1) {
            let words = piece.split_once('>').map_or("", |(_, words)| words);
            let words = words.replace("&#39;", "'").replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">");
            pieces.push(words.replace("&amp;", "&").trim().to_owned());
        }
        // Heads of columns, dashes and numbers of batches stand in the text as sentences.
        let as_sentences = [
            "Bin",
            "Batch",
            "Age",
            "At or above 55.0 °C",
            "Longest run",
            "Coverage",
            "58.2 (5 h old)",
            "–",
            "Caution:",
            "Core °C",
            "Day before",
        ];
        for piece in pieces.iter().filter(|p| !p.is_empty() && !as_sentences.contains(&p.as_str())) {
            assert!(text.contains(piece.as_str()), "{kind}: the text lacks “{piece}”\n{text}");
        }
    }
}

#[test]
fn a_raise_is_told_in_the_order_in_which_it_is_needed() {
    let site = site(Display::Metric);
    let text = text_of(&rendered(Notice::Alarm(Box::new(alarm(Step::Raise, Display::Metric))), &site));
    let first = text.lines().next().unwrap();
    for (wanted, why) in
        [("north-2: temperature crash", "what"), ("Tue 10 Mar 04:40", "since when"), ("55.2 °C", "how bad")]
    {
        assert!(first.contains(wanted), "{why}: {first}");
    }
    assert!(
        first.chars().take(60).collect::<String>().contains("04:40"),
        "the preview line of a telephone shows 60 characters"
    );
    let order = [
        "Priority: medium. Act within 8 h, by Tue 10 Mar 15:00.",
        "Do now:",
        "1. Dig in",
        "2. Water it",
        "Caution: Material",
        "If nobody acts:",
        "Evidence:",
        "Acknowledge:",
        "hypocaust alarms acknowledge 17 --by Jana",
        "The last day:",
        "watered 12 min",
        "Details:",
        "Alarm: 17, occurrence 3",
        "Rule: temperature_crash, revision 9b1c7a0e5d4f",
        "Began: 2026-03-10 04:40:00 +01:00",
        "Europe/Berlin, +01:00",
    ];
    let mut at = 0;
    for wanted in order {
        let found = text[at..].find(wanted);
        assert!(found.is_some(), "“{wanted}” is missing or stands too early in\n{text}");
        at += found.unwrap();
    }
}

#[test]
fn ranked_causes_have_a_section_of_their_own() {
    let mut notice = alarm(Step::Raise, Display::Metric);
    notice.evidence.extend([
        "Cause 1: lack of water, likely. For it: the base went cold first.".into(),
        "Cause 1, do: squeeze-test first; if it is dry about 70 L, 4 min at 18 L/min.".into(),
        "Cause of less weight: the air (unlikely: the blower ran 100 % of its schedule).".into(),
    ]);
    let site = site(Display::Metric);
    let text = text_of(&rendered(Notice::Alarm(Box::new(notice)), &site));
    let place = |what: &str| text.find(what).unwrap_or_else(|| panic!("`{what}` is missing:\n{text}"));
    let (causes, grounds) = (place("Likely causes"), place("Evidence"));
    assert!((causes..grounds).contains(&place("1: lack of water, likely")), "under its heading:\n{text}");
    assert_eq!(text.matches("squeeze-test first").count(), 1, "what is a step is not said again:\n{text}");
    assert!(place("1. For the likely cause: squeeze-test first") < causes, "{text}");
    assert!(place("Causes of less weight: the air (unlikely") > place("Details"), "what is unlikely waits:\n{text}");
    assert!(place("from 144 readings of probe p3") > grounds, "other grounds stay where they were:\n{text}");
    assert!(!text.contains("Cause 1"), "the mark is not repeated under the heading:\n{text}");
}

#[test]
fn mails_of_one_occurrence_form_one_thread() {
    let site = site(Display::Metric);
    let id = |end: &str| format!("<alarm.17.0000001f.3.{end}@hof.example>");
    let raise = (None, id("thread"));
    let later = (Some(id("0.raise")), format!("{} {}", id("thread"), id("0.raise")));
    for (step, number, own, (reply_to, references), subject) in [
        (Step::Raise, 0, id("0.raise"), raise, "north-2: squeeze a handful (temperature crash) [hof]"),
        (Step::Clear, 1, id("1.clear"), later.clone(), "Re: north-2: squeeze a handful (temperature crash) [hof]"),
        (Step::Retire, 2, id("2.retire"), later, "Re: north-2: squeeze a handful (temperature crash) [hof]"),
    ] {
        let notice = AlarmNotice { number, ..alarm(step, Display::Metric) };
        let bytes = rendered(Notice::Alarm(Box::new(notice)), &site);
        assert_eq!(header(&bytes, "Message-ID"), Some(own), "{step:?}");
        assert_eq!(header(&bytes, "In-Reply-To"), reply_to, "{step:?}");
        assert_eq!(header(&bytes, "References"), Some(references), "{step:?}");
        assert_eq!(parsed(&bytes).subject(), Some(subject), "{step:?}");
    }
    // The root is never sent, an id never repeats, and another occurrence or another life of the ledger is another thread.
    let mut ids = Vec::new();
    for (life, occurrence, step, number) in
        [(31, 3, Step::Raise, 0), (31, 4, Step::Raise, 0), (32, 3, Step::Raise, 0), (31, 3, Step::Clear, 1)]
    {
        let notice = AlarmNotice { life, occurrence, number, ..alarm(step, Display::Metric) };
        ids.push(header(&rendered(Notice::Alarm(Box::new(notice)), &site), "Message-ID").unwrap());
    }
    for (_, notice) in every_kind(Display::Metric).into_iter().skip(2) {
        ids.push(header(&rendered(notice, &site), "Message-ID").unwrap());
    }
    let all = ids.len();
    assert!(ids.iter().all(|id| !id.contains("thread")));
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), all, "{ids:?}");
}

#[test]
fn machine_headers_stand_in_every_mail_and_the_way_out_only_in_summaries() {
    let site = site(Display::Metric);
    for (kind, notice) in every_kind(Display::Metric) {
        let bytes = rendered(notice, &site);
        let is_alarm = ["raise", "update", "reminder", "clear", "retire"].contains(&kind);
        for (name, want) in [
            ("Auto-Submitted", Some("auto-generated")),
            ("X-Auto-Response-Suppress", Some("All")),
            ("MIME-Version", Some("1.0")),
            ("Precedence", None),
            ("X-Hypocaust-Notice", Some(if is_alarm { "alarm" } else { kind })),
            ("X-Hypocaust-Alarm", is_alarm.then_some("17")),
            ("X-Hypocaust-Occurrence", is_alarm.then_some("3")),
            ("X-Hypocaust-Step", is_alarm.then_some(kind)),
            ("X-Hypocaust-Priority", is_alarm.then_some("medium")),
            (
                "List-Unsubscribe",
                (kind == "summary")
                    .then_some("<mailto:hypocaust@hof.example?subject=unsubscribe%20hof%20weekly%20summary>"),
            ),
            ("List-Unsubscribe-Post", None),
        ] {
            assert_eq!(header(&bytes, name).as_deref(), want, "{kind}: {name}");
        }
        let list = match kind {
            "summary" | "copy" | "amendment" => "<summary.hof.hof.example>",
            "round-list" => "<rounds.hof.hof.example>",
            _ => "<alarms.hof.hof.example>",
        };
        assert!(header(&bytes, "List-Id").unwrap().ends_with(list), "{kind}");
        let mail = parsed(&bytes);
        let from = mail.from().unwrap().first().unwrap();
        assert_eq!((from.name(), from.address()), (Some("Hof Süd"), Some("hypocaust@hof.example")), "{kind}");
        let to = mail.to().unwrap().first().unwrap();
        assert_eq!((to.name(), to.address()), (Some("Jana"), Some("jana@people.example")), "{kind}");
    }
    let bytes = rendered(trial(), &site);
    assert_eq!(header(&bytes, "Date").as_deref(), Some("Tue, 10 Mar 2026 07:00:03 +0100"));
}

#[test]
fn nothing_from_outside_can_add_a_header() {
    let evil = "x\r\nBcc: thief@evil.example\r\n\r\n<script>alert(1)</script>\n.\r\nMAIL FROM:<a@b>\u{2028}\u{85}";
    let mut site = site(Display::Metric);
    site.name = evil.into();
    site.id = evil.into();
    site.mail.domain = "hof.example>\r\nBcc: thief@evil.example".into();
    site.people[0].name = evil.into();
    let spoiled = |step| AlarmNotice {
        rule: evil.into(),
        revision: evil.into(),
        subject: Subject::Rule(evil.into()),
        thread_subject: evil.into(),
        title: evil.into(),
        acknowledged: Some(Acknowledgement { at: RAISED, by: evil.into(), comment: evil.into() }),
        finding: evil.into(),
        evidence: vec![evil.into()],
        figures: vec![(evil.into(), evil.into())],
        cause: evil.into(),
        consequence: evil.into(),
        response: vec![evil.into()],
        caution: evil.into(),
        chart: Some(Chart {
            lines: vec![ChartLine { label: evil.into(), ..chart().lines[0].clone() }],
            marks: vec![(RAISED - Span::hours(2), evil.into())],
            ..chart()
        }),
        ..alarm(step, Display::Metric)
    };
    let mut spoiled_week = busy_week();
    spoiled_week.bins[0].standing = vec![evil.into()];
    spoiled_week.bins[0].alarms = vec![(evil.into(), 1)];
    for notice in [
        Notice::Alarm(Box::new(spoiled(Step::Raise))),
        Notice::Alarm(Box::new(spoiled(Step::Clear))),
        Notice::Alarm(Box::new(spoiled(Step::Retire))),
        Notice::Summary(Box::new(spoiled_week)),
        Notice::Outage(outage()),
        Notice::Trial { by: evil.into(), at: RAISED, serial: 1, life: 1 },
    ] {
        let bytes = rendered(notice, &site);
        let mail = parsed(&bytes);
        assert_eq!(header(&bytes, "Bcc"), None);
        assert!(mail.bcc().is_none());
        let head = String::from_utf8(bytes.clone()).unwrap();
        let head = head.split("\r\n\r\n").next().unwrap();
        for line in head.split("\r\n") {
            let known = [
                "Date",
                "From",
                "To",
                "Subject",
                "Message-ID",
                "In-Reply-To",
                "References",
                "Auto-Submitted",
                "List-Id",
                "List-Unsubscribe",
                "MIME-Version",
                "Content-Type",
            ];
            let name = line.split(':').next().unwrap();
            assert!(line.starts_with([' ', '\t']) || known.contains(&name) || name.starts_with("X-"), "{line}");
        }
        let html = html_of(&bytes);
        assert!(!html.contains("<script"), "{html}");
        assert_eq!(html.matches("<img").count(), html.matches("src=\"cid:").count());
    }
}

#[test]
fn letters_of_all_alphabets_arrive() {
    let mut site = site(Display::Metric);
    for (subject, name) in [
        ("[hof] Miete 3: Temperatursturz (55,2 °C – Grenze)", "Jörg Groß"),
        ("[двор] бурт 3: температура падает", "Ольга"),
        ("[農場] 堆肥三号 温度急落", "花子"),
        ("[hof] plain", "Ann \"the boss\" Lee, Jr. <x>"),
    ] {
        site.people[0].name = name.into();
        let notice = AlarmNotice {
            thread_subject: subject.into(),
            finding: format!("{subject} / {name}"),
            ..alarm(Step::Raise, Display::Metric)
        };
        let bytes = rendered(Notice::Alarm(Box::new(notice)), &site);
        let mail = parsed(&bytes);
        assert_eq!(mail.subject(), Some(subject));
        assert_eq!(mail.to().unwrap().first().unwrap().name(), Some(name));
        assert!(text_of(&bytes).contains(&format!("{subject} / {name}")));
    }
}

#[test]
fn names_reach_the_shell_whole() {
    for (name, command) in [
        ("Jana", "--by Jana"),
        ("Søren O'Neill", r"--by 'Søren O'\''Neill'"),
        ("x; rm -rf ~", "--by 'x; rm -rf ~'"),
        ("$(reboot)", "--by '$(reboot)'"),
        ("--help", "--by '--help'"),
        ("", "--by NAME"),
    ] {
        let mut site = site(Display::Metric);
        site.people[0].name = name.into();
        let text = text_of(&rendered(Notice::Alarm(Box::new(alarm(Step::Raise, Display::Metric))), &site));
        let line = text.lines().find(|line| line.contains("alarms acknowledge")).unwrap();
        assert_eq!(line.trim(), format!("hypocaust alarms acknowledge 17 {command}"));
    }
    let stranger = to("nobody@else.example", Notice::Alarm(Box::new(alarm(Step::Raise, Display::Metric))));
    let bytes = render(&stranger, &site(Display::Metric), RAISED).unwrap();
    assert!(text_of(&bytes).contains("acknowledge 17 --by NAME"), "who is not in the settings puts in a name");
}

#[test]
fn however_much_there_is_to_say_the_mail_stays_small() {
    let site = site(Display::Metric);
    for (what, filler) in [
        ("one long word", "x"),
        ("words", "hot pile "),
        ("letters of two bytes", "Ж"),
        ("of three", "堆"),
        ("of four", "🔥"),
    ] {
        let long = filler.repeat(20_000);
        let notice = AlarmNotice {
            finding: long.clone(),
            thread_subject: long.clone(),
            title: long.clone(),
            evidence: vec![long.clone(); 200],
            figures: vec![(long.clone(), long.clone()); 200],
            response: vec![long.clone(); 200],
            caution: long.clone(),
            cause: long.clone(),
            consequence: long.clone(),
            chart: Some(Chart {
                lines: vec![ChartLine { label: long.clone(), ..chart().lines[0].clone() }; 200],
                ..chart()
            }),
            ..alarm(Step::Raise, Display::Metric)
        };
        let bytes = rendered(Notice::Alarm(Box::new(notice)), &site);
        assert!(bytes.len() < 100_000, "{what}: {} bytes", bytes.len());
        let longest = bytes.split(|b| *b == b'\n').map(<[u8]>::len).max().unwrap();
        assert!(longest <= 998, "{what}: a line of {longest}");
        let text = text_of(&bytes);
        assert!(text.contains("… (cut; the record has the rest)"), "{what}");
        assert!(text.contains("left out to keep this mail short"), "{what}");
        assert!(text.contains("hypocaust alarms acknowledge 17 --by Jana"), "{what}: what matters is still there");
        assert!(parsed(&bytes).subject().unwrap().chars().count() <= 60, "{what}");
    }
    // An ordinary long finding leaves everything in its place.
    let notice = AlarmNotice { finding: "hot ".repeat(100), ..alarm(Step::Raise, Display::Metric) };
    let bytes = rendered(Notice::Alarm(Box::new(notice)), &site);
    assert!(text_of(&bytes).contains(&"hot ".repeat(99)));
    assert_eq!(
        parsed(&bytes).attachment_count()
            + parsed(&bytes).parts.iter().filter(|p| p.is_content_type("image", "png")).count(),
        2
    );
}

#[test]
fn a_site_of_300_bins_fits_into_one_summary() {
    let site = site(Display::Metric);
    let mut bins: Vec<BinWeek> = (1..=300).map(|i| good_bin(&format!("hall-{}-{i:03}", i % 7))).collect();
    for i in [40, 299] {
        bins[i].standing = vec!["Temperature crash".into()];
        bins[i].alarms = vec![("Temperature crash".into(), 3)];
    }
    let bytes = rendered(Notice::Summary(Box::new(week(bins.clone()))), &site);
    assert!(bytes.len() < 100_000, "{} bytes", bytes.len());
    let text = text_of(&bytes);
    assert!(text.contains("2 things need you this week"), "{text}");
    for bin in &bins {
        assert!(text.contains(bin.bin.as_str()), "{} is named", bin.bin);
    }
    assert!(
        text.contains(&format!("{}: Temperature crash active", bins[299].bin)),
        "what needs the reader is never left out"
    );
}

#[test]
fn summaries_say_what_needs_the_reader_and_what_cannot_be_told() {
    let site = site(Display::Metric);
    let text = |notice: SummaryNotice| text_of(&rendered(Notice::Summary(Box::new(notice)), &site));
    let quiet =
        text(week(vec![good_bin("north-1"), BinWeek { batch: None, newest_core: None, ..good_bin("north-2") }]));
    assert!(quiet.lines().next().unwrap().contains("Nothing needs you this week."), "{quiet}");
    assert!(quiet.contains("71.9 h") && !quiet.contains("72.0"), "71.96 h is not 72: {quiet}");
    assert!(quiet.contains("does not claim compliance"), "{quiet}");
    assert!(quiet.contains("permit and local codes decide"), "{quiet}");
    let unknown =
        BinWeek { at_or_above: None, longest_run: None, coverage: None, newest_core: None, ..good_bin("north-1") };
    for (notice, want, why) in [
        (week(vec![unknown.clone()]), "north-1: no core reading at all", "an unknown bin needs somebody"),
        (
            week(vec![unknown.clone()]),
            "at or above 55.0 °C cannot tell; longest run cannot tell; coverage cannot tell",
            "None is not zero",
        ),
        (week(vec![BinWeek { off_air: true, ..unknown }]), "Nothing needs you this week.", "a batch off air is done"),
        (
            week(vec![BinWeek { coverage: Some(0.8999), ..good_bin("a") }]),
            "a: coverage only 89.9 %",
            "gaps need somebody",
        ),
        (
            week(vec![BinWeek { coverage: Some(0.9), ..good_bin("a") }]),
            "Nothing needs you this week.",
            "on the limit is enough",
        ),
        (
            week(vec![BinWeek { newest_core: Some((RAISED, 60.0)), ..good_bin("a") }]),
            "a: no core reading since Tue 10 Mar 07:00 +01:00",
            "an old reading is no reading",
        ),
        (
            week(vec![BinWeek { standing: vec!["Too hot".into()], ..good_bin("a") }]),
            "a: Too hot active",
            "standing alarms",
        ),
        (SummaryNotice { mails_given_up: 2, ..week(vec![]) }, "2 mails undeliverable", "mails that never came"),
        (SummaryNotice { refused: 3, ..week(vec![]) }, "3 messages were rejected", "refused payloads are counted"),
        (
            SummaryNotice { off: vec![(RAISED, RAISED + Span::minutes(61))], ..week(vec![]) },
            "hypocaust was off for 1 h 1 min at one stretch",
            "a gap too long to bridge",
        ),
        (
            SummaryNotice { off: vec![(RAISED, RAISED + Span::minutes(60))], ..week(vec![]) },
            "not monitored Tue 10 Mar 07:00 +01:00 to Tue 10 Mar 08:00 +01:00 (1 h)",
            "a short one is told, not put first",
        ),
    ] {
        let text = text(notice);
        assert!(text.contains(want), "{why}: no “{want}” in\n{text}");
    }
}

#[test]
fn us_sites_read_fahrenheit() {
    let site = site(Display::Us);
    for (kind, notice) in every_kind(Display::Us) {
        let bytes = rendered(notice, &site);
        let said = text_of(&bytes) + html_of(&bytes).as_str();
        // What changed is in the words of whoever found it.
        assert!(kind == "amendment" || !said.contains("°C"), "{kind}");
        if !["outage", "trial", "flood", "copy", "amendment"].contains(&kind) {
            assert!(said.contains("°F"), "{kind}");
        }
        assert!(said.contains("America/Chicago"), "{kind}");
    }
}

#[test]
fn the_same_notice_gives_the_same_bytes_and_only_the_date_knows_the_hour() {
    let site = site(Display::Metric);
    for (kind, notice) in every_kind(Display::Metric) {
        let mail = to("jana@people.example", notice);
        let at = |span| String::from_utf8(render(&mail, &site, mail.created_at + span).unwrap()).unwrap();
        assert_eq!(at(Span::ZERO), at(Span::ZERO), "{kind}");
        let (now, soon) = (at(Span::ZERO), at(Span::minutes(5)));
        let other: Vec<_> = now.lines().zip(soon.lines()).filter(|(a, b)| a != b).collect();
        assert_eq!(other.len(), 1, "{kind}: {other:?}");
        assert!(other[0].0.starts_with("Date: "), "{kind}");
        assert!(!text_of(soon.as_bytes()).contains("This mail is late"), "{kind}");
        let late = at(Span::hours(3));
        assert!(text_of(late.as_bytes()).contains("This mail is late: it was written "), "{kind}: a late mail says so");
    }
}

#[test]
fn outages_name_each_blower_with_what_is_known() {
    let site = site(Display::Metric);
    let text = text_of(&rendered(Notice::Outage(outage()), &site));
    for (want, why) in [
        ("off for 3 h 5 min, Tue 10 Mar 03:10 to Tue 10 Mar 06:15", "from when to when"),
        ("3 of 4 blowers are not proven to run since", "how many"),
        ("b1: ran Tue 10 Mar 06:16 +01:00", "proven"),
        ("Blower b2: check breaker and timer (its signal shows that it is stopped)", "not running"),
        ("Blower b3: check breaker and timer (there has been no signal since)", "silent"),
        ("Blower b4: check breaker and timer (it has no signal: somebody must look)", "unproven"),
        ("gases that kill", "gas"),
        ("start by themselves", "moving parts"),
    ] {
        assert!(text.contains(want), "{why}: no “{want}” in\n{text}");
    }
    let all_well = OutageNotice { blowers: vec![outage().blowers[0].clone()], ..outage() };
    let text = text_of(&rendered(Notice::Outage(all_well), &site));
    assert!(text.contains("Every blower has run since."), "{text}");
    assert!(!text.contains("check breaker"), "{text}");
    let none = OutageNotice { blowers: vec![], ..outage() };
    let text = text_of(&rendered(Notice::Outage(none), &site));
    assert!(text.contains("Check breaker and timer"), "{text}");
}

#[test]
fn an_unacknowledged_clear_still_asks() {
    let site = site(Display::Metric);
    let notice = AlarmNotice { acknowledged: None, ..alarm(Step::Clear, Display::Metric) };
    let text = text_of(&rendered(Notice::Alarm(Box::new(notice)), &site));
    assert!(
        text.contains("Nobody has acknowledged it.") && text.contains("stays in the list of `hypocaust alarms`"),
        "{text}"
    );
    let text = text_of(&rendered(Notice::Alarm(Box::new(alarm(Step::Clear, Display::Metric))), &site));
    assert!(text.contains("Jana acknowledged it Tue 10 Mar 07:22. Comment: “hose is running”"), "{text}");
    assert!(text.starts_with("north-2: temperature crash cleared Tue 10 Mar 11:50 after 7 h 10 min."), "{text}");
    assert!(!text.contains("alarms acknowledge"), "{text}");
}

#[test]
fn addresses_that_are_none_are_faults_with_a_remedy() {
    let mut broken = site(Display::Metric);
    broken.mail.from = "not an address".into();
    for (site, address, want) in [
        (broken, "jana@people.example", "sender"),
        (site(Display::Metric), "jana@", "recipient"),
        (site(Display::Metric), "a@b\r\nBcc: c@d", "recipient"),
    ] {
        let mail = to(address, trial());
        match render(&mail, &site, RAISED) {
            Err(fault @ RenderError::Address { field, .. }) => {
                assert_eq!(field, want);
                assert!(fault.to_string().contains("in the settings"), "{fault}");
            }
            other => panic!("{address:?}: {other:?}"),
        }
    }
}

#[test]
fn a_sender_may_bring_a_name() {
    let mut site = site(Display::Metric);
    site.mail.from = "Compost at night <night@hof.example>".into();
    let bytes = rendered(trial(), &site);
    let from = parsed(&bytes).from().unwrap().first().unwrap().clone();
    assert_eq!((from.name(), from.address()), (Some("Compost at night"), Some("night@hof.example")));
}

/// Lays the mails where a person can look at them, when asked to: `HYPOCAUST_MAILS=folder cargo test -p post`.
#[test]
fn mails_can_be_looked_at() {
    let folder = std::env::var_os("HYPOCAUST_MAILS");
    for (units, display) in [("metric", Display::Metric), ("us", Display::Us)] {
        for (kind, notice) in every_kind(display) {
            let bytes = rendered(notice, &site(display));
            let page = html_of(&bytes);
            assert!(page.ends_with("</html>\n"), "{kind}: the page is whole");
            let Some(folder) = folder.as_ref().map(std::path::PathBuf::from) else { continue };
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(folder.join(format!("{kind}-{units}.eml")), &bytes).unwrap();
            std::fs::write(folder.join(format!("{kind}-{units}.txt")), text_of(&bytes)).unwrap();
            let mail = parsed(&bytes);
            let picture = mail.parts.iter().find(|part| part.is_content_type("image", "png"));
            let mut page = page;
            if let Some(picture) = picture {
                let name = format!("{kind}-{units}-chart.png");
                std::fs::write(folder.join(&name), picture.contents()).unwrap();
                page = page.replace(&format!("cid:{}", picture.content_id().unwrap()), &name);
            }
            std::fs::write(folder.join(format!("{kind}-{units}.html")), page).unwrap();
        }
    }
}

#[test]
fn priority_and_deadline_are_one_line_that_never_contradicts_itself() {
    let site = site(Display::Metric);
    let line = |priority, time_to_respond: Span, late: Span| {
        let notice = AlarmNotice { priority, time_to_respond, ..alarm(Step::Raise, Display::Metric) };
        let mail = to("jana@people.example", Notice::Alarm(Box::new(notice)));
        let text = text_of(&render(&mail, &site, mail.created_at + late).unwrap());
        let lines: Vec<String> = text.lines().filter(|l| l.starts_with("Priority: ")).map(str::to_owned).collect();
        assert_eq!(lines.len(), 1, "{text}");
        for word in ["working hours", "given below", "Urgency"] {
            assert!(!text.contains(word), "{text}");
        }
        lines[0].clone()
    };
    for (priority, hours, late, want) in [
        (Priority::High, 1, 0, "Priority: high. Act now within 1 h, by Tue 10 Mar 08:00."),
        (Priority::Medium, 8, 0, "Priority: medium. Act within 8 h, by Tue 10 Mar 15:00."),
        (Priority::Low, 24, 0, "Priority: low. Act within 1 d, by Wed 11 Mar 07:00."),
        (Priority::Medium, 8, 180, "Priority: medium. Act: 5 h left, until Tue 10 Mar 15:00."),
        (Priority::Medium, 2, 180, "Priority: medium. The deadline was Tue 10 Mar 09:00: act now."),
        (Priority::Low, 0, 0, "Priority: low. Act."),
    ] {
        assert_eq!(line(priority, Span::hours(hours), Span::minutes(late)), want);
    }
}

#[test]
fn high_alarms_carry_the_headers_of_importance_and_nothing_else_does() {
    let site = site(Display::Metric);
    for (step, priority, want) in [
        (Step::Raise, Priority::High, true),
        (Step::Update, Priority::High, true),
        (Step::Reminder, Priority::High, true),
        (Step::Clear, Priority::High, false),
        (Step::Raise, Priority::Medium, false),
        (Step::Raise, Priority::Low, false),
    ] {
        let bytes = rendered(Notice::Alarm(Box::new(AlarmNotice { priority, ..alarm(step, Display::Metric) })), &site);
        assert_eq!(header(&bytes, "Importance").as_deref(), want.then_some("high"), "{step:?} {priority:?}");
        assert_eq!(header(&bytes, "Priority").as_deref(), want.then_some("urgent"), "{step:?} {priority:?}");
        for name in ["X-Priority", "X-MSMail-Priority"] {
            assert_eq!(header(&bytes, name), None);
        }
    }
}

#[test]
fn no_subject_is_longer_than_60_characters() {
    for display in [Display::Metric, Display::Us] {
        for (kind, notice) in every_kind(display) {
            let bytes = rendered(notice, &site(display));
            let subject = parsed(&bytes).subject().unwrap().to_owned();
            assert!(subject.chars().count() <= 60, "{kind}: {subject}");
        }
    }
    let mut notice = morning();
    let item = notice.standing[0].clone();
    notice.standing = (0..40).map(|_| item.clone()).collect();
    let bytes = rendered(Notice::RoundList(Box::new(notice)), &site(Display::Metric));
    let subject = parsed(&bytes).subject().unwrap().to_owned();
    assert!(subject.chars().count() <= 60 && subject.contains("39 more"), "{subject}");
}

#[test]
fn an_alarm_that_is_closed_without_clearing_says_its_true_reason() {
    let site = site(Display::Metric);
    let batch = BatchId(4);
    for (closing, want) in [
        (Some(Closing::RuleRemoved), "north-2: alarm closed because its rule was removed. It had not cleared"),
        (Some(Closing::RuleWorks), "north-2: alarm closed because the rule compiles again. There is nothing to do."),
        (Some(Closing::PersonRemoved), "alarm closed when the settings no longer name this person. Check who"),
        (
            Some(Closing::Stage { batch, stage: Stage::OffAir }),
            "north-2: alarm closed when batch 4 came off air. It had not cleared: check the bin.",
        ),
        (
            Some(Closing::Stage { batch, stage: Stage::Curing }),
            "north-2: alarm closed when batch 4 was moved to curing. It had not cleared: check the batch where it is now.",
        ),
        (Some(Closing::Left { batch: Some(batch) }), "alarm closed when batch 4 left the bin. It had not cleared"),
        (Some(Closing::NotJudged { batch }), "alarm closed because a date in the log of batch 4 could not be right."),
        (None, "north-2: alarm closed without clearing. Check it yourself."),
    ] {
        let notice = AlarmNotice { closing, ..alarm(Step::Retire, Display::Metric) };
        let text = text_of(&rendered(Notice::Alarm(Box::new(notice)), &site));
        assert!(text.contains(want), "{closing:?}: {text}");
        assert_eq!(text.contains("its rule was removed"), closing == Some(Closing::RuleRemoved), "{text}");
    }
}

#[test]
fn a_round_list_counts_no_good_news_and_gives_old_figures_their_age() {
    let site = site(Display::Metric);
    let mut notice = morning();
    notice.reminders.clear();
    notice.standing.truncate(1);
    notice.standing[0].asks = false;
    let text = text_of(&rendered(Notice::RoundList(Box::new(notice.clone())), &site));
    assert!(text.contains("nothing to do this morning") && text.contains("Good to know:"), "{text}");
    notice.standing[0].asks = true;
    notice.standing[0].found_at = Some(RAISED - Span::hours(6));
    let text = text_of(&rendered(Notice::RoundList(Box::new(notice)), &site));
    assert!(text.contains("1 thing to do this morning") && text.contains("(found Tue 10 Mar 01:00)"), "{text}");
    assert!(text.contains("58.2 °C (5 h old)"), "{text}");
}
