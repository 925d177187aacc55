//! Every queue, window and retry of the engine with its bound, in one table.
//!
//! Must never be repeated elsewhere as a number.

use pile::time::Span;

/// How far back windows reach when no rule asks for more.
pub const WINDOW_DEFAULT: Span = Span::days(3);
/// How far back windows reach at the most, whatever a rule asks for.
pub const WINDOW_MAX: Span = Span::days(8);
/// From here on chemical heating feeds itself and fire is near: 77 to 82 °C (Buggeln and Rynk 2002).
pub const FIRE_CELSIUS: f64 = 80.0;
/// No alarm of fire ends while a probe in the pile is over this, whatever a rule's text says (common practice, no source).
pub const FIRE_OVER_CELSIUS: f64 = 78.0;
/// Over this at the hottest probe nobody is told to water: a dry pile that is hot and gets a little water comes into the range of moisture,
/// some 20 to 45 %, in which heaps ignite by themselves (Rynk 2000, from memory; Buggeln and Rynk 2002).
pub const WATER_WITHHELD_CELSIUS: f64 = 70.0;
/// Water that was withheld is given back when the hottest probe is no hotter than this, so that a pile at the limit tells it once.
pub const WATER_GIVEN_BACK_CELSIUS: f64 = 68.0;
/// A probe that fell silent while it was hot counts as hot for so long.
pub const HOT_REMEMBERED: Span = Span::days(1);
/// Whoever hides an alarm that guards people gives a reason of so many letters at the least.
pub const GUARD_REASON_LETTERS: usize = 10;
/// From one tick of a bin to the next.
pub const TICK: Span = Span::minutes(1);
/// A rule whose judgement cost all that it may, or in which the program failed, rests for so long before it is tried again.
pub const RULE_RESTS: Span = Span::hours(1);
/// A rule that rests for so many subjects rests for all of them.
pub const RULE_RESTS_EVERYWHERE_AT: usize = 5;
/// Steps that all rules together may take at one tick of one bin: as many as four of them at their own bound ([`rulebook::limits::OPERATIONS`]). Beyond
/// that the dearest of them rests for that bin.
pub const TICK_STEPS: u64 = 4 * rulebook::limits::OPERATIONS;
/// Steps that all rules together may take at all bins in one minute, a few seconds of one core. Beyond that the dearest of them rests
/// everywhere.
pub const ROUND_STEPS: u64 = 60_000_000;
/// A site of very many bins has so many for each of them; the rules that ship take less than a third of that when all of them are due.
pub const ROUND_STEPS_A_BIN: u64 = 200_000;
/// Steps of all judgements of one rule case: half a minute of one core, and a hundred times what the cases of the rules that ship take.
pub const CASE_STEPS: u64 = 500_000_000;
/// A part of the daemon that failed is told of for so long after its last failure.
pub const PART_FAILED_FOR: Span = Span::hours(1);
/// Parts that failed which are kept apart at the most.
pub const PARTS_FAILED_KEPT: usize = 20;
/// A reading that is older than this when it arrives is late: it goes to history and results, and turns no live alarm.
/// Three times the probe's own interval is used where that is longer.
pub const LATE_AFTER: Span = Span::minutes(30);
/// Payloads without a time: the same value again within this is the same reading delivered twice.
pub const REPEAT_WITHIN: Span = Span::seconds(2);
/// 85.0 °C from a probe that reports it at power-on is believed only within this of the last good value, in kelvin.
pub const POWER_ON_BELIEVED_WITHIN_KELVIN: f64 = 5.0;
/// A silence longer than this is not bridged when time above a threshold is added up.
pub const GAP_BRIDGED: Span = Span::hours(1);
/// From one judgement of a batch by the site's criteria to the next, while nothing is written about it.
pub const RESULTS_EVERY: Span = Span::hours(6);
/// The water account takes what was measured in steps of this.
pub const WATER_CELL: Span = Span::minutes(10);
/// The threshold that the weekly summary reports, °C: 40 CFR 503 appendix B, processes to further reduce pathogens (from memory).
pub const SUMMARY_THRESHOLD_CELSIUS: f64 = 55.0;
/// The steps between delivery attempts of a mail; the last one repeats.
pub const MAIL_RETRY: [Span; 7] = [
    Span::minutes(1),
    Span::minutes(2),
    Span::minutes(5),
    Span::minutes(10),
    Span::minutes(20),
    Span::minutes(30),
    Span::minutes(60),
];
/// An alarm mail is tried for this long.
pub const ALARM_MAIL_GIVEN_UP_AFTER: Span = Span::hours(24);
/// A summary is tried for this long.
pub const SUMMARY_MAIL_GIVEN_UP_AFTER: Span = Span::days(5);
/// A round list is tried for this long: the next one is there by then.
pub const ROUND_LIST_GIVEN_UP_AFTER: Span = Span::hours(20);
/// Mail to a person has been tried and not taken for this long before others learn it; a relay that greets strangers late takes it by then.
pub const MAIL_HELD_TOLD_AFTER: Span = Span::minutes(30);
/// A mail that was lost for what it was is told for this long.
pub const MAIL_LOST_TOLD_FOR: Span = Span::days(1);
/// So many characters of a relay's words are told; the outbox has all of them.
pub const RELAY_WORDS: usize = 240;
/// Mails under way at one time.
pub const MAILS_IN_FLIGHT: usize = 8;
/// This many refused payloads within [`REFUSED_WITHIN`] raise an alarm.
pub const REFUSED_ALARM_AT: u32 = 20;
/// See [`REFUSED_ALARM_AT`].
pub const REFUSED_WITHIN: Span = Span::hours(1);
/// A run that ended unasked and left a gap longer than this is told by mail.
pub const OUTAGE_TOLD_AFTER: Span = Span::minutes(5);
/// How long blowers have to show themselves after an outage before the mail goes out.
pub const OUTAGE_SETTLES_IN: Span = Span::minutes(45);
/// A jump of the wall clock longer than this restarts delays and gives silence grace.
pub const CLOCK_JUMP: Span = Span::hours(1);
/// A probe's clock may be ahead of ours by this much (our own bound; `decode` holds it too).
pub const DEVICE_AHEAD_MOST: Span = Span::minutes(5);
/// The machine's clock agrees with ours while it is behind by no more than this; by more, and it was set back.
pub const CLOCK_AGREES_WITHIN: Span = Span::minutes(1);
/// While the machine's clock is behind, ours gives one part in so many of the passing time back, until the two meet.
pub const CLOCK_GIVES_BACK_ONE_IN: i64 = 10;
/// A clock that is further behind is not waited for: it would take months. A restart takes its word.
pub const CLOCK_WAITED_FOR_MOST: Span = Span::days(7);
/// What was due while nobody watched is made up for in pieces: a water account takes so many cells at once, two days of them.
pub const WATER_CELLS_AT_ONCE: usize = 288;
/// A water account begins or goes on no further back: nothing was measured for so long, or a date is wrong.
pub const WATER_BEHIND_MOST: Span = Span::days(60);
/// From one such piece to the next, so that messages and alarms come between.
pub const NEXT_PIECE_AFTER: Span = Span::seconds(1);
/// Probes that the alarm about wrong times names; it counts the others.
pub const WRONG_TIMES_NAMED: usize = 8;
/// After a start the alarm about wrong times stays for so long before readings that come in time clear it.
pub const WRONG_TIMES_FORGOTTEN_AFTER: Span = Span::minutes(30);
/// Readings come as they are measured while the times between them agree within this, or a tenth (our own bound).
pub const STEADY_WITHIN: Span = Span::minutes(1);
/// So many in a row, over [`STEADY_FOR`] at the least, show a clock that is wrong and no backlog (our own bound).
pub const STEADY_READINGS: u32 = 3;
/// See [`STEADY_READINGS`].
pub const STEADY_FOR: Span = Span::minutes(2);
/// From one retained status message to the next.
pub const STATUS_EVERY: Span = Span::minutes(5);
/// From one retained status message of a bin to the next, while nothing happens to its alarms.
pub const BIN_STATUS_EVERY: Span = Span::minutes(15);
/// Rows and entries that cannot be used which the alarm about them lists; it counts the others.
pub const PASSED_OVER_LISTS: usize = 20;
/// Entries kept in memory for a bin.
pub const ENTRIES_PER_BIN: usize = 500;
/// Entries of the whole site that are kept in memory, so that one can be withdrawn or corrected with all that it did: ten years of six bins.
/// Those by which the batches that are on the site came to be are the last to go.
pub const LOG_KEPT: usize = 20_000;
/// Points of one line in the picture of a mail.
pub const CHART_POINTS: usize = 150;
/// A person may shelve an alarm for this long in a row; longer means out of service.
pub const SHELF_MAX: Span = rulebook::limits::SHELF_MAX;
/// Probes fell by more than this, all in the pile and within [`PULLED_WITHIN`]: they were pulled, for no pile cools so fast
/// (common practice, no source).
pub const PULLED_FALL_KELVIN: f64 = 10.0;
/// See [`PULLED_FALL_KELVIN`].
pub const PULLED_WITHIN: Span = Span::minutes(15);
/// So many probes must have fallen: one alone may have been wetted.
pub const PULLED_PROBES_MIN: u32 = 2;
/// Pulled probes come no further below the air than this: evaporation cools a wet one (common practice, no source).
pub const PULLED_BELOW_AIR_KELVIN: f64 = 5.0;
/// Where no probe gives the temperature of the air, only falls from this on are taken for it (common practice, no source).
pub const PULLED_FROM_CELSIUS: f64 = 35.0;
/// An alarm that comes back sooner than this after its end, before anybody acknowledged it, is the same occurrence.
pub const REOPEN_WITHIN: Span = Span::minutes(15);
/// So many raises of one alarm within [`CHATTER_WITHIN`] and it only tells of itself in the thread that is there.
pub const CHATTER_AT: usize = 3;
/// See [`CHATTER_AT`].
pub const CHATTER_WITHIN: Span = Span::hours(6);
/// More raises than this within [`FLOOD_WITHIN`] begin a flood: then one mail tells of many (common practice for control rooms).
pub const FLOOD_ABOVE: usize = 10;
/// A flood ends with fewer raises than this within [`FLOOD_WITHIN`].
pub const FLOOD_ENDS_BELOW: usize = 5;
/// See [`FLOOD_ABOVE`].
pub const FLOOD_WITHIN: Span = Span::minutes(10);
/// From one mail of a flood to the next.
pub const FLOOD_MAIL_EVERY: Span = Span::minutes(15);
/// Alarms that one mail of a flood lists, the most urgent first; it counts the others.
pub const FLOOD_MAIL_LISTS: usize = 60;
/// An unacknowledged alarm reminds at the earliest after this, however short its time to respond is.
pub const REMINDER_EARLIEST: Span = Span::minutes(30);
/// An unacknowledged alarm reminds this often, each time after twice as long; after that the round list alone names it.
pub const REMINDERS_MAX: u32 = 3;
/// Lines of what is wrong with a changed rule that its mail shows.
pub const REFUSED_CHANGE_LINES: usize = 25;
/// An alarm that stands for longer than this is counted as standing in the summary.
pub const STANDING_AFTER: Span = Span::hours(24);

/// The longest subject line of an alarm's mails, in characters. With `Re: ` before it a mail program shows 60.
pub const SUBJECT_CHARS: usize = 56;

/// A finding that is older than this is shown with its time.
pub const FINDING_FRESH: Span = Span::hours(1);
