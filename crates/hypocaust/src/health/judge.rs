//! How each part of the daemon is, by the facts.
//!
//! Must never ask anything itself: facts, terms and the present are arguments. Must never call `ok` what was not looked at.

use engine::input::LinkState;
use pile::time::{Span, Timestamp};

use super::{ClockFacts, Facts, Part, State, Terms};

/// A link that is down for less is being made again: the first attempts come within seconds.
const LINK_LATE_AFTER: Span = Span::seconds(10);
/// No reading for three intervals of the fastest probe is late, but not before this.
const INTAKE_LATE_LEAST: Span = Span::minutes(5);
/// No reading for so long, while there is a batch, means that nobody watches it.
const INTAKE_FAILED_AFTER: Span = Span::hours(1);
/// Something that was due so long ago and is not done; the watchdog's bound.
const RULES_LATE_AFTER: Span = Span::minutes(1);
/// So long without a judgement, beyond what the rules ask for, means that nobody watches.
const RULES_FAILED_AFTER: Span = Span::minutes(5);
/// The machine's clock may differ so much from ours before anybody need look at it.
const CLOCK_LATE_AFTER: Span = Span::minutes(1);
/// A clock that is wrong by more makes records wrong that are read by the hour.
const CLOCK_FAILED_AFTER: Span = Span::hours(1);
/// Less than this share of the disk is free: the rule `disk-filling` has the same.
const DISK_LATE_BELOW: f64 = 0.1;
/// With less, the store fills it before anybody comes.
const DISK_FAILED_BELOW: f64 = 0.01;
/// The disk is looked at every minute.
const DISK_LOOKED_AT_WITHIN: Span = Span::minutes(5);
/// A mail that was tried and not taken for so long: others are told then, too.
const OUTBOX_FAILED_AFTER: Span = engine::limits::MAIL_HELD_TOLD_AFTER;
/// A mail that waits for so long without a try that failed was not tried.
const OUTBOX_LATE_AFTER: Span = Span::minutes(5);
/// What is said of a part.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Said {
    pub(super) state: State,
    pub(super) since: Option<Timestamp>,
    pub(super) finding: String,
    pub(super) remedy: String,
}

fn ok(finding: impl Into<String>) -> Said {
    Said { state: State::Ok, since: None, finding: finding.into(), remedy: String::new() }
}

fn bad(state: State, since: Option<Timestamp>, finding: impl Into<String>, remedy: impl Into<String>) -> Said {
    Said { state, since, finding: finding.into(), remedy: remedy.into() }
}

/// `Late` or `Failed`, by a bound.
fn worse(is_failed: bool) -> State {
    if is_failed { State::Failed } else { State::Late }
}

/// How a part is.
pub(super) fn judge(part: Part, facts: &Facts, terms: &Terms, now: Timestamp) -> Said {
    match part {
        Part::Broker => broker(facts, terms, now),
        Part::Intake => intake(facts, terms, now),
        Part::Rules => rules(facts, terms, now),
        Part::Clock => clock(facts.clock),
        Part::Disk => disk(facts, now),
        Part::Outbox => outbox(facts, now),
        Part::Record => record(facts, terms),
    }
}

fn broker(facts: &Facts, terms: &Terms, now: Timestamp) -> Said {
    let Some(place) = &terms.broker else {
        return match facts.link {
            LinkState::Up => ok("the broker inside the daemon listens"),
            LinkState::Down => bad(
                State::Failed,
                Some(facts.link_down_since.unwrap_or(facts.started_at)),
                "the broker inside the daemon does not listen",
                "Read the log and restart the daemon.",
            ),
        };
    };
    if facts.link == LinkState::Up {
        return ok(format!("connected to {place}"));
    }
    let since = facts.link_down_since.unwrap_or(facts.started_at);
    let down = now.since(since);
    if down < LINK_LATE_AFTER {
        return ok(format!("connecting to {place}"));
    }
    bad(
        worse(down >= terms.broker_alarm_after),
        Some(since),
        format!("no connection to the broker {place}"),
        "Check that the broker runs and that this machine reaches it; the daemon's log has the broker's words.",
    )
}

/// How long no reading may come before that is late.
fn patience(terms: &Terms) -> Span {
    terms.fastest.unwrap_or(Span::ZERO).times(3).max(INTAKE_LATE_LEAST)
}

fn intake(facts: &Facts, terms: &Terms, now: Timestamp) -> Said {
    if let Some(since) = facts.intake_still_since {
        return bad(
            State::Failed,
            Some(since),
            "the intake shows no sign of life",
            "Read the log and restart the daemon; a service manager does so by itself.",
        );
    }
    if let Some((since, _)) = &facts.store_trouble {
        return bad(
            State::Failed,
            Some(*since),
            "messages wait: none is acknowledged while the store takes nothing",
            "See `disk`.",
        );
    }
    let since = facts.taken_at.unwrap_or(facts.started_at);
    let silent = now.since(since);
    let newest = match facts.taken_at {
        Some(at) => format!("the newest reading came at {}", terms.zone.show(at)),
        None => "no reading has come since the start".to_owned(),
    };
    if silent < patience(terms) {
        return ok(newest);
    }
    if facts.batches == 0 {
        return ok(format!("{newest}; no bin has a batch"));
    }
    let (what, remedy) = match facts.refused_lately {
        0 => (newest, "Check the probes' gateway, its power and its link to the broker.".to_owned()),
        n => (
            format!("{newest}, and {n} messages were rejected in the last hour"),
            "Read why with `hypocaust refused`.".to_owned(),
        ),
    };
    bad(worse(silent >= INTAKE_FAILED_AFTER.max(patience(terms).times(4))), Some(since), what, remedy)
}

fn rules(facts: &Facts, terms: &Terms, now: Timestamp) -> Said {
    let Some(every) = facts.judged_every else {
        return bad(
            State::Failed,
            None,
            "no rule is in force, so nobody is warned",
            "Put rules into the folder under `rules` in the settings; those that ship are in /usr/share/hypocaust/rules.",
        );
    };
    // A loop that is held up knows nothing of the time since.
    let behind = facts.behind + now.since(facts.at).max(Span::ZERO);
    let ticked = facts.ticked_at.unwrap_or(facts.started_at);
    let unjudged = now.since(ticked) - every.times(2);
    let worst = if facts.behind > Span::ZERO || now.since(facts.at) >= RULES_LATE_AFTER { behind } else { Span::ZERO };
    let worst = worst.max(unjudged);
    if worst >= RULES_LATE_AFTER {
        return bad(
            worse(worst >= RULES_FAILED_AFTER),
            Some(ticked),
            format!("rules were last judged at {}", terms.zone.show(ticked)),
            "Look at the bins yourself. Read the log; if it names no cause, restart the daemon.",
        );
    }
    let fresh = facts.fresh_at.unwrap_or(facts.started_at);
    let stale = now.since(fresh);
    if facts.taken_at.is_some_and(|at| now.since(at) < patience(terms)) && stale >= patience(terms).times(2) {
        return bad(
            worse(stale >= INTAKE_FAILED_AFTER.max(patience(terms).times(4))),
            Some(fresh),
            "readings come, and all of them carry old times, so no rule can judge the present",
            "Check the clocks of this machine and of the probes' gateway (`timedatectl`).",
        );
    }
    if let Some(why) = &facts.rules_from {
        return bad(
            State::Late,
            None,
            why.clone(),
            "Correct `rules.folder` in the settings or mend the folder, then run `hypocaust reload`.",
        );
    }
    if facts.rules_broken > 0 {
        let rules = if facts.rules_broken == 1 { "1 rule does" } else { &format!("{} rules do", facts.rules_broken) };
        return bad(
            State::Late,
            None,
            format!("{rules} not work; the others are judged"),
            "Find them with `hypocaust alarms`, mend their files, and run `hypocaust reload`.",
        );
    }
    ok(format!("rules were last judged at {}", terms.zone.show(ticked)))
}

/// By what the clock's keeper says, and by nothing else.
fn clock(facts: ClockFacts) -> Said {
    let (off, way) = match facts.behind {
        behind if behind >= Span::ZERO => (behind, "behind"),
        ahead => (Span::ZERO - ahead, "ahead of"),
    };
    if off >= CLOCK_LATE_AFTER {
        return bad(
            worse(off >= CLOCK_FAILED_AFTER),
            None,
            format!("the machine's clock is {off} {way} the daemon's"),
            "Compare the machine's clock with a telephone. If it is wrong, set it (`timedatectl`); if it is right, wait until both agree.",
        );
    }
    if facts.unsure {
        return bad(
            State::Late,
            None,
            "the machine's clock is not set: it shows a time that cannot be",
            "Set the machine's clock (`timedatectl`) and keep it set by the network.",
        );
    }
    ok("the machine's clock agrees with the daemon's")
}

fn disk(facts: &Facts, now: Timestamp) -> Said {
    const ROOM: &str = "Make room on the disk of the data folder (`df -h`), or move the data folder to a larger disk.";
    if let Some((since, why)) = &facts.store_trouble {
        return bad(State::Failed, Some(*since), format!("the store takes nothing: {why}"), ROOM);
    }
    match facts.disk_free {
        _ if !facts.disk_is_looked_at => ok("the store takes what is committed"),
        Some((at, free)) if now.since(at) < DISK_LOOKED_AT_WITHIN => {
            let said = format!("{} % of the disk is free", (free * 100.0).floor());
            match free {
                free if free < DISK_LATE_BELOW => bad(worse(free < DISK_FAILED_BELOW), None, said, ROOM),
                _ => ok(said),
            }
        }
        None if now.since(facts.started_at) < DISK_LOOKED_AT_WITHIN => ok("the store takes what is committed"),
        _ => bad(
            State::Late,
            None,
            "the free room on the disk cannot be seen",
            "Check that the disk of the data folder is mounted (`df -h`).",
        ),
    }
}

fn outbox(facts: &Facts, now: Timestamp) -> Said {
    const READ: &str = "Read the relay's words with `hypocaust outbox`, and check `mail` and `people` in the settings.";
    let mail = &facts.mail;
    if let Some(since) = mail.down_since {
        return bad(
            State::Failed,
            Some(since),
            "mail reaches nobody",
            format!("Look at `hypocaust alarms` yourself. {READ}"),
        );
    }
    if facts.mail_hangs {
        return bad(State::Failed, None, "a mail has been under way for longer than any conversation takes", READ);
    }
    let waiting = match facts.mails_waiting {
        1 => "1 mail waits".to_owned(),
        n => format!("{n} mails wait"),
    };
    if let Some(since) = mail.waits_since.filter(|_| facts.mails_waiting > 0) {
        // While somebody else's mail is taken it is that person's mailbox, which others are told of.
        let others = mail.last_taken.is_some_and(|at| at > since);
        return bad(
            worse(!others && now.since(since) >= OUTBOX_FAILED_AFTER),
            Some(since),
            format!("{waiting}: the relay does not take mail now"),
            READ,
        );
    }
    if mail.unreached > 0 {
        let of = format!("mail does not reach {} of {} people", mail.unreached, mail.people);
        return bad(State::Late, mail.unreached_since, of, format!("Call them: `hypocaust alarms` names them. {READ}"));
    }
    if let Some(oldest) =
        facts.oldest_mail.map(|oldest| oldest + now.since(facts.at)).filter(|o| *o >= OUTBOX_LATE_AFTER)
    {
        let since = Some(now - oldest);
        return bad(worse(oldest >= OUTBOX_FAILED_AFTER), since, format!("{waiting} untried"), "Restart the daemon.");
    }
    if let Some(at) = mail.lost_at {
        return bad(State::Late, Some(at), "a mail was rejected for its content or size, and is lost", READ);
    }
    match facts.mails_waiting {
        0 => ok("no mail waits"),
        _ => ok(waiting),
    }
}

fn record(facts: &Facts, terms: &Terms) -> Said {
    let state = match &facts.record {
        Ok(state) => state,
        Err(why) => {
            return bad(
                State::Failed,
                None,
                format!("the record cannot be read: {why}"),
                "Run `hypocaust store check`.",
            );
        }
    };
    if let Some(why) = &facts.store_lost {
        return bad(
            State::Failed,
            Some(facts.started_at),
            why.clone(),
            "Look at the bins yourself, and read the mail about the store.",
        );
    }
    if let Some(damage) = &state.damage {
        return bad(
            State::Failed,
            None,
            format!("{} hours of readings cannot go on record; the first damage is {damage}", state.damaged),
            "Run `hypocaust store check`, and restore the day from a backup.",
        );
    }
    if let Some(why) = &facts.record_broken {
        return bad(
            State::Late,
            Some(facts.started_at),
            why.clone(),
            "Keep a copy of the data folder, and tell the person who inspects the record.",
        );
    }
    if let Some(oldest) = state.oldest_overdue {
        return bad(
            State::Late,
            Some(oldest),
            format!("{} hours of readings wait to go on record", state.overdue),
            "Check that readings come; an hour goes on record with the next one. If hours still wait then, run `hypocaust record check`.",
        );
    }
    let kept =
        facts.checkpoint_at.map(|at| format!("; last checkpoint at {}", terms.zone.show(at))).unwrap_or_default();
    match state.newest_hour {
        Some(hour) => ok(format!("readings are on record up to {}{kept}", terms.zone.show(hour + Span::hours(1)))),
        None => ok(format!("no hour of readings is over yet{kept}")),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use engine::MailFares;
    use ledger::RecordState;
    use site::zone::Zone;

    use super::super::{Board, Told};
    use super::*;

    const NOW: Timestamp = Timestamp::from_millis(1_773_122_400_000);

    fn terms(broker: Option<&str>) -> Terms {
        Terms {
            broker: broker.map(str::to_owned),
            broker_alarm_after: Span::minutes(10),
            fastest: Some(Span::minutes(5)),
            zone: Zone::named("Europe/Berlin").unwrap(),
        }
    }

    fn ago(span: Span) -> Timestamp {
        NOW - span
    }

    /// A daemon that has run for a day and does all its work.
    fn well() -> Facts {
        Facts {
            at: NOW,
            link: LinkState::Up,
            taken_at: Some(ago(Span::minutes(1))),
            fresh_at: Some(ago(Span::minutes(1))),
            ticked_at: Some(ago(Span::seconds(20))),
            batches: 2,
            disk_free: Some((ago(Span::seconds(30)), 0.4)),
            disk_is_looked_at: true,
            mail: MailFares { people: 3, ..MailFares::default() },
            ..Facts::at_start(ago(Span::days(1)))
        }
    }

    fn hours(n: i64) -> Span {
        Span::hours(n)
    }

    #[test]
    fn each_trouble_is_told_by_its_part_and_by_no_other() {
        use Part::{Broker, Clock, Disk, Intake, Outbox, Record, Rules};
        use State::{Failed, Late};
        let held = engine::limits::MAIL_HELD_TOLD_AFTER;
        type Case = (Part, Option<State>, fn(&mut Facts), &'static str, &'static str);
        let cases: [Case; 42] = [
            (Broker, None, |_| (), "connected to mqtt.test:1883", "all is well"),
            (Broker, None, |f| f.down_for(Span::seconds(9)), "connecting", "a link that is made again"),
            (
                Broker,
                Some(Late),
                |f| f.down_for(Span::seconds(10)),
                "no connection to the broker mqtt.test:1883",
                "gone",
            ),
            (Broker, Some(Late), |f| f.down_for(Span::minutes(9)), "no connection", "before the alarm"),
            (Broker, Some(Failed), |f| f.down_for(Span::minutes(12)), "no connection", "gone for twelve minutes"),
            (Intake, None, |f| f.silent_for(Span::minutes(14)), "newest reading", "within three intervals"),
            (Intake, Some(Late), |f| f.silent_for(Span::minutes(15)), "newest reading", "three intervals"),
            (Intake, Some(Failed), |f| f.silent_for(hours(1)), "newest reading", "an hour"),
            (
                Intake,
                None,
                |f| {
                    f.silent_for(hours(30));
                    f.batches = 0;
                },
                "no bin has a batch",
                "winter",
            ),
            (
                Intake,
                Some(Failed),
                |f| {
                    f.silent_for(hours(2));
                    f.refused_lately = 40;
                },
                "40 messages were rejected",
                "new firmware",
            ),
            (
                Intake,
                Some(Failed),
                |f| f.intake_still_since = Some(ago(Span::minutes(2))),
                "no sign of life",
                "its task hangs",
            ),
            (Rules, Some(Failed), |f| f.judged_every = None, "no rule is in force", "an empty folder"),
            (Rules, Some(Late), |f| f.rules_broken = 1, "1 rule does not work", "one is broken"),
            (Rules, None, |f| f.ticked_at = Some(ago(Span::seconds(170))), "last judged", "a tick every minute"),
            (Rules, Some(Late), |f| f.ticked_at = Some(ago(Span::minutes(3))), "last judged", "two were left out"),
            (Rules, Some(Failed), |f| f.ticked_at = Some(ago(hours(1))), "last judged", "muted"),
            (Rules, Some(Failed), |f| f.behind = hours(1), "last judged", "the engine is behind"),
            (Rules, Some(Failed), |f| f.fresh_at = Some(ago(hours(1))), "old times", "a clock that was set back"),
            (Rules, Some(Late), |f| f.fresh_at = Some(ago(Span::minutes(31))), "old times", "since half an hour"),
            (Rules, None, |f| f.fresh_at = Some(ago(Span::minutes(20))), "last judged", "a backlog"),
            (Clock, None, |f| f.clock.behind = Span::seconds(59), "agrees", "less than a minute"),
            (Clock, Some(Late), |f| f.clock.behind = Span::minutes(1), "behind", "set back by a minute"),
            (Clock, Some(Failed), |f| f.clock.behind = hours(1), "behind", "set back by an hour"),
            (Clock, Some(Failed), |f| f.clock.behind = Span::ZERO - hours(1), "ahead of", "ahead"),
            (Clock, Some(Late), |f| f.clock.unsure = true, "is not set", "at boot"),
            (Disk, Some(Late), |f| f.disk_free = Some((NOW, 0.099)), "9 % of the disk", "rounded away from the bound"),
            (Disk, Some(Failed), |f| f.disk_free = Some((NOW, 0.009)), "0 % of the disk", "as good as full"),
            (Disk, Some(Late), |f| f.disk_free = Some((ago(hours(1)), 0.5)), "cannot be seen", "an old look"),
            (Disk, Some(Late), |f| f.disk_free = None, "cannot be seen", "no look at all"),
            (Outbox, Some(Late), |f| f.mail_waits(Span::minutes(1)), "1 mail waits: the relay does not", "421"),
            (Outbox, Some(Failed), |f| f.mail_waits(Span::minutes(35)), "the relay does not", "421 for 35 minutes"),
            (
                Outbox,
                Some(Late),
                |f| {
                    f.mail_waits(Span::minutes(35));
                    f.mail.last_taken = Some(ago(Span::minutes(2)));
                },
                "the relay does not",
                "one mailbox is full",
            ),
            (Outbox, Some(Failed), |f| f.mail.down_since = Some(NOW), "reaches nobody", "all are refused"),
            (
                Outbox,
                Some(Late),
                |f| {
                    f.mail.unreached = 1;
                    f.mail.unreached_since = Some(ago(hours(5)));
                },
                "1 of 3 people",
                "one is refused",
            ),
            (Outbox, Some(Late), |f| f.mail.lost_at = Some(NOW), "is lost", "too large"),
            (Outbox, Some(Failed), |f| f.mail_hangs = true, "under way", "a conversation without an end"),
            (
                Record,
                Some(Late),
                |f| {
                    f.record =
                        Ok(RecordState { overdue: 3, oldest_overdue: Some(ago(hours(6))), ..RecordState::default() })
                },
                "3 hours of readings wait",
                "no root",
            ),
            (
                Record,
                Some(Failed),
                |f| {
                    let damage = Some("b1-core temperature on 2026-03-01".to_owned());
                    f.record = Ok(RecordState { damaged: 24, damage, ..RecordState::default() });
                },
                "b1-core temperature on 2026-03-01",
                "damage is named",
            ),
            (
                Record,
                Some(Late),
                |f| f.record_broken = Some("row 7 of the record is broken".into()),
                "row 7",
                "it goes on behind it",
            ),
            (
                Record,
                Some(Failed),
                |f| f.store_lost = Some("the store is empty".into()),
                "the store is empty",
                "emptied",
            ),
            (
                Record,
                None,
                |f| f.checkpoint_at = Some(ago(Span::minutes(3))),
                "last checkpoint at 2026-03-10 06:57",
                "kept",
            ),
            (
                Rules,
                Some(Late),
                |f| f.rules_from = Some("the folder cannot be read; the rules that ship are in force".into()),
                "the rules that ship",
                "a mount that is late",
            ),
        ];
        assert!(held <= Span::minutes(35));
        for (part, want, change, words, why) in cases {
            let mut facts = well();
            change(&mut facts);
            let board = Board::new(terms(Some("mqtt.test:1883")), NOW);
            board.post(|posted| *posted = facts);
            let Told { health, .. } = board.health(NOW);
            for p in &health.parts {
                let want = if p.part == part { want.unwrap_or(State::Ok) } else { State::Ok };
                assert_eq!(p.state, want, "{why}: {}: {}", p.part.key(), p.finding);
                assert_eq!(p.remedy.is_empty(), p.state == State::Ok, "{why}: what is not ok says what to do");
                assert!(p.part != part || p.finding.contains(words), "{why}: {}", p.finding);
            }
            assert_eq!(health.state(), want.unwrap_or(State::Ok), "{why}");
        }
    }

    impl Facts {
        fn down_for(&mut self, span: Span) {
            (self.link, self.link_down_since) = (LinkState::Down, Some(ago(span)));
        }

        fn silent_for(&mut self, span: Span) {
            (self.taken_at, self.fresh_at) = (Some(ago(span)), Some(ago(span)));
        }

        fn mail_waits(&mut self, span: Span) {
            self.mails_waiting = 1;
            self.oldest_mail = Some(span);
            self.mail.waits_since = Some(ago(span));
        }
    }

    #[test]
    fn a_store_that_takes_nothing_is_told_while_the_loop_is_held_up_by_it() {
        let board = Board::new(terms(None), ago(hours(24)));
        board.post(|facts| *facts = well());
        board.post(|facts| facts.store_takes(ago(Span::minutes(6)), Some("the disk is full".into())));
        // The loop says nothing more; another trouble does not make it younger.
        board.post(|facts| facts.store_takes(NOW, Some("the disk is full still".into())));
        board.post(|facts| facts.at = ago(Span::minutes(6)));
        board.post(|facts| facts.ticked_at = Some(ago(Span::minutes(7))));
        let Told { health, .. } = board.health(NOW);
        let of = |part: Part| health.parts.iter().find(|p| p.part == part).unwrap();
        assert_eq!((of(Part::Disk).state, of(Part::Disk).since), (State::Failed, ago(Span::minutes(6))));
        assert!(of(Part::Disk).finding.contains("full still"), "{}", of(Part::Disk).finding);
        assert_eq!((of(Part::Intake).state, of(Part::Rules).state), (State::Failed, State::Failed));
        board.post(|facts| *facts = well());
        assert_eq!(board.health(NOW).health.state(), State::Ok);
    }

    #[test]
    fn since_when_is_kept_while_a_part_stays_as_it_is() {
        let board = Board::new(terms(None), ago(hours(24)));
        board.post(|facts| *facts = well());
        let clock = |board: &Board, at: Timestamp| {
            board.post(|facts| facts.at = at);
            let Told { health, .. } = board.health(at);
            let clock = health.parts.into_iter().find(|p| p.part == Part::Clock).unwrap();
            (clock.state, clock.since)
        };
        assert_eq!(clock(&board, NOW), (State::Ok, ago(hours(24))), "since the start");
        board.post(|facts| facts.clock.behind = hours(2));
        assert_eq!(clock(&board, NOW), (State::Failed, NOW));
        assert_eq!(clock(&board, NOW + Span::minutes(9)), (State::Failed, NOW), "and so on");
        board.post(|facts| facts.clock.behind = Span::ZERO);
        assert_eq!(clock(&board, NOW + Span::minutes(10)), (State::Ok, NOW + Span::minutes(10)));
    }

    #[test]
    fn the_words_are_one_line_a_part_and_the_json_says_the_same() {
        let board = Board::new(terms(Some("mqtt.test:1883")), ago(hours(24)));
        board.post(|facts| {
            *facts = well();
            facts.down_for(Span::minutes(12));
        });
        let told = board.health(NOW);
        let text = told.text();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), Part::ALL.len());
        assert_eq!(
            lines[0],
            "broker: failed since 2026-03-10 06:48 +01:00: no connection to the broker mqtt.test:1883. Check that the broker runs and that \
             this machine reaches it; the daemon's log has the broker's words."
        );
        assert_eq!(lines[3], "clock: ok since 2026-03-09 07:00 +01:00: the machine's clock agrees with the daemon's.");
        let json = told.health.json();
        assert_eq!((json["state"].as_str(), json["at"].as_str()), (Some("failed"), Some("2026-03-10T06:00:00Z")));
        assert_eq!(json["parts"][0]["since"], "2026-03-10T05:48:00Z");
        assert_eq!(json["parts"].as_array().unwrap().len(), Part::ALL.len());
    }

    #[test]
    fn a_broker_that_was_never_there_is_told_from_the_start_on() {
        let board = Board::new(terms(Some("mqtt.test:1883")), ago(Span::minutes(2)));
        board.post(|facts| facts.at = NOW);
        let Told { health, .. } = board.health(NOW);
        assert_eq!((health.parts[0].state, health.parts[0].since), (State::Late, ago(Span::minutes(2))));
    }
}
