//! A picture of a rule case in plain text: what the probes sent, when the alarm was expected, and what it did.
//!
//! Must never be wider than a terminal of 100 columns.

use std::fmt::Write;

use engine::cases::Run;
use pile::time::Span;
use rulebook::cases::{Case, Running, to_the_minute};
use site::model::Position;
use site::quantity::Quantity;

const COLUMNS: i64 = 80;
const ROWS: usize = 12;
const LABEL: usize = 9;

/// The picture; each line is indented by two.
pub(crate) fn chart(case: &Case, run: &Run) -> String {
    let mut out = String::new();
    let middle = |column: i64| Span::millis(case.length.as_millis() * (2 * column + 1) / (2 * COLUMNS));
    let column = |at: Span| (at.as_millis() * COLUMNS / case.length.as_millis().max(1)).clamp(0, COLUMNS - 1) as usize;
    let values: Vec<(char, Vec<Option<f64>>)> = case
        .tracks
        .iter()
        .map(|track| {
            let key = match track.quantity {
                Quantity::Temperature => track.position.map_or("blower", Position::key),
                other => other.key(),
            };
            let sent = (0..COLUMNS).map(|c| track.at(middle(c)).map(|(value, _)| value)).collect();
            (key.chars().next().unwrap_or('?'), sent)
        })
        .collect();
    let all = || values.iter().flat_map(|(_, sent)| sent.iter().flatten().copied());
    let (low, high) = all().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    if low.is_finite() {
        let (low, high) = if high - low < 1.0 { (low - 0.5, high + 0.5) } else { (low, high) };
        let step = (high - low) / (ROWS - 1) as f64;
        let mut grid = vec![vec![' '; COLUMNS as usize]; ROWS];
        for (sign, sent) in &values {
            for (column, value) in sent.iter().enumerate() {
                if let Some(value) = value {
                    let row = ((high - value) / step).round().clamp(0.0, (ROWS - 1) as f64) as usize;
                    grid[row][column] = *sign;
                }
            }
        }
        for (n, row) in grid.iter().enumerate() {
            let label =
                if n % 3 == 0 || n == ROWS - 1 { format!("{:.0}", high - step * n as f64) } else { String::new() };
            line(&mut out, &format!("{label:>LABEL$} |"), row.iter().collect());
        }
    }
    if let Some(pieces) = &case.blower {
        let mut row = String::new();
        for c in 0..COLUMNS {
            let mut begun = Span::ZERO;
            let found = pieces.iter().find(|piece| {
                begun = begun + piece.length;
                middle(c) < begun
            });
            row.push(match found {
                None => ' ',
                Some(piece) if !piece.heard => ' ',
                Some(piece) => match piece.running {
                    Running::Always => '#',
                    Running::Scheduled(0.0) => '_',
                    Running::Scheduled(1.0) => '-',
                    Running::Scheduled(_) => '~',
                },
            });
        }
        line(&mut out, &format!("{:>LABEL$} |", "blower"), row);
    }
    let mut expected = vec![' '; COLUMNS as usize];
    for e in &case.expected {
        let sign = e.kind.key().chars().next().unwrap_or('?').to_ascii_uppercase();
        expected[column(e.from)..=column(e.to)].fill('=');
        expected[column(e.from)] = sign;
    }
    let mut happened = vec![' '; COLUMNS as usize];
    for h in &run.events {
        happened[column(h.at)] = h.kind.key().chars().next().unwrap_or('?').to_ascii_uppercase();
    }
    let mut log = vec![' '; COLUMNS as usize];
    for (at, kind) in &case.log {
        log[column(*at)] = kind.key().chars().next().unwrap_or('?');
    }
    for (label, row) in [("log", log), ("expected", expected), ("happened", happened)] {
        line(&mut out, &format!("{label:>LABEL$} |"), row.iter().collect());
    }
    line(&mut out, &format!("{:>LABEL$} +", ""), "-".repeat(COLUMNS as usize));
    let mut scale = String::new();
    for quarter in 0..5 {
        let at = to_the_minute(Span::millis(case.length.as_millis() * quarter / 4));
        let place = (COLUMNS * quarter / 4) as usize;
        let place = if quarter == 4 { place.saturating_sub(at.len()) } else { place };
        let _ = write!(scale, "{:width$}{at}", "", width = place.saturating_sub(scale.len()));
    }
    line(&mut out, &format!("{:>LABEL$}  ", ""), scale);
    let mut signs: Vec<String> = case
        .tracks
        .iter()
        .zip(&values)
        .map(|(track, (sign, _))| match track.quantity {
            Quantity::Temperature => format!("{sign} {} °C", track.position.map_or("blower", Position::key)),
            other => format!("{sign} {} {}", other.key(), other.unit().sign()),
        })
        .collect();
    signs.dedup();
    if case.blower.is_some() {
        signs.push("blower: - as scheduled, ~ partly, _ stopped, # all the time".into());
    }
    signs.push("R raised, C cleared".into());
    line(&mut out, &format!("{:>LABEL$}  ", ""), signs.join("; "));
    out
}

fn line(out: &mut String, label: &str, row: String) {
    let _ = writeln!(out, "{}", format!("  {label}{row}").trim_end());
}
