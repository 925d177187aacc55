//! Words for an outage: the daemon was off without having been asked to stop.
//!
//! Must never call a blower back on air that has not shown itself.

use engine::notice::{BackOnAir, OutageNotice};
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::zone_line;

pub(super) fn write(notice: &OutageNotice, site: &Site) -> Letter {
    let zone = &site.zone;
    let off_for = notice.to.since(notice.from);
    let unproven: Vec<_> =
        notice.blowers.iter().filter(|(_, back)| !matches!(back, BackOnAir::Proven { .. })).collect();
    let state = match (notice.blowers.len(), unproven.len()) {
        (0, _) => "The settings name no blower: check the air.".into(),
        (_, 0) => "Every blower has run since.".to_owned(),
        (all, n) => {
            format!("{n} of {} not proven to run since.", figures::count(all as u64, "blower is", "blowers are"))
        }
    };
    let mut steps: Vec<String> = unproven
        .iter()
        .map(|(blower, back)| {
            let why = match back {
                BackOnAir::NotRunning => "its signal shows that it is stopped",
                BackOnAir::Silent => "there has been no signal since",
                BackOnAir::Unproven | BackOnAir::Proven { .. } => "it has no signal: somebody must look",
            };
            format!("Blower {blower}: check breaker and timer ({why}).")
        })
        .collect();
    if notice.blowers.is_empty() {
        steps.push("Check breaker and timer: is air blown?".into());
    }
    steps.push("Find out why the machine that runs hypocaust stopped: power, network, or somebody's work.".into());
    let blowers = notice
        .blowers
        .iter()
        .map(|(blower, back)| match back {
            BackOnAir::Proven { at } => format!("{blower}: ran {}", figures::when(zone, *at)),
            BackOnAir::NotRunning => format!("{blower}: stopped by its signal"),
            BackOnAir::Silent => format!("{blower}: no signal since"),
            BackOnAir::Unproven => format!("{blower}: has no signal, not proven"),
        })
        .collect();
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: hypocaust was off for {off_for}, {} to {}. Nobody had stopped it. {state}",
            site.name,
            figures::short(zone, notice.from, notice.to),
            figures::short(zone, notice.to, notice.to)
        )),
        Block::Steps("Do now", steps),
        Block::Caution(format!(
            "Blowers start by themselves when power comes back: lock the supply out before you reach into one. Without air, gases \
             that kill gather in closed rooms: ventilate and measure before you enter, never alone. Before air is started again, look \
             for smoke, and read the probes: at {} leave it off and call the fire service.",
            figures::temperature(engine::limits::FIRE_CELSIUS, site.display)
        )),
        Block::Section(
            "If nobody acts",
            "A pile without air runs out of oxygen within hours and turns sour. If the machine stops again, no alarm is mailed until \
             it is back."
                .into(),
        ),
        Block::Section(
            "Not monitored",
            "No alarm could be raised in that time. Readings that a broker or probe kept have been stored since. The rest are gaps, \
             which count neither as hot nor as cold."
                .into(),
        ),
    ];
    if !notice.blowers.is_empty() {
        blocks.push(Block::Lines("Blowers since then", blowers));
    }
    blocks.push(Block::Facts(
        "Details",
        vec![
            ("Last known alive".into(), figures::exactly(zone, notice.from)),
            ("Up again".into(), figures::exactly(zone, notice.to)),
            ("Off for".into(), off_for.to_string()),
        ],
    ));
    let decide = "Local codes, your permit and licensed practice decide.";
    blocks.push(Block::Paragraph(format!("{decide} {}", zone_line(site, notice.to))));
    let blowers = match unproven.len() as u64 {
        0 => String::new(),
        n => format!("check {}, ", figures::count(n, "blower", "blowers")),
    };
    Letter { subject: format!("{}: {blowers}hypocaust was off for {off_for}", clean(&site.id)), blocks }
}
