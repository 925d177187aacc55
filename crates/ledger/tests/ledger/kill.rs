//! The process is killed while it commits; what it acknowledged is there afterwards, and no commit is there in part.
//!
//! Must never be taken for a test of fsync: after `kill -9` the kernel still holds every write, so this proves the transactions and
//! the recovery of the log, not what a power cut leaves. That rests on `synchronous=FULL`.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use engine::effect::Effect;
use ledger::{Access, Ledger};
use pile::time::{Span, Timestamp};
use site::entry::{Entry, EntryId};
use site::reading::SeriesId;

use crate::dice::Dice;
use crate::{NOW, all_readings, core, reading};

/// Set in the child: the folder to write to.
const CHILD: &str = "LEDGER_TEST_KILLED_IN";
/// Readings in a commit, each of its own series, beside one entry; so many that some rounds carry arrivals over.
const PER_COMMIT: usize = 400;

#[test]
fn what_was_acknowledged_survives_a_kill() {
    if let Some(folder) = std::env::var_os(CHILD) {
        write_until_killed(Path::new(&folder));
    }
    let seed = std::env::var("LEDGER_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(20_260_310);
    println!("seed {seed} (set LEDGER_SEED for another)");
    let mut dice = Dice::new(seed);
    let folder = tempfile::tempdir().unwrap();
    let mut acknowledged = 0;
    for round in 0..25 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "kill::what_was_acknowledged_survives_a_kill", "--nocapture"])
            .env(CHILD, folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut numbers = said.by_ref().map_while(Result::ok).filter_map(|line| line.strip_prefix("ok ")?.parse().ok());
        for _ in 0..1 + dice.below(30) {
            acknowledged = numbers.next().expect("the child commits until it is killed");
        }
        // Lets the child get some way into its next commits; how far is left to the seed and the scheduler.
        for _ in 0..dice.below(400_000) {
            std::hint::spin_loop();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        // What the child had already said when it died counts too.
        acknowledged = numbers.last().unwrap_or(acknowledged);

        let ledger = Ledger::open(folder.path(), Access::Write).unwrap();
        let entries = ledger.entries().unwrap();
        let commits = entries.len();
        assert!(
            commits >= acknowledged,
            "round {round}: {acknowledged} commits were acknowledged, {commits} are there"
        );
        assert!(commits <= acknowledged + 1, "round {round}: only the commit under way may be there unacknowledged");
        // Series by series, so that what each holds is the sequence that its commits wrote, without a gap and without an end in part.
        let mut want: Vec<(SeriesId, Timestamp, f64)> = (0..PER_COMMIT)
            .flat_map(|n| (0..commits).map(move |commit| (n, commit)))
            .map(|(n, commit)| {
                (core(&format!("p{n}")), NOW + Span::minutes(commit as i64), (commit * PER_COMMIT + n) as f64)
            })
            .collect();
        want.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
        let got: Vec<(SeriesId, Timestamp, f64)> = all_readings(&ledger)
            .into_iter()
            .map(|row| (row.reading.series, row.reading.measured_at, row.reading.value))
            .collect();
        assert!(got == want, "round {round}: {} readings are there and {} were committed", got.len(), want.len());
    }
}

/// Commits for ever, and says the number of commits after each.
fn write_until_killed(folder: &Path) -> ! {
    let mut ledger = Ledger::open(folder, Access::Write).unwrap();
    let mut dice = Dice::new(1);
    let mut commits = ledger.entries().unwrap().len();
    ledger.begin_run(NOW).unwrap();
    loop {
        let mut effects: Vec<Effect> = (0..PER_COMMIT)
            .map(|n| reading(&format!("p{n}"), -(commits as i64), (commits * PER_COMMIT + n) as f64))
            .collect();
        effects.push(Effect::Entry(Entry { id: EntryId(commits as u64 + 1), ..dice.entry() }));
        ledger.commit(NOW, &effects).unwrap();
        commits += 1;
        // One write a line, so that a kill does not tear it.
        std::io::stdout().write_all(format!("ok {commits}\n").as_bytes()).unwrap();
    }
}
