//! What the engine does with readings, silence, people and time.

mod yard;

use engine::alarm::{AlarmEventKind, AlarmState};
use engine::effect::{Effect, MailState};
use engine::input::{Input, LinkState, MailOutcome, PreviousRun};
use engine::notice::{BackOnAir, Notice, Step};
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use pile::window::{Point, Window};
use site::entry::EntryKind;
use site::reading::{Quality, TimeSource};
use yard::{HOT, SETTINGS, START, Yard, minutes, reading, reply};

fn steps(yard: &Yard) -> Vec<Step> {
    yard.alarm_mails().iter().map(|a| a.step).collect()
}

#[test]
fn a_hot_core_is_mailed_once_and_its_end_in_the_same_thread() {
    let mut yard = Yard::new();
    yard.cores(&[64.0, 66.0, 66.5, 67.0, 67.0, 67.0, 63.0, 59.0, 58.0, 57.0, 57.0, 57.0, 57.0]);
    assert_eq!(steps(&yard), [Step::Raise, Step::Clear]);
    let mails = yard.alarm_mails();
    assert_eq!((mails[0].alarm, mails[0].occurrence, mails[0].number), (mails[1].alarm, 1, 0));
    assert_eq!(mails[1].number, 1, "the clear is the second mail of the occurrence");
    assert_eq!(mails[0].thread_subject, mails[1].thread_subject);
    assert_eq!(mails[0].thread_subject, "b1: hot core: core 67.0 °C above 65.0 °C [test-yard]");
    assert_eq!(mails[0].onset, START + minutes(5), "the onset is the first reading over the limit, not the raise");
    assert!(mails[0].chart.is_some(), "the raise has a picture");
}

#[test]
fn silence_bad_values_and_late_readings_never_raise_or_clear() {
    let hot = [64.0, 66.0, 66.5, 67.0, 67.0];
    for (what, after, why) in [
        ("nothing", 0, "silence proves nothing"),
        ("bad", 1, "−127 is a fault code"),
        ("late", 2, "a reading of two hours ago says nothing of now"),
    ] {
        let mut yard = Yard::new();
        yard.cores(&hot);
        assert_eq!(steps(&yard), [Step::Raise], "{what}");
        for i in 0..24 {
            match after {
                1 => yard.core(-127.0),
                2 => {
                    let at = yard.now - Span::hours(2) + minutes(i);
                    let late = reading("b1-core", at, yard.now, 40.0);
                    yard.step(Input::Readings(vec![late]));
                    yard.wait(minutes(5));
                }
                _ => yard.wait(minutes(5)),
            }
        }
        let steps: Vec<Step> = steps(&yard).into_iter().filter(|step| *step != Step::Reminder).collect();
        assert_eq!(steps, [Step::Raise], "{what}: {why}");
    }
}

#[test]
fn an_outage_delivered_late_turns_no_alarm() {
    let mut yard = Yard::new();
    yard.cores(&[50.0; 4]);
    yard.wait(Span::hours(3));
    // The gateway is back and delivers the outage, oldest first: an hour above the limit lies inside it.
    let now = yard.now;
    let burst = (0..30).map(|i| reading("b1-core", now - Span::hours(2) + minutes(2 * i), now, 70.0)).collect();
    let stored = yard.step(Input::Readings(burst));
    assert_eq!(stored.iter().filter(|e| matches!(e, Effect::Store { .. })).count(), 30, "history keeps them all");
    yard.wait(Span::hours(1));
    assert_eq!(steps(&yard), []);
}

#[test]
fn readings_are_doubted_for_a_reason_and_kept() {
    let untimed = |value: f64, at: Timestamp| {
        let mut r = reading("b1-core", at, at, value);
        r.time_source = TimeSource::Intake;
        r
    };
    let qualities = |yard: &mut Yard, values: &[f64]| -> Vec<Option<Quality>> {
        values
            .iter()
            .map(|v| {
                yard.now = yard.now + minutes(5);
                let r = untimed(*v, yard.now);
                yard.step(Input::Readings(vec![r])).iter().find_map(|e| match e {
                    Effect::Store { quality, .. } => Some(*quality),
                    _ => None,
                })
            })
            .collect()
    };
    use Quality::{Bad, Good, Suspect};
    for (values, want, why) in [
        (
            &[61.2, 85.0, 61.3][..],
            vec![Some(Good), Some(Suspect), Some(Good)],
            "85.0 far from the last good value is the power-on value",
        ),
        (&[84.8, 85.0], vec![Some(Good), Some(Good)], "85.0 that was approached is real"),
        (&[85.0], vec![Some(Suspect)], "85.0 as the very first value is not believed"),
        (&[61.0, -127.0, 127.9375], vec![Some(Good), Some(Bad), Some(Bad)], "codes for no answer"),
        (&[412.0, -20.0, 120.0, 120.1], vec![Some(Bad), Some(Good), Some(Good), Some(Bad)], "the range, ends included"),
    ] {
        let mut yard = Yard::new();
        assert_eq!(qualities(&mut yard, values), want, "{why}");
    }
    let mut yard = Yard::new();
    let effects = yard.step(Input::Readings(vec![reading("b1-core", START, START, 412.0)]));
    let said = effects.iter().find_map(|e| match e {
        Effect::Store { reason, .. } => Some(reason.clone()),
        _ => None,
    });
    assert_eq!(
        said.unwrap(),
        "bin b1, probe b1-core: 412 °C is outside the -20 to 120 °C this probe can measure; check its cable, or widen `range_celsius` \
         for it (test.yaml:10)"
    );
}

#[test]
fn a_payload_without_time_that_comes_twice_is_one_reading() {
    let mut yard = Yard::new();
    let mut stored = 0;
    for (at, value) in [(0, 61.0), (400, 61.0), (60_000, 61.0), (60_900, 61.5)] {
        yard.now = START + Span::millis(at);
        let mut r = reading("b1-core", yard.now, yard.now, value);
        r.time_source = TimeSource::Intake;
        stored += yard.step(Input::Readings(vec![r])).iter().filter(|e| matches!(e, Effect::Store { .. })).count();
    }
    assert_eq!(stored, 3, "only the copy within two seconds is dropped");
}

#[test]
fn acknowledging_moves_the_alarm_as_the_standard_says() {
    // (readings before, want state before; reply is ok; want state after)
    let hot: &[f64] = &[64.0, 66.0, 66.5, 67.0, 67.0];
    let over: &[f64] = &[64.0, 66.0, 66.5, 67.0, 67.0, 59.0, 58.0, 57.0, 57.0, 57.0, 57.0];
    for (readings, before, ok, after, row) in [
        (hot, AlarmState::Unacknowledged, true, AlarmState::Acknowledged, "T009: B + ACK = C"),
        (over, AlarmState::ReturnedUnacknowledged, true, AlarmState::Normal, "T018: D + ACK = A"),
    ] {
        let mut yard = Yard::new();
        yard.cores(readings);
        let alarm = yard.engine.alarms().next().unwrap();
        assert_eq!(alarm.life.state, before, "{row}");
        let id = alarm.id;
        let ack = |id| yard::acknowledge(id, "looking");
        assert_eq!(reply(&yard.step(ack(id))).is_ok(), ok, "{row}");
        assert_eq!(yard.engine.alarms().next().unwrap().life.state, after, "{row}");
        if after == AlarmState::Normal {
            assert!(reply(&yard.step(ack(id))).is_err(), "T004: A + ACK is rejected");
        } else {
            assert!(reply(&yard.step(ack(id))).is_ok(), "T014: C + ACK is kept as a comment");
            yard.cores(&[59.0, 58.0, 57.0, 57.0, 57.0, 57.0]);
            assert_eq!(yard.engine.alarms().next().unwrap().life.state, AlarmState::Normal, "T013: C + CLEAR = A");
        }
    }
    let mut yard = Yard::new();
    let nobody = yard::acknowledge(engine::alarm::AlarmId(99), "");
    assert_eq!(reply(&yard.step(nobody)), Err("there is no alarm 99; `hypocaust alarms` lists them".into()));
}

#[test]
fn a_second_raise_is_a_new_occurrence_with_its_own_thread() {
    let mut yard = Yard::new();
    let hot = [64.0, 66.0, 66.5, 67.0];
    let cool = [59.0, 58.0, 57.0, 57.0, 57.0, 57.0];
    yard.cores(&hot);
    yard.cores(&cool);
    yard.cores(&hot);
    let occurrences: Vec<_> = yard.alarm_mails().iter().map(|a| (a.step, a.occurrence, a.number)).collect();
    assert_eq!(occurrences, [(Step::Raise, 1, 0), (Step::Clear, 1, 1), (Step::Raise, 2, 0)]);
}

/// What the store would give back after these effects.
fn remembered(effects: &[Effect], upto: Timestamp) -> Restored {
    let mut restored = Restored { life: 7, ..Restored::default() };
    for effect in effects {
        match effect {
            Effect::Alarm { alarm, event } => {
                restored.alarms.retain(|a| a.id != alarm.id);
                restored.alarms.push((**alarm).clone());
                restored.alarms.sort_by_key(|a| a.id);
                if let Some(event) = event
                    && matches!(event.kind, AlarmEventKind::Raised | AlarmEventKind::Acknowledged)
                {
                    restored.events.push((**event).clone());
                }
            }
            Effect::Store { reading, quality: Quality::Good, .. } => {
                let point = Point { at: reading.measured_at, value: reading.value };
                let windows = &mut restored.windows;
                let place = windows.iter().position(|(id, _)| *id == reading.series).unwrap_or(windows.len());
                if place == windows.len() {
                    windows.push((reading.series.clone(), Window::new(Span::days(3))));
                }
                windows[place].1.absorb(point);
            }
            Effect::Batch(batch) => {
                restored.batches.retain(|b| b.bin != batch.bin);
                restored.batches.push(batch.clone());
            }
            Effect::Entry(entry) => restored.entries.push(entry.clone()),
            Effect::Mail(mail) => {
                restored.last_mail = mail.id.0;
                restored.waiting.push((**mail).clone());
            }
            Effect::MailState { mail, state } => {
                restored.waiting.retain(|m| m.id != *mail || matches!(state, MailState::Waiting { .. }));
            }
            Effect::SummaryDone(week) => restored.last_summary = Some(*week),
            _ => {}
        }
    }
    restored.previous = Some(PreviousRun { last_alive: upto, stopped_cleanly: true });
    restored
}

#[test]
fn a_restart_at_any_moment_changes_neither_alarms_nor_mails() {
    let series = [64.0, 66.0, 66.5, 67.0, 67.0, 67.0, 63.0, 59.0, 58.0, 57.0, 57.0, 57.0, 57.0, 66.0, 66.0, 66.0, 66.0];
    let mut whole = Yard::new();
    whole.cores(&series);
    let told = |yard: &Yard| -> Vec<(Step, u32, u32, Timestamp)> {
        yard.alarm_mails().iter().map(|a| (a.step, a.occurrence, a.number, a.at)).collect()
    };
    for cut in 1..series.len() {
        let mut first = Yard::new();
        first.cores(&series[..cut]);
        let restored = remembered(&first.effects, first.now);
        let previous = restored.previous;
        let mut second = Yard::restored(&[("hot-core", HOT)], restored, first.now);
        second.effects = first.effects;
        second.step(Input::Started { previous });
        second.cores(&series[cut..]);
        assert_eq!(told(&second), told(&whole), "restarted after reading {cut}");
    }
}

#[test]
fn a_removed_rule_retires_its_alarm_and_an_edited_one_keeps_it() {
    let mut first = Yard::new();
    first.cores(&[64.0, 66.0, 66.5, 67.0, 67.0]);
    let edited = HOT.replace("Give it more air.", "Give it a little more air.");
    let other = HOT.replace("Hot core", "Other");
    for (name, text, want, why) in [
        (
            "hot-core",
            edited.as_str(),
            vec![Step::Raise],
            "an edited rule leaves a standing alarm until it proves clear",
        ),
        ("other", other.as_str(), vec![Step::Raise, Step::Retire], "a removed rule's alarm is retired"),
    ] {
        let restored = remembered(&first.effects, first.now);
        let previous = restored.previous;
        let mut second = Yard::restored(&[(name, text)], restored, first.now);
        second.effects.clone_from(&first.effects);
        second.step(Input::Started { previous });
        assert_eq!(steps(&second), want, "{why}");
    }
}

#[test]
fn a_rule_that_loops_is_told_of_with_its_place_and_the_others_run_on() {
    let looping = HOT.replace("let core = bin.core.last();", "loop { let x = 1; }\n    let core = bin.core.last();");
    let mut yard = Yard::with_rules(&[("hot-core", HOT), ("looping", &looping)]);
    yard.cores(&[64.0, 66.0, 66.5, 67.0, 67.0]);
    let told: Vec<_> = yard.alarm_mails().iter().map(|a| (a.rule.as_str(), a.finding.clone())).collect();
    assert_eq!(told.len(), 2, "{told:?}");
    assert_eq!(told[0].0, "broken-rule");
    assert!(told[0].1.starts_with("rules/looping.rhai:9:"), "the place is named: {}", told[0].1);
    assert_eq!(told[1].0, "hot-core", "the other rule is judged all the same");
}

#[test]
fn a_rule_that_does_not_compile_raises_an_alarm_about_itself() {
    let yard = Yard::with_rules(&[("hot-core", HOT), ("torn", "const RULE = #{")]);
    let told: Vec<_> = yard.alarm_mails().iter().map(|a| (a.rule.as_str(), a.subject.as_str().to_owned())).collect();
    assert_eq!(told, [("broken-rule", "torn".to_owned())]);
}

#[test]
fn batches_begin_and_end_by_entries_that_are_answered() {
    let mut yard = Yard::new();
    let on_air = EntryKind::OnAir { loaded_at: Some(Celsius(12.0)), filling: None };
    for (bin, kind, ok, why) in [
        ("b9", on_air.clone(), false, "an unknown bin"),
        ("b1", EntryKind::OffAir, false, "nothing is on air"),
        ("b1", on_air.clone(), true, "the first batch"),
        ("b1", on_air.clone(), false, "a second one on top of it"),
        ("b1", EntryKind::OffAir, true, "it comes off"),
        ("b1", on_air, true, "the next one"),
    ] {
        let said = yard.enter(bin, kind);
        assert_eq!(said.is_ok(), ok, "{why}: {said:?}");
        yard.wait(minutes(1));
    }
}

#[test]
fn the_summary_goes_out_once_on_monday_morning_with_the_accounts_of_the_batch() {
    let mut yard = Yard::new();
    yard.enter("b1", EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
    // Recalls are answered from an empty history: the batch has just begun.
    for _ in 0..(4 * 24 * 12) {
        yard.core(58.0);
    }
    yard.wait(Span::days(10) + Span::hours(2));
    let summaries = yard.summaries();
    let weeks: Vec<_> = summaries.iter().map(|s| (s.week.year, s.week.week)).collect();
    assert_eq!(weeks, [(2026, 10), (2026, 11), (2026, 12)], "the first Monday is the day it was started");
    let bin = &summaries[1].bins[0];
    assert_eq!(bin.bin.as_str(), "b1");
    // 1152 readings five minutes apart span 1151 steps.
    assert_eq!(bin.at_or_above, Some(minutes(1151 * 5)));
    assert_eq!(bin.longest_run, Some(minutes(1151 * 5)));
    let coverage = bin.coverage.unwrap();
    assert!(coverage > 0.56 && coverage < 0.58, "four of seven days: {coverage}");
    assert_eq!(summaries[1].bins[1].batch, None, "an empty bin says so");
    assert_eq!(summaries[1].bins[1].longest_run, None, "and has no figures");
}

#[test]
fn a_summary_that_fell_due_while_the_daemon_was_off_goes_out_at_the_start() {
    let due = START + Span::hours(1);
    for (last_alive, last_summary, want, why) in [
        (START - Span::hours(2), None, 1, "off over the due time"),
        (due - minutes(1), None, 1, "off for a moment, the due time in it"),
        (START - Span::hours(2), Some(site::zone::IsoWeek { year: 2026, week: 10 }), 0, "it was sent before the stop"),
        (due + minutes(1), None, 0, "it was up when it was due"),
    ] {
        let previous = Some(PreviousRun { last_alive, stopped_cleanly: true });
        let first_reading = Some(START - Span::days(30));
        let restored = Restored { life: 7, previous, last_summary, first_reading, ..Restored::default() };
        let back = if last_alive == due - minutes(1) { minutes(29) } else { Span::hours(3) };
        let mut yard = Yard::restored(&[("hot-core", HOT)], restored, due + back);
        yard.step(Input::Started { previous });
        yard.wait(minutes(2));
        assert_eq!(yard.summaries().len(), want, "{why}");
    }
}

#[test]
fn after_a_stop_of_any_length_one_summary_and_one_round_list_are_made_up_for_and_the_next_ones_come_in_time() {
    for (off, why) in [
        (Span::days(2), "back on Wednesday"),
        (Span::days(6), "on Sunday"),
        (Span::days(31), "a month later"),
        (Span::days(366), "a year later"),
    ] {
        for restart in [true, false] {
            let first_reading = Some(START - Span::days(30));
            let mut yard = Yard::restored(
                &[("hot-core", HOT)],
                Restored { life: 7, first_reading, ..Restored::default() },
                START - Span::hours(2),
            );
            yard.step(Input::Started { previous: None });
            let last_alive = yard.now;
            yard.now = START + off;
            let previous = Some(PreviousRun { last_alive, stopped_cleanly: true });
            let effects = if restart {
                yard = Yard::restored(
                    &[("hot-core", HOT)],
                    Restored { life: 7, first_reading, previous, ..Restored::default() },
                    yard.now,
                );
                yard.step(Input::Started { previous })
            } else {
                yard.step(Input::Wake)
            };
            yard.wait(minutes(2));
            let weeks = |yard: &Yard| yard.summaries().iter().map(|s| s.to).collect::<Vec<_>>();
            assert_eq!(weeks(&yard).len(), 1, "{why}, restart: {restart}");
            assert_eq!(yard.round_lists().len(), 0, "nobody of this yard gets one");
            let lists = yard.effects.iter().filter(|e| matches!(e, Effect::RoundListDone(_))).count();
            assert!(lists <= 1, "{why}: {lists} round lists");
            assert!(effects.len() < 60, "{why}: {} effects at once", effects.len());
            let age = yard.now.since(weeks(&yard)[0]);
            assert!(age <= Span::days(7), "{why}: the newest week, not one that is {age} old");
            yard.wait(Span::days(7));
            let both = weeks(&yard);
            assert_eq!(both.len(), 2, "{why}: the next one comes in its time");
            assert_eq!(both[1].since(both[0]), Span::days(7), "{why}: no week is left out or told twice");
        }
    }
}

#[test]
fn weeks_before_the_first_reading_have_no_summary() {
    let mut yard = Yard::new();
    yard.wait(Span::days(8));
    assert_eq!(yard.summaries().len(), 0, "nothing was ever measured");
    // A machine that began without its time finds it: half a century at once.
    yard.now = yard.now + Span::days(56 * 365);
    yard.step(Input::Wake);
    yard.wait(Span::days(8));
    assert_eq!(yard.summaries().len(), 0);
    yard.cores(&[50.0; 12]);
    yard.wait(Span::days(7));
    assert_eq!(yard.summaries().len(), 1);
}

#[test]
fn mails_are_tried_again_in_growing_steps_and_then_given_up() {
    let mut yard = Yard::new();
    yard.cores(&[64.0, 66.0, 66.5, 67.0]);
    let mail = yard.mails()[0].id;
    let mut tries = Vec::new();
    let end = yard.now + Span::hours(30);
    let deliver = Effect::Deliver(mail);
    let raised = yard.mails()[0].created_at;
    assert!(yard.effects.contains(&deliver), "a new mail is tried at once");
    let defer = || Input::Mail { mail, outcome: MailOutcome::Deferred { reply: "451 later".into() } };
    yard.step(defer());
    while yard.now < end {
        yard.now = yard.now + minutes(1);
        if yard.step(Input::Wake).contains(&deliver) {
            tries.push(yard.now.since(raised).as_minutes());
            yard.step(defer());
        }
    }
    let gaps: Vec<f64> = tries.windows(2).map(|w| w[1] - w[0]).collect();
    assert_eq!(&gaps[..5], [2.0, 5.0, 10.0, 20.0, 30.0]);
    assert!(gaps[5..].iter().all(|g| (*g - 60.0).abs() <= 1.0), "{gaps:?}");
    let given_up = yard.effects.iter().any(|e| matches!(e, Effect::MailState { state: MailState::GivenUp { .. }, .. }));
    assert!(given_up, "after a day an alarm mail is given up, and kept as such");
    let warned = yard.effects.iter().filter(|e| matches!(e, Effect::Say { .. })).count();
    assert_eq!(warned, 2, "one line when mail stops leaving, one when it is given up");
}

#[test]
fn an_outage_is_told_once_with_what_is_known_of_each_blower() {
    for (cleanly, gap, want, why) in [
        (false, Span::hours(5), 1, "a power cut"),
        (true, Span::hours(5), 0, "a stop that was asked for"),
        (false, minutes(2), 0, "a crash and a quick restart"),
    ] {
        let previous = Some(PreviousRun { last_alive: START - gap, stopped_cleanly: cleanly });
        let restored = Restored { life: 7, previous, ..Restored::default() };
        let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
        yard.step(Input::Started { previous });
        yard.wait(Span::hours(2));
        let told: Vec<_> = yard
            .mails()
            .into_iter()
            .filter_map(|m| match &m.notice {
                Notice::Outage(o) => Some(o.clone()),
                _ => None,
            })
            .collect();
        assert_eq!(told.len(), want, "{why}");
        if let Some(outage) = told.first() {
            assert_eq!((outage.from, outage.to), (START - gap, START));
            assert_eq!(outage.blowers[0].1, BackOnAir::Silent, "no signal came from the blower");
        }
    }
}

#[test]
fn a_steady_stream_of_refused_payloads_raises_one_alarm_and_its_end_clears_it() {
    let mut yard = Yard::new();
    for _ in 0..60 {
        let refusal = site::reading::Refusal {
            received_at: yard.now,
            topic: "t/b1-core".into(),
            payload_head: "{\"v\":".into(),
            payload_bytes: 5,
            reason: "the JSON ends too early".into(),
        };
        yard.step(Input::Refused(refusal));
        yard.wait(minutes(1));
    }
    assert_eq!(steps(&yard), [Step::Raise]);
    yard.wait(Span::hours(2));
    assert_eq!(steps(&yard), [Step::Raise, Step::Clear]);
}

#[test]
fn the_horn_sounds_for_a_high_alarm_until_somebody_acknowledges() {
    let mut yard = Yard::new();
    yard.cores(&[64.0, 66.0, 66.5, 67.0]);
    let id = yard.engine.alarms().next().unwrap().id;
    yard.step(yard::acknowledge(id, ""));
    let horn: Vec<_> = yard
        .effects
        .iter()
        .filter_map(|e| match e {
            Effect::Publish { topic, payload, .. } if topic == "t-horn" => Some(payload.as_str()),
            _ => None,
        })
        .collect();
    assert_eq!(horn, ["OFF", "ON", "OFF"]);
}

#[test]
fn a_jump_of_the_clock_restarts_delays_and_mails_nothing_by_itself() {
    let mut yard = Yard::new();
    yard.cores(&[64.0, 66.0]);
    yard.now = yard.now + Span::days(3);
    yard.step(Input::Wake);
    assert_eq!(steps(&yard), []);
    yard.cores(&[66.0, 66.0, 66.0, 66.0]);
    assert_eq!(steps(&yard), [Step::Raise]);
    let onset = yard.alarm_mails()[0].onset;
    assert!(onset >= START + Span::days(3), "the proof began again after the jump");
}

#[test]
fn after_a_jump_an_alarm_reminds_once_and_not_for_every_time_that_was_left_out() {
    let mut yard = Yard::new();
    yard.cores(&[66.0, 66.0, 66.0, 66.0]);
    assert_eq!(steps(&yard), [Step::Raise]);
    yard.now = yard.now + Span::days(30);
    yard.step(Input::Wake);
    yard.wait(minutes(2));
    assert_eq!(steps(&yard), [Step::Raise, Step::Reminder]);
}

#[test]
fn a_second_start_goes_on_as_one_daemon_and_not_as_two() {
    let mut yard = Yard::new();
    yard.enter("b1", EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
    yard.cores(&[50.0; 12]);
    // Off for half an hour, which is no jump of the clock.
    let last_alive = yard.now;
    yard.now = last_alive + minutes(30) + Span::seconds(20);
    yard.step(Input::Started { previous: Some(PreviousRun { last_alive, stopped_cleanly: true }) });
    let before = yard.effects.len();
    yard.cores(&[50.0; 24]);
    let after = &yard.effects[before..];
    let said = after
        .iter()
        .filter(|e| matches!(e, Effect::Publish { topic, .. } if topic == "hypocaust/test-yard/status"))
        .count();
    assert_eq!(said, 24, "one status every five minutes of two hours, not two");
    let cells = after.iter().filter(|e| matches!(e, Effect::Water(_))).count();
    assert!(cells >= 10, "the water account goes on: {cells} cells in two hours");
}

#[test]
fn a_broker_that_is_gone_is_told_after_the_time_that_the_site_chose() {
    let embedded = "broker: { embedded: { listen: \"127.0.0.1:0\" } }";
    assert!(SETTINGS.contains(embedded));
    let link = |state| Input::Link { state };
    for (minutes_set, told_after) in [(None, 10), (Some(1), 1), (Some(45), 45)] {
        let key = minutes_set.map_or_else(String::new, |n| format!(", alarm_after_minutes: {n}"));
        let settings = SETTINGS.replace(embedded, &format!("broker: {{ url: \"mqtt://127.0.0.1\"{key} }}"));
        let mut yard =
            Yard::described(&settings, &[("hot-core", HOT)], Restored { life: 7, ..Restored::default() }, START);
        yard.step(Input::Started { previous: None });
        yard.step(link(LinkState::Up));
        let told = |yard: &Yard| yard.alarm_mails().iter().filter(|mail| mail.rule == "broker-lost").count();
        // It is looked at each minute.
        yard.step(link(LinkState::Down));
        yard.wait(minutes(told_after) - Span::seconds(1));
        assert_eq!(told(&yard), 0, "{told_after} min: not before");
        yard.wait(minutes(1));
        assert_eq!(told(&yard), 1, "{told_after} min");
        yard.wait(minutes(50));
        yard.step(link(LinkState::Up));
        assert_eq!(yard.engine.figures(yard.now).link_down_since, None);
    }
}

/// Each way in which an alarm is closed without clearing has its own reason, in the mail and on record.
#[test]
fn an_alarm_closed_without_clearing_knows_why() {
    use engine::alarm::Closing;
    use site::entry::{BatchId, Stage};

    let on_air = || EntryKind::OnAir { loaded_at: None, filling: None };
    let rule = HOT.replace("stages: []", "stages: [\"on-air\"]").replace("severity: \"severe\"", "severity: \"major\"");
    let hot = || {
        let mut yard = Yard::with_rules(&[("hot-core", &rule)]);
        yard.enter("b1", on_air()).unwrap();
        yard.cores(&[64.0, 66.0, 66.5, 67.0, 67.0]);
        assert_eq!(steps(&yard), [Step::Raise]);
        yard
    };
    let moved = |stage, into| EntryKind::Moved { stage, into };
    let b2 = || Some(site::ids::BinId::new("b2").unwrap());
    let batch = BatchId(1);
    for (kind, want) in [
        (EntryKind::OffAir, Closing::Stage { batch, stage: Stage::OffAir }),
        (moved(Some(Stage::Curing), None), Closing::Stage { batch, stage: Stage::Curing }),
        (moved(None, b2()), Closing::Left { batch: Some(batch) }),
    ] {
        let mut yard = hot();
        yard.enter("b1", kind.clone()).unwrap();
        let mail = yard.alarm_mails()[1].clone();
        assert_eq!((mail.step, mail.closing), (Step::Retire, Some(want)), "{kind:?}");
        assert_eq!(mail.finding, want.words(), "the record has the same words");
        assert!(mail.raised_finding.contains("above 65.0"), "and what the alarm was about: {}", mail.raised_finding);
    }
}
