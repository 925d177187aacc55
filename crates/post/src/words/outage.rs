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
        (0, _) => "The settings name no blower, so nothing is known of the air.".into(),
        (_, 0) => "Every blower has been seen running since.".to_owned(),
        (all, n) => {
            format!("{n} of {} not proven to run since.", figures::count(all as u64, "blower is", "blowers are"))
        }
    };
    let mut steps: Vec<String> = unproven
        .iter()
        .map(|(blower, back)| {
            let why = match back {
                BackOnAir::NotRunning => "its signal shows that it does not run",
                BackOnAir::Silent => "its signal has not come since",
                BackOnAir::Unproven | BackOnAir::Proven { .. } => "it has no signal, so somebody must look",
            };
            format!("Blower {blower}: check breaker and timer; {why}.")
        })
        .collect();
    if notice.blowers.is_empty() {
        steps.push("Go and see that air is blown: check breaker and timer.".into());
    }
    steps.push("Find out what stopped the machine that runs hypocaust: power, network, or somebody's hand.".into());
    let blowers = notice
        .blowers
        .iter()
        .map(|(blower, back)| match back {
            BackOnAir::Proven { at } => format!("{blower}: seen running {}", figures::when(zone, *at)),
            BackOnAir::NotRunning => format!("{blower}: its signal shows that it does not run"),
            BackOnAir::Silent => format!("{blower}: no signal since"),
            BackOnAir::Unproven => format!("{blower}: has no signal; not proven"),
        })
        .collect();
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: hypocaust was off from {} to {} ({off_for}); nobody had stopped it. {state}",
            site.name,
            figures::when(zone, notice.from),
            figures::when(zone, notice.to)
        )),
        Block::Steps("Do now", steps),
        Block::Caution(
            "Blowers and timers start by themselves when power comes back: switch off and lock the supply before you reach into \
             one. Where air stood still, carbon monoxide and dioxide, ammonia and hydrogen sulphide gather and oxygen goes \
             missing: air closed rooms and measure before you enter, never alone. Material and steam may be hot enough to scald. \
             Local codes and licensed practice decide."
                .into(),
        ),
        Block::Section(
            "If nobody acts",
            "A pile without air runs out of oxygen within hours: it cools, or it stinks, and its days above temperature stop \
             counting. If the machine stops again, nobody is told of anything until it is back."
                .into(),
        ),
        Block::Section(
            "What was missed",
            "Nothing was watched in that time and no alarm could be raised. Readings that a broker or probe kept have been taken \
             in since; the others are gaps, and gaps are counted neither as hot nor as cold."
                .into(),
        ),
    ];
    if !notice.blowers.is_empty() {
        blocks.push(Block::Lines("Blowers since", blowers));
    }
    blocks.push(Block::Facts(
        "Facts",
        vec![
            ("Last known alive".into(), figures::exactly(zone, notice.from)),
            ("Up again".into(), figures::exactly(zone, notice.to)),
            ("Off for".into(), off_for.to_string()),
        ],
    ));
    blocks.push(Block::Paragraph(zone_line(site, notice.to)));
    let blowers = match unproven.len() as u64 {
        0 => String::new(),
        n => format!(", {} unproven", figures::count(n, "blower", "blowers")),
    };
    Letter { subject: format!("[{}] hypocaust was off for {off_for}{blowers}", clean(&site.id)), blocks }
}
