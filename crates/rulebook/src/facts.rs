//! What a rule may know about one bin at one tick.
//!
//! Must never hold a value that was not measured or written by a person by the time of the tick: no zero stands in for the unknown.

use std::sync::Arc;

use pile::above::Above;
use pile::days::Days;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, LitresPerMinute};
use pile::water_account::WaterAccount;
use pile::window::{Point, Window};
use site::entry::{Batch, Entry};
use site::ids::{BinId, BlowerId};
use site::judge::Standing;
use site::model::{BlowerRole, BlowerSchedule, Direction, Display, Position, RunProof};
use site::quantity::Quantity;
use site::reading::Source;
use site::zone::Zone;

/// Everything a rule may ask about, gathered before it runs, all at one reference time.
#[derive(Clone, Debug)]
pub struct Facts {
    /// The bin that is judged.
    pub bin: BinId,
    /// The time of the tick.
    pub at: Timestamp,
    /// Units in which findings are worded.
    pub display: Display,
    /// The zone in which findings name a time.
    pub zone: Zone,
    /// Every signal of the bin, then the site-wide ones (ambient air, room air), in the order of the settings.
    pub signals: Vec<Signal>,
    /// The batch in the bin, if there is one.
    pub batch: Option<Batch>,
    /// How it stood against the site's criteria when it was judged last.
    pub results: Arc<Vec<Standing>>,
    /// The bin's entries since its batch went on air, oldest first; without a batch, those of the last 30 days.
    pub entries: Arc<Vec<Entry>>,
    /// The blower that serves the bin.
    pub blower: Option<BlowerFacts>,
    /// When the bin's probes were not in the material, from and until, oldest first; see [`site::entry::probes_out`].
    pub probes_out: Arc<Vec<(Timestamp, Timestamp)>>,
    /// The other bins of the site, in the order of the settings; empty where no rule asks for them.
    pub neighbours: Arc<Vec<Neighbour>>,
    /// How long the daemon has watched without a break: rules on silence give grace after a start or a clock jump.
    pub watching: Span,
    /// An alarm of fire holds in the bin.
    pub fire: bool,
    /// How high the pile is when the bin is full, m.
    pub height: Option<f64>,
    /// What is known of the water in the bin.
    pub water: WaterFacts,
    /// The whole site, for a rule about it.
    pub whole: Option<Arc<Whole>>,
}

/// What is known of the water in a bin.
#[derive(Clone, Debug)]
pub struct WaterFacts {
    /// What the bin holds when full.
    pub volume: CubicMetres,
    /// What the hose gives, where the settings say.
    pub hose: Option<LitresPerMinute>,
    /// The temperature and the length of the hot run that the site's rules ask for.
    pub hold: Option<(Celsius, Span)>,
    /// The running account of the batch, or why there is none.
    pub account: Result<Arc<WaterAccount>, String>,
}

/// The whole site at one tick.
#[derive(Clone, Debug, Default)]
pub struct Whole {
    /// The facts of every bin, in the order of their ids.
    pub bins: Vec<Arc<Facts>>,
    /// Every blower, in the order of their ids.
    pub blowers: Vec<SiteBlower>,
    /// Every gateway, in the order of the settings.
    pub gateways: Vec<GatewayFacts>,
    /// The daemon itself.
    pub own: Own,
}

/// A blower with what it serves.
#[derive(Clone, Debug)]
pub struct SiteBlower {
    /// Facts that hold this blower and nothing else.
    pub facts: Arc<Facts>,
    /// What it is for.
    pub role: BlowerRole,
    /// The bins that it serves, and whether a batch is on air in each.
    pub serves: Vec<(BinId, bool)>,
}

/// A gateway with the probes behind it.
#[derive(Clone, Debug)]
pub struct GatewayFacts {
    /// Its id.
    pub id: String,
    /// The longest time between two messages of its probes when all is well.
    pub interval: Span,
    /// When anything at all came from any probe behind it.
    pub heard_at: Option<Timestamp>,
    /// Since when the broker says that it is gone.
    pub gone_since: Option<Timestamp>,
    /// How many probes are behind it.
    pub probes: usize,
    /// The bins whose probes are all behind it.
    pub bins: Vec<BinId>,
}

/// How the daemon itself is.
#[derive(Clone, Debug, Default)]
pub struct Own {
    /// Mails that wait to leave.
    pub mails_waiting: u64,
    /// Since when the oldest of them waits.
    pub oldest_mail: Option<Timestamp>,
    /// Payloads refused in the last hour.
    pub refused_lately: u64,
    /// Since when the broker is not reached.
    pub link_down_since: Option<Timestamp>,
    /// The share of the disk that is free, 0 to 1, and when that was looked at.
    pub disk_free: Option<(Timestamp, f64)>,
    /// When the clock last jumped, and by how much.
    pub clock_jumped: Option<(Timestamp, Span)>,
}

/// One quantity of one probe or blower.
#[derive(Clone, Debug)]
pub struct Signal {
    /// Who sends it.
    pub source: Source,
    /// Where the probe sits; `None` for a blower.
    pub position: Option<Position>,
    /// It serves the whole site: every bin's rules see it.
    pub site_wide: bool,
    /// What it measures.
    pub quantity: Quantity,
    /// The longest time between two readings when all is well.
    pub interval: Span,
    /// Its good readings.
    pub window: Arc<Window>,
    /// When anything at all came from it last, good or not.
    pub heard_at: Option<Timestamp>,
    /// How many readings in a row were suspect or bad, up to the newest.
    pub bad_in_a_row: u32,
    /// The newest of those.
    pub last_bad: Option<(Timestamp, f64)>,
    /// Running accounts of time above thresholds since the batch went on air, one a threshold; temperature only.
    pub above: Arc<Vec<Above>>,
    /// Its days, where they are kept: temperatures in the material since on-air, and what a blower measures.
    pub days: Option<Arc<Days>>,
}

/// Another bin of the site.
#[derive(Clone, Debug)]
pub struct Neighbour {
    /// Its id.
    pub bin: BinId,
    /// The blower that serves it.
    pub blower: Option<BlowerId>,
    /// Whether a batch is on air in it.
    pub on_air: bool,
    /// The median of its core temperatures in °C and when the newest of them was taken, if one is heard and in the material.
    pub core: Option<Point>,
}

/// The blower that serves the bin.
#[derive(Clone, Debug)]
pub struct BlowerFacts {
    /// Its id.
    pub blower: BlowerId,
    /// Which way its air goes through the pile.
    pub direction: Direction,
    /// When it is meant to run.
    pub schedule: BlowerSchedule,
    /// How we know that it runs.
    pub proof: RunProof,
    /// Whether every pulse shows in the proof signal.
    pub countable: bool,
    /// The longest time between two readings of the proof signal when all is well.
    pub interval: Span,
    /// The proof signal's good readings: run seconds for a run counter.
    pub window: Option<Arc<Window>>,
    /// The newest reading of a sampled proof signal that showed it running.
    pub ran_at: Option<Timestamp>,
    /// Since when its air has been wanted: of the bin that is judged, or of the bin on air for longest that it serves. `None` where
    /// nobody waits for it, or where it serves no pile.
    pub wanted_since: Option<Timestamp>,
    /// What it measures of its own air: flow, pressure, current.
    pub signals: Vec<Signal>,
    /// Opening of the bin's valve in percent as last written, 100 when nobody wrote anything.
    pub valve_percent: f64,
}

impl Facts {
    /// The signals of the bin, then those of its blower.
    pub(crate) fn all_signals(&self) -> impl Iterator<Item = &Signal> {
        self.signals.iter().chain(self.blower.iter().flat_map(|b| &b.signals))
    }

    /// A signal by its place in [`Facts::all_signals`].
    pub(crate) fn signal(&self, index: usize) -> Option<&Signal> {
        match index.checked_sub(self.signals.len()) {
            None => self.signals.get(index),
            Some(index) => self.blower.as_ref()?.signals.get(index),
        }
    }

    /// The stretches in which this signal says nothing of the material because its probe was not in it.
    pub(crate) fn out(&self, signal: &Signal) -> &[(Timestamp, Timestamp)] {
        if signal.position.is_some_and(in_material) { &self.probes_out } else { &[] }
    }
}

/// Whether probes there sit in the material.
pub(crate) fn in_material(position: Position) -> bool {
    matches!(position, Position::Base | Position::Core | Position::Upper)
}
