//! Results and weekly summaries over their life: what is asked for when, what becomes of the answers, who gets copies.
//!
//! Must never judge: answers are made up, as the daemon would bring them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::effect::Effect;
use engine::input::{Input, PreviousRun};
use engine::notice::{CopyNotice, Notice};
use engine::reports::{KeptReport, ReportWord};
use engine::restore::Restored;
use engine::results::KeptResults;
use pile::time::{Span, Timestamp};
use site::entry::{Amount, BatchId, EntryKind, Taken};
use site::ids::BinId;
use site::judge::{Outcome, Standing};
use site::zone::IsoWeek;
use yard::{SETTINGS, START, Yard, minutes, reply};

/// Speaks once the batch has held out.
const SAYS: &str = r#"
const RULE = #{
    title: "Held", watches_for: "A result.", cause: "c", consequence: "q", response: ["r"], time_to_respond: "1 h",
    severity: "major", every: "5 min", on_delay: "0 s", window: "1 d", evidence: "clock", stages: [], settings: #{},
};
fn judge(bin, set) {
    let result = bin.result("us503-pfrp-asp");
    if result.met { return alarm(`met ${result.met_ago} ago, ${result.counted} of ${result.needed}`); }
    if result.cannot_tell { return cannot_tell("not known"); }
    clear(`${result.result}, ${result.left} left`)
}
"#;

fn yard(more: &str) -> Yard {
    let settings = format!("{SETTINGS}criteria: [{{ id: us503-pfrp-asp }}]\n{more}");
    let settings = settings.replace(
        "  - { name: Ann, mail: \"ann@test.example\", gets: [alarms, summary] }\n",
        "  - { name: Ann, mail: \"ann@test.example\", gets: [alarms, summary] }\n  \
           - { name: Inspector, mail: \"inspector@county.example\", role: reader }\n",
    );
    let restored = Restored { life: 7, first_reading: Some(START - Span::days(30)), ..Restored::default() };
    let mut yard = Yard::described(&settings, &[("held", SAYS)], restored, START);
    yard.step(Input::Started { previous: None });
    yard
}

fn on_air() -> EntryKind {
    EntryKind::OnAir { loaded_at: None, filling: None }
}

fn asked(yard: &Yard) -> Vec<(String, u64, i64)> {
    let of = |e: &Effect| match e {
        Effect::Judge { bin, batch, until } => {
            Some((bin.to_string(), batch.0, until.since(START).as_millis() / 60_000))
        }
        _ => None,
    };
    yard.effects.iter().filter_map(of).collect()
}

fn standing(result: Outcome, counted: f64, met_at: Option<Timestamp>) -> Standing {
    Standing {
        criterion: "us503-pfrp-asp".into(),
        result,
        met_at,
        earliest_at: None,
        hours_counted: counted,
        hours_needed: 72.0,
        coverage_fraction: Some(1.0),
    }
}

fn judged(yard: &mut Yard, standing: Standing) {
    let input =
        Input::Judged { bin: BinId::new("b1").unwrap(), batch: BatchId(1), at: yard.now, standings: vec![standing] };
    yard.step(input);
}

fn kept(yard: &Yard) -> Vec<&KeptResults> {
    let results = yard.effects.iter().map(|e| match e {
        Effect::Results(kept) => Some(&**kept),
        _ => None,
    });
    results.flatten().collect()
}

fn copies(yard: &Yard) -> Vec<(&str, &CopyNotice)> {
    let of = |mail: &'_ &engine::effect::Mail| matches!(mail.notice, Notice::Copy(_));
    let mails = yard.mails().into_iter().filter(of);
    mails.filter_map(|m| if let Notice::Copy(c) = &m.notice { Some((m.to.as_str(), &**c)) } else { None }).collect()
}

#[test]
fn batches_on_air_are_judged_every_six_hours_and_when_something_is_written() {
    let mut yard = yard("");
    assert_eq!(asked(&yard), [], "no batch, nothing to judge");
    yard.enter("b1", on_air()).unwrap();
    yard.wait(Span::hours(13));
    let times: Vec<i64> = asked(&yard).into_iter().map(|(.., at)| at).collect();
    assert_eq!(times.len(), 2, "twice in thirteen hours: {times:?}");
    assert_eq!(times[1] - times[0], 360);
    let load = EntryKind::Loaded {
        source: "Canteen".into(),
        material: "food waste".into(),
        amount: Amount::Mass(pile::units::Kilograms(400.0)),
        taken: Taken::In,
    };
    yard.enter("b1", EntryKind::Turned).unwrap();
    assert_eq!(asked(&yard).len(), 2, "a turning waits for the next time");
    yard.enter("b1", load).unwrap();
    assert_eq!(asked(&yard).last(), Some(&("b1".to_owned(), 1, 13 * 60)), "raw material changes the result at once");
}

#[test]
fn rules_hear_of_results_and_changes_are_kept() {
    let mut yard = yard("");
    yard.enter("b1", on_air()).unwrap();
    yard.wait(minutes(6));
    let faults: Vec<&str> = yard.alarm_mails().iter().map(|m| m.finding.as_str()).collect();
    assert!(faults.is_empty(), "{faults:#?}");
    let held = |yard: &Yard| {
        let mails = yard.alarm_mails().into_iter().filter(|m| m.rule == "held");
        mails.map(|m| m.finding.clone()).collect::<Vec<_>>()
    };
    assert_eq!(held(&yard), Vec::<String>::new(), "nothing is known of results yet");
    judged(&mut yard, standing(Outcome::Running, 10.0, None));
    judged(&mut yard, standing(Outcome::Running, 16.0, None));
    judged(&mut yard, standing(Outcome::Running, 16.0, None));
    let met_at = yard.now;
    judged(&mut yard, standing(Outcome::Met, 72.0, Some(met_at)));
    let changes: Vec<_> = kept(&yard).iter().map(|k| (k.changed.clone(), k.standings[0].hours_counted)).collect();
    let changed = |before| vec![("us503-pfrp-asp".to_owned(), before)];
    assert_eq!(
        changes,
        [(changed(None), 10.0), (vec![], 16.0), (changed(Some(Outcome::Running)), 72.0)],
        "each is kept, and what is the same again is not"
    );
    yard.wait(minutes(6));
    let findings = held(&yard);
    let [finding] = &findings[..] else { panic!("{findings:?}") };
    assert!(finding.starts_with("met ") && finding.ends_with(" min ago, 3 d of 3 d"), "{finding}");
}

#[test]
fn an_answer_that_comes_after_the_batch_has_gone_changes_nothing() {
    let mut yard = yard("");
    judged(&mut yard, standing(Outcome::Met, 72.0, None));
    assert_eq!(kept(&yard).len(), 0);
}

#[test]
fn a_restart_knows_the_results() {
    let mut first = yard("");
    first.enter("b1", on_air()).unwrap();
    let met_at = first.now;
    judged(&mut first, standing(Outcome::Met, 72.0, Some(met_at)));
    let batch = first.effects.iter().find_map(|e| if let Effect::Batch(b) = e { Some(b.clone()) } else { None });
    let results = kept(&first).into_iter().cloned().collect();
    let restored = Restored { life: 7, batches: vec![batch.unwrap()], last_batch: 1, results, ..Restored::default() };
    let settings = format!("{SETTINGS}criteria: [{{ id: us503-pfrp-asp }}]\n");
    let mut second = Yard::described(&settings, &[("held", SAYS)], restored, first.now + minutes(1));
    second.step(Input::Started { previous: Some(PreviousRun { last_alive: first.now, stopped_cleanly: true }) });
    assert_eq!(asked(&second).len(), 1, "it has the batch judged anew");
    second.wait(minutes(6));
    assert_eq!(second.alarm_mails().len(), 1, "and knows meanwhile what was known");
}

const WEEK: IsoWeek = IsoWeek { year: 2026, week: 10 };

fn reviewed(yard: &mut Yard, week: IsoWeek, by: &str) -> Result<String, String> {
    let effects = yard.step(Input::Report { week, word: ReportWord::Reviewed { by: by.into() } });
    reply(&effects)
}

#[test]
fn people_outside_get_their_copy_after_a_review_and_only_once() {
    let mut yard = yard("");
    yard.wait(minutes(61));
    let [draft] = yard.summaries()[..] else { panic!("one draft") };
    assert_eq!((draft.week, draft.copies_wait_for.clone()), (WEEK, vec!["Inspector".to_owned()]));
    yard.wait(Span::days(3));
    assert_eq!(copies(&yard).len(), 0, "nobody has reviewed it");
    for (week, by, want) in [
        (
            IsoWeek { year: 2026, week: 9 },
            "Ann",
            "there is no summary of week 2026-W09 to be reviewed; there are 2026-W10",
        ),
        (WEEK, "Zoe", "there is no `Zoe` under `people` in test.yaml; there is Ann, Inspector"),
    ] {
        let said = reviewed(&mut yard, week, by).unwrap_err();
        assert!(said.starts_with(want), "{said}");
    }
    assert_eq!(
        reviewed(&mut yard, WEEK, "Ann").unwrap(),
        "the summary of week 2026-W10 is reviewed; 1 copy is on its way"
    );
    let sent = copies(&yard);
    assert_eq!(sent.len(), 1);
    assert_eq!((sent[0].0, sent[0].1.amended), ("inspector@county.example", 0));
    assert_eq!(sent[0].1.reviewed.as_ref().map(|(by, _)| by.as_str()), Some("Ann"));
    let again = reviewed(&mut yard, WEEK, "Ann").unwrap_err();
    assert!(again.starts_with("the summary of week 2026-W10 was reviewed by Ann at"), "{again}");
}

#[test]
fn without_a_review_copies_go_at_the_set_time_and_say_so() {
    let mut yard = yard("reports: { outside_copies: { weekday: friday, time: \"12:00\" } }\n");
    yard.wait(Span::days(4) + Span::hours(5));
    assert_eq!(copies(&yard).len(), 0, "it is Friday, 11:00");
    yard.wait(Span::hours(2));
    let sent = copies(&yard);
    assert_eq!(
        sent.iter().map(|(to, copy)| (*to, copy.reviewed.is_none())).collect::<Vec<_>>(),
        [("inspector@county.example", true)]
    );
    assert!(reviewed(&mut yard, WEEK, "Ann").is_ok(), "a review may still come");
    assert_eq!(copies(&yard).len(), 1, "and nobody gets it twice");
}

#[test]
fn an_amendment_reaches_everyone_who_had_the_first() {
    let amend = |yard: &mut Yard| {
        let changes = vec!["bin b1: 12 readings came in later".to_owned()];
        yard.step(Input::Report { week: WEEK, word: ReportWord::Amended { changes } });
    };
    for (review, want, why) in [
        (false, vec!["ann@test.example"], "the copy outside was not sent yet"),
        (true, vec!["ann@test.example", "inspector@county.example"], "both had the first"),
    ] {
        let mut yard = yard("");
        yard.wait(minutes(61));
        if review {
            reviewed(&mut yard, WEEK, "Ann").unwrap();
        }
        amend(&mut yard);
        let amended: Vec<&str> = copies(&yard).iter().filter(|(_, c)| c.amended == 1).map(|(to, _)| *to).collect();
        assert_eq!(amended, want, "{why}");
        amend(&mut yard);
        assert_eq!(copies(&yard).last().unwrap().1.amended, 2, "each has its number");
    }
}

#[test]
fn copies_that_were_due_while_nobody_watched_go_at_once() {
    let at = START + Span::hours(1);
    let report = KeptReport { week: WEEK, at, amended: 0, reviewed: None, outside_at: None };
    let settings = format!("{SETTINGS}reports: {{ outside_copies: {{ weekday: friday, time: \"12:00\" }} }}\n")
        .replace("gets: [alarms, summary]", "gets: [reviewed]");
    let restored = Restored { life: 7, reports: vec![report], ..Restored::default() };
    let mut yard = Yard::described(&settings, &[("held", SAYS)], restored, START + Span::days(5));
    let previous = Some(PreviousRun { last_alive: START + Span::days(2), stopped_cleanly: true });
    yard.step(Input::Started { previous });
    yard.wait(minutes(2));
    assert_eq!(copies(&yard).len(), 1);
}
