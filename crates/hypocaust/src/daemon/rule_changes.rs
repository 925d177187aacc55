//! Rules that change while the daemon runs: files that were touched are tried beside the loop, and taken or refused by it.
//!
//! Must never put a rule in force that did not compile or failed its cases.

use engine::input::Input;
use site::model::Site;
use tokio::sync::oneshot;

use super::{Item, Loop, Work, failed};
use crate::rule_watch::{self, Tried};
use crate::socket::Answer;

impl Loop {
    /// Tries the files of the rules in the background.
    pub(super) fn try_rules(&mut self, answer: Option<oneshot::Sender<Answer>>) {
        let Some(watch) = self.rules.as_ref().filter(|_| !self.trying) else {
            if let Some(answer) = answer {
                let why = if self.trying {
                    "the rules are being tried just now; ask again"
                } else {
                    "the rules cannot change here"
                };
                let _ = answer.send(Answer::No(why.into()));
            }
            return;
        };
        self.trying = true;
        self.away += 1;
        let (config, texts) = watch.to_try();
        let (mut site, work) = (Site::clone(&self.site), self.work.clone());
        site.rules.clone_from(&self.rules_changed);
        tokio::task::spawn_blocking(move || {
            // However the trial ends, the loop hears of it: else no change would ever be tried again.
            let tried = fence::caught(|| rule_watch::try_files(&config, &site, &texts));
            let _ = work.blocking_send(Work::Tried(Box::new(tried), answer));
        });
    }

    /// What is to be done with files that were tried.
    pub(super) fn take_tried(
        &mut self,
        tried: Result<Tried, fence::Panic>,
        answer: Option<oneshot::Sender<Answer>>,
    ) -> Option<Item> {
        let watch = self.rules.as_mut()?;
        let tried = match tried {
            Ok(tried) => tried,
            Err(panic) => {
                // The files are not tried again as they are.
                watch.pass_over();
                let why = panic.to_string();
                if let Some(answer) = answer {
                    let _ = answer
                        .send(Answer::No(format!("the trial of the rules failed: {why}; the rules in force stay")));
                }
                return Some(failed("the trial of changed rules", why));
            }
        };
        watch.took(&tried);
        for remark in &tried.remarks {
            tracing::info!("{remark}");
        }
        for change in &tried.set.refused {
            tracing::warn!("{}: the change was not taken: {}", change.rule, change.why);
        }
        self.rules_changed.clone_from(&tried.set.changed);
        if !tried.set.refused.iter().any(|change| change.rule == rule_watch::EVERY_RULE) {
            self.board.post(|facts| facts.rules_from = None);
        }
        if tried.nothing_new && answer.is_none() && !self.change_alarm_stands() {
            return None;
        }
        Some(Item {
            inputs: vec![Input::Rules(Box::new(tried.set))],
            ack: None,
            answer,
            written: None,
            seen: None,
            named: None,
        })
    }

    pub(super) fn change_alarm_stands(&self) -> bool {
        self.engine.alarms().any(|alarm| alarm.key.rule == engine::CHANGE_NOT_TAKEN && alarm.stands())
    }
}
