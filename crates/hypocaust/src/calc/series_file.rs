//! Reads a file of temperatures: what `hypocaust readings --csv` writes, or any table with `measured_at` and `value`.
//!
//! Must never leave a row out without being asked to: a row that cannot be read is a fault with its line.

use std::collections::BTreeSet;
use std::path::Path;

use csv::StringRecord;
use pile::series::Series;
use pile::time::Timestamp;
use pile::window::Point;
use site::bounds;
use site::quantity::{Quantity, Unit};
use site::zone::{Zone, parse_instant, rfc3339_utc};

use crate::cli::calc::Temperatures;
use crate::commands::CommandError;

/// Longest file that is read: a year of readings every ten seconds is 100 MB.
/// How many probes of a file a message names.
const PROBES_NAMED: usize = 8;

/// How a file writes its times, so that an answer can write them alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Clock {
    /// RFC 3339.
    Civil,
    /// Seconds from wherever the file counts.
    Seconds,
}

/// The readings of one probe.
pub(super) struct SeriesFile {
    pub(super) series: Series,
    pub(super) clock: Clock,
}

struct Columns {
    measured_at: usize,
    value: usize,
    probe: Option<usize>,
    quantity: Option<usize>,
    unit: Option<usize>,
}

impl SeriesFile {
    /// # Errors
    /// The file and line of the first fault, and what to do about it.
    pub(super) fn read(args: &Temperatures) -> Result<SeriesFile, CommandError> {
        let (path, called) = (&args.file, args.file.display().to_string());
        let bytes = contents(path)?;
        let text = std::str::from_utf8(&bytes).map_err(|error| {
            let line = 1 + bytes[..error.valid_up_to()].iter().filter(|b| **b == b'\n').count();
            at_line(&called, line as u64, "is not UTF-8; save the file as CSV in UTF-8")
        })?;
        parse(text, &called, args.probe.as_deref())
    }
}

impl Clock {
    /// The instant as the file would write it.
    pub(super) fn text(self, at: Timestamp) -> String {
        match (self, at.as_millis().rem_euclid(1_000)) {
            (Clock::Seconds, _) => format!("{}", at.as_millis() as f64 / 1e3),
            (Clock::Civil, 0) => rfc3339_utc(at),
            (Clock::Civil, ms) => format!("{}.{ms:03}Z", rfc3339_utc(at).trim_end_matches('Z')),
        }
    }
}

fn contents(path: &Path) -> Result<Vec<u8>, CommandError> {
    let what = |next: &str| format!("the readings {} cannot be read; {next}", path.display());
    files::read(path, files::SERIES).map_err(|source| match files::Fault::of(&source) {
        Some(files::Fault::TooLarge { largest, .. }) => CommandError::Refused(format!(
            "{} is longer than {} MB; split it by probe or by month",
            path.display(),
            largest >> 20
        )),
        _ => CommandError::Io { what: what("give a file of readings"), source },
    })
}

fn parse(text: &str, called: &str, wanted: Option<&str>) -> Result<SeriesFile, CommandError> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let heads = reader.headers().map_err(|error| unreadable(called, &error))?.clone();
    let columns = Columns::of(&heads, called)?;
    let (mut points, mut lines, mut probes, mut clock) = (Vec::new(), Vec::new(), BTreeSet::new(), None);
    let mut record = StringRecord::new();
    while reader.read_record(&mut record).map_err(|error| unreadable(called, &error))? {
        let line = record.position().map_or(0, csv::Position::line);
        let cell = |column: Option<usize>| column.and_then(|column| record.get(column));
        if cell(columns.quantity).is_some_and(|quantity| quantity != Quantity::Temperature.key()) {
            continue;
        }
        if let Some(probe) = cell(columns.probe) {
            probes.insert(probe.to_owned());
            if wanted.is_some_and(|wanted| wanted != probe) {
                continue;
            }
        }
        let (at, how) = instant(&record[columns.measured_at]).map_err(|said| at_line(called, line, &said))?;
        if *clock.get_or_insert(how) != how {
            let said = "has its time in another form than the first; write all in RFC 3339 or all in seconds";
            return Err(at_line(called, line, said));
        }
        let value = celsius(&record[columns.value], cell(columns.unit)).map_err(|said| at_line(called, line, &said))?;
        points.push(Point { at, value });
        lines.push(line);
    }
    if let Some(wanted) = wanted
        && !probes.contains(wanted)
    {
        let known = if columns.probe.is_some() { named(&probes) } else { "no column `probe`".to_owned() };
        return Err(CommandError::Refused(format!("{called}: there is no probe `{wanted}`; the file has {known}")));
    }
    if wanted.is_none() && probes.len() > 1 {
        let known = named(&probes);
        return Err(CommandError::Refused(format!("{called}: it has readings of {known}; choose one with --probe")));
    }
    let series = Series::new(points).map_err(|error| {
        let place = error.index().and_then(|index| lines.get(index));
        let place = place.map_or_else(|| called.to_owned(), |line| format!("{called}:{line}"));
        CommandError::Refused(format!("{place}: {error}"))
    })?;
    Ok(SeriesFile { series, clock: clock.unwrap_or(Clock::Seconds) })
}

impl Columns {
    fn of(heads: &StringRecord, called: &str) -> Result<Columns, CommandError> {
        let find = |name: &str| heads.iter().position(|head| head == name);
        if let Some(twice) = heads.iter().enumerate().find(|(i, head)| !head.is_empty() && find(head) != Some(*i)) {
            return Err(at_line(called, 1, &format!("names the column `{}` twice; keep one of them", twice.1)));
        }
        let needed = |name: &str| {
            find(name).ok_or_else(|| {
                let has: Vec<String> = heads.iter().take(PROBES_NAMED).map(|head| format!("`{head:.24}`")).collect();
                let has = if has.is_empty() { "nothing".to_owned() } else { has.join(", ") };
                at_line(called, 1, &format!("has no column `{name}`, only {has}; name it in the row of headings"))
            })
        };
        Ok(Columns {
            measured_at: needed("measured_at")?,
            value: needed("value")?,
            probe: find("probe"),
            quantity: find("quantity"),
            unit: find("unit"),
        })
    }
}

fn instant(text: &str) -> Result<(Timestamp, Clock), String> {
    if let Ok(seconds) = text.parse::<f64>() {
        let ms = (seconds * 1e3).round();
        // Wherever the file counts from, it counts no further than the calendar goes.
        let most = bounds::LATEST.as_millis() as f64;
        if !(-most..=most).contains(&ms) {
            let most = most / 1e3;
            return Err(format!(
                "has the time `{text:.40}`, outside -{most} to {most} seconds; give seconds or RFC 3339"
            ));
        }
        return Ok((Timestamp::from_millis(ms as i64), Clock::Seconds));
    }
    let utc = Zone::named("UTC").map_err(|error| error.to_string())?;
    // A time of day without an offset could be any of 38 instants.
    let offset = text.ends_with(['Z', 'z']) || text.rfind(['+', '-']).is_some_and(|i| i > 10);
    match parse_instant(text, &utc) {
        Ok(at) if offset => Ok((at, Clock::Civil)),
        Ok(_) => Err(format!("has the time `{text:.40}` without its offset from UTC; write 2026-03-10T06:00:00Z")),
        Err(_) => Err(format!("has `{text:.40}` for a time; write 2026-03-10T06:00:00Z, or seconds")),
    }
}

fn celsius(text: &str, unit: Option<&str>) -> Result<f64, String> {
    let value: f64 = text
        .parse()
        .map_err(|_| format!("has `{text:.40}` for a value; write a number with a point, or take the row out"))?;
    let Some(symbol) = unit else { return Ok(value) };
    Unit::from_symbol(symbol)
        .and_then(|unit| unit.to_canonical(Quantity::Temperature, value))
        .ok_or_else(|| format!("has the unit `{symbol:.24}`, which is none of temperature; write Cel, [degF] or K"))
}

fn named(probes: &BTreeSet<String>) -> String {
    let mut names: Vec<String> = probes.iter().take(PROBES_NAMED).map(|probe| format!("`{probe}`")).collect();
    if probes.len() > PROBES_NAMED {
        names.push(format!("{} more", probes.len() - PROBES_NAMED));
    }
    if names.is_empty() { "none".into() } else { names.join(", ") }
}

fn unreadable(called: &str, error: &csv::Error) -> CommandError {
    match error.kind() {
        csv::ErrorKind::UnequalLengths { pos, expected_len, len } => {
            let line = pos.as_ref().map_or(0, csv::Position::line);
            at_line(called, line, &format!("has {len} cells where the headings have {expected_len}; complete the row"))
        }
        _ => CommandError::Refused(format!("{called}: {error}; save it as CSV in UTF-8")),
    }
}

fn at_line(called: &str, line: u64, said: &str) -> CommandError {
    CommandError::Refused(format!("{called}:{line}: the row {said}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Files that a broken logger might write, from a fixed seed: a splitmix64 picks each piece.
    #[test]
    fn no_text_makes_it_panic_and_what_is_taken_is_a_series() {
        let pieces = [
            "0",
            "600",
            "1200",
            "2026-03-10T00:00:00Z",
            "2026-03-10T00:30:00+01:00",
            "50",
            "51.5",
            "-1",
            "1e9",
            "NaN",
            "inf",
            "1e400",
            "",
            ",",
            ",",
            ",",
            ",",
            "\n",
            "\n",
            "\n",
            "\r\n",
            "\"",
            " ",
            "p1",
            "Cel",
            "\u{feff}",
            "\0",
            "°",
            "Z",
            "-",
            "@",
        ];
        let heads = ["measured_at,value\n", "value,measured_at\n", "measured_at,probe,value,unit\n", "a\n", ""];
        let mut state = 11_u64;
        let mut next = move || {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let x = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            (x ^ (x >> 31)) as usize
        };
        let mut taken = 0;
        for _ in 0..100_000 {
            let mut text = heads[next() % heads.len()].to_owned();
            for _ in 0..next() % 12 {
                text += pieces[next() % pieces.len()];
            }
            if next() % 2 == 0 {
                text += "\n0,50\n600,51\n";
            }
            match parse(&text, "f.csv", None) {
                Ok(file) => {
                    assert!(file.series.points().len() >= 2, "{text:?}");
                    taken += 1;
                }
                Err(error) => assert!(error.to_string().starts_with("f.csv"), "{text:?}: {error}"),
            }
        }
        assert!(taken > 500, "only {taken} files were taken: the pieces are badly chosen");
    }
}
