//! Readings that an alarm about their probe covered: while it is active they do not count.
//!
//! Must never take a reading for sound because nobody said which probe an alarm was about: then it is about every probe of the bin.

use engine::alarm::Subject;
use engine::alarm::{AlarmEvent, AlarmEventKind};
use ledger::{AlarmEventFilter, Ledger, LedgerError};
use pile::time::Timestamp;
use site::ids::{BinId, ProbeId};
use site::judge::ProbeHistory;
use site::zone::Zone;

/// Rules whose alarm says that what a probe sends is no measurement.
const BAD_PROBE: [&str; 2] = ["probe-impossible", "probe-stuck"];

/// A time in which an alarm covered readings.
struct Covered {
    rule: String,
    from: Timestamp,
    /// When it proved to be over; nothing while it is active.
    until: Option<Timestamp>,
    /// The lines that name the probes.
    grounds: Vec<String>,
}

/// Marks what the alarms of a bin cover as not counted, each with the alarm and its time.
///
/// # Errors
/// [`LedgerError`] when the store cannot be read.
pub(super) fn mark(
    ledger: &Ledger,
    bin: &BinId,
    until: Timestamp,
    zone: &Zone,
    probes: &mut [ProbeHistory],
) -> Result<(), LedgerError> {
    for alarm in ledger.alarms()? {
        if !BAD_PROBE.contains(&alarm.key.rule.as_str()) || alarm.key.subject != Subject::Bin(bin.clone()) {
            continue;
        }
        let filter = AlarmEventFilter { alarm: Some(alarm.id), from: None, to: Some(until) };
        for covered in covered(&alarm.key.rule, &ledger.alarm_events(&filter)?) {
            let ids: Vec<ProbeId> = probes.iter().map(|p| p.id.clone()).collect();
            let named: Vec<&ProbeId> = ids.iter().filter(|id| covered.names(id)).collect();
            for probe in probes.iter_mut().filter(|p| !p.by_hand && (named.is_empty() || named.contains(&&p.id))) {
                probe.not_counted.push((covered.from, covered.until.unwrap_or(Timestamp::MAX), covered.words(zone)));
            }
        }
    }
    Ok(())
}

/// From each raise to the end of the condition that was proven, or to now. An alarm that was closed without clearing covers what came before.
fn covered(rule: &str, events: &[AlarmEvent]) -> Vec<Covered> {
    let mut all: Vec<Covered> = Vec::new();
    for event in events {
        let grounds = event.grounds.as_deref();
        let since = grounds.and_then(|g| g.since).unwrap_or(event.at);
        match event.kind {
            AlarmEventKind::Raised => {
                let lines = grounds.map_or_else(Vec::new, |g| g.evidence.clone());
                let grounds = std::iter::once(event.words.clone()).chain(lines).collect();
                all.push(Covered { rule: rule.to_owned(), from: since, until: None, grounds });
            }
            AlarmEventKind::Cleared | AlarmEventKind::Retired => {
                if let Some(last) = all.last_mut().filter(|last| last.until.is_none()) {
                    last.until = Some(since.max(last.from));
                }
            }
            AlarmEventKind::Worse | AlarmEventKind::Reminded => {
                // A second probe may have joined the first.
                if let (Some(last), Some(grounds)) = (all.last_mut(), grounds) {
                    last.grounds.extend(grounds.evidence.iter().cloned());
                }
            }
            _ => {}
        }
    }
    all
}

impl Covered {
    /// Whether one of its lines begins with the probe, or has it after the count of faulty ones.
    fn names(&self, probe: &ProbeId) -> bool {
        let id = probe.as_str();
        let part = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_' || c == '.';
        self.grounds.iter().any(|line| line.split(|c| !part(c)).any(|word| word == id))
    }

    fn words(&self, zone: &Zone) -> String {
        let from = zone.show(self.from);
        match self.until {
            Some(until) => format!("alarm {} covers its readings from {from} to {}", self.rule, zone.show(until)),
            None => format!("alarm {} covers its readings since {from} and is active", self.rule),
        }
    }
}

#[cfg(test)]
mod tests {
    use engine::alarm::{AlarmId, AlarmState, Grounds};
    use pile::time::Span;
    use pile::window::Point;
    use site::model::Position;

    use super::*;

    fn at(hours: i64) -> Timestamp {
        Timestamp::from_millis(1_773_014_400_000) + Span::hours(hours)
    }

    fn event(hours: i64, since: i64, kind: AlarmEventKind, line: &str) -> AlarmEvent {
        AlarmEvent {
            alarm: AlarmId(1),
            occurrence: 1,
            at: at(hours),
            kind,
            before: AlarmState::Normal,
            after: AlarmState::Normal,
            evidence_at: None,
            words: line.to_owned(),
            revision: String::new(),
            grounds: Some(Box::new(Grounds {
                since: Some(at(since)),
                evidence: vec![line.to_owned()],
                ..Grounds::default()
            })),
        }
    }

    fn probe(id: &str) -> ProbeHistory {
        ProbeHistory {
            id: ProbeId::new(id).unwrap(),
            position: Position::Core,
            depth: None,
            readings: vec![Point { at: at(0), value: 60.0 }],
            set_aside: Vec::new(),
            not_counted: Vec::new(),
            elsewhere: Vec::new(),
            by_hand: false,
        }
    }

    #[test]
    fn an_alarm_covers_from_its_onset_to_the_end_that_was_proven() {
        use AlarmEventKind::{Acknowledged, Cleared, Raised, Retired};
        let line = "b1-core (core temperature): 3 bad or suspect readings in a row";
        for (events, want, why) in [
            (vec![event(10, 9, Raised, line)], vec![(9, None)], "it is active"),
            (
                vec![event(10, 9, Raised, line), event(11, 11, Acknowledged, "Ann"), event(40, 28, Cleared, "sound")],
                vec![(9, Some(28))],
                "not the twelve hours in which its end was proven",
            ),
            (
                vec![event(10, 9, Raised, line), event(40, 28, Cleared, ""), event(50, 50, Raised, line)],
                vec![(9, Some(28)), (50, None)],
                "twice",
            ),
            (
                vec![event(10, 9, Raised, line), event(20, 20, Retired, "")],
                vec![(9, Some(20))],
                "closed without clearing",
            ),
            (vec![event(20, 20, Retired, "")], vec![], "nothing was raised"),
        ] {
            let got: Vec<_> = covered("probe-impossible", &events).iter().map(|c| (c.from, c.until)).collect();
            let want: Vec<_> = want.into_iter().map(|(from, until)| (at(from), until.map(at))).collect();
            assert_eq!(got, want, "{why}");
        }
        let one = &covered("probe-impossible", &[event(10, 9, Raised, line)])[0];
        let named = |id: &str| one.names(&probe(id).id);
        assert!(named("b1-core") && !named("b1-cor") && !named("core-1") && !named("b1-core-2"), "whole names only");
    }
}
