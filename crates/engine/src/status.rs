//! What the daemon tells machines about itself and the bins: retained status topics, the outward heartbeat, the lamp or horn.
//!
//! Must never be needed by anybody's safety: it tells, the mails and the people at the site decide.

use pile::time::Timestamp;
use site::ids::BinId;
use site::model::{Position, Site};
use site::zone::rfc3339_utc;

use crate::alarm::{Alarm, AlarmKey, AlarmState, Subject};
use crate::effect::{Effect, Level};
use crate::engine::{Deadline, Engine};
use crate::limits;

impl Engine {
    pub(crate) fn status(&self, at: Timestamp, effects: &mut Vec<Effect>) {
        let standing = self.alarms.values().filter(|a| a.stands()).count();
        let fares = self.mail_fares();
        let mail = if fares.down_since.is_some() {
            "failed"
        } else if fares.unreached > 0 || fares.waits_since.is_some() || fares.lost_at.is_some() {
            "late"
        } else {
            "ok"
        };
        effects.push(Effect::Publish {
            topic: status_topic(&self.site),
            payload: format!(
                "{{\"state\":\"running\",\"at\":\"{}\",\"next_by\":\"{}\",\"alarms_standing\":{standing},\"readings_since_start\":{},\"mail\":\"{mail}\",\"people_unreached\":{}}}",
                rfc3339_utc(at),
                rfc3339_utc(at + limits::STATUS_EVERY.times(2)),
                self.readings_taken,
                fares.unreached
            ),
            retain: true,
        });
    }

    pub(crate) fn beat(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let Some(heartbeat) = &self.site.heartbeat else { return };
        self.insert_deadline(at + heartbeat.every, Deadline::Beat);
        if self.stored_since_beat > 0 && self.judged_since_beat > 0 {
            effects.push(Effect::Beat);
            self.beat_held = false;
        } else if !std::mem::replace(&mut self.beat_held, true) {
            // Once, and not with every beat: a night without readings has a thousand of them.
            effects.push(Effect::Say {
                level: Level::Warn,
                text: "the heartbeat is held back: no reading was stored, or no rule was judged, since the last one"
                    .into(),
            });
        }
        self.stored_since_beat = 0;
        self.judged_since_beat = 0;
    }

    /// Drives the lamp or horn at the site: on while a high alarm stands that nobody has acknowledged.
    pub(crate) fn sound(&mut self, effects: &mut Vec<Effect>) {
        let Some(sounder) = &self.site.sounder else { return };
        if !self.started {
            return;
        }
        let wanted = self.alarms.values().any(Alarm::calls_at_once);
        if self.sounding != Some(wanted) {
            self.sounding = Some(wanted);
            effects.push(Effect::Publish {
                topic: sounder.topic.clone(),
                payload: if wanted { sounder.on.clone() } else { sounder.off.clone() },
                retain: true,
            });
        }
    }

    /// Publishes how a bin stands.
    pub(crate) fn bin_status(&self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) {
        if !self.started {
            return;
        }
        let batch = self.bins.get(bin).and_then(|state| state.batch.as_ref());
        let core = self.temperatures_at(bin, Position::Core).filter_map(|s| s.window.newest()).max_by_key(|p| p.at);
        // By the rules and not by all alarms: where ten thousand are raised at once, each of them comes here.
        let subject = Subject::Bin(bin.clone());
        let keys = self.rulebook.rules().iter().map(|r| AlarmKey { rule: r.name.clone(), subject: subject.clone() });
        let alarms = keys.filter_map(|key| self.alarms.get(&key)).filter(|a| a.life.state != AlarmState::Normal);
        let alarms: Vec<String> = alarms.map(|alarm| self.alarm_object(alarm)).collect();
        let time = |t: Option<Timestamp>| t.map_or_else(|| "null".to_owned(), |t| text(&rfc3339_utc(t)));
        effects.push(Effect::Publish {
            topic: bin_topic(&self.site, bin),
            payload: format!(
                "{{\"bin\":{},\"at\":{},\"batch\":{},\"stage\":{},\"on_air_at\":{},\"off_air_at\":{},\"core_celsius\":{},\"core_at\":{},\"alarms\":[{}]}}",
                text(bin.as_str()),
                text(&rfc3339_utc(at)),
                batch.map_or_else(|| "null".to_owned(), |b| b.id.to_string()),
                batch.map_or_else(|| "null".to_owned(), |b| text(b.stage(at).key())),
                time(batch.and_then(|b| b.on_air_at)),
                time(batch.and_then(|b| b.off_air_at)),
                core.map_or_else(|| "null".to_owned(), |p| format!("{:.2}", p.value)),
                time(core.map(|p| p.at)),
                alarms.join(",")
            ),
            retain: true,
        });
    }

    /// An alarm with its newest finding and the time of that, so that no panel shows an old one as if it were of now.
    fn alarm_object(&self, alarm: &Alarm) -> String {
        let time = |at: Option<Timestamp>| at.map_or_else(|| "null".to_owned(), |t| text(&rfc3339_utc(t)));
        let (finding, found_at) = self.newest_finding(alarm);
        format!(
            "{{\"alarm\":{},\"rule\":{},\"title\":{},\"priority\":{},\"state\":{},\"since\":{},\"finding\":{},\"found_at\":{}}}",
            alarm.id.0,
            text(&alarm.key.rule),
            text(&alarm.title),
            text(alarm.priority.key()),
            text(alarm.life.state.key()),
            time(alarm.onset.or(alarm.raised_at)),
            text(&finding),
            time(found_at)
        )
    }

    /// Publishes how the alarm's bin stands, if it is about a bin.
    pub(crate) fn bin_changed(&self, key: &AlarmKey, at: Timestamp, effects: &mut Vec<Effect>) {
        if let Some(bin) = key.bin() {
            self.bin_status(bin, at, effects);
        }
    }
}

/// The topic on which the daemon's own state is retained.
pub fn status_topic(site: &Site) -> String {
    format!("hypocaust/{}/status", site.id)
}

/// The topic on which the state of a bin is retained.
pub fn bin_topic(site: &Site, bin: &BinId) -> String {
    format!("hypocaust/{}/bin/{bin}/status", site.id)
}

/// A text as JSON writes it (RFC 8259 section 7).
fn text(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => out.push_str(&format!("\\u{:04x}", u32::from(c))),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
