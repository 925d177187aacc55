//! Every bound that holds a rule in check, in one table.
//!
//! Must never be a length of real time: the same facts must give the same answer on any machine.

use pile::time::Span;

/// Steps of one judgement, what our own words charge included; then it is a fault, and the rule rests. A step is less than a tenth of a
/// microsecond of one core, whatever the word (`cargo bench -p rulebook --bench steps`), so that this is a few hundredths of a second at the most.
pub const OPERATIONS: u64 = 500_000;
/// Points of a window that a word goes through, for one step.
pub const POINTS_A_STEP: u64 = 2;
/// Pairs of points that a slope compares, for one step.
pub const PAIRS_A_STEP: u64 = 32;
/// Steps for a word that gathers something anew: signals, probes, entries of the log.
pub const GATHERING: u64 = 4;
/// Steps for each bin of the site, or other bin, that a word hands out.
pub const A_BIN: u64 = 8;
/// Steps for one figure of the water account.
pub const WATER: u64 = 40;
/// Steps for weighing the causes of a cooling, on top of the points read for it.
pub const CAUSES: u64 = 2_000;
/// Steps for looking for an open door, on top of the points read for it.
pub const OPENING: u64 = 2_000;
/// Words of memory of a list that are copied where its variable is named, for one step.
pub const COPIED_A_STEP: u64 = 8;
/// How deep functions of a rule may call each other.
pub const CALL_LEVELS: usize = 16;
/// How deep expressions may nest.
pub const EXPRESSION_DEPTH: usize = 32;
/// Items of one list, nested ones included.
pub const ARRAY_SIZE: usize = 1_000;
/// Entries of one map, nested ones included.
pub const MAP_SIZE: usize = 200;
/// Bytes of one text.
pub const STRING_BYTES: usize = 4_000;
/// Variables of one rule at any one time.
pub const VARIABLES: usize = 100;
/// Functions of one rule.
pub const FUNCTIONS: usize = 30;
/// Bytes of one rule's file.
pub const RULE_BYTES: usize = 64 * 1024;
/// Rules of one site.
pub const RULES: usize = 200;
/// Bytes of one file of cases.
pub const CASES_BYTES: usize = 256 * 1024;
/// Cases of one rule.
pub const CASES: usize = 200;
/// Readings of one case, all probes together: a season of seven probes and a blower at five minutes.
pub const CASE_READINGS: i64 = 220_000;
/// The grounds and figures of one answer, each.
pub const ANSWER_LINES: usize = 40;
/// Bytes of a finding: it goes into one line of a mail.
pub const FINDING_BYTES: usize = 300;

/// The longest window that a rule may ask for. The engine keeps no more.
pub const WINDOW_MAX: Span = Span::days(8);
/// The longest on-delay, off-delay and gap.
pub const DELAY_MAX: Span = Span::days(7);
/// The longest time, backwards or forwards, that a rule may hand to a function: no batch, entry or probe is older.
pub const LENGTH_MAX: Span = Span::days(36_525);
/// From one judgement to the next at the least: the engine's tick.
pub const EVERY_MIN: Span = Span::minutes(1);
/// From one judgement to the next at the most.
pub const EVERY_MAX: Span = Span::days(1);

/// A signal is silent, and what it last said is unknown, after this many of its intervals ...
pub const SILENT_INTERVALS: i64 = 3;
/// ... but never sooner than this (common practice, no source).
pub const SILENT_AT_LEAST: Span = Span::minutes(30);
/// Means, slopes and the like are unknown where readings cover less than this share of the time asked for (common practice, no source).
pub const COVERED_AT_LEAST: f64 = 0.5;
/// A slope needs this many points.
pub const SLOPE_POINTS_MIN: usize = 3;
/// A slope is taken over medians of five minutes, or of so much less that a short window still has this many ...
pub const SLOPE_POINTS_MIN_WANTED: i64 = 50;
/// ... or of so much more that a long one has no more than these: its cost grows with the square.
pub const SLOPE_POINTS_MAX: i64 = 400;
/// A blower's run time is unknown where its proof signal covers less than this share of the time asked for (common practice, no source).
pub const RUN_COVERED_AT_LEAST: f64 = 0.75;
/// Comparisons of one judgement that go on record with an alarm, at the most.
pub const COMPARISONS_KEPT: usize = 60;
/// The longest deed of a subject line, in characters: the bin stands before it in a line of 60.
pub const DEED_CHARS: usize = 34;
/// Alarms that one answer hides, at the most.
pub const ANSWER_HIDES: usize = 1_000;
/// A rule may allow its alarms to be shelved for this long in a row, at the most.
pub const SHELF_MAX: Span = Span::hours(72);
/// An alarm that guards people may be hidden for no longer.
pub const GUARD_SHELF_MAX: Span = Span::minutes(30);
