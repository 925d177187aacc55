//! An alarm's life as one table: what each event does in each state, what is told, what is refused (ISA-18.2 / IEC 62682 words).
//!
//! Must never tell anything while an alarm is suppressed, and never end a latching alarm without a person's reset.

use std::fmt;

use pile::time::{Span, Timestamp};

use crate::alarm::AlarmState;
use crate::limits;

/// Where an alarm is in its life, with what a suppression hides.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Life {
    /// The letter of the table; [`AlarmState::Suppressed`] exactly while one of the three flags is set.
    pub state: AlarmState,
    /// Flag S: a person hid it until a given time.
    pub shelf: Option<Shelf>,
    /// Flag H: suppressed by design, by the rule of this name.
    pub by_design: Option<String>,
    /// Flag O: a person took it out of service.
    pub out_of_service: Option<OutOfService>,
    /// While suppressed: the condition holds.
    pub active: bool,
    /// While suppressed: it waits for a reset.
    pub latched: bool,
    /// While suppressed: people were told of the occurrence before it was hidden, and not yet of its end.
    pub open: bool,
    /// When the condition last ended.
    pub cleared_at: Option<Timestamp>,
    /// Reminders since it was last raised.
    pub reminders: u32,
}

/// A shelf: hidden by a person for a limited time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shelf {
    /// Since when, counted from the first of several shelvings in a row.
    pub since: Timestamp,
    /// Until when.
    pub until: Timestamp,
    /// Who.
    pub by: String,
    /// Why; never empty.
    pub reason: String,
}

/// Taken out by a person without an automatic end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutOfService {
    /// Since when.
    pub since: Timestamp,
    /// When it is expected back; only a note.
    pub back: Option<Timestamp>,
    /// Who.
    pub by: String,
    /// Why; never empty.
    pub reason: String,
}

/// What can happen to an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// The condition was proven.
    Raise,
    /// Its absence was proven.
    Clear,
    /// A person acknowledges.
    Acknowledge,
    /// A person resets a latched alarm.
    Reset,
    /// A person hides it for a limited time.
    Shelve {
        /// Until when; nothing is shelved without an end.
        until: Option<Timestamp>,
        /// Who.
        by: String,
        /// Why.
        reason: String,
    },
    /// A person ends the shelf.
    Unshelve,
    /// The shelf's time is over.
    ShelfEnds,
    /// Logic hides it.
    SuppressByDesign {
        /// The rule that hides it.
        rule: String,
    },
    /// Logic hides it no longer.
    EndByDesign,
    /// A person takes it out of service.
    OutOfService {
        /// When it is expected back.
        back: Option<Timestamp>,
        /// Who.
        by: String,
        /// Why.
        reason: String,
    },
    /// A person puts it back into service.
    InService,
    /// It has stood for the re-alarm time.
    Realarm,
    /// It holds in a worse band.
    Escalate,
    /// The daemon starts again.
    Restart,
    /// The rule is gone.
    Retire,
}

/// What a rule asks of its alarms' lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LifeConfig {
    /// A person has to acknowledge.
    pub ack_required: bool,
    /// It stays until a person resets it.
    pub latching: bool,
    /// A person may shelve it.
    pub shelvable: bool,
    /// Standing for the re-alarm time withdraws an acknowledgement.
    pub realarm_acked: bool,
    /// A worse band ends a shelf.
    pub break_shelf_on_escalate: bool,
    /// Raised again sooner than this after its end, an unacknowledged alarm is the same occurrence; zero means never.
    pub reopen_within: Span,
    /// It may be shelved for this long in a row.
    pub shelf_longest: Span,
}

/// Which mail an event causes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// None.
    Nothing,
    /// A raise.
    Raise(Occurrence),
    /// An update in the thread of the occurrence.
    Update,
    /// The end.
    Clear,
    /// A reminder, 1 for the first.
    Reminder(u32),
}

/// Whether a raise opens an occurrence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Occurrence {
    /// It does.
    New,
    /// It goes on with the one that was there.
    Same,
}

/// Why a person's word changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refused {
    /// Acknowledging a normal alarm.
    NothingToAcknowledge,
    /// Resetting what is not latched.
    NotLatched,
    /// Resetting while the condition holds.
    StillActive,
    /// Resetting before acknowledging.
    AcknowledgeFirst,
    /// Acknowledging or resetting while suppressed.
    Suppressed,
    /// The rule does not allow a shelf.
    NotShelvable,
    /// No reason.
    NoReason,
    /// No end, or one that is over.
    NoEnd,
    /// The end lies beyond the limit.
    BeyondLimit {
        /// The longest time.
        longest: Span,
    },
    /// Ending a shelf that is not there.
    NotShelved,
    /// Putting into service what is.
    InServiceAlready,
}

impl Life {
    /// The life of an alarm that never was raised.
    pub const NORMAL: Life = Life {
        state: AlarmState::Normal,
        shelf: None,
        by_design: None,
        out_of_service: None,
        active: false,
        latched: false,
        open: false,
        cleared_at: None,
        reminders: 0,
    };

    /// How many of the three flags are set.
    pub fn flags(&self) -> usize {
        usize::from(self.shelf.is_some())
            + usize::from(self.by_design.is_some())
            + usize::from(self.out_of_service.is_some())
    }
}

impl Default for LifeConfig {
    /// What holds for a rule that says nothing.
    fn default() -> LifeConfig {
        LifeConfig {
            ack_required: true,
            latching: false,
            shelvable: true,
            realarm_acked: false,
            break_shelf_on_escalate: false,
            reopen_within: Span::ZERO,
            shelf_longest: limits::SHELF_MAX,
        }
    }
}

/// Applies one event at `now`: the life after it and what is told, or why a person's word is refused.
pub fn step(life: &Life, event: Event, config: &LifeConfig, now: Timestamp) -> Result<(Life, Told), Refused> {
    use AlarmState::{
        Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, ReturnedUnacknowledged, Suppressed,
        Unacknowledged,
    };
    let mut next = life.clone();
    let told = match (life.state, event) {
        (Suppressed, event) => return suppressed(next, event, config, now),
        (_, Event::Shelve { until, by, reason }) => {
            next.shelf = Some(shelf(life, until, by, reason, config, now)?);
            hide(&mut next, config)
        }
        (_, Event::OutOfService { back, by, reason }) => {
            next.out_of_service = Some(out_of_service(back, by, reason, now)?);
            hide(&mut next, config)
        }
        (_, Event::SuppressByDesign { rule }) => {
            next.by_design = Some(rule);
            hide(&mut next, config);
            Told::Nothing
        }
        (_, Event::Unshelve) => return Err(Refused::NotShelved),
        (_, Event::InService) => return Err(Refused::InServiceAlready),
        (_, Event::ShelfEnds | Event::EndByDesign | Event::Restart) => Told::Nothing,
        (state, Event::Retire) => {
            next = Life { cleared_at: life.cleared_at, ..Life::NORMAL };
            if state == Normal { Told::Nothing } else { Told::Clear }
        }

        (Normal, Event::Raise) => {
            raise(&mut next, if config.ack_required { Unacknowledged } else { Acknowledged });
            Told::Raise(Occurrence::New)
        }
        (ReturnedUnacknowledged, Event::Raise) => {
            raise(&mut next, Unacknowledged);
            match life.cleared_at {
                Some(end) if now.since(end) < config.reopen_within => Told::Update,
                _ => Told::Raise(Occurrence::New),
            }
        }
        (LatchedUnacknowledged, Event::Raise) => {
            raise(&mut next, Unacknowledged);
            Told::Update
        }
        (LatchedAcknowledged, Event::Raise) => {
            raise(&mut next, Unacknowledged);
            Told::Raise(Occurrence::New)
        }
        (Unacknowledged | Acknowledged, Event::Raise) => Told::Nothing,

        (state @ (Unacknowledged | Acknowledged), Event::Clear) => {
            next.cleared_at = Some(now);
            next.state = match (state, config.latching) {
                (Unacknowledged, true) => LatchedUnacknowledged,
                (Unacknowledged, false) => ReturnedUnacknowledged,
                (_, true) => LatchedAcknowledged,
                (_, false) => Normal,
            };
            if config.latching { Told::Update } else { Told::Clear }
        }
        (Normal | ReturnedUnacknowledged | LatchedUnacknowledged | LatchedAcknowledged, Event::Clear) => Told::Nothing,

        (Normal, Event::Acknowledge) => return Err(Refused::NothingToAcknowledge),
        (state, Event::Acknowledge) => {
            next.state = match state {
                Unacknowledged => Acknowledged,
                ReturnedUnacknowledged => Normal,
                LatchedUnacknowledged => LatchedAcknowledged,
                other => other,
            };
            Told::Nothing
        }

        (Normal | ReturnedUnacknowledged, Event::Reset) => return Err(Refused::NotLatched),
        (Unacknowledged | Acknowledged, Event::Reset) => return Err(Refused::StillActive),
        (LatchedUnacknowledged, Event::Reset) => return Err(Refused::AcknowledgeFirst),
        (LatchedAcknowledged, Event::Reset) => {
            next.state = Normal;
            Told::Clear
        }

        (Unacknowledged, Event::Realarm) => {
            next.reminders = life.reminders.saturating_add(1);
            Told::Reminder(next.reminders)
        }
        (Acknowledged, Event::Realarm) if config.realarm_acked => {
            next.state = Unacknowledged;
            Told::Raise(Occurrence::Same)
        }
        (Unacknowledged, Event::Escalate) => Told::Update,
        (Acknowledged, Event::Escalate) => {
            next.state = Unacknowledged;
            Told::Raise(Occurrence::Same)
        }
        (_, Event::Realarm | Event::Escalate) => Told::Nothing,
    };
    Ok((next, told))
}

/// What happens under a suppression: the shadows follow the condition, and the last flag that goes brings the alarm back.
fn suppressed(mut next: Life, event: Event, config: &LifeConfig, now: Timestamp) -> Result<(Life, Told), Refused> {
    let ended = next.shelf.as_ref().is_some_and(|s| s.until <= now);
    match event {
        Event::Raise => {
            next.active = true;
            next.latched |= config.latching;
        }
        Event::Clear => {
            if next.active {
                next.cleared_at = Some(now);
            }
            next.active = false;
        }
        Event::Acknowledge | Event::Reset => return Err(Refused::Suppressed),
        Event::Shelve { until, by, reason } => next.shelf = Some(shelf(&next, until, by, reason, config, now)?),
        Event::SuppressByDesign { rule } => next.by_design = Some(rule),
        Event::OutOfService { back, by, reason } => {
            next.out_of_service = Some(out_of_service(back, by, reason, now)?);
        }
        Event::Unshelve => {
            next.shelf.take().ok_or(Refused::NotShelved)?;
        }
        Event::InService => {
            next.out_of_service.take().ok_or(Refused::InServiceAlready)?;
        }
        // The timer of a shelf that was replaced by a longer one is stale.
        Event::ShelfEnds | Event::Restart if ended => next.shelf = None,
        Event::EndByDesign => next.by_design = None,
        Event::Escalate if config.break_shelf_on_escalate && next.active && next.flags() == 1 => next.shelf = None,
        Event::ShelfEnds | Event::Restart | Event::Realarm | Event::Escalate => {}
        Event::Retire => {
            let told = if next.open { Told::Clear } else { Told::Nothing };
            return Ok((Life { cleared_at: next.cleared_at, ..Life::NORMAL }, told));
        }
    }
    if next.flags() > 0 {
        return Ok((next, Told::Nothing));
    }
    let (state, told) = match (next.active, next.latched, next.open) {
        (true, _, true) => (AlarmState::Unacknowledged, Told::Raise(Occurrence::Same)),
        (true, _, false) => (AlarmState::Unacknowledged, Told::Raise(Occurrence::New)),
        (false, true, _) => (AlarmState::LatchedUnacknowledged, Told::Update),
        (false, false, true) => (AlarmState::Normal, Told::Clear),
        (false, false, false) => (AlarmState::Normal, Told::Nothing),
    };
    Ok((Life { state, cleared_at: next.cleared_at, ..Life::NORMAL }, told))
}

fn raise(life: &mut Life, state: AlarmState) {
    life.state = state;
    life.reminders = 0;
}

/// Hides an alarm, keeping in the shadows what it was.
fn hide(life: &mut Life, config: &LifeConfig) -> Told {
    use AlarmState::{Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, Unacknowledged};
    let held = matches!(life.state, LatchedUnacknowledged | LatchedAcknowledged);
    life.active = matches!(life.state, Unacknowledged | Acknowledged);
    life.latched = held || (config.latching && life.active);
    life.open = life.state != Normal;
    life.state = AlarmState::Suppressed;
    if life.active || held { Told::Update } else { Told::Nothing }
}

fn shelf(
    life: &Life,
    until: Option<Timestamp>,
    by: String,
    reason: String,
    config: &LifeConfig,
    now: Timestamp,
) -> Result<Shelf, Refused> {
    if !config.shelvable {
        return Err(Refused::NotShelvable);
    }
    if reason.trim().is_empty() {
        return Err(Refused::NoReason);
    }
    let until = until.filter(|until| *until > now).ok_or(Refused::NoEnd)?;
    let since = life.shelf.as_ref().map_or(now, |s| s.since);
    let longest = config.shelf_longest.min(limits::SHELF_MAX);
    if until.since(since) > longest {
        return Err(Refused::BeyondLimit { longest });
    }
    Ok(Shelf { since, until, by, reason })
}

fn out_of_service(
    back: Option<Timestamp>,
    by: String,
    reason: String,
    now: Timestamp,
) -> Result<OutOfService, Refused> {
    if reason.trim().is_empty() {
        return Err(Refused::NoReason);
    }
    Ok(OutOfService { since: now, back, by, reason })
}

impl fmt::Display for Refused {
    /// What is the matter and the next step.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refused::NothingToAcknowledge => f.write_str("it is normal: there is nothing to acknowledge"),
            Refused::NotLatched => f.write_str("it is not latched: there is nothing to reset"),
            Refused::StillActive => f.write_str("its condition still holds; reset it when that has ended"),
            Refused::AcknowledgeFirst => f.write_str("nobody has acknowledged it; acknowledge it, then reset it"),
            Refused::Suppressed => {
                f.write_str("it is suppressed; end that first, by unshelving it or putting it back into service")
            }
            Refused::NotShelvable => {
                f.write_str("its rule does not allow shelving; acknowledge it, or take it out of service")
            }
            Refused::NoReason => f.write_str("a reason is missing; say why"),
            Refused::NoEnd => f.write_str("an end in the time to come is missing; say until when"),
            Refused::BeyondLimit { longest } => write!(
                f,
                "shelved time may not pass {longest} in all; name an earlier end, or take the alarm out of service"
            ),
            Refused::NotShelved => f.write_str("it is not shelved"),
            Refused::InServiceAlready => f.write_str("it is in service already"),
        }
    }
}
