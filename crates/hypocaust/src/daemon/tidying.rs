//! What the loop does for the store beside its work: packs days that are over, takes out readings after their time, and doubts the clock first.
//!
//! Must never take long at once, and never take anything out while the machine's clock may be wrong.

use ledger::{Ledger, LedgerError, Times};
use pile::time::{Span, Timestamp};
use site::model::{Keep, Site};
use site::zone::parse_instant;

use super::{Item, Loop, chain, failed};

/// How long a day keeps its rows after its end: most of what comes late has come by then, and finds its place without unpacking.
const PACKED_AFTER: Span = Span::days(3);
/// From the end of one walk over the store to the next.
const LOOKED_AT_EVERY: Span = Span::minutes(10);
/// A step of tidying that failed in the program itself is tried again after so long.
const RESTS_FOR: Span = Span::hours(1);
/// A time off, or a step of the clock, of so long may be a clock that is wrong.
const DOUBTFUL_GAP: Span = Span::days(30);
const DOUBTFUL_STEP: Span = Span::days(1);
/// After it readings whose time is over stay for so long, so that somebody can see it and set the clock.
const HELD_FOR: Span = Span::days(7);
/// A clock that is behind the store by less was corrected a little.
const BEHIND_ALLOWED: Span = Span::minutes(2);

/// When the store is looked at next, and what was said already.
#[derive(Debug, Default)]
pub(super) struct Tidying {
    packs_from: Option<Timestamp>,
    prunes_from: Option<Timestamp>,
    doubt_told: bool,
}

impl Loop {
    /// Packs one piece of the days that are over.
    pub(super) fn pack_old_readings(&mut self, now: Timestamp) -> Option<Item> {
        if self.tidying.packs_from.is_some_and(|from| now < from) {
            return None;
        }
        // A transaction that a panic leaves half done is rolled back where it is dropped.
        let packed = tokio::task::block_in_place(|| fence::caught(|| self.ledger.compact(now - PACKED_AFTER)));
        match packed {
            Ok(Ok(Some(piece))) => {
                tracing::debug!("{} readings of {} series were packed", piece.readings, piece.chunks)
            }
            Ok(Ok(None)) => self.tidying.packs_from = Some(now + LOOKED_AT_EVERY),
            Ok(Err(source)) => {
                tracing::warn!(
                    "days that are over cannot be packed: {}; their readings are as they were",
                    chain(&source)
                );
                self.tidying.packs_from = Some(now + LOOKED_AT_EVERY);
            }
            Err(panic) => {
                self.tidying.packs_from = Some(now + RESTS_FOR);
                return Some(failed("packing days that are over", panic.to_string()));
            }
        }
        None
    }

    /// Takes out a piece of the readings whose time is over, where the settings give them one.
    pub(super) fn take_out_old_readings(&mut self, now: Timestamp) -> Option<Item> {
        match fence::caught(|| self.take_out(now)) {
            Ok(()) => None,
            Err(panic) => {
                self.tidying.prunes_from = Some(now + RESTS_FOR);
                Some(failed("taking out readings whose time is over", panic.to_string()))
            }
        }
    }

    fn take_out(&mut self, now: Timestamp) {
        if self.tidying.prunes_from.is_some_and(|from| now < from) {
            return;
        }
        let times = times(&self.site.keep, now);
        if times == Times::default() {
            return;
        }
        self.tidying.prunes_from = Some(now + LOOKED_AT_EVERY);
        let lag = self.clock.behind();
        let doubted = match self.clock.is_set() {
            false => Ok(Some("the machine's clock is not set".to_owned())),
            true if lag >= DOUBTFUL_STEP => Ok(Some(format!("the machine's clock is {lag} behind"))),
            true => doubt(&self.ledger, &self.site, now),
        };
        match doubted {
            Ok(None) => self.tidying.doubt_told = false,
            Ok(Some(why)) => {
                if !std::mem::replace(&mut self.tidying.doubt_told, true) {
                    tracing::warn!(
                        "{why}: readings whose time is over stay for {HELD_FOR} more, in case that clock is wrong; if it is, set it and restart \
                         the daemon"
                    );
                }
                return;
            }
            Err(source) => {
                tracing::warn!(
                    "the record cannot be asked about the clock, so nothing is taken out: {}",
                    chain(&source)
                );
                return;
            }
        }
        if let Some(since) = self.copy_waits_since(&times) {
            tracing::info!(
                "readings whose time is over stay until the copy in InfluxDB has them; it is at what went on record {} \
                 (`hypocaust copy status` says what is in its way)",
                self.site.zone.show(since)
            );
            return;
        }
        match tokio::task::block_in_place(|| self.ledger.prune(now, &times)) {
            Ok(None) => {}
            Ok(Some(pruned)) => {
                self.tidying.prunes_from = None;
                let (from, to) = (self.site.zone.show(pruned.from), self.site.zone.show(pruned.to));
                let names: Vec<&str> = pruned.quantities.iter().map(|quantity| quantity.key()).collect();
                tracing::info!(
                    "{} readings of {from} to {to} were taken out after their time ({}); their roots stay",
                    pruned.readings,
                    names.join(", ")
                );
            }
            Err(source) => tracing::warn!("readings whose time is over cannot be taken out: {}", chain(&source)),
        }
    }
}

impl Loop {
    /// When the record's row was written at which the copy elsewhere is, if that is so long ago that readings whose time is over may be under it.
    fn copy_waits_since(&self, times: &Times) -> Option<Timestamp> {
        let target = &self.copy.as_ref()?.target;
        let over = times.of.values().copied().chain(times.all).max()?;
        let state = match self.ledger.copy_state(target) {
            Ok(state) => state,
            Err(source) => {
                tracing::warn!("how far the copy in InfluxDB is cannot be read: {}", chain(&source));
                return Some(over);
            }
        };
        // An hour's row is written minutes after it; a day more is for rows that had to wait.
        state.waits_since.filter(|since| *since <= over + Span::days(1))
    }
}

/// Whose time is over at `now`. Whole days of UTC, as they are packed.
fn times(keep: &Keep, now: Timestamp) -> Times {
    let before = |years: f64| {
        let at = (now - years_as_span(years)).as_millis();
        let day = Span::days(1).as_millis();
        Timestamp::from_millis(at.div_euclid(day) * day)
    };
    Times {
        all: keep.years.map(before),
        of: keep.years_of.iter().map(|(quantity, years)| (*quantity, before(*years))).collect(),
    }
}

/// What makes the clock doubtful, by what went on record lately.
fn doubt(ledger: &Ledger, site: &Site, now: Timestamp) -> Result<Option<String>, LedgerError> {
    let rows = ledger.rows_of(&["run.gap", "clock.step"], now - HELD_FOR, now + Span::millis(1))?;
    Ok(rows.iter().find_map(|row| {
        let at = |key: &str| parse_instant(row.body[key].as_str()?, &site.zone).ok();
        let step = row.body["by_ms"].as_i64().map(Span::millis).filter(|by| abs(*by) >= DOUBTFUL_STEP);
        let gap = at("to").zip(at("from")).map(|(to, from)| to.since(from));
        match (step, gap) {
            (Some(by), _) => Some(format!("the machine's clock was set by {by} on {}", site.zone.show(row.at))),
            (None, Some(gap)) if gap >= DOUBTFUL_GAP || gap <= Span::ZERO - DOUBTFUL_STEP => {
                Some(format!("from the last sign of life to the start on {} there are {gap}", site.zone.show(row.at)))
            }
            _ => None,
        }
    }))
}

/// So many mean years of the calendar.
pub(crate) fn years_as_span(years: f64) -> Span {
    Span::from_seconds_f64(years * 365.2425 * 86_400.0)
}

fn abs(span: Span) -> Span {
    span.max(Span::ZERO - span)
}

/// Says at the start what a clock that does not fit the store may mean; nothing else follows from it.
pub(super) fn tell_of_clock(site: &Site, last_alive: Option<Timestamp>, now: Timestamp) {
    let Some(last_alive) = last_alive else { return };
    let (then, here) = (site.zone.show(last_alive), site.zone.show(now));
    if last_alive.since(now) > BEHIND_ALLOWED {
        tracing::warn!(
            "the machine's clock says {here}, and this store was written until {then}, {} later: the clock is wrong now, or was wrong then. \
             Everything that is stored stays, and what comes in is kept and judged under the time that this clock gives it. Set the clock and \
             restart the daemon",
            last_alive.since(now)
        );
    } else if now.since(last_alive) >= DOUBTFUL_GAP {
        tracing::warn!(
            "the machine's clock says {here}, and this store was last written {then}, {} ago: if the machine was not off for so long, its clock \
             is wrong. Everything that is stored stays; set the clock and restart the daemon",
            now.since(last_alive)
        );
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use site::quantity::Quantity;

    #[test]
    fn each_quantity_has_its_time_and_it_ends_with_a_day() {
        let now = Timestamp::from_millis(1_773_122_400_000);
        let at = |text: &str| {
            let zone = site::zone::Zone::named("UTC").unwrap();
            parse_instant(text, &zone).unwrap()
        };
        for (years, battery, want, why) in [
            (None, None, Times::default(), "for ever"),
            (
                Some(1.0),
                None,
                Times::of_all(at("2025-03-10T00:00:00Z")),
                "a mean year is six hours longer, then down to the day",
            ),
            (
                None,
                Some(2.0),
                Times { all: None, of: [(Quantity::Battery, at("2024-03-09T00:00:00Z"))].into() },
                "the others for ever; 2024 had a day more",
            ),
        ] {
            let years_of = battery.map(|years| (Quantity::Battery, years)).into_iter().collect();
            let keep = Keep { years, years_of, former_key: None };
            assert_eq!(times(&keep, now), want, "{why}");
        }
    }
}
