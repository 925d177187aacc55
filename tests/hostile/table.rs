//! Runs the rows and prints them as a table: input, bound, what happened, and what it cost the daemon.
//!
//! Must never call a row good that did not say what happened.

use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::pin::Pin;
use std::process::ExitCode;

use futures_util::FutureExt;
use futures_util::future::join_all;

use crate::yard::Spent;

/// One hostile input.
pub struct Row {
    input: &'static str,
    bound: &'static str,
    waits: bool,
    run: Box<dyn FnOnce() -> Pin<Box<dyn Future<Output = Happened>>>>,
}

/// What came of it; a row that finds something wrong panics instead.
pub struct Happened {
    /// In the words of the table.
    pub what: String,
    /// What the daemon used; `None` where the row is about a command.
    pub spent: Option<Spent>,
}

impl Row {
    /// `input` as a person would tell it, `bound` as the manual states it, and what is done and checked.
    pub fn new<F>(input: &'static str, bound: &'static str, run: impl FnOnce() -> F + 'static) -> Row
    where
        F: Future<Output = Happened> + 'static,
    {
        Row { input, bound, waits: false, run: Box::new(move || Box::pin(run())) }
    }
}

impl Happened {
    /// With what the daemon used.
    pub fn new(what: impl Into<String>, spent: Spent) -> Happened {
        Happened { what: what.into(), spent: Some(spent) }
    }

    /// Where no daemon ran.
    pub fn said(what: impl Into<String>) -> Happened {
        Happened { what: what.into(), spent: None }
    }
}

/// Rows that mostly wait, for a rule's minute or the machine's clock: they run beside each other.
pub fn beside_each_other(rows: Vec<Row>) -> Vec<Row> {
    rows.into_iter().map(|row| Row { waits: true, ..row }).collect()
}

/// Runs every row whose line has all words of the command line.
pub fn run<const N: usize>(areas: [(&'static str, Vec<Row>); N]) -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let (mut passed, mut failed) = (0, 0);
    println!("area | input | bound | what happened | peak memory | processor time");
    for (area, rows) in areas {
        let line = |row: &Row| format!("{area} | {} | {}", row.input, row.bound);
        let wanted = |row: &Row| words.iter().all(|word| line(row).contains(word.as_str()));
        let (waiting, alone): (Vec<Row>, Vec<Row>) = rows.into_iter().filter(wanted).partition(|row| row.waits);
        let mut together: Vec<Vec<Row>> = alone.into_iter().map(|row| vec![row]).collect();
        together.extend((!waiting.is_empty()).then_some(waiting));
        for rows in together {
            let running = rows.into_iter().map(|row| {
                let line = line(&row);
                async move { (line, AssertUnwindSafe((row.run)()).catch_unwind().await) }
            });
            for (line, happened) in runtime.block_on(join_all(running)) {
                match happened {
                    Ok(Happened { what, spent }) => {
                        passed += 1;
                        let spent =
                            spent.map_or("- | -".to_owned(), |s| format!("{:.0} MB | {:.1} s", s.megabytes, s.seconds));
                        println!("{line} | {what} | {spent}");
                    }
                    Err(_) => {
                        failed += 1;
                        println!("{line} | FAILED, see above | - | -");
                    }
                }
            }
        }
    }
    println!("\n{passed} passed, {failed} failed");
    if failed == 0 && passed > 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
