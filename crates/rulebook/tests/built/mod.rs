//! Facts built from a shorthand, and the shipped rules, for tests and the benchmark.
//!
//! Must never read a clock: every time is counted back from one tick.

#![allow(clippy::unwrap_used, dead_code, missing_docs, unreachable_pub)]

use std::collections::BTreeMap;
use std::sync::Arc;

use pile::above::Above;
use pile::bed::BedParameters;
use pile::days::Days;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, Fraction, Kilograms, KilogramsPerCubicMetre, Litres, LitresPerMinute};
use pile::water_account::{Filling, WaterAccount};
use pile::window::{Point, Window};
use rulebook::answer::{Answer, Verdict};
use rulebook::facts::{BlowerFacts, Facts, Neighbour, Signal, WaterFacts};
use rulebook::{RuleText, Rulebook};
use site::entry::{Batch, BatchId, Entry, EntryKind, Filled, probes_out};
use site::ids::{BinId, BlowerId, ProbeId};
use site::judge::{Outcome, Standing};
use site::model::{BlowerSchedule, Display, Position, RuleSettings, RunProof};
use site::quantity::Quantity;
use site::reading::Source;
use site::zone::Zone;

/// The tick at which everything is judged: a whole five minutes, so that medians fall between readings as they do live.
pub const TICK: Timestamp = Timestamp::from_millis(1_773_100_800_000);

/// The texts of the shipped rules.
pub fn shipped() -> Vec<RuleText> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../rules");
    let mut texts: Vec<RuleText> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "rhai"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_string_lossy().into_owned();
            RuleText { path: format!("rules/{name}.rhai"), name, text: std::fs::read_to_string(&path).unwrap() }
        })
        .collect();
    texts.sort_by(|a, b| a.name.cmp(&b.name));
    assert!(!texts.is_empty(), "no rules in {folder}");
    texts
}

/// The shipped rules, compiled without a fault.
pub fn book(display: Display) -> Rulebook {
    let (book, faults) = Rulebook::compile(&shipped(), &RuleSettings::default(), display);
    assert!(faults.is_empty(), "{faults:#?}");
    book
}

/// One of our rules with this body, after a header that is in order.
pub fn rule(name: &str, body: &str) -> RuleText {
    let text = format!(
        "const RULE = #{{ title: \"T\", watches_for: \"w\", cause: \"c\", consequence: \"q\", response: [\"r\"], \
         time_to_respond: \"6 h\", severity: \"major\", window: \"2 d\", stages: [], time_above: [\"hold\"], \
         settings: #{{ hold: #{{ value: 55, min: 40, max: 70, unit: \"°C\", about: \"a\" }}, \
         fall: #{{ value: 5.6, min: 1, max: 30, unit: \"K/d\", about: \"a\" }} }} }};\n{body}\n"
    );
    RuleText { name: name.into(), path: format!("rules/{name}.rhai"), text }
}

/// `fn judge(bin, set)` around a body; its first line is line 3 of the file.
pub fn judging(body: &str) -> RuleText {
    rule("probe", &format!("fn judge(bin, set) {{\n{body}\n}}"))
}

/// Judges by one rule.
pub fn judge(book: &Rulebook, name: &str, facts: &Arc<Facts>) -> Answer {
    let rule = book.rules().iter().find(|r| r.name == name).unwrap_or_else(|| panic!("no rule {name}"));
    book.judge(rule, facts).unwrap_or_else(|fault| panic!("{fault}"))
}

/// A row: the bin, the verdict, words that the finding has, why.
pub type Row = (Built, Verdict, &'static str, &'static str);

/// Every row against one of the shipped rules.
pub fn check(rule: &str, rows: Vec<Row>) {
    let book = book(Display::Metric);
    let mut wrong = vec![];
    for (built, want, words, why) in rows {
        let facts: Arc<Facts> = built.done();
        let answer = judge(&book, rule, &facts);
        // A verdict without evidence proves nothing.
        let proven = want == Verdict::CannotTell || answer.evidence_at.is_some();
        if answer.verdict != want || !answer.finding.contains(words) || !proven {
            wrong.push(format!("{why}: expected {want:?} `{words}`: {answer:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Reads `36h`, `5min`, `2.5d` as a length.
pub fn span(text: &str) -> Span {
    let end = text.find(|c: char| c.is_ascii_alphabetic()).unwrap();
    let number: f64 = text[..end].parse().unwrap();
    let seconds = match &text[end..] {
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3_600.0,
        "d" => 86_400.0,
        other => panic!("unit {other}"),
    };
    Span::from_seconds_f64(number * seconds)
}

/// Points from a shorthand: knots as `how long ago:value`, straight lines between them with a reading every `step`; `|` is a
/// silence between its neighbours. `48h:60 24h:60 | 6h:55 0h:54.4`
pub fn series(text: &str, step: Span) -> Vec<Point> {
    let mut points: Vec<Point> = vec![];
    let mut before: Option<(Timestamp, f64)> = None;
    for token in text.split_whitespace() {
        if token == "|" {
            before = None;
            continue;
        }
        let (ago, value) = token.split_once(':').unwrap();
        let (at, value) = (TICK - span(ago), value.parse::<f64>().unwrap());
        if let Some((from, start)) = before {
            let mut t = from + step;
            while t < at {
                let share = t.since(from).as_seconds() / at.since(from).as_seconds();
                points.push(Point { at: t, value: start + (value - start) * share });
                t = t + step;
            }
        }
        points.push(Point { at, value });
        before = Some((at, value));
    }
    points
}

/// Facts in the making.
pub struct Built(Facts, Vec<(usize, Vec<Point>)>);

/// A bin with a batch that has been on air for `age`, nothing fitted yet.
pub fn on_air(age: &str) -> Built {
    let bin = BinId::new("north-2").unwrap();
    let batch = Batch { on_air_at: Some(TICK - span(age)), ..Batch::begun(BatchId(7), bin.clone(), TICK - span(age)) };
    Built(
        Facts {
            bin,
            at: TICK,
            display: Display::Metric,
            zone: Zone::named("Etc/UTC").unwrap(),
            signals: vec![],
            batch: Some(batch),
            results: Arc::default(),
            entries: Arc::default(),
            blower: None,
            probes_out: Arc::default(),
            neighbours: Arc::default(),
            watching: Span::days(30),
            fire: false,
            height: None,
            water: WaterFacts {
                volume: CubicMetres(2.5),
                hose: None,
                hold: None,
                account: Err("nobody wrote how the bin was filled".into()),
            },
            whole: None,
        },
        vec![],
    )
}

impl Built {
    /// A probe with good readings every five minutes.
    pub fn with(self, position: Position, quantity: Quantity, text: &str) -> Built {
        self.every(position, quantity, text, "5min")
    }

    /// A probe with good readings at this interval.
    pub fn every(mut self, position: Position, quantity: Quantity, text: &str, interval: &str) -> Built {
        let points = series(text, span(interval));
        let mut window = Window::new(Span::days(8));
        for point in &points {
            window.absorb(*point);
        }
        let number = self.0.signals.len() + 1;
        self.0.signals.push(Signal {
            source: Source::Probe(ProbeId::new(&format!("p{number}")).unwrap()),
            position: Some(position),
            site_wide: matches!(position, Position::Ambient | Position::Room),
            quantity,
            interval: span(interval),
            heard_at: points.last().map(|p| p.at),
            window: Arc::new(window),
            bad_in_a_row: 0,
            last_bad: None,
            above: Arc::default(),
            days: None,
        });
        self.1.push((number - 1, points));
        self
    }

    pub fn core(self, text: &str) -> Built {
        self.with(Position::Core, Quantity::Temperature, text)
    }
    pub fn base(self, text: &str) -> Built {
        self.with(Position::Base, Quantity::Temperature, text)
    }
    pub fn upper(self, text: &str) -> Built {
        self.with(Position::Upper, Quantity::Temperature, text)
    }
    pub fn moisture(self, text: &str) -> Built {
        self.with(Position::Core, Quantity::Moisture, text)
    }

    /// The last probe has sent this many bad readings since, the newest just now.
    pub fn bad(mut self, in_a_row: u32, value: f64) -> Built {
        let signal = self.0.signals.last_mut().unwrap();
        signal.bad_in_a_row = in_a_row;
        signal.last_bad = Some((TICK, value));
        signal.heard_at = Some(TICK);
        self
    }

    pub fn watered(mut self, ago: &str, litres: Option<f64>) -> Built {
        let kind = EntryKind::Watered { minutes: None, litres: litres.map(Litres) };
        let entry = Entry::new(TICK - span(ago), self.0.bin.clone(), kind, "Ann", "");
        Arc::make_mut(&mut self.0.entries).push(entry);
        self
    }

    /// An entry of a kind that its name says.
    pub fn entry(mut self, ago: &str, word: &str) -> Built {
        let kind = EntryKind::plain(word).unwrap();
        let entry = Entry::new(TICK - span(ago), self.0.bin.clone(), kind, "Ann", "");
        Arc::make_mut(&mut self.0.entries).push(entry);
        self.0.probes_out = Arc::new(probes_out(&self.0.entries));
        self
    }

    /// The on-air entry, with the moisture of what was filled in.
    pub fn filled(mut self, ago: &str, moisture_percent: Option<f64>) -> Built {
        let filled = Filled { moisture_percent, carbon_to_nitrogen: Some(28.0), ..Filled::of(Kilograms(1_250.0)) };
        let kind = EntryKind::OnAir { loaded_at: None, filling: Some(filled) };
        let entry = Entry::new(TICK - span(ago), self.0.bin.clone(), kind, "Ann", "");
        Arc::make_mut(&mut self.0.entries).push(entry);
        self
    }

    /// How the batch stands against a criterion: counted of needed hours, met how long ago, how long still to go.
    pub fn judged(
        mut self,
        criterion: &str,
        result: Outcome,
        (hours_counted, hours_needed): (f64, f64),
        met_ago: Option<Span>,
        left: Option<Span>,
    ) -> Built {
        Arc::make_mut(&mut self.0.results).push(Standing {
            criterion: criterion.into(),
            result,
            met_at: met_ago.map(|ago| TICK - ago),
            earliest_at: left.map(|left| TICK + left),
            hours_counted,
            hours_needed,
            coverage_fraction: Some(0.98),
        });
        self
    }

    /// Another bin: its blower, whether it is on air, its core.
    pub fn neighbour(mut self, name: &str, blower: &str, on_air: bool, core: Option<f64>) -> Built {
        Arc::make_mut(&mut self.0.neighbours).push(Neighbour {
            bin: BinId::new(name).unwrap(),
            blower: Some(BlowerId::new(blower).unwrap()),
            on_air,
            core: core.map(|value| Point { at: TICK, value }),
        });
        self
    }

    /// What the blower measures of its own air.
    pub fn measures(mut self, quantity: Quantity, text: &str) -> Built {
        let points = series(text, Span::minutes(1));
        let mut window = Window::new(Span::days(8));
        let mut days = Days::new(Timestamp::from_millis(0));
        for point in &points {
            window.absorb(*point);
            days.push(*point);
        }
        let blower = self.0.blower.as_mut().unwrap();
        blower.signals.push(Signal {
            source: Source::Blower(blower.blower.clone()),
            position: None,
            site_wide: false,
            quantity,
            interval: Span::minutes(1),
            heard_at: points.last().map(|p| p.at),
            window: Arc::new(window),
            bad_in_a_row: 0,
            last_bad: None,
            above: Arc::default(),
            days: Some(Arc::new(days)),
        });
        self
    }

    pub fn loaded_at(mut self, celsius: f64) -> Built {
        self.0.batch.as_mut().unwrap().loaded_at = Some(Celsius(celsius));
        self
    }

    /// A blower of 45 s every 30 min with a run counter; `text` is a series of the counter in seconds.
    pub fn counted(self, text: &str) -> Built {
        let schedule = BlowerSchedule::Pulses { on: Span::seconds(45), every: Span::minutes(30) };
        self.blower(schedule, RunProof::RunCounter, true, Some(series(text, Span::minutes(1))), Span::minutes(1))
    }

    pub fn blower(
        mut self,
        schedule: BlowerSchedule,
        proof: RunProof,
        countable: bool,
        points: Option<Vec<Point>>,
        interval: Span,
    ) -> Built {
        let window = points.map(|points| {
            let mut window = Window::new(Span::days(8));
            for point in points {
                window.absorb(point);
            }
            Arc::new(window)
        });
        let blower = BlowerId::new("b1").unwrap();
        self.0.blower = Some(BlowerFacts {
            blower,
            direction: site::model::Direction::Upward,
            schedule,
            proof,
            countable,
            interval,
            window,
            ran_at: None,
            wanted_since: self.0.batch.as_ref().and_then(|batch| batch.on_air_at),
            signals: vec![],
            valve_percent: 100.0,
        });
        self
    }

    /// Its air is drawn down through the pile.
    pub fn suction(mut self) -> Built {
        self.0.blower.as_mut().unwrap().direction = site::model::Direction::Suction;
        self
    }

    pub fn valve(mut self, percent: f64) -> Built {
        self.0.blower.as_mut().unwrap().valve_percent = percent;
        self
    }

    /// A water account that began two hours ago with 1,250 kg at this moisture, and a hose of 18 L/min.
    pub fn account(mut self, moisture: f64) -> Built {
        let bed = BedParameters::of_static_bin(CubicMetres(2.5)).unwrap();
        let filling = Filling::by_volume(CubicMetres(2.5), KilogramsPerCubicMetre(500.0), Fraction(moisture / 100.0));
        let account = WaterAccount::begin(bed, TICK - Span::hours(2), &filling).unwrap();
        self.0.water.account = Ok(Arc::new(account));
        self.0.water.hose = Some(LitresPerMinute(18.0));
        self
    }

    /// What the site's rules ask for: so long at so much.
    pub fn hold(mut self, celsius: f64, length: &str) -> Built {
        self.0.water.hold = Some((Celsius(celsius), span(length)));
        self
    }

    pub fn watching(mut self, length: &str) -> Built {
        self.0.watching = span(length);
        self
    }

    pub fn without_batch(mut self) -> Built {
        self.0.batch = None;
        self
    }

    pub fn done(mut self) -> Arc<Facts> {
        if let Some(batch) = &self.0.batch {
            for (index, points) in &self.1 {
                if self.0.signals[*index].quantity == Quantity::Temperature {
                    let accounts = [45.0, 50.0, 55.0]
                        .map(|t| Above::from_history(Celsius(t), Span::hours(1), batch.in_bin_since, points));
                    self.0.signals[*index].above = Arc::new(accounts.to_vec());
                    let mut days = Days::new(batch.in_bin_since);
                    points.iter().for_each(|point| days.push(*point));
                    self.0.signals[*index].days = Some(Arc::new(days));
                }
            }
        }
        Arc::new(self.0)
    }
}

/// Changes of settings: rule, setting, value, unit.
pub fn changes(rows: &[(&str, &str, f64, Option<site::quantity::Unit>)]) -> RuleSettings {
    let mut changed: BTreeMap<String, BTreeMap<String, site::model::Changed>> = BTreeMap::new();
    for (line, (rule, setting, value, unit)) in rows.iter().enumerate() {
        let place = format!("config/site.yaml:{}", 40 + line);
        changed
            .entry((*rule).into())
            .or_default()
            .insert((*setting).into(), site::model::Changed { value: *value, unit: *unit, place });
    }
    RuleSettings { folder: "rules".into(), changed }
}
