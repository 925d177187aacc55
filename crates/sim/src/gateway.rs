//! The radio gateway between the probes and us: it keeps packs while its way out is down and delivers them late.
//!
//! Must never look into a pack, reorder packs, or lose one silently: what it drops it counts.

use std::collections::VecDeque;

use pile::time::Timestamp;

/// A pack with the instant at which it left the gateway.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivery<P> {
    /// When the gateway sent it on.
    pub at: Timestamp,
    /// The pack as it was handed in.
    pub pack: P,
}

/// A gateway with its outages.
#[derive(Clone, Debug)]
pub struct Gateway<P> {
    outages: Vec<(Timestamp, Timestamp)>,
    packs_max: usize,
    kept: VecDeque<Delivery<P>>,
    dropped: u64,
}

impl<P> Gateway<P> {
    /// A gateway that is cut off from each first instant (included) to the second (excluded), and keeps at most
    /// `packs_max` packs meanwhile: the oldest give way.
    pub fn new(outages: Vec<(Timestamp, Timestamp)>, packs_max: usize) -> Gateway<P> {
        Gateway { outages, packs_max, kept: VecDeque::new(), dropped: 0 }
    }

    /// Hands over a pack at `at`; packs come in order of time.
    pub fn accept(&mut self, at: Timestamp, pack: P) {
        // A pack never overtakes one that was handed over before it.
        let earliest = self.kept.back().map_or(at, |last| last.at.max(at));
        self.kept.push_back(Delivery { at: self.leaves_at(earliest), pack });
        if self.kept.len() > self.packs_max {
            self.kept.pop_front();
            self.dropped += 1;
        }
    }

    /// The packs that have left the gateway up to and including `now`, oldest first; each is returned once.
    pub fn deliver(&mut self, now: Timestamp) -> Vec<Delivery<P>> {
        let due = self.kept.iter().take_while(|delivery| delivery.at <= now).count();
        self.kept.drain(..due).collect()
    }

    /// How many packs wait.
    pub fn waiting(&self) -> usize {
        self.kept.len()
    }

    /// How many packs were dropped because the store was full.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    fn leaves_at(&self, at: Timestamp) -> Timestamp {
        let mut leaves = at;
        // Outages may overlap or touch, so look again after each one that held the pack.
        while let Some((_, ends)) = self.outages.iter().find(|(begins, ends)| *begins <= leaves && leaves < *ends) {
            leaves = *ends;
        }
        leaves
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_millis(minute * 60_000)
    }

    #[test]
    fn an_outage_delays_and_keeps_the_order() {
        let mut gateway = Gateway::new(vec![(at(10), at(20)), (at(20), at(30))], 100);
        for minute in [5, 10, 15, 25, 30] {
            gateway.accept(at(minute), minute);
        }
        let out = |deliveries: Vec<Delivery<i64>>| {
            deliveries.into_iter().map(|d| (d.at.as_millis() / 60_000, d.pack)).collect::<Vec<_>>()
        };
        assert_eq!(out(gateway.deliver(at(9))), [(5, 5)], "before the outage at once");
        assert_eq!(out(gateway.deliver(at(29))), [], "two outages that touch are one");
        assert_eq!(out(gateway.deliver(at(30))), [(30, 10), (30, 15), (30, 25), (30, 30)], "all, in order");
        assert_eq!((gateway.waiting(), gateway.dropped()), (0, 0));
    }

    #[test]
    fn a_full_store_drops_the_oldest_and_says_so() {
        let mut gateway = Gateway::new(vec![(at(0), at(60))], 3);
        for minute in 0..5 {
            gateway.accept(at(minute), minute);
        }
        let packs: Vec<i64> = gateway.deliver(at(60)).into_iter().map(|d| d.pack).collect();
        assert_eq!((packs, gateway.dropped()), (vec![2, 3, 4], 2));
    }
}
