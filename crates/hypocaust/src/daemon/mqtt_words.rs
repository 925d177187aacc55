//! What people say over MQTT, entries and acknowledgements, and the answers they get there.
//!
//! Must never answer before what was said is committed: the answer is an effect like any other.

use decode::{Named, Seen, Written};
use engine::alarm::AlarmId;
use engine::effect::Effect;
use engine::input::{Input, Word};
use pile::time::Timestamp;
use serde_json::json;

use super::Loop;
use crate::by_mqtt::{self, NotProven, Tokens};

impl Loop {
    /// What came of an entry that somebody wrote over MQTT, the answer last.
    pub(super) fn written(&mut self, now: Timestamp, written: &Written) -> Vec<Effect> {
        let entry = self
            .proven(now, "an entry for the log", &written.by, &written.token)
            .map_err(|why| why.to_string())
            .and_then(|by| Tokens::entry(&self.site, written, &by));
        let (mut effects, mut said) = (Vec::new(), Err(String::new()));
        match entry.map(|entry| (self.engine.written_already(&entry), entry)) {
            // A broker may bring a message twice, and so may a telephone that heard no answer.
            Ok((Some(id), _)) => said = Ok(format!("it is in the log already (entry {id})")),
            Ok((None, entry)) => {
                let input = match written.really_that_early {
                    true => Input::EntryThatEarly(entry),
                    false => Input::Entry(entry),
                };
                for effect in self.step(now, input) {
                    match effect {
                        Effect::Reply(reply) => said = reply,
                        other => effects.push(other),
                    }
                }
            }
            Err(why) => said = Err(why),
        }
        effects.push(by_mqtt::answer(&self.site, &written.id, &said));
        effects
    }

    /// What came of an acknowledgement that somebody sent over MQTT, the answer last.
    pub(super) fn seen(&mut self, now: Timestamp, seen: Seen) -> Vec<Effect> {
        let Seen { alarm, token, by, comment } = seen;
        let alarm = AlarmId(alarm);
        let by = match self.proven(now, "an acknowledgement", &by, &token) {
            Ok(by) => by,
            Err(why) => return vec![self.answer_panel(alarm, Err(why.to_string()))],
        };
        let (mut effects, mut said) = (Vec::new(), Err(String::new()));
        for effect in self.step(now, Input::Alarm { alarm, by, word: Word::Acknowledge { comment } }) {
            match effect {
                Effect::Reply(reply) => said = reply,
                other => effects.push(other),
            }
        }
        effects.push(self.answer_panel(alarm, said));
        effects
    }

    /// The name of whoever said something. A wrong word is told in the log, up to the number after which it rests.
    fn proven(&mut self, now: Timestamp, what: &str, by: &str, token: &str) -> Result<String, NotProven> {
        let proven = self.tokens.person(&self.site, by, token, now);
        if proven == Err(NotProven::Wrong) {
            tracing::warn!("{what} over MQTT was refused: {}", NotProven::Wrong);
        }
        proven
    }

    /// The answer to a message of somebody that could not be read: on the topic on which a good one is answered, with the number or the words by
    /// which it named itself, where these are plain.
    pub(super) fn answer_refusal(&self, input: &Input, named: Option<&Named>) -> Option<Effect> {
        let Input::Refused(refusal) = input else { return None };
        let id = if let Some(Named::Entry(id)) = named { id.as_str() } else { "" };
        let alarm = if let Some(Named::Alarm(alarm)) = named { Some(*alarm) } else { None };
        let own = [(self.site.log_topic(), "id", json!(id)), (self.site.acknowledge_topic(), "alarm", json!(alarm))];
        let (topic, key, named) = own.into_iter().find(|(topic, ..)| *topic == refusal.topic)?;
        Some(Effect::Publish {
            topic: format!("{topic}/answer"),
            payload: json!({ key: named, "refused": refusal.reason }).to_string(),
            retain: false,
        })
    }

    /// What became of an acknowledgement that came over MQTT, for the panel that sent it.
    fn answer_panel(&self, alarm: AlarmId, said: Result<String, String>) -> Effect {
        let (key, words) = match said {
            Ok(words) => ("done", words),
            Err(words) => ("refused", words),
        };
        Effect::Publish {
            topic: format!("{}/answer", self.site.acknowledge_topic()),
            payload: json!({ "alarm": alarm.0, key: words }).to_string(),
            retain: false,
        }
    }
}
