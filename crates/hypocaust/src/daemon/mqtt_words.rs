//! What people say over MQTT, entries and acknowledgements, and the answers they get there.
//!
//! Must never answer before what was said is committed: the answer is an effect like any other.

use decode::Written;
use engine::alarm::AlarmId;
use engine::effect::Effect;
use engine::input::Input;
use pile::time::Timestamp;

use super::Loop;
use crate::by_mqtt;

impl Loop {
    /// What came of an entry that somebody wrote over MQTT, the answer last.
    pub(super) fn written(&mut self, now: Timestamp, written: &Written) -> Vec<Effect> {
        let entry = self.tokens.entry(&self.site, written);
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
            Err(why) => {
                tracing::warn!("an entry for the log over MQTT was refused: {why}");
                said = Err(why);
            }
        }
        effects.push(by_mqtt::answer(&self.site, &written.id, &said));
        effects
    }

    /// What became of an acknowledgement that came over MQTT, for the panel that sent it.
    pub(super) fn answer_panel(&self, alarm: AlarmId, said: Result<String, String>) -> Effect {
        let (key, words) = match said {
            Ok(words) => ("done", words),
            Err(words) => ("refused", words),
        };
        Effect::Publish {
            topic: format!("{}/answer", self.site.acknowledge_topic()),
            payload: serde_json::json!({ "alarm": alarm.0, key: words }).to_string(),
            retain: false,
        }
    }
}
