//! `hypocaust why`: what the record says about one occurrence of an alarm: what the rule found, where, by which comparisons, and what
//! followed.
//!
//! Must never judge again: it shows what was written down at the time.

use std::fmt::Write;

use engine::alarm::{Alarm, AlarmEvent, AlarmEventKind, AlarmId, Grounds};
use engine::effect::{Mail, MailState};
use engine::notice::{Notice, Step};
use ledger::{Access, AlarmEventFilter, Ledger};
use pile::time::{Span, Timestamp};
use rulebook::RuleText;
use serde_json::{Value, json};
use site::ids::BinId;
use site::model::Site;
use site::zone::rfc3339_utc;

use crate::cli::WhyArgs;
use crate::commands::CommandError;

/// Lines of the rule's text that are shown around the one that answered.
const AROUND: usize = 2;
/// How much of the past the suggested commands show before the condition began.
const LOOK_BACK: Span = Span::days(1);

/// Prints why an alarm was raised, and how it went on.
///
/// # Errors
/// When there is no such alarm or occurrence, or the store cannot be read.
pub fn why(site: &Site, args: &WhyArgs) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let known: Vec<Alarm> = ledger.alarms()?.into_iter().filter(|a| a.occurrence > 0).collect();
    let Some(alarm) = known.iter().find(|a| a.id.0 == args.id) else {
        return Err(CommandError::Usage(format!(
            "no alarm {} was ever raised; `hypocaust alarms --all` lists those that were",
            args.id
        )));
    };
    let occurrence = args.occurrence.unwrap_or(alarm.occurrence);
    if !(1..=alarm.occurrence).contains(&occurrence) {
        return Err(CommandError::Usage(format!(
            "alarm {} has {} occurrence(s), there is no number {occurrence}",
            alarm.id.0, alarm.occurrence
        )));
    }
    let filter = AlarmEventFilter { alarm: Some(AlarmId(args.id)), ..AlarmEventFilter::default() };
    let events: Vec<AlarmEvent> =
        ledger.alarm_events(&filter)?.into_iter().filter(|e| e.occurrence == occurrence).collect();
    let mails: Vec<Mail> =
        ledger.outbox()?.into_iter().map(|row| row.mail).filter(|mail| tells_of(mail, alarm.id, occurrence)).collect();
    let mut texts = Vec::new();
    for event in events.iter().filter(|e| e.grounds.is_some() && !e.revision.is_empty()) {
        if !texts.iter().any(|(revision, _)| *revision == event.revision) {
            texts.push((event.revision.clone(), ledger.rule_text(&alarm.key.rule, &event.revision)?));
        }
    }
    let in_force = ledger.rules_in_force()?.into_iter().find(|text| text.name == alarm.key.rule);
    let found = Found { site, alarm, occurrence, events, mails, texts, in_force };
    if args.json {
        println!("{}", found.json());
    } else {
        print!("{}", found.page());
    }
    Ok(())
}

fn tells_of(mail: &Mail, alarm: AlarmId, occurrence: u32) -> bool {
    matches!(&mail.notice, Notice::Alarm(n) if n.alarm == alarm && n.occurrence == occurrence)
}

/// Everything on record about one occurrence.
struct Found<'a> {
    site: &'a Site,
    alarm: &'a Alarm,
    occurrence: u32,
    events: Vec<AlarmEvent>,
    mails: Vec<Mail>,
    /// The texts that judged, by revision; `None` where a text was never kept.
    texts: Vec<(String, Option<RuleText>)>,
    in_force: Option<RuleText>,
}

impl Found<'_> {
    fn page(&self) -> String {
        let (alarm, zone) = (self.alarm, &self.site.zone);
        let mut page = format!(
            "Alarm {}: {}, {}, {} priority, occurrence {} of {}\n",
            alarm.id.0,
            alarm.title,
            alarm.key.bin().map_or_else(|| alarm.key.subject.as_str().to_owned(), |bin| format!("bin {bin}")),
            alarm.priority.key(),
            self.occurrence,
            alarm.occurrence
        );
        if self.occurrence == alarm.occurrence {
            let _ = writeln!(page, "It is {} now.", alarm.life.state.key());
        }
        for event in &self.events {
            if let Some(grounds) = &event.grounds {
                self.grounds(&mut page, event, grounds);
            }
        }
        if self.events.iter().all(|e| e.grounds.is_none()) {
            page.push_str("\nIts grounds are not on record: it was raised before this version kept them.\n");
            let _ = writeln!(page, "What it said then: {}", alarm.finding);
        }
        let _ = writeln!(page, "\nHow it went, by the clocks of {}", zone.name());
        for (at, line) in self.story() {
            let _ = writeln!(page, "  {}  {line}", zone.show(at));
        }
        self.look_further(&mut page);
        page
    }

    fn grounds(&self, page: &mut String, event: &AlarmEvent, grounds: &Grounds) {
        let zone = &self.site.zone;
        let since = grounds.since.unwrap_or(event.at);
        let what = match event.kind {
            AlarmEventKind::Raised => {
                format!("Raised {}; the condition held since {}", zone.show(event.at), zone.show(since))
            }
            AlarmEventKind::Worse => format!("Became worse {}", zone.show(event.at)),
            AlarmEventKind::Cleared => {
                format!("Over {}; the condition had ended {}", zone.show(event.at), zone.show(since))
            }
            _ => format!("{} {}", event.kind.key(), zone.show(event.at)),
        };
        let _ = writeln!(page, "\n{what}\n  {}", event.words);
        for line in &grounds.evidence {
            let _ = writeln!(page, "  - {line}");
        }
        let wide = widest(grounds.figures.iter().map(|(name, _)| name));
        for (name, value) in &grounds.figures {
            let _ = writeln!(page, "    {name:wide$}  {value}");
        }
        if let Some(at) = event.evidence_at {
            let _ = writeln!(page, "  The newest reading it used was of {}.", zone.show(at));
        }
        let text =
            self.texts.iter().find(|(revision, _)| *revision == event.revision).and_then(|(_, text)| text.as_ref());
        match (text, event.revision.is_empty()) {
            (_, true) => {
                page.push_str("  The daemon itself judges this; there is no rule to look at.\n");
                return;
            }
            (None, false) => {
                let _ = writeln!(page, "  The text of the rule's revision {} is not on record.", event.revision);
            }
            (Some(text), false) => self.rule_lines(page, text, &event.revision, grounds.line),
        }
        if !grounds.compared.is_empty() {
            page.push_str("\n  What it compared on the way\n");
        }
        let lines: Vec<&str> = text.map(|text| text.text.lines().collect()).unwrap_or_default();
        let wide = widest(grounds.compared.iter().map(|(_, words)| words)).min(44);
        for (number, words) in &grounds.compared {
            let source = number.checked_sub(1).and_then(|n| lines.get(n)).map(|line| line.trim()).unwrap_or_default();
            let _ = writeln!(page, "    {words:wide$}  {number:>4}  {source}");
        }
        if !grounds.settings.is_empty() {
            page.push_str("\n  Settings in force then\n");
        }
        let wide = widest(grounds.settings.iter().map(|(name, _)| name));
        for (name, value) in &grounds.settings {
            let _ = writeln!(page, "    {name:wide$}  {value}");
        }
    }

    /// The line that answered with its neighbours.
    fn rule_lines(&self, page: &mut String, text: &RuleText, revision: &str, line: Option<usize>) {
        let changed = match &self.in_force {
            Some(now) if now.revision() == revision => String::new(),
            Some(now) => format!("; the rule was changed since, to {}", now.revision()),
            None => "; the rule is no longer in force".into(),
        };
        let place = line.map_or_else(String::new, |line| format!(":{line}"));
        let _ = writeln!(page, "\n  Said by {}{place}, revision {revision}{changed}", text.path);
        let Some(line) = line else { return };
        let shown = line.saturating_sub(AROUND).max(1)..=line + AROUND;
        for (number, source) in (1..).zip(text.text.lines()).filter(|(number, _)| shown.contains(number)) {
            let mark = if number == line { '>' } else { ' ' };
            let _ = writeln!(page, "  {mark} {number:>4}  {source}");
        }
    }

    /// Every event and mail in the order of time.
    fn story(&self) -> Vec<(Timestamp, String)> {
        let mut story: Vec<(Timestamp, String)> = Vec::new();
        for event in &self.events {
            if let Some(since) = event.grounds.as_ref().and_then(|g| g.since).filter(|since| *since < event.at) {
                let what =
                    if event.kind == AlarmEventKind::Raised { "the condition began" } else { "the condition ended" };
                if matches!(event.kind, AlarmEventKind::Raised | AlarmEventKind::Cleared) {
                    story.push((since, what.into()));
                }
            }
            let moved =
                if event.before == event.after { String::new() } else { format!(" (now {})", event.after.key()) };
            let words = if event.words.is_empty() { String::new() } else { format!(": {}", event.words) };
            story.push((event.at, format!("{}{moved}{words}", event.kind.key())));
        }
        for mail in &self.mails {
            let state = match &mail.state {
                MailState::Waiting { tries: 0, .. } => "not tried yet".into(),
                MailState::Waiting { tries, last_reply, .. } => format!("waiting after {tries} tries: {last_reply}"),
                MailState::Accepted { at, .. } => format!("taken by the relay {}", self.site.zone.show(*at)),
                MailState::GivenUp { reply, .. } => format!("undeliverable: {reply}"),
            };
            let told = match &mail.notice {
                Notice::Alarm(notice) => match notice.step {
                    Step::Raise => "the alarm",
                    Step::Update => "a change",
                    Step::Reminder => "a reminder",
                    Step::Clear => "that it cleared",
                    Step::Retire => "that it was closed without clearing",
                },
                _ => "",
            };
            story.push((mail.created_at, format!("mail {} to {}: {told}; {state}", mail.id.0, mail.to)));
        }
        story.sort_by_key(|(at, _)| *at);
        story
    }

    fn look_further(&self, page: &mut String) {
        let Some(bin) = self.alarm.key.bin() else { return };
        let raise = self.events.iter().find(|e| e.kind == AlarmEventKind::Raised);
        let Some(raise) = raise else { return };
        let onset = raise.grounds.as_ref().and_then(|g| g.since).unwrap_or(raise.at);
        // Without the offset: the commands read times by the site's clock.
        let local = |at| self.site.zone.show(at).chars().take("2026-03-10 07:00".len()).collect::<String>();
        let (from, to) = (local(onset - LOOK_BACK), local(raise.at));
        let _ = writeln!(page, "\nLook further");
        let _ = writeln!(page, "  hypocaust readings --bin {bin} --from \"{from}\" --to \"{to}\"");
        let _ = writeln!(page, "  hypocaust replay --bins {bin} --from \"{from}\"");
        let _ = writeln!(page, "  hypocaust rules show {}", self.alarm.key.rule);
    }

    fn json(&self) -> Value {
        let events: Vec<Value> = self
            .events
            .iter()
            .map(|event| {
                json!({
                    "at": rfc3339_utc(event.at),
                    "event": event.kind.key(),
                    "before": event.before.key(),
                    "after": event.after.key(),
                    "words": event.words,
                    "evidence_at": event.evidence_at.map(rfc3339_utc),
                    "rule_revision": event.revision,
                    "since": event.grounds.as_ref().and_then(|g| g.since).map(rfc3339_utc),
                    "evidence": event.grounds.as_ref().map(|g| &g.evidence),
                    "figures": event.grounds.as_ref().map(|g| pairs(&g.figures)),
                    "line": event.grounds.as_ref().and_then(|g| g.line),
                    "compared": event.grounds.as_ref().map(|g| {
                        g.compared.iter().map(|(line, words)| json!({ "line": line, "words": words })).collect::<Vec<_>>()
                    }),
                    "settings": event.grounds.as_ref().map(|g| pairs(&g.settings)),
                })
            })
            .collect();
        let mails: Vec<Value> = self
            .mails
            .iter()
            .map(|mail| {
                let state = match mail.state {
                    MailState::Waiting { .. } => "waiting",
                    MailState::Accepted { .. } => "accepted",
                    MailState::GivenUp { .. } => "undeliverable",
                };
                json!({ "id": mail.id.0, "to": mail.to, "created_at": rfc3339_utc(mail.created_at), "state": state })
            })
            .collect();
        json!({
            "id": self.alarm.id.0,
            "occurrence": self.occurrence,
            "rule": self.alarm.key.rule,
            "about": self.alarm.key.subject.as_str(),
            "bin": self.alarm.key.bin().map(BinId::as_str),
            "title": self.alarm.title,
            "priority": self.alarm.priority.key(),
            "events": events,
            "mails": mails,
        })
    }
}

fn pairs(list: &[(String, String)]) -> Vec<Value> {
    list.iter().map(|(name, value)| json!({ "name": name, "value": value })).collect()
}

fn widest<'a>(texts: impl Iterator<Item = &'a String>) -> usize {
    texts.map(|text| text.chars().count()).max().unwrap_or(0)
}
