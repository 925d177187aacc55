//! The JSON shapes of what an entry of the log says.
//!
//! Must never change the meaning of a written field: a new field gets `#[serde(default)]`, so that older rows still read.

use pile::units::{CubicMetres, Kelvin, Kilograms, Litres, Metres};
use site::entry::{AGAINST, Against, Amount, EntryId, EntryKind, Filled, Really, Rest, Stage, Taken};
use site::ids::ProbeId;
use site::model::Position;

use super::*;

carried_as!(Kelvin, Option<f64>, |k| k.0.to_row(), |n| f64::from_row(n).map(Kelvin));
carried_as!(Metres, Option<f64>, |m| m.0.to_row(), |n| f64::from_row(n).map(Metres));
carried_as!(Against, String, |against| against.key().into(), |word| {
    let known = AGAINST.map(|(_, key)| key).join(", ");
    Against::named(&word).ok_or_else(|| format!("a probe is not checked against `{word}`, but against {known}"))
});
carried_as!(Litres, Option<f64>, |l| l.0.to_row(), |n| f64::from_row(n).map(Litres));
carried_as!(Kilograms, Option<f64>, |m| m.0.to_row(), |n| f64::from_row(n).map(Kilograms));
carried_as!(CubicMetres, Option<f64>, |v| v.0.to_row(), |n| f64::from_row(n).map(CubicMetres));
carried_as!(EntryId, u64, |id| id.0, |n| Ok(EntryId(n)));
carried_as!(Stage, String, |stage| stage.key().into(), |word| {
    Stage::named(&word).ok_or_else(|| format!("`{word}` is no stage"))
});
carried_as!(Position, String, |position| position.key().into(), |word| {
    Position::named(&word).ok_or_else(|| format!("`{word}` is no position"))
});
carried_as!(ProbeId, String, |id| id.as_str().into(), |text| ProbeId::new(&text).map_err(|e| e.to_string()));

listed_by!(EntryKind, EntryKindRow, "EntryKindFields");
listed_by!(Really, ReallyRow, "ReallyFields");
listed_by!(Amount, AmountRow, "AmountFields");
listed_by!(Taken, TakenRow, "TakenWord");
listed_by!(Rest, RestRow, "RestWord");
listed_by!(Filled, FilledRow, "FilledFields");

#[derive(Serialize, Deserialize)]
#[serde(remote = "Filled")]
struct FilledFields {
    #[serde(with = "shape", rename = "wet_kilograms")]
    wet_mass: Kilograms,
    weighed: bool,
    #[serde(with = "shape", default)]
    moisture_percent: Option<f64>,
    #[serde(with = "shape", default)]
    degradable_percent: Option<f64>,
    #[serde(with = "shape", default)]
    carbon_to_nitrogen: Option<f64>,
    #[serde(with = "shape", default)]
    particle_millimetres: Option<f64>,
    #[serde(with = "shape", rename = "cover_metres", default)]
    cover: Option<Metres>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "EntryKind", rename_all = "kebab-case")]
enum EntryKindFields {
    OnAir {
        #[serde(with = "shape", rename = "loaded_celsius", default)]
        loaded_at: Option<Celsius>,
        #[serde(with = "shape", default)]
        filling: Option<Filled>,
    },
    Loaded {
        source: String,
        material: String,
        #[serde(with = "shape")]
        amount: Amount,
        #[serde(with = "shape")]
        taken: Taken,
    },
    OffAir,
    Moved {
        #[serde(with = "shape", default)]
        stage: Option<Stage>,
        #[serde(with = "shape", default)]
        into: Option<BinId>,
    },
    Split {
        #[serde(with = "shape")]
        into: BinId,
        #[serde(with = "shape")]
        share_percent: f64,
    },
    Merged {
        #[serde(with = "shape")]
        into: BinId,
    },
    Shipped {
        to: String,
        #[serde(with = "shape")]
        amount: Amount,
        #[serde(with = "shape")]
        rest: Rest,
    },
    HandReading {
        #[serde(with = "shape")]
        position: Position,
        #[serde(with = "shape")]
        celsius: Celsius,
        #[serde(with = "shape", rename = "depth_metres", default)]
        depth: Option<Metres>,
    },
    SettledDepth {
        #[serde(with = "shape")]
        metres: f64,
    },
    LabResult {
        analyte: String,
        #[serde(with = "shape")]
        value: f64,
        #[serde(default)]
        below: bool,
        unit: String,
        laboratory: String,
        method: String,
        #[serde(with = "shape")]
        sampled_at: Timestamp,
    },
    Calibrated {
        #[serde(with = "shape")]
        probe: ProbeId,
        #[serde(with = "shape")]
        against: Against,
        #[serde(with = "shape", rename = "showed_celsius")]
        showed: Celsius,
        #[serde(with = "shape", rename = "truth_celsius")]
        truth: Celsius,
        #[serde(with = "shape", rename = "allowed_kelvin")]
        allowed: Kelvin,
        #[serde(with = "shape", default)]
        due: Option<Timestamp>,
    },
    Placed {
        #[serde(with = "shape")]
        probe: ProbeId,
        #[serde(with = "shape")]
        position: Position,
        #[serde(with = "shape", rename = "depth_metres", default)]
        depth: Option<Metres>,
    },
    Watered {
        #[serde(with = "shape", default)]
        minutes: Option<f64>,
        #[serde(with = "shape", default)]
        litres: Option<Litres>,
    },
    Sampled {
        #[serde(with = "shape")]
        moisture_percent: f64,
        #[serde(with = "shape")]
        sd_percent: f64,
    },
    Valve {
        #[serde(with = "shape")]
        open_percent: f64,
    },
    ProbesOut,
    ProbesBack,
    Opened,
    Turned,
    AirChanged,
    Smell,
    Complaint,
    Repair,
    Note,
    Corrected {
        #[serde(with = "shape")]
        of: EntryId,
        #[serde(with = "shape", default)]
        really: Option<Box<Really>>,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Really")]
struct ReallyFields {
    #[serde(with = "shape")]
    at: Timestamp,
    #[serde(with = "shape")]
    kind: EntryKind,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Amount")]
enum AmountFields {
    #[serde(rename = "kilograms")]
    Mass(#[serde(with = "shape")] Kilograms),
    #[serde(rename = "cubic_metres")]
    Volume(#[serde(with = "shape")] CubicMetres),
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Taken", rename_all = "kebab-case")]
enum TakenWord {
    In,
    Rejected,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Rest", rename_all = "kebab-case")]
enum RestWord {
    Stays,
    Nothing,
}
