//! The loop of the daemon: inputs in, one commit, then everything else goes out.
//!
//! Must never let anything leave before the commit that caused it: no acknowledgement, no answer, no mail, no message.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use decode::{Seen, Written};
use engine::Engine;
use engine::effect::{Effect, Level, MailId};
use engine::input::{Input, MachineClock, MailOutcome, RefusedChange, RuleSet};
use engine::reports::ReportWord;
use engine::restore::PassedOver;
use intake::{Ack, Happening, Intake, Publisher};
use ledger::{Folder, Height, Ledger, SetAside};
use pile::time::{Span, Timestamp};
use pile::window::Point;
use post::Postman;
use rulebook::{RuleFault, Rulebook};
use site::entry::BatchId;
use site::ids::BinId;
use site::judge::Standing;
use site::model::{RuleSettings, Site};
use site::reading::SeriesId;
use tokio::sync::{Semaphore, mpsc, oneshot, watch};

use crate::by_mqtt::{TokenError, Tokens};
use crate::clock::Clock;
use crate::copying::{self, CopyHand, CopyWord};
use crate::health::{self, Board};
use crate::metrics::{self, Sight, Tally};
use crate::recording::Recorder;
use crate::report::{self, Rendered};
use crate::rule_watch::{RuleWatch, Tried};
use crate::socket::{self, Answer, Asked, Wish};

mod errands;
mod mqtt_words;
mod opening;
mod repeats;
mod rule_changes;
mod settings_row;
mod vitals;

pub(crate) use tidying::years_as_span;
pub(crate) use vitals::Moves;
use vitals::Vitals;
mod tidying;

/// Everything a daemon needs to run.
#[derive(Debug)]
pub struct Setup {
    /// The checked settings.
    pub site: Arc<Site>,
    /// The rules that compile.
    pub rulebook: Rulebook,
    /// Those that do not.
    pub broken: Vec<RuleFault>,
    /// The locked data folder.
    pub folder: Folder,
    /// What supplies `now`.
    pub clock: Clock,
    /// Where inputs and effects are written down, if they are.
    pub recorder: Option<Recorder>,
    /// The most pages that the store may have, changed at will: how a full disk is rehearsed.
    pub store_pages: Option<watch::Receiver<Option<u32>>>,
    /// Who looks after changes of the rules; `None` where they cannot change.
    pub rules: Option<ChangingRules>,
    /// Where the rules come from while their folder gives none, and what to do; `None` where it does.
    pub rules_from: Option<String>,
    /// The settings' text, for the record; `None` where there is none.
    pub settings_text: Option<String>,
}

/// Rules that may change while the daemon runs.
#[derive(Debug)]
pub struct ChangingRules {
    /// What is in force, and its files.
    pub watch: RuleWatch,
    /// What was wrong with changed files at the start; their earlier texts are in force.
    pub refused: Vec<RefusedChange>,
    /// Somebody wants the files to be read now.
    pub wanted: mpsc::Receiver<()>,
}

impl ChangingRules {
    /// Rules that are read when their files change or a command asks; nothing was wrong with them at the start.
    pub fn asked_by_command(watch: RuleWatch) -> ChangingRules {
        ChangingRules { watch, refused: Vec::new(), wanted: mpsc::channel(1).1 }
    }
}

/// How far the loop has come, for whoever drives its clock.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// It is up: the broker listens or the first connection was attempted.
    pub ready: bool,
    /// Where the embedded broker listens.
    pub listens_on: Option<std::net::SocketAddr>,
    /// Every deadline up to this instant was run and committed, and what it caused has come back.
    pub settled_at: Option<Timestamp>,
    /// The store does not take what is to be committed; nothing is acknowledged meanwhile.
    pub store_in_trouble: bool,
    /// When the store was looked after last: signs of life, packing, what goes after its time.
    pub tended_at: Option<Timestamp>,
}

/// Why the daemon could not start or go on.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The store.
    #[error("the store in {folder} cannot be used")]
    Ledger {
        /// Which folder.
        folder: String,
        /// Why.
        source: ledger::LedgerError,
    },
    /// The broker.
    #[error("readings cannot come in")]
    Intake(#[source] intake::IntakeError),
    /// A secret.
    #[error("a secret is missing")]
    Secret(#[source] crate::secrets::SecretError),
    /// Words that prove who somebody is.
    #[error("entries over MQTT cannot be taken")]
    Token(#[source] TokenError),
    /// The local socket.
    #[error("commands cannot reach the daemon")]
    Socket(#[source] socket::SocketError),
    /// The way out for mail.
    #[error("mail cannot be set up")]
    Post(#[source] post::PostmanError),
    /// The intake ended while the daemon ran.
    #[error(
        "no message can come in any more: the intake ended by itself; start the daemon again (a service manager does)"
    )]
    IntakeEnded,
    /// The recording.
    #[error("the recording cannot be written")]
    Recording(#[source] std::io::Error),
}

/// The kind of the row about the settings in force.
const SETTINGS_KIND: &str = "settings";
/// Steps of the clock that wait while the store takes nothing; one that swings every minute is known for what it is after these.
const CLOCK_STEPS_KEPT: usize = 100;
/// What could not be stored is told, and what could not be stored of that, but no further.
const BATCHES_OF_LEFT_OUT: usize = 3;
/// Inputs taken into one commit at the most.
const BATCH_MAX: usize = 2_000;
/// From one attempt to commit to the next while the disk is in trouble.
const COMMIT_RETRY: Duration = Duration::from_secs(1);
/// For how long the broker may take our farewell; the whole stop must stay under five seconds.
const FAREWELL_WITHIN: Duration = Duration::from_secs(2);
/// Work that came back from tasks of our own, waiting for the loop.
const WORK_MAX: usize = 64;
/// A loop that does not answer within this is held up.
const LOOK_WITHIN: Duration = Duration::from_secs(2);
/// From one look at the disk to the next.
const HEALTH_EVERY: Span = Span::minutes(1);
/// From one look at the files of the rules to the next; what changed is read at the second look that finds it unchanged.
const RULES_LOOKED_AT_EVERY: Duration = Duration::from_secs(2);
/// From one line in the store that says "still alive" to the next, when nothing else is committed.
const ALIVE_EVERY: Duration = Duration::from_secs(30);
/// From one piece of days that are packed to the next; a piece takes some hundredths of a second.
const PACKED_EVERY: Duration = Duration::from_secs(2);

/// How long a task that panicked rests before it begins again.
pub(crate) const PART_RESTS: Duration = Duration::from_secs(3_600);

/// What comes back from tasks of the loop's own.
#[derive(Debug)]
enum Work {
    Rendered(MailId, Result<Rendered, String>),
    Outcome(MailId, MailOutcome),
    Recalled {
        series: SeriesId,
        from: Timestamp,
        points: Vec<Point>,
    },
    Judged {
        bin: BinId,
        batch: BatchId,
        at: Timestamp,
        standings: Vec<Standing>,
    },
    Asked(Asked),
    /// How the copy elsewhere goes on.
    Copy(CopyWord),
    /// Somebody wants to see how the daemon is doing.
    Look(oneshot::Sender<Sight>),
    /// Files of rules were tried; somebody may wait for what came of it.
    Tried(Box<Result<Tried, fence::Panic>>, Option<oneshot::Sender<Answer>>),
    /// A task that runs for as long as the daemon panicked; it rests and begins again.
    Broke {
        part: String,
        why: String,
    },
    /// A part failed in the program itself; where something waits for it, what that gets instead.
    Failed {
        part: String,
        why: String,
        instead: Option<Box<Work>>,
    },
}

/// What came together, with whoever waits for it.
struct Item {
    inputs: Vec<Input>,
    ack: Option<Ack>,
    answer: Option<oneshot::Sender<Answer>>,
    /// What somebody wrote in the log over MQTT.
    written: Option<Written>,
    /// What somebody said of an alarm over MQTT.
    seen: Option<Seen>,
    /// By what a message of somebody named itself that could not be read.
    named: Option<decode::Named>,
}

struct Loop {
    site: Arc<Site>,
    engine: Engine,
    ledger: Ledger,
    clock: Clock,
    postman: Arc<Postman>,
    publisher: Publisher,
    work: mpsc::Sender<Work>,
    /// Tasks of our own that have not come back yet.
    away: usize,
    recorder: Option<Recorder>,
    folder: std::path::PathBuf,
    /// When the machine was last looked at.
    health_at: Option<Timestamp>,
    store_pages: Option<watch::Receiver<Option<u32>>>,
    progress: watch::Sender<Progress>,
    /// The files of the rules, where they may change.
    rules: Option<RuleWatch>,
    /// What the site changed in the rules in force.
    rules_changed: RuleSettings,
    /// Files are being tried.
    trying: bool,
    /// Who may write in the log over MQTT.
    tokens: Tokens,
    /// Batches are judged one at a time.
    one_judge: Arc<Semaphore>,
    /// The copy elsewhere, if there is one.
    copy: Option<CopyHand>,
    /// What is counted, for programs that watch.
    tally: Tally,
    /// Which parts of it move.
    vitals: Vitals,
    /// What is known of the parts, also while the loop is held up.
    board: Board,
    tidying: tidying::Tidying,
    /// Warnings that many bins have in common.
    repeats: repeats::Repeats,
    /// Steps of the machine's clock that the store has not taken yet, oldest first, and when each was seen.
    steps: VecDeque<(Timestamp, serde_json::Value)>,
    /// How high the record had grown when that was kept last.
    kept: Option<Height>,
}

/// Runs the daemon until `stop` says so; then finishes the commit in hand and returns.
///
/// # Errors
/// [`DaemonError`] when it cannot start; once it runs, trouble is waited out and told, not returned.
pub async fn run(
    setup: Setup,
    mut stop: watch::Receiver<bool>,
    progress: watch::Sender<Progress>,
) -> Result<(), DaemonError> {
    let Setup { site, rulebook, broken, folder, mut clock, recorder, store_pages, rules, rules_from, settings_text } =
        setup;
    let path = folder.path().to_owned();
    let in_ledger = |source| DaemonError::Ledger { folder: path.display().to_string(), source };
    let (mut ledger, mut lost) = opening::open(&path).map_err(in_ledger)?;
    let mut troubles = Vec::new();
    if let Clock::Live(_) = clock {
        let lived = ledger.runs().map_err(in_ledger)?.last().map(|run| run.last_alive);
        if let Some(doubt) = crate::clock::set(lived, &mut stop).await {
            tracing::warn!("{doubt}; bins are watched all the same, and times may be wrong until somebody sets it");
        }
        clock = Clock::not_before(lived.unwrap_or(Timestamp::MIN));
    }
    let now = clock.now();
    let reach = Engine::reach(&rulebook);
    if let Some(why) = &lost {
        opening::without("the record of what the store lacks", ledger.note_lost(now, why), &mut troubles)
            .map_err(in_ledger)?;
    }
    let mut restored = match ledger.restore(now, reach) {
        Err(error) if error.is_hopeless() => {
            drop(ledger);
            let (again, why) = opening::anew(&path, &error).map_err(in_ledger)?;
            ledger = again;
            opening::without("the record of what the store lacks", ledger.note_lost(now, &why), &mut troubles)
                .map_err(in_ledger)?;
            lost = Some(why);
            ledger.restore(now, reach)
        }
        restored => restored,
    }
    .map_err(in_ledger)?;
    if let Some(why) = lost.clone().filter(|_| !restored.passed_over.iter().any(|p| p.table == engine::restore::STORE))
    {
        restored.passed_over.push(PassedOver { table: engine::restore::STORE.into(), row: 0, bin: None, why });
    }
    let record_broken = restored.passed_over.iter().find(|p| p.table == "record");
    let record_broken = record_broken.map(|p| format!("row {} of the record is broken: {}", p.row, p.why));
    let previous = restored.previous;
    tidying::tell_of_clock(&site, previous.map(|run| run.last_alive), now);
    opening::without("noting the start", ledger.begin_run(now), &mut troubles).map_err(in_ledger)?;
    if let Some(text) = settings_text {
        let noted = ledger
            .newest_on_record(SETTINGS_KIND)
            .and_then(|before| ledger.put_on_record(now, SETTINGS_KIND, &settings_row::body(&text, before.as_ref())));
        opening::without("the record of the settings", noted, &mut troubles).map_err(in_ledger)?;
    }

    let postman = Arc::new(crate::wiring::postman(&site).map_err(|e| match e {
        crate::wiring::WiringError::Secret(e) => DaemonError::Secret(e),
        crate::wiring::WiringError::Post(e) => DaemonError::Post(e),
    })?);
    let tokens = Tokens::read(&site).map_err(DaemonError::Token)?;
    let Intake { mut happenings, publisher, listen_addr, pulse, shutdown, .. } = {
        let clock = clock.clone();
        crate::wiring::intake(&site, Arc::new(move || clock.now())).await.map_err(|e| match e {
            crate::wiring::IntakeWiringError::Secret(e) => DaemonError::Secret(e),
            crate::wiring::IntakeWiringError::Intake(e) => DaemonError::Intake(e),
        })?
    };
    let (work, mut worked) = mpsc::channel(WORK_MAX);
    let (asked, mut asking) = mpsc::channel::<Asked>(WORK_MAX);
    let listener = socket::listen(&path, asked).map_err(DaemonError::Socket)?;
    let board = Board::new(health::Terms::of(&site), now);
    // Where the clock is driven nobody looks at the disk.
    board.post(|facts| facts.disk_is_looked_at = matches!(clock, Clock::Live(_)));
    {
        // Requests and returns share one queue, so that the loop has one place to look.
        let (work, board, clock) = (work.clone(), board.clone(), clock.clone());
        tokio::spawn(async move {
            while let Some(asked) = asking.recv().await {
                // This one is answered while the loop is held up, too.
                if let Wish::Status { json } = asked.wish {
                    tokio::spawn(tell_status(look(work.clone(), board.clone(), clock.clone()), json, asked.answer));
                    continue;
                }
                if work.send(Work::Asked(asked)).await.is_err() {
                    break;
                }
            }
        });
    }

    let recorder = match recorder {
        Some(mut recorder) => {
            recorder.begin(&restored, now).map_err(DaemonError::Recording)?;
            Some(recorder)
        }
        None => None,
    };
    let copy = {
        let work = work.clone();
        copying::start(&site, path.clone(), move |word| {
            let work = work.clone();
            async move { work.send(Work::Copy(word)).await.is_ok() }
        })
    };
    let engine = Engine::new(Arc::clone(&site), rulebook, broken, restored, now);
    let rules_changed = site.rules.clone();
    let mut this = Loop {
        site,
        engine,
        ledger,
        clock: clock.clone(),
        postman,
        publisher,
        work,
        away: 0,
        recorder,
        folder: path.clone(),
        health_at: None,
        store_pages,
        progress: progress.clone(),
        rules: None,
        rules_changed,
        trying: false,
        tokens,
        one_judge: Arc::new(Semaphore::new(1)),
        copy,
        tally: Tally::new(),
        vitals: Vitals::new(pulse),
        board: board.clone(),
        tidying: tidying::Tidying::default(),
        repeats: repeats::Repeats::default(),
        steps: VecDeque::new(),
        kept: None,
    };
    this.board.post(|facts| {
        facts.store_lost = lost;
        facts.record_broken = record_broken;
        facts.rules_from = rules_from;
    });
    this.keep_height(now);
    if let Some(listen) = this.site.metrics {
        let work = this.work.clone();
        let (board, clock) = (board.clone(), clock.clone());
        let look = move || look(work.clone(), board.clone(), clock.clone());
        let (tally, tell) = (this.tally.clone(), this.work.clone());
        tokio::spawn(async move {
            while let Err(panic) = fence::awaited(metrics::serve(listen, tally.clone(), look.clone())).await {
                let part = "the page of figures".to_owned();
                if tell.send(Work::Broke { part, why: panic.to_string() }).await.is_err() {
                    break;
                }
                tokio::time::sleep(PART_RESTS).await;
            }
        });
    }
    let mut begin = vec![Item::alone(Input::Started { previous })];
    begin.extend(troubles.into_iter().map(|(part, why)| failed(part, why)));
    this.run_batch(begin).await;
    let mut rules_wanted = None;
    if let Some(ChangingRules { watch, refused, wanted }) = rules {
        if !refused.is_empty() || this.change_alarm_stands() {
            let set = RuleSet { texts: watch.to_try().1, changed: this.site.rules.clone(), refused };
            this.run_batch(vec![Item::alone(Input::Rules(Box::new(set)))]).await;
        }
        this.rules = Some(watch);
        rules_wanted = Some(wanted);
    }
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    progress.send_modify(|p| {
        p.ready = true;
        p.listens_on = listen_addr;
    });
    let watchdog = crate::wiring::watchdog_interval();
    let mut pet = tokio::time::interval(watchdog.unwrap_or(ALIVE_EVERY).min(ALIVE_EVERY));
    let mut ended = Ok(());
    pet.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut look = tokio::time::interval(RULES_LOOKED_AT_EVERY);
    look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut pack = tokio::time::interval(PACKED_EVERY);
    pack.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);

    loop {
        let deadline = this.engine.next_deadline();
        let mut items = Vec::new();
        tokio::select! {
            biased;
            _ = stop.wait_for(|s| *s) => break,
            happening = happenings.recv() => match happening {
                Some(happening) => {
                    items.push(Item::of(happening));
                    while items.len() < BATCH_MAX {
                        match happenings.try_recv() {
                            Ok(happening) => items.push(Item::of(happening)),
                            Err(_) => break,
                        }
                    }
                }
                None => {
                    ended = Err(DaemonError::IntakeEnded);
                    break;
                }
            },
            work = worked.recv() => {
                if let Some(work) = work {
                    this.take_back(work, &mut items);
                }
                while let Ok(work) = worked.try_recv() {
                    this.take_back(work, &mut items);
                }
            }
            () = clock.until(deadline) => items.push(Item::alone(Input::Wake)),
            Some(()) = wanted(&mut rules_wanted) => this.try_rules(None),
            _ = look.tick(), if this.rules.is_some() => {
                let site = Arc::clone(&this.site);
                let news = this.rules.as_mut().is_some_and(|watch| tokio::task::block_in_place(|| watch.has_news(&site)));
                if news {
                    this.try_rules(None);
                }
            }
            _ = pet.tick() => {
                let now = this.clock.now();
                this.repeats.others().iter().for_each(|line| tracing::warn!("{line}"));
                // Where only this row is refused, commits are tried all the same, and say what they leave out.
                let trouble = this.ledger.alive(now).err().filter(|e| !e.is_hopeless()).map(|source| root(&source));
                let is_news = trouble.is_some() && !this.board.store_in_trouble();
                if let Some(why) = trouble.as_ref().filter(|_| is_news) {
                    tracing::warn!("the store does not take a sign of life: {why}");
                }
                this.board.post(|facts| facts.store_takes(now, trouble));
                if this.clock_differs(now) {
                    items.push(Item::alone(Input::Wake));
                }
                items.extend(this.take_out_old_readings(now));
                progress.send_modify(|p| p.tended_at = Some(now));
                this.feed_watchdog(now);
                if this.health_at.is_none_or(|at| now.since(at) >= HEALTH_EVERY) {
                    this.health_at = Some(now);
                    this.look_at_record(now);
                    this.keep_height(now);
                    items.extend(errands::disk_free(&path, &this.clock).map(|disk_free| Item::alone(Input::Health { disk_free })));
                }
            }
            _ = pack.tick() => items.extend(this.pack_old_readings(this.clock.now())),
        }
        if !items.is_empty() {
            this.run_batch(items).await;
        }
        let settled = this.settled_at();
        progress.send_if_modified(|p| {
            let changed = p.settled_at != settled;
            p.settled_at = settled;
            changed
        });
    }

    let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    listener.abort();
    let _ = std::fs::remove_file(socket::socket_path(&path));
    if tokio::time::timeout(FAREWELL_WITHIN, shutdown.finish()).await.is_err() {
        tracing::warn!("the broker did not take our farewell in {} s; stopping without it", FAREWELL_WITHIN.as_secs());
    }
    let now = this.clock.now();
    this.record_steps();
    let stopped = this.ledger.end_run(now);
    this.keep_height(now);
    stopped.map_err(in_ledger)?;
    if let Some(recorder) = this.recorder.take() {
        recorder.finish().map_err(DaemonError::Recording)?;
    }
    tracing::info!("stopped; everything that was acknowledged is in the store");
    drop(folder);
    ended
}

/// Answers a command that asks how the daemon is doing.
async fn tell_status(sight: impl Future<Output = Option<Sight>>, json: bool, answer: oneshot::Sender<Answer>) {
    let Some(Sight { health: told, .. }) = sight.await else { return };
    let text = if json { told.health.json().to_string() } else { told.text() };
    let _ = answer.send(match told.health.state() {
        health::State::Ok | health::State::Late => Answer::Done(text),
        health::State::Failed => Answer::No(text),
    });
}

/// Asks the loop how the daemon is doing; while it is held up, what was last known is judged at the present. `None` once it has ended.
async fn look(work: mpsc::Sender<Work>, board: Board, clock: Clock) -> Option<Sight> {
    let asked = async {
        let (sight, seen) = oneshot::channel();
        work.send(Work::Look(sight)).await.ok()?;
        seen.await.ok()
    };
    if let Ok(answered) = tokio::time::timeout(LOOK_WITHIN, asked).await {
        return answered;
    }
    let at = clock.now();
    Some(Sight::held_up(board.health(at), clock.behind()))
}

/// The next wish to read the rules; never, where nobody can have one.
async fn wanted(wishes: &mut Option<mpsc::Receiver<()>>) -> Option<()> {
    match wishes {
        Some(wishes) => wishes.recv().await,
        None => std::future::pending().await,
    }
}

impl Item {
    fn alone(input: Input) -> Item {
        Item { inputs: vec![input], ack: None, answer: None, written: None, seen: None, named: None }
    }

    fn of(happening: Happening) -> Item {
        match happening {
            Happening::Arrival(arrival) => {
                let (written, seen) = (arrival.written.into_iter().next(), arrival.seen.into_iter().next());
                let mut inputs: Vec<Input> = arrival.refusals.into_iter().map(Input::Refused).collect();
                if !arrival.readings.is_empty() {
                    inputs.push(Input::Readings(arrival.readings));
                }
                let words = arrival.gateways.into_iter();
                inputs.extend(words.map(|word| Input::Gateway { gateway: word.gateway, gone: word.gone }));
                Item { inputs, ack: Some(arrival.ack), answer: None, written, seen, named: arrival.named }
            }
            // The intake has told the log already, once an outage.
            Happening::Link(state, _) => Item::alone(Input::Link { state }),
        }
    }
}

impl Loop {
    /// Steps the engine through some inputs, commits once, then lets everything out. What could not be stored is told in a batch of its own.
    async fn run_batch(&mut self, items: Vec<Item>) {
        let mut items = items;
        for _ in 0..BATCHES_OF_LEFT_OUT {
            let left_out = self.run_one_batch(items).await;
            if left_out.is_empty() {
                return;
            }
            items = told_once(left_out);
        }
    }

    async fn run_one_batch(&mut self, items: Vec<Item>) -> Vec<SetAside> {
        let now = self.clock.now();
        let mut effects = Vec::new();
        if let Some(clock) = self.look_at_clock(now) {
            effects.extend(self.step(now, clock));
        }
        let mut acks = Vec::new();
        let mut answers = Vec::new();
        for item in items {
            let mut reply = None;
            let first = effects.len();
            if let Some(written) = &item.written {
                effects.extend(self.written(now, written));
            }
            if let Some(seen) = item.seen {
                effects.extend(self.seen(now, seen));
            }
            for input in item.inputs {
                effects.extend(self.answer_refusal(&input, item.named.as_ref()));
                for effect in self.step(now, input) {
                    match effect {
                        Effect::Reply(said) => reply = Some(said),
                        other => effects.push(other),
                    }
                }
            }
            acks.extend(item.ack);
            if let Some(answer) = item.answer {
                let said = match reply {
                    Some(Ok(said)) => Answer::Done(said),
                    Some(Err(why)) => Answer::No(why),
                    None => Answer::Done("done".into()),
                };
                answers.push((answer, said, first..effects.len()));
            }
        }
        // Before the rows of what it caused where the store takes it, and after them where the store was full.
        self.record_steps();
        self.commit(now, &effects).await;
        self.record_steps();
        let left_out = self.ledger.take_set_aside();
        for ack in acks {
            ack.release();
        }
        for (answer, said, of) in answers {
            // Nobody is told that it is done where it is not stored.
            let lacks = left_out.iter().find(|aside| aside.effect.is_some_and(|effect| of.contains(&effect)));
            let said = match lacks {
                Some(aside) => Answer::No(not_stored(aside)),
                None => said,
            };
            // Whoever asked may have gone; what was asked is committed all the same.
            let _ = answer.send(said);
        }
        for effect in effects {
            self.let_out(effect).await;
        }
        left_out
    }

    /// Whether the machine's clock stands otherwise beside ours than the engine knows.
    fn clock_differs(&self, now: Timestamp) -> bool {
        let agrees = engine::limits::CLOCK_AGREES_WITHIN;
        match (self.clock.is_set(), self.engine.clock_behind(now)) {
            (true, Some(known)) => {
                let behind = self.clock.behind();
                behind - known > agrees || known - behind > agrees
            }
            (set, known) => set != known.is_some(),
        }
    }

    /// Puts a step of the machine's clock on record, and gives the engine what it must know of it.
    fn look_at_clock(&mut self, now: Timestamp) -> Option<Input> {
        let differs = self.clock_differs(now);
        let behind = self.clock.is_set().then(|| self.clock.behind());
        let step = self.clock.step();
        if !differs && step.is_none() {
            return None;
        }
        let body = serde_json::json!({
            "by_ms": step.map_or(0, |step| step.by.as_millis()),
            "followed": step.is_none_or(|step| step.followed),
            "behind_ms": behind.map(Span::as_millis),
            "told": differs,
        });
        self.steps.push_back((now, body));
        if self.steps.len() > CLOCK_STEPS_KEPT {
            tracing::warn!("the oldest step of the machine's clock that waits for the store is not on record");
            self.steps.pop_front();
        }
        differs.then(|| Input::Clock(behind.map_or(MachineClock::NotSet, MachineClock::Behind)))
    }

    /// Puts what happened to the machine's clock on record. A step is told once by the clock, so it waits here for as long as the store takes nothing.
    fn record_steps(&mut self) {
        while let Some((at, body)) = self.steps.front() {
            if let Err(source) = self.ledger.put_on_record(*at, "clock.step", body) {
                tracing::warn!("a step of the machine's clock is not on record yet: {}", chain(&source));
                return;
            }
            self.steps.pop_front();
        }
    }

    fn step(&mut self, now: Timestamp, input: Input) -> Vec<Effect> {
        let (judged, repeated, begun) = (self.engine.answers(), self.engine.repeated(), std::time::Instant::now());
        let caused = self.step_recorded(now, input);
        self.tally.repeated(self.engine.repeated() - repeated);
        if self.engine.answers() > judged {
            self.tally.judged(begun.elapsed());
        }
        caused
    }

    fn step_recorded(&mut self, now: Timestamp, input: Input) -> Vec<Effect> {
        let Some(recorder) = &mut self.recorder else { return self.engine.step(now, input) };
        let written = recorder.input(now, &input);
        let caused = self.engine.step(now, input);
        if let Err(source) = written.and_then(|()| recorder.effects(&caused)) {
            tracing::warn!("the recording ends here: {source}");
            self.recorder = None;
        }
        caused
    }

    /// Commits, and keeps trying with the same effects for as long as it takes.
    async fn commit(&mut self, now: Timestamp, effects: &[Effect]) {
        let mut troubled = None;
        loop {
            if let Some(pages) = &mut self.store_pages
                && pages.has_changed().unwrap_or(false)
            {
                let limit = *pages.borrow_and_update();
                if let Err(source) = self.ledger.set_page_limit(limit) {
                    tracing::warn!("the store's size cannot be limited: {source}");
                }
            }
            match tokio::task::block_in_place(|| self.ledger.commit(now, effects)) {
                Ok(committed) => {
                    self.tally.committed(committed);
                    if let Some(copy) = &self.copy {
                        copy.offer(committed, effects);
                    }
                    break;
                }
                Err(source) => {
                    if troubled.is_none() {
                        tracing::error!("nothing is stored or acknowledged at present: {}", chain(&source));
                        let since = self.clock.now();
                        troubled = Some(since);
                        self.board.post(|facts| facts.store_takes(since, Some(root(&source))));
                        self.progress.send_modify(|p| p.store_in_trouble = true);
                    }
                    tokio::time::sleep(COMMIT_RETRY).await;
                }
            }
        }
        if let Some(since) = troubled {
            self.board.post(|facts| facts.store_takes(now, None));
            self.progress.send_modify(|p| p.store_in_trouble = false);
            tracing::info!(
                "the store takes readings again, after {} of trouble; nothing was lost",
                self.clock.now().since(since)
            );
        }
    }

    async fn let_out(&mut self, effect: Effect) {
        match effect {
            Effect::Deliver(mail) => self.deliver(mail),
            Effect::Recall { series, from } => self.recall(series, from),
            Effect::Judge { bin, batch, until } => self.judge(bin, batch, until),
            Effect::Publish { topic, payload, retain } => {
                let retain = if retain { intake::Retain::Keep } else { intake::Retain::Pass };
                if let Err(source) = self.publisher.publish(topic, payload, retain).await {
                    tracing::debug!("a message was not published: {source}");
                }
            }
            Effect::Beat => crate::wiring::beat(&self.site, self.clock.clone(), self.tally.beaten_at()),
            Effect::Say { level: Level::Info, text } => tracing::info!("{text}"),
            Effect::Say { level: Level::Warn, text } => tracing::warn!("{text}"),
            Effect::Reply(_)
            | Effect::Store { .. }
            | Effect::Refuse(_)
            | Effect::Entry(_)
            | Effect::Batch(_)
            | Effect::Alarm { .. }
            | Effect::Mail(_)
            | Effect::MailState { .. }
            | Effect::SummaryDone(_)
            | Effect::RoundListDone(_)
            | Effect::Rules(_)
            | Effect::Water(_)
            | Effect::Results(_)
            | Effect::Report(_) => {}
        }
    }

    fn take_back(&mut self, work: Work, items: &mut Vec<Item>) {
        // Those come by themselves; nothing was sent away for them.
        if !matches!(work, Work::Asked(_) | Work::Copy(_) | Work::Look(_) | Work::Broke { .. }) {
            self.away -= 1;
        }
        match work {
            Work::Broke { part, why } => items.push(failed(part, why)),
            Work::Failed { part, why, instead } => {
                items.push(failed(part, why));
                if let Some(instead) = instead {
                    self.away += 1;
                    self.take_back(*instead, items);
                }
            }
            Work::Copy(word) => {
                if let CopyWord::Broke { why } = &word {
                    items.push(failed("the copy in InfluxDB", why.clone()));
                }
                self.note_copy(word);
            }
            Work::Look(sight) => {
                let _ = sight.send(self.sight());
            }
            Work::Asked(Asked { wish: Wish::Input(input), answer }) => {
                items.push(Item {
                    inputs: vec![*input],
                    ack: None,
                    answer: Some(answer),
                    written: None,
                    seen: None,
                    named: None,
                });
            }
            Work::Asked(Asked { wish: Wish::ReadRules, answer }) => self.try_rules(Some(answer)),
            // Those are answered before they come here.
            Work::Asked(Asked { wish: Wish::Status { .. }, .. }) => {}
            Work::Tried(tried, answer) => {
                self.trying = false;
                items.extend(self.take_tried(*tried, answer));
            }
            Work::Outcome(mail, outcome) => {
                self.vitals.ends(mail);
                items.push(Item::alone(Input::Mail { mail, outcome }));
            }
            Work::Recalled { series, from, points } => {
                items.push(Item::alone(Input::Recalled { series, from, points }))
            }
            Work::Judged { bin, batch, at, standings } => {
                items.push(Item::alone(Input::Judged { bin, batch, at, standings }));
            }
            Work::Rendered(id, Err(why)) => {
                self.vitals.ends(id);
                let reply = format!("the mail cannot be made: {why}");
                items.push(Item::alone(Input::Mail { mail: id, outcome: MailOutcome::Unfit { reply } }));
            }
            Work::Rendered(id, Ok(Rendered { bytes, issued, failed: part, amended })) => {
                items.extend(part.map(|(part, why)| failed(part, why)));
                report::on_record(&mut self.ledger, self.clock.now(), issued);
                items.extend(
                    amended.into_iter().map(|(week, changes)| {
                        Item::alone(Input::Report { week, word: ReportWord::Amended { changes } })
                    }),
                );
                // Kept before the first attempt, so that a repeat after a crash sends the same bytes under the same Message-ID.
                // A store that never keeps them is no reason to keep the mail back.
                let kept = match self.ledger.keep_rendered(id, &bytes) {
                    Err(source) if source.is_hopeless() => {
                        tracing::warn!("the bytes of mail {} are not kept: {}; it goes out", id.0, chain(&source));
                        Ok(())
                    }
                    kept => kept,
                };
                match kept.and_then(|()| self.ledger.mail(id)) {
                    Ok(Some((mail, _))) => self.send(id, mail.to, bytes),
                    Ok(None) => {
                        self.vitals.ends(id);
                        items.push(Item::alone(Input::Mail { mail: id, outcome: gone() }));
                    }
                    Err(source) => {
                        self.vitals.ends(id);
                        let reply = format!("the store does not keep the mail's bytes: {source}");
                        items.push(Item::alone(Input::Mail { mail: id, outcome: MailOutcome::Deferred { reply } }));
                    }
                }
            }
        }
    }

    /// The present, if nothing is due any more and everything that was sent away has come back.
    fn settled_at(&self) -> Option<Timestamp> {
        let now = self.clock.now();
        let due = self.engine.next_deadline().is_some_and(|at| at <= now);
        (self.away == 0 && !due).then_some(now)
    }
}

/// What could not be stored, as failures of the parts that store it, one for each kind.
fn told_once(left_out: Vec<SetAside>) -> Vec<Item> {
    let mut parts: BTreeMap<String, String> = BTreeMap::new();
    for SetAside { what, number, why, .. } in left_out {
        let number = number.map(|number| format!("number {number}: ")).unwrap_or_default();
        parts.entry(format!("storing {what}")).or_insert_with(|| {
            format!("{number}{why}; everything else is stored, and the bytes of this are kept: `hypocaust store check` lists them")
        });
    }
    let failed = |(part, why)| Item::alone(Input::PartFailed { part, why });
    parts.into_iter().map(failed).collect()
}

/// A part failed in the program itself: told in the log now, and by an alarm.
fn failed(part: impl Into<String>, why: String) -> Item {
    let part = part.into();
    tracing::error!("{part} failed: {why}; please report it. Everything else goes on");
    Item::alone(Input::PartFailed { part, why })
}

/// What a person is told whose words could not be stored.
pub(crate) fn not_stored(aside: &SetAside) -> String {
    let SetAside { what, why, .. } = aside;
    format!(
        "{what} could not be stored: {why}; run `hypocaust store check`, and tell the person who looks after the store"
    )
}

/// What becomes of a mail that somebody took out of the outbox: nobody waits for it any longer.
fn gone() -> MailOutcome {
    MailOutcome::Unfit { reply: "the outbox has no such mail any more".into() }
}

/// The innermost cause of an error.
fn root(error: &dyn std::error::Error) -> String {
    let mut cause = error;
    while let Some(source) = cause.source() {
        cause = source;
    }
    cause.to_string()
}

/// An error with its causes, on one line.
pub fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(source) = cause {
        text.push_str(": ");
        text.push_str(&source.to_string());
        cause = source.source();
    }
    text
}
