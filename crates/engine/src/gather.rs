//! What rules may know of a bin at a tick, gathered from what the engine keeps.
//!
//! Must never know the future: only what was measured or written by the time of the tick.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::window::Point;
use rulebook::facts::{BlowerFacts, Facts, GatewayFacts, Neighbour, Own, Signal, SiteBlower, Whole};
use site::entry::{Stage, probes_out};
use site::ids::{BinId, BlowerId, ProbeId};
use site::model::{Gateway, Position, RunProof};
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};

use crate::engine::{BinState, Engine};
use crate::series::Series;

impl Engine {
    /// What rules may know about a bin at a tick.
    pub(crate) fn facts(&self, bin: &BinId, at: Timestamp) -> Facts {
        self.gathered(bin, self.bins.get(bin), self.site.bins.get(bin), at)
    }

    /// The facts of a bin, or of no bin: then the site-wide signals alone, whatever bin may have that name.
    fn gathered(
        &self,
        bin: &BinId,
        state: Option<&BinState>,
        described: Option<&site::model::Bin>,
        at: Timestamp,
    ) -> Facts {
        let batch = state.and_then(|s| s.batch.clone());
        let own = described.map(|b| b.probes.as_slice()).unwrap_or_default();
        let own = own.iter().filter_map(|id| self.site.probes.get(id));
        let of_the_site = self.site.probes.values().filter(|p| p.bin.is_none());
        let mut signals = Vec::new();
        for described in own.chain(of_the_site) {
            let probe = &described.id;
            let source = Source::Probe(probe.clone());
            let first = SeriesId { source: source.clone(), quantity: Quantity::Temperature };
            let all: Vec<_> = self.series.range(first..).take_while(|(id, _)| id.source == source).collect();
            // A probe is heard when any of its quantities is: a moisture probe is not silent for lack of a temperature.
            let heard_at = all.iter().filter_map(|(_, s)| s.heard_at).max();
            let measures_other = all.iter().any(|(id, s)| id.quantity != Quantity::Temperature && s.heard_at.is_some());
            for (id, series) in all {
                let Some(position) = series.position else { continue };
                if id.quantity == Quantity::Temperature && measures_other && series.heard_at.is_none() {
                    continue;
                }
                let site_wide = described.bin.is_none() || matches!(position, Position::Ambient | Position::Room);
                signals.push(Signal { heard_at, site_wide, ..signal(id, Some(position), series) });
            }
        }
        Facts {
            bin: bin.clone(),
            at,
            display: self.site.display,
            zone: self.site.zone.clone(),
            signals,
            batch,
            entries: state.map(|s| Arc::clone(&s.entries)).unwrap_or_default(),
            blower: described
                .and_then(|b| b.blower.as_ref())
                .and_then(|id| self.blower_facts(id, state, state.and_then(|s| air_wanted_since(s, at)))),
            probes_out: Arc::new(state.map(|s| probes_out(&s.entries)).unwrap_or_default()),
            neighbours: Arc::default(),
            watching: at.since(self.watching_since),
            height: described.and_then(|bin| bin.height).map(|height| height.0),
            fire: described.is_some() && self.fire_alarm(bin).is_some(),
            water: self.water_facts(state, described, at),
            results: state.map(|s| Arc::clone(&s.results)).unwrap_or_default(),
            whole: None,
        }
    }

    /// What rules about the whole site may know at a tick; the bins' own facts where a rule asks for them.
    pub(crate) fn site_facts(&self, at: Timestamp, with_bins: bool) -> Option<Facts> {
        let name = BinId::new("site").ok()?;
        let bins = self.site.bins.keys().filter(|_| with_bins).map(|bin| Arc::new(self.facts(bin, at)));
        let on_air = |bin: &BinId| {
            let batch = self.bins.get(bin).and_then(|s| s.batch.as_ref());
            batch.is_some_and(|batch| batch.stage(at) == Stage::OnAir)
        };
        let site_wide = self.gathered(&name, None, None, at);
        let nothing = Facts { signals: Vec::new(), ..site_wide.clone() };
        let blowers = self.site.blowers.values().map(|blower| {
            let serves = || self.site.bins.values().filter(|b| b.blower.as_ref() == Some(&blower.id));
            let wanted = serves().filter_map(|b| self.bins.get(&b.id)).filter_map(|state| air_wanted_since(state, at));
            let blower_facts = self.blower_facts(&blower.id, None, wanted.min());
            let serves = serves();
            SiteBlower {
                facts: Arc::new(Facts { blower: blower_facts, ..nothing.clone() }),
                role: blower.role,
                serves: serves.map(|b| (b.id.clone(), on_air(&b.id))).collect(),
            }
        });
        let whole = Whole {
            bins: bins.collect(),
            blowers: blowers.collect(),
            gateways: self.site.gateways.iter().map(|gateway| self.gateway_facts(gateway)).collect(),
            own: Own {
                mails_waiting: self.outbox.waiting() as u64,
                oldest_mail: self.outbox.oldest(),
                refused_lately: self.refused_lately() as u64,
                link_down_since: self.link_down_since,
                disk_free: self.disk_free,
                clock_jumped: self.clock_jumped.filter(|(t, _)| at.since(*t) <= Span::days(1)),
            },
        };
        Some(Facts { whole: Some(Arc::new(whole)), ..site_wide })
    }

    fn gateway_facts(&self, gateway: &Gateway) -> GatewayFacts {
        let heard = |probe: &ProbeId| {
            let source = Source::Probe(probe.clone());
            let first = SeriesId { source: source.clone(), quantity: Quantity::Temperature };
            let own = self.series.range(first..).take_while(|(id, _)| id.source == source);
            own.filter_map(|(_, series)| series.heard_at).max()
        };
        let described = gateway.probes.iter().filter_map(|id| self.site.probes.get(id));
        let wholly = |bin: &&site::model::Bin| {
            !bin.probes.is_empty() && bin.probes.iter().all(|probe| gateway.probes.contains(probe))
        };
        GatewayFacts {
            id: gateway.id.clone(),
            interval: described.map(|probe| probe.interval).min().unwrap_or(Span::ZERO),
            heard_at: gateway.probes.iter().filter_map(heard).max(),
            gone_since: self.gateways_gone.get(&gateway.id).copied(),
            probes: gateway.probes.len(),
            bins: self.site.bins.values().filter(wholly).map(|bin| bin.id.clone()).collect(),
        }
    }

    /// What rules may know about the other bins at a tick.
    pub(crate) fn neighbours(&self, bin: &BinId, at: Timestamp) -> Vec<Neighbour> {
        let others = self.site.bins.values().filter(|b| b.id != *bin);
        let neighbour = |b: &site::model::Bin| {
            let state = self.bins.get(&b.id);
            let out = state.is_some_and(|s| probes_out(&s.entries).iter().any(|(from, to)| at > *from && at < *to));
            let heard = self.temperatures_at(&b.id, Position::Core).filter_map(|series| {
                let newest = series.window.newest()?;
                (at.since(newest.at) <= series.interval.times(3).max(Span::minutes(30))).then_some(newest)
            });
            let mut heard: Vec<Point> = heard.collect();
            heard.sort_by(|a, b| a.value.total_cmp(&b.value));
            let newest = heard.iter().map(|p| p.at).max();
            let n = heard.len();
            let middle = heard.get(n / 2).zip(heard.get(n.saturating_sub(1) / 2));
            let core = middle.zip(newest).map(|((a, b), at)| Point { at, value: (a.value + b.value) / 2.0 });
            Neighbour {
                bin: b.id.clone(),
                blower: b.blower.clone(),
                on_air: state.and_then(|s| s.batch.as_ref()).is_some_and(|batch| batch.stage(at) == Stage::OnAir),
                core: core.filter(|_| !out),
            }
        };
        others.map(neighbour).collect()
    }

    fn blower_facts(
        &self,
        id: &BlowerId,
        state: Option<&BinState>,
        wanted_since: Option<Timestamp>,
    ) -> Option<BlowerFacts> {
        let blower = self.site.blowers.get(id)?;
        let quantity = match blower.proof {
            RunProof::RunCounter => Some(Quantity::RunTime),
            RunProof::Signal { quantity, .. } => Some(quantity),
            RunProof::ScheduledOnly => None,
        };
        let series = quantity.map(|quantity| SeriesId { source: Source::Blower(id.clone()), quantity });
        let proof = series.and_then(|id| self.series.get(&id));
        let own = [Quantity::Pressure, Quantity::Flow, Quantity::Current].into_iter().filter_map(|quantity| {
            let id = SeriesId { source: Source::Blower(id.clone()), quantity };
            self.series.get(&id).map(|series| signal(&id, None, series))
        });
        Some(BlowerFacts {
            blower: id.clone(),
            direction: blower.direction,
            schedule: blower.schedule,
            proof: blower.proof,
            countable: blower.pulses_countable(),
            interval: blower.interval,
            window: proof.map(|s| Arc::clone(&s.window)),
            ran_at: proof.and_then(|s| s.ran_at),
            wanted_since,
            signals: own.collect(),
            valve_percent: state.map_or(100.0, |s| s.valve_percent),
        })
    }
}

/// Since when a batch on air in the bin has waited for air.
fn air_wanted_since(state: &BinState, at: Timestamp) -> Option<Timestamp> {
    let batch = state.batch.as_ref().filter(|batch| batch.stage(at) == Stage::OnAir)?;
    batch.on_air_at.map(|on_air| on_air.max(batch.in_bin_since))
}

fn signal(id: &SeriesId, position: Option<Position>, series: &Series) -> Signal {
    Signal {
        source: id.source.clone(),
        position,
        site_wide: false,
        quantity: id.quantity,
        interval: series.interval,
        window: Arc::clone(&series.window),
        heard_at: series.heard_at,
        bad_in_a_row: series.bad_in_a_row,
        last_bad: series.last_bad,
        above: Arc::clone(&series.above),
        days: series.days.clone(),
    }
}
