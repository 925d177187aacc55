//! How a bin composts, as far as criteria ask.
//!
//! Must never say more than the settings do.

use pile::units::Kelvin;

/// How a bin composts, as far as criteria ask; what is not said is not known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Process {
    /// The kind of composting; an aerated static pile unless somebody says otherwise.
    pub system: Option<System>,
    /// Whether air is drawn down through the pile; else as its blower does.
    pub suction: Option<bool>,
    /// How far a probe there may be off though it passed its check.
    pub uncertainty: Option<Kelvin>,
}

/// A kind of composting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum System {
    /// A closed reactor.
    InVessel,
    /// A pile with forced air that is not turned.
    StaticPile,
    /// A long pile that is turned.
    Windrow,
}

/// Every kind of composting with its key.
pub const SYSTEMS: [(&str, System); 3] =
    [("in-vessel", System::InVessel), ("aerated-static-pile", System::StaticPile), ("windrow", System::Windrow)];

impl System {
    /// The key that texts use.
    pub fn key(self) -> &'static str {
        SYSTEMS.iter().find(|(_, system)| *system == self).map_or("", |(key, _)| key)
    }

    /// What people call it.
    pub fn words(self) -> &'static str {
        match self {
            System::InVessel => "in-vessel composting",
            System::StaticPile => "an aerated static pile",
            System::Windrow => "a windrow",
        }
    }
}
