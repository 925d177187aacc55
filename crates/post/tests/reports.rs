//! Weekly summaries and process records, whole: their text, page and daily figures, on an invented site.
//!
//! Must never compare less than the whole where a golden file can hold it.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod invented;

use expect_test::{ExpectFile, expect_file};
use pile::time::Span;
use post::document::Block as Set;
use post::reports::facts::{Edition, Ran, Review};
use post::reports::said;
use post::reports::{Parts, Pictures, document, html, text};
use site::judge::Outcome;
use site::model::{Display, Paper, ReportSection};

fn check(golden: ExpectFile, got: &str) {
    golden.assert_eq(got);
}

/// Run with `UPDATE_EXPECT=1` to write the expectations anew, then read every line of the difference.
#[test]
fn the_weekly_summary_is_what_it_was() {
    for (display, name) in [(Display::Metric, "metric"), (Display::Us, "us")] {
        let facts = invented::week(display, 3);
        let report = post::reports::week(&facts, Parts::Main);
        let golden = |ending: &str| expect_file![format!("../../../tests/golden/report/week-{name}.{ending}")];
        check(golden("txt"), &text(&report));
        if display == Display::Metric {
            check(golden("html"), &html(&report, &facts.site, Pictures::Attached(&[])));
            check(golden("days.csv"), &said::days_csv(&facts.site, &facts.days));
            check(golden("figures.csv"), &said::as_csv(&said::of_week(&facts)));
        }
    }
}

#[test]
fn the_process_record_is_what_it_was() {
    let facts = invented::batch(Display::Metric);
    let report = post::reports::batch(&facts);
    check(expect_file!["../../../tests/golden/report/batch.txt"], &text(&report));
    let (document, pictures) = document(&report, &facts.site, Paper::A4);
    assert_eq!(pictures.len(), 1);
    let signed = |block: &Set| matches!(block, Set::Together { blocks } if matches!(blocks.last(), Some(Set::Signatures { .. })));
    assert!(document.blocks.iter().any(signed), "room for the operator's own statement and hand");
    let empty = invented::batch_that_cannot_be_told(Display::Metric);
    check(expect_file!["../../../tests/golden/report/batch-cannot-tell.txt"], &text(&post::reports::batch(&empty)));
}

#[test]
fn a_site_without_anything_still_has_a_whole_summary() {
    let mut facts = invented::week(Display::Metric, 0);
    facts.checkpoint = None;
    check(
        expect_file!["../../../tests/golden/report/week-empty.txt"],
        &text(&post::reports::week(&facts, Parts::Main)),
    );
}

#[test]
fn a_week_before_the_first_start_is_not_monitored_and_promises_nothing() {
    let mut facts = invented::week(Display::Metric, 3);
    // Bins and blowers are in the settings; nobody wrote or measured anything yet.
    facts.days.iter_mut().for_each(|day| day.readings = 0);
    for bin in &mut facts.bins {
        (bin.batch, bin.stage, bin.coldest, bin.core, bin.clock, bin.coverage) = (None, None, None, None, None, None);
        bin.raised.clear();
        bin.standing.clear();
    }
    facts.batches.clear();
    facts.probes.clear();
    facts.complaints.clear();
    facts.mails_given_up = 0;
    for known in [Ran::Proven { ran: Span::ZERO, heard: Span::ZERO }, Ran::Scheduled(Span::hours(4))] {
        facts.blowers.iter_mut().for_each(|blower| blower.known = known);
        let said = text(&post::reports::week(&facts, Parts::Main)).replace("\n    ", " ");
        assert!(said.contains("not monitored: no reading of this week is stored"), "{said}");
        for blower in &facts.blowers {
            assert!(said.contains(&format!("blower {}: not monitored", blower.blower)), "{known:?}: {said}");
        }
        for word in ["needs nothing", "Nothing needs you", ": ran ", "0.0 h", "by its schedule"] {
            assert!(!said.contains(word), "`{word}` of a week that nobody watched, {known:?}: {said}");
        }
    }
    // One blower that was heard was watched: then its own figure is told, and of the others only that they were not.
    facts.blowers[0].known = Ran::Proven { ran: Span::hours(3), heard: Span::hours(100) };
    let said = text(&post::reports::week(&facts, Parts::Main));
    assert!(said.contains("ran 3.0 h by its signal"), "{said}");
    assert!(!said.contains("no reading of this week is stored"), "{said}");
}

#[test]
fn every_time_has_its_own_offset_in_a_week_in_which_the_clocks_change() {
    let facts = invented::week(Display::Metric, 3);
    let said = text(&post::reports::week(&facts, Parts::Main));
    assert!(said.contains("2026-03-23 06:00 +01:00 to 2026-03-30 06:00 +02:00"), "{said}");
    let words: Vec<&str> = said.split_whitespace().collect();
    let clock =
        |word: &str| word.len() == 5 && word.get(2..3) == Some(":") && word.starts_with(|c: char| c.is_ascii_digit());
    let times: Vec<_> = words.windows(2).filter(|pair| clock(pair[0])).collect();
    assert!(times.len() > 50, "{}", times.len());
    for pair in times {
        assert!(pair[1].starts_with("+01:00") || pair[1].starts_with("+02:00"), "{pair:?}");
    }
    let lengths: Vec<i64> = facts.days.iter().map(|d| d.to.since(d.from).as_millis() / 3_600_000).collect();
    assert!(lengths.contains(&23), "the day of the change has 23 hours: {lengths:?}");
}

#[test]
fn values_below_a_limit_are_never_printed_as_the_limit() {
    let facts = invented::week(Display::Metric, 3);
    let us = invented::week(Display::Us, 3);
    let (metric, us) = (text(&post::reports::week(&facts, Parts::Main)), text(&post::reports::week(&us, Parts::Main)));
    // The coldest probe of the second bin stands at 54.96 °C, which is 130.93 °F.
    assert!(metric.contains("54.9 °C") && !metric.contains("55.0 °C"), "{metric}");
    assert!(us.contains("130.9 °F") && !us.contains("131.0 °F"), "{us}");
    let short = facts.batches[2].results[0].clone();
    assert_eq!(short.judgement.result, Outcome::Running);
    assert!(
        short.judgement.hours_counted < 72.0 && short.judgement.hours_counted > 71.9,
        "{}",
        short.judgement.hours_counted
    );
    assert!(metric.contains("71.9 of 72 h"), "{metric}");
    assert!(!said::days_csv(&facts.site, &facts.days).contains(",55,"), "nor in the daily figures");
}

#[test]
fn nothing_claims_that_anything_complies() {
    for report in [
        post::reports::week(&invented::week(Display::Metric, 3), Parts::Main),
        post::reports::batch(&invented::batch(Display::Metric)),
    ] {
        let said = text(&report).to_lowercase();
        assert!(said.contains("measured"));
        for word in ["is compliant", "complies with", "in compliance", "certified by hypocaust", "safe to"] {
            assert!(!said.contains(word), "`{word}` is claimed");
        }
        assert!(said.contains("your permit"), "the permit decides");
    }
}

#[test]
fn a_reader_gets_the_sections_that_they_chose_and_always_what_is_not_shown() {
    let facts = invented::week(Display::Metric, 3);
    for (sections, has, has_not) in [
        (vec![ReportSection::AtAGlance], "The week at a glance", "The log\n"),
        (vec![ReportSection::Entries, ReportSection::Record], "Checkpoint of the record", "The week at a glance"),
        (vec![], "What this summary does not show", "How the alarms were"),
    ] {
        let said = text(&post::reports::week(&facts, Parts::Chosen(&sections)));
        assert!(said.contains(has), "{sections:?}: {said}");
        assert!(!said.contains(has_not), "{sections:?}: {said}");
        assert!(said.contains("What this summary does not show"), "{sections:?}");
    }
}

#[test]
fn an_amended_edition_says_what_changed_and_who_looked() {
    let before = invented::week(Display::Metric, 3);
    let mut now = before.clone();
    now.days.retain(|d| d.readings > 0);
    now.loads.clear();
    let changes = said::changes(&said::of_week(&before), &said::of_week(&now));
    assert_eq!(changes.len(), before.loads.len(), "only what went is named: {changes:?}");
    now.edition = Edition { number: 2, changes };
    now.review = Review::Reviewed { by: "Jana Weiß".into(), at: now.to + Span::hours(5) };
    let said = text(&post::reports::week(&now, Parts::Main));
    assert!(said.contains("Amended 1: what changed"), "{said}");
    assert!(said.contains("amended 1; the earlier edition stays as it was"), "{said}");
    assert!(said.contains("is not there any more"), "{said}");
    assert!(said.contains("reviewed by Jana Weiß, 2026-03-30 11:00 +02:00"), "{said}");
}

#[test]
fn other_units_amend_nothing() {
    let metric = said::of_week(&invented::week(Display::Metric, 3));
    let us = said::of_week(&invented::week(Display::Us, 3));
    assert!(metric.iter().zip(&us).any(|(a, b)| a.said != b.said), "they are said otherwise");
    assert_eq!(said::changes(&metric, &us), Vec::new(), "and are the same");
    let mut other = invented::week(Display::Us, 3);
    for day in &mut other.days {
        day.readings += 1;
    }
    assert!(!said::changes(&metric, &said::of_week(&other)).is_empty(), "a value that is another still amends");
}

#[test]
fn sixty_bins_stay_readable() {
    let mut facts = invented::week(Display::Metric, 60);
    facts.bins.iter_mut().for_each(|bin| bin.standing = vec!["Dry pile".into()]);
    let report = post::reports::week(&facts, Parts::Main);
    let said = text(&report);
    let glance = said.split("Batches and results").next().unwrap();
    assert!(glance.lines().count() < 60 * 3 + 60, "one or two lines a bin: {}", glance.lines().count());
    assert!(glance.contains("need you:") && glance.contains("53\nmore."), "not every bin is named first: {glance}");
    let page = html(&report, &facts.site, Pictures::Inline);
    assert!(page.len() < 4_000_000, "{} bytes", page.len());
    let (document, pictures) = document(&report, &facts.site, Paper::Letter);
    assert_eq!(pictures.len(), facts.batches.len());
    assert!(document.blocks.len() > 60);
}

#[test]
fn values_from_outside_are_no_markup() {
    let mut facts = invented::week(Display::Metric, 1);
    facts.site.name = "<script>alert(1)</script> & Söhne".into();
    facts.entries[0].note = "\"><img src=x>\u{202e}".into();
    let page = html(&post::reports::week(&facts, Parts::Main), &facts.site, Pictures::Inline);
    assert!(!page.contains("<script") && !page.contains("<img"), "{page}");
    assert!(page.contains("&lt;script&gt;"));
}

/// Lays the documents where a person can look at them, when asked to: `HYPOCAUST_REPORTS=folder cargo test -p post --test reports`.
#[test]
fn documents_are_set_whole_and_can_be_looked_at() {
    let folder = std::env::var_os("HYPOCAUST_REPORTS").map(std::path::PathBuf::from);
    let week = invented::week(Display::Metric, 3);
    let long = invented::week(Display::Us, 60);
    let batch = invented::batch(Display::Metric);
    for (name, report, site, paper, pages) in [
        ("week", post::reports::week(&week, Parts::Main), &week.site, Paper::A4, 3..=6),
        ("long", post::reports::week(&long, Parts::Main), &long.site, Paper::Letter, 20..=60),
        ("batch", post::reports::batch(&batch), &batch.site, Paper::A4, 3..=9),
    ] {
        let (document, pictures) = document(&report, site, paper);
        let pressed = post::document::pdf(&document, pictures, invented::TO, None).unwrap();
        assert!(pressed.warnings.is_empty(), "{name}: {:?}", pressed.warnings);
        assert!(pages.contains(&pressed.pages), "{name}: {} pages", pressed.pages);
        assert!(pressed.pdf.len() < 4_000_000, "{name}: {} bytes", pressed.pdf.len());
        if let Some(folder) = &folder {
            std::fs::create_dir_all(folder).unwrap();
            std::fs::write(folder.join(format!("{name}.pdf")), &pressed.pdf).unwrap();
        }
    }
}

#[test]
fn what_waits_for_a_laboratory_asks_for_somebody_only_when_the_batch_is_off_air() {
    let mut facts = invented::week(Display::Metric, 3);
    let asks = |facts: &post::reports::facts::WeekFacts| {
        let own = |need: &post::reports::Need| need.bin.is_some() && need.sentence.contains("laboratory");
        post::reports::needs(facts).iter().any(own)
    };
    assert_eq!(facts.batches[0].results[0].judgement.result, Outcome::Met);
    assert!(!asks(&facts), "good news needs nobody");
    let said = text(&post::reports::week(&facts, Parts::Main));
    assert!(said.contains("release waits for laboratory results: north-1 (us503-pfrp-asp)."), "{said}");
    facts.bins[0].stage = Some(site::entry::Stage::Curing);
    assert!(asks(&facts), "the release of a batch that is off air waits for it");
}

#[test]
fn what_the_summary_says_in_brief_of_a_result_the_annex_says_in_full() {
    let facts = invented::week(Display::Metric, 3);
    let (main, annex) = (post::reports::week(&facts, Parts::Main), post::reports::week(&facts, Parts::Annex));
    let flowing = |report| text(report).split_whitespace().collect::<Vec<_>>().join(" ");
    let (main, annex) = (flowing(&main), flowing(&annex));
    let reason = &facts.batches[0].results[0].judgement.excluded[0].reason;
    let reason = reason.split_whitespace().take(3).collect::<Vec<_>>().join(" ");
    assert!(main.contains("reasons in the annex") && !main.contains(&reason), "{reason}: {main}");
    assert!(annex.contains("Results that changed, in full") && annex.contains(&reason), "{reason}: {annex}");
}
