//! What a rule about the whole site sees: its bins, blowers, gateways, the air outside and in the building, and the daemon itself.
//!
//! Must never tell of anything later than the tick.

use std::sync::Arc;

use pile::humid_air::HumidAir;
use pile::time::Timestamp;
use pile::units::{Celsius, Fraction, Pascals};
use rhai::ImmutableString;
use site::model::{BlowerRole, Position};

use crate::bin_view::Bin;
use crate::blower_view::BlowerView;
use crate::fact::{Fact, Kind, Trouble};
use crate::facts::{GatewayFacts, Own, SiteBlower, Whole};
use crate::judgement::Judgement;
use crate::limits;

/// The site that is judged.
#[derive(Clone, Debug)]
pub(crate) struct SiteView(pub(crate) Bin);

/// One of its blowers.
#[derive(Clone, Debug)]
pub(crate) struct SiteBlowerView(Arc<Judgement>, SiteBlower);

/// One of its gateways.
#[derive(Clone, Debug)]
pub(crate) struct GatewayView(Arc<Judgement>, GatewayFacts);

impl SiteView {
    pub(crate) fn new(judgement: Arc<Judgement>) -> SiteView {
        SiteView(Bin(judgement))
    }

    fn judgement(&self) -> &Arc<Judgement> {
        &self.0.0
    }

    fn whole(&self) -> Option<&Whole> {
        self.judgement().facts.whole.as_deref()
    }

    pub(crate) fn bins(&self) -> Vec<Bin> {
        self.judgement().spend(self.whole().map_or(0, |w| w.bins.len() as u64) * limits::A_BIN);
        self.whole().into_iter().flat_map(|w| &w.bins).map(|facts| Bin(self.judgement().over(facts))).collect()
    }

    pub(crate) fn blowers(&self) -> Vec<SiteBlowerView> {
        let cost = |b: &SiteBlower| limits::A_BIN + b.serves.len() as u64;
        self.judgement().spend(self.whole().map_or(0, |w| w.blowers.iter().map(cost).sum()));
        let of = |b: &SiteBlower| SiteBlowerView(self.judgement().over(&b.facts), b.clone());
        self.whole().into_iter().flat_map(|w| &w.blowers).map(of).collect()
    }

    pub(crate) fn gateways(&self) -> Vec<GatewayView> {
        let cost = |g: &GatewayFacts| limits::A_BIN + g.bins.len() as u64;
        self.judgement().spend(self.whole().map_or(0, |w| w.gateways.iter().map(cost).sum()));
        let of = |g: &GatewayFacts| GatewayView(Arc::clone(self.judgement()), g.clone());
        self.whole().into_iter().flat_map(|w| &w.gateways).map(of).collect()
    }

    fn own<T>(&self, pick: impl Fn(&Own) -> T) -> Option<T> {
        self.whole().map(|w| pick(&w.own))
    }

    pub(crate) fn mails_waiting(&self) -> i64 {
        self.own(|own| own.mails_waiting).map_or(0, |n| i64::try_from(n).unwrap_or(i64::MAX))
    }

    pub(crate) fn refused_lately(&self) -> i64 {
        self.own(|own| own.refused_lately).map_or(0, |n| i64::try_from(n).unwrap_or(i64::MAX))
    }

    /// For how long the oldest mail has waited.
    pub(crate) fn oldest_mail(&self) -> Fact {
        self.since(self.own(|own| own.oldest_mail).flatten(), "no mail waits")
    }

    /// For how long the broker has not been reached.
    pub(crate) fn link_down(&self) -> Fact {
        self.since(self.own(|own| own.link_down_since).flatten(), "the broker is reached")
    }

    /// The share of the disk that is free.
    pub(crate) fn disk_free(&self) -> Fact {
        match self.own(|own| own.disk_free).flatten() {
            Some((at, share)) => {
                self.judgement().used(Some(at));
                Fact::known(Kind::Share, share)
            }
            None => Fact::unknown(Kind::Share, "nobody has looked at the disk yet"),
        }
    }

    /// How long ago the clock last jumped, where that was within a day.
    pub(crate) fn clock_jumped(&self) -> Fact {
        self.since(self.own(|own| own.clock_jumped).flatten().map(|(at, _)| at), "the clock has not jumped")
    }

    /// By how much it jumped then.
    pub(crate) fn clock_jump(&self) -> Fact {
        match self.own(|own| own.clock_jumped).flatten() {
            Some((_, by)) => Fact::known(Kind::Time, by.as_seconds()),
            None => Fact::unknown(Kind::Time, "the clock has not jumped"),
        }
    }

    fn since(&self, at: Option<Timestamp>, otherwise: &str) -> Fact {
        match at {
            Some(at) => Fact::known(Kind::Time, self.judgement().facts.at.since(at).as_seconds()),
            None => Fact::unknown(Kind::Time, otherwise),
        }
    }
}

impl SiteBlowerView {
    pub(crate) fn blower(&self) -> BlowerView {
        Bin(Arc::clone(&self.0)).blower()
    }

    pub(crate) fn role(&self) -> ImmutableString {
        match self.1.role {
            BlowerRole::Pile => "pile".into(),
            BlowerRole::BuildingExhaust => "building-exhaust".into(),
        }
    }

    /// The names of the bins that it serves and in which a batch is on air.
    pub(crate) fn on_air(&self) -> Vec<ImmutableString> {
        self.0.spend(self.1.serves.len() as u64 * limits::GATHERING);
        self.1.serves.iter().filter(|(_, on_air)| *on_air).map(|(bin, _)| bin.as_str().into()).collect()
    }

    /// The names of all bins that it serves.
    pub(crate) fn serves(&self) -> Vec<ImmutableString> {
        self.0.spend(self.1.serves.len() as u64 * limits::GATHERING);
        self.1.serves.iter().map(|(bin, _)| bin.as_str().into()).collect()
    }
}

impl GatewayView {
    pub(crate) fn name(&self) -> ImmutableString {
        self.1.id.as_str().into()
    }

    pub(crate) fn probes(&self) -> i64 {
        i64::try_from(self.1.probes).unwrap_or(i64::MAX)
    }

    pub(crate) fn bins(&self) -> Vec<ImmutableString> {
        self.0.spend(self.1.bins.len() as u64 * limits::GATHERING);
        self.1.bins.iter().map(|bin| bin.as_str().into()).collect()
    }

    pub(crate) fn interval(&self) -> Fact {
        Fact::known(Kind::Time, self.1.interval.as_seconds())
    }

    /// How long ago anything came from any probe behind it.
    pub(crate) fn heard(&self) -> Fact {
        self.since(self.1.heard_at, "nothing was ever heard from a probe behind it")
    }

    /// For how long the broker has said that it is gone.
    pub(crate) fn gone(&self) -> Fact {
        self.since(self.1.gone_since, "the broker does not say that it is gone")
    }

    fn since(&self, at: Option<Timestamp>, otherwise: &str) -> Fact {
        let now = self.0.facts.at;
        match at.filter(|at| *at <= now) {
            Some(at) => Fact::known(Kind::Time, now.since(at).as_seconds()),
            None => Fact::unknown(Kind::Time, format!("{}: {otherwise}", self.1.id)),
        }
    }
}

/// The temperature at which air of this temperature and relative humidity begins to wet what is as cold.
pub(crate) fn dew_point(temperature: &Fact, humidity: &Fact) -> Result<Fact, Trouble> {
    if temperature.kind != Kind::Temperature {
        return Err(Trouble::Wrong("`dew_point` takes a temperature first, then a humidity".into()));
    }
    let (celsius, percent) = match (&temperature.value, &humidity.value) {
        (Ok(t), Ok(h)) => (*t, *h),
        (Err(why), _) | (_, Err(why)) => return Ok(Fact::unknown(Kind::Temperature, why.clone())),
    };
    // At the pressure of the sea: between there and the highest town the dew point moves by less than a tenth of a kelvin.
    let air = HumidAir::from_relative_humidity(Celsius(celsius), Fraction(percent / 100.0), Pascals(101_325.0));
    Ok(match air.and_then(HumidAir::dew_point) {
        Ok(dew) => Fact::known(Kind::Temperature, dew.0),
        Err(why) => Fact::unknown(Kind::Temperature, why.to_string()),
    })
}

/// Positions that a whole site has signals at.
pub(crate) const POSITIONS: [(&str, Position); 3] =
    [("room", Position::Room), ("ambient", Position::Ambient), ("exhaust", Position::Exhaust)];
