//! Six weeks of an invented site in about two minutes: a simulated yard publishes over real MQTT to the daemon of `run`.
//!
//! Must never give the daemon anything but what a real site would: messages on the broker and requests on the local socket.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use engine::effect::MailState;
use indicatif::{ProgressBar, ProgressStyle};
use ledger::{Access, Ledger};
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Kilograms, Litres};
use rumqttc::AsyncClient;
use sim::{Bin, BinSetup, Blower, BlowerFault, Climate, Fault, Gateway, Layer, ProbeModel, Pulses};
use site::entry::{Against, Amount, EntryKind, Filled, Taken};
use site::ids::ProbeId;
use site::model::{Site, Transport};
use site::zone::{Zone, parse_instant};

use crate::cli::{DemoArgs, DisplayUnits};
use crate::commands::{CommandError, runtime};
use crate::driven::{Driven, acknowledged, connect, publish};
use crate::listing::about;
use crate::rules;
use crate::socket::{AlarmWord, Request};

/// Who writes the log of the demo.
const CREW: &str = "Ines Okafor";
/// What each bin is meant to show.
const README: &str = include_str!("../../../demo-data/README.md");
/// The settings of the invented site.
const SETTINGS: &str = include_str!("../../../demo-data/site.yaml");
/// A file that marks a folder as an earlier demo's, which may be replaced.
const MARK: &str = ".hypocaust-demo";
/// The crew checks probes and brings loads so long before a bin goes on air.
const FILLING: Span = Span::minutes(100);
/// From one pack of a bin to the next.
const STEP: Span = Span::minutes(5);
/// A Monday in spring, by the site's clock.
const BEGINS: &str = "2026-03-02 06:00";
/// Water from a hose in spring.
const HOSE: Celsius = Celsius(11.0);

/// Runs the demo and prints what came of it.
///
/// # Errors
/// When the folder cannot be used or the daemon fails.
pub fn demo(args: &DemoArgs) -> Result<(), CommandError> {
    let begun = Instant::now();
    let out = prepare(&args.out)?;
    let settings = kept_settings(&out, args.units);
    let mut site = site::settings::read(&settings, "the demo's settings").map_err(|faults| {
        CommandError::Refused(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    })?;
    site.data_folder = out.join("data");
    site.mail.transport = Transport::Folder(out.join("mail"));
    // They are in the program: the demo runs in any folder. The listings, and whoever wants to change one, find them there.
    let mut texts = rules::shipped_texts();
    for text in &mut texts {
        let path = out.join("rules").join(format!("{}.rhai", text.name));
        text.path = path.display().to_string();
        files::write(&path, &text.text)
            .map_err(|source| CommandError::Io { what: format!("{} cannot be written", path.display()), source })?;
    }
    let start = parse_instant(BEGINS, &site.zone).map_err(CommandError::Refused)?;
    let site = Arc::new(site);
    println!(
        "{}: six bins, {} days, seed {}; {} rules from {}",
        site.name,
        args.days,
        args.seed,
        texts.len(),
        out.join("rules").display()
    );
    let lived = runtime()?.block_on(async {
        let driven = Driven::start(Arc::clone(&site), &texts, start, None, None).await?;
        let mut season = Season { driven, start, days: args.days, seed: args.seed };
        let lived = season.live().await?;
        season.driven.stop().await?;
        Ok::<_, CommandError>(lived)
    })?;
    tell(&site, &out, &settings, &lived, begun.elapsed())
}

/// What the season came to.
struct Lived {
    published: u64,
    waterings: u32,
}

fn prepare(out: &Path) -> Result<PathBuf, CommandError> {
    let failed = |what: String| move |source| CommandError::Io { what, source };
    if out.exists() {
        let ours = out.join(MARK).exists();
        let empty = std::fs::read_dir(out).map(|mut d| d.next().is_none()).unwrap_or(false);
        if !ours && !empty {
            return Err(CommandError::Refused(format!(
                "{} is there already and was not made by an earlier demo; give another folder with --out",
                out.display()
            )));
        }
        std::fs::remove_dir_all(out)
            .map_err(failed(format!("the earlier demo in {} cannot be removed", out.display())))?;
    }
    let make = |path: &Path| {
        std::fs::create_dir_all(path)
            .map_err(failed(format!("{} cannot be made; give a folder that can with --out", path.display())))
    };
    make(&out.join("mail"))?;
    make(&out.join("rules"))?;
    files::write(&out.join("README.md"), README).map_err(failed(format!("{} cannot be written to", out.display())))?;
    files::write(&out.join(MARK), "made by `hypocaust demo`; replaced by the next one\n")
        .map_err(failed(format!("{} cannot be written to", out.display())))?;
    Ok(out.to_owned())
}

struct Season {
    driven: Driven,
    start: Timestamp,
    days: u32,
    seed: u64,
}

/// One bin with all that belongs to it.
struct Bay {
    name: &'static str,
    bin: Bin,
    blower: Blower,
    probes: [ProbeModel; 4],
    moisture: Option<ProbeModel>,
    gateway: Gateway<String>,
    on_air: Timestamp,
    off_air: Timestamp,
    loaded: Celsius,
    filled: Filled,
    care: Care,
    client: AsyncClient,
    said_loaded: bool,
    said_on_air: bool,
    /// What is still to be written, and when.
    papers: Vec<Paper>,
    said_off_air: bool,
    /// When the crew will come because a mail called them.
    called_for: Option<Timestamp>,
}

/// When something is to be written, what, and its note.
type Paper = (Timestamp, (EntryKind, &'static str));

/// How the crew looks after a bin.
#[derive(Clone, Copy)]
enum Care {
    /// They feel a handful every morning and water below this moisture, up to the second one.
    Daily { below: f64, to: f64 },
    /// They come when a mail says so, some hours later, and water up to this moisture.
    WhenTold { after: Span, to: f64 },
    /// They come when a mail says so and give the blower these pulses.
    MoreAir { after: Span, pulses: Pulses },
    /// They leave it alone.
    Not,
}

impl Season {
    async fn live(&mut self) -> Result<Lived, CommandError> {
        let address =
            self.driven.listens_on().ok_or_else(|| CommandError::Refused("the broker does not listen".into()))?;
        let mut bays = self.bays(address)?;
        let yard = connect(address, "demo-air");
        let climate = Climate { seed: self.seed, ..Climate::temperate(self.seed) };
        let mut lived = Lived { published: 0, waterings: 0 };
        let steps = i64::from(self.days) * Span::days(1).as_millis() / STEP.as_millis();
        let bar = ProgressBar::new(steps.unsigned_abs());
        if let Ok(style) =
            ProgressStyle::with_template("  {bar:40} {msg}  {percent:>3} %  {elapsed} of about {duration}")
        {
            bar.set_style(style);
        }
        for step in 1..=steps {
            let before = self.start + STEP.times(step - 1);
            let now = self.start + STEP.times(step);
            let weather = climate.weather(before);
            self.driven.advance_to(now).await?;
            let mut notices = Vec::new();
            for bay in &mut bays {
                if now > bay.on_air {
                    let air = bay.blower.air(before, now);
                    bay.bin
                        .advance(now.since(before), air, weather)
                        .map_err(|e| CommandError::Refused(format!("{}: the model refuses: {e}", bay.name)))?;
                }
                let pack = bay.pack(now, weather.ambient);
                bay.gateway.accept(now, pack);
                for delivery in bay.gateway.deliver(now) {
                    notices.push(publish(&bay.client, format!("fennel/{}/pack", bay.name), delivery.pack).await?);
                    lived.published += 1;
                }
            }
            let air = format!("{{\"measured_at\":{},\"air\":{:.2}}}", now.as_millis() / 1_000, weather.ambient.0);
            notices.push(publish(&yard, "fennel/air".into(), air).await?);
            lived.published += 1;
            acknowledged(notices).await?;
            self.crew(&mut bays, now, &mut lived).await?;
            bar.set_position(step.unsigned_abs());
            if step % 288 == 0 {
                bar.set_message(self.zone().show_short(now));
                if bar.is_hidden() && step % (288 * 7) == 0 {
                    println!("  {} ({} of {} days)", self.zone().show_short(now), step / 288, self.days);
                }
            }
        }
        bar.finish_and_clear();
        self.driven.settle(self.start + STEP.times(steps)).await?;
        Ok(lived)
    }

    fn zone(&self) -> &Zone {
        &self.driven.site().zone
    }

    fn bays(&self, address: SocketAddr) -> Result<Vec<Bay>, CommandError> {
        let day = |n: f64| self.start + Span::from_seconds_f64(n * 86_400.0);
        let tended = Care::Daily { below: 0.51, to: 0.55 };
        let few = Pulses { on: Span::seconds(45), every: Span::minutes(60) };
        let more = Pulses { on: Span::seconds(45), every: Span::minutes(15) };
        let plans = [
            ("bay-1", BinSetup::typical(), 0.1, 38.0, tended),
            ("bay-2", BinSetup::dry_mix(), 0.2, 41.0, Care::WhenTold { after: Span::hours(30), to: 0.57 }),
            ("bay-3", BinSetup::typical(), 1.1, 40.0, tended),
            ("bay-4", BinSetup::rich_feed(), 2.1, 36.0, Care::MoreAir { after: Span::hours(2), pulses: more }),
            ("bay-5", BinSetup::soaked_mix(), 3.1, 12.0, Care::Not),
            ("bay-6", BinSetup::typical(), 4.1, 41.0, tended),
        ];
        (0u64..)
            .zip(plans)
            .map(|(i, (name, setup, on_air, off_air, care))| {
                let on_air = day(on_air);
                let seed = self.seed.wrapping_mul(1_000).wrapping_add(i * 10);
                let mut blower = Blower::typical(on_air);
                let mut probes = [0, 1, 2, 3].map(|n| ProbeModel::temperature(seed + n));
                let mut outages = Vec::new();
                match name {
                    "bay-3" => blower.faults.push(BlowerFault::Stops { from: day(9.4), until: Some(day(10.9)) }),
                    "bay-4" => blower.set_pulses(on_air, few),
                    "bay-6" => {
                        probes[1] = ProbeModel::temperature(seed + 1)
                            .with_fault(Fault::Flaky { from: day(13.0), until: day(15.0), share: 0.6 })
                            .with_fault(Fault::Silent { from: day(15.0), until: day(17.3) });
                        outages.push((day(23.0), day(23.6)));
                    }
                    _ => {}
                }
                // A moisture probe is rare on small sites; one bin has one.
                let moisture = (name == "bay-2").then(|| ProbeModel::new(0.4, 0.1, 0.0, Span::minutes(30), seed + 5));
                Ok(Bay {
                    name,
                    bin: Bin::new(setup)
                        .map_err(|e| CommandError::Refused(format!("{name}: the model refuses: {e}")))?,
                    blower,
                    probes,
                    moisture,
                    gateway: Gateway::new(outages, 10_000),
                    on_air,
                    off_air: day(off_air),
                    loaded: setup.loaded_at,
                    filled: Filled {
                        moisture_percent: Some(setup.moisture * 100.0),
                        ..Filled::of(Kilograms(setup.wet_mass))
                    },
                    care,
                    client: connect(address, &format!("demo-{name}")),
                    said_loaded: false,
                    said_on_air: false,
                    papers: papers(name, day, day(off_air)),
                    said_off_air: false,
                    called_for: None,
                })
            })
            .collect()
    }

    /// What people do: fill bins, feel handfuls, read their mail, water, open valves.
    async fn crew(&self, bays: &mut [Bay], now: Timestamp, lived: &mut Lived) -> Result<(), CommandError> {
        let morning = self.zone().at(now).hour() == 8 && self.zone().at(now).minute() < 5;
        let hourly = self.zone().at(now).minute() < 5;
        for bay in bays {
            if !bay.said_loaded && now >= bay.on_air - FILLING {
                bay.said_loaded = true;
                for (at, kind) in bay.filling(now) {
                    self.driven.ask(Request::entry(bay.name, at, CREW, "", &kind)).await?;
                }
            }
            if !bay.said_on_air && now >= bay.on_air {
                bay.said_on_air = true;
                let kind = EntryKind::OnAir { loaded_at: Some(bay.loaded), filling: Some(bay.filled) };
                self.driven.ask(Request::entry(bay.name, bay.on_air, CREW, "", &kind)).await?;
                continue;
            }
            if bay.said_on_air && !bay.said_off_air && now >= bay.off_air {
                bay.said_off_air = true;
                bay.blower.set_pulses(now, Pulses { on: Span::ZERO, every: Span::minutes(30) });
                self.driven.ask(Request::entry(bay.name, now, CREW, "", &EntryKind::OffAir)).await?;
                continue;
            }
            for (_, (kind, note)) in bay.due(now) {
                self.driven.ask(Request::entry(bay.name, now, CREW, note, &kind)).await?;
            }
            if !bay.said_on_air || bay.said_off_air {
                continue;
            }
            let to = match bay.care {
                Care::Daily { below, to } if morning && bay.bin.mean_moisture_fraction() < below => Some(to),
                Care::WhenTold { after, to } => {
                    bay.comes(self, now, hourly, after, &["temperature-crash", "dry-pile"]).await?.then_some(to)
                }
                Care::MoreAir { after, pulses } => {
                    if bay.comes(self, now, hourly, after, &["too-hot"]).await? {
                        bay.blower.set_pulses(now, pulses);
                        bay.care = Care::Daily { below: 0.50, to: 0.55 };
                        let note = format!("now {} every {}", pulses.on, pulses.every);
                        self.driven.ask(Request::entry(bay.name, now, CREW, &note, &EntryKind::AirChanged)).await?;
                    }
                    None
                }
                Care::Daily { .. } | Care::Not => None,
            };
            if let Some(to) = to {
                let litres = bay.bin.litres_to_moisture(to).unwrap_or(Litres(0.0));
                let poured = bay.bin.water(litres, HOSE).map_err(|e| CommandError::Refused(e.to_string()))?;
                lived.waterings += 1;
                // A garden hose gives about 15 litres a minute.
                let minutes = Some((litres.0 / 15.0).ceil());
                let litres = Some(Litres((poured.held.0 + poured.drained.0).round()));
                let kind = EntryKind::Watered { minutes, litres };
                self.driven.ask(Request::entry(bay.name, now, CREW, "", &kind)).await?;
            }
        }
        Ok(())
    }

    /// The numbers of standing, unacknowledged alarms of a bin by these rules.
    async fn calls(&self, bin: &str, rules: &'static [&'static str]) -> Result<Vec<u64>, CommandError> {
        let folder = self.driven.site().data_folder.clone();
        let bin = bin.to_owned();
        let read = tokio::task::spawn_blocking(move || -> Result<Vec<u64>, ledger::LedgerError> {
            let alarms = Ledger::open(&folder, Access::Read)?.alarms()?;
            Ok(alarms
                .into_iter()
                .filter(|a| a.key.subject.as_str() == bin && rules.contains(&a.key.rule.as_str()))
                .filter(|a| a.life.state == engine::alarm::AlarmState::Unacknowledged)
                .map(|a| a.id.0)
                .collect())
        });
        match read.await {
            Ok(found) => Ok(found?),
            Err(panic) => Err(CommandError::Refused(panic.to_string())),
        }
    }
}

/// What one bin has on record beside loads, water and air: a repair, a sample of moisture, the results of a laboratory.
fn papers(name: &str, day: impl Fn(f64) -> Timestamp, off_air: Timestamp) -> Vec<Paper> {
    let found = |analyte: &str, value, below, unit: &str, method: &str| EntryKind::LabResult {
        analyte: analyte.into(),
        value,
        below,
        unit: unit.into(),
        laboratory: "Fennel County Laboratory (invented)".into(),
        method: method.into(),
        sampled_at: off_air + Span::hours(3),
    };
    let back = off_air + Span::days(3);
    match name {
        "bay-1" => vec![
            (day(12.1), (EntryKind::Sampled { moisture_percent: 53.0, sd_percent: 2.0 }, "oven, three samples")),
            (back, (found("faecal coliform", 410.0, false, "MPN/g total solids", "EPA 1680"), "")),
            (back, (found("Salmonella", 3.0, true, "MPN/4 g total solids", "EPA 1682"), "")),
        ],
        "bay-3" => vec![(day(10.9), (EntryKind::Repair, "blower bearing replaced"))],
        _ => Vec::new(),
    }
}

impl Bay {
    /// The checks of the bin's probes in ice, and its loads.
    fn filling(&self, now: Timestamp) -> Vec<(Timestamp, EntryKind)> {
        let probes =
            ["base", "core", "upper"].iter().filter_map(|place| ProbeId::new(&format!("{}-{place}", self.name)).ok());
        let checks = probes.map(|probe| EntryKind::Calibrated {
            probe,
            against: Against::Ice,
            showed: Celsius(0.0),
            truth: Celsius(0.0),
            allowed: Kelvin(0.5),
            due: Some(now + Span::days(182)),
        });
        let whole = self.filled.wet_mass.0;
        let loads =
            [("Fennel Bank canteen (invented)", "food waste", 0.55), ("Copse Wood (invented)", "wood chips", 0.45)];
        let loads = loads.map(|(source, material, share)| EntryKind::Loaded {
            source: source.into(),
            material: material.into(),
            amount: Amount::Mass(Kilograms((whole * share).round())),
            taken: Taken::In,
        });
        checks.chain(loads).map(|kind| (now, kind)).collect()
    }

    /// What is to be written by now, once.
    fn due(&mut self, now: Timestamp) -> Vec<Paper> {
        let (mut due, later): (Vec<Paper>, _) =
            std::mem::take(&mut self.papers).into_iter().partition(|(at, _)| *at <= now);
        self.papers = later;
        for (_, (kind, _)) in &mut due {
            if let EntryKind::Sampled { moisture_percent, .. } = kind {
                *moisture_percent = (self.bin.mean_moisture_fraction() * 100.0).round();
            }
        }
        due
    }

    /// Whether the crew, called by a mail, is here now. They acknowledge when they read it.
    async fn comes(
        &mut self,
        season: &Season,
        now: Timestamp,
        hourly: bool,
        after: Span,
        rules: &'static [&'static str],
    ) -> Result<bool, CommandError> {
        if let Some(at) = self.called_for {
            if now >= at {
                self.called_for = None;
                return Ok(true);
            }
            return Ok(false);
        }
        if hourly {
            let calls = season.calls(self.name, rules).await?;
            if !calls.is_empty() {
                self.called_for = Some(now + after);
                for alarm in calls {
                    let comment = "on my way".to_owned();
                    season
                        .driven
                        .ask(Request::Alarm { alarm, by: CREW.into(), word: AlarmWord::Acknowledge { comment } })
                        .await?;
                }
            }
        }
        Ok(false)
    }

    /// One message of the bin's node, as its gateway forms it.
    fn pack(&mut self, now: Timestamp, ambient: Celsius) -> String {
        let filled = now > self.on_air;
        let truth = |layer: Layer| if filled { self.bin.temperature(layer).0 } else { ambient.0 };
        let exhaust = if filled { self.bin.exhaust().temperature.0 } else { ambient.0 };
        let values = [truth(Layer::Base), truth(Layer::Core), truth(Layer::Upper), exhaust];
        let mut fields = vec![format!("\"measured_at\":{}", now.as_millis() / 1_000)];
        for ((name, value), probe) in ["base", "core", "upper", "exhaust"].iter().zip(values).zip(&mut self.probes) {
            if let Some(read) = probe.read(now, value) {
                fields.push(format!("\"{name}\":{read}"));
            }
        }
        let moisture = self.bin.moisture_fraction(Layer::Core) * 100.0;
        if let Some(read) = self.moisture.as_mut().and_then(|p| p.read(now, moisture)).filter(|_| filled) {
            fields.push(format!("\"moisture\":{read:.1}"));
        }
        let ran = self.blower.run_seconds(self.on_air - Span::days(1), now);
        fields.push(format!("\"run_seconds\":{ran:.0}"));
        format!("{{{}}}", fields.join(","))
    }
}

/// The printed end: what was mailed, and where to look next.
fn tell(site: &Site, out: &Path, settings: &str, lived: &Lived, took: Duration) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let counts = ledger.counts()?;
    println!(
        "\n{} messages over MQTT, {} readings stored, {} alarms in {} events, {} waterings, in {:.0} s\n",
        lived.published,
        counts.readings,
        counts.alarms,
        counts.alarm_events,
        lived.waterings,
        took.as_secs_f64()
    );
    println!("{:<17} {:<6} what the mail was about", "when", "bin");
    let mut mornings = 0;
    for row in ledger.outbox()? {
        let mail = &row.mail;
        let bin = match &mail.notice {
            // One every morning: a line each would hide what the mails are about.
            engine::notice::Notice::RoundList(_) if matches!(mail.state, MailState::Accepted { .. }) => {
                mornings += 1;
                continue;
            }
            engine::notice::Notice::Alarm(a) => a.subject.as_str().to_owned(),
            _ => "-".to_owned(),
        };
        let stuck = if matches!(mail.state, MailState::Accepted { .. }) { "" } else { "  (not delivered)" };
        let words = about(&mail.notice).replacen(&format!("[{}] ", site.id), "", 1);
        let words = words.replacen(&format!("{bin} "), "", 1);
        println!("{:<17} {:<6} {words}{stuck}", site.zone.show_short(mail.created_at), bin);
    }
    println!("{:<17} {:<6} round list, {mornings} times", format!("daily {}", site.round_list.at), "-");
    let config = out.join("site.yaml");
    files::write(&config, settings)
        .map_err(|source| CommandError::Io { what: format!("{} cannot be written", config.display()), source })?;
    let config = config.display();
    println!(
        "\nLook next:\n  \
         {mail}   the mails as they would have been sent; any mail program opens them\n  \
         {shown}   what each bin was meant to show\n  \
         {program} --config {config} alarms --all\n  \
         {program} --config {config} readings --bin bay-2 --from 2026-03-20 --to 2026-03-21\n  \
         {program} --config {config} outbox\n\
         Hot piles steam, make gases and can burn; local codes, your permit and licensed practice decide. hypocaust advises.",
        mail = out.join("mail").display(),
        shown = out.join("README.md").display(),
        program = std::env::args().next().unwrap_or_else(|| "hypocaust".into())
    );
    Ok(())
}

/// The demo's settings with its folders filled in, so that the listings work on what it left.
fn kept_settings(out: &Path, units: DisplayUnits) -> String {
    // In quotes, because a folder may be called anything.
    let place = |name: &str| serde_json::Value::from(out.join(name).display().to_string()).to_string();
    let units = match units {
        DisplayUnits::Metric => "units: metric",
        DisplayUnits::Us => "units: us",
    };
    SETTINGS
        .replacen("units: metric", units, 1)
        .replacen("data_folder: data", &format!("data_folder: {}", place("data")), 1)
        .replacen("  folder: mail", &format!("  folder: {}", place("mail")), 1)
        .replacen("  folder: rules", &format!("  folder: {}", place("rules")), 1)
}
